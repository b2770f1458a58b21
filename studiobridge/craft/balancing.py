"""Ratios of light solved backwards: the shares of full at which each comes nearest, in stops.

Each source gives so much of every sum at full, and what it is turned to is a share of that. A
wish is about one sum over another (key over fill, a backdrop over a grey card), or over a fixed
amount of light. What is least is the sum of the squares of what is missed in stops, each by its
weight: twice too bright is as bad as half as bright as wanted.

Found in three steps: in plain light first (exact where all can be had), then step by step with
each ratio as a straight line around where it stands (Gauss and Newton, with bounded.py), and last
on the steps each source really has, one and two of them at a time.
"""

from __future__ import annotations

import math
from bisect import bisect_left
from collections.abc import Sequence
from dataclasses import dataclass
from operator import mul

from studiobridge.craft import bounded

# Of what is divided by: less light than this share counts as this much, so that dark has a figure.
FAINT = 1e-9
# Rounds of the second step, and by how much of the sum each has to mend it to go on.
ROUNDS, MENDS = 25, 1e-4
# A source dimmer than this share of its most is not held where it is as if that were much.
DIM = 0.3
# How often a step is halved before it is given up.
HALVINGS = 12
# Steps up and down of one source that are tried at once.
REACH = 3
# With so few sources there is time to begin the search from more than one place.
FEW = 6


@dataclass(frozen=True, slots=True)
class Wish:
    """`over` . x is to be `stops` above `under` . x + `fixed`. Its square counts `weight`."""

    over: tuple[float, ...]
    under: tuple[float, ...]
    fixed: float
    stops: float
    weight: float


@dataclass(frozen=True, slots=True)
class Task:
    """Wishes, the ends of each share, and where each would stay by itself.

    `stay`: what is missed of that, as a share of it (or of DIM of `high`, where it is less), counts
    `pull` squared: enough to decide between answers that are equally good.
    """

    wishes: tuple[Wish, ...]
    low: tuple[float, ...]
    high: tuple[float, ...]
    stay: tuple[float, ...]
    pull: float


def missed(wish: Wish, x: Sequence[float]) -> float:
    """Stops above what is wanted (negative: below). What is dark counts as FAINT."""
    return _off(wish, *_sums(wish, x))


def cost(task: Task, x: Sequence[float]) -> float:
    """The sum that is to be least."""
    total = sum(w.weight * missed(w, x) ** 2 for w in task.wishes)
    return total + task.pull * sum(
        ((a - b) / _unit(task, i)) ** 2 for i, (a, b) in enumerate(zip(x, task.stay, strict=True))
    )


def solve(task: Task) -> tuple[float, ...]:
    """The shares for which the sum is least, anywhere between their ends."""
    begin = [min(max(a, b), c) for a, b, c in zip(task.stay, task.low, task.high, strict=True)]
    return _refined(task, _plainly(task, begin))


def on_steps(
    task: Task, x: Sequence[float], choices: Sequence[Sequence[float]]
) -> tuple[float, ...]:
    """The same on the steps there are: `choices` of each share, rising, near to `x`.

    From the nearest of each, one and then two at a time, as long as it gets better; where there are
    few sources also from one of them a step to either side of it, and the best of these is taken.
    """
    nearest = [_nearest(options, a) for options, a in zip(choices, x, strict=True)]
    found = [_searched(task, choices, nearest)]
    if len(x) <= FEW:
        for i, options in enumerate(choices):
            for to in (nearest[i] - 1, nearest[i] + 1):
                if 0 <= to < len(options):
                    begin = [*nearest[:i], to, *nearest[i + 1 :]]
                    found.append(_searched(task, choices, begin))
    return min(found, key=lambda shares: cost(task, shares))


def _searched(
    task: Task, choices: Sequence[Sequence[float]], begin: Sequence[int]
) -> tuple[float, ...]:
    search = _Search(task, choices, list(begin))
    while search.one() or search.two():
        pass
    return tuple(options[i] for options, i in zip(choices, search.at, strict=True))


def _sums(wish: Wish, x: Sequence[float]) -> tuple[float, float]:
    under = sum(map(mul, wish.under, x)) + wish.fixed
    return _lit(sum(map(mul, wish.over, x)), under)


def _lit(over: float, under: float) -> tuple[float, float]:
    if over > 0.0 < under and FAINT < over / under < 1.0 / FAINT:
        return over, under
    least = FAINT * max(over, under, 1e-300)
    return max(over, least), max(under, least)


def _off(wish: Wish, over: float, under: float) -> float:
    over, under = _lit(over, under)
    return math.log2(over / under) - wish.stops


def _unit(task: Task, i: int) -> float:
    return max(task.stay[i], DIM * task.high[i]) or 1.0


def _pulls(task: Task) -> tuple[list[list[float]], list[float]]:
    root = math.sqrt(task.pull)
    rows, wanted = [], []
    for i, stay in enumerate(task.stay):
        row = [0.0] * len(task.stay)
        row[i] = root / _unit(task, i)
        rows.append(row)
        wanted.append(stay * row[i])
    return rows, wanted


