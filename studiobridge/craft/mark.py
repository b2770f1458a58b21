"""Light at the mark: what arrives from each fixture, the ratio, the evenness of a backdrop.

A fixture's figure is its illuminance at a known distance on axis at full output, as makers
give it. Everything else is inverse square and cosine, good where the distance is several
times the fixture's own size (common practice: five times); nearer, or bounced by the walls of
a small room, a meter is right and this is not.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

FIVE_TIMES_RULE = 5.0


def stops(a: float, b: float) -> float:
    """Stops from b up to a: log2(a / b), by definition. Raises ValueError unless both above 0."""
    if not (a > 0 and b > 0):
        raise ValueError(f"stops are between two lights that are lit, not {a:g} and {b:g}")
    return math.log2(a / b)


def illuminance(
    lux: float, at: float, distance: float, angle: float = 0.0, share: float = 1.0
) -> float:
    """Illuminance (lx) on a plane at `distance` m whose normal is `angle` degrees off the beam.

    `lux` at `at` m at full output, `share` of full output (0-1). Inverse square and Lambert's
    cosine law, by definition. A plane turned 90 degrees or more away gets nothing. Raises
    ValueError for distances not above 0, negative light or a share outside 0-1.
    """
    if not (at > 0 and distance > 0):
        raise ValueError(f"distances are above 0 m, not {at:g} and {distance:g}")
    if not lux >= 0:
        raise ValueError(f"a fixture's output is not negative, not {lux:g} lx")
    if not 0.0 <= share <= 1.0:
        raise ValueError(f"a share of full output is from 0 to 1, not {share:g}")
    return lux * share * (at / distance) ** 2 * max(0.0, math.cos(math.radians(angle)))


def angle_between(
    light: Sequence[float], mark: Sequence[float], facing: Sequence[float]
) -> tuple[float, float]:
    """Distance (m) from light to mark, and the angle (degrees) at which it strikes.

    Points in metres, any number of axes; `facing` is the direction the plane at the mark looks.
    Raises ValueError when light and mark coincide or `facing` has no direction.
    """
    ray = [a - b for a, b in zip(light, mark, strict=True)]
    distance = math.hypot(*ray)
    length = math.hypot(*facing)
    if distance <= 0:
        raise ValueError("the light stands on the mark: no distance, no angle")
    if length <= 0:
        raise ValueError("the plane at the mark faces nowhere")
    cosine = sum(a * b for a, b in zip(ray, facing, strict=True)) / (distance * length)
    return distance, math.degrees(math.acos(min(1.0, max(-1.0, cosine))))


def evenness(values: Sequence[float]) -> float:
    """Spread (stops) between the brightest and the darkest of some points.

    Raises ValueError for no points, or one without light.
    """
    if not values:
        raise ValueError("no points to compare")
    return stops(max(values), min(values))


def across(
    lights: Sequence[tuple[float, float, float, float, float]], width: float, points: int = 5
) -> list[float]:
    """Illuminance (lx) at evenly spaced points across a backdrop of `width` m, edge to edge.

    Each light is (lux, at, across, out, share): its figure, where it stands across the backdrop
    (m from its middle) and out from it (m). The backdrop lies in its own plane at out = 0.
    """
    if points < 2 or not width > 0:
        raise ValueError("a backdrop has a width above 0 m, and two points or more")
    found = []
    for i in range(points):
        x = -width / 2 + width * i / (points - 1)
        total = 0.0
        for lux, at, place, out, share in lights:
            distance, angle = angle_between((place, out), (x, 0.0), (0.0, 1.0))
            total += illuminance(lux, at, distance, angle, share)
        found.append(total)
    return found
