"""Lines of equal light over the backdrop, for the page: who sees the fall-off moves a lamp.

Drawn of a map of many blocks (`screen.screen_map`), in shares of the picture.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from studiobridge.profile.model import Region

# Blocks for contours, before they are made smooth.
FINE = (48, 27)


@dataclass(frozen=True, slots=True, eq=False)
class Map:
    """Stops against the screen's middle, a block each, from its upper left; NaN where not seen."""

    region: Region
    stops: NDArray[np.float32]


@dataclass(frozen=True, slots=True)
class Contour:
    """A line along which the screen is so many stops from its middle; shares of the picture."""

    stops: float
    points: tuple[tuple[float, float], ...]


def contours(found: Map, step: float = 0.25) -> tuple[Contour, ...]:
    """Lines of equal light over the screen, `step` stops apart; none where it is not seen.

    Of a map of many blocks (`blocks=FINE`): it is made smooth, a block about each way.
    """
    stops = found.stops
    there = np.isfinite(stops)
    if not step > 0 or not there.any():
        return ()
    weight = cv2.GaussianBlur(there.astype(np.float32), (0, 0), 1.0)
    smooth = cv2.GaussianBlur(np.where(there, stops, 0.0).astype(np.float32), (0, 0), 1.0)
    smooth = smooth / np.maximum(weight, 1e-3)
    rows, columns = stops.shape
    # each block becomes so many px each way, its middle in theirs
    times = max(1, 480 // columns)
    size = (columns * times, rows * times)
    field = cv2.resize(smooth, size, interpolation=cv2.INTER_CUBIC)
    inside = cv2.resize(there.astype(np.uint8), size, interpolation=cv2.INTER_NEAREST) > 0
    eroded = cv2.erode(inside.astype(np.uint8), np.ones((3, 3), np.uint8))
    inner = np.asarray(eroded, np.uint8)
    inner[0], inner[-1], inner[:, 0], inner[:, -1] = 0, 0, 0, 0
    low, high = float(field[inside].min()), float(field[inside].max())
    lines: list[Contour] = []
    first, last = math.ceil(low / step), math.floor(high / step)
    for level in range(max(first, -40), min(last, 40) + 1):
        over = ((field > level * step) & inside).astype(np.uint8)
        rings, _ = cv2.findContours(over, cv2.RETR_LIST, cv2.CHAIN_APPROX_NONE)
        for ring in rings:
            for run in _runs(np.asarray(ring[:, 0], np.int32), inner):
                points = _placed(run, found.region, size)
                if len(points) > 1:
                    lines.append(Contour(level * step, points))
    return tuple(lines)


def _runs(
    ring: NDArray[np.int32], inner: NDArray[np.uint8]
) -> list[tuple[NDArray[np.float32], bool]]:
    """A ring cut where it runs along an edge of what is seen, made smooth; is it still a ring?"""
    good = inner[ring[:, 1], ring[:, 0]] > 0
    if good.all():
        return [(_smooth(ring.astype(np.float32), True), True)] if len(ring) > 24 else []
    if not good.any():
        return []
    start = int(np.argmin(good))
    ring, good = np.roll(ring, -start, axis=0), np.roll(good, -start)
    ends = np.flatnonzero(np.diff(np.concatenate(([0], good.astype(np.int8), [0]))))
    pairs = zip(ends[::2], ends[1::2], strict=True)
    return [(_smooth(ring[a:b].astype(np.float32), False), False) for a, b in pairs if b - a > 12]


def _smooth(points: NDArray[np.float32], closed: bool) -> NDArray[np.float32]:
    """A mean over nine neighbours takes the stairs out."""
    if closed:
        points = np.concatenate((points[-4:], points, points[:4]))
    else:
        points = np.concatenate((points[:1].repeat(4, 0), points, points[-1:].repeat(4, 0)))
    kernel = np.full(9, 1 / 9)
    found = [np.convolve(points[:, i], kernel, "valid") for i in range(2)]
    return np.stack(found, axis=1).astype(np.float32)


def _placed(
    run: tuple[NDArray[np.float32], bool], region: Region, size: tuple[int, int]
) -> tuple[tuple[float, float], ...]:
    points, closed = run
    few = cv2.approxPolyDP(points[:, None], 0.6, closed)[:, 0]
    if closed:
        few = np.concatenate((few, few[:1]))
    wide, high = region.right - region.left, region.bottom - region.top
    return tuple(
        (
            round(region.left + wide * (float(x) + 0.5) / size[0], 4),
            round(region.top + high * (float(y) + 0.5) / size[1], 4),
        )
        for x, y in few
    )
