"""What a fixture throws on a plane at a point: its geometry, worked out once.

From its place, its aim and its beam: inverse square and cosine, or the whole of its lit face where
its `size` is given (`craft/rectangle.py`). What walls and ceiling bounce back is not in it.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Literal

from studiobridge.craft import mark
from studiobridge.craft import rectangle as faces
from studiobridge.craft.rectangle import Rectangle, rectangle, unit
from studiobridge.profile.model import Device, Place, SetProfile

Point3 = tuple[float, float, float]
# Of the subject, as the camera sees it.
Side = Literal["left", "right"]

# m: a fixture aimed as near as this to a point is aimed at it, and needs no beam to be reckoned.
ON_AIM = 0.05
# m: nearer than this is the same place.
SAME_PLACE = 1e-6
# A backdrop hangs along the back wall and shines out of it.
OUT_OF_THE_WALL: Point3 = (0.0, 1.0, 0.0)


@dataclass(frozen=True, slots=True)
class Ray:
    """What a fixture gives at a point at full (lx), and where it comes from.

    `distance` (m) and `angle` (degrees from the way the plane looks) are of its middle. `at_full`
    is on the plane, `straight` on a plane turned to the fixture, `dome` what a dome reads that
    looks where the plane does, `cheek` on a plane turned 90 degrees from it to the side the
    fixture is on. None where its output is not known.
    """

    distance: float
    angle: float
    at_full: float
    straight: float | None
    dome: float | None = None
    cheek: float | None = None
    side: Side = "left"


@dataclass(frozen=True, slots=True)
class Source:
    """What shines: where, which way and how wide, and how much of it there is at full.

    `axis` is None without an aim, `power` (of the cosine) without a beam, `lux` without an
    output. With a size there is a `face`, and what its luminance is straight ahead (cd/m2).
    """

    name: str
    place: Point3
    target: Point3 | None
    axis: Point3 | None
    power: float | None
    lux: float | None
    figure_at: float
    face: Rectangle | None = None
    luminance: float = 0.0

    def lacks(self, point: Point3) -> str:
        """What is missing to know its light at a point, in words, or nothing."""
        if math.dist(self.place, point) < SAME_PLACE:
            return f"{self.name} stands exactly where its light is asked for"
        if self.lux is None:
            return f"no output given for {self.name}"
        if self.target is None or self.axis is None:
            return f"no aim given for {self.name}"
        if self.power is None and math.dist(self.target, point) > ON_AIM:
            return f"no beam angle given for {self.name}"
        return ""

    def from_behind(self, point: Point3, looks: Point3) -> bool:
        """Is all of it behind a plane at a point? Then it gives it nothing, whatever it gives."""
        shines = self.face.corners if self.face is not None else (self.place,)
        return all(_dot(_less(spot, point), looks) <= 0.0 for spot in shines)

    def on_plane(self, point: Point3, looks: Point3) -> float:
        """What it gives at full on a plane (lx) that `looks` (a unit vector) somewhere; nothing
        is missing for it (`lacks`)."""
        if self.face is not None:
            power = 1.0 if self.power is None else self.power
            return self.luminance * faces.on_plane(self.face, power, point, looks)
        ray = _less(self.place, point)
        strikes = _dot(ray, looks) / math.hypot(*ray)
        return self._towards(point) * strikes if strikes > 0.0 else 0.0

    def on_dome(self, point: Point3, looks: Point3) -> float:
        """What a dome reads (lx): its shadow on a plane across the light is half a disc and half
        an ellipse, (1 + cos) / 2 of the disc's (geometry of a half sphere)."""
        if self.face is not None:
            power = 1.0 if self.power is None else self.power
            return self.luminance * faces.on_dome(self.face, power, point, looks)
        ray = _less(self.place, point)
        strikes = _dot(ray, looks) / math.hypot(*ray)
        return self._towards(point) * (1.0 + strikes) / 2.0

    def _towards(self, point: Point3) -> float:
        """Of a source that counts as a point: what it gives across its light (lx)."""
        assert self.lux is not None and self.target is not None and self.axis is not None
        ray = _less(point, self.place)
        square = _dot(ray, ray)
        given = self.lux * self.figure_at**2 / square
        if math.dist(self.target, point) <= ON_AIM or self.power is None:
            return given
        leaves = _dot(ray, self.axis) / math.sqrt(square)
        return float(given * leaves**self.power) if leaves > 0.0 else 0.0


def _less(a: Point3, b: Point3) -> Point3:
    return (a[0] - b[0], a[1] - b[1], a[2] - b[2])


def _dot(a: Point3, b: Point3) -> float:
    return a[0] * b[0] + a[1] * b[1] + a[2] * b[2]


def at(place: Place) -> Point3:
    return (place.across, place.from_back, place.height)


def facing(profile: SetProfile) -> Point3:
    """Which way the plane at the mark looks: to the camera, or straight out of the back wall."""
    where = profile.room.mark
    name = profile.picture.camera
    camera = profile.devices[name] if name is not None else None
    if camera is None:
        placed = [d for d in profile.devices.values() if d.kind == "camera" and d.place]
        camera = placed[0] if len(placed) == 1 else None
    if where is None or camera is None or camera.place is None:
        return OUT_OF_THE_WALL
    a, b = at(camera.place), at(where)
    if math.dist(a, b) < 1e-6:  # a camera that is aimed nowhere may stand on the mark itself
        return OUT_OF_THE_WALL
    return (a[0] - b[0], a[1] - b[1], a[2] - b[2])


