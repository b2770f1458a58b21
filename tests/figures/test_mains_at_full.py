"""What the sums of a look do not show: every dial turned up, the power back after an outage."""

from __future__ import annotations

import math
from dataclasses import replace

import pytest

from studiobridge.craft.light import Dimmer
from studiobridge.figures.draws import draw
from studiobridge.figures.mains import mains_of
from studiobridge.profile.model import Preset
from tests.figures.sets import CAMERA, FILL, KEY, PLUG, small

BARE = replace(PLUG, lead=None)


def said(*devices, presets=None, **more):  # type: ignore[no-untyped-def]
    found = mains_of(small(*devices, **more), "day", presets or {}, 1.0)
    return [f.text for f in found.findings if f.weight != "missing"]


def test_a_lamp_dimmed_today_is_judged_with_its_dial_up_too() -> None:
    """2400 W at 40 % on 10 A: at 230 V a breaker of 10 A carries 8 A for long, full is 10.4 A."""
    lamp = replace(KEY, draws=2400.0, inrush=0.0)
    look = {"key": Preset(40.0, 4000.0)}
    (text,) = said(BARE, lamp, presets=look)
    assert "with every light at full it is 2400 W, 10.4 A, more than the 8.0 A" in text
    assert "a dial turned up is one hand away" in text
    assert said(BARE, replace(lamp, draws=1500.0), presets=look) == []


def test_what_a_strip_is_rated_for_is_judged_with_the_dials_up_too() -> None:
    strip = replace(BARE, rated=3.0)
    lamp = replace(KEY, draws=1000.0, inrush=0.0)
    (text,) = said(strip, lamp, presets={"key": Preset(30.0, 4000.0)})
    assert "with every light behind it at full it is 4.3 A, more than the 3 A it is rated" in text


@pytest.mark.parametrize(
    ("factor", "amps"),
    [(0.6, 1100 / 0.6 / 230), (1.0, 1100 / 230), (None, 1100 / 0.9 / 230)],
)
def test_a_breaker_sees_amperes_and_not_watts(factor: float | None, amps: float) -> None:
    """1100 W at a power factor of 0.6 are 8.0 A at 230 V: S = P / cos phi, by definition."""
    lamp = replace(KEY, draws=1100.0, inrush=0.0, power_factor=factor)
    reading = mains_of(small(BARE, lamp), "day", {"key": Preset(100.0, 4000.0)}, 1.0)
    assert reading.loads[0].amps == pytest.approx(amps)
    assert reading.watts == 1100.0  # what is paid for
    taken = [f.text for f in reading.findings if "no power factor given" in f.text]
    assert bool(taken) is (factor is None)


def test_small_supplies_are_taken_to_have_no_correction() -> None:
    """IEC 61000-3-2, from memory: lighting above 25 W limits its harmonics, smaller need not."""
    small_lamp = replace(KEY, draws=24.0, inrush=0.0, power_factor=None)
    reading = mains_of(small(BARE, small_lamp), "day", {"key": Preset(100.0, 4000.0)}, 1.0)
    assert reading.loads[0].amps == pytest.approx(24 / 0.5 / 230)


def test_what_is_no_light_may_have_all_the_harmonics_its_class_allows() -> None:
    """Class D of IEC 61000-3-2 (a computer of 75 W and more, from memory) limits the n-th harmonic to
    so many mA a watt. At all of them the power factor is 0.73; class A, all else, allows still more
    to what takes a few hundred watts. 460 W are then no less than 2.7 A at 230 V."""
    limits = {3: 3.4, 5: 1.9, 7: 1.0, 9: 0.5, 11: 0.35, **{n: 3.85 / n for n in range(13, 40, 2)}}
    fundamental = 1000.0 / 230.0  # mA a watt
    factor = fundamental / math.hypot(fundamental, *limits.values())
    assert factor == pytest.approx(0.73, abs=0.01)
    computer = replace(
        CAMERA, battery=False, circuit="wall", fed_by="plug", feeds=("plug",), draws=460.0
    )
    reading = mains_of(small(BARE, computer), "day", {}, 1.0)
    assert reading.loads[0].amps >= 460.0 / factor / 230.0
    (taken,) = [f.text for f in reading.findings if "no power factor given" in f.text]
    assert "0.9 for a light above 25 W, 0.7 for anything else above 75 W" in taken


def test_after_an_outage_all_that_was_on_comes_on_at_once() -> None:
    """Three plugs that are never switched on together: 20 A each, on a B 10 A (30 to 50 A)."""
    plugs = [replace(BARE, name=n) for n in ("a", "b", "c")]
    lamps = [
        replace(KEY, name=f"lamp-{p.name}", fed_by=p.name, feeds=(p.name,), draws=50.0)
        for p in plugs
    ]
    (text,) = said(*plugs, *lamps)
    assert "when its power comes back after an outage" in text
    assert "asks up to 60 A; a B 10 A breaker will trip at once (30 to 50 A)" in text
    stays = [replace(p, comes_back="off") for p in plugs]
    assert said(*stays, *lamps) == []
    (text,) = said(plugs[0], plugs[1], stays[2], *lamps)
    assert "asks up to 40 A; a B 10 A breaker may trip" in text


def test_a_dimmer_that_is_bright_early_draws_early() -> None:
    """Measured: a third of the dial is two thirds of the light, and watts follow the light."""
    early = replace(KEY, dimmer=Dimmer("measured", ((33.0, 66.0), (100.0, 100.0))))
    assert draw(early, Preset(33.0, None)) == pytest.approx(100 * (0.66 + 0.4 * 0.66 * 0.34))
    square = replace(FILL, dimmer=Dimmer("square"))
    assert draw(square, Preset(50.0, None)) >= 50.0  # never less than the dial's share
