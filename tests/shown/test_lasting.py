"""How long a battery lasts, and what mains that are off do to a shutter: as sure as it is said."""

from __future__ import annotations

from dataclasses import replace

import pytest

from studiobridge.cli.printed_mains import print_mains
from studiobridge.craft.exposure import exposure_ripple
from studiobridge.figures.mains import mains_of
from studiobridge.figures.packing import Packed
from studiobridge.shown.lengths import Lengths
from studiobridge.shown.setup import packed
from studiobridge.shown.shutters import CAUTION
from tests.figures.sets import CAMERA, small


def test_a_battery_is_not_told_to_the_minute(capsys: pytest.CaptureFixture[str]) -> None:
    """A label of two digits, a fifth held back by rule of thumb: half hours, rounded down. Of 100 Wh
    80 at 24 W are 3 h 20 min."""
    profile = small(replace(CAMERA, draws=24.0))
    print_mains(profile, mains_of(profile, "day", {}, 1.0))
    assert "battery of camera: about 3 h at 24 W" in capsys.readouterr().out
    brought = [Packed("batteries", "charged battery", 1, ("camera",), hours=80 / 24)]
    (text,) = packed(brought, Lengths(False))["batteries"]
    assert text == "camera: charged battery, one lasts about 3 h"


@pytest.mark.parametrize("shutter", [1 / 100, 1 / 50, 1 / 25])
def test_what_mains_that_are_off_add_is_said_of_the_safe_shutters(shutter: float) -> None:
    """100 Hz that are 100.5: n periods are 1.005 n, and a sine is off by sin(pi n) / (pi n)."""
    assert exposure_ripple(shutter, 100.5, 100.0) == pytest.approx(0.5, abs=0.01)
    assert "mains that are 0.5 % off make it 0.5 %" in CAUTION
    assert "a generator" in CAUTION
