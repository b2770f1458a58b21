"""The steps of a device by hand: nearest, the same or not, and grids that cannot be."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from studiobridge.craft.grid import ENDS, MOST_STEPS, SMALLEST_WIDTH, Grid, mired

EIGHT_BITS = Grid(0.0, 100.0, 100.0 / 255, "percent")
WARM = Grid(153.0, 500.0, 1.0, "mired")


def test_mired_by_definition() -> None:
    """10^6 / K (Priest 1932), and it is its own inverse."""
    assert mired(4000.0) == 250.0
    assert mired(250.0) == 4000.0
    for none in (0.0, -1.0, math.nan):
        with pytest.raises(ValueError, match="above 0 K"):
            mired(none)


@pytest.mark.parametrize(
    ("grid", "asked", "held"),
    [
        (EIGHT_BITS, 64.0, 163 / 255 * 100),
        (EIGHT_BITS, 100.0, 100.0),
        (EIGHT_BITS, -5.0, 0.0),
        (EIGHT_BITS, 105.0, 100.0),
        (Grid(0.0, 100.0, 0.0, "percent"), 33.3, 33.3),
        # steps count from the lowest: 10, 40, 70 and no further
        (Grid(10.0, 90.0, 30.0, "percent"), 50.0, 40.0),
        (Grid(10.0, 90.0, 30.0, "percent"), 60.0, 70.0),
        (Grid(10.0, 90.0, 30.0, "percent"), 0.0, 10.0),
        (Grid(10.0, 90.0, 30.0, "percent"), 100.0, 90.0),
        (Grid(0.0, 1.0, 0.25, "fraction"), 60.0, 50.0),
        (Grid(0.0, 1.0, 0.25, "fraction"), 63.0, 75.0),
        (WARM, 4300.0, 1e6 / 233),
        (WARM, 10_000.0, 1e6 / 153),
        (WARM, 1500.0, 2000.0),
        (Grid(2700.0, 6500.0, 50.0, "kelvin"), 4310.0, 4300.0),
    ],
    ids=str,
)
def test_what_a_device_holds_when_told(grid: Grid, asked: float, held: float) -> None:
    assert grid.nearest(asked) == pytest.approx(held)


def test_half_a_step_is_the_same_and_more_is_not() -> None:
    tens = Grid(0.0, 100.0, 10.0, "percent")
    assert tens.same(50.0, 55.0)
    assert not tens.same(50.0, 55.1)
    assert tens.same(55.0, 50.0)
    assert WARM.same(4000.0, 1e6 / 250.5)
    assert not WARM.same(4000.0, 1e6 / 250.6)
    fraction = Grid(0.0, 1.0, 0.1, "fraction")
    assert fraction.same(50.0, 55.0)
    assert not fraction.same(50.0, 55.1)
    plain = Grid(0.0, 100.0, 0.0, "percent")
    assert plain.same(50.0, 50.0)
    assert plain.same(50.0, 50.0 + 5e-8)  # the rounding of floats is no difference
    assert not plain.same(50.0, 50.001)
    assert not Grid(0.0, 1.0, 0.0, "fraction").same(50.0, 50.001)


@pytest.mark.parametrize(
    ("low", "high", "step", "unit", "why"),
    [
        (0.0, 101.0, 1.0, "percent", "between 0 and 100"),
        (-1.0, 100.0, 1.0, "percent", "between 0 and 100"),
        (0.0, 1.1, 0.0, "fraction", "between 0 and 1"),
        (-0.1, 1.0, 0.0, "fraction", "between 0 and 1"),
        (0.5, 500.0, 0.0, "mired", "between 1 and 1e"),
        (0.5, 6500.0, 0.0, "kelvin", "between 1 and 1e"),
        (2700.0, 1e6 + 1, 0.0, "kelvin", "between 1 and 1e"),
        (90.0, 10.0, 1.0, "percent", "goes from 90 to 10"),
        (math.nan, 100.0, 1.0, "percent", "goes from nan"),
        (0.0, math.nan, 1.0, "percent", "to nan"),
        (50.0, 50.0, 0.0, "percent", "no width"),
        (0.0, 100.0, -1.0, "percent", "step -1"),
        (0.0, 100.0, 100.5, "percent", "step 100.5"),
        (0.0, 100.0, math.nan, "percent", "step nan"),
        (0.0, 100.0, 1e-8, "percent", "more steps"),
    ],
)
def test_a_grid_that_cannot_be(low, high, step, unit, why: str) -> None:  # type: ignore[no-untyped-def]
    with pytest.raises(ValueError, match=why):
        Grid(low, high, step, unit)


def test_the_ends_of_what_can_be() -> None:
    for unit, (low, high) in ENDS.items():
        Grid(low, high, 0.0, unit)
        Grid(low, high, high - low, unit)
    Grid(0.0, 100.0, 100.0 / MOST_STEPS, "percent")
    Grid(0.0, SMALLEST_WIDTH, 0.0, "percent")


units = st.sampled_from(list(ENDS))


@given(st.data(), units, st.integers(1, 2000), st.floats(0, 1), st.floats(0, 1), st.floats(0, 1))
def test_what_is_held_is_on_a_step_inside_and_no_further_than_half(  # type: ignore[no-untyped-def]
    data, unit, steps: int, a: float, b: float, at: float
) -> None:
    least, most = ENDS[unit]
    low = least + min(a, b) * 0.9 * (most - least)
    high = low + (0.05 + 0.05 * max(a, b)) * (most - least)
    grid = Grid(low, high, (high - low) / steps, unit)
    asked = grid.from_raw(low + at * (high - low))
    held = grid.nearest(asked)
    raw = grid.to_raw(held)
    assert low - 1e-9 * most <= raw <= high + 1e-9 * most
    place = (raw - low) / grid.step
    assert place == pytest.approx(round(place), abs=1e-3)
    assert grid.same(asked, held)
    assert grid.nearest(held) == pytest.approx(held)
