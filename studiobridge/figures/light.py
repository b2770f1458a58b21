"""The light of a look at the mark, and what a touched fixture does to the picture.

Directions: the plane at the mark faces the camera (its place where the profile gives one, else
straight away from the back wall). What a fixture gives there is inverse square and cosine;
walls, ceiling and everything they bounce back are not in it, so a meter is right where it and
this differ. The ratio is key over fill as they strike that plane, each by itself.

A figure that is missing is named, and whatever needs it is not computed.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field, replace

from studiobridge.craft import exposure, mark
from studiobridge.craft.colour import (
    White,
    cct_and_duv,
    daylight_xy,
    delta_uv_prime,
    is_white,
    mix,
    planckian_uv,
    uv_of_xy,
)
from studiobridge.craft.grid import mired
from studiobridge.profile.model import Device, Place, Preset, SetProfile

Point3 = tuple[float, float, float]

# Evenness is judged edge to edge at this many points across, at the backdrop's middle height.
EVENNESS_POINTS = 5
DAYLIGHT_FROM = 4000.0
# lx: less than starlight by far. Below it a light is dark, and there is no ratio to it.
DARK = 1e-6


@dataclass(frozen=True, slots=True)
class FixtureLight:
    """One fixture at the mark: distance (m), angle to the plane facing the camera (degrees).

    `at_full` and `lux` are on that plane (0 from behind), `straight` on a plane turned to the
    fixture; all in lx. `cct` in K.
    """

    device: str
    role: str | None
    distance: float
    angle: float
    level: float
    cct: float | None
    at_full: float
    lux: float
    straight: float | None


@dataclass(frozen=True, slots=True)
class Whole:
    """All light on the plane at the mark together: lx, ratio key over fill, the mixed white."""

    lux: float
    ratio: float | None
    white: White | None
    cct: float | None
    duv: float | None


@dataclass(frozen=True, slots=True)
class Backdrop:
    """One backdrop: against the subject in stops, how even it is, what it throws forward.

    `points` is incident light (lx) edge to edge, or None. `incident` compares it with the light
    on the subject; `against_grey` compares what the camera sees of it with a grey card at the
    mark. `spread` in stops. `spill` is what an own glow throws on the subject's back (lx).
    """

    device: str
    points: tuple[float, ...] | None
    incident: float | None
    against_grey: float | None
    spread: float | None
    spill: float | None


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


@dataclass(frozen=True, slots=True)
class LightReading:
    """Everything about the light of one look, and what could not be computed and why."""

    look: str | None
    fixtures: tuple[FixtureLight, ...]
    whole: Whole | None
    backdrops: tuple[Backdrop, ...]
    exposure: Exposure | None
    banding: tuple[Banding, ...]
    # mired between the warmest and the coolest fixture of the look, and which they are
    whites_apart: tuple[float, str, str] | None
    # mired from the camera's white balance to the mixed white (positive: the light is warmer)
    off_balance: float | None
    missing: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Change:
    """What the picture lost or gained: stops on the face, ratio then and now, the white.

    `mired` is positive when the mixed white became warmer; `duv_prime` is the distance in
    CIE 1976 u', v'.
    """

    face: float | None
    ratio_wanted: float | None
    ratio_now: float | None
    mired: float | None
    duv_prime: float | None

    @property
    def ratio(self) -> float | None:
        """How far the ratio moved, in stops."""
        if not self.ratio_wanted or not self.ratio_now:
            return None
        return math.log2(self.ratio_now / self.ratio_wanted)


@dataclass(frozen=True, slots=True)
class _Ray:
    """A fixture's geometry to the mark, worked out once."""

    distance: float
    angle: float
    at_full: float
    straight: float | None


def at(place: Place) -> Point3:
    return (place.across, place.from_back, place.height)


def facing(profile: SetProfile) -> Point3:
    """Which way the plane at the mark looks: to the camera, or straight out of the back wall."""
    where = profile.room.mark
    name = profile.picture.camera
    camera = profile.devices[name] if name is not None else None
    if camera is None:
        placed = [d for d in profile.devices.values() if d.kind == "camera" and d.place]
        camera = placed[0] if len(placed) == 1 else None
    if where is None or camera is None or camera.place is None:
        return (0.0, 1.0, 0.0)
    a, b = at(camera.place), at(where)
    return (a[0] - b[0], a[1] - b[1], a[2] - b[2])


