"""The screen of a picture: evenness against the light itself, its colour against colour-science."""

from __future__ import annotations

import math
from dataclasses import replace

import cv2
import numpy as np
import pytest
from scipy import stats

from studiobridge.craft.mark import evenness
from studiobridge.profile.model import Device, Look, Preset, Region
from studiobridge.witness.blocks import FINE as PART
from studiobridge.witness.blocks import means
from studiobridge.witness.contours import FINE, contours
from studiobridge.witness.learned import Curve
from studiobridge.witness.less_even import KeptScreen
from studiobridge.witness.screen import Made, hue_of, screen, screen_map
from studiobridge.witness.seeing import Seeing
from tests.figures.sets import small
from tests.witness.little_room import CARD, SCREEN, LittleRoom, person, region_of

SHAPE = (540, 960)
LOOK = {"key": 0.5, "fill": 0.7, "cloth": 0.9, "rim": 0.6}
BRIGHT = np.array([0.0722, 0.7152, 0.2126])


@pytest.fixture(scope="module")
def room() -> LittleRoom:
    return LittleRoom(4, SHAPE)


def places(light: np.ndarray, clear: np.ndarray | None = None) -> list[float]:
    """Nine by nine places of the screen by hand; scipy cuts off the outermost pixels of each."""
    part = light[region_of(SCREEN, SHAPE)] @ BRIGHT
    seen = np.ones(part.shape, bool) if clear is None else clear[region_of(SCREEN, SHAPE)]
    found = []
    for rows in np.array_split(np.arange(part.shape[0]), 9):
        for columns in np.array_split(np.arange(part.shape[1]), 9):
            block, there = part[np.ix_(rows, columns)], seen[np.ix_(rows, columns)]
            if there.mean() >= 0.4:
                found.append(float(stats.trim_mean(block[there], 0.05)))
    return found


def by_the_lamps(room: LittleRoom, amounts: dict[str, float], off: float = 0.05) -> Made:
    """What was learned of the lamps, times how bright each is, in parts of 4 px."""
    made = sum(np.float32(amounts[s.device]) * s.light for s in room.learned.shares)
    parts = means(np.asarray(room.learned.dark + made, np.float32), PART)
    return Made(parts, np.full(parts.shape[:2], off, np.float32))


@pytest.mark.parametrize("who", [None, 0.5, 0.35])
def test_evenness_is_that_of_the_light_before_the_camera(
    room: LittleRoom, who: float | None
) -> None:
    light, usable, clear = room.light(LOOK), None, None
    if who is not None:
        light, mask = person(light, who)
        usable, clear = ~mask, cv2.dilate(mask.astype(np.uint8), np.ones((17, 17))) == 0
    found = screen(room.learned, room.curve.linear(room.frame(light)), usable)
    truth = evenness(places(light, clear))
    assert found is not None
    assert found.even.value == pytest.approx(truth, abs=0.1)  # what is asked
    assert found.even.low <= truth <= found.even.high
    assert found.even.high - found.even.low < 0.3
    hidden = 0.0 if usable is None else float((~usable[region_of(SCREEN, SHAPE)]).mean())
    assert found.covered == pytest.approx(hidden, abs=0.01)


def test_the_worst_corner_is_named_with_its_stops(room: LittleRoom) -> None:
    light = np.full((*SHAPE, 3), 0.3, np.float32)
    ys, xs = region_of(SCREEN, SHAPE)
    light[ys.start : ys.start + 40, xs.stop - 120 : xs.stop] *= 2.0**-0.7
    found = screen(room.learned, room.curve.linear(room.frame(light)))
    assert found is not None
    assert (found.worst, found.worst_stops) == ("upper right", pytest.approx(-0.7, abs=0.05))
    light[ys.stop - 40 : ys.stop, xs.start : xs.start + 120] *= 2.0**1.0
    found = screen(room.learned, room.curve.linear(room.frame(light)))
    assert found is not None
    assert (found.worst, found.worst_stops) == ("lower left", pytest.approx(1.0, abs=0.05))
    assert found.even.value == pytest.approx(1.7, abs=0.05)


def test_less_even_than_kept_is_over_what_is_seen_in_both(room: LittleRoom) -> None:
    kept = room.curve.linear(room.frame(room.light(LOOK)))
    now = room.light({**LOOK, "key": 1.1})
    wants = evenness(places(now)) - evenness(places(room.light(LOOK)))
    found = screen(
        room.learned, room.curve.linear(room.frame(now)), kept=KeptScreen(room.learned, kept)
    )
    assert found is not None and found.change == pytest.approx(wants, abs=0.05)


