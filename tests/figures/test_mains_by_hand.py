"""More of a small set's mains worked out by hand: limits from both sides, leads, batteries."""

from __future__ import annotations

from dataclasses import replace

import pytest

from studiobridge.figures.draws import draw
from studiobridge.figures.mains import inrush_of, mains_of, switch_ons
from studiobridge.profile.model import Circuit, Lead, Preset, Price
from tests.figures.sets import CAMERA, FILL, KEY, PLUG, small

FULL = {"key": Preset(100.0, 4000.0), "fill": Preset(100.0, 4000.0)}
CALM = replace(FILL, draws=0.0, inrush=0.0)


def texts(*devices, presets=FULL, **more: object) -> list[tuple[str, str]]:  # type: ignore[no-untyped-def]
    found = mains_of(small(*devices, **more), "day", presets, 2.0)
    return [(f.weight, f.text) for f in found.findings if f.weight != "missing"]


def test_a_fixture_draws_its_share_and_a_little_more_and_anything_else_in_full() -> None:
    assert draw(KEY, Preset(40.0, 4000.0)) == pytest.approx(40.0 + 10.0 * 4 * 0.4 * 0.6)
    assert draw(KEY, Preset(0.0)) == 0.0
    assert draw(KEY, Preset(None, 4000.0)) == 100.0  # left as it is: it may be full
    assert draw(KEY, None) == 100.0
    assert draw(CAMERA, Preset(40.0)) == 20.0


@pytest.mark.parametrize(
    ("watts", "weights"),
    [(1655.0, []), (1656.1, ["near"]), (1839.9, ["near"]), (1840.5, ["over"])],
)
def test_the_running_limit_from_both_sides(watts: float, weights: list[str]) -> None:
    """A 10 A breaker at 230 V carries 1840 W for long (NEC 210.20(A), from memory); 1656 are nine tenths."""
    key = replace(KEY, draws=watts, inrush=0.0)
    assert [w for w, _ in texts(replace(PLUG, lead=None), key, CALM)] == weights


@pytest.mark.parametrize(
    ("inrush", "said"),
    [(29.9, None), (30.0, "may"), (49.9, "may"), (50.0, "will")],
)
def test_an_inrush_at_the_ends_of_the_band(inrush: float, said: str | None) -> None:
    """IEC 60898-1: curve B trips at once from 3 to 5 times its current."""
    key = replace(KEY, draws=0.0, inrush=inrush)
    found = texts(replace(PLUG, lead=None), key, CALM)
    # when it is switched on, and when the power comes back
    assert [w for w, _ in found] == ([] if said is None else ["over", "near"])
    assert said is None or f"a B 10 A breaker {said} trip at once from 30 A" in found[0][1]
    assert said is None or f"a B 10 A breaker {said} trip at once (30 to 50 A)" in found[1][1]
    curve = {"wall": Circuit("wall", 10.0, "C", 0.5)}
    assert [w for w, _ in texts(replace(PLUG, lead=None), key, CALM, circuits=curve)] == (
        [] if inrush < 50 else ["over", "near"]
    )


def test_the_worst_switch_on_is_the_greatest_of_inrush_and_what_runs() -> None:
    """19 A on top of 6 A is worse than 22 A on top of 2 A."""
    plugs = [replace(PLUG, name=n, lead=None) for n in ("a", "b")]
    one = replace(
        KEY, name="one", kind="display", fed_by="a", feeds=("a",), draws=460.0, inrush=19.0
    )
    two = replace(one, name="two", fed_by="b", feeds=("b",), draws=1380.0, inrush=22.0)
    for devices in ((*plugs, one, two), (*plugs, two, one)):
        (load,) = mains_of(small(*devices), None, {}).loads
        assert (load.worst.device, load.worst.inrush) == ("a", 19.0)
        assert load.worst.running == pytest.approx(6.0)
        assert load.devices == (("two", 1380.0), ("one", 460.0))


def test_a_load_without_inrush_has_no_worst() -> None:
    (load,) = mains_of(small(PLUG, replace(KEY, inrush=0.0), CALM), "day", FULL).loads
    assert load.worst is None
    assert load.cascade is None
    assert load.devices == (("key", 100.0),)


def test_a_strip_between_is_switched_with_its_plug_and_a_plug_is_not() -> None:
    strip = replace(
        PLUG,
        name="strip",
        fed_by="plug",
        feeds=("plug",),
        speaks=None,
        tells=frozenset(),
        inrush=1.0,
    )
    on_strip = replace(KEY, fed_by="strip", feeds=("strip", "plug"), inrush=5.0)
    inner = replace(PLUG, name="inner", fed_by="plug", feeds=("plug",), inrush=2.0)
    on_inner = replace(FILL, fed_by="inner", feeds=("inner", "plug"), inrush=7.0)
    profile = small(PLUG, strip, on_strip, inner, on_inner)
    assert inrush_of(profile, "plug") == 1.0 + 5.0 + 2.0
    assert inrush_of(profile, "plug", whole=True) == 15.0
    assert inrush_of(profile, "inner") == 9.0
    assert switch_ons(profile, "wall") == ["plug", "inner"]
    assert switch_ons(profile, "other") == []


