"""What a pin-hole sees, against a rotation matrix and a count of rays: derived on its own here.

numpy turns a camera that looks along its own z axis by two turns (heading, then tilt), the way of
every textbook on the pin-hole (Hartley and Zisserman, chapter 6: x = K R (X - C)).
"""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from studiobridge.craft import view as seeing
from studiobridge.craft.view import Plane, crop, image_distance, looking

SIDES = ((-1, -1), (1, -1), (1, 1), (-1, 1))
METRE = st.floats(-1.5, 1.5)


def turned(stands: np.ndarray, towards: np.ndarray) -> np.ndarray:
    """Rows: right, down and ahead of the camera, in coordinates where z is up and x, y are turned
    so that they are right-handed (y of the house negated: into the room's back wall)."""
    into = np.array([1.0, -1.0, 1.0])
    dx, dy, dz = (towards - stands) * into
    heading, tilt = math.atan2(dx, dy), math.atan2(dz, math.hypot(dx, dy))
    c, s = math.cos(heading), math.sin(heading)
    yaw = np.array([[c, -s, 0], [s, c, 0], [0, 0, 1]])
    c, s = math.cos(tilt), math.sin(tilt)
    # camera axes of one that looks along +y: right x, down -z, ahead y; then tilted up
    level = np.array([[1, 0, 0], [0, s, -c], [0, c, s]])
    return level @ yaw * into


@given(METRE, st.floats(2.5, 6), st.floats(0.5, 2.4), METRE, st.floats(1, 2), st.floats(0.5, 2))
def test_the_corners_are_those_of_a_rotation_matrix(
    x: float, y: float, z: float, to_x: float, to_y: float, to_z: float
) -> None:
    stands, towards = np.array([x, y, z]), np.array([to_x, to_y, to_z])
    half = (0.45, 0.3)
    camera = looking((x, y, z), (to_x, to_y, to_z), half)
    plane = Plane((0.2, 0.1, 1.2), (2.0, 1.6))
    assert camera is not None
    found = seeing.corners_on(camera, plane)
    rows = turned(stands, towards)
    for (right, up), (a, b) in zip(SIDES, found, strict=False):
        seen = rows @ (np.array(plane.at((a, b))) - stands)
        assert seen[0] / seen[2] / half[0] == pytest.approx(right, abs=1e-6)
        assert -seen[1] / seen[2] / half[1] == pytest.approx(up, abs=1e-6)
        assert plane.at((a, b))[1] == plane.middle[1]
    # the horizon is level: the right of the picture is neither up nor down
    assert rows[0][2] == pytest.approx(0) and camera.right[2] == 0
    assert camera.right == pytest.approx(tuple(rows[0]), abs=1e-9)


@pytest.mark.parametrize(
    ("stands", "towards", "middle", "size"),
    [
        ((0, 3.6, 1.4), (0, 1.7, 1.3), (0, 0.1, 1.3), (2.0, 2.0)),
        ((0.4, 3.2, 1.9), (-0.3, 1.6, 1.0), (0.5, 0.1, 1.0), (1.8, 2.4)),
        ((-1.2, 3.0, 0.6), (0.6, 1.4, 1.6), (0, 0.0, 1.1), (3.0, 2.2)),
        ((0, 3, 1.2), (3, 2.5, 1.2), (0, 0.1, 1.2), (3, 2)),  # a corner never meets the plane
        ((0, 3, 1.2), (0, 9, 1.2), (0, 0.1, 1.2), (3, 2)),  # it looks away
    ],
)
def test_what_is_covered_and_what_lacks_against_a_count_of_rays(
    stands: seeing.Point3,
    towards: seeing.Point3,
    middle: seeing.Point3,
    size: seeing.Point2,
) -> None:
    """A ray through each of 400 by 400 points of the picture, by the rotation matrix."""
    half = (0.514, 0.343)
    camera = looking(stands, towards, half)
    plane = Plane(middle, size)
    assert camera is not None
    steps = (np.arange(400) + 0.5) / 200 - 1
    right, up = np.meshgrid(steps * half[0], steps * half[1])
    rays = np.stack([right, -up, np.ones_like(up)], axis=-1) @ turned(
        np.array(stands, float), np.array(towards, float)
    )
    with np.errstate(divide="ignore"):
        far = (middle[1] - stands[1]) / rays[..., 1]
    x = stands[0] + far * rays[..., 0] - middle[0]
    z = stands[2] + far * rays[..., 2] - middle[2]
    meets = far > 0
    on = meets & (abs(x) <= size[0] / 2) & (abs(z) <= size[1] / 2)
    part = seeing.part_seen(camera, plane)
    assert seeing.share_of_picture(camera, plane, part) == pytest.approx(on.mean(), abs=0.004)
    if meets.all():
        for axis, limit, beyond in (
            (0, -size[0] / 2, x < -size[0] / 2),
            (0, size[0] / 2, x > size[0] / 2),
            (1, size[1] / 2, z > size[1] / 2),
            (1, -size[1] / 2, z < -size[1] / 2),
        ):
            share = seeing.share_beyond(camera, plane, axis, limit)
            assert share == pytest.approx(beyond.mean(), abs=0.004)
    else:
        assert seeing.corners_on(camera, plane) == ()


def test_a_camera_that_looks_straight_down_has_no_horizon() -> None:
    assert looking((0, 1, 2), (0, 1, 0), (0.5, 0.3)) is None


def test_the_largest_picture_of_other_sides() -> None:
    """16:9 of 36 x 24 is 36 x 20.25 mm; a square of it 24 x 24; 3:2 all of it (ratios)."""
    assert crop((36, 24), 16 / 9) == pytest.approx((36, 20.25))
    assert crop((36, 24), 1) == pytest.approx((24, 24))
    assert crop((36, 24), 1.5) == pytest.approx((36, 24))
    assert crop((36, 24), None) == (36, 24)


def test_a_lens_that_is_focused_near() -> None:
    """1/f = 1/s + 1/s' (thin lens): 50 mm at 1 m is 52.63 mm behind it, at 100 mm life size."""
    assert image_distance(50, 1) == pytest.approx(52.632, abs=1e-3)
    assert image_distance(50, 0.1) == pytest.approx(100)
    assert image_distance(50, None) == 50
    with pytest.raises(ValueError, match="nearer"):
        image_distance(50, 0.05)
