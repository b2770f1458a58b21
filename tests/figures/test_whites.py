"""Whites over the whole range a profile allows, and their tint: what is known, and what is said."""

from __future__ import annotations

from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from studiobridge.craft.colour import White, cct_and_duv, mix, planckian_uv
from studiobridge.figures.face import Face, white_of
from studiobridge.figures.light import light_of
from studiobridge.profile.model import Picture, Preset
from studiobridge.shown.light import white_lines
from tests.figures.sets import CAMERA, FILL, KEY, PLUG, small

mireds = st.floats(40.0, 1000.0)
duvs = st.floats(-0.05, 0.05)


CAMERA_AT_4300 = Picture(white=4300.0)


def reading(key, fill, picture=CAMERA_AT_4300, duv=(None, None), level=60.0):  # type: ignore[no-untyped-def]
    """Key and fill at these whites, each 480 lx on the face; the key 8 lx for each percent."""
    lamps = (replace(KEY, duv=duv[0]), replace(FILL, duv=duv[1]))
    presets = {"key": Preset(level, key), "fill": Preset(80.0, fill)}
    profile = small(PLUG, *lamps, CAMERA, picture=picture, presets=presets)
    return light_of(profile, "day", presets)


def said(found):  # type: ignore[no-untyped-def]
    return dict(white_lines(found))


@given(mireds, duvs, st.booleans())
def test_every_white_a_profile_allows_comes_back_as_it_went_in(
    at: float, duv: float, daylight: bool
) -> None:
    kelvin = 1e6 / at
    picture = Picture(white=4300.0, daylight=daylight)
    found = reading(kelvin, kelvin, picture, (duv, duv))
    assert 1e6 / found.whole.cct == pytest.approx(at, abs=0.01)
    assert found.whole.duv == pytest.approx(duv, abs=1e-6)
    assert found.off_tint == pytest.approx(duv, abs=1e-6)
    assert "white" in said(found)


@given(mireds, mireds, duvs, duvs, st.booleans())
def test_a_mixed_white_is_known_or_it_is_said_why_not(
    key: float, fill: float, a: float, b: float, daylight: bool
) -> None:
    picture = Picture(white=4300.0, daylight=daylight)
    found = reading(1e6 / key, 1e6 / fill, picture, (a, b))
    if found.whole.cct is None:
        assert any("it has no CCT" in text for text in found.missing)
    else:
        low, high = sorted((key, fill))
        assert low - 0.01 <= 1e6 / found.whole.cct <= high + 0.01


def test_a_white_too_far_off_the_locus_has_no_cct_and_says_so() -> None:
    """CIE 15, from memory: no CCT farther than 0.05 from the locus. Two magenta ends mix to 0.1."""
    found = reading(1000.0, 25_000.0, duv=(-0.05, -0.05))
    assert (found.whole.cct, found.whole.duv, found.off_tint) == (None, None, None)
    assert "the mixed white is more than 0.05 off the Planckian locus: it has no CCT" in (
        found.missing
    )


@pytest.mark.parametrize("kelvin", [999.9999999, 25_000.0, 25_000.00001])
def test_an_end_of_the_range_with_its_rounding_raises_nowhere(kelvin: float) -> None:
    """40 mired is 25000 K but for rounding; CIE daylight is defined to just there."""
    for daylight in (False, True):
        found = reading(kelvin, kelvin, Picture(white=4300.0, daylight=daylight))
        assert found.whole.cct == pytest.approx(kelvin, rel=0.005)


def test_20000_kelvin_on_the_daylight_locus_has_its_line() -> None:
    found = reading(20_000.0, 20_000.0, Picture(white=6500.0, daylight=True))
    assert found.whole.cct == pytest.approx(20_000.0, rel=0.005)
    assert "white" in said(found)


