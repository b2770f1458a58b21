"""What the light asks of the lens, and which light may show bands at the set shutter."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

from studiobridge.craft import exposure, lens
from studiobridge.figures.face import DARK, Whole
from studiobridge.profile.model import Preset, SetProfile


@dataclass(frozen=True, slots=True)
class Exposure:
    """What the light asks of the lens: f-number, and how far the set one is off (stops)."""

    aperture: float
    over: float | None


@dataclass(frozen=True, slots=True)
class Banding:
    """May this light show bands at the set shutter? Ripple in percent of one exposure."""

    source: str
    frequency: float
    ripple: float
    bands: bool
    # IEEE 1789 risk where the modulation is known, else None
    risk: str | None


def exposure_of(profile: SetProfile, whole: Whole | None, missing: list[str]) -> Exposure | None:
    picture = profile.picture
    if whole is None or whole.lux < DARK:
        return None
    wanted = {"shutter": picture.shutter, "ISO": picture.iso}
    absent = [name for name, value in wanted.items() if value is None]
    if absent or picture.shutter is None or picture.iso is None:
        missing.append(f"no {' and no '.join(absent)} given: aperture not computed")
        return None
    needed = exposure.aperture_for(whole.lux, picture.shutter, picture.iso, picture.constant)
    if picture.transmission is not None:  # the light asks for a T-stop
        needed = lens.f_number(needed, picture.transmission)
    over = None
    if picture.aperture is not None:
        over = 2.0 * math.log2(needed / picture.aperture)
    return Exposure(needed, over)


def banding_of(
    profile: SetProfile, presets: Mapping[str, Preset], missing: list[str]
) -> tuple[Banding, ...]:
    shutter = profile.picture.shutter
    if shutter is None:
        missing.append("no shutter given: banding not judged")
        return ()
    found = []
    if profile.frequency is None:
        missing.append("no mains frequency given: banding under mains light not judged")
    else:
        twice = 2.0 * profile.frequency
        ripple = exposure.exposure_ripple(shutter, twice, 100.0)
        found.append(
            Banding("lamps straight on the mains", twice, ripple, ripple > exposure.VISIBLE, None)
        )
    for name in presets:
        device = profile.devices[name]
        if device.pwm is None:
            missing.append(f"no PWM frequency given for {name}: its banding not judged")
            continue
        depth = device.flicker if device.flicker is not None else 100.0
        ripple = exposure.worst_ripple(shutter, device.pwm, depth)
        risk = exposure.risk(device.flicker, device.pwm) if device.flicker is not None else None
        found.append(Banding(name, device.pwm, ripple, ripple > exposure.VISIBLE, risk))
    return tuple(found)
