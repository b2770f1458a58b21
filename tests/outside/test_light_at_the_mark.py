"""Light, exposure and flicker against handbooks, standards and definitions."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from studiobridge.craft.exposure import (
    C_FLAT,
    VISIBLE,
    aperture_for,
    exposure_ripple,
    modulation_limit,
    risk,
    shutter_of_angle,
    worst_ripple,
)
from studiobridge.craft.mark import (
    GREY_CARD,
    angle_between,
    evenness,
    glow_on,
    illuminance,
    luminance_of,
    off_axis_share,
    stops,
)

lit = st.floats(min_value=1e-3, max_value=1e6)


def test_stops_by_definition() -> None:
    """log2(a/b): 2:1 is 1 stop, 3:1 is 1.58, 4:1 is 2, 8:1 is 3."""
    assert [round(stops(r, 1), 2) for r in (2, 3, 4, 8)] == [1.0, 1.58, 2.0, 3.0]


def test_twice_the_distance_is_two_stops_less() -> None:
    """Inverse square, by definition."""
    near, far = illuminance(1000, 1, 1.5), illuminance(1000, 1, 3.0)
    assert stops(near, far) == pytest.approx(2.0)


def test_hundred_foot_candles() -> None:
    """Cinematography handbooks, from memory: 100 fc, EI 100, 1/50 s is f/2.8.

    1 fc is 10.764 lx, by definition. ISO 2720 (from memory) with C = 250 gives f/2.93.
    """
    aperture = aperture_for(100 * 10.764, 1 / 50, 100, C_FLAT)
    assert aperture == pytest.approx(2.93, abs=0.01)
    assert abs(2 * math.log2(aperture / 2.8)) < 0.2  # within a fifth of a stop of the rule


@given(lux=lit, shutter=st.floats(1e-4, 10), iso=st.floats(25, 102400))
def test_exposure_is_the_formula_turned_round(lux: float, shutter: float, iso: float) -> None:
    """ISO 2720, from memory: N²/t = E·S/C."""
    aperture = aperture_for(lux, shutter, iso)
    assert aperture**2 / shutter == pytest.approx(lux * iso / C_FLAT)


def test_shutter_angles() -> None:
    """Handbooks, from memory: 24 fps at 180, 172.8, 144 degrees is 1/48, 1/50, 1/60 s."""
    assert shutter_of_angle(180, 24) == pytest.approx(1 / 48)
    assert shutter_of_angle(172.8, 24) == pytest.approx(1 / 50)
    assert shutter_of_angle(144, 24) == pytest.approx(1 / 60)


def test_safe_shutters_do_not_band() -> None:
    """Handbooks, from memory: 1/50 s is safe on 50 Hz mains, 1/60 s on 60 Hz."""
    assert exposure_ripple(1 / 50, 2 * 50, 100.0) < VISIBLE
    assert exposure_ripple(1 / 60, 2 * 60, 100.0) < VISIBLE
    assert exposure_ripple(1 / 60, 2 * 50, 100.0) > VISIBLE
    assert exposure_ripple(1 / 48, 2 * 50, 100.0) > VISIBLE
    assert exposure_ripple(1 / 1000, 2 * 60, 100.0) > VISIBLE


def test_pwm_is_never_taken_as_exactly_whole() -> None:
    """24 kHz by a clock of its own: 480 periods in 1/50 s is luck, so the worst case counts."""
    assert worst_ripple(1 / 50, 24_000.0, 100.0) == pytest.approx(100 / (math.pi * 480))
    assert exposure_ripple(1 / 50, 24_000.0, 100.0) < 1e-9
    # a slow one bands at any shutter that is not long
    assert worst_ripple(1 / 250, 500.0, 100.0) > 10


@given(st.floats(1e-4, 0.5), st.floats(50, 50_000), st.floats(0, 100))
def test_the_worst_is_never_below_the_exact(shutter: float, frequency: float, depth: float) -> None:
    assert (
        worst_ripple(shutter, frequency, depth) >= exposure_ripple(shutter, frequency, depth) - 1e-9
    )


def test_fast_pwm_does_not_band_at_a_slow_shutter() -> None:
    """The longer the exposure in periods, the smaller the ripple: at most 1 / (pi n)."""
    assert exposure_ripple(1 / 50, 25_000.0, 100.0) < VISIBLE
    assert exposure_ripple(1 / 48, 3000.0, 100.0) <= 100 / (math.pi * 3000 / 48)


def test_low_risk_modulation() -> None:
    """IEEE 1789-2015, from memory."""
    assert modulation_limit(100) == pytest.approx(8.0)
    assert modulation_limit(1250) == pytest.approx(100.0)
    assert modulation_limit(60) == pytest.approx(1.5)
    assert modulation_limit(4000) == 100.0
    assert risk(30, 100) == "not low"
    assert risk(30, 1000) == "low"


def test_cosine_law_by_hand() -> None:
    """A light 3 m up and 4 m along: 5 m away, striking a floor at acos(3/5)."""
    distance, angle = angle_between((4.0, 3.0), (0.0, 0.0), (0.0, 1.0))
    assert distance == pytest.approx(5.0)
    assert math.cos(math.radians(angle)) == pytest.approx(0.6)
    assert illuminance(2500, 1, distance, angle) == pytest.approx(60.0)
    assert illuminance(2500, 1, 5.0, 100.0) == 0.0


def test_a_plain_diffuse_panel_is_lamberts() -> None:
    """Lambert: a plain diffuse source has a beam of 120 degrees, cosine off its axis."""
    for off in (0.0, 20.0, 45.0, 60.0, 80.0):
        assert off_axis_share(off, 120.0) == pytest.approx(math.cos(math.radians(off)), abs=1e-12)
    assert off_axis_share(95.0, 120.0) == 0.0


@given(st.floats(1.0, 179.0))
def test_half_is_left_at_the_edge_of_a_beam(beam: float) -> None:
    """Trade definition of a beam angle (the same half as in CIE and IES files)."""
    assert off_axis_share(beam / 2, beam) == pytest.approx(0.5)
    assert off_axis_share(0.0, beam) == 1.0


@given(st.floats(1.0, 179.0), st.floats(0.0, 89.0), st.floats(0.0, 89.0))
def test_farther_off_the_axis_is_never_brighter(beam: float, a: float, b: float) -> None:
    near, far = sorted((a, b))
    assert off_axis_share(far, beam) <= off_axis_share(near, beam)


@pytest.mark.parametrize(
    ("wide", "high", "gap"), [(2.2, 2.2, 0.7), (0.3, 1.8, 1.1), (4.0, 2.0, 0.2)]
)
def test_what_a_glowing_wall_throws_against_the_integral(
    wide: float, high: float, gap: float
) -> None:
    """Reference: scipy's dblquad of L cos cos / r2 over the surface, the definition."""
    integrate = pytest.importorskip("scipy.integrate")

    def element(y: float, x: float) -> float:
        r2 = x * x + y * y + gap * gap
        return gap * gap / r2**2

    expected, _ = integrate.dblquad(element, -wide / 2, wide / 2, -high / 2, high / 2)
    assert glow_on(50.0, wide, high, gap) == pytest.approx(50.0 * expected, rel=1e-6)