def aim_point(profile: SetProfile, device: Device) -> Point3 | None:
    """Where a fixture points: the mark, another device, or nowhere said."""
    if device.place is None or device.place.aim is None:
        return None
    if device.place.aim == "mark":
        return at(profile.room.mark) if profile.room.mark is not None else None
    target = profile.devices[device.place.aim].place
    return at(target) if target is not None else None


def _thrown(
    profile: SetProfile, device: Device, point: Point3, looks: Point3
) -> tuple[_Ray | None, str]:
    """What a fixture throws on a plane at a point, or the sentence that says what is missing."""
    if device.place is None:
        what = "output" if device.output is None else "place"
        return None, f"no {what} given for {device.name}"
    source = at(device.place)
    if math.dist(source, point) < 1e-6:
        return None, f"{device.name} stands exactly where its light is asked for"
    distance, angle = mark.angle_between(source, point, looks)
    if device.output is None:
        if angle >= 90.0:  # from behind it gives this plane nothing, whatever it gives
            return _Ray(distance, angle, 0.0, None), ""
        return None, f"no output given for {device.name}"
    share = 1.0
    target = aim_point(profile, device)
    if target is None:
        return None, f"no aim given for {device.name}"
    if math.dist(target, point) > 0.05:
        if device.beam is None:
            return None, f"no beam angle given for {device.name}"
        axis = tuple(t - s for t, s in zip(target, source, strict=True))
        ray = tuple(p - s for p, s in zip(point, source, strict=True))
        _, off = mark.angle_between(axis, (0.0, 0.0, 0.0), ray)
        share = mark.off_axis_share(off, device.beam)
    lux, figure_at = device.output.lux, device.output.at
    on_plane = mark.illuminance(lux, figure_at, distance, angle, share)
    straight = mark.illuminance(lux, figure_at, distance, 0.0, share)
    return _Ray(distance, angle, on_plane, straight), ""


def _aimed(profile: SetProfile, device: Device) -> Point3 | None:
    """Which way a sensor looks: to what it is aimed at."""
    target = aim_point(profile, device)
    if target is None or device.place is None:
        return None
    here = at(device.place)
    return (target[0] - here[0], target[1] - here[1], target[2] - here[2])


def _glows(
    profile: SetProfile, device: Device, point: Point3, looks: Point3
) -> tuple[_Ray | None, str]:
    """What the own light of a backdrop throws on a sensor, or what is missing for it."""
    if device.place is None or device.size is None or device.glow is None:
        return None, f"no size or place given for {device.name}"
    if math.dist(at(device.place), point) < 1e-6:
        return None, f"{device.name} stands exactly where its light is asked for"
    distance, angle = mark.angle_between(at(device.place), point, looks)
    straight = mark.glow_on(device.glow, *device.size, distance)
    return _Ray(distance, angle, straight * max(0.0, math.cos(math.radians(angle))), straight), ""


def _on_dome(device: Device, ray: _Ray) -> tuple[_Ray | None, str]:
    """On a dome over half the room instead: its shadow on a plane across the light is half a disc
    and half an ellipse, (1 + cos) / 2 of the disc's (geometry of a half sphere)."""
    if ray.straight is None:
        return None, f"no output given for {device.name}"
    share = (1.0 + math.cos(math.radians(ray.angle))) / 2.0
    return replace(ray, at_full=ray.straight * share), ""


def white_of(kelvin: float, lux: float, daylight: bool) -> White:
    """A fixture's light as its CCT says: on the Planckian locus, or CIE daylight where asked.

    Raises ValueError where there is no white at that CCT (`craft.colour.is_white`).
    """
    if daylight and kelvin >= DAYLIGHT_FROM:
        return White(lux, *uv_of_xy(*daylight_xy(kelvin)))
    return White(lux, *planckian_uv(kelvin))


def share_of(device: Device, level: float) -> float | None:
    """Share of its full output (0-1) a fixture gives at a level; None for what is no level."""
    return device.dimmer.output(level) if 0.0 <= level <= 100.0 else None


