"""What each light of a look gives at full wherever a picture is judged: face, head, backdrops.

Light adds up, so these few numbers a light are all that is needed to reckon backwards. Which
lights may be turned is said here too, and why another is left as it is.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from studiobridge.craft import mark
from studiobridge.craft.grid import Grid
from studiobridge.figures.face import Face
from studiobridge.figures.framing import seen_on
from studiobridge.figures.rays import OUT_OF_THE_WALL, Point3, at
from studiobridge.figures.reaching import on_backdrop
from studiobridge.profile.model import Device, Preset, SetProfile

# What a hand sets a dial to, and a light of which nobody knows its steps (percent).
HAND_STEP = 1.0
# A file has tenths of a percent (`profile/quantity.py`): finer steps are not written.
FINEST = 0.1
# How even a backdrop is, is known by so many points across it.
ACROSS = 5


@dataclass(frozen=True, slots=True)
class Lamp:
    """One light (or lit backdrop) of a look. Levels in percent, as they stand in a file.

    `face` (lx at full on the face), `dome` (the same on a dome; 0 where that is not known), `head`
    (of a rim: lx at full on a plane turned to it at the mark), `behind`: luminance (cd/m²) it makes
    at full of each backdrop, in its middle and then at points across what the picture shows of it.
    `held`: why it stays at `level`, or empty.
    """

    device: Device
    level: float
    low: float
    high: float
    step: float
    first: float
    face: float
    head: float
    behind: Mapping[str, tuple[float, ...]]
    held: str = ""
    # what a dome at the mark reads of it at full (lx)
    dome: float = 0.0

    @property
    def name(self) -> str:
        return self.device.name

    @property
    def role(self) -> str | None:
        return self.device.role

    def share(self, level: float) -> float:
        return self.device.dimmer.output(level)

    def levels(self, share: float, around: int) -> list[float]:
        """The levels it can be set to next to the one that gives this share, rising."""
        if self.held or self.low == self.high:
            return [self.level]
        wanted = self.device.dimmer.level(min(1.0, max(0.0, share)))
        n = round((wanted - self.first) / self.step)
        found = {
            round(self.first + k * self.step, 1)
            for k in range(n - around, n + around + 1)
            if self.low <= round(self.first + k * self.step, 1) <= self.high
        }
        # the ends of a range are levels too
        near = around * self.step
        found |= {end for end in (self.low, self.high) if abs(end - wanted) <= near}
        return sorted(found) or [min(max(round(wanted, 1), self.low), self.high)]


def lamps_of(
    profile: SetProfile,
    face: Face,
    presets: Mapping[str, Preset],
    steps: Mapping[str, Grid],
    missing: list[str],
) -> list[Lamp]:
    """The lights of a look whose light can be reckoned; the others are named in `missing`."""
    backdrops = [d for d in profile.devices.values() if d.kind == "backdrop"]
    found = []
    for name, preset in presets.items():
        device = profile.devices[name]
        if preset.colour is not None:
            missing.append(f"{name} is coloured: left as it is, and its light is not counted")
            continue
        if preset.level is None:
            missing.append(f"the look gives {name} no level: left as it is, and not counted")
            continue
        ray = face.rays.get(name)
        if device.kind == "light" and ray is None:
            missing.append(f"{face.missing[name]}: left as it is, and its light is not counted")
            continue
        behind = {}
        for backdrop in backdrops:
            points = _on(profile, device, backdrop, missing)
            if points is not None:
                behind[backdrop.name] = points
        head = ray.straight or 0.0 if ray is not None and device.role == "rim" else 0.0
        low, high = device.level_range or (0.0, 100.0)
        step, first = _steps(device, steps.get(name), low)
        held = "it stands in the picture" if device.role == "practical" else ""
        if not held and not (ray is not None and ray.at_full > 0) and not head and not behind:
            held = "nothing of its light reaches face or backdrop"
        at_full = ray.at_full if ray is not None else 0.0
        dome = (ray.dome or 0.0) if ray is not None else 0.0
        found.append(
            Lamp(device, preset.level, low, high, step, first, at_full, head, behind, held, dome)
        )
    return found


def _steps(device: Device, grid: Grid | None, low: float) -> tuple[float, float]:
    """Its step and where they count from, in percent."""
    if grid is None or device.hand_set:
        return HAND_STEP, 0.0
    factor = 100.0 if grid.unit == "fraction" else 1.0
    return max(FINEST, grid.step * factor), grid.low * factor


def _on(
    profile: SetProfile, device: Device, backdrop: Device, missing: list[str]
) -> tuple[float, ...] | None:
    """Luminance (cd/m²) a light at full makes of a backdrop: its middle, and across it.

    None where it gives none, or what it gives is not known.
    """
    if device.name == backdrop.name:
        return (device.glow,) * (1 + len(_across(profile, backdrop))) if device.glow else None
    if device.kind == "backdrop" or backdrop.place is None or backdrop.reflects is None:
        return None
    source, lacks = on_backdrop(profile, device, backdrop)
    if source is None:
        if lacks:
            missing.append(f"{lacks}: what it gives to {backdrop.name} is not counted")
        return None
    points = [at(backdrop.place), *_across(profile, backdrop)]
    lux = [source.on_plane(point, OUT_OF_THE_WALL) for point in points]
    return tuple(mark.luminance_of(value, backdrop.reflects) for value in lux) if any(lux) else None


def _across(profile: SetProfile, backdrop: Device) -> list[Point3]:
    """Points edge to edge at its middle height: of what the picture shows of it, or of it all."""
    if backdrop.place is None or backdrop.size is None:
        return []
    x, y, z = at(backdrop.place)
    seen = seen_on(profile, backdrop)
    xs = [p[0] for p in seen.part] if seen is not None and seen.part else []
    left, right = (min(xs), max(xs)) if xs else (-backdrop.size[0] / 2, backdrop.size[0] / 2)
    return [(x + left + (right - left) * i / (ACROSS - 1), y, z) for i in range(ACROSS)]
