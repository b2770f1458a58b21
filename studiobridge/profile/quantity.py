"""Quantities with their units: '64 %', '4300 K', '1.5 s', '4 ft 3 in', '2700..6500 K'.

Every quantity in a profile says its unit, so that nobody has to remember whether a number was
seconds or milliseconds. Values come out in the house's units (see profile/model.py).
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from fractions import Fraction

from studiobridge.profile.plain import quoted

NUMBER = r"[-+]?[0-9]+(?:\.[0-9]+)?"
# Feet and inches, as they are printed too: 2 ft 3 1/2 in, -3 1/2 in, 1/2 in. The sign is the whole
# length's.
_SIZE, _PARTS = r"[0-9]+(?:\.[0-9]+)?", r"[0-9]{1,2}/[0-9]{1,3}"
_FEET_TEXT = rf"[-+]?(?:{_SIZE}\s*ft\s+)?(?:{_SIZE}(?:\s+{_PARTS})?|{_PARTS})\s*in"
# Longer than any quantity a person writes.
LONGEST = 40
# Exact by definition: 1 in is 25.4 mm.
INCH = Fraction(254, 10000)


@dataclass(frozen=True, slots=True)
class Kind:
    """One kind of quantity: its units, its range in house units, and an example to show."""

    what: str
    units: Mapping[str, Fraction] = field(hash=False)
    low: float
    high: float
    example: str

    @property
    def pattern(self) -> str:
        """A regular expression for the JSON Schema."""
        units = "|".join(re.escape(unit) for unit in self.units)
        both = rf"|{_FEET_TEXT}" if "ft" in self.units else ""
        return rf"^\s*({NUMBER}\s*({units}){both})\s*$"

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
METER_STEP = Kind("what a meter tells apart", {"W": Fraction(1)}, 0.001, 100.0, "0.1 W")
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

ACROSS = replace(LENGTH, example="-0.8 m")
DEPTH = replace(LENGTH, low=0.0, example="85 cm")
SIZE = replace(LENGTH, low=0.001, example="2.7 m")
FOCAL = Kind("a focal length", {"mm": Fraction(1)}, 1.0, 2000.0, "28 mm")
ANGLE = Kind("an angle", {"deg": Fraction(1), "°": Fraction(1)}, 0.1, 360.0, "110 deg")
HUE = replace(ANGLE, what="a hue", low=0.0, example="120 deg")
BEAM = replace(ANGLE, what="a beam angle", low=1.0, high=179.0)
# 1 fc is 1 lm/ft², exactly
FOOT_CANDLE = 1 / (INCH * 12) ** 2
LUX = Kind("an illuminance", {"lx": Fraction(1), "fc": FOOT_CANDLE}, 0.001, 1_000_000.0, "2400 lx")
GLOW = Kind(
    "a luminance", {"cd/m²": Fraction(1), "cd/m2": Fraction(1)}, 0.01, 100_000.0, "90 cd/m²"
)
FREQUENCY = _kind("a frequency", 1.0, 10_000_000.0, "25 kHz", Hz="1", kHz="1000", MHz="1000000")
ENERGY = _kind("an energy", 0.1, 100_000.0, "98 Wh", Wh="1", kWh="1000")
FRAMES = _kind("a frame rate", 1.0, 1000.0, "25 fps", fps="1")
REFLECTS = replace(LEVEL, what="a reflectance in percent", example="35 %")
SATURATION = replace(LEVEL, what="a saturation in percent", example="90 %")
# Steps coarser than these leave nothing to set.
STEP = replace(LEVEL, what="a step of levels", low=0.001, high=50.0, example="5 %")
CCT_STEP = replace(CCT, what="a step of whites", low=0.1, high=5000.0, example="50 K")
MIRED_STEP = Kind("a step of whites", {"mired": Fraction(1)}, 0.1, 500.0, "5 mired")
FLICKER = replace(LEVEL, what="a modulation in percent", example="3 %")

_ONE = re.compile(rf"\s*({NUMBER})\s*([^\s0-9.+-].*?)?\s*\Z")
_RANGE = re.compile(rf"\s*({NUMBER})\s*\.\.\s*({NUMBER})\s*([^\s0-9.+-].*?)?\s*\Z")
_FEET = re.compile(
    rf"\s*([-+]?)(?:({_SIZE})\s*ft\s+)?(?:({_SIZE})(?:\s+({_PARTS}))?|({_PARTS}))\s*in\s*\Z"
)


def parse(text: object, kind: Kind) -> float:
    """A quantity in house units. Raises ValueError with what to write instead."""
    return float(exact(text, kind))


def exact(text: object, kind: Kind) -> Fraction:
    """A quantity in house units, exactly as written. Raises ValueError."""
    shown = quoted(text)
    if isinstance(text, bool) or not isinstance(text, str | int | float):
        raise ValueError(f"{shown} is not {kind.what}; write it like '{kind.example}'")
    if isinstance(text, int | float):
        raise ValueError(f"{shown} has no unit; write {kind.what}, like '{kind.example}'")
    if len(text) > LONGEST:
        raise ValueError(f"{shown} is too long to be {kind.what}; write it like '{kind.example}'")
    if "ft" in kind.units:
        both = _FEET.match(text)
        if both is not None:
            return _checked(_feet(both, shown), shown, kind)
    found = _ONE.match(text)
    if found is None:
        raise ValueError(f"{shown} is not {kind.what}; write it like '{kind.example}'")
    return _checked(Fraction(found.group(1)) * _unit(found.group(2), shown, kind), shown, kind)


def _feet(found: re.Match[str], shown: str) -> Fraction:
    """Feet and inches as metres. Raises ValueError."""
    sign, feet, whole, part = found.group(1), *(found.group(n) or "0" for n in (2, 3, 4))
    part = found.group(5) or part
    over, _, under = part.partition("/")
    if under and not 0 < int(over) < int(under):
        raise ValueError(f"{shown} has {part} of an inch; write a part of one, like 1/4 or 1/2")
    inches = Fraction(whole) + Fraction(part)
    if found.group(2) is not None and not inches < 12:
        raise ValueError(f"{shown} has {inches} inches; write 0 to under 12 of them")
    length = (Fraction(feet) * 12 + inches) * INCH
    return -length if sign == "-" else length


def is_feet(text: str) -> bool | None:
    """Is a length written in feet or inches (True) or in metres (False)? None: it is no length."""
    if _FEET.match(text):
        return True
    found = _ONE.match(text)
    unit = found.group(2) if found is not None else None
    return {"ft": True, "in": True, "m": False, "cm": False}.get(unit or "")


def parse_range(text: object, kind: Kind) -> tuple[float, float]:
    """A range such as '2700..6500 K' in house units. Raises ValueError."""
    shown = quoted(text)
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
    """A span of bare numbers such as '0..255', or '255..0' turned round. Raises ValueError."""
    shown = quoted(text)
    found = _RANGE.match(text) if isinstance(text, str) and len(text) <= LONGEST else None
    if found is None or found.group(3):
        raise ValueError(f"{shown} is not a span; write it like '0..255'")
    low, high = float(found.group(1)), float(found.group(2))
    if low == high:
        raise ValueError(f"{shown} has no width; write it like '0..255'")
    return low, high


def parse_whites(text: object) -> tuple[float, float, str]:
    """The whites at the ends of a scale: '2700..6500 K' or '370..154 mired', in this order.

    Raises ValueError.
    """
    shown = quoted(text)
    found = _RANGE.match(text) if isinstance(text, str) and len(text) <= LONGEST else None
    unit = {"K": "kelvin", "mired": "mired"}.get(found.group(3) or "") if found else None
    if found is None or unit is None:
        raise ValueError(
            f"{shown} is no range of whites; write it like '2700..6500 K' or '370..154 mired'"
        )
    first, last = float(found.group(1)), float(found.group(2))
    least, most = (1e6 / CCT.high, 1e6 / CCT.low) if unit == "mired" else (CCT.low, CCT.high)
    if first == last or not all(least <= end <= most for end in (first, last)):
        raise ValueError(f"{shown} is outside {least:g} to {most:g} {found.group(3)}, or one white")
    return first, last, unit


def parse_step(text: object) -> tuple[float, str]:
    """A step of a device: '5 %', '50 K' or '5 mired', with its unit. Raises ValueError."""
    for kind in (STEP, CCT_STEP, MIRED_STEP):
        unit = next(iter(kind.units))
        if isinstance(text, str) and text.strip().endswith(unit):
            return parse(text, kind), unit
    raise ValueError(f"{quoted(text)} is no step; write it like '5 %', '50 K' or '5 mired'")


# ---- what takes more than a number and a unit ----------------------------------------------

_OUTPUT = re.compile(r"\s*(.*?)\s+at\s+(.*?)\s*\Z")
_SECTION = re.compile(rf"\s*({NUMBER})\s*(mm²|mm2|AWG)\s*\Z")
_HEAT = re.compile(rf"\s*({NUMBER})\s*°?(C|F)\s*\Z")
_PRICE = re.compile(rf"\s*({NUMBER})\s*([A-Z]{{3}}|[€$£])\s*/\s*kWh\s*\Z")
_SENSOR = re.compile(rf"\s*({NUMBER})\s*[x×]\s*({NUMBER})\s*mm\s*\Z")
_PART = re.compile(r"\s*1\s*/\s*([0-9]+(?:\.[0-9]+)?)\s*s\s*\Z")
_STOP = re.compile(r"\s*f\s*/\s*([0-9]+(?:\.[0-9]+)?)\s*\Z")


def _said(text: object, pattern: re.Pattern[str], what: str, example: str) -> re.Match[str]:
    found = pattern.match(text) if isinstance(text, str) and len(text) <= LONGEST else None
    if found is None:
        raise ValueError(f"{quoted(text)} is not {what}; write it like '{example}'")
    return found


def parse_output(text: object) -> tuple[float, float]:
    """What a light gives on its axis at full: '2400 lx at 1 m' is (lx, m). Raises ValueError."""
    found = _said(text, _OUTPUT, "an output", "2400 lx at 1 m")
    return parse(found.group(1), LUX), parse(found.group(2), SIZE)


def parse_section(text: object) -> tuple[float | None, int | None]:
    """A conductor: '1.5 mm²' is (1.5, None), '14 AWG' is (None, 14). Raises ValueError."""
    found = _said(text, _SECTION, "a conductor's section", "1.5 mm²")
    if found.group(2) == "AWG":
        gauge = Fraction(found.group(1))
        if gauge.denominator != 1:
            raise ValueError(f"{quoted(text)} is not a gauge; write it like '14 AWG'")
        return None, int(gauge)
    return float(found.group(1)), None


def parse_temperature(text: object) -> float:
    """A temperature, °C: '60 °C' is 60, '140 °F' too. Raises ValueError."""
    found = _said(text, _HEAT, "a temperature", "60 °C")
    value = float(found.group(1))
    if found.group(2) == "F":
        value = (value - 32.0) * 5.0 / 9.0
    if not -60.0 <= value <= 250.0:
        raise ValueError(f"{quoted(text)} is outside -60 to 250 °C")
    return value


def parse_price(text: object) -> tuple[float, str]:
    """The price of energy: '0.24 EUR/kWh' is (0.24, 'EUR'). Raises ValueError."""
    found = _said(text, _PRICE, "a price of energy", "0.24 EUR/kWh")
    price = float(found.group(1))
    if price < 0:
        raise ValueError(f"{quoted(text)} is below nothing; a price is 0 or more")
    return price, found.group(2)


def parse_sensor(text: object) -> tuple[float, float]:
    """The sides of a sensor, mm: '36 x 24 mm'. Raises ValueError."""
    found = _said(text, _SENSOR, "a sensor's size", "36 x 24 mm")
    wide, high = float(found.group(1)), float(found.group(2))
    if not (0.5 <= high <= 100 and 0.5 <= wide <= 100):
        raise ValueError(f"{quoted(text)} is no sensor's size; its sides are 0.5 to 100 mm")
    return wide, high


def parse_shutter(text: object) -> tuple[float | None, float | None]:
    """A shutter: '1/50 s' is (0.02, None), '180 deg' is (None, 180.0). Raises ValueError."""
    part = _PART.match(text) if isinstance(text, str) and len(text) <= LONGEST else None
    if part is not None:
        below = float(part.group(1))
        if below < 1:
            raise ValueError(f"{quoted(text)} is longer than 1 s; a shutter is at most that")
        return 1.0 / below, None
    if isinstance(text, str) and ("deg" in text or "°" in text):
        return None, parse(text, ANGLE)
    try:
        time = parse(text, TIME)
    except ValueError:
        raise ValueError(
            f"{quoted(text)} is not a shutter; write it like '1/50 s' or '180 deg'"
        ) from None
    if not 0 < time <= 1:
        raise ValueError(f"{quoted(text)} is no shutter; above 0 and at most 1 s")
    return time, None


def parse_aperture(text: object) -> float:
    """An aperture: 'f/2.8' is 2.8. Raises ValueError."""
    found = _said(text, _STOP, "an aperture", "f/2.8")
    number = float(found.group(1))
    if not 0.5 <= number <= 128:
        raise ValueError(f"{quoted(text)} is no aperture; from f/0.5 to f/128")
    return number


def _unit(unit: str | None, shown: str, kind: Kind) -> Fraction:
    if not unit:
        raise ValueError(f"{shown} has no unit; write {kind.what}, like '{kind.example}'")
    factor = kind.units.get(unit)
    if factor is None:
        known = ", ".join(kind.units)
        raise ValueError(f"{shown} has the unit {quoted(unit)}; {kind.what} is in {known}")
    return factor


def _checked(value: Fraction, shown: str, kind: Kind) -> Fraction:
    if not kind.low <= value <= kind.high:
        unit = next((u for u, f in kind.units.items() if f == 1), "")
        raise ValueError(f"{shown} is outside {kind.low:g} to {kind.high:g} {unit}")
    return value


def format_level(level: float) -> str:
    """A level as `keep` writes it: at most one decimal."""
    return f"{round(level, 1):g} %"


def format_cct(cct: float) -> str:
    """A colour temperature as `keep` writes it: whole kelvin."""
    return f"{round(cct)} K"
