"""Which lamps have moved, when few move at a time: what is likely, kept apart from what is seen.

Each set of lamps that may have moved (none, one, two, all) is a supposition with a weight: how
often it happens, times how well it explains the amounts that the picture alone gave, with their
covariance. A pair that is nearly one picture is told apart so; and when all have moved, and the
picture says so, that supposition has all the weight.
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

# How often, from one look to the next, so many lamps have moved: none, one, two, any number.
NONE, ONE, TWO, ALL = 0.97, 0.02, 0.003, 0.007
# How far a lamp goes when it has moved: this share of what it gave, and this of its full light.
GOES, LEAST = 0.6, 0.15


@dataclass(frozen=True, slots=True)
class Before:
    """What is known of a light from before: its amount, how far (stops) it may be off."""

    amount: float
    sure: float = 0.03
    cct: float | None = None


@dataclass(frozen=True, slots=True)
class Likely:
    """One light when few move at a time: its amount, and how likely it has moved (0-1)."""

    amount: Band
    moved: float


def likely(
    of: Mapping[str, Sequence[int]],
    shares: Sequence[tuple[str, float | None]],
    x: Floats,
    cov: Floats,
    before: Mapping[str, Before],
) -> dict[str, Likely]:
    """What is likely of each light that has a before."""
    from studiobridge.witness.solving import spread_over

    names = [name for name in of if name in before]
    n = len(x)
    x0, still, moved = np.zeros(n), np.full(n, 1.0), np.full(n, 1.0)
    for name in of:
        index = list(of[name])
        if name not in before:
            x0[index] = x[index]
            continue
        one = before[name]
        x0[index] = spread_over([shares[i][1] for i in index], one)
        still[index] = (one.sure / 1.96 * math.log(2) * max(one.amount, 0.02)) ** 2 + 1e-8
        moved[index] = (GOES * one.amount + LEAST) ** 2
    sets = [frozenset[str]()]
    sets += [frozenset([name]) for name in names]
    sets += [frozenset(pair) for pair in itertools.combinations(names, 2)]
    weights = [math.log(NONE)] + [math.log(ONE / max(1, len(names)))] * len(names)
    pairs = len(sets) - len(weights)
    weights += [math.log(TWO / max(1, pairs))] * pairs
    if len(names) > 2:
        sets.append(frozenset(names))
        weights.append(math.log(ALL))
    spread = np.repeat(still[None], len(sets), axis=0)
    for row, some in enumerate(sets):
        for name in some:
            spread[row, list(of[name])] = moved[list(of[name])]
    whole = cov[None] + np.eye(n)[None] * spread[:, None, :]
    off = x - x0
    root = np.linalg.cholesky(whole)
    z = np.linalg.solve(root, np.repeat(off[None, :, None], len(sets), axis=0))[..., 0]
    fits = -0.5 * (z**2).sum(axis=1) - np.log(np.diagonal(root, axis1=1, axis2=2)).sum(axis=1)
    score = np.array(weights) + fits
    share = np.exp(score - score.max())
    share /= share.sum()
    gain = np.linalg.solve(whole, np.repeat(off[None, :, None], len(sets), axis=0))[..., 0]
    at = x0[None] + spread * gain
    left = np.eye(n)[None] * spread[:, None, :]
    left = left - spread[:, :, None] * np.linalg.inv(whole) * spread[:, None, :]
    found = {}
    for name in names:
        index = list(of[name])
        each = at[:, index].sum(axis=1)
        own = left[:, index][:, :, index].sum(axis=(1, 2))
        value = float(share @ each)
        wide = 1.96 * math.sqrt(max(0.0, float(share @ (own + (each - value) ** 2))))
        value = max(0.0, value)
        has = float(sum(share[row] for row, some in enumerate(sets) if name in some))
        found[name] = Likely(Band(max(0.0, value - wide), value, value + wide), has)
    return found