def aim_point(profile: SetProfile, device: Device) -> Point3 | None:
    """Where a fixture points: the mark, another device, or nowhere said."""
    if device.place is None or device.place.aim is None:
        return None
    if device.place.aim == "mark":
        return at(profile.room.mark) if profile.room.mark is not None else None
    target = profile.devices[device.place.aim].place
    return at(target) if target is not None else None


def full(profile: SetProfile, device: Device) -> float | None:
    """What it gives at full at its figure's distance (lx): by its maker, or by your meter."""
    if device.output is None:
        return None
    lux = device.output.lux
    if profile.readings:
        # a meter was held to it: the figure is no longer the maker's (this file is asked back)
        from studiobridge.figures import calibration

        lux *= calibration.scale(profile, device.name)
    return lux


def nearest(device: Device) -> float | None:
    """Nearer than this (m) a light of unknown size may give much less than is reckoned: its figure
    says nothing of where its face is no point. None: it has its size."""
    if device.size is not None or device.output is None:
        return None
    return device.output.at


def sizeless(device: Device) -> str:
    """What is missing where a light of unknown size is as near as that."""
    figure_at = device.output.at if device.output is not None else 0.0
    return (
        f"no size given for {device.name}, and it is nearer than the {figure_at:g} m of its"
        " figure: it may give less than reckoned"
    )


def source_of(profile: SetProfile, device: Device) -> Source | None:
    """A fixture as it shines; None where it has no place."""
    if device.place is None:
        return None
    place, target, lux = at(device.place), aim_point(profile, device), full(profile, device)
    figure_at = device.output.at if device.output is not None else 1.0
    power = mark.beam_power(device.beam) if device.beam is not None else None
    aims = target is not None and math.dist(place, target) >= SAME_PLACE
    axis = unit(_less(target, place)) if aims and target is not None else None
    face, luminance = None, 0.0
    if device.size is not None and axis is not None:
        # a face of which no beam is said is taken for a plain diffuse panel
        face = rectangle(place, axis, *device.size)
        ahead = (
            place[0] + figure_at * axis[0],
            place[1] + figure_at * axis[1],
            place[2] + figure_at * axis[2],
        )
        back = (-axis[0], -axis[1], -axis[2])
        given = faces.on_plane(face, power or 1.0, ahead, back)
        luminance = lux / given if lux is not None else 0.0
    return Source(device.name, place, target, axis, power, lux, figure_at, face, luminance)


def thrown(
    profile: SetProfile, device: Device, point: Point3, looks: Point3
) -> tuple[Ray | None, str]:
    """What a fixture throws on a plane at a point, or the sentence that says what is missing."""
    source = source_of(profile, device)
    if source is None:
        what = "output" if device.output is None else "place"
        return None, f"no {what} given for {device.name}"
    return ray_of(source, point, looks)


def ray_of(source: Source, point: Point3, looks: Point3) -> tuple[Ray | None, str]:
    """What a source throws on a plane at a point, or the sentence that says what is missing."""
    lacks = source.lacks(point)
    if lacks and (source.lux is not None or math.dist(source.place, point) < SAME_PLACE):
        return None, lacks
    distance, angle = mark.angle_between(source.place, point, looks)
    ahead = unit(looks)
    to_side, side = _side(source.place, point, looks)
    if lacks:
        if source.from_behind(point, ahead):
            return Ray(distance, angle, 0.0, None, side=side), ""
        return None, lacks
    return (
        Ray(
            distance,
            angle,
            source.on_plane(point, ahead),
            source.on_plane(point, unit(_less(source.place, point))),
            source.on_dome(point, ahead),
            source.on_plane(point, to_side),
            side,
        ),
        "",
    )


def _side(source: Point3, point: Point3, looks: Point3) -> tuple[Point3, Side]:
    """Which way a cheek looks that is turned to a source, and which cheek it is."""
    level = math.hypot(looks[0], looks[1])
    right = (looks[1] / level, -looks[0] / level, 0.0) if level > 1e-9 else (1.0, 0.0, 0.0)
    if _dot(_less(source, point), right) >= 0.0:
        return right, "right"
    return (-right[0], -right[1], 0.0), "left"


def aimed(profile: SetProfile, device: Device) -> Point3 | None:
    """Which way a sensor looks: to what it is aimed at."""
    target = aim_point(profile, device)
    if target is None or device.place is None:
        return None
    here = at(device.place)
    return (target[0] - here[0], target[1] - here[1], target[2] - here[2])


def glowing(device: Device) -> Source | None:
    """A backdrop by its own light; None where its place, its size or its glow is not given."""
    if device.place is None or device.size is None or device.glow is None:
        return None
    place = at(device.place)
    face = rectangle(place, OUT_OF_THE_WALL, *device.size)
    ahead = (place[0], place[1] + 1.0, place[2])
    axis = OUT_OF_THE_WALL
    return Source(device.name, place, ahead, axis, 1.0, device.glow, 1.0, face, device.glow)


def glows(
    profile: SetProfile, device: Device, point: Point3, looks: Point3
) -> tuple[Ray | None, str]:
    """What the own light of a backdrop throws on a sensor, or what is missing for it."""
    source = glowing(device)
    if source is None:
        return None, f"no size or place given for {device.name}"
    return ray_of(source, point, looks)


def on_dome(device: Device, ray: Ray) -> tuple[Ray | None, str]:
    """What a dome over half the room reads instead."""
    if ray.dome is None:
        return None, f"no output given for {device.name}"
    return replace(ray, at_full=ray.dome), ""
