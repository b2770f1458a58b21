"""Quantities with their units: '64 %', '4300 K', '1.5 s', '4 ft 3 in', '2700..6500 K'.

Every quantity in a profile says its unit, so that nobody has to remember whether a number was
seconds or milliseconds. Values come out in the house's units (see profile/model.py).
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass
from fractions import Fraction

NUMBER = r"[-+]?[0-9]+(?:\.[0-9]+)?"
# Longer than any quantity a person writes.
LONGEST = 40
# Exact by definition: 1 in is 25.4 mm.
INCH = Fraction(254, 10000)


@dataclass(frozen=True, slots=True)
class Kind:
    """One kind of quantity: its units, its range in house units, and an example to show."""

    what: str
    units: Mapping[str, Fraction]
    low: float
    high: float
    example: str

    @property
    def pattern(self) -> str:
        """A regular expression for the JSON Schema."""
        units = "|".join(re.escape(unit) for unit in self.units)
        return rf"^\s*{NUMBER}\s*({units})\s*$"

    @property
    def range_pattern(self) -> str:
        units = "|".join(re.escape(unit) for unit in self.units)
        return rf"^\s*{NUMBER}\s*\.\.\s*{NUMBER}\s*({units})\s*$"


def _kind(what: str, low: float, high: float, example: str, **units: str) -> Kind:
    return Kind(what, {u: Fraction(f) for u, f in units.items()}, low, high, example)


LEVEL = Kind("a level in percent", {"%": Fraction(1)}, 0.0, 100.0, "64 %")
CCT = Kind("a colour temperature in kelvin", {"K": Fraction(1)}, 1000.0, 25000.0, "4300 K")
TIME = Kind(
    "a time",
    {"ms": Fraction(1, 1000), "s": Fraction(1), "min": Fraction(60), "h": Fraction(3600)},
    0.0,
    7 * 86400.0,
    "1.5 s",
)
CURRENT = _kind("a current in ampere", 0.0, 10000.0, "18 A", A="1", mA="1/1000")
POWER = _kind("a power in watts", 0.0, 100000.0, "72 W", W="1", kW="1000")
VOLTAGE = _kind("a voltage", 1.0, 1000.0, "230 V", V="1")
STOPS = _kind("a difference in stops", 0.0, 10.0, "0.1 stop", stop="1", stops="1")
MIRED = _kind("a difference in mired", 0.0, 1000.0, "8 mired", mired="1", mireds="1")
LENGTH = Kind(
    "a length",
    {
        "m": Fraction(1),
        "cm": Fraction(1, 100),
        "mm": Fraction(1, 1000),
        "ft": INCH * 12,
        "in": INCH,
    },
    -100.0,
    100.0,
    "2.4 m",
)

_ONE = re.compile(rf"\s*({NUMBER})\s*([^\s0-9.+-].*?)?\s*\Z")
_RANGE = re.compile(rf"\s*({NUMBER})\s*\.\.\s*({NUMBER})\s*([^\s0-9.+-].*?)?\s*\Z")
_FEET = re.compile(rf"\s*({NUMBER})\s*ft\s+({NUMBER})\s*in\s*\Z")


def parse(text: object, kind: Kind) -> float:
    """A quantity in house units. Raises ValueError with what to write instead."""
    return float(exact(text, kind))


def exact(text: object, kind: Kind) -> Fraction:
    """A quantity in house units, exactly as written. Raises ValueError."""
    shown = _shown(text)
    if isinstance(text, bool) or not isinstance(text, str | int | float):
        raise ValueError(f"{shown} is not {kind.what}; write it like '{kind.example}'")
    if isinstance(text, int | float):
        raise ValueError(f"{shown} has no unit; write {kind.what}, like '{kind.example}'")
    if len(text) > LONGEST:
        raise ValueError(f"{shown} is too long to be {kind.what}; write it like '{kind.example}'")
    if "ft" in kind.units:
        both = _FEET.match(text)
        if both is not None:
            feet, inches = Fraction(both.group(1)), Fraction(both.group(2))
            if not 0 <= inches < 12:
                raise ValueError(f"{shown} has {inches} inches; write 0 to under 12 of them")
            return _checked((feet * 12 + inches) * INCH, shown, kind)
    found = _ONE.match(text)
    if found is None:
        raise ValueError(f"{shown} is not {kind.what}; write it like '{kind.example}'")
    return _checked(Fraction(found.group(1)) * _unit(found.group(2), shown, kind), shown, kind)


def parse_range(text: object, kind: Kind) -> tuple[float, float]:
    """A range such as '2700..6500 K' in house units. Raises ValueError."""
    shown = _shown(text)
    example = f"{kind.example.split(' ')[0]}..{kind.high:g} {next(iter(kind.units))}"
    found = _RANGE.match(text) if isinstance(text, str) and len(text) <= LONGEST else None
    if found is None:
        raise ValueError(f"{shown} is not a range of {kind.what}; write it like '{example}'")
    unit = _unit(found.group(3), shown, kind)
    low = _checked(Fraction(found.group(1)) * unit, shown, kind)
    high = _checked(Fraction(found.group(2)) * unit, shown, kind)
    if not low < high:
        raise ValueError(f"{shown} goes from high to low; write the lower end first")
    return float(low), float(high)


def parse_span(text: object) -> tuple[float, float]:
    """A span of bare numbers such as '0..255'. Raises ValueError."""
    shown = _shown(text)
    found = _RANGE.match(text) if isinstance(text, str) and len(text) <= LONGEST else None
    if found is None or found.group(3):
        raise ValueError(f"{shown} is not a span; write it like '0..255'")
    low, high = float(found.group(1)), float(found.group(2))
    if not low < high:
        raise ValueError(f"{shown} goes from high to low; write the lower end first")
    return low, high


def _unit(unit: str | None, shown: str, kind: Kind) -> Fraction:
    if not unit:
        raise ValueError(f"{shown} has no unit; write {kind.what}, like '{kind.example}'")
    factor = kind.units.get(unit)
    if factor is None:
        known = ", ".join(kind.units)
        raise ValueError(f"{shown} has the unit {_shown(unit)}; {kind.what} is in {known}")
    return factor


def _checked(value: Fraction, shown: str, kind: Kind) -> Fraction:
    if not kind.low <= value <= kind.high:
        unit = next((u for u, f in kind.units.items() if f == 1), "")
        raise ValueError(f"{shown} is outside {kind.low:g} to {kind.high:g} {unit}")
    return value


def _shown(text: object) -> str:
    cut = str(text)[:LONGEST]
    return "'" + "".join(c if c.isprintable() else "�" for c in cut) + "'"


def format_level(level: float) -> str:
    """A level as `keep` writes it: at most one decimal."""
    return f"{round(level, 1):g} %"


def format_cct(cct: float) -> str:
    """A colour temperature as `keep` writes it: whole kelvin."""
    return f"{round(cct)} K"
