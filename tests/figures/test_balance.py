"""The light solved backwards: by hand, beside brute force, and what cannot be had."""

from __future__ import annotations

import math
from dataclasses import replace
from pathlib import Path

import pytest

from studiobridge.craft.exposure import C_DOME
from studiobridge.craft.grid import Grid
from studiobridge.craft.light import Dimmer
from studiobridge.figures.balance import Balanced, balance, stands
from studiobridge.figures.light import light_of
from studiobridge.figures.wishes import CannotBalance
from studiobridge.profile import read_profile
from studiobridge.profile.model import Output, Picture, Place, Preset, Room, SetProfile, Wants
from tests.figures.balanced import NEAR, compared
from tests.figures.sets import CAMERA, FILL, KEY, MARK, PLUG, small

CONFIG = Path(__file__).parents[2] / "config"
FINE = {"key": Grid(0, 100, 0.1, "percent"), "fill": Grid(0, 100, 0.1, "percent")}
# Behind the subject, 2 m away and 25000 lx at 1 m: 6250 lx on a plane turned to it.
RIM = replace(KEY, name="rim", role="rim", place=Place(1.0, 0.0, 3.5, "mark"))


def solved(profile: SetProfile, **wants: float) -> Balanced:
    return balance(profile, "day", Wants(**wants), FINE, {})


def level(found: Balanced, name: str) -> float:
    now = next(s.now.level for s in found.settings if s.device == name)
    assert now is not None
    return now


def seen(profile: SetProfile, found: Balanced):  # type: ignore[no-untyped-def]
    return light_of(profile, "day", {s.device: s.now for s in found.settings})


@pytest.mark.parametrize("seed", range(20))
def test_no_farther_from_what_is_wanted_than_brute_force(seed: int) -> None:
    ours, best, _ = compared(seed, seed % 2 == 0, tries=2)
    assert ours <= best + NEAR


def test_two_to_one_at_an_aperture_by_hand() -> None:
    """Key 800 lx and fill 600 lx at full on the face (3-4-5 triangles). f/2.8 at 1/50 s and ISO 100
    is 2.8^2 x 250 / (100 / 50) = 980 lx (ISO 2720, from memory): at two to one 653 and 327 lx."""
    found = solved(small(), aperture=2.8, ratio=2.0)
    assert level(found, "key") == pytest.approx(980 * 2 / 3 / 800 * 100, abs=0.1)
    assert level(found, "fill") == pytest.approx(980 / 3 / 600 * 100, abs=0.1)
    whole = seen(small(), found).whole
    assert whole.ratio == pytest.approx(2.0, rel=0.01)
    assert found.aperture == pytest.approx((2.8, 2.8), rel=0.005)
    assert found.limits == ()


def test_an_aperture_is_what_a_dome_reads_where_the_meter_has_one() -> None:
    """A dome reads (1 + cos) / 2 of a light: of key and fill 0.9 and 0.8 of 1000 and 781 lx, and
    the constant is 330 (ISO 2720, from memory): f/2.8 is 2.8^2 x 330 / (100 / 50) = 1294 lx."""
    dome = replace(small().picture, receptor="dome", constant=330.0)
    profile = small(picture=dome)
    found = solved(profile, aperture=2.8, ratio=2.0)
    light = seen(profile, found)
    assert light.whole.dome == pytest.approx(2.8**2 * 330 / 2, rel=0.01)
    assert light.exposure.aperture == pytest.approx(2.8, rel=0.005)
    assert light.whole.ratio == pytest.approx(2.0, rel=0.01)
    assert found.aperture == pytest.approx((2.8, 2.8), rel=0.005)


def test_a_lamp_of_unknown_output_behind_a_dome_is_left_out_as_light_does() -> None:
    lamp = replace(KEY, name="lamp", role="practical", output=None, place=Place(0.5, 0.5, 1.2))
    dome = replace(small().picture, receptor="dome", constant=330.0)
    lit = {"key": Preset(50.0, 4000.0), "fill": Preset(40.0, 4000.0), "lamp": Preset(40.0)}
    profile = small(PLUG, KEY, FILL, CAMERA, lamp, picture=dome, presets=lit)
    found = solved(profile, aperture=2.8, ratio=2.0)
    exposure = seen(profile, found).exposure
    assert exposure is not None and exposure.aperture == pytest.approx(2.8, rel=0.005)
    # where lux on the face are wanted, what a dome reads of them is another figure
    assert solved(profile, lux=500.0, ratio=2.0).aperture is None