def test_what_has_a_switch_of_its_own_and_no_plug_above() -> None:
    lamp = replace(KEY, name="lamp", fed_by="wall", feeds=(), tells=frozenset({"switch", "level"}))
    below = replace(lamp, name="below", fed_by="plug", feeds=("plug",))
    assert switch_ons(small(PLUG, lamp, below), "wall") == ["plug", "lamp"]


def test_a_lead_that_loses_too_much_and_one_that_does_not() -> None:
    """2 L I R with 13.3 ohm/km (IEC 60228, from memory), warm: 10 A over 25 m of 1.5 mm² lose 8.09 V."""
    key = replace(KEY, draws=1150.0, inrush=0.0)
    fill = replace(key, name="fill")
    wide = {"wall": Circuit("wall", 32.0, "B", 0.5)}
    long = replace(PLUG, lead=Lead(25.0, square_mm=1.5))
    (lead,) = mains_of(small(long, key, fill, circuits=wide), "day", FULL).leads
    assert (lead.amps, lead.drop) == (pytest.approx(10.0), pytest.approx(8.087, abs=1e-3))
    assert lead.share == pytest.approx(8.087 / 230, abs=1e-5)
    assert lead.section == "1.5 mm²"
    ((weight, text),) = texts(long, key, fill, circuits=wide)
    assert weight == "near"
    assert "the lead of plug loses 8.1 V, 3.5% of the voltage; 3% is the usual advice" in text
    short = replace(PLUG, lead=Lead(20.0, square_mm=1.5))
    assert texts(short, key, fill, circuits=wide) == []
    gauge = replace(PLUG, lead=Lead(304.8, awg=14))
    (american,) = mains_of(small(gauge, replace(key, draws=230.0), CALM), "day", FULL).leads
    assert (american.section, american.drop) == ("14 AWG", pytest.approx(2 * 3.14))


def test_batteries_energy_and_cost() -> None:
    found = mains_of(small(), "day", FULL, 3.0)
    assert found.watts == 200.0  # the camera is on battery
    assert found.kwh == pytest.approx(0.6)
    assert found.cost == (pytest.approx(0.3), "EUR")
    assert mains_of(small(price=Price(0.25, "USD")), "day", FULL, 2.0).cost == (
        pytest.approx(0.1),
        "USD",
    )
    for hours in (0.0, -1.0, float("nan")):
        with pytest.raises(ValueError, match="longer than"):
            mains_of(small(), "day", FULL, hours)


def test_what_is_missing_is_named_once_and_by_its_kind() -> None:
    def missing(*devices) -> list[str]:  # type: ignore[no-untyped-def]
        found = mains_of(small(*devices), "day", FULL)
        return [f.text for f in found.findings if f.weight == "missing"]

    assert missing(PLUG, KEY, FILL, CAMERA) == []
    idle = replace(CAMERA, draws=0.0)
    assert missing(PLUG, KEY, FILL, idle) == ["no draw given for camera: run time"]
    assert missing(PLUG, KEY, FILL, replace(idle, holds=None)) == []
    dark = mains_of(small(PLUG, KEY, FILL), "day", {**FULL, "key": Preset(0.0)})
    assert [f.text for f in dark.findings if f.weight == "missing"] == []
    assert missing(PLUG, replace(KEY, draws=0.0), FILL) == [
        "no draw given for key: it is missing in the load"
    ]


def test_each_circuit_has_its_own_load() -> None:
    far = replace(PLUG, name="far", fed_by="bench", circuit="bench", lead=None)
    lamp = replace(FILL, fed_by="far", feeds=("far",), circuit="bench")
    circuits = {"wall": Circuit("wall", 10.0, "B", 0.5), "bench": Circuit("bench", 16.0, "C", 0.5)}
    wall, bench = mains_of(small(PLUG, KEY, far, lamp, circuits=circuits), "day", FULL).loads
    assert (wall.watts, bench.watts) == (100.0, 100.0)
    assert (bench.limit, bench.band) == (pytest.approx(0.8 * 16 * 230), 80.0)
    assert bench.amps == pytest.approx(100 / 230)
    assert bench.worst.device == "far"
    assert [n for n, _ in bench.devices] == ["fill"]
