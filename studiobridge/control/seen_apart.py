"""What differs between the pictures of two moments (seen_then.py), with the bands of both.

- Whites, exposure, framing, focus and each light are compared where both were held against the
  same kept picture; lights else by what they gave when they were learned, if that is the same;
  evenness and light from nowhere are of each picture by itself.
- The band of a difference is of both bands by the root of their squares (JCGM 100:2008, 5.1.2, for
  errors that know nothing of each other). What the two share (the kept picture, the curve) takes
  itself out, so it is rather too wide. A band with nothing in it: the same as far as it can tell.
- A figure that only one of the two knows is named.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, field
from typing import Literal

from studiobridge.control.pictured import (
    EVEN,
    MOVED,
    SOFTER,
    STRAY,
    TINT,
    WHITE,
    WHOLE,
    beyond,
    moved_text,
)
from studiobridge.control.seen_then import Framed, Looked, figure, read
from studiobridge.control.sight import LIT
from studiobridge.profile.model import SetProfile
from studiobridge.profile.sighting import Band

Verdict = Literal["same", "nearly", "differs", "not known"]
What = Literal[
    "light", "stray", "white", "tint", "exposure", "evenness", "framing", "focus", "lights"
]

# Where the camera looks is measured within 0.2 % of the width (what a look is held to, 95 in 100;
# the difference of two by the root of squares); a turn and a zoom move the rim of the picture by
# as much at 0.23° and 0.4 %.
SHIFT = 0.002 * math.sqrt(2.0)
# The sides of a picture where nobody says (rows over columns): only for how much a turn moves it.
SIDES = 9.0 / 16.0


@dataclass(frozen=True, slots=True)
class Apart:
    """A figure that surely differs: `by` so much in `unit`. `past`: surely by more than is allowed.

    `size` in shares of what is allowed. Of the framing the px it went, and the turn and zoom.
    """

    what: What
    device: str | None
    way: str
    by: float
    unit: str
    low: float
    high: float
    past: bool
    size: float
    moved: Framed | None = None

    def shown(self) -> dict[str, object]:
        found: dict[str, object] = {
            "what": self.what,
            "device": self.device,
            "way": self.way,
            "by": round(self.by, 5),
            "unit": self.unit,
            "band": [round(self.low, 5), round(self.high, 5)],
            "past": self.past,
        }
        if self.moved is not None:
            moved = self.moved
            found |= {"right": round(moved.right, 1), "down": round(moved.down, 1)}
            found |= {"turn": round(moved.turn, 2), "zoom": round(moved.zoom, 4)}
        return found


@dataclass(frozen=True, slots=True)
class Compared:
    """Two pictures: what differs (the greatest first), what is the same, and what one lacks.

    `unknown`: what, and of which of the two (`then`, `now`); `both`: they were held against other
    pictures; `neither`: a light of which too little is in the picture.
    """

    differs: tuple[Apart, ...] = ()
    alike: tuple[str, ...] = ()
    unknown: tuple[tuple[str, str], ...] = ()

    @property
    def verdict(self) -> Verdict:
        if any(one.past for one in self.differs):
            return "differs"
        if self.differs:
            return "nearly"
        return "same" if self.alike and not self.unknown else "not known"


def allowed_of(profile: SetProfile) -> dict[str, float]:
    """How far each light may be off (stops)."""
    return {d.name: d.tolerance.level for d in profile.devices.values() if d.fixture}


def compare(then: Looked, now: Looked, allowed: Mapping[str, float]) -> Compared:
    """What differs now from then; `allowed`: of each light of the set, in stops."""
    found = _Found()
    same_kept = then.kept is not None and then.kept == now.kept
    against = (then.kept is not None, now.kept is not None)
    if same_kept:
        _of_kept(found, then, now)
    elif all(against):
        found.unknown += [("white", "both"), ("exposure", "both"), ("framing", "both")]
    elif any(against):
        of = "now" if against[0] else "then"
        found.unknown += [("white", of), ("exposure", of), ("framing", of)]
    found.figure("evenness", then.even, now.even, EVEN, ("more even", "less even"), "stop")
    found.figure("stray", then.stray, now.stray, STRAY, ("less", "more"), "share")
    _of_lights(found, then, now, same_kept, allowed)
    return Compared(
        tuple(sorted(found.differs, key=lambda one: (not one.past, -one.size))),
        tuple(dict.fromkeys(found.alike)),
        tuple(dict.fromkeys(found.unknown)),
    )


@dataclass(slots=True)
class _Found:
    differs: list[Apart] = field(default_factory=list)
    alike: list[str] = field(default_factory=list)
    unknown: list[tuple[str, str]] = field(default_factory=list)

    def figure(
        self,
        what: What,
        then: Band | None,
        now: Band | None,
        allowed: float,
        ways: tuple[str, str],
        unit: str,
        device: str | None = None,
    ) -> None:
        if then is None or now is None:
            self.lacks(what, then is not None, now is not None)
            return
        by = difference(then, now)
        if by.low <= 0.0 <= by.high:
            self.alike.append("lights" if device else what)
            return
        near = beyond(by, allowed)
        size = abs(by.value) / max(allowed, 1e-3)
        way = ways[by.value > 0]
        low, high = by.low, by.high
        past = near is not None
        self.differs.append(Apart(what, device, way, by.value, unit, low, high, past, size))

    def lacks(self, what: str, then: bool, now: bool) -> None:
        if then != now:
            self.unknown.append((what, "now" if then else "then"))


def difference(then: Band, now: Band) -> Band:
    """Now less then, each with its band."""
    by = now.value - then.value
    low = math.hypot(now.value - now.low, then.high - then.value)
    high = math.hypot(now.high - now.value, then.value - then.low)
    return Band(by - low, by, by + high)


def _of_kept(found: _Found, then: Looked, now: Looked) -> None:
    if then.white_at == now.white_at or None in (then.mired, now.mired):
        found.figure("white", then.mired, now.mired, WHITE, ("cooler", "warmer"), "mired")
        if then.mired is not None and now.mired is not None:
            found.figure("tint", then.duv, now.duv, TINT, ("pinker", "greener"), "Duv")
    else:
        found.unknown.append(("white", "both"))  # one at the card, one at the face
    found.figure("exposure", then.exposure, now.exposure, WHOLE, ("darker", "brighter"), "stop")
    if then.framed is None or now.framed is None:
        found.lacks("framing", then.framed is not None, now.framed is not None)
    else:
        _framing(found, then.framed, now.framed)
    if then.softer is None or now.softer is None:
        found.lacks("focus", then.softer is not None, now.softer is not None)
        return
    # of what detail there was then so much is gone; less than SOFTER is what a codec does
    gone = 1.0 - (1.0 - now.softer) / (1.0 - then.softer)
    if gone > SOFTER or (gone < 0.0 and 1.0 - 1.0 / (1.0 - gone) > SOFTER):
        way = "softer" if gone > 0 else "sharper"
        size = abs(gone) / SOFTER
        found.differs.append(Apart("focus", None, way, gone, "share", gone, gone, True, size))
    else:
        found.alike.append("focus")


def _framing(found: _Found, then: Framed, now: Framed) -> None:
    moved = Framed(
        now.right - then.right,
        now.down - then.down,
        now.turn - then.turn,
        now.zoom / then.zoom,
        0.0,
    )
    share = _share(moved, then, now)
    if share <= SHIFT:
        found.alike.append("framing")
        return
    low, high = share - SHIFT, share + SHIFT
    way = "right" if moved.right > 0 else "left"
    if abs(moved.down) > abs(moved.right):
        way = "down" if moved.down > 0 else "up"
    past = low > MOVED
    size = share / MOVED
    found.differs.append(Apart("framing", None, way, share, "share", low, high, past, size, moved))


def _share(moved: Framed, then: Framed, now: Framed) -> float:
    """How far that is, as a share of the picture's width (the root mean square of all of it)."""
    spread = _spread(moved)
    shift = math.hypot(moved.right, moved.down)
    wide = max((_wide(one) for one in (then, now)), default=0.0)
    if wide > 0.0:
        return math.hypot(shift / wide, spread)
    # neither went far enough to tell how wide the picture is: a pixel or two at most
    return spread


