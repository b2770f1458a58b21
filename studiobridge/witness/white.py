"""White against a kept picture, and what is clipped.

Held against the same place in the kept picture, what stands there takes itself out: light over
light is the change of the lamps' colour there, whatever the card, the skin or the cloth reflects.
It is taken from the white the camera is set to, with the camera's red, green and blue for those of
ITU-R BT.709. No camera has exactly those: what it says of a change of some mired is a few per cent
(daylight) to a fifth (tungsten) more than it is, and nothing is said of what the white was before.
Only a grey card shows what light stood there before, and a mired is another step in red and blue at
each white; elsewhere the camera's own white stands for it, and the band has that.
"""

from __future__ import annotations

import functools
import math
from collections.abc import Mapping
from typing import Literal

import cv2
import numpy as np
from numpy.typing import NDArray

from studiobridge.craft.chroma import D65, linear_of
from studiobridge.craft.colour import cct_and_duv, is_white, off_locus_uv, uv_of_xy, xy_of_uv
from studiobridge.profile.model import Region
from studiobridge.profile.sighting import Band, SeenWhite
from studiobridge.witness.framing import Mask
from studiobridge.witness.learned import Codes, Learned, Picture
from studiobridge.witness.places import DARK, WHOLE, cut, top_of, under
from studiobridge.witness.screen import TO_XYZ

Where = Literal["card", "face", "screen"]
# So much of a place has to be seen in both pictures, and so many pixels of it.
SEEN, PIXELS = 0.5, 200
# Less light than this is none that a camera writes.
FEWEST = -1.0
# What is near to who stands there is lit by them (share of the picture's width).
EDGE = 0.008
# A mean of codes is known to this (codes): JPEG rounds the colour of its blocks, all of them alike
# on a plain card. Half a code in blue and red at quality 85 on rendered cards, more on darker ones.
ROUGH = 0.9
# The curve is off by the same in both pictures where both are as bright: so much of `sure` is left
# for each stop between them.
OF_CURVE = 0.5
# Where nothing grey says what the light was before, the camera's white does, to some 20 mired: so
# much of the change is unsure (share).
BASE_OFF = 0.15
# A camera's colours are not those of BT.709: of what it shows of a change so much is unsure
# (share), and so much of tint for each mired. Of measured sensitivities, with a matrix fitted on a
# chart by the light the camera is set to: a fifth too much at 3200 K, a tenth at 4300, 0 to 8 % at
# 5600 K.
CAMERA_OFF, CAMERA_TINTS = 0.2, 4e-5
# Somebody in the picture (this share of it hidden) colours the light beside them, with skin and
# clothes: 95 of 100 within so many mired and Duv at a small place, and more over a whole screen,
# where what is not seen to be covered is in it, too. Measured on renders with people.
SOMEBODY = 0.02
BESIDE: Mapping[Where, tuple[float, float]] = {
    "card": (6.0, 0.002),
    "face": (6.0, 0.002),
    "screen": (14.0, 0.004),
}


def white(
    learned: Learned,
    light: Picture,
    kept: Picture,
    usable: Mask | None = None,
    kelvin: float | None = None,
    duv: float = 0.0,
) -> SeenWhite | None:
    """White at the card, else the face, else the screen, against the kept picture (linear both).

    A card is taken to be grey. `usable` is False where somebody stands now or stood in the kept
    picture: a face region is of use where nobody is in either. `kelvin`, `duv`: the white the
    camera is set to (`picture: white:`). None where no place is seen in both, or what is there is
    no white.
    """
    if light.shape != kept.shape or light.shape != learned.dark.shape:
        return None
    hidden = np.zeros(light.shape[:2], np.uint8)
    somebody = False
    if usable is not None and usable.shape == hidden.shape:
        somebody = bool(np.count_nonzero(usable) < (1.0 - SOMEBODY) * usable.size)
        wide = 2 * round(EDGE * light.shape[1]) + 1
        hidden = np.asarray(
            cv2.dilate((~usable).astype(np.uint8), np.ones((wide, wide), np.uint8)), np.uint8
        )
    top = top_of(learned)
    places: tuple[tuple[Where, Region | None], ...] = (
        ("card", learned.card),
        ("face", learned.face),
        ("screen", learned.screen or WHOLE),
    )
    for at, region in places:
        if region is None:
            continue
        place = cut(region, light.shape)
        now, before = light[place], kept[place]
        seen = under(now, top, FEWEST) & under(before, top, FEWEST)
        seen &= hidden[place] == 0
        pixels = int(np.count_nonzero(seen))
        if pixels < max(SEEN * seen.size, PIXELS):
            continue
        means = _mean(now, seen), _mean(before, seen)
        found = _between(learned, means, pixels, kelvin, duv, at == "card")
        if found is not None:
            beside = BESIDE[at] if somebody else (0.0, 0.0)
            return SeenWhite(at, _wider(found[0], beside[0]), _wider(found[1], beside[1]))
    return None


