"""The light of a look at the mark, and what a touched fixture does to the picture.

Directions: the plane at the mark faces the camera (its place where the profile gives one, else
straight away from the back wall). What a fixture gives there is inverse square and cosine, or
that of its whole face where its size is given; walls, ceiling and everything they bounce back are
not in it, so a meter is right where it and this differ: held to the lights once, it makes the
figures its own (`calibration.py`). The ratio is key over fill as they strike that plane, each by
itself.

A figure that is missing is named, and whatever needs it is not computed.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

from studiobridge.craft.colour import MOST_DUV, cct_and_duv, is_white
from studiobridge.craft.grid import mired
from studiobridge.figures.backdrops import Backdrop, backdrop_of
from studiobridge.figures.exposing import (
    Banding,
    Exposure,
    Shutter,
    banding_of,
    exposure_of,
    pulses_of,
    shutters_of,
)
from studiobridge.figures.face import DARK, Face, Whole, share_of, white_of
from studiobridge.figures.keying import Keying, keying_of
from studiobridge.figures.known import Known, known
from studiobridge.figures.rays import Side, nearest, sizeless
from studiobridge.profile.model import Preset, SetProfile


@dataclass(frozen=True, slots=True)
class FixtureLight:
    """One fixture at the mark: distance (m), angle to the plane facing the camera (degrees).

    `at_full` and `lux` are on that plane (0 from behind), `dome` on a dome there, `straight` on a
    plane turned to the fixture, `cheek` on one turned 90 degrees from the camera to the fixture's
    `side` of the subject (as the camera sees it); all in lx. `cct` in K.
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
    cheek: float | None = None
    side: Side = "left"
    dome: float | None = None


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
    # how well all this is known
    sure: Known | None = None
    # Duv from the camera's white to the mixed white (positive: the light is greener)
    off_tint: float | None = None
    # Duv between two fixtures' whites, the most magenta first; where one of them says its own
    tints_apart: tuple[float, str, str] | None = None
    # how clean the key of each screen will be that is keyed out of the picture
    keying: tuple[Keying, ...] = ()
    # every usual shutter, the safe ones first
    shutters: tuple[Shutter, ...] = ()


def light_of(
    profile: SetProfile,
    look: str | None,
    presets: Mapping[str, Preset],
    face: Face | None = None,
    weighed: bool = True,
) -> LightReading:
    """The light of these presets at the mark and on the backdrop, and the exposure it asks for.

    Not `weighed`: without how sure it is, which takes as long again as all the rest.
    """
    face = face or Face(profile)
    missing: list[str] = []
    coloured = face.coloured(presets)
    colours = {n for n, p in presets.items() if p.colour is not None and p.level}
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
        if share and ray.distance < (nearest(device) or 0.0):
            missing.append(sizeless(device))
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
                ray.cheek * share if ray.cheek is not None else None,
                ray.side,
                ray.dome * share if ray.dome is not None else None,
            )
        )
    whole = face.whole(presets)
    if whole is None:
        missing.extend(
            f"{text}: light at the mark not computed" for text in face.sentences(presets)
        )
    else:
        missing.extend(f"{text}: mixed white not computed" for text in face.without_white(presets))
    if profile.picture.receptor == "dome" and whole is not None:
        missing.extend(
            f"no output given for {name}, which lights a dome from behind: left out of the aperture"
            for name, preset in presets.items()
            if preset.level and name in face.rays and face.rays[name].dome is None
        )
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
    off = tint = None
    if whole is not None and whole.white is not None and whole.cct is None:
        missing.append(
            f"the mixed white is more than {MOST_DUV:g} off the Planckian locus: it has no CCT"
        )
    if whole is not None and whole.cct is not None and whole.duv is not None:
        if picture.white is None:
            missing.append("no camera white balance given: not compared with the light")
        else:
            off = mired(whole.cct) - mired(picture.white)
            tint = whole.duv - picture.duv
    backdrops = tuple(
        backdrop_of(profile, d, presets, whole, missing, coloured=d.name in colours)
        for d in profile.devices.values()
        if d.kind == "backdrop"
    )
    keyed = [keying_of(profile, d, every, whole, face) for d in profile.devices.values()]
    made = exposure_of(profile, whole, missing)
    pulses = pulses_of(profile, every, missing)
    return LightReading(
        look,
        tuple(fixtures),
        whole,
        backdrops,
        made,
        banding_of(profile, pulses, missing),
        whites_apart(presets),
        off,
        tuple(dict.fromkeys(missing)),
        known(profile, presets) if weighed else None,
        off_tint=tint,
        tints_apart=tints_apart(profile, presets),
        keying=tuple(k for k in keyed if k is not None),
        shutters=shutters_of(profile, pulses),
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


def tints_apart(
    profile: SetProfile, presets: Mapping[str, Preset]
) -> tuple[float, str, str] | None:
    """Duv between the most magenta and the greenest lit fixture of a look, the magenta one first.

    None where neither of the two says a `duv` of its own: what is taken for granted of a white is
    no difference between two of them.
    """
    found = []
    for name, preset in presets.items():
        if preset.cct is None or not is_white(preset.cct) or not preset.level:
            continue
        own = profile.devices[name].duv
        white = white_of(preset.cct, 1.0, profile.picture.daylight, own)
        found.append((cct_and_duv(white.u, white.v)[1], name))
    if len(found) < 2:
        return None
    magenta, green = min(found), max(found)
    if all(profile.devices[name].duv is None for _, name in (magenta, green)):
        return None
    return green[0] - magenta[0], magenta[1], green[1]
