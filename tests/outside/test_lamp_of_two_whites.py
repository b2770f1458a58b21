"""A lamp of two whites: which share of each makes which white, against colour-science.

Two full radiators as X, Y, Z (CIE 15), each as bright as it is, added (Grassmann); CCT of the sum by
Ohno 2013. In pictures: the same through colour-science's matrix to ITU-R BT.709, of a camera that is
balanced for 4300 K. Both whites of a lamp are hardly ever as bright as each other.
"""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import pytest

from studiobridge.craft.two_whites import Whites
from studiobridge.rehearsal.eye import Eye
from studiobridge.witness.likely import Before
from studiobridge.witness.solving import Solver
from tests.witness.synthetic import LAMPS, READ, SHOT, Set, made

colour = pytest.importorskip("colour", reason="colour-science is in the extra `test`")

WARM, COOL, BALANCED = 2700.0, 6500.0, 4300.0
TO_BT709 = colour.RGB_COLOURSPACES["ITU-R BT.709"].matrix_XYZ_to_RGB


def xyz(kelvin: float) -> np.ndarray:
    """Y is 1."""
    uv = colour.temperature.CCT_to_uv_Ohno2013([kelvin, 0.0])
    return np.asarray(colour.xy_to_XYZ(colour.UCS_uv_to_xy(uv)))


def kelvin_of(tristimulus: np.ndarray) -> float:
    uv = colour.UCS_to_uv(colour.XYZ_to_UCS(tristimulus))
    return float(colour.temperature.uv_to_CCT_Ohno2013(uv)[0])


def mixed(shares: tuple[float, float], over: float) -> float:
    """The white (K) of so much of each, warm being `over` times as bright as cool."""
    return kelvin_of(shares[0] * over * xyz(WARM) + shares[1] * xyz(COOL))


def tint(kelvin: float) -> np.ndarray:
    """Blue, green, red of a white before the camera."""
    return np.asarray((TO_BT709 @ xyz(kelvin)) / (TO_BT709 @ xyz(BALANCED)))[::-1]


@pytest.mark.parametrize(("warm", "cool"), [(2700.0, 6500.0), (3200.0, 5600.0)])
@pytest.mark.parametrize("over", [0.3, 1.0, 3.0])
def test_whites_mix_as_tristimulus_values_add(warm: float, cool: float, over: float) -> None:
    # in no order of their own
    for whites in (Whites((warm, cool), (over, 1.0)), Whites((cool, warm), (2.0, 2.0 * over))):
        turned = whites.ccts[0] == cool
        for share in (0.1, 0.25, 0.5, 0.75, 0.9):
            kelvin = kelvin_of(share * over * xyz(warm) + (1.0 - share) * xyz(cool))
            amounts = (1.0 - share, share) if turned else (share, 1.0 - share)
            # how much of it there is makes no other white
            assert 1e6 / whites.made([0.4 * a for a in amounts]) == pytest.approx(
                1e6 / kelvin, abs=0.1
            )
            assert whites.parts(kelvin) == pytest.approx(amounts, abs=0.002)
        ends = whites.parts(warm - 500.0), whites.parts(cool + 500.0)
        assert ends == (((0.0, 1.0), (1.0, 0.0)) if turned else ((1.0, 0.0), (0.0, 1.0)))


def test_three_whites_seen_alone_mix_as_neighbours_and_all_three_add() -> None:
    whites = Whites((2700.0, 4000.0, 6500.0), (0.8, 1.1, 1.0))
    parts = whites.parts(3200.0)
    assert parts[2] == 0.0 and sum(parts) == pytest.approx(1.0)
    both = parts[0] * 0.8 * xyz(2700.0) + parts[1] * 1.1 * xyz(4000.0)
    assert 1e6 / kelvin_of(both) == pytest.approx(1e6 / 3200.0, abs=0.1)
    every = 0.2 * 0.8 * xyz(2700.0) + 0.3 * 1.1 * xyz(4000.0) + 0.1 * xyz(6500.0)
    assert 1e6 / whites.made((0.2, 0.3, 0.1)) == pytest.approx(1e6 / kelvin_of(every), abs=0.1)


