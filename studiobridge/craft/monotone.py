"""A curve through measured points that never turns back between them.

Piecewise cubic Hermite, its slopes chosen so that a table that rises gives a curve that rises:
F. N. Fritsch and J. Butland, "A method for constructing local monotone piecewise cubic
interpolants", SIAM J. Sci. Stat. Comput. 5 (1984) 300-304, in the form with Brodlie's weights
for points that are not evenly apart. The one-sided slope at either end is limited as in
F. N. Fritsch and R. E. Carlson, "Monotone piecewise cubic interpolation", SIAM J. Numer.
Anal. 17 (1980) 238-246. Commonly called PCHIP; held to an independent library's in
tests/outside/test_monotone.py.
"""

from __future__ import annotations

import itertools
from bisect import bisect_right
from collections.abc import Sequence
from math import isfinite


class Monotone:
    """The curve through points (x, y), x strictly rising, two or more. Raises ValueError else.

    Outside its points it goes on as its first or last piece does.
    """

    __slots__ = ("_pieces", "_xs")

    def __init__(self, points: Sequence[tuple[float, float]]) -> None:
        if len(points) < 2:
            raise ValueError("a curve goes through two points or more")
        xs = [float(x) for x, _ in points]
        ys = [float(y) for _, y in points]
        widths = [b - a for a, b in itertools.pairwise(xs)]
        if not all(width > 0.0 for width in widths):
            raise ValueError("the points of a curve stand in rising order")
        rises = [(high - low) / width for low, high, width in zip(ys, ys[1:], widths, strict=False)]
        if not all(map(isfinite, (*ys, *rises))):
            raise ValueError("the points of a curve are too steep to go through")
        slopes = _slopes(widths, rises)
        self._xs = xs
        # each piece as a cubic of the way from its left point: ((a s + b) s + c) s + d
        self._pieces = []
        for i, (width, rise) in enumerate(zip(widths, rises, strict=True)):
            bend = (slopes[i] + slopes[i + 1] - 2.0 * rise) / width
            turn = (rise - slopes[i]) / width - bend
            self._pieces.append((bend / width, turn, slopes[i], ys[i]))

    def __call__(self, x: float) -> float:
        i = min(max(bisect_right(self._xs, x) - 1, 0), len(self._pieces) - 1)
        a, b, c, d = self._pieces[i]
        s = x - self._xs[i]
        return ((a * s + b) * s + c) * s + d


def _slopes(widths: Sequence[float], rises: Sequence[float]) -> list[float]:
    """The slope of the curve at each point."""
    if len(rises) == 1:
        return [rises[0], rises[0]]
    slopes = [_at_an_end(widths[0], widths[1], rises[0], rises[1])]
    for (h0, h1), (m0, m1) in zip(
        itertools.pairwise(widths), itertools.pairwise(rises), strict=True
    ):
        if m0 == 0.0 or m1 == 0.0 or (m0 > 0.0) != (m1 > 0.0):
            slopes.append(0.0)  # a turn, or the edge of level ground: it stays on it
        else:
            # the harmonic mean, each side weighed by how far its other point is (Brodlie)
            w0, w1 = 2.0 * h1 + h0, h1 + 2.0 * h0
            slopes.append(1.0 / ((w0 / m0 + w1 / m1) / (w0 + w1)))
    slopes.append(_at_an_end(widths[-1], widths[-2], rises[-1], rises[-2]))
    return slopes


def _at_an_end(h0: float, h1: float, m0: float, m1: float) -> float:
    """The slope at an end from its three points, held to where it cannot overshoot."""
    slope = ((2.0 * h0 + h1) * m0 - h0 * m1) / (h0 + h1)
    if m0 == 0.0 or slope == 0.0 or (slope > 0.0) != (m0 > 0.0):
        return 0.0
    if (m1 == 0.0 or (m0 > 0.0) != (m1 > 0.0)) and abs(slope) > 3.0 * abs(m0):
        return 3.0 * m0
    return slope
