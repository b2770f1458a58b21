"""How sure the figures are: by hand, and by rooms that are drawn by dice within the limits."""

from __future__ import annotations

import math
import random
from collections.abc import Mapping
from dataclasses import replace

import pytest

from studiobridge.craft.light import Dimmer
from studiobridge.figures import sure
from studiobridge.figures.face import Face
from studiobridge.figures.light import light_of
from studiobridge.figures.setup import Check
from studiobridge.figures.sure import Sure
from studiobridge.profile.model import (
    Device,
    MeterReading,
    Output,
    Place,
    Preset,
    Room,
    SetProfile,
)
from studiobridge.shown.light import give_or_take
from tests.figures.sets import CAMERA, FILL, KEY, PLUG, small

MARK = Place(1.0, 0.0, 1.3)
NEAR_KEY = replace(
    KEY, place=Place(2.2, -1.1, 1.9, "mark"), output=Output(1900.0, 1.0), size=(0.3, 0.3)
)
NEAR_FILL = replace(
    FILL, place=Place(2.1, 1.2, 1.5, "mark"), output=Output(1700.0, 1.0), size=(0.3, 0.3)
)
RIM = replace(
    KEY,
    name="wash",
    role="wash",
    place=Place(2.6, 0.9, 2.1, "cloth"),
    output=Output(900.0, 1.0),
    beam=70.0,
    size=(0.2, 0.2),
)
CLOTH = replace(
    KEY,
    name="cloth",
    kind="backdrop",
    role=None,
    place=Place(0.2, 0.0, 1.2),
    output=None,
    beam=None,
    size=(2.0, 2.0),
    reflects=0.3,
)
LEVELS = {
    "key": Preset(60.0, 4300.0),
    "fill": Preset(40.0, 4300.0),
    "wash": Preset(50.0, 4300.0),
}


def corner(*devices: Device) -> SetProfile:
    made = devices or (PLUG, NEAR_KEY, NEAR_FILL, RIM, CLOTH, CAMERA)
    return small(*made, presets=LEVELS, room=Room(mark=MARK))


def as_it_is(profile: SetProfile, dice: random.Random) -> SetProfile:
    """A room like this one, everything off by what it may be off: limits are two deviations."""

    def off(limit: float) -> float:
        return dice.gauss(0.0, limit / 2.0)

    def moved(place: Place) -> Place:
        return replace(
            place,
            from_back=place.from_back + off(sure.PLACE),
            across=place.across + off(sure.PLACE),
            height=place.height + off(sure.PLACE),
        )

    devices = {}
    for name, device in profile.devices.items():
        if device.kind == "light" and device.output is not None and device.place is not None:
            # what its dimmer is off at the one level of the look
            share = math.exp(off(sure.dimming(device, LEVELS[name].level or 0.0)))
            given = device.output.lux * (1.0 + off(sure.MAKER)) * share
            device = replace(
                device,
                output=replace(device.output, lux=max(1.0, given)),
                place=moved(device.place),
                beam=(device.beam or 0.0) * (1.0 + off(sure.BEAM)),
            )
        elif device.kind == "backdrop" and device.place is not None:
            device = replace(device, place=moved(device.place))
        devices[name] = device
    assert profile.room.mark is not None
    room = replace(profile.room, mark=moved(profile.room.mark))
    return replace(profile, devices=devices, room=room)


def held(inside: int, draws: int) -> None:
    """About 95 of 100: what 400 throws of such a coin may show, and a little for what is curved."""
    assert 0.91 <= inside / draws <= 0.99, f"{inside} of {draws}"


# ---- by hand --------------------------------------------------------------------------------


def test_independent_errors_add_up_by_their_squares() -> None:
    """30 and 40 lx off are 50; 500 lx within 50 is a tenth: 0.144 stop (JCGM 100, 5.1.2)."""
    both = sure.total((Sure(200.0, {"a": 30.0}), Sure(300.0, {"b": 40.0})))
    assert (both.value, both.within) == (500.0, pytest.approx(50.0))
    assert both.stops == pytest.approx(0.1 / math.log(2.0))


def test_what_moves_both_sides_moves_no_ratio_and_moves_a_sum_twice() -> None:
    """One meter that reads 5 % over reads both lights over (JCGM 100, 5.2, correlated)."""
    key, fill = Sure(400.0, {"meter": 20.0}), Sure(200.0, {"meter": 10.0})
    over = sure.ratio(key, fill)
    assert over is not None and (over.value, over.within) == (2.0, pytest.approx(0.0))
    assert sure.total((key, fill)).within == pytest.approx(30.0)
    assert sure.ratio(key, sure.DARK) is None


