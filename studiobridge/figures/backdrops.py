"""The light on a backdrop: against the subject, how even it is, what it throws forward."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from studiobridge.craft import mark
from studiobridge.figures.face import DARK, Whole, share_of
from studiobridge.figures.rays import (
    at,
    thrown,
)
from studiobridge.profile.model import Device, Preset, SetProfile

# Evenness is judged edge to edge at this many points across, at the backdrop's middle height.
EVENNESS_POINTS = 5


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


def backdrop_of(
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
            ray, why = thrown(profile, device, point, (0.0, 1.0, 0.0))
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
