"""Space: feet and inches exactly, fields of view, and the chain of distances through a room."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from fractions import Fraction

# Exact by definition (international yard and pound agreement, 1959).
METRES_PER_INCH = Fraction(254, 10000)
INCHES_PER_FOOT = 12


def metres(feet: Fraction | int = 0, inches: Fraction | int = 0) -> Fraction:
    """Feet and inches to metres, exactly."""
    return (Fraction(feet) * INCHES_PER_FOOT + Fraction(inches)) * METRES_PER_INCH


def feet_and_inches(length: Fraction | float, nearest: Fraction = Fraction(1, 4)) -> str:
    """Metres as feet and inches, to the nearest quarter inch unless told: '4 ft 3 1/2 in'."""
    inches = Fraction(length).limit_denominator(10**9) / METRES_PER_INCH
    steps = round(inches / nearest)
    total = steps * nearest
    sign = "-" if total < 0 else ""
    total = abs(total)
    feet, rest = divmod(total, INCHES_PER_FOOT)
    whole, part = divmod(rest, 1)
    words = []
    if feet:
        words.append(f"{feet} ft")
    if rest or not feet:
        number = str(whole) if whole or not part else ""
        if part:
            number = f"{number} {part}".strip()
        words.append(f"{number} in")
    return sign + " ".join(words)


def angle_of_view(focal: float, sensor: float) -> float:
    """Angle of view (degrees) of a focal length and a sensor side, both mm: 2 atan(w / 2f).

    By geometry, for a lens focused far away. Raises ValueError for either not above 0.
    """
    if not (focal > 0 and sensor > 0):
        raise ValueError(f"focal length and sensor are above 0 mm, not {focal:g} and {sensor:g}")
    return math.degrees(2.0 * math.atan(sensor / (2.0 * focal)))


def distance_for(focal: float, sensor: float, field: float) -> float:
    """The distance (m) at which the picture, focused there, shows `field` m along that side.

    Focusing near takes a little off the field: w (s - f) / f, of a thin lens, solved for s.
    """
    if not field > 0:
        raise ValueError(f"a field is above 0 m, not {field:g}")
    angle_of_view(focal, sensor)
    return focal * (field / sensor + 1.0 / 1000.0)


@dataclass(frozen=True, slots=True)
class Link:
    """One piece of the depth of a room: what it is and how deep (m, exact)."""

    name: str
    depth: Fraction


@dataclass(frozen=True, slots=True)
class Station:
    """Where a link of the chain ends: its running total from the back wall (m, exact)."""

    name: str
    depth: Fraction
    total: Fraction


def chain(links: Iterable[Link]) -> list[Station]:
    """Running totals from the back wall. Raises ValueError for a negative depth."""
    total = Fraction(0)
    stations = []
    for link in links:
        if link.depth < 0:
            raise ValueError(
                f"{link.name} is {float(link.depth):g} m deep; depths are not negative"
            )
        total += link.depth
        stations.append(Station(link.name, link.depth, total))
    return stations


def saved(links: Sequence[Link], variation: Sequence[Link]) -> Fraction:
    """How much depth (m) a variation of the chain saves."""
    return sum((x.depth for x in links), Fraction(0)) - sum(
        (x.depth for x in variation), Fraction(0)
    )
