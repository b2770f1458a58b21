"""What an evenly lit rectangle throws on a plane, however near: a panel, a cloth, a patch of one.

A diffuse face (Lambert) is exact: the configuration factor of a plane element and a polygon,
Lambert's formula of 1760 over its edges (Howell's catalogue, section B, from memory), cut off at
the receiver's horizon. A face whose beam is not 120 degrees throws by the same cosine to a power
from each of its points (`craft.mark.off_axis_share`): the diffuse rectangle times how the two
compare, summed over the face by Gauss and Legendre's rule.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache
from itertools import pairwise

Vector = tuple[float, float, float]

# The widest rule the sums over a face use, points a side: a beam of 20 degrees on a face two
# times as large as it is far needs it.
MOST_POINTS = 16


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
    corners: tuple[Vector, Vector, Vector, Vector]


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

    def corner(s: float, t: float) -> Vector:
        s, t = s * width / 2.0, t * height / 2.0
        return (
            middle[0] + s * across[0] + t * up[0],
            middle[1] + s * across[1] + t * up[1],
            middle[2] + s * across[2] + t * up[2],
        )

    corners = (corner(-1, -1), corner(1, -1), corner(1, 1), corner(-1, 1))
    return Rectangle(middle, across, up, ahead, width, height, corners)


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


def _points(side: float, near: float) -> int:
    """How many points a side of a face takes: the more, the nearer, and the narrower its beam."""
    return min(MOST_POINTS, 2 + int(1.6 * side / near))


def on_plane(face: Rectangle, power: float, point: Vector, looks: Vector) -> float:
    """Illuminance (lx) on a plane at `point` that looks along `looks` (a unit vector), under a face
    whose luminance straight ahead is 1 cd/m2.

    `power` of the cosine by which it throws (1: diffuse, Lambert).
    """
    x, y, z = point[0] - face.middle[0], point[1] - face.middle[1], point[2] - face.middle[2]
    height = _dot((x, y, z), face.ahead)
    if height <= 0.0:
        return 0.0
    rays, cut = _above(face.corners, point, looks)
    if not rays:
        return 0.0
    diffuse = math.pi * _factor(rays, looks)
    if power == 1.0 or diffuse <= 0.0:
        return diffuse
    a, b = _dot((x, y, z), face.across), _dot((x, y, z), face.up)
    half_w, half_h = face.width / 2.0, face.height / 2.0
    aside = math.hypot(max(0.0, abs(a) - half_w), max(0.0, abs(b) - half_h))
    near = math.hypot(height, aside) * min(1.0, math.sqrt(2.0 / (power + 3.0)))
    wide, high = gauss(_points(face.width, near)), gauss(_points(face.height, near))
    if cut:
        return diffuse * _compared(rays, power, height, looks, max(wide, high, key=len))
    # how high each point of the face stands above the plane's horizon: even along its sides
    middle = -(x * looks[0] + y * looks[1] + z * looks[2])
    per_across, per_up = half_w * _dot(face.across, looks), half_h * _dot(face.up, looks)
    bent = -(power + 3.0) / 2.0
    total = plain = 0.0
    for t, weight_t in high:
        up, far = middle + t * per_up, height * height + (b - t * half_h) ** 2
        for s, weight_s in wide:
            square = far + (a - s * half_w) ** 2
            part = weight_s * weight_t * (up + s * per_across)
            total += part * square**bent
            plain += part / (square * square)
    return float(diffuse * height ** (power - 1.0) * total / plain)


def _compared(
    rays: Sequence[Vector],
    power: float,
    height: float,
    looks: Vector,
    rule: Sequence[tuple[float, float]],
) -> float:
    """How a beam compares with a diffuse face over a part of it: triangle by triangle, each drawn
    together from a square."""
    bent = -(power + 3.0) / 2.0
    total = plain = 0.0
    first = rays[0]
    for second, third in pairwise(rays[1:]):
        one = (second[0] - first[0], second[1] - first[1], second[2] - first[2])
        two = (third[0] - second[0], third[1] - second[1], third[2] - second[2])
        area = math.hypot(
            one[1] * two[2] - one[2] * two[1],
            one[2] * two[0] - one[0] * two[2],
            one[0] * two[1] - one[1] * two[0],
        )
        for t, weight_t in rule:
            out = (1.0 + t) / 2.0
            for s, weight_s in rule:
                along = (1.0 + s) / 2.0
                at = (
                    first[0] + out * (one[0] + along * two[0]),
                    first[1] + out * (one[1] + along * two[1]),
                    first[2] + out * (one[2] + along * two[2]),
                )
                square = _dot(at, at)
                part = weight_s * weight_t * area * out * _dot(at, looks)
                total += part * square**bent
                plain += part / (square * square)
    return float(height ** (power - 1.0) * total / plain) if plain > 0.0 else 1.0


def on_dome(face: Rectangle, power: float, point: Vector, looks: Vector) -> float:
    """What a dome at `point` that looks along `looks` reads (lx) under the same face.

    Each direction counts with (1 + cos) / 2: the shadow of a half sphere on a plane across the
    light is half a disc and half an ellipse (geometry).
    """
    x, y, z = point[0] - face.middle[0], point[1] - face.middle[1], point[2] - face.middle[2]
    height = _dot((x, y, z), face.ahead)
    if height <= 0.0:
        return 0.0
    a, b = _dot((x, y, z), face.across), _dot((x, y, z), face.up)
    half_w, half_h = face.width / 2.0, face.height / 2.0
    aside = math.hypot(max(0.0, abs(a) - half_w), max(0.0, abs(b) - half_h))
    near = math.hypot(height, aside) * min(1.0, math.sqrt(2.0 / (power + 2.0)))
    middle = -(x * looks[0] + y * looks[1] + z * looks[2])
    per_across, per_up = half_w * _dot(face.across, looks), half_h * _dot(face.up, looks)
    total = 0.0
    for t, weight_t in gauss(_points(face.height, near)):
        high, far = middle + t * per_up, height * height + (b - t * half_h) ** 2
        for s, weight_s in gauss(_points(face.width, near)):
            square = far + (a - s * half_w) ** 2
            away = math.sqrt(square)
            share = (1.0 + (high + s * per_across) / away) / 2.0
            total += weight_s * weight_t * share * (height / away) ** power / square
    return float(face.width * face.height * total)
