"""What a witness answers, looked at before any of it goes to a browser.

Whoever may write on its topic may write anything: what is no JPEG of a size that was asked for is
none, lines and outlines are numbers within the picture or are left out, names are cleaned.
"""

from __future__ import annotations

import base64
import binascii
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Any

from studiobridge.shown import seen
from studiobridge.shown.tongue import figure, say
from studiobridge.shown.words import number

# A picture of 960 points across is 150 kB at most (bytes); a little more is no lie.
LARGEST_PICTURE = 170_000
WIDEST = 2000
# More than these nobody can read, nor would a phone draw them at once.
MOST_LINES, MOST_POINTS, MOST_OUTLINES = 60, 400, 12
# A line around something has fewer corners, and no less within it than this (share of the picture).
MOST_CORNERS, SMALLEST = 100, 0.001
MOST_LABELS = 7
# A shorter line has no label, and of lines nearer than this one figure is enough (shares).
SHORTEST, SAME = 0.08, 0.4
# Two labels nearer than this (shares of the picture) would lie over each other on a phone.
LABEL_WIDE, LABEL_HIGH = 0.16, 0.09
# Half of a letter of a name there (share of a picture 330 points wide).
HALF_LETTER = 0.0135


class NoPicture(ValueError):
    """It is no picture."""


@dataclass(frozen=True, slots=True)
class Jpeg:
    data: bytes
    width: int
    height: int


@dataclass(frozen=True, slots=True)
class Drawn:
    """A line over the picture: its points, of 1000 × 1000, and its label where that has a place.

    `name` says what it is around, also where there is no place; `dash` which pattern it has.
    """

    points: str
    label: str = ""
    x: float = 0.0
    y: float = 0.0
    name: str = ""
    dash: str = ""


def jpeg(text: object) -> Jpeg:
    """A picture in base64. Raises NoPicture."""
    if not isinstance(text, str) or len(text) > LARGEST_PICTURE * 4 // 3 + 8:
        raise NoPicture("it is no picture of the size that was asked for")
    try:
        data = base64.b64decode(text, validate=True)
    except (binascii.Error, ValueError):
        raise NoPicture("it is not in base64") from None
    if not data.startswith(b"\xff\xd8\xff") or not data.rstrip(b"\0").endswith(b"\xff\xd9"):
        raise NoPicture("it is no JPEG")
    width, height = _size(data)
    if not (0 < width <= WIDEST and 0 < height <= WIDEST):
        raise NoPicture(f"it is {width} × {height} points")
    return Jpeg(data, width, height)


def _size(data: bytes) -> tuple[int, int]:
    """Width and height by its frame header (ITU-T T.81, B.2.2)."""
    at = 2
    while at + 9 < len(data):
        if data[at] != 0xFF:
            break
        kind = data[at + 1]
        if kind == 0xFF:
            at += 1
            continue
        long = int.from_bytes(data[at + 2 : at + 4], "big")
        # start of frame, but for the tables that share its numbers (DHT, JPG, DAC)
        if 0xC0 <= kind <= 0xCF and kind not in (0xC4, 0xC8, 0xCC):
            high = int.from_bytes(data[at + 5 : at + 7], "big")
            return int.from_bytes(data[at + 7 : at + 9], "big"), high
        if kind == 0xDA or long < 2:
            break
        at += 2 + long
    raise NoPicture("it is a JPEG without a frame")


def _points(value: object) -> list[tuple[float, float]]:
    """Shares of the picture; nothing where one of them is none."""
    if not isinstance(value, Sequence) or isinstance(value, str):
        return []
    found = []
    for each in value[:MOST_POINTS]:
        if not isinstance(each, Sequence) or isinstance(each, str) or len(each) != 2:
            return []
        x, y = number(each[0]), number(each[1])
        if x is None or y is None or not (-0.01 <= x <= 1.01 and -0.01 <= y <= 1.01):
            return []
        found.append((x, y))
    return found


