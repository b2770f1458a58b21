"""The light on the face: all fixtures together, and what a touched one does to the picture."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field

from studiobridge.craft import mark
from studiobridge.craft.colour import (
    White,
    cct_and_duv,
    delta_uv_prime,
    is_white,
    mix,
    off_locus_uv,
    planckian_uv,
    reference_uv,
)
from studiobridge.craft.grid import mired
from studiobridge.figures.rays import (
    Point3,
    Ray,
    aimed,
    at,
    facing,
    glows,
    on_dome,
    thrown,
)
from studiobridge.profile.model import Device, Preset, SetProfile

# lx: less than starlight by far. Below it a light is dark, and there is no ratio to it.
DARK = 1e-6


@dataclass(frozen=True, slots=True)
class Whole:
    """All light on the plane at the mark together: lx, ratio key over fill, the mixed white.

    `cct` in K and `duv` are None where the white is not known, or too far off the locus for one.
    `dome` is what a dome reads there instead, which also gets light from beside and behind. A light
    behind the plane that has no output given is left out of it, as is what a backdrop sends round
    the head: some hundredths of a stop.
    """

    lux: float
    ratio: float | None
    white: White | None
    cct: float | None
    duv: float | None
    dome: float = 0.0


@dataclass(frozen=True, slots=True)
class Change:
    """What the picture lost or gained: stops on the face, ratio then and now, the white.

    `mired` is positive when the mixed white became warmer, `duv` when it became greener (Duv,
    ANSI C78.377); `duv_prime` is the distance in CIE 1976 u', v'.
    """

    face: float | None
    ratio_wanted: float | None
    ratio_now: float | None
    mired: float | None
    duv_prime: float | None
    duv: float | None = None

    @property
    def ratio(self) -> float | None:
        """How far the ratio moved, in stops."""
        if not self.ratio_wanted or not self.ratio_now:
            return None
        return math.log2(self.ratio_now / self.ratio_wanted)


def white_of(kelvin: float, lux: float, daylight: bool, duv: float | None = None) -> White:
    """A fixture's light as its CCT says: on the Planckian locus, or CIE daylight where asked.

    A `duv` of its own was measured from the Planckian locus, and says more than either. Raises
    ValueError where there is no white at that CCT (`craft.colour.is_white`).
    """
    if duv is not None:
        return White(lux, *off_locus_uv(kelvin, duv))
    return White(lux, *(reference_uv if daylight else planckian_uv)(kelvin))


def share_of(device: Device, level: float) -> float | None:
    """Share of its full output (0-1) a fixture gives at a level; None for what is no level."""
    return device.dimmer.output(level) if 0.0 <= level <= 100.0 else None


@dataclass(slots=True)
class Face:
    """The light on the face as a function of what the fixtures are set to; geometry worked out."""

    profile: SetProfile
    rays: dict[str, Ray] = field(default_factory=dict)
    missing: dict[str, str] = field(default_factory=dict)
    # what a light sensor gets instead: at its own place, looking where it is aimed
    sensor: Device | None = None

    def __post_init__(self) -> None:
        where = self.profile.room.mark
        looks: Point3 | None = facing(self.profile)
        lacks = "no mark given in the room"
        if self.sensor is not None:
            where, looks = self.sensor.place, aimed(self.profile, self.sensor)
            lacks = f"no place or aim given for {self.sensor.name}"
        for device in self.profile.devices.values():
            # a backdrop lights itself; what it throws forward is spill, not the face
            lit = self.sensor is not None and device.glow is not None
            if device.kind != "light" and not lit:
                continue
            if where is None or looks is None:
                self.missing[device.name] = lacks
                continue
            throws = glows if device.kind == "backdrop" else thrown
            ray, why = throws(self.profile, device, at(where), looks)
            if ray is not None and self.sensor is not None and self.sensor.receptor == "dome":
                ray, why = on_dome(device, ray)
            if ray is None:
                self.missing[device.name] = why
            else:
                self.rays[device.name] = ray

    def lux(self, name: str, level: float) -> float | None:
        """What one fixture gives on the plane at the mark (lx) at a level (%); None: it is none."""
        share = share_of(self.profile.devices[name], level)
        return None if share is None else self.rays[name].at_full * share

    def whole(self, values: Mapping[str, Preset]) -> Whole | None:
        """All fixtures together at these values; None when a lit one has figures missing.

        Values may be anything a report can carry. A level that is none leaves nothing to add
        up; a CCT at which there is no white costs the mixed white alone.
        """
        if any(v.level and name in self.missing for name, v in values.items()):
            return None
        total = 0.0
        dome = 0.0
        by_role: dict[str, float] = {}
        whites: list[White] = []
        unknown_white = False
        for name, value in values.items():
            if name not in self.rays or value.level is None or value.colour is not None:
                continue  # what its output says holds for its white
            lux = self.lux(name, value.level)
            if lux is None:
                return None
            total += lux
            dome += self._on_dome(name, value.level)
            role = self.profile.devices[name].role
            if role is not None:
                by_role[role] = by_role.get(role, 0.0) + lux
            if lux < DARK:
                continue
            if value.cct is not None and is_white(value.cct):
                own = self.profile.devices[name].duv
                whites.append(white_of(value.cct, lux, self.profile.picture.daylight, own))
            else:
                unknown_white = True
        key, fill = by_role.get("key", 0.0), by_role.get("fill", 0.0)
        ratio = key / fill if key >= DARK and fill >= DARK else None
        mixed, cct, duv = None, None, None
        if whites and not unknown_white:
            mixed = mix(whites)
            try:
                cct, duv = cct_and_duv(mixed.u, mixed.v)
            except ValueError:
                cct = duv = None
        return Whole(total, ratio, mixed, cct, duv, dome)

    def _on_dome(self, name: str, level: float) -> float:
        """What this light adds to what a dome reads; nothing where that is not known."""
        share = share_of(self.profile.devices[name], level) or 0.0
        return (self.rays[name].dome or 0.0) * share

    def change(self, wanted: Mapping[str, Preset], now: Mapping[str, Preset]) -> Change | None:
        """How the picture differs from what is wanted; None when that cannot be computed."""
        if self.turned(wanted, now):
            return None
        before, after = self.whole(wanted), self.whole(now)
        if before is None or after is None or before.lux < DARK:
            return None
        face = mark.stops(after.lux, before.lux) if after.lux >= DARK else None
        shift = far = tint = None
        if before.white is not None and after.white is not None:
            far = delta_uv_prime(before.white.u, before.white.v, after.white.u, after.white.v)
            if before.cct is not None and after.cct is not None:
                shift = mired(after.cct) - mired(before.cct)
            if before.duv is not None and after.duv is not None:
                tint = after.duv - before.duv
        return Change(face, before.ratio, after.ratio, shift, far, tint)

    def sentences(self, values: Mapping[str, Preset]) -> tuple[str, ...]:
        """What keeps the face, or its white, from being computed at these values."""
        found = [
            self.missing[name]
            for name, value in values.items()
            if value.level and name in self.missing
        ]
        found.extend(
            f"{value.level:g} % is no level, and it is what {name} says"
            for name, value in values.items()
            if name in self.rays and value.level is not None and self.lux(name, value.level) is None
        )
        found.extend(self.without_white(values))
        if not any(name in self.rays or name in self.missing for name in values):
            found.append("no light in this look")
        return tuple(dict.fromkeys(found))

    def turned(self, wanted: Mapping[str, Preset], now: Mapping[str, Preset]) -> list[str]:
        """Which light on the face is coloured and should be white, or the other way round."""
        found = []
        for name, value in now.items():
            meant = wanted.get(name)
            if name not in self.rays or meant is None or not value.level:
                continue
            if (value.colour is None) != (meant.colour is None):
                is_, was = ("white", "coloured") if value.colour is None else ("coloured", "white")
                found.append(f"{name} is {is_} and meant to be {was}")
        return found

    def coloured(self, values: Mapping[str, Preset]) -> list[str]:
        """Which lit fixtures are left out of all that is reckoned with whites."""
        return [
            f"{name} is coloured, and its figures hold for its white: left out"
            for name, value in values.items()
            if value.colour is not None and value.level
        ]

    def without_white(self, values: Mapping[str, Preset]) -> list[str]:
        """Which light on the face has a CCT at which there is no white."""
        return [
            f"no white is known at {value.cct:g} K, which is what {name} says"
            for name, value in values.items()
            if name in self.rays
            and value.cct is not None
            and not is_white(value.cct)
            and (self.lux(name, value.level or 0.0) or 0.0) >= DARK
        ]
