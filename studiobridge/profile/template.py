"""Templates of a dialect: text and JSON with named places in braces, `{level},{cct}`.

What is named in braces is a *place* (a value goes there: `{value}`, `{fade}`, `{any}`, or the name
of a point) or a *blank* (a device of the profile fills it: `{at}`, `{n}`). Reading a text by its
template takes one pass over it and never tries twice, whatever a stranger sends.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass

from studiobridge.craft.chroma import PLACES
from studiobridge.profile.model import POINTS, Point, Scalar

PLACE = re.compile(r"\{([a-z0-9_-]{1,40})\}")
VALUE, FADE, ANY, AT = "value", "fade", "any", "at"
# The parts of a colour have places of their own: it takes two or three numbers to say one.
PARTS = frozenset(part for parts in PLACES.values() for part in parts)
# What a number is written with: nothing of it may stand right beside the place of one.
DIGITS = frozenset("0123456789.+-")
NUMERIC = DIGITS | frozenset("eE")

# A place in a JSON document: keys of objects, and whole numbers where only a list will do.
Route = tuple[str | int, ...]


def as_text(scalar: Scalar) -> str:
    """A scalar as a plain payload spells it."""
    if isinstance(scalar, bool):
        return "true" if scalar else "false"
    if isinstance(scalar, float) and scalar == int(scalar):
        return str(int(scalar))
    return str(scalar)


def fill_text(text: str, blanks: Mapping[str, Scalar]) -> str:
    """A text with the blanks of a device filled in; what is no blank stays as it is."""
    if "{" not in text:
        return text
    return PLACE.sub(lambda m: as_text(blanks[m[1]]) if m[1] in blanks else m[0], text)


def fill_scalar(value: Scalar, blanks: Mapping[str, Scalar]) -> Scalar:
    """The same of any scalar. One that is only a blank becomes what fills it, a number too."""
    if not isinstance(value, str):
        return value
    whole = PLACE.fullmatch(value)
    if whole is not None and whole[1] in blanks:
        return blanks[whole[1]]
    return fill_text(value, blanks)


def fill_json(template: object, blanks: Mapping[str, Scalar]) -> object:
    """A JSON template with the blanks of a device filled in, its keys too."""
    if isinstance(template, dict):
        return {
            fill_text(str(key), blanks): fill_json(part, blanks) for key, part in template.items()
        }
    if isinstance(template, list):
        return [fill_json(part, blanks) for part in template]
    if isinstance(template, str):
        return fill_scalar(template, blanks)
    return template


def names_in(template: object) -> list[str]:
    """Every name in braces, in order, of a text or a JSON template and its keys."""
    if isinstance(template, str):
        return PLACE.findall(template)
    if isinstance(template, dict):
        return [n for k, v in template.items() for n in (*names_in(str(k)), *names_in(v))]
    if isinstance(template, list | tuple):
        return [n for part in template for n in names_in(part)]
    return []


def points_in(names: Iterable[str]) -> set[Point]:
    """The points that have a place among these names: a colour by its parts."""
    named = set(names)
    return {p for p in POINTS if p in named or (p == "colour" and named & PARTS)}


def leaves_of(template: object, at: Route = ()) -> Iterator[tuple[Route, object]]:
    """Every scalar of a JSON template with where it stands."""
    if isinstance(template, dict):
        for key, part in template.items():
            yield from leaves_of(part, (*at, str(key)))
    elif isinstance(template, list):
        for i, part in enumerate(template):
            yield from leaves_of(part, (*at, i))
    else:
        yield at, template


def route_of(field: str | tuple[str | int, ...]) -> Route:
    """Where a field is: `now.power`, or key by key where a key has a dot in it.

    In a dotted text a backslash takes the meaning from the dot after it.
    """
    if not isinstance(field, str):
        return tuple(field)
    if "\\." not in field:
        return tuple(field.split("."))
    return tuple(part.replace("\0", ".") for part in field.replace("\\.", "\0").split("."))


def fill_route(field: str | tuple[str | int, ...], blanks: Mapping[str, Scalar]) -> Route:
    """Where a field of this device is. What fills a blank is one key, dots and all."""
    return tuple(
        part if isinstance(part, int) else fill_text(part, blanks) for part in route_of(field)
    )


@dataclass(frozen=True, slots=True)
class Text:
    """A text with places in it: literals, and between two of them a place each."""

    literals: tuple[str, ...]
    names: tuple[str, ...]

    @staticmethod
    def of(template: str) -> Text:
        parts = PLACE.split(template)
        return Text(tuple(parts[::2]), tuple(parts[1::2]))

    def __str__(self) -> str:
        between = [f"{{{name}}}" for name in self.names] + [""]
        return "".join(a + b for a, b in zip(self.literals, between, strict=True))

    def write(self, values: Mapping[str, Scalar]) -> str:
        """The text with a value in each place. Raises KeyError where one is missing."""
        out = [self.literals[0]]
        for name, literal in zip(self.names, self.literals[1:], strict=True):
            out += (as_text(values[name]), literal)
        return "".join(out)

    def read(self, text: str) -> dict[str, str] | None:
        """What stands in each place; None where the text is not of this form."""
        found = self._read(text)
        return None if found is None else dict(zip(self.names, found, strict=True))

    def read_one(self, text: str, place: int) -> str | None:
        """What stands in one place, counted from 0; None where the text is not of this form."""
        found = self._read(text)
        return None if found is None else found[place]

    def _read(self, text: str) -> list[str] | None:
        literals = self.literals
        if not self.names:
            return [] if text == literals[0] else None
        first, last = literals[0], literals[-1]
        if last:  # shells put a line end there, and some boxes want one
            text, last = text.rstrip("\r\n"), last.rstrip("\r\n")
        end = len(text) - len(last)
        at = len(first)
        if end < at or not text.startswith(first) or not text.endswith(last):
            return None
        found = []
        for literal in literals[1:-1]:
            stop = text.find(literal, at, end)
            if stop < 0:
                return None
            found.append(text[at:stop])
            at = stop + len(literal)
        found.append(text[at:end])
        return found

    def apart(self, other: Text) -> bool:
        """Is no text of both forms? Certain only where their beginnings or their ends differ."""
        if not self.names:
            return other.read(self.literals[0]) is None
        if not other.names:
            return self.read(other.literals[0]) is None
        a, b = self.literals[0], other.literals[0]
        if not (a.startswith(b) or b.startswith(a)):
            return True
        # as they are read: without the line end
        a, b = self.literals[-1].rstrip("\r\n"), other.literals[-1].rstrip("\r\n")
        return not (a.endswith(b) or b.endswith(a))


def why_not_told_apart(text: Text, spelt: Mapping[str, frozenset[str] | None]) -> str | None:
    """Why the places of this text cannot be told from each other; None when they can.

    `spelt`: what may stand in a place: the characters of its words, or None for anything that is
    no number. A place that is not named there holds a number.
    """
    for i, name in enumerate(text.names):
        before, after = text.literals[i], text.literals[i + 1]
        last = i == len(text.names) - 1
        chars = spelt.get(name, NUMERIC)
        if not last and not after:
            return f"nothing stands between {{{name}}} and {{{text.names[i + 1]}}}"
        if chars is not None and not last and after[0] in chars:
            kind = "a number" if chars is NUMERIC else "a word of it"
            return f"'{after[0]}' after {{{name}}} may be part of {kind}"
        if chars is not None and chars <= NUMERIC:
            for beside in (before[-1:], after[:1]):
                if beside in DIGITS and beside:
                    return f"'{beside}' stands right beside the number in {{{name}}}"
    return None
