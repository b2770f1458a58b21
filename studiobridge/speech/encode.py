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
    Of,
    Point,
    Scalar,
    Span,
    TellMap,
    Unit,
    Value,
    Words,
    figure,
)
from studiobridge.profile.plain import plain
from studiobridge.profile.template import Route
from studiobridge.profile.template import as_text as as_text
from studiobridge.speech.readings import READINGS, from_house, scale_of, to_house

# A report is a number or a small document. What is larger is a mistake or an attack.
MAX_PAYLOAD = 64 * 1024
# How much of an unreadable payload is shown to a person.
SHOWN = 40
# Where a dialect names no span, what a colour temperature and a power can be at all.
KELVIN = Span(1000.0, 25000.0)
MIRED = Span(40.0, 1000.0)
# A meter's zero may lie a little below nothing. What is further below is no small draw: its meter
# is the wrong way round, and says of 9 W that they are -9. Nothing may be cut on such a word.
WATTS = Span(-1.0, 1e6)
# No device writes a number with more characters than this; beyond it lie floods of digits.
LONGEST_NUMBER = 64
_NUMBER = re.compile(r"[-+]?(\.[0-9]+|[0-9]+(\.[0-9]*)?)([eE][-+]?[0-9]+)?")
TRUE_FALSE = Words(True, False)
# How many of the point's own unit one of another is.
FACTOR: dict[Unit | None, float] = {"milliwatt": 0.001, "kilowatt": 1000.0}


class CannotRead(ValueError):
    """A payload that cannot be read; the text says why, for a person."""


def shown(value: object) -> str:
    """Something from outside, cut short and without control characters."""
    text = value.decode("utf-8", "replace") if isinstance(value, bytes) else str(value)
    text = plain(text[: SHOWN + 1])
    return f"'{text[:SHOWN]}…'" if len(text) > SHOWN else f"'{text}'"


# ---- grids ----------------------------------------------------------------------------------


def grid_of(
    point: Point, span: Span | None, unit: Unit | None, of: Of | None = None, step: float = 0.0
) -> Grid | None:
    """The steps of a level or CCT as this dialect spells it; None for the other points.

    A span with whole ends is a whole-number scale from end to end. Without a span a value is
    plain in its unit and as fine as a float. A `step` (percent, kelvin or mired) makes it coarser.
    """
    if point == "level":
        if span is None:
            if unit == "fraction":
                return Grid(0.0, 1.0, step / 100.0, "fraction")
            return Grid(0, 100, step, "percent")
        whole = unit != "fraction" and _whole_ends(span)
        own = 100.0 / abs(span.high - span.low) if whole else 0.0
        return Grid(0.0, 100.0, max(own, step), "percent")
    if point == "cct":
        if of is not None and span is not None:
            low, high = min(of.low, of.high), max(of.low, of.high)
            own = (high - low) / abs(span.high - span.low) if _whole_ends(span) else 0.0
            return Grid(low, high, max(own, step), of.unit)
        kind: GridUnit = "mired" if unit == "mired" else "kelvin"
        if span is None:
            low, high = (MIRED.low, MIRED.high) if kind == "mired" else (KELVIN.low, KELVIN.high)
            return Grid(low, high, step, kind)
        return Grid(span.low, span.high, max(1.0 if _whole_ends(span) else 0.0, step), kind)
    return None


def _whole_ends(span: Span) -> bool:
    return span.low == int(span.low) and span.high == int(span.high)


def _number(value: float, whole: bool) -> int | float:
    return round(value) if whole else round(value, 9)


def encoder(point: Point, rule: TellMap | HearMap) -> Callable[[Value], Scalar]:
    """A function from a house value to this dialect's scalar. Clamps, never leaves the span."""
    if point in YES_NO or point == "shut_down":
        words = rule.words or TRUE_FALSE
        return lambda value: words.yes if value else words.no
    if point in READINGS:
        spelt = from_house(*scale_of(point, rule))
        return lambda value: spelt(figure(value))
    grid = grid_of(point, rule.span, rule.unit, rule.of, rule.step)
    if grid is None:
        factor = _factor(rule)
        return lambda value: round(figure(value) / factor, 3 if factor == 1.0 else 9)
    span = rule.span
    if span is not None and (point == "level" or rule.of is not None):
        # a scale of its own, from the number at one end to the number at the other
        first, last = (0.0, 100.0) if rule.of is None else (rule.of.low, rule.of.high)
        scale = (span.high - span.low) / (last - first)
        whole = _whole_ends(span) and rule.unit != "fraction"
        return lambda value: _number(
            span.low + (grid.to_raw(grid.nearest(figure(value))) - first) * scale, whole
        )
    stepped = grid.step > 0 and grid.step == int(grid.step) if span is None else _whole_ends(span)
    return lambda value: _number(grid.to_raw(grid.nearest(figure(value))), stepped)


