"""Random turns of a dial on plugs that meter mute lamps: `python -m tests.figures.turns --turns 10000`.

A simulator of its own: lamps, drivers and meters know nothing of the reckoning they are put to.
What it supposes of gear is common practice, no source: a driver takes 0.3 to 1.5 W when dark and
a little more than its share when dimmed, a lamp is within 3 % of what it was when it was
measured, a meter errs by a share of up to 2 % and shows steps of 0.1 to 1 W, rounded or cut off,
often 0 below 1 to 2 W, every 1 to 10 s.

Beside it `who_could` reckons by trial, from the same knowledge and none of the same code, which
lamps could have made a change: the account shall name nobody whom it does not, and no fewer.
"""

from __future__ import annotations

import argparse
import itertools
import math
import random
import sys
import time
from collections import Counter
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field

from studiobridge.figures.plug import Change, PlugAccount, Sample, Stands, Turning
from studiobridge.figures.watts import Band, Curve, from_rating, from_table

SETTLES = 6  # samples after a turn


@dataclass
class Lamp:
    """A lamp on a dial: what it was when measured, and what has become of it."""

    name: str
    dark: float
    full: float
    power: float
    age: float
    level: float
    table: tuple[tuple[float, float], ...] | None
    rating: float

    def new(self, level: float) -> float:
        return self.dark + (self.full - self.dark) * (level / 100.0) ** self.power

    def draws(self) -> float:
        return self.new(self.level) * self.age

    def curve(self) -> Curve:
        return from_table(self.table) if self.table else from_rating(self.rating, None)


def a_lamp(dice: random.Random, name: str, measured: float) -> Lamp:
    full = math.exp(dice.uniform(math.log(6.0), math.log(150.0)))
    lamp = Lamp(
        name,
        dark=min(dice.uniform(0.3, 1.5), full / 6.0),
        full=full,
        # light on a straight dial, or one whose watts follow a square
        power=dice.uniform(0.88, 1.0) if dice.random() < 0.8 else dice.uniform(1.3, 2.0),
        age=1.0 + dice.uniform(-0.03, 0.03),
        level=round(dice.uniform(0.0, 100.0), 1) if dice.random() < 0.9 else 0.0,
        table=None,
        rating=full / dice.uniform(0.92, 1.08),
    )
    straight = lamp.power <= 1.0
    if dice.random() < measured or not straight:
        # who measures a lamp that bends measures it at more points
        between = (30.0,) if straight and dice.random() < 0.5 else (10.0, 30.0, 50.0, 75.0)
        points = (0.0, *between, 100.0)
        error = 1.0 + dice.uniform(-0.01, 0.01)
        table = tuple((level, round(lamp.new(level) * error, 1)) for level in points)
        if all(a[1] < b[1] for a, b in itertools.pairwise(table)):
            lamp.table = table
    return lamp


@dataclass
class Meter:
    """A plug's meter: the mean of its period, its share off, in steps."""

    step: float
    gauge: float
    cuts: bool
    blind: float
    period: float

    def says(self, watts: float, dice: random.Random) -> float:
        seen = watts * self.gauge * (1.0 + max(-0.005, min(0.005, dice.gauss(0.0, 0.0015))))
        if seen < self.blind:
            return 0.0
        steps = math.floor(seen / self.step) if self.cuts else round(seen / self.step)
        return round(steps * self.step, 6)


def a_meter(dice: random.Random) -> Meter:
    return Meter(
        step=dice.choice((0.1, 0.1, 0.1, 0.2, 0.5, 1.0)),
        gauge=1.0 + dice.uniform(-0.02, 0.02),
        cuts=dice.random() < 0.3,
        blind=dice.choice((0.0, 1.0, 2.0)),
        period=dice.uniform(1.0, 10.0),
    )


