"""White and exposure against a kept picture, and what is clipped."""

from __future__ import annotations

from studiobridge.profile.model import Region
from studiobridge.profile.sighting import SeenWhite
from studiobridge.witness.framing import Mask
from studiobridge.witness.learned import Codes, Learned, Picture


def white(
    learned: Learned,
    light: Picture,
    kept: Picture,
    usable: Mask | None = None,
    kelvin: float | None = None,
    duv: float = 0.0,
) -> SeenWhite | None:
    """White at the card, else the face, else the screen, against the kept picture (linear both).

    `kelvin`, `duv`: the white the camera is set to (`picture: white:`).
    """
    return None


def clipped(learned: Learned, codes: Codes, region: Region | None) -> float | None:
    """The share (0-1) of a region that is clipped in any channel; None where none is named."""
    return None