@dataclass(slots=True)
class Face:
    """The light on the face as a function of what the fixtures are set to; geometry worked out."""

    profile: SetProfile
    rays: dict[str, _Ray] = field(default_factory=dict)
    missing: dict[str, str] = field(default_factory=dict)
    # what a light sensor gets instead: at its own place, looking where it is aimed
    sensor: Device | None = None

    def __post_init__(self) -> None:
        where = self.profile.room.mark
        looks: Point3 | None = facing(self.profile)
        lacks = "no mark given in the room"
        if self.sensor is not None:
            where, looks = self.sensor.place, _aimed(self.profile, self.sensor)
            lacks = f"no place or aim given for {self.sensor.name}"
        for device in self.profile.devices.values():
            # a backdrop lights itself; what it throws forward is spill, not the face
            glows = self.sensor is not None and device.glow is not None
            if device.kind != "light" and not glows:
                continue
            if where is None or looks is None:
                self.missing[device.name] = lacks
                continue
            throws = _glows if device.kind == "backdrop" else _thrown
            ray, why = throws(self.profile, device, at(where), looks)
            if ray is not None and self.sensor is not None and self.sensor.receptor == "dome":
                ray, why = _on_dome(device, ray)
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
            role = self.profile.devices[name].role
            if role is not None:
                by_role[role] = by_role.get(role, 0.0) + lux
            if lux < DARK:
                continue
            if value.cct is not None and is_white(value.cct):
                whites.append(white_of(value.cct, lux, self.profile.picture.daylight))
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
        return Whole(total, ratio, mixed, cct, duv)

    def change(self, wanted: Mapping[str, Preset], now: Mapping[str, Preset]) -> Change | None:
        """How the picture differs from what is wanted; None when that cannot be computed."""
        if self.turned(wanted, now):
            return None
        before, after = self.whole(wanted), self.whole(now)
        if before is None or after is None or before.lux < DARK:
            return None
        face = mark.stops(after.lux, before.lux) if after.lux >= DARK else None
        shift = far = None
        if before.white is not None and after.white is not None:
            far = delta_uv_prime(before.white.u, before.white.v, after.white.u, after.white.v)
            if before.cct is not None and after.cct is not None:
                shift = mired(after.cct) - mired(before.cct)
        return Change(face, before.ratio, after.ratio, shift, far)

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


def light_of(
    profile: SetProfile,
    look: str | None,
    presets: Mapping[str, Preset],
    face: Face | None = None,
) -> LightReading:
    """The light of these presets at the mark and on the backdrop, and the exposure it asks for."""
    face = face or Face(profile)
    missing: list[str] = []
    coloured = face.coloured(presets)
    every, presets = presets, {n: p for n, p in presets.items() if p.colour is None}
    fixtures = []
    for name, preset in presets.items():
        device = profile.devices[name]
        ray = face.rays.get(name)
        if ray is None or preset.level is None:
            continue
        share = share_of(device, preset.level)
        if share is None:
            continue
        fixtures.append(
            FixtureLight(
                name,
                device.role,
                ray.distance,
                ray.angle,
                preset.level,
                preset.cct,
                ray.at_full,
                ray.at_full * share,
                ray.straight * share if ray.straight is not None else None,
            )
        )
    whole = face.whole(presets)
    if whole is None:
        missing.extend(
            f"{text}: light at the mark not computed" for text in face.sentences(presets)
        )
    else:
        missing.extend(f"{text}: mixed white not computed" for text in face.without_white(presets))
    missing.extend(_ratio_missing(profile, presets, face, whole))
    if whole is not None and whole.lux < DARK:
        missing.append("no light reaches the mark from the front in this look")
        whole = replace(whole, ratio=None)
    lit_white = [n for n, p in presets.items() if p.level and n in face.rays]
    for name in lit_white:
        if presets[name].cct is None and face.rays[name].at_full > 0:
            missing.append(f"no CCT given for {name}: mixed white not computed")
    missing.extend(coloured)
    picture = profile.picture
    off = None
    if whole is not None and whole.cct is not None:
        if picture.white is None:
            missing.append("no camera white balance given: not compared with the light")
        else:
            off = mired(whole.cct) - mired(picture.white)
    backdrops = tuple(
        _backdrop(profile, d, presets, whole, missing)
        for d in profile.devices.values()
        if d.kind == "backdrop"
    )
    return LightReading(
        look,
        tuple(fixtures),
        whole,
        backdrops,
        _exposure(profile, whole, missing),
        _banding(profile, every, missing),
        whites_apart(presets),
        off,
        tuple(dict.fromkeys(missing)),
    )


def _ratio_missing(
    profile: SetProfile, presets: Mapping[str, Preset], face: Face, whole: Whole | None
) -> list[str]:
    found = []
    for role in ("key", "fill"):
        named = [n for n in presets if profile.devices[n].role == role]
        if not named:
            found.append(f"no light has the role {role}: ratio not computed")
            continue
        for name in named:
            if name in face.missing:
                found.append(f"{face.missing[name]}: ratio not computed")
        if whole is not None and whole.ratio is None and all(n in face.rays for n in named):
            lit = any((face.lux(n, presets[n].level or 0.0) or 0.0) >= DARK for n in named)
            if not lit:
                found.append(f"no {role} light reaches the mark in this look: ratio not computed")
    return found


