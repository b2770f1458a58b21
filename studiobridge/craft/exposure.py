"""Exposure: lux, ISO, shutter and aperture; shutter angle; banding under mains and PWM."""

from __future__ import annotations

import math
from typing import Literal

# Incident-light calibration constant, ISO 2720, from memory: 250 for a flat receptor, about
# 330 for a dome. Meters differ by their makers: it is a setting.
C_FLAT = 250.0
C_DOME = 330.0
# Percent of one exposure that is hard to see from frame to frame. Common practice, no source.
VISIBLE = 1.0


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
    if not 0.0 <= modulation <= 100.0:
        raise ValueError(f"modulation is from 0 to 100 %, not {modulation:g}")
    n = flicker_periods(shutter, frequency)
    return modulation * abs(math.sin(math.pi * n) / (math.pi * n))


def worst_ripple(shutter: float, frequency: float, modulation: float) -> float:
    """The same deviation (%) at the worst moment: modulation / (pi n), at most the modulation.

    For light that pulses by a clock of its own: whether an exposure takes whole periods of it
    is luck there, and changes with the warmth of the fixture.
    """
    if not 0.0 <= modulation <= 100.0:
        raise ValueError(f"modulation is from 0 to 100 %, not {modulation:g}")
    return min(modulation, modulation / (math.pi * flicker_periods(shutter, frequency)))


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