def test_what_was_left_out_of_the_kept_picture_is_no_darkness_in_it(room: LittleRoom) -> None:
    """Where somebody stood the kept picture has no light at all; nothing has changed since."""
    now = room.curve.linear(room.frame(room.light(LOOK)))
    counts = np.ones(SHAPE, bool)
    ys, xs = region_of(SCREEN, SHAPE)
    counts[ys.start + 20 : ys.stop, xs.start + 30 : xs.start + 110] = False
    kept = np.where(counts[..., None], now, 0.0).astype(np.float32)
    found = screen(room.learned, now, kept=KeptScreen(room.learned, kept, counts))
    assert found is not None and found.change == pytest.approx(0.0, abs=0.05)
    nothing = KeptScreen(room.learned, kept, np.zeros(SHAPE, bool))
    none = screen(room.learned, now, kept=nothing)
    assert none is not None and none.change is None


def test_the_screen_against_the_card_and_against_a_face_that_is_there(room: LittleRoom) -> None:
    light = room.light(LOOK)
    codes = room.curve.linear(room.frame(light))
    ys, xs = region_of(CARD, SHAPE)
    card = float((light[ys, xs] @ BRIGHT).mean())
    found = screen(room.learned, codes)
    middle = float(np.median(places(light)))
    assert found is not None
    assert found.against_face == pytest.approx(math.log2(middle / card), abs=0.1)
    without = replace(room.learned, card=None)
    nobody = screen(without, codes, np.ones(SHAPE, bool))
    assert nobody is not None and nobody.against_face is None
    there, mask = person(light, 0.5)
    somebody = screen(without, room.curve.linear(room.frame(there)), ~mask)
    assert somebody is not None and somebody.against_face is not None


@pytest.mark.parametrize(
    "rgb", [(0.2, 0.6, 0.15), (0.1, 0.2, 0.7), (0.5, 0.3, 0.2), (0.4, 0.41, 0.4), (1.0, 0.0, 0.0)]
)
def test_hue_is_that_of_colour_science(rgb: tuple[float, float, float]) -> None:
    import colour

    space = colour.RGB_COLOURSPACES["ITU-R BT.709"]

    def uv(linear: tuple[float, float, float]) -> np.ndarray:
        xyz = space.matrix_RGB_to_XYZ @ np.array(linear)
        return np.asarray(colour.xy_to_Luv_uv(colour.XYZ_to_xy(xyz)))

    off = uv(rgb) - uv((1.0, 1.0, 1.0))
    hue, saturation = hue_of(np.array(rgb[::-1]))
    assert hue is not None and saturation is not None
    wants = math.degrees(math.atan2(off[1], off[0])) % 360
    assert abs((hue - wants + 180) % 360 - 180) < 1.5
    # as far out as the purest light of this hue, found by taking white away until nothing is left
    least = min(rgb)
    purest = tuple(c - least for c in rgb)
    ray = uv(purest) - uv((1.0, 1.0, 1.0))
    assert saturation == pytest.approx(float(np.hypot(*off) / np.hypot(*ray)), abs=0.02)


def test_of_no_colour_and_of_no_light() -> None:
    assert hue_of(np.array([0.4, 0.4, 0.4])) == (None, 0.0)
    assert hue_of(np.zeros(3)) == (None, None)


def test_where_it_is_clipped_the_band_says_that_it_may_be_far_worse(room: LittleRoom) -> None:
    light = room.light(LOOK) * np.float32(4.0)
    found = screen(room.learned, room.curve.linear(room.frame(light)))
    truth = evenness(places(light))
    assert found is not None and found.even.value < truth - 0.1
    assert found.even.low <= truth <= found.even.high


def test_what_is_no_screen_says_nothing(room: LittleRoom) -> None:
    light = room.curve.linear(room.frame(room.light(LOOK)))
    assert screen(room.learned, np.zeros_like(light)) is None
    assert screen(room.learned, np.full_like(light, np.nan)) is None
    assert screen(room.learned, light[:100]) is None
    assert screen(room.learned, light, np.zeros(SHAPE, bool)) is None
    assert screen_map(room.learned, np.zeros_like(light)) is None


