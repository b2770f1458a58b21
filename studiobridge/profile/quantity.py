"""Quantities with their units: '64 %', '4300 K', '1.5 s', '4 ft 3 in', '2700..6500 K'.

Every quantity in a profile says its unit, so that nobody has to remember whether a number was
seconds or milliseconds. Values come out in the house's units (see profile/model.py).

What can mean one thing only is read. Feet and inches: `6'6"`, `6' 6"`, `6ft6`, `6 foot 6`,
`6 ft 6 in`, `4 ft 3 1/4 in` (as this house prints them), `6'`, `30"`. What could mean two things is
explained with what to write: `1,5 m` (between brackets a comma ends a value in YAML, and `1,500 lx`
is read in two ways on the two sides of the sea), `1-100 %` for `1..100 %`, and a unit spelt out or
in other letters (`72 watts`, `4300k`).
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from fractions import Fraction

from studiobridge.profile.plain import quoted

NUMBER = r"[-+]?[0-9]+(?:\.[0-9]+)?"
# `3`, `3.25`, `3 1/4` or `1/4`, as on a tape
_TAPE = r"(?:[0-9]+(?:\.[0-9]+)?(?:\s+[0-9]+/[0-9]+)?|[0-9]+/[0-9]+)"
_FOOT = r"(?:ft|foot|feet|'|′)"
_INCH = r"(?:inches|inch|in|\"|″|'')"
_FEET_PATTERN = rf"[-+]?[0-9]+(?:\.[0-9]+)?\s*{_FOOT}(?:\s*{_TAPE}\s*{_INCH}?)?"
_INCH_PATTERN = rf"[-+]?{_TAPE}\s*{_INCH}"
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
        both = f"|{_FEET_PATTERN}|{_INCH_PATTERN}" if "ft" in self.units else ""
        return rf"^\s*({NUMBER}\s*({units}){both})\s*$"

    @property
    def range_pattern(self) -> str:
        units = "|".join(re.escape(unit) for unit in self.units)
        return rf"^\s*{NUMBER}\s*\.\.\s*{NUMBER}\s*({units})\s*$"

    @property
    def range_example(self) -> str:
        return f"{self.example.split(' ')[0]}..{self.high:g} {next(iter(self.units))}"


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
OVER = replace(STOPS, what="stops over (or under, with -)", low=-10.0, example="-0.5 stop")
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
TRANSMISSION = replace(LEVEL, what="a transmission in percent", low=1.0, example="80 %")
FLICKER = replace(LEVEL, what="a modulation in percent", example="3 %")

_ONE = re.compile(rf"\s*({NUMBER})\s*([^\s0-9.,+-].*?)?\s*\Z")
_RANGE = re.compile(rf"\s*({NUMBER})\s*\.\.\s*({NUMBER})\s*([^\s0-9.+-].*?)?\s*\Z")
_FEET = re.compile(rf"\s*([-+]?)([0-9]+(?:\.[0-9]+)?)\s*{_FOOT}(?:\s*({_TAPE})\s*{_INCH}?)?\s*\Z")
_INCHES = re.compile(rf"\s*([-+]?)({_TAPE})\s*{_INCH}\s*\Z")
# What is meant by what is not read, for a sentence that says what to write.
_COMMA = re.compile(r"\s*([-+]?[0-9]+),([0-9]+)\s*([^\s0-9.,+-].*?)?\s*\Z")
_FROM_TO = re.compile(
    rf"\s*({NUMBER})\s*\S*?\s*(?:-|–|—|…|\.{{2,}}|to)\s*({NUMBER})\s*([^\s0-9.+-].*?)?\s*\Z"
)
_SPELT = {
    "%": ("percent", "per cent", "pct"),
    "K": ("kelvin", "k", "°k"),
    "ms": ("msec", "millisecond", "milliseconds"),
    "s": ("sec", "secs", "second", "seconds"),
    "min": ("mins", "minute", "minutes", "m"),
    "h": ("hr", "hrs", "hour", "hours"),
    "A": ("amp", "amps", "ampere", "amperes"),
    "W": ("watt", "watts", "w"),
    "kW": ("kilowatt", "kilowatts", "kw"),
    "V": ("volt", "volts", "v"),
    "m": ("metre", "metres", "meter", "meters"),
    "mm": ("millimetre", "millimetres", "millimeter", "millimeters"),
    "deg": ("degree", "degrees"),
    "Hz": ("hertz", "hz"),
    "kHz": ("kilohertz", "khz"),
    "lx": ("lux",),
    "fc": ("footcandle", "footcandles", "foot-candle", "foot-candles"),
    "cd/m²": ("nit", "nits"),
    "stop": ("f-stop", "f-stops"),
    "Wh": ("watt-hour", "watt-hours", "wh"),
}


def parse(text: object, kind: Kind) -> float:
    """A quantity in house units. Raises ValueError with what to write instead."""
    return float(exact(text, kind))


def exact(text: object, kind: Kind) -> Fraction:
    """A quantity in house units, exactly as written. Raises ValueError."""
    shown = quoted(text)
    if isinstance(text, bool) or not isinstance(text, str | int | float):
        raise ValueError(f"{shown} is not {kind.what}; write it like '{kind.example}'")
    if isinstance(text, int | float):
        raise _no_unit(f"{text}", shown, kind)
    if len(text) > LONGEST:
        raise ValueError(f"{shown} is too long to be {kind.what}; write it like '{kind.example}'")
    if "ft" in kind.units:
        length = _feet_and_inches(text, shown)
        if length is not None:
            return _checked(length, shown, kind)
    found = _ONE.match(text)
    if found is None:
        comma = _COMMA.match(text)
        if comma is not None:
            unit = _known_unit(comma.group(3), kind) or next(iter(kind.units))
            write = f"'{comma.group(1)}.{comma.group(2)} {unit}'"
            if len(comma.group(2)) == 3:
                write += f", or '{comma.group(1)}{comma.group(2)} {unit}' for thousands"
            raise ValueError(f"{shown} has a comma in its number; write {write}")
        or_feet = " or '4 ft 3 in'" if "ft" in kind.units else ""
        raise ValueError(f"{shown} is not {kind.what}; write it like '{kind.example}'{or_feet}")
    number = found.group(1)
    return _checked(Fraction(number) * _unit(found.group(2), shown, kind, number), shown, kind)


def _feet_and_inches(text: str, shown: str) -> Fraction | None:
    """A length in feet and inches, m; None for what is none. Raises ValueError."""
    found = _FEET.match(text)
    if found is not None:
        inches = _tape(found.group(3)) if found.group(3) else Fraction(0)
        if inches >= 12:
            raise ValueError(f"{shown} has {float(inches):g} inches; write 0 to under 12 of them")
        length = (Fraction(found.group(2)) * 12 + inches) * INCH
        return -length if found.group(1) == "-" else length
    found = _INCHES.match(text)
    if found is None:
        return None
    length = _tape(found.group(2)) * INCH
    return -length if found.group(1) == "-" else length


def _tape(text: str) -> Fraction:
    """`3 1/4`, as on a tape. A fraction of nothing is none: ValueError."""
    try:
        return sum((Fraction(part) for part in text.split()), Fraction(0))
    except ZeroDivisionError:
        raise ValueError(f"{quoted(text)} is no fraction; write it like '3 1/4 in'") from None


def is_feet(text: str) -> bool | None:
    """Is a length written in feet or inches (True) or in metres (False)? None: it is no length."""
    if _FEET.match(text) or _INCHES.match(text):
        return True
    found = _ONE.match(text)
    unit = found.group(2) if found is not None else None
    return {"m": False, "cm": False}.get(unit or "")


def parse_range(text: object, kind: Kind) -> tuple[float, float]:
    """A range such as '2700..6500 K' in house units. Raises ValueError."""
    shown = quoted(text)
    units = next(iter(kind.units))
    example = kind.range_example
    found = _RANGE.match(text) if isinstance(text, str) and len(text) <= LONGEST else None
    if found is None:
        meant = _FROM_TO.match(text) if isinstance(text, str) and len(text) <= LONGEST else None
        if meant is not None:
            write = (
                f"'{meant.group(1)}..{meant.group(2)} {_known_unit(meant.group(3), kind) or units}'"
            )
            raise ValueError(f"{shown} is not a range; write two points between: {write}")
        raise ValueError(f"{shown} is not a range of {kind.what}; write it like '{example}'")
    number = f"{found.group(1)}..{found.group(2)}"
    unit = _unit(found.group(3), shown, kind, number)
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
_ASPECT = re.compile(rf"\s*({NUMBER})\s*[:x×]\s*({NUMBER})\s*\Z")
_SENSOR = re.compile(rf"\s*({NUMBER})\s*[x×]\s*({NUMBER})\s*mm\s*\Z")
_RATIO = re.compile(rf"\s*({NUMBER})\s*:\s*1\s*\Z")
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


def parse_aspect(text: object) -> float:
    """How wide a picture is to its height: '16:9' is 1.778. Raises ValueError."""
    found = _said(text, _ASPECT, "the sides of a picture", "16:9")
    wide, high = float(found.group(1)), float(found.group(2))
    if not (high > 0 and 0.2 <= wide / high <= 5):
        raise ValueError(f"{quoted(text)} is no picture; from 1:5 to 5:1")
    return wide / high


def parse_ratio(text: object) -> float:
    """Key over fill: '2:1' is 2. Raises ValueError."""
    found = _said(text, _RATIO, "a ratio of key to fill", "2:1")
    ratio = float(found.group(1))
    if not 0.1 <= ratio <= 100:
        raise ValueError(f"{quoted(text)} is no ratio of key to fill; from 0.1:1 to 100:1")
    return ratio


def plain_number(value: object, what: str, low: float, high: float, example: str) -> float:
    """A number without a unit, in its range. Raises ValueError."""
    number = isinstance(value, int | float) and not isinstance(value, bool)
    if not number or not low <= float(value) <= high:  # type: ignore[arg-type]
        raise ValueError(
            f"{quoted(value)} is not {what}; from {low:g} to {high:g}, written like '{example}'"
        )
    return float(value)  # type: ignore[arg-type]


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


def _unit(unit: str | None, shown: str, kind: Kind, number: str) -> Fraction:
    if not unit:
        raise _no_unit(number, shown, kind)
    factor = kind.units.get(unit)
    if factor is None:
        known = ", ".join(kind.units)
        meant = _known_unit(unit, kind)
        todo = f"write '{number} {meant}'" if meant else f"{kind.what} is in {known}"
        raise ValueError(f"{shown} has the unit {quoted(unit)}; {todo}")
    return factor


def _no_unit(number: str, shown: str, kind: Kind) -> ValueError:
    """Which unit to write, with the number that stands there."""
    own = kind.example.split(" ")[-1]
    others = [unit for unit in kind.units if unit not in (own, f"{own}s")]
    todo = f"write {kind.what}, like '{number} {own}'"
    if others:
        todo += f" (or in {', '.join(others)})"
    return ValueError(f"{shown} has no unit; {todo}")


def _known_unit(written: str | None, kind: Kind) -> str | None:
    """The unit of this kind that is meant by one spelt out or in other letters."""
    if written is None:
        return None
    if written in kind.units:
        return written
    word = written.casefold().rstrip(".")
    for unit in kind.units:
        if word == unit.casefold() or word in _SPELT.get(unit, ()):
            return unit
    return None


def _checked(value: Fraction, shown: str, kind: Kind) -> Fraction:
    # the ends as they are written: 0.001 m is no shorter than 0.001 m
    if not Fraction(str(kind.low)) <= value <= Fraction(str(kind.high)):
        unit = next((u for u, f in kind.units.items() if f == 1), "")
        raise ValueError(f"{shown} is outside {kind.low:g} to {kind.high:g} {unit}")
    return value


def format_level(level: float) -> str:
    """A level as `keep` writes it: at most one decimal."""
    return f"{round(level, 1):g} %"


def format_cct(cct: float) -> str:
    """A colour temperature as `keep` writes it: whole kelvin."""
    return f"{round(cct)} K"
