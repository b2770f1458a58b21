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

from studiobridge.shown.tongue import figure
from studiobridge.shown.words import clean, number

# A picture of 960 points across is 150 kB at most (bytes); a little more is no lie.
LARGEST_PICTURE = 170_000
WIDEST = 2000
# More than these nobody can read, nor would a phone draw them at once.
MOST_LINES, MOST_POINTS, MOST_OUTLINES = 60, 400, 12
MOST_LABELS = 9
# Two labels nearer than this (shares of the picture) would lie over each other on a phone.
LABEL_WIDE, LABEL_HIGH = 0.16, 0.075


class NoPicture(ValueError):
    """It is no picture."""


@dataclass(frozen=True, slots=True)
class Jpeg:
    data: bytes
    width: int
    height: int


@dataclass(frozen=True, slots=True)
class Drawn:
    """A line over the picture: its points, of 1000 × 1000, and its label where that has a place."""

    points: str
    label: str = ""
    x: float = 0.0
    y: float = 0.0


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
        self._taken: list[tuple[float, float]] = []

    def free(self, points: Sequence[tuple[float, float]]) -> tuple[float, float] | None:
        """A point of the line where a label does not lie over another, well within the picture."""
        middle = len(points) // 2
        for index in sorted(range(len(points)), key=lambda n: abs(n - middle)):
            x, y = points[index]
            if not (0.06 <= x <= 0.94 and 0.06 <= y <= 0.94):
                continue
            if all(abs(x - u) > LABEL_WIDE or abs(y - v) > LABEL_HIGH for u, v in self._taken):
                self._taken.append((x, y))
                return x, y
        return None


def contours(value: object, places: Places) -> list[Drawn]:
    """Lines of equal light, the longest with their stops beside them."""
    lines = []
    for one in _listed(value)[:MOST_LINES]:
        stops, points = number(one.get("stops")), _points(one.get("points"))
        if stops is None or abs(stops) > 20 or len(points) < 2:
            continue
        lines.append((_long(points), stops, points))
    lines.sort(key=lambda line: -line[0])
    found, labels = [], 0
    for long, stops, points in lines:
        at = places.free(points) if labels < MOST_LABELS and long > 0.08 else None
        if at is None:
            found.append(Drawn(_text(points)))
            continue
        labels += 1
        found.append(Drawn(_text(points), _stops(stops), 100 * at[0], 100 * at[1]))
    return found


def _stops(value: float) -> str:
    """`−0.25`, `0`, `+0.5`."""
    much = figure(abs(value), ".2f").rstrip("0").rstrip(".,")
    if float(f"{abs(value):.2f}") == 0:
        return "0"
    return f"{'−' if value < 0 else '+'}{much}"


def _long(points: Sequence[tuple[float, float]]) -> float:
    return sum(math.dist(one, other) for one, other in pairwise(points))


def outlines(value: object, places: Places) -> list[Drawn]:
    """What moved, each with its name: an outline, or a box."""
    found = []
    for one in _listed(value)[:MOST_OUTLINES]:
        points = _points(one.get("points"))
        if not points:
            sides = [number(one.get(side)) for side in ("left", "top", "right", "bottom")]
            if any(side is None or not -0.01 <= side <= 1.01 for side in sides):
                continue
            left, top, right, bottom = (float(side) for side in sides if side is not None)
            points = [(left, top), (right, top), (right, bottom), (left, bottom)]
        if len(points) < 3:
            continue
        name = clean(one.get("name") or one.get("what") or "", 30)
        top_most = min(points, key=lambda point: point[1])
        at = places.free([top_most, *points]) if name else None
        x, y = at or (0.0, 0.0)
        found.append(Drawn(_text(points), name if at else "", 100 * x, 100 * y))
    return found


@dataclass(frozen=True, slots=True)
class Arrow:
    """Which way the camera looks now, from the picture's middle (%), and how far in words."""

    x: float
    y: float
    head: str
    label_x: float
    label_y: float


def arrow(sighting: Mapping[str, Any], wide: int, high: int) -> Arrow | None:
    """None where the camera looks where it did. A few points are too short to see: the arrow shows
    the way, the sentence beside it how far."""
    part = sighting.get("framing")
    if not isinstance(part, Mapping) or part.get("moved") is not True:
        return None
    right, down = number(part.get("right")), number(part.get("down"))
    if right is None or down is None or not 0 < math.hypot(right, down) < 1e5:
        return None
    long = 0.16 * min(wide, high)
    x, y = right / math.hypot(right, down) * long, down / math.hypot(right, down) * long
    end = (500 + 1000 * x / wide, 500 + 1000 * y / high)
    # the two strokes of its head, 145° either side of its way
    strokes = []
    for turn in (2.53, -2.53):
        u = x * math.cos(turn) - y * math.sin(turn)
        v = x * math.sin(turn) + y * math.cos(turn)
        strokes.append((end[0] + 400 * u / wide, end[1] + 400 * v / high))
    head = " ".join(f"{a:.1f},{b:.1f}" for a, b in (strokes[0], end, strokes[1]))
    below = 50 + (-9 if down > 0 else 11)
    return Arrow(end[0], end[1], head, 50.0, float(below))
