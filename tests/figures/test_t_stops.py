"""A lens that takes light away asks for a wider opening: T = N / sqrt(transmission), definition."""

from __future__ import annotations

import math
from dataclasses import replace

import pytest

from studiobridge.figures.light import light_of
from studiobridge.profile.model import Picture
from tests.figures.sets import small

SET = Picture(shutter=1 / 50, iso=100.0, aperture=2.8)


def exposed(transmission: float | None):  # type: ignore[no-untyped-def]
    profile = small(picture=replace(SET, transmission=transmission))
    made = light_of(profile, "day", profile.looks["day"].presets).exposure
    assert made is not None
    return made


def test_a_lens_of_80_percent_loses_a_third_of_a_stop() -> None:
    clear, dark = exposed(None), exposed(0.8)
    assert dark.aperture == pytest.approx(clear.aperture * math.sqrt(0.8))
    assert clear.over - dark.over == pytest.approx(0.322, abs=0.001)
    assert exposed(1.0) == clear
