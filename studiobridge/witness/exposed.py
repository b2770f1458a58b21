"""How much brighter or darker the whole picture is than its lamps explain, in stops, with a band.

Nothing in one picture tells a camera that is opened by a stop from lamps that are all turned up by
one. What tells them apart is how often each happens: lamps stay as they were unless somebody turns
them, one or two at a time, and a camera stays as it was set. So each lamp is solved for by itself,
and every exposure is weighed by how many lamps it leaves as they were, to what is known of each.
Seldom somebody turns most of them, each by its own: then few agree, and the band is wide.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from studiobridge.profile.sighting import Band

Floats = NDArray[np.float64]

# How often a lamp is turned, and by how much (a spread, stops); how often most are at once, and
# then each of them; how often a camera is set otherwise. Common practice, no source.
TURNED, BY, MOST, EACH, SET = 0.1, 0.8, 0.1, 0.9, 0.5
# Over so many stops each way, so fine.
FAR, FINE = 3.0, 0.01
# ... and past that, where at an end it is so likely (share of where it is likeliest).
AT_END = 0.05
# So near (stops) its end nobody can tell from beyond it.
EDGE = 0.1
# A lamp is known no better than this (stops) in another exposure, for another part of the curve
# shows it; nor is the whole picture.
LAMP, WHOLE = 0.03, 0.02
# Errors of blocks beside each other go together: so many are about one.
TOGETHER = 9.0
# A median's worth against a mean's: variance of robust weights in the middle of a normal spread.
ROBUST = 1.5
# A lamp that gave less than this of its full is not held against what it gives; one that is known
# to no more than so many stops says nothing.
LEAST, NOTHING = 0.01, 1.0
# 95 of 100 lie between these.
LOW, MIDDLE, HIGH = 0.025, 0.5, 0.975
TURNS = 6
# ... and a lamp may do what none does.
NEVER = 1e-3


@dataclass(frozen=True, slots=True)
class Ratio:
    """How much more one lamp gives than it was expected to, and how far (a spread) that may be off;
    stops."""

    stops: float
    off: float


def ratios(
    light: Floats,
    weight: Floats,
    pictures: Sequence[Floats],
    devices: Sequence[str],
    amounts: Floats,
) -> list[Ratio]:
    """Every lamp by itself: `light` (without the dark) out of what each share gives.

    `weight` is one over what each figure may be off; `amounts` is what each share should give.
    """
    matrix = np.stack(pictures, axis=1)
    trust = np.ones(len(light))
    values = np.zeros(matrix.shape[1])
    scale, square = 1.0, np.eye(matrix.shape[1])
    for _ in range(TURNS):
        pulled = (matrix * (weight * weight * trust)[:, None]).T
        square = pulled @ matrix + 1e-6 * np.eye(matrix.shape[1])
        values = np.asarray(np.linalg.solve(square, pulled @ light), np.float64)
        off = np.abs(light - matrix @ values) * weight
        scale = max(1.0, float(np.median(off)))
        trust = 1.0 / (1.0 + (off / (2.0 * scale)) ** 2)
    covariance = np.linalg.inv(square) * scale**2 * ROBUST * TOGETHER
    found = []
    for device in dict.fromkeys(devices):
        of = [i for i, one in enumerate(devices) if one == device]
        was, now = float(amounts[of].sum()), float(values[of].sum())
        if was < LEAST:
            continue
        spread = math.sqrt(max(0.0, float(covariance[of][:, of].sum())))
        off_by = math.hypot(spread / max(now, 0.3 * was) / math.log(2.0), LAMP)
        if off_by < NOTHING:
            found.append(Ratio(math.log2(max(now, 0.02 * was) / was), off_by))
    return found


def exposed(lamps: Sequence[Ratio]) -> Band | None:
    """By how much the camera is set otherwise, as these lamps have it; None where none tells.

    A lamp whose figure is no number, or known to no spread, tells nothing."""
    lamps = [one for one in lamps if math.isfinite(one.stops) and 0.0 < one.off < math.inf]
    if not lamps:
        return None
    steps = np.arange(-round(FAR / FINE), round(FAR / FINE) + 1)
    stops: Floats = np.asarray(steps * FINE, np.float64)
    few, most = np.zeros(len(stops)), np.zeros(len(stops))
    for lamp in lamps:
        there = _normal(lamp.stops - stops, lamp.off)
        turned = _normal(lamp.stops - stops, math.hypot(lamp.off, BY)) + NEVER
        few += np.log((1.0 - TURNED) * there + TURNED * turned)
        most += np.log((1.0 - EACH) * there + EACH * turned)
    best = max(float(few.max()), float(most.max()))
    likely = (1.0 - MOST) * np.exp(few - best) + MOST * np.exp(most - best)
    at_ends = likely[[0, -1]] > AT_END * float(likely.max())
    likely *= np.where(steps == 0, 1.0 - SET, SET / len(stops))
    up_to = np.cumsum(likely / likely.sum())
    low, middle, high = (float(stops[np.searchsorted(up_to, p)]) for p in (LOW, MIDDLE, HIGH))
    low, high = low - WHOLE, high + WHOLE
    # likely still at an end of what is reckoned, it may be past that: as far as any lamp says
    if at_ends[0]:
        low = min(low, *(lamp.stops - 2.0 * lamp.off for lamp in lamps))
    if at_ends[1]:
        high = max(high, *(lamp.stops + 2.0 * lamp.off for lamp in lamps))
    if abs(middle) > FAR - EDGE:
        middle = float(np.median([lamp.stops for lamp in lamps]))
    # a camera stays as it was set, unless all of it says otherwise
    return Band(low, 0.0 if low <= 0.0 <= high else middle, high)


def _normal(far: Floats, off: float) -> Floats:
    return np.asarray(np.exp(-0.5 * (far / off) ** 2) / (off * math.sqrt(2 * math.pi)), np.float64)
