"""The curve through measured points against an independent implementation of the same method.

Reference: scipy's PchipInterpolator, which names the same sources (Fritsch and Butland 1984,
Fritsch and Carlson 1980 at the ends).
"""

from __future__ import annotations

import itertools

import pytest
from hypothesis import given
from hypothesis import strategies as st

from studiobridge.craft.light import Dimmer
from studiobridge.craft.monotone import Monotone

interpolate = pytest.importorskip("scipy.interpolate")


@st.composite
def tables(draw: st.DrawFn, rising: bool) -> list[tuple[float, float]]:
    xs = sorted(draw(st.sets(st.integers(0, 10_000), min_size=2, max_size=12)))
    values = st.integers(1, 10_000)
    if rising:
        ys = sorted(draw(st.sets(values, min_size=len(xs), max_size=len(xs))))
    else:  # turns and level ground
        ys = draw(st.lists(values, min_size=len(xs), max_size=len(xs)))
    return [(x / 100.0, y / 100.0) for x, y in zip(xs, ys, strict=True)]


def compare(points: list[tuple[float, float]], share: float, allowed: float) -> None:
    xs, ys = zip(*points, strict=True)
    reference, ours = interpolate.PchipInterpolator(xs, ys), Monotone(points)
    between = ((a + b) / 2 for a, b in itertools.pairwise(xs))
    for x in (xs[0] + share * (xs[-1] - xs[0]), *xs, *between):
        assert ours(x) == pytest.approx(float(reference(x)), rel=1e-12, abs=allowed)


@given(tables(rising=True), st.floats(0, 1))
def test_it_is_the_published_curve(points: list[tuple[float, float]], share: float) -> None:
    compare(points, share, 0.0)


@given(tables(rising=False), st.floats(0, 1))
def test_it_is_so_with_turns_and_level_ground(
    points: list[tuple[float, float]], share: float
) -> None:
    # coming down from its highest point, the last digits are of that
    compare(points, share, 1e-12 * max(y for _, y in points))


@given(tables(rising=True), st.integers(0, 100), st.integers(0, 100))
def test_what_rises_never_turns_back(points: list[tuple[float, float]], a: int, b: int) -> None:
    curve, width = Monotone(points), points[-1][0] - points[0][0]
    low, high = (points[0][0] + share / 100.0 * width for share in sorted((a, b)))
    assert curve(low) <= curve(high) + 1e-12


def test_by_hand() -> None:
    """Fritsch and Butland on (0, 0), (1, 1), (3, 9): rises 1 and 4, weights 5 and 4.

    The slope in the middle is 9 / (5/1 + 4/4) = 3/2; at the left end (4·1 - 4)/3 = 0, at the
    right end (5·4 - 2·1)/3 = 6. Half way along the second piece Hermite's cubic is
    (1 + 9)/2 + 2 (3/2 - 6)/8 = 31/8.
    """
    curve = Monotone([(0.0, 0.0), (1.0, 1.0), (3.0, 9.0)])
    assert curve(2.0) == pytest.approx(31 / 8, rel=1e-15)
    assert curve(0.5) == pytest.approx(1 / 2 - 1.5 / 8, rel=1e-15)


@pytest.mark.parametrize(
    "points",
    [
        [(1.0, 1.0)],
        [(1.0, 1.0), (1.0, 2.0)],
        [(2.0, 1.0), (1.0, 2.0)],
        [(0.0, 0.0), (float("nan"), 1.0)],
        [(0.0, 0.0), (1.0, float("inf"))],
        [(0.0, 0.0), (1e-320, 50.0), (100.0, 100.0)],
    ],
)
def test_points_that_make_no_curve(points: list[tuple[float, float]]) -> None:
    with pytest.raises(ValueError):
        Monotone(points)


def test_a_dimmer_too_steep_for_a_curve_is_refused_when_it_is_made() -> None:
    with pytest.raises(ValueError, match="steep"):
        Dimmer("measured", ((1e-320, 50.0), (100.0, 100.0)))
