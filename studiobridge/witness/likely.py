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
# stray light besides.
NONE, ONE, TWO, ALL = 0.97, 0.02, 0.003, 0.007
STRAY = 0.01
# How far a lamp goes when it has moved: this share of what it gave, and this of its full light.
GOES, LEAST = 0.6, 0.15
# Stray light, of each side and colour, against what all lamps at full give; and where there is none.
LETS_IN, SHUT = 0.03, 0.0005


@dataclass(frozen=True, slots=True)
class Before:
    """What is known of a light from before: its amount, how far (stops) it may be off.

    Where it has two whites, its white (K), or how much each of them gave.
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


def likely(
    of: Mapping[str, Sequence[int]],
    shares: Sequence[tuple[str, float | None]],
    mean: Floats,
    cov: Floats,
    before: Mapping[str, Before],
) -> tuple[dict[str, Likely], float, Floats]:
    """What is likely of each light that has a before; of stray light; and all amounts.

    `mean` and `cov` have the shares first, in their order, and then what stands for stray light.
    """
    names = [name for name in of if name in before]
    n = len(mean)
    x0, still, moved = np.zeros(n), np.full(n, 1.0), np.full(n, 1.0)
    x0[: len(shares)] = 0.5
    still[len(shares) :], moved[len(shares) :] = SHUT**2, LETS_IN**2
    for name in names:
        index, one = list(of[name]), before[name]
        x0[index] = spread_over([shares[i][1] for i in index], one)
        own = one.sure / 1.96 * math.log(2) * max(one.amount, 0.02)
        still[index] = (own**2 + 1e-7) / len(index)
        moved[index] = (GOES * one.amount + LEAST) ** 2
    stray = list(range(len(shares), n))
    some: list[tuple[str, ...]] = [(), *((name,) for name in names)]
    weights = [math.log(NONE)] + [math.log(ONE / max(1, len(names)))] * len(names)
    pairs = list(itertools.combinations(names, 2))
    some += pairs
    weights += [math.log(TWO / max(1, len(pairs)))] * len(pairs)
    if len(names) > 2:
        some.append(tuple(names))
        weights.append(math.log(ALL))
    sets = [(one, False) for one in some]
    if stray:
        sets += [(one, True) for one in some]
        weights = [w + math.log(1 - STRAY) for w in weights] + [w + math.log(STRAY) for w in weights]
    spread = np.repeat(still[None], len(sets), axis=0)
    for row, (changed, lit) in enumerate(sets):
        index = [i for name in changed for i in of[name]] + (stray if lit else [])
        spread[row, index] = moved[index]
    off = mean - x0
    whole = cov[None] + np.eye(n)[None] * spread[:, None, :]
    inverse = np.linalg.inv(whole)
    gain = inverse @ off
    fits = -0.5 * (gain @ off) - 0.5 * np.linalg.slogdet(whole)[1]
    score = np.array(weights) + fits
    share = np.exp(score - score.max())
    share /= share.sum()
    at = x0[None] + spread * gain
    found = {}
    for name in names:
        index = list(of[name])
        each = at[:, index].sum(axis=1)
        own = spread[:, index]
        part = inverse[:, index][:, :, index]
        left = own.sum(axis=1) - np.einsum("si,sij,sj->s", own, part, own)
        value = float(share @ each)
        wide = 1.96 * math.sqrt(max(0.0, float(share @ (left + (each - value) ** 2))))
        value = max(0.0, value)
        has = float(sum(share[row] for row, (changed, _) in enumerate(sets) if name in changed))
        found[name] = Likely(Band(max(0.0, value - wide), value, value + wide), has)
    lit_share = float(sum(share[row] for row, (_, lit) in enumerate(sets) if lit))
    return found, lit_share, np.asarray(share @ at)


def spread_over(ccts: Sequence[float | None], before: Before) -> Floats:
    """A light's amount over its whites."""
    if before.parts is not None and len(before.parts) == len(ccts):
        return np.array(before.parts)
    if len(ccts) == 1:
        return np.array([before.amount])
    shares = np.full(len(ccts), 1.0 / len(ccts))
    if before.cct and all(ccts):
        mired = np.array([1e6 / cct for cct in ccts if cct])
        cool, warm = int(mired.argmin()), int(mired.argmax())
        width = max(float(mired[warm] - mired[cool]), 1e-6)
        share = min(1.0, max(0.0, (1e6 / before.cct - float(mired[cool])) / width))
        shares = np.zeros(len(ccts))
        shares[warm], shares[cool] = share, 1.0 - share
    return before.amount * shares
