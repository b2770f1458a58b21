"""Two tapes to a point on the floor, by right triangles, and back by where two circles meet."""

from __future__ import annotations

import math

import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

from studiobridge.craft.tapes import CENTIMETRES, INCHES, tapes
from studiobridge.shown.lengths import Lengths
from tests.craft.measured import metres_of


def test_by_right_triangles() -> None:
    """A wall of 6 m: 3-4-5 on both sides of the middle, 5-12-13 from the left end."""
    middle = tapes(0.0, 4.0, 6.0)
    assert (middle.left, middle.right) == (5.0, 5.0)
    assert middle.angle == pytest.approx(2 * math.degrees(math.atan(3 / 4)))
    assert middle.good
    beside = tapes(2.0, 12.0, 6.0)
    assert beside.left == pytest.approx(13.0)
    assert beside.right == pytest.approx(math.hypot(1.0, 12.0))


@pytest.mark.parametrize(
    ("across", "out", "good"),
    [
        (0.0, 0.2, False),  # near the wall: nearly one line
        (0.0, 3.0, True),  # a right angle
        (0.0, 9.0, False),  # far out of a narrow room: nearly one direction
        (3.0, 0.0, False),  # in the corner itself
        (3.0, 6e-5, False),  # a tape that is too short to be read
        (-2.9, 1.5, True),
    ],
)
def test_tapes_that_cross_badly_are_not_good(across: float, out: float, good: bool) -> None:
    assert tapes(across, out, 6.0).good is good


def test_a_wall_without_width_is_refused() -> None:
    with pytest.raises(ValueError, match="wider than 0 m"):
        tapes(0.0, 1.0, 0.0)


@given(
    width=st.floats(1.5, 20.0),
    side=st.floats(-1.0, 1.0),
    out=st.floats(0.0, 20.0),
    feet=st.booleans(),
)
def test_a_point_found_with_the_tapes_as_they_are_said_is_the_place_to_a_quarter_inch(
    width: float, side: float, out: float, feet: bool
) -> None:
    """Where two circles meet: x from the difference of their squares, y from the left one."""
    across = side * width / 2
    made = tapes(across, out, width, INCHES if feet else CENTIMETRES)
    assume(made.good)
    lengths = Lengths(feet)
    left, right = metres_of(lengths.tape(made.left)), metres_of(lengths.tape(made.right))
    x = (left**2 - right**2) / (2 * width)
    y = math.sqrt(left**2 - (x + width / 2) ** 2)
    assert math.hypot(x - across, y - out) <= 0.0254 / 4
