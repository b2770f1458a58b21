"""Coloured light: one chromaticity, how devices spell it, how far two are apart and which way.

The house knows a colour as CIE 1931 x, y (2 degree observer). How bright it is says the level,
never the colour. Hue and saturation are HSV on the primaries, white and transfer curve of sRGB
(IEC 61966-2-1): a fixture's own red, green and blue differ, so the light on the cloth does too;
what is compared is what the fixture says of itself, in the coordinates it is told in.
"""

from __future__ import annotations

import colorsys
import math
from dataclasses import dataclass
from typing import Literal

from studiobridge.craft.colour import (
    cct_and_duv,
    delta_uv_prime,
    planckian_uv,
    srgb_of,
    uv_of_xy,
    xy_of_uv,
)

Form = Literal["hs", "rgb", "xy"]
# The places a value goes to in a message, in the order `parts_of` gives them.
PLACES: dict[Form, tuple[str, ...]] = {
    "hs": ("hue", "saturation"),
    "rgb": ("r", "g", "b"),
    "xy": ("x", "y"),
}

# The spectral locus, 390 to 700 nm: every 5 nm from 450 to 615 nm, else every 10. Computed from
# the CIE 1931 2 degree colour matching functions (CIE 15). Going round it is clockwise.
SPECTRAL: tuple[tuple[float, float], ...] = (
    (0.1738, 0.0049), (0.1733, 0.0048), (0.1726, 0.0048), (0.1714, 0.0051), (0.1689, 0.0069),
    (0.1644, 0.0109), (0.1566, 0.0177), (0.1510, 0.0227), (0.1440, 0.0297), (0.1355, 0.0399),
    (0.1241, 0.0578), (0.1096, 0.0868), (0.0913, 0.1327), (0.0687, 0.2007), (0.0454, 0.2950),
    (0.0235, 0.4127), (0.0082, 0.5384), (0.0039, 0.6548), (0.0139, 0.7502), (0.0389, 0.8120),
    (0.0743, 0.8338), (0.1142, 0.8262), (0.1547, 0.8059), (0.1929, 0.7816), (0.2296, 0.7543),
    (0.2658, 0.7243), (0.3016, 0.6923), (0.3374, 0.6588), (0.3731, 0.6245), (0.4087, 0.5896),
    (0.4441, 0.5547), (0.4788, 0.5202), (0.5125, 0.4866), (0.5448, 0.4544), (0.5752, 0.4242),
    (0.6029, 0.3965), (0.6270, 0.3725), (0.6482, 0.3514), (0.6658, 0.3340), (0.6801, 0.3197),
    (0.6915, 0.3083), (0.7079, 0.2920), (0.7190, 0.2809), (0.7260, 0.2740), (0.7300, 0.2700),
    (0.7320, 0.2680), (0.7334, 0.2666), (0.7344, 0.2656), (0.7347, 0.2653),
)  # fmt: skip
# The chords of that table cut off up to 0.0043 near 517 nm, and devices round to three digits.
EDGE = 0.005
# sRGB by its definition (IEC 61966-2-1): the chromaticities of its primaries and of its white.
PRIMARIES = ((0.6400, 0.3300), (0.3000, 0.6000), (0.1500, 0.0600))
D65 = (0.3127, 0.3290)
# A colour that red, green and blue of at least nothing come this near to (Δu′v′) can be spelled
# in them: half a just noticeable difference, and more than the rounding of three digits.
FITS = 0.002
# A white lies so near the Planckian locus (Duv), from the warmest lamps to a clear sky. ANSI
# C78.377 bins reach to about 0.006 (from memory); a lamp may be a little greener and still be
# called white.
WHITE_DUV, WHITE_KELVIN = 0.010, (2200.0, 20000.0)
# Shares of a span that differ by no more than this are one: what five written digits round off.
ALMOST = 1e-5
# As near to a hue's corner as this (radians about the white in u', v'), a colour is that hue, and
# what goes past it goes towards the next; as near to white (Δu′v′), it has no hue of its own.
AT_THE_CORNER, NEAR_WHITE = 0.15, 0.02
# Of the two ways a shift goes, the smaller is said too when it is at least this share of the other.
HALF_AS_MUCH = 0.5


@dataclass(frozen=True, slots=True)
class Colour:
    """A chromaticity, CIE 1931 x, y. Raises ValueError for one that no light can have."""

    x: float
    y: float

    def __post_init__(self) -> None:
        why = why_none(self.x, self.y)
        if why is not None:
            raise ValueError(why)

    @property
    def uv(self) -> tuple[float, float]:
        """CIE 1960 u, v."""
        return uv_of_xy(self.x, self.y)


