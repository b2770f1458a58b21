"""Quantities carry their units and lose nothing on the way in."""

from __future__ import annotations

import re
from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st

from studiobridge.profile import quantity as q


@pytest.mark.parametrize(
    ("text", "kind", "value"),
    [
        ("64 %", q.LEVEL, 64.0),
        ("63.5%", q.LEVEL, 63.5),
        ("4300 K", q.CCT, 4300.0),
        ("1.5 s", q.TIME, 1.5),
        ("300 ms", q.TIME, 0.3),
        ("2 min", q.TIME, 120.0),
        ("3 h", q.TIME, 10800.0),
        ("18 A", q.CURRENT, 18.0),
        ("72 W", q.POWER, 72.0),
        ("1.2 kW", q.POWER, 1200.0),
        ("230 V", q.VOLTAGE, 230.0),
        ("0.1 stop", q.STOPS, 0.1),
        ("8 mired", q.MIRED, 8.0),
        ("2.4 m", q.LENGTH, 2.4),
    ],
)
def test_what_people_write(text: str, kind: q.Kind, value: float) -> None:
    assert q.parse(text, kind) == pytest.approx(value)


def test_feet_and_inches_are_exact() -> None:
    """1 in is 25.4 mm by definition: 4 ft 3 in is 1.2954 m, 9.5 in is 0.2413 m."""
    assert q.exact("4 ft 3 in", q.LENGTH) == Fraction(12954, 10000)
    assert q.exact("9.5 in", q.LENGTH) == Fraction(2413, 10000)
    with pytest.raises(ValueError, match="13 inches"):
        q.exact("4 ft 13 in", q.LENGTH)


@given(st.decimals(0, 100, places=1))
def test_a_level_written_by_keep_reads_back(level: object) -> None:
    assert q.parse(q.format_level(float(level)), q.LEVEL) == pytest.approx(float(level))  # type: ignore[arg-type]


@given(st.integers(1000, 25000))
def test_a_colour_written_by_keep_reads_back(cct: int) -> None:
    assert q.parse(q.format_cct(float(cct)), q.CCT) == cct


def test_ranges_and_spans() -> None:
    assert q.parse_range("2700..6500 K", q.CCT) == (2700.0, 6500.0)
    assert q.parse_span("0..255") == (0.0, 255.0)
    for text in ("2700-6500 K", "2700..6500", "6500..2700 K", "a..b K"):
        with pytest.raises(ValueError):
            q.parse_range(text, q.CCT)


@given(st.one_of(st.text(max_size=60), st.floats(), st.integers(), st.booleans(), st.none()))
def test_anything_else_is_a_clear_error(junk: object) -> None:
    for kind in (q.LEVEL, q.CCT, q.TIME, q.LENGTH):
        try:
            assert kind.low <= q.parse(junk, kind) <= kind.high
        except ValueError as error:
            assert str(error).isprintable()


@pytest.mark.parametrize(
    ("text", "inches"),
    [
        ("6'6\"", 78),
        ("6' 6\"", 78),
        ("6′ 6″", 78),
        ("6ft6", 78),
        ("6 foot 6", 78),
        ("6 feet 6 inches", 78),
        ("6 ft 6 in", 78),
        ("6'", 72),
        ('30"', 30),
        ("4 ft 3 1/4 in", 51.25),
        ("1/2 in", 0.5),
        ("-2' 3\"", -27),
    ],
)
def test_feet_and_inches_as_people_write_them(text: str, inches: float) -> None:
    """1 in is 25.4 mm exactly (definition)."""
    assert q.parse(text, q.LENGTH) == pytest.approx(inches * 0.0254, abs=1e-12)
    assert re.match(q.LENGTH.pattern, text)


@pytest.mark.parametrize(
    ("text", "write"),
    [
        ("1,5 m", "write '1.5 m'"),
        ("1,500 m", "write '1.500 m', or '1500 m' for thousands"),
        ("6' 13\"", "0 to under 12"),
        ("6 ft 1/0 in", "3 1/4 in"),
        ("6 6", "write it like"),
        ("2 meters", "write '2 m'"),
        ("", "write it like"),
    ],
)
def test_a_length_that_could_mean_two_things_is_explained(text: str, write: str) -> None:
    with pytest.raises(ValueError, match=re.escape(write)):
        q.parse(text, q.LENGTH)


def test_the_ends_of_a_range_are_in_it() -> None:
    """The words of a refusal name them, so they can be written."""
    for kind in (q.SIZE, q.LUX, q.GLOW, q.ENERGY, q.METER_STEP, q.CCT_STEP):
        unit = next(iter(kind.units))
        assert float(q.exact(f"{kind.low} {unit}", kind)) == kind.low
        with pytest.raises(ValueError, match="is outside"):
            q.exact(f"{kind.low / 2} {unit}", kind)
