"""The mixed white of a set as tristimulus values add, by colour-science: no chromaticity formula of ours.

Each light's white becomes X, Y, Z (CIE 15) with its lux as Y; they are summed; CCT and Duv of the sum
by Ohno 2013. And once from spectra: Planck's law through the CIE 1931 observer.
"""

from __future__ import annotations

import random
from dataclasses import replace

import numpy as np
import pytest

from studiobridge.figures.face import Face
from studiobridge.profile.model import Device, Output, Place, Preset, SetProfile
from tests.figures.sets import CAMERA, KEY, small

colour = pytest.importorskip("colour", reason="colour-science is in the extra `test`")


def lamp(name: str, duv: float | None) -> Device:
    """Straight before the mark at 2 m: its lux at 2 m is its lux at the mark."""
    return replace(
        KEY,
        name=name,
        role=None,
        place=Place(3.0, 0.0, 1.5, "mark"),
        output=Output(1.0, 2.0),
        duv=duv,
    )


def lit_by(whites: list[tuple[float, float, float | None]]) -> tuple[SetProfile, dict[str, Preset]]:
    devices: list[Device] = [CAMERA]
    presets = {}
    for i, (lux, cct, duv) in enumerate(whites):
        made = lamp(f"lamp-{i}", duv)
        devices.append(replace(made, output=Output(lux, 2.0)))
        presets[made.name] = Preset(100.0, cct)
    return small(*devices, presets=presets), presets


def added(whites: list[tuple[float, float, float | None]]) -> tuple[float, float]:
    total = np.zeros(3)
    for lux, cct, duv in whites:
        uv = colour.temperature.CCT_to_uv_Ohno2013([cct, duv or 0.0])
        x, y = colour.UCS_uv_to_xy(uv)
        total += lux * np.array([x / y, 1.0, (1.0 - x - y) / y])
    xy = total[:2] / total.sum()
    cct, duv = colour.temperature.uv_to_CCT_Ohno2013(colour.xy_to_UCS_uv(xy))
    return float(cct), float(duv)


@pytest.mark.parametrize("seed", range(12))
def test_whites_on_and_off_the_locus_add_as_tristimulus_values(seed: int) -> None:
    dice = random.Random(seed)
    whites = [
        (
            10 ** dice.uniform(0, 3),
            dice.uniform(2600, 7500),
            dice.choice([None, dice.uniform(-0.012, 0.012)]),
        )
        for _ in range(dice.randint(2, 5))
    ]
    profile, presets = lit_by(whites)
    whole = Face(profile).whole(presets)
    cct, duv = added(whites)
    assert whole is not None and whole.cct is not None and whole.duv is not None
    assert 1e6 / whole.cct == pytest.approx(1e6 / cct, abs=0.1)  # mired
    assert whole.duv == pytest.approx(duv, abs=5e-5)
    assert whole.lux == pytest.approx(sum(lux for lux, _, _ in whites))


def test_two_full_radiators_as_their_spectra_add() -> None:
    """Planck's law (c2 1.4388e-2 m K) through the CIE 1931 2 degree observer, 360 to 830 nm: 400 lx
    of 3200 K and 300 lx of 5600 K."""
    shape = colour.SpectralShape(360, 830, 1)
    observer = colour.MSDS_CMFS["CIE 1931 2 Degree Standard Observer"].copy().align(shape)
    metres = shape.wavelengths * 1e-9
    total = np.zeros(3)
    for lux, kelvin in ((400.0, 3200.0), (300.0, 5600.0)):
        spectrum = metres**-5 / np.expm1(1.4388e-2 / (metres * kelvin))
        xyz = spectrum @ observer.values
        total += lux * xyz / xyz[1]
    cct, duv = colour.temperature.uv_to_CCT_Ohno2013(
        colour.xy_to_UCS_uv(total[:2] / total.sum()), cmfs=observer
    )
    profile, presets = lit_by([(400.0, 3200.0, None), (300.0, 5600.0, None)])
    whole = Face(profile).whole(presets)
    assert whole is not None and whole.cct is not None
    assert 1e6 / whole.cct == pytest.approx(1e6 / float(cct), abs=0.1)
    assert whole.duv == pytest.approx(float(duv), abs=5e-5)
    # a mixture lies under the locus: the chord of a curve that bends that way
    assert whole.duv < -0.001


@pytest.mark.parametrize("kelvin", [5100.0, 5600.0, 6504.0, 7500.0, 12000.0])
def test_daylight_is_cie_daylight(kelvin: float) -> None:
    """colour-science, CCT_to_xy_CIE_D (CIE 15), for a set whose whites are daylight."""
    profile, presets = lit_by([(500.0, kelvin, None)])
    profile = replace(profile, picture=replace(profile.picture, daylight=True))
    whole = Face(profile).whole(presets)
    expected = colour.xy_to_UCS_uv(colour.temperature.CCT_to_xy_CIE_D(kelvin))
    assert whole is not None and whole.white is not None
    assert (whole.white.u, whole.white.v) == pytest.approx(tuple(expected), abs=1e-5)
