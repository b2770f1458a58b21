"""The room of a set: its depth, what the lens shows, and where everything stands."""

from __future__ import annotations

import math
from dataclasses import dataclass

from studiobridge.figures.depth import Budget, budget
from studiobridge.figures.framing import Framing, camera_of, framing
from studiobridge.figures.rays import at
from studiobridge.figures.stations import Apart, apart, as_if, stations_of
from studiobridge.profile.model import Place, SetProfile


@dataclass(frozen=True, slots=True)
class Standing:
    """One device in the room: its place, its aim and how far it stands from it (m)."""

    device: str
    place: Place
    aim: str | None
    distance: float | None
    # from the aim's line to the camera, seen from above (degrees), negative to its left
    bearing: float | None


@dataclass(frozen=True, slots=True)
class Shown:
    """With some variations: how far the lens is from the mark (m), and the wished framing then."""

    names: tuple[str, ...]
    distance: float
    fits: bool
    judged: str


@dataclass(frozen=True, slots=True)
class RoomReading:
    budget: Budget | None
    framing: Framing | None
    # from the mark back to each backdrop (m)
    behind: tuple[tuple[str, float], ...]
    standing: tuple[Standing, ...]
    missing: tuple[str, ...]
    # where the chain and the places say two things
    apart: tuple[Apart, ...] = ()
    # of each of the budget's combinations what the set's own lens shows then
    shown: tuple[Shown, ...] = ()


def standing(profile: SetProfile) -> tuple[Standing, ...]:
    """Where everything with a place stands, how far from what it aims at, and at what bearing."""
    camera = camera_of(profile)
    found = []
    for device in profile.devices.values():
        if device.place is None:
            continue
        aim = device.place.aim
        target = None
        if aim == "mark":
            target = profile.room.mark
        elif aim is not None:
            target = profile.devices[aim].place
        distance = math.dist(at(device.place), at(target)) if target is not None else None
        bearing = None
        if target is not None and camera is not None and camera.place and camera is not device:
            bearing = _bearing(target, device.place, camera.place)
        found.append(Standing(device.name, device.place, aim, distance, bearing))
    return tuple(found)


def _bearing(target: Place, device: Place, camera: Place) -> float:
    """Degrees from the camera round to the device, seen from above at the target."""
    to_camera = math.atan2(camera.across - target.across, camera.from_back - target.from_back)
    to_device = math.atan2(device.across - target.across, device.from_back - target.from_back)
    turn = math.degrees(to_device - to_camera)
    return (turn + 180.0) % 360.0 - 180.0


def _shown(profile: SetProfile, made: Budget | None) -> tuple[Shown, ...]:
    """What the set's own lens shows with each combination: a link less before it is a lens nearer.

    Nothing where no framing is wished for, or no link is known to end at the lens.
    """
    camera, wish, stations = camera_of(profile), profile.picture.fits, stations_of(profile)
    if made is None or wish is None or camera is None or camera.name not in stations:
        return ()
    found = []
    for some in made.combined:
        links = {
            name: depth
            for variation in profile.room.variations
            if variation.name in some.names
            for name, depth in variation.links.items()
        }
        seen = framing(as_if(profile, stations, links), [])
        if seen is None:
            return ()
        fit = next(fit for fit in seen.fits if fit.framing == wish)
        found.append(Shown(some.names, seen.distance, fit.fits, fit.judged))
    return tuple(found)


def room_of(profile: SetProfile) -> RoomReading:
    """Depth, framing and places of a set, with what could not be computed and why."""
    missing: list[str] = []
    made = budget(profile)
    if made is None:
        missing.append("no chain given in the room: depth not added up")
    elif made.left is None:
        missing.append("no depth given for the room: what is left is not known")
    shown = framing(profile, missing)
    mark = profile.room.mark
    behind = tuple(
        (d.name, mark.from_back - d.place.from_back)
        for d in profile.devices.values()
        if d.kind == "backdrop" and d.place is not None and mark is not None
    )
    return RoomReading(
        made,
        shown,
        behind,
        standing(profile),
        tuple(dict.fromkeys(missing)),
        apart(profile),
        _shown(profile, made),
    )
