"""What a keyed screen throws on who stands before it, integrated spot by spot with numpy.

All lights are of the white the camera is balanced to, so that the dye alone makes the colour: its
green over its luminance by the matrix of IEC 61966-2-1, from memory.
"""

from __future__ import annotations

import math
from dataclasses import replace

import pytest

from studiobridge.craft.chroma import Colour
from studiobridge.figures.face import Face
from studiobridge.figures.keying import keying_of
from tests.outside.rendered import patches
from tests.outside.rendered.rooms import look_of, random_set
from tests.outside.rendered.scenes import scene_of

DYE = Colour(0.30, 0.55)
GREEN = -0.9689 * DYE.x / DYE.y + 1.8758 + 0.0415 * (1 - DYE.x - DYE.y) / DYE.y


@pytest.mark.parametrize("seed", [1, 15, 19, 28])
def test_a_screens_light_on_the_subject(seed: int) -> None:
    profile = random_set(seed)
    look = {n: replace(p, cct=4300.0) for n, p in look_of(profile).items() if n != "cloth"}
    cloth = replace(profile.devices["cloth"], glow=None, keys="green", dye=DYE)
    profile = replace(profile, devices={**profile.devices, "cloth": cloth})
    face = Face(profile)
    found = keying_of(profile, cloth, look, face.whole(look), face)
    assert found is not None
    said = next(p.value for p in found.points if p.about == "spill")
    scene = scene_of(profile, look)
    key = next(p for p in scene.panels if p.name == "key")
    thrown = GREEN * patches.spill(scene, scene.cloths[0])
    assert said == pytest.approx(math.log2(thrown / patches.at_mark(scene, key)), abs=0.1)
