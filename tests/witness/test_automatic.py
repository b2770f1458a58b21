"""Exposure and white on automatic, a step by hand, lamps that move: which is which."""

from __future__ import annotations

from collections.abc import Mapping

import cv2
import numpy as np
import pytest

from studiobridge.witness.automatic import NOTHING, Automatic, Setting
from tests.witness.little_room import LittleRoom, person

SHAPE = (270, 480)
BASE = {"key": 0.8, "fill": 1.1, "cloth": 0.9, "rim": 0.7}


@pytest.fixture(scope="module")
def room() -> LittleRoom:
    return LittleRoom(2, SHAPE)


def told(amounts: Mapping[str, float]) -> dict[str, tuple[float, float | None]]:
    return {name: (amount, None) for name, amount in amounts.items()}


def seen(
    room: LittleRoom,
    machine: Automatic,
    amounts: Mapping[str, float],
    gain: tuple[float, float, float] = (1.0, 1.0, 1.0),
    who: float | None = None,
    expected: Mapping[str, float] | None = BASE,
) -> Setting:
    light, usable = room.light(amounts), None
    if who is not None:
        light, mask = person(light, who)
        usable = ~(cv2.dilate(mask.astype(np.uint8), np.ones((9, 9), np.uint8)) > 0)
    codes = room.frame((light * np.array(gain, np.float32)).astype(np.float32))
    return machine.look(room.curve.linear(codes), told(expected) if expected else None, usable)


def grey(stops: float) -> tuple[float, float, float]:
    return (2.0**stops,) * 3


@pytest.mark.parametrize("who", [False, True])
def test_a_step_by_hand_is_exposure_and_no_automatic(room: LittleRoom, who: bool) -> None:
    machine = Automatic(room.learned)
    for frame, stops in enumerate((0.0, 1 / 3, 1 / 3, 1 / 3, 1 / 3, 1 / 3)):
        said = seen(room, machine, BASE, grey(stops), 0.4 + 0.05 * frame if who else None)
        assert said.exposure is not None
        assert said.exposure.low <= stops <= said.exposure.high
        assert said.exposure.high - said.exposure.low < 0.2
        assert said.gains[1] == pytest.approx(2.0**stops, rel=0.02)
        assert not said.auto_exposure and not said.auto_white


@pytest.mark.parametrize("name", list(BASE))
@pytest.mark.parametrize("stops", [-0.8, 0.3, 0.8])
def test_a_lamp_that_moves_is_no_automatic(room: LittleRoom, name: str, stops: float) -> None:
    machine = Automatic(room.learned)
    for frame in range(4):
        moved = {**BASE, name: BASE[name] * 2.0 ** (stops if frame % 2 else stops / 2)}
        said = seen(room, machine, moved)
        assert not said.auto_exposure and not said.auto_white
        assert said.gains == pytest.approx((1.0, 1.0, 1.0), abs=0.03)


def test_all_lamps_by_one_factor_that_were_told_are_lamps(room: LittleRoom) -> None:
    machine = Automatic(room.learned)
    for stops in (0.0, -0.4, -0.8, -1.2):
        dimmed = {name: amount * 2.0**stops for name, amount in BASE.items()}
        said = seen(room, machine, dimmed, expected=dimmed)
        assert said.exposure is not None and abs(said.exposure.value) < 0.03
        assert not said.auto_exposure


@pytest.mark.parametrize("who", [False, True])
def test_exposure_that_drifts_is_automatic_within_three_frames(room: LittleRoom, who: bool) -> None:
    machine = Automatic(room.learned)
    said = [seen(room, machine, BASE, grey(0.15 * n), 0.5 if who else None) for n in range(3)]
    assert said[-1].auto_exposure and not said[-1].auto_white


def test_exposure_that_answers_a_lamp_is_automatic_though_nobody_told_of_the_lamp(
    room: LittleRoom,
) -> None:
    machine = Automatic(room.learned)
    for stops in (0.0, 0.6, 1.2):
        moved = {**BASE, "key": BASE["key"] * 2.0**stops}
        gain = float(room.light(BASE).mean() / room.light(moved).mean())
        said = seen(room, machine, moved, (gain, gain, gain))
    assert said.auto_exposure


