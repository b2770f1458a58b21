"""Which lights reach a backdrop, and what is missing to say what they give it.

One answer for all that is reckoned of a backdrop: how it is lit (`backdrops.py`), keyed
(`screen.py`) and balanced (`targets.py`).
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from studiobridge.figures.face import share_of
from studiobridge.figures.rays import OUT_OF_THE_WALL, Source, at, source_of
from studiobridge.profile.model import Device, Preset, SetProfile


@dataclass(frozen=True, slots=True)
class Reaching:
    """A lit light that reaches a backdrop, at a share of its full output (0-1)."""

    source: Source
    share: float

    @property
    def name(self) -> str:
        return self.source.name


def on_backdrop(profile: SetProfile, device: Device, backdrop: Device) -> tuple[Source | None, str]:
    """A light as it shines on a backdrop; None where it gives it nothing, or a sentence says why
    that is not known.

    It is asked at a corner too: a light that is aimed at the middle needs no beam there, and
    nobody knows what it gives anywhere else.
    """
    if backdrop.place is None:
        return None, ""
    x, y, z = middle = at(backdrop.place)
    source = source_of(profile, device)
    if source is None:
        return None, f"no {'output' if device.output is None else 'place'} given for {device.name}"
    if source.from_behind(middle, OUT_OF_THE_WALL):
        return None, ""
    why = source.lacks(middle)
    if not why and backdrop.size is not None:
        wide, high = backdrop.size
        why = source.lacks((x - wide / 2.0, y, z - high / 2.0))
    return (None, why) if why else (source, "")


def lights_on(
    profile: SetProfile,
    backdrop: Device,
    presets: Mapping[str, Preset],
    missing: list[str],
    otherwise: str,
) -> tuple[Reaching, ...] | None:
    """Every lit light that reaches a backdrop; None where one that is aimed at it is not known.

    What is not known is added to `missing`: for a light that is aimed at it with what it comes to
    (`otherwise`), and any other is left out.
    """
    found = []
    for name, preset in presets.items():
        device = profile.devices[name]
        if device.kind != "light" or not preset.level:
            continue
        source, why = on_backdrop(profile, device, backdrop)
        if source is None and not why:
            continue
        share = share_of(device, preset.level)
        if share is None:
            why = f"{preset.level:g} % is no level, and it is what {name} says"
        if source is not None and share is not None:
            found.append(Reaching(source, share))
        elif device.place is not None and device.place.aim == backdrop.name:
            missing.append(f"{why}: {otherwise}")
            return None
        else:
            missing.append(f"{why}: left out of the light on {backdrop.name}")
    return tuple(found)
