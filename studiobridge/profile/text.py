"""YAML to a tree that remembers where everything stood.

YAML 1.2 booleans: only `true` and `false` are; on, off, yes and no stay words (PyYAML reads
YAML 1.1 by itself, where `off` is False). Built from the parser's events, one by one, so that
no depth and no alias can run away with memory or the stack.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass, field, replace
from pathlib import Path as FilePath
from typing import Any

import yaml

from studiobridge.profile.plain import plain

# A set of thirty devices is about 10 kB. What is larger than this is not a set profile.
MAX_BYTES = 8 * 1024 * 1024
MAX_DEPTH = 24
# Every node counts each time an alias repeats it, so that aliases cannot explode.
MAX_NODES = 2_000_000
MAX_ALIAS_NODES = 10_000

_INT = re.compile(r"[-+]?[0-9]{1,18}\Z")
_FLOAT = re.compile(r"[-+]?(\.[0-9]+|[0-9]+(\.[0-9]*)?)([eE][-+]?[0-9]+)?\Z")

# YAML 1.1, as the parser knows it, has these at the end of a line
_BREAK = re.compile("\r\n|[\n\r\x85\u2028\u2029]")

Path = tuple[str | int, ...]


def bytes_of(path: FilePath) -> bytes:
    """What a file holds, as far as anything here reads it: who reads it says that it is too large.

    Raises OSError. A file may be of any size, and a name may lead to what has no end.
    """
    with path.open("rb") as file:
        return file.read(MAX_BYTES + 1)


@dataclass(frozen=True, slots=True)
class Problem:
    """Something wrong (or doubtful) in a file: where, what, and what to do about it."""

    file: str
    line: int
    column: int
    what: str
    todo: str = ""
    # the line itself, as the file has it
    text: str = field(default="", compare=False)
    # is the file not even YAML there? Then its line is shown wherever the problem is
    broken: bool = field(default=False, compare=False)

    def __str__(self) -> str:
        text = f"{self.file}:{self.line}:{self.column}: {self.what}"
        text = f"{text}; {self.todo}" if self.todo else text
        # names in a file may hold anything; a terminal must not be driven by it
        return plain(text)


class ProfileError(Exception):
    """A profile that cannot be used; `problems` has everything found, in the file's order."""

    def __init__(self, problems: list[Problem]) -> None:
        self.problems = tuple(sorted(problems, key=lambda p: (p.line, p.column)))
        super().__init__("\n".join(str(problem) for problem in self.problems))


@dataclass(slots=True)
class Node:
    """A scalar, mapping or sequence and where it starts and ends in the text."""

    line: int
    column: int
    start: int
    end: int
    scalar: str | None = None
    plain: bool = False
    pairs: list[tuple[Node, Node]] | None = None
    entries: list[Node] | None = None
    flow: bool = False
    size: int = 1

    def get(self, key: str) -> Node | None:
        """The value of a key of a mapping."""
        for name, value in self.pairs or ():
            if name.scalar == key:
                return value
        return None

    def value(self) -> object:
        """As plain Python: dict, list, str, int, float, bool or None."""
        if self.pairs is not None:
            return {name.scalar: value.value() for name, value in self.pairs}
        if self.entries is not None:
            return [entry.value() for entry in self.entries]
        text = self.scalar or ""
        if not self.plain:
            return text
        if text in ("", "~", "null", "Null", "NULL"):
            return None
        if text in ("true", "True", "TRUE"):
            return True
        if text in ("false", "False", "FALSE"):
            return False
        if _INT.match(text):
            return int(text)
        if _FLOAT.match(text):
            return float(text)
        return text


@dataclass(slots=True)
class Document:
    """A parsed file: the tree, and the place of every path in it."""

    name: str
    text: str
    root: Node
    problems: list[Problem] = field(default_factory=list)
    _lines: list[str] = field(default_factory=list)

    def line(self, n: int) -> str:
        """A line of the file by its number, from 1."""
        if not self._lines:
            self._lines.extend(lines_of(self.text))
        return self._lines[n - 1] if 1 <= n <= len(self._lines) else ""

    def at(self, path: Path) -> tuple[Node, Node | None]:
        """The node at a path (or the nearest above it), and its key where it has one."""
        node, key = self.root, None
        for part in path:
            found: Node | None = None
            if node.pairs is not None:
                for name, value in node.pairs:
                    if name.scalar == str(part):
                        key, found = name, value
                        break
            elif node.entries is not None and isinstance(part, int) and part < len(node.entries):
                key, found = None, node.entries[part]
            if found is None:
                break
            node = found
        return node, key

    def problem(self, path: Path, what: str, todo: str = "", key: bool = False) -> Problem:
        """A problem at a path; `key` points at the key instead of the value."""
        node, name = self.at(path)
        place = name if key and name is not None else node
        return Problem(self.name, place.line, place.column, what, todo, self.line(place.line))


def lines_of(text: str) -> list[str]:
    """The lines of a text as YAML counts them."""
    return _BREAK.split(text)


