"""The backdrop in the picture: how even it is, where it is worst, its colour.

Evenness is the house's: the brightest of nine by nine places over the darkest, in stops
(`craft/mark.evenness`, `figures/backdrops.GRID`); a place is here the mean of a block, for one
pixel is noise. Extremes and no percentiles, for a dark corner is one block of eighty-one, and is
what a viewer sees. Blocks that somebody mostly hides are left out: what is behind them is in no
picture. Their shadow is, and counts. Where pixels do not tell how bright it is (clipped, codes of
which the curve knows little) and it looks as the lamps make it, it is as they make it (`Made`).

Colour takes the camera's red, green and blue, balanced, for those of ITU-R BT.709, which no camera
has exactly: hues are right to some degrees, and the same from day to day.

Shadows and wrinkles are not named: a dark patch of cloth, a fold and a shadow are one in a picture.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from studiobridge.craft.colour import uv_of_xy
from studiobridge.figures.backdrops import GRID
from studiobridge.profile.sighting import Band, SeenScreen
from studiobridge.witness.blocks import FINE as PART
from studiobridge.witness.blocks import averages, greatest, least
from studiobridge.witness.contours import Map
from studiobridge.witness.framing import Mask
from studiobridge.witness.learned import Learned, Picture
from studiobridge.witness.less_even import BLOCKS, SEEN, KeptScreen
from studiobridge.witness.mixing import BRIGHT_BGR
from studiobridge.witness.places import DARK, WHOLE, Keys, bright, cut, numbers, top_of, under

# What is near to who stands there is theirs too: hair, a soft edge (share of the picture's width).
EDGE = 0.008
# A block with more of it clipped than this is brighter than can be told; how far an evenness may
# be off then (stops).
CLIPPED, BEYOND = 0.02, 3.0
# A face is there to be held against when somebody hides so much of where it should be.
FACE = 0.5
# What is left out is screen all the same where it is as the lamps make it, to so many stops in each
# channel (and what the curve may be off there, up to so many) over so many parts each way: somebody
# who is as like it as that makes it no less even.
ALIKE, CURVE, OVER = 0.15, 0.3, 3
# A shadow on it is dimmer by up to so many stops, its channels within so many of each other and so
# much (share) of that, for what it takes is the light of one lamp; from part to part it is by so
# many at most; and so much (share) of what hangs together with it is cloth in full light.
SHADED, TINT, TINTED, SOFT, OF_CLOTH = 1.5, 0.12, 0.3, 0.08, 0.2
# A mean of a block is known to this (stops) beside what the curve may be off.
ROUGH = 0.02
# ... and one that is hidden for the most part, to so much: what is at somebody's edge is theirs.
PARTLY = 0.1
# CIE 1931 of ITU-R BT.709: red, green, blue and white. As linear light to X, Y, Z (IEC 61966-2-1).
TO_XYZ = np.array(
    [[0.4124, 0.3576, 0.1805], [0.2126, 0.7152, 0.0722], [0.0193, 0.1192, 0.9505]], np.float64
)
_PRIMARIES = ((0.64, 0.33), (0.30, 0.60), (0.15, 0.06))
_D65 = (0.3127, 0.3290)
_PLACES = (
    ("upper left", "top", "upper right"),
    ("left", "middle", "right"),
    ("lower left", "bottom", "lower right"),
)


@dataclass(frozen=True, slots=True, eq=False)
class Made:
    """What the lamps make of the picture's parts (4 px a side), by what was learned and how bright
    each is now; and how far (stops) that may be off. Rows × columns (× BGR)."""

    light: NDArray[np.float32]
    off: NDArray[np.float32]


@dataclass(frozen=True, slots=True, eq=False)
class _Shown:
    """The screen's pixels, which of them count, and which tell how bright it is; `by_lamps`: where
    they are as the lamps make them, how far (stops) that may be off, elsewhere NaN. None:
    nowhere."""

    light: Picture
    clear: Mask
    tells: Mask
    by_lamps: NDArray[np.float32] | None = None


@dataclass(frozen=True, slots=True, eq=False)
class _Blocks:
    """Means over blocks: light (BGR), how much of each is seen, how much of that is clipped, and
    how far (stops) it may be off by the curve or by what was learned of the lamps."""

    light: NDArray[np.float32]
    seen: NDArray[np.float32]
    clipped: NDArray[np.float32]
    off: NDArray[np.float32]

    @property
    def there(self) -> Mask:
        found: Mask = self.seen >= SEEN
        return found


def screen_map(
    learned: Learned,
    light: Picture,
    usable: Mask | None = None,
    keys: Keys | None = None,
    blocks: tuple[int, int] = (GRID, GRID),
) -> Map | None:
    """The screen's light block by block (across, down); None where too little of it is seen."""
    tells = _tells(learned, light)
    clear = _clear(learned, light, usable, tells)
    found = _blocks(learned, _shown(learned, light, clear, tells, None), blocks)
    shines = bright(found.light, keys)
    there = found.there & (shines > DARK)
    if int(there.sum()) < BLOCKS:
        return None
    stops = np.full(shines.shape, np.nan, np.float32)
    stops[there] = np.log2(shines[there] / np.median(shines[there]))
    return Map(learned.screen or WHOLE, stops)


