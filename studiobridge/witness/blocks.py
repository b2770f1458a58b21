"""A frame in blocks: the mean of its linear light, and a finer one for what texture tells.

A block is 16 px a side: that is what a picture of half colour resolution (4:2:0) is compressed in,
so that what compression does to one block is its own. The finer ones are 4 px.
"""

from __future__ import annotations

import functools
import math
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from studiobridge.witness.learned import Codes, Curve, Picture

BLOCK = 16
FINE = 4
_EACH = BLOCK // FINE


@dataclass(frozen=True, slots=True, eq=False)
class Blocks:
    """Rows × columns of blocks: mean light (BGR) of each, and of its parts; whether it counts."""

    light: NDArray[np.float32]
    fine: NDArray[np.float32] | None  # None: texture was judged before
    usable: NDArray[np.bool_]


def shape_of(size: tuple[int, int]) -> tuple[int, int]:
    """Rows and columns of blocks of a picture of so many columns and rows of pixels."""
    columns, rows = size
    return rows // BLOCK, columns // BLOCK


def means(picture: NDArray[np.float32], side: int) -> NDArray[np.float32]:
    """The mean of each square of so many pixels; what does not fill one at an edge is left out."""
    rows, columns = picture.shape[0] // BLOCK, picture.shape[1] // BLOCK
    whole = picture[: rows * BLOCK, : columns * BLOCK]
    size = (columns * BLOCK // side, rows * BLOCK // side)
    found = cv2.resize(whole, size, interpolation=cv2.INTER_AREA)
    return np.asarray(found, np.float32)


def averages(picture: NDArray[np.float32], size: tuple[int, int]) -> NDArray[np.float32]:
    """The mean of each of so many columns × rows of places, which may begin within a pixel.

    OpenCV's INTER_AREA goes pixel by pixel where a place is no whole number of them: rows first,
    each place's as one product, is several times quicker. What is no number stays in its place.
    """
    columns, rows = size
    if rows > picture.shape[0] or picture.strides[-1] != picture.itemsize:
        return np.asarray(cv2.resize(picture, size, interpolation=cv2.INTER_AREA), np.float32)
    flat = picture.reshape(picture.shape[0], -1)
    found = np.empty((rows, flat.shape[1]), np.float32)
    for row, (first, weights) in enumerate(_parts(picture.shape[0], rows)):
        np.dot(weights, flat[first : first + len(weights)], out=found[row])
    across = found.reshape(rows, *picture.shape[1:])
    return np.asarray(cv2.resize(across, (columns, rows), interpolation=cv2.INTER_AREA), np.float32)


@functools.lru_cache(maxsize=32)
def _parts(pixels: int, places: int) -> tuple[tuple[int, NDArray[np.float32]], ...]:
    """Of each place its first pixel, and how much of the mean each of its pixels is."""
    found = []
    for place in range(places):
        begins, ends = place * pixels / places, (place + 1) * pixels / places
        first, last = int(begins + 1e-6), max(int(begins + 1e-6) + 1, math.ceil(ends - 1e-6))
        at = np.arange(first, last)
        weights = np.minimum(at + 1, ends) - np.maximum(at, begins)
        found.append((first, (weights / weights.sum()).astype(np.float32)))
    return tuple(found)


def sums(parts: NDArray[np.float32]) -> NDArray[np.float32]:
    """Of rows × parts × columns × parts × channels the sum over each block's parts.

    One part of every block after the other, as `sum` has it, which goes from block to block.
    """
    first, *rest = [
        parts[:, row, :, column]
        for row in range(parts.shape[1])
        for column in range(parts.shape[3])
    ]
    found = first.copy()
    for part in rest:
        found += part
    return found


def to_parts(parts: NDArray[np.float32], by: NDArray[np.float32]) -> NDArray[np.float32]:
    """Parts as `sums` has them, times a figure for each block and channel."""
    rows, down, _, across, _ = parts.shape
    row = by.repeat(across, axis=1).reshape(rows, 1, -1)
    return np.asarray((parts.reshape(rows, down, -1) * row).reshape(parts.shape), np.float32)


def greatest(values: NDArray[np.float32]) -> NDArray[np.float32]:
    """The greatest of three channels: numpy is slow along a short last axis."""
    blue, green, red = (values[..., channel] for channel in range(3))
    return np.maximum(np.maximum(blue, green), red)


def least(values: NDArray[np.float32]) -> NDArray[np.float32]:
    """The least of three channels."""
    blue, green, red = (values[..., channel] for channel in range(3))
    return np.minimum(np.minimum(blue, green), red)


def fully(mask: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """The blocks in which every pixel counts."""
    rows, columns = mask.shape[0] // BLOCK, mask.shape[1] // BLOCK
    bytes_ = np.ascontiguousarray(mask[: rows * BLOCK, : columns * BLOCK]).view(np.uint8)
    least = cv2.erode(bytes_, np.ones((2, 2), np.uint8)) if min(bytes_.shape) > 1 else bytes_
    share = cv2.resize(least.astype(np.float32), (columns, rows), interpolation=cv2.INTER_AREA)
    return np.asarray(share > 0.999)


def of_light(light: Picture, usable: NDArray[np.bool_] | None) -> Blocks:
    """A frame that is linear already. What is no number counts for nothing."""
    number: NDArray[np.bool_] = np.asarray(np.isfinite(light).all(axis=2))
    counts = number if usable is None else number & usable
    filled = light if number.all() else np.where(number[..., None], light, 0.0)
    fine = means(np.asarray(filled, np.float32), FINE)
    return Blocks(_coarse(fine), fine, fully(counts))


def of_codes(codes: Codes, curve: Curve, clips: int, light: Picture | None = None) -> Blocks:
    """A frame as the camera wrote it: through its curve, without what is clipped.

    `light`: the same through its curve, where somebody has that already.
    """
    rows, columns = codes.shape[0] // BLOCK, codes.shape[1] // BLOCK
    whole = codes[: rows * BLOCK, : columns * BLOCK]
    if light is None:
        light = np.asarray(cv2.LUT(codes, curve.table), np.float32)
    fine = means(light, FINE)
    below = cv2.inRange(whole, np.zeros(3), np.full(3, float(clips - 1)))
    # a block counts with all of its pixels or not at all
    share = cv2.resize(below, (columns, rows), interpolation=cv2.INTER_AREA)
    return Blocks(_coarse(fine), fine, np.asarray(share == 255))


def _coarse(fine: NDArray[np.float32]) -> NDArray[np.float32]:
    size = (fine.shape[1] // _EACH, fine.shape[0] // _EACH)
    return np.asarray(cv2.resize(fine, size, interpolation=cv2.INTER_AREA), np.float32)