def why_none(x: float, y: float) -> str | None:
    """Why no light has this chromaticity; None where one can have it."""
    if not (math.isfinite(x) and math.isfinite(y)):
        return f"x {x:g} and y {y:g} are no chromaticity"
    if not (0.0 <= x <= 1.0 and 0.0 < y <= 1.0 and x + y <= 1.0 + 1e-9):
        return f"x {x:.4g}, y {y:.4g} is no chromaticity: x and y lie between 0 and 1, y above 0"
    before = SPECTRAL[-1]
    for point in SPECTRAL:
        across, up = point[0] - before[0], point[1] - before[1]
        out = across * (y - before[1]) - up * (x - before[0])
        if out > EDGE * math.hypot(across, up):
            return f"no light has x {x:.4g}, y {y:.4g}: it lies outside the colours of the spectrum"
        before = point
    return None


def white_at(kelvin: float) -> Colour:
    """The chromaticity of a full radiator. Range: 1000 to 25000 K. Raises ValueError outside."""
    return Colour(*xy_of_uv(*planckian_uv(kelvin)))


def apart(a: Colour, b: Colour) -> float:
    """Distance in CIE 1976 u', v' (UCS). Source: CIE 15."""
    return delta_uv_prime(*a.uv, *b.uv)


# ---- red, green and blue ---------------------------------------------------------------------

Three = tuple[float, float, float]
Matrix = tuple[Three, Three, Three]


def _inverse(m: Matrix) -> Matrix:
    (a, b, c), (d, e, f), (g, h, i) = m
    whole = a * (e * i - f * h) - b * (d * i - f * g) + c * (d * h - e * g)
    return (
        ((e * i - f * h) / whole, (c * h - b * i) / whole, (b * f - c * e) / whole),
        ((f * g - d * i) / whole, (a * i - c * g) / whole, (c * d - a * f) / whole),
        ((d * h - e * g) / whole, (b * g - a * h) / whole, (a * e - b * d) / whole),
    )


def _times(m: Matrix, v: Three) -> Three:
    one, two, three = (sum(p * q for p, q in zip(row, v, strict=True)) for row in m)
    return one, two, three


def _xyz(x: float, y: float) -> Three:
    """Tristimulus values at Y 1."""
    return x / y, 1.0, (1.0 - x - y) / y


def _to_xyz() -> Matrix:
    """Linear sRGB to X, Y, Z, such that equal parts are the white."""
    (r, g, b) = (_xyz(*primary) for primary in PRIMARIES)
    bare: Matrix = ((r[0], g[0], b[0]), (r[1], g[1], b[1]), (r[2], g[2], b[2]))
    share = _times(_inverse(bare), _xyz(*D65))
    first, second, third = (
        (row[0] * share[0], row[1] * share[1], row[2] * share[2]) for row in bare
    )
    return first, second, third


TO_XYZ = _to_xyz()
TO_RGB = _inverse(TO_XYZ)


def _encoded(linear: float) -> float:
    if linear <= 0.0031308:
        return 12.92 * linear
    return 1.055 * math.pow(linear, 1.0 / 2.4) - 0.055


def _linear(encoded: float) -> float:
    if encoded <= 0.04045:
        return encoded / 12.92
    return math.pow((encoded + 0.055) / 1.055, 2.4)


def of_rgb(red: float, green: float, blue: float) -> Colour | None:
    """The colour of sRGB values of 0 to 1; None for black, which has none."""
    most = max(red, green, blue)
    if most <= 0.0:
        return None
    # scaled first: how bright it is changes nothing, however the curve bends
    linear = (_linear(red / most), _linear(green / most), _linear(blue / most))
    x, y, z = _times(TO_XYZ, linear)
    return Colour(x / (x + y + z), y / (x + y + z))


def rgb_of(colour: Colour) -> Three:
    """As sRGB of 0 to 1, the largest of them 1. What lies outside is cut off at the edge."""
    linear = _times(TO_RGB, _xyz(colour.x, colour.y))
    most = max(linear)
    red, green, blue = (_encoded(max(0.0, value / most)) for value in linear)
    return red, green, blue


def linear_of(x: float, y: float) -> Three:
    """A chromaticity as light in red, green and blue (linear sRGB), together as bright as 1.

    What lies outside those primaries is cut off at their edge.
    """
    red, green, blue = (max(0.0, value) for value in _times(TO_RGB, _xyz(x, y)))
    bright = sum(p * q for p, q in zip(TO_XYZ[1], (red, green, blue), strict=True))
    return red / bright, green / bright, blue / bright


