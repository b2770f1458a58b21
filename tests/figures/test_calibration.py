"""Readings of a meter: planted scales found again, the odd one named, nonsense survived."""

from __future__ import annotations

import math
import random
from collections.abc import Sequence
from dataclasses import replace
from fractions import Fraction

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.optimize import lsq_linear

from studiobridge.craft.chroma import Colour
from studiobridge.figures import calibration, sure
from studiobridge.figures.calibration import calibrate
from studiobridge.figures.face import Face
from studiobridge.figures.light import light_of
from studiobridge.figures.stations import as_if
from studiobridge.profile.model import MeterReading, Output, Picture, Preset, SetProfile
from tests.figures.sets import CAMERA, PLUG
from tests.figures.test_sure import (
    CLOTH,
    LEVELS,
    NEAR_FILL,
    NEAR_KEY,
    RIM,
    as_it_is,
    corner,
    held,
)


def read(lux: float, *on: str, at: str = "face", **levels: float) -> MeterReading:
    lit = {name: LEVELS[name] for name in on}
    lit |= {name: Preset(level, 4300.0) for name, level in levels.items()}
    return MeterReading(lux, at, lit, "day")


def with_readings(profile: SetProfile, *readings: MeterReading) -> SetProfile:
    return replace(profile, readings=readings)


def gives(profile: SetProfile, *on: str) -> float:
    """What a flat meter says at the face of this room, exactly."""
    face = Face(profile)
    return sum(face.lux(name, LEVELS[name].level or 0.0) or 0.0 for name in on)


def scales(profile: SetProfile) -> dict[str, float]:
    return {s.device: s.scale for s in calibrate(profile).scales}


def planted(**by: float) -> SetProfile:
    """The corner with lamps that give so many times what their makers say."""
    profile = corner()
    devices = {
        name: replace(d, output=Output(d.output.lux * by[name], 1.0)) if name in by else d
        for name, d in profile.devices.items()
    }
    return replace(profile, devices=devices)


TWO = planted(key=1.3, fill=0.8)
KEY_LUX, FILL_LUX = gives(TWO, "key"), gives(TWO, "fill")


# ---- scales ---------------------------------------------------------------------------------


def test_a_reading_of_each_light_makes_the_figures_its_own() -> None:
    profile = with_readings(corner(), read(KEY_LUX, "key"), read(FILL_LUX, "fill"))
    found = scales(profile)
    assert found["key"] == pytest.approx(1.3, rel=0.01)
    assert found["fill"] == pytest.approx(0.8, rel=0.01)
    both = {name: LEVELS[name] for name in ("key", "fill")}
    light = light_of(profile, "day", both)
    assert light.whole.lux == pytest.approx(KEY_LUX + FILL_LUX, rel=0.005)
    assert light.sure.lux < 0.1 < light_of(corner(), "day", both).sure.lux
    assert light.sure.bounce == 0.0
    assert calibrate(profile).makers == ("wash",)


def test_the_same_lamp_gives_as_much_more_on_the_cloth() -> None:
    """A scale is the lamp's: a meter held to the face tells of the backdrop too."""
    dark = light_of(corner(PLUG, RIM, CLOTH, CAMERA), "day", {"wash": LEVELS["wash"]})
    at_cloth = sum(dark.backdrops[0].points or ()) / 5
    assert at_cloth > 0
    lux = gives(planted(wash=1.0), "wash")
    assert lux > 0
    metered = with_readings(corner(), read(2.0 * lux, "wash"))
    bright = light_of(metered, "day", {"wash": LEVELS["wash"]})
    assert sum(bright.backdrops[0].points or ()) / 5 == pytest.approx(2.0 * at_cloth, rel=0.03)


def test_one_reading_of_all_moves_all_alike() -> None:
    """One number for three lamps: nobody knows which it was, so none is singled out."""
    whole = gives(corner(), "key", "fill", "wash")
    found = scales(with_readings(corner(), read(1.4 * whole, "key", "fill", "wash")))
    assert max(found.values()) - min(found.values()) < 0.02
    assert sum(
        found[name] * gives(corner(), name) for name in ("key", "fill", "wash")
    ) == pytest.approx(1.4 * whole, rel=0.005)
    # the sum is known as a meter knows it, its parts no better than before
    made = {
        s.device: s
        for s in calibrate(with_readings(corner(), read(1.4 * whole, "key", "fill", "wash"))).scales
    }
    assert made["fill"].within > 0.15
    light = light_of(
        with_readings(corner(), read(1.4 * whole, "key", "fill", "wash")), "day", LEVELS
    )
    assert light.sure.lux < 0.11


