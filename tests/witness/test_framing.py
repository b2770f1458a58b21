"""Where the camera looks: warps of known numbers (cv2.warpAffine), lamps that change, people, nothing."""

from __future__ import annotations

import math

import cv2
import numpy as np
import pytest

from studiobridge.witness.framing import MOVED, Framer, framing
from studiobridge.witness.learned import Kept
from tests.witness.little_room import LittleRoom, person

WIDTH, HEIGHT = 960, 540


@pytest.fixture(scope="module")
def room() -> LittleRoom:
    return LittleRoom(3)


@pytest.fixture(scope="module")
def framer(room: LittleRoom) -> Framer:
    return Framer(room.kept())


def put(
    light: np.ndarray, right: float, down: float, turn: float = 0.0, zoom: float = 1.0
) -> np.ndarray:
    """The camera looks so far right and down, leans to its right, comes closer: its things do the
    opposite. OpenCV's angle is counter-clockwise as one looks at the picture."""
    how = cv2.getRotationMatrix2D(((WIDTH - 1) / 2, (HEIGHT - 1) / 2), turn, zoom)
    how[:, 2] -= (right, down)
    return cv2.warpAffine(light, how, (WIDTH, HEIGHT), borderMode=cv2.BORDER_REFLECT)


@pytest.mark.parametrize(
    ("right", "down", "turn", "zoom"),
    [
        (9.6, 0.0, 0.0, 1.0),
        (-6.8, 6.8, 0.0, 1.0),
        (14.0, -3.0, 1.2, 1.0),
        (0.0, 0.0, 0.0, 1.03),
        (-30.0, 12.0, -2.0, 0.97),
        (120.0, -60.0, 0.0, 1.0),
    ],
)
@pytest.mark.parametrize("who", [None, 0.5])
def test_a_camera_that_was_moved_is_measured_though_lamps_changed_and_somebody_came(
    room: LittleRoom,
    framer: Framer,
    right: float,
    down: float,
    turn: float,
    zoom: float,
    who: float | None,
) -> None:
    light = put(
        room.light({"key": 0.6, "fill": 1.5, "cloth": 0.8, "rim": 1.0}), right, down, turn, zoom
    )
    if who is not None:
        light, _ = person(light, who)
    found = framer.look(room.frame(light))
    assert found is not None and found.moved
    # asked is 0.2 % of the width
    assert math.hypot(found.right - right, found.down - down) < 0.001 * WIDTH
    assert found.turn == pytest.approx(turn, abs=0.05)
    assert found.zoom == pytest.approx(zoom, abs=0.002)


def test_a_great_turn_is_found_by_features(room: LittleRoom, framer: Framer) -> None:
    found = framer.look(room.frame(put(room.light(), 20.0, 10.0, 9.0, 1.1)))
    assert found is not None and found.moved
    assert (found.right, found.down) == pytest.approx((20.0, 10.0), abs=1.0)
    assert (found.turn, found.zoom) == (pytest.approx(9.0, abs=0.1), pytest.approx(1.1, abs=0.005))


def test_how_far_is_the_root_mean_square_over_the_picture(room: LittleRoom, framer: Framer) -> None:
    found = framer.look(room.frame(put(room.light(), 0.0, 0.0, 2.0)))
    ys, xs = (
        np.mgrid[0:HEIGHT, 0:WIDTH] - np.array([(HEIGHT - 1) / 2, (WIDTH - 1) / 2])[:, None, None]
    )
    went = 2 * np.sin(math.radians(2.0) / 2) * np.hypot(xs, ys)
    assert found is not None
    assert found.share == pytest.approx(float(np.sqrt((went**2).mean())) / WIDTH, rel=0.01)


def test_lamps_and_people_are_no_move(room: LittleRoom, framer: Framer) -> None:
    dice = np.random.default_rng(8)
    for trial in range(4):
        light = room.light({name: float(2 ** dice.uniform(-0.8, 0.8)) for name in room.shares})
        if trial % 2:
            light, _ = person(light, float(dice.uniform(0.3, 0.7)), 1.2, trial)
        found = framer.look(room.frame(light))
        assert found is not None and not found.moved
        assert found.share < MOVED / 5
        assert (found.softer or 0.0) < 0.06


def test_softer_is_said_whatever_the_lamps_do(room: LittleRoom, framer: Framer) -> None:
    softer = []
    for sigma in (0.0, 0.7, 1.5, 3.0):
        light = room.light({"key": 0.5, "fill": 1.0, "cloth": 1.5, "rim": 0.5})
        blurred = cv2.GaussianBlur(light, (0, 0), sigma) if sigma else light
        found = framer.look(room.frame(blurred))
        softer.append(found.softer if found is not None else None)
    assert None not in softer[:3]
    assert softer[0] < 0.05 and softer[1] > 0.1 and softer[2] > 0.3  # type: ignore[operator]
    assert softer[1] < softer[2]  # type: ignore[operator]


def flat(value: int) -> np.ndarray:
    return np.full((HEIGHT, WIDTH, 3), value, np.uint8)


def test_it_cannot_tell_where_nothing_has_edges(room: LittleRoom, framer: Framer) -> None:
    noise = np.random.default_rng(1).integers(0, 255, (HEIGHT, WIDTH, 3)).astype(np.uint8)
    for codes in (flat(0), flat(255), flat(120), noise, flat(120)[:270, :480]):
        assert framer.look(codes) is None
    every = np.ones((HEIGHT, WIDTH), bool)
    assert framing(Kept("plain", "", flat(128), every), room.frame(room.light())) is None
    assert framer.look(room.frame(room.light()), np.zeros((HEIGHT, WIDTH), bool)) is None


def test_another_room_is_not_the_kept_one_moved(framer: Framer) -> None:
    for seed in (11, 12):
        other = LittleRoom(seed)
        found = framer.look(other.frame(other.light()))
        assert found is None


def test_two_fifths_hidden_by_somebody_who_was_found(room: LittleRoom, framer: Framer) -> None:
    light, mask = person(put(room.light(), 10.0, 0.0), 0.5, 1.7)
    assert mask.mean() > 0.4
    found = framer.look(room.frame(light), ~mask)
    assert found is not None
    assert found.right == pytest.approx(10.0, abs=1.0)


def test_what_did_not_count_in_the_kept_picture_is_not_looked_for(room: LittleRoom) -> None:
    light, mask = person(room.light(), 0.5)
    kept = Kept("lesson", "", room.frame(light), ~mask)
    elsewhere, _ = person(put(room.light(), 8.0, -8.0), 0.42)
    found = framing(kept, room.frame(elsewhere))
    assert found is not None
    assert (found.right, found.down) == pytest.approx((8.0, -8.0), abs=0.5)
