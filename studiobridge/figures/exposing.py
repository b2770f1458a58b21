"""What the light asks of the lens, and which lights show bands at which shutter."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from studiobridge.craft import exposure, lens
from studiobridge.figures.face import DARK, Whole, share_of
from studiobridge.profile.model import Device, Picture, Preset, SetProfile


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
    # each receptor has its own constant (ISO 2720), and reads another figure of the same light
    read = whole.dome if picture.receptor == "dome" else whole.lux
    if read is None:
        return None
    needed = exposure.aperture_for(read, picture.shutter, picture.iso, picture.constant)
    if picture.transmission is not None:  # the light asks for a T-stop
        needed = lens.f_number(needed, picture.transmission)
    over = None
    if picture.aperture is not None:
        over = 2.0 * math.log2(needed / picture.aperture)
    return Exposure(needed, over)


@dataclass(frozen=True, slots=True)
class Pulses:
    """One light that is not steady: how often (Hz), how deep (%), for what share of the time.

    `duty` is None where nobody knows it. `locked`: to the mains, at twice their frequency. `sine`:
    it swells and fades like a lamp straight on the mains, and is not switched on and off.
    """

    source: str
    frequency: float
    depth: float = 100.0
    duty: float | None = None
    locked: bool = False
    sine: bool = False

    def ripple(self, shutter: float) -> float:
        """How far one exposure may be off the mean (%), at the worst moment."""
        if self.sine:
            return exposure.exposure_ripple(shutter, self.frequency, self.depth)
        return exposure.pulse_ripple(shutter, self.frequency, self.depth, self.duty, self.locked)


@dataclass(frozen=True, slots=True)
class Shutter:
    """A shutter and what all lights make of it: s, degrees at the set's frame rate.

    `ripple` (%) is the worst, of `source`; `stops` from the set shutter to this one (negative:
    less light), None where none is set.
    """

    seconds: float
    angle: float | None
    ripple: float
    source: str
    safe: bool
    stops: float | None


NOT_JUDGED = "not judged"
NO_SHUTTER = f"no shutter given: banding {NOT_JUDGED}"
MAINS_LAMPS = "lamps straight on the mains"


def pulses_of(
    profile: SetProfile, presets: Mapping[str, Preset], missing: list[str]
) -> tuple[Pulses, ...]:
    """Every light that may beat with a shutter: the mains' own, lit fixtures, and displays.

    A display is in the picture, or lights a face: how bright it is set nobody says.
    """
    found = []
    twice = None
    if profile.frequency is None:
        missing.append(f"no mains frequency given: banding under mains light {NOT_JUDGED}")
    else:
        twice = 2.0 * profile.frequency
        found.append(Pulses(MAINS_LAMPS, twice, locked=True, sine=True))
    lit = {n: p for n, p in presets.items() if not _dark(profile.devices[n], p)}
    displays = [d.name for d in profile.devices.values() if d.kind == "display" and d.pwm]
    for name in (*lit, *displays):
        device = profile.devices[name]
        if device.pwm is None:
            missing.append(f"no PWM frequency given for {name}: its banding {NOT_JUDGED}")
            continue
        # what pulses at just twice the mains frequency has it from there
        locked = twice is not None and math.isclose(device.pwm, twice, rel_tol=1e-3)
        depth = device.flicker if device.flicker is not None else 100.0
        found.append(Pulses(name, device.pwm, depth, _duty(device, lit.get(name)), locked))
    return tuple(found)


def _dark(device: Device, preset: Preset) -> bool:
    return preset.level is not None and share_of(device, preset.level) == 0.0


def _duty(device: Device, preset: Preset | None) -> float | None:
    """For what share of the time a dimmed light is on; None where its level does not say it.

    Switched on and off wholly, it is on for the share of its output. A fixture that mixes two
    whites pulses both, each for less: at worst both for half of it. How many a colour is mixed
    of, nobody says; and where a depth was measured, it is not switched wholly, and may have any
    shape.
    """
    if device.flicker is not None and device.flicker < 100.0:
        return None
    if preset is None or preset.level is None or preset.colour is not None:
        return None
    share = share_of(device, preset.level)
    mixes = device.cct_range is not None or "cct" in device.tells | device.hears
    return share if share is None or not mixes else share / 2.0


def banding_of(
    profile: SetProfile, pulses: Sequence[Pulses], missing: list[str]
) -> tuple[Banding, ...]:
    """What each of these lights does at the set shutter."""
    shutter = profile.picture.shutter
    if shutter is None:
        missing.append(NO_SHUTTER)
        return ()
    found = []
    for light in pulses:
        ripple = light.ripple(shutter)
        device = profile.devices.get(light.source)
        flicker = device.flicker if device is not None else None
        risk = exposure.risk(flicker, light.frequency) if flicker is not None else None
        bands = ripple > exposure.VISIBLE
        found.append(Banding(light.source, light.frequency, ripple, bands, risk))
    return tuple(found)


def shutters_of(profile: SetProfile, pulses: Sequence[Pulses]) -> tuple[Shutter, ...]:
    """Every usual shutter no longer than a frame, best first; none where no light is known.

    The safe ones come first, those that ask least of a change: nearest to the set shutter, else to
    half a frame's time, the usual one. Of two that are as near within a third of a stop, a
    camera's step, the shorter, which blurs less (144 degrees before 216 at 24 fps on 60 Hz). Of the
    others those that show least.
    """
    if not pulses:
        return ()
    picture = profile.picture
    usual = None if picture.frames is None else exposure.shutter_of_angle(180.0, picture.frames)
    near = picture.shutter or usual
    found = []
    for seconds in _candidates(picture):
        worst, source = max((light.ripple(seconds), light.source) for light in pulses)
        found.append(
            Shutter(
                seconds,
                None
                if picture.frames is None
                else exposure.angle_of_shutter(seconds, picture.frames),
                worst,
                source,
                worst <= exposure.VISIBLE,
                None if picture.shutter is None else math.log2(seconds / picture.shutter),
            )
        )

    def order(one: Shutter) -> tuple[float, ...]:
        away = abs(math.log2(one.seconds / near)) if near is not None else 0.0
        if one.safe:
            return (0.0, round(3.0 * away), one.seconds)
        return (1.0, round(one.ripple, 6), away)

    return tuple(sorted(found, key=order))


def _candidates(picture: Picture) -> list[float]:
    """Shutters (s) a camera may have, each once, and the one that is set."""
    every = [1.0 / speed for speed in exposure.SPEEDS]
    if picture.frames is not None:
        every += [exposure.shutter_of_angle(angle, picture.frames) for angle in exposure.ANGLES]
        longest = (1.0 + exposure.SAME_SHUTTER) / picture.frames
        every = [seconds for seconds in every if seconds <= longest]
    found = [] if picture.shutter is None else [picture.shutter]
    for seconds in every:
        if not any(math.isclose(seconds, o, rel_tol=exposure.SAME_SHUTTER) for o in found):
            found.append(seconds)
    return found
