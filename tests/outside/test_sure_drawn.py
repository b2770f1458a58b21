"""The bands of a look's figures against rooms drawn by dice and integrated by numpy alone.

Every figure of the profile is off by what it may be off (limits are two standard deviations), the
light of each such room is summed over the faces of its lamps (`rendered/patches.py`), and the band
has to hold it in about 95 of 100. Monte Carlo as in JCGM 101:2008, from memory.
"""

from __future__ import annotations

import math
import random
from dataclasses import replace

import numpy as np
import pytest

from studiobridge.figures import sure
from studiobridge.figures.light import light_of
from studiobridge.profile.model import Device, Place, SetProfile
from tests.outside.rendered import patches
from tests.outside.rendered.rooms import examples, look_of, random_set
from tests.outside.rendered.scenes import scene_of, vector

ROOMS = 200
SETS = {**examples(), **{f"random-{s}": random_set(s) for s in (0, 4)}}


def off(dice: random.Random, limit: float) -> float:
    return dice.gauss(0.0, limit / 2.0)


def elsewhere(dice: random.Random, place: Place) -> Place:
    return replace(
        place,
        across=place.across + off(dice, sure.PLACE),
        from_back=place.from_back + off(dice, sure.PLACE),
        height=place.height + off(dice, sure.PLACE),
    )


def as_it_is(dice: random.Random, device: Device) -> Device:
    if device.kind != "light" or device.place is None or device.output is None:
        return device
    lux = device.output.lux * math.exp(off(dice, sure.MAKER))
    beam = device.beam and min(175.0, device.beam * (1.0 + off(dice, sure.BEAM)))
    place = elsewhere(dice, device.place)
    return replace(device, place=place, output=replace(device.output, lux=lux), beam=beam)


def dimmed(dice: random.Random, device: Device, level: float) -> float:
    """By how much a dimmer gives more or less than its curve."""
    if level in (0.0, 100.0):
        return 1.0
    if not device.dimmer_said:  # linear was taken for granted: it may as well be a square
        return (level / 100.0) ** abs(dice.gauss(0.0, 0.5))
    measured = device.dimmer.curve == "measured"
    return math.exp(off(dice, sure.MEASURED_CURVE if measured else sure.NAMED_CURVE))


def drawn(profile: SetProfile, dice: random.Random) -> tuple[float, float]:
    """Stops the face and the ratio are off in one such room."""
    mark, look = profile.room.mark, look_of(profile)
    assert mark is not None
    room = replace(profile, devices={n: as_it_is(dice, d) for n, d in profile.devices.items()})
    scene = scene_of(room, look)
    head = vector(elsewhere(dice, mark))
    total, roles = 0.0, {"key": 0.0, "fill": 0.0}
    for panel in scene.panels:
        device, preset = profile.devices[panel.name], look.get(panel.name)
        lux = float(patches.of_panel(panel, head[None], scene.facing, 8)[0])
        lux *= dimmed(dice, device, (preset.level if preset else None) or 0.0)
        total += lux
        if device.role in roles:
            roles[device.role] += lux
    return total, roles["key"] / roles["fill"]


@pytest.mark.parametrize("name", SETS)
def test_the_true_room_lies_within_for_about_95_of_100(name: str) -> None:
    """Of 200 rooms 95 % are 190, give or take 3: from 178 on is within four of those. A band that
    holds them all is as wrong: twice 1.96 deviations would."""
    profile = SETS[name]
    reading = light_of(profile, None, look_of(profile))
    assert reading.whole and reading.whole.ratio and reading.sure.lux and reading.sure.ratio
    dice = random.Random(7)
    rooms = np.log2([drawn(profile, dice) for _ in range(ROOMS)])
    said = np.log2([reading.whole.lux, reading.whole.ratio])
    within = np.abs(rooms - said) <= [reading.sure.lux, reading.sure.ratio]
    for count in within.sum(axis=0):
        assert 178 <= count <= 199
