"""A payload taken apart into the places where values stand, as a dialect could name them.

A place is a field of a document, or a number or a known word in a text ("LEVEL 64 by hand"), or
the whole payload. One pass, bounded in every direction, and nothing is ever raised.
"""

from __future__ import annotations

import math
import re
from collections.abc import Iterator
from dataclasses import dataclass

from studiobridge.meeting.vocabulary import IN_TEXTS
from studiobridge.profile.model import Scalar
from studiobridge.profile.template import Route
from studiobridge.speech.encode import MAX_PAYLOAD, CannotRead, json_of, number, text_of

# What is longer than this is prose, not a value; a word of a device is a dozen characters.
LONGEST_VALUE = 80
# Of one document, so many values are looked at, and so deep. A report of a lamp has five to forty.
MOST_VALUES = 60
DEEPEST = 8
LONGEST_KEY = 60
# A text with more places than this is a table, and no dialect's pattern would hold it.
MOST_PLACES = 6
# As a profile takes them (`_scalar` in profile/shape.py): a number beyond it is nobody's level.
LARGEST = 1e15

_PIECE = re.compile(
    r"(?P<number>(?<![\w.+-])[-+]?[0-9]{1,15}(?:\.[0-9]{1,15})?(?![0-9.]|[A-Za-z]*[0-9]))"
    r"|(?P<word>(?<![A-Za-z0-9_])[A-Za-z]{1,20}(?![A-Za-z0-9_]))"
)
# Between two numbers these mean a date, a time, an address or a version, and no two values.
_JOINS = frozenset({"-", ":", ".", "/", "T", "::"})


@dataclass(frozen=True, slots=True)
class Place:
    """Where a value stands in a payload.

    `route` into a document, () where there is none. `around` are the literals of a text with
    places in it, one more than it has places; None where the value is all there is. `index`
    says which of them it is.
    """

    route: Route = ()
    around: tuple[str, ...] | None = None
    index: int = 0


@dataclass(frozen=True, slots=True)
class Parts:
    """A payload: what form it has, and each value in it. A value of a text is as it is spelt."""

    form: str  # "document", "text", "number", "word", "empty", "bytes", "long"
    values: tuple[tuple[Place, Scalar], ...] = ()


def parts_of(payload: bytes) -> Parts:
    """Whatever came, taken apart."""
    if not payload:
        return Parts("empty", ((Place(), ""),))
    try:
        text = text_of(payload)
    except CannotRead:
        return Parts("long" if len(payload) > MAX_PAYLOAD else "bytes")
    bare = text.strip(" \t\r\n")
    if bare[:1] in ("{", "["):
        try:
            document = json_of(payload)
        except CannotRead:
            pass
        else:
            return Parts("document", tuple(_walk(document))[:MOST_VALUES])
    if len(bare) > LONGEST_VALUE * 2:
        return Parts("long")
    if not bare.isprintable():
        return Parts("bytes")
    if figure_of(bare) is not None:
        return Parts("number", ((Place(), bare),))
    return Parts(*_text((), bare))


def figure_of(value: Scalar) -> float | None:
    """The number a value is, or spells; None where it is none."""
    if isinstance(value, bool):
        return None
    if isinstance(value, str):
        try:
            found = number(value, "")
        except CannotRead:
            return None
    else:
        try:
            found = float(value)
        except OverflowError:
            return None
    return found if math.isfinite(found) and abs(found) < LARGEST else None


def _walk(document: object) -> Iterator[tuple[Place, Scalar]]:
    """Every value of a document, by a stack of its own and not by Python's."""
    stack: list[tuple[Route, object]] = [((), document)]
    looked, found = 0, 0
    while stack and looked < MOST_VALUES * 8 and found < MOST_VALUES:
        route, node = stack.pop()
        looked += 1
        if isinstance(node, dict):
            if len(route) < DEEPEST:
                inner: list[tuple[Route, object]] = []
                for key, part in node.items():
                    if len(inner) >= MOST_VALUES:
                        break
                    if _plain_key(key):
                        inner.append(((*route, key), part))
                stack.extend(reversed(inner))
        elif isinstance(node, list):
            if len(route) < DEEPEST:
                few = list(enumerate(node[:MOST_VALUES]))
                stack.extend(((*route, i), part) for i, part in reversed(few))
        elif isinstance(node, str):
            if route and len(node) <= LONGEST_VALUE and node.isprintable():
                for place, value in _text(route, node)[1]:
                    found += 1
                    yield place, value
        elif isinstance(node, bool) or (
            isinstance(node, int | float) and figure_of(node) is not None
        ):
            found += 1
            yield Place(route), node


def _plain_key(key: str) -> bool:
    """May this key stand in a dialect's field as it is?"""
    return 0 < len(key) <= LONGEST_KEY and key.isprintable() and "{" not in key and "}" not in key


def _text(route: Route, text: str) -> tuple[str, tuple[tuple[Place, Scalar], ...]]:
    """A text, or a text in a document: what varies in it, or all of it as one word."""
    whole = ("word", ((Place(route), text),) if len(text) <= LONGEST_VALUE else ())
    if "{" in text or "}" in text or figure_of(text) is not None:
        return whole
    literals: list[str] = []
    values: list[str] = []
    numeric: list[bool] = []
    end = 0
    for piece in _PIECE.finditer(text):
        is_number = piece.lastgroup == "number"
        if not is_number and piece[0].lower() not in IN_TEXTS:
            continue
        between = text[end : piece.start()]
        if is_number and numeric and numeric[-1] and between in _JOINS:
            return whole
        literals.append(between)
        values.append(piece[0])
        numeric.append(is_number)
        end = piece.end()
        if len(values) > MOST_PLACES:
            return whole
    literals.append(text[end:])
    if not values or (len(values) == 1 and not literals[0] and not literals[-1]):
        return whole
    if any(not between for between in literals[1:-1]):
        return whole
    around = tuple(literals)
    return "text", tuple((Place(route, around, i), value) for i, value in enumerate(values))