def _plainly(task: Task, begin: Sequence[float]) -> tuple[float, ...]:
    """In plain light: each wish as a straight line through where it is met."""
    rows, wanted = _pulls(task)
    for wish in task.wishes:
        factor = 2.0**wish.stops
        # counted in what it is compared with, as far as that is known beforehand
        size = wish.fixed or sum(map(mul, wish.under, begin)) or max(wish.under, default=0.0)
        scale = math.sqrt(wish.weight) / max(size * factor * math.log(2.0), 1e-300)
        rows.append([(a - factor * b) * scale for a, b in zip(wish.over, wish.under, strict=True)])
        wanted.append(factor * wish.fixed * scale)
    return bounded.solve(rows, wanted, task.low, task.high, start=begin)


def _refined(task: Task, x: Sequence[float]) -> tuple[float, ...]:
    at = tuple(x)
    now = cost(task, at)
    rows_stay, wanted_stay = _pulls(task)
    for _ in range(ROUNDS):
        rows, wanted = list(rows_stay), list(wanted_stay)
        for wish in task.wishes:
            over, under = _sums(wish, at)
            root = math.sqrt(wish.weight) / math.log(2.0)
            row = [
                root * (a / over - b / under) for a, b in zip(wish.over, wish.under, strict=True)
            ]
            rows.append(row)
            off = math.sqrt(wish.weight) * _off(wish, over, under)
            wanted.append(sum(map(mul, row, at)) - off)
        to = bounded.solve(rows, wanted, task.low, task.high, start=at)
        share, before = 1.0, now
        for _ in range(HALVINGS):
            tried = tuple(a + share * (b - a) for a, b in zip(at, to, strict=True))
            if (then := cost(task, tried)) < now:
                at, now = tried, then
                break
            share /= 2.0
        if before - now <= MENDS * before:
            break
    return at


def _nearest(options: Sequence[float], x: float) -> int:
    i = bisect_left(options, x)
    if i == 0:
        return 0
    if i == len(options):
        return i - 1
    return i if options[i] - x < x - options[i - 1] else i - 1


class _Search:
    """Steps up and down, with the sums kept so that a try costs little."""

    def __init__(self, task: Task, choices: Sequence[Sequence[float]], at: list[int]) -> None:
        self.at = at
        self._task, self._choices = task, choices
        x = [options[i] for options, i in zip(choices, at, strict=True)]
        self._over = [sum(map(mul, w.over, x)) for w in task.wishes]
        self._under = [sum(map(mul, w.under, x)) + w.fixed for w in task.wishes]
        self._cost = [w.weight * missed(w, x) ** 2 for w in task.wishes]
        # which wishes a source is in, with what it gives there
        self._in = [
            {
                k: (w.over[i], w.under[i])
                for k, w in enumerate(task.wishes)
                if w.over[i] or w.under[i]
            }
            for i in range(len(x))
        ]

    def one(self) -> bool:
        """One source after the other to its best step. False where none makes it better."""
        better = False
        for i in range(len(self.at)):
            better |= self._best([((i, to),) for to in self._moves(i, REACH)])
        return better

    def two(self) -> bool:
        """Two sources that are in one wish, a step each: one up and the other down, say."""
        better = False
        for i in range(len(self.at)):
            for j in range(i):
                if not self._in[i].keys().isdisjoint(self._in[j]):
                    mine, other = self._moves(i, 1), self._moves(j, 1)
                    better |= self._best([((i, a), (j, b)) for a in mine for b in other])
        return better

    def _moves(self, i: int, reach: int) -> list[int]:
        here, last = self.at[i], len(self._choices[i]) - 1
        return [to for to in range(max(here - reach, 0), min(here + reach, last) + 1) if to != here]

    def _best(self, tries: Sequence[tuple[tuple[int, int], ...]]) -> bool:
        """Take the best of these, where one makes it better."""
        best, found = -1e-12, None
        for steps in tries:
            if (by := self._changes(steps)) < best:
                best, found = by, steps
        if found is None:
            return False
        for i, to in found:
            by = self._choices[i][to] - self._choices[i][self.at[i]]
            for k, (over, under) in self._in[i].items():
                self._over[k] += by * over
                self._under[k] += by * under
            self.at[i] = to
        for k in {k for i, _ in found for k in self._in[i]}:
            wish = self._task.wishes[k]
            self._cost[k] = wish.weight * _off(wish, self._over[k], self._under[k]) ** 2
        return True

    def _changes(self, steps: tuple[tuple[int, int], ...]) -> float:
        """By how much the sum would change with these steps."""
        task, by = self._task, 0.0
        over: dict[int, float] = {}
        under: dict[int, float] = {}
        for i, to in steps:
            was, now = self._choices[i][self.at[i]], self._choices[i][to]
            unit, more = _unit(task, i), now - was
            by += task.pull * more * (now + was - 2.0 * task.stay[i]) / (unit * unit)
            for k, (a, b) in self._in[i].items():
                over[k] = over.get(k, self._over[k]) + more * a
                under[k] = under.get(k, self._under[k]) + more * b
        for k, a in over.items():
            wish = task.wishes[k]
            by += wish.weight * _off(wish, a, under[k]) ** 2 - self._cost[k]
        return by
