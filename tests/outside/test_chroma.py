"""Coloured light against the colour-science library and the definitions of sRGB."""

from __future__ import annotations

import itertools
import math

import pytest

from studiobridge.craft.chroma import (
    SPECTRAL,
    Colour,
    apart,
    hs_of,
    of_hs,
    of_rgb,
    rgb_of,
    why_none,
)
from studiobridge.profile.model import Tolerance

colour = pytest.importorskip("colour", reason="colour-science is in the extra `test`")
SRGB = colour.RGB_COLOURSPACES["sRGB"]


def xy_by_library(rgb: tuple[float, float, float]) -> tuple[float, float]:
    """sRGB with its transfer curve to x, y, by IEC 61966-2-1 as the library has it."""
    xyz = colour.RGB_to_XYZ(rgb, "sRGB", apply_cctf_decoding=True)
    x, y = colour.XYZ_to_xy(xyz)
    return float(x), float(y)


def test_the_primaries_and_the_white_are_those_of_iec_61966_2_1() -> None:
    """Source: IEC 61966-2-1, table of chromaticities: R, G, B and D65."""
    for rgb, xy in [
        ((1.0, 0.0, 0.0), (0.64, 0.33)),
        ((0.0, 1.0, 0.0), (0.30, 0.60)),
        ((0.0, 0.0, 1.0), (0.15, 0.06)),
        ((1.0, 1.0, 1.0), (0.3127, 0.3290)),
        ((0.4, 0.4, 0.4), (0.3127, 0.3290)),
    ]:
        found = of_rgb(*rgb)
        assert found is not None
        assert (found.x, found.y) == pytest.approx(xy, abs=1e-9)


def test_rgb_of_a_colour_and_back_is_that_of_the_library() -> None:
    """Source: colour-science, RGB_to_XYZ with sRGB. Its matrix is rounded to four digits."""
    for rgb in itertools.product((0.0, 0.2, 0.5, 1.0), repeat=3):
        most = max(rgb)
        if most == 0.0:
            continue
        scaled = (rgb[0] / most, rgb[1] / most, rgb[2] / most)
        found = of_rgb(*rgb)
        assert found is not None
        assert (found.x, found.y) == pytest.approx(xy_by_library(scaled), abs=2e-4), rgb
        assert rgb_of(found) == pytest.approx(scaled, abs=1e-6), rgb


def test_hue_and_saturation_are_hsv_as_the_library_has_it() -> None:
    """Source: colour-science, HSV_to_RGB (Smith 1978)."""
    for degrees, saturation in itertools.product(range(0, 360, 15), (0.1, 0.5, 1.0)):
        rgb = colour.HSV_to_RGB([degrees / 360.0, saturation, 1.0])
        found = of_hs(degrees, saturation)
        assert (found.x, found.y) == pytest.approx(xy_by_library(tuple(rgb)), abs=2e-4)
        hue, back = hs_of(found)
        assert math.cos(math.radians(hue - degrees)) == pytest.approx(1.0, abs=1e-9)
        assert back == pytest.approx(saturation, abs=1e-9)


def test_the_distance_is_that_of_the_1976_diagram() -> None:
    """Source: colour-science, xy_to_Luv_uv (CIE 1976 UCS)."""
    for a, b in itertools.pairwise([(0.3, 0.6), (0.31, 0.55), (0.2, 0.1), (0.64, 0.33)]):
        ours = apart(Colour(*a), Colour(*b))
        one, two = colour.xy_to_Luv_uv(a), colour.xy_to_Luv_uv(b)
        assert ours == pytest.approx(math.dist(one, two), abs=1e-9)


def test_every_light_of_the_spectrum_is_a_colour_and_nothing_beyond_it() -> None:
    """Source: CIE 1931 2 degree colour matching functions, as colour-science has them."""
    cmfs = colour.MSDS_CMFS["CIE 1931 2 Degree Standard Observer"]
    for nm in range(390, 701):
        big_x, big_y, big_z = (float(part) for part in cmfs[nm])
        x, y = big_x / (big_x + big_y + big_z), big_y / (big_x + big_y + big_z)
        assert why_none(x, y) is None, nm
        # a little way out from white past the locus there is no light
        out = 1.05
        beyond = (0.3333 + (x - 0.3333) * out, 0.3333 + (y - 0.3333) * out)
        assert why_none(*beyond) is not None, nm


def test_the_table_of_the_spectrum_is_that_of_the_standard_observer() -> None:
    cmfs = colour.MSDS_CMFS["CIE 1931 2 Degree Standard Observer"]
    nms = [*range(390, 450, 10), *range(450, 620, 5), *range(620, 701, 10)]
    for nm, (x, y) in zip(nms, SPECTRAL, strict=True):
        xyz = [float(part) for part in cmfs[nm]]
        assert (x, y) == pytest.approx((xyz[0] / sum(xyz), xyz[1] / sum(xyz)), abs=6e-5)


def test_the_usual_tolerance_is_some_five_steps_of_macadam() -> None:
    """Source: the 25 ellipses of MacAdam 1942 (one standard deviation, axes in thousandths).

    As colour-science has them. Their mean radius in u', v' is about the 0.0011 of CIE TN 001.
    """
    radii = []
    for x, y, a, b, theta, *_ in colour.DATA_MACADAM_1942_ELLIPSES:
        centre = colour.xy_to_Luv_uv((x, y))
        axes = []
        for length, turn in ((a, 0.0), (b, 90.0)):
            angle = math.radians(theta + turn)
            end = (x + length / 1000 * math.cos(angle), y + length / 1000 * math.sin(angle))
            axes.append(colour.xy_to_Luv_uv(end) - centre)
        radii.append(math.sqrt(abs(axes[0][0] * axes[1][1] - axes[0][1] * axes[1][0])))
    mean = sum(radii) / len(radii)
    assert mean == pytest.approx(0.0011, rel=0.3)
    assert 3.0 <= Tolerance().colour / mean <= 6.0
