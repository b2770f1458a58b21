"""How a set is put up: its order, its aims, its meter readings, by hand and for any set."""

from __future__ import annotations

import math
from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from studiobridge.figures.mains import mains_of
from studiobridge.figures.setup import Setup, in_order, setup_of
from studiobridge.profile.model import Device, Picture, Place, Room
from tests.figures.sets import CAMERA, FILL, KEY, MARK, PLUG, small

CLOTH = Device("cloth", "backdrop", battery=True, place=Place(0.2, 0.0, 1.2), size=(2.0, 2.0))
BEHIND = replace(KEY, name="rim", role="rim", place=Place(0.5, 2.0, 2.2, "mark"))
OVER = replace(KEY, name="top", role="wash", place=Place(1.3, 0.2, 2.3, "mark"))
GLASS = Device("glass", "display", fed_by="wall", circuit="wall", place=Place(3.8, 0.0, 1.4))


def setup(*devices: Device, **more: object) -> Setup:
    profile = small(*devices, **more)
    return setup_of(profile, "day", profile.looks["day"].presets)


def test_from_the_back_wall_forward_whatever_the_order_of_the_file() -> None:
    found = setup(CAMERA, GLASS, FILL, KEY, OVER, BEHIND, CLOTH, PLUG)
    assert [s.device for s in found.spots] == [
        *("cloth", "rim", "top", "mark"),
        *("fill", "key", "glass", "camera"),
    ]


# close together, so that one often hangs over another
places = st.builds(Place, st.floats(0, 2), st.floats(-0.6, 0.6), st.floats(0.3, 3.0))
kinds = st.sampled_from(["light", "light", "light", "display", "sensor", "camera", "backdrop"])


@given(st.lists(st.tuples(kinds, places), min_size=1, max_size=9))
def test_nobody_reaches_over_what_stands(things: list[tuple[str, Place]]) -> None:
    """Cloths first, cameras last; behind the mark, what goes up is never further back than what
    stands, but for a light over something; and nothing is hung over what stands already."""
    devices = [Device(f"d{i}", kind, place=place) for i, (kind, place) in enumerate(things)]  # type: ignore[arg-type]
    profile = small(*devices, presets={})
    order = in_order(profile, devices)
    assert sorted(d.name for d in order) == sorted(d.name for d in devices)
    cloths = [d.kind == "backdrop" for d in order]
    assert cloths == sorted(cloths, reverse=True)
    cameras = [d.kind == "camera" for d in order if d.kind != "light"]
    assert cameras == sorted(cameras)
    for i, first in enumerate(order):
        for later in order[i + 1 :]:
            assert first.place and later.place
            gap = math.hypot(
                first.place.across - later.place.across,
                first.place.from_back - later.place.from_back,
            )
            if later.kind == "light" and first.kind != "backdrop" and gap <= 0.6:
                assert later.place.height <= first.place.height
    on_floor = [
        d.place.from_back
        for d in order
        if d.place and d.kind == "sensor" and d.place.from_back > MARK.from_back
    ]
    assert on_floor == sorted(on_floor)


def test_aims_by_right_triangles() -> None:
    """Key 3 left and 4 out of the mark, level with it; the top light 1 up for every 1 across."""
    steep = replace(KEY, name="steep", place=Place(1.0 + 0.6, 0.8, MARK.height + 1.0, "mark"))
    found = {s.device: s.aim for s in setup(PLUG, KEY, FILL, steep, CAMERA).spots}
    assert found["key"].tilt == pytest.approx(0.0)
    assert found["key"].turn == pytest.approx(math.degrees(math.atan(3 / 4)))  # to the right
    assert found["fill"].turn == pytest.approx(-math.degrees(math.atan(4 / 3)))
    assert found["steep"].tilt == pytest.approx(-45.0)
    assert found["camera"].turn == pytest.approx(0.0)


def test_what_a_meter_reads_by_hand() -> None:
    """The worked example of test_light: 400 and 240 lx. A dome sees 500 x (1 + 4/5) / 2 = 450 and
    400 x (1 + 3/5) / 2 = 320: its shadow across the light is half a disc and half an ellipse."""
    found = {check.on: check for check in setup().checks}
    assert found["key",].flat == pytest.approx(400.0)
    assert found["key",].dome == pytest.approx(450.0)
    assert found["fill",].dome == pytest.approx(320.0)
    assert found["key", "fill"].flat == pytest.approx(640.0)
    assert found["key", "fill"].dome == pytest.approx(770.0)


