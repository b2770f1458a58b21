"""What one device takes from the mains: watts, and the amperes that a breaker sees.

Amperes are watts over volts and power factor. Where a profile does not say a power factor, what
such a supply usually has is taken, and said. Volt-amperes of several are added as numbers: their
harmonics and phases never fall together wholly, so that the sum is the most it can be.
"""

from __future__ import annotations

from studiobridge.figures.watts import usual_draw
from studiobridge.profile.model import Device, Preset

# Lighting above 25 W limits its harmonics to shares of its current (IEC 61000-3-2, class C, from
# memory), which comes to a power factor of 0.9 or better. Computers and screens above 75 W may have
# so many mA a watt (class D): 0.73 at the limits, and all else (class A, an amplifier) still more,
# though most have 0.9. Smaller ones mostly do nothing about it and have 0.5 to 0.65 (common
# practice, no source). The standard is for mains of 220 V and more; no such law holds at 120 V.
CORRECTED, LIMITED, UNCORRECTED = 0.9, 0.7, 0.5
LIGHTING_FROM, ANYTHING_FROM = 25.0, 75.0


def power_factor(device: Device) -> float:
    """W over VA (0-1): as the profile says, else what such a supply usually has."""
    if device.power_factor is not None:
        return device.power_factor
    at_full = device.draws_at[-1][1] if device.draws_at else device.draws
    if device.fixture:
        return CORRECTED if at_full > LIGHTING_FROM else UNCORRECTED
    return LIMITED if at_full > ANYTHING_FROM else UNCORRECTED


def apparent(device: Device, watts: float) -> float:
    """Volt-amperes of a device that takes so many watts: what the breaker sees, times the volts."""
    return watts / power_factor(device)


def draw(device: Device, preset: Preset | None) -> float:
    """Watts of one device when the set is up: a fixture at its level, by its table if it has one.

    One that comes back at full takes all it can until it is set.
    """
    if not device.fixture:
        return device.draws
    if device.comes_back == "full" or preset is None or preset.level is None:
        return at_full(device)
    return usual_draw(device, preset.level)


def at_full(device: Device) -> float:
    """Watts of one device with its dial turned all the way up."""
    return usual_draw(device, 100.0) if device.fixture else device.draws
