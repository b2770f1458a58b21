"""Least squares within bounds, held against scipy.optimize.lsq_linear and the conditions of an
optimum (Karush, Kuhn and Tucker)."""

from __future__ import annotations

import math
import random

import numpy as np
import pytest
from scipy.optimize import lsq_linear

from studiobridge.craft.bounded import solve


def _problem(draw: random.Random) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
    """Any shape and scale; a third with columns that repeat, vanish or nearly repeat."""
    rows, count = draw.randint(1, 30), draw.randint(1, 16)
    matrix = np.array([[draw.gauss(0, 1) for _ in range(count)] for _ in range(rows)])
    if draw.random() < 0.5:  # as light is: nothing negative, of very different sizes
        matrix = np.abs(matrix) * np.array([10.0 ** draw.uniform(-2, 3) for _ in range(count)])
    manner = draw.random()
    if manner < 0.12:
        matrix[:, draw.randrange(count)] = 0.0
    elif manner < 0.24:
        matrix[:, draw.randrange(count)] = 3.0 * matrix[:, draw.randrange(count)]
    elif manner < 0.36:
        a, b = draw.randrange(count), draw.randrange(count)
        matrix[:, a] = matrix[:, b] * (1.0 + 1e-9)
    wanted = np.array([draw.gauss(0, 1) * 10.0 ** draw.uniform(0, 3) for _ in range(rows)])
    low = np.array([draw.choice([0.0, -1.0, 0.01, draw.gauss(0, 1)]) for _ in range(count)])
    high = low + np.array([draw.choice([1.0, 0.5, 1e-3, 10.0]) for _ in range(count)])
    return matrix, wanted, low, high


@pytest.mark.parametrize("seed", range(200))
def test_as_near_as_scipy_comes(seed: int) -> None:
    matrix, wanted, low, high = _problem(random.Random(seed))
    ours = np.array(solve(matrix.tolist(), wanted.tolist(), low.tolist(), high.tolist()))
    assert np.all(ours >= low) and np.all(ours <= high)
    theirs = lsq_linear(matrix, wanted, (low, high), method="bvls", tol=1e-14).x
    here, there = (float(np.linalg.norm(matrix @ x - wanted)) for x in (ours, theirs))
    assert here <= there * (1.0 + 1e-9) + 1e-9 * float(np.linalg.norm(wanted))


def test_weights_count_the_squares() -> None:
    # 3 (x - 1)^2 + (x - 5)^2 is least at 2
    assert solve([[1.0], [1.0]], [1.0, 5.0], [0.0], [9.0], weights=[3.0, 1.0]) == pytest.approx(
        (2.0,)
    )


def test_what_the_rows_cannot_tell_apart_stays_near_to_where_it_stood() -> None:
    one, two = solve([[1.0, 1.0]], [1.0], [0.0, 0.0], [1.0, 1.0], start=[0.4, 0.6])
    assert (one, two) == pytest.approx((0.4, 0.6))
    nothing = solve([[0.0, 1.0]], [0.5], [0.0, 0.0], [1.0, 1.0], start=[0.7, 0.0])
    assert nothing == pytest.approx((0.7, 0.5))


def test_no_bound_on_one_side() -> None:
    assert solve([[2.0]], [9.0], [-math.inf], [math.inf]) == pytest.approx((4.5,))
    assert solve([[2.0]], [9.0], [-math.inf], [1.0]) == pytest.approx((1.0,))
    assert solve([], [], [2.0], [5.0]) == (2.0,)


@pytest.mark.parametrize(
    ("rows", "wanted", "low", "high", "weights"),
    [
        ([[1.0, 2.0]], [1.0], [0.0], [1.0], None),
        ([[1.0]], [1.0, 2.0], [0.0], [1.0], None),
        ([[math.nan]], [1.0], [0.0], [1.0], None),
        ([[1.0]], [math.inf], [0.0], [1.0], None),
        ([[1.0]], [1.0], [2.0], [1.0], None),
        ([[1.0]], [1.0], [math.nan], [1.0], None),
        ([[1.0]], [1.0], [math.inf], [math.inf], None),
        ([[1.0]], [1.0], [0.0], [1.0], [-1.0]),
    ],
)
def test_nonsense_is_refused(
    rows: list[list[float]],
    wanted: list[float],
    low: list[float],
    high: list[float],
    weights: list[float] | None,
) -> None:
    with pytest.raises(ValueError):
        solve(rows, wanted, low, high, weights)