@dataclass
class Plug:
    """A plug in time: who listens to it hears its meter."""

    dice: random.Random
    lamps: list[Lamp]
    meter: Meter
    account: PlugAccount
    now: float = 100.0
    changes: list[Change] = field(default_factory=list)
    said: float = 0.0

    def draws(self) -> float:
        return sum(lamp.draws() for lamp in self.lamps)

    def goes_on(self, samples: int) -> None:
        for _ in range(samples):
            self.now += self.meter.period * self.dice.uniform(0.95, 1.05)
            self._hear(self.draws())

    def turn(self, lamp: Lamp, to: float, takes: float) -> None:
        """Somebody turns a dial, not evenly, and the meter goes on meanwhile."""
        began, before = self.now, lamp.level
        first = self.now + self.dice.uniform(0.0, self.meter.period)
        while first < began + takes:
            # the mean of the last period, as far as it was in the turn already
            moments = [first - self.meter.period * i / 8.0 for i in range(8)]
            seen = 0.0
            for moment in moments:
                way = min(1.0, max(0.0, (moment - began) / takes))
                lamp.level = before + (to - before) * way
                seen += self.draws() / len(moments)
            self.now = first
            self._hear(seen)
            first += self.meter.period
        self.now = max(self.now, began + takes)
        lamp.level = to

    def _hear(self, watts: float) -> None:
        self.said = self.meter.says(watts, self.dice)
        change = self.account.hear(Sample(self.now, self.said))
        if change is not None:
            self.changes.append(change)


def a_plug(dice: random.Random, count: int, measured: float = 0.7) -> Plug:
    lamps = [a_lamp(dice, f"lamp-{i}", measured) for i in range(count)]
    meter = a_meter(dice)
    given = meter.step if dice.random() < 0.5 else None
    account = PlugAccount({lamp.name: lamp.curve() for lamp in lamps}, step=given)
    return Plug(dice, lamps, meter, account)


# ---- an independent reckoning --------------------------------------------------------------


def who_could(
    lamps: list[Lamp],
    stood: Mapping[str, tuple[float, float]],
    before: float,
    after: float,
    meter: Meter,
    dice: random.Random,
    trials: int = 60,
) -> set[str]:
    """By trial: the lamps that could alone have taken the meter from one reading to the other.

    A trial draws all that nobody knows (where in its band the lamp stood, its age, how its curve
    runs between its points, the meter's share, what of a step is lost) and asks whether a dial
    goes that far. Knows what the account is told, and nothing of how it reckons.
    """
    found = set()
    for lamp in lamps:
        for _ in range(trials):
            shape = _a_shape(lamp, dice)
            level = dice.uniform(*stood[lamp.name])
            age = 1.0 + dice.choice((-0.03, 0.03, dice.uniform(-0.03, 0.03)))
            gauge = 1.0 + dice.choice((-0.02, 0.02, dice.uniform(-0.02, 0.02)))
            lost = dice.choice((-1.0, 1.0, dice.uniform(-1.0, 1.0))) * meter.step
            wander = dice.uniform(-0.003, 0.003) * max(before, after)
            first, last = before, after
            if before < 2.0:
                first = max(before, dice.uniform(0.0, 2.0))
            if after < 2.0:
                last = max(after, dice.uniform(0.0, 2.0))
            by = (last - first + lost + wander) / gauge
            least, most = (shape(0.0) - shape(level)) * age, (shape(100.0) - shape(level)) * age
            if least <= by <= most:
                found.add(lamp.name)
                break
    return found


def where_could(
    lamp: Lamp, said: float, meter: Meter, dice: random.Random, trials: int = 120
) -> tuple[float, float] | None:
    """By trial: from which to which level one lamp alone may stand at this reading."""
    found = []
    for _ in range(trials):
        shape = _a_shape(lamp, dice)
        age = 1.0 + dice.choice((-0.03, 0.03, dice.uniform(-0.03, 0.03)))
        gauge = 1.0 + dice.choice((-0.02, 0.02, dice.uniform(-0.02, 0.02)))
        lost = dice.choice((-0.5, 1.0, dice.uniform(-0.5, 1.0))) * meter.step
        watts = (said + lost) / gauge / age
        if said < 2.0:
            watts = max(watts, dice.uniform(0.0, 2.0))
        if not shape(0.0) <= watts <= shape(100.0):
            continue
        low, high = 0.0, 100.0
        for _ in range(20):
            middle = (low + high) / 2.0
            low, high = (middle, high) if shape(middle) < watts else (low, middle)
        found.append(low)
    return (min(found), max(found)) if found else None


