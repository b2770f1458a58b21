"""How well the figures of a look's light are known: what `light` prints behind its ±.

The numbers and their reasons are in `sure.py`; what a meter said of the lights in
`calibration.py`. Everything is about 95 of 100, in stops where nothing else is said.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

from studiobridge.craft import mark
from studiobridge.craft.colour import is_white
from studiobridge.craft.grid import mired
from studiobridge.figures import calibration, rays, sure
from studiobridge.figures.calibration import Calibration
from studiobridge.figures.sure import Sure
from studiobridge.profile.model import Device, Preset, SetProfile

# Across a backdrop: its edges and its middle say how well its evenness is known.
ACROSS = 3


@dataclass(frozen=True, slots=True)
class FixtureKnown:
    """How well one light at the mark is known, on the plane there and turned to it, and by what."""

    device: str
    lux: float | None
    straight: float | None
    by: str


@dataclass(frozen=True, slots=True)
class BackdropKnown:
    """How well a backdrop's figures are known, each in stops; None where there is no figure."""

    device: str
    incident: float | None
    against_grey: float | None
    spread: float | None
    spill: float | None


@dataclass(frozen=True, slots=True)
class Known:
    """How well a look's figures are known: stops, `white` and `whites_apart` mired, `duv` Duv.

    `both_over_fill` is a figure of its own: key and fill together over the fill, beside the
    ratio of key alone. `aperture` is of what the meter reads, a plane or a dome. `bounce`: stops
    that walls and ceiling may add to the face on top, in one direction; what a meter read at the
    face has them in it.
    """

    lux: float | None
    ratio: float | None
    both_over_fill: float | None
    both: float | None
    white: float | None
    whites_apart: float | None
    duv: float | None
    aperture: float | None
    bounce: float | None
    fixtures: tuple[FixtureKnown, ...]
    backdrops: tuple[BackdropKnown, ...]
    coverage: str = sure.COVERAGE

    def fixture(self, name: str) -> FixtureKnown | None:
        return next((f for f in self.fixtures if f.device == name), None)

    def backdrop(self, name: str) -> BackdropKnown | None:
        return next((b for b in self.backdrops if b.device == name), None)


def known(profile: SetProfile, presets: Mapping[str, Preset]) -> Known:
    """How well everything is known that these presets make of the light."""
    made = calibration.of(profile)
    lamps = {n: p for n, p in presets.items() if _counts(profile, n, p)}
    face: dict[str, Sure] = {}
    where = profile.room.mark
    if where is not None:
        looks = rays.facing(profile)
        for name, preset in lamps.items():
            light = _light(profile, made, name, preset, rays.at(where), looks, "mark")
            if light is not None:
                face[name] = light
    whole = sure.total(face.values())
    read = _on_dome(profile, made, lamps) if profile.picture.receptor == "dome" else whole
    roles: dict[str, Sure] = {}
    for name, light in face.items():
        role = profile.devices[name].role
        if role is not None:
            roles[role] = sure.total((roles.get(role, sure.DARK), light))
    key, fill = roles.get("key", sure.DARK), roles.get("fill", sure.DARK)
    alone = sure.ratio(key, fill)
    both = sure.ratio(sure.total((key, fill)), fill) if alone is not None else None
    white, duv = _white(presets, face, whole)
    read_here = {s.device for s in made.scales if calibration.FACE in s.at}
    bare = sum(light.value for name, light in face.items() if name not in read_here)
    return Known(
        lux=whole.stops,
        ratio=_stops(alone),
        both_over_fill=both.value if both is not None else None,
        both=_stops(both),
        white=white,
        whites_apart=math.hypot(sure.WHITE, sure.WHITE),
        duv=duv,
        aperture=read.stops,
        bounce=sure.BOUNCE * bare / whole.value if whole.value > 0 else None,
        fixtures=tuple(_fixture(profile, made, n, p, face) for n, p in lamps.items()),
        backdrops=tuple(
            _backdrop(profile, made, d, presets, lamps, whole)
            for d in profile.devices.values()
            if d.kind == "backdrop"
        ),
    )


def _counts(profile: SetProfile, name: str, preset: Preset) -> bool:
    """Is it a light at a level, in its white?"""
    level = preset.level
    is_light = profile.devices[name].kind == "light" and preset.colour is None
    return is_light and level is not None and 0.0 <= level <= 100.0


def _stops(figure: Sure | None) -> float | None:
    return figure.stops if figure is not None else None


def _light(
    profile: SetProfile,
    made: Calibration,
    name: str,
    preset: Preset,
    point: rays.Point3,
    looks: rays.Point3,
    place: str,
    dome: bool = False,
) -> Sure | None:
    """One lit light on a plane or a dome, by the meter where one was held to it."""
    device = profile.devices[name]
    full = sure.at_full(profile, device, point, looks, place, dome)
    if full is None or preset.level is None:
        return None
    return made.fit.light(name, sure.lit(device, full, preset.level))


