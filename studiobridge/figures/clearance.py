"""What a backdrop throws on the presenter's back, and how far before it that is clean."""

from __future__ import annotations

import math
from dataclasses import dataclass

from studiobridge.figures.face import DARK
from studiobridge.figures.keying import SPILL
from studiobridge.figures.light import light_of
from studiobridge.figures.shadow import FARTHEST, farther
from studiobridge.profile.model import Device, SetProfile


@dataclass(frozen=True, slots=True)
class Spill:
    """What a backdrop throws on the presenter's back, in stops over the light on the face, or over
    the key where it is `keyed`; then it is clean from `clear_from` before it (m) where that is
    farther than now, and None says that it is clean now, or nowhere up to 6 m.
    """

    stops: float
    keyed: bool
    clear_from: float | None


def spill_of(profile: SetProfile, backdrop: Device) -> Spill | None:
    """What the backdrop throws on the presenter's back; where it is keyed also from how far before
    it that is clean, with camera and lights moved as one with the mark."""
    stops = _spilled(profile, backdrop)
    mark = profile.room.mark
    if stops is None or mark is None or backdrop.place is None:
        return None
    if backdrop.keys is None:
        return Spill(stops, False, None)
    if stops <= SPILL:
        return Spill(stops, True, None)
    with_it = [
        device
        for device in profile.devices.values()
        if device.place is not None
        and device.place.from_back > mark.from_back
        and device.place.aim != backdrop.name
    ]
    gap = mark.from_back - backdrop.place.from_back
    near, far = 0.0, FARTHEST - gap
    least = _spilled(farther(profile, with_it, far), backdrop) if far > 0 else None
    if least is None or least > SPILL:
        return Spill(stops, True, None)
    while far - near > 0.005:  # it falls with every step away
        middle = (near + far) / 2
        found = _spilled(farther(profile, with_it, middle), backdrop)
        if found is None or found > SPILL:
            near = middle
        else:
            far = middle
    return Spill(stops, True, gap + far)


def _spilled(profile: SetProfile, backdrop: Device) -> float | None:
    """The backdrop's light on the back in stops: over the key where it is keyed and lit so, else
    over all light on the face."""
    look = profile.default_look
    light = light_of(
        profile, look, profile.looks[look].presets if look is not None else {}, weighed=False
    )
    for keying in light.keying:
        if keying.device == backdrop.name:
            return next((p.value for p in keying.points if p.about == "spill"), None)
    thrown = next((b.spill for b in light.backdrops if b.device == backdrop.name), None)
    if not thrown or light.whole is None or light.whole.lux < DARK:
        return None
    return math.log2(thrown / light.whole.lux)
