"""Which lights beat with which shutter, and which shutters are safe: worked out by hand."""

from __future__ import annotations

import math
from dataclasses import replace
from itertools import pairwise

import pytest

from studiobridge.craft.chroma import Colour
from studiobridge.figures.exposing import MAINS_LAMPS, pulses_of, shutters_of
from studiobridge.figures.light import light_of
from studiobridge.profile.model import Device, Picture, Preset
from studiobridge.shown.shutters import angle, banding_lines, cost, ripple, safe
from tests.figures.sets import CAMERA, KEY, PLUG, small

# a lamp of one white, dimmed by switching it on and off
LAMP = replace(KEY, tells=frozenset({"level"}), hears=frozenset({"level"}), pwm=2000.0)
SCREEN = Device("screen", "display", pwm=240.0)


def pulses(*devices: Device, level: float | None = 10.0, frequency=50.0, **more):  # type: ignore[no-untyped-def]
    presets = {d.name: Preset(level, **more) for d in devices if d.kind == "light"}
    profile = small(PLUG, CAMERA, *devices, frequency=frequency, presets=presets)
    return {light.source: light for light in pulses_of(profile, presets, [])}


def shutters(*devices: Device, frequency=50.0, level: float = 100.0, **picture: object):  # type: ignore[no-untyped-def]
    presets = {d.name: Preset(level) for d in devices if d.kind == "light"}
    profile = small(
        PLUG,
        CAMERA,
        *devices,
        frequency=frequency,
        picture=Picture(**picture),  # type: ignore[arg-type]
        presets=presets or {"none": Preset()},
    )
    return shutters_of(profile, pulses_of(profile, presets, []))


# ---- what pulses, and how ----------------------------------------------------------------


def test_a_lamp_dimmed_by_pulses_is_on_for_the_share_of_its_output() -> None:
    """10 % of 2 kHz at 1/50 s: 0.9 over 40 periods is 2.25 %, where a sine would be 0.8 %."""
    assert pulses(LAMP)["key"].duty == pytest.approx(0.1)
    assert pulses(LAMP)["key"].ripple(1 / 50) == pytest.approx(2.25)
    presets = {"key": Preset(10.0, 4000.0)}
    profile = small(PLUG, LAMP, CAMERA, presets=presets)
    found = light_of(profile, "day", presets)
    assert next(b for b in found.banding if b.source == "key").bands
    # wide open it does not pulse, and dark there is nothing that could
    assert pulses(LAMP, level=100.0)["key"].ripple(1 / 50) == 0.0
    assert "key" not in pulses(LAMP, level=0.0)


def test_where_a_level_does_not_say_for_how_long_it_is_on_the_worst_is_taken() -> None:
    """Two whites are each on for half of it at worst; a colour, no level or a measured depth is
    any share."""
    both = replace(LAMP, tells=frozenset({"level", "cct"}))
    assert pulses(both, level=100.0)["key"].duty == pytest.approx(0.5)
    assert pulses(replace(LAMP, cct_range=(2700.0, 6500.0)), level=40.0)["key"].duty == (
        pytest.approx(0.2)
    )
    for light in (
        pulses(LAMP, level=None)["key"],
        pulses(LAMP, colour=Colour(0.3, 0.6))["key"],
        pulses(replace(LAMP, flicker=30.0))["key"],
    ):
        assert light.duty is None
    assert pulses(LAMP, level=None)["key"].ripple(1 / 50) == pytest.approx(100 / 40)
    # measured to swing wholly, it is switched on and off
    assert pulses(replace(LAMP, flicker=100.0))["key"].duty == pytest.approx(0.1)


def test_what_pulses_at_twice_the_mains_frequency_has_it_from_there() -> None:
    """100 Hz at 1/50 s is two whole periods of the mains' own clock; 400 Hz is a clock of its own."""
    mains = pulses(replace(LAMP, pwm=100.0))["key"]
    assert mains.locked
    assert mains.ripple(1 / 50) == 0.0
    assert mains.ripple(1 / 60) > 10.0
    own = pulses(replace(LAMP, pwm=400.0))["key"]
    assert not own.locked
    assert own.ripple(1 / 50) == pytest.approx(100 * 0.9 / 8)
    # and without the frequency of the mains nothing is known to be of it
    assert not pulses(replace(LAMP, pwm=100.0), frequency=None)["key"].locked


def test_a_display_that_pulses_is_judged_and_one_that_says_nothing_is_not_asked() -> None:
    """240 Hz at 1/50 s: 4.8 periods of who knows what brightness, at worst 1 over 4.8."""
    assert pulses(SCREEN)["screen"].ripple(1 / 50) == pytest.approx(100 / 4.8)
    missing: list[str] = []
    profile = small(PLUG, CAMERA, replace(SCREEN, pwm=None))
    assert [p.source for p in pulses_of(profile, {}, missing)] == [MAINS_LAMPS]
    assert missing == []
    banding = light_of(small(PLUG, CAMERA, KEY, SCREEN), "day", {}).banding
    assert [b.source for b in banding if b.bands] == ["screen"]


# ---- safe shutters -----------------------------------------------------------------------