def screen(
    learned: Learned,
    light: Picture,
    usable: Mask | None = None,
    kept: KeptScreen | None = None,
    keys: Keys | None = None,
    made: Made | None = None,
) -> SeenScreen | None:
    """The screen of what was learned; None where too little of it is seen.

    `light` is linear, `usable` is False where somebody stands, `kept` is for `change`.
    `made`: what the lamps make of it, for where the picture does not tell how bright it is.
    A screen that is keyed is judged in its own channel, as `figures/keying.py` does, any other by
    how bright it is to the eye.
    """
    if light.shape != learned.dark.shape:
        return None
    tells = _tells(learned, light)
    clear = _clear(learned, light, usable, tells)
    shown = _shown(learned, light, clear, tells, made)
    blocks = _blocks(learned, shown)
    shines = bright(blocks.light, keys)
    there = blocks.there & (shines > DARK)
    if int(there.sum()) < BLOCKS:
        return None
    middle = float(np.median(shines[there]))
    stops = np.where(there, np.log2(np.maximum(shines, DARK) / middle), 0.0)
    even = float(stops.max() - stops[there].min())
    row, column = divmod(int(np.argmax(np.abs(stops))), GRID)
    may = _may_be_off(blocks, there, stops)
    beyond = BEYOND if bool((blocks.clipped[there] > CLIPPED).any()) else 0.0
    hue, saturation = hue_of(np.median(blocks.light[there], axis=0).astype(np.float64))
    return SeenScreen(
        even=Band(max(0.0, even - may), even, even + may + beyond),
        worst=_PLACES[row * 3 // GRID][column * 3 // GRID],
        worst_stops=float(stops[row, column]),
        against_face=_against(learned, light, usable, middle, keys),
        hue=hue,
        saturation=saturation,
        covered=_covered(learned, usable, shown),
        change=kept.change(light, clear & tells) if kept else None,
    )


def hue_of(bgr: NDArray[np.float64]) -> tuple[float | None, float | None]:
    """Hue (degrees, from u' towards v') and saturation of a colour about the camera's white.

    CIE 1976 u', v'. Saturation is how far out it is on the way to what the purest mixtures of the
    primaries can be: 0 is white, 1 is there. Hue is None where there is no colour.
    """
    red, green, blue = (max(0.0, float(v)) for v in bgr[::-1])
    if not red + green + blue > 0:
        return None, None
    x, y, z = TO_XYZ @ np.array([red, green, blue])
    whole = x + 15 * y + 3 * z
    white = _uv76(*_D65)
    du, dv = 4 * x / whole - white[0], 9 * y / whole - white[1]
    far = math.hypot(du, dv)
    if far < 1e-4:
        return None, 0.0
    corners = [np.subtract(_uv76(*p), white) for p in _PRIMARIES]
    out = math.inf
    for a, b in zip(corners, (*corners[1:], corners[0]), strict=True):
        # where the ray from white meets this side of the triangle
        side = b - a
        across = du * side[1] - dv * side[0]
        if abs(across) < 1e-12:
            continue
        t = (a[0] * side[1] - a[1] * side[0]) / across
        along = (a[0] * dv - a[1] * du) / across
        if t > 0 and -1e-9 <= along <= 1 + 1e-9:
            out = min(out, t)
    return math.degrees(math.atan2(dv, du)) % 360.0, min(1.0, 1.0 / out)


def _uv76(x: float, y: float) -> tuple[float, float]:
    u, v = uv_of_xy(x, y)
    return u, 1.5 * v


def _tells(learned: Learned, light: Picture) -> Mask:
    """Where pixels tell how bright it is: in the screen's rows, and of whole parts around them."""
    rows = cut(learned.screen or WHOLE, light.shape)[0]
    around = slice(max(0, rows.start - PART), rows.stop + PART)
    found = np.zeros(light.shape[:2], np.bool_)
    found[around] = under(light[around], top_of(learned))
    return found


def _clear(learned: Learned, light: Picture, usable: Mask | None, tells: Mask) -> Mask:
    """What of the picture is screen: not hidden, and not the face where no screen is named."""
    clear = np.ones(light.shape[:2], bool)
    if usable is not None and usable.shape == clear.shape:
        wide = 2 * round(EDGE * light.shape[1]) + 1
        hidden = cv2.dilate((~usable).astype(np.uint8), np.ones((wide, wide), np.uint8))
        clear = hidden == 0
    number = numbers(light)
    if number is not None:
        clear &= number
    if learned.screen is None:
        if learned.face is not None:
            clear[cut(learned.face, light.shape)] = False
        clear &= tells
    return clear


def _shown(learned: Learned, light: Picture, clear: Mask, tells: Mask, made: Made | None) -> _Shown:
    """The screen, where its pixels do not tell how bright it is by what the lamps make there.

    That is where they are clipped, where the curve is less known than the lamps are (they were seen
    at lower levels, too), and where a solver left them out, which takes whole blocks, and those it
    can make nothing of for other reasons. Only what looks as the lamps make it counts so: somebody
    is no screen, nor is their shadow as bright as it would be without them.
    """
    place = cut(learned.screen or WHOLE, light.shape)
    plain = _Shown(light[place], clear[place], tells[place])
    if made is None or made.light.shape[:2] != made.off.shape:
        return plain
    # whole parts around it
    rows, columns = (
        slice(side.start // PART, min(-(-side.stop // PART), parts, pixels // PART))
        for side, parts, pixels in zip(place, made.off.shape, light.shape[:2], strict=True)
    )
    size = (columns.stop - columns.start, rows.stop - rows.start)
    if min(size) < OVER:
        return plain
    around = (
        slice(rows.start * PART, rows.stop * PART),
        slice(columns.start * PART, columns.stop * PART),
    )
    top = top_of(learned)
    parts = _mean(_held(light[around], top), size)
    by_lamps, known = made.light[rows, columns], made.off[rows, columns]
    sure = _sure(learned, parts)
    off = np.log2(np.maximum(cv2.blur(parts, (OVER, OVER)), DARK))
    off -= np.log2(np.maximum(cv2.blur(_held(by_lamps, top), (OVER, OVER)), DARK))
    close = np.abs(off) < ALIKE + np.minimum(sure, CURVE)
    alike = close[..., 0] & close[..., 1] & close[..., 2]
    over, hidden = (_any(~mask[around], size) for mask in (tells, clear))
    taken = alike & (over | (known < greatest(sure)))
    seen = hidden
    if hidden.any():
        seen = hidden & (alike | _shaded(np.asarray(off, np.float32), alike & ~hidden))
    if learned.screen is None:
        # what is as bright as that may well be a lamp, and a face is no screen
        taken &= ~over & ~hidden
        seen &= ~seen
    taken &= np.isfinite(known)
    if not (taken | seen).any():
        return plain

    # of these parts the pixels that are screen, and where they are in it
    ours = tuple(
        slice(s.start - a.start, s.stop - a.start) for s, a in zip(place, around, strict=True)
    )

    def whole(values: NDArray[Any]) -> NDArray[Any]:
        pixels = (size[0] * PART, size[1] * PART)
        return np.asarray(cv2.resize(values, pixels, interpolation=cv2.INTER_NEAREST))[ours]

    shown = plain.clear.copy()
    also = whole((taken | seen).view(np.uint8)) > 0
    theirs = tuple(slice(0, side) for side in also.shape)
    shown[theirs] |= also
    if not taken.any():
        return replace(plain, clear=shown)
    pixels = whole(taken.view(np.uint8)) > 0
    filled = plain.light.copy()
    filled[theirs][pixels] = whole(by_lamps)[pixels]
    found = np.full(shown.shape, np.nan, np.float32)
    found[theirs] = np.where(pixels, whole(known), np.nan)
    return _Shown(filled, shown, plain.tells, found)


def _shaded(off: NDArray[np.float32], cloth: Mask) -> Mask:
    """Where somebody's shadow lies on the screen, which is in the picture as the rest of it is.

    It is dimmer than the lamps make it, in all channels alike, and begins softly: step by step from
    cloth that is as the lamps make it. Who throws it has an edge.
    """
    mean = off.mean(axis=2)
    steps = np.maximum(
        *(
            greatest(np.abs(cv2.Sobel(off, cv2.CV_32F, *way, scale=0.125)))
            for way in ((1, 0), (0, 1))
        )
    )
    tint = greatest(off) - least(off)
    soft = (tint < TINT + TINTED * np.abs(mean)) & (mean > -SHADED) & (mean < ALIKE)
    soft &= steps < SOFT
    count, places = cv2.connectedComponents(soft.astype(np.uint8), connectivity=4)
    size = np.bincount(places.ravel(), minlength=count)
    known = np.bincount(places[cloth], minlength=count)
    good = known > OF_CLOTH * size
    good[0] = False
    return np.asarray(good[places], np.bool_)


def _sure(learned: Learned, light: Picture) -> NDArray[np.float32]:
    """How far the curve may be off where there is so much light, a channel each."""
    found = np.empty(light.shape, np.float32)
    for channel in range(3):
        codes = np.searchsorted(learned.curve.light[channel], light[..., channel])
        found[..., channel] = learned.curve.sure[channel][np.minimum(codes, 255)]
    return found


def _held(light: Picture, top: NDArray[np.float32]) -> Picture:
    """No brighter than that; a row at a time, for numpy is slow along three channels."""
    rows = light.reshape(len(light), -1)
    return np.minimum(rows, np.tile(top, light.shape[1])).reshape(light.shape)


def _any(mask: Mask, size: tuple[int, int]) -> Mask:
    """In which parts it is so anywhere: one pixel of a part is more than nothing in its mean."""
    pixels = mask.view(np.uint8) * np.uint8(255)
    return np.asarray(cv2.resize(pixels, size, interpolation=cv2.INTER_AREA)) > 0


def _mean(values: NDArray[np.float32], size: tuple[int, int]) -> NDArray[np.float32]:
    """Of whole parts: of so many pixels a side, which OpenCV is quick at."""
    return np.asarray(cv2.resize(values, size, interpolation=cv2.INTER_AREA), np.float32)


def _blocks(learned: Learned, shown: _Shown, blocks: tuple[int, int] = (GRID, GRID)) -> _Blocks:
    part, seen = shown.light, shown.clear.astype(np.float32)
    blocks = min(blocks[0], part.shape[1]), min(blocks[1], part.shape[0])
    share = averages(seen, blocks)
    some = np.maximum(share, 1e-6)
    only = np.asarray(cv2.copyTo(part, shown.clear.view(np.uint8)), np.float32)
    light = (averages(only, blocks) / some[..., None]).astype(np.float32)
    off = greatest(_sure(learned, light)) + PARTLY * (1.0 - share)
    over = np.where(shown.tells, np.float32(0), seen)
    if shown.by_lamps is not None:
        made = np.isfinite(shown.by_lamps)
        over = np.where(made, np.float32(0), over)
        # ... of the rest it is the curve's
        rest = 1.0 - averages(np.where(made, seen, np.float32(0)), blocks) / some
        known = np.where(made, shown.by_lamps, np.float32(0))
        off = averages(known, blocks) / some + rest * off
    return _Blocks(light, share, (averages(over, blocks) / some).astype(np.float32), off)


def _may_be_off(blocks: _Blocks, there: Mask, stops: NDArray[np.float64]) -> float:
    """How far (stops) the brightest over the darkest may be off, by what both may be."""
    ends = np.argmax(np.where(there, stops, -99.0)), np.argmin(np.where(there, stops, 99.0))
    return math.hypot(ROUGH, *(float(blocks.off.flat[int(end)]) for end in ends))


def _against(
    learned: Learned, light: Picture, usable: Mask | None, middle: float, keys: Keys | None
) -> float | None:
    """The screen's middle over the card, else over the face that is there now, in stops."""
    weights = np.array(BRIGHT_BGR, np.float32)
    if keys is not None:
        weights = np.array((keys == "blue", keys == "green", False), np.float32)
    held: float | None = None
    if learned.card is not None:
        place = cut(learned.card, light.shape)
        shown = np.ones(light[place].shape[:2], bool) if usable is None else usable[place]
        if shown.mean() > FACE:
            held = float((light[place] @ weights)[shown].mean())
    elif learned.face is not None and usable is not None:
        place = cut(learned.face, light.shape)
        if (~usable[place]).mean() > FACE:
            held = float((light[place] @ weights)[~usable[place]].mean())
    if held is None or not held > DARK:
        return None
    return math.log2(middle / held)


def _covered(learned: Learned, usable: Mask | None, shown: _Shown) -> float:
    if usable is None:
        return 0.0
    place = cut(learned.screen or WHOLE, usable.shape)
    hidden = ~usable[place] & ~shown.clear
    return np.count_nonzero(hidden) / hidden.size
