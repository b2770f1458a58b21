"""What a camera sees: a pin-hole with a level horizon, and its picture on an upright plane.

Points are (across, out from the back wall, up) in metres: across grows to the right as somebody
sees it who faces the back wall. A plane's own points are (right of, above) its middle.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

Point2 = tuple[float, float]
Point3 = tuple[float, float, float]

# Nearer to the lens (m) than this is no picture.
NEAREST = 0.01


def crop(sensor: Point2, aspect: float | None) -> Point2:
    """The sides (mm) of the largest part of a sensor whose width is `aspect` times its height."""
    wide, high = sensor
    if aspect is None:
        return sensor
    if not aspect > 0:
        raise ValueError(f"the sides of a picture are above 0, not {aspect:g}")
    return (wide, wide / aspect) if wide / high < aspect else (high * aspect, high)


def image_distance(focal: float, focus: float | None) -> float:
    """How far behind the lens (mm) the picture is sharp: f s / (s - f) for a thin lens.

    `focal` in mm, `focus` is how far away (m) it is focused, None: far away. A lens that is focused
    near shows a little less than its angle of view says. Raises ValueError for a focus within the
    focal length, where no picture is.
    """
    if not focal > 0:
        raise ValueError(f"a focal length is above 0 mm, not {focal:g}")
    if focus is None:
        return focal
    if not focus * 1000.0 > focal:
        raise ValueError(f"{focus:g} m is nearer than a lens of {focal:g} mm can focus")
    return focal * focus * 1000.0 / (focus * 1000.0 - focal)


@dataclass(frozen=True, slots=True)
class View:
    """A camera: where its lens is, three unit vectors, and half its field at 1 m (m)."""

    stands: Point3
    forward: Point3
    right: Point3
    up: Point3
    half: Point2

    def depth(self, point: Point3) -> float:
        """How far (m) in front of the lens a point is, along where the camera looks."""
        return _dot(self.forward, _minus(point, self.stands))

    def picture(self, point: Point3) -> Point2 | None:
        """Where a point is in the picture, -1 to 1 right and up; None: not in front of the lens."""
        way = _minus(point, self.stands)
        ahead = _dot(self.forward, way)
        if ahead < NEAREST:
            return None
        return (
            _dot(self.right, way) / ahead / self.half[0],
            _dot(self.up, way) / ahead / self.half[1],
        )

    def ray(self, right: float, up: float) -> Point3:
        """The way to a point of the picture, -1 to 1 right and up."""
        x, y = right * self.half[0], up * self.half[1]
        f, r, u = self.forward, self.right, self.up
        return (
            f[0] + x * r[0] + y * u[0],
            f[1] + x * r[1] + y * u[1],
            f[2] + x * r[2] + y * u[2],
        )


def looking(stands: Point3, towards: Point3 | None, half: Point2) -> View | None:
    """A camera that looks at a point, or level at the back wall where nothing is said.

    It is never rolled: its horizon is level. None where that says nothing: straight up or down.
    """
    way = _minus(towards, stands) if towards is not None else (0.0, -1.0, 0.0)
    long = math.hypot(*way)
    level = math.hypot(way[0], way[1])
    if long <= 0 or level < 1e-9 * long:
        return None
    forward = (way[0] / long, way[1] / long, way[2] / long)
    right = (-way[1] / level, way[0] / level, 0.0)
    up = (
        -forward[2] * way[0] / level,
        -forward[2] * way[1] / level,
        level / long,
    )
    return View(stands, forward, right, up, half)


@dataclass(frozen=True, slots=True)
class Plane:
    """An upright plane that faces out of the back wall: its middle, its width and height (m)."""

    middle: Point3
    size: Point2

    @property
    def edges(self) -> tuple[Point2, ...]:
        """Its four corners, from the lower left one round to the right."""
        x, y = self.size[0] / 2, self.size[1] / 2
        return ((-x, -y), (x, -y), (x, y), (-x, y))

    def at(self, point: Point2) -> Point3:
        """A point of the plane in the room."""
        return (self.middle[0] + point[0], self.middle[1], self.middle[2] + point[1])


def corners_on(view: View, plane: Plane) -> tuple[Point2, ...]:
    """Where the picture's four corners fall on the plane, from the lower left one round.

    Empty where one of them never does: the camera looks along the plane, or away from it.
    """
    found = []
    for right, up in ((-1, -1), (1, -1), (1, 1), (-1, 1)):
        ray = view.ray(right, up)
        gap = plane.middle[1] - view.stands[1]
        if gap * ray[1] <= 0 or abs(ray[1]) < 1e-9:
            return ()
        far = gap / ray[1]
        found.append(
            (
                view.stands[0] + far * ray[0] - plane.middle[0],
                view.stands[2] + far * ray[2] - plane.middle[2],
            )
        )
    return tuple(found)


def part_seen(view: View, plane: Plane) -> tuple[Point2, ...]:
    """The part of the plane that is in the picture: a polygon of its own points, or empty."""

    def inside(normal: Point3, beyond: float) -> tuple[float, float, float]:
        """A half of the room, as a x + b y + c >= 0 of the plane's own points."""
        return (
            normal[0],
            normal[2],
            _dot(normal, _minus(plane.middle, view.stands)) - beyond,
        )

    f, r, u = view.forward, view.right, view.up
    halves = [inside(f, NEAREST)]
    for side, half in ((r, view.half[0]), (u, view.half[1])):
        for sign in (1.0, -1.0):
            halves.append(
                inside(
                    (
                        half * f[0] + sign * side[0],
                        half * f[1] + sign * side[1],
                        half * f[2] + sign * side[2],
                    ),
                    0.0,
                )
            )
    return clip(plane.edges, halves)


