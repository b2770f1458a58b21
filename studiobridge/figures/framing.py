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

# How much of a person a framing shows, side to side and top to bottom (m), with the air around
# it. Common practice for a grown person, no source: people differ by a tenth and more.
FRAMINGS: dict[str, tuple[float, float]] = {
    "head-and-shoulders": (0.65, 0.80),
    "half-length": (0.80, 1.10),
    "full-length": (0.90, 2.00),
}
# A picture that shows more than this many times what a framing needs is another framing, or a
# person lost in it. Common practice, no source.
LOOSE = 1.6
# What the places of a set are good to (m): a tape along the floor, a person who leans.
PLACED = 0.05
# From the mark, which is where the face is, to the top of the head (m), and how far from the top
# of the picture the eyes are put. Common practice, no source.
HEAD_ABOVE = 0.13
EYES_FROM_TOP = 1 / 3

Judged = Literal["fits", "just fits", "just does not fit", "does not fit", "too loose"]

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
    # where it fills the picture: the edge at which it does so most barely, and what is left (m)
    spare: tuple[Edge, float] | None
    # the picture's lower edge falls on the floor before it meets the backdrop's plane
    floor: bool

    def shows(self, point: Point2) -> bool:
        """Is this point of the backdrop in the picture?"""
        turns = []
        for i, b in enumerate(self.part):
            a = self.part[i - 1]
            turns.append((b[0] - a[0]) * (point[1] - a[1]) - (b[1] - a[1]) * (point[0] - a[0]))
        return bool(turns) and (min(turns) >= -1e-9 or max(turns) <= 1e-9)


@dataclass(frozen=True, slots=True)
class Fit:
    """Does the picture show what a framing needs, and from how far away (m) it just would.

    `margin` is how much farther the camera is than it has to be (m); from `to_distance` on the
    person is lost in the picture. `size` is what the picture shows over what is needed.
    """

    framing: str
    fits: bool
    from_distance: float
    to_distance: float
    margin: float
    size: float
    judged: Judged


@dataclass(frozen=True, slots=True)
class InPicture:
    """Where the face is: its share (0-1) from the left and from the top of the picture.

    `headroom` is the air (m) above the head, below 0 where it is cut; `lower` how much lower (m)
    the camera would be aimed to have the eyes a third from the top.
    """

    from_left: float
    from_top: float
    headroom: float
    lower: float

    @property
    def in_picture(self) -> bool:
        return 0 <= self.from_left <= 1 and 0 <= self.from_top <= 1

    @property
    def cut(self) -> bool:
        return self.headroom < 0


@dataclass(frozen=True, slots=True)
class Framing:
    """What the lens shows at the subject: angles (degrees) and field (m), wide and high.

    `sides` of the picture on the sensor (mm); `shows` is the framing it is, in words; `closer`
    how much less it shows (0-1) than a lens that is focused far away.
    """

    focal: float
    distance: float
    angle: tuple[float, float]
    field: tuple[float, float]
    fits: tuple[Fit, ...]
    # of the first backdrop: (name, share of the width, height) it would take in the middle
    backdrop: tuple[str, float, float] | None
    sides: tuple[float, float]
    shows: str
    closer: float
    face: InPicture | None
    # what the picture shows of each backdrop behind the mark
    seen: tuple[Seen, ...]


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


def edges_of_view(profile: SetProfile, far: float) -> tuple[tuple[Point2, Point2], ...]:
    """The picture's left and right edge from above, `far` m out: (across, from the back)."""
    view = view_of(profile)
    if view is None:
        return ()
    found = []
    for side in (-1.0, 1.0):
        x, y, _ = view.ray(side, 0.0)
        much = far / math.hypot(x, y)
        found.append((view.stands[:2], (view.stands[0] + much * x, view.stands[1] + much * y)))
    return tuple(found)


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
    past = _past(plane, corners)
    lacks = []
    for edge, axis, limit in _edges(plane):
        share = seeing.share_beyond(view, plane, axis, limit)
        by = past.get(edge)
        if share > 0 and (by is None or by > HAIR):
            lacks.append(Lack(edge, by, share))
    spare = None
    if past and not lacks:
        spare = max(((edge, max(0.0, -by)) for edge, by in past.items()), key=lambda e: -e[1])
    floor = any(backdrop.place.height + y < 0 for _, y in corners)
    return Seen(backdrop.name, corners, part, covered, tuple(lacks), spare, floor)


