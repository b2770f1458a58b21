"""The floor: block means and reweighted non-negative least squares, about fifty lines.

What anybody would write first (Lawson and Hanson 1974; weights of Geman and McClure 1987).
"""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.optimize import nnls

from studiobridge.witness.learned import Codes, Learned

BLOCKS = (60, 34)


class Naive:
    def __init__(self, learned: Learned) -> None:
        self.learned = learned
        self.names = [s.device for s in learned.shares]
        self.parts = np.stack([self._small(s.light).ravel() for s in learned.shares], axis=1)
        self.dark = self._small(learned.dark).ravel()

    @staticmethod
    def _small(light: NDArray[np.float32]) -> NDArray[np.float64]:
        return cv2.resize(light, BLOCKS, interpolation=cv2.INTER_AREA).astype(np.float64)

    def look(self, codes: Codes) -> dict[str, float]:
        light = self._small(self.learned.curve.linear(codes)).ravel() - self.dark
        clipped = (codes >= self.learned.clips).astype(np.float32)
        use = self._small(clipped).ravel() < 0.02
        rows, seen = self.parts[use], light[use]
        scale = 1.0 / (0.002 + np.maximum(seen, 0.0))
        weights = np.ones(len(seen))
        x = np.zeros(rows.shape[1])
        for width in (0.5, 0.3, 0.2, 0.12, 0.08, 0.06, 0.05, 0.05, 0.05, 0.05):
            w = np.sqrt(weights) * scale
            x = nnls(rows * w[:, None], seen * w)[0]
            off = (rows @ x - seen) * scale
            weights = 1.0 / (1.0 + (off / width) ** 2) ** 2
        found: dict[str, float] = {}
        for name, amount in zip(self.names, x, strict=True):
            found[name] = found.get(name, 0.0) + float(amount)
        return found
