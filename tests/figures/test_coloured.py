"""What a coloured fixture does to the figures: nothing that holds for whites is said of it."""

from __future__ import annotations

from dataclasses import replace

import pytest

from studiobridge.craft.chroma import Colour
from studiobridge.figures.face import Face
from studiobridge.figures.light import light_of, whites_apart
from studiobridge.profile.model import Device, Place, Preset
from tests.figures.sets import CAMERA, FILL, KEY, PLUG, small

GREEN = Colour(0.3, 0.6)
CLOTH = Device(
    "cloth",
    "backdrop",
    fed_by="plug",
    feeds=("plug",),
    circuit="wall",
    place=Place(0.0, 0.0, 1.5),
    size=(2.0, 2.0),
    glow=60.0,
    reflects=0.3,
)
RIM = replace(KEY, name="rim", role="rim", place=Place(5.0, 3.0, 1.5, "mark"))
WHITES = {"key": Preset(50.0, 4000.0), "fill": Preset(40.0, 4000.0)}


def test_a_coloured_light_is_left_out_of_the_white_and_of_the_sum() -> None:
    """Its lux at full are of its white: what it gives in a colour nobody has said."""
    profile = small(PLUG, KEY, FILL, RIM, CAMERA)
    without = light_of(profile, "day", WHITES)
    with_rim = light_of(profile, "day", {**WHITES, "rim": Preset(80.0, None, GREEN)})
    assert with_rim.whole == without.whole
    assert [f.device for f in with_rim.fixtures] == ["key", "fill"]
    assert "rim is coloured, and its figures hold for its white: left out" in with_rim.missing
    assert not any("no CCT given for rim" in text for text in with_rim.missing)
    # a rim that is only white moves both
    white = light_of(profile, "day", {**WHITES, "rim": Preset(80.0, 3000.0)})
    assert white.whole is not None
    assert without.whole is not None
    assert white.whole.lux > without.whole.lux


def test_a_coloured_cloth_throws_no_white_forward() -> None:
    profile = small(PLUG, KEY, FILL, CLOTH, CAMERA)
    presets = {**WHITES, "cloth": Preset(80.0, None, GREEN)}
    (backdrop,) = light_of(profile, "day", presets).backdrops
    assert backdrop.spill is None
    assert backdrop.against_grey is None
    reading = light_of(profile, "day", presets)
    assert "cloth is coloured, and its figures hold for its white: left out" in reading.missing
    (lit,) = light_of(profile, "day", {**WHITES, "cloth": Preset(80.0, 4000.0)}).backdrops
    assert lit.spill is not None
    assert lit.spill > 0


def test_a_coloured_wash_lights_no_cloth() -> None:
    wash = replace(KEY, name="wash", role="wash", place=Place(2.0, -1.5, 1.5, "cloth"))
    profile = small(PLUG, KEY, FILL, CLOTH, wash, CAMERA)
    presets = {**WHITES, "wash": Preset(50.0, None, GREEN)}
    assert light_of(profile, "day", presets).backdrops == light_of(profile, "day", WHITES).backdrops


def test_a_coloured_light_still_flickers() -> None:
    """Bands do not ask for the colour."""
    rim = replace(RIM, pwm=400.0)
    profile = small(PLUG, KEY, FILL, rim, CAMERA)
    reading = light_of(profile, "day", {**WHITES, "rim": Preset(80.0, None, GREEN)})
    assert "rim" in [found.source for found in reading.banding]


def test_whites_are_compared_among_whites() -> None:
    assert whites_apart({"key": Preset(50.0, 4000.0), "cloth": Preset(50.0, None, GREEN)}) is None


@pytest.mark.parametrize(
    ("wanted", "now", "says"),
    [
        (Preset(50.0, 4000.0), Preset(50.0, None, GREEN), "key is coloured and meant to be white"),
        (Preset(50.0, None, GREEN), Preset(50.0, 4000.0), "key is white and meant to be coloured"),
    ],
)
def test_a_light_that_changed_from_one_to_the_other_leaves_the_picture_uncomputed(
    wanted: Preset, now: Preset, says: str
) -> None:
    face = Face(small())
    assert face.change({**WHITES, "key": wanted}, {**WHITES, "key": now}) is None
    assert face.turned({**WHITES, "key": wanted}, {**WHITES, "key": now}) == [says]
    # dark it changes nothing
    assert face.turned({**WHITES, "key": wanted}, {**WHITES, "key": replace(now, level=0.0)}) == []
