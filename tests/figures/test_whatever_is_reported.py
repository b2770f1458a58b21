"""A figure that cannot be had costs that figure: whatever a report carries, nothing raises."""

from __future__ import annotations

import math
from dataclasses import astuple, replace

import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from studiobridge.craft.grid import Grid
from studiobridge.craft.light import Dimmer, level_stops
from studiobridge.figures.face import Face
from studiobridge.figures.light import light_of, whites_apart
from studiobridge.profile.model import Picture, Preset
from tests.figures.sets import CAMERA, FILL, KEY, PLUG, small

DIMMERS = [
    Dimmer(),
    Dimmer("square"),
    Dimmer("logarithmic"),
    Dimmer("measured", ((5.0, 1.0), (50.0, 30.0), (100.0, 100.0))),
]
# what a report may carry and a float can hold, and what lies just past the ends of the usual
absurd = st.one_of(
    st.floats(),
    st.floats(-1.0, 101.0),
    st.floats(900.0, 26000.0),
    st.sampled_from([0.0, -0.0, 5e-324, 1e-300, 1e308, -1e308, math.nan, math.inf, -math.inf])
    | st.sampled_from([100.00000000000001, 999.9999, 1000.0, 25000.0, 25000.001, 1.0, 1e6]),
)
maybe = st.none() | absurd
presets = st.fixed_dictionaries(
    {"key": st.builds(Preset, maybe, maybe), "fill": st.builds(Preset, maybe, maybe)}
)


def figures(found: object) -> list[float]:
    return [f for f in astuple(found) if isinstance(f, float)]  # type: ignore[call-overload]


@given(
    *(presets, presets, st.sampled_from(DIMMERS), st.booleans()),
    st.sampled_from([None, -0.05, -0.01, 0.0, 0.05]),
)
@example(
    {"key": Preset(50.0, 4000.0), "fill": Preset(40.0, 4000.0)},
    {"key": Preset(50.0, 1800.0), "fill": Preset(40.0, 20000.0)},
    DIMMERS[0],
    False,
    None,
)
@example(
    {"key": Preset(50.0, 25000.00001), "fill": Preset(40.0, 1000.0)},
    {"key": Preset(50.0, 1000.0), "fill": Preset(40.0, 25000.00001)},
    DIMMERS[0],
    True,
    -0.05,
)
@settings(deadline=None)  # whoever is first waits for the tables to be read
def test_no_report_makes_the_picture_raise(
    wanted: dict[str, Preset],
    now: dict[str, Preset],
    dimmer: Dimmer,
    daylight: bool,
    duv: float | None,
) -> None:
    lamps = (replace(KEY, dimmer=dimmer, duv=duv), replace(FILL, dimmer=dimmer))
    devices = (PLUG, *lamps, CAMERA)
    face = Face(small(*devices, picture=Picture(daylight=daylight, white=4000.0, shutter=0.02)))
    change = face.change(wanted, now)
    if change is not None:
        assert all(math.isfinite(f) for f in figures(change))
        assert change.ratio is None or math.isfinite(change.ratio)
    for values in (wanted, now):
        whole = face.whole(values)
        if whole is None:
            assert face.sentences(values)
        else:
            assert all(math.isfinite(f) for f in figures(whole) if f is not whole.white)
            lit = [v for v in values.values() if v.level]
            if whole.white is None and lit and all(v.cct is not None for v in lit):
                assert face.sentences(values) or whole.lux < 1e-3
        reading = light_of(face.profile, "day", values, face)
        assert all(text.isprintable() for text in reading.missing)
        apart = whites_apart(values)
        assert apart is None or apart[0] >= 0.0


@pytest.mark.parametrize("kelvin", [1000.0, 1200.0, 1800.0, 13_000.0, 20_000.0, 25_000.0])
def test_every_white_a_profile_allows_has_its_figures(kelvin: float) -> None:
    """A profile takes 1000 to 25000 K; both lights at one of them mix to just that."""
    face = Face(small())
    wanted = {"key": Preset(50.0, 4000.0), "fill": Preset(40.0, 4000.0)}
    now = {name: Preset(p.level, kelvin) for name, p in wanted.items()}
    change = face.change(wanted, now)
    assert change is not None
    assert change.mired == pytest.approx(1e6 / kelvin - 250.0, abs=0.01)
    assert change.face == 0.0
    assert face.sentences(now) == ()


def test_a_white_past_the_end_costs_the_white_and_no_more() -> None:
    face = Face(small())
    wanted = {"key": Preset(50.0, 4000.0), "fill": Preset(40.0, 4000.0)}
    now = {"key": Preset(62.5, 900.0), "fill": Preset(40.0, 4000.0)}
    change = face.change(wanted, now)
    assert change is not None
    assert (change.mired, change.duv_prime) == (None, None)
    assert change.face == pytest.approx(math.log2(740 / 640))
    assert change.ratio == pytest.approx(math.log2(1.25))
    assert face.sentences(now) == ("no white is known at 900 K, which is what key says",)
    reading = light_of(face.profile, "day", now, face)
    assert any("no white is known at 900 K" in text for text in reading.missing)
    assert reading.whole is not None
    assert reading.whole.lux == pytest.approx(740.0)


@pytest.mark.parametrize("level", [100.5, -1.0, 1e308, math.nan, math.inf])
def test_a_level_that_is_none_is_named(level: float) -> None:
    face = Face(small())
    wanted = {"key": Preset(50.0, 4000.0), "fill": Preset(40.0, 4000.0)}
    now = {**wanted, "key": Preset(level, 4000.0)}
    assert face.change(wanted, now) is None
    assert face.sentences(now) == (f"{level:g} % is no level, and it is what key says",)


def test_a_light_nobody_could_see_is_dark() -> None:
    """Less than a millionth of a lux is no light to make a ratio with."""
    face = Face(small())
    wanted = {"key": Preset(50.0, 4000.0), "fill": Preset(40.0, 4000.0)}
    whole = face.whole({**wanted, "fill": Preset(1e-300, 900.0)})
    assert whole is not None
    assert whole.ratio is None
    assert whole.cct == pytest.approx(4000.0, abs=0.1)  # the key's alone
    change = face.change(wanted, {n: Preset(1e-300, 4000.0) for n in wanted})
    assert change is not None
    assert change.face is None


@given(absurd, absurd, st.sampled_from(DIMMERS))
def test_stops_between_any_two_levels(a: float, b: float, dimmer: Dimmer) -> None:
    found = level_stops(dimmer, a, b)
    assert found is None or math.isfinite(found)
    if not (0.0 <= a <= 100.0 and 0.0 <= b <= 100.0):
        assert found is None


@given(absurd, absurd)
def test_the_same_step_or_not_of_any_two_values(a: float, b: float) -> None:
    for grid in (
        Grid(153.0, 500.0, 1.0, "mired"),
        Grid(2700.0, 6500.0, 50.0, "kelvin"),
        Grid(0.0, 100.0, 0.4, "percent"),
        Grid(0.0, 1.0, 0.0, "fraction"),
    ):
        assert grid.same(a, b) == grid.same(b, a)
        if not (math.isfinite(a) and math.isfinite(b)):
            assert not grid.same(a, b)
