"""Why a text is not YAML, in words of its own: a parser says what it looked for, not what is wrong.

Only a file that cannot be parsed comes here.
"""

from __future__ import annotations

from typing import Any

import yaml

from studiobridge.profile.plain import quoted

IN_QUOTES = "put the whole text in quotes"
_CLOSES = {"{": "}", "[": "]"}

Said = tuple[int, int, str, str]


def in_our_words(error: yaml.YAMLError, lines: list[str]) -> Said:
    """Line, column, what is wrong there and what to do; `lines` are those of the file."""
    if isinstance(error, yaml.MarkedYAMLError):
        return _Broken(error, lines).said()
    position = getattr(error, "position", None)
    if not isinstance(position, int):
        return 1, 1, "this is not YAML", ""
    for i, text in enumerate(lines):
        found = next((c for c, char in enumerate(text) if not _may_stand(char)), None)
        if found is not None:
            return i + 1, found + 1, "a control character stands here", "take it out"
    return 1, 1, "a control character stands in the file", "take it out"


def _may_stand(char: str) -> bool:
    return char == "\t" or char.isprintable() or char > "\xa0"


class _Broken:
    """A place where the parser gave up, and the place where what it was reading began."""

    def __init__(self, error: yaml.MarkedYAMLError, lines: list[str]) -> None:
        self.lines = lines
        self.problem = str(error.problem or "")
        self.context = str(error.context or "")
        self.at = _place(error.problem_mark or error.context_mark)
        self.began = _place(error.context_mark or error.problem_mark)

    def line(self, n: int) -> str:
        return self.lines[n - 1] if 1 <= n <= len(self.lines) else ""

    def char(self, place: tuple[int, int]) -> str:
        text = self.line(place[0])
        return text[place[1] - 1] if 1 <= place[1] <= len(text) else ""

    @property
    def first_in_line(self) -> bool:
        return not self.line(self.at[0])[: self.at[1] - 1].strip()

    def said(self) -> Said:
        tab = self.line(self.at[0])[: self.at[1]]
        indent = tab[: len(tab) - len(tab.lstrip())]
        if "\t" in indent:
            what = "a tab stands before the first word of this line: YAML counts spaces there"
            return self.at[0], indent.index("\t") + 1, what, "write spaces, two for each step in"
        for words, say in (
            ("mapping values are not allowed", self.colon),
            ("unexpected end of stream", self.quote),
            ("',' or", self.bracket),
            ("expected key", self.key),
            ("could not find expected ':'", self.no_key),
            ("cannot start any token", self.start),
            ("alphabetic or numeric", self.anchor),
            ("unknown escape", self.escape),
            ("'-' indicator", self.dash),
            ("node content", self.closes_nothing),
            ("document start", self.behind_the_end),
        ):
            if words in self.problem:
                return say()
        if "directive" in self.context:
            return (*self.began, "a line cannot begin with '%'", IN_QUOTES)
        return (
            *self.at,
            "from here on this is not YAML",
            "look for a quote, a bracket or a colon out of place here or in the line above",
        )

    def colon(self) -> Said:
        text = self.line(self.at[0])
        before = text[: self.at[1] - 1]
        if ":" not in before:
            return self.depth(f"{quoted(before.strip())} stands further in than the line above")
        what = "a second colon in this line: what is behind the first cannot have one of its own"
        return (*self.at, what, f"{IN_QUOTES}, like {_in_quotes(text)}")

    def depth(self, what: str) -> Said:
        n = self.at[0]
        text = self.line(n)
        column = len(text) - len(text.lstrip(" ")) + 1
        above = next((self.line(i) for i in range(n - 1, 0, -1) if _counts(self.line(i))), "")
        begins = len(above) - len(above.lstrip(" ")) + 1
        todo = f"begin both in one column (the line above begins in column {begins})"
        if above.rstrip().endswith(":"):
            todo = f"begin it further in than the line above (column {begins})"
        return n, column, what, todo

    def quote(self) -> Said:
        mark = self.char(self.began)
        return (*self.began, f"the {mark} that opens here is never closed", f"close it with {mark}")

    def bracket(self) -> Said:
        opens, found = self.char(self.began), self.char(self.at)
        closes = _CLOSES.get(opens, "}")
        if found in ("}", "]") and found != closes:
            return (*self.at, f"{found} stands where the {opens} is closed", f"write {closes}")
        if self.at[0] > self.began[0] or not found:
            what = f"the {opens} that opens here is not closed before line {self.at[0]}"
            if not any(line.strip() for line in self.lines[self.at[0] - 1 :]):
                what = f"the {opens} that opens here is never closed"
            return (*self.began, what, f"close it with {closes}")
        return (
            *self.at,
            "a comma is missing before this, or a text with a colon in it has no quotes",
            'like {title: "Key: left", level: 64 %}',
        )

    def key(self) -> Said:
        found = self.char(self.at)
        if self.first_in_line and found == "-" and "mapping" in self.context:
            what = "an entry of a list ('-') stands where a key belongs"
            return (*self.at, what, "indent it below the key whose list it is")
        if self.first_in_line and found not in ("}", "]", ","):
            return self.depth("this line begins where no line above it does")
        before = self.line(self.at[0])[: self.at[1] - 1].rstrip()
        if found in ("}", "]"):
            return (*self.at, f"a {found} too many", "take it out")
        if before[-1:] in ("}", "]"):
            what = f"something stands behind the closing {before[-1]}"
            return (*self.at, what, f"{IN_QUOTES}: one that begins with a bracket needs them")
        if before[-1:] in ('"', "'"):
            what = f"something stands behind the closing {before[-1]}"
            return (*self.at, what, "take all of it into the quotes")
        return (*self.at, "this does not belong here", "one 'key: value' a line")

    def no_key(self) -> Said:
        text = self.line(self.began[0]).strip()
        name, colon, value = text.partition(":")
        if colon and value and not value.startswith(" "):
            what = "there is no space behind the colon"
            return (*self.began, what, f"write {name}: {value.strip()}")
        what = f"{quoted(text)} is no 'key: value'"
        return (*self.began, what, "write a colon and a space behind the key")

    def start(self) -> Said:
        found = self.char(self.at)
        if found == "\t":
            return (*self.at, "a tab stands here", "write spaces")
        return (*self.at, f"a text cannot begin with {found}", IN_QUOTES)

    def anchor(self) -> Said:
        mark = self.char(self.began)
        what = f"a {mark} begins a name for a part used twice, and there is no name"
        return (*self.began, what, "put it in quotes where it is a text")

    def escape(self) -> Said:
        what = "a backslash between double quotes begins something special"
        return (*self.at, what, "write it in single quotes")

    def dash(self) -> Said:
        what = "this line is no entry of the list above it"
        return (*self.at, what, "begin it with '- ', or as far in as the key it belongs to")

    def closes_nothing(self) -> Said:
        found = self.char(self.at)
        if found not in ("}", "]"):
            return self.open_to_the_end()
        return (*self.at, f"nothing was opened that {found} could close", "take it out")

    def open_to_the_end(self) -> Said:
        """The nearest bracket above that nothing closes."""
        closed = 0
        for n in range(min(self.at[0], len(self.lines)), 0, -1):
            for column in range(len(self.line(n)), 0, -1):
                char = self.char((n, column))
                closed += char in ("}", "]")
                if char in ("{", "["):
                    closed -= 1
                    if closed < 0:
                        what = f"the {char} that opens here is never closed"
                        return n, column, what, f"close it with {_CLOSES[char]}"
        return (*self.at, "the file ends in the middle of something", "close what is open")

    def behind_the_end(self) -> Said:
        what = "something stands behind the '...' that ends the file"
        return (*self.at, what, "take the '...' out")


def _place(mark: Any) -> tuple[int, int]:
    return (mark.line + 1, mark.column + 1) if mark is not None else (1, 1)


def _counts(text: str) -> bool:
    return bool(text.strip()) and not text.lstrip().startswith("#")


def _in_quotes(text: str) -> str:
    """`title: "Key: left"`: the line as it should be, cut where it is long."""
    name, _, value = text.strip().partition(":")
    value = value.strip().replace('"', "'")
    return f'{name[:30]}: "{value[:50]}"'