@settings(max_examples=40, deadline=None)
@given(st.lists(st.floats(0.5, 2.0), min_size=3, max_size=3), st.integers(0, 10_000))
def test_the_scales_are_those_of_an_independent_solver(by: list[float], seed: int) -> None:
    """SciPy's bounded least squares on the same rows, written down anew here."""
    dice = random.Random(seed)
    true = planted(**dict(zip(("key", "fill", "wash"), by, strict=True)))
    sets = [("key",), ("fill",), ("wash",), ("key", "fill"), ("key", "fill", "wash")]
    readings = [read(gives(true, *on) * math.exp(dice.gauss(0.0, 0.02)), *on) for on in sets]
    made = calibrate(with_readings(corner(), *readings))
    if not all(r.used for r in made.readings):
        return
    names, rows, wanted = ("key", "fill", "wash"), [], []
    for reading in readings:
        each = [gives(corner(), n) if n in reading.on else 0.0 for n in names]
        error = 0.025 * max(reading.lux, sum(each))
        rows.append([*(lux / error for lux in each), 0.0])
        wanted.append(reading.lux / error)
    for i in range(3):
        rows.append([5.0 if j == i else 0.0 for j in range(3)] + [-5.0])
        wanted.append(0.0)
    rows.append([0.0, 0.0, 0.0, 1.0])
    wanted.append(1.0)
    said = lsq_linear(rows, wanted, bounds=(0.0, math.inf), tol=1e-12).x
    for name, value in zip(names, said, strict=False):
        assert made.fit.scales[name] == pytest.approx(value, rel=1e-4)


def test_planted_scales_are_within_the_band_for_about_95_of_100() -> None:
    """Rooms by dice, lamps 20 % off their makers and 30 % on top, a meter of its own, a hand.

    What is asked afterwards: the face, the ratio, one lamp alone, and the cloth.
    """
    dice, draws = random.Random(5), 150
    inside = {"lux": 0, "ratio": 0, "key": 0, "scale": 0}
    for _ in range(draws):
        true = as_it_is(corner(), dice)
        meter = 1.0 + dice.gauss(0.0, sure.METER / 2.0)

        def metered(*on: str, true: SetProfile = true, meter: float = meter) -> MeterReading:
            hand = 1.0 + dice.gauss(0.0, sure.HOLDING / 2.0)
            return read(gives(true, *on) * meter * hand, *on)

        profile = with_readings(
            corner(), metered("key"), metered("key"), metered("fill"), metered("key", "fill")
        )
        both = {n: LEVELS[n] for n in ("key", "fill")}
        light = light_of(profile, "day", both)
        key, fill = gives(true, "key"), gives(true, "fill")
        inside["lux"] += abs(math.log2((key + fill) / light.whole.lux)) <= light.sure.lux
        inside["ratio"] += abs(math.log2(key / fill / light.whole.ratio)) <= light.sure.ratio
        said = next(f.lux for f in light.fixtures if f.device == "key")
        inside["key"] += abs(math.log2(key / said)) <= light.sure.fixture("key").lux
        scale = next(s for s in calibration.of(profile).scales if s.device == "key")
        inside["scale"] += abs(key / gives(corner(), "key") / scale.scale - 1.0) <= scale.within
    for count in inside.values():
        held(count, draws)


def test_a_hand_that_shakes_widens_the_band() -> None:
    """Readings of one lamp that differ by 8 % say themselves that they are no better."""
    calm = [read(KEY_LUX * by, "key") for by in (0.99, 1.0, 1.01, 1.0, 0.995)]
    shaky = [read(KEY_LUX * by, "key") for by in (0.93, 1.06, 1.0, 0.94, 1.07)]
    bands = [calibrate(with_readings(corner(), *r)).scales[0].within for r in (calm, shaky)]
    assert bands[1] > 1.3 * bands[0]


