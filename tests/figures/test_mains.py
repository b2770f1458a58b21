"""Loads, inrush, leads, batteries and energy of a small set, worked out by hand."""

from __future__ import annotations

from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from studiobridge.control.feeds import Feeds
from studiobridge.figures.mains import inrush_of, mains_of, switch_ons
from studiobridge.profile.model import Circuit, Lead, Preset, SetProfile
from tests.figures.sets import CAMERA, FILL, KEY, PLUG, small
from tests.simulate.sets import made_up


def reading(profile=None, presets=None, hours: float = 2.0):  # type: ignore[no-untyped-def]
    profile = profile or small()
    return mains_of(profile, "day", presets or profile.looks["day"].presets, hours)


def test_a_worked_example() -> None:
    """Key 100 W at 50 %, fill 100 W at 40 %, estimated from above: 60 and 49.6 W.

    Their share, and of a tenth of full 4 x (1 - x): 10 W and 9.6 W more.
    """
    found = reading()
    (load,) = found.loads
    assert load.watts == pytest.approx(109.6)
    assert load.limit == pytest.approx(1840.0)  # NEC 210.20(A), from memory: 80 % of 10 A at 230 V
    assert load.band == 30.0  # IEC 60898-1: curve B from 3 x 10 A
    assert load.worst.device == "plug"
    assert load.worst.inrush == 40.0
    (lead,) = found.leads
    # 2 L I R with 13.3 ohm/km at 20 °C (IEC 60228, from memory), at 75 °C
    assert lead.drop == pytest.approx(2 * 20 * (109.6 / 230) * 13.3 * 1.21615 / 1000)
    (battery,) = found.batteries
    assert battery.hours == pytest.approx(100 * 0.8 / 20)
    assert found.kwh == pytest.approx(0.2192)
    assert found.cost == (pytest.approx(0.1096), "EUR")


def test_inrush_over_the_band_is_too_much() -> None:
    found = reading()
    assert [f.weight for f in found.findings] == ["over", "near"]
    assert "comes on at once and asks up to 40 A" in found.findings[1].text
    assert "switching plug on asks up to 40 A on top of 0.0 A" in found.findings[0].text
    calm = replace(KEY, inrush=5.0), replace(FILL, inrush=5.0)
    assert reading(small(PLUG, *calm, CAMERA)).findings == ()


def test_an_inrush_comes_on_top_of_everything_else_that_runs() -> None:
    """Two plugs on one circuit: the one's 20 A come on top of the other's 230 W, 1 A; not of its own.

    On a B 10 A breaker the band begins at 30 A (IEC 60898-1).
    """
    other = replace(PLUG, name="other", lead=None)
    heater = replace(
        FILL,
        name="heater",
        kind="display",
        fed_by="other",
        feeds=("other",),
        draws=230.0,
        inrush=2.0,
    )
    key = replace(KEY, draws=460.0, inrush=20.0)
    full = {"key": Preset(100.0, 4000.0)}
    (load,) = reading(small(PLUG, key, other, heater), full).loads
    assert load.watts == pytest.approx(690.0)
    assert load.amps == pytest.approx(3.0)
    assert (load.worst.device, load.worst.inrush) == ("plug", 20.0)
    assert load.worst.running == pytest.approx(1.0)
    assert load.worst.trips == "no"
    # 29.5 A alone would pass; with what runs it reaches the band
    tight = reading(small(PLUG, replace(key, inrush=29.5), other, heater), full)
    assert tight.loads[0].worst.trips == "may"
    assert [f.weight for f in tight.findings if "switching plug on" in f.text] == ["over"]
    # dimmed to half, the key runs on 0.6 of it: 276 W, 1.2 A, under the other plug's switch-on
    (half,) = reading(
        small(PLUG, key, other, replace(heater, inrush=25.0)), {"key": Preset(50.0, 4000.0)}
    ).loads
    assert (half.worst.device, half.worst.inrush) == ("other", 25.0)
    assert half.worst.running == pytest.approx(1.2)


def test_too_much_and_near() -> None:
    heavy = replace(KEY, draws=1900.0, inrush=0.0), replace(FILL, inrush=0.0)
    full = {"key": Preset(100.0, 4000.0), "fill": Preset(40.0, 4000.0)}
    over = reading(small(PLUG, *heavy, CAMERA), full)
    assert [f.weight for f in over.findings if "carries" in f.text] == ["over"]
    assert over.loads[0].share > 1
    less = {"key": Preset(86.0, 4000.0), "fill": Preset(0.0, 4000.0)}
    near = reading(small(PLUG, *heavy, CAMERA), less)
    said = [f for f in near.findings if "carries" in f.text]
    assert [f.weight for f in said] == ["near", "near"]
    assert "close to the 8.0 A" in said[0].text
    assert "with every light at full it is 2000 W" in said[1].text