def _spread(one: Framed) -> float:
    """What a turn and a zoom move, as a share of the width."""
    turn = math.radians(one.turn)
    a, b = one.zoom * math.cos(turn) - 1.0, one.zoom * math.sin(turn)
    return math.sqrt((a * a + b * b) * (1.0 + SIDES**2) / 12.0)


def _wide(one: Framed) -> float:
    """The picture's width (px), of a shift and its share; 0 where that is too little to tell."""
    shift = math.hypot(one.right, one.down)
    rest = one.share**2 - _spread(one) ** 2
    if shift < 1.0 or rest <= (0.5 * one.share) ** 2:
        return 0.0
    return shift / math.sqrt(rest)


def _of_lights(
    found: _Found, then: Looked, now: Looked, same_kept: bool, allowed: Mapping[str, float]
) -> None:
    learned = then.learned is not None and then.learned == now.learned
    for name, most in allowed.items():
        if name in then.untold and name in now.untold:
            found.unknown.append((name, "neither"))
            continue
        before, after = then.stops.get(name), now.stops.get(name)
        if not same_kept or before is None or after is None:
            before, after = (_in_stops(one.amounts.get(name)) for one in (then, now))
        if before is None and after is None:
            continue
        if before is None or after is None:
            found.unknown.append((name, "then" if before is None else "now"))
        elif same_kept or learned:
            found.figure("light", before, after, most, ("less", "more"), "stop", name)
        else:
            found.unknown.append(("lights", "both"))


