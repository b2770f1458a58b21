"""Values to the scalars of a dialect and back: words, spans, units. And reading payloads safely.

House units (percent, kelvin, watts, yes/no) on one side, what the device speaks on the other.
"""

from __future__ import annotations

import json
import math
import re
from collections.abc import Callable
from typing import NoReturn

from studiobridge.craft.grid import Grid, GridUnit
from studiobridge.profile.model import (
    YES_NO,
    HearMap,
    Point,
    Span,
    TellMap,
    Unit,
    Value,
    Words,
    figure,
)
from studiobridge.speech.readings import READINGS, from_house, scale_of, to_house

Scalar = str | int | float | bool

# A report is a number or a small document. What is larger is a mistake or an attack.
MAX_PAYLOAD = 64 * 1024
# How much of an unreadable payload is shown to a person.
SHOWN = 40
# Where a dialect names no span, what a colour temperature and a power can be at all.
KELVIN = Span(1000.0, 25000.0)
MIRED = Span(40.0, 1000.0)
WATTS = Span(-100.0, 1e6)
# No device writes a number with more characters than this; beyond it lie floods of digits.
LONGEST_NUMBER = 64
_NUMBER = re.compile(r"[-+]?(\.[0-9]+|[0-9]+(\.[0-9]*)?)([eE][-+]?[0-9]+)?")
TRUE_FALSE = Words(True, False)


class CannotRead(ValueError):
    """A payload that cannot be read; the text says why, for a person."""


def shown(value: object) -> str:
    """Something from outside, cut short and without control characters."""
    text = value.decode("utf-8", "replace") if isinstance(value, bytes) else str(value)
    text = "".join(c if c.isprintable() else "�" for c in text[: SHOWN + 1])
    return f"'{text[:SHOWN]}…'" if len(text) > SHOWN else f"'{text}'"


# ---- grids ----------------------------------------------------------------------------------


def grid_of(point: Point, span: Span | None, unit: Unit | None) -> Grid | None:
    """The steps of a level or CCT as this dialect spells it; None for the other points.

    A span with whole ends is a whole-number scale from end to end. Without a span a value is
    plain in its unit and as fine as a float.
    """
    if point == "level":
        if span is None:
            return (
                Grid(0.0, 1.0, 0.0, "fraction")
                if unit == "fraction"
                else Grid(0, 100, 0, "percent")
            )
        whole = unit != "fraction" and span.low == int(span.low) and span.high == int(span.high)
        step = 100.0 / (span.high - span.low) if whole else 0.0
        return Grid(0.0, 100.0, step, "percent")
    if point == "cct":
        kind: GridUnit = "mired" if unit == "mired" else "kelvin"
        if span is None:
            low, high = (MIRED.low, MIRED.high) if kind == "mired" else (KELVIN.low, KELVIN.high)
            return Grid(low, high, 0.0, kind)
        whole = span.low == int(span.low) and span.high == int(span.high)
        return Grid(span.low, span.high, 1.0 if whole else 0.0, kind)
    return None


def _number(value: float, whole: bool) -> int | float:
    return round(value) if whole else round(value, 9)


def encoder(point: Point, rule: TellMap | HearMap) -> Callable[[Value], Scalar]:
    """A function from a house value to this dialect's scalar. Clamps, never leaves the span."""
    if point in YES_NO or point == "shut_down":
        words = rule.words or TRUE_FALSE
        return lambda value: words.yes if value else words.no
    if point == "watts":
        return lambda value: round(figure(value), 3)
    if point in READINGS:
        spelt = from_house(*scale_of(point, rule))
        return lambda value: spelt(figure(value))
    grid = grid_of(point, rule.span, rule.unit)
    assert grid is not None
    span = rule.span
    if point == "level" and span is not None:
        scale = (span.high - span.low) / 100.0
        whole = grid.step > 0
        return lambda value: _number(span.low + grid.nearest(figure(value)) * scale, whole)
    stepped = grid.step > 0
    return lambda value: _number(grid.to_raw(grid.nearest(figure(value))), stepped)


def decoder(point: Point, rule: TellMap | HearMap) -> Callable[[object], Value]:
    """A function from a scalar of this dialect to a house value. Raises CannotRead."""
    if point in YES_NO:
        return _yes_no(point, rule.words or TRUE_FALSE)
    if point == "watts":
        return _ranged("watts", WATTS, lambda raw: raw)
    if point in READINGS:
        reading, ends = scale_of(point, rule)
        return _ranged(point, ends, to_house(point, reading))
    grid = grid_of(point, rule.span, rule.unit)
    assert grid is not None
    span = rule.span
    if point == "level" and span is not None:
        low, scale = span.low, 100.0 / (span.high - span.low)
        # the last bit of a float may lie past the end of the scale
        return _ranged("level", span, lambda raw: min(100.0, max(0.0, (raw - low) * scale)))
    return _ranged(point, Span(grid.low, grid.high), grid.from_raw)


