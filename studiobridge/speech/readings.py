"""What instruments and supplies say: light, warmth, batteries, cards. Heard only, never told.

A row a point: what it can be at all in the house's unit, and how each unit a device may speak
becomes it. Dialects and Homie 5 read by the same rows.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass

from studiobridge.profile.model import HearMap, Point, Span, TellMap
from studiobridge.profile.quantity import FOOT_CANDLE


@dataclass(frozen=True, slots=True)
class Scale:
    """House value = (what is said - zero) * factor."""

    factor: float = 1.0
    zero: float = 0.0

    def house(self, raw: float) -> float:
        return (raw - self.zero) * self.factor

    def raw(self, value: float) -> float:
        return value / self.factor + self.zero


@dataclass(frozen=True, slots=True)
class Row:
    """One point: its limits in the house's unit, and its units, the house's own first."""

    limits: Span
    units: Mapping[str, Scale]
    # the units of Homie 5 (convention.md, from memory), each as one of those above
    homie: Mapping[str, str]


READINGS: Mapping[Point, Row] = {
    # noon in midsummer is about 120,000 lx (common practice)
    "lux": Row(
        Span(0.0, 200_000.0),
        {"lux": Scale(), "footcandle": Scale(float(FOOT_CANDLE))},
        {"lx": "lux"},
    ),
    # of a battery, a lamp's body, a room; what lies outside is a broken wire
    "temperature": Row(
        Span(-60.0, 250.0),
        {"celsius": Scale(), "fahrenheit": Scale(5.0 / 9.0, 32.0)},
        {"°C": "celsius", "°F": "fahrenheit"},
    ),
    "battery": Row(
        Span(0.0, 100.0),
        {"percent": Scale(), "fraction": Scale(100.0)},
        {"%": "percent"},
    ),
    # minutes left; ten weeks of it are no card
    "card": Row(
        Span(0.0, 100_000.0),
        {"minute": Scale(), "second": Scale(1.0 / 60.0), "hour": Scale(60.0)},
        {"min": "minute", "s": "second", "h": "hour"},
    ),
}


def scale_of(point: Point, rule: TellMap | HearMap) -> tuple[Scale, Span]:
    """How this dialect spells a reading, and from what to what (as it is said).

    A span of a battery is its scale from empty to full, as a level's is; a span of anything
    else is the lowest and the highest number that is said.
    """
    row = READINGS[point]
    span = rule.span
    if point == "battery" and span is not None:
        ends = Span(min(span.low, span.high), max(span.low, span.high))
        return Scale(100.0 / (span.high - span.low), span.low), ends
    scale = row.units[rule.unit] if rule.unit is not None else next(iter(row.units.values()))
    times = rule.scale if isinstance(rule, HearMap) else 1.0
    scale = Scale(scale.factor * times, scale.zero / times)
    ends = Span(scale.raw(row.limits.low), scale.raw(row.limits.high))
    if span is not None:
        least, most = min(span.low, span.high), max(span.low, span.high)
        ends = Span(max(ends.low, least), min(ends.high, most))
    return scale, ends


def to_house(point: Point, scale: Scale) -> Callable[[float], float]:
    """What is said as a house value, within the limits of the point."""
    limits = READINGS[point].limits
    # the last bit of a float may lie past an end
    return lambda raw: min(limits.high, max(limits.low, scale.house(raw)))


def from_house(scale: Scale, ends: Span) -> Callable[[float], float]:
    """A house value as it is said: for simulated devices."""
    return lambda value: min(ends.high, max(ends.low, round(scale.raw(value), 6)))