def test_a_keyed_screen_is_judged_in_its_own_channel(room: LittleRoom) -> None:
    light = np.full((*SHAPE, 3), 0.3, np.float32)
    ys, xs = region_of(SCREEN, SHAPE)
    light[ys, xs.start : xs.start + 200, 2] *= 0.25  # the red of it only
    seen = room.curve.linear(room.frame(light))
    green, eye = screen(room.learned, seen, keys="green"), screen(room.learned, seen)
    assert green is not None and green.even.value < 0.05
    assert eye is not None and eye.even.value > 0.15


def test_contours_lie_where_the_light_is_so_many_stops_off(room: LittleRoom) -> None:
    across = np.linspace(0, 1, SHAPE[1], dtype=np.float32)
    light = np.repeat((0.2 * 2.0 ** (2 * across - 1))[None, :], SHAPE[0], 0)[..., None].repeat(3, 2)
    found = screen_map(room.learned, room.curve.linear(room.frame(light)), blocks=FINE)
    assert found is not None
    lines = contours(found, 0.5)
    assert sorted({line.stops for line in lines}) == [-0.5, 0.0, 0.5]
    middle = (SCREEN.left + SCREEN.right) / 2
    for line in lines:
        xs, ys = np.array(line.points).T
        assert np.abs(xs - (middle + line.stops / 2)).max() < 0.02
        assert ys.min() < SCREEN.top + 0.05 and ys.max() > SCREEN.bottom - 0.05


def test_no_contour_runs_over_or_along_somebody(room: LittleRoom) -> None:
    light, mask = person(room.light(LOOK), 0.5)
    found = screen_map(room.learned, room.curve.linear(room.frame(light)), ~mask, blocks=FINE)
    assert found is not None
    for line in contours(found, 0.1):
        for x, y in line.points:
            assert not mask[min(539, int(y * 540)), min(959, int(x * 960))]
    assert contours(found, 0.1) and contours(found, 0.0) == ()
    flat = screen_map(room.learned, np.full((*SHAPE, 3), 0.3, np.float32), blocks=FINE)
    assert flat is not None and all(line.stops == 0.0 for line in contours(flat, 0.25))


def test_where_no_screen_is_named_it_is_all_but_the_face(room: LittleRoom) -> None:
    light = np.full((*SHAPE, 3), 0.3, np.float32)
    face = Region(0.4, 0.3, 0.6, 0.7)
    ys, xs = region_of(face, SHAPE)
    light[ys, xs] = 0.05
    learned = replace(room.learned, screen=None, face=face, card=None)
    found = screen(learned, room.curve.linear(room.frame(light)))
    assert found is not None and found.even.value < 0.1


def test_cloth_that_is_clipped_counts_by_what_the_lamps_make_there(room: LittleRoom) -> None:
    # one lamp up until part of the screen is clipped: how bright it is there no code tells any more
    amounts = {**LOOK, "key": 2.5}
    light = room.light(amounts)
    codes = room.frame(light)
    ys, xs = region_of(SCREEN, SHAPE)
    clipped = (codes[ys, xs] >= room.learned.clips).any(axis=2)
    assert 0.02 < clipped.mean() < 0.6
    truth = evenness(places(light))
    # ... and a solver leaves such places out
    usable = np.ones(SHAPE, bool)
    usable[ys, xs] = ~clipped
    seen = room.curve.linear(codes)
    alone = screen(room.learned, seen, usable)
    found = screen(room.learned, seen, usable, made=by_the_lamps(room, amounts))
    assert alone is not None and abs(alone.even.value - truth) > 0.1
    assert found is not None and found.even.value == pytest.approx(truth, abs=0.1)
    assert found.covered < 0.01


def test_somebody_before_it_is_no_cloth_whatever_the_lamps_make_there(room: LittleRoom) -> None:
    light, mask = person(room.light(LOOK), 0.5)
    seen = room.curve.linear(room.frame(light))
    made = by_the_lamps(room, LOOK)
    found, without = screen(room.learned, seen, ~mask, made=made), screen(room.learned, seen, ~mask)
    assert found is not None and without is not None
    assert found.covered == pytest.approx(without.covered, abs=0.03)
    assert found.even.value == pytest.approx(without.even.value, abs=0.1)


def shaded(light: np.ndarray, deep: float) -> np.ndarray:
    """A soft shadow at the right of the screen, deepest at its edge, a little bluer with depth."""
    across = np.linspace(0, 1, SHAPE[1], dtype=np.float32)
    depth = np.clip((across - 0.7) / 0.18, 0, 1)[None, :, None] * np.float32(deep)
    return (light * 2.0 ** (-depth * np.array([0.85, 1.0, 1.1], np.float32))).astype(np.float32)


