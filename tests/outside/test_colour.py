"""Colour against CIE values, the filter tables and the colour-science library."""

from __future__ import annotations

import math

import pytest

from studiobridge.craft.colour import (
    White,
    cct_and_duv,
    daylight_xy,
    delta_uv_prime,
    mix,
    off_locus_uv,
    planckian_uv,
    reference_uv,
    uv_of_xy,
    xy_of_uv,
)

colour = pytest.importorskip("colour", reason="colour-science is in the extra `test`")


def test_planckian_values_computed_with_colour_science_ohno_2013() -> None:
    """Source: colour-science, Ohno 2013; quoted values."""
    for kelvin, u, v in [
        (3200, 0.24399, 0.34488),
        (4000, 0.22511, 0.33439),
        (5600, 0.20610, 0.31746),
    ]:
        assert planckian_uv(kelvin) == pytest.approx((u, v), abs=2e-5)


def test_illuminant_a_is_on_the_locus() -> None:
    """Source: CIE 15, illuminant A at 2856 K: x 0.44757, y 0.40745."""
    assert xy_of_uv(*planckian_uv(2856)) == pytest.approx((0.44757, 0.40745), abs=1e-4)
    cct, duv = cct_and_duv(*uv_of_xy(0.44757, 0.40745))
    assert cct == pytest.approx(2856, abs=1.5)
    assert abs(duv) < 1e-4


def test_daylight() -> None:
    """Source: CIE 15: D65 x 0.31272 y 0.32903 at 6504 K; D55 x 0.33243 y 0.34755 at 5503 K."""
    assert daylight_xy(6504) == pytest.approx((0.31272, 0.32903), abs=1e-4)
    assert daylight_xy(5503) == pytest.approx((0.33243, 0.34755), abs=1e-4)
    cct, duv = cct_and_duv(*uv_of_xy(0.31272, 0.32903))
    assert cct == pytest.approx(6504, abs=3)
    assert duv == pytest.approx(0.0032, abs=2e-4)


def test_the_whole_range_against_colour_science() -> None:
    """Reference library: colour-science, Ohno 2013, 2000 to 10000 K: 1 K and 1e-4."""
    for kelvin in range(2000, 10001, 250):
        for duv in (-0.01, 0.0, 0.006):
            uv = colour.temperature.CCT_to_uv_Ohno2013([float(kelvin), duv])
            cct, across = cct_and_duv(float(uv[0]), float(uv[1]))
            assert cct == pytest.approx(kelvin, abs=1.0), (kelvin, duv)
            assert across == pytest.approx(duv, abs=1e-4), (kelvin, duv)


def test_there_and_back() -> None:
    for kelvin in range(2000, 12000, 137):
        cct, duv = cct_and_duv(*planckian_uv(kelvin))
        assert cct == pytest.approx(kelvin, rel=1e-6)
        assert abs(duv) < 1e-8


def test_mixing_against_tristimulus_values() -> None:
    """Grassmann's laws with colour-science's own xyY to XYZ."""
    a, b = planckian_uv(3200), planckian_uv(5600)
    mixed = mix([White(300.0, *a), White(700.0, *b)])
    xyz = sum(colour.xyY_to_XYZ([*xy_of_uv(u, v), lux]) for lux, (u, v) in ((300.0, a), (700.0, b)))
    x, y = xyz[0] / xyz.sum(), xyz[1] / xyz.sum()
    assert xy_of_uv(mixed.u, mixed.v) == pytest.approx((x, y), abs=1e-9)
    assert mixed.lux == 1000.0


def test_a_difference_in_u_prime_v_prime() -> None:
    """Source: CIE 15: u' = u, v' = 1.5 v."""
    assert delta_uv_prime(0.2, 0.3, 0.2, 0.31) == pytest.approx(0.015)
    assert delta_uv_prime(0.2, 0.3, 0.203, 0.3) == pytest.approx(0.003)


