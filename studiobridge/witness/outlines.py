"""Which part of the picture a lamp that moved lights, as lines to be drawn over it.

What a lamp does to a picture is its own learned picture times how far it moved; where that changes
what is seen most, in stops, a line goes around. Only lamps that surely moved, of a look that
nothing hinders: else no line would be the lamp's own. It is the part of the empty room that the
lamp lights; around somebody who stands there it would say that they moved.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from studiobridge.profile.sighting import Sighting
from studiobridge.witness.learned import Learned
from studiobridge.witness.mixing import parts

# Columns of the map the lines are found on: finer is not seen through a lamp's soft edge.
WIDE = 240
# Within the line the lamp changes the picture by at least half (PART) of the most it changes (in
# stops; the most is what 95 of 100 places stay below, TOP), and by LEAST (stops) in any case.
PART, TOP, LEAST = 0.5, 0.95, 0.01
# Light below this share of the picture's middle is a dark corner, where any change is large.
FLOOR = 0.05
# A line goes around no less than this share of the picture; so many lines a lamp, and lamps.
SMALLEST, MOST_LINES, MOST_LAMPS = 0.004, 2, 4
# A second line around no less than this share of what the first goes around.
BESIDE = 0.25
# A line has so many points at most, and is this near (px of the map) to what it goes around.
MOST_POINTS, NEAR = 60, 0.8
EDGE = 0.006


@dataclass(frozen=True, slots=True)
class Outline:
    """A closed line (shares of the picture) around what a lamp lights that gives `stops` more than
    in the kept picture (less: below 0)."""

    device: str
    stops: float
    points: tuple[tuple[float, float], ...]


def outlines(learned: Learned, seen: Sighting) -> list[Outline]:
    """Around what each moved lamp lights, what moved most first; who stands there is none of it."""
    if seen.hinders:
        return []
    moved = [
        (name, light.stops.value)
        for name, light in seen.lights.items()
        if light.moved and light.tells and light.stops is not None
    ]
    moved.sort(key=lambda one: -abs(one[1]))
    if not moved:
        return []
    size = (WIDE, max(1, round(WIDE * learned.size[1] / learned.size[0])))
    each = {name: _light(learned, name, seen, size) for name in seen.lights}
    whole = _small(learned.dark, size)
    for light in each.values():
        whole = whole + light
    found = []
    for name, stops in moved[:MOST_LAMPS]:
        for points in _around(each[name], whole, stops):
            found.append(Outline(name, stops, points))
    return found


def _small(picture: NDArray[np.float32], size: tuple[int, int]) -> NDArray[np.float32]:
    """All colours together."""
    small = cv2.resize(picture, size, interpolation=cv2.INTER_AREA).sum(axis=2)
    return np.nan_to_num(np.asarray(small, np.float32), nan=0.0, posinf=0.0, neginf=0.0)


def _light(
    learned: Learned, name: str, seen: Sighting, size: tuple[int, int]
) -> NDArray[np.float32]:
    """What a lamp gives to the picture now."""
    light = seen.lights[name]
    total = np.zeros((size[1], size[0]), np.float32)
    if not learned.shares_of(name):
        return total
    for share, part in parts(learned, name, light.cct.value if light.cct else None):
        much = max(0.0, light.amount.value) * part
        total = total + _small(share.light, size) * np.float32(much)
    return total


def _around(
    light: NDArray[np.float32], whole: NDArray[np.float32], stops: float
) -> list[tuple[tuple[float, float], ...]]:
    """Lines around where this lamp's move changes what is seen."""
    was = light * np.float32(2.0**-stops)
    floor = FLOOR * float(np.median(whole)) + 1e-6
    before = np.maximum(whole - light + was, 0.0) + floor
    change = np.abs(np.log2((whole + floor) / before)).astype(np.float32)
    change = np.asarray(cv2.GaussianBlur(change, (0, 0), 2.0), np.float32)
    line = max(LEAST, PART * float(np.quantile(change, TOP)))
    inside = change >= line
    high, wide = inside.shape
    round_ = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (5, 5))
    filled = cv2.morphologyEx(inside.astype(np.uint8), cv2.MORPH_OPEN, round_)
    filled = cv2.morphologyEx(filled, cv2.MORPH_CLOSE, round_)
    rings, _ = cv2.findContours(filled, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_SIMPLE)
    rings = sorted(rings, key=cv2.contourArea, reverse=True)[:MOST_LINES]
    least = max([SMALLEST * high * wide, *(BESIDE * cv2.contourArea(ring) for ring in rings[:1])])
    rings = [ring for ring in rings if cv2.contourArea(ring) >= least]
    return [_points(ring, wide, high) for ring in rings]


def _points(ring: cv2.typing.MatLike, wide: int, high: int) -> tuple[tuple[float, float], ...]:
    near = NEAR
    line = cv2.approxPolyDP(ring, near, True)
    while len(line) > MOST_POINTS:
        near *= 1.5
        line = cv2.approxPolyDP(ring, near, True)
    return tuple((_share(float(x), wide), _share(float(y), high)) for ((x, y),) in line)


def _share(at: float, of: int) -> float:
    """As a share of the picture, a little within its edge: a line on the edge is half a line."""
    return round(min(1.0 - EDGE, max(EDGE, (at + 0.5) / of)), 4)
