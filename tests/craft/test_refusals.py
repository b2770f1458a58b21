"""Figures that cannot be are refused in words, each by itself; the ends that can be are not."""

from __future__ import annotations

import math
from collections.abc import Callable
from fractions import Fraction

import pytest

from studiobridge.craft import colour, exposure, mains, mark, space

REFUSED: list[tuple[Callable[[], object], str]] = [
    (lambda: mains.running_limit(0, 230), "above 0, not 0 A"),
    (lambda: mains.running_limit(10, 0), "above 0, not 10 A, 0 V"),
    (lambda: mains.trips(-1, 0, 10, "B"), "not negative"),
    (lambda: mains.trips(0, -1, 10, "B"), "not negative"),
    (lambda: mains.trips(0, 0, 0, "B"), "above 0 A"),
    (lambda: mains.instant_trip(0, "B"), "above 0 A"),
    (lambda: mains.resistance(-1, awg=14), "not negative"),
    (lambda: mains.resistance(math.nan, awg=14), "not negative"),
    (lambda: mains.resistance(10, square_mm=1.7), "known: 0.75, 1, 1.5"),
    (lambda: mains.resistance(10, awg=13), "known: 18, 16, 14"),
    (lambda: mains.resistance(10), "one of them"),
    (lambda: mains.resistance(10, square_mm=1.5, awg=14), "one of them"),
    (lambda: mains.voltage_drop(-1, 1), "not negative"),
    (lambda: mains.voltage_drop(1, -1), "not negative"),
    (lambda: mains.battery_hours(0, 10), "above 0"),
    (lambda: mains.battery_hours(10, 0), "above 0"),
    (lambda: mains.energy_cost(-1, 1), "not negative"),
    (lambda: mains.energy_cost(1, -1), "not negative"),
    (lambda: mains.energy_cost(1e300, 1e300), "not negative"),
    (lambda: exposure.aperture_for(100, 0, 100), "shutter is above 0"),
    (lambda: exposure.aperture_for(100, 0.02, 0), "iso is above 0"),
    (lambda: exposure.aperture_for(100, 0.02, 100, 0), "constant is above 0"),
    (lambda: exposure.aperture_for(math.inf, 0.02, 100), "lux is above 0"),
    (lambda: exposure.shutter_of_angle(360.5, 25), "at most 360"),
    (lambda: exposure.shutter_of_angle(180, 0), "frames_per_second is above 0"),
    (lambda: exposure.exposure_ripple(0.02, 100, -0.1), "from 0 to 100"),
    (lambda: exposure.exposure_ripple(0.02, 100, 100.1), "from 0 to 100"),
    (lambda: exposure.pulse_ripple(0.02, 100, -0.1), "from 0 to 100"),
    (lambda: exposure.pulse_ripple(0.02, 100, 100.1), "from 0 to 100"),
    (lambda: exposure.pulse_ripple(0.02, 100, 100, 1.1), "duty is from 0 to 1"),
    (lambda: exposure.pulse_ripple(0.02, 100, 100, math.nan), "duty is from 0 to 1"),
    (lambda: exposure.modulation_limit(0), "frequency is above 0"),
    (lambda: mark.stops(1, 0), "lit"),
    (lambda: mark.stops(0, 1), "lit"),
    (lambda: mark.illuminance(1, 0, 1), "above 0 m"),
    (lambda: mark.illuminance(1, 1, 0), "above 0 m"),
    (lambda: mark.illuminance(-1, 1, 1), "not negative"),
    (lambda: mark.illuminance(1, 1, 1, 0, 1.1), "from 0 to 1"),
    (lambda: mark.illuminance(1, 1, 1, 0, -0.1), "from 0 to 1"),
    (lambda: mark.angle_between((1, 1), (1, 1), (0, 1)), "no distance"),
    (lambda: mark.angle_between((1, 2), (1, 1), (0, 0)), "faces nowhere"),
    (lambda: mark.evenness([]), "no points"),
    (lambda: mark.evenness([1.0, 0.0]), "lit"),
    (lambda: mark.glow_on(1, 0, 1, 1), "sides and a distance"),
    (lambda: mark.glow_on(1, 1, 0, 1), "sides and a distance"),
    (lambda: mark.glow_on(1, 1, 1, 0), "sides and a distance"),
    (lambda: mark.glow_on(-1, 1, 1, 1), "not negative"),
    (lambda: mark.luminance_of(1, 1.1), "reflectance"),
    (lambda: mark.luminance_of(1, -0.1), "reflectance"),
    (lambda: mark.luminance_of(-1, 0.5), "not negative"),
    (lambda: space.angle_of_view(0, 36), "above 0 mm"),
    (lambda: space.angle_of_view(36, 0), "above 0 mm"),
    (lambda: space.distance_for(36, 36, 0), "above 0 m"),
    (lambda: space.chain([space.Link("gap", Fraction(-1))]), "gap is -1 m deep"),
    (lambda: colour.uv_of_xy(0.3, 0.0), "y above 0"),
    (lambda: colour.uv_of_xy(0.3, math.nan), "y above 0"),
    (lambda: colour.daylight_xy(3999.9), "from 4000 to 25000"),
    (lambda: colour.daylight_xy(25000.1), "from 4000 to 25000"),
    (lambda: colour.mix([colour.White(-1.0, 0.2, 0.3)]), "not negative"),
    (lambda: colour.mix([colour.White(0.0, 0.2, 0.3)]), "no light"),
    (lambda: colour.cct_and_duv(0.05, 0.2), "outside the range"),
    (lambda: colour.cct_and_duv(0.6, 0.35), "outside the range"),
]


