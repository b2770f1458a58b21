"""The steps a device can tell apart.

A fixture with an eight-bit level knows 256 values and no others; the bridge must never call
the distance to the nearest of them drift. A Grid is that fact: lowest and highest value and
the step between neighbours, in the wire's own unit.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

GridUnit = Literal["percent", "fraction", "kelvin", "mired"]


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
    """

    low: float
    high: float
    step: float
    unit: GridUnit

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

    def same(self, a: float, b: float) -> bool:
        """Are a and b (percent or kelvin) no more than half a step apart?"""
        distance = abs(self.to_raw(a) - self.to_raw(b))
        return distance <= self.step / 2 + 1e-9 * max(1.0, abs(self.high))
