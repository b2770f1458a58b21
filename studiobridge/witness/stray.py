"""Light that no lamp of the set explains: a window, a door, another lamp.

What light adds to a surface is its reflectance times the light, so a window's picture is much like
that of a lamp that stands near it, in another colour: a few such pictures stand for stray light
(`solving._stray`). A sum of lamps' pictures makes nearly the same, so it is told apart by what is
likely: that one thing came in beside lamps that stayed, and not that several lamps changed in just
such a way (`likely.py`). Where nothing is known of the lamps from before, nothing is said.
"""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from studiobridge.profile.model import Region
from studiobridge.profile.sighting import Band, Stray
from studiobridge.witness.likely import Supposed
from studiobridge.witness.solving import Solved, Solver

# Stray light is said when it is so likely (0-1), and at least this share of the light there.
SO_LIKELY, LEAST = 0.6, 0.004
# What stands for it is no picture of it: its share is between these times what is found.
LOW, HIGH = 0.4, 3.5
# The box is where it adds at least this share of what it adds at most.
MOST = 0.5

Map = NDArray[np.float32]


def stray(solver: Solver, found: Solved, supposed: Supposed, face: Region | None) -> Stray | None:
    """Stray light in one solved frame, or many together; None where none is likely."""
    n = len(solver.shares)
    moved = sum(one.moved > 0.5 for one in supposed.lights.values())
    if not supposed.lights or supposed.stray < SO_LIKELY or len(supposed.amounts) <= n:
        return None
    if 2 * moved > len(supposed.lights):
        return None  # most lamps are elsewhere: what is left of the picture is anybody's
    amounts = np.maximum(supposed.amounts[n:], 0.0).astype(np.float32)
    more = (solver.with_stray[:, n:] @ amounts).reshape(found.predicted.shape).sum(axis=2)
    whole = np.maximum(found.predicted.sum(axis=2), 1e-6)
    part = more[_cut(face, more.shape)] if face else more
    under = whole[_cut(face, more.shape)] if face else whole
    value = float(part.sum() / under.sum())
    if not value > LEAST:
        return None
    # where it is says the frame itself, as far as nobody stands there
    lamps = (solver.light @ supposed.amounts[:n].astype(np.float32) + solver.dark).reshape(
        found.predicted.shape
    )
    really = (found.seen - lamps).sum(axis=2)
    weights = found.weights
    really = cv2.blur(really * weights, (5, 5)) / np.maximum(cv2.blur(weights, (5, 5)), 0.05)
    really = np.where(cv2.blur(weights, (5, 5)) > 0.3, really, more)
    # as a share of the light there; dark corners are no places where much of it is
    share = np.asarray(np.maximum(really, 0.0) / (whole + 0.1 * float(whole.mean())), np.float32)
    rows, columns = np.nonzero(share >= MOST * float(np.quantile(share, 0.95)))
    down, across = share.shape
    return Stray(
        Band(LOW * value, value, HIGH * value),
        _where(share),
        float(columns.min()) / across,
        float(rows.min()) / down,
        float(columns.max() + 1) / across,
        float(rows.max() + 1) / down,
    )


def _cut(region: Region, shape: tuple[int, ...]) -> tuple[slice, slice]:
    rows, columns = shape[:2]
    top, left = min(int(region.top * rows), rows - 1), min(int(region.left * columns), columns - 1)
    return (
        slice(top, max(top + 1, round(region.bottom * rows))),
        slice(left, max(left + 1, round(region.right * columns))),
    )


def _where(share: Map) -> str:
    """On which side most of it is, if one has half as much again as the other."""
    rows, columns = share.shape
    left, right = (
        float(share[:, : columns // 3].mean()),
        float(share[:, -(columns // 3) :].mean()),
    )
    top, bottom = float(share[: rows // 3].mean()), float(share[-(rows // 3) :].mean())
    middle = float(share[rows // 3 : -(rows // 3), columns // 3 : -(columns // 3)].mean())
    sides = {"left": left / max(right, 1e-9), "right": right / max(left, 1e-9)}
    sides |= {"top": top / max(bottom, 1e-9), "bottom": bottom / max(top, 1e-9)}
    most = max(sides, key=lambda side: sides[side])
    if sides[most] > 1.25:
        return most
    return "middle" if middle > 1.5 * float(share.mean()) else "everywhere"