def _between(
    learned: Learned,
    means: tuple[NDArray[np.float64], NDArray[np.float64]],
    pixels: int,
    kelvin: float | None,
    duv: float,
    grey: bool,
) -> tuple[Band, Band] | None:
    if not (min(*means[0], *means[1]) > DARK):
        return None
    stops = np.log2(means[0] / means[1])
    off = np.empty(3)
    for channel in range(3):
        row = learned.curve.light[channel]
        code = min(255, int(np.searchsorted(row, means[0][channel])))
        # rounding of codes as stops; both pictures have it
        near = max(1, min(254, code))
        rough = ROUGH * float(np.log2(row[near + 1] / max(row[near - 1], DARK))) / math.sqrt(2.0)
        # brighter in all channels alike is no change of white, but the curve's error grows with it
        curve = float(learned.curve.sure[channel, code]) * OF_CURVE * abs(float(stops[channel]))
        noise = learned.read**2 + learned.shot * means[0][channel]
        shake = 2.0 * math.sqrt(2.0 * noise / pixels) / means[0][channel] / math.log(2.0)
        off[channel] = math.hypot(rough, curve, shake)
    base = _base(kelvin, duv)
    if grey:
        # the card shows the colour of the light before
        base = base * (means[1] / means[1].mean())[::-1]
    at = _mired_duv(base, stops)
    start = _mired_duv(base, np.zeros(3))
    if at is None or start is None:
        return None
    mired, across = at[0] - start[0], at[1] - start[1]
    unsure = CAMERA_OFF if grey else math.hypot(CAMERA_OFF, BASE_OFF)
    spread = [unsure * abs(mired), math.hypot(unsure * across, CAMERA_TINTS * mired)]
    for channel in range(3):
        aside = stops.copy()
        aside[channel] += off[channel]
        there = _mired_duv(base, aside)
        if there is None:
            return None
        spread[0] = math.hypot(spread[0], there[0] - at[0])
        spread[1] = math.hypot(spread[1], there[1] - at[1])
    return (
        Band(mired - spread[0], mired, mired + spread[0]),
        Band(across - spread[1], across, across + spread[1]),
    )


def _mean(light: Picture, seen: Mask) -> NDArray[np.float64]:
    return np.array(cv2.mean(light, seen.view(np.uint8))[:3])


def _wider(band: Band, by: float) -> Band:
    wide = math.hypot(band.high - band.value, by)
    return Band(band.value - wide, band.value, band.value + wide)


def _base(kelvin: float | None, duv: float) -> NDArray[np.float64]:
    """The camera's white as linear red, green, blue; that of the primaries where none is said."""
    x, y = D65
    if kelvin is not None and is_white(kelvin):
        x, y = xy_of_uv(*off_locus_uv(kelvin, duv))
    return np.array(linear_of(x, y))


def _mired_duv(base: NDArray[np.float64], stops: NDArray[np.float64]) -> tuple[float, float] | None:
    """Mired and Duv of the camera's white when its channels (BGR) change by so many stops."""
    red, green, blue = base * np.exp2(stops[::-1])
    return _white_of(float(red), float(green), float(blue))


@functools.lru_cache(maxsize=8)
def _white_of(red: float, green: float, blue: float) -> tuple[float, float] | None:
    """... of such light; the camera's own is asked for with every frame."""
    x, y, z = TO_XYZ @ np.array([red, green, blue])
    total = x + y + z
    try:
        kelvin, duv = cct_and_duv(*uv_of_xy(x / total, y / total))
    except ValueError:
        return None
    return 1e6 / kelvin, duv


def clipped(learned: Learned, codes: Codes, region: Region | None) -> float | None:
    """The share (0-1) of a region that is clipped in any channel; None where none is named."""
    if region is None or codes.ndim != 3:
        return None
    part = codes[cut(region, codes.shape)]
    below = cv2.inRange(part, np.zeros(3), np.full(3, float(learned.clips - 1)))
    return 1.0 - cv2.countNonZero(np.asarray(below)) / below.size
