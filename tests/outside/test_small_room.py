"""A small one-person green-screen room, by the practice of such rooms. No source.

Check values only: all of them are common practice for rooms of this kind, none is a standard.
"""

from __future__ import annotations

from fractions import Fraction

import pytest

from studiobridge.craft.mark import stops
from studiobridge.craft.space import (
    Link,
    chain,
    distance_for,
    feet_and_inches,
    metres,
    saved,
)

INCH = Fraction(254, 10000)

CHAIN = [
    Link("backdrop frame", metres(0, Fraction(19, 2))),
    Link("focus point of the subject", metres(1, 6)),
    Link("table", metres(2)),
    # the lens front stands at 7 ft 2 in, the rear of the rig at 8 ft 9 in
    Link("gap and throw", metres(7, 2) - metres(4, Fraction(7, 2))),
    Link("camera and prompter", metres(1, 7)),
]


def whole_inches(length: Fraction) -> tuple[int, int]:
    return divmod(int(length / INCH), 12)


def test_the_table_is_three_and_a_half_feet_from_the_screen() -> None:
    stations = chain(CHAIN)
    assert stations[2].total - stations[0].total == metres(3, 6)
    assert feet_and_inches(stations[2].total - stations[0].total) == "3 ft 6 in"


def test_four_feet_three_from_the_wall_to_the_inch_below() -> None:
    """9.5 in + 3 ft 6 in is 4 ft 3 1/2 in: to the nearest inch below, 4 ft 3 in, never 4.2 ft."""
    at_table = chain(CHAIN)[2].total
    assert whole_inches(at_table) == (4, 3)
    assert at_table == metres(4, Fraction(7, 2))


def test_under_nine_feet_in_all_and_five_less_than_before() -> None:
    stations = chain(CHAIN)
    assert stations[3].total == metres(7, 2)
    assert stations[4].total == metres(8, 9)
    assert stations[4].total < metres(9)
    # the older arrangement took fourteen feet
    assert metres(14) - stations[4].total > metres(5)


def test_each_variation_saves_about_a_foot() -> None:
    """The walking gap, a truly wide lens, a small prompter: under 8, under 7, under 6 feet."""
    now = list(CHAIN)
    below = [8, 7, 6]
    for name, limit in zip(
        ("gap and throw", "gap and throw", "camera and prompter"), below, strict=True
    ):
        varied = [Link(x.name, x.depth - metres(1)) if x.name == name else x for x in now]
        assert saved(now, varied) == metres(1)
        now = varied
        assert chain(now)[-1].total < metres(limit)


@pytest.mark.parametrize("focal", [16, 20, 25])
def test_wide_lenses_serve_these_distances(focal: int) -> None:
    """From the lens at 7 ft 2 in to the focus point at 2 ft 3.5 in on 36 x 24 mm: half a person high."""
    throw = float(metres(7, 2) - metres(2, Fraction(7, 2)))
    assert distance_for(focal, 24, 1.4) <= throw


def test_fifty_needs_a_longer_throw() -> None:
    throw = float(metres(7, 2) - metres(2, Fraction(7, 2)))
    assert distance_for(50, 24, 0.8) > throw
    # a lens twice as long shows the same from twice as far
    assert distance_for(50, 24, 1.4) == pytest.approx(2 * distance_for(25, 24, 1.4))


def test_key_against_fill_is_one_stop() -> None:
    """Back 20 %, sides 30 %, lit backdrop 75 %, key 100 % against fill 50 %, all at 5600 K."""
    assert stops(100, 50) == 1.0
