"""A lamp with two whites: how much of each makes the white that is asked for, and back.

Each white was seen alone at full, and light adds (Grassmann; CIE 15): what stands between is a
share of the warm picture and the rest of the cool one. Which share makes which white is reckoned
from the whites' chromaticities and how bright each is in the picture, so it is not in a straight
line, neither in kelvin nor in mired. Two things are taken for granted, for nothing in a picture
tells them: the two whites lie on the Planckian locus, and what the lamp takes from one it gives to
the other (the shares add up to its amount). A fixture that mixes by another rule differs most half
way; one more white seen alone there puts it right, for only neighbours are mixed.
"""

from __future__ import annotations

import itertools
import math
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from studiobridge.craft.colour import White, cct_and_duv, is_white, mix, planckian_uv
from studiobridge.craft.grid import mired
from studiobridge.witness.learned import Learned, Share

# Of red, green and blue in what is bright to the eye: ITU-R BT.709, in OpenCV's order.
BRIGHT_BGR = (0.0722, 0.7152, 0.2126)
# Mixtures of two whites that are worked out; between them it is straight to a hundredth of a mired.
STEPS = 129

Row = NDArray[np.float64]


def bright(share: Share) -> float:
    """How bright a light's picture is on the whole: by one pixel in sixty-four, for speed."""
    means = np.mean(share.thinned(8), axis=(0, 1), dtype=np.float64)
    return float(means @ np.array(BRIGHT_BGR))


def parts(learned: Learned, device: str, cct: float | None) -> tuple[tuple[Share, float], ...]:
    """The pictures of one light that make a white, each with its share; the shares add up to 1.

    A white past the ends is the end. None: half of its warmest and half of its coolest. Raises
    ValueError for a light that was not seen alone, and for what is no white.
    """
    shares = learned.shares_of(device)
    if not shares:
        raise ValueError(f"{device} was not seen alone")
    whites = sorted((s for s in shares if s.cct is not None), key=lambda s: s.cct or 0.0)
    if len(shares) == 1 or not whites:
        return ((shares[0], 1.0),)
    if cct is None:
        if len(whites) == 1:
            return ((whites[0], 1.0),)
        return ((whites[0], 0.5), (whites[-1], 0.5))
    if not math.isfinite(cct) or not is_white(cct):
        raise ValueError(f"{device}: {cct:g} K is no white; it is 1000 to 25000 K")
    for warm, cool in itertools.pairwise(whites):
        assert warm.cct is not None and cool.cct is not None
        if warm.cct < cct < cool.cct:
            over = bright(warm) / max(bright(cool), 1e-9)
            of_warm = share_of_warm(warm.cct, cool.cct, round(over, 4), cct)
            return ((warm, of_warm), (cool, 1.0 - of_warm))
    nearest = min(whites, key=lambda s: abs((s.cct or 0.0) - cct))
    return ((nearest, 1.0),)


def share_of_warm(warm: float, cool: float, over: float, cct: float) -> float:
    """Which share (0-1) of the warm white makes this white; `over`: warm's light over cool's."""
    shares, mireds = _mixtures(warm, cool, over)
    return float(np.interp(mired(cct), mireds, shares))


@lru_cache(maxsize=256)
def _mixtures(warm: float, cool: float, over: float) -> tuple[Row, Row]:
    """Shares of the warm white and the mired they make: every look asks for a few of them."""
    # closer together where the brighter of the two has nearly all the say
    light = np.linspace(0.0, 1.0, STEPS)
    shares = light / (light + (1.0 - light) * max(over, 1e-6))
    mireds = [mired(white_of(warm, cool, over, float(share))) for share in shares]
    return shares, np.maximum.accumulate(np.array(mireds))


def white_of(warm: float, cool: float, over: float, of_warm: float) -> float:
    """The white (K) that a share of warm and the rest of cool make together."""
    over = max(over, 1e-6)
    both = mix(
        (
            White(max(of_warm, 1e-9) * over, *planckian_uv(warm)),
            White(max(1.0 - of_warm, 1e-9), *planckian_uv(cool)),
        )
    )
    return cct_and_duv(both.u, both.v)[0]


def white_made(learned: Learned, device: str, amounts: tuple[float, ...]) -> float | None:
    """The white (K) of a light whose pictures were found at these amounts, in `shares_of`'s order.

    None where it has but one white, or gives nothing. The way back from `parts`.
    """
    shares = learned.shares_of(device)
    found = [
        (White(a * bright(s), *planckian_uv(s.cct)))
        for s, a in zip(shares, amounts, strict=True)
        if s.cct is not None and is_white(s.cct) and math.isfinite(a) and a > 0
    ]
    if len([s for s in shares if s.cct is not None]) < 2 or not sum(w.lux for w in found) > 0:
        return None
    both = mix(found)
    return cct_and_duv(both.u, both.v)[0]


def mired_between(one: float, other: float) -> float:
    """How much warmer (mired) one white is than another (both K)."""
    return mired(one) - mired(other)
