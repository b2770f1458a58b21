"""What a fixture throws on a plane at a point: its geometry, worked out once.

Inverse square and cosine from its place, its aim and its beam. What walls and ceiling bounce
back is not in it.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

from studiobridge.craft import mark
from studiobridge.profile.model import Device, Place, SetProfile

Point3 = tuple[float, float, float]


@dataclass(frozen=True, slots=True)
class Ray:
    """A fixture's geometry to the mark, worked out once."""

    distance: float
    angle: float
    at_full: float
    straight: float | None


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
        return (0.0, 1.0, 0.0)
    a, b = at(camera.place), at(where)
    return (a[0] - b[0], a[1] - b[1], a[2] - b[2])


def aim_point(profile: SetProfile, device: Device) -> Point3 | None:
    """Where a fixture points: the mark, another device, or nowhere said."""
    if device.place is None or device.place.aim is None:
        return None
    if device.place.aim == "mark":
        return at(profile.room.mark) if profile.room.mark is not None else None
    target = profile.devices[device.place.aim].place
    return at(target) if target is not None else None


def thrown(
    profile: SetProfile, device: Device, point: Point3, looks: Point3
) -> tuple[Ray | None, str]:
    """What a fixture throws on a plane at a point, or the sentence that says what is missing."""
    if device.place is None:
        what = "output" if device.output is None else "place"
        return None, f"no {what} given for {device.name}"
    source = at(device.place)
    if math.dist(source, point) < 1e-6:
        return None, f"{device.name} stands exactly where its light is asked for"
    distance, angle = mark.angle_between(source, point, looks)
    if device.output is None:
        if angle >= 90.0:  # from behind it gives this plane nothing, whatever it gives
            return Ray(distance, angle, 0.0, None), ""
        return None, f"no output given for {device.name}"
    share = 1.0
    target = aim_point(profile, device)
    if target is None:
        return None, f"no aim given for {device.name}"
    if math.dist(target, point) > 0.05:
        if device.beam is None:
            return None, f"no beam angle given for {device.name}"
        axis = tuple(t - s for t, s in zip(target, source, strict=True))
        ray = tuple(p - s for p, s in zip(point, source, strict=True))
        _, off = mark.angle_between(axis, (0.0, 0.0, 0.0), ray)
        share = mark.off_axis_share(off, device.beam)
    lux, figure_at = device.output.lux, device.output.at
    if profile.readings:
        # a meter was held to it: the figure is no longer the maker's (this file is asked back)
        from studiobridge.figures import calibration

        lux *= calibration.scale(profile, device.name)
    on_plane = mark.illuminance(lux, figure_at, distance, angle, share)
    straight = mark.illuminance(lux, figure_at, distance, 0.0, share)
    return Ray(distance, angle, on_plane, straight), ""


def aimed(profile: SetProfile, device: Device) -> Point3 | None:
    """Which way a sensor looks: to what it is aimed at."""
    target = aim_point(profile, device)
    if target is None or device.place is None:
        return None
    here = at(device.place)
    return (target[0] - here[0], target[1] - here[1], target[2] - here[2])


def glows(
    profile: SetProfile, device: Device, point: Point3, looks: Point3
) -> tuple[Ray | None, str]:
    """What the own light of a backdrop throws on a sensor, or what is missing for it."""
    if device.place is None or device.size is None or device.glow is None:
        return None, f"no size or place given for {device.name}"
    if math.dist(at(device.place), point) < 1e-6:
        return None, f"{device.name} stands exactly where its light is asked for"
    distance, angle = mark.angle_between(at(device.place), point, looks)
    straight = mark.glow_on(device.glow, *device.size, distance)
    return Ray(distance, angle, straight * max(0.0, math.cos(math.radians(angle))), straight), ""


def on_dome(device: Device, ray: Ray) -> tuple[Ray | None, str]:
    """On a dome over half the room instead: its shadow on a plane across the light is half a disc
    and half an ellipse, (1 + cos) / 2 of the disc's (geometry of a half sphere)."""
    if ray.straight is None:
        return None, f"no output given for {device.name}"
    share = (1.0 + math.cos(math.radians(ray.angle))) / 2.0
    return replace(ray, at_full=ray.straight * share), ""
