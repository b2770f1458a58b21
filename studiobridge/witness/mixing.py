"""Which of a lamp's pictures, and how much of each, make the white that is asked for, and back.

The arithmetic is `craft/two_whites.py`. How bright its whites are against each other is read off
their pictures, in green: what the surfaces are and what the camera is balanced for is in all alike.
By cameras' measured sensitivities, on grey, wood and leaves, that is right to 0.9 to 1.1 times.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from studiobridge.craft.colour import is_white
from studiobridge.craft.two_whites import Whites, green_of
from studiobridge.witness.learned import Learned, Share

# Of red, green and blue in what is bright to the eye: ITU-R BT.709, in OpenCV's order.
BRIGHT_BGR = (0.0722, 0.7152, 0.2126)
# A pixel brighter than this with the lamp at full may be clipped however far it was dimmed: the
# lamp itself, in view. It is no measure, where at least so many others are.
CLIPS, ENOUGH = 1.0, 50
# One white may be so much brighter against another than it is seen to be (natural logarithm).
BRIGHT_OFF = 0.06


def whites_of(shares: Sequence[Share]) -> Whites | None:
    """The whites of one lamp, of all its pictures; None where they are not two or more whites."""
    ccts = [share.cct for share in shares if share.cct is not None and is_white(share.cct)]
    if len(ccts) != len(shares) or len(ccts) < 2:
        return None
    # one pixel in sixty-four, for speed
    greens = np.stack([share.thinned(8)[..., 1].reshape(-1) for share in shares]).astype(np.float64)
    good = np.isfinite(greens).all(axis=0)
    dim = good & (greens <= CLIPS).all(axis=0)
    means = greens[:, dim if int(dim.sum()) >= ENOUGH else good].mean(axis=1) if good.any() else []
    if not len(means) or not float(np.min(means)) > 0.0:
        return Whites(tuple(ccts), (1.0,) * len(ccts))
    seen = zip(ccts, means, strict=True)
    return Whites(tuple(ccts), tuple(float(mean) / green_of(cct) for cct, mean in seen))


def parts(learned: Learned, device: str, cct: float | None) -> tuple[tuple[Share, float], ...]:
    """The pictures of one light that make a white, each with its share; the shares add up to 1.

    A white past the ends is the end. None: half of its warmest and half of its coolest. Raises
    ValueError for a light that was not seen alone, and for what is no white.
    """
    shares = learned.shares_of(device)
    if not shares:
        raise ValueError(f"{device} was not seen alone")
    if cct is not None and len(shares) > 1 and not is_white(cct):
        raise ValueError(f"{device}: {cct:g} K is no white; it is 1000 to 25000 K")
    whites = whites_of(shares)
    if whites is None:
        return ((shares[0], 1.0),)
    made = zip(shares, whites.parts(cct), strict=True)
    found = [(share, part) for share, part in made if part > 0.0]
    return tuple(sorted(found, key=lambda one: one[0].cct or 0.0))