def whites_apart(presets: Mapping[str, Preset]) -> tuple[float, str, str] | None:
    """Mired between the coolest and the warmest lit fixture of a look, cooler one first."""
    whites = [
        (mired(p.cct), n)
        for n, p in presets.items()
        if p.cct is not None and is_white(p.cct) and p.level
    ]
    if len(whites) < 2:
        return None
    coolest, warmest = min(whites), max(whites)
    return warmest[0] - coolest[0], coolest[1], warmest[1]


def _backdrop(
    profile: SetProfile,
    device: Device,
    presets: Mapping[str, Preset],
    whole: Whole | None,
    missing: list[str],
) -> Backdrop:
    name = device.name
    points = _across(profile, device, presets, missing)
    middle = points[len(points) // 2] if points else None
    preset = presets.get(name)
    share = share_of(device, preset.level) if preset and preset.level is not None else None
    luminance = None
    if device.glow is not None and share is not None:
        luminance = device.glow * share
    if middle is not None and device.reflects is not None:
        luminance = (luminance or 0.0) + mark.luminance_of(middle, device.reflects)
    subject = whole.lux if whole is not None and whole.lux >= DARK else None
    incident = grey = None
    if subject is not None and middle and middle >= DARK:
        incident = mark.stops(middle, subject)
    if subject is not None and luminance:
        grey = mark.stops(luminance, mark.luminance_of(subject, mark.GREY_CARD))
    if luminance is None:
        if share is not None and device.glow is None:
            missing.append(f"no glow given for {name}: its own light not computed")
        if middle is not None and device.reflects is None:
            missing.append(f"no reflectance given for {name}: not compared with a grey card")
    spill = None
    where = profile.room.mark
    if device.glow is not None and share is not None:
        if device.size is None or device.place is None or where is None:
            missing.append(f"no size or place given for {name}: its spill not computed")
        else:
            gap = where.from_back - device.place.from_back
            if gap > 0:
                spill = mark.glow_on(device.glow * share, *device.size, gap)
    spread = mark.evenness(points) if points and min(points) > 0 else None
    return Backdrop(name, points, incident, grey, spread, spill)


def _across(
    profile: SetProfile, backdrop: Device, presets: Mapping[str, Preset], missing: list[str]
) -> tuple[float, ...] | None:
    """Incident light (lx) at five points across a backdrop from the fixtures aimed at it."""
    aimed = [
        profile.devices[n]
        for n in presets
        if profile.devices[n].place is not None and profile.devices[n].place.aim == backdrop.name  # type: ignore[union-attr]
    ]
    if not aimed:
        return None
    if backdrop.size is None or backdrop.place is None:
        missing.append(f"no size or place given for {backdrop.name}: evenness not computed")
        return None
    x, y, z = at(backdrop.place)
    width = backdrop.size[0]
    points = []
    for i in range(EVENNESS_POINTS):
        point = (x - width / 2 + width * i / (EVENNESS_POINTS - 1), y, z)
        total = 0.0
        for device in aimed:
            ray, why = _thrown(profile, device, point, (0.0, 1.0, 0.0))
            if ray is None:
                missing.append(f"{why}: evenness of {backdrop.name} not computed")
                return None
            level = presets[device.name].level
            share = share_of(device, level) if level is not None else 0.0
            if share is None:
                missing.append(f"{level:g} % is no level: evenness of {backdrop.name} not computed")
                return None
            total += ray.at_full * share
        points.append(total)
    return tuple(points)


def _exposure(profile: SetProfile, whole: Whole | None, missing: list[str]) -> Exposure | None:
    picture = profile.picture
    if whole is None or whole.lux < DARK:
        return None
    wanted = {"shutter": picture.shutter, "ISO": picture.iso}
    absent = [name for name, value in wanted.items() if value is None]
    if absent or picture.shutter is None or picture.iso is None:
        missing.append(f"no {' and no '.join(absent)} given: aperture not computed")
        return None
    needed = exposure.aperture_for(whole.lux, picture.shutter, picture.iso, picture.constant)
    over = None
    if picture.aperture is not None:
        over = 2.0 * math.log2(needed / picture.aperture)
    return Exposure(needed, over)


def _banding(
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