def _a_shape(lamp: Lamp, dice: random.Random) -> Callable[[float], float]:
    """A curve this lamp may have, by what is written of it."""
    points = lamp.table
    if points is None:
        dark, full = dice.uniform(0.3, 1.5), lamp.rating * dice.uniform(0.92, 1.08)
        power = dice.uniform(0.88, 1.0)
        return lambda level: dark + (full - dark) * (level / 100.0) ** power
    error = 1.0 + dice.uniform(-0.01, 0.01)

    def straight(level: float) -> float:
        for (l0, w0), (l1, w1) in itertools.pairwise(points):
            if level <= l1:
                return (w0 + (w1 - w0) * (level - l0) / (l1 - l0)) * error
        return points[-1][1] * error

    return straight


# ---- the run -------------------------------------------------------------------------------


@dataclass
class Tally:
    turns: int = 0
    within: int = 0
    outside: list[str] = field(default_factory=list)
    no_band: int = 0
    named_right: int = 0
    named_wrong: int = 0
    either: int = 0
    either_without: int = 0
    nobody: int = 0
    unseen: int = 0
    widths: list[float] = field(default_factory=list)
    # against the reckoning by trial: changes seen, of first turns
    compared: int = 0
    both_one: int = 0
    bold: int = 0
    timid: int = 0
    overlooked: int = 0
    # of one lamp alone: how much wider its band is than what trial leaves open
    wider: list[float] = field(default_factory=list)
    by_count: Counter[tuple[int, str]] = field(default_factory=Counter)

    def report(self) -> str:
        n, c = max(1, self.turns), max(1, self.compared)
        seen = max(1, n - self.unseen)
        bands = max(1, self.within + len(self.outside))
        lines = [
            f"turns                                   {self.turns}",
            f"true level within its band              {100 * self.within / bands:.2f} % of {bands} bands",
            f"  no band ('cannot be told')            {self.no_band}",
            f"  width of the turned lamp's band       median {_median(self.widths):.1f} %",
            f"too small for the meter to see          {100 * self.unseen / n:.1f} %",
            f"of the others: the right lamp named     {100 * self.named_right / seen:.1f} %",
            f"  a wrong lamp named                    {100 * self.named_wrong / seen:.2f} %",
            f"  'one or the other', the right among   {100 * self.either / seen:.1f} %",
            f"  'one or the other', the right missing {100 * self.either_without / seen:.2f} %",
            f"  nobody named                          {100 * self.nobody / seen:.2f} %",
            f"not seen, though the reading moved     {100 * self.overlooked / n:.2f} %",
            f"one lamp alone: its band beside trial   {_median(self.wider):.2f} times as wide",
            f"against the reckoning by trial          {self.compared} changes, 2 to 6 lamps",
            f"  both name the same one                {100 * self.both_one / c:.1f} %",
            f"  named, where two could (too bold)     {100 * self.bold / c:.2f} %",
            f"  not named, where one could (timid)    {100 * self.timid / c:.1f} %",
            "lamps on the plug: right one named / one or the other / unseen or nobody",
        ]
        for count in sorted({count for count, _ in self.by_count}):
            row = [self.by_count[(count, what)] for what in ("right", "either", "none", "wrong")]
            whole = sum(row)
            shares = " / ".join(f"{100 * part / whole:.0f} %" for part in row[:3])
            lines.append(f"  {count}: {shares}")
        return "\n".join(lines)