def _yes_no(point: str, words: Words) -> Callable[[object], Value]:
    yes, no = words.yes, words.no
    yes_text, no_text = as_text(yes), as_text(no)

    def decode(raw: object) -> Value:
        if isinstance(raw, str):
            if raw == yes_text:
                return True
            if raw == no_text:
                return False
        elif raw == yes and isinstance(raw, bool) == isinstance(yes, bool):
            return True
        elif raw == no and isinstance(raw, bool) == isinstance(no, bool):
            return False
        raise CannotRead(f"{point} is {shown(raw)}, neither {shown(yes_text)} nor {shown(no_text)}")

    return decode


def _ranged(point: str, span: Span, house: Callable[[float], float]) -> Callable[[object], Value]:
    low, high = span.low, span.high

    def decode(raw: object) -> Value:
        if type(raw) is not int and type(raw) is not float:
            if not isinstance(raw, str):
                raise CannotRead(f"{point} is {shown(raw)}, not a number")
            raw = number(raw, point)
        if low <= raw <= high:
            return house(float(raw))
        raise CannotRead(f"{point} {shown(raw)} is outside {low:g}..{high:g}")

    return decode


def number(text: str, point: str) -> float:
    """A plain decimal number in ASCII, with an exponent or without. Raises CannotRead.

    Python's own reading takes more than devices write ('1_0', 'nan', digits of any script):
    whatever is not plainly a number is a garbled report, not a guess. Blanks and a line end
    around it are not held against it: shells put them there.
    """
    text = text.strip(" \t\r\n")
    if len(text) > LONGEST_NUMBER or not _NUMBER.fullmatch(text):
        raise CannotRead(f"{point} is {shown(text)}, not a number")
    value = float(text)
    if not math.isfinite(value):
        raise CannotRead(f"{point} is {shown(text)}, not a number that can be")
    return value


def as_text(scalar: Scalar) -> str:
    """A scalar as a plain payload spells it."""
    if isinstance(scalar, bool):
        return "true" if scalar else "false"
    if isinstance(scalar, float) and scalar == int(scalar):
        return str(int(scalar))
    return str(scalar)


# ---- payloads ---------------------------------------------------------------------------------


def text_of(payload: bytes) -> str:
    """A payload as text. Raises CannotRead when it is too large or not UTF-8."""
    if len(payload) > MAX_PAYLOAD:
        raise CannotRead(f"{len(payload)} bytes are more than the {MAX_PAYLOAD} a report may have")
    try:
        return payload.decode("utf-8")
    except UnicodeDecodeError:
        raise CannotRead("not UTF-8 text") from None


def _no_constant(name: str) -> NoReturn:
    raise CannotRead(f"{name} is not JSON")


def _whole(text: str) -> int:
    if len(text) > LONGEST_NUMBER:
        raise CannotRead(f"a number of {len(text)} digits")
    return int(text)


_DECODER = json.JSONDecoder(parse_constant=_no_constant, parse_int=_whole)


def json_of(payload: bytes) -> object:
    """A payload as JSON. Raises CannotRead for anything that is not, or is absurdly deep."""
    text = text_of(payload)
    try:
        return _DECODER.decode(text)
    except CannotRead:
        raise
    except RecursionError:
        raise CannotRead("JSON nested too deep") from None
    except ValueError:
        raise CannotRead(f"{shown(text)} is not JSON") from None


MISSING = object()
_INDEX = re.compile(r"[0-9]{1,6}")


def field_of(document: object, path: tuple[str, ...]) -> object:
    """The value at a dotted path; MISSING when there is none. Numbers index lists."""
    for part in path:
        if isinstance(document, dict):
            document = document.get(part, MISSING)
        elif isinstance(document, list) and _INDEX.fullmatch(part) and int(part) < len(document):
            document = document[int(part)]
        else:
            return MISSING
    return document


def put_field(document: dict[str, object], path: tuple[str, ...], value: object) -> None:
    """Set the value at a dotted path, making objects on the way."""
    for part in path[:-1]:
        below = document.setdefault(part, {})
        if not isinstance(below, dict):
            below = document[part] = {}
        document = below
    document[path[-1]] = value
