"""A lamp with two whites: how much of each makes the white that is asked for, and back.

Each white was seen alone at full, and light adds (Grassmann; CIE 15): what stands between is a
share of the warm light and the rest of the cool one. Which share makes which white goes by the
whites' chromaticities and how bright each is at full, so it is not in a straight line, neither in
kelvin nor in mired: half of each is up to 45 mired from half way. Two things are taken for granted,
for nothing in a picture tells them: the two whites lie on the Planckian locus, and what the lamp
takes from one it gives to the other (the shares add up to its amount). A fixture that mixes by
another rule differs most half way; one more white seen alone there puts it right, for only
neighbours are mixed.
"""

from __future__ import annotations

import bisect
import contextlib
import itertools
import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache

from studiobridge.craft.colour import White, cct_and_duv, is_white, mix, planckian_uv, xy_of_uv
from studiobridge.craft.grid import mired

# Mixtures of two whites that are worked out; between them it is straight to a hundredth of a mired.
STEPS = 129
# Amounts so far to either side are looked at for how the white goes with them.
NEAR = 0.005
# Green of a white as warm as the warmest: it is divided by.
LEAST_GREEN = 0.05


def green_of(kelvin: float) -> float:
    """How much green a camera of ITU-R BT.709 sees in a white of luminance 1.

    Of two whites of one lamp, seen by one camera, the greens tell which is brighter: what the
    surfaces are and what the camera is balanced for is in both alike, and of its channels green is
    the one in which whites differ least. The matrix: IEC 61966-2-1, from memory. Range: 1000 to
    25000 K, else ValueError.
    """
    x, y = xy_of_uv(*planckian_uv(kelvin))
    green = -0.9689 * x / y + 1.8758 + 0.0415 * (1.0 - x - y) / y
    return max(LEAST_GREEN, green)


@dataclass(frozen=True, slots=True)
class Whites:
    """The whites of one lamp that were seen alone at full (K), and how bright each was there.

    Brightness is luminance, in any unit. Raises ValueError for what is no white or no light.
    """

    ccts: tuple[float, ...]
    bright: tuple[float, ...]

    def __post_init__(self) -> None:
        if not self.ccts or len(self.ccts) != len(self.bright):
            raise ValueError("a lamp has a brightness for each of its whites")
        for cct in self.ccts:
            if not is_white(cct):
                raise ValueError(f"{cct:g} K is no white; it is 1000 to 25000 K")
        if not all(math.isfinite(one) and one > 0 for one in self.bright):
            raise ValueError("a white that was seen alone gives light")

    def parts(self, cct: float | None) -> tuple[float, ...]:
        """The share of each that makes a white; they add up to 1.

        A white past the ends is the end. None: half of its warmest and half of its coolest.
        Raises ValueError for what is no white.
        """
        if cct is not None and not is_white(cct):
            raise ValueError(f"{cct:g} K is no white; it is 1000 to 25000 K")
        order = sorted(range(len(self.ccts)), key=lambda i: self.ccts[i])
        found = [0.0] * len(order)
        if cct is None:
            found[order[0]] += 0.5
            found[order[-1]] += 0.5
            return tuple(found)
        for warm, cool in itertools.pairwise(order):
            if self.ccts[warm] < cct < self.ccts[cool]:
                found[warm] = self._between(warm, cool).share(mired(cct))
                found[cool] = 1.0 - found[warm]
                return tuple(found)
        found[min(order, key=lambda i: abs(self.ccts[i] - cct))] = 1.0
        return tuple(found)

    def made(self, amounts: Sequence[float]) -> float:
        """The white (K) of so much of each. Raises ValueError where there is no light."""
        return 1e6 / self._mired(amounts)

    def slope(self, amounts: Sequence[float]) -> tuple[float, ...]:
        """How many mired warmer it gets with one more of each. Raises ValueError without light."""
        found = []
        for i, amount in enumerate(amounts):
            ends = [max(0.0, amount - NEAR), amount + NEAR]
            low, high = (self._mired([*amounts[:i], end, *amounts[i + 1 :]]) for end in ends)
            found.append((high - low) / (ends[1] - ends[0]))
        return tuple(found)

    def by_brightness(self, amounts: Sequence[float]) -> float:
        """How many mired warmer it would be if the warmest were brighter by e times."""
        warmest = self.ccts.index(min(self.ccts))
        return self.slope(amounts)[warmest] * amounts[warmest]

    def _mired(self, amounts: Sequence[float]) -> float:
        if len(self.ccts) == 2 and sum(amounts) > 0:
            warm, cool = (0, 1) if self.ccts[0] < self.ccts[1] else (1, 0)
            return self._between(warm, cool).mired(amounts[warm] / sum(amounts))
        both = mix(
            White(max(0.0, amount) * bright, *planckian_uv(cct))
            for amount, bright, cct in zip(amounts, self.bright, self.ccts, strict=True)
        )
        return mired(cct_and_duv(both.u, both.v)[0])

    def _between(self, warm: int, cool: int) -> _Between:
        over = self.bright[warm] / self.bright[cool]
        return _between(self.ccts[warm], self.ccts[cool], float(f"{over:.4g}"))


@dataclass(frozen=True, slots=True)
class _Between:
    """What two whites make: shares of the warm one, rising, and the mired of each."""

    shares: tuple[float, ...]
    mireds: tuple[float, ...]

    def share(self, at: float) -> float:
        return _straight(at, self.mireds, self.shares)

    def mired(self, share: float) -> float:
        return _straight(share, self.shares, self.mireds)


@lru_cache(maxsize=256)
def _between(warm: float, cool: float, over: float) -> _Between:
    """Every look at a picture asks for a few of them. `over`: warm's light over cool's."""
    # closer together where the brighter of the two has nearly all the say
    light = [i / (STEPS - 1) for i in range(STEPS)]
    shares = tuple(one / (one + (1.0 - one) * over) for one in light)
    ends = planckian_uv(warm), planckian_uv(cool)
    found = [(shares[0], mired(cool))]
    for share, one in zip(shares[1:-1], light[1:-1], strict=True):
        both = mix((White(one, *ends[0]), White(1.0 - one, *ends[1])))
        # straight past what is too far off the locus to have a CCT (1000 K and 25000 K together)
        with contextlib.suppress(ValueError):
            found.append((share, mired(cct_and_duv(both.u, both.v)[0])))
    found.append((shares[-1], mired(warm)))
    return _Between(
        tuple(share for share, _ in found),
        tuple(itertools.accumulate((at for _, at in found), max)),
    )


def _straight(at: float, xs: tuple[float, ...], ys: tuple[float, ...]) -> float:
    """Between the points of a table; past its ends the end."""
    i = bisect.bisect_right(xs, at)
    if i in (0, len(xs)):
        return ys[0] if i == 0 else ys[-1]
    return ys[i - 1] + (ys[i] - ys[i - 1]) * (at - xs[i - 1]) / max(xs[i] - xs[i - 1], 1e-12)
