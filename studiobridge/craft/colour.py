"""Colour of white light: CCT to chromaticity and back, mixing, and how far apart two whites are.

Chromaticities are CIE 1960 u, v unless a name says otherwise: distances along and across the
Planckian locus are measured there (CIE 15, CIE 224). Ranges: 1000 to 25000 K on the locus,
4000 to 25000 K for CIE daylight.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass

from studiobridge.craft.grid import mired
from studiobridge.craft.locus import FIRST_MIRED, STEP_MIRED, UV

# Every white a profile allows, in K.
WARMEST, COOLEST = 1000.0, 25000.0
# CIE daylight is defined from the first of these to COOLEST (CIE 15). Reference whites go over
# from the full radiator to daylight between the two (CIE 224:2017, from memory).
DAYLIGHT_FROM, DAYLIGHT_WHOLLY_FROM = 4000.0, 5000.0
# Farther than this from the locus a colour has no CCT (CIE 15, from memory: 0.05 in CIE 1960).
MOST_DUV = 0.05
# Past its end by no more than rounding is at its end.
ALMOST = 1e-9
# A distance from the locus is known to this: the table has eight digits.
SURE = 1e-6


@dataclass(frozen=True, slots=True)
class White:
    """A white light at the mark: its illuminance (lx) and chromaticity (CIE 1960 u, v)."""

    lux: float
    u: float
    v: float


def uv_of_xy(x: float, y: float) -> tuple[float, float]:
    """CIE 1931 x, y to CIE 1960 u, v. Source: CIE 15. Raises ValueError where y is not above 0."""
    if not y > 0:
        raise ValueError(f"a chromaticity has y above 0, not {y:g}")
    scale = -2.0 * x + 12.0 * y + 3.0
    return 4.0 * x / scale, 6.0 * y / scale


def xy_of_uv(u: float, v: float) -> tuple[float, float]:
    """CIE 1960 u, v to CIE 1931 x, y. Source: CIE 15."""
    scale = 2.0 * u - 8.0 * v + 4.0
    return 3.0 * u / scale, 2.0 * v / scale


def is_white(kelvin: float) -> bool:
    """Is there a white on the Planckian locus at this CCT? False for NaN and past 1000-25000 K."""
    return WARMEST * (1.0 - ALMOST) <= kelvin <= COOLEST * (1.0 + ALMOST)


def planckian_uv(kelvin: float) -> tuple[float, float]:
    """Chromaticity of a full radiator. Range: 1000 to 25000 K.

    Cubic interpolation of the table in `locus.py`. Raises ValueError outside the range.
    """
    if not is_white(kelvin):
        raise ValueError(f"{kelvin:.0f} K is outside {WARMEST:.0f} to {COOLEST:.0f} K")
    return _locus(mired(kelvin))


def _locus(at: float) -> tuple[float, float]:
    """Cubic Lagrange through the four nearest points of the table."""
    place = (at - FIRST_MIRED) / STEP_MIRED
    i = min(max(math.floor(place), 1), len(UV) - 3)
    t = place - i
    # written out: it is asked for hundreds of times in every look at a picture
    w0 = -t * (t - 1.0) * (t - 2.0) / 6.0
    w1 = (t + 1.0) * (t - 1.0) * (t - 2.0) / 2.0
    w2 = -(t + 1.0) * t * (t - 2.0) / 2.0
    w3 = (t + 1.0) * t * (t - 1.0) / 6.0
    (u0, v0), (u1, v1), (u2, v2), (u3, v3) = UV[i - 1 : i + 3]
    return w0 * u0 + w1 * u1 + w2 * u2 + w3 * u3, w0 * v0 + w1 * v1 + w2 * v2 + w3 * v3


def daylight_xy(kelvin: float) -> tuple[float, float]:
    """CIE 1931 x, y of a CIE daylight phase. Range: 4000 to 25000 K. Source: CIE 15, from memory.

    Raises ValueError outside the range.
    """
    if not DAYLIGHT_FROM * (1.0 - ALMOST) <= kelvin <= COOLEST * (1.0 + ALMOST):
        raise ValueError(f"CIE daylight is defined from 4000 to 25000 K, not at {kelvin:.0f} K")
    t = kelvin
    if t <= 7000.0:
        x = -4.6070e9 / t**3 + 2.9678e6 / t**2 + 0.09911e3 / t + 0.244063
    else:
        x = -2.0064e9 / t**3 + 1.9018e6 / t**2 + 0.24748e3 / t + 0.237040
    return x, -3.000 * x * x + 2.870 * x - 0.275


def reference_uv(kelvin: float) -> tuple[float, float]:
    """The reference white at a CCT: a full radiator to 4000 K, CIE daylight from 5000 K.

    Between the two a mixture of both at equal light, by its share of the way: the two loci lie
    0.003 apart, and a change of one kelvin must not be a step of that. Source: CIE 224:2017 (as
    ANSI/IES TM-30), from memory. Range: 1000 to 25000 K. Raises ValueError outside the range.
    """
    if kelvin <= DAYLIGHT_FROM or not is_white(kelvin):
        return planckian_uv(kelvin)
    daylight = uv_of_xy(*daylight_xy(kelvin))
    share = (kelvin - DAYLIGHT_FROM) / (DAYLIGHT_WHOLLY_FROM - DAYLIGHT_FROM)
    if share >= 1.0:
        return daylight
    both = mix([White(1.0 - share, *planckian_uv(kelvin)), White(share, *daylight)])
    return both.u, both.v


def off_locus_uv(kelvin: float, duv: float) -> tuple[float, float]:
    """The chromaticity at a CCT and a distance from the Planckian locus (positive: greenish).

    Along the normal of the locus. Source: CIE 15; sign as in ANSI C78.377. Raises ValueError
    outside 1000 to 25000 K, and where there is no CCT so far off.
    """
    if not abs(duv) <= MOST_DUV * (1.0 + ALMOST):
        raise ValueError(f"a white is at most {MOST_DUV:g} off the locus, not {duv:g}")
    u, v = planckian_uv(kelvin)
    up, across = _normal(mired(kelvin))
    return u + duv * across, v + duv * up


def _normal(at: float) -> tuple[float, float]:
    """The way straight off the locus to its green side, of length 1: along v, and along u."""
    (u0, v0), (u1, v1) = _locus(at - STEP_MIRED / 2.0), _locus(at + STEP_MIRED / 2.0)
    length = math.hypot(u1 - u0, v1 - v0)
    return (u1 - u0) / length, (v0 - v1) / length


def cct_and_duv(u: float, v: float) -> tuple[float, float]:
    """CCT (K) and signed distance from the Planckian locus (positive: above, greenish).

    The nearest point of the locus in CIE 1960 u, v. Source: CIE 15; sign as in ANSI C78.377.
    Raises ValueError when the nearest point is at an end of the range, and farther than 0.05 from
    the locus, where a colour has no CCT.
    """

    def far(at: float) -> float:
        pu, pv = _locus(at)
        return (pu - u) ** 2 + (pv - v) ** 2

    apart = [(pu - u) * (pu - u) + (pv - v) * (pv - v) for pu, pv in UV]
    nearest = apart.index(min(apart))
    if nearest in (0, len(UV) - 1):
        raise ValueError("this white is outside the range of the table")
    low = FIRST_MIRED + STEP_MIRED * (nearest - 1)
    high = low + 2 * STEP_MIRED
    # golden section: the distance has one minimum between the two neighbours
    golden = (math.sqrt(5.0) - 1.0) / 2.0
    a, b = high - golden * (high - low), low + golden * (high - low)
    far_a, far_b = far(a), far(b)
    while high - low > 1e-7:
        if far_a < far_b:
            high, b, far_b = b, a, far_a
            a = high - golden * (high - low)
            far_a = far(a)
        else:
            low, a, far_a = a, b, far_b
            b = low + golden * (high - low)
            far_b = far(b)
    at = (low + high) / 2.0
    pu, pv = _locus(at)
    up, across = _normal(at)
    duv = math.copysign(math.hypot(u - pu, v - pv), (v - pv) * up + (u - pu) * across)
    # as far as the table and the search are sure of it
    if not abs(duv) <= MOST_DUV + SURE:
        raise ValueError(f"this colour is {abs(duv):.3f} off the locus, too far to have a CCT")
    return 1e6 / at, duv


def mix(whites: Iterable[White]) -> White:
    """Several whites on the same mark: illuminances add, chromaticity follows.

    Additive mixing of tristimulus values (Grassmann's laws). Raises ValueError with no light.
    """
    lux = sum_u = sum_v = weight = 0.0
    for white in whites:
        if white.lux < 0:
            raise ValueError(f"illuminance is not negative, not {white.lux:g} lx")
        # in CIE 1960, chromaticities mix in proportion to Y / v
        share = white.lux / white.v
        lux += white.lux
        weight += share
        sum_u += share * white.u
        sum_v += share * white.v
    if weight <= 0:
        raise ValueError("no light reaches the mark, so it has no colour")
    return White(lux, sum_u / weight, sum_v / weight)


def delta_uv_prime(u1: float, v1: float, u2: float, v2: float) -> float:
    """Distance in CIE 1976 u', v' of two chromaticities given in CIE 1960 u, v. Source: CIE 15."""
    return math.hypot(u1 - u2, 1.5 * (v1 - v2))


def srgb_of(u: float, v: float) -> tuple[int, int, int]:
    """A chromaticity (CIE 1960) as the brightest sRGB colour that shows it, each 0-255.

    For drawings: IEC 61966-2-1, from memory; what a screen cannot show is cut off at its edge.
    """
    x, y = xy_of_uv(u, v)
    big_x, big_z = x / y, (1.0 - x - y) / y
    linear = (
        3.2406 * big_x - 1.5372 - 0.4986 * big_z,
        -0.9689 * big_x + 1.8758 + 0.0415 * big_z,
        0.0557 * big_x - 0.2040 + 1.0570 * big_z,
    )
    most = max(linear)

    def encoded(value: float) -> int:
        share = max(0.0, value / most)
        if share <= 0.0031308:
            return round(255 * 12.92 * share)
        return round(255 * (1.055 * math.pow(share, 1 / 2.4) - 0.055))

    red, green, blue = (encoded(value) for value in linear)
    return red, green, blue
