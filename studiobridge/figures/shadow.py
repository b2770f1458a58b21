"""Where the presenter's shadow falls on a backdrop, how soft it is, and whether it is seen.

The presenter is a cut-out at the mark, parallel to the backdrop: a head and shoulders. Seen from
a light it covers a part of the backdrop, which is its shadow; seen from the camera it covers
another, where no shadow is seen. Both planes are parallel, so both are the cut-out itself, larger
and moved aside.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass, replace
from types import MappingProxyType

from studiobridge.craft.rectangle import rectangle
from studiobridge.craft.view import Point2, Point3, area, clip
from studiobridge.figures.framing import HEAD_ABOVE, camera_of, seen_on
from studiobridge.figures.rays import aim_point, at
from studiobridge.profile.model import Device, Place, SetProfile

# Left, bottom, right and top (m).
Box = tuple[float, float, float, float]

# A head is 16 cm wide and shoulders 45 cm, from the face at the mark: grown people, common
# practice, no source. Below the shoulders a chair or a table takes over.
HEAD: Box = (-0.08, -0.25, 0.08, HEAD_ABOVE)
SHOULDERS: Box = (-0.225, -0.65, 0.225, -0.25)
# Less of a shadow than this is nobody's concern.
SEEN_FROM = 0.01
# How far from the backdrop (m) it is looked for a place whose shadow is out of the picture.
FARTHEST, STEP = 6.0, 0.02


@dataclass(frozen=True, slots=True)
class Shadow:
    """The shadow of the presenter that one light throws on a backdrop.

    `head` and `shoulders` are left, bottom, right and top from the backdrop's middle (m), as of a
    light that is a point. `soft` is how wide its edge is, across and up (m), None where the
    light's size is not known; `core`: is any of the head's shadow quite dark. `in_picture` is how
    much of it the picture shows beside the presenter (0-1), its soft edge half counted; None where
    the lens is not known. `clear_from` is for who asks for it (the function of that name).
    """

    light: str
    backdrop: str
    head: Box
    shoulders: Box
    soft: Point2 | None
    core: bool | None
    in_picture: float | None
    clear_from: float | None = None

    @property
    def hidden(self) -> bool:
        """Is the picture known, and this shadow not in it?"""
        return self.in_picture is not None and not self.seen

    @property
    def seen(self) -> bool:
        return self.in_picture is not None and self.in_picture >= SEEN_FROM


def shadow_of(profile: SetProfile, light: Device, backdrop: Device) -> Shadow | None:
    """The presenter's shadow by one light; None where none falls there, or a place is missing."""
    mark = profile.room.mark
    if mark is None or light.place is None or backdrop.place is None:
        return None
    cast = _cast(at(light.place), at(mark), at(backdrop.place))
    if cast is None:
        return None
    head, shoulders = cast
    soft = core = None
    heads = _of_its_face(profile, light, at(mark), at(backdrop.place))
    if heads:
        soft = _soft(heads)
        # quite dark is what is hidden from every corner of the face
        core = max(h[0] for h in heads) < min(h[2] for h in heads)
        core = core and max(h[1] for h in heads) < min(h[3] for h in heads)
    shown = _shown(profile, light, backdrop)
    return Shadow(light.name, backdrop.name, head, shoulders, soft, core, shown)


def _of_its_face(profile: SetProfile, light: Device, mark: Point3, wall: Point3) -> list[Box]:
    """The head's shadow by each corner of a light's face; none where its size is not known.

    A face that is turned to the mark has a near side and a far one, and the near one throws its
    shadow farther. One that is aimed nowhere is taken for parallel to the backdrop.
    """
    if light.size is None or light.place is None:
        return []
    target = aim_point(profile, light)
    here = at(light.place)
    ahead = (0.0, -1.0, 0.0)
    if target is not None and math.dist(target, here) > 0.0:
        ahead = (target[0] - here[0], target[1] - here[1], target[2] - here[2])
    cast = [_cast(c, mark, wall) for c in rectangle(here, ahead, *light.size).corners]
    return [both[0] for both in cast if both is not None]


