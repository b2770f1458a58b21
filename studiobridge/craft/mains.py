"""Mains: running load, inrush against the breaker, voltage drop, battery, energy and its cost.

A calculation, not an inspection: local code and a licensed electrician decide.
"""

from __future__ import annotations

import math
from typing import Literal

Curve = Literal["B", "C", "D"]

# NEC 210.20(A), from memory: continuous load at most 80 % of the breaker (the 125 % rule). One of
# IEC 60898-1 holds its whole current at 30 degrees C, standing alone; warm and side by side with
# others it does not (common practice: a fifth less), so that the same share is kept for both.
CONTINUOUS_SHARE = 0.8
# IEC 60898-1: instantaneous trip in multiples of the rated current, both effective values: (must
# not, must). From memory. What UL 489 has is of no such band: a C is nearest to most of them.
TRIP_BAND: dict[Curve, tuple[float, float]] = {"B": (3, 5), "C": (5, 10), "D": (10, 20)}
# Resistance in ohm per km at 20 degrees C, flexible copper class 5. IEC 60228, from memory.
# A lead that carries something is warm: all resistances here are at 75 degrees C.
OHM_PER_KM: dict[float, float] = {
    0.75: 26.0,
    1.0: 19.5,
    1.5: 13.3,
    2.5: 7.98,
    4.0: 4.95,
    6.0: 3.30,
}
# By how much copper resists more at 75 than at 20 degrees C: 0.00393 a degree (IEC 60228 annex,
# from memory).
WARM = 1.0 + 0.00393 * 55.0
# Ohm per 1000 ft, stranded copper at 75 degrees C. NEC chapter 9 table 8, from memory.
OHM_PER_1000_FT: dict[int, float] = {18: 7.95, 16: 4.99, 14: 3.14, 12: 1.98, 10: 1.24}
METRES_PER_FOOT = 0.3048
# Amperes a flexible lead carries for long, laid out and not on its drum: two loaded conductors of
# HD 516 (EN 50565-1), and NEC table 400.5(A)(1), column B. Both from memory.
CARRIES_MM: dict[float, float] = {0.75: 6.0, 1.0: 10.0, 1.5: 16.0, 2.5: 25.0, 4.0: 32.0, 6.0: 40.0}
CARRIES_AWG: dict[int, float] = {18: 10.0, 16: 13.0, 14: 18.0, 12: 25.0, 10: 30.0}
# Advice for the drop along a branch: NEC informational note, from memory.
DROP_ADVICE = 0.03
# A battery is not its label: age, cold and the cut-off of the fixture take about a fifth.
# Common practice, no source.
BATTERY_MARGIN = 0.8


def running_limit(breaker: float, voltage: float) -> float:
    """Watts a circuit may carry for long. Breaker in A, voltage in V, both above 0."""
    if not (breaker > 0 and voltage > 0):
        raise ValueError(f"a breaker and a voltage are above 0, not {breaker:g} A, {voltage:g} V")
    return CONTINUOUS_SHARE * breaker * voltage


def trips(
    inrush: float, running: float, breaker: float, curve: Curve
) -> Literal["no", "may", "will"]:
    """Does a peak of `inrush` A on top of `running` A trip the breaker at once?

    Against the band of the curve (IEC 60898-1): below it no, inside it it may, above it it will.
    Pessimistic: the band is of effective values, 1.4 times as high at their peaks, and for half a
    cycle and more; most inrush is over sooner, so that even "will" is no more than to be expected.
    """
    if not (inrush >= 0 and running >= 0 and breaker > 0):
        raise ValueError("currents are not negative, and a breaker is above 0 A")
    low, high = instant_trip(breaker, curve)
    total = inrush + running
    if total < low:
        return "no"
    return "may" if total < high else "will"


def instant_trip(breaker: float, curve: Curve) -> tuple[float, float]:
    """Amperes from which a breaker may, and from which it must, trip at once. IEC 60898-1."""
    if not breaker > 0:
        raise ValueError(f"a breaker is above 0 A, not {breaker:g}")
    low, high = TRIP_BAND[curve]
    return low * breaker, high * breaker


def resistance(length: float, *, square_mm: float | None = None, awg: int | None = None) -> float:
    """Resistance (ohm) of one stranded conductor of `length` m at 75 degrees C.

    Raises ValueError for unknown sections.
    """
    if not length >= 0:
        raise ValueError(f"a length is not negative, not {length:g} m")
    if square_mm is not None and awg is None:
        per_km = OHM_PER_KM.get(square_mm)
        if per_km is None:
            known = ", ".join(f"{s:g}" for s in OHM_PER_KM)
            raise ValueError(f"no figure for {square_mm:g} mm²; known: {known}")
        return per_km * WARM * length / 1000.0
    if awg is not None and square_mm is None:
        per_1000_ft = OHM_PER_1000_FT.get(awg)
        if per_1000_ft is None:
            known = ", ".join(str(gauge) for gauge in OHM_PER_1000_FT)
            raise ValueError(f"no figure for AWG {awg}; known: {known}")
        return per_1000_ft * length / (1000.0 * METRES_PER_FOOT)
    raise ValueError("give a cross-section in mm² or an AWG, one of them")


def carries(*, square_mm: float | None = None, awg: int | None = None) -> float:
    """Amperes a lead carries for long. Raises ValueError for unknown sections."""
    found = CARRIES_MM.get(square_mm or 0.0) if awg is None else CARRIES_AWG.get(awg)
    if found is None:
        raise ValueError(f"no figure for {square_mm or 0.0:g} mm² or AWG {awg or 0}")
    return found


def voltage_drop(current: float, conductor: float) -> float:
    """Volts lost on a single-phase lead: 2 R I, out and back. NEC (a note), from memory.

    At a power factor below 1 what the far end has lost is less than this, for so thin a lead.
    """
    if not (current >= 0 and conductor >= 0):
        raise ValueError("current and resistance are not negative")
    return 2.0 * conductor * current


def battery_hours(watt_hours: float, draw: float) -> float:
    """Hours a battery honestly lasts at `draw` W, with BATTERY_MARGIN. Raises ValueError at 0 W."""
    if not (watt_hours > 0 and draw > 0):
        raise ValueError("a battery and a draw are above 0")
    return watt_hours * BATTERY_MARGIN / draw


def energy_cost(kwh: float, price: float) -> float:
    """Cost of an energy at a price per kWh, in the price's currency."""
    if not (kwh >= 0 and price >= 0 and math.isfinite(kwh * price)):
        raise ValueError("energy and price are not negative")
    return kwh * price
