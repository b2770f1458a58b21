"""Which lamps have moved, when few move at a time: what is likely, kept apart from what is seen.

Each set of lamps that may have moved (none, one, two, all), with or without stray light, is a
supposition with a weight: how often it happens, times how well it explains the amounts that the
picture alone gave, with their covariance. A pair that is nearly one picture is told apart so; and
when all have moved, and the picture says so, that supposition has all the weight.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Collection, Mapping, Sequence
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
    lamps = len(shares)
    known = _Known.of({name: list(of[name]) for name in names}, before, lamps, len(mean))
    sets = _sets(names, known.turned.keys())
    weighed = _Weighed.of(mean, cov, known, _spreads(known, sets), sets, lamps)
    # with stray light only one variance is more: no inverse anew (Sherman and Morrison 1950)
    alone = [
        i for i, one in enumerate(sets) if len(one.who) > 2 or (len(one.who) < 2 and not one.white)
    ]
    lit = _Lit.of(weighed, alone, lamps)
    share, of_lit = _shares(weighed, lit)
    amounts = np.zeros(len(mean))
    amounts[:lamps] = share @ weighed.at + np.einsum("rj,rij->i", of_lit, lit.at)
    amounts[lamps:] = (of_lit * lit.stray).sum(axis=0)
    each_row = share.copy()
    each_row[alone] += of_lit.sum(axis=1)
    found = {}
    for name, index in known.index.items():
        moved = sum(float(each_row[i]) for i, one in enumerate(sets) if name in one.who)
        found[name] = Likely(_band(index, weighed, lit, alone, share, of_lit), moved)
    return Supposed(found, float(of_lit.sum()), amounts)


@dataclass(frozen=True, slots=True)
class _Set:
    """One supposition: how often it happens, who has moved, and whether their white did, too."""

    often: float
    who: tuple[str, ...]
    white: bool = False


@dataclass(frozen=True, slots=True, eq=False)
class _Known:
    """Where each light was, and where it may be then: as a covariance, by what is supposed.

    `still`: of all amounts where nothing moved. `dialled`, `turned`: of one light's shares where it
    did, with its white as it was or not; the second only of a light that has two.
    """

    index: Mapping[str, list[int]]
    x0: Floats
    still: Floats
    dialled: Mapping[str, Floats]
    turned: Mapping[str, Floats]

    @classmethod
    def of(
        cls, of: Mapping[str, list[int]], before: Mapping[str, Before], lamps: int, n: int
    ) -> _Known:
        x0, still = np.zeros(n), np.zeros((n, n))
        x0[:lamps] = 0.5
        still[np.arange(lamps), np.arange(lamps)] = 1.0
        dialled: dict[str, Floats] = {}
        turned: dict[str, Floats] = {}
        for name, index in of.items():
            one = before[name]
            parts = evenly(len(index), one)
            x0[index] = parts
            own = one.sure / 1.96 * math.log(2) * max(one.amount, 0.02)
            still[index, index] = (own**2 + 1e-7) / len(index)
            far = GOES * one.amount + LEAST
            way = parts / parts.sum() if parts.sum() > 0 else np.full(len(index), 1 / len(index))
            if len(index) == 1:
                dialled[name] = np.eye(1) * far**2
                continue
            along = np.outer(way, way) * far**2
            dialled[name] = along + np.eye(len(index)) * far**2 * DIALLED**2
            turned[name] = along + np.eye(len(index)) * far**2 * TURNED**2
        return cls(of, x0, still, dialled, turned)


def _sets(names: Sequence[str], two_whites: Collection[str]) -> list[_Set]:
    """Every supposition: none, one, two, all of these have moved."""
    found = [_Set(NONE, ())]
    for name in names:
        found.append(_Set(ONE / len(names), (name,)))
        if name in two_whites:
            found.append(_Set(ONE * WHITE / len(names), (name,), True))
    pairs = list(itertools.combinations(names, 2))
    found += [_Set(TWO / len(pairs), pair) for pair in pairs]
    found += [
        _Set(TWO * WHITE**2 / len(pairs), pair, True)
        for pair in pairs
        if any(name in two_whites for name in pair)
    ]
    if len(names) > 2:
        found.append(_Set(ALL, tuple(names), True))
    return found


def _spreads(known: _Known, sets: Sequence[_Set]) -> Floats:
    """Of each supposition the covariance of where the amounts may be."""
    found = np.repeat(known.still[None], len(sets), axis=0)
    for name, index in known.index.items():
        dialled = known.dialled[name]
        turned = known.turned.get(name, dialled)
        for white, its in ((False, dialled), (True, turned)):
            rows = [i for i, one in enumerate(sets) if name in one.who and one.white is white]
            found[np.array(rows, int)[:, None, None], np.array(index)[:, None], index] = its
    return found


@dataclass(frozen=True, slots=True, eq=False)
class _Weighed:
    """Suppositions (rows) held against what was found: their weights' logs, the amounts in each."""

    inverse: Floats  # of the covariance of what is found, where that is supposed
    gain: Floats
    toward: Floats  # rows × lamps × amounts: how the lamps go with what is found
    at: Floats  # rows × lamps
    score: Floats  # ... and as it was before what is below nothing was all but ruled out
    fits: Floats

    @classmethod
    def of(
        cls,
        mean: Floats,
        cov: Floats,
        known: _Known,
        spread: Floats,
        sets: Sequence[_Set],
        lamps: int,
    ) -> _Weighed:
        n = len(mean)
        off = mean - known.x0
        # what is known of stray light is never quite certain: else it is divided by nothing
        whole = (cov + cov.T)[None] / 2 + spread
        whole[:, range(lamps, n), range(lamps, n)] += 1e-8
        inverse: Floats = np.asarray(np.linalg.inv(whole), np.float64)
        gain = inverse @ off
        fits = np.log([max(one.often, 1e-12) for one in sets])
        fits -= 0.5 * (gain @ off) + 0.5 * np.linalg.slogdet(whole)[1]
        toward = spread[:, :lamps]
        at = known.x0[:lamps] + np.einsum("sij,sj->si", toward, gain)
        # there is no light below nothing
        score = fits - NEVER * (at < -BELOW).any(axis=1)
        return cls(inverse, gain, toward, at, score, fits)


