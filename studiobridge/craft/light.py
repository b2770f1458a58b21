"""Light: stops and dimmer curves (first sketch)."""

from __future__ import annotations

import math
from typing import Literal

DimmerCurve = Literal["linear", "square", "logarithmic"]


def output(dimmer: DimmerCurve, level: float) -> float:
    x = level / 100.0
    if dimmer == "square":
        return x * x
    if dimmer == "logarithmic":
        n = 254 * x
        return 0.0 if n < 1 else 10 ** ((n - 1) / (253 / 3) - 3)
    return x


def level_stops(dimmer: DimmerCurve, wanted_level: float, reported_level: float) -> float | None:
    a, b = output(dimmer, wanted_level), output(dimmer, reported_level)
    if a <= 0 or b <= 0:
        return None
    return math.log2(b / a)
