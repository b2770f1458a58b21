"""Room and framing against lens tables; the practice of small rooms is in test_small_room.py."""

from __future__ import annotations

from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st

from studiobridge.craft.space import (
    Link,
    angle_of_view,
    chain,
    distance_for,
    feet_and_inches,
    metres,
)


def test_angles_of_view_on_36_by_24() -> None:
    """Lens tables: 24 mm 73.7, 35 mm 54.4, 50 mm 39.6, 85 mm 23.9 degrees across 36 mm."""
    for focal, angle in [(24, 73.7), (35, 54.4), (50, 39.6), (85, 23.9)]:
        assert angle_of_view(focal, 36) == pytest.approx(angle, abs=0.05)


def test_feet_and_inches_are_exact() -> None:
    """By definition 1 in is 25.4 mm; 4 ft 3 in is 4.25 ft and never 4.2."""
    assert metres(4, 3) == Fraction(12954, 10000)
    assert feet_and_inches(metres(4, 3)) == "4 ft 3 in"
    assert feet_and_inches(metres(0, Fraction(19, 2))) == "9 1/2 in"
    assert feet_and_inches(metres(7)) == "7 ft"


@given(st.integers(0, 60), st.integers(0, 47))
def test_feet_and_inches_there_and_back(feet: int, quarters: int) -> None:
    length = metres(feet, Fraction(quarters, 4))
    words = feet_and_inches(length).split()
    back = Fraction(0)
    for i, word in enumerate(words):
        if word == "ft":
            back += 12 * Fraction(words[i - 1])
        elif word == "in":
            start = words.index("ft") + 1 if "ft" in words else 0
            back += sum(Fraction(w) for w in words[start:i])
    assert back * Fraction(254, 10000) == length


def test_a_field_is_what_a_thin_lens_throws() -> None:
    """Magnification f / (s - f) (thin lens): 50 mm at 1.05 m is 1:20, at 10 cm life size."""
    assert distance_for(50, 36, 0.036 * 20) == pytest.approx(1.05)
    assert distance_for(50, 36, 0.036) == pytest.approx(0.1)
    # far away it is the angle of view alone: 36 mm before 36 mm is as wide as it is far
    assert distance_for(36, 36, 1000) == pytest.approx(1000, rel=1e-4)


def test_what_cannot_be_is_refused() -> None:
    with pytest.raises(ValueError):
        angle_of_view(0, 36)
    with pytest.raises(ValueError, match="table"):
        chain([Link("table", Fraction(-1))])