def _shares(weighed: _Weighed, lit: _Lit) -> tuple[Floats, Floats]:
    """How likely each supposition is, without stray light and with each kind of it: 1 in all."""
    best = max(float(weighed.score.max()), float(lit.score.max(initial=-math.inf)))
    share, of_lit = np.exp(weighed.score - best), np.exp(lit.score - best)
    total = float(share.sum() + of_lit.sum())
    return share / total, of_lit / total


def _band(
    index: list[int],
    weighed: _Weighed,
    lit: _Lit,
    alone: list[int],
    share: Floats,
    of_lit: Floats,
) -> Band:
    """One light's amount over all suppositions: its mean, and how far they and it lie apart."""
    each, with_stray = weighed.at[:, index].sum(axis=1), lit.at[:, index].sum(axis=1)
    value = float(share @ each + (of_lit * with_stray).sum())
    # it goes with no other's amount
    own = weighed.toward[:, index].sum(axis=1)[:, index]
    its = weighed.inverse[:, index][:, :, index]
    left = own.sum(axis=1) - np.einsum("si,sij,sj->s", own, its, own)
    more = left[alone, None] + lit.scale * lit.pulls[:, index].sum(axis=1) ** 2
    square = float(share @ (left + (each - value) ** 2))
    square += float((of_lit * (more + (with_stray - value) ** 2)).sum())
    wide = 1.96 * math.sqrt(max(0.0, square))
    value = max(0.0, value)
    return Band(max(0.0, value - wide), value, value + wide)


@dataclass(frozen=True, slots=True, eq=False)
class _Lit:
    """Suppositions (rows) once more with each kind of stray light (columns) beside them."""

    score: Floats
    at: Floats  # rows × lamps × kinds
    stray: Floats  # how much of it
    scale: Floats
    pulls: Floats  # rows × lamps × kinds: how far each amount goes with it

    @classmethod
    def of(cls, weighed: _Weighed, alone: Sequence[int], lamps: int) -> _Lit:
        inverse, at = weighed.inverse[alone], weighed.at[alone]
        kinds = np.arange(lamps, inverse.shape[1])
        own = 1.0 + LETS_IN**2 * np.maximum(inverse[:, kinds, kinds], 0.0)
        scale = LETS_IN**2 / own
        says = weighed.gain[alone][:, lamps:]
        pulls = weighed.toward[alone] @ inverse[:, :, lamps:]
        where = at[:, :, None] - pulls * (scale * says)[:, None, :]
        fits = weighed.fits[alone][:, None] + 0.5 * scale * says**2 - 0.5 * np.log(own)
        fits += math.log(STRAY / max(1, len(kinds)))
        fits[(scale * says < 0.0) | (where < -BELOW).any(axis=1)] -= NEVER
        return cls(fits, where, scale * says, scale, pulls)


def evenly(count: int, before: Before) -> Floats:
    """A light's amount over its pictures: as it gave them, else as much of each."""
    if before.parts is not None and len(before.parts) == count:
        return np.array(before.parts)
    return np.full(count, before.amount / count)