def read_document(data: bytes | str, name: str) -> Document:
    """Parse one YAML document. Raises ProfileError."""

    def fail(line: int, column: int, what: str, todo: str = "", shown: str = "") -> ProfileError:
        return ProfileError([Problem(name, line, column, what, todo, shown, bool(shown))])

    if isinstance(data, bytes):
        if len(data) > MAX_BYTES:
            raise fail(1, 1, f"{len(data)} bytes are too many for a set profile", "split the sets")
        try:
            text = data.decode("utf-8-sig")
        except UnicodeDecodeError as error:
            if data[:2] in (b"\xff\xfe", b"\xfe\xff"):
                raise fail(1, 1, "this is UTF-16, not UTF-8", "save the file as UTF-8") from None
            line = data.count(b"\n", 0, error.start) + 1
            begins = data.rfind(b"\n", 0, error.start) + 1
            column = len(data[begins : error.start].decode("utf-8", "replace")) + 1
            shown = data[begins:].split(b"\n", 1)[0].decode("utf-8", "replace")
            what = "a character here is not UTF-8"
            raise fail(line, column, what, "save the file as UTF-8", shown) from None
    else:
        text = data
        if len(text) > MAX_BYTES:
            raise fail(1, 1, f"{len(text)} characters are too many for a set profile")
    try:
        root, problems = _Builder(name).build(text)
    except yaml.YAMLError as error:
        from studiobridge.profile.yaml_words import in_our_words

        lines = lines_of(text)
        line, column, what, todo = in_our_words(error, lines)
        shown = lines[line - 1] if 1 <= line <= len(lines) else ""
        raise fail(line, column, what, todo, shown) from None
    except ProfileError as error:
        lines = lines_of(text)
        raise ProfileError([_with_line(p, lines) for p in error.problems]) from None
    if root is None:
        raise fail(1, 1, "the file is empty", "start with 'format: 1'")
    document = Document(name, text, root, problems)
    if problems:
        document.problems = [_with_line(p, lines_of(text)) for p in problems]
    if root.pairs is None:
        kind = "a list" if root.entries is not None else "only a text"
        what = f"this is {kind}, and a set profile has keys with values"
        raise fail(root.line, root.column, what, "start with 'format: 1'")
    return document


def _with_line(problem: Problem, lines: list[str]) -> Problem:
    shown = lines[problem.line - 1] if problem.line <= len(lines) else ""
    return replace(problem, text=shown)


_BASE = getattr(yaml, "CSafeLoader", yaml.SafeLoader)


class _Builder:
    def __init__(self, name: str) -> None:
        self.name = name
        self.problems: list[Problem] = []
        self.nodes = 0
        self.repeated = 0

    def _stop(self, mark: Any, what: str, todo: str = "") -> ProfileError:
        problem = Problem(self.name, mark.line + 1, mark.column + 1, what, todo)
        return ProfileError([*self.problems, problem])

    def build(self, text: str) -> tuple[Node | None, list[Problem]]:
        loader = _BASE(text)
        try:
            return self._build(loader), self.problems
        finally:
            loader.dispose()

    def _events(self, loader: Any) -> Iterator[Any]:
        while loader.check_event():
            yield loader.get_event()

    def _build(self, loader: Any) -> Node | None:
        root: Node | None = None
        stack: list[tuple[Node, list[Node], str | None]] = []
        anchors: dict[str, Node] = {}
        documents = 0
        for event in self._events(loader):
            mark = event.start_mark
            if isinstance(event, yaml.DocumentStartEvent):
                documents += 1
                if documents > 1:
                    raise self._stop(mark, "a second document in the file", "one set, one file")
                continue
            node: Node | None = None
            if isinstance(event, yaml.ScalarEvent):
                node = self._new(event)
                node.scalar = event.value
                node.plain = not event.style and event.tag is None
                self._anchor(event, node, anchors)
            elif isinstance(event, yaml.AliasEvent):
                node = anchors.get(str(event.anchor))
                if node is None:
                    what = f"'*{event.anchor}' uses a part that nothing above names"
                    todo = f"name it '&{event.anchor}' where it stands first, or write it in quotes"
                    raise self._stop(mark, what, todo)
                self.repeated += node.size
                if self.repeated > MAX_ALIAS_NODES:
                    raise self._stop(mark, "aliases repeat too much", "write it out instead")
            elif isinstance(event, yaml.MappingStartEvent | yaml.SequenceStartEvent):
                if len(stack) >= MAX_DEPTH:
                    raise self._stop(mark, f"nested more than {MAX_DEPTH} deep")
                opened = self._new(event)
                opened.flow = bool(event.flow_style)
                stack.append((opened, [], event.anchor))
                continue
            elif isinstance(event, yaml.MappingEndEvent | yaml.SequenceEndEvent):
                opened, inside, anchor = stack.pop()
                opened.end = event.end_mark.index  # type: ignore[union-attr]
                opened.size += sum(child.size for child in inside)
                if isinstance(event, yaml.MappingEndEvent):
                    opened.pairs = self._pairs(inside)
                else:
                    opened.entries = inside
                if anchor is not None:
                    anchors[anchor] = opened
                node = opened
            if node is None:
                continue
            if stack:
                stack[-1][1].append(node)
            elif root is None:
                root = node
        return root

    def _new(self, event: Any) -> Node:
        self.nodes += 1
        mark = event.start_mark
        if self.nodes > MAX_NODES:
            raise self._stop(mark, "too many entries for a set profile")
        return Node(mark.line + 1, mark.column + 1, mark.index, event.end_mark.index)

    def _anchor(self, event: Any, node: Node, anchors: dict[str, Node]) -> None:
        if event.anchor is not None:
            anchors[event.anchor] = node

    def _pairs(self, inside: list[Node]) -> list[tuple[Node, Node]]:
        pairs: list[tuple[Node, Node]] = []
        seen: dict[str, Node] = {}
        for key, value in zip(inside[::2], inside[1::2], strict=True):
            if key.scalar is None:
                what = "a key that is not a word"
                todo = "put it in quotes where it is a text"
                self.problems.append(Problem(self.name, key.line, key.column, what, todo))
                continue
            first = seen.get(key.scalar)
            if first is not None:
                what = f"key '{key.scalar}' stands here twice (first in line {first.line})"
                self.problems.append(
                    Problem(self.name, key.line, key.column, what, "keep one of them")
                )
                continue
            seen[key.scalar] = key
            pairs.append((key, value))
        return pairs
