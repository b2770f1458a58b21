"""How bright each lamp is now: one frame against the pictures that each lamp makes alone."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import nnls

from studiobridge.profile.sighting import Band
from studiobridge.witness.blocks import FINE, Blocks, means, of_codes, of_light, shape_of
from studiobridge.witness.learned import Codes, Learned, Picture

Mask = NDArray[np.bool_]
Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Before:
    """What is known of a light from before: its amount, how far (stops) it may be off."""

    amount: float
    sure: float = 0.05
    cct: float | None = None


@dataclass(frozen=True, slots=True)
class Level:
    """One light as it was solved. `gives` is its share of all light in the picture."""

    amount: Band
    cct: Band | None
    tells: bool
    gives: float


@dataclass(frozen=True, slots=True, eq=False)
class Solved:
    """One frame, solved.

    `x` is the amount of each share and `covariance` goes with it; `seen` and `predicted` are the
    frame and what the lamps make of it (blocks × BGR, linear), `left_out` the blocks that were
    covered, `usable` those that could be used at all; `residual` (stops) is what the rest leaves
    unexplained.
    """

    x: Floats
    covariance: Floats
    levels: Mapping[str, Level]
    seen: NDArray[np.float32]
    predicted: NDArray[np.float32]
    usable: Mask
    left_out: Mask
    residual: float

    @property
    def covered(self) -> float:
        """The share of the usable picture that was left out."""
        usable = int(self.usable.sum())
        return float((self.left_out & self.usable).sum()) / usable if usable else 1.0


class Solver:
    """Holds the learned pictures in blocks; one `look` a frame."""

    def __init__(self, learned: Learned) -> None:
        self.curve, self.clips, self.size = learned.curve, learned.clips, learned.size
        self.devices = tuple(dict.fromkeys(share.device for share in learned.shares))
        self.shares = tuple((share.device, share.cct) for share in learned.shares)
        self.shape = shape_of(learned.size)
        rows, columns = self.shape
        self.fine = [means(s.light, FINE) for s in learned.shares]
        self.light = np.stack(
            [means(s.light, 16).reshape(-1) for s in learned.shares], axis=1
        ).astype(np.float32)
        self.dark = means(learned.dark, 16).reshape(-1)

    def look(
        self,
        light: Picture,
        usable: Mask | None = None,
        prior: Mapping[str, Before] | None = None,
    ) -> Solved:
        """Solve a frame in linear light."""
        return self.solve(of_light(light, usable), prior)

    def look_at(self, codes: Codes, prior: Mapping[str, Before] | None = None) -> Solved:
        """Solve a frame as the camera wrote it."""
        return self.solve(of_codes(codes, self.curve, self.clips), prior)

    def solve(self, blocks: Blocks, prior: Mapping[str, Before] | None = None) -> Solved:
        y = blocks.light.reshape(-1)
        a = self.light
        on = np.repeat(blocks.usable.reshape(-1), 3).astype(np.float32)
        x = np.ones(a.shape[1])
        for scale in (0.5, 0.3, 0.2, 0.1, 0.06, 0.03, 0.02, 0.02, 0.02):
            guess = a @ x.astype(np.float32) + self.dark
            s2 = scale**2 * (y**2 + guess**2) / 2 + 1e-6
            r2 = ((y - guess) ** 2 / s2).reshape(-1, 3).mean(axis=1)
            w = np.repeat(1 / (1 + r2 / 4) ** 2, 3) * on / s2
            root = np.sqrt(w)
            h = (a * w[:, None]).T @ a
            c = np.linalg.cholesky(h + 1e-9 * np.trace(h) * np.eye(len(x)))
            x = nnls(c.T, np.linalg.solve(c, a.T @ (w * (y - self.dark))))[0]
            del root
        cov = np.linalg.inv(h + 1e-9 * np.trace(h) * np.eye(len(x)))
        predicted = a @ x.astype(np.float32) + self.dark
        left = (r2 > 9).reshape(self.shape)
        levels = {}
        total = float(predicted.mean())
        for device in self.devices:
            of = [i for i, (name, _) in enumerate(self.shares) if name == device]
            value = float(x[of].sum())
            sd = float(np.sqrt(cov[np.ix_(of, of)].sum()))
            band = Band(max(0.0, value - 2 * sd), value, value + 2 * sd)
            gives = float((a[:, of] @ x[of]).mean()) / max(total, 1e-9)
            levels[device] = Level(band, None, 2 * sd < 0.25, gives)
        return Solved(
            x,
            cov,
            levels,
            blocks.light,
            predicted.reshape(blocks.light.shape),
            blocks.usable,
            left,
            float(np.sqrt(np.median(r2)) * 0.02 / np.log(2)),
        )