def test_a_shadow_that_somebody_throws_on_it_makes_it_less_even_though_a_solver_left_it_out(
    room: LittleRoom,
) -> None:
    light, mask = person(shaded(room.light(LOOK), 0.9), 0.45)
    usable = ~mask
    usable[:, int(0.72 * SHAPE[1]) :] = False
    seen = room.curve.linear(room.frame(light))
    kept = KeptScreen(room.learned, room.curve.linear(room.frame(room.light(LOOK))))
    truth = evenness(places(light, cv2.dilate(mask.astype(np.uint8), np.ones((17, 17))) == 0))
    found = screen(room.learned, seen, usable, kept, made=by_the_lamps(room, LOOK))
    alone = screen(room.learned, seen, usable, kept)
    assert found is not None and alone is not None and alone.even.value < truth - 0.3
    assert found.even.value == pytest.approx(truth, abs=0.1)
    assert found.even.low <= truth <= found.even.high
    assert found.covered == pytest.approx(float(mask[region_of(SCREEN, SHAPE)].mean()), abs=0.02)
    # who stands there throws it, and nobody did in the kept picture: nothing is wrong with the set
    assert found.change == pytest.approx(0.0, abs=0.05)


def test_where_the_curve_is_hardly_known_it_is_as_the_lamps_make_it(room: LittleRoom) -> None:
    """Codes from 172 on are read a third of a stop too dim, and said to be off by as much."""
    light = room.light(LOOK)
    codes = room.frame(light)
    ys, xs = region_of(SCREEN, SHAPE)
    assert 0.05 < (codes[ys, xs].max(axis=2) >= 172).mean() < 0.9
    bad, sure = room.curve.light.copy(), room.curve.sure.copy()
    bad[:, 172:] *= 2.0**-0.33
    bad = np.maximum.accumulate(bad + np.arange(256, dtype=np.float32) * 1e-6, axis=1)
    sure[:, 166:] = 0.4
    learned = replace(room.learned, curve=Curve(bad.astype(np.float32), sure))
    seen, truth = learned.curve.linear(codes), evenness(places(light))
    alone, found = screen(learned, seen), screen(learned, seen, made=by_the_lamps(room, LOOK))
    assert alone is not None and found is not None
    assert abs(alone.even.value - truth) > 0.15 and alone.even.low <= truth <= alone.even.high
    assert found.even.value == pytest.approx(truth, abs=0.05)
    assert found.even.high - found.even.low < 0.5 * (alone.even.high - alone.even.low)


def test_nobody_is_a_shadow_of_themselves(room: LittleRoom) -> None:
    """Somebody in the cloth's own colour, a little darker: their edge is no shadow's."""
    light = room.light(LOOK)
    _, mask = person(light, 0.5)
    light[mask] *= np.float32(0.6)
    usable = cv2.dilate(mask.astype(np.uint8), np.ones((17, 17), np.uint8)) == 0
    found = screen(
        room.learned, room.curve.linear(room.frame(light)), usable, made=by_the_lamps(room, LOOK)
    )
    hidden = float(mask[region_of(SCREEN, SHAPE)].mean())
    assert found is not None and found.covered == pytest.approx(hidden, abs=0.03)
    truth = evenness(places(light, usable))
    assert found.even.value == pytest.approx(truth, abs=0.1)


def test_a_camera_that_was_opened_leaves_the_screen_as_even_as_it_is(room: LittleRoom) -> None:
    """By more than a stop, until part of the screen is clipped: no lamp was turned."""
    presets = {name: Preset(100.0 * amount) for name, amount in LOOK.items()}
    devices = [Device(name, "light", tells=frozenset({"level"})) for name in LOOK]
    looks = {"look": Look("look", presets)}
    profile = small(*devices, presets=presets, looks=looks, name="made-up")
    eye = Seeing(room.learned, room.kept(LOOK), profile, "run")
    light = room.light(LOOK)
    codes = room.frame(light * np.float32(2.0**1.2))
    clipped = (codes[region_of(SCREEN, SHAPE)] >= room.learned.clips).any(axis=2)
    assert 0.02 < clipped.mean() < 0.9
    seen = eye.look(codes, 100.0, 0.1, presets)
    assert seen.exposure is not None and seen.exposure.low <= 1.2 <= seen.exposure.high
    truth = evenness(places(light))
    assert seen.screen is not None and seen.screen.even.value == pytest.approx(truth, abs=0.1)
    assert seen.screen.even.low <= truth <= seen.screen.even.high
