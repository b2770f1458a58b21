"""Mired shifts against published filter tables, and the bins of white light."""

from __future__ import annotations

import pytest

from studiobridge.craft.colour import cct_and_duv, planckian_uv, srgb_of, uv_of_xy
from studiobridge.craft.grid import mired


@pytest.mark.parametrize(
    ("name", "before", "after", "shift"),
    [
        # published filter tables
        ("85", 5500, 3400, 112),
        ("85B", 5500, 3200, 131),
        ("80A", 3200, 5500, -131),
        ("80B", 3400, 5500, -112),
        ("80C", 3800, 5500, -81),
        ("80D", 4200, 5500, -56),
        # gel makers' swatch books, from memory
        ("full CTO", 6500, 3200, 159),
    ],
)
def test_conversion_filters(name: str, before: float, after: float, shift: float) -> None:
    assert mired(after) - mired(before) == pytest.approx(shift, abs=1.0), name


@pytest.mark.parametrize(
    ("nominal", "centre", "half"),
    [
        (2700, 2725, 145),
        (3000, 3045, 175),
        (3500, 3465, 245),
        (4000, 3985, 275),
        (4500, 4503, 243),
        (5000, 5028, 283),
        (5700, 5665, 355),
        (6500, 6530, 510),
    ],
)
def test_white_bins_hold_their_own_centre(nominal: int, centre: float, half: float) -> None:
    """ANSI C78.377, from memory: a light on the locus at the centre measures inside its bin."""
    cct, duv = cct_and_duv(*planckian_uv(centre))
    assert abs(cct - centre) < 0.5
    assert abs(cct - nominal) <= half
    assert abs(duv) < 1e-6


def test_d65_is_white_on_a_screen() -> None:
    """IEC 61966-2-1: the white of sRGB is D65."""
    assert srgb_of(*uv_of_xy(0.3127, 0.3290)) == pytest.approx((255, 255, 255), abs=1)


def test_warm_is_warm_on_a_screen() -> None:
    red, green, blue = srgb_of(*planckian_uv(3000))
    assert red > green > blue