def of_hs(hue: float, saturation: float) -> Colour:
    """The colour of a hue (degrees) and a saturation (0 to 1), HSV on sRGB at full value."""
    red, green, blue = colorsys.hsv_to_rgb((hue / 360.0) % 1.0, saturation, 1.0)
    found = of_rgb(red, green, blue)
    assert found is not None
    return found


def hs_of(colour: Colour) -> tuple[float, float]:
    """Hue (degrees, 0 to under 360) and saturation (0 to 1). Cut off as in `rgb_of`."""
    hue, saturation, _ = colorsys.rgb_to_hsv(*rgb_of(colour))
    return (hue * 360.0) % 360.0, saturation


def fits(colour: Colour, form: Form) -> bool:
    """Can this colour be spelled so? Any can in x and y; sRGB has no purer ones than its own."""
    if form == "xy":
        return True
    back = of_rgb(*rgb_of(colour))
    return back is not None and apart(colour, back) <= FITS


# ---- how a device spells it ------------------------------------------------------------------


def parts_of(colour: Colour, form: Form) -> tuple[float, ...]:
    """Its parts, each as a share (0 to 1) of the whole span of its place."""
    if form == "xy":
        return colour.x, colour.y
    if form == "rgb":
        return rgb_of(colour)
    hue, saturation = hs_of(colour)
    return hue / 360.0, saturation


def of_parts(form: Form, parts: tuple[float, ...]) -> Colour | None:
    """The other way. None where they say no colour at all: black. Raises ValueError."""
    if form == "xy":
        return Colour(*parts)
    if form == "rgb":
        return of_rgb(*parts)
    return of_hs(parts[0] * 360.0, parts[1])


@dataclass(frozen=True, slots=True)
class ColourGrid:
    """How finely one spelling tells colours apart: a step for each part, 0 for a float's."""

    form: Form
    steps: tuple[float, ...]

    def nearest(self, colour: Colour) -> Colour:
        """The colour the device would hold if told this one."""
        parts = tuple(
            part if step <= 0 else min(1.0, round(part / step) * step)
            for part, step in zip(parts_of(colour, self.form), self.steps, strict=True)
        )
        try:
            return of_parts(self.form, parts) or colour
        except ValueError:  # rounded out of what light can be
            return colour

    def same(self, a: Colour, b: Colour) -> bool:
        """Is every part of these two no more than half a step apart?"""
        ours, theirs = parts_of(a, self.form), parts_of(b, self.form)
        if self.form == "hs":
            # at no saturation a hue says nothing
            grey = max(ours[1], theirs[1]) <= self.steps[1] / 2 + ALMOST
            turn = abs(ours[0] - theirs[0])
            turn = 0.0 if grey else min(turn, 1.0 - turn)
            return turn <= self.steps[0] / 2 + ALMOST and (
                abs(ours[1] - theirs[1]) <= self.steps[1] / 2 + ALMOST
            )
        return all(
            abs(p - q) <= step / 2 + ALMOST
            for p, q, step in zip(ours, theirs, self.steps, strict=True)
        )


@dataclass(frozen=True, slots=True)
class ColourSteps:
    """What a device is told in and what it is heard in: neither can confirm a finer step."""

    told: ColourGrid | None
    heard: ColourGrid | None

    def same(self, wanted: Colour, said: Colour) -> bool:
        """Is what it says as near as this device can be set and can say?

        Never for a colour its spelling has no words for: that is as far off as it looks.
        """
        held = wanted
        for grid in (self.told, self.heard):
            if grid is None:
                continue
            if not fits(wanted, grid.form):
                return False
            if grid.same(wanted, said):
                return True
        if self.told is not None:
            held = self.told.nearest(wanted)
        return self.heard is not None and self.heard.same(held, said)


# ---- in words --------------------------------------------------------------------------------

# Where the hues of HSV go over into each other (degrees). Common practice, no source.
HUES = (
    (15.0, "red"),
    (45.0, "orange"),
    (70.0, "yellow"),
    (165.0, "green"),
    (195.0, "cyan"),
    (255.0, "blue"),
    (290.0, "purple"),
    (345.0, "magenta"),
    (360.0, "red"),
)
# Below this saturation (HSV) a colour is a pale one. Common practice, no source.
PALE = 0.5
TOWARDS = (
    ("redder", 0.0),
    ("yellower", 60.0),
    ("greener", 120.0),
    ("more cyan", 180.0),
    ("bluer", 240.0),
    ("more magenta", 300.0),
)


