"""Dimmer curves against IEC 62386-102, common practice and scipy."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from studiobridge.craft.light import LINEAR, Dimmer, level_stops

SQUARE, LOGARITHMIC = Dimmer("square"), Dimmer("logarithmic")
POINTS = ((10.0, 3.0), (30.0, 17.0), (50.0, 38.0), (80.0, 76.0), (100.0, 100.0))
MEASURED = Dimmer("measured", POINTS)


@pytest.mark.parametrize(
    ("n", "percent"),
    [
        (1, 0.100),
        (85, 0.991),
        (126, 3.035),
        (170, 10.091),
        (180, 13.26),
        (195, 19.971),
        (210, 30.079),
        (229, 50.531),
        (254, 100.0),
    ],
)
def test_logarithmic_dimming(n: int, percent: float) -> None:
    """IEC 62386-102, from memory, recomputed from its formula."""
    assert LOGARITHMIC.output(n / 254 * 100) * 100 == pytest.approx(percent, rel=5e-4)


def test_square_law() -> None:
    """Output is (level / 100)^2: half the dial is two stops down. Common practice, no source."""
    assert SQUARE.output(50.0) == 0.25
    assert level_stops(SQUARE, 100.0, 50.0) == pytest.approx(-2.0)
    assert level_stops(LINEAR, 100.0, 50.0) == pytest.approx(-1.0)


def test_measured_points_are_met_exactly() -> None:
    for level, percent in POINTS:
        assert MEASURED.output(level) == pytest.approx(percent / 100, abs=1e-15)


def test_between_measured_points_it_is_scipys_pchip() -> None:
    """Reference: scipy's PchipInterpolator over the same table with dark at 0 %."""
    interpolate = pytest.importorskip("scipy.interpolate")
    levels, outs = zip(*((0.0, 0.0), *POINTS), strict=True)
    curve = interpolate.PchipInterpolator(levels, outs)
    for level in (1.0, 7.5, 22.0, 49.0, 63.0, 99.0):
        assert MEASURED.output(level) * 100 == pytest.approx(float(curve(level)))


dimmers = st.sampled_from([LINEAR, SQUARE, LOGARITHMIC, MEASURED])


@st.composite
def tables(draw: st.DrawFn) -> Dimmer:
    count = draw(st.integers(1, 6))
    levels = sorted(draw(st.sets(st.integers(1, 99), min_size=count, max_size=count)))
    outs = sorted(draw(st.sets(st.integers(1, 99), min_size=count, max_size=count)))
    points = [(float(a), float(b)) for a, b in zip(levels, outs, strict=True)]
    return Dimmer("measured", (*points, (100.0, 100.0)))


@given(st.one_of(dimmers, tables()), st.floats(0, 100), st.floats(0, 100))
def test_more_level_is_never_less_light(dimmer: Dimmer, a: float, b: float) -> None:
    low, high = sorted((a, b))
    assert dimmer.output(low) <= dimmer.output(high) + 1e-12
    assert 0.0 <= dimmer.output(low) <= 1.0


@given(dimmers, st.floats(1.0, 100), st.floats(1.0, 100))
def test_stops_there_and_back_cancel(dimmer: Dimmer, a: float, b: float) -> None:
    there, back = level_stops(dimmer, a, b), level_stops(dimmer, b, a)
    assert there is not None
    assert back is not None
    assert there == pytest.approx(-back, abs=1e-12)


def test_dark_has_no_stops() -> None:
    assert level_stops(LINEAR, 0.0, 50.0) is None
    assert level_stops(LOGARITHMIC, 50.0, 0.0) is None


@pytest.mark.parametrize(
    "points",
    [
        (),
        ((100.0, 100.0),),
        ((10.0, 5.0), (50.0, 40.0)),  # no full
        ((10.0, 5.0), (10.0, 6.0), (100.0, 100.0)),
        ((10.0, 50.0), (50.0, 40.0), (100.0, 100.0)),
    ],
)
def test_tables_that_cannot_be(points: tuple[tuple[float, float], ...]) -> None:
    with pytest.raises(ValueError):
        Dimmer("measured", points)


@pytest.mark.parametrize("level", [-1.0, 100.5, math.nan])
def test_levels_that_cannot_be(level: float) -> None:
    with pytest.raises(ValueError):
        LINEAR.output(level)
