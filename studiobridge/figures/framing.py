"""What the lens shows at the mark, and whether the backdrop fills the picture behind it."""

from __future__ import annotations

import math
from dataclasses import dataclass

from studiobridge.craft import space
from studiobridge.figures.rays import at
from studiobridge.profile.model import Device, SetProfile

# How much of a standing person a framing shows, top to bottom and side to side (m), with the
# air around it. Common practice for a grown person, no source.
FRAMINGS: dict[str, tuple[float, float]] = {
    "head-and-shoulders": (0.65, 0.80),
    "half-length": (0.80, 1.10),
    "full-length": (0.90, 2.00),
}


@dataclass(frozen=True, slots=True)
class Fit:
    """Does a framing fit, and from how far away (m) it just would."""

    framing: str
    fits: bool
    from_distance: float


@dataclass(frozen=True, slots=True)
class Framing:
    """What the lens shows at the subject: angles (degrees) and field (m), wide and high."""

    focal: float
    distance: float
    angle: tuple[float, float]
    field: tuple[float, float]
    fits: tuple[Fit, ...]
    # does the backdrop fill the picture behind the subject: (name, share of the width, height)
    backdrop: tuple[str, float, float] | None


def camera_of(profile: SetProfile) -> Device | None:
    """The camera the picture is about: the one named, or the only one there is."""
    if profile.picture.camera is not None:
        return profile.devices[profile.picture.camera]
    cameras = [d for d in profile.devices.values() if d.kind == "camera"]
    return cameras[0] if len(cameras) == 1 else None


def framing(profile: SetProfile, missing: list[str]) -> Framing | None:
    """What the picture shows at the mark; None, and why, where a figure is missing."""
    picture, mark = profile.picture, profile.room.mark
    camera = camera_of(profile)
    for absent, what in (
        (picture.focal is None, "no focal length given"),
        (picture.sensor is None, "no sensor size given"),
        (mark is None, "no mark given in the room"),
        (camera is None or camera.place is None, "no place given for the camera"),
    ):
        if absent:
            missing.append(f"{what}: framing not computed")
            return None
    assert picture.focal and picture.sensor and mark and camera and camera.place
    away = math.dist(at(camera.place), at(mark))
    if away <= 0:
        missing.append("the camera stands on the mark: framing not computed")
        return None
    wide, high = picture.sensor
    field = (
        space.field_at(picture.focal, wide, away),
        space.field_at(picture.focal, high, away),
    )
    fits = []
    for name, (need_wide, need_high) in FRAMINGS.items():
        needed = max(
            space.distance_for(picture.focal, wide, need_wide),
            space.distance_for(picture.focal, high, need_high),
        )
        fits.append(Fit(name, away >= needed, needed))
    behind = None
    for device in profile.devices.values():
        if device.kind == "backdrop" and device.size is not None and device.place is not None:
            far = camera.place.from_back - device.place.from_back
            if far > 0:
                behind = (
                    device.name,
                    device.size[0] / space.field_at(picture.focal, wide, far),
                    device.size[1] / space.field_at(picture.focal, high, far),
                )
                break
    return Framing(
        picture.focal,
        away,
        (
            space.angle_of_view(picture.focal, wide),
            space.angle_of_view(picture.focal, high),
        ),
        field,
        tuple(fits),
        behind,
    )
