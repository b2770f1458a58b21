"""Which lamps have moved, when few move at a time: what is likely, kept apart from what is seen.

Each set of lamps that may have moved (none, one, two, all), with or without stray light, is a
supposition with a weight: how often it happens, times how well it explains the amounts that the
picture alone gave, with their covariance. A pair that is nearly one picture is told apart so; and
when all have moved, and the picture says so, that supposition has all the weight.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from studiobridge.profile.sighting import Band

Floats = NDArray[np.float64]

# How often, from one look to the next, so many lamps have moved: none, one, two, all; that there is
# stray light besides; of a lamp with two whites that has moved, that its white has, too.
NONE, ONE, TWO, ALL = 0.97, 0.02, 0.003, 0.007
STRAY, WHITE = 0.04, 0.1
# How far a lamp goes when it has moved: this share of what it gave, and this of its full light; and
# of that its whites apart, where only the dial was turned, or the white too.
GOES, LEAST = 0.6, 0.15
DIALLED, TURNED = 0.03, 0.5
# Stray light against what all lamps at full give.
LETS_IN = 0.05
# A supposition in which a lamp gives less than nothing by this share of its light is next to none.
BELOW, NEVER = 0.1, 20.0


@dataclass(frozen=True, slots=True)
class Before:
    """What is known of a light from before: its amount, how far (stops) it may be off.

    Where it has two whites, its white (K), or how much each of them gave (`Solver.spread` makes the
    one of the other).
    """

    amount: float
    sure: float = 0.03
    cct: float | None = None
    parts: tuple[float, ...] | None = None


@dataclass(frozen=True, slots=True)
class Likely:
    """One light when few move at a time: its amount, and how likely it has moved (0-1)."""

    amount: Band
    moved: float


@dataclass(frozen=True, slots=True, eq=False)
class Supposed:
    """Each light that has a before; how likely there is stray light (0-1); all amounts, first the
    shares' and then those of what stands for stray light."""

    lights: Mapping[str, Likely]
    stray: float
    amounts: Floats


