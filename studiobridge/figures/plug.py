"""The account of one plug that meters lamps which cannot speak: who draws what of its watts.

The rules:

- A reading counts when two samples in a row agree: a sample during a change is of the way.
- What stands in `lamps` is mute. Everything else on the plug is a known load with a band; what
  the reading leaves over is one sum of the mute ones.
- One lamp alone is told by its watts. Of several, what each draws follows only from where it is
  known to have stood (a person's word, its mains) and from the changes since.
- A change is put down to the one lamp that can explain it. Where two can, both are named and
  neither is moved for certain; where none can, nobody is named. Taken for granted is one thing:
  between two readings that rest, and that are no more than a minute apart, one dial is turned. Two
  turned within that look like one.
- Not only dials change watts. A lamp that warms up, or a filament on mains that move by more than
  2 or 3 %, looks like a dial that is turned: what follows for a lamp alone is off by a few
  percent of level, and on a shared plug a change of that size may be put down to one lamp.
- A meter errs by a share that stays (its gauge) and by its step: the first cancels out of a
  change but for the change's own share, the second never does. What is below that is not seen.
- When the mains come, or this account begins, nothing is known of where lamps stand.
- What is no number, older than what is known, or only kept by the broker, says nothing.

Sans-I/O: events carry their time, seconds from a monotonic clock. Watts and percent.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from functools import lru_cache

from studiobridge.figures.watts import NOTHING, Band, Curve, total

# Meters in switch-on plugs are good to about 2 %, and below 2 W they often say 0 (common practice).
ACCURACY = 0.02
BLIND_BELOW = 2.0
# What the mains and a lamp that warms make its reading wander by while nothing is changed.
WANDERS = 0.01
# Two samples agree when they are apart by no more than a step and this share.
AGREE = 0.01
# The steps meters are made with (W), coarsest first: the coarsest that fits all samples is taken.
STEPS = (1.0, 0.5, 0.2, 0.1, 0.05, 0.02, 0.01)
# A meter may still report what was a moment (s) before a load changed.
LAGS = 1.0
# Samples closer together (s) than any meter measures are one sample said twice.
TWICE = 0.4
# So many samples that agree, spanning so long (s): the hand is off the dial.
RESTS, RESTS_FOR = 3, 3.0
# A person's word is of a reading that begins within this time (s) after it: two periods of a slow
# meter, the first of them still half of before. A later one may be of a dial turned since.
WORD_WAITS = 25.0
# Between two readings that rest one dial is turned, where no more than this (s) lies between them.
# A meter that reports only changes may not rest for minutes, and much can happen in them.
ONE_HAND = 60.0
# What several lamps draw together may be so far off the sum of their tables at once: they warm up
# together (5 to 10 % less after some minutes), and a filament follows the mains (5 % of volts is
# 8 % of its watts). Without it the rest a large lamp leaves is taken for a small one's. Common
# practice, and P ~ U^1.6 of tungsten (from memory).
TOGETHER = 0.08
# No sample for so long (s), or for so many of its own longest pauses: its last one is no news.
QUIET, QUIET_PAUSES = 30.0, 3.0
# A pause longer than this (s) is no habit of the meter's.
LONGEST_PAUSE = 120.0
# More than any plug passes on (W); a little below nothing is a meter's zero.
MOST, LEAST = 10_000.0, -1.0
# One of several lamps is known well enough to be guided where it is within this share of its range.
KNOWN_WITHIN = 0.3
# What a hand is to bring about is looked for in so many steps.
AIM_STEPS = 40
# A dial is read to about so much (%) either way: as wide as a person's word for `Stands` should be.
DIAL = 2.0
# A lamp at or below this level (%) is out.
OUT = 2.0
# A band from below the first to above the second (%) says nothing.
ALL_LOW, ALL_HIGH = 1.0, 99.0


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
class Aim:
    """For a hand on a dial: the plug's reading now, and what it is to become (W).

    `watts`: as metered last; `was`: where it stood before; `settled`: two samples agree. `target`
    is what the meter should say, from `low` to `high` it is right; `dark` and `full`: what it
    says at the two ends of the dial. All None where it cannot be told, and `why` says why.
    """

    watts: float
    was: float | None
    settled: bool
    target: float | None = None
    low: float | None = None
    high: float | None = None
    dark: float | None = None
    full: float | None = None
    why: str = ""


@dataclass(frozen=True, slots=True)
class Reading:
    """Samples that agree: the lowest and highest, how many that count, the first and the last."""

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


class _Cannot(Exception):
    """It cannot be told, and why."""


@dataclass(frozen=True, slots=True)
class _Base:
    """A reading that rested, what was known beside it, and what each mute lamp drew."""

    reading: Reading
    known: Mapping[str, Known]
    lamps: Mapping[str, _Lamp]


def _true_watts(low: float, high: float, step: float) -> Band:
    """What really flows when a meter of this step says from `low` to `high`."""
    least = max(0.0, low - step / 2.0) / (1.0 + ACCURACY)
    most = (high + step) / (1.0 - ACCURACY)
    if low < BLIND_BELOW and low <= step:
        least, most = 0.0, max(most, BLIND_BELOW)
    return Band(least, most)


# a dial is shown with every reading of its plug, and what it is to meter then is the same again
@lru_cache(maxsize=256)
def _where_proven(
    curve: Curve, within: Band, low: float, high: float, step: float, known: Band
) -> tuple[float, float]:
    """The readings of a plug with one lamp, and with what is known beside it, at which all that
    the watts leave open will do; where none is, as given."""
    good = []
    for i in range(AIM_STEPS + 1):
        watts = low + (high - low) * i / AIM_STEPS
        found = curve.levels(_true_watts(watts, watts, step) - known)
        if found is not None and within.low <= found.low and found.high <= within.high:
            good.append(watts)
    return (good[0], good[-1]) if good else (low, high)


class PlugAccount:
    """One metering plug and its mute lamps.

    `lamps`: the mute ones by name. `loads`: everything else that hangs on it and needs a `Known`
    before anything can be told. `step`: the smallest difference the meter shows (W), where given.
    """

    def __init__(
        self, lamps: Mapping[str, Curve], loads: Iterable[str] = (), step: float | None = None
    ) -> None:
        self.lamps = dict(lamps)
        self.loads = tuple(loads)
        self.given_step = step
        self.on: bool | None = None
        self.known: dict[str, Known] = {}
        self.turning: frozenset[str] = frozenset()
        self.last: Sample | None = None
        self.reading: Reading | None = None
        self._mains_at = -math.inf
        self._learned = 0  # index into STEPS
        self._pause = 0.0  # the longest between two samples
        self._not_before = -math.inf  # samples of before say nothing of now
        self._forget()

    def _forget(self) -> None:
        """Nothing is known of where lamps stand."""
        self._base: _Base | None = None
        self._stand = {name: _Lamp(curve.range) for name, curve in self.lamps.items()}
        self._turned = self.turning
        # the lamp that explained the last change, and how things stood before it moved first
        self._mover: tuple[str, _Base] | None = None
        self._doubt: Change | None = None
        self._stood_at: float | None = None  # the reading before this one (W)
        self._word_at = math.inf  # when somebody said last where a lamp stands
        self._rested_at = -math.inf  # when the reading of the base was last seen to hold

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
            return self._stands(event)
        else:
            return self._turning(event)
        return None

    def forget_load(self, name: str, at: float) -> None:
        """What this draws is not known any more."""
        if self.known.pop(name, None) is not None:
            self._unsettle(at)

    def _sample(self, sample: Sample) -> Change | None:
        if sample.kept or not (math.isfinite(sample.watts) and LEAST <= sample.watts <= MOST):
            return None
        before = self.last
        if before is not None:
            pause = sample.at - before.at
            if pause <= 0.0:
                return None
            if pause <= LONGEST_PAUSE:
                self._pause = max(self._pause, pause)
        self.last = sample
        if self.given_step is None:
            while self._learned < len(STEPS) - 1 and not _fits(sample.watts, self.step):
                self._learned += 1
        if sample.at < self._not_before or self.on is False:
            return None
        watts = max(0.0, sample.watts)
        reading = self.reading
        if reading is not None:
            low, high = min(reading.low, watts), max(reading.high, watts)
            if high - low <= self.step * 1.001 + AGREE * high:
                again = sample.at - reading.until >= TWICE
                until = sample.at if again else reading.until
                self.reading = Reading(low, high, reading.count + again, reading.since, until)
                return self._close() if self._rests(self.reading) else None
        self._leave_reading()
        self.reading = Reading(watts, watts, 1, sample.at, sample.at)
        return None

    def _load(self, load: Known) -> None:
        before = self.known.get(load.name)
        if before is not None and (before.watts, before.steady) == (load.watts, load.steady):
            return
        self.known[load.name] = load
        if load.steady:
            self._unsettle(load.at)

    def _mains(self, mains: Mains) -> None:
        if mains.on is self.on:
            return
        self.on = mains.on
        self._mains_at = mains.at
        self._forget()
        self._unsettle(mains.at)

    def _stands(self, said: Stands) -> Change | None:
        """The next reading that rests is of the lamp standing there."""
        change = self._close() if self._settled(self.reading) else None
        levels = said.levels.meets(Band(0.0, 100.0))
        if said.lamp not in self.lamps or levels is None:
            return change
        self._stand[said.lamp] = _Lamp(self.lamps[said.lamp].watts(levels), levels)
        self._word_at = said.at
        self._base = None
        self._mover = None
        self._doubt = None
        self._unsettle(said.at)
        return change

    def _turning(self, event: Turning) -> Change | None:
        lamps = event.lamps & self.lamps.keys()
        if lamps == self.turning:
            return None
        change = self._close() if self._settled(self.reading) else None
        self.turning = lamps
        self._turned |= lamps
        if self._base is None:
            # where it stood before the hand came was never metered
            for name in lamps:
                self._stand[name] = _Lamp(self.lamps[name].range)
        return change

    def _leave_reading(self) -> None:
        if self.reading is not None and self._settled(self.reading):
            self._stood_at = (self.reading.low + self.reading.high) / 2.0
        self.reading = None

    def _unsettle(self, at: float) -> None:
        self._leave_reading()
        self._not_before = max(self._not_before, at + LAGS)

    # ---- questions -------------------------------------------------------------------------

    @property
    def step(self) -> float:
        """The smallest difference the meter shows (W): given, or as seen so far."""
        return self.given_step or STEPS[self._learned]

    @property
    def turned(self) -> frozenset[str]:
        """The lamps that were said to be changed since the last reading that rests."""
        return self._turned & self.lamps.keys()

    def estimate(self, lamp: str, at: float) -> Estimate:
        """Where this lamp stands by the watts, as far as they tell it."""
        seen = at if self.last is None else self.last.at
        if self.on is False:
            return Estimate(lamp, seen, None, False, "its plug is off")
        try:
            stands, why = self._now(at)
        except _Cannot as cannot:
            return Estimate(lamp, seen, None, None, str(cannot))
        stand, curve = stands[lamp], self.lamps[lamp]
        levels = curve.levels(stand.watts)
        if levels is None:
            return Estimate(lamp, seen, None, None, "its watts fit no level of it")
        word = stand.stood is not None
        if stand.stood is not None:
            narrower = levels.meets(curve.moved(stand.stood, stand.by))
            # where the two contradict each other the watts are believed, not the word
            word, levels = narrower is not None, narrower or levels
        lit = True if stand.watts.low > curve.dark.high else None
        if levels.high <= OUT:
            lit = False
        if levels.low <= ALL_LOW and levels.high >= ALL_HIGH:
            why = why or "the watts of its plug leave everything open"
            return Estimate(lamp, seen, None, lit, why)
        return Estimate(lamp, seen, levels, lit, why, word)

    def change_now(self, at: float) -> Change | None:
        """What has changed since the last reading that rested; None when nothing is seen to."""
        if self._base is None or not self._settled(self.reading) or self._quiet(at):
            return None
        assert self.reading is not None
        by = self._difference(self._base, self.reading)
        if by.holds(0.0):
            return None
        return self._put_down(self._base, by)[1]

    def aim(self, lamp: str, level: float, within: Band, at: float) -> Aim | None:
        """How far this lamp is from a level (%), all that changes now put down to it.

        `within`: the levels that will do. None while the meter has said nothing.
        """
        if self.last is None or self.last.at < self._mains_at or self.on is False:
            return None
        watts, settled = self.last.watts, self._settled(self.reading)
        base, curve = self._base, self.lamps[lamp]
        was = self._stood_at
        if self._quiet(at):
            why = f"the meter of its plug has been silent for {at - self.last.at:.0f} s"
            return Aim(watts, was, False, why=why)
        missing = [name for name in self.loads if name not in self.known]
        if missing:
            why = f"what {_listed(tuple(missing), 'and')} on the same plug draws is not known"
            return Aim(watts, was, settled, why=why)
        others = _middle(total(load.watts for load in self.known.values()))
        if len(self.lamps) > 1:
            if base is None:
                why = "its plug has to rest before it can be told from the others"
                return Aim(watts, was, settled, why=why)
            stand = base.lamps[lamp]
            if stand.watts.width > KNOWN_WITHIN * curve.range.width:
                why = "the watts do not tell it from the others: say once how all of them stand"
                return Aim(watts, was, settled, why=why)
            drew = _middle(stand.watts)
            if stand.stood is not None:
                drew = curve.usually(_middle(stand.stood)) + _middle(stand.by)
            now = _middle(total(load.watts for load in base.known.values()))
            others += _middle(Band(base.reading.low, base.reading.high)) - now - drew
        least = self.step / 2.0
        target = others + curve.usually(level)
        low = min(others + curve.usually(within.low), target - least)
        high = max(others + curve.usually(within.high), target + least)
        if len(self.lamps) == 1:
            known = total(load.watts for load in self.known.values())
            low, high = _where_proven(curve, within, low, high, self.step, known)
        return Aim(
            watts,
            was,
            settled,
            target,
            low,
            high,
            others + curve.usually(0.0),
            others + curve.usually(100.0),
        )

    def left_over(self, reading: Reading) -> Band:
        """What all mute lamps together draw at a reading (W)."""
        mute = self.true_watts(reading) - total(load.watts for load in self.known.values())
        if len(self.lamps) == 1 or mute.high <= 0.0:
            return mute
        return Band(mute.low * (1.0 - TOGETHER), mute.high * (1.0 + TOGETHER))

    def true_watts(self, reading: Reading) -> Band:
        """What really flows when the meter says this (W): its step, rounded or cut, and 2 %."""
        return _true_watts(reading.low, reading.high, self.step)

    # ---- the reckoning ---------------------------------------------------------------------

    def _settled(self, reading: Reading | None) -> bool:
        return reading is not None and reading.count >= 2

    def _rests(self, reading: Reading) -> bool:
        return reading.count >= RESTS and reading.until - reading.since >= RESTS_FOR

    def _quiet(self, at: float) -> bool:
        if self.last is None:
            return True
        return at - self.last.at > max(QUIET, QUIET_PAUSES * self._pause)

    def _now(self, at: float) -> tuple[Mapping[str, _Lamp], str]:
        """What each lamp draws now, and a sentence about it. Raises _Cannot."""
        if self.last is None or self.last.at < self._mains_at:
            raise _Cannot("its plug has metered nothing yet")
        if self._quiet(at):
            raise _Cannot(f"the meter of its plug has been silent for {at - self.last.at:.0f} s")
        missing = [name for name in self.loads if name not in self.known]
        if missing:
            raise _Cannot(f"what {' and '.join(missing)} on the same plug draws is not known")
        if not self._settled(self.reading):
            raise _Cannot(f"the reading of its plug is changing: {self.last.watts:.3g} W")
        assert self.reading is not None
        stands: Mapping[str, _Lamp]
        stands = self._known_before() if self._base is None else self._stand
        why = "" if self._doubt is None else self._doubt.why
        if self._base is not None:
            by = self._difference(self._base, self.reading)
            if by.holds(0.0):
                stands = {name: lamp.changed(by) for name, lamp in stands.items()}
            else:
                stands, change = self._put_down(self._base, by)
                why = change.why if len(change.lamps) != 1 else why
        return self._within(stands, self.reading), why

    def _close(self) -> Change | None:
        """The reading rests: it is the next one's base, and what changed until it is put down."""
        reading = self.reading
        if reading is None or any(name not in self.known for name in self.loads):
            return None
        base, known = self._base, dict(self.known)
        if base is None:
            try:
                self._stand = dict(self._within(self._known_before(), reading))
            except _Cannot:
                return None
            self._rested_at = reading.until
            self._base = _Base(reading, known, self._stand)
            self._turned = self.turning
            return None
        by = self._difference(base, reading)
        if by.holds(0.0):
            self._rested_at = reading.until
            if not self.turning:
                self._turned = frozenset()
            return None
        stands, change = self._put_down(base, by)
        mover = None
        if len(change.lamps) == 1:
            name = change.lamps[0]
            mover = (name, base)
            if self._mover is not None and self._mover[0] == name:
                # it alone has moved since then: the meter's errors of the way between fall out
                first = self._mover[1]
                whole = self._difference(first, reading)
                fits = self._fits(first.lamps[name], name, whole)
                if fits is not None:
                    stands, mover = {**first.lamps, name: fits}, self._mover
        try:
            stands = self._within(stands, reading)
        except _Cannot:
            # something else hangs on the plug; when it is gone, all is as it was
            return None
        self._stand = dict(stands)
        self._base = _Base(reading, known, self._stand)
        self._rested_at = reading.until
        self._mover = mover
        self._turned = self.turning
        self._doubt = change if len(change.lamps) != 1 else None
        return change

    def _known_before(self) -> Mapping[str, _Lamp]:
        """How lamps stood before the first reading that rests: nothing, where a word is too old."""
        if self.reading is not None and self.reading.since > self._word_at + WORD_WAITS:
            return {name: _Lamp(curve.range) for name, curve in self.lamps.items()}
        return self._stand

    def _difference(self, base: _Base, now: Reading) -> Band:
        """How much more the mute lamps draw than at that base (W)."""
        then = base.reading
        error = self.step + WANDERS * max(then.high, now.high)
        low, high = now.low - then.high - error, now.high - then.low + error
        if now.low < BLIND_BELOW and now.low <= self.step:
            high += BLIND_BELOW
        if then.low < BLIND_BELOW and then.low <= self.step:
            low -= BLIND_BELOW
        low = low / (1.0 + ACCURACY) if low > 0 else low / (1.0 - ACCURACY)
        high = high / (1.0 - ACCURACY) if high > 0 else high / (1.0 + ACCURACY)
        by = Band(low, high)
        for name in base.known.keys() | self.known.keys():
            before, after = base.known.get(name), self.known.get(name)
            if before is not None and after is not None and before == after and after.steady:
                continue
            was = NOTHING if before is None else before.watts
            by = by - ((NOTHING if after is None else after.watts) - was)
        return by

    def _fits(self, lamp: _Lamp, name: str, by: Band) -> _Lamp | None:
        """This lamp after a change, where it can have made it."""
        watts = (lamp.watts + by).meets(self.lamps[name].range)
        return None if watts is None else _Lamp(watts, lamp.stood, lamp.by + by)

    def _put_down(self, base: _Base, by: Band) -> tuple[Mapping[str, _Lamp], Change]:
        """Who explains this change, and how all lamps stand then."""
        at = base.reading.until if self.reading is None else self.reading.since
        stands = base.lamps
        could = {
            name: fits
            for name, lamp in stands.items()
            if (fits := self._fits(lamp, name, by)) is not None
        }
        much = _much(by)
        turned = self._turned & self.lamps.keys()
        if len(turned) > 1:
            free = {name: _Lamp(self.lamps[name].range) for name in turned}
            names = tuple(name for name in self.lamps if name in turned)
            why = f"{_listed(names, 'and')} were changed at once: one sum of watts, {much}"
            return {**stands, **free}, Change(at, by, names, why)
        if turned and turned <= could.keys():
            could = {name: could[name] for name in turned}
        elif len(self.lamps) > 1 and at - self._rested_at > ONE_HAND:
            free = {name: _Lamp(curve.range) for name, curve in self.lamps.items()}
            why = (
                f"its meter did not rest for {at - self._rested_at:.0f} s: who changed is not known"
            )
            return free, Change(at, by, (), why)
        names = tuple(could)
        if len(names) == 1:
            return {**stands, **could}, Change(at, by, names, f"{names[0]} changed by {much}")
        if names:
            either = {name: stands[name].or_else(fits) for name, fits in could.items()}
            why = f"{_listed(names, 'or')} changed by {much}; the watts do not say which"
            return {**stands, **either}, Change(at, by, names, why)
        free = {name: _Lamp(curve.range) for name, curve in self.lamps.items()}
        why = f"no one lamp alone explains a change of {much}"
        return free, Change(at, by, (), why)

    def _within(self, stands: Mapping[str, _Lamp], reading: Reading) -> Mapping[str, _Lamp]:
        """No lamp draws more than the others leave over. Raises _Cannot."""
        over = self.left_over(reading)
        found = self._squeezed(stands, over)
        if found is None:
            # what was said, or followed from it, does not fit: only the watts are left
            free = {name: _Lamp(curve.range) for name, curve in self.lamps.items()}
            found = self._squeezed(free, over)
        if found is None:
            kind = "more than" if over.low > 0 else "less than"
            raise _Cannot(f"its plug draws {reading.high:.3g} W, {kind} all that hangs on it can")
        return found

    def _squeezed(self, stands: Mapping[str, _Lamp], over: Band) -> Mapping[str, _Lamp] | None:
        now = dict(stands)
        for name, lamp in now.items():
            watts = lamp.watts.meets(self.lamps[name].range)
            if watts is None:
                return None
            now[name] = _Lamp(watts, lamp.stood, lamp.by)
        everything = total(lamp.watts for lamp in now.values())
        if everything.meets(over) is None:
            return None
        for name, lamp in now.items():
            rest = Band(everything.low - lamp.watts.low, everything.high - lamp.watts.high)
            watts = lamp.watts.meets(over - rest)
            if watts is None:
                return None
            now[name] = _Lamp(watts, lamp.stood, lamp.by)
        return now


def _fits(watts: float, step: float) -> bool:
    """Does a meter of this step show such a number?"""
    steps = watts / step
    return abs(steps - round(steps)) < 1e-6 * max(1.0, abs(steps))


def _middle(band: Band) -> float:
    return (band.low + band.high) / 2.0


def _much(by: Band) -> str:
    return f"{_middle(by):+.2g} W"


def _listed(names: tuple[str, ...], word: str) -> str:
    return names[0] if len(names) == 1 else f"{', '.join(names[:-1])} {word} {names[-1]}"