def _factor(rule: TellMap | HearMap) -> float:
    """What a number heard is multiplied by to come to the unit of its point."""
    scale = rule.scale if isinstance(rule, HearMap) else 1.0
    return scale * FACTOR.get(rule.unit, 1.0)


def decoder(point: Point, rule: TellMap | HearMap) -> Callable[[object], Value]:
    """A function from a scalar of this dialect to a house value. Raises CannotRead."""
    if point in YES_NO:
        return _yes_no(point, rule.words or TRUE_FALSE)
    if point in READINGS:
        reading, ends = scale_of(point, rule)
        return _ranged(point, ends, to_house(point, reading))
    grid = grid_of(point, rule.span, rule.unit, rule.of, rule.step)
    if grid is None:
        factor = _factor(rule)
        if factor == 1.0:
            return _ranged(point, WATTS, lambda raw: raw)
        ends = Span(WATTS.low / factor, WATTS.high / factor)
        return _ranged(point, ends, lambda raw: raw * factor)
    span = rule.span
    if span is not None and (point == "level" or rule.of is not None):
        first, last = (0.0, 100.0) if rule.of is None else (rule.of.low, rule.of.high)
        start, scale = span.low, (last - first) / (span.high - span.low)
        least, most = grid.low, grid.high
        both = Span(min(span.low, span.high), max(span.low, span.high))

        # the last bit of a float may lie past the end of the scale
        if rule.of is None:
            return _ranged(point, both, lambda raw: min(100.0, max(0.0, (raw - start) * scale)))
        return _ranged(
            point,
            both,
            lambda raw: grid.from_raw(min(most, max(least, first + (raw - start) * scale))),
        )
    return _ranged(point, Span(grid.low, grid.high), grid.from_raw)


def _yes_no(point: str, words: Words) -> Callable[[object], Value]:
    texts = {as_text(word): True for word in words.all_yes}
    texts.update((as_text(word), False) for word in words.all_no)
    known = [(w, True) for w in words.all_yes] + [(w, False) for w in words.all_no]
    spelt = [shown(text) for text in texts]
    neither = f"neither {spelt[0]} nor {spelt[1]}" if len(spelt) == 2 else f"none of {spelt}"

    def decode(raw: object) -> Value:
        if isinstance(raw, str):
            found = texts.get(raw)
            if found is not None:
                return found
        else:
            for word, value in known:
                if is_scalar(raw, word):
                    return value
        raise CannotRead(f"{point} is {shown(raw)}, {neither}")

    return decode


def is_scalar(raw: object, word: Scalar) -> bool:
    """Is a value from a document this scalar, and not only equal to it as 1 is to true?"""
    return raw == word and isinstance(raw, bool) == isinstance(word, bool)


def is_said(raw: object, word: Scalar, text: str) -> bool:
    """Is a value from a document this scalar, as itself or spelt out as `text`?"""
    return raw == text if isinstance(raw, str) else is_scalar(raw, word)


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


def field_of(document: object, route: Route) -> object:
    """The value at a place; MISSING when there is none. Numbers index lists."""
    for part in route:
        if isinstance(document, dict):
            document = document.get(part, MISSING)
        elif isinstance(document, list):
            if isinstance(part, str):
                if not _INDEX.fullmatch(part):
                    return MISSING
                part = int(part)
            if part >= len(document):
                return MISSING
            document = document[part]
        else:
            return MISSING
    return document


def put_field(document: dict[str, object], route: Route, value: object) -> None:
    """Set the value at a place, making objects and lists on the way."""
    place: dict[str, object] | list[object] = document
    for part, then in zip(route, (*route[1:], None), strict=True):
        below: object = value
        if then is not None:
            below = _at(place, part)
            if not isinstance(below, list if isinstance(then, int) else dict):
                below = [] if isinstance(then, int) else {}
        if isinstance(place, list):
            assert isinstance(part, int)
            place.extend([None] * (part + 1 - len(place)))
            place[part] = below
        else:
            place[str(part)] = below
        if isinstance(below, dict | list):
            place = below


def _at(place: dict[str, object] | list[object], part: str | int) -> object:
    if isinstance(place, list):
        return place[part] if isinstance(part, int) and part < len(place) else None
    return place.get(str(part))
