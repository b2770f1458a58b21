"""White against a kept picture: mired and Duv held against colour-science; what is clipped."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from studiobridge.profile.sighting import SeenWhite
from studiobridge.witness.white import clipped, white
from tests.witness.little_room import CARD, FACE, LittleRoom, person, region_of

SHAPE = (540, 960)


@pytest.fixture(scope="module")
def room() -> LittleRoom:
    return LittleRoom(6, SHAPE)


def rgb_of(kelvin: float, duv: float) -> np.ndarray:
    """Linear light of a white in BT.709, by colour-science alone."""
    import colour

    uv = colour.temperature.CCT_to_uv_Ohno2013([kelvin, duv])
    xyz = colour.xy_to_XYZ(colour.UCS_uv_to_xy(uv))
    return np.asarray(colour.RGB_COLOURSPACES["ITU-R BT.709"].matrix_XYZ_to_RGB @ xyz)


def seen(
    room: LittleRoom,
    base: tuple[float, float],
    now: tuple[float, float],
    stops: float = 0.0,
    **more: object,
) -> SeenWhite | None:
    ratio = (rgb_of(*now) / rgb_of(*base))[::-1] * 2.0**stops
    kept = room.light({"key": 1.0, "fill": 0.9, "cloth": 0.6, "rim": 0.5})
    light = (kept * ratio).astype(np.float32)
    # what JPEG at 85 does to a card without any grain is a matter of luck: up to 5 mired
    codes = [room.curve.linear(room.frame(one, jpeg=95)) for one in (light, kept)]
    return white(room.learned, *codes, kelvin=base[0], duv=base[1], **more)  # type: ignore[arg-type]


@pytest.mark.parametrize("base", [(3200.0, 0.0), (4300.0, 0.0), (5600.0, 0.003)])
@pytest.mark.parametrize(
    ("mired", "duv"), [(0.0, 0.0), (10.0, 0.0), (-25.0, 0.002), (15.0, -0.004), (40.0, 0.0)]
)
def test_mired_and_duv_are_those_of_colour_science(
    room: LittleRoom, base: tuple[float, float], mired: float, duv: float
) -> None:
    now = (1e6 / (1e6 / base[0] + mired), base[1] + duv)
    found = seen(room, base, now, stops=-0.3)
    assert found is not None and found.at == "card"
    assert found.mired.value == pytest.approx(mired, abs=5.0)  # what is asked
    assert found.mired.low <= mired <= found.mired.high
    assert found.duv.value == pytest.approx(duv, abs=0.0025)
    # what a camera that is not of BT.709 makes of a great change is a share of it
    assert found.mired.high - found.mired.low < 2 * (10**2 + (0.2 * mired) ** 2) ** 0.5 + 2.0


@pytest.mark.parametrize("mired", [-40.0, 40.0])
def test_a_grey_card_says_what_light_stood_there_before(room: LittleRoom, mired: float) -> None:
    """The camera is set to 4300 K, and a warm lamp stood at the card: a mired is less there."""
    before = 3200.0
    ratio = (rgb_of(before, 0.0) / rgb_of(4300.0, 0.0))[::-1]
    kept = (room.light({"key": 1.0, "fill": 0.9, "cloth": 0.6, "rim": 0.5})).astype(np.float32)
    place = region_of(CARD, SHAPE)
    kept[place] = kept[place].mean() * ratio  # grey, under that lamp
    change = (rgb_of(1e6 / (1e6 / before + mired), 0.0) / rgb_of(before, 0.0))[::-1]
    light = (kept * change * 0.6).astype(np.float32)
    codes = [room.curve.linear(room.frame(one, jpeg=95)) for one in (light, kept)]
    found = white(room.learned, *codes, kelvin=4300.0)
    assert found is not None and found.at == "card"
    assert found.mired.value == pytest.approx(mired, abs=5.0)
    assert found.mired.low <= mired <= found.mired.high


def test_somebody_in_the_picture_makes_the_band_wider(room: LittleRoom) -> None:
    _, mask = person(np.zeros((*SHAPE, 3), np.float32), 0.5)
    card = np.zeros(SHAPE, bool)
    card[region_of(CARD, SHAPE)] = True
    alone, beside = (
        seen(room, (4300.0, 0.0), (4000.0, 0.0), usable=usable)
        for usable in (np.ones(SHAPE, bool), ~mask | card)
    )
    assert alone is not None and beside is not None
    assert alone.at == beside.at == "card"
    assert beside.mired.value == pytest.approx(alone.mired.value, abs=0.5)
    wide = [one.mired.high - one.mired.low for one in (alone, beside)]
    assert wide[1] > wide[0] + 3.0


def test_brighter_is_not_warmer(room: LittleRoom) -> None:
    found = seen(room, (4300.0, 0.0), (4300.0, 0.0), stops=0.6)
    assert found is not None and found.mired.value == pytest.approx(0.0, abs=3.0)


def test_it_looks_at_the_card_then_where_a_face_would_be_then_at_the_screen(
    room: LittleRoom,
) -> None:
    base, now = (4300.0, 0.0), (3900.0, 0.0)
    hidden = np.zeros(SHAPE, bool)
    hidden[region_of(CARD, SHAPE)] = True
    found = seen(room, base, now, usable=~hidden)
    assert found is not None and found.at == "face"
    _, mask = person(np.zeros((*SHAPE, 3), np.float32), 0.5)
    found = seen(room, base, now, usable=~(hidden | mask))
    assert found is not None and found.at == "screen"
    assert found.mired.value == pytest.approx(1e6 / 3900 - 1e6 / 4300, abs=5.0)
    assert seen(room, base, now, usable=np.zeros(SHAPE, bool)) is None


def test_what_is_no_white_says_nothing(room: LittleRoom) -> None:
    light = room.curve.linear(room.frame(room.light()))
    for nonsense in (np.zeros_like(light), np.ones_like(light), np.full_like(light, np.nan)):
        assert white(room.learned, nonsense, light) is None
        assert white(room.learned, light, nonsense) is None
    assert white(room.learned, light[:100], light) is None
    green = (light * np.array([0.05, 1.0, 0.05])).astype(np.float32)
    assert white(room.learned, green, light) is None
    odd = white(room.learned, light, light, kelvin=float("nan"))
    assert odd is not None and odd.mired.value == pytest.approx(0.0, abs=1e-6)


def test_the_share_that_is_clipped(room: LittleRoom) -> None:
    codes = np.full((*SHAPE, 3), 90, np.uint8)
    ys, xs = region_of(FACE, SHAPE)
    quarter = (ys.start + (ys.stop - ys.start) // 2, xs.start + (xs.stop - xs.start) // 2)
    codes[ys.start : quarter[0], xs.start : quarter[1], 2] = 255  # red alone
    assert clipped(room.learned, codes, FACE) == pytest.approx(0.25, abs=0.02)
    assert clipped(room.learned, np.full_like(codes, 255), FACE) == 1.0
    assert clipped(room.learned, codes, None) is None
    assert clipped(replace(room.learned, clips=80), codes, FACE) == 1.0