def test_what_is_not_asked_stays_as_the_look_has_it() -> None:
    profile = small()
    found = solved(profile, ratio=3.0)
    before, after = (
        light_of(profile, "day", p) for p in (profile.looks["day"].presets, None or {})
    )
    assert seen(profile, found).whole.lux == pytest.approx(before.whole.lux, rel=0.005)
    assert after.whole is None or after.whole.lux == 0.0
    assert [(w.what, w.by) for w in found.wishes] == [("face", "as it is"), ("ratio", "asked")]


def test_what_is_asked_goes_before_what_the_look_is_for() -> None:
    profile = small()
    look = replace(profile.looks["day"], wants=Wants(ratio=4.0, lux=500.0))
    profile = replace(profile, looks={"day": look})
    found = solved(profile, ratio=2.0)
    assert {w.what: (w.by, w.wanted) for w in found.wishes} == {
        "face": ("look", 500.0),
        "ratio": ("asked", pytest.approx(2.0)),
    }
    off = {w.what: w.off for w in stands(profile, "day")}
    # as it stands 400 and 240 lx: 640 lx, and 1.67 to 1
    assert off["face"] == pytest.approx(math.log2(640 / 500))
    assert off["ratio"] == pytest.approx(math.log2(400 / 240 / 4))


@pytest.mark.parametrize(
    "dimmer",
    [
        Dimmer("square"),
        Dimmer("logarithmic"),
        Dimmer("measured", ((10.0, 3.0), (30.0, 17.0), (50.0, 38.0), (80.0, 76.0), (100.0, 100.0))),
    ],
    ids=lambda d: d.curve,
)
def test_each_dimmer_is_turned_to_where_it_gives_that_light(dimmer: Dimmer) -> None:
    profile = small(PLUG, KEY, replace(FILL, dimmer=dimmer), CAMERA)
    found = solved(profile, lux=600.0, ratio=2.0)
    assert seen(profile, found).whole.lux == pytest.approx(600.0, rel=0.01)
    assert seen(profile, found).whole.ratio == pytest.approx(2.0, rel=0.02)


def test_a_hand_sets_whole_percents_and_a_device_its_own_steps() -> None:
    by_hand = replace(FILL, speaks=None, tells=frozenset(), hears=frozenset(), hand_set=True)
    found = balance(
        small(PLUG, KEY, by_hand, CAMERA),
        "day",
        Wants(lux=777.0, ratio=2.3),
        {"key": Grid(0, 100, 5, "percent")},
        {},
    )
    assert level(found, "fill") == round(level(found, "fill"))
    assert level(found, "key") % 5 == 0
    # 5 % of 800 lx are 40 lx: the hand makes up for what the steps of the key leave
    assert found.wishes[0].off == pytest.approx(0.0, abs=0.1)
    assert {s.device for s in found.settings if s.by_hand} == {"fill"}


def test_a_fill_at_its_end_has_to_stand_nearer() -> None:
    """At full 60 lx: key 800 lx. 600 lx at two to one wants 200: 1/sqrt(200/60) of its distance."""
    weak = replace(FILL, output=Output(2500.0, 1.0))
    found = solved(small(PLUG, KEY, weak, CAMERA), lux=600.0, ratio=2.0)
    limit = next(at for at in found.limits if at.wish.what == "ratio")
    assert (limit.why, limit.lights) == ("most", ("fill",))
    name, here, there = limit.moves[0]
    assert (name, here) == ("fill", pytest.approx(5.0))
    # with the fill there, the wish can be had
    share = there / here
    nearer = replace(weak, place=Place(1 + 3 * share, 4 * share, 1.5, "mark"))
    key = next(s.now.level for s in found.settings if s.device == "key")
    whole = light_of(
        small(PLUG, KEY, nearer, CAMERA), "day", {"key": Preset(key), "fill": Preset(100.0)}
    ).whole
    assert whole.ratio == pytest.approx(2.0, rel=0.01)
    # and without, the nearest is what is left with 600 lx on the face: 540 to 60
    assert limit.wish.nearest == pytest.approx(540 / 60, rel=0.02)