def test_a_dome_is_compared_with_what_a_dome_reads() -> None:
    """It gets light from beside and behind as well: (1 + cos) / 2 of the light, not cos of it."""
    profile = replace(corner(), picture=Picture(receptor="dome"))
    dome = Face(profile).whole({"key": LEVELS["key"]}).dome
    assert dome > 1.1 * gives(corner(), "key")
    assert scales(with_readings(profile, read(dome, "key")))["key"] == pytest.approx(1.0, rel=1e-3)
    flat = scales(with_readings(corner(), read(dome, "key")))["key"]
    assert flat == pytest.approx(dome / gives(corner(), "key"), rel=0.01)


# ---- the odd one out ------------------------------------------------------------------------


def test_a_whole_look_with_stray_daylight_is_named_and_left_out() -> None:
    profile = with_readings(
        corner(),
        read(KEY_LUX, "key"),
        read(FILL_LUX, "fill"),
        read(1.6 * (KEY_LUX + FILL_LUX), "key", "fill"),
    )
    made = calibrate(profile)
    assert [r.used for r in made.readings] == [True, True, False]
    assert made.readings[2].stops == pytest.approx(math.log2(1.6), abs=0.02)
    assert "does not go with the others: 0.7 stop over" in made.readings[2].why
    assert "stray daylight" in made.readings[2].why
    assert scales(profile)["key"] == pytest.approx(1.3, rel=0.02)


@pytest.mark.parametrize("odd", range(5))
@pytest.mark.parametrize("by", [0.1, 0.6, 1.7])
def test_whichever_of_five_is_odd_it_is_that_one(odd: int, by: float) -> None:
    sets = [("key",), ("key",), ("fill",), ("fill",), ("key", "fill")]
    # the good ones agree within a few percent, as a hand does
    good = [gives(TWO, *on) * (1.0 + 0.01 * i) for i, on in enumerate(sets)]
    readings = [read(lux * (by if i == odd else 1.0), *sets[i]) for i, lux in enumerate(good)]
    made = calibrate(with_readings(corner(), *readings))
    assert [r.used for r in made.readings] == [i != odd for i in range(5)]
    assert made.apart == ()


def test_two_that_contradict_are_both_named_and_neither_is_believed() -> None:
    profile = with_readings(corner(), read(300.0, "key"), read(180.0, "key"))
    made = calibrate(profile)
    assert made.apart == (1, 2)
    assert [r.why.split(",")[0] for r in made.readings] == [
        "does not go with reading 2",
        "does not go with reading 1",
    ]
    assert all(r.used for r in made.readings)
    assert made.scales[0].within > 0.3


def test_good_readings_are_hardly_ever_called_odd() -> None:
    """Beyond 3 deviations lie 3 of 1000; of five readings in rooms by dice some 2 of 100 have one."""
    dice, odd = random.Random(3), 0
    sets = [("key",), ("fill",), ("key", "fill"), ("key", "fill", "wash"), ("wash",)]
    for _ in range(150):
        true = as_it_is(corner(), dice)
        readings = [read(gives(true, *on) * (1.0 + dice.uniform(-0.05, 0.05)), *on) for on in sets]
        odd += any(r.why for r in calibrate(with_readings(corner(), *readings)).readings)
    assert odd <= 4


# ---- the room, and dimmers ------------------------------------------------------------------


def test_what_the_room_gives_with_no_light_on_is_taken_off() -> None:
    lit = [read(KEY_LUX + 30.0, "key"), read(FILL_LUX + 30.0, "fill")]
    dark = read(30.0)
    profile = with_readings(corner(), *lit, dark)
    assert scales(profile)["key"] == pytest.approx(1.3, rel=0.01)
    assert calibrate(profile).around == {"face": 30.0}
    assert scales(with_readings(corner(), *lit))["fill"] > 0.85  # nobody said so
    # a light at 0 % is no light on
    zero = MeterReading(30.0, "face", {"key": Preset(0.0, 4300.0)})
    assert calibrate(with_readings(corner(), *lit, zero)).around == {"face": 30.0}
    # and light of the room at the face is none at the cloth
    other = replace(dark, at="cloth")
    assert scales(with_readings(corner(), *lit, other))["fill"] > 0.85


def test_a_dimmer_that_is_none_of_its_curve_is_said() -> None:
    """A lamp of the square kind that the profile calls linear: half the dial, two stops."""
    square = [read(400.0, key=100.0), read(100.0, key=50.0)]
    (said,) = calibrate(with_readings(corner(), *square)).dimmers
    assert "from 100 to 50 % your readings fall by 2.0 stops" in said
    assert said.endswith("a square dimmer would")
    linear = [read(400.0, key=100.0), read(203.0, key=50.0)]
    assert calibrate(with_readings(corner(), *linear)).dimmers == ()