def test_twenty_percent_and_five_centimetres_on_a_lamp_straight_ahead() -> None:
    """1 m away: 5 cm of it are 2 x 5 % of the light, of lamp and of mark; 20 % of its figure.
    Sideways they change next to nothing. sqrt(0.2^2 + 0.1^2 + 0.1^2)."""
    lamp = replace(NEAR_KEY, place=Place(2.0, 0.0, 1.3, "mark"), size=(0.01, 0.01))
    full = sure.at_full(corner(PLUG, lamp), lamp, (0.0, 1.0, 1.3), (0.0, 1.0, 0.0))
    assert full is not None
    assert full.value == pytest.approx(1900.0, rel=1e-3)
    assert full.within / full.value == pytest.approx(math.sqrt(0.06), rel=0.02)


def test_a_curve_that_nobody_named_is_as_wide_as_from_linear_to_square() -> None:
    """Half of the dial: one half or one quarter, a stop; a tenth: 3.3 stops. Full is full."""
    named = replace(KEY, dimmer=Dimmer("square"))
    guessed = replace(KEY, dimmer_said=False)
    assert sure.dimming(guessed, 50.0) / math.log(2.0) == pytest.approx(1.0)
    assert sure.dimming(guessed, 10.0) / math.log(2.0) == pytest.approx(math.log2(10.0))
    assert sure.dimming(guessed, 100.0) == 0.0
    assert sure.dimming(named, 50.0) == sure.NAMED_CURVE
    wide = light_of(corner(PLUG, guessed), "day", {"key": Preset(20.0, 4300.0)})
    near = light_of(corner(PLUG, named), "day", {"key": Preset(20.0, 4300.0)})
    assert wide.sure.lux > 2.0 > 0.5 > near.sure.lux


def test_a_lamp_near_by_is_known_better_with_its_size() -> None:
    """Half a metre from a face of 0.4 m, inverse square is off by more than a tenth of a stop."""
    unknown = replace(NEAR_KEY, place=Place(1.5, 0.0, 1.3, "mark"), size=None)
    known = replace(unknown, size=(0.4, 0.4))
    bands = [
        sure.at_full(corner(PLUG, lamp), lamp, (0.0, 1.0, 1.3), (0.0, 1.0, 0.0))
        for lamp in (unknown, known)
    ]
    parts = [
        abs(band.parts.get("key: size", 0.0)) / band.value for band in bands if band is not None
    ]
    assert parts[0] > 0.07
    assert parts[1] == 0.0


@pytest.mark.parametrize(
    ("value", "band", "said"),
    [(416.3, 62.0, 420.0), (416.3, 110.0, 420.0), (416.3, 250.0, 400.0), (2.04, 0.3, 2.0)],
)
def test_no_digit_beyond_the_band(value: float, band: float, said: float) -> None:
    assert sure.rounded(value, band) == said


@pytest.mark.parametrize(("beam", "figure_at", "away"), [(8.0, 1.0, 0.6), (15.0, 0.5, 1.9)])
def test_a_spot_whose_face_nobody_measured_may_be_a_face(
    beam: float, figure_at: float, away: float
) -> None:
    """Its light summed here over 40 by 40 points of a face of 0.4 m, each with its beam: the point
    that it is reckoned as gives half or twice as much, and the band has both in it."""

    def given(distance: float) -> float:
        power = math.log(0.5) / math.log(math.cos(math.radians(beam / 2.0)))
        places = [(i + 0.5) / 40 * 0.4 - 0.2 for i in range(40)]
        squares = [distance**2 + x * x + y * y for x in places for y in places]
        return sum((distance / math.sqrt(q)) ** (power + 1.0) / q for q in squares)

    true = 1000.0 * given(away) / given(figure_at)
    lamp = replace(NEAR_KEY, place=Place(1.0 + away, 0.0, 1.3, "mark"), size=None, beam=beam)
    lamp = replace(lamp, output=Output(1000.0, figure_at))
    full = sure.at_full(corner(PLUG, lamp), lamp, (0.0, 1.0, 1.3), (0.0, 1.0, 0.0))
    assert full is not None and abs(math.log2(true / full.value)) > 0.8
    assert abs(true - full.value) <= full.within


def test_what_is_not_known_at_all_is_told_no_wider_than_a_thousandfold() -> None:
    """A spot of one degree that hardly grazes the face: by its slopes it is off by millions."""
    for spark in (Sure(1e-9, {"a: across": 1.0}), Sure(1e-300, {"a: across": 1e300})):
        assert spark.stops == sure.WIDEST
        check = Check(("a",), spark.value, spark.value, spark.stops or 0.0, 0.3)
        assert all(math.isfinite(lux) for lux in check.band(spark.value))
        assert give_or_take(spark.stops) == " ± 10.0 or more stops"


