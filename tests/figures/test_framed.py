"""How a person is framed, by hand: the field at the mark, its band, and where the head is."""

from __future__ import annotations

from dataclasses import replace

import pytest

from studiobridge.figures.framing import Framing
from studiobridge.figures.room import room_of
from studiobridge.profile.model import Device, Picture, Place, Room
from tests.figures.sets import CAMERA, KEY, PLUG, small


def framed(camera: Device = CAMERA, up: float = 1.5, **lens: object) -> Framing:
    """36 x 24 mm, 3 m away: a thin lens of f mm shows side / f * (3 - f/1000) m of the mark."""
    picture = Picture(**{"focal": 36.0, "sensor": (36.0, 24.0), **lens})  # type: ignore[arg-type]
    room = Room(mark=Place(1.0, 0.0, up))
    made = room_of(small(PLUG, KEY, camera, picture=picture, room=room)).framing
    assert made is not None
    return made


def judged(made: Framing) -> dict[str, str]:
    return {fit.framing: fit.judged for fit in made.fits}


def test_a_picture_far_too_wide_for_a_framing_does_not_fit_it() -> None:
    """16 mm from 3 m shows 6.7 x 4.5 m: a person is in it whole, and lost in it."""
    made = framed(focal=16.0)
    assert made.field[1] == pytest.approx(24 / 16 * 2.984)
    assert set(judged(made).values()) == {"too loose"}
    assert made.shows == "wider than full-length"
    assert judged(framed())["half-length"] == "too loose"
    assert judged(framed())["full-length"] == "just does not fit"  # 1.976 m of 2 m


def test_between_two_framings_and_closer_than_all() -> None:
    """38 mm: 1.871 m high, above the 1.76 m of half-length, below the 2 m of full-length."""
    assert framed(focal=38.0).shows == "between half-length and full-length"
    assert framed(focal=200.0).shows == "closer than head-and-shoulders"
    assert framed(focal=60.0).shows == "half-length"  # 1.176 m


def test_just_is_within_the_five_centimetres_a_place_is_good_to() -> None:
    """half-length needs 1.10 m: with 64 mm from 64 * (1 + 1100/24) mm = 2.997 m on."""
    made = framed(focal=64.0)
    fit = next(f for f in made.fits if f.framing == "half-length")
    assert fit.fits and fit.judged == "just fits"
    assert fit.from_distance == pytest.approx(0.064 * (1 + 1.10 / 0.024))
    assert fit.margin == pytest.approx(3 - fit.from_distance, abs=1e-9)
    assert fit.to_distance == pytest.approx(0.064 * (1 + 1.76 / 0.024))
    assert judged(framed(focal=62.0))["half-length"] == "fits"


def test_a_picture_of_other_sides_is_less_high() -> None:
    """16:9 of 36 x 24 mm is 20.25 mm high: what fitted by a tenth lacks a good fifteenth."""
    assert judged(framed(focal=60.0))["half-length"] == "fits"
    wide = framed(focal=60.0, aspect=16 / 9)
    assert wide.sides == pytest.approx((36, 20.25))
    assert wide.field == pytest.approx((36 / 60 * 2.94, 20.25 / 60 * 2.94))
    assert judged(wide)["half-length"] == "does not fit"
    # upright: 13.5 x 24 mm, and its width is what limits
    assert framed(focal=60.0, aspect=9 / 16).sides == pytest.approx((13.5, 24))


def test_what_a_near_focus_takes_off() -> None:
    """A thin lens of 85 mm that is focused at 1 m shows 8.5 % less than far away."""
    near = replace(CAMERA, place=Place(2.0, 0.0, 1.5, "mark"))
    made = framed(near, focal=85.0)
    assert made.closer == pytest.approx(0.085)
    assert made.field[0] == pytest.approx(36 / 85 * 0.915)


def test_the_face_in_the_picture_and_the_air_above_it() -> None:
    """Aimed at the face it is in the middle; a head ends some 13 cm above it (common practice)."""
    made = framed(focal=72.0)
    high = 24 / 72 * 2.928
    assert made.face is not None
    assert made.face.from_top == pytest.approx(0.5)
    assert made.face.headroom == pytest.approx(high / 2 - 0.13, abs=0.003)
    assert not made.face.cut
    # a third from the top is where eyes are put: aimed lower by a sixth of the field
    assert made.face.lower == pytest.approx(high / 6)


def test_a_level_camera_cuts_the_head_of_who_is_higher() -> None:
    level = replace(CAMERA, place=Place(4.0, 0.0, 1.1))
    made = framed(level, focal=72.0)
    assert made.face is not None and made.face.in_picture
    assert made.face.headroom == pytest.approx(24 / 72 * 2.928 / 2 - 0.4 - 0.13)
    assert made.face.cut
    lost = framed(level, up=2.0, focal=72.0).face
    assert lost is not None and not lost.in_picture


def test_a_camera_that_looks_elsewhere() -> None:
    """Its mark behind it: nothing to be said of a framing."""
    turned = replace(CAMERA, place=Place(0.5, 0.0, 1.5))
    picture = Picture(focal=36.0, sensor=(36.0, 24.0))
    found = room_of(small(PLUG, KEY, turned, picture=picture))
    assert found.framing is None
    assert "the camera does not look at the mark: framing not computed" in found.missing
