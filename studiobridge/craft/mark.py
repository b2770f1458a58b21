"""Light at the mark: what arrives from each fixture, the ratio, the evenness of a backdrop.

A fixture's figure is its illuminance at a known distance on axis at full output, as makers
give it. Everything else is inverse square and cosine, good where the distance is several
times the fixture's own size (common practice: five times); nearer, `rectangle.py` has its whole
face. Bounced by the walls of a small room, a meter is right and this is not.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

# A card of 18 % is what people hold for the middle of the scale (common practice, no source). That
# of a meter is pi K / C, by its constants (ISO 2720, from memory): 16 to 18 % for a flat one.
GREY_CARD = 0.18


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


def beam_power(beam: float) -> float:
    """The power of the cosine by which a beam (degrees, above 0 and below 180) falls off.

    A beam angle is where half is left, measured from side to side (trade definition; CIE and
    IES files use the same half). Between, cosine to a power chosen so that exactly half is left
    there: 120 degrees is a plain diffuse panel (Lambert). The model is the usual one for LEDs
    (Moreno and Sun 2008, from memory). Behind the fixture there is nothing.
    """
    return math.log(0.5) / math.log(math.cos(math.radians(beam / 2.0)))


def glow_on(luminance: float, width: float, height: float, distance: float) -> float:
    """Illuminance (lx) that an evenly glowing rectangle throws on a plane facing its middle.

    `luminance` cd/m2, sides and distance m. E = pi L F with the configuration factor of an
    element parallel to a rectangle, four corners of it (Howell's catalogue, B-3, from memory).
    Raises ValueError for sides or a distance not above 0, or negative luminance.
    """
    if not (width > 0 and height > 0 and distance > 0):
        raise ValueError("a glowing surface has sides and a distance above 0 m")
    if not luminance >= 0:
        raise ValueError(f"a luminance is not negative, not {luminance:g} cd/m²")
    a, b = width / (2.0 * distance), height / (2.0 * distance)
    far_a, far_b = math.sqrt(1.0 + a * a), math.sqrt(1.0 + b * b)
    corner = (a / far_a * math.atan(b / far_a) + b / far_b * math.atan(a / far_b)) / math.tau
    return math.pi * luminance * 4.0 * corner


def luminance_of(lux: float, reflectance: float) -> float:
    """Luminance (cd/m2) of a matt surface under `lux`: L = rho E / pi (Lambert, by definition).

    `reflectance` from 0 to 1. Raises ValueError outside, or for negative light.
    """
    if not 0.0 <= reflectance <= 1.0:
        raise ValueError(f"a reflectance is from 0 to 1, not {reflectance:g}")
    if not lux >= 0:
        raise ValueError(f"illuminance is not negative, not {lux:g} lx")
    return reflectance * lux / math.pi
