"""A part of the picture: its pixels, where they tell how bright it is, and how bright that is."""

from __future__ import annotations

import math
from typing import Literal

import cv2
import numpy as np
from numpy.typing import NDArray

from studiobridge.profile.model import Region
from studiobridge.witness.framing import Mask
from studiobridge.witness.learned import Learned, Picture
from studiobridge.witness.mixing import BRIGHT_BGR

WHOLE = Region(0.0, 0.0, 1.0, 1.0)
# Light below this share of clipping is the camera's noise.
DARK = 5e-4
_MOST = float(np.finfo(np.float32).max)

Keys = Literal["green", "blue"]


def cut(region: Region, shape: tuple[int, ...]) -> tuple[slice, slice]:
    """The rows and columns of a part of the picture; one of each at least."""
    rows, columns = shape[0], shape[1]
    top, left = math.floor(region.top * rows), math.floor(region.left * columns)
    top, left = min(max(0, top), rows - 1), min(max(0, left), columns - 1)
    return (
        slice(top, min(rows, max(top + 1, math.ceil(region.bottom * rows)))),
        slice(left, min(columns, max(left + 1, math.ceil(region.right * columns)))),
    )


def top_of(learned: Learned) -> NDArray[np.float32]:
    """The light from which on each channel is clipped."""
    found: NDArray[np.float32] = learned.curve.light[:, min(max(learned.clips, 1), 255)]
    return found


def under(light: Picture, top: NDArray[np.floating], over: float = -_MOST) -> Mask:
    """Where all channels are below this, and are numbers; none below `over`."""
    most = np.nextafter(np.asarray(top, np.float32), np.float32(0.0)).astype(np.float64)
    return np.asarray(cv2.inRange(light, np.full(3, over), most)) > 0


def numbers(light: Picture) -> Mask | None:
    """Where all channels are numbers; None: everywhere, which is usual and told much sooner."""
    every = light.reshape(-1)
    if math.isfinite(float(np.dot(every, every))):
        return None
    return under(light, np.full(3, _MOST))


def bright(light: Picture, keys: Keys | None) -> NDArray[np.float32]:
    """How bright it is: a screen that is keyed in its own channel, any other to the eye."""
    if keys is not None:
        return light[..., 1 if keys == "green" else 0]
    weights = np.array([BRIGHT_BGR], np.float32)
    return np.asarray(cv2.transform(light, weights), np.float32)