def test_the_white_of_one_lamp_is_known_no_better_than_its_bin() -> None:
    """Bins of ANSI C78.377 (from memory), K: a lamp of 3500 may be 245 off, one of 2700 145."""
    for middle, off in ((2725.0, 145.0), (3465.0, 245.0), (3985.0, 275.0), (6530.0, 510.0)):
        known = light_of(corner(PLUG, NEAR_KEY), "day", {"key": Preset(60.0, middle)})
        assert known.sure.white >= 0.95 * off * 1e6 / middle**2


def test_a_meter_is_no_truer_than_its_class() -> None:
    """DIN 5032-7 (from memory): 5 % of an illuminance meter of class A, which is more than most have.
    One reading of a lamp, by a hand that is 5 % off as well: 7 %, a tenth of a stop."""
    lamp = Preset(60.0, 4300.0)
    held_to = (MeterReading(500.0, "face", {"key": lamp}, "day"),)
    profile = replace(corner(PLUG, NEAR_KEY), readings=held_to)
    known = light_of(profile, "day", {"key": lamp}).sure.lux
    assert known == pytest.approx(0.1, abs=0.01)


# ---- by dice --------------------------------------------------------------------------------


def test_the_true_light_lies_within_for_about_95_of_100() -> None:
    """Rooms drawn by dice, their light reckoned whole and not by slopes (JCGM 101: Monte Carlo)."""
    profile, dice, draws = corner(), random.Random(7), 400
    known = light_of(profile, "day", LEVELS)
    inside = {"lux": 0, "ratio": 0, "key": 0}
    band = known.sure.fixture("key")
    for _ in range(draws):
        true = as_it_is(profile, dice)
        lights = {n: Face(true).lux(n, p.level or 0.0) or 0.0 for n, p in LEVELS.items()}
        whole = sum(lights.values())
        ratio = lights["key"] / lights["fill"]
        inside["lux"] += abs(math.log2(whole / known.whole.lux)) <= known.sure.lux
        inside["ratio"] += abs(math.log2(ratio / known.whole.ratio)) <= known.sure.ratio
        nominal = next(f.lux for f in known.fixtures if f.device == "key")
        inside["key"] += abs(math.log2(lights["key"] / nominal)) <= band.lux
    for count in inside.values():
        held(count, draws)


def test_the_mixed_white_lies_within_for_about_95_of_100() -> None:
    presets = {"key": Preset(60.0, 3200.0), "fill": Preset(40.0, 5600.0)}
    profile, dice, draws = corner(PLUG, NEAR_KEY, NEAR_FILL, CAMERA), random.Random(11), 400
    known = light_of(profile, "day", presets)
    inside = 0
    for _ in range(draws):
        true = as_it_is(profile, dice)
        whites: Mapping[str, Preset] = {
            n: Preset(p.level, 1e6 / (1e6 / (p.cct or 1.0) + dice.gauss(0.0, sure.WHITE / 2.0)))
            for n, p in presets.items()
        }
        cct = Face(true).whole(whites).cct
        inside += abs(1e6 / cct - 1e6 / known.whole.cct) <= known.sure.white
    held(inside, draws)


def test_what_is_said_of_a_backdrop_is_as_sure_as_it_says() -> None:
    """Of a bell two deviations wide on either side, half lies within a third of that."""
    profile, dice = corner(), random.Random(21)
    known = light_of(profile, "day", LEVELS)
    said, band = known.backdrops[0], known.sure.backdrop("cloth")
    off: dict[str, list[float]] = {n: [] for n in ("incident", "against_grey", "spread", "spill")}
    for _ in range(80):
        true = as_it_is(profile, dice)
        cloth = true.devices["cloth"]
        reflects = cloth.reflects * (1.0 + dice.gauss(0.0, sure.REFLECTS / 2.0))
        devices = {**true.devices, "cloth": replace(cloth, reflects=reflects)}
        found = light_of(replace(true, devices=devices), "day", LEVELS, weighed=False).backdrops[0]
        for name in ("incident", "against_grey", "spread"):
            by = abs(getattr(found, name) - getattr(said, name))
            off[name].append(by / getattr(band, name))
        off["spill"].append(abs(math.log2(found.spill / said.spill)) / band.spill)
    for name, shares in off.items():
        assert sum(share <= 1.0 for share in shares) >= 70, name
        assert 0.22 <= sorted(shares)[40] <= 0.5, name