def test_what_no_place_in_the_room_gives_has_no_move() -> None:
    weak = replace(FILL, output=Output(25.0, 1.0))
    found = solved(small(PLUG, KEY, weak, CAMERA), lux=600.0, ratio=2.0)
    assert [at.moves for at in found.limits if at.wish.what == "ratio"] == [()]
    # a key that is too bright at its least would have to leave the room
    key = replace(KEY, level_range=(60.0, 100.0))
    tight = small(PLUG, key, FILL, CAMERA, room=Room(None, 6.4, 3.0, MARK))
    found = solved(tight, lux=200.0, ratio=1.0)
    assert all(not at.moves for at in found.limits if "key" in at.lights)


def test_a_backdrop_that_the_key_lights_cannot_be_darker() -> None:
    cloth = replace(
        KEY,
        name="cloth",
        kind="backdrop",
        role=None,
        output=None,
        beam=None,
        place=Place(0.2, 0.0, 1.5),
        size=(2.0, 2.0),
        glow=40.0,
        reflects=0.3,
    )
    profile = small(
        PLUG,
        KEY,
        FILL,
        CAMERA,
        cloth,
        presets={
            "key": Preset(50.0, 4000.0),
            "fill": Preset(40.0, 4000.0),
            "cloth": Preset(50.0, 4000.0),
        },
    )
    found = solved(profile, backdrop=-6.0)
    limit = next(at for at in found.limits if at.wish.what == "backdrop")
    assert limit.why == "lit"
    assert limit.lights[0] == "key"
    assert level(found, "cloth") == 0.0
    # the lux of the sentence is what a meter would read there of the key alone
    key = next(s.now for s in found.settings if s.device == "key")
    alone = light_of(profile, "day", {"key": key, "cloth": Preset(0.0)}).backdrops[0]
    assert limit.lux == pytest.approx(alone.points[2], rel=1e-3)
    got = light_of(profile, "day", {s.device: s.now for s in found.settings}).backdrops[0]
    assert limit.wish.got == pytest.approx(got.against_grey, abs=0.01)


def test_a_wish_that_cannot_be_had_costs_the_face_next_to_nothing() -> None:
    profile = small(
        PLUG,
        KEY,
        FILL,
        RIM,
        CAMERA,
        presets={
            "key": Preset(50.0, 4000.0),
            "fill": Preset(40.0, 4000.0),
            "rim": Preset(2.0, 4000.0),
        },
    )
    found = balance(profile, "day", Wants(aperture=2.0, ratio=2.0, rim=5.0), FINE, {})
    off = {w.what: w.off for w in found.wishes}
    assert off["rim"] < -0.5
    assert abs(off["face"]) < 0.05 and abs(off["ratio"]) < 0.05


def test_dark_lights_stay_dark_unless_they_are_needed() -> None:
    presets = {"key": Preset(50.0), "fill": Preset(40.0), "rim": Preset(0.0)}
    profile = small(PLUG, KEY, FILL, RIM, CAMERA, presets=presets)
    assert level(solved(profile, ratio=2.0), "rim") == 0.0
    needed = solved(profile, rim=-1.0)
    assert level(needed, "rim") > 0.0
    assert [s.device for s in needed.settings if s.needed] == ["rim"]


def test_what_nobody_sees_turns_no_dial() -> None:
    """81.5 and 54.2 % where 81.7 and 54.4 % would be: 0.004 stop."""
    profile = small(presets={"key": Preset(81.5, 4000.0), "fill": Preset(54.2, 4000.0)})
    assert solved(profile, aperture=2.8, ratio=2.0).presets == {}
    profile = small(presets={"key": Preset(79.0, 4000.0), "fill": Preset(54.2, 4000.0)})
    assert set(solved(profile, aperture=2.8, ratio=2.0).presets) == {"key", "fill"}


def test_lights_that_cannot_be_reckoned_are_left_and_named() -> None:
    from studiobridge.craft.chroma import Colour

    bare = replace(KEY, name="bare", role=None, output=None)
    tinted = replace(KEY, name="tinted", role=None)
    in_picture = replace(KEY, name="bulb", role="practical")
    profile = small(
        PLUG,
        KEY,
        FILL,
        bare,
        tinted,
        in_picture,
        CAMERA,
        presets={
            "key": Preset(50.0),
            "fill": Preset(40.0),
            "bare": Preset(30.0),
            "tinted": Preset(20.0, colour=Colour(0.3, 0.6)),
            "bulb": Preset(10.0),
        },
    )
    found = solved(profile, lux=500.0)
    assert set(found.presets) == {"key", "fill"}
    assert any("tinted is coloured" in text for text in found.missing)
    assert any("no output given for bare" in text for text in found.missing)
    # the bulb gives its 80 lx as before, and counts
    assert seen(profile, found).whole is None or found.wishes[0].got == pytest.approx(500, rel=0.01)