def test_daylight_goes_on_without_a_step_at_4000_and_5000_kelvin() -> None:
    """A thousandth of a kelvin is no step of Duv; the loci are 0.0027 apart at 4000 K."""
    for kelvin in (4000.0, 5000.0):
        duv = [
            reading(k, k, Picture(daylight=True)).whole.duv for k in (kelvin - 1e-3, kelvin + 1e-3)
        ]
        assert abs(duv[1] - duv[0]) < 1e-5
    half_way = reading(4500.0, 4500.0, Picture(daylight=True)).whole
    assert 0.001 < half_way.duv < 0.002
    assert half_way.cct == pytest.approx(4500.0, abs=1.0)


def test_what_2700_and_6500_make_together_is_magenta_and_said_so() -> None:
    """340 lx of 2700 K and 480 lx of 6500 K beside a camera at 4300 K: its CCT within 3 mired, and
    0.006 and more below the locus."""
    found = reading(2700.0, 6500.0, level=42.5)
    mixed = mix([White(340.0, *planckian_uv(2700.0)), White(480.0, *planckian_uv(6500.0))])
    cct, duv = cct_and_duv(mixed.u, mixed.v)
    assert abs(1e6 / cct - 1e6 / 4300.0) < 3.0
    assert duv < -0.006
    assert found.whole.duv == pytest.approx(duv)
    assert found.off_tint == pytest.approx(duv)
    text = said(found)["white"]
    assert f"Duv −{abs(duv):.3f}" in text
    assert "magenta side (ANSI C78.377)" in text
    assert text.endswith(f"Duv {abs(duv):.3f} more magenta than the camera")


def test_the_cameras_own_tint_counts() -> None:
    """A camera set to where the light is has it right; set green, the light is more magenta."""
    duv = reading(2700.0, 6500.0).whole.duv
    found = reading(2700.0, 6500.0, Picture(white=reading(2700.0, 6500.0).whole.cct, duv=duv))
    assert found.off_tint == pytest.approx(0.0, abs=1e-9)
    assert said(found)["white"].endswith("as the camera is set")
    green = reading(4300.0, 4300.0, Picture(white=4300.0, duv=0.01))
    assert said(green)["white"].endswith("; Duv 0.010 more magenta than the camera")
    # which white a camera is set to is asked for, not guessed
    assert reading(4300.0, 4300.0, Picture(duv=0.01)).off_tint is None


def test_a_green_lamp_and_a_plain_one_by_hand() -> None:
    """One at Duv +0.010, one on the locus, both 4000 K, equal light: about half of it, 0.005."""
    found = reading(4000.0, 4000.0, duv=(0.01, None))
    assert found.whole.duv == pytest.approx(0.005, abs=1e-4)
    assert found.whole.cct == pytest.approx(4000.0, abs=1.0)
    assert found.tints_apart == (pytest.approx(0.01, abs=1e-6), "fill", "key")
    assert said(found)["tints"] == "Duv 0.010 from fill (magenta) to key (green)"
    assert reading(4000.0, 4000.0).tints_apart is None
    # dark it has no tint, and what is taken for granted is none either
    daylight = reading(3200.0, 5600.0, Picture(white=4300.0, daylight=True))
    assert daylight.tints_apart is None


def test_its_own_duv_says_more_than_the_locus_of_the_profile() -> None:
    plain, daylight = (white_of(5600.0, 1.0, d, 0.001) for d in (False, True))
    assert plain == daylight
    assert cct_and_duv(plain.u, plain.v) == pytest.approx((5600.0, 0.001), abs=1e-2)


@given(mireds, mireds, duvs)
def test_a_change_there_and_back_cancels_in_tint_too(a: float, b: float, duv: float) -> None:
    lamps = (replace(KEY, duv=duv), FILL)
    face = Face(small(PLUG, *lamps, CAMERA))
    one = {"key": Preset(50.0, 1e6 / a), "fill": Preset(40.0, 4000.0)}
    two = {"key": Preset(50.0, 1e6 / b), "fill": Preset(40.0, 4000.0)}
    there, back = face.change(one, two), face.change(two, one)
    if there.duv is not None:
        assert there.duv == pytest.approx(-back.duv, abs=1e-9)
        assert there.duv == pytest.approx(face.whole(two).duv - face.whole(one).duv, abs=1e-9)