@pytest.mark.parametrize("who", [False, True])
def test_white_that_drifts_is_automatic_within_three_frames(room: LittleRoom, who: bool) -> None:
    machine = Automatic(room.learned)
    for n in range(3):
        said = seen(
            room, machine, BASE, (2.0 ** (-0.1 * n), 1.0, 2.0 ** (0.08 * n)), 0.5 if who else None
        )
    assert said.auto_white and not said.auto_exposure
    assert said.white == pytest.approx((0.16, -0.2), abs=0.03)


def test_a_white_that_makes_all_grey_is_automatic(room: LittleRoom) -> None:
    machine = Automatic(room.learned)
    means = room.light(BASE).reshape(-1, 3).mean(axis=0)
    cast = np.array([1.0, 1.0, 2.0**0.5])
    # the room's own light is reddish; the camera takes it out
    for share in room.shares.values():
        assert share.shape == (*SHAPE, 3)
    gain = means[1] / (means * cast)
    other = LittleRoom(2, SHAPE)
    other.shares = {name: (share * cast).astype(np.float32) for name, share in other.shares.items()}
    from dataclasses import replace

    learned = replace(
        other.learned,
        shares=tuple(
            replace(s, light=(s.light * cast).astype(np.float32)) for s in other.learned.shares
        ),
    )
    machine = Automatic(learned)
    for _ in range(3):
        said = seen(
            other,
            machine,
            {n: 0.6 * a for n, a in BASE.items()},
            tuple(gain),
            expected={n: 0.6 * a for n, a in BASE.items()},
        )
    assert said.auto_white


def test_by_hand_is_known_only_when_the_scene_has_changed(room: LittleRoom) -> None:
    machine = Automatic(room.learned)
    for _ in range(4):
        said = seen(room, machine, BASE)
        assert not said.hand_exposure and not said.hand_white  # nothing has shown it
    dimmed = {name: amount * 2.0**-0.8 for name, amount in BASE.items()}
    for _ in range(3):
        said = seen(room, machine, dimmed, expected=dimmed)
    assert said.hand_exposure and not said.hand_white
    for _ in range(2):
        assert seen(room, machine, BASE).hand_exposure  # known from then on


def test_a_camera_that_answers_the_scene_is_not_said_to_be_set_by_hand(room: LittleRoom) -> None:
    machine = Automatic(room.learned)
    for stops in (0.0, 0.0, -0.8, -0.8, -0.8, -0.8):
        dimmed = {name: amount * 2.0**stops for name, amount in BASE.items()}
        said = seen(room, machine, dimmed, grey(-0.9 * stops), expected=dimmed)
        assert not said.hand_exposure


def test_what_is_no_frame_says_nothing(room: LittleRoom) -> None:
    machine = Automatic(room.learned)
    light = room.curve.linear(room.frame(room.light(BASE)))
    hidden = np.zeros(SHAPE, bool)
    assert machine.look(np.full_like(light, np.nan), told(BASE)) == NOTHING
    assert machine.look(np.full_like(light, 1.0), told(BASE)) == NOTHING
    assert machine.look(light[:100], told(BASE)) == NOTHING
    assert machine.look(light, told(BASE), hidden) == NOTHING
    nowhere = machine.look(light, {"nobody": (1.0, None), "key": (float("nan"), None)})
    assert not nowhere.auto_exposure
    broken = light.copy()
    broken[:40, :40] = np.nan
    said = machine.look(broken, told(BASE))
    assert said.exposure is not None and abs(said.exposure.value) < 0.03


def test_a_frozen_picture_is_no_automatic(room: LittleRoom) -> None:
    machine = Automatic(room.learned)
    light = room.curve.linear(room.frame(room.light(BASE) * np.float32(1.3)))
    for _ in range(6):
        said = machine.look(light, told(BASE))
    assert not said.auto_exposure and not said.auto_white
    assert said.exposure is not None and said.exposure.value == pytest.approx(
        np.log2(1.3), abs=0.03
    )


def test_one_lamp_alone_may_be_the_camera_and_nothing_is_said() -> None:
    alone = LittleRoom(2, SHAPE)
    from dataclasses import replace

    learned = replace(alone.learned, shares=alone.learned.shares[:1])
    machine = Automatic(learned)
    codes = alone.frame(alone.light({"key": 0.5}))
    said = machine.look(alone.curve.linear(codes), {"key": (1.0, None)})
    assert said.exposure is None or abs(said.exposure.value) < 0.05
    assert not said.auto_exposure
