"""Least squares within bounds: the values between low and high whose rows come nearest.

The active set method of Stark and Parker (Bounded-variable least squares, Computational
Statistics 10, 1995), from memory. Each inner problem is taken apart by Gram-Schmidt, twice
over, with the longest column first; columns that say nothing new stay where they stand, so that
rows that cannot tell two values apart do no harm. In plain Python: it is meant for some twenty
values and sixty rows, where it takes milliseconds.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from operator import mul

# Of a column of length 1, what is left after all others: less is rounding, and says nothing.
DEPENDENT = 1e-10
# Of the length of what is wanted: a slope less than this is rounding.
FLAT = 1e-12
# Passes for each value; the method ends long before, this is for rounding that goes in circles.
PASSES = 10

Vector = list[float]


def solve(
    rows: Sequence[Sequence[float]],
    wanted: Sequence[float],
    low: Sequence[float],
    high: Sequence[float],
    weights: Sequence[float] | None = None,
    start: Sequence[float] | None = None,
) -> tuple[float, ...]:
    """The values x in low..high for which the sum of weight x (row . x - wanted)^2 is least.

    `weights` count the squares, one a row, not negative (1 where not given). Bounds may be
    infinite. Where several answers are as good, it is one of them near to `start`. Raises
    ValueError for shapes that do not fit, numbers that are none, and low above high.
    """
    _check(rows, wanted, low, high, weights, start)
    count = len(low)
    roots = [math.sqrt(w) for w in weights] if weights is not None else [1.0] * len(rows)
    target = [b * root for b, root in zip(wanted, roots, strict=True)]
    columns = [[row[j] * root for row, root in zip(rows, roots, strict=True)] for j in range(count)]
    lengths = [math.hypot(*column) for column in columns]
    # each value counted in the length of its column, so that one limit holds for all
    units = [
        [a / length for a in c] if length > 0 else c
        for c, length in zip(columns, lengths, strict=True)
    ]
    scale = [length if length > 0 else 1.0 for length in lengths]
    least = [a * s for a, s in zip(low, scale, strict=True)]
    most = [a * s for a, s in zip(high, scale, strict=True)]
    at = [_from(j, least, most, start, scale) for j in range(count)]
    free = [lengths[j] > 0 and least[j] < at[j] < most[j] for j in range(count)]
    _descend(units, target, least, most, at, free, lengths)
    values = (x / s for x, s in zip(at, scale, strict=True))
    return tuple(min(max(x, a), b) for x, a, b in zip(values, low, high, strict=True))


def _check(
    rows: Sequence[Sequence[float]],
    wanted: Sequence[float],
    low: Sequence[float],
    high: Sequence[float],
    weights: Sequence[float] | None,
    start: Sequence[float] | None,
) -> None:
    count = len(low)
    if len(high) != count or any(len(row) != count for row in rows):
        raise ValueError("every row, low and high have one number a value")
    if len(wanted) != len(rows) or (weights is not None and len(weights) != len(rows)):
        raise ValueError("wanted and weights have one number a row")
    if start is not None and len(start) != count:
        raise ValueError("a start has one number a value")
    finite = [*(a for row in rows for a in row), *wanted, *(weights or ()), *(start or ())]
    if not all(map(math.isfinite, finite)):
        raise ValueError("rows, wanted, weights and start are finite numbers")
    if weights is not None and min(weights, default=0.0) < 0:
        raise ValueError("a weight is not negative")
    if not all(a <= b and a < math.inf and b > -math.inf for a, b in zip(low, high, strict=True)):
        raise ValueError("low is not above high, and neither is NaN")


def _from(j: int, low: Vector, high: Vector, start: Sequence[float] | None, scale: Vector) -> float:
    if start is not None:
        return min(max(start[j] * scale[j], low[j]), high[j])
    return min(max(0.0, low[j]), high[j])


def _descend(
    units: list[Vector],
    target: Vector,
    low: Vector,
    high: Vector,
    at: Vector,
    free: list[bool],
    lengths: Vector,
) -> None:
    """Moves `at` to the least sum; `free` says which values are not held at a bound."""
    count = len(at)
    size = max(1e-300, math.hypot(*target))
    _settle(units, target, low, high, at, free)
    for _ in range(PASSES * (count + 1)):
        left = _left(units, target, at)
        flat = FLAT * max(size, math.hypot(*left))
        slopes = []
        for j in range(count):
            if free[j] or lengths[j] == 0 or low[j] == high[j]:
                continue
            slope = sum(map(mul, units[j], left))
            if (slope > flat and at[j] < high[j]) or (slope < -flat and at[j] > low[j]):
                slopes.append((abs(slope), j, slope))
        before = math.hypot(*left)
        moved = False
        for _, j, slope in sorted(slopes, reverse=True):
            step = _step(units, left, [k for k in range(count) if free[k] or k == j])
            if step.get(j, 0.0) * slope <= 0:
                continue  # by rounding alone it seemed to lead downhill
            held, flags = list(at), list(free)
            free[j] = True
            _settle(units, target, low, high, at, free)
            if math.hypot(*_left(units, target, at)) < before:
                moved = True
                break
            at[:], free[:] = held, flags
        if not moved:
            return


def _settle(
    units: list[Vector], target: Vector, low: Vector, high: Vector, at: Vector, free: list[bool]
) -> None:
    """The best for the free values; whichever meets a bound on the way there is held at it."""
    while any(free):
        among = [j for j, is_free in enumerate(free) if is_free]
        step = _step(units, _left(units, target, at), among)
        share, stops = 1.0, -1
        for j, by in step.items():
            room = (high[j] if by > 0 else low[j]) - at[j]
            if abs(by) > abs(room) and abs(room) < share * abs(by):
                share, stops = abs(room) / abs(by), j
        for j, by in step.items():
            at[j] = min(max(at[j] + share * by, low[j]), high[j])
        if stops < 0:
            return
        at[stops] = high[stops] if step[stops] > 0 else low[stops]
        for j in among:
            if not low[j] < at[j] < high[j]:
                free[j] = False


def _left(units: list[Vector], target: Vector, at: Vector) -> Vector:
    left = list(target)
    for column, x in zip(units, at, strict=True):
        if x:
            left = [b - x * a for b, a in zip(left, column, strict=True)]
    return left


def _step(units: list[Vector], left: Vector, among: list[int]) -> dict[int, float]:
    """The step of these values that takes away most of what is left."""
    rest = {j: units[j] for j in among}
    over: dict[int, Vector] = {j: [] for j in among}
    order: list[int] = []
    axes: list[Vector] = []
    parts: Vector = []
    while rest:
        j = max(rest, key=lambda k: sum(map(mul, rest[k], rest[k])))
        column = rest.pop(j)
        for i, axis in enumerate(axes):  # once more: rounding left a little of the axes before
            again = sum(map(mul, axis, column))
            column = [a - again * b for a, b in zip(column, axis, strict=True)]
            over[j][i] += again
        length = math.hypot(*column)
        if length <= DEPENDENT:
            break
        axis = [a / length for a in column]
        over[j].append(length)
        order.append(j)
        axes.append(axis)
        along = sum(map(mul, axis, left))
        left = [a - along * b for a, b in zip(left, axis, strict=True)]
        parts.append(along)
        for k, other in rest.items():
            share = sum(map(mul, axis, other))
            over[k].append(share)
            rest[k] = [a - share * b for a, b in zip(other, axis, strict=True)]
    step = dict.fromkeys(among, 0.0)
    for i in range(len(order) - 1, -1, -1):
        known = sum(over[order[k]][i] * step[order[k]] for k in range(i + 1, len(order)))
        step[order[i]] = (parts[i] - known) / over[order[i]][i]
    return step


def inverse(square: Sequence[Sequence[float]]) -> list[list[float]]:
    """The inverse of a square matrix that is well away from having none (Gauss-Jordan)."""
    size = len(square)
    rows = [
        [*line, *(1.0 if i == j else 0.0 for j in range(size))] for i, line in enumerate(square)
    ]
    for i in range(size):
        best = max(range(i, size), key=lambda k: abs(rows[k][i]))
        rows[i], rows[best] = rows[best], rows[i]
        head = rows[i][i]
        rows[i] = [x / head for x in rows[i]]
        for k in range(size):
            if k != i and rows[k][i]:
                by = rows[k][i]
                rows[k] = [x - by * y for x, y in zip(rows[k], rows[i], strict=True)]
    return [line[size:] for line in rows]
