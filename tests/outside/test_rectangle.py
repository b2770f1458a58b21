"""Light off a rectangle against its definition: the sum over its patches, and older closed forms."""

from __future__ import annotations

import math

import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from studiobridge.craft.mark import beam_power, glow_on
from studiobridge.craft.rectangle import factor, on_dome, on_plane, rectangle, unit

numpy = pytest.importorskip("numpy")

sides = st.floats(0.05, 2.5)
directions = st.tuples(st.floats(-1, 1), st.floats(-1, 1), st.floats(-1, 1)).filter(
    lambda v: math.hypot(*v) > 0.1
)


def summed(middle, ahead, wide, high, beam, point, looks, receptor="flat"):  # type: ignore[no-untyped-def]
    """By definition: each of 240 x 240 patches is a lamp of its own, L cos^m / r2, at its middle."""
    ahead, looks = numpy.array(unit(ahead)), numpy.array(unit(looks))
    level = numpy.array([ahead[1], -ahead[0], 0.0])
    across = (
        level / numpy.linalg.norm(level)
        if numpy.linalg.norm(level) > 1e-9
        else numpy.array([1.0, 0, 0])
    )
    up = numpy.cross(ahead, across)
    steps = (numpy.arange(240) + 0.5) / 240 - 0.5
    s, t = numpy.meshgrid(steps * wide, steps * high)
    spots = numpy.array(middle) + s[..., None] * across + t[..., None] * up
    to = numpy.array(point) - spots
    away = numpy.linalg.norm(to, axis=-1)
    leaves = numpy.clip((to @ ahead) / away, 0.0, None)
    strikes = -(to @ looks) / away
    share = (1.0 + strikes) / 2.0 if receptor == "dome" else numpy.clip(strikes, 0.0, None)
    power = math.log(0.5) / math.log(math.cos(math.radians(beam / 2.0)))
    return float((leaves**power * share / away**2).sum() * wide * high / 240**2)


@given(
    sides, sides, directions, directions, st.floats(0.25, 4.0), st.floats(-1, 1), st.floats(-1, 1)
)
@settings(max_examples=25)
@example(1.2, 0.6, (0.0, 0.0, -1.0), (0.0, 1.0, 0.0), 0.4, 0.3, 0.2)
@example(2.0, 2.0, (0.0, 1.0, 0.0), (1.0, 0.0, 0.0), 0.5, 0.0, 0.0)
def test_a_diffuse_rectangle_is_the_sum_over_its_patches(
    wide, high, ahead, looks, far, s, t
) -> None:  # type: ignore[no-untyped-def]
    """Any orientation, also where the receiver's horizon cuts the face: to a thousandth."""
    middle = (0.4, 1.1, 1.6)
    face = rectangle(middle, ahead, wide, high)
    point = tuple(
        m + far * max(wide, high) * a + s * b + t * c
        for m, a, b, c in zip(middle, face.ahead, face.across, face.up, strict=True)
    )
    expected = summed(middle, ahead, wide, high, 120.0, point, looks)
    got = on_plane(face, 1.0, point, unit(looks))
    least = 1e-3 * wide * high / (far * max(wide, high)) ** 2  # of what it gives straight ahead
    assert got == pytest.approx(expected, rel=1e-3, abs=least)


@given(
    sides,
    sides,
    directions,
    st.floats(6.0, 165.0),
    st.floats(0.4, 5.0),
    st.floats(-1, 1),
    st.floats(-1, 1),
)
@settings(max_examples=30)
@example(1.0, 1.0, (0.0, -1.0, 0.0), 20.0, 0.5, 0.0, 0.0)
@example(1.0, 1.0, (1.0, 0.0, 0.0), 12.0, 0.8, 0.1, 0.2)
@example(1.0, 1.0, (0.0, -1.0, 0.0), 160.0, 0.5, 0.9, 0.9)
def test_any_beam_on_plane_and_dome_is_the_sum_over_its_patches(
    wide, high, looks, beam, far, s, t
) -> None:  # type: ignore[no-untyped-def]
    middle, ahead = (0.0, 0.0, 0.0), (0.0, 1.0, 0.0)
    face = rectangle(middle, ahead, wide, high)
    longest = max(wide, high)
    point = (s * longest, far * longest, t * longest)
    least = 1e-3 * wide * high / far**2 / longest**2  # of what it gives straight ahead
    dome = summed(middle, ahead, wide, high, beam, point, looks, "dome")
    assert on_dome(face, beam_power(beam), point, unit(looks)) == pytest.approx(
        dome, rel=1e-3, abs=least
    )
    flat = summed(middle, ahead, wide, high, beam, point, looks)
    assert on_plane(face, beam_power(beam), point, unit(looks)) == pytest.approx(
        flat, rel=1e-3, abs=least
    )


