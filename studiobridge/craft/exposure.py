"""Exposure: lux, ISO, shutter and aperture; shutter angle; banding under mains and PWM."""

from __future__ import annotations

import math
from typing import Literal

# Incident-light calibration constants that makers choose most: ISO 2720 leaves them from 240 to 400
# for a flat receptor, and from 320 to 540 for a dome (from memory). A reflected reading of an 18 %
# card asks for the same within a quarter stop: pi K / 0.18 is 218 to 244 for a K of 12.5 to 14.
C_FLAT = 250.0
C_DOME = 330.0
# Percent of one exposure that is hard to see from frame to frame. Common practice, no source.
VISIBLE = 1.0
# Shutter speeds that cameras have, as 1 / s, and shutter angles (degrees): the usual steps of both.
# Common practice. 172.8 degrees is 1/50 s and 144 degrees 1/60 s at 24 fps (cinematography
# handbooks, from memory).
SPEEDS = (
    *(24, 25, 30, 40, 48, 50, 60, 80, 96, 100, 120, 125, 160, 180, 192, 200, 240, 250, 320, 400),
    *(500, 640, 800, 1000, 1250, 1600, 2000, 2500, 3200, 4000, 5000, 6400, 8000),
)
ANGLES = (
    *(360.0, 288.0, 270.0, 216.0, 180.0, 172.8, 150.0, 144.0, 120.0, 108.0, 90.0, 75.0, 72.0),
    *(60.0, 45.0, 30.0, 22.5, 15.0, 11.25),
)
# An angle and a speed that differ by less are one shutter: 172.8 degrees at 23.976 fps is 1/50 s.
SAME_SHUTTER = 0.002
# Within this share a number of periods is a whole one: rounding, not a shutter that is off.
WHOLE = 1e-9
# No pulse is narrower than this share of its period; at none at all there would be no light.
NARROWEST = 1e-9


def _above_zero(**values: float) -> None:
    for name, value in values.items():
        if not (value > 0 and math.isfinite(value)):
            raise ValueError(f"{name} is above 0, not {value:g}")


def aperture_for(lux: float, shutter: float, iso: float, constant: float = C_FLAT) -> float:
    """The f-number for an illuminance (lx): N = sqrt(E t S / C). Source: ISO 2720, from memory."""
    _above_zero(lux=lux, shutter=shutter, iso=iso, constant=constant)
    return math.sqrt(lux * shutter * iso / constant)


def shutter_of_angle(angle: float, frames_per_second: float) -> float:
    """Exposure time (s) of a shutter angle (degrees, above 0 up to 360) at a frame rate."""
    _above_zero(angle=angle, frames_per_second=frames_per_second)
    if angle > 360.0:
        raise ValueError(f"a shutter angle is at most 360 degrees, not {angle:g}")
    return angle / 360.0 / frames_per_second


def angle_of_shutter(seconds: float, frames_per_second: float) -> float:
    """The shutter angle (degrees) of an exposure time (s); above 360 it is longer than a frame."""
    _above_zero(seconds=seconds, frames_per_second=frames_per_second)
    return 360.0 * seconds * frames_per_second


def flicker_periods(shutter: float, frequency: float) -> float:
    """How many periods of a flickering light one exposure covers.

    A whole number: every exposure gets the same light. `frequency` of the light itself (Hz):
    twice the mains frequency for what hangs directly on it. Common practice, no source.
    """
    _above_zero(shutter=shutter, frequency=frequency)
    return shutter * frequency


def exposure_ripple(shutter: float, frequency: float, modulation: float) -> float:
    """Largest deviation (%) of one exposure from the mean, for a sine of `modulation` percent.

    The mean of a sine over a window of n periods deviates by modulation x |sin(pi n) / (pi n)|.
    """
    _is_modulation(modulation)
    n = flicker_periods(shutter, frequency)
    return modulation * abs(math.sin(math.pi * n) / (math.pi * n))


def pulse_ripple(
    shutter: float,
    frequency: float,
    modulation: float = 100.0,
    duty: float | None = None,
    locked: bool = False,
) -> float:
    """Largest deviation (%) of one exposure from the mean, for light that pulses on and off.

    `modulation` (%) is (most - least) / (most + least), `duty` the share of the time it is bright
    (0-1); None where nobody knows it: the worst there is, which no other shape of that depth
    passes either, because of all light between two bounds and with one mean it is the pulse train
    that packs most, or least, into one window.

    By a clock of its own, whether an exposure takes whole periods of it is luck, and changes with
    the warmth of the fixture: the worst number of periods near this one counts. A pulse train of
    duty d then deviates by (1 - d) / n over n periods: for short pulses pi times a sine's
    1 / (pi n). `locked`: to the mains, which the shutter is set to as well, so this very number
    of periods counts, and a whole one deviates by nothing, as long as the mains keep to theirs.
    Above 100 % is possible: a short exposure may fall into one bright pulse.

    A rolling shutter is in this: each row is an exposure of the same length at another phase,
    and the worst phase is what is reckoned with. Geometry of a rectangle and a window.
    """
    _is_modulation(modulation)
    if duty is not None and not 0.0 <= duty <= 1.0:
        raise ValueError(f"a duty is from 0 to 1, not {duty:g}")
    n = flicker_periods(shutter, frequency)
    least = (100.0 - modulation) / (100.0 + modulation)
    part = math.fmod(n, 1.0)
    if min(part, 1.0 - part) < WHOLE * max(1.0, n):
        part = 0.0
    if duty is None and locked:
        duty = min(part, 1.0 - part)  # all that is over a whole period is one pulse, or one gap
    elif duty is None:
        # where the derivative of (1 - d) d / (mean n) is 0; a shorter exposure just fills a pulse
        ratio = least / (1.0 - least) if least < 1.0 else math.inf
        steepest = math.sqrt(ratio * ratio + ratio) - ratio if ratio < math.inf else 0.5
        duty = min(steepest, n)
    duty = max(duty, NARROWEST)
    over, under = _beyond(n, part, duty) if locked else _worst_beyond(n, duty)
    mean = least + (1.0 - least) * duty
    return 100.0 * (1.0 - least) * max(over, under) / mean


def _beyond(n: float, part: float, duty: float) -> tuple[float, float]:
    """How much more and less than its share of pulses a window of n periods takes, at worst."""
    most, least = min(part, duty), max(0.0, part + duty - 1.0)
    return (most - part * duty) / n, (part * duty - least) / n


def _worst_beyond(n: float, duty: float) -> tuple[float, float]:
    """The same at the worst number of periods near this one."""
    return (1.0 - duty) * duty / max(n, duty), min(duty, duty * (1.0 - duty) / n)


def _is_modulation(modulation: float) -> None:
    if not 0.0 <= modulation <= 100.0:
        raise ValueError(f"modulation is from 0 to 100 %, not {modulation:g}")


def modulation_limit(frequency: float) -> float:
    """Modulation (%) up to which flicker is of low risk to people at this frequency (Hz).

    Source: IEEE 1789-2015, from memory: 0.025 f below 90 Hz, 0.08 f up to 1250 Hz, no limit above.
    """
    _above_zero(frequency=frequency)
    if frequency > 1250.0:
        return 100.0
    return min(100.0, (0.025 if frequency < 90.0 else 0.08) * frequency)


def risk(modulation: float, frequency: float) -> Literal["low", "not low"]:
    """Is this flicker of low risk by IEEE 1789-2015 (from memory)?"""
    return "low" if modulation <= modulation_limit(frequency) else "not low"