def _text(points: Sequence[tuple[float, float]]) -> str:
    return " ".join(f"{1000 * x:.1f},{1000 * y:.1f}" for x, y in points)


def _listed(value: object) -> list[Mapping[str, Any]]:
    if not isinstance(value, list):
        return []
    return [one for one in value if isinstance(one, Mapping)]


class Places:
    """Where labels stand already."""

    def __init__(self) -> None:
        self._taken: list[tuple[float, float, float]] = []

    def free(
        self, points: Sequence[tuple[float, float]], half: float = LABEL_WIDE / 2
    ) -> tuple[float, float] | None:
        """The first point at which a label does not lie over another, well within the picture.

        `half`: of how wide it is (a share of the picture).
        """
        for x, y in points:
            if not (max(0.06, half) <= x <= min(0.94, 1 - half) and 0.06 <= y <= 0.94):
                continue
            if all(abs(x - u) > half + w or abs(y - v) > LABEL_HIGH for u, v, w in self._taken):
                self._taken.append((x, y, half))
                return x, y
        return None


def contours(value: object, sighting: Mapping[str, Any], places: Places) -> list[Drawn]:
    """Lines of equal light, the longest with their stops beside them; none where the same answer
    does not say how even the backdrop is."""
    lines = []
    if not seen.screen(sighting):
        return []
    for one in _listed(value)[:MOST_LINES]:
        stops, points = number(one.get("stops")), _points(one.get("points"))
        if stops is None or abs(stops) > 20 or len(points) < 2:
            continue
        lines.append((_long(points), stops, points))
    lines.sort(key=lambda line: -line[0])
    found: list[Drawn] = []
    labelled: list[tuple[str, float, float]] = []
    for long, stops, points in lines:
        label, (u, v) = _stops(stops), points[len(points) // 2]
        # the same figure once more only where nobody would look for it at the other line
        near = any(label == one and math.hypot(u - x, v - y) < SAME for one, x, y in labelled)
        at = None
        if len(labelled) < MOST_LABELS and long > SHORTEST and not near:
            middle = len(points) // 2
            order = sorted(range(len(points)), key=lambda n: abs(n - middle))
            at = places.free([points[n] for n in order])
        if at is None:
            found.append(Drawn(_text(points)))
            continue
        labelled.append((label, *at))
        found.append(Drawn(_text(points), label, 100 * at[0], 100 * at[1]))
    return found


def _stops(value: float) -> str:
    """`−0.25`, `0`, `+0.5`."""
    much = figure(abs(value), ".2f").rstrip("0").rstrip(".,")
    if float(f"{abs(value):.2f}") == 0:
        return "0"
    return f"{'−' if value < 0 else '+'}{much}"


def _long(points: Sequence[tuple[float, float]]) -> float:
    return sum(math.dist(one, other) for one, other in pairwise(points))


def outlines(value: object, sighting: Mapping[str, Any], places: Places) -> list[Drawn]:
    """Around what moved: the part that a lamp lights, or a box where light comes from nowhere.

    Of what the same answer says in its sighting alone, and by its figures: an outline of a lamp
    that has not moved, or over a picture that something hinders, is none.
    """
    found: list[Drawn] = []
    dashes: dict[str, str] = {}
    for one in _listed(value)[:MOST_OUTLINES]:
        if one.get("what") == "light":
            points, given = _points(one.get("points")), one.get("points")
            name = seen.moved_by(sighting, str(one.get("name")))
            if not isinstance(given, list) or len(given) > MOST_CORNERS:
                continue
        elif one.get("what") == "stray":
            points = _box(one)
            name = say("light from nowhere") if seen.stray(sighting) else ""
        else:
            continue
        if not name or len(points) < 3 or _area(points) < SMALLEST:
            continue
        first = name not in dashes
        stray = one.get("what") == "stray"
        if first:
            lamps = sum(dash != "stray" for dash in dashes.values())
            dashes[name] = "stray" if stray else f"lamp-{min(lamps, 3)}"
        at = _beside(points, name, places) if first else None
        x, y = at or (0.0, 0.0)
        label, key = name if at else "", name if first else ""
        found.append(Drawn(_text(points), label, 100 * x, 100 * y, key, dashes[name]))
    return found


def _box(one: Mapping[str, Any]) -> list[tuple[float, float]]:
    sides = [number(one.get(side)) for side in ("left", "top", "right", "bottom")]
    left, top, right, bottom = (-1.0 if side is None else float(side) for side in sides)
    if not (-0.01 <= left < right <= 1.01 and -0.01 <= top < bottom <= 1.01):
        return []
    # a little within the picture's edge: a line on it is half a line
    left, right = max(left, 0.006), min(right, 0.994)
    top, bottom = max(top, 0.008), min(bottom, 0.992)
    return [(left, top), (right, top), (right, bottom), (left, bottom)]


def _area(points: Sequence[tuple[float, float]]) -> float:
    turns = pairwise([*points, points[0]])
    return abs(sum(x * v - u * y for (x, y), (u, v) in turns)) / 2


def _beside(
    points: Sequence[tuple[float, float]], name: str, places: Places
) -> tuple[float, float] | None:
    """A place for a name: at the top of it, else further down, within the picture."""
    half = HALF_LETTER * len(name)
    left, right = min(x for x, _ in points), max(x for x, _ in points)
    top, bottom = min(y for _, y in points), max(y for _, y in points)
    y = min(max(top + 0.05, 0.08), 0.9)
    down = [y + step * 0.08 for step in range(12) if y + step * 0.08 < max(bottom, y + 0.01)]
    ups = [y - step * 0.08 for step in range(1, 12)]
    middle = (left + right) / 2
    across = [min(max(x, half), 1 - half) for x in (middle, left + half, right - half)]
    return places.free([(x, at) for at in [*down, *ups] for x in across], half)


@dataclass(frozen=True, slots=True)
class Arrow:
    """Which way the camera looks now, from the picture's middle, of 1000 × 1000; its label (%)."""

    x: float
    y: float
    head: str
    label: str
    label_x: float
    label_y: float


def arrow(sighting: Mapping[str, Any], wide: int, high: int, places: Places) -> Arrow | None:
    """None where the camera looks where it did, or nobody can tell which way.

    A few points are too short to see: the arrow shows the way, and how far stands beside it.
    """
    part = sighting.get("framing")
    if not isinstance(part, Mapping) or not seen.framing(sighting) or part.get("moved") is not True:
        return None
    right, down = number(part.get("right")), number(part.get("down"))
    if right is None or down is None or not 0.5 <= math.hypot(right, down) < 2 * WIDEST:
        return None
    far = math.hypot(right, down)
    long = min(max(far, 0.16 * min(wide, high)), 0.4 * min(wide, high))
    x, y = right / far * long, down / far * long
    end = (500 + 1000 * x / wide, 500 + 1000 * y / high)
    # the two strokes of its head, 145° either side of its way
    strokes = []
    head_long = 0.064 * min(wide, high) / long
    for turn in (2.53, -2.53):
        u = x * math.cos(turn) - y * math.sin(turn)
        v = x * math.sin(turn) + y * math.cos(turn)
        strokes.append((end[0] + 1000 * head_long * u / wide, end[1] + 1000 * head_long * v / high))
    head = " ".join(f"{a:.1f},{b:.1f}" for a, b in (strokes[0], end, strokes[1]))
    label = say("{n} px", n=f"{far:.0f}")
    # on the side the arrow does not point to, else behind it
    side = -1 if down > 0 else 1
    at = places.free(
        [(0.5, 0.5 + side * 0.09), (0.5, 0.5 + side * 0.17), (0.5 - x / wide, 0.5 - y / high)],
        HALF_LETTER * len(label),
    )
    u, v = at or (0.5, 0.5 + side * 0.09)
    return Arrow(end[0], end[1], head, label, 100 * u, 100 * v)
