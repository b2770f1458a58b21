"""What the lens shows at the mark, and whether the backdrops fill the picture behind it.

A pin-hole where the camera stands, looking where it is aimed (or level at the back wall), its
horizon level. People and things in front of a backdrop are not reckoned with.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

from studiobridge.craft import space
from studiobridge.craft import view as seeing
from studiobridge.craft.view import Plane, Point2, View
from studiobridge.figures.rays import aim_point, at
from studiobridge.profile.model import Device, SetProfile

# How much of a standing person a framing shows, top to bottom and side to side (m), with the
# air around it. Common practice for a grown person, no source.
FRAMINGS: dict[str, tuple[float, float]] = {
    "head-and-shoulders": (0.65, 0.80),
    "half-length": (0.80, 1.10),
    "full-length": (0.90, 2.00),
}


Edge = Literal["left", "right", "top", "bottom"]

# Less than this much of the picture (m) beside a backdrop is nothing that anybody sees.
HAIR = 0.002


@dataclass(frozen=True, slots=True)
class Lack:
    """The picture passes an edge of the backdrop: by how much at most (m), and how much of the
    picture lies beyond it (0-1). `by` is None where the picture never comes to an end there.
    """

    edge: Edge
    by: float | None
    share: float


@dataclass(frozen=True, slots=True)
class Seen:
    """What the picture shows of a backdrop.

    Points are metres right of and above its middle. `corners` are where the picture's corners
    fall on its plane, from the lower left one round (on the plane, not on the backdrop: they may
    be far beside it), or nothing where the camera looks so far along the plane that one never
    does. `part` is the part of the backdrop itself that is in the picture: a convex polygon, or
    nothing. `covered` is how much of the picture it takes (0-1).
    """

    device: str
    corners: tuple[Point2, ...]
    part: tuple[Point2, ...]
    covered: float
    lacks: tuple[Lack, ...]

    def shows(self, point: Point2) -> bool:
        """Is this point of the backdrop in the picture?"""
        turns = []
        for i, b in enumerate(self.part):
            a = self.part[i - 1]
            turns.append((b[0] - a[0]) * (point[1] - a[1]) - (b[1] - a[1]) * (point[0] - a[0]))
        return bool(turns) and (min(turns) >= -1e-9 or max(turns) <= 1e-9)


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


def camera_of(profile: SetProfile) -> Device | None:
    """The camera the picture is about: the one named, or the only one there is."""
    if profile.picture.camera is not None:
        return profile.devices[profile.picture.camera]
    cameras = [d for d in profile.devices.values() if d.kind == "camera"]
    return cameras[0] if len(cameras) == 1 else None


def view_of(profile: SetProfile) -> View | None:
    """The camera as a pin-hole, focused at the mark; None where a figure is missing."""
    picture, mark, camera = profile.picture, profile.room.mark, camera_of(profile)
    if picture.focal is None or picture.sensor is None:
        return None
    if camera is None or camera.place is None:
        return None
    sides = seeing.crop(picture.sensor, picture.aspect)
    target = aim_point(profile, camera)

    def lens(focus: float | None) -> View | None:
        assert picture.focal is not None and camera.place is not None
        behind = seeing.image_distance(picture.focal, focus)
        half = (sides[0] / 2 / behind, sides[1] / 2 / behind)
        return seeing.looking(at(camera.place), target, half)

    far = lens(None)
    if far is None or mark is None:
        return far
    focus = far.depth(at(mark))
    # what is nearer than a lens can focus, or behind it, is not what it is focused on
    return lens(focus) if focus * 1000.0 > 2 * picture.focal else far


def seen_on(profile: SetProfile, backdrop: Device) -> Seen | None:
    """What the picture shows of a backdrop; None where a figure is missing for it, or the camera
    stands behind it."""
    view = view_of(profile)
    if view is None or backdrop.place is None or backdrop.size is None:
        return None
    if view.stands[1] <= backdrop.place.from_back:
        return None
    plane = Plane(at(backdrop.place), backdrop.size)
    corners, part = seeing.corners_on(view, plane), seeing.part_seen(view, plane)
    covered = seeing.share_of_picture(view, plane, part)
    return Seen(backdrop.name, corners, part, covered, _lacks(view, plane, corners))


def _lacks(view: View, plane: Plane, corners: tuple[Point2, ...]) -> tuple[Lack, ...]:
    """Which edges of a backdrop the picture passes, by how much, and how much of it that is."""
    wide, high = plane.size[0] / 2, plane.size[1] / 2
    edges: tuple[tuple[Edge, int, float, float], ...] = (
        ("left", 0, -1.0, wide),
        ("right", 0, 1.0, wide),
        ("top", 1, 1.0, high),
        ("bottom", 1, -1.0, high),
    )
    found = []
    for edge, axis, sign, limit in edges:
        share = seeing.share_beyond(view, plane, axis, sign * limit)
        by = max((sign * c[axis] - limit for c in corners), default=None)
        if share > 0 and (by is None or by > HAIR):
            found.append(Lack(edge, by, share))
    return tuple(found)


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
