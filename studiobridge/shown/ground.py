"""The ground of the drawing that lives: which part of the room, how large, and where all goes.

Decided from the profile alone, once (`ground_of`): a value that changes moves nothing. What is
drawn is the part of the room in use, with the walls that are near it; of a wall that is not, the
drawing says how far it is. Every device has a cell of the sheet that a finger hits: what is
nearest to it, and never more than a finger wide. Where cells come out too small for a finger, or
a name has no room, the device has a row under the drawing instead (`Ground.rows`).
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from types import MappingProxyType

from studiobridge.figures.framing import edges_of_view
from studiobridge.figures.rays import aim_point, at, full
from studiobridge.profile.model import Device, SetProfile
from studiobridge.shown.paper import size
from studiobridge.shown.placing import (
    Box,
    Form,
    Point,
    Put,
    Raster,
    Wish,
    beside,
    gap_of,
    put,
    wide,
)


@dataclass(frozen=True, slots=True)
class Sheet:
    """How a view wants its drawing, in px: those of the page where the drawing is `wide` there.

    `name` and `tag` are the sizes of its letters, `glyph` half of a lamp, `touch` half of what a
    finger needs (0: nothing in it is touched). `rows`: there is a legend under the drawing.
    """

    wide: float
    high: float
    low: float
    name: float = 13.0
    tag: float = 12.0
    glyph: float = 12.0
    touch: float = 27.5
    rows: bool = True

    @property
    def line(self) -> float:
        return self.name + 2.0


# In the hand: nearly square, so that it is as large on a phone held either way. A page of 360 px is
# wider than this; one that lies on its side, or is short, gives it 240 px: letters of 13 px are
# 10.4 px there, and a finger's 44 px are 55 here.
# Across the room: letters that carry, and no legend, for nobody touches it. At the mark: small,
# beside large numbers.
SHEETS: Mapping[str, Sheet] = MappingProxyType(
    {
        "hand": Sheet(300.0, 300.0, 190.0),
        "stand": Sheet(480.0, 360.0, 240.0, 22.0, 20.0, 18.0, 0.0, False),
        "mark": Sheet(300.0, 200.0, 140.0, 13.0, 12.0, 11.0, 27.5, False),
    }
)

# px around the part of the room that is drawn
EDGE = 14.0
# px from the edge of the sheet to the middle of a lamp at least: a finger needs them
INSIDE = 27.5
# px between the middles of two things at least: what stands on one spot is drawn side by side
BESIDE = 14.0
# px to the nearest neighbour from which on a finger hits the one and not the other (WCAG 2.2,
# 2.5.5: 44), on a sheet drawn at 80 % of its size
FINGER = 55.0
# from so many devices on the sheet is as high as it may be: words need room
MANY = 10
# up to so many a long name may go over most of the sheet
FEW = 6
# from so many on each is a number: words beside a few of them would say nothing of the others, and
# take the room in which what moved says how far
CROWD = 16
# m around what is in use, and m to a wall within which it is drawn
AROUND, WALL_NEAR = 0.35, 0.9
# px a metre at most: two things a hand apart do not fill a page
MOST = 150.0
# what the tag of a device takes at most: figures and words in the longest form and in a short one.
# Both are in `live.tags`, which picks what fits; other languages have as much room and no more.
LONG_TAGS = ("100 %, 6500 K", "+0.88 stop, colder")
SHORT_TAG, BRIEF_TAG = "+0.88 stop", "warmer"
PAD = 3.0
# px that the tag of what moved may stand off from a lamp that has only a number
ROAMS = 200.0
# px from its number within which that needs no line
BESIDE_ITS_NUMBER = 4.0


@dataclass(frozen=True, slots=True)
class Thing:
    """One device on the sheet: its middle, what it covers, which way it looks (degrees)."""

    device: Device
    at: Point
    box: Box
    turn: float
    # whether it says where it is aimed, and the point (px)
    aim: Point | None
    # what a finger hits
    cell: tuple[Point, ...]
    # where its name and its condition stand; None: only in its row
    label: Put | None
    # its number, where the drawing has no room for its name
    number: int | None
    # it has a row under the drawing
    row: bool
    # what reaches its aim when it is at full, as a share of what the strongest light's does
    reaches: float = 1.0


@dataclass(frozen=True, slots=True)
class Beyond:
    """A wall that is out of the picture: on which side, and how far beyond its edge (m)."""

    side: str
    far: float


@dataclass(frozen=True, slots=True)
class Ground:
    """From metres in the room to the sheet, and where everything is on it."""

    profile: SetProfile
    sheet: Sheet
    width: float
    height: float
    scale: float
    # the part of the room that is drawn (m): left, back, right, front
    part: Box
    things: Mapping[str, Thing]
    walls: tuple[str, ...]
    beyond: tuple[Beyond, ...]
    # what of the sheet is taken
    raster: Raster

    def x(self, across: float) -> float:
        middle = (self.part[0] + self.part[2]) / 2
        return self.width / 2 + (across - middle) * self.scale

    def y(self, from_back: float) -> float:
        middle = (self.part[1] + self.part[3]) / 2
        return self.height / 2 + (from_back - middle) * self.scale

    @property
    def inside(self) -> Box:
        """The part on the sheet: left, top, right, bottom."""
        left, back, right, front = self.part
        return self.x(left), self.y(back), self.x(right), self.y(front)

    def for_now(self, names: Sequence[str]) -> dict[str, Put]:
        """Where a short tag goes, for the time being, beside what has a number and no words: those
        who have words of their own stay where they are."""
        raster, crowd = self.raster.copy(), [thing.at for thing in self.things.values()]
        high, size_ = self.sheet.line + 3.0, self.sheet.tag
        forms = tuple(
            Form("tag", wide(text, size_, True) + 2 * PAD, high) for text in (SHORT_TAG, BRIEF_TAG)
        )
        found: dict[str, Put] = {}
        for name in names:
            put_down = beside(raster, Wish(name, self.things[name].box, forms, roams=ROAMS), crowd)
            if put_down is None:
                continue
            label = self.things[name].label
            if label is not None and gap_of(label.box, put_down.box) < BESIDE_ITS_NUMBER:
                put_down = replace(put_down, tie=None)
            found[name] = put_down
        return found

    @property
    def rows(self) -> list[Thing]:
        """What has a row under the drawing, in the order of the numbers."""
        return [thing for thing in self.things.values() if thing.row]


def placed(profile: SetProfile) -> list[Device]:
    """What has a place to be drawn at, from the back wall forward and from the left."""
    found = [d for d in profile.devices.values() if d.place is not None]
    # in strips of 40 cm: what stands about as far from the wall is gone through from the left
    return sorted(
        found,
        key=lambda d: (
            (d.kind != "backdrop", math.floor(d.place.from_back / 0.4), d.place.across, d.name)
            if d.place is not None
            else (True, 0, 0.0, d.name)
        ),
    )


def ground_of(profile: SetProfile, view: str = "hand", sheet: Sheet | None = None) -> Ground:
    """The ground of this view's drawing; `sheet` instead of the view's own."""
    sheet = sheet or SHEETS[view]
    devices = placed(profile)
    sides = _sides(profile, devices)
    left, back, right, front = (side.edge for side in sides)
    # a part that is not as wide as the sheet shows more of the room, not a margin
    scale = min(
        MOST * sheet.glyph / 12.0,
        (sheet.wide - 2 * EDGE) / (right - left),
        (sheet.high - 2 * EDGE) / (front - back),
    )
    left, right = _widened(sides[0], sides[2], (sheet.wide - 2 * EDGE) / scale)
    low = sheet.low if len(devices) <= MANY else sheet.high
    back, front = _widened(sides[1], sides[3], (low - 2 * EDGE) / scale)
    part = (left, back, right, front)
    height = round(min(sheet.high, max(low, (front - back) * scale + 2 * EDGE)))
    walls, beyond = [], []
    for side, edge in zip(sides, part, strict=True):
        if side.wall is None:
            continue
        far = abs(side.wall - edge)
        if far < 0.01:
            walls.append(side.name)
        elif side.wall * side.out > edge * side.out:
            beyond.append(Beyond(side.name, far))
    raster = Raster(sheet.wide, height)
    bare = Ground(
        profile, sheet, sheet.wide, height, scale, part, {}, tuple(walls), tuple(beyond), raster
    )
    return _filled(bare, devices)


@dataclass(frozen=True, slots=True)
class _Side:
    """One side of what is drawn (m): its edge, and the wall there, where one is known."""

    name: str
    out: float
    edge: float
    wall: float | None


def _sides(profile: SetProfile, devices: list[Device]) -> list[_Side]:
    """The part of the room in use: left, back, right and front."""
    boxes = []
    for device in devices:
        place = device.place
        assert place is not None
        half = _half(device)
        boxes.append((place.across - half, place.from_back, place.across + half, place.from_back))
    mark = profile.room.mark
    if mark is not None:
        boxes.append((mark.across, mark.from_back, mark.across, mark.from_back))
    used = (
        min((b[0] for b in boxes), default=-1.0),
        min((b[1] for b in boxes), default=0.0),
        max((b[2] for b in boxes), default=1.0),
        max((b[3] for b in boxes), default=1.0),
    )
    wide_, deep = size(profile)
    width, depth = profile.room.width is not None, profile.room.depth is not None
    walls = (
        -wide_ / 2 if width else None,
        0.0,
        wide_ / 2 if width else None,
        deep if depth else None,
    )
    sides = []
    for name, out, edge, wall in zip(
        ("left", "back", "right", "front"), (-1.0, -1.0, 1.0, 1.0), used, walls, strict=True
    ):
        # what stands beyond its own wall is drawn all the same
        to_wall = (wall - edge) * out if wall is not None else math.inf
        drawn = wall if wall is not None and 0 <= to_wall <= WALL_NEAR else edge + out * AROUND
        sides.append(_Side(name, out, drawn, wall))
    return sides


def _widened(first: _Side, last: _Side, to: float) -> tuple[float, float]:
    """Both edges moved outwards until the part is so long (m), to their walls at most."""
    edges = [first.edge, last.edge]
    for _ in range(2):
        for i, side in enumerate((first, last)):
            lacks = to - (edges[1] - edges[0])
            # half of it on either side, and what one wall keeps back on the other
            more = lacks / 2 if (i, edges) == (0, [first.edge, last.edge]) else lacks
            if side.wall is not None:
                more = min(more, max(0.0, (side.wall - edges[i]) * side.out))
            if more > 0:
                edges[i] += side.out * more
    return edges[0], edges[1]


def _half(device: Device) -> float:
    """Half of how wide a cloth hangs (m)."""
    if device.kind != "backdrop":
        return 0.0
    return (device.size[0] if device.size is not None else 1.5) / 2


# ---- where all goes ------------------------------------------------------------------------------


def _filled(bare: Ground, devices: list[Device]) -> Ground:
    profile, sheet = bare.profile, bare.sheet
    points = _spread(bare, devices)
    raster = bare.raster
    boxes: dict[str, Box] = {}
    for device in devices:
        x, y = points[device.name]
        reach = sheet.glyph + 3.0
        boxes[device.name] = (x - reach, y - reach, x + reach, y + reach)
        if device.kind == "backdrop":
            half = max(reach, _half(device) * bare.scale)
            cloth = 0.7 * sheet.glyph
            boxes[device.name] = (
                max(2.0, x - half),
                y - cloth,
                min(bare.width - 2.0, x + half),
                y + cloth,
            )
        raster.take(boxes[device.name])
    _taken(bare, raster)
    for device in devices:
        target = aim_point(profile, device)
        if target is not None and device.kind != "backdrop":
            raster.line(points[device.name], (bare.x(target[0]), bare.y(target[1])))
    left, top, right, bottom = bare.inside
    middle = (left + right) / 2, (top + bottom) / 2
    wishes = []
    for device in devices:
        x, y = points[device.name]
        towards = (
            max(-1.0, min(1.0, 2.5 * (x - middle[0]) / max(1.0, right - left))),
            max(-1.0, min(1.0, 2.5 * (y - middle[1]) / max(1.0, bottom - top))),
        )
        most = 0.62 if len(devices) <= FEW else 0.48
        forms = _forms(sheet, device, most, len(devices) > CROWD)
        wishes.append(Wish(device.name, boxes[device.name], forms, towards))
    labels = put(raster, wishes)
    cells = _cells(bare, devices, points, boxes)
    reaches = reaching(profile)
    things: dict[str, Thing] = {}
    number = 0
    for device in devices:
        name = device.name
        x, y = points[name]
        target = aim_point(profile, device)
        aim = (bare.x(target[0]), bare.y(target[1])) if target is not None else None
        turn = math.degrees(math.atan2(aim[1] - y, aim[0] - x)) if aim is not None else 90.0
        label = labels.get(name)
        named = label is not None and _whole(sheet, name, label.form)
        counted: int | None = None
        if not named and sheet.rows:
            number += 1
            counted = number
        crowded = sheet.touch > 0 and any(
            math.dist(points[name], other) < FINGER
            for key, other in points.items()
            if key != name and profile.devices[key].kind != "backdrop"
        )
        row = sheet.rows and (not named or (crowded and device.kind != "backdrop"))
        things[name] = Thing(
            device,
            (x, y),
            boxes[name],
            turn,
            aim,
            cells[name],
            label,
            counted,
            row,
            reaches.get(name, 1.0),
        )
    return Ground(
        bare.profile,
        sheet,
        bare.width,
        bare.height,
        bare.scale,
        bare.part,
        MappingProxyType(things),
        bare.walls,
        bare.beyond,
        raster,
    )


def reaching(profile: SetProfile) -> dict[str, float]:
    """What of each light at full reaches its aim, the strongest as 1: where figures say so."""
    lux = {}
    for device in profile.devices.values():
        target, given = aim_point(profile, device), full(profile, device)
        if device.place is None or device.output is None or target is None or given is None:
            continue
        far = max(0.2, math.dist(at(device.place), target))
        lux[device.name] = given * (device.output.at / far) ** 2
    most = max(lux.values(), default=0.0)
    return {name: value / most for name, value in lux.items()} if most > 0 else {}


def _whole(sheet: Sheet, name: str, form: Form) -> bool:
    """Is the name there to its last letter?"""
    return form.name in ("whole", "short") and wide(name, sheet.name, True) <= form.wide - 2 * PAD


def _forms(sheet: Sheet, device: Device, most: float, numbers: bool) -> tuple[Form, ...]:
    """How the label of a device may be written: with all, shortened, with a number, a number; over
    `most` of the sheet. `numbers`: it is a number, whatever room there is."""
    name = wide(device.name, sheet.name, True)
    both = "cct" in device.tells | device.hears or "colour" in device.tells | device.hears
    long = max(wide(text, sheet.tag) for text in (LONG_TAGS if both else LONG_TAGS[:1]))
    short = wide(SHORT_TAG, sheet.tag, True)
    high = 2 * sheet.line + 3.0
    number = wide("88", sheet.name, True)
    forms = [
        Form("whole", max(name, long) + 2 * PAD, high),
        Form("short", max(name, short) + 2 * PAD, high),
        Form("short", short + 2 * PAD, high),
    ]
    if sheet.rows and numbers:
        return (Form("number", number + 2 * PAD, sheet.line + 3.0),)
    if sheet.rows:
        forms.append(Form("counted", number + 4.0 + short + 2 * PAD, sheet.line + 3.0))
        forms.append(Form("number", number + 2 * PAD, sheet.line + 3.0))
    longest = most * sheet.wide
    return tuple(form for form in forms if form.wide <= longest or form.name == "number")


def _spread(bare: Ground, devices: list[Device]) -> dict[str, Point]:
    """The middles on the sheet; what would cover another is moved by half a lamp at most."""
    points = {}
    for device in devices:
        assert device.place is not None
        points[device.name] = (bare.x(device.place.across), bare.y(device.place.from_back))
    loose = [d.name for d in devices if d.kind != "backdrop"]
    beside = BESIDE * bare.sheet.glyph / 12.0
    for _ in range(24):
        moved = False
        for i, one in enumerate(loose):
            for other in loose[i + 1 :]:
                (ax, ay), (bx, by) = points[one], points[other]
                if abs(bx - ax) >= beside or abs(by - ay) >= beside:
                    continue
                far = math.hypot(bx - ax, by - ay)
                if far >= beside - 0.01:
                    continue
                # on the very same spot: side by side, in the order of the profile
                ux, uy = ((bx - ax) / far, (by - ay) / far) if far > 0.5 else (1.0, 0.02)
                push = (beside - far) / 2
                points[one] = _held(bare, (ax - ux * push, ay - uy * push))
                points[other] = _held(bare, (bx + ux * push, by + uy * push))
                moved = True
        if not moved:
            break
    return {
        name: _held(bare, point) if name in loose else _cloth(bare, point)
        for name, point in points.items()
    }


def _held(bare: Ground, point: Point) -> Point:
    """Within the sheet by as much as a finger needs."""
    edge = INSIDE * bare.sheet.glyph / 12.0
    return (
        min(max(point[0], edge), bare.width - edge),
        min(max(point[1], edge), bare.height - edge),
    )


def _cloth(bare: Ground, point: Point) -> Point:
    edge = EDGE + 0.8 * bare.sheet.glyph
    return point[0], min(max(point[1], edge), bare.height - edge)


def _taken(bare: Ground, raster: Raster) -> None:
    """What else no label stands on: the mark, the walls; and what it had better not: the view."""
    left, top, right, bottom = bare.inside
    edges = {
        "left": (left - 3, top - 3, left + 3, bottom + 3),
        "right": (right - 3, top - 3, right + 3, bottom + 3),
        "back": (left - 3, top - 3, right + 3, top + 3),
        "front": (left - 3, bottom - 3, right + 3, bottom + 3),
    }
    for side in bare.walls:
        raster.take(edges[side])
    mark = bare.profile.room.mark
    if mark is not None:
        x, y = bare.x(mark.across), bare.y(mark.from_back)
        reach = bare.sheet.glyph
        raster.take((x - reach, y - reach, x + reach, y + reach))
    far = 2 * (bare.part[2] - bare.part[0] + bare.part[3] - bare.part[1])
    for (x, y), (to_x, to_y) in edges_of_view(bare.profile, far):
        raster.line((bare.x(x), bare.y(y)), (bare.x(to_x), bare.y(to_y)))


# ---- what a finger hits --------------------------------------------------------------------------


def _cells(
    bare: Ground, devices: list[Device], points: Mapping[str, Point], boxes: Mapping[str, Box]
) -> dict[str, tuple[Point, ...]]:
    """Of each device the part of the sheet that is nearer to it than to any other, and near."""
    reach = bare.sheet.touch
    cells: dict[str, tuple[Point, ...]] = {}
    for device in devices:
        x, y = points[device.name]
        if device.kind == "backdrop":
            x0, _, x1, _ = boxes[device.name]
            cells[device.name] = (
                (x0, y - reach),
                (x1, y - reach),
                (x1, y + reach),
                (x0, y + reach),
            )
            continue
        cell: list[Point] = [
            (x + reach * cos / CIRCUMSCRIBED, y + reach * sin / CIRCUMSCRIBED) for cos, sin in ROUND
        ]
        for other in devices:
            there = points[other.name]
            if other is device or other.kind == "backdrop":
                continue
            if math.dist((x, y), there) < 2 * reach / CIRCUMSCRIBED:
                cell = _nearer(cell, (x, y), there)
        cells[device.name] = tuple(cell)
    return cells


ROUND = [(math.cos(i * math.pi / 8), math.sin(i * math.pi / 8)) for i in range(16)]
# a round of 16 corners whose sides are as far out as a circle
CIRCUMSCRIBED = math.cos(math.pi / 16)


def _nearer(cell: list[Point], own: Point, other: Point) -> list[Point]:
    """What of a cell is nearer to its own point than to another (Sutherland and Hodgman)."""
    nx, ny = other[0] - own[0], other[1] - own[1]
    limit = nx * (own[0] + other[0]) / 2 + ny * (own[1] + other[1]) / 2
    out: list[Point] = []
    for i, point in enumerate(cell):
        before = cell[i - 1]
        was, now = nx * before[0] + ny * before[1] - limit, nx * point[0] + ny * point[1] - limit
        if (was <= 0) != (now <= 0):
            share = was / (was - now)
            out.append(
                (
                    before[0] + share * (point[0] - before[0]),
                    before[1] + share * (point[1] - before[1]),
                )
            )
        if now <= 0:
            out.append(point)
    return out
