"""Colour in words and steps: which way a shift goes, and what a device cannot tell apart."""

from __future__ import annotations

import math
import warnings

import pytest
from hypothesis import given
from hypothesis import strategies as st

from studiobridge.craft.chroma import (
    Colour,
    ColourGrid,
    apart,
    hs_of,
    kelvin_of,
    name_of,
    of_hs,
    of_rgb,
    towards,
    white_at,
    why_none,
)

HUES = {
    0: "red",
    30: "orange",
    60: "yellow",
    120: "green",
    180: "cyan",
    240: "blue",
    300: "magenta",
}


@pytest.mark.parametrize(("hue", "name"), list(HUES.items()))
def test_the_corners_of_hsv_have_their_usual_names(hue: float, name: str) -> None:
    assert name_of(of_hs(hue, 1.0)) == name


def test_a_pale_colour_and_a_white_are_called_so() -> None:
    assert name_of(of_hs(120, 0.4)) == "pale green"
    assert name_of(white_at(4300)) == "white at 4300 K"
    assert name_of(Colour(0.3127, 0.3290)).startswith("white at 65")  # D65 is at 6504 K
    assert kelvin_of(of_hs(120, 1.0)) is None


@pytest.mark.parametrize(
    ("wanted", "said", "word"),
    [
        # from green towards yellow, cyan, white and past sRGB
        ((120, 0.9), (100, 0.9), "yellower"),
        ((120, 0.9), (150, 0.9), "more cyan"),
        ((120, 0.9), (120, 0.5), "paler"),
        ((120, 0.5), (120, 0.9), "deeper"),
        # a turn of hue either way, from between two corners
        ((90, 0.9), (70, 0.9), "yellower"),
        ((90, 0.8), (110, 0.8), "greener"),
        ((210, 0.6), (190, 0.6), "more cyan"),
        ((210, 0.6), (235, 0.6), "bluer"),
        ((330, 0.8), (350, 0.8), "redder"),
        ((330, 0.8), (310, 0.8), "more magenta"),
    ],
)
def test_the_word_for_a_shift(
    wanted: tuple[float, float], said: tuple[float, float], word: str
) -> None:
    assert word in towards(of_hs(*wanted), of_hs(*said))


@pytest.mark.parametrize(
    ("hue", "word"),
    [(0, "redder"), (120, "greener"), (240, "bluer"), (60, "yellower"), (300, "more magenta")],
)
def test_a_white_that_takes_on_a_hue_goes_towards_that_hue(hue: float, word: str) -> None:
    assert towards(Colour(0.3127, 0.3290), of_hs(hue, 0.6)) == word


def test_no_shift_has_no_word() -> None:
    assert towards(of_hs(77, 0.7), of_hs(77, 0.7)) == ""


@given(st.floats(0, 360), st.floats(0.3, 1.0), st.floats(0.05, 0.95))
def test_towards_white_is_paler_and_the_way_back_is_deeper(
    hue: float, saturation: float, share: float
) -> None:
    """Straight towards D65 in u′v′, which is a straight line in x and y too."""
    wanted = of_hs(hue, saturation)
    # as far as a colour that is no white yet
    said = Colour(wanted.x + (0.3127 - wanted.x) * share, wanted.y + (0.3290 - wanted.y) * share)
    if apart(wanted, Colour(0.3127, 0.3290)) > 0.03 and kelvin_of(wanted) is None:
        assert towards(wanted, said) == "paler"
    if apart(said, Colour(0.3127, 0.3290)) > 0.03 and kelvin_of(said) is None:
        assert towards(said, wanted) == "deeper"


@pytest.mark.parametrize("kelvin", [2700, 3200, 4300, 5000])
@pytest.mark.parametrize(
    ("mired", "duv", "word"),
    [
        (0.0, 0.006, "greener"),
        (0.0, -0.006, "more magenta"),
        (25.0, 0.0, "warmer"),
        (-25.0, 0.0, "cooler"),
    ],
)
def test_a_warm_white_goes_off_along_the_locus_or_across_it(
    kelvin: float, mired: float, duv: float, word: str
) -> None:
    """Duv above nothing is greenish, below it pinkish (ANSI C78.377, Ohno 2014); the shifted white
    by an independent reckoning of the locus (colour-science, Ohno 2013)."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        import colour as science

        shifted = 1e6 / (1e6 / kelvin + mired)
        u, v = science.temperature.CCT_to_uv_Ohno2013([shifted, duv])
        x, y = science.UCS_uv_to_xy([u, v])
    assert towards(white_at(kelvin), Colour(float(x), float(y))) == word


def test_a_grid_by_hand() -> None:
    """A hue in whole degrees: 120.4 is the same as 120, 120.6 is not; 359.8 is the same as 0."""
    grid = ColourGrid("hs", (1 / 360, 1 / 100))
    assert grid.same(of_hs(120.4, 0.9), of_hs(120.0, 0.9))
    assert not grid.same(of_hs(120.6, 0.9), of_hs(120.0, 0.9))
    assert grid.same(of_hs(359.8, 0.9), of_hs(0.0, 0.9))
    assert not grid.same(of_hs(120.0, 0.92), of_hs(120.0, 0.9))
    # with no saturation a hue says nothing
    assert grid.same(of_hs(10, 0.0), of_hs(200, 0.0))


@given(st.floats(0, 360), st.floats(0, 1), st.integers(1, 400), st.integers(1, 400))
def test_what_is_nearest_on_a_grid_is_the_same_on_it(
    hue: float, saturation: float, hues: int, saturations: int
) -> None:
    grid = ColourGrid("hs", (1 / hues, 1 / saturations))
    colour = of_hs(hue, saturation)
    held = grid.nearest(colour)
    assert grid.same(held, grid.nearest(held))
    turned, pale = hs_of(held)
    if pale > 0.01:
        steps = turned / 360.0 * hues
        assert math.isclose(steps, round(steps), abs_tol=1e-3)


@given(st.floats(), st.floats())
def test_whatever_two_floats_are_they_make_a_colour_or_a_sentence(x: float, y: float) -> None:
    why = why_none(x, y)
    if why is None:
        assert name_of(Colour(x, y))
    else:
        assert why.isprintable()
        with pytest.raises(ValueError, match=r"chromaticity|no light"):
            Colour(x, y)


@given(st.floats(0, 1), st.floats(0, 1), st.floats(0, 1))
def test_how_bright_red_green_and_blue_are_changes_no_colour(r: float, g: float, b: float) -> None:
    bright, dim = of_rgb(r, g, b), of_rgb(r / 4, g / 4, b / 4)
    if max(r, g, b) < 1e-300:
        return
    assert bright is not None
    assert dim is not None
    assert apart(bright, dim) < 1e-9
    assert of_rgb(0.0, 0.0, 0.0) is None
