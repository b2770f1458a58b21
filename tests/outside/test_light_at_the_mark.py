"""Light, exposure and flicker against handbooks, standards and definitions."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

from studiobridge.craft.exposure import (
    C_FLAT,
    VISIBLE,
    aperture_for,
    exposure_ripple,
    modulation_limit,
    pulse_ripple,
    risk,
    shutter_of_angle,
)
from studiobridge.craft.mark import (
    GREY_CARD,
    angle_between,
    beam_power,
    evenness,
    glow_on,
    illuminance,
    luminance_of,
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


@pytest.mark.parametrize("reflected", [12.5, 14.0])
def test_a_grey_card_read_by_reflection_asks_for_the_same_aperture(reflected: float) -> None:
    """N^2 = L t S / K (ISO 2720, from memory; 12.5 and 14 are what makers choose) of 18 % under the
    light that is read flat: within a quarter stop of the incident reading. A dome has its own."""
    luminance = luminance_of(1000.0, GREY_CARD)
    by_card = math.sqrt(luminance / 50.0 * 100.0 / reflected)
    assert 2.0 * abs(math.log2(by_card / aperture_for(1000.0, 1 / 50, 100.0))) < 0.25


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


def deviations(  # type: ignore[no-untyped-def]
    n: float, duty: float, least: float = 0.0, steps: int = 20_000
):
    """A pulse train summed up numerically: the mean over n periods, from every moment of one."""
    period = np.where((np.arange(steps) + 0.5) / steps < duty, 1.0, least)
    whole, part = divmod(round(n * steps), steps)
    twice = np.concatenate(([0.0], np.cumsum(np.concatenate((period, period)))))
    window = whole * period.sum() + twice[part : part + steps] - twice[:steps]
    return window / (n * steps) / period.mean() - 1.0


@pytest.mark.parametrize("duty", [0.02, 0.1, 0.36, 0.5, 0.9])
@pytest.mark.parametrize("n", [0.07, 0.3, 0.95, 2.5, 8.0, 8.1, 20.3])
def test_an_exposure_of_a_pulse_train_by_numerical_integration(n: float, duty: float) -> None:
    """Beside a sum over the pulses themselves: locked exactly that, else never less."""
    worst = 100.0 * float(np.abs(deviations(n, duty)).max())
    assert pulse_ripple(n / 1000, 1000.0, 100.0, duty, locked=True) == pytest.approx(worst, abs=0.2)
    bound = pulse_ripple(n / 1000, 1000.0, 100.0, duty)
    # by a clock of its own: the worst of all numbers of periods a little off this one
    around = np.linspace(n, n + 0.999, 40)
    assert bound >= worst - 0.2
    if n > 1.0:
        reached = max(m * 100.0 * float(np.abs(deviations(m, duty)).max()) for m in around)
        assert bound * n == pytest.approx(reached, rel=0.03)


def test_dimmed_pwm_reaches_nearly_pi_times_what_a_sine_would() -> None:
    """10 % of a light that pulses at 2 kHz, at 1/50 s: 40 periods. A sine of full depth gives at
    most 1 / (40 pi), 0.8 %, which nobody sees; the pulses 0.9 / 40, 2.25 %, and bands are seen."""
    sine = max(exposure_ripple(n / 2000, 2000.0, 100.0) for n in np.linspace(40.0, 41.0, 101))
    assert sine == pytest.approx(100 / (math.pi * 40.5), rel=0.02)
    pulses = max(100.0 * float(deviations(n, 0.1).max()) for n in np.linspace(40.0, 41.0, 101))
    bound = pulse_ripple(1 / 50, 2000.0, 100.0, 0.1)
    assert sine < VISIBLE < pulses <= bound
    assert bound == pytest.approx(2.25)
    assert pulses == pytest.approx(bound, rel=0.02)
    # the shorter the pulses, the nearer to pi times the 1 / (n pi) of a sine
    shortest = pulse_ripple(1 / 50, 2000.0, 100.0, 1e-6)
    assert shortest == pytest.approx(math.pi * 100 / (math.pi * 40), rel=1e-5)


@given(
    st.floats(0.05, 30.0),
    st.floats(0.0, 100.0),
    st.lists(st.floats(0.0, 1.0), min_size=5, max_size=40),
    st.booleans(),
)
def test_no_light_of_that_depth_passes_the_bound_of_an_unknown_one(
    n: float, depth: float, shape: list[float], locked: bool
) -> None:
    """Any periodic light between its least and its most, from every moment of it."""
    assume(max(shape) - min(shape) > 0.1)
    least = (100.0 - depth) / (100.0 + depth)
    wave = (np.array(shape) - min(shape)) / (max(shape) - min(shape)) * (1.0 - least) + least
    steps = 400
    period = np.repeat(wave, steps)
    total = np.concatenate(([0.0], np.cumsum(np.concatenate((period, period)))))
    whole, part = divmod(round(n * len(period)), len(period))
    taken = whole + part / len(period)
    window = whole * period.sum() + total[part : part + len(period)] - total[: len(period)]
    worst = float(np.abs(window / (taken * len(period)) / period.mean() - 1.0).max())
    bound = pulse_ripple(taken / 1000, 1000.0, depth, None, locked)
    assert 100.0 * worst <= bound * (1 + 1e-6) + 1e-6


@pytest.mark.parametrize("depth", [3.0, 30.0, 80.0])
@pytest.mark.parametrize("n", [0.05, 5.0])
def test_the_bound_of_an_unknown_duty_is_reached(depth: float, n: float) -> None:
    """By the pulse train of that depth that is worst: no bound of nobody's light."""
    least = (100.0 - depth) / (100.0 + depth)
    numbers = [n] if n < 1.0 else list(np.linspace(n, n + 0.99, 23))
    reached = max(
        100.0 * m / n * float(np.abs(deviations(m, duty, least, 2000)).max())
        for m in numbers
        for duty in np.linspace(0.01, 0.99, 99)
    )
    assert pulse_ripple(n / 1000, 1000.0, depth) == pytest.approx(reached, rel=0.03)


