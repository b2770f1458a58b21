"""A hand on a dial is guided by what the camera sees of its lamp: where it stands, where it should.

Live where somebody looks often enough: two looks that agree, and it rests.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

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
    target: float
    low: float
    high: float
    dark: float
    full: float
    taken: float
    value: float | None = None
    least: float | None = None
    most: float | None = None
    off: float | None = None  # stops: positive is too bright
    settled: bool = False
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
    seen = Seen(
        unit="%",
        target=goal,
        low=within.low,
        high=within.high,
        dark=lowest,
        full=highest,
        taken=used.taken,
    )
    off = sight.off(used, name)
    if not light.tells or off is None:
        return replace(seen, why="too little of it is in the picture")
    if off.high - off.low > GUIDES_WITHIN:
        return replace(seen, why="the picture cannot tell it closely enough")
    before = None if sight.used_before is None else sight.off(sight.used_before, name)
    settled = before is not None and abs(before.value - off.value) <= RESTS
    stands = light.level
    if stands is None:
        # no level can be told, only how far it is off: the bar is of stops about none
        allowed = device.tolerance.level
        stands = off
        seen = replace(
            seen,
            unit="stop",
            target=0.0,
            low=-allowed,
            high=allowed,
            dark=-STOPS_SHOWN,
            full=STOPS_SHOWN,
        )
    return replace(
        seen,
        value=stands.value,
        least=stands.low,
        most=stands.high,
        off=off.value,
        settled=settled,
    )
