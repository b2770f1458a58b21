"""The light on a backdrop: against the subject, how even it is, what it throws forward.

Every light counts that reaches it, whatever it is aimed at; shadows of people and stands, and
what bounces, do not. A backdrop is matt, and hangs along the back wall.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

from studiobridge.craft import mark
from studiobridge.craft.colour import White, cct_and_duv, is_white, mix
from studiobridge.craft.rectangle import Rectangle, factor, rectangle, unit
from studiobridge.figures.face import DARK, Whole, share_of, white_of
from studiobridge.figures.framing import seen_on
from studiobridge.figures.rays import (
    OUT_OF_THE_WALL,
    Point3,
    Source,
    at,
    facing,
    nearest,
    sizeless,
)
from studiobridge.figures.reaching import lights_on
from studiobridge.profile.model import Device, Preset, SetProfile

Point2 = tuple[float, float]

# A backdrop is known at so many points across and as many up, its edges among them. Odd, so that
# one of them is its middle.
GRID = 9
# From which share of the way from the middle to an edge a point is to that side.
ASIDE = 0.25
# m: rounding
ALMOST = 1e-9


@dataclass(frozen=True, slots=True)
class Spot:
    """A point of a backdrop: m right of and above its middle, the light on it (lx), and what the
    camera sees there (cd/m2), its own light in it; None where that is not known."""

    across: float
    up: float
    lux: float
    luminance: float | None


@dataclass(frozen=True, slots=True)
class Backdrop:
    """One backdrop: the light on it, against the subject, how even it is, what it throws forward.

    `field`: row by row from its lower left; `points`: the light (lx) edge to edge at its middle
    height. None where a figure for them is missing. `incident` compares the light on its middle
    with the light on the subject, `against_grey` what the camera sees there with a grey card at
    the mark (stops). `spread` is from its darkest to its brightest point (stops), `worst` how far
    its farthest is from the middle one, and `where` that is as the camera sees it: over the part
    that is in the picture (`in_picture`) or all of it, of what the camera sees (`as_seen`) or of
    the light on it. `spill` is what strikes the subject's back (lx), `spill_glow` of it by own
    light; its white is that of the light, as if the backdrop were grey, and None where it is
    keyed (`keys`): then it has the colour of the screen.
    """

    device: str
    field: tuple[Spot, ...] | None = None
    points: tuple[float, ...] | None = None
    incident: float | None = None
    against_grey: float | None = None
    spread: float | None = None
    worst: float | None = None
    where: str | None = None
    in_picture: bool = False
    as_seen: bool = False
    spill: float | None = None
    spill_glow: float | None = None
    spill_white: White | None = None
    spill_cct: float | None = None
    spill_duv: float | None = None
    keys: str | None = None


@dataclass(frozen=True, slots=True)
class _Light:
    """A light that reaches a backdrop, at a share of its full output (0-1), and its white (K)."""

    source: Source
    share: float
    cct: float | None

    def on(self, points: Sequence[Point3]) -> list[float]:
        return [self.share * self.source.on_plane(p, OUT_OF_THE_WALL) for p in points]


@dataclass(frozen=True, slots=True)
class _Surface:
    """A backdrop with the lights that reach it; `own` is its own light (cd/m2), None: not known."""

    device: Device
    face: Rectangle
    lights: tuple[_Light, ...]
    own: float | None

    @property
    def grid(self) -> list[Point2]:
        """Points all over it, row by row from its lower left, its edges among them."""
        wide, high = self.face.width, self.face.height
        steps = [i / (GRID - 1) - 0.5 for i in range(GRID)]
        return [(wide * s, high * t) for t in steps for s in steps]

    def at(self, points: Sequence[Point2]) -> list[Point3]:
        """Points of it (m right of and above its middle) in the room. Its face looks out of the
        wall, so that across is across."""
        x, y, z = self.face.middle
        return [(x + across, y, z + up) for across, up in points]

    def spots(self, points: Sequence[Point2], given: Sequence[Sequence[float]]) -> list[Spot]:
        found = []
        reflects = self.device.reflects
        for i, (across, up) in enumerate(points):
            lux = sum(light[i] for light in given)
            luminance = self.own
            if luminance is not None and lux > 0.0:
                luminance = None
                if reflects is not None and self.own is not None:
                    luminance = self.own + mark.luminance_of(lux, reflects)
            found.append(Spot(across, up, lux, luminance))
        return found


def backdrop_of(
    profile: SetProfile,
    device: Device,
    presets: Mapping[str, Preset],
    whole: Whole | None,
    missing: list[str],
    coloured: bool = False,
) -> Backdrop:
    """What a look makes of a backdrop; what is missing for it is added to `missing`.

    `presets` are those of white lights; `coloured`: its own light is none of them, and lit.
    """
    name = device.name
    own = None if coloured else _own(device, presets.get(name), missing)
    face = _face(device)
    lights = _lights(profile, device, presets, missing) if face is not None else None
    if face is None and (own or any(p.level for p in presets.values())):
        missing.append(f"no size or place given for {name}: light on it and spill not computed")
    if face is None or lights is None:
        return Backdrop(name, against_grey=_against(whole, own), keys=_screened(device))
    surface = _Surface(device, face, lights, own)
    grid = surface.grid
    given = [light.on(surface.at(grid)) for light in lights]
    field = surface.spots(grid, given)
    middle = field[len(field) // 2]
    incident = None
    if whole is not None and whole.lux >= DARK and middle.lux >= DARK:
        incident = mark.stops(middle.lux, whole.lux)
    if middle.lux >= DARK and device.reflects is None:
        left_out = "what it reflects left out" if own else "not compared with a grey card"
        missing.append(f"no reflectance given for {name}: {left_out}")
    luminance = middle.luminance if middle.luminance is not None else own
    row = field[GRID * (GRID // 2) : GRID * (GRID // 2 + 1)]
    found = Backdrop(
        name,
        tuple(field),
        tuple(spot.lux for spot in row[::2]) if lights else None,
        incident,
        _against(whole, luminance),
        keys=_screened(device),
    )
    found = _judged(profile, surface, found, missing)
    return _spilling(profile, surface, given, presets.get(name), found, missing)


def _screened(device: Device) -> str | None:
    """The colour it throws back because it is keyed. One that glows has what it is lit with, unless
    its cloth is dyed."""
    return device.keys if device.glow is None or device.dye is not None else None


def _own(device: Device, preset: Preset | None, missing: list[str]) -> float | None:
    """What it glows with at its level (cd/m2), 0 where it is left dark; None: not known."""
    if preset is None or preset.level is None:
        return 0.0
    share = share_of(device, preset.level)
    if not share:
        return share
    if device.glow is None:
        missing.append(f"no glow given for {device.name}: its own light not computed")
        return None
    return device.glow * share


def _face(device: Device) -> Rectangle | None:
    if device.place is None or device.size is None:
        return None
    return rectangle(at(device.place), OUT_OF_THE_WALL, *device.size)


def _against(whole: Whole | None, luminance: float | None) -> float | None:
    """Stops above a grey card at the mark, as the camera sees the two."""
    if whole is None or whole.lux < DARK or not luminance:
        return None
    return mark.stops(luminance, mark.luminance_of(whole.lux, mark.GREY_CARD))


def _lights(
    profile: SetProfile, backdrop: Device, presets: Mapping[str, Preset], missing: list[str]
) -> tuple[_Light, ...] | None:
    """Every lit light that reaches a backdrop; None where one that is aimed at it is not known."""
    assert backdrop.place is not None
    middle = at(backdrop.place)
    otherwise = f"light on {backdrop.name} not computed"
    lights = lights_on(profile, backdrop, presets, missing, otherwise)
    for light in lights or ():
        device = profile.devices[light.name]
        if math.dist(light.source.place, middle) < (nearest(device) or 0.0):
            missing.append(sizeless(device))
    if lights is None:
        return None
    return tuple(_Light(li.source, li.share, presets[li.name].cct) for li in lights)


def over(part: Sequence[Point2]) -> list[Point2]:
    """Points over a convex polygon, row by row from its lower left: from edge to edge of it."""
    low, high = min(p[1] for p in part), max(p[1] for p in part)
    found = []
    for i in range(GRID):
        up = low + (high - low) * i / (GRID - 1)
        crossed = []
        for a, b in zip(part, (*part[1:], part[0]), strict=True):
            if min(a[1], b[1]) - ALMOST <= up <= max(a[1], b[1]) + ALMOST:
                if abs(a[1] - b[1]) <= ALMOST:
                    crossed += [a[0], b[0]]
                else:
                    t = min(1.0, max(0.0, (up - a[1]) / (b[1] - a[1])))
                    crossed.append(a[0] + t * (b[0] - a[0]))
        left, right = min(crossed), max(crossed)
        found += [(left + (right - left) * j / (GRID - 1), up) for j in range(GRID)]
    return found


def _judged(
    profile: SetProfile, surface: _Surface, found: Backdrop, missing: list[str]
) -> Backdrop:
    """How even it is: over what the picture shows of it, or all of it."""
    if not surface.lights or found.field is None:
        return found  # its own light is taken to be even
    seen = seen_on(profile, surface.device)
    spots: Sequence[Spot] = found.field
    in_picture = seen is not None and bool(seen.part)
    if seen is not None and in_picture:
        points = over(seen.part)
        spots = surface.spots(points, [light.on(surface.at(points)) for light in surface.lights])
    seen_of = [spot.luminance for spot in spots if spot.luminance is not None]
    as_seen = len(seen_of) == len(spots)
    values = seen_of if as_seen else [spot.lux for spot in spots]
    if min(values) < DARK:
        if max(values) >= DARK:
            missing.append(f"part of {found.device} gets no light: evenness not computed")
        return found
    middle = values[len(values) // 2]
    stops = [mark.stops(value, middle) for value in values]
    worst = max(range(len(stops)), key=lambda i: abs(stops[i]))
    return replace(
        found,
        spread=mark.evenness(values),
        worst=stops[worst],
        where=_where(spots, worst),
        in_picture=in_picture,
        as_seen=as_seen,
    )


def _where(spots: Sequence[Spot], i: int) -> str | None:
    """Which part of these points the camera sees one of them in; None: their middle.

    By where it lies between the outermost of them, for rows of a polygon may be of any width.
    """

    def share(values: Sequence[float]) -> float:
        low, high = min(values), max(values)
        return 0.0 if high - low <= ALMOST else 2.0 * (values[i] - low) / (high - low) - 1.0

    row, column = share([spot.up for spot in spots]), share([spot.across for spot in spots])
    level = ("lower", "", "upper")[_sign(row) + 1]
    side = ("left", "", "right")[_sign(column) + 1]
    if level and not side:
        return "bottom" if level == "lower" else "top"
    return f"{level} {side}".strip() or None


def _sign(share: float) -> int:
    return 0 if abs(share) <= ASIDE else 1 if share > 0 else -1


def _spilling(
    profile: SetProfile,
    surface: _Surface,
    given: Sequence[Sequence[float]],
    preset: Preset | None,
    found: Backdrop,
    missing: list[str],
) -> Backdrop:
    """What strikes the subject's back: patch by patch of the backdrop, each a diffuse face of its
    own that glows and reflects."""
    device, mark_at = surface.device, profile.room.mark
    own, reflects = surface.own, device.reflects
    if mark_at is None or own is None or mark_at.from_back <= surface.face.middle[1]:
        return found
    x, y, z = facing(profile)
    back = unit((-x, -y, -z))
    here = at(mark_at)
    glow = math.pi * own * factor(surface.face.corners, here, back)
    parts = [(glow, preset.cct if preset is not None else None, device.duv)]
    if reflects is None and any(max(lux) >= DARK for lux in given):
        if not own:
            missing.append(f"no reflectance given for {found.device}: its spill not computed")
            return found
    elif reflects is not None:
        seen = patches(surface.at(surface.grid), here, back)
        for light, lux in zip(surface.lights, given, strict=True):
            thrown = reflects * sum(a * b for a, b in zip(seen, lux, strict=True))
            thrown = max(0.0, thrown)  # the curves swing below nothing beside a narrow spot
            parts.append((thrown, light.cct, profile.devices[light.source.name].duv))
    found = replace(found, spill=sum(part[0] for part in parts), spill_glow=glow)
    lit = [part for part in parts if part[0] >= DARK]
    if found.keys is not None or not lit:
        return found
    if any(cct is None or not is_white(cct) for _, cct, _ in lit):
        missing.append(f"a white is not known: the colour of {found.device}'s spill not computed")
        return found
    daylight = profile.picture.daylight
    white = mix(white_of(cct, lux, daylight, duv) for lux, cct, duv in lit if cct is not None)
    try:
        cct, duv = cct_and_duv(white.u, white.v)
    except ValueError:
        return replace(found, spill_white=white)
    return replace(found, spill_white=white, spill_cct=cct, spill_duv=duv)


def patches(spots: Sequence[Point3], point: Point3, looks: Point3) -> list[float]:
    """How much of what each point of the grid sends out strikes a plane: patch by patch between
    them, as bright as a curve through the nearest points is on average."""
    shares = [0.0] * len(spots)
    for row in range(GRID - 1):
        for column in range(GRID - 1):
            first = row * GRID + column
            corners = (first, first + 1, first + GRID + 1, first + GRID)
            share = factor([spots[i] for i in corners], point, looks)
            for j, weight_up in _average(row):
                for i, weight in _average(column):
                    shares[j * GRID + i] += share * weight * weight_up
    return shares


def _average(i: int) -> tuple[tuple[int, float], ...]:
    """The average between points i and i + 1 of a curve through the four nearest, at an edge the
    three (integrals of Lagrange's polynomials)."""
    if i == 0:
        return ((0, 5 / 12), (1, 8 / 12), (2, -1 / 12))
    if i == GRID - 2:
        return ((GRID - 1, 5 / 12), (GRID - 2, 8 / 12), (GRID - 3, -1 / 12))
    return ((i - 1, -1 / 24), (i, 13 / 24), (i + 1, 13 / 24), (i + 2, -1 / 24))