def test_what_is_locked_to_the_mains_is_exact_at_whole_half_periods() -> None:
    """Handbooks, from memory: 172.8 degrees at 24 fps, 1/50 s, is safe on 50 Hz mains."""
    shutter = shutter_of_angle(172.8, 24)
    assert pulse_ripple(shutter, 100.0, 100.0, 0.3, locked=True) == 0.0
    assert pulse_ripple(shutter, 100.0, locked=True) == 0.0
    # 0.29 x 100 is 28.999999999999996 to a machine
    assert pulse_ripple(0.29, 100.0, 100.0, 0.3, locked=True) == 0.0
    assert pulse_ripple(1 / 60, 100.0, 100.0, 0.3, locked=True) > 10 * VISIBLE
    assert pulse_ripple(shutter, 100.0, 100.0, 0.3) > 10 * VISIBLE  # by a clock of its own


def test_pulses_that_are_none() -> None:
    assert pulse_ripple(1 / 50, 2000.0, 0.0) == 0.0
    assert pulse_ripple(1 / 50, 2000.0, 100.0, 1.0) == 0.0
    assert pulse_ripple(1 / 50, 2000.0, 100.0, 1.0, locked=True) == 0.0


def test_fast_pwm_does_not_band_at_a_slow_shutter() -> None:
    """The longer the exposure in periods, the smaller the ripple: at most 1 / n."""
    assert pulse_ripple(1 / 50, 25_000.0) == pytest.approx(0.2)
    assert pulse_ripple(1 / 50, 25_000.0, 3.0) < 0.01


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
    assert beam_power(120.0) == pytest.approx(1.0, abs=1e-12)


@given(st.floats(1.0, 179.0))
def test_half_is_left_at_the_edge_of_a_beam(beam: float) -> None:
    """Trade definition of a beam angle (the same half as in CIE and IES files)."""
    assert math.cos(math.radians(beam / 2)) ** beam_power(beam) == pytest.approx(0.5)


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
        lambda: glow_on(10, 0, 1, 1),
        lambda: glow_on(-1, 1, 1, 1),
        lambda: luminance_of(10, 1.2),
        lambda: luminance_of(-1, 0.5),
    ],
)
def test_what_cannot_be_is_refused(call) -> None:  # type: ignore[no-untyped-def]
    with pytest.raises(ValueError):
        call()
