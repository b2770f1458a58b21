"""What a light sensor should read, and which light that says nothing could explain what it reads.

A prediction may be off by a third: makers' figures, bounced light, how the sensor itself was
made. A *change* of its reading is not, so all that is concluded here is concluded from a change
since a moment at which all was as wanted:

- What the lights that report did since then is reckoned with, and what is left is unexplained.
- Daylight, a lamp of the house and somebody standing in the way explain things too. Light that
  was added may always be daylight's; light that is gone cannot have been, where there was hardly
  any in the dark set.
- A light's figures hold for its white. Coloured it gives less, and nobody knows how much: any part
  of it from nothing to all is reckoned with, and no level of a coloured light is told from it.
- A light is named only when everything else together could not have done it, and never with more
  than a band.
"""

from __future__ import annotations

import math
from collections.abc import Collection, Mapping
from dataclasses import dataclass

from studiobridge.craft.light import Dimmer
from studiobridge.figures.face import DARK, Face, share_of
from studiobridge.profile.model import Device, Preset, SetProfile

# A sensor reads the same light the same to about 2 % (common practice; that it is right is no
# better than 5 %, which does not matter here).
REPEATS = 0.02
# How far one light's part in a reading may be off its figures, after all of them together were
# brought to what is read (makers' figures, aim, dirt, bounce; common practice: a third).
FIGURES = 0.35
# The same in stops, for what a sensor should read.
AS_GOOD_AS = FIGURES / math.log(2.0)
# What walls and ceiling send back of a light may reach a sensor from anywhere: up to this share
# of what it would get turned to the light. An even white room of 3 by 4 m gives a tenth to a
# fifth of it (integrating sphere: flux * reflectance / (area * (1 - reflectance))).
BOUNCE = 0.3
# Daylight may have grown by this factor since it was read in the dark set (a cloud went), and
# there is always some of it: this share of a reading.
CLOUDS = 4.0
STRAY = 0.03
# Figures that are off by more than this factor are not of this set: nothing is concluded.
COMPARABLE = 2.5
# In a sum that is beyond this share of what can be, it cannot (rounding).
ALMOST = 1e-9


@dataclass(frozen=True, slots=True)
class Stand:
    """What a sensor read (lx) when all lights were believed to be at these values.

    `dark`: what it read (lx) shortly before, with the set dark; None where it was not heard then.
    """

    lux: float
    values: Mapping[str, Preset]
    dark: float | None


@dataclass(frozen=True, slots=True)
class Moved:
    """How a reading differs from what its lights explain: in stops, in lx, and how sure (lx).

    `scale` is from lx by the figures to lx as read.
    """

    stops: float
    lux: float
    error: float
    scale: float

    @property
    def sure(self) -> bool:
        return abs(self.lux) > self.error


@dataclass(frozen=True, slots=True)
class Suspects:
    """Lights that say nothing and could each alone explain it; `named` must have moved."""

    could: tuple[str, ...]
    named: str | None


def sensors(profile: SetProfile) -> tuple[Device, ...]:
    """Devices that measure light and say where they stand and what they face."""
    return tuple(
        d
        for d in profile.devices.values()
        if d.kind == "sensor" and "lux" in d.hears and d.place is not None and d.place.aim
    )


@dataclass(frozen=True, slots=True)
class Predicted:
    """What a sensor should read of a look: lx and K at its own place. None where not computed."""

    device: str
    faces: str
    lux: float | None
    cct: float | None
    missing: tuple[str, ...]


def predicted(profile: SetProfile, presets: Mapping[str, Preset]) -> tuple[Predicted, ...]:
    """What every light sensor should read of these presets."""
    found = []
    for device in sensors(profile):
        face = Face(profile, sensor=device)
        coloured = coloured_on(face, presets)
        whole = None if coloured else face.whole(presets)
        missing = face.sentences(presets) if whole is None else ()
        if coloured:
            missing = (*face.coloured({name: presets[name] for name in coloured}), *missing)
        aim = device.place.aim if device.place is not None else None
        lux, cct = (None, None) if whole is None else (whole.lux, whole.cct)
        found.append(Predicted(device.name, aim or "", lux, cct, missing))
    return tuple(found)


def coloured_on(face: Face, values: Mapping[str, Preset]) -> list[str]:
    """Which coloured lights are lit and reach this sensor."""
    return [
        name
        for name, preset in values.items()
        if preset.colour is not None and _share(face, name, preset) * _at_full(face, name) >= DARK
    ]


def _at_full(face: Face, name: str) -> float:
    return face.rays[name].at_full if name in face.rays else 0.0


def _as_white(values: Mapping[str, Preset]) -> dict[str, Preset]:
    return {
        name: preset if preset.colour is None else Preset(preset.level, preset.cct)
        for name, preset in values.items()
    }


