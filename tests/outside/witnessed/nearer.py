"""Somebody larger than was rendered: the rendered figure enlarged, with what it shades.

Not a render, a composite. Of each lamp alone: how much the rendered figure takes from what is
behind it, or sends there, is a ratio to the empty room, and that is enlarged with the figure and
laid on the empty room; then the enlarged figure is laid on that, lit as it was where it stood. So
shadows and the light that is sent elsewhere grow with it and stay another for each lamp. What is
wrong with it: light that comes round a larger figure would be softer, and one that stands nearer
to the camera would be lit otherwise.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

import cv2
import numpy as np
from numpy.typing import NDArray

from tests.outside.witnessed.rooms import Light, Rendered

# Shares of the picture that are hidden in the end, for each rendered pose, besides that one itself.
HIDES = (0.27, 0.35)
# Less of it in light than this counts as none: a ratio would be of noise.
FLOOR = 0.002


def crowded(seen: Rendered) -> Rendered:
    """The same room; beside each rendered pose the same figure so large that it hides more."""
    posed, hidden = list(seen.posed), list(seen.hidden)
    for pose, where in zip(seen.posed, seen.hidden, strict=True):
        for share in HIDES:
            if where.mean() > 0.02 and share > where.mean() + 0.02:
                larger, mask = enlarged(seen.small, pose, where, share)
                posed.append(larger)
                hidden.append(mask)
    return replace(seen, posed=posed, hidden=hidden)


def enlarged(
    empty: Mapping[str, Light], pose: Mapping[str, Light], where: NDArray[np.bool_], share: float
) -> tuple[Mapping[str, Light], NDArray[np.bool_]]:
    """Each lamp's picture with the figure grown about its middle until it hides this share."""
    rows, columns = where.shape
    ys, xs = np.nonzero(where)
    middle = float(xs.mean()), float(ys.mean())
    low, high = 1.0, 4.0
    for _ in range(14):
        by = (low + high) / 2
        if float(_grown(where, middle, by).mean()) < share:
            low = by
        else:
            high = by
    mask = _grown(where, middle, high)
    found: dict[str, Light] = {}
    for name, there in pose.items():
        nobody = empty[name]
        size = (nobody.shape[1], nobody.shape[0])
        scale = size[0] / columns, size[1] / rows
        warp = _warp((middle[0] * scale[0], middle[1] * scale[1]), high)
        inner = cv2.resize(where.astype(np.uint8), size, interpolation=cv2.INTER_NEAREST)
        # not the rim of the figure either
        inner = cv2.dilate(inner, np.ones((3, 3), np.uint8))
        free = (inner == 0).astype(np.float32)[..., None]
        ratio = np.clip((there + FLOOR) / (nobody + FLOOR), 0.0, 2.0).astype(np.float32)
        around = cv2.blur(ratio * free, (41, 41)) / np.maximum(
            cv2.blur(free, (41, 41))[..., None], 1e-3
        )
        ratio = np.where(free > 0, ratio, around)
        shaded = nobody * cv2.warpAffine(
            ratio, warp, size, flags=cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE
        )
        figure = cv2.warpAffine(np.ascontiguousarray(there), warp, size, flags=cv2.INTER_LINEAR)
        on = cv2.resize(mask.astype(np.uint8), size, interpolation=cv2.INTER_NEAREST) > 0
        first = cv2.resize(where.astype(np.uint8), size, interpolation=cv2.INTER_NEAREST) > 0
        warped = cv2.warpAffine(first.astype(np.uint8), warp, size, flags=cv2.INTER_NEAREST) > 0
        # between the limbs, where the larger one leaves open what the smaller one hid
        made = np.where((on & ~warped)[..., None], there, shaded)
        found[name] = np.where((on & warped)[..., None], figure, made).astype(np.float32)
    return found, mask


def _warp(middle: tuple[float, float], by: float) -> NDArray[np.float64]:
    x, y = middle
    return np.array([[by, 0.0, x - by * x], [0.0, by, y - by * y]])


def _grown(where: NDArray[np.bool_], middle: tuple[float, float], by: float) -> NDArray[np.bool_]:
    size = (where.shape[1], where.shape[0])
    larger = cv2.warpAffine(where.astype(np.uint8), _warp(middle, by), size)
    return np.asarray((larger > 0) | where)
