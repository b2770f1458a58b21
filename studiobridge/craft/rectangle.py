"""What an evenly lit rectangle throws on a plane, however near: a panel, a cloth, a patch of one.

A diffuse face (Lambert) is exact: the configuration factor of a plane element and a polygon,
Lambert's formula of 1760 over its edges (Howell's catalogue, section B, from memory), cut off at
the receiver's horizon. A face whose beam is not 120 degrees throws by the same cosine to a power
from each of its points (`craft.mark.beam_power`): the diffuse rectangle times how the two
compare, summed over the face by Gauss and Legendre's rule.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cache
from itertools import pairwise
from typing import NamedTuple

Vector = tuple[float, float, float]

# The most points a side that the sums over a face take at once. Where more are needed, very near,
# the side is taken piece by piece from the foot of the point outwards, each piece so many times as
# long as the one before and with so many points of its own.
MOST_POINTS = 16
LONGER, POINTS_A_PIECE = 3.0, 8
# Nearer than this share of a side adds nothing that anybody could measure.
NEAREST = 1e-4
# A beam whose cosine goes to a higher power (46 degrees) lights a point from a part of the face
# only: up to where a millionth leaves it.
NARROW = 8.0
NOTHING = 6.0


def _dot(a: Vector, b: Vector) -> float:
    return a[0] * b[0] + a[1] * b[1] + a[2] * b[2]


def unit(a: Vector) -> Vector:
    """The direction of a vector. Raises ValueError where it has none."""
    length = math.hypot(*a)
    if not (0.0 < length < math.inf):
        raise ValueError("a direction has a length above 0")
    return (a[0] / length, a[1] / length, a[2] / length)


@dataclass(frozen=True, slots=True)
class Rectangle:
    """A rectangle in the room (m): its middle, its two directions and the way it shines (units)."""

    middle: Vector
    across: Vector
    up: Vector
    ahead: Vector
    width: float
    height: float
    corners: tuple[Vector, ...] = ()

    def spot(self, across: float, up: float) -> Vector:
        """A point of it, so far (m) across and up from its middle."""
        (x, y, z), (a, b, c), (d, e, f) = self.middle, self.across, self.up
        return (x + across * a + up * d, y + across * b + up * e, z + across * c + up * f)


def rectangle(middle: Vector, ahead: Vector, width: float, height: float) -> Rectangle:
    """A rectangle that shines `ahead`, its width level. One that shines straight up or down has
    its width across the room.

    Raises ValueError for sides not above 0, or where it shines nowhere.
    """
    if not (0.0 < width < math.inf and 0.0 < height < math.inf):
        raise ValueError(f"a face has sides above 0 m, not {width:g} and {height:g}")
    x, y, z = ahead = unit(ahead)
    level = math.hypot(x, y)
    across = (y / level, -x / level, 0.0) if level > 1e-9 else (1.0, 0.0, 0.0)
    a, b, _ = across
    up = (-b * z, a * z, b * x - a * y)
    if up[2] < 0.0:
        up = (-up[0], -up[1], -up[2])
    bare = Rectangle(middle, across, up, ahead, width, height)
    s, t = width / 2.0, height / 2.0
    corners = (bare.spot(-s, -t), bare.spot(s, -t), bare.spot(s, t), bare.spot(-s, t))
    return replace(bare, corners=corners)


def factor(corners: Sequence[Vector], point: Vector, looks: Vector) -> float:
    """Configuration factor (0-1) of a flat polygon as a plane element at `point` sees it.

    `looks` (a unit vector) is the way the element looks; what lies behind its plane is cut off.
    The illuminance under an even luminance L (cd/m2) is pi L times it. Which side of the polygon
    shines is the caller's to know.
    """
    rays, _ = _above(corners, point, looks)
    return _factor(rays, looks) if rays else 0.0


def _above(corners: Sequence[Vector], point: Vector, looks: Vector) -> tuple[list[Vector], bool]:
    """A polygon from a point, as far as it is above the horizon of the plane there; is it cut?"""
    px, py, pz = point
    nx, ny, nz = looks
    rays = [(x - px, y - py, z - pz) for x, y, z in corners]
    above = [x * nx + y * ny + z * nz for x, y, z in rays]
    if min(above) >= 0.0:
        return rays, False
    return ([], True) if max(above) <= 0.0 else (_cut(rays, above), True)


def _factor(rays: Sequence[Vector], looks: Vector) -> float:
    nx, ny, nz = looks
    total = 0.0
    ax, ay, az = rays[-1]
    for bx, by, bz in rays:
        cx, cy, cz = ay * bz - az * by, az * bx - ax * bz, ax * by - ay * bx
        length = math.sqrt(cx * cx + cy * cy + cz * cz)
        if length > 0.0:
            turn = math.atan2(length, ax * bx + ay * by + az * bz)
            total += turn * (cx * nx + cy * ny + cz * nz) / length
        ax, ay, az = bx, by, bz
    return abs(total) / math.tau


def _cut(rays: Sequence[Vector], above: Sequence[float]) -> list[Vector]:
    """The part of a polygon above the horizon."""
    kept: list[Vector] = []
    a, high_a = rays[-1], above[-1]
    for b, high_b in zip(rays, above, strict=True):
        if (high_a < 0.0) != (high_b < 0.0):
            t = high_a / (high_a - high_b)
            kept.append(
                (a[0] + t * (b[0] - a[0]), a[1] + t * (b[1] - a[1]), a[2] + t * (b[2] - a[2]))
            )
        if high_b >= 0.0:
            kept.append(b)
        a, high_a = b, high_b
    return kept


@cache
def gauss(count: int) -> tuple[tuple[float, float], ...]:
    """Places (-1 to 1) and weights (together 1) of Gauss and Legendre's rule.

    The roots of the Legendre polynomial by Newton (Abramowitz and Stegun 25.4.29, from memory).
    """
    found = []
    for i in range(count):
        x = math.cos(math.pi * (i + 0.75) / (count + 0.5))
        slope = 1.0
        for _ in range(50):
            here, before = x, 1.0
            for k in range(2, count + 1):
                here, before = ((2 * k - 1) * x * here - (k - 1) * before) / k, here
            slope = count * (x * here - before) / (x * x - 1.0)
            step = here / slope
            x -= step
            if abs(step) < 1e-15:
                break
        found.append((x, 1.0 / ((1.0 - x * x) * slope * slope)))
    return tuple(found)


class _Below(NamedTuple):
    """A point before a face: how high above it (m), where its foot is, and the part of the face
    that lights it, as (low, high) across and up."""

    height: float
    foot: tuple[float, float]
    across: tuple[float, float]
    up: tuple[float, float]
    # a length (m) over which what the points of the face give changes
    near: float

    def rule(self, up: bool) -> list[tuple[float, float]]:
        """Places (m) and weights (m) along a side: the more, the nearer, and the narrower."""
        low, high = self.up if up else self.across
        count = self.points(up)
        if count <= MOST_POINTS:
            return _along(low, high, count)
        foot = min(max(self.foot[1 if up else 0], low), high)
        found = []
        for end in (low, high):
            begin, step = 0.0, max(self.near, NEAREST * (high - low))
            way = abs(end - foot)
            while begin < way:
                # what would be left of less than a piece goes with this one
                after = begin + step if begin + 1.5 * step < way else way
                at = [foot + math.copysign(d, end - foot) for d in (begin, after)]
                found += _along(min(at), max(at), POINTS_A_PIECE)
                begin, step = after, step * LONGER
        return found

    def points(self, up: bool) -> int:
        """How many points a side asks for."""
        low, high = self.up if up else self.across
        return 2 + int(1.6 * (high - low) / max(self.near, NEAREST * (high - low)))


def _along(low: float, high: float, count: int) -> list[tuple[float, float]]:
    middle, half = (low + high) / 2.0, (high - low) / 2.0
    return [(middle + half * x, 2.0 * half * weight) for x, weight in gauss(count)]


def _below(face: Rectangle, power: float, point: Vector) -> _Below | None:
    """Where a point is before a face; None behind it, or wholly beside its beam."""
    x, y, z = (p - m for p, m in zip(point, face.middle, strict=True))
    height = _dot((x, y, z), face.ahead)
    if height <= 0.0:
        return None
    foot = _dot((x, y, z), face.across), _dot((x, y, z), face.up)
    half = face.width / 2.0, face.height / 2.0
    sides = [(-half[0], half[0]), (-half[1], half[1])]
    if power > NARROW:
        # past there a point of the face sends nothing worth counting
        reach = height * math.sqrt(10.0 ** (2.0 * NOTHING / power) - 1.0)
        sides = [
            (max(low, at - reach), min(high, at + reach))
            for (low, high), at in zip(sides, foot, strict=True)
        ]
        if any(low >= high for low, high in sides):
            return None
    aside = math.hypot(*(max(0.0, abs(at) - side) for at, side in zip(foot, half, strict=True)))
    near = math.hypot(height, aside) * min(1.0, math.sqrt(2.0 / (power + 3.0)))
    return _Below(height, foot, sides[0], sides[1], near)


def on_plane(face: Rectangle, power: float, point: Vector, looks: Vector) -> float:
    """Illuminance (lx) on a plane at `point` that looks along `looks` (a unit vector), under a face
    whose luminance straight ahead is 1 cd/m2.

    `power` of the cosine by which it throws (1: diffuse, Lambert).
    """
    if power == 1.0:
        (x, y, z), (a, b, c), (ahead, out, up) = point, face.middle, face.ahead
        before = (x - a) * ahead + (y - b) * out + (z - c) * up > 0.0
        return math.pi * factor(face.corners, point, looks) if before else 0.0
    below = _below(face, power, point)
    if below is None:
        return 0.0
    narrow = power > NARROW
    corners: Sequence[Vector] = face.corners
    if narrow:
        (left, right), (low, high) = below.across, below.up
        corners = [
            face.spot(s, t) for s, t in ((left, low), (right, low), (right, high), (left, high))
        ]
    rays, cut = _above(corners, point, looks)
    if not rays:
        return 0.0
    if cut:
        beam, plain = _over_triangles(rays, power, below, looks)
    else:
        beam, plain = _over_rectangle(face, power, below, point, looks)
    if narrow or plain <= 0.0:
        return beam
    return math.pi * _factor(rays, looks) * beam / plain


def _over_rectangle(
    face: Rectangle, power: float, below: _Below, point: Vector, looks: Vector
) -> tuple[float, float]:
    """The same sum with the beam and with a diffuse face, over all that lights the point."""
    height, (a, b) = below.height, below.foot
    per_across, per_up = _dot(face.across, looks), _dot(face.up, looks)
    ahead = _dot(face.ahead, looks)
    # how high each point of the face stands above the plane's horizon: even along its sides
    level = -height * ahead - a * per_across - b * per_up
    square_high, bent = height * height, (power - 1.0) / 2.0
    beam = plain = 0.0
    across = below.rule(up=False)
    for t, weight_t in below.rule(up=True):
        up, far = level + t * per_up, square_high + (b - t) ** 2
        for s, weight_s in across:
            square = far + (a - s) ** 2
            part = weight_s * weight_t * height * (up + s * per_across) / (square * square)
            beam += part * (square_high / square) ** bent
            plain += part
    return float(beam), plain


def _over_triangles(
    rays: Sequence[Vector], power: float, below: _Below, looks: Vector
) -> tuple[float, float]:
    """The same over a polygon: triangle by triangle, each drawn together from a square."""
    square_high, bent = below.height**2, (power - 1.0) / 2.0
    # two more: the part that is left is at its brightest at an edge of it
    count = 2 + min(MOST_POINTS, max(below.points(up=False), below.points(up=True)))
    rule = [((1.0 + x) / 2.0, weight) for x, weight in gauss(count)]
    beam = plain = 0.0
    first = rays[0]
    for second, third in pairwise(rays[1:]):
        one = (second[0] - first[0], second[1] - first[1], second[2] - first[2])
        two = (third[0] - second[0], third[1] - second[1], third[2] - second[2])
        area = below.height * math.hypot(
            one[1] * two[2] - one[2] * two[1],
            one[2] * two[0] - one[0] * two[2],
            one[0] * two[1] - one[1] * two[0],
        )
        for out, weight_out in rule:
            for along, weight in rule:
                at = (
                    first[0] + out * (one[0] + along * two[0]),
                    first[1] + out * (one[1] + along * two[1]),
                    first[2] + out * (one[2] + along * two[2]),
                )
                square = _dot(at, at)
                part = weight_out * weight * area * out * _dot(at, looks) / (square * square)
                beam += part * (square_high / square) ** bent
                plain += part
    return float(beam), plain


def on_dome(face: Rectangle, power: float, point: Vector, looks: Vector) -> float:
    """What a dome at `point` that looks along `looks` reads (lx) under the same face.

    Each direction counts with (1 + cos) / 2: the shadow of a half sphere on a plane across the
    light is half a disc and half an ellipse (geometry).
    """
    below = _below(face, power, point)
    if below is None:
        return 0.0
    height, (a, b) = below.height, below.foot
    per_across, per_up = _dot(face.across, looks), _dot(face.up, looks)
    level = -height * _dot(face.ahead, looks) - a * per_across - b * per_up
    total = 0.0
    across = below.rule(up=False)
    for t, weight_t in below.rule(up=True):
        up, far = level + t * per_up, height * height + (b - t) ** 2
        for s, weight_s in across:
            square = far + (a - s) ** 2
            away = math.sqrt(square)
            share = (1.0 + (up + s * per_across) / away) / 2.0
            total += weight_s * weight_t * share * (height / away) ** power / square
    return float(total)