def _on_dome(profile: SetProfile, made: Calibration, lamps: Mapping[str, Preset]) -> Sure:
    """What a dome at the mark reads: more than the plane there, of what is beside and behind."""
    where = profile.room.mark
    if where is None:
        return sure.DARK
    point, looks = rays.at(where), rays.facing(profile)
    lit = (_light(profile, made, n, p, point, looks, "mark", dome=True) for n, p in lamps.items())
    return sure.total(light for light in lit if light is not None)


def _fixture(
    profile: SetProfile,
    made: Calibration,
    name: str,
    preset: Preset,
    face: Mapping[str, Sure],
) -> FixtureKnown:
    straight = None
    place, where = profile.devices[name].place, profile.room.mark
    if place is not None and where is not None:
        a, b = rays.at(place), rays.at(where)
        looks = (a[0] - b[0], a[1] - b[1], a[2] - b[2])
        if any(looks):
            straight = _light(profile, made, name, preset, b, looks, "mark")
    by = "meter" if name in made.fit.scales else "maker"
    return FixtureKnown(name, _stops(face.get(name)), _stops(straight), by)


def _white(
    presets: Mapping[str, Preset], face: Mapping[str, Sure], whole: Sure
) -> tuple[float | None, float | None]:
    """How well the mixed white is known: mired and Duv. Mired mix by light, nearly enough."""
    whites = {}
    for name, light in face.items():
        cct = presets[name].cct
        if cct is not None and is_white(cct) and light.value > 0:
            whites[name] = mired(cct)
    if not whites or whole.value <= 0:
        return None, None
    mixed = sum(face[n].value * m for n, m in whites.items()) / whole.value
    # a light that may be brighter than it is reckoned pulls the mix to its own white
    pulls = sure.total(
        Sure(0.0, {s: p * (m - mixed) / whole.value for s, p in face[n].parts.items()})
        for n, m in whites.items()
    )
    shares = [face[n].value / whole.value for n in whites]
    own = math.hypot(*shares)
    return math.hypot(pulls.within, sure.WHITE * own), sure.DUV * own


def _backdrop(
    profile: SetProfile,
    made: Calibration,
    device: Device,
    presets: Mapping[str, Preset],
    lamps: Mapping[str, Preset],
    face: Sure,
) -> BackdropKnown:
    place = device.place
    points: list[Sure] = []
    if place is not None and device.size is not None:
        x, y, z = rays.at(place)
        for i in range(ACROSS):
            point = (x + device.size[0] * (i / (ACROSS - 1) - 0.5), y, z)
            lit = (
                _light(profile, made, n, p, point, (0.0, 1.0, 0.0), device.name)
                for n, p in lamps.items()
            )
            points.append(sure.total(light for light in lit if light is not None))
    middle = points[ACROSS // 2] if points else sure.DARK
    glow = _glow(device, presets.get(device.name))
    seen = sure.DARK
    if device.reflects is not None and middle.value > 0:
        back = middle.times(device.reflects / math.pi)
        seen = back.with_share(f"{device.name}: reflects", sure.REFLECTS)
    seen = sure.total((seen, glow))
    ends = sorted(points, key=lambda point: point.value)
    spread = sure.ratio(ends[-1], ends[0]) if ends else None
    return BackdropKnown(
        device.name,
        _stops(sure.ratio(middle, face)),
        _stops(sure.ratio(seen, face)),
        _stops(spread),
        _stops(_spill(profile, device, seen)),
    )


def _glow(device: Device, preset: Preset | None) -> Sure:
    """A backdrop's own light (cd/m²) at its level."""
    level = preset.level if preset is not None else None
    if device.glow is None or level is None or not 0.0 < level <= 100.0:
        return sure.DARK
    full = Sure(device.glow).with_share(f"{device.name}: glow", sure.GLOW)
    return sure.lit(device, full, level)


def _spill(profile: SetProfile, device: Device, seen: Sure) -> Sure | None:
    """What it throws on the subject's back, as well known as what is seen of its middle (cd/m²)."""
    where, place = profile.room.mark, device.place
    if where is None or place is None or device.size is None or seen.value <= 0:
        return None
    gap = where.from_back - place.from_back
    if gap <= sure.PLACE:
        return None

    def lux(away: float) -> float:
        assert device.size is not None
        return mark.glow_on(seen.value, *device.size, away)

    thrown = seen.times(lux(gap) / seen.value)
    nearer = (lux(gap - sure.PLACE) - lux(gap + sure.PLACE)) / 2.0
    parts = dict(thrown.parts)
    for source, by in ((f"{device.name}: from_back", nearer), ("mark: from_back", -nearer)):
        parts[source] = parts.get(source, 0.0) + by
    return Sure(thrown.value, parts)
