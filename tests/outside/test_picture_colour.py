"""The picture's white and its whites against colour-science (Ohno 2013, CIE 1960 uv) and spectra."""

from __future__ import annotations

import numpy as np
import pytest

from studiobridge.profile.model import Region
from studiobridge.profile.sighting import SeenWhite
from studiobridge.witness.learned import Curve, Learned
from studiobridge.witness.white import clipped, white

colour = pytest.importorskip("colour", reason="colour-science is in the extra `test`")

SHAPE = (40, 60, 3)
ALL = Region(0.0, 0.0, 1.0, 1.0)


def learned(**places: Region) -> Learned:
    light = np.array(
        colour.models.eotf_sRGB(np.arange(256) / 255.0), np.float32
    )  # IEC 61966-2-1, by colour-science
    curve = Curve(np.stack([light] * 3), np.full((3, 256), 0.01, np.float32))
    return Learned(
        "made-up", "2026-01-01T00:00:00+00:00", curve, np.zeros(SHAPE, np.float32), (), {},
        0.001, 1e-4, 254, 0.01, "", **places,
    )  # fmt: skip


def in_bt709(kelvin: float, duv: float) -> np.ndarray:
    uv = colour.temperature.CCT_to_uv_Ohno2013([kelvin, duv])
    xyz = colour.xy_to_XYZ(colour.UCS_uv_to_xy(uv))
    return np.asarray(colour.RGB_COLOURSPACES["ITU-R BT.709"].matrix_XYZ_to_RGB @ xyz)


def grey(rgb: np.ndarray) -> np.ndarray:
    """A card of 0.2 in the picture's order, without noise or JPEG."""
    return np.broadcast_to(0.2 * rgb[::-1], SHAPE).astype(np.float32)


def at_the_card(
    set_to: tuple[float, float], then: tuple[float, float], now: tuple[float, float]
) -> SeenWhite:
    base = in_bt709(*set_to)
    two = [grey(in_bt709(*one) / base) for one in (now, then)]
    found = white(learned(card=ALL), *two, kelvin=set_to[0], duv=set_to[1])
    assert found is not None and found.at == "card"
    return found


D65 = (6504.0, 0.0032)  # CIE 15


@pytest.mark.parametrize(
    ("set_to", "then", "now"),
    [
        (D65, D65, (2856.0, 0.0)),  # illuminant A of CIE 15, +196.4 mired
        (D65, (2856.0, 0.0), D65),
        ((4300.0, 0.0), (4300.0, 0.0), (3200.0, 0.0)),
        ((4300.0, 0.0), (4300.0, 0.0), (4300.0, 0.010)),  # green
        ((5600.0, 0.0), (5600.0, 0.0), (5600.0, -0.006)),  # pink
        ((5600.0, 0.0), (4300.0, 0.0), (4600.0, 0.0)),  # the camera is not set to what stands there
    ],
)
def test_of_two_known_whites_mired_and_duv_are_the_difference_and_its_sign(
    set_to: tuple[float, float], then: tuple[float, float], now: tuple[float, float]
) -> None:
    """Priest 1932 (mired, + warmer); ANSI C78.377, from memory (Duv, + greener); colour-science."""
    found = at_the_card(set_to, then, now)
    assert found.mired.value == pytest.approx(1e6 / now[0] - 1e6 / then[0], abs=0.1)
    assert found.duv.value == pytest.approx(now[1] - then[1], abs=5e-5)


def seen_by_a_camera(sensor: np.ndarray, then: float, now: float, chart: np.ndarray) -> np.ndarray:
    """Red, green, blue of a grey card under `now`, of a camera balanced by hand under `then`.

    Planck's law (c2 1.4388e-2 m K) through the sensor, 400 to 700 nm; its white by gains, its
    colours by a 3 × 3 matrix that keeps white and fits a chart's reflectances as the CIE 1931
    observer sees them there, taken to D65 by Bradford (common practice, from memory).
    """
    shape = colour.SpectralShape(400, 700, 5)
    metres = shape.wavelengths * 1e-9
    lit, lit_now = (metres**-5 / np.expm1(1.4388e-2 / (metres * k)) for k in (then, now))
    observer = colour.MSDS_CMFS["CIE 1931 2 Degree Standard Observer"].copy().align(shape).values
    raw = (chart * lit) @ sensor / (lit @ sensor)
    there = (lit @ observer) / (lit @ observer)[1]
    xyz = (chart * lit) @ observer / (lit @ observer)[1]
    d65 = colour.xy_to_XYZ([0.3127, 0.3290])
    adapt = colour.adaptation.matrix_chromatic_adaptation_VonKries(there, d65, transform="Bradford")
    wanted = xyz @ (colour.RGB_COLOURSPACES["ITU-R BT.709"].matrix_XYZ_to_RGB @ adapt).T
    matrix = np.empty((3, 3))
    for channel in range(3):
        two, *_ = np.linalg.lstsq(raw[:, :2] - raw[:, 2:], wanted[:, channel] - raw[:, 2])
        matrix[channel] = [*two, 1.0 - two.sum()]
    found = matrix @ ((lit_now @ sensor) / (lit @ sensor))
    return np.asarray(found / found[1])


@pytest.mark.parametrize(
    ("then", "now"), [(3200, 3000), (3200, 2600), (4300, 3200), (5600, 4300), (5600, 6500)]
)
def test_a_camera_that_is_not_of_bt709_is_right_within_the_band(then: float, now: float) -> None:
    """Measured sensitivities of real cameras, cone fundamentals and a chart, all of colour-science:
    what cameras make of a change is up to a fifth more than it is by tungsten, less by daylight."""
    shape = colour.SpectralShape(400, 700, 5)
    sensors = [*colour.MSDS_CAMERA_SENSITIVITIES.values()]
    sensors.append(colour.MSDS_CMFS["Stockman & Sharpe 2 Degree Cone Fundamentals"])
    patches = next(iter(colour.SDS_COLOURCHECKERS.values())).values()
    chart = np.array([one.copy().align(shape).values for one in patches])
    for one in sensors:
        sensor = np.nan_to_num(one.copy().align(shape).values)
        now_seen = grey(seen_by_a_camera(sensor, then, now, chart))
        found = white(learned(card=ALL), now_seen, grey(np.ones(3)), kelvin=then)
        assert found is not None
        true = 1e6 / now - 1e6 / then
        assert found.mired.low <= true <= found.mired.high, (found.mired, true)
        assert 0.9 < found.mired.value / true < 1.25
        assert found.duv.low <= 0.0 <= found.duv.high, found.duv


def test_what_is_clipped_is_counted() -> None:
    """Definition: pixels of the region with any channel at or over the clipping code, over all."""
    codes = np.full(SHAPE, 253, np.uint8)
    codes[:10, :12, 0] = 254  # blue alone, 120 of 2400
    codes[-3:, -20:, :] = 255  # 60 of 2400
    assert clipped(learned(), codes, ALL) == pytest.approx(180 / 2400)
    assert clipped(learned(), codes, Region(0.0, 0.0, 0.5, 0.5)) == pytest.approx(120 / 600)
