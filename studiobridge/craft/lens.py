"""A lens: what is sharp in front of it, where to focus, and how much light it lets through.

A thin lens, with distances from it. Formulas of depth of field and hyperfocal distance as the
handbooks of photography give them, from memory; tests hold them against the lens equation itself.
"""

from __future__ import annotations

import math

# The largest spot that still counts as a point is the diagonal of the sensor over this. Common
# practice (0.029 mm on 36 x 24 mm), and mild: whoever looks at a large screen from near sees less.
PARTS_OF_DIAGONAL = 1500.0
# Nearer than this (m) a face looks strange: the nose is so much nearer than the ears. Common
# practice, no source; it is the distance that does it, whatever the lens.
NEAR_A_FACE = 1.2


def _above_zero(**values: float) -> None:
    for name, value in values.items():
        if not (value > 0 and math.isfinite(value)):
            raise ValueError(f"{name} is above 0, not {value:g}")


def circle_of_confusion(width: float, height: float) -> float:
    """The largest spot (mm) that still counts as sharp, for a sensor of these sides (mm)."""
    _above_zero(width=width, height=height)
    return math.hypot(width, height) / PARTS_OF_DIAGONAL


def hyperfocal(focal: float, aperture: float, circle: float) -> float:
    """Focused here (m), all from half of it to the horizon is sharp: f² / (N c) + f.

    Focal length and circle in mm. Raises ValueError for anything not above 0.
    """
    _above_zero(focal=focal, aperture=aperture, circle=circle)
    return (focal * focal / (aperture * circle) + focal) / 1000.0


def sharp_between(
    focal: float, aperture: float, circle: float, focus: float
) -> tuple[float, float]:
    """The nearest and the farthest distance (m) that are sharp with the lens focused at `focus`.

    s (H - f) / (H + s - 2f), and s (H - f) / (H - s): without end (inf) from the hyperfocal
    distance on. Raises ValueError for a focus that is not beyond the focal length.
    """
    away, short = hyperfocal(focal, aperture, circle), focal / 1000.0
    _beyond(focus, short)
    near = focus * (away - short) / (away + focus - 2.0 * short)
    far = math.inf if focus >= away else focus * (away - short) / (away - focus)
    return near, far


def blur(focal: float, aperture: float, focus: float, distance: float) -> float:
    """The spot (mm) a point at `distance` m makes on the sensor, with the lens focused at `focus`.

    By the lens equation: the cone from an opening of f / N, cut where the sensor is.
    """
    _above_zero(focal=focal, aperture=aperture)
    short = focal / 1000.0
    _beyond(focus, short)
    _beyond(distance, short)
    return focal * focal / aperture * abs(distance - focus) / (distance * (focus - short)) / 1000.0


def focus_between(near: float, far: float) -> float:
    """Where to focus (m) so that two distances are equally sharp: 2 a b / (a + b)."""
    _above_zero(near=near, far=far)
    return 2.0 * near * far / (near + far)


def aperture_between(focal: float, circle: float, near: float, far: float) -> float:
    """The widest opening (f-number) with which all between two distances (m) is just sharp."""
    focus = focus_between(near, far)
    _above_zero(circle=circle)
    return blur(focal, 1.0, focus, far) / circle


def t_stop(aperture: float, transmission: float) -> float:
    """What a lens at this f-number lets through, as the f-number of one that takes no light away.

    N / sqrt(transmission), by definition; `transmission` above 0 and up to 1.
    """
    _above_zero(aperture=aperture)
    return aperture / math.sqrt(_share(transmission))


def f_number(stop: float, transmission: float) -> float:
    """The f-number to set on a lens for a T-stop."""
    _above_zero(stop=stop)
    return stop * math.sqrt(_share(transmission))


def _share(transmission: float) -> float:
    if not 0.0 < transmission <= 1.0:
        raise ValueError(f"a lens lets through from above 0 to all (1), not {transmission:g}")
    return transmission


def _beyond(distance: float, short: float) -> None:
    if not (distance > short and math.isfinite(distance)):
        raise ValueError(
            f"a lens of {short * 1000:g} mm sees sharp beyond {short:g} m, not at {distance:g} m"
        )
