"""The room of a set: the depth it takes from the back wall on, and what the lens shows."""

from __future__ import annotations

import math
from dataclasses import dataclass
from fractions import Fraction

from studiobridge.craft import space
from studiobridge.craft.space import Link, Station
from studiobridge.figures.light import at
from studiobridge.profile.model import Device, Place, SetProfile

# How much of a standing person a framing shows, top to bottom and side to side (m), with the
# air around it. Common practice for a grown person, no source.
FRAMINGS: dict[str, tuple[float, float]] = {
    "head-and-shoulders": (0.65, 0.80),
    "half-length": (0.80, 1.10),
    "full-length": (0.90, 2.00),
}


@dataclass(frozen=True, slots=True)
class Varied:
    """A variation of the depth chain: what it takes in all and saves (m, exact)."""

    name: str
    title: str
    total: Fraction
    saves: Fraction
    left: Fraction | None


@dataclass(frozen=True, slots=True)
class Budget:
    """The chain of depths with running totals, and what is left of the room (m, exact)."""

    stations: tuple[Station, ...]
    total: Fraction
    left: Fraction | None
    variations: tuple[Varied, ...]
    # every variation at once
    together: Fraction | None


@dataclass(frozen=True, slots=True)
class Fit:
    """Does a framing fit, and from how far away (m) it just would."""

    framing: str
    fits: bool
    from_distance: float


@dataclass(frozen=True, slots=True)
class Framing:
    """What the lens shows at the subject: angles (degrees) and field (m), wide and high."""

    focal: float
    distance: float
    angle: tuple[float, float]
    field: tuple[float, float]
    fits: tuple[Fit, ...]
    # does the backdrop fill the picture behind the subject: (name, share of the width, height)
    backdrop: tuple[str, float, float] | None


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
class RoomReading:
    budget: Budget | None
    framing: Framing | None
    # from the mark back to each backdrop (m)
    behind: tuple[tuple[str, float], ...]
    standing: tuple[Standing, ...]
    missing: tuple[str, ...]


def budget(profile: SetProfile) -> Budget | None:
    """The depth the set takes, from the back wall to the rear of the rig; None without a chain."""
    room = profile.room
    if not room.chain:
        return None
    links = [Link(name, depth) for name, depth in room.chain.items()]
    stations = space.chain(links)
    total = stations[-1].total

    def left(taken: Fraction) -> Fraction | None:
        return room.depth - taken if room.depth is not None else None

    varied = []
    everything = dict(room.chain)
    for variation in room.variations:
        changed = {**room.chain, **variation.links}
        saves = space.saved(links, [Link(n, d) for n, d in changed.items()])
        varied.append(
            Varied(variation.name, variation.title, total - saves, saves, left(total - saves))
        )
        everything.update(variation.links)
    together = sum(everything.values(), Fraction(0)) if room.variations else None
    return Budget(tuple(stations), total, left(total), tuple(varied), together)


def camera_of(profile: SetProfile) -> Device | None:
    """The camera the picture is about: the one named, or the only one there is."""
    if profile.picture.camera is not None:
        return profile.devices[profile.picture.camera]
    cameras = [d for d in profile.devices.values() if d.kind == "camera"]
    return cameras[0] if len(cameras) == 1 else None


def framing(profile: SetProfile, missing: list[str]) -> Framing | None:
    """What the picture shows at the mark; None, and why, where a figure is missing."""
    picture, mark = profile.picture, profile.room.mark
    camera = camera_of(profile)
    for absent, what in (
        (picture.focal is None, "no focal length given"),
        (picture.sensor is None, "no sensor size given"),
        (mark is None, "no mark given in the room"),
        (camera is None or camera.place is None, "no place given for the camera"),
    ):
        if absent:
            missing.append(f"{what}: framing not computed")
            return None
    assert picture.focal and picture.sensor and mark and camera and camera.place
    away = math.dist(at(camera.place), at(mark))
    if away <= 0:
        missing.append("the camera stands on the mark: framing not computed")
        return None
    wide, high = picture.sensor
    field = (
        space.field_at(picture.focal, wide, away),
        space.field_at(picture.focal, high, away),
    )
    fits = []
    for name, (need_wide, need_high) in FRAMINGS.items():
        needed = max(
            space.distance_for(picture.focal, wide, need_wide),
            space.distance_for(picture.focal, high, need_high),
        )
        fits.append(Fit(name, away >= needed, needed))
    behind = None
    for device in profile.devices.values():
        if device.kind == "backdrop" and device.size is not None and device.place is not None:
            far = camera.place.from_back - device.place.from_back
            if far > 0:
                behind = (
                    device.name,
                    device.size[0] / space.field_at(picture.focal, wide, far),
                    device.size[1] / space.field_at(picture.focal, high, far),
                )
                break
    return Framing(
        picture.focal,
        away,
        (
            space.angle_of_view(picture.focal, wide),
            space.angle_of_view(picture.focal, high),
        ),
        field,
        tuple(fits),
        behind,
    )


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
    return RoomReading(made, shown, behind, standing(profile), tuple(dict.fromkeys(missing)))
