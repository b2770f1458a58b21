"""How much less even the backdrop is than it was kept (stops), over what both pictures show.

Who stands there throws a shadow, and nobody did then; and how bright it is where it is clipped
neither tells: both are left out of both. The kept picture's half of the work is done once.
"""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from studiobridge.figures.backdrops import GRID
from studiobridge.witness.blocks import averages
from studiobridge.witness.framing import Mask
from studiobridge.witness.learned import Learned, Picture
from studiobridge.witness.places import DARK, WHOLE, Keys, bright, cut, top_of, under

# A block counts where so much of it is seen; the screen where so many of its blocks are.
SEEN, BLOCKS = 0.4, 9


class KeptScreen:
    """The backdrop as it was kept, for later frames to be held against.

    `counts`: where nobody was left out of it then.
    """

    def __init__(
        self,
        learned: Learned,
        light: Picture,
        counts: Mask | None = None,
        keys: Keys | None = None,
    ) -> None:
        self._shape, self._keys = light.shape[:2], keys
        self._place = cut(learned.screen or WHOLE, light.shape)
        tells = under(light[self._place], top_of(learned))
        if counts is not None and counts.shape == self._shape:
            tells &= counts[self._place]
        self._tells = tells
        # without what is no number, of which there is no mean
        self._bright = _only(bright(light[self._place], keys), tells)

    def change(self, light: Picture, tells: Mask) -> float | None:
        """`tells`: the pixels of the picture that are screen and say how bright it is."""
        if tells.shape != self._shape:
            return None
        both = tells[self._place] & self._tells
        size = min(GRID, both.shape[1]), min(GRID, both.shape[0])
        seen = averages(both.astype(np.float32), size)
        there = seen >= SEEN
        if int(there.sum()) < BLOCKS:
            return None
        now, was = (
            averages(_only(one, both), size)[there] / seen[there]
            for one in (bright(light[self._place], self._keys), self._bright)
        )
        if not min(float(now.min()), float(was.min())) > DARK:
            return None
        return _apart(now) - _apart(was)


def _only(light: NDArray[np.float32], where: Mask) -> NDArray[np.float32]:
    """Nothing but there."""
    return np.asarray(cv2.copyTo(light, where.view(np.uint8)), np.float32)


def _apart(bright_: NDArray[np.float32]) -> float:
    """The brightest over the darkest (stops)."""
    return float(np.log2(bright_.max() / bright_.min()))