def kelvin_of(colour: Colour) -> float | None:
    """The CCT (K) of a colour that is a white; None for any other."""
    try:
        kelvin, duv = cct_and_duv(*colour.uv)
    except ValueError:
        return None
    low, high = WHITE_KELVIN
    return kelvin if abs(duv) <= WHITE_DUV and low <= kelvin <= high else None


def name_of(colour: Colour) -> str:
    """`green`, `pale blue`, `white at 4300 K`: a word for a person, never for a comparison."""
    kelvin = kelvin_of(colour)
    if kelvin is not None:
        return f"white at {round(kelvin, -1):.0f} K"
    hue, saturation = hs_of(colour)
    word = next(name for end, name in HUES if hue <= end)
    return f"pale {word}" if saturation < PALE else word


def spelled(colour: Colour) -> str:
    """`green xy 0.300 0.600`: the word, and the figures the word is too coarse for."""
    return f"{name_of(colour)} xy {colour.x:.3f} {colour.y:.3f}"


def on_screen(colour: Colour) -> str:
    """`#20ff40`: about how it looks, for drawings."""
    red, green, blue = srgb_of(*colour.uv)
    return f"#{red:02x}{green:02x}{blue:02x}"


def towards(wanted: Colour, said: Colour) -> str:
    """Which way `said` lies from `wanted`: `greener`, `bluer`, `paler`, `deeper`; "" if nowhere.

    In CIE 1976 u', v', as seen from white: straight in is paler, straight out is deeper, and
    round it the next of the six corners of sRGB says the word; where it goes both ways, the
    greater comes first. From D65 and near it, the corner that lies most nearly that way. From
    any other white, as the trade has it: along the Planckian locus warmer or cooler, across it
    greener (Duv above 0, as in ANSI C78.377) or more magenta.
    """
    u, v = _uv_prime(wanted)
    across, up = (_uv_prime(said)[0] - u, _uv_prime(said)[1] - v)
    if math.hypot(across, up) < 1e-9:
        return ""
    white_u, white_v = _uv_prime(Colour(*D65))
    out_u, out_v = u - white_u, v - white_v
    far = math.hypot(out_u, out_v)
    if far <= NEAR_WHITE:
        way = math.atan2(up, across)
        return min(_CORNERS, key=lambda corner: abs(_turn(corner[1] - way)))[0]
    kelvin = kelvin_of(wanted)
    if kelvin is not None:
        return _greater_first(*_from_white(kelvin, wanted, said))
    outward = (across * out_u + up * out_v) / far
    round_ = (up * out_u - across * out_v) / far  # positive: against the clock in u', v'
    here, side = math.atan2(out_v, out_u), math.copysign(1.0, round_)
    ahead = [(side * _turn(corner[1] - here) % math.tau, corner[0]) for corner in _CORNERS]
    return _greater_first(
        (abs(outward), "deeper" if outward > 0 else "paler"),
        (abs(round_), min(way for way in ahead if way[0] > AT_THE_CORNER)[1]),
    )


def _greater_first(*ways: tuple[float, str]) -> str:
    one, other = sorted(ways, reverse=True)
    return one[1] if other[0] < HALF_AS_MUCH * one[0] else f"{one[1]} and {other[1]}"


def _from_white(kelvin: float, wanted: Colour, said: Colour) -> tuple[tuple[float, str], ...]:
    """How far along the locus and across it, in CIE 1960 u, v, where Duv is reckoned."""
    (u0, v0), (u1, v1) = planckian_uv(kelvin * 1.01), planckian_uv(kelvin / 1.01)
    length = math.hypot(u1 - u0, v1 - v0)
    warm_u, warm_v = (u1 - u0) / length, (v1 - v0) / length
    du, dv = said.uv[0] - wanted.uv[0], said.uv[1] - wanted.uv[1]
    warmer = du * warm_u + dv * warm_v
    greener = dv * warm_u - du * warm_v  # to the left of the way to warmer: up, where v is more
    return (
        (abs(warmer), "warmer" if warmer > 0 else "cooler"),
        (abs(greener), "greener" if greener > 0 else "more magenta"),
    )


def _uv_prime(colour: Colour) -> tuple[float, float]:
    u, v = colour.uv
    return u, 1.5 * v


def _turn(angle: float) -> float:
    """An angle (radians) from -pi to pi."""
    return (angle + math.pi) % math.tau - math.pi


def _corners() -> tuple[tuple[str, float], ...]:
    white_u, white_v = _uv_prime(Colour(*D65))
    found = []
    for word, hue in TOWARDS:
        u, v = _uv_prime(of_hs(hue, 1.0))
        found.append((word, math.atan2(v - white_v, u - white_u)))
    return tuple(found)


_CORNERS = _corners()
