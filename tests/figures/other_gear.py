"""Proof by watts on gear that turns.py does not suppose: `python -m tests.figures.other_gear --plugs 100`.

Drivers whose dial does little at its bottom, filaments and resistances that follow the mains, lamps
that lose 5 to 10 % while they warm up, dials with play, meters that report only what changes, cut
to 1 W or say 0 below 2 W. All common practice, no source; tungsten's P ~ U^1.55 from memory. The
share of true levels within their bands is what README says of it.
"""

from __future__ import annotations

import argparse
import itertools
import math
import random
from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Literal

from studiobridge.figures.plug import Change, PlugAccount, Sample, Stands
from studiobridge.figures.watts import Band, from_table

Kind = Literal["driver", "knee", "filament", "resistance"]
POINTS = (0.0, 10.0, 20.0, 30.0, 50.0, 75.0, 100.0)
# By how much watts follow volts: W ~ V to this power.
FOLLOWS: dict[Kind, float] = {"driver": 0.05, "knee": 0.05, "filament": 1.55, "resistance": 2.0}


@dataclass(frozen=True)
class Case:
    """What is other than usual. `swing`: of the mains, up and down within ten minutes."""

    name: str
    kinds: tuple[Kind, ...] = ("driver",)
    swing: float = 0.0
    warms: bool = False
    play: bool = False
    only_changes: bool = False
    poll: float = math.inf
    step: float | None = None
    blind: float | None = None
    turns: bool = True


CASES = (
    Case("electronic drivers"),
    Case("... mains ±10 %", swing=0.1),
    Case("... a knee in the dial", kinds=("knee",)),
    Case("... play in the dial", play=True),
    Case("... 5 to 10 % warm-up", warms=True),
    Case("... the same, nobody turns", warms=True, turns=False),
    Case("1 W steps, 0 below 2 W", step=1.0, blind=2.0),
    Case("a meter of changes only", only_changes=True),
    Case("... polled every 5 s", only_changes=True, poll=5.0),
    Case("filaments, mains ±3 %", kinds=("filament",), swing=0.03),
    Case("filaments, mains ±10 %", kinds=("filament",), swing=0.1),
    Case("resistances, mains ±10 %", kinds=("resistance",), swing=0.1),
    Case("... nobody turns", kinds=("resistance",), swing=0.1, turns=False),
)


@dataclass
class Lamp:
    name: str
    kind: Kind
    dark: float
    full: float
    bend: float
    knee: float
    age: float
    level: float
    play: float
    warms: float
    slow: float
    way: int = 1

    def new(self, level: float) -> float:
        x = level / 100.0
        if self.kind == "knee":
            low = 0.25 * self.knee
            past = max(0.0, x - self.knee) / (1.0 - self.knee)
            share = 0.25 * x if x <= self.knee else low + (1.0 - low) * past**self.bend
        else:
            share = x ** (self.bend if self.kind == "driver" else 1.4)
        return self.dark + (self.full - self.dark) * share

    def draws(self, since: float, volts: float) -> float:
        level = min(100.0, max(0.0, self.level + self.way * self.play)) if self.level > 0 else 0.0
        cold = 1.0 + self.warms * math.exp(-since / self.slow)
        return float(self.new(level) * self.age * cold * volts ** FOLLOWS[self.kind])

    def table(self) -> tuple[tuple[float, float], ...]:
        return tuple((level, round(self.new(level), 1)) for level in POINTS)


def a_lamp(dice: random.Random, name: str, case: Case) -> Lamp:
    return Lamp(
        name,
        dice.choice(case.kinds),
        dark=dice.uniform(0.2, 1.2),
        full=math.exp(dice.uniform(math.log(8.0), math.log(200.0))),
        bend=dice.uniform(0.85, 1.1),
        knee=dice.uniform(0.05, 0.15),
        age=1.0 + dice.uniform(-0.03, 0.03),
        level=round(dice.uniform(0.0, 100.0), 1),
        play=dice.uniform(0.0, 1.5) if case.play else 0.0,
        warms=dice.uniform(0.05, 0.1) if case.warms else 0.0,
        slow=dice.uniform(60.0, 240.0),
    )


