"""Depth of field and T-stops against tables and the lens equation.

Tables of photography handbooks, from memory: 50 mm at f/8 with a circle of 0.03 mm has its
hyperfocal distance at 10.4 m, 24 mm at f/8 at 2.4 m, 35 mm at f/5.6 at 7.3 m.
"""

from __future__ import annotations

import math

import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

from studiobridge.craft.lens import (
    aperture_between,
    blur,
    circle_of_confusion,
    f_number,
    focus_between,
    hyperfocal,
    sharp_between,
    t_stop,
)
from studiobridge.craft.mark import stops

FOCALS = st.floats(8, 135)
APERTURES = st.floats(1.2, 22)


@pytest.mark.parametrize(
    ("focal", "aperture", "away"), [(50, 8, 10.4), (24, 8, 2.4), (35, 5.6, 7.3)]
)
def test_hyperfocal_distances_of_the_tables(focal: float, aperture: float, away: float) -> None:
    assert hyperfocal(focal, aperture, 0.03) == pytest.approx(away, abs=0.07)


def test_the_circle_of_the_usual_sensors() -> None:
    """Common practice: 0.029 mm on 36 x 24 mm, 0.019 mm on 23.6 x 15.6 mm."""
    assert circle_of_confusion(36, 24) == pytest.approx(0.029, abs=0.0005)
    assert circle_of_confusion(23.6, 15.6) == pytest.approx(0.019, abs=0.0005)


def spot(focal: float, aperture: float, focus: float, distance: float) -> float:
    """The lens equation, 1/f = 1/v + 1/s, and similar triangles; all in mm."""
    opening = focal / aperture
    sensor = 1.0 / (1.0 / focal - 1.0 / (focus * 1000.0))
    image = 1.0 / focal - (0.0 if math.isinf(distance) else 1.0 / (distance * 1000.0))
    return opening * abs(1.0 - sensor * image)


@given(FOCALS, APERTURES, st.floats(0.4, 20), st.floats(0.4, 60))
def test_the_spot_is_the_lens_equations(
    focal: float, aperture: float, focus: float, distance: float
) -> None:
    assert blur(focal, aperture, focus, distance) == pytest.approx(
        spot(focal, aperture, focus, distance), rel=1e-6, abs=1e-9
    )


@given(FOCALS, APERTURES, st.floats(0.01, 0.04), st.floats(0.4, 20))
def test_where_sharpness_ends_the_spot_is_the_circle(
    focal: float, aperture: float, circle: float, focus: float
) -> None:
    near, far = sharp_between(focal, aperture, circle, focus)
    assert near < focus < far
    assert spot(focal, aperture, focus, near) == pytest.approx(circle, rel=1e-6)
    if math.isinf(far):
        assert spot(focal, aperture, focus, far) <= circle * (1 + 1e-9)
    else:
        assert spot(focal, aperture, focus, far) == pytest.approx(circle, rel=1e-5)


@given(FOCALS, APERTURES)
def test_from_half_the_hyperfocal_distance_to_the_horizon(focal: float, aperture: float) -> None:
    away = hyperfocal(focal, aperture, 0.03)
    assume(away > focal / 500)
    near, far = sharp_between(focal, aperture, 0.03, away)
    assert near == pytest.approx(away / 2, rel=1e-9)
    assert math.isinf(far)


@given(FOCALS, st.floats(0.5, 3), st.floats(0.1, 3))
def test_two_distances_as_sharp_as_each_other(focal: float, near: float, more: float) -> None:
    far = near + more
    focus = focus_between(near, far)
    one, other = spot(focal, 4, focus, near), spot(focal, 4, focus, far)
    assert one == pytest.approx(other, rel=1e-6)
    opening = aperture_between(focal, 0.03, near, far)
    assert spot(focal, opening, focus, far) == pytest.approx(0.03, rel=1e-6)


def test_a_lens_that_takes_light_away() -> None:
    """f/2.8 at 80 % is T3.1 and a third of a stop less: log2(0.8) is -0.32, by definition."""
    assert t_stop(2.8, 0.8) == pytest.approx(3.13, abs=0.005)
    assert 2 * math.log2(t_stop(2.8, 0.8) / 2.8) == pytest.approx(-stops(0.8, 1), abs=1e-9)
    assert f_number(t_stop(2.8, 0.8), 0.8) == pytest.approx(2.8)
    assert t_stop(4, 1) == 4


def test_what_cannot_be_is_refused() -> None:
    for bad in (0.0, -1.0, math.nan, math.inf):
        with pytest.raises(ValueError, match="above 0"):
            hyperfocal(bad, 8, 0.03)
        with pytest.raises(ValueError, match="sees sharp beyond"):
            sharp_between(50, 8, 0.03, bad)
    for bad in (0.0, 1.1, math.nan):
        with pytest.raises(ValueError, match="lets through"):
            t_stop(2.8, bad)
    with pytest.raises(ValueError, match="sees sharp beyond"):
        blur(50, 8, 1.0, 0.04)