def test_the_slope_is_how_the_white_goes_with_each_amount() -> None:
    whites = Whites((WARM, COOL), (2.0, 1.0))
    slope = whites.slope((0.3, 0.4))
    for i, more in enumerate(((0.01, 0.0), (0.0, 0.01))):
        up = 1e6 / mixed((0.3 + more[0], 0.4 + more[1]), 2.0)
        down = 1e6 / mixed((0.3 - more[0], 0.4 - more[1]), 2.0)
        assert slope[i] == pytest.approx((up - down) / 0.02, rel=0.03)


# ---- in a picture --------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def rooms() -> dict[float, Set]:
    """One room; its key's warm white is so many times as bright as its cool one."""
    return {
        over: made(4, whites={"key": ((WARM, over * tint(WARM)), (COOL, tint(COOL)))})
        for over in (0.4, 2.5)
    }


def seen_at(room: Set, over: float, shares: tuple[float, float], dice: Any) -> np.ndarray:
    light = sum(room.alone[name] * 0.5 for name in LAMPS if name != "key")
    own = shares[0] * over * tint(WARM) + shares[1] * tint(COOL)
    return bare_frame(np.asarray(light + room.alone["key"] * own), dice)


def bare_frame(light: np.ndarray, dice: Any) -> np.ndarray:
    """Noise and eight bits; what JPEG does to colours is no matter of how whites mix."""
    noisy = light + dice.normal(size=light.shape) * np.sqrt(READ**2 + SHOT * np.maximum(light, 0))
    return np.rint(255.0 * colour.models.eotf_inverse_sRGB(np.clip(noisy, 0, 1))).astype(np.uint8)


@pytest.mark.parametrize("over", [0.4, 2.5])
def test_the_white_of_a_lamp_in_a_picture(rooms: dict[float, Set], over: float) -> None:
    solver, dice = Solver(rooms[over].learned), np.random.default_rng(5)
    for shares in ((0.3, 0.3), (0.45, 0.1), (0.1, 0.4)):
        level = solver.solve(solver.blocks(seen_at(rooms[over], over, shares, dice))).levels["key"]
        assert level.amount.low <= sum(shares) <= level.amount.high
        assert level.cct is not None
        kelvin = mixed(shares, over)
        assert level.cct.low <= kelvin <= level.cct.high, (level.cct, kelvin)
        assert 1e6 / level.cct.value == pytest.approx(1e6 / kelvin, abs=5.0)
        assert 1e6 / level.cct.low - 1e6 / level.cct.high < 30.0


@pytest.mark.parametrize("over", [0.4, 2.5])
def test_a_lamp_at_the_white_it_is_known_to_have_has_not_moved(
    rooms: dict[float, Set], over: float
) -> None:
    solver, dice = Solver(rooms[over].learned), np.random.default_rng(6)
    shares = (0.3, 0.3)
    codes = seen_at(rooms[over], over, shares, dice)
    kelvin = mixed(shares, over)
    known = {name: Before(0.5) for name in LAMPS}
    for by, moved in ((0.0, False), (-40.0, True), (40.0, True)):
        before = {**known, "key": Before(0.6, cct=1e6 / (1e6 / kelvin + by))}
        found = solver.solve(solver.blocks(codes), before).likely["key"]
        assert (found.moved > 0.5) == moved, (by, found)


@pytest.mark.parametrize("over", [0.4, 2.5])
def test_the_simulated_camera_sees_the_white_a_lamp_was_told(tmp_path: Path, over: float) -> None:
    card = np.full((64, 96, 3), 0.2)
    whites = {WARM: card * over * tint(WARM), COOL: card * tint(COOL)}
    pictures: Any = {"key": {k: one.astype(np.float32) for k, one in whites.items()}}
    room: Any = None  # nothing of it is asked
    eye = Eye(room, pictures, np.zeros((64, 96, 3), np.float32), tmp_path / "frame.jpg")
    for kelvin in (3000.0, 4300.0, 5600.0):
        bgr = eye.light({"key": (0.5, kelvin)})[30, 40]
        back = np.linalg.inv(TO_BT709) @ (bgr[::-1] * (TO_BT709 @ xyz(BALANCED)))
        assert 1e6 / kelvin_of(back) == pytest.approx(1e6 / kelvin, abs=1.0)
