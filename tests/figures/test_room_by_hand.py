"""More of a small room worked out by hand: framing, what is behind, where things stand."""

from __future__ import annotations

import math
from dataclasses import replace
from fractions import Fraction
from types import MappingProxyType

import pytest

from studiobridge.figures.depth import budget
from studiobridge.figures.framing import camera_of
from studiobridge.figures.room import room_of
from studiobridge.profile.model import Picture, Place, Room
from tests.figures.sets import CAMERA, FILL, KEY, MARK, PLUG, small

LENS = Picture(focal=36.0, sensor=(36.0, 24.0))
CLOTH = replace(
    KEY, name="cloth", kind="backdrop", place=Place(0.0, 0.0, 1.5), output=None, size=(2.0, 4.0)
)


def test_framing_says_the_first_figure_it_lacks() -> None:
    for more, devices, said in (
        ({"picture": replace(LENS, focal=None)}, (CAMERA,), "no focal length given"),
        ({"picture": replace(LENS, sensor=None)}, (CAMERA,), "no sensor size given"),
        ({"picture": LENS, "room": Room()}, (CAMERA,), "no mark given in the room"),
        ({"picture": LENS}, (KEY,), "no place given for the camera"),
        ({"picture": LENS}, (replace(CAMERA, place=None),), "no place given for the camera"),
        ({"picture": LENS}, (replace(CAMERA, place=MARK),), "the camera stands on the mark"),
    ):
        found = room_of(small(PLUG, *devices, **more))  # type: ignore[arg-type]
        assert found.framing is None
        assert f"{said}: framing not computed" in found.missing


def test_what_of_the_backdrop_fills_the_picture() -> None:
    """From 4 m with 36 mm on 36 x 24 mm one sees 4 x 2.667 m, focused 3 m away 1.2 % less: 2 m of
    cloth are half its width."""
    found = room_of(small(PLUG, KEY, CAMERA, CLOTH, picture=LENS)).framing
    assert found is not None
    assert found.focal == 36.0
    assert found.angle == (
        pytest.approx(math.degrees(2 * math.atan(0.5 * 0.988))),
        pytest.approx(math.degrees(2 * math.atan(0.988 / 3))),
    )
    assert found.backdrop == ("cloth", pytest.approx(0.5 / 0.988), pytest.approx(1.5 / 0.988))
    for other in (
        replace(CLOTH, size=None),
        replace(CLOTH, place=None),
        replace(CLOTH, place=Place(4.0, 0.0, 1.5)),  # beside the lens
        replace(CLOTH, place=Place(5.0, 0.0, 1.5)),  # behind it
        replace(CLOTH, kind="light"),
    ):
        made = room_of(small(PLUG, KEY, CAMERA, other, picture=LENS)).framing
        assert made is not None
        assert made.backdrop is None


def test_how_far_the_mark_is_from_what_is_behind_it() -> None:
    found = room_of(small(PLUG, KEY, CAMERA, CLOTH, replace(CLOTH, name="far", place=None)))
    assert found.behind == (("cloth", 1.0),)
    assert room_of(small(PLUG, CAMERA, CLOTH, room=Room())).behind == ()


def test_which_camera_the_picture_is_about() -> None:
    second = replace(CAMERA, name="second")
    assert camera_of(small(PLUG, CAMERA)) is CAMERA
    assert camera_of(small(PLUG, CAMERA, second)) is None
    assert camera_of(small(PLUG, CAMERA, second, picture=Picture(camera="second"))) is second
    assert camera_of(small(PLUG, KEY)) is None


def test_where_things_stand_and_what_they_aim_at() -> None:
    wash = replace(KEY, name="wash", place=Place(3.0, 4.0, 1.5, "cloth"))
    idle = replace(KEY, name="idle", place=Place(1.0, 1.0, 1.0))
    nowhere = replace(KEY, name="nowhere", place=None)
    found = {
        s.device: s
        for s in room_of(small(PLUG, KEY, FILL, CAMERA, CLOTH, wash, idle, nowhere)).standing
    }
    assert set(found) == {"key", "fill", "camera", "cloth", "wash", "idle"}
    assert found["wash"].aim == "cloth"
    assert found["wash"].distance == pytest.approx(5.0)
    # seen from above at the cloth: the camera straight out, the wash 4 across and 3 out
    assert found["wash"].bearing == pytest.approx(math.degrees(math.atan2(4, 3)))
    assert (found["idle"].aim, found["idle"].distance, found["idle"].bearing) == (None, None, None)
    assert found["camera"].distance == pytest.approx(3.0)
    alone = {s.device: s for s in room_of(small(PLUG, KEY)).standing}
    assert alone["key"].bearing is None  # no camera to take it from
    assert alone["key"].distance == pytest.approx(5.0)


def test_a_bearing_is_never_more_than_half_a_turn() -> None:
    """Behind the subject, a little to the left and to the right as the camera sees them."""
    left = replace(KEY, name="left", place=Place(0.0, -0.1, 1.5, "mark"))
    right = replace(KEY, name="right", place=Place(0.0, 0.1, 1.5, "mark"))
    aside = replace(CAMERA, place=Place(1.0, 3.0, 1.5, "mark"))
    found = {s.device: s.bearing for s in room_of(small(PLUG, left, right, aside)).standing}
    # from the camera at 90 degrees on: right at 174.29, and left at -174.29, the shorter way round
    assert found["left"] == pytest.approx(360.0 - 174.29 - 90.0, abs=0.01)
    assert found["right"] == pytest.approx(
        math.degrees(math.atan2(0.1, -1.0) - math.atan2(3.0, 0.0))
    )


def test_the_depth_of_a_room() -> None:
    chain = MappingProxyType({"cloth": Fraction(1, 2), "gap": Fraction(3, 2)})
    plain = budget(small(room=Room(Fraction(6), mark=MARK, chain=chain)))
    assert plain is not None
    assert (plain.total, plain.left, plain.together, plain.variations) == (2, 4, None, ())
    assert [(s.name, s.total) for s in plain.stations] == [("cloth", Fraction(1, 2)), ("gap", 2)]
    unknown = small(room=Room(mark=MARK, chain=chain))
    made = budget(unknown)
    assert made is not None
    assert made.left is None
    assert "no depth given for the room: what is left is not known" in room_of(unknown).missing
    assert budget(small(room=Room(Fraction(6)))) is None
