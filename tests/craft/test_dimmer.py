"""Measured dimmers whose table begins at the bottom of the dial."""

from __future__ import annotations

import pytest

from studiobridge.craft.light import Dimmer


def test_a_table_that_begins_at_nothing_and_one_that_does_not() -> None:
    whole = Dimmer("measured", ((0.0, 0.0), (50.0, 30.0), (100.0, 100.0)))
    above = Dimmer("measured", ((50.0, 30.0), (100.0, 100.0)))  # dark at 0 % is understood
    glimmer = Dimmer("measured", ((0.0, 2.0), (50.0, 30.0), (100.0, 100.0)))  # never quite out
    for level in (0.0, 10.0, 50.0, 80.0, 100.0):
        assert whole.output(level) == pytest.approx(above.output(level))
    assert whole.output(0.0) == 0.0
    assert glimmer.output(0.0) == pytest.approx(0.02)