def test_a_load_that_is_too_much_is_said() -> None:
    hungry = replace(KEY, draws=2500.0)
    found = solved(small(PLUG, hungry, FILL, CAMERA), lux=1200.0)
    assert any("for long" in text for text in found.over)
    assert not any("for long" in text for text in solved(small(), lux=500.0).over)


@pytest.mark.parametrize(
    ("profile", "wants", "says"),
    [
        (small(room=Room()), {"lux": 300.0}, "no mark"),
        (small(PLUG, replace(KEY, role=None), FILL, CAMERA), {"ratio": 2.0}, "role key"),
        (small(PLUG, KEY, replace(FILL, role=None), CAMERA), {"ratio": 2.0}, "role fill"),
        (small(), {"rim": 0.5}, "role rim"),
        (small(picture=Picture(iso=100.0)), {"aperture": 4.0}, "no shutter is given"),
        (small(picture=Picture()), {"aperture": 4.0}, "no shutter and no ISO is given"),
        (small(), {"backdrop": 0.0}, "this set has none"),
        (small(presets={"key": Preset(0.0), "fill": Preset(0.0)}), {"lux": 300.0}, "reaches"),
    ],
)
def test_what_has_nothing_to_be_reckoned_with_says_what_to_add(
    profile: SetProfile, wants: dict[str, float], says: str
) -> None:
    with pytest.raises(CannotBalance, match=says) as refused:
        solved(profile, **wants)
    assert refused.value.todo


# ---- whites -----------------------------------------------------------------------------------


def test_one_white_for_all_where_all_can_have_it() -> None:
    found = solved(small(), white=3200.0)
    assert {s.now.cct for s in found.settings} == {3200.0}
    assert found.white is not None
    assert found.white.off == pytest.approx(0.0, abs=0.1)
    assert found.white.duv == pytest.approx(0.0, abs=1e-5)


def test_one_that_can_move_makes_up_for_one_that_cannot() -> None:
    """A key fixed at 4000 K: the fill goes past 3200 K to bring the mix there, and what is left
    lies on the chord between the two, below the Planckian locus."""
    fixed = replace(KEY, tells=frozenset({"level"}))
    found = solved(small(PLUG, fixed, FILL, CAMERA), white=3600.0)
    now = {s.device: s.now.cct for s in found.settings}
    assert now["key"] == 4000.0 and now["fill"] is not None and now["fill"] < 3600.0
    white = found.white
    assert white is not None and white.fixed == ("key",)
    assert white.off == pytest.approx(0.0, abs=1.5)
    assert white.duv is not None and -0.003 < white.duv < 0.0


def test_a_range_that_ends_short_is_named() -> None:
    short = replace(KEY, cct_range=(3800.0, 5600.0))
    found = solved(small(PLUG, short, FILL, CAMERA), white=3200.0)
    assert {s.device: s.now.cct for s in found.settings}["key"] == 3800.0
    assert found.white is not None and found.white.at_end == ("key",)


def test_an_aperture_by_a_dome_is_what_light_says_of_it() -> None:
    picture = Picture(shutter=1 / 50, iso=100.0, constant=330.0, receptor="dome")
    profile = small(picture=picture)
    found = solved(profile, aperture=2.0, ratio=2.0)
    exposure = seen(profile, found).exposure
    assert exposure is not None and exposure.aperture == pytest.approx(2.0, rel=0.005)


def test_an_aperture_by_a_dome_is_what_light_then_says() -> None:
    """A dome reads rims and side lights too (ISO 2720 gives it a constant of its own)."""
    made = read_profile(CONFIG / "wheel-corner.yaml").profile
    profile = replace(made, picture=replace(made.picture, receptor="dome", constant=C_DOME))
    found = balance(profile, "lesson", Wants(aperture=4.0), {}, {})
    presets = {s.device: s.now for s in found.settings}
    exposure = light_of(profile, "lesson", presets).exposure
    assert exposure is not None
    assert exposure.aperture == pytest.approx(4.0, rel=0.01)
    assert next(w for w in found.wishes if w.what == "face").dome
    look = replace(profile.looks["lesson"], wants=Wants(aperture=4.0))
    wants = replace(profile, looks={**profile.looks, "lesson": look})
    assert stands(wants, "lesson")[0].off == pytest.approx(2 * math.log2(3.0 / 4.0), abs=0.1)