def test_each_placed_light_has_a_stand_and_what_is_fixed_is_not_packed() -> None:
    def stands(made: Setup) -> dict[str, int]:
        return {p.what: p.count for p in made.pack if p.group == "stands"}

    whole = setup(PLUG, KEY, FILL, BEHIND, OVER, CLOTH, CAMERA)
    assert stands(whole) == {
        "stand": 3,
        "boom on a stand": 1,
        "weight for a stand": 4,
        "safety line": 2,
        "stand for a cloth's bar": 2,
        "tripod": 1,
    }
    fixed = replace(OVER, fixed=True)
    less = setup(PLUG, KEY, FILL, BEHIND, fixed, CLOTH, CAMERA)
    assert "boom on a stand" not in stands(less)
    assert not any("top" in p.devices for p in less.pack)
    assert any(s.device == "top" and s.fixed for s in less.spots)


def test_a_stand_that_the_lens_sees_is_a_boom() -> None:
    """Camera 4 m out and 1.5 m up, 36 by 24 mm behind 36 mm focused at 3 m (36.44 mm): 3.5 m away
    the picture reaches 18 / 36.44 x 3.5 = 1.729 m to each side and down to 1.5 - 1.153 m."""
    picture = Picture(focal=36.0, sensor=(36.0, 24.0))

    def on(across: float, height: float = 2.2) -> str:
        light = replace(BEHIND, place=Place(0.5, across, height, "mark"))
        spots = setup(PLUG, KEY, FILL, light, CAMERA, picture=picture).spots
        return next(s.stands_on for s in spots if s.device == "rim")

    assert (on(1.7), on(1.76), on(-1.7), on(-1.76)) == ("boom", "stand", "boom", "stand")
    assert (on(1.0, 0.3), on(1.0, 0.4)) == ("stand", "boom")  # below the picture


def test_without_a_width_there_are_no_tapes_and_it_says_so() -> None:
    found = setup(room=Room(mark=MARK))
    assert all(s.tapes is None for s in found.spots)
    assert any("no width given for the room" in text for text in found.missing)


def test_a_meter_may_say_more_than_less_for_walls_only_add() -> None:
    """In a shut white room 0.56 stop on top (sure.BOUNCE); never narrower than what is known."""
    for check in setup().checks:
        low, high = check.band(check.flat)
        assert math.log2(high / check.flat) - math.log2(check.flat / low) == pytest.approx(0.56)
        assert check.within > 0.1


def test_what_is_brought_and_laid_is_read_off_the_set() -> None:
    found = setup(PLUG, KEY, FILL, CLOTH, GLASS, CAMERA)
    assert [(r.device, r.feed, r.lead.length) for r in found.runs] == [("plug", "wall", 20.0)]
    brought = {(p.group, p.what): (p.count, p.devices) for p in found.pack}
    assert brought["power", "plug"] == (1, ("plug",))
    assert brought["power", "device cable"] == (3, ("key", "fill", "glass"))
    # a lead and three cables: one to spare; 100 Wh at 20 W, a fifth held back
    assert brought["power", "spare cable"] == (1, ())
    batteries = [p for p in found.pack if p.group == "batteries"]
    assert [(p.devices, p.hours) for p in batteries] == [(("camera",), pytest.approx(4.0))]
    assert [p.devices for p in found.pack if p.group == "picture and sound"] == [
        ("glass",),
        ("camera",),
    ]
    cloth = next(s for s in found.spots if s.device == "cloth")
    assert cloth.ends == (-1.0, 1.0)
    assert not any(s.fixed for s in found.spots)
    profile = small(PLUG, KEY, FILL, CLOTH, GLASS, CAMERA)
    load = mains_of(profile, "day", profile.looks["day"].presets).loads[0]
    assert found.feeds == (("wall", load.watts, load.amps),)


def test_a_set_without_a_mark_or_places_says_what_is_missing() -> None:
    assert any("no mark given" in t for t in setup(room=Room(width=5.0)).missing)
    assert not any("no mark given" in t for t in setup().missing)
    bare = setup(
        PLUG, replace(KEY, place=None), replace(FILL, place=None), replace(CAMERA, place=None)
    )
    assert bare.spots == ()
    assert any("no places given" in t for t in bare.missing)
    assert any("no place given for key" in t for t in bare.missing)


def test_what_hangs_straight_over_the_mark_is_not_turned() -> None:
    above = replace(KEY, name="above", place=Place(1.0, 0.0, 2.5, "mark"))
    aim = next(s.aim for s in setup(PLUG, KEY, FILL, above, CAMERA).spots if s.device == "above")
    assert aim is not None
    assert (aim.to, aim.turn, aim.tilt) == ("mark", 0.0, pytest.approx(-90.0))
    assert (aim.height, aim.distance) == (1.5, pytest.approx(1.0))
