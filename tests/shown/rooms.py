"""Rooms full of lamps, made up, and what is drawn of them, read back from the SVG."""

from __future__ import annotations

import random
import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from fractions import Fraction
from typing import Any

from studiobridge.profile.model import Place, Room, SetProfile
from studiobridge.shown.live import Drawing
from tests.figures.sets import KEY, small

NAMES = ("key", "fill", "rim", "hair", "wash-left", "wash-right", "shelf", "window-side-low", "x")


def room(count: int, seed: int) -> SetProfile:
    """A room of 2.5 to 8 m with lamps anywhere in it, some on one spot, all aimed at the mark."""
    dice = random.Random(seed)
    wide, deep = dice.uniform(2.5, 8.0), dice.uniform(2.5, 9.0)
    lamps = []
    for i in range(count):
        place = Place(
            dice.uniform(0.02, deep - 0.02), dice.uniform(-wide / 2, wide / 2), 2.0, "mark"
        )
        if lamps and dice.random() < 0.1:
            place = lamps[-1].place or place
        lamps.append(replace(KEY, name=f"{dice.choice(NAMES)}-{i}", place=place))
    depth = Fraction(round(deep * 100), 100)
    return small(*lamps, room=Room(depth, wide, 3.0, Place(deep / 2, 0.0, 1.5)))


def as_asked(**more: Any) -> dict[str, Any]:
    return {
        "online": True,
        "switch": True,
        "level": 64.0,
        "cct": 4300.0,
        "confirmed": True,
        "by": "report",
        "heard": "answers",
        **more,
    }


def moved(stops: float | None = None, mired: float | None = None) -> dict[str, Any]:
    drift: list[dict[str, Any]] = []
    if stops is not None:
        drift.append({"point": "level", "stops": stops, "wanted": 50.0, "reported": 60.0})
    if mired is not None:
        drift.append({"point": "cct", "mired": mired, "wanted": 4300.0, "reported": 4200.0})
    return as_asked(drift=drift)


# every way a lamp can stand, so that every word that may stand beside one is there
STANDS: dict[str, dict[str, Any]] = {
    "set": as_asked(),
    "full": as_asked(level=100.0, cct=10000.0),
    "dark": as_asked(level=0.0, switch=False),
    "brighter": moved(0.5),
    "darker": moved(-12.25),
    "warmer": moved(mired=120.0),
    "cooler": moved(mired=-12.0),
    "both": moved(-0.88, -112.0),
    "told": as_asked(by="told", heard="cannot speak"),
    "unsure": as_asked(confirmed=False),
    "locked": as_asked(lockout={"by": "Ana", "why": "new fuse"}),
    "busy": as_asked(step="set"),
    "adjusting": as_asked(adjusting=True),
    "silent": as_asked(online=None, heard="silent"),
}
Box = tuple[float, float, float, float]


@dataclass(frozen=True)
class Text:
    style: str
    x: float
    y: float
    size: float
    said: str


def parts(
    drawn: Drawing, of: Callable[[str], Mapping[str, Any]] | str = "set", sure: bool = True
) -> dict[str, str]:
    view = of if callable(of) else lambda _: STANDS[str(of)]
    return drawn.parts(view, sure, True)


def plates(part: str) -> list[Box]:
    """Left, top, right, bottom of what stands behind the words of a lamp."""
    found = re.findall(
        r'class="plate[^"]*" x="([-\d.]+)" y="([-\d.]+)" width="([\d.]+)" height="([\d.]+)"', part
    )
    boxes = [tuple(map(float, one)) for one in found]
    return [(x, y, x + w, y + h) for x, y, w, h in boxes]


def texts(part: str) -> list[Text]:
    found = re.findall(
        r'<text class="([^"]*)" x="([-\d.]+)" y="([-\d.]+)" font-size="([\d.]+)">([^<]*)<', part
    )
    return [Text(s, float(x), float(y), float(n), said) for s, x, y, n, said in found]


def overlap(a: Box, b: Box, by: float = 0.05) -> bool:
    return min(a[2], b[2]) - max(a[0], b[0]) > by and min(a[3], b[3]) - max(a[1], b[1]) > by
