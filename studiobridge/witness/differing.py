"""How much each lamp gives more, or less, than in another frame: the frames' difference, solved.

What was learned wrongly, and what the curve is off, are in both frames alike, and so in their
difference only as far as the light is another. What is left is noise, what compression does, and
light that a person sends elsewhere: so a lamp of a few hundredths of the light that was turned by
a third of a stop stands out, where its own band in each frame is wider than that.
"""

from __future__ import annotations

import math

import numpy as np

from studiobridge.witness.reduced import LEAST, Floats, Reduced, Singles, by_block
from studiobridge.witness.ways import ANYWHERE, each_channel, equations

# What a block may be off by itself (share of the light), besides noise; smooth errors at least, at
# first, and at most.
EVEN, CALM, FIRST, WILD = 0.003, 0.0015, 0.004, 0.08
# No light is known better than this against its own picture (share): of what it changed.
LEARNED_OFF = 0.01
TURNS = 3


def difference(
    reduced: Reduced, now: tuple[Singles, Singles], then: tuple[Singles, Singles], weights: Singles
) -> tuple[Floats, Floats, Singles, Singles]:
    """How much more of each share, and of each kind of stray light, with their covariance.

    `now`, `then`: what is seen, and what the lamps make of it; `weights` (0-1, a block): how much
    counts in both. Found too: what is left in each block, and what it may be off (squared), for who
    knows how much of that is neighbours'.
    """
    y = np.asarray(now[0] - then[0], np.float32)
    guess, before = np.maximum(now[1], LEAST), np.maximum(then[1], LEAST)
    own = reduced.noise(guess) + reduced.noise(before)
    spread = np.asarray(own + (EVEN * np.maximum(guess, before)) ** 2, np.float32)
    waves = reduced.smooth * guess[:, None]
    curve = reduced.curved(guess) - reduced.curved(before)
    columns = np.concatenate([reduced.with_stray, waves, curve], axis=1)
    plain, right = equations(columns, y, each_channel(weights) / spread, exact=True)
    n, grey = reduced.with_stray.shape[1], reduced.grey
    least = np.full(n, 1.0 / ANYWHERE**2 + 1e-9 * float(np.trace(plain[:n, :n])) / n)
    tau, worse = FIRST, 1.0
    found, open_ = np.zeros(len(plain)), np.eye(len(plain))
    rest = y
    for _ in range(TURNS):
        size = np.concatenate([np.ones(n), reduced.sizes(tau, black=False)])
        h = plain * size[:, None] * size[None, :] / worse
        h[range(len(h)), range(len(h))] += np.concatenate([least, np.ones(len(h) - n)])
        open_ = np.linalg.inv(h)
        found = open_ @ (right * size / worse)
        # how large smooth errors truly are: their squares as found, and what is left uncertain
        power = found[n : n + grey] ** 2 + np.diag(open_)[n : n + grey]
        tau = min(WILD, max(CALM, tau * math.sqrt(float(power.mean()))))
        rest = np.asarray(y - columns @ (found * size).astype(np.float32), np.float32)
        far = by_block(rest**2 / spread)
        on = weights > 0.25
        # 0.79: the median of the mean of three squared normal errors (chi-squared of three)
        worse = max(1.0, float(np.median(far[on])) / 0.79) if on.any() else 1.0
    return found[:n], open_[:n, :n], rest, spread


def learned_wrongly(more: Floats) -> Floats:
    """Variance of a difference by what was learned wrongly of the light that came or went."""
    return np.asarray((LEARNED_OFF * more) ** 2, np.float64)
