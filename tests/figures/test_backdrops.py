"""The light on a backdrop: all that reaches it, how even, and what it throws forward.

Worked out by hand and by sums written down here once more; the small set stands in `sets.py`.
"""

from __future__ import annotations

import math
from dataclasses import replace
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from studiobridge.craft.chroma import Colour
from studiobridge.figures.backdrops import Backdrop
from studiobridge.figures.framing import seen_on
from studiobridge.figures.light import LightReading, light_of
from studiobridge.profile.build import read_profile
from studiobridge.profile.model import Device, Output, Picture, Place, Preset, Room
from studiobridge.shown.light import backdrop_lines
from tests.figures.sets import CAMERA, FILL, KEY, PLUG, small

CONFIG = Path(__file__).parents[2] / "config"
DAY = small().looks["day"].presets
CLOTH = Device(
    "cloth",
    "backdrop",
    fed_by="plug",
    feeds=("plug",),
    circuit="wall",
    place=Place(0.0, 0.0, 1.5),
    size=(2.0, 1.6),
    reflects=0.4,
)
# 1 m in front of the cloth and 0.6 m above its middle, aimed at it
WASH = replace(
    KEY,
    name="wash",
    role="wash",
    place=Place(1.0, -0.4, 2.1, "cloth"),
    output=Output(500.0, 1.0),
    beam=120.0,
)
LIT = {"wash": Preset(50.0, 3200.0)}


def read(
    *devices: Device, presets: dict[str, Preset] | None = None, **more: object
) -> LightReading:
    return light_of(small(PLUG, KEY, FILL, *devices, **more), "day", presets or dict(DAY))


def only(reading: LightReading) -> Backdrop:
    (backdrop,) = reading.backdrops
    return backdrop


def washed(across: float, up: float, level: float = 0.5) -> float:
    """The wash on a point of the cloth: 500 lx at 1 m, inverse square, Lambert both ways."""
    ray = (across + 0.4, -1.0, up - 0.6)
    square = sum(part * part for part in ray)
    axis = (0.4, -1.0, -0.6)
    leaves = sum(a * b for a, b in zip(ray, axis, strict=True)) / math.sqrt(square * (1.52))
    return level * 500.0 / square * leaves / math.sqrt(square)


# ---- what reaches it ------------------------------------------------------------------------


def test_lights_aimed_at_the_mark_light_the_cloth_behind_it_too() -> None:
    """Key 5.83 m and fill 5.66 m from its middle, each a little off its axis; a beam of 90 falls
    with the square of the cosine, for cos 45 degrees squared is a half."""
    found = only(read(CAMERA, CLOTH))
    key = 25_000 * 0.5 / 34 * (5 / math.sqrt(34)) * (29 / (5 * math.sqrt(34))) ** 2
    fill = 25_000 * 0.4 / 32 * (4 / math.sqrt(32)) * (28 / (5 * math.sqrt(32))) ** 2
    assert found.points is not None
    assert found.points[2] == pytest.approx(key + fill)
    assert found.incident == pytest.approx(math.log2((key + fill) / 640))
    assert found.against_grey == pytest.approx(math.log2((key + fill) * 0.4 / (640 * 0.18)))


