"""The backdrop in the picture: how even it is, where it is worst, its colour."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from studiobridge.profile.model import Region
from studiobridge.profile.sighting import SeenScreen
from studiobridge.witness.framing import Mask
from studiobridge.witness.learned import Learned, Picture


@dataclass(frozen=True, slots=True, eq=False)
class Map:
    """Stops against the screen's middle, a block each, from its upper left; NaN where covered."""

    region: Region
    stops: NDArray[np.float32]


@dataclass(frozen=True, slots=True)
class Contour:
    """A line along which the screen is so many stops from its middle; shares of the picture."""

    stops: float
    points: tuple[tuple[float, float], ...]


def screen_map(
    light: Picture, region: Region | None, usable: Mask | None = None, clips: Picture | None = None
) -> Map | None:
    """None where too little of it is seen."""
    return None


def screen(
    learned: Learned, light: Picture, usable: Mask | None = None, kept: Picture | None = None
) -> SeenScreen | None:
    """The screen of what was learned; `light` and `kept` (for `change`) are linear light."""
    return None


def contours(found: Map, step: float = 0.25) -> tuple[Contour, ...]:
    """Lines of equal light over the screen, `step` stops apart."""
    return ()
