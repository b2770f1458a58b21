"""Measured dimmers whose table begins at the bottom of the dial."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from studiobridge.craft.light import Dimmer


def test_a_table_that_begins_at_nothing_and_one_that_does_not() -> None:
    whole = Dimmer("measured", ((0.0, 0.0), (50.0, 30.0), (100.0, 100.0)))
    above = Dimmer("measured", ((50.0, 30.0), (100.0, 100.0)))  # dark at 0 % is understood
    glimmer = Dimmer("measured", ((0.0, 2.0), (50.0, 30.0), (100.0, 100.0)))  # never quite out
    for level in (0.0, 10.0, 50.0, 80.0, 100.0):
        assert whole.output(level) == pytest.approx(above.output(level))
    assert whole.output(0.0) == 0.0
    assert glimmer.output(0.0) == pytest.approx(0.02)


@pytest.mark.parametrize(
    "dimmer",
    [
        Dimmer("linear"),
        Dimmer("square"),
        Dimmer("logarithmic"),
        Dimmer("measured", ((10.0, 3.0), (30.0, 17.0), (50.0, 38.0), (80.0, 76.0), (100.0, 100.0))),
    ],
    ids=lambda d: d.curve,
)
@given(share=st.floats(1e-4, 1.0))
def test_the_level_for_a_share_gives_that_share(dimmer: Dimmer, share: float) -> None:
    level = dimmer.level(share)
    # below its lowest step (0.1 %, IEC 62386-102, from memory) a logarithmic dimmer has no more
    least = max(share, 1e-3) if dimmer.curve == "logarithmic" else share
    assert dimmer.output(level) == pytest.approx(least, rel=1e-6)
    assert dimmer.level(0.0) == 0.0 and dimmer.level(1.0) == pytest.approx(100.0)


@pytest.mark.parametrize("share", [-0.1, 1.1, math.nan])
def test_no_level_for_what_is_no_share(share: float) -> None:
    with pytest.raises(ValueError, match="share"):
        Dimmer("square").level(share)
