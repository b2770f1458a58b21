"""The line around what a moved lamp lights, held against what the lamp truly changes."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

import cv2
import numpy as np
import pytest
from numpy.typing import NDArray

from studiobridge.profile.sighting import Band, SeenLight, Sighting
from studiobridge.witness.outlines import MOST_LAMPS, MOST_LINES, MOST_POINTS, outlines
from tests.witness.little_room import LittleRoom

SHAPE = (270, 480)
STOOD = {"key": 0.5, "fill": 0.5, "cloth": 0.5, "rim": 0.5}


@pytest.fixture(scope="module")
def room() -> LittleRoom:
    return LittleRoom(5, SHAPE, dark=0.02)


def seen(moved: Mapping[str, float], **more: object) -> Sighting:
    """A look at lamps that stood at half, some of them so many stops from there now."""
    lights = {}
    for name, amount in STOOD.items():
        stops = moved.get(name, 0.0)
        now = amount * 2.0**stops
        lights[name] = SeenLight(
            Band(0.95 * now, now, 1.05 * now),
            stops=Band(stops - 0.05, stops, stops + 0.05),
            moved=name in moved,
        )
    return replace(Sighting("r", 1, 0.0, 0.0, lights=lights), **more)  # type: ignore[arg-type]


def changed(room: LittleRoom, name: str, stops: float) -> NDArray[np.float32]:
    """How much (stops) each place truly changes; the grain of things made even."""
    before = room.light(STOOD).sum(axis=2)
    after = room.light({**STOOD, name: STOOD[name] * 2.0**stops}).sum(axis=2)
    return np.asarray(cv2.blur(np.abs(np.log2(after / before)), (9, 9)), np.float32)


@pytest.mark.parametrize("name", ["key", "fill", "cloth", "rim"])
@pytest.mark.parametrize("stops", [0.4, -0.7])
def test_a_line_is_around_where_the_lamp_changes_what_is_seen(
    room: LittleRoom, name: str, stops: float
) -> None:
    found = outlines(room.learned, seen({name: stops}))
    assert found and {one.device for one in found} == {name}
    assert {one.stops for one in found} == {stops}
    inside = np.zeros(SHAPE, np.uint8)
    for one in found:
        points = np.array(one.points) * [SHAPE[1], SHAPE[0]]
        cv2.fillPoly(inside, [np.rint(points).astype(np.int32)], 1)
    true = changed(room, name, stops)
    high = float(np.quantile(true, 0.97))
    # what changes most is inside, what hardly changes is not, and it is a part and no all
    assert inside[true >= 0.9 * high].mean() > 0.9
    assert inside[true <= 0.3 * high].mean() < 0.05 if (true <= 0.3 * high).any() else True
    assert 0.01 < inside.mean() < 0.99


def test_only_what_surely_moved_in_a_look_that_can_be_used(room: LittleRoom) -> None:
    learned = room.learned
    assert outlines(learned, seen({})) == []
    assert outlines(learned, seen({"rim": 0.4}, hinders=("moved",))) == []
    one = seen({"rim": 0.4})
    for broken in (
        replace(one.lights["rim"], tells=False),
        replace(one.lights["rim"], moved=False),
        replace(one.lights["rim"], stops=None),
    ):
        assert outlines(learned, replace(one, lights={**one.lights, "rim": broken})) == []
    # a lamp that was not learned has no picture, and the others are drawn
    strange = {**one.lights, "lamp": replace(one.lights["rim"], stops=Band(2.0, 2.1, 2.2))}
    found = outlines(learned, replace(one, lights=strange))
    assert {each.device for each in found} == {"rim"}


def test_however_ragged_it_is_small_enough_to_send(room: LittleRoom) -> None:
    """A picture of nothing but grain, every lamp moved, holes where nothing is known."""
    dice = np.random.default_rng(3)
    shares = []
    for share in room.learned.shares:
        light = (share.light * dice.uniform(0.0, 2.0, share.light.shape)).astype(np.float32)
        blots = cv2.resize(dice.uniform(0, 1, (34, 60)).astype(np.float32), SHAPE[::-1])
        light[blots > 0.5] *= np.float32(0.02)
        light[100:120, 200:230] = np.nan
        shares.append(replace(share, light=light))
    ragged = replace(room.learned, shares=tuple(shares))
    found = outlines(ragged, seen({"key": 0.5, "fill": 0.8, "cloth": -0.4, "rim": 1.0}))
    assert found and found[0].device == "rim"  # what moved most comes first
    assert len(found) <= MOST_LAMPS * MOST_LINES
    for one in found:
        assert 3 <= len(one.points) <= MOST_POINTS
        assert all(0.0 < x < 1.0 and 0.0 < y < 1.0 for x, y in one.points)