@pytest.mark.parametrize("i", range(len(REFUSED)))
def test_what_cannot_be_is_refused_in_words(i: int) -> None:
    call, why = REFUSED[i]
    with pytest.raises(ValueError, match=why):
        call()


def test_the_ends_of_what_can_be() -> None:
    assert mains.trips(0, 0, 1, "B") == "no"
    assert mains.resistance(0, square_mm=1.5) == 0.0
    assert mains.voltage_drop(0, 0) == 0.0
    assert mains.energy_cost(0, 1) == 0.0
    assert mains.energy_cost(1, 0) == 0.0
    assert exposure.shutter_of_angle(360, 25) == pytest.approx(0.04)
    assert exposure.exposure_ripple(0.003, 100, 0) == 0.0
    assert exposure.pulse_ripple(0.003, 100, 0) == 0.0
    # shorter than a gap: all of it is missing; in a pulse of half the time twice the mean
    assert exposure.pulse_ripple(0.0001, 100, 100, 0.5) == pytest.approx(100.0)
    assert mark.illuminance(0, 1, 1) == 0.0
    assert mark.illuminance(100, 1, 1, 0, 0) == 0.0
    assert mark.illuminance(100, 1, 1, 0, 1) == 100.0
    assert mark.glow_on(0, 1, 1, 1) == 0.0
    assert mark.luminance_of(0, 0.5) == 0.0
    assert mark.luminance_of(math.pi, 1.0) == pytest.approx(1.0)
    assert mark.luminance_of(math.pi, 0.0) == 0.0
    assert [s.total for s in space.chain([space.Link("wall", Fraction(0))])] == [0]
    assert colour.is_white(1000.0)
    assert colour.is_white(25000.0)
    assert not colour.is_white(999.0)
    assert not colour.is_white(25001.0)
    assert not colour.is_white(math.nan)


def test_where_the_limits_of_ieee_1789_change() -> None:
    """IEEE 1789-2015, from memory: 0.025 f below 90 Hz, 0.08 f up to 1250 Hz, none above."""
    assert exposure.modulation_limit(89.0) == pytest.approx(2.225)
    assert exposure.modulation_limit(90.0) == pytest.approx(7.2)
    assert exposure.modulation_limit(1250.0) == 100.0
    assert exposure.modulation_limit(1249.0) == pytest.approx(99.92)
    assert exposure.modulation_limit(20_000.0) == 100.0
    assert exposure.risk(8.0, 100.0) == "low"
    assert exposure.risk(8.1, 100.0) == "not low"


def test_feet_and_inches_in_words() -> None:
    said = {
        (0, 0): "0 in",
        (1, 0): "1 ft",
        (0, 1): "1 in",
        (4, Fraction(7, 2)): "4 ft 3 1/2 in",
        (0, Fraction(1, 4)): "1/4 in",
        (5, Fraction(1, 2)): "5 ft 1/2 in",
        (0, 12): "1 ft",
        (-1, -3): "-1 ft 3 in",
        (0, Fraction(13, 8)): "1 1/2 in",  # half way goes to the even quarter
    }
    for (feet, inches), text in said.items():
        assert space.feet_and_inches(space.metres(feet, inches)) == text
