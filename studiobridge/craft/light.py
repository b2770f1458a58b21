"""Dimmers: from the level that is set to the light that comes out, and back.

A share is light output relative to the fixture's own full output, 0 to 1. A level is what is
set on the fixture, 0 to 100 %.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache
from typing import Literal

from studiobridge.craft.monotone import Monotone

Curve = Literal["linear", "square", "logarithmic", "measured"]

# IEC 62386-102, from memory: X(n) = 10^((n - 1) / (253 / 3) - 1) percent for n = 1 to 254.
LOGARITHMIC_STEPS = 254.0
LOGARITHMIC_DECADE = 253.0 / 3.0
# A share of full output below this is no light: a dimmer's own range ends far above it, and
# ratios to less than it would be of rounding alone.
DARK = 1e-12


@dataclass(frozen=True, slots=True)
class Dimmer:
    """How a fixture's light follows its level.

    `points` are for the curve `measured` only: (level %, output %), both strictly rising, the
    last one (100, 100). Raises ValueError for any other table.
    """

    curve: Curve = "linear"
    points: tuple[tuple[float, float], ...] = ()

    def __post_init__(self) -> None:
        if self.curve != "measured":
            if self.points:
                raise ValueError(f"a {self.curve} dimmer has no table of measured points")
            return
        if len(self.points) < 2:
            raise ValueError("a table of measured points has two of them or more")
        for (level, out), (higher, more) in zip(self.points, self.points[1:], strict=False):
            if not (level < higher and out < more):
                raise ValueError(
                    f"measured points rise in level and in light; {level:g} %: {out:g} % is"
                    f" followed by {higher:g} %: {more:g} %"
                )
        if self.points[0][0] < 0 or self.points[0][1] < 0 or self.points[-1] != (100.0, 100.0):
            raise ValueError("measured points are percent of full: the last one is 100 %: 100 %")
        _through(self.points)

    def output(self, level: float) -> float:
        """Share of full output (0-1) at a level (0-100 %).

        linear: level / 100. square: its square (common practice). logarithmic: IEC 62386-102
        (from memory), below its lowest step dark. measured: through the points, rising between
        them (PCHIP, craft/monotone.py); below the first point straight down to dark at 0 %. Raises
        ValueError outside 0-100 %.
        """
        if not 0.0 <= level <= 100.0:
            raise ValueError(f"a level is from 0 to 100 %, not {level:g}")
        x = level / 100.0
        if self.curve == "linear":
            return x
        if self.curve == "square":
            return x * x
        if self.curve == "logarithmic":
            n = LOGARITHMIC_STEPS * x
            if n < 1.0:
                return 0.0
            return float(10.0 ** ((n - 1.0) / LOGARITHMIC_DECADE - 3.0))
        return float(min(1.0, max(0.0, _through(self.points)(level) / 100.0)))

    def level(self, share: float) -> float:
        """The level (0-100 %) at which a share of full output (0-1) comes out: the inverse.

        Of a logarithmic dimmer, which is dark below its lowest step, the lowest level that gives
        no less. Measured: by bisection, for the curve only rises. Raises ValueError outside 0-1.
        """
        if not 0.0 <= share <= 1.0:
            raise ValueError(f"a share of full output is from 0 to 1, not {share:g}")
        if self.curve == "linear":
            return 100.0 * share
        if self.curve == "square":
            return 100.0 * math.sqrt(share)
        if share == 0.0:
            return 0.0
        if self.curve == "logarithmic":
            n = 1.0 + LOGARITHMIC_DECADE * (math.log10(share) + 3.0)
            return min(100.0, 100.0 * max(1.0, n) / LOGARITHMIC_STEPS)
        low, high = 0.0, 100.0
        while high - low > 1e-9:
            middle = (low + high) / 2.0
            low, high = (middle, high) if self.output(middle) < share else (low, middle)
        return high


LINEAR = Dimmer()


@lru_cache(maxsize=256)
def _through(points: tuple[tuple[float, float], ...]) -> Monotone:
    return Monotone(points if points[0][0] == 0.0 else ((0.0, 0.0), *points))


def level_stops(dimmer: Dimmer, wanted_level: float, reported_level: float) -> float | None:
    """Stops of light from the wanted level up to the reported one; None when either is dark.

    Levels in percent, and None for what is none (outside 0-100, NaN); stops are log2 of the
    ratio of output, by definition.
    """
    if not (0.0 <= wanted_level <= 100.0 and 0.0 <= reported_level <= 100.0):
        return None
    wanted, reported = dimmer.output(wanted_level), dimmer.output(reported_level)
    if wanted < DARK or reported < DARK:
        return None
    return math.log2(reported / wanted)