def likely(
    of: Mapping[str, Sequence[int]],
    shares: Sequence[tuple[str, float | None]],
    mean: Floats,
    cov: Floats,
    before: Mapping[str, Before],
) -> Supposed:
    """What is likely of each light that has a before, and of stray light.

    `mean` and `cov` have the shares first, in their order, and then what stands for stray light.
    """
    names = [name for name in of if name in before]
    n, lamps = len(mean), len(shares)
    x0, still = np.zeros(n), np.zeros((n, n))
    x0[:lamps] = 0.5
    still[np.arange(lamps), np.arange(lamps)] = 1.0
    # what each may do, as the covariance of where it may be then
    does: dict[str, Floats] = {}
    turns: dict[str, Floats] = {}
    for name in names:
        index, one = list(of[name]), before[name]
        parts = evenly(len(index), one)
        x0[index] = parts
        own = one.sure / 1.96 * math.log(2) * max(one.amount, 0.02)
        still[index, index] = (own**2 + 1e-7) / len(index)
        far = GOES * one.amount + LEAST
        way = parts / parts.sum() if parts.sum() > 0 else np.full(len(index), 1 / len(index))
        each = np.eye(len(index)) * far**2
        if len(index) == 1:
            does[name] = each
            continue
        does[name] = np.outer(way, way) * far**2 + each * DIALLED**2
        turns[name] = np.outer(way, way) * far**2 + each * TURNED**2
    sets: list[tuple[float, tuple[str, ...], bool]] = [(NONE, (), False)]
    for name in names:
        sets.append((ONE / len(names), (name,), False))
        if name in turns:
            sets.append((ONE * WHITE / len(names), (name,), True))
    pairs = list(itertools.combinations(names, 2))
    sets += [(TWO / len(pairs), pair, False) for pair in pairs]
    sets += [(TWO * WHITE**2 / len(pairs), pair, True) for pair in pairs if turns.keys() & pair]
    if len(names) > 2:
        sets.append((ALL, tuple(names), True))
    spread = np.repeat(still[None], len(sets), axis=0)
    white = np.array([one[2] for one in sets])
    has = {name: np.array([name in one[1] for one in sets]) for name in names}
    for name in names:
        index = list(of[name])
        for its, rows in (
            (does[name], np.flatnonzero(has[name] & ~white)),
            (turns.get(name, does[name]), np.flatnonzero(has[name] & white)),
        ):
            spread[rows[:, None, None], np.array(index)[:, None], index] = its
    off = mean - x0
    # what is known of stray light is never quite certain: else it is divided by nothing
    whole = (cov + cov.T)[None] / 2 + spread
    whole[:, range(lamps, n), range(lamps, n)] += 1e-8
    inverse: Floats = np.asarray(np.linalg.inv(whole), np.float64)
    gain = inverse @ off
    score = np.log([max(p, 1e-12) for p, *_ in sets])
    score -= 0.5 * (gain @ off) + 0.5 * np.linalg.slogdet(whole)[1]
    toward = spread[:, :lamps]
    at = x0[:lamps] + np.einsum("sij,sj->si", toward, gain)
    # with stray light only one variance is more: no inverse anew (Sherman and Morrison 1950)
    alone = [
        i for i, (_, who, other) in enumerate(sets) if len(who) > 2 or (not other and len(who) < 2)
    ]
    lit = _Lit.of(inverse[alone], gain[alone], toward[alone], at[alone], score[alone], lamps)
    # there is no light below nothing
    score[(at < -BELOW).any(axis=1)] -= NEVER
    best = max(float(score.max()), float(lit.score.max(initial=-math.inf)))
    share, of_lit = np.exp(score - best), np.exp(lit.score - best)
    total = float(share.sum() + of_lit.sum())
    share, of_lit = share / total, of_lit / total
    amounts = np.zeros(n)
    amounts[:lamps] = share @ at + np.einsum("rj,rij->i", of_lit, lit.at)
    amounts[lamps:] = (of_lit * lit.stray).sum(axis=0)
    each_row = share.copy()
    each_row[alone] += of_lit.sum(axis=1)
    found = {}
    for name in names:
        index = list(of[name])
        each, with_stray = at[:, index].sum(axis=1), lit.at[:, index].sum(axis=1)
        value = float(share @ each + (of_lit * with_stray).sum())
        # it goes with no other's amount
        own = toward[:, index].sum(axis=1)[:, index]
        its = inverse[:, index][:, :, index]
        left = own.sum(axis=1) - np.einsum("si,sij,sj->s", own, its, own)
        more = left[alone, None] + lit.scale * lit.pulls[:, index].sum(axis=1) ** 2
        square = float(share @ (left + (each - value) ** 2))
        square += float((of_lit * (more + (with_stray - value) ** 2)).sum())
        wide = 1.96 * math.sqrt(max(0.0, square))
        value = max(0.0, value)
        moved = float(each_row[has[name]].sum())
        found[name] = Likely(Band(max(0.0, value - wide), value, value + wide), moved)
    return Supposed(found, float(of_lit.sum()), amounts)


@dataclass(frozen=True, slots=True, eq=False)
class _Lit:
    """Suppositions (rows) once more with each kind of stray light (columns) beside them."""

    score: Floats
    at: Floats  # rows × lamps × kinds
    stray: Floats  # how much of it
    scale: Floats
    pulls: Floats  # rows × lamps × kinds: how far each amount goes with it

    @classmethod
    def of(
        cls, inverse: Floats, gain: Floats, toward: Floats, at: Floats, score: Floats, lamps: int
    ) -> _Lit:
        kinds = np.arange(lamps, inverse.shape[1])
        own = 1.0 + LETS_IN**2 * np.maximum(inverse[:, kinds, kinds], 0.0)
        scale = LETS_IN**2 / own
        says = gain[:, lamps:]
        pulls = toward @ inverse[:, :, lamps:]
        where = at[:, :, None] - pulls * (scale * says)[:, None, :]
        fits = score[:, None] + 0.5 * scale * says**2 - 0.5 * np.log(own)
        fits += math.log(STRAY / max(1, len(kinds)))
        fits[(scale * says < 0.0) | (where < -BELOW).any(axis=1)] -= NEVER
        return cls(fits, where, scale * says, scale, pulls)


def evenly(count: int, before: Before) -> Floats:
    """A light's amount over its pictures: as it gave them, else as much of each."""
    if before.parts is not None and len(before.parts) == count:
        return np.array(before.parts)
    return np.full(count, before.amount / count)