def _edges(plane: Plane) -> tuple[tuple[Edge, int, float], ...]:
    """Each edge of a backdrop: along which axis it lies off the middle, and where (m)."""
    wide, high = plane.size[0] / 2, plane.size[1] / 2
    return (("left", 0, -wide), ("right", 0, wide), ("top", 1, high), ("bottom", 1, -high))


def _past(plane: Plane, corners: tuple[Point2, ...]) -> dict[Edge, float]:
    """By how much (m) the picture passes each edge at most; below 0 where it stays within."""
    return {
        edge: max(math.copysign(1.0, limit) * c[axis] - abs(limit) for c in corners)
        for edge, axis, limit in _edges(plane)
        if corners
    }


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
    view = view_of(profile)
    ahead = view.depth(at(mark)) if view is not None else 0.0
    if view is None or ahead <= 0:
        missing.append("the camera does not look at the mark: framing not computed")
        return None
    if ahead * 1000.0 <= 2 * picture.focal:
        missing.append("the mark is too near for the lens: framing not computed")
        return None
    wide, high = seeing.crop(picture.sensor, picture.aspect)
    field = (2 * view.half[0] * ahead, 2 * view.half[1] * ahead)
    fits = tuple(_fit(name, picture.focal, (wide, high), field, ahead) for name in FRAMINGS)
    behind = tuple(
        d
        for d in profile.devices.values()
        if d.kind == "backdrop" and d.place is not None and d.place.from_back < mark.from_back
    )
    seen = tuple(s for s in (seen_on(profile, d) for d in behind) if s is not None)
    return Framing(
        picture.focal,
        away,
        (
            2 * math.degrees(math.atan(view.half[0])),
            2 * math.degrees(math.atan(view.half[1])),
        ),
        field,
        fits,
        _first(profile, view),
        (wide, high),
        _named(fits),
        picture.focal / 1000.0 / ahead,
        _face(view, at(mark)),
        seen,
    )


def _fit(name: str, focal: float, sides: Point2, field: Point2, ahead: float) -> Fit:
    """The tighter of the picture's two sides decides."""
    need = FRAMINGS[name]
    size = min(field[0] / need[0], field[1] / need[1])

    def distance(times: float) -> float:
        return max(
            space.distance_for(focal, side, times * much)
            for side, much in zip(sides, need, strict=True)
        )

    nearest, farthest = distance(1.0), distance(LOOSE)
    judged: Judged = "fits" if size >= 1 else "does not fit"
    if abs(ahead - nearest) <= PLACED:
        judged = "just fits" if size >= 1 else "just does not fit"
    elif ahead > farthest + PLACED:
        judged = "too loose"
    return Fit(name, size >= 1, nearest, farthest, ahead - nearest, size, judged)


def _named(fits: tuple[Fit, ...]) -> str:
    """Which framing the picture is: the widest that is in it whole, where it is not lost in it."""
    whole = [i for i, fit in enumerate(fits) if fit.size >= 1]
    if not whole:
        return f"closer than {fits[0].framing}"
    last = whole[-1]
    if fits[last].judged != "too loose":
        return fits[last].framing
    if last + 1 < len(fits):
        return f"between {fits[last].framing} and {fits[last + 1].framing}"
    return f"wider than {fits[last].framing}"


def _face(view: View, mark: tuple[float, float, float]) -> InPicture | None:
    """Where the mark is in the picture, and what is above the head."""
    face = view.picture(mark)
    head = view.picture((mark[0], mark[1], mark[2] + HEAD_ABOVE))
    if face is None or head is None:
        return None
    high = 2 * view.half[1] * view.depth(mark)
    top = (1 - face[1]) / 2
    return InPicture(
        (1 + face[0]) / 2,
        top,
        (1 - head[1]) / 2 * high,
        (top - EYES_FROM_TOP) * high,
    )


def _first(profile: SetProfile, view: View) -> tuple[str, float, float] | None:
    """The first backdrop before the camera: how much of the picture it would take, hung straight
    before it."""
    for device in profile.devices.values():
        if device.kind == "backdrop" and device.size is not None and device.place is not None:
            far = view.stands[1] - device.place.from_back
            if far > 0:
                wide, high = (2 * half * far for half in view.half)
                return (device.name, device.size[0] / wide, device.size[1] / high)
    return None
