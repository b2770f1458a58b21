"""What each light of a look gives at full wherever a picture is judged: face, head, backdrops.

Light adds up, so these few numbers a light are all that is needed to reckon backwards. Which
lights may be turned is said here too, and why another is left as it is.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from studiobridge.craft import mark
from studiobridge.craft.grid import Grid
from studiobridge.figures.backdrops import EVENNESS_POINTS
from studiobridge.figures.face import Face
from studiobridge.figures.rays import at, thrown
from studiobridge.profile.model import Device, Preset, SetProfile

# What a hand sets a dial to, and a light of which nobody knows its steps (percent).
HAND_STEP = 1.0
# A file has tenths of a percent (`profile/quantity.py`): finer steps are not written.
FINEST = 0.1


@dataclass(frozen=True, slots=True)
class Lamp:
    """One light (or lit backdrop) of a look. Levels in percent, as they stand in a file.

    `face` (lx at full on the face), `head` (of a rim: lx at full on a plane turned to it at the
    mark), `behind`: luminance (cd/m²) it makes at full at points across each backdrop. `held`: why
    it stays at `level`, or empty.
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
        found.append(
            Lamp(device, preset.level, low, high, step, first, at_full, head, behind, held)
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
    """Luminance (cd/m²) across a backdrop from one light at full; None where it gives none."""
    if device.name == backdrop.name:
        return (device.glow,) * EVENNESS_POINTS if device.glow else None
    if device.kind == "backdrop" or backdrop.place is None or backdrop.reflects is None:
        return None
    x, y, z = at(backdrop.place)
    width = backdrop.size[0] if backdrop.size is not None else 0.0
    points = []
    for i in range(EVENNESS_POINTS):
        point = (x - width / 2 + width * i / (EVENNESS_POINTS - 1), y, z)
        ray, why = thrown(profile, device, point, (0.0, 1.0, 0.0))
        if ray is None:
            missing.append(f"{why}: what it gives to {backdrop.name} is not counted")
            return None
        points.append(mark.luminance_of(ray.at_full, backdrop.reflects))
    return tuple(points) if any(points) else None
