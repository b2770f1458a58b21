"""From coarse to fine: where the amounts of a frame's lamps begin to be looked for.

Least squares with weights that turn to nothing for what is far off (Geman and McClure's), the
errors allowed from 70 % down; each by Lawson and Hanson's method (1974): nothing is below zero. The
way down has more than one end: from several places, and the cheapest end counts.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy.optimize import nnls

from studiobridge.witness.reduced import LEAST, Floats, Reduced, Singles, by_block

# Errors (shares of the light) from which on a block counts little, from coarse to fine.
COARSE = (0.7, 0.4, 0.25, 0.15, 0.1, 0.07, 0.05, 0.035, 0.025)
LATE = (0.1, 0.05, 0.025, 0.025)
# The spread of smooth errors there.
BOUNCED = 0.03
# A lamp is between dark and its full light, which is what it was learned at: a very wide bell.
MIDDLE, ANYWHERE = 0.5, 0.7
# Below so many usable blocks there is nothing to solve.
FEWEST = 40


@dataclass(frozen=True, slots=True, eq=False)
class End:
    """Where one way down ended."""

    x: Floats
    bend: Floats  # the smooth errors
    cost: float


@dataclass(frozen=True, slots=True, eq=False)
class Without:
    """Normal equations of the lamps with what the errors may take of them, and the way back."""

    h: Floats
    g: Floats
    open: Floats  # covariance of the errors where the lamps are known
    _across: Floats
    _own: Floats

    @classmethod
    def of(cls, h: Floats, g: Floats, lamps: int, n: int) -> Without:
        """The first n stay (of these so many lamps); the rest, each of size 1, are taken out."""
        own_size = np.einsum("ii->i", h)  # the diagonal, to be written to
        own_size[n:] += 1.0
        own_size[:n] += 1.0 / ANYWHERE**2
        g[:lamps] += MIDDLE / ANYWHERE**2
        inverse: Floats = np.asarray(np.linalg.inv(h[n:, n:]), np.float64)
        across = inverse @ h[n:, :n]
        own = inverse @ g[n:]
        return cls(h[:n, :n] - h[:n, n:] @ across, g[:n] - h[:n, n:] @ own, inverse, across, own)

    def reach(self, right: Floats) -> Floats:
        """How far right-hand sides (columns: of the lamps, then of the errors) move the lamps."""
        n = len(self.h)
        return np.asarray(np.linalg.solve(self.h, right[:n] - self._across.T @ right[n:]))

    def errors(self, x: Floats) -> Floats:
        return np.asarray(self._own - self._across @ x, np.float64)


def equations(
    columns: Singles, y: Singles, each: Singles, exact: bool = False
) -> tuple[Floats, Floats]:
    """Normal equations of weighted rows; `each`: how much each counts over its variance.

    `exact`: where columns are nearly one, single precision is not enough.
    """
    root = np.sqrt(each)
    heavy = np.multiply(columns, root[:, None], dtype=np.float64 if exact else np.float32)
    # a product of one with itself is half the work
    return (heavy.T @ heavy).astype(np.float64), (heavy.T @ (root * y)).astype(np.float64)


def not_negative(h: Floats, g: Floats) -> Floats:
    """Least squares of normal equations, nothing below zero."""
    scale = 1.0 / np.sqrt(np.maximum(np.diag(h), 1e-12))
    scaled = h * scale[:, None] * scale[None, :]
    np.einsum("ii->i", scaled)[:] += 1e-7
    free: Floats = np.asarray(np.linalg.solve(scaled, g * scale), np.float64)
    if (free >= 0.0).all():
        return free * scale
    root = np.linalg.cholesky(scaled)
    found: Floats = nnls(root.T, np.linalg.solve(root, g * scale))[0]
    return found * scale


def each_channel(weights: Singles) -> Singles:
    """A weight a block as one a channel."""
    return np.repeat(weights, 3)


class Ways:
    """Every second block across and down, with smooth errors: quick enough for many ways down."""

    def __init__(self, reduced: Reduced, y: Singles, base: Singles) -> None:
        index = reduced.some[base[reduced.some] > 0.05]
        if len(index) < FEWEST:
            index = np.flatnonzero(base > 0.0)
        each = (index[:, None] * 3 + np.arange(3)).reshape(-1)
        self.of = reduced.of
        self.y = y[each] - reduced.dark[each]
        self.n = reduced.light.shape[1]
        self.light = reduced.light[each]
        self.smooth = reduced.smooth[each, : reduced.grey]
        self.columns = np.empty((len(each), self.n + reduced.grey), np.float32)
        self.columns[:, : self.n] = self.light
        self.base = base[index]
        self._own = reduced.noise(self.y + reduced.dark[each])

    def best(self, starts: Sequence[Floats]) -> End:
        """The cheapest end, from nowhere and from these."""
        ends = [self.down(None, COARSE)]
        ends += [self.down(x, COARSE[3:]) for x in starts]
        best = min(ends, key=lambda one: one.cost)
        for of in self.of.values():
            # where this lamp gives most, what would explain each block by itself?
            for x in self._others(best, of):
                end = self.down(x, LATE)
                if end.cost < best.cost:
                    best = end
        return best

    def near(self, starts: Sequence[Floats]) -> End:
        """The cheapest end from these, that cannot be far."""
        return min((self.down(x, LATE) for x in starts), key=lambda one: one.cost)

    def down(self, x: Floats | None, steps: Sequence[float]) -> End:
        y = self.y
        bend = np.zeros(self.smooth.shape[1])
        guess = bent = np.maximum(y, LEAST)
        weights = self.base
        if x is not None:
            guess, bent = self._guess(x, bend)
        for even in steps:
            spread = self._spread(guess, even)
            if x is not None:
                far = by_block((y - bent) ** 2 / spread)
                weights = self.base / (1.0 + far / 4.0) ** 2
            x, bend = self._solve(each_channel(weights) / spread, guess)
            guess, bent = self._guess(x, bend)
        assert x is not None
        far = by_block((y - bent) ** 2 / self._spread(guess, steps[-1]))
        cost = float((self.base * far / (1.0 + far / 4.0)).sum() + (bend**2).sum() / BOUNCED**2)
        return End(x, bend, cost)

    def _guess(self, x: Floats, bend: Floats) -> tuple[Singles, Singles]:
        guess: Singles = np.asarray(self.light @ x.astype(np.float32), np.float32)
        bent = guess * (1.0 + self.smooth @ bend.astype(np.float32))
        return guess, np.asarray(bent, np.float32)

    def _spread(self, guess: Singles, even: float) -> Singles:
        square = (guess * guess + self.y * self.y) / 2
        return np.asarray(self._own + np.float32(even**2) * square, np.float32)

    def _solve(self, each: Singles, guess: Singles) -> tuple[Floats, Floats]:
        n = self.n
        np.multiply(self.smooth, (BOUNCED * guess)[:, None], out=self.columns[:, n:])
        h, g = equations(self.columns, self.y, each)
        without = Without.of(h, g, n, n)
        x = not_negative(without.h, without.g)
        return x, without.errors(x) * BOUNCED

    def _others(self, end: End, of: Sequence[int]) -> list[Floats]:
        """Other amounts of one light, such that single blocks where it gives most would fit."""
        own = self.light[:, list(of)] @ np.maximum(end.x[list(of)], 0.02).astype(np.float32)
        guess, bent = self._guess(end.x, end.bend)
        rest = self.y - bent + self.light[:, list(of)] @ end.x[list(of)].astype(np.float32)
        own3, rest3 = own.reshape(-1, 3).sum(axis=1), rest.reshape(-1, 3).sum(axis=1)
        share = own3 / np.maximum(guess.reshape(-1, 3).sum(axis=1), LEAST)
        most = share >= np.quantile(share, 0.8)
        found = []
        for at in np.quantile(rest3[most] / np.maximum(own3[most], 1e-9), (0.3, 0.7, 0.9)):
            if not 0.0 <= at < 20.0 or abs(at - 1.0) < 0.1:
                continue
            x = end.x.copy()
            x[list(of)] = np.maximum(x[list(of)], 0.02) * at
            found.append(x)
        return found