def _soft(heads: list[Box]) -> Point2:
    """How far apart the corners of a face throw one point of the presenter, the face (m)."""
    low, high = -HEAD[1] / (HEAD[3] - HEAD[1]), HEAD[3] / (HEAD[3] - HEAD[1])
    across = [(h[0] + h[2]) / 2.0 for h in heads]
    up = [h[1] * high + h[3] * low for h in heads]
    return max(across) - min(across), max(up) - min(up)


def _grows(source: Point3, mark: Point3, wall: Point3) -> float:
    """The way from the mark to the wall over that from the source to the mark."""
    return (mark[1] - wall[1]) / (source[1] - mark[1])


def _cast(source: Point3, mark: Point3, wall: Point3) -> tuple[Box, Box] | None:
    """What the cut-out covers of the wall, seen from a point; None: not between the two."""
    if not (source[1] > mark[1] > wall[1]):
        return None
    grows = _grows(source, mark, wall)
    x = mark[0] + grows * (mark[0] - source[0]) - wall[0]
    z = mark[2] + grows * (mark[2] - source[2]) - wall[2]

    def moved(box: Box) -> Box:
        by = 1.0 + grows
        return (x + by * box[0], z + by * box[1], x + by * box[2], z + by * box[3])

    return moved(HEAD), moved(SHOULDERS)


def _shown(profile: SetProfile, light: Device, backdrop: Device) -> float | None:
    """How much of a shadow, with half its soft edge, the picture shows beside the presenter."""
    mark, camera, seen = profile.room.mark, camera_of(profile), seen_on(profile, backdrop)
    if seen is None or mark is None or camera is None or camera.place is None:
        return None
    assert light.place is not None and backdrop.place is not None
    points = at(mark), at(backdrop.place)
    cast = _cast(at(light.place), *points)
    if cast is None:
        return 0.0
    hidden = _cast(at(camera.place), *points) or ()
    heads = _of_its_face(profile, light, *points)
    edge = max(_soft(heads)) / 2.0 if heads else 0.0
    boxes = [_grown(box, edge) for box in cast]
    whole = sum((b[2] - b[0]) * (b[3] - b[1]) for b in boxes)
    return sum(_beside(seen.part, box, hidden) for box in boxes) / whole


def _grown(box: Box, edge: float) -> Box:
    return (box[0] - edge, box[1] - edge, box[2] + edge, box[3] + edge)


def _beside(part: tuple[Point2, ...], box: Box, hidden: Iterable[Box]) -> float:
    """The area of a box in the picture, less what of it is hidden."""
    whole = _within(part, box)
    for other in hidden:
        both = (
            *(max(a, b) for a, b in zip(box[:2], other[:2], strict=True)),
            *(min(a, b) for a, b in zip(box[2:], other[2:], strict=True)),
        )
        if both[0] < both[2] and both[1] < both[3]:
            whole -= _within(part, (both[0], both[1], both[2], both[3]))
    return max(0.0, whole)


def _within(part: tuple[Point2, ...], box: Box) -> float:
    left, bottom, right, top = box
    halves = [(1.0, 0.0, -left), (-1.0, 0.0, right), (0.0, 1.0, -bottom), (0.0, -1.0, top)]
    return area(clip(part, halves))


def clear_from(profile: SetProfile, light: Device, backdrop: Device) -> float | None:
    """How far before the backdrop (m) the mark has to be, camera and light moved with it, for
    nothing of a shadow to be seen; None where it is not known, or beyond 6 m."""
    mark, camera = profile.room.mark, camera_of(profile)
    if mark is None or camera is None or backdrop.place is None:
        return None
    gap = mark.from_back - backdrop.place.from_back
    step = 1
    while gap + step * STEP <= FARTHEST:
        moved = farther(profile, (camera, light), step * STEP)
        shown = _shown(moved, moved.devices[light.name], backdrop)
        if shown is not None and shown < SEEN_FROM:
            return gap + step * STEP
        step += 1
    return None


def farther(profile: SetProfile, what: Iterable[Device], by: float) -> SetProfile:
    """The mark and some devices farther from the back wall (m), as one."""

    def moved(place: Place | None) -> Place | None:
        return None if place is None else replace(place, from_back=place.from_back + by)

    devices = {
        **profile.devices,
        **{d.name: replace(d, place=moved(d.place)) for d in what},
    }
    room = replace(profile.room, mark=moved(profile.room.mark))
    return replace(profile, devices=MappingProxyType(devices), room=room)