def _median(values: list[float]) -> float:
    return sorted(values)[len(values) // 2] if values else math.nan


def play(
    turns: int, seed: int, counts: tuple[int, ...] = (1, 2, 3, 4, 5, 6), declared: bool = False
) -> Tally:
    """`declared`: whoever turns a dial has said which one (a hand that is guided)."""
    tally = Tally()
    plugs = 0
    while tally.turns < turns:
        plugs += 1
        dice = random.Random(f"{seed}-{plugs}")
        _one_plug(a_plug(dice, dice.choice(counts)), tally, declared)
    return tally


def _one_plug(plug: Plug, tally: Tally, declared: bool) -> None:
    dice = plug.dice
    stood: dict[str, tuple[float, float]] = {}
    said_so = dice.random() < 0.8
    for lamp in plug.lamps if said_so else ():
        off = dice.uniform(-1.0, 1.0)
        low, high = max(0.0, lamp.level + off - 1.0), min(100.0, lamp.level + off + 1.0)
        stood[lamp.name] = (low, high)
        plug.account.hear(Stands(plug.now, lamp.name, Band(low, high)))
    plug.now += 2.0
    plug.goes_on(SETTLES)
    for n in range(dice.randint(1, 3)):
        lamp = dice.choice(plug.lamps)
        to = dice.choice((dice.uniform(0.0, 100.0), lamp.level + dice.gauss(0.0, 15.0)))
        before = plug.said
        plug.changes.clear()
        if declared:
            plug.account.hear(Turning(plug.now, frozenset({lamp.name})))
        plug.turn(lamp, round(min(100.0, max(0.0, to)), 1), dice.uniform(0.3, 6.0))
        plug.goes_on(SETTLES)
        plug.account.hear(Turning(plug.now, frozenset()))
        _judge(plug, lamp, tally)
        moved = abs(plug.said - before)
        # a sample of the way that agreed by chance, the step, and what a lamp wanders by itself
        clear = 1.5 * plug.meter.step + 0.025 * max(plug.said, before)
        tally.overlooked += not plug.changes and min(before, plug.said) > 2.0 and moved > clear
        alone = plug.account.estimate(lamp.name, plug.now).levels if len(plug.lamps) == 1 else None
        trial = where_could(lamp, plug.said, plug.meter, dice) if alone is not None else None
        if alone is not None and trial is not None and trial[1] - trial[0] > 0.5:
            tally.wider.append(alone.width / (trial[1] - trial[0]))
        if n == 0 and said_so and len(plug.lamps) > 1 and plug.changes:
            could = who_could(plug.lamps, stood, before, plug.said, plug.meter, dice)
            names = plug.changes[-1].lamps
            tally.compared += 1
            tally.both_one += len(names) == 1 and set(names) == could
            tally.bold += len(names) == 1 and not could <= set(names)
            tally.timid += len(names) != 1 and len(could) == 1


def _judge(plug: Plug, turned: Lamp, tally: Tally) -> None:
    tally.turns += 1
    count = len(plug.lamps)
    for lamp in plug.lamps:
        said = plug.account.estimate(lamp.name, plug.now)
        if said.levels is None:
            tally.no_band += 1
        elif said.levels.low - 0.05 <= lamp.level <= said.levels.high + 0.05:
            tally.within += 1
        else:
            tally.outside.append(f"{lamp} {said}")
        if lamp is turned and said.levels is not None:
            tally.widths.append(said.levels.width)
    names = [change.lamps for change in plug.changes]
    if not names:
        tally.unseen += 1
        what = "none"
    elif any(len(each) == 1 and each[0] != turned.name for each in names):
        tally.named_wrong += 1
        what = "wrong"
    elif all(each == (turned.name,) for each in names):
        tally.named_right += 1
        what = "right"
    elif any(not each for each in names):
        tally.nobody += 1
        what = "none"
    else:
        missing = any(turned.name not in each for each in names)
        tally.either += not missing
        tally.either_without += missing
        what = "either"
    tally.by_count[(count, what)] += 1


def main() -> int:
    options = argparse.ArgumentParser(description=__doc__)
    options.add_argument("--turns", type=int, default=10_000)
    options.add_argument("--seed", type=int, default=1)
    options.add_argument("--declared", action="store_true", help="a hand says which dial it turns")
    options.add_argument("--outside", action="store_true", help="print each band that missed")
    chosen = options.parse_args()
    began = time.monotonic()
    tally = play(chosen.turns, chosen.seed, declared=chosen.declared)
    print(tally.report())
    print(f"in {time.monotonic() - began:.0f} s, seed {chosen.seed}")
    if chosen.outside:
        print("\n".join(tally.outside))
    bands = tally.within + len(tally.outside)
    good = tally.within >= 0.99 * bands and tally.named_wrong < 0.005 * tally.turns
    return 0 if good else 1


if __name__ == "__main__":
    sys.exit(main())
