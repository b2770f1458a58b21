"""The steps a device can tell apart.

A fixture with an eight-bit level knows 256 values and no others; the bridge must never call
the distance to the nearest of them drift. A Grid is that fact: lowest and highest value and
the step between neighbours, in the dialect's own unit.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

GridUnit = Literal["percent", "fraction", "kelvin", "mired"]

# What the ends of a grid can be, by its unit. A million kelvin is one mired and the other way
# round: nothing outside is a white, and nothing inside is divided by zero.
ENDS: dict[GridUnit, tuple[float, float]] = {
    "percent": (0.0, 100.0),
    "fraction": (0.0, 1.0),
    "kelvin": (1.0, 1e6),
    "mired": (1.0, 1e6),
}
# A scale of a device's own: how far apart its ends are at least and at most.
SMALLEST_WIDTH, LARGEST_WIDTH = 1e-6, 1e9
# More steps than this is a mistake in a description: sixteen bits are 65 536, and what is finer
# still has no steps worth counting (step 0).
MOST_STEPS = 1e9


def mired(kelvin: float) -> float:
    """Reciprocal megakelvin of a colour temperature. Range: kelvin > 0.

    Source: definition (Priest 1932), 10^6 / K. Raises ValueError at or below 0 K.
    """
    if not kelvin > 0:
        raise ValueError(f"a colour temperature is above 0 K, not {kelvin:g} K")
    return 1e6 / kelvin


kelvin_of_mired = mired  # the reciprocal is its own inverse


@dataclass(frozen=True, slots=True)
class Grid:
    """low, high and step in `unit`; step 0 means as fine as a float.

    `to_raw` and `from_raw` go between the house's units (percent, kelvin) and the grid's.
    Raises ValueError for ends outside ENDS or in the wrong order, a negative step, one wider
    than the whole grid, or more than MOST_STEPS of them.
    """

    low: float
    high: float
    step: float
    unit: GridUnit

    def __post_init__(self) -> None:
        low, high = ENDS[self.unit]
        if not low <= self.low <= self.high <= high:
            raise ValueError(
                f"it goes from {self.low:g} to {self.high:g} {self.unit}, and {self.unit} lies"
                f" between {low:g} and {high:g}"
            )
        width = self.high - self.low
        if width < SMALLEST_WIDTH:
            raise ValueError(f"it has no width: {self.low:g} to {self.high:g} {self.unit}")
        if not 0 <= self.step <= width:
            raise ValueError(f"its step {self.step:g} does not fit between its ends")
        if self.step > 0 and width / self.step > MOST_STEPS:
            raise ValueError(f"it has more steps than anything counts: one every {self.step:g}")

    def to_raw(self, value: float) -> float:
        """Percent or kelvin to the grid's own unit, not rounded."""
        if self.unit == "fraction":
            return value / 100.0
        if self.unit == "mired":
            return mired(value)
        return value

    def from_raw(self, raw: float) -> float:
        """The grid's own unit to percent or kelvin."""
        if self.unit == "fraction":
            return raw * 100.0
        if self.unit == "mired":
            return kelvin_of_mired(raw)
        return raw

    def nearest(self, value: float) -> float:
        """The value (percent or kelvin) the device would hold if told `value`."""
        raw = min(max(self.to_raw(value), self.low), self.high)
        if self.step > 0:
            raw = self.low + round((raw - self.low) / self.step) * self.step
            raw = min(raw, self.high)
        return self.from_raw(raw)

    def is_on(self, said: float, wanted: float) -> bool:
        """Is this the step on which the device stands when told `wanted`, and not the next one?

        A value in the middle of two steps is the same as both; it stands on one of them.
        """
        if self.unit == "mired" and not (0 < said < math.inf and 0 < wanted < math.inf):
            return False
        return abs(self.to_raw(self.nearest(wanted)) - self.to_raw(said)) < 0.499 * self.step

    def same(self, a: float, b: float) -> bool:
        """Are a and b (percent or kelvin) no more than half a step apart?

        Any floats: what is no value of this grid at all is never the same as anything.
        """
        if self.unit == "mired" and not (0 < a < math.inf and 0 < b < math.inf):
            return False
        distance = abs(self.to_raw(a) - self.to_raw(b))
        return distance <= self.step / 2 + 1e-9 * max(1.0, abs(self.high))