@dataclass
class Evening:
    """One plug, its lamps on since 0 s, and who listens to its meter."""

    dice: random.Random
    case: Case
    lamps: list[Lamp]
    now: float = 0.0
    changes: list[Change] = field(default_factory=list)

    def __post_init__(self) -> None:
        dice, case = self.dice, self.case
        self.account = PlugAccount({lamp.name: from_table(lamp.table()) for lamp in self.lamps})
        self.step = case.step or dice.choice((0.1, 0.1, 0.5, 1.0))
        self.blind = dice.choice((0.0, 1.0, 2.0)) if case.blind is None else case.blind
        self.gauge, self.period = 1.0 + dice.uniform(-0.02, 0.02), dice.uniform(1.0, 10.0)
        self.cuts, self.phase = dice.random() < 0.3, dice.uniform(0.0, math.tau)
        self.heard: list[float] = []
        self.due, self.sent_at, self.sent = self.period, -math.inf, math.nan

    def go(self, seconds: float, moves: Callable[[float], None] = lambda at: None) -> None:
        until = self.now + seconds
        while self.now < until:
            self.now += 0.25
            moves(self.now)
            volts = 1.0 + self.case.swing * math.sin(self.phase + math.tau * self.now / 600.0)
            self.heard.append(sum(lamp.draws(self.now, volts) for lamp in self.lamps))
            if self.now >= self.due:
                self.due = self.now + self.period * self.dice.uniform(0.95, 1.05)
                self._says(sum(self.heard) / len(self.heard))
                self.heard.clear()

    def _says(self, watts: float) -> None:
        seen = watts * self.gauge * (1.0 + max(-0.005, min(0.005, self.dice.gauss(0.0, 0.0015))))
        steps = math.floor(seen / self.step) if self.cuts else round(seen / self.step)
        said = 0.0 if seen < self.blind else round(steps * self.step, 6)
        polled = self.now - self.sent_at >= self.case.poll
        if self.case.only_changes and said == self.sent and not polled:
            return
        self.sent, self.sent_at = said, self.now
        change = self.account.hear(Sample(self.now, said))
        if change is not None:
            self.changes.append(change)

    def turn(self, lamp: Lamp, to: float) -> None:
        before, began, takes = lamp.level, self.now, self.dice.uniform(0.3, 6.0)
        lamp.way = 1 if to < before else -1

        def moves(at: float) -> None:
            lamp.level = before + (to - before) * min(1.0, (at - began) / takes)

        self.go(takes + 0.25, moves)


def one(dice: random.Random, case: Case, count: int, tally: Counter[str]) -> list[float]:
    """One plug with its four turns; returns how far off (%) each band was that missed."""
    lamps = [a_lamp(dice, f"lamp-{n}", case) for n in range(count)]
    lamps = [
        lamp for lamp in lamps if all(a[1] < b[1] for a, b in itertools.pairwise(lamp.table()))
    ]
    if not lamps:
        return []
    evening, missed = Evening(dice, case, lamps), []
    for lamp in lamps:
        low, high = max(0.0, lamp.level - 2.0), min(100.0, lamp.level + 2.0)
        evening.account.hear(Stands(evening.now, lamp.name, Band(low, high)))
    evening.go(40.0)
    for _ in range(4):
        evening.changes.clear()
        lamp = dice.choice(lamps)
        if case.turns:
            to = dice.choice((dice.uniform(0.0, 100.0), lamp.level + dice.gauss(0.0, 15.0)))
            evening.turn(lamp, round(min(100.0, max(0.0, to)), 1))
        evening.go(60.0)
        names = [change.lamps for change in evening.changes if len(change.lamps) == 1]
        tally["turns"] += 1
        tally["wrong"] += any(not case.turns or name != (lamp.name,) for name in names)
        for each in lamps:
            levels = evening.account.estimate(each.name, evening.now).levels
            if levels is None:
                tally["none"] += 1
                continue
            moved = min(100.0, max(0.0, each.level + each.way * each.play))
            off = min(max(levels.low - at, at - levels.high) for at in (each.level, moved))
            tally["within"] += off <= 0.1
            if off > 0.1:
                missed.append(off)
    return missed


def main() -> None:
    options = argparse.ArgumentParser(description=__doc__)
    options.add_argument("--plugs", type=int, default=100)
    chosen = options.parse_args()
    for case, count in itertools.product(CASES, (1, 3)):
        tally: Counter[str] = Counter()
        missed: list[float] = []
        for n in range(chosen.plugs):
            missed += one(random.Random(f"{case.name}-{count}-{n}"), case, count, tally)
        bands = max(1, tally["within"] + len(missed))
        print(
            f"{case.name:27s} {count} on the plug: {100 * tally['within'] / bands:6.2f} % of"
            f" {bands} bands, worst off {max(missed, default=0.0):.1f} %; not told {tally['none']};"
            f" wrong lamp (or nobody turned) {tally['wrong']} of {tally['turns']}"
        )


if __name__ == "__main__":
    main()
