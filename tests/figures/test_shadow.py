"""The presenter's shadow on a backdrop, worked out by hand.

The mark 1 m before the cloth, the key 4 m before the mark and 3 m to the left at the height of
the face: whatever stands at the mark is thrown 1/4 of the key's way aside and 5/4 as large.
"""

from __future__ import annotations

from dataclasses import replace

import pytest

from studiobridge.figures.shadow import clear_from, shadow_of
from studiobridge.profile.model import Picture, Place
from tests.figures.sets import CAMERA, KEY, PLUG, small

LENS = Picture(focal=36.0, sensor=(36.0, 24.0))
CLOTH = replace(
    KEY, name="cloth", kind="backdrop", place=Place(0.0, 0.0, 1.5), output=None, size=(4.0, 2.0)
)


def shadow(key=KEY, cloth=CLOTH, camera=CAMERA, picture=LENS):  # type: ignore[no-untyped-def]
    return shadow_of(small(PLUG, key, camera, cloth, picture=picture), key, cloth)


def test_where_it_falls_and_how_large() -> None:
    found = shadow()
    assert found.head == pytest.approx((0.75 - 0.1, -0.3125, 0.75 + 0.1, 0.1625))
    assert found.shoulders == pytest.approx((0.75 - 0.28125, -0.8125, 0.75 + 0.28125, -0.3125))
    assert found.in_picture == pytest.approx(1.0)
    assert found.seen


def test_a_key_higher_up_throws_it_lower() -> None:
    """2 m up over 4 m: half a metre down on the last metre."""
    high = shadow(replace(KEY, place=Place(5.0, -3.0, 3.5, "mark")))
    assert high.head[3] == pytest.approx(0.1625 - 0.5)
    assert high.head[0] == pytest.approx(0.65)


def test_a_large_light_has_a_soft_edge_and_no_core() -> None:
    """60 cm of light over 4 m make 15 cm of edge 1 m behind: a head of 20 cm keeps 5 cm of core;
    1 m of light makes 25 cm and leaves none. Similar triangles, for a light straight ahead."""
    ahead = replace(KEY, place=Place(5.0, 0.0, 1.5, "mark"))
    small_one, large = (shadow(replace(ahead, size=(s, s))) for s in (0.6, 1.0))
    assert small_one.soft == pytest.approx((0.15, 0.15))
    assert (small_one.core, large.core) == (True, False)
    assert large.soft == pytest.approx((0.25, 0.25))
    assert (shadow().soft, shadow().core) == (None, None)


def test_the_presenter_hides_a_shadow_that_falls_behind() -> None:
    """A light at the lens throws it where the camera cannot see: the same outline."""
    front = shadow(replace(KEY, place=replace(CAMERA.place, aim="mark")))
    assert front.in_picture == pytest.approx(0.0, abs=1e-9)
    assert not front.seen


def test_a_shadow_beside_the_cloth_is_not_seen() -> None:
    """A cloth 1 m wide ends at 0.5: of the shadow's shoulders 3 cm are on it, of 56."""
    narrow = shadow(cloth=replace(CLOTH, size=(1.0, 2.0)))
    height = 0.5  # all of the shoulders' height is on it, from -0.8125 to -0.3125
    whole = 0.2 * 0.475 + 0.5625 * 0.5
    assert narrow.in_picture == pytest.approx((0.5 - 0.46875) * height / whole, rel=1e-6)


def test_farther_from_the_cloth_it_leaves_the_picture() -> None:
    """Moved as one, it moves aside 3/4 m a metre, and the picture grows by half a metre a side."""
    long = replace(LENS, focal=72.0)
    found = shadow(picture=long)
    # half the picture is (3 + gap) / 4 wide; the shoulders' near edge is at 0.75 gap less
    # 0.225 (1 + gap / 4); clear where that is beyond: gap (0.75 - 0.05625 - 0.25) = 0.975
    assert found.in_picture is not None
    assert found.seen
    profile = small(PLUG, KEY, CAMERA, CLOTH, picture=long)
    assert clear_from(profile, KEY, CLOTH) == pytest.approx(0.975 / 0.44375, abs=0.08)


def test_none_falls_where_nothing_is_between() -> None:
    assert shadow(replace(KEY, place=Place(0.5, -3.0, 1.5, "mark"))) is None  # behind the subject
    assert shadow(cloth=replace(CLOTH, place=Place(2.0, 0.0, 1.5))) is None  # before it
    assert shadow(replace(KEY, place=None)) is None
    assert shadow(picture=Picture()).in_picture is None
