"""What runs out, and what runs hot: batteries, cards, warmth, as every device last said.

The rules:

- Reported only. What a battery should last by its figures (`holds`, `draws`) is reckoned in
  figures/mains.py and never mixed with what it says.
- Nothing here is drift, and nothing here holds a run up: it is said, and the person decides.
- The last word is not forgotten when the device is switched off: at the end of a session it is
  the only thing to charge it by. It says how old it is, and a kept word that nobody knows.
- A rate comes only from words that came fresh (craft/supply.py): a kept one has no time.
"""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Iterable
from dataclasses import dataclass

from studiobridge.control.desk import Desk
from studiobridge.control.effects import Announce
from studiobridge.craft import supply
from studiobridge.profile.model import SUPPLIES, Point, Value, Warn, figure

# Words of one battery are kept so far apart (s), and so many of them: more than the window in
# which a rate is looked for.
APART = 10.0
KEEP = 300
# What was low is no longer so only this far past its limit (%, min, °C): no flapping about it.
BACK: dict[Point, float] = {"battery": 2.0, "card": 1.0, "temperature": 2.0}
# What is predicted is looked at again so often (s), also when nothing is heard any more.
LOOK_AGAIN = 60.0


@dataclass(frozen=True, slots=True)
class Word:
    """What a device said of a supply: percent, minutes, °C or yes and no, and when it was heard."""

    value: Value
    at: float
    kept: bool


@dataclass(frozen=True, slots=True)
class Low:
    """A supply that is past its limit (None: it says so itself), and how long it lasts (s)."""

    device: str
    point: Point
    word: Word
    limit: float | None
    left: float | None

    def said(self, at: float, over: bool) -> str:
        """In a sentence, with the age of the word where it is not of now."""
        how_old = ""
        if self.word.kept:
            how_old = supply.KEPT
        elif at - self.word.at >= supply.OLD:
            how_old = f"heard {supply.age(at - self.word.at)} ago"
        value = self.word.value
        value = value if isinstance(value, bool) else figure(value)
        return supply.sentence(self.device, self.point, value, how_old, self.left, over)


class Supplies:
    """Every device's supplies. Told what was heard; says what is low."""

    def __init__(self, desk: Desk) -> None:
        self.desk = desk
        self.words: dict[tuple[str, Point], Word] = {}
        self._falls: dict[str, deque[tuple[float, float]]] = {}
        self._low: set[tuple[str, Point]] = set()
        self._shown: list[str] = []

    def hear(self, name: str, point: Point, value: Value, kept: bool, at: float) -> None:
        """A report of a device that the profile has."""
        if point == "online" and value is False:
            self._falls.pop(name, None)  # switched off, it does not fall
        if point not in SUPPLIES:
            return
        if point != "battery_low" and not math.isfinite(figure(value)):
            return  # no number: it says nothing of anything
        key = (name, point)
        before = self.words.get(key)
        if kept and before is not None and before.value == value:
            return  # the same word again: when it was said is known better already
        self.words[key] = Word(value, at, kept)
        if point == "battery" and not kept:
            falls = self._falls.setdefault(name, deque(maxlen=KEEP))
            if not falls or not 0.0 <= at - falls[-1][0] < APART:
                falls.append((at, figure(value)))
        limit = self._limit(name, point)
        if _past(point, value, limit, key in self._low):
            self._low.add(key)
        else:
            self._low.discard(key)
        self.look(at)

    def look(self, at: float) -> None:
        """Has anything that is shown of it changed, by a word or by the time that passed?"""
        low = self.low(at)
        shown = [f"{entry.said(entry.word.at, False)}{entry.word.kept}" for entry in low]
        if shown != self._shown:
            self._shown = shown
            self.desk.emit(Announce(state=True))
        if any(entry.left is not None for entry in low):
            self.desk.wake("supplies", at + LOOK_AGAIN)

    def _limit(self, name: str, point: Point) -> float | None:
        warn: Warn = self.desk.profile.devices[name].warn
        limit: float | None = getattr(warn, point, None)
        return limit

    def left(self, name: str, at: float) -> float | None:
        """Seconds until a battery is empty at the rate it falls; None where nobody can say."""
        falls = self._falls.get(name)
        return supply.time_left(tuple(falls), at) if falls else None

    def low(self, at: float) -> list[Low]:
        """What is past its limit by its last word, in the order of the profile."""
        found = []
        for name in dict.fromkeys(name for name, _ in self._low):
            for point in SUPPLIES:
                if (name, point) not in self._low:
                    continue
                if point == "battery_low" and (name, "battery") in self._low:
                    continue  # the same, and the number says more
                left = self.left(name, at) if point == "battery" else None
                word = self.words[(name, point)]
                found.append(Low(name, point, word, self._limit(name, point), left))
        order = {name: i for i, name in enumerate(self.desk.profile.devices)}
        return sorted(found, key=lambda entry: order[entry.device])

    def sentences(self, at: float, over: bool, names: Iterable[str] | None = None) -> list[str]:
        """What is low in words; `over` once the session is: what to do about it."""
        wanted = None if names is None else set(names)
        return [e.said(at, over) for e in self.low(at) if wanted is None or e.device in wanted]


def _past(point: Point, value: Value, limit: float | None, was: bool) -> bool:
    if point == "battery_low":
        return value is True
    if limit is None:
        return False
    back = BACK[point] if was else 0.0
    if point == "temperature":
        return figure(value) >= limit - back
    return figure(value) <= limit + back