def test_an_endless_glowing_wall_gives_pi_times_its_luminance() -> None:
    """By definition: E = pi L under a uniform hemisphere."""
    assert glow_on(100.0, 1e5, 1e5, 1.0) == pytest.approx(100.0 * math.pi, rel=1e-3)


def test_a_grey_card() -> None:
    """Lambert: L = rho E / pi; 18 % at 1000 lx is 57.3 cd/m2."""
    assert luminance_of(1000.0, GREY_CARD) == pytest.approx(57.3, abs=0.05)


@given(lit, lit, st.floats(0.2, 20), st.floats(0.2, 20))
def test_farther_is_darker_and_lights_add(a: float, b: float, near: float, far: float) -> None:
    if near < far:
        assert illuminance(a, 1, near) > illuminance(a, 1, far)
    together = illuminance(a + b, 1, near)
    assert together == pytest.approx(illuminance(a, 1, near) + illuminance(b, 1, near))


@pytest.mark.parametrize(
    "call",
    [
        lambda: aperture_for(0, 1 / 50, 100),
        lambda: shutter_of_angle(0, 24),
        lambda: shutter_of_angle(400, 24),
        lambda: illuminance(100, 1, 0),
        lambda: illuminance(100, 1, -2),
        lambda: illuminance(-1, 1, 2),
        lambda: stops(0, 1),
        lambda: evenness([]),
        lambda: angle_between((1.0, 1.0), (1.0, 1.0), (0.0, 1.0)),
        lambda: exposure_ripple(float("nan"), 100, 100),
        lambda: off_axis_share(10, 0),
        lambda: off_axis_share(10, 180),
        lambda: off_axis_share(-1, 60),
        lambda: glow_on(10, 0, 1, 1),
        lambda: glow_on(-1, 1, 1, 1),
        lambda: luminance_of(10, 1.2),
        lambda: luminance_of(-1, 0.5),
    ],
)
def test_what_cannot_be_is_refused(call) -> None:  # type: ignore[no-untyped-def]
    with pytest.raises(ValueError):
        call()
