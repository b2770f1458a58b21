"""The part of a backdrop that is in the picture, by hand."""

from __future__ import annotations

from dataclasses import replace

import pytest

from studiobridge.figures.framing import edges_of_view, seen_on
from studiobridge.profile.model import Device, Picture, Place, Room, SetProfile
from tests.figures.sets import CAMERA, KEY, PLUG, small

# 4 m out, 36 mm of lens before 36 x 24 mm: a level picture 4 m wide on the wall, less what a thin
# lens that is focused 3 m away takes off: 2964/3000.
WALL = Device("wall", "backdrop", place=Place(0.0, 0.0, 1.5), size=(4.0, 3.0))
NEAR = 2964 / 3000


def stands(camera: Device = CAMERA, **picture: object) -> SetProfile:
    lens = {"focal": 36.0, "sensor": (36.0, 24.0), **picture}
    return small(PLUG, KEY, camera, WALL, picture=Picture(**lens))  # type: ignore[arg-type]


def test_a_level_camera_by_hand() -> None:
    found = seen_on(stands(), WALL)
    assert found is not None and found.lacks == () and found.covered == pytest.approx(1)
    x, y = 2 * NEAR, 4 / 3 * NEAR
    assert found.corners == tuple(
        pytest.approx(c, abs=1e-9) for c in ((-x, -y), (x, -y), (x, y), (-x, y))
    )
    assert found.shows((1.9, -1.3)) and not found.shows((1.99, 0.0))


def test_one_that_hangs_to_the_side_and_too_low_leaves_the_picture_uncovered() -> None:
    """1 m to the right and 0.5 m low: the picture passes it by what it moved, less its excess."""
    found = seen_on(stands(), replace(WALL, place=Place(0.0, 1.0, 1.0)))
    assert found is not None
    lacks = {lack.edge: lack for lack in found.lacks}
    assert set(lacks) == {"left", "top"}
    assert lacks["left"].by == pytest.approx(2 * NEAR - 1)
    assert lacks["top"].by == pytest.approx(4 / 3 * NEAR - 1)
    assert lacks["left"].share == pytest.approx((2 * NEAR - 1) / (4 * NEAR))
    covered = (2 * NEAR + 1) * (4 / 3 * NEAR + 1) / (4 * NEAR * 8 / 3 * NEAR)
    assert found.covered == pytest.approx(covered)


def test_a_camera_that_is_aimed_up_sees_more_of_the_top() -> None:
    """Without an aim it looks level from where it stands, whatever the mark's height."""
    low = replace(CAMERA, place=Place(4.0, 0.0, 0.5))
    level = seen_on(stands(low), WALL)
    up = seen_on(stands(replace(low, place=Place(4.0, 0.0, 0.5, "mark"))), WALL)
    assert level is not None and up is not None
    assert max(y for _, y in level.corners) == pytest.approx(-1 + 4 / 3 * NEAR, abs=0.001)
    assert max(y for _, y in up.corners) > 1.5
    assert [lack.edge for lack in level.lacks] == ["bottom"]


def test_the_sides_of_the_picture_are_those_it_is_made_in() -> None:
    """16:9 of a 3:2 sensor is 27/32 of its height."""
    found = seen_on(stands(aspect=16 / 9), WALL)
    assert found is not None
    assert found.corners[2] == pytest.approx((2 * NEAR, 4 / 3 * NEAR * 27 / 32))


def test_where_nothing_is_to_be_seen() -> None:
    assert seen_on(stands(focal=None), WALL) is None
    assert seen_on(stands(), replace(WALL, size=None)) is None
    behind = replace(WALL, place=Place(4.5, 0.0, 1.5))
    assert seen_on(stands(), behind) is None
    away = replace(CAMERA, place=Place(0.5, 0.0, 1.5, "mark"))
    found = seen_on(replace(stands(away), room=Room(mark=Place(1.0, 0.0, 1.5))), WALL)
    assert found is not None and found.covered == 0 and found.part == ()
    assert not found.shows((0.0, 0.0))


def test_the_edges_that_are_drawn_are_those_of_the_picture() -> None:
    """Level, without an aim: straight at the wall, however far aside the mark is; 2 m at 4 m, less
    the focus, on either side. A sensor that is cropped in its width shows less of it."""
    aside = replace(CAMERA, place=Place(4.0, 1.0, 1.5))
    room = Room(mark=Place(1.0, 0.0, 1.5))
    for aspect, half in ((None, 2 * NEAR), (1.0, 4 / 3 * NEAR)):
        edges = edges_of_view(replace(stands(aside, aspect=aspect), room=room), 10.0)
        for (start, (x, y)), sign in zip(edges, (-1, 1), strict=True):
            assert start == (1.0, 4.0)
            assert 1.0 + (x - 1.0) * 4.0 / (4.0 - y) == pytest.approx(1.0 + sign * half)
    assert edges_of_view(stands(focal=None), 10.0) == ()


def test_what_is_spare_and_where_the_floor_begins() -> None:
    """Hung 1 cm to the right: on the left 2 - 1.976 - 0.01 m are left, less than anywhere else."""
    found = seen_on(stands(), replace(WALL, place=Place(0.0, 0.01, 1.5)))
    assert found is not None and found.spare is not None
    assert found.spare == ("left", pytest.approx(2 - 2 * NEAR - 0.01))
    # the picture's lower edge is 1.317 m under the lens there
    assert not found.floor
    low = replace(CAMERA, place=Place(4.0, 0.0, 1.3))
    under = seen_on(stands(low), WALL)
    assert under is not None and under.floor and under.spare is None