@given(sides, sides, st.floats(0.05, 5.0))
def test_a_parallel_rectangle_is_the_catalogue_s(wide: float, high: float, gap: float) -> None:
    """Howell's catalogue B-3, from memory: a rectangle parallel to the element, above its middle."""
    face = rectangle((0.0, 0.0, 0.0), (0.0, 1.0, 0.0), wide, high)
    got = on_plane(face, 1.0, (0.0, gap, 0.0), (0.0, -1.0, 0.0))
    assert got == pytest.approx(glow_on(1.0, wide, high, gap), rel=1e-9)


def test_a_corner_at_right_angles_is_the_catalogue_s() -> None:
    """Howell's catalogue B-4, from memory: a rectangle at right angles, the element below a corner:
    F = (atan(1/Y) - A Y atan(A)) / 2pi, A = 1/sqrt(X2+Y2), X height and Y distance over width."""
    wide, high, gap = 1.5, 0.8, 0.6
    face = rectangle((wide / 2, 0.0, high / 2), (0.0, 1.0, 0.0), wide, high)
    big_x, big_y = high / wide, gap / wide
    a = 1.0 / math.sqrt(big_x**2 + big_y**2)
    expected = (math.atan(1.0 / big_y) - big_y * a * math.atan(a)) / math.tau
    assert factor(face.corners, (0.0, gap, 0.0), (0.0, 0.0, 1.0)) == pytest.approx(expected)


@given(st.floats(20.0, 165.0), directions, st.floats(0.0, 80.0))
def test_far_away_it_is_the_inverse_square(beam: float, looks, off: float) -> None:  # type: ignore[no-untyped-def]
    """Fifty times its size away, any beam and any plane: to its own size at its edge."""
    face = rectangle((0.0, 0.0, 0.0), (0.0, 1.0, 0.0), 0.1, 0.1)
    point = (5.0 * math.sin(math.radians(off)), 5.0 * math.cos(math.radians(off)), 0.0)
    cosine = -sum(a * b for a, b in zip(unit(looks), unit(point), strict=True))
    ahead = 0.01 / 25.0
    # half is left at the edge of the beam, by its definition
    share = 0.5 ** (
        math.log(math.cos(math.radians(off))) / math.log(math.cos(math.radians(beam / 2)))
    )
    got = on_plane(face, beam_power(beam), point, unit(looks))
    assert got == pytest.approx(ahead * share * max(0.0, cosine), rel=2e-3, abs=4e-3 * ahead)
    dome = on_dome(face, beam_power(beam), point, unit(looks))
    assert dome == pytest.approx(ahead * share * (1 + cosine) / 2, rel=2e-3, abs=4e-3 * ahead)


def test_behind_it_there_is_nothing() -> None:
    face = rectangle((0.0, 0.0, 0.0), (0.0, 1.0, 0.0), 1.0, 1.0)
    for point in ((0.0, -0.1, 0.0), (3.0, 0.0, 0.0)):
        assert on_plane(face, 1.0, point, (0.0, 1.0, 0.0)) == 0.0
        assert on_dome(face, 2.0, point, (0.0, 1.0, 0.0)) == 0.0
    # and a plane that looks away from it gets nothing, a dome a little
    assert on_plane(face, 2.0, (0.0, 1.0, 0.0), (0.0, 1.0, 0.0)) == 0.0
    assert 0.0 < on_dome(face, 2.0, (0.0, 1.0, 0.0), (0.0, 1.0, 0.0)) < 0.1


@pytest.mark.parametrize(
    "call",
    [
        lambda: rectangle((0.0, 0.0, 0.0), (0.0, 0.0, 0.0), 1.0, 1.0),
        lambda: rectangle((0.0, 0.0, 0.0), (0.0, 1.0, 0.0), 0.0, 1.0),
        lambda: rectangle((0.0, 0.0, 0.0), (0.0, 1.0, 0.0), 1.0, math.inf),
        lambda: unit((math.nan, 0.0, 1.0)),
    ],
)
def test_what_is_no_rectangle_is_refused(call) -> None:  # type: ignore[no-untyped-def]
    with pytest.raises(ValueError):
        call()
