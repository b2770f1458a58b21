"""Evidence: its kinds, its rules, and which of it answers which question.

The rules:

- An *epoch* is a stretch of time in which evidence holds. It ends when the mains of the device
  come or go, when the link is lost, and when the bridge stops. What was heard in an epoch that
  has ended says what the device was, never what it is.
- `told` proves nothing. After a command only what is heard later says anything of that point.
- `kept` (the broker had it from before) proves nothing either: a device that lost its power
  leaves its last report at the broker. It counts as the last word of a device that cannot be
  asked, and as a reason to ask the others.
- A kept report never takes the place of a report of the same epoch.
- One thing is carried over an epoch: how long a lamp has been out, and only in the careful
  direction. Where it may have been lit meanwhile, it was.
- The mains of a computer with a battery of its own end no epoch of it: it runs on, and what it
  said still holds. What its charger draws says nothing of whether it runs.
- A computer that says it is down is down until it says anything else: a farewell of the same
  moment is no sign of life, a report later than that is.
- A person's word (`ticked`) holds for what only a hand can set, until evidence says otherwise.
- Whether a camera rolls that cannot say so has rules of its own, in rolling.py.
- A *gauged band* is what another instrument (the watts of the plug, a sensor, the picture) makes of
  a point the device never says: somewhere from `low` to `high`. It proves a value only if all of
  it lies within tolerance, contradicts it only if all of it lies outside, and else says nothing.
  It is bound to its epoch and outlived by a command, like a report.
- The camera's picture is evidence of the moment its frame was taken, not of when it was said: a
  frame from before a command, or from the middle of a fade, never proves what was told (sight.py).
- What it takes for a device to count as proven stands in proof.py.

`TABLE` says which evidence of which epoch answers which question.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Literal

from studiobridge.control.events import Instrument
from studiobridge.profile.model import Point, Value

NEVER = float("-inf")

Proof = Literal["report", "watts", "picture", "sensor", "hand", "told"]

# Which points an instrument other than the device can tell anything of.
GAUGES: Mapping[str, frozenset[Point]] = {
    "watts": frozenset({"switch", "level"}),
    "picture": frozenset({"switch", "level", "cct"}),
    "sensor": frozenset({"switch", "level", "cct"}),
}

# Who is heard before whom of the same point: the instrument its profile names, then these. A light
# sensor sees the sum of all lamps where the camera sees each; `proof: picture` is met by both.
BEFORE: tuple[Instrument, ...] = ("watts", "picture", "sensor")
BEFORE_OF: Mapping[str, tuple[Instrument, ...]] = {"picture": ("picture", "sensor", "watts")}


def heard_before(by: Instrument, other: Instrument, proof: str) -> bool:
    """Is `by` heard before `other` of a device whose profile names this proof?"""
    order = BEFORE_OF.get(proof, BEFORE)
    return order.index(by) < order.index(other)


# How the evidence of an instrument is spoken of.
BY: Mapping[str, str] = {
    "watts": "its watts",
    "picture": "the picture",
    "sensor": "a light sensor",
}

Question = Literal[
    "is it so",  # proof that a command was done, and that the set is ready
    "is it there",  # has it spoken since its mains and the link came
    "is it gone",  # did it, or its last will, say that it left
    "has it moved",  # does it differ from what is wanted
    "was it so",  # the last word, however old: for loads, and for showing
]


@dataclass(frozen=True, slots=True)
class Accepts:
    """Which evidence answers a question.

    `kept`: also what the broker kept. `this_epoch`: only what was heard in the present epoch.
    `since_told`: only what was heard after the last command for this point. `gauged`: where it
    cannot say so itself, also what another instrument makes of it.
    """

    kept: bool
    this_epoch: bool
    since_told: bool
    gauged: bool = False


TABLE: Mapping[Question, Accepts] = {
    "is it so": Accepts(kept=False, this_epoch=True, since_told=True, gauged=True),
    "is it there": Accepts(kept=False, this_epoch=True, since_told=False),
    "is it gone": Accepts(kept=True, this_epoch=True, since_told=False),
    # kept only from a device that cannot be asked: the others are asked
    "has it moved": Accepts(kept=True, this_epoch=True, since_told=True, gauged=True),
    "was it so": Accepts(kept=True, this_epoch=False, since_told=False, gauged=True),
}


@dataclass(slots=True)
class Word:
    """The last word about one point: what, when, on what evidence, in which epoch.

    Never changed once made; not frozen only because one is made for every report.
    """

    value: Value
    at: float
    kept: bool
    epoch: int


@dataclass(frozen=True, slots=True)
class Told:
    """What a point was told last: what, when, in which epoch. Until when it is under way (s)."""

    value: Value
    at: float
    until: float
    epoch: int


@dataclass(frozen=True, slots=True)
class Gauged:
    """What another instrument makes of a point: somewhere from low to high, both included.

    Of a switch: 1 on, 0 off, and 0 to 1 where it cannot tell.
    """

    low: float
    high: float
    at: float
    epoch: int
    by: Instrument
    unit: str = "%"
    # it rests on a person's word too, and on what the instrument saw since
    word: bool = False
    # why it cannot tell more, where it can say
    why: str = ""

    def __str__(self) -> str:
        """`45 to 60 %`, `4100 to 4300 K`, and of a switch `on` or `off`."""
        if not self.unit:
            return "on" if self.low else "off"
        low, high = _no_finer(self.low), _no_finer(self.high)
        return f"{low} {self.unit}" if low == high else f"{low} to {high} {self.unit}"

    def beside(self, wanted: Value) -> str:
        """Which way it has to go to be as wanted: `up` or `down`; empty where it may be there."""
        if isinstance(wanted, bool) or not isinstance(wanted, int | float):
            return ""
        return "up" if self.high < wanted else "down" if self.low > wanted else ""


def _no_finer(value: float) -> str:
    """The end of a band, no finer than a band is: `93`, `8.4`."""
    return f"{value:.0f}" if value >= 10 or value == 0 else f"{value:.1f}"
