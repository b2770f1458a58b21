"""Light that no lamp of the set explains: a window, a door, another lamp.

What light adds to a surface is its reflectance times the light, and the learned pictures already
have the reflectance in them: so stray light is a part more of what the lamps make there, smooth,
never less, and the surface's own texture stays. A person is none of that: texture and edges of
their own. Their shadow is less, and the light that they send elsewhere is smooth, too, and the
likeliest thing to be taken for stray light: so with somebody there it takes more to be said.
"""

from __future__ import annotations

import math

import cv2
import numpy as np
from numpy.typing import NDArray

from studiobridge.profile.model import Region
from studiobridge.profile.sighting import Band, Stray
from studiobridge.witness.solving import Solved

# What is said has to be so many times what it may be off, and this share of the light there ...
SIGMA, LEAST = 4.0, 0.015
# ... and so much more for each share of the picture that somebody covers.
PERSON = 0.12
# Blocks across and down that are judged together.
CELLS = (8, 5)
# The stray light at the face is between these times what is found.
LOW, HIGH = 0.4, 2.5


def stray(found: Solved, face: Region | None) -> Stray | None:
    """Stray light in one solved frame (or many together); None where none is sure."""
    cells = _cells(found)
    if cells is None:
        return None
    more, off = cells
    least = LEAST + PERSON * min(0.4, found.covered)
    sure = (more > SIGMA * off) & (more > least)
    if int(sure.sum()) < 2:
        return None
    rows, columns = np.nonzero(_greatest(sure))
    if len(rows) < 2:
        return None
    box = (
        float(columns.min()) / CELLS[0],
        float(rows.min()) / CELLS[1],
        float(columns.max() + 1) / CELLS[0],
        float(rows.max() + 1) / CELLS[1],
    )
    value = _share(found, more, face)
    band = Band(max(0.0, LOW * value), value, HIGH * value)
    return Stray(band, _where(more * sure), *box)


def _cells(found: Solved) -> tuple[NDArray[np.float64], NDArray[np.float64]] | None:
    """Of each cell: what is more than the lamps make (share of it), and how far that may be off."""
    predicted = np.maximum(found.predicted, 1e-6)
    light = predicted.sum(axis=2)
    # dark places have little to say; what is left out as covered has nothing
    weights = found.weights.astype(np.float64) * light / (light + 0.02 * float(light.max()))
    if not float(weights.sum()) > 0:
        return None
    share = ((found.seen - found.predicted) / predicted).mean(axis=2)
    return _means(share, weights)


def _means(
    share: NDArray[np.float32], weights: NDArray[np.float64]
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    rows = np.array_split(np.arange(share.shape[0]), CELLS[1])
    columns = np.array_split(np.arange(share.shape[1]), CELLS[0])
    more, off = np.zeros((CELLS[1], CELLS[0])), np.full((CELLS[1], CELLS[0]), np.inf)
    for i, down in enumerate(rows):
        for j, across in enumerate(columns):
            own, weight = share[np.ix_(down, across)], weights[np.ix_(down, across)]
            total = float(weight.sum())
            if total < 0.25 * own.size:
                continue
            mean = float((own * weight).sum()) / total
            spread = float((weight * (own - mean) ** 2).sum()) / total
            more[i, j] = mean
            # blocks beside each other are off together: a quarter of them are their own
            off[i, j] = math.sqrt(spread / max(1.0, total / 4.0)) + 0.0015
    return more, off


def _greatest(sure: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """The largest part that hangs together."""
    count, labels = cv2.connectedComponents(sure.astype(np.uint8), connectivity=8)
    if count <= 1:
        return np.zeros_like(sure)
    sizes = np.bincount(labels.reshape(-1))[1:]
    return np.asarray(labels == 1 + int(sizes.argmax()))


def _where(more: NDArray[np.float64]) -> str:
    """On which side most of it is; everywhere where no side has much more than the other."""
    total = float(more.sum())
    across = float((more.sum(axis=0) * np.linspace(-1, 1, CELLS[0])).sum()) / total
    down = float((more.sum(axis=1) * np.linspace(-1, 1, CELLS[1])).sum()) / total
    if max(abs(across), abs(down)) < 0.2:
        middle = float(more[1:-1, 2:-2].sum()) / total
        return "middle" if middle > 0.7 else "everywhere"
    if abs(across) >= abs(down):
        return "right" if across > 0 else "left"
    return "bottom" if down > 0 else "top"


def _share(found: Solved, more: NDArray[np.float64], face: Region | None) -> float:
    """Of the light at the face, or of the whole picture."""
    if face is None:
        return float(np.maximum(more, 0.0).mean())
    wide = cv2.resize(
        np.maximum(more, 0.0).astype(np.float32),
        (found.predicted.shape[1], found.predicted.shape[0]),
        interpolation=cv2.INTER_LINEAR,
    )
    rows, columns = wide.shape
    top, left = int(face.top * rows), int(face.left * columns)
    part = wide[top : max(top + 1, int(face.bottom * rows)), left:]
    part = part[:, : max(1, int(face.right * columns) - left)]
    return float(part.mean())
