"""The account of one plug that meters lamps which cannot speak: who draws what of its watts.

The rules:

- A reading counts when two samples in a row agree: a sample during a change is of the way.
- What stands in `lamps` is mute. Everything else on the plug is a known load with a band; what
  the reading leaves over is one sum of the mute ones.
- One lamp alone is told by its watts. Of several, what each draws follows only from where it is
  known to have stood (a person's word, its mains) and from the changes since.
- A change is put down to the one lamp that can explain it. Where two can, both are named and
  neither is moved for certain; where none can, nobody is named. Taken for granted is one thing:
  between two readings that rest, one dial is turned. Two turned within that look like one.
- A meter errs by a share that stays (its gauge) and by its step: the first cancels out of a
  change but for the change's own share, the second never does. What is below that is not seen.
- When the mains come, or this account begins, nothing is known of where lamps stand.
- What is no number, older than what is known, or only kept by the broker, says nothing.

Sans-I/O: events carry their time, seconds from a monotonic clock. Watts and percent.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

from studiobridge.figures.watts import NOTHING, Band, Curve, total

# Meters in switch-on plugs are good to about 2 %, and below 2 W they often say 0 (common practice).
ACCURACY = 0.02
BLIND_BELOW = 2.0
# What the mains and a lamp's own supply make its reading wander by while nothing is changed.
WANDERS = 0.005
# Two samples agree when they are apart by no more than a step and this share.
AGREE = 0.01
# The steps meters are made with (W), coarsest first: the coarsest that fits all samples is taken.
STEPS = (1.0, 0.5, 0.2, 0.1, 0.05, 0.02, 0.01)
# A meter may still report what was a moment (s) before a load changed.
LAGS = 1.0
# So many samples that agree, spanning so long (s): the hand is off the dial.
RESTS, RESTS_FOR = 3, 3.0
# No sample for so long (s), or for so many of its own longest pauses: its last one is no news.
QUIET, QUIET_PAUSES = 30.0, 3.0
# More than any plug passes on (W).
MOST = 10_000.0


# ---- what comes in -------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Sample:
    """The plug's meter says so many watts. `kept`: the broker had it from before."""

    at: float
    watts: float
    kept: bool = False


@dataclass(frozen=True, slots=True)
class Known:
    """What something else on the plug draws now: a lamp that reports, a load that is steady.

    `steady` False: it may be anywhere in its band at any moment (a computer).
    """

    at: float
    name: str
    watts: Band
    steady: bool = True


@dataclass(frozen=True, slots=True)
class Mains:
    """The plug says that it is on or off; None: nobody knows (link lost, plug gone)."""

    at: float
    on: bool | None


@dataclass(frozen=True, slots=True)
class Stands:
    """Somebody says (a person, a picture) that this lamp stands in this band of levels (%)."""

    at: float
    lamp: str
    levels: Band


@dataclass(frozen=True, slots=True)
class Turning:
    """These lamps are being changed from now on: a hand is on the dial, or they were told.

    Empty: no more. A change they can explain is theirs; one they cannot is not.
    """

    at: float
    lamps: frozenset[str]


Heard = Sample | Known | Mains | Stands | Turning


# ---- what comes out ------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Estimate:
    """Where a lamp stands by its plug's watts.

    `levels` None: it cannot be told, and `why` says why. `lit`: True or False where the watts
    settle that much, else None. `word`: it rests on somebody's word too, and on what the meter saw
    since; else on the watts alone. `at`: when the meter said so.
    """

    lamp: str
    at: float
    levels: Band | None
    lit: bool | None
    why: str
    word: bool = False


@dataclass(frozen=True, slots=True)
class Change:
    """The plug's reading has changed and rests: by how much, and who explains it.

    `lamps`: one is named; two or more could each have done it; none: nobody could alone.
    """

    at: float
    watts: Band
    lamps: tuple[str, ...]
    why: str


@dataclass(frozen=True, slots=True)
class Reading:
    """Samples that agree: the lowest and highest, how many, from when to when."""

    low: float
    high: float
    count: int
    since: float
    until: float


@dataclass(frozen=True, slots=True)
class _Lamp:
    """What is known of a mute lamp at the last accounted reading.

    `watts`: what it draws. `stood` and `by`: where somebody said it stands, and by how much its
    watts have changed since.
    """

    watts: Band
    stood: Band | None = None
    by: Band = NOTHING

    def changed(self, by: Band) -> _Lamp:
        return _Lamp(self.watts + by, self.stood, self.by + by)

    def or_else(self, other: _Lamp) -> _Lamp:
        return _Lamp(self.watts.spans(other.watts), self.stood, self.by.spans(other.by))


class PlugAccount:
    """One metering plug and its mute lamps."""

    def __init__(self, lamps: Mapping[str, Curve], step: float | None = None) -> None:
        self.lamps = dict(lamps)
        self.given_step = step
        self.on: bool | None = None
        self.known: dict[str, Known] = {}
        self.turning: frozenset[str] = frozenset()
        self.last: Sample | None = None
        self.reading: Reading | None = None
        self._learned = 0  # index into STEPS
        self._pause = 0.0  # the longest between two samples
        self._not_before = -math.inf  # samples of before say nothing of now
        self._forget()

    # ---- events ----------------------------------------------------------------------------

    def hear(self, event: Heard) -> Change | None:
        """One event, in order of time. Returns a change when one is over and accounted for."""
        if isinstance(event, Sample):
            return self._sample(event)
        if isinstance(event, Known):
            self._load(event)
        elif isinstance(event, Mains):
            self._mains(event)
        elif isinstance(event, Stands):
            self._stands(event)
        else:
            return self._turning(event)
        return None

    def forget_load(self, name: str, at: float) -> None:
        """Nobody knows any more whether this hangs on the plug at all."""
        if self.known.pop(name, None) is not None:
            self._unsettle(at)

    # ---- questions -------------------------------------------------------------------------

    @property
    def step(self) -> float:
        """The smallest difference the meter shows (W): given, or as seen so far."""
        return self.given_step or STEPS[self._learned]

    def estimate(self, lamp: str, at: float) -> Estimate:
        raise NotImplementedError
