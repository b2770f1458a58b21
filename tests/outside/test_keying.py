"""Colours of a keyed screen against colour-science, and what a waveform says of a grey card."""

from __future__ import annotations

import math
from dataclasses import replace

import colour
import numpy as np
import pytest

from studiobridge.craft.chroma import Colour
from studiobridge.figures.keying import LEVEL
from studiobridge.profile.model import Preset
from tests.figures.test_keying import FULL, GLOWING, LAMP, PAINTED, corner, keyed, point

TO_RGB = colour.RGB_COLOURSPACES["sRGB"].matrix_XYZ_to_RGB


def linear(x: float, y: float) -> np.ndarray:
    return TO_RGB @ colour.xyY_to_XYZ((x, y, 1.0))


def white(kelvin: float) -> np.ndarray:
    uv = colour.temperature.CCT_to_uv_Ohno2013((kelvin, 0.0))
    return linear(*colour.UCS_uv_to_xy(uv))


def test_forty_and_fifty_on_the_waveform() -> None:
    """ITU-R BT.709: a grey card of 18 % is 41; what is half a stop above it is 50."""
    assert colour.models.oetf_BT709(0.18) == pytest.approx(0.41, abs=0.005)
    assert colour.models.oetf_BT709(0.18 * 2 ** LEVEL[1]) == pytest.approx(0.50, abs=0.01)


@pytest.mark.parametrize("kelvin", [2700.0, 4300.0, 9000.0])
def test_a_painted_screen_in_warm_and_cool_light(kelvin: float) -> None:
    """Dye times light, each over the camera's white, by the matrices of colour-science."""
    dye = PAINTED.dye
    assert dye is not None
    profile = corner(LAMP, PAINTED, white=4300.0, daylight=False)
    made = keyed(profile, key=Preset(100.0, kelvin))
    sent = linear(dye.x, dye.y) * white(kelvin) / white(4300.0)
    pure = math.log2(sent[1] / max(sent[0], sent[2]))
    assert point(made, "colour").value == pytest.approx(pure, abs=0.005)
    # the grey card at the face is lit by the same lamp, at half the distance
    card = 4 * 0.18 * white(kelvin) / white(4300.0)
    level = math.log2(0.3 * sent[1] / card[1])
    assert point(made, "level").value == pytest.approx(level, abs=0.005)


def test_the_light_of_a_colour_as_part_of_its_white() -> None:
    """#80ff40: red and blue turned down as its curve says, green as bright as in full white."""
    mixed = colour.models.eotf_sRGB(np.array([0x80, 0xFF, 0x40]) / 255)
    xy = colour.XYZ_to_xy(colour.RGB_COLOURSPACES["sRGB"].matrix_RGB_to_XYZ @ mixed)
    made = keyed(
        corner(LAMP, replace(GLOWING, glow=20.0), white=6504.0),
        key=FULL,
        screen=Preset(50.0, None, Colour(*map(float, xy))),
    )
    # half of 20 cd/m² of white is 10 in green, over a card of 18 % under 100 lx
    assert point(made, "level").value == pytest.approx(math.log2(10 / (18 / math.pi)), abs=0.005)
    assert point(made, "colour").value == pytest.approx(math.log2(1 / mixed[0]), abs=0.01)


def test_warm_light_through_a_dyed_cloth() -> None:
    """As bright as its glow says, whatever the dye takes away: green over the brightness of what
    comes through, the luminances of red, green and blue by the matrix of colour-science."""
    dye = PAINTED.dye
    assert dye is not None
    cloth = replace(GLOWING, dye=dye)
    made = keyed(corner(LAMP, cloth), key=FULL, screen=Preset(10.0, 2000.0))
    through = white(2000.0) * linear(dye.x, dye.y)
    bright = np.linalg.inv(TO_RGB)[1] @ through
    level = math.log2(4.0 * through[1] / bright / (18.0 / math.pi))
    assert point(made, "level").value == pytest.approx(level, abs=0.01)