def test_plugs_that_come_back_on_with_their_mains_are_warned_of() -> None:
    inner = replace(PLUG, name="inner", fed_by="plug", feeds=("plug",), lead=None)
    behind = replace(FILL, fed_by="inner", feeds=("inner", "plug"), inrush=15.0)
    found = reading(small(PLUG, inner, replace(KEY, inrush=20.0), behind, CAMERA))
    warned, outage = found.findings
    assert (warned.weight, outage.weight) == ("near", "near")
    assert "asks up to 35 A; a B 10 A breaker may trip at once" in outage.text
    assert "switching plug on asks up to 35 A on top of 0.0 A if the plugs below it" in warned.text
    calm = replace(behind, inrush=5.0)
    assert reading(small(PLUG, inner, replace(KEY, inrush=20.0), calm, CAMERA)).findings == ()


def test_what_is_missing_is_said() -> None:
    silent = replace(CAMERA, holds=None)
    found = reading(
        small(PLUG, replace(KEY, inrush=0, draws=0), replace(FILL, inrush=0), silent, price=None)
    )
    texts = [f.text for f in found.findings if f.weight == "missing"]
    assert "no battery size given for camera: run time" in texts
    assert "no draw given for key: it is missing in the load" in texts
    assert "no price given: cost" in texts
    assert found.cost is None


def with_strips(seed: int) -> SetProfile:
    """A made-up set in which what hangs under a plug is sometimes a strip: no dialect, no switch."""
    profile = made_up(seed, most=20)
    devices = {
        name: replace(d, speaks=None, tells=frozenset(), hears=frozenset())
        if d.kind == "plug" and d.feeds and i % 2
        else d
        for i, (name, d) in enumerate(profile.devices.items())
    }
    return replace(profile, devices=devices)


def test_inrush_is_counted_as_the_controller_counts_it() -> None:
    """Two ways to the same number: the feed tree of the controller, and the profile alone."""
    strips = counted = 0
    for seed in range(200):
        profile = with_strips(seed)
        feeds = Feeds(profile)
        for name in feeds.switches:
            assert inrush_of(profile, name) == feeds.inrush(profile, name)
            counted += feeds.inrush(profile, name) > 0
        found = {n for c in profile.circuits for n in switch_ons(profile, c)}
        assert feeds.switches <= found
        strips += sum(d.kind == "plug" and d.speaks is None for d in profile.devices.values())
    assert strips > 20
    assert counted > 200


@given(st.floats(0, 100), st.floats(0, 100))
def test_more_level_is_never_less_load(a: float, b: float) -> None:
    low, high = sorted((a, b))
    loads = [
        reading(presets={"key": Preset(x, None), "fill": Preset(50.0, None)}).watts
        for x in (low, high)
    ]
    assert loads[0] <= loads[1]


def test_circuits_add_up_on_their_own() -> None:
    other = replace(KEY, name="other", circuit="bench", feeds=(), fed_by="bench", inrush=0.0)
    profile = small(
        PLUG,
        replace(KEY, inrush=0.0),
        other,
        circuits={
            "wall": Circuit("wall", 10.0, "B", 0.5),
            "bench": Circuit("bench", 16.0, "C", 0.5),
        },
        presets={"key": Preset(50.0, None), "other": Preset(30.0, None)},
    )
    found = reading(profile)
    assert [round(load.watts, 1) for load in found.loads] == [60.0, 38.4]


def test_a_session_takes_time() -> None:
    with pytest.raises(ValueError, match="longer"):
        reading(hours=0.0)


def test_a_thin_lead_that_no_breaker_guards_is_over() -> None:
    """2.3 kW at 230 V is 10 A: 0.75 mm2 carries 6 A and 1.5 mm2 16 A (HD 516, from memory). A metre
    of it loses half a volt, and a 16 A breaker sees nothing. Dimmed it is less."""
    plug = replace(PLUG, lead=Lead(1.0, 0.75, None))
    lamp = replace(KEY, draws=2300.0, power_factor=1.0)
    profile = small(plug, lamp, circuits={"wall": Circuit("wall", 16.0, "C", 0.5)})

    def said(profile: SetProfile, level: float) -> list[tuple[str, str]]:
        found = mains_of(profile, "day", {"key": Preset(level)}).findings
        return [(f.weight, f.text) for f in found if "0.75 mm²" in f.text]

    ((weight, text),) = said(profile, 100.0)
    assert weight == "over" and "10.0 A, more than the 6 A" in text
    ((weight, text),) = said(profile, 20.0)
    assert weight == "near" and "every light behind it at full" in text
    thick = replace(plug, lead=Lead(1.0, 1.5, None))
    assert not said(small(thick, lamp, circuits=profile.circuits), 100.0)
