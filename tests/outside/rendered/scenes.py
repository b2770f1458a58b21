"""A set profile taken apart for the witness: panels, backdrops, mark and camera as arrays.

Only places, sizes and what was measured are read from the profile; no geometry of the house.
Coordinates (m): x to the right as the camera sees it, y out from the back wall, z up. Seen so,
they are left-handed; `pictures.py` turns them for its renderer.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from studiobridge.profile.model import Device, Place, Preset, SetProfile

Vector = NDArray[np.float64]
UP = np.array([0.0, 0.0, 1.0])
# What a fixture without `size:` gets here: a common small panel. Common practice, no source.
USUAL_SIZE = (0.3, 0.2)


@dataclass(frozen=True)
class Panel:
    """A flat lamp: its face, the power of its beam, and the figure its maker gives of it.

    The light leaves every spot of it as cosine to `power`: 1 is matt (Lambert), 120 degrees.
    """

    name: str
    centre: Vector
    axis: Vector
    right: Vector
    up: Vector
    size: tuple[float, float]
    power: float
    lux: float
    at: float
    share: float


@dataclass(frozen=True)
class Cloth:
    """A backdrop: it hangs across the room and looks away from the back wall."""

    name: str
    centre: Vector
    size: tuple[float, float]
    glow: float
    reflects: float


@dataclass(frozen=True)
class Scene:
    panels: tuple[Panel, ...]
    cloths: tuple[Cloth, ...]
    mark: Vector
    facing: Vector
    camera: Vector | None
    room: tuple[float, float, float]

    def only(self, name: str) -> Scene:
        """The same with one lamp lit and the cloths dark, all at full."""
        panels = tuple(replace(p, share=1.0) for p in self.panels if p.name == name)
        return replace(self, panels=panels, cloths=())


def vector(place: Place) -> Vector:
    return np.array([place.across, place.from_back, place.height])


def unit(of: Vector) -> Vector:
    return of / np.linalg.norm(of)


def frame(axis: Vector) -> tuple[Vector, Vector]:
    """Width and height of a face that looks along `axis` and is not rolled: its width is level."""
    level = np.cross(axis, UP)
    right = unit(level) if np.linalg.norm(level) > 1e-9 else np.array([1.0, 0.0, 0.0])
    return right, np.cross(right, axis)


def power_of(beam: float) -> float:
    """Half is left at half the beam angle: cos(beam/2) ** power = 1/2, by the trade's definition."""
    return math.log(0.5) / math.log(math.cos(math.radians(beam / 2.0)))


def with_sizes(profile: SetProfile) -> SetProfile:
    """A copy in which every light with a place has a size: area lights have one."""
    devices = {
        n: replace(d, size=USUAL_SIZE) if d.kind == "light" and d.place and d.size is None else d
        for n, d in profile.devices.items()
    }
    return replace(profile, devices=devices)


def scene_of(profile: SetProfile, presets: Mapping[str, Preset]) -> Scene:
    """What is lit in these presets; a fixture that lacks place, aim, output or beam is left out."""
    mark = profile.room.mark
    assert mark is not None
    camera = the_camera(profile)
    seen = vector(camera.place) if camera is not None and camera.place else None
    facing = unit(seen - vector(mark)) if seen is not None else np.array([0.0, 1.0, 0.0])
    panels, cloths = [], []
    for name, device in profile.devices.items():
        preset = presets.get(name)
        level = preset.level if preset is not None and preset.colour is None else None
        share = device.dimmer.output(level) if level else 0.0
        if device.kind == "backdrop" and device.place and device.size:
            glow, reflects = (device.glow or 0.0) * share, device.reflects or 0.0
            cloths.append(Cloth(name, vector(device.place), device.size, glow, reflects))
        if device.kind == "light":
            panel = _panel(profile, device, share)
            if panel is not None:
                panels.append(panel)
    room = profile.room
    inside = (room.width or 4.0, float(room.depth or 5.0), room.height or 2.6)
    return Scene(tuple(panels), tuple(cloths), vector(mark), facing, seen, inside)


def _panel(profile: SetProfile, device: Device, share: float) -> Panel | None:
    place, output = device.place, device.output
    if place is None or place.aim is None or output is None or device.beam is None:
        return None
    target = profile.room.mark if place.aim == "mark" else profile.devices[place.aim].place
    if target is None:
        return None
    axis = unit(vector(target) - vector(place))
    size = device.size or USUAL_SIZE
    right, up = frame(axis)
    power = power_of(device.beam)
    return Panel(
        device.name, vector(place), axis, right, up, size, power, output.lux, output.at, share
    )


def the_camera(profile: SetProfile) -> Device | None:
    if profile.picture.camera is not None:
        return profile.devices[profile.picture.camera]
    placed = [d for d in profile.devices.values() if d.kind == "camera" and d.place]
    return placed[0] if len(placed) == 1 else None
