"""Depth, framing and bearings of a small set."""

from __future__ import annotations

from dataclasses import replace
from fractions import Fraction
from types import MappingProxyType

import pytest

from studiobridge.craft.space import metres
from studiobridge.figures.depth import budget
from studiobridge.figures.room import room_of
from studiobridge.profile.model import Picture, Room, Variation
from tests.figures.sets import CAMERA, KEY, MARK, PLUG, small

CHAIN = {
    "cloth": metres(0, Fraction(17, 2)),
    "subject": metres(2, 3),
    "gap": metres(1, Fraction(1, 4)),
}
ROOM = Room(
    metres(6),
    9.0,
    3.0,
    MARK,
    MappingProxyType(CHAIN),
    (
        Variation("no-gap", "", MappingProxyType({"gap": Fraction(0)})),
        Variation("nearer", "", MappingProxyType({"subject": metres(2)})),
    ),
)


def test_a_worked_example_to_the_quarter_inch() -> None:
    """8 1/2 in + 2 ft 3 in + 1 ft 1/4 in is 3 ft 11 3/4 in; 2 ft 1/4 in of 6 ft are left."""
    found = budget(small(room=ROOM))
    assert found.total == metres(3, Fraction(47, 4))
    assert found.left == metres(2, Fraction(1, 4))
    saves = {v.name: v.saves for v in found.variations}
    assert saves == {"no-gap": metres(1, Fraction(1, 4)), "nearer": metres(0, 3)}
    assert [(v.name, v.total, v.left) for v in found.variations] == [
        ("no-gap", metres(2, Fraction(23, 2)), metres(3, Fraction(1, 2))),
        ("nearer", metres(3, Fraction(35, 4)), metres(2, Fraction(13, 4))),
    ]
    assert found.together == found.total - sum(saves.values())


def test_framing_by_hand() -> None:
    """36 mm across at 3 m with 36 mm of focal length shows 3 m less what focusing there takes off:
    a thin lens is 36 mm farther out then, and shows 2.964 m; a 24 mm side shows 1.976 m."""
    profile = small(picture=Picture(focal=36.0, sensor=(36.0, 24.0), fits="full-length"))
    found = room_of(profile).framing
    assert found.distance == pytest.approx(3.0)
    assert found.field == (pytest.approx(2.964), pytest.approx(1.976))
    fits = {f.framing: f.fits for f in found.fits}
    assert fits == {"head-and-shoulders": True, "half-length": True, "full-length": False}
    longer = replace(profile, picture=Picture(focal=50.0, sensor=(36.0, 24.0)))
    again = {f.framing: f for f in room_of(longer).framing.fits}
    assert not again["full-length"].fits
    assert again["full-length"].from_distance == pytest.approx(2.0 * 50 / 24 + 0.05)


def test_bearings_are_as_the_camera_sees_them() -> None:
    found = {s.device: s for s in room_of(small()).standing}
    assert found["key"].bearing == pytest.approx(-36.87, abs=0.01)
    assert found["fill"].bearing == pytest.approx(53.13, abs=0.01)
    assert found["key"].distance == pytest.approx(5.0)
    assert found["camera"].bearing is None


def test_missing_figures_are_said() -> None:
    found = room_of(small(PLUG, KEY, CAMERA, picture=Picture(sensor=(36.0, 24.0))))
    assert "no focal length given: framing not computed" in found.missing
    assert "no chain given in the room: depth not added up" in found.missing
    assert found.framing is None