def moved(face: Face, before: Stand, now: Mapping[str, Preset], lux: float) -> Moved | None:
    """What is left unexplained of a reading; None where it cannot be reckoned."""
    then, after = face.whole(_as_white(before.values)), face.whole(_as_white(now))
    if then is None or after is None or then.lux < DARK or not (lux >= 0 and before.lux > 0):
        return None
    around = min(before.dark or 0.0, before.lux)
    scale = (before.lux - around) / then.lux
    if not 1.0 / COMPARABLE <= scale <= COMPARABLE:
        return None
    expected = around + scale * after.lux
    if expected <= 0 or not math.isfinite(expected):
        return None
    touched = unsure = 0.0
    for name, ray in face.rays.items():
        was, is_ = before.values.get(name, Preset()), now.get(name, Preset())
        by = abs(_share(face, name, is_) - _share(face, name, was))
        off = FIGURES * ray.at_full + BOUNCE * (ray.straight or 0.0)
        if was.colour is None and is_.colour is None:
            touched += by * off
            unsure += by * ray.at_full
        elif by > 0 or was.colour != is_.colour:
            touched += max(_share(face, name, is_), _share(face, name, was)) * (ray.at_full + off)
    gave = sum(
        _share(face, name, before.values[name]) * face.rays[name].at_full
        for name in coloured_on(face, before.values)
    )
    if gave > 0 and unsure > 0:
        # where the coloured ones gave nothing, all that was read came of the others
        if then.lux - gave < DARK:
            return None
        touched += unsure * (then.lux / (then.lux - gave) - 1.0)
    error = REPEATS * (lux + before.lux) + scale * touched
    stops = math.log2(max(lux, DARK) / expected)
    return Moved(stops, lux - expected, error, scale)


def _share(face: Face, name: str, preset: Preset | None) -> float:
    if preset is None or preset.level is None:
        return 0.0
    return share_of(face.profile.devices[name], preset.level) or 0.0


def most(face: Face, name: str, scale: float) -> float:
    """The most (lx, as read) that switching this light could change a reading by."""
    if name not in face.rays:
        return math.inf
    ray = face.rays[name]
    if ray.straight is None:
        return math.inf
    # a reading below the figures may be the doing of another light's figures, not of this one's
    return max(scale, 1.0) * (ray.at_full * (1.0 + FIGURES) + BOUNCE * ray.straight)


def suspects(face: Face, before: Stand, change: Moved, mute: Collection[str]) -> Suspects:
    """Which of the lights that say nothing could have done it, and which one must have."""
    least = abs(change.lux) - change.error
    if not change.sure:
        return Suspects((), None)
    can = {name: most(face, name, change.scale) for name in mute}
    could = tuple(name for name, lux in can.items() if lux >= least * (1.0 - ALMOST))
    named = None
    if len(could) == 1 and change.lux < 0 and before.dark is not None:
        around = max(CLOUDS * before.dark, STRAY * before.lux)
        others = sum(lux for name, lux in can.items() if name != could[0])
        white = before.values.get(could[0], Preset()).colour is None
        if white and others + around < least:
            named = could[0]
    return Suspects(could, named)


def band(
    face: Face,
    name: str,
    level: float,
    before: Stand,
    change: Moved,
    mute: Collection[str],
) -> tuple[float, float] | None:
    """From what level to what level (%) a named light may be now, at `level` % before.

    What all others that say nothing could have done, and daylight, is in it. None where the light
    gave nothing by its figures, or was coloured.
    """
    device = face.profile.devices[name]
    share, ray = share_of(device, level), face.rays.get(name)
    if ray is None or ray.straight is None or not share:
        return None
    if before.values.get(name, Preset()).colour is not None:
        return None
    # a reading above the figures may be light of the others, come by the walls
    least = min(change.scale, 1.0) * share * ray.at_full * (1.0 - FIGURES)
    greatest = share * most(face, name, change.scale)
    if least <= DARK:
        return None
    others = sum(most(face, n, change.scale) for n in mute if n != name)
    spread = change.error + others + max(CLOUDS * (before.dark or 0.0), STRAY * before.lux)
    shares = [
        share * (1.0 + lux / gave)
        for lux in (change.lux - spread, change.lux + spread)
        for gave in (least, greatest)
    ]
    low, high = (min(1.0, max(0.0, s)) for s in (min(shares), max(shares)))
    return level_of(device.dimmer, low), level_of(device.dimmer, high)


def level_of(dimmer: Dimmer, share: float) -> float:
    """The level (0-100 %) that gives this share of full output (0-1), by halving."""
    low, high = 0.0, 100.0
    if share >= dimmer.output(high):
        return high
    for _ in range(40):
        middle = (low + high) / 2.0
        if dimmer.output(middle) < share:
            low = middle
        else:
            high = middle
    return high if share > 0 else 0.0
