"""What a lesson reads off frames as they come: blocks of codes, whether two pictures are the same.

Codes are not light: this is for what has to be seen before there is a curve (response.py).
"""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from studiobridge.witness.learned import Codes

# Blocks of so many pixels are compared; two differ that are further apart than noise and JPEG at
# quality 85 leave a block of a still picture (codes).
BLOCK, APART = 16, 4.0
# A block is brighter with a lamp that is by so many codes.
BRIGHTER = 3.0


def blocks(codes: Codes) -> NDArray[np.float32]:
    rows, columns = codes.shape[:2]
    small = (max(1, columns // BLOCK), max(1, rows // BLOCK))
    return np.asarray(cv2.resize(codes, small, interpolation=cv2.INTER_AREA), np.float32)


def lit_blocks(codes: Codes) -> NDArray[np.bool_]:
    """Which blocks are lit and not clipped."""
    most = blocks(codes).reshape(-1, 3).max(axis=1)
    return np.asarray((most < 245) & (most > 8), np.bool_)


def means(codes: Codes, where: NDArray[np.bool_] | None = None) -> NDArray[np.float64]:
    """The mean of each channel over these blocks; over what is lit and not clipped."""
    good = lit_blocks(codes) if where is None else where
    found = blocks(codes).reshape(-1, 3)
    return np.asarray((found[good] if good.any() else found).mean(axis=0), np.float64)


def differ(one: Codes, other: Codes) -> float:
    """Which share of the blocks differs by more than a still picture's do."""
    if one.shape != other.shape:
        return 1.0
    off = np.abs(blocks(one) - blocks(other)).max(axis=2)
    return float((off > APART).mean())


def brighter(dark: Codes, lit: Codes) -> float:
    """Which share of the blocks is brighter with the lamp."""
    return float(((blocks(lit) - blocks(dark)).max(axis=2) > BRIGHTER).mean())
