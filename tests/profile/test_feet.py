"""Feet and inches: what is printed can be written, and a set in feet is shown in feet.

1 in is 25.4 mm exactly (international yard and pound agreement, 1959).
"""

from __future__ import annotations

import re
from fractions import Fraction
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st
from typer.testing import CliRunner

from studiobridge.cli.app import app
from studiobridge.craft.space import feet_and_inches
from studiobridge.profile import read_profile
from studiobridge.profile.quantity import LENGTH, exact
from studiobridge.shown.lengths import Lengths

CONFIG = Path(__file__).parents[2] / "config"
INCH = Fraction(254, 10000)


@given(st.integers(-1200, 1200), st.sampled_from([1, 2, 4, 8, 16, 32]))
def test_every_length_it_prints_it_reads(inches: int, parts: int) -> None:
    length = Fraction(inches, parts) * INCH
    assert exact(feet_and_inches(length, Fraction(1, parts)), LENGTH) == length


@given(st.fractions(-90, 90))
def test_what_is_shown_of_any_length_is_read_to_a_quarter_inch(metres: Fraction) -> None:
    shown = Lengths(feet=True).one(metres)
    assert abs(exact(shown, LENGTH) - metres) <= INCH / 8 + Fraction(1, 10**8)


@pytest.mark.parametrize(
    ("text", "inches"),
    [
        ("2 ft 3 1/2 in", Fraction(55, 2)),
        ("-2 ft 7 in", Fraction(-31)),
        ("-0 ft 6 in", Fraction(-6)),
        ("-3 1/2 in", Fraction(-7, 2)),
        ("1/2 in", Fraction(1, 2)),
        ("4 ft", Fraction(48)),
        ("+1 ft 0 in", Fraction(12)),
        ("1 ft 2.5 in", Fraction(29, 2)),
    ],
)
def test_the_sign_is_the_whole_lengths_and_fractions_are_read(text: str, inches: Fraction) -> None:
    assert exact(text, LENGTH) == inches * INCH


@pytest.mark.parametrize("text", ["2 ft -7 in", "2 ft 12 in", "1/0 in"])
def test_what_is_no_length_is_refused(text: str) -> None:
    with pytest.raises(ValueError, match=r"length|inches|fraction"):
        exact(text, LENGTH)


def test_a_set_in_feet_is_known_by_how_its_lengths_are_written() -> None:
    assert read_profile(CONFIG / "two-person-table.yaml").profile.feet
    assert not read_profile(CONFIG / "wheel-corner.yaml").profile.feet


def test_feet_come_first_in_what_is_said_of_a_set_in_feet() -> None:
    said = CliRunner().invoke(app, ["room", str(CONFIG / "two-person-table.yaml")]).stdout
    assert "3 ft 6 in right" in said
    metric = re.compile(r"[0-9] (m|cm)\b")
    assert metric.search(said), said
    for line in filter(metric.search, said.splitlines()):
        feet = re.search(r"[0-9] (ft|in)\b", line)
        assert feet is not None, line
        assert feet.start() < metric.search(line).start(), line  # type: ignore[union-attr]


def test_the_sheets_scale_is_in_feet(tmp_path: Path) -> None:
    for name, feet in (("two-person-table", True), ("wheel-corner", False)):
        drawn = tmp_path / f"{name}.svg"
        CliRunner().invoke(app, ["sheet", str(CONFIG / f"{name}.yaml"), "-o", str(drawn)])
        text = drawn.read_text(encoding="utf-8")
        assert (">6 ft<" in text) is feet
        assert (">2 m<" in text) is not feet