def _in_stops(amount: Band | None) -> Band | None:
    """Light against its own at full, in stops; what is surely dark is no darker than that."""
    if amount is None:
        return None
    low, middle, high = (
        math.log2(max(one, LIT)) for one in (amount.low, amount.value, amount.high)
    )
    return Band(low, middle, high)


# ---- as plain data, and in words ----------------------------------------------------------------


def between(
    then: object,
    now: object,
    allowed: Mapping[str, float],
    reads: Callable[[object], Looked | str] = read,
) -> dict[str, object]:
    """Two pictures as they are kept, compared, as plain data: also where one of them is none.

    `reads`: of somebody who compares many and remembers what was read.
    """
    before, after = reads(then), reads(now)
    found = Compared()
    if isinstance(before, Looked) and isinstance(after, Looked):
        found = compare(before, after, allowed)
    return {
        "then": _short(then, before),
        "now": _short(now, after),
        "verdict": found.verdict,
        "differs": [one.shown() for one in found.differs],
        "alike": list(found.alike),
        "unknown": [{"what": what, "of": of} for what, of in found.unknown],
    }


def _short(value: object, looked: Looked | str) -> dict[str, object]:
    if isinstance(looked, str):
        return {"why": looked[:200]}
    assert isinstance(value, Mapping)
    kept = looked.kept
    return {
        "age_s": figure(value.get("age_s")),
        "at_s": figure(value.get("at_s")),
        "kept": None if kept is None else kept[0],
        "kept_at": None if kept is None else kept[1],
    }


def beside_the_lights(found: Compared) -> Iterator[str]:
    """What no light can set right, in words: where the camera looks, its focus and exposure."""
    for one in found.differs:
        if one.what == "framing" and one.moved is not None:
            yield moved_text(one.moved.right, one.moved.down, one.moved.turn)
        elif one.what == "focus":
            yield f"it is {one.way}"
        elif one.what == "exposure":
            yield f"the whole picture is {abs(one.by):.1f} stop {one.way}"
        elif one.what == "stray":
            yield f"light from nowhere is {100 * abs(one.by):.0f} % {one.way}"