def test_the_cloth_of_the_wheel_corner() -> None:
    """Reckoned here once more from the file's own figures: the small lamps alone gave it 47 lx."""
    profile = read_profile(CONFIG / "wheel-corner.yaml").profile
    found = only(light_of(profile, "lesson", profile.looks["lesson"].presets))
    lights = (  # lx at 1 m, share, beam, across, from the back, height, what it is aimed at
        (1900, 0.64, 95, -1.1, 2.05, 1.95, (0.0, 0.88, 1.28)),
        (1750, 0.32, 110, 1.15, 2.1, 1.6, (0.0, 0.88, 1.28)),
        (260, 0.5, 120, -1.3, 0.85, 1.7, (0.0, 0.18, 1.2)),
        (260, 0.5, 120, 1.3, 0.85, 1.7, (0.0, 0.18, 1.2)),
        # the rim at 30 % of its dial, measured: 17 %; the cloth is just at the edge of its beam
        (520, 0.17, 60, 0.95, 0.3, 2.1, (0.0, 0.88, 1.28)),
    )
    total = 0.0
    for lux, share, beam, x, y, z, aim in lights:
        ray, axis = (-x, 0.18 - y, 1.2 - z), (aim[0] - x, aim[1] - y, aim[2] - z)
        square = sum(part * part for part in ray)
        along = sum(a * b for a, b in zip(ray, axis, strict=True)) / math.hypot(*axis)
        power = math.log(0.5) / math.log(math.cos(math.radians(beam / 2)))
        leaves = (along / math.sqrt(square)) ** power
        total += lux * share / square * leaves * -ray[1] / math.sqrt(square)
    middle = found.field[len(found.field) // 2]
    assert total == pytest.approx(318.7, abs=0.1)
    # the same to the nearness of faces that are no points
    assert middle.lux == pytest.approx(total, rel=0.03)
    assert found.incident == pytest.approx(-0.4, abs=0.06)
    assert found.against_grey == pytest.approx(0.95, abs=0.06)


def test_what_is_left_out_of_it_is_said() -> None:
    profile = read(
        CAMERA,
        CLOTH,
        replace(WASH, beam=None, place=Place(3.0, 1.0, 2.0, "mark")),
        presets={**DAY, **LIT},
    )
    assert "no beam angle given for wash: left out of the light on cloth" in profile.missing
    without = only(read(CAMERA, CLOTH))
    assert only(profile).points == without.points
    aimless = read(CAMERA, CLOTH, replace(WASH, place=Place(3.0, 1.0, 2.0)), presets=LIT)
    assert "no aim given for wash: left out of the light on cloth" in aimless.missing
    placeless = read(CAMERA, CLOTH, replace(WASH, place=None), presets=LIT)
    assert "no place given for wash: left out of the light on cloth" in placeless.missing
    # dark, or behind it, nothing of it is missed
    dark = read(CAMERA, CLOTH, replace(WASH, place=None), presets={"wash": Preset(0.0, 3200.0)})
    behind = replace(WASH, place=Place(-0.5, 0.0, 1.5, "mark"), output=None)
    for reading in (dark, read(CAMERA, CLOTH, behind, presets=LIT)):
        assert not any("cloth" in text for text in reading.missing)


# ---- how even -------------------------------------------------------------------------------


def test_evenness_is_over_the_whole_cloth_where_no_lens_is_known() -> None:
    """Brightest just below the lamp, darkest in the corner farthest from it."""
    found = only(read(CAMERA, CLOTH, WASH, presets=LIT))
    values = [washed(-1 + 0.25 * i, -0.8 + 0.2 * j) for i in range(9) for j in range(9)]
    assert found.spread == pytest.approx(math.log2(max(values) / min(values)))
    assert found.worst == pytest.approx(math.log2(washed(1.0, -0.8) / washed(0.0, 0.0)))
    assert (found.where, found.in_picture, found.as_seen) == ("lower right", False, True)
    for spot in found.field:
        assert spot.lux == pytest.approx(washed(spot.across, spot.up))
        assert spot.luminance == pytest.approx(0.4 * spot.lux / math.pi)
    assert (found.field[0].across, found.field[0].up) == (-1.0, -0.8)
    assert (found.field[8].across, found.field[8].up) == (1.0, -0.8)


def test_evenness_is_over_the_part_in_the_picture() -> None:
    """A sensor of 24 x 18 mm behind 60 mm, focused at the mark 3 m away (61.2 mm), sees 1.57 x 1.18 m
    of the cloth 4 m away."""
    lens = Picture(focal=60.0, sensor=(24.0, 18.0))
    found = only(read(CAMERA, CLOTH, WASH, presets=LIT, picture=lens))
    wide, high = 4 * 12 / 61.224, 4 * 9 / 61.224
    values = [washed(wide * (i / 4 - 1), high * (j / 4 - 1)) for i in range(9) for j in range(9)]
    assert found.in_picture
    assert found.spread == pytest.approx(math.log2(max(values) / min(values)), rel=1e-3)
    ((_, text),) = backdrop_lines(found)
    assert f"even within {found.spread:.1f} stops in the picture, lower right" in text
    assert "under its middle" in text
    # the field is that of the whole cloth all the same
    assert found.field[0].across == -1.0


@pytest.mark.parametrize("across", [-2.5, 2.5])
def test_from_aside_the_picture_shows_a_part_with_slanted_edges(across: float) -> None:
    """Against every point of 120 x 120 that the picture shows."""
    aside = replace(CAMERA, place=Place(3.0, across, 2.6, "mark"))
    profile = small(PLUG, WASH, aside, CLOTH, picture=Picture(focal=85.0, sensor=(24.0, 18.0)))
    found = only(light_of(profile, "day", LIT))
    seen = seen_on(profile, CLOTH)
    assert seen is not None
    assert len(seen.part) > 0
    steps = [(i + 0.5) / 120 - 0.5 for i in range(120)]
    shown = [washed(2 * s, 1.6 * t) for s in steps for t in steps if seen.shows((2 * s, 1.6 * t))]
    assert 500 < len(shown) < 14_000
    assert found.spread == pytest.approx(math.log2(max(shown) / min(shown)), abs=0.1)


def test_own_light_evens_it_out_and_without_a_reflectance_the_light_on_it_is_judged() -> None:
    """20 cd/m2 everywhere, and 0.4 / pi of the light on it."""
    lit = {**LIT, "cloth": Preset(50.0, 4000.0)}
    found = only(read(CAMERA, replace(CLOTH, glow=40.0), WASH, presets=lit))
    values = [washed(-1 + 0.25 * i, -0.8 + 0.2 * j) for i in range(9) for j in range(9)]
    low, high = (20 + 0.4 / math.pi * part(values) for part in (min, max))
    assert found.as_seen
    assert found.spread == pytest.approx(math.log2(high / low))
    pale = only(read(CAMERA, replace(CLOTH, glow=40.0, reflects=None), WASH, presets=lit))
    assert not pale.as_seen
    assert pale.spread == pytest.approx(math.log2(max(values) / min(values)))
    assert {spot.luminance for spot in pale.field} == {None}


@given(
    st.floats(-1.5, 1.5),
    st.floats(0.3, 3.0),
    st.floats(0.5, 2.5),
    st.sampled_from([None, (0.6, 0.3)]),
)
@settings(max_examples=20)
def test_a_mirrored_set_has_a_mirrored_field_and_two_halves_are_a_whole(
    across: float, out: float, height: float, size: tuple[float, float] | None
) -> None:
    def lit(side: float, *names: str) -> Backdrop:
        # aimed at a place beside the mark, so that nothing of it is symmetric
        stand = replace(CAMERA, name="stand", place=Place(0.4, side * 0.7, 1.0))
        lamp = replace(
            WASH,
            place=Place(out, side * across, height, "stand"),
            output=Output(500.0 / len(names), 1.0),
            size=size,
        )
        lamps = [replace(lamp, name=name) for name in names]
        presets = {name: Preset(50.0, 3200.0) for name in names}
        return only(read(CAMERA, CLOTH, stand, *lamps, presets=presets))

    one, other, halves = lit(1.0, "wash"), lit(-1.0, "wash"), lit(1.0, "wash", "half")
    for i, spot in enumerate(one.field):
        turned = other.field[9 * (i // 9) + 8 - i % 9]
        assert turned.lux == pytest.approx(spot.lux, rel=1e-9, abs=1e-9)
        assert halves.field[i].lux == pytest.approx(spot.lux, rel=1e-9, abs=1e-9)
    assert other.spill == pytest.approx(one.spill)
    assert halves.spill == pytest.approx(one.spill)


# ---- what it throws forward -----------------------------------------------------------------


def test_a_painted_cloth_throws_what_it_reflects() -> None:
    """Summed over 40 x 40 patches of it, each a Lambert source: L cos cos / r2, 1 m before it."""
    found = only(read(CAMERA, CLOTH, WASH, presets=LIT))
    total, steps = 0.0, [(i + 0.5) / 40 - 0.5 for i in range(40)]
    for s in steps:
        for t in steps:
            x, z = 2.0 * s, 1.6 * t
            luminance = 0.4 * washed(x, z) / math.pi
            total += luminance / (1 + x * x + z * z) ** 2 * (2.0 * 1.6 / 1600)
    assert found.spill == pytest.approx(total, rel=0.01)
    assert found.spill_glow == 0.0
    assert found.spill_cct == pytest.approx(3200.0, abs=0.5)


def test_the_white_of_the_spill_is_that_of_glow_and_reflected_light_together() -> None:
    """In CIE 1960 u, v whites mix by Y / v (Grassmann); 3200 and 4000 K from colour-science."""
    lit = {**LIT, "cloth": Preset(50.0, 4000.0)}
    found = only(read(CAMERA, replace(CLOTH, glow=40.0), WASH, presets=lit))
    reflected = found.spill - found.spill_glow
    assert found.spill_glow > 1.0
    assert reflected == pytest.approx(only(read(CAMERA, CLOTH, WASH, presets=LIT)).spill)
    warm, cool = reflected / 0.34488, found.spill_glow / 0.33439
    u = (warm * 0.24399 + cool * 0.22511) / (warm + cool)
    assert found.spill_white.u == pytest.approx(u, abs=2e-5)
    assert 3200 < found.spill_cct < 4000
    ((_, text),) = backdrop_lines(found)
    assert f"throws {found.spill:.0f} lx of 3" in text


def test_the_spill_of_a_screen_that_is_keyed_is_of_its_colour() -> None:
    found = only(read(CAMERA, replace(CLOTH, keys="green"), WASH, presets=LIT))
    assert found.spill == pytest.approx(only(read(CAMERA, CLOTH, WASH, presets=LIT)).spill)
    assert (found.keys, found.spill_white, found.spill_cct) == ("green", None, None)
    ((_, text),) = backdrop_lines(found)
    assert f"throws {found.spill:.0f} lx of its green on the subject's back" in text


def test_a_screen_that_glows_white_throws_no_green() -> None:
    """What strips are lit white throws white; a cloth that is dyed stays green in any white."""
    glows = replace(CLOTH, keys="green", glow=40.0)
    lit = {**LIT, "cloth": Preset(50.0, 4000.0)}
    found = only(read(CAMERA, glows, WASH, presets=lit))
    plain = only(read(CAMERA, replace(glows, keys=None), WASH, presets=lit))
    assert (found.spill, found.spill_cct) == (plain.spill, plain.spill_cct)
    ((_, text),) = backdrop_lines(found)
    assert "of its green" not in text and " K on the subject's back" in text
    dyed = only(read(CAMERA, replace(glows, dye=Colour(0.3, 0.6)), WASH, presets=lit))
    assert dyed.keys == "green"


def test_without_a_reflectance_the_spill_is_named_as_missing() -> None:
    found = read(CAMERA, replace(CLOTH, reflects=None), WASH, presets=LIT)
    assert only(found).spill is None
    assert "no reflectance given for cloth: its spill not computed" in found.missing


def test_a_narrow_spot_throws_no_less_than_nothing() -> None:
    """One degree on 20 m of cloth is seen by one of the points it is known by, two patches from
    what the back is near to: curves through such points swing below nothing there."""
    wide = replace(CLOTH, place=Place(0.0, -4.0, 1.3), size=(20.0, 16.0))
    spot = replace(WASH, place=Place(1.0, -4.0, 1.3, "cloth"), beam=1.0)
    room = Room(mark=Place(0.3, -0.25, 2.3))
    found = only(read(CAMERA, wide, spot, presets=dict(LIT), room=room))
    assert found.spill is not None and math.copysign(1.0, found.spill) == 1.0
