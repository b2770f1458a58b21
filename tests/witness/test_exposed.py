"""How much brighter the whole picture is than its lamps explain, by what each lamp says of it."""

from __future__ import annotations

import numpy as np
import pytest

from studiobridge.witness.exposed import Ratio, exposed, ratios


def said(*stops: float, off: float = 0.05) -> list[Ratio]:
    return [Ratio(one, off) for one in stops]


def test_what_all_lamps_say_is_the_camera() -> None:
    band = exposed(said(0.48, 0.52, 0.5, 0.49, 0.55))
    assert band is not None and band.value == pytest.approx(0.5, abs=0.02)
    assert band.high - band.low < 0.2


@pytest.mark.parametrize("by", [-0.5, 0.5, 2.0])
def test_one_lamp_that_says_otherwise_was_turned_and_moves_nothing(by: float) -> None:
    for camera in (0.0, -0.7):
        band = exposed(said(camera, camera + 0.03, camera + by, camera - 0.03, camera + 0.02))
        assert band is not None and band.value == pytest.approx(camera, abs=0.03)
        assert band.high - band.low < 0.2


def test_lamps_that_all_say_something_else_leave_it_open_and_the_camera_as_it_was() -> None:
    band = exposed(said(0.6, -0.7, 0.25, -0.3, 0.8))
    assert band is not None and band.value == 0.0
    assert band.low < -0.2 and band.high > 0.2


def test_one_lamp_alone_may_be_the_camera_or_the_lamp() -> None:
    band = exposed(said(0.8))
    assert band is not None and band.value == 0.0
    assert band.low <= 0.0 and band.high >= 0.8
    assert exposed([]) is None


@pytest.mark.parametrize("camera", [-4.0, 3.2, 4.0, 6.0])
def test_a_camera_set_farther_off_than_is_reckoned_is_in_the_band(camera: float) -> None:
    band = exposed(said(camera, camera + 0.02, camera - 0.02, camera))
    assert band is not None and band.low <= camera <= band.high


def test_the_band_holds_as_often_as_it_says() -> None:
    """Eight lamps, each known to its own; one turned in two trials of three, five in one of ten."""
    dice = np.random.default_rng(7)
    held = 0
    for trial in range(400):
        camera = float(dice.uniform(-1, 1)) if trial % 2 else 0.0
        off = dice.uniform(0.03, 0.2, 8)
        stops = camera + dice.normal(0, off)
        turned = 5 if trial % 10 == 0 else trial % 3 > 0
        stops[: int(turned)] += dice.uniform(-0.8, 0.8, int(turned))
        band = exposed([Ratio(float(s), float(o)) for s, o in zip(stops, off, strict=True)])
        assert band is not None and band.low <= band.value <= band.high
        held += band.low <= camera <= band.high
    assert held >= 0.95 * 400


def test_each_lamp_is_solved_for_by_itself_and_somebody_in_the_picture_is_no_light() -> None:
    dice = np.random.default_rng(3)
    pictures = [
        np.abs(dice.normal(0.2, 0.1, 900)) * np.linspace(a, 1.2 - a, 900) for a in (0.1, 0.6, 1.0)
    ]
    amounts = np.array([0.8, 0.5, 0.6])
    by = np.array([0.5, 0.5, -0.4])
    light = sum(a * 2.0**b * p for a, b, p in zip(amounts, by, pictures, strict=True))
    light = np.asarray(light + dice.normal(0, 0.002, 900))
    light[:150] = 0.9  # somebody
    found = ratios(light, np.full(900, 1 / 0.004), pictures, ["key", "fill", "rim"], amounts)
    assert [one.stops for one in found] == pytest.approx(by, abs=0.05)
    for one, truth in zip(found, by, strict=True):
        assert abs(one.stops - truth) < 1.96 * one.off
    # a lamp that was off says nothing of the camera
    dark = ratios(
        light, np.full(900, 1 / 0.004), pictures, ["key", "fill", "rim"], amounts * [1, 0, 1]
    )
    assert len(dark) == 2


def test_further_than_is_looked_the_band_goes_as_far_as_the_lamps_say() -> None:
    for far in (-4.5, 4.0):
        band = exposed(said(far - 0.02, far, far + 0.02, far + 0.01, far))
        assert band is not None
        assert band.low <= far <= band.high
        assert abs(band.value - far) < 0.1


@pytest.mark.parametrize(
    "bad",
    [
        Ratio(float("nan"), 0.05),
        Ratio(0.5, float("nan")),
        Ratio(float("inf"), 0.05),
        Ratio(0.5, float("inf")),
        Ratio(0.5, 0.0),
        Ratio(0.5, -0.1),
    ],
)
def test_a_lamp_without_a_figure_says_nothing_and_spoils_no_other(bad: Ratio) -> None:
    assert exposed([bad]) is None
    others = said(0.48, 0.52, 0.5, 0.49)
    assert exposed([*others[:2], bad, *others[2:]]) == exposed(others)