def share_of_picture(view: View, plane: Plane, part: Sequence[Point2]) -> float:
    """How much of the picture (0-1) a part of the plane takes that is in it."""
    seen = [view.picture(plane.at(point)) for point in part]
    whole = [point for point in seen if point is not None]
    return min(1.0, area(whole) / 4.0)


def share_beyond(view: View, plane: Plane, axis: int, limit: float) -> float:
    """How much of the picture (0-1) looks past a line of the plane: right of (axis 0) or above
    (axis 1) a limit above 0, left of or below one that is below 0.

    The line and the lens lie in one plane, which halves the picture.
    """
    sign, far = math.copysign(1.0, limit), plane.middle[1] - view.stands[1]
    at_limit = plane.at((limit, 0.0) if axis == 0 else (0.0, limit))
    off = _minus(at_limit, view.stands)[0 if axis == 0 else 2]
    # a ray (x, y, z) meets the plane at far x / y, and passes the line where that is beyond `off`
    normal = (sign, -sign * off / far, 0.0) if axis == 0 else (0.0, -sign * off / far, sign)
    (x, y), f, r, u = view.half, view.forward, view.right, view.up
    half = (_dot(normal, r) * x, _dot(normal, u) * y, _dot(normal, f))
    return area(clip(((-1.0, -1.0), (1.0, -1.0), (1.0, 1.0), (-1.0, 1.0)), [half])) / 4.0


def clip(
    polygon: Sequence[Point2], halves: Sequence[tuple[float, float, float]]
) -> tuple[Point2, ...]:
    """A convex polygon cut by halves of its plane, each a x + b y + c >= 0.

    One after the other: Sutherland and Hodgman 1974, Reentrant polygon clipping.
    """
    points = list(polygon)
    for a, b, c in halves:
        kept: list[Point2] = []
        for i, here in enumerate(points):
            last = points[i - 1]
            now, before = a * here[0] + b * here[1] + c, a * last[0] + b * last[1] + c
            if (now >= 0) != (before >= 0):
                t = before / (before - now)
                kept.append((last[0] + t * (here[0] - last[0]), last[1] + t * (here[1] - last[1])))
            if now >= 0:
                kept.append(here)
        points = kept
    return tuple(points)


def area(polygon: Sequence[Point2]) -> float:
    """The area of a polygon (the shoelace formula)."""
    twice = 0.0
    for i, (x, y) in enumerate(polygon):
        last_x, last_y = polygon[i - 1]
        twice += last_x * y - x * last_y
    return abs(twice) / 2.0


def _minus(a: Point3, b: Point3) -> Point3:
    return (a[0] - b[0], a[1] - b[1], a[2] - b[2])


def _dot(a: Point3, b: Point3) -> float:
    return a[0] * b[0] + a[1] * b[1] + a[2] * b[2]