def test_safe_on_50_hz_at_24_frames_is_172_8_degrees() -> None:
    """Handbooks, from memory: 172.8 degrees at 24 fps is 1/50 s, safe where 180 (1/48 s) is not."""
    found = shutters(shutter=1 / 48, frames=24.0)
    best = found[0]
    assert best.seconds == pytest.approx(1 / 50)
    assert best.angle == pytest.approx(172.8)
    assert best.stops == pytest.approx(math.log2(48 / 50))
    assert {round(1 / s.seconds, 3) for s in found if s.safe} == {25.0, 50.0, 100.0}
    now = next(s for s in found if s.seconds == pytest.approx(1 / 48))
    assert not now.safe
    # a sine at 100 Hz over 1/48 s: sin(pi 100/48) / (pi 100/48)
    n = 100 / 48
    assert now.ripple == pytest.approx(100 * abs(math.sin(math.pi * n)) / (math.pi * n))
    assert now.source == MAINS_LAMPS
    assert safe(found, 24.0).startswith("safe: 1/50 s (172.8° at 24 fps), ")


@pytest.mark.parametrize(
    ("mains", "frames", "wanted"),
    [
        (60.0, 24.0, "1/60 s (144° at 24 fps)"),
        (60.0, 30.0, "1/60 s (180° at 30 fps)"),
        (50.0, 25.0, "1/50 s (180° at 25 fps)"),
        (50.0, 23.976, "1/50 s (172.8° at 23.976 fps)"),
        (50.0, 30.0, "1/50 s (216° at 30 fps)"),
    ],
)
def test_what_handbooks_call_safe_comes_first(mains: float, frames: float, wanted: str) -> None:
    """Handbooks, from memory. With no shutter set, the one nearest to half a frame's time."""
    found = shutters(frequency=mains, frames=frames)
    assert safe(found, frames).startswith(f"safe: {wanted}")
    assert all(s.stops is None for s in found)


def test_angles_that_are_no_speed_are_there_too() -> None:
    """At 25 fps on 50 Hz whole half periods are 90, 180, 270 and 360 degrees; 270 is 3/100 s."""
    found = [s for s in shutters(shutter=1 / 50, frames=25.0) if s.safe]
    assert sorted(round(s.angle, 6) for s in found) == [90.0, 180.0, 270.0, 360.0]


def test_every_light_counts_and_none_is_longer_than_a_frame() -> None:
    """A screen of 240 Hz by its own clock: 1 / (240 t) is under 1 % for no t below 0.4 s."""
    found = shutters(SCREEN, shutter=1 / 50, frames=25.0)
    assert not any(s.safe for s in found)
    assert safe(found, 25.0) == "no usual shutter is safe"
    assert found[0].ripple == min(s.ripple for s in found)
    assert max(s.seconds for s in found) == pytest.approx(1 / 25)
    # 100 Hz lamps and a lamp of 8 kHz: 1/100 s is 80 periods of that, at 10 % 0.9 / 80, too much
    both = shutters(replace(LAMP, pwm=8000.0), level=10.0, shutter=1 / 50, frames=25.0)
    verdict = {round(1 / s.seconds): (s.safe, s.source) for s in both}
    assert verdict[50] == (True, "key")
    assert verdict[100] == (False, "key")
    assert verdict[60] == (False, MAINS_LAMPS)


def test_each_shutter_stands_once_and_the_set_one_among_them() -> None:
    """180 degrees at 25 fps is 1/50 s; a set one between the steps is judged too."""
    found = shutters(shutter=1 / 45, frames=25.0)
    times = sorted(s.seconds for s in found)
    assert all(b / a > 1.001 for a, b in pairwise(times))
    assert 1 / 45 in times
    assert [s.seconds for s in found if s.stops == 0.0] == [1 / 45]


def test_with_nothing_known_that_pulses_no_shutter_is_called_safe() -> None:
    assert shutters(frequency=None, shutter=1 / 50, frames=25.0) == ()
    assert safe((), 25.0) == ""


def test_a_light_nobody_knows_of_keeps_safe_from_being_said_plainly() -> None:
    """None of the figures says that it does not band."""
    unknown = small(PLUG, KEY, CAMERA, picture=Picture(shutter=1 / 50, frames=25.0))
    known = small(PLUG, replace(KEY, pwm=20_000.0), CAMERA, picture=unknown.picture)
    unset = replace(known, picture=Picture(frames=25.0))
    (line, *_) = banding_lines(light_of(unset, "day", {"key": Preset(50.0, 4000.0)}), 25.0)
    assert line[1].startswith("safe: 1/50 s (180° at 25 fps), ")
    for profile, said in (
        (unknown, "; safe by what is known: 1/50 s ("),
        (known, "; safe: 1/50 s ("),
    ):
        (line, *_) = banding_lines(light_of(profile, "day", {"key": Preset(50.0, 4000.0)}), 25.0)
        assert said in line[1]


def test_no_frame_rate_no_angle() -> None:
    found = shutters(shutter=1 / 50)
    assert all(s.angle is None for s in found)
    assert safe(found, None).startswith("safe: 1/50 s, ")


def test_in_words() -> None:
    assert (angle(172.8), angle(172.627), angle(180.0), angle(100.0)) == (
        *("172.8°", "172.8°", "180°"),
        "100°",
    )
    assert (ripple(0.0), ripple(0.46), ripple(12.3), ripple(9.96)) == (
        *("none", "0.46 %", "12 %"),
        "10 %",
    )
    assert (cost(0.0), cost(1.0), cost(-2.3)) == (
        *("the same", "1.0 stop more light"),
        "2.3 stops less light",
    )
    profile = small(PLUG, KEY, CAMERA, picture=Picture(shutter=1 / 60, frames=25.0))
    (line, *_) = banding_lines(light_of(profile, "day", {}), 25.0)
    assert line[1].startswith(
        "lamps straight on the mains (a ceiling light left on) at 100 Hz may show bands, ripple up"
        " to 17 %"
    )
    assert "; safe: 1/50 s (180° at 25 fps), " in line[1]
