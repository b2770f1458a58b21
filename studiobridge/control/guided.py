"""A hand on a dial is guided by what the camera sees of its lamp: where it stands, where it should.

Live where somebody looks often enough: two looks that agree, and it rests.
"""

from __future__ import annotations

from dataclasses import dataclass

from studiobridge.control.sight import Sight
from studiobridge.figures.meters import will_do

# A dial rests when two looks at it are no further apart than this (stops).
RESTS = 0.07
# A dial is guided to where it will do by a band that is no wider than this (stops).
GUIDES_WITHIN = 1.0
# The bar of a dial whose level cannot be told, only how far it is off (stops).
STOPS_SHOWN = 3.0


@dataclass(frozen=True, slots=True)
class Seen:
    """For a hand on a dial: where it stands by the picture, and where it is to stand (`unit`)."""

    unit: str
    value: float | None
    least: float | None
    most: float | None
    off: float | None  # stops: positive is too bright
    settled: bool
    target: float
    low: float
    high: float
    dark: float
    full: float
    taken: float
    why: str = ""


def aim(sight: Sight, name: str, at: float) -> Seen | None:
    """Where this dial stands by the picture, and where it is to stand; None if not seen."""
    used, preset = sight.used, sight.desk.presets.get(name)
    device = sight.desk.profile.devices[name]
    if used is None or used.taken is None or not sight.fresh(used, at) or not device.hand_set:
        return None
    light = used.sighting.lights.get(name)
    if light is None or preset is None or preset.level is None:
        return None
    goal = preset.level
    within = will_do(device, goal)
    lowest, highest = device.level_range or (0.0, 100.0)
    nothing = Seen(
        *("%", None, None, None, None, False, goal),
        *(within.low, within.high, lowest, highest, used.taken),
    )
    off = sight.off(used, name)
    if not light.tells or off is None:
        return _because(nothing, "too little of it is in the picture")
    if off.high - off.low > GUIDES_WITHIN:
        return _because(nothing, "the picture cannot tell it closely enough")
    before = None if sight.used_before is None else sight.off(sight.used_before, name)
    settled = before is not None and abs(before.value - off.value) <= RESTS
    if light.level is not None:
        level = light.level
        return Seen(
            *("%", level.value, level.low, level.high, off.value, settled, goal),
            *(within.low, within.high, lowest, highest, used.taken),
        )
    allowed = device.tolerance.level
    return Seen(
        *("stop", off.value, off.low, off.high, off.value, settled, 0.0),
        *(-allowed, allowed, -STOPS_SHOWN, STOPS_SHOWN, used.taken),
    )


def _because(seen: Seen, why: str) -> Seen:
    return Seen(
        *(seen.unit, None, None, None, None, False, seen.target),
        *(seen.low, seen.high, seen.dark, seen.full, seen.taken, why),
    )
