"""Framing, screen, curve, sums, exposure and bands of the picture, against scipy, standards, formulas."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import ndimage, optimize

from studiobridge.control.seen_apart import difference
from studiobridge.profile.model import Region
from studiobridge.profile.sighting import Band
from studiobridge.witness.automatic import Automatic
from studiobridge.witness.contours import FINE, contours
from studiobridge.witness.framing import Framer
from studiobridge.witness.learned import Curve, Kept, Learned
from studiobridge.witness.response import Lit, State, response
from studiobridge.witness.screen import screen, screen_map
from studiobridge.witness.solving import Solver
from tests.witness.synthetic import LAMPS, READ, SHOT, made

ALL = Region(0.0, 0.0, 1.0, 1.0)

# ---- where the camera looks ----------------------------------------------------------------------

WIDE, HIGH = 640, 360


def scene() -> np.ndarray:
    """Texture larger than the picture, by scipy alone."""
    dice = np.random.default_rng(11)
    found = sum(
        ndimage.gaussian_filter(dice.normal(size=(HIGH + 200, WIDE + 200)), s) * s
        for s in (2.0, 5.0, 12.0)
    )
    return np.asarray(110 + 40 * found / found.std())


def camera(world: np.ndarray, right: float, down: float, turn: float, zoom: float) -> np.ndarray:
    """What a camera sees that looks so far right and down, leans to its right (clockwise as seen
    from behind it) and is so many times closer: cubic splines of scipy.ndimage."""
    ys, xs = np.mgrid[:HIGH, :WIDE].astype(float)
    x, y = xs - (WIDE - 1) / 2 + right, ys - (HIGH - 1) / 2 + down
    a = math.radians(turn)
    across, below = x * math.cos(a) - y * math.sin(a), x * math.sin(a) + y * math.cos(a)
    middle = (world.shape[0] - 1) / 2, (world.shape[1] - 1) / 2
    found = ndimage.map_coordinates(world, [middle[0] + below / zoom, middle[1] + across / zoom])
    return np.repeat(np.clip(np.rint(found), 0, 255).astype(np.uint8)[..., None], 3, axis=2)


def test_shift_turn_and_zoom_are_those_of_a_picture_warped_by_scipy() -> None:
    world = scene()
    framer = Framer(
        Kept(
            "x", "2026-01-01T00:00:00+00:00", camera(world, 0, 0, 0, 1), np.ones((HIGH, WIDE), bool)
        )
    )
    for right, down, turn, zoom in (
        (7.3, 0.0, 0.0, 1.0),
        (-4.6, 9.2, 0.0, 1.0),
        (0.0, 0.0, 1.5, 1.0),
        (0.0, 0.0, 0.0, 1.04),
        (12.0, -5.0, -2.0, 0.97),
    ):
        found = framer.look(camera(world, right, down, turn, zoom))
        assert found is not None
        assert (found.right, found.down) == pytest.approx((right, down), abs=0.15)
        assert found.turn == pytest.approx(turn, abs=0.03)
        assert found.zoom == pytest.approx(zoom, abs=0.001)
        # every pixel, one by one: where what was there went, over the width
        ys, xs = np.mgrid[:HIGH, :WIDE].astype(float)
        p = (xs - (WIDE - 1) / 2) + 1j * (ys - (HIGH - 1) / 2)
        went = zoom * p * np.exp(-1j * math.radians(turn)) - (right + 1j * down) - p
        assert found.share == pytest.approx(
            math.sqrt(float((np.abs(went) ** 2).mean())) / WIDE, abs=4e-4
        )


# ---- the screen ----------------------------------------------------------------------------------

SIZE = (270, 480)


def learned_of(light: np.ndarray) -> Learned:
    code = np.arange(256) / 255.0
    curve = np.where(code <= 0.04045, code / 12.92, ((code + 0.055) / 1.055) ** 2.4)
    return Learned(
        "made-up", "2026-01-01T00:00:00+00:00",
        Curve(np.stack([curve] * 3).astype(np.float32), np.full((3, 256), 0.01, np.float32)),
        np.zeros_like(light), (), {}, 0.001, 1e-4, 254, 0.01, "", screen=ALL,
    )  # fmt: skip


def picture(of: np.ndarray) -> np.ndarray:
    return np.repeat((0.6 * of / of.max())[..., None], 3, axis=2).astype(np.float32)


def metres(wide: float) -> tuple[np.ndarray, np.ndarray]:
    """Where each pixel is on a plane so wide, from its middle."""
    rows, columns = SIZE
    step = wide / columns
    ys, xs = np.mgrid[:rows, :columns].astype(float)
    return (xs - (columns - 1) / 2) * step, (ys - (rows - 1) / 2) * step


def test_a_lens_that_falls_off_by_cos4_is_so_many_stops_uneven() -> None:
    """The cos⁴ law of illumination (from memory, any optics text): 36 × 20.25 mm behind 24 mm."""
    x, y = metres(36.0)
    light = picture((1.0 + (x * x + y * y) / 24.0**2) ** -2)
    found = screen(learned_of(light), light)
    assert found is not None
    # the mean of the middle and of the outermost of 9 × 9 places, by Gauss and Legendre
    nodes, weights = np.polynomial.legendre.leggauss(8)

    def mean(column: int, row: int) -> float:
        u = (column + (nodes + 1) / 2) / 9 - 0.5
        v = (row + (nodes + 1) / 2) / 9 - 0.5
        each = (1.0 + ((36.0 * u[None]) ** 2 + (20.25 * v[:, None]) ** 2) / 24.0**2) ** -2
        return float(weights @ each @ weights) / 4

    expected = math.log2(mean(4, 4) / mean(0, 0))
    assert 1.0 < expected < 1.5
    assert found.even.value == pytest.approx(expected, abs=0.01)
    assert found.worst_stops < 0


def test_a_lamp_beside_a_wall_is_so_many_stops_uneven() -> None:
    """Inverse square and cosine (definition): a lamp 1 m before the left end of a wall 3 m wide.
    Straight before it 1, at its far end (1 + 9)^-1.5: 4.98 stops, less what places of 1/9 hold."""
    x, y = metres(3.0)
    light = picture(((x + 1.5) ** 2 + y * y + 1.0) ** -1.5)
    found = screen(learned_of(light), light)
    assert found is not None
    step = np.linspace(0, 1, 401)
    place = (step[:-1] + step[1:]) / 2 / 9

    def mean(column: int, row: int) -> float:
        u = 3.0 * (place + column / 9)
        v = 3.0 * 9 / 16 * (place + row / 9 - 0.5)
        return float(((u[None] ** 2 + v[:, None] ** 2 + 1.0) ** -1.5).mean())

    expected = math.log2(mean(0, 4) / mean(8, 0))
    assert 4.5 < expected < 5.0
    assert found.even.value == pytest.approx(expected, abs=0.02)


def test_contours_are_circles_where_cos4_puts_them() -> None:
    x, y = metres(36.0)
    light = picture((1.0 + (x * x + y * y) / 24.0**2) ** -2)
    found = screen_map(learned_of(light), light, blocks=FINE)
    assert found is not None
    lines = contours(found)
    middle = float(np.log2(light[..., 1].max() / np.median(light[..., 1])))
    assert len({line.stops for line in lines}) >= 4
    for line in lines:
        points = np.array(line.points)
        u, v = 36.0 * (points[:, 0] - 0.5), 20.25 * (points[:, 1] - 0.5)
        stops = middle - 2 * np.log2(1.0 + (u * u + v * v) / 24.0**2)
        # a block or two at the rim has no neighbour to be made smooth with
        inner = ((points > 0.06) & (points < 0.94)).all(axis=1)
        assert np.abs(stops - line.stops)[inner].max(initial=0.0) < 0.03, line.stops
        assert np.abs(stops - line.stops).max() < 0.1, line.stops


# ---- the curve -----------------------------------------------------------------------------------


def srgb(light: np.ndarray) -> np.ndarray:
    """IEC 61966-2-1."""
    return np.where(
        light <= 0.0031308, 12.92 * light, 1.055 * np.maximum(light, 1e-9) ** (1 / 2.4) - 0.055
    )


def srgb_back(code: np.ndarray) -> np.ndarray:
    return np.where(code <= 0.04045, code / 12.92, ((code + 0.055) / 1.055) ** 2.4)


def bt709(light: np.ndarray) -> np.ndarray:
    """ITU-R BT.709-6, 1.2: 4.5 L below 0.018, 1.099 L^0.45 - 0.099 above."""
    return np.where(light < 0.018, 4.5 * light, 1.099 * np.maximum(light, 1e-9) ** 0.45 - 0.099)


def bt709_back(code: np.ndarray) -> np.ndarray:
    return np.where(code < 0.081, code / 4.5, ((code + 0.099) / 1.099) ** (1 / 0.45))


@pytest.mark.parametrize(("there", "back"), [(srgb, srgb_back), (bt709, bt709_back)])
def test_a_curve_of_a_standard_is_found_within_what_is_said_to_be_sure(there, back) -> None:  # type: ignore[no-untyped-def]
    dice = np.random.default_rng(7)
    blocks = 120
    paint = dice.uniform(0.02, 1.0, (blocks, 3))
    alone = {
        name: most * paint * dice.uniform(0.05, 1.0, (blocks, 1))
        for name, most in (("key", 0.55), ("fill", 0.45), ("rim", 0.4))
    }

    def state(**lit: float) -> State:
        light = 0.002 * paint + sum(level * alone[name] for name, level in lit.items())
        pixels = light[:, None] * 2.0 ** np.linspace(-0.05, 0.05, 256)[None, :, None]
        pixels = pixels + dice.normal(size=pixels.shape) * np.sqrt(1e-6 + 1e-5 * pixels)
        codes = np.rint(255 * there(np.clip(pixels, 0, 1))).astype(int)
        rows = np.arange(blocks * 3).reshape(blocks, 1, 3) * 256
        counts = np.bincount((rows + codes).ravel(), minlength=blocks * 768)
        names = [Lit(n, n, 100 * v, v, 0.0 if v == 1.0 else 0.3) for n, v in lit.items()]
        return State(tuple(names), counts.reshape(blocks, 3, 256).astype(np.float32))

    steps = [state(**{name: level}) for name in alone for level in (1.0, 0.5, 0.15, 0.04)]
    pairs = [state(key=1.0, fill=1.0), state(key=1.0, rim=1.0), state(fill=1.0, rim=1.0)]
    more = [state(key=1.0, fill=1.0, rim=1.0), state(key=0.5, fill=0.5)]
    curve = response([state(), *steps, *pairs, *more]).curve
    codes = slice(15, 241)
    off = np.log2(curve.light[:, codes] / back(np.arange(256) / 255.0)[codes])
    # any factor on all light is one and the same: taken where it is surest
    off -= off[:, [int(np.argmin(curve.sure[1, codes]))]]
    assert (np.abs(off) <= curve.sure[:, codes]).mean() > 0.9
    assert np.percentile(np.abs(off), 90) < 0.1


# ---- the sum -------------------------------------------------------------------------------------


def test_amounts_are_those_of_bounded_least_squares_and_the_bands_hold() -> None:
    """scipy.optimize.lsq_linear (bounded, Branch, Coleman and Li 1999) for the value. For the band a
    Monte Carlo as in JCGM 101:2008 of what is declared: noise of each pixel, and each lamp's picture
    1 % off; 40 frames of six lamps: 95 % of 240 is 228, three standard deviations less is 218."""
    room = made(1, columns=240, rows=136)
    solver = Solver(room.learned)
    truth = {
        "key": 0.7,
        "fill": 0.4,
        "wall-left": 1.1,
        "wall-right": 0.6,
        "hair": 0.9,
        "floor": 0.0,
    }
    shares = np.stack([s.light.astype(float) for s in room.learned.shares], axis=-1)
    amounts = np.array([truth[s.device] for s in room.learned.shares])
    clean = room.learned.dark + shares @ amounts
    columns = shares.reshape(-1, len(amounts))[::7]
    by_scipy = optimize.lsq_linear(
        columns, (clean - room.learned.dark).reshape(-1)[::7], (0.0, np.inf)
    ).x
    found = solver.look(clean.astype(np.float32))
    assert found.x == pytest.approx(by_scipy, abs=0.01)
    dice = np.random.default_rng(5)
    held = 0
    for _ in range(40):
        light = room.learned.dark + shares @ (amounts * (1 + 0.01 * dice.normal(size=len(amounts))))
        light += dice.normal(size=light.shape) * np.sqrt(READ**2 + SHOT * np.clip(light, 0, 1))
        levels = solver.look(light.astype(np.float32)).levels
        held += sum(levels[n].amount.low <= truth[n] <= levels[n].amount.high for n in LAMPS)
    assert held >= 218


# ---- exposure and the band of a difference -------------------------------------------------------


@pytest.mark.parametrize("stops", [-1.0, -1 / 3, 0.5])
def test_exposure_is_log2_of_the_light_and_brighter_is_more(stops: float) -> None:
    """Definition. A whole picture of twice the light is one stop."""
    room = made(1, columns=240, rows=136)
    expected = dict.fromkeys(LAMPS, (0.8, None))
    light = room.learned.dark + 0.8 * sum(s.light for s in room.learned.shares)
    found = Automatic(room.learned).look((light * 2.0**stops).astype(np.float32), expected)
    assert found.exposure is not None
    assert found.exposure.value == pytest.approx(stops, abs=0.02)
    assert found.exposure.low <= stops <= found.exposure.high


def test_the_band_of_a_difference_is_the_root_of_squares() -> None:
    """JCGM 100:2008, 5.1.2, equation 10 with sensitivities 1 and -1, errors that are independent;
    and that 95 of 100 bands hold, by random numbers (20,000: 0.95 ± 0.005 at three deviations)."""
    then, now = Band(-0.3, 0.0, 0.3), Band(0.6, 1.0, 1.4)
    by = difference(then, now)
    assert (by.low, by.value, by.high) == pytest.approx((0.5, 1.0, 1.5))
    dice = np.random.default_rng(3)
    errors = dice.normal(size=(20_000, 2)) * (0.3 / 1.96, 0.4 / 1.96)
    true = 1.0 + errors[:, 1] - errors[:, 0]
    assert np.mean((by.low <= true) & (true <= by.high)) == pytest.approx(0.95, abs=0.005)
    # ends that differ: what pulls the difference down is now's lower end and then's upper one
    uneven = difference(Band(-0.1, 0.0, 0.3), Band(0.6, 1.0, 1.0))
    assert (uneven.low, uneven.high) == pytest.approx((0.5, 1.1))
