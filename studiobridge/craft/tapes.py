"""A point on the floor by two tapes, hooked at the two ends of a wall: measured alone, no square.

Along the wall 0 is its middle, negative to the left; out from the wall is above 0. All in metres.
Where the two tapes meet at nearly one angle, or nearly in one line, a small slip of either
moves the point a long way: `slip` says how far.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

# A tape is read to an eighth of an inch or to half a centimetre: off by half of that (m). Quarter
# inches would not do: at 45 degrees two of them miss by a third of an inch.
INCHES, CENTIMETRES = 0.0254 / 16.0, 0.005 / 2.0
# What a point may be off by the reading of its tapes alone (m): a quarter inch.
NEAR_ENOUGH = 0.0254 / 4.0
# And tapes sag and hooks slip: beyond these angles (degrees) that shows. Common practice.
FLATTEST, STEEPEST = 135.0, 45.0
# A tape this short (m) has hardly left its hook: the point is in the corner itself.
HOOK = 0.1


@dataclass(frozen=True, slots=True)
class Tapes:
    """From the left end of the wall and from the right one (m), and the angle between (degrees).

    `off` is how far the point may be from where it belongs by their reading alone (m); None where
    they do not cross: the point is on the wall's own line, or in a corner.
    """

    left: float
    right: float
    angle: float
    off: float | None

    @property
    def good(self) -> bool:
        """Do they find the point to a quarter inch?"""
        if self.off is None:
            return False
        return STEEPEST <= self.angle <= FLATTEST and self.off <= NEAR_ENOUGH


def tapes(across: float, out: float, width: float, read: float = INCHES) -> Tapes:
    """The two tapes to a point on the floor, each read to within `read`.

    Raises ValueError for a wall without width.
    """
    if not width > 0:
        raise ValueError(f"a wall is wider than 0 m, not {width:g}")
    half = width / 2.0
    left, right = math.hypot(across + half, out), math.hypot(half - across, out)
    if min(left, right) < HOOK:
        return Tapes(left, right, 0.0, None)
    cosine = (left * left + right * right - width * width) / (2.0 * left * right)
    angle = math.degrees(math.acos(max(-1.0, min(1.0, cosine))))
    off = slip(angle, read)
    return Tapes(left, right, angle, off if off < math.inf else None)


def slip(angle: float, read: float) -> float:
    """How far (m) a point moves at worst when two tapes that cross at `angle` are off by `read`.

    Each tape says how far the point is along its own line: both off the same way move it by
    read / cos(angle / 2), one this way and one that by read / sin(angle / 2).
    """
    half = math.radians(angle) / 2.0
    least = min(math.sin(half), math.cos(half))
    return read / least if least > 1e-9 else math.inf