@pytest.mark.parametrize("kelvin", [1000.0, 1100.0, 1500.0, 1923.0, 12_500.0, 18_000.0, 25_000.0])
def test_the_ends_of_the_range_from_planck_s_law(kelvin: float) -> None:
    """Reference library: colour-science's own Planckian and observer, 360 to 830 nm, CIE 15."""
    shape = colour.SpectralShape(360, 830, 1)
    radiator = colour.sd_blackbody(kelvin, shape)
    observer = colour.MSDS_CMFS["CIE 1931 2 Degree Standard Observer"].copy().align(shape)
    xyz = colour.colorimetry.sd_to_XYZ_integration(radiator, observer)
    x, y = xyz[0] / xyz.sum(), xyz[1] / xyz.sum()
    assert planckian_uv(kelvin) == pytest.approx(uv_of_xy(x, y), abs=2e-5)
    cct, duv = cct_and_duv(*planckian_uv(kelvin))
    assert cct == pytest.approx(kelvin, rel=1e-6)
    assert abs(duv) < 1e-8


@pytest.mark.parametrize("kelvin", [0.0, -5.0, 500.0, 999.9, 25000.1, 40000.0, math.nan])
def test_what_cannot_be_is_refused(kelvin: float) -> None:
    with pytest.raises(ValueError):
        planckian_uv(kelvin)


def test_no_light_has_no_colour() -> None:
    with pytest.raises(ValueError, match="no light"):
        mix([])


@pytest.mark.parametrize("kelvin", [2700.0, 4300.0, 6500.0])
def test_a_little_green_makes_the_duv_greater_and_a_little_magenta_less(kelvin: float) -> None:
    """ANSI C78.377, from memory: Duv is positive above the locus, to the green. The green of sRGB
    (IEC 61966-2-1: x 0.30, y 0.60), and its red and blue at equal light for magenta."""
    white = White(100.0, *planckian_uv(kelvin))
    green = White(4.0, *uv_of_xy(0.30, 0.60))
    magenta = mix([White(2.0, *uv_of_xy(0.64, 0.33)), White(2.0, *uv_of_xy(0.15, 0.06))])
    for tinge, sign in ((green, 1.0), (magenta, -1.0)):
        mixed = mix([white, tinge])
        assert cct_and_duv(mixed.u, mixed.v)[1] * sign > 0.0005


def test_off_the_locus_along_its_normal_against_colour_science() -> None:
    """Reference library: colour-science, Ohno 2013. Sign as in ANSI C78.377, from memory: above is
    positive and greenish. CIE 15, from memory: no CCT farther than 0.05 away."""
    for kelvin in range(2000, 20001, 500):
        for duv in (-0.02, -0.006, 0.006, 0.02):
            uv = colour.temperature.CCT_to_uv_Ohno2013([float(kelvin), duv])
            u, v = off_locus_uv(kelvin, duv)
            assert (u, v) == pytest.approx((uv[0], uv[1]), abs=3e-5), (kelvin, duv)
    for duv in (0.0501, -0.0501, math.nan):
        with pytest.raises(ValueError, match="off the locus"):
            off_locus_uv(4000.0, duv)


@pytest.mark.parametrize(
    "kelvin", [3000.0, 3999.0, 4001.0, 4250.0, 4500.0, 4999.0, 5001.0, 9000.0, 25_000.0]
)
def test_the_reference_white_against_colour_science(kelvin: float) -> None:
    """Reference library: colour-science's reference illuminant of CIE 224:2017, by spectra."""
    shape = colour.SpectralShape(380, 780, 1)
    spectrum = colour.quality.cfi2017.sd_reference_illuminant(kelvin, shape)
    observer = colour.MSDS_CMFS["CIE 1931 2 Degree Standard Observer"].copy().align(shape)
    xyz = colour.colorimetry.sd_to_XYZ_integration(spectrum, observer)
    x, y = xyz[0] / xyz.sum(), xyz[1] / xyz.sum()
    assert reference_uv(kelvin) == pytest.approx(uv_of_xy(x, y), abs=1e-4)


@pytest.mark.parametrize("kelvin", [4000.0, 5000.0, 6500.0, 15_000.0, 20_000.0, 25_000.0])
def test_daylight_over_its_whole_range_against_colour_science(kelvin: float) -> None:
    """Reference library: colour-science, `CCT_to_xy_CIE_D`."""
    assert daylight_xy(kelvin) == pytest.approx(
        tuple(colour.temperature.CCT_to_xy_CIE_D(kelvin)), abs=1e-9
    )