# ---- faults ---------------------------------------------------------------------------------


def _whys(*readings: MeterReading) -> list[str]:
    made = calibrate(with_readings(corner(), *readings))
    for scale in made.scales:
        assert math.isfinite(scale.scale) and math.isfinite(scale.within)
    return [r.why for r in made.readings]


def test_a_light_that_does_not_reach_the_meter_says_nothing() -> None:
    behind = replace(RIM, place=replace(RIM.place, from_back=0.4, aim="mark"))
    profile = with_readings(corner(PLUG, NEAR_KEY, behind, CAMERA), read(50.0, "wash"))
    made = calibrate(profile)
    assert made.scales == ()
    assert "none of its lights reaches the meter" in made.readings[0].why
    assert not made.readings[0].used


def test_a_slip_of_the_unit_is_a_slip_and_no_lamp() -> None:
    """38 fc are 409 lx; 38 lx are 3.4 stops less."""
    assert "its unit (1 fc is 10.8 lx)" in _whys(read(KEY_LUX / 10.764, "key"))[0]
    assert "stops over" in _whys(read(1e6, "key"))[0]
    assert "stops under" in _whys(read(0.001, "key"))[0]


def test_the_same_reading_twice_counts_once() -> None:
    one = read(KEY_LUX, "key")
    made = calibrate(with_readings(corner(), one, one))
    assert "is reading 1 once more" in made.readings[1].why
    assert made.scales[0].readings == 1


def test_less_than_the_dark_room_is_no_light() -> None:
    assert "no more than what was read there" in _whys(read(40.0), read(39.0, "key"))[1]


def test_a_coloured_light_is_no_measure_of_its_white() -> None:
    blue = Preset(60.0, None, Colour(0.2, 0.2))
    made = calibrate(with_readings(corner(), MeterReading(90.0, "face", {"key": blue}, "day")))
    assert made.scales == ()
    assert "key was coloured" in made.readings[0].why


def test_a_figure_that_is_missing_is_named() -> None:
    blind = replace(NEAR_FILL, output=None)
    made = calibrate(
        with_readings(corner(PLUG, NEAR_KEY, blind, CAMERA), read(99.0, "fill"), read(99.0, "key"))
    )
    assert "no output given for fill" in made.readings[0].why
    assert [s.device for s in made.scales] == ["key"]


@settings(max_examples=60, deadline=None)
@given(
    st.lists(
        st.tuples(
            st.floats(0.001, 1e6),
            st.lists(st.sampled_from(["key", "fill", "wash", "cloth"]), unique=True),
            st.sampled_from(["face", "cloth"]),
            st.floats(0.0, 100.0),
        ),
        max_size=12,
    )
)
def test_whatever_is_read_comes_to_numbers(
    said: Sequence[tuple[float, list[str], str, float]],
) -> None:
    readings = [
        MeterReading(lux, at, {name: Preset(level, 4300.0) for name in on})
        for lux, on, at, level in said
    ]
    profile = with_readings(corner(), *readings)
    made = calibrate(profile)
    assert len(made.readings) == len(readings)
    for scale in made.scales:
        assert scale.scale >= 0 and math.isfinite(scale.scale) and math.isfinite(scale.within)
    light = light_of(profile, "day", LEVELS)
    assert light.whole.lux >= 0 and math.isfinite(light.whole.lux)


def test_a_set_whose_meter_has_spoken_can_be_moved_about() -> None:
    """A reading holds where the light stood; what moves lights takes what it came to along."""
    profile = with_readings(corner(), read(KEY_LUX, "key"))
    settled = calibration.settled(profile)
    assert gives(settled, "key", "fill") == pytest.approx(gives(profile, "key", "fill"))
    # another lens, another depth: the key is still the lamp that the meter met, 1.3 of its figure
    chain = {"cloth": Fraction("0.2"), "mark": Fraction("1.0")}
    deep = replace(profile, room=replace(profile.room, chain=chain))
    supposed = as_if(deep, {"mark": "mark"}, {"mark": Fraction("0.6")})
    plain = as_if(replace(deep, readings=()), {"mark": "mark"}, {"mark": Fraction("0.6")})
    assert gives(supposed, "key") / gives(plain, "key") == pytest.approx(1.3, rel=0.01)
