"""What goes into the car for a set, and what everything stands on."""

from __future__ import annotations

import math
from dataclasses import dataclass

from studiobridge.craft import mains
from studiobridge.figures.framing import view_of
from studiobridge.profile.model import Device, Lead, Place, SetProfile

# What stands nearer than this to the line below a light (m) is under it: about an arm's reach.
UNDER = 0.6
# A stand is looked for in the picture at so many steps of its height.
STAND_SEEN_AT = 16
# A light above this height (m) is over heads: common practice, a tall person with a hat.
OVERHEAD = 2.0
# One spare cable for so many, and at least one: common practice, no source.
SPARE_FOR = 4


@dataclass(frozen=True, slots=True)
class Packed:
    """A line of the pack list: so many of this, for these devices."""

    group: str
    what: str
    count: int
    devices: tuple[str, ...] = ()
    lead: Lead | None = None
    hours: float | None = None


def stands_on(profile: SetProfile, device: Device) -> str:
    """What holds it up. A light whose stand would be over the mark or in the picture is on a boom.

    A light that is part of the picture stands where the story puts it, on no stand of ours.
    """
    place, mark = device.place, profile.room.mark
    if place is None or device.fixed:
        return ""
    if device.kind != "light":
        return {"backdrop": "bar", "camera": "tripod"}.get(device.kind, "")
    if device.role == "practical":
        return ""
    if (mark is not None and over(place, mark)) or _in_picture(profile, place):
        return "boom"
    return "stand"


def _in_picture(profile: SetProfile, place: Place) -> bool:
    """Does the lens see a stand that rises from here to its lamp?"""
    view = view_of(profile)
    if view is None:
        return False
    for i in range(STAND_SEEN_AT + 1):
        up = place.height * i / STAND_SEEN_AT
        seen = view.picture((place.across, place.from_back, up))
        if seen is not None and max(abs(seen[0]), abs(seen[1])) < 1.0:
            return True
    return False


def over(place: Place, other: Place) -> bool:
    near = math.hypot(place.across - other.across, place.from_back - other.from_back) <= UNDER
    return near and place.height > other.height


def pack_of(profile: SetProfile) -> tuple[Packed, ...]:
    """What goes into the car: nothing of what is fixed in the room."""
    brought = [d for d in profile.devices.values() if not d.fixed]
    lights = [d for d in brought if d.kind == "light"]
    found = [Packed("light", d.title or d.kind, 1, (d.name,)) for d in lights]
    found += [Packed("light", d.title or d.kind, 1, (d.name,)) for d in brought if _cloth(d)]
    found += _held_up(profile, brought)
    found += _power(brought)
    rest = [d for d in brought if d.kind not in ("light", "plug") and not _cloth(d)]
    found += [Packed("picture and sound", d.title or d.kind, 1, (d.name,)) for d in rest]
    for device in brought:
        if device.battery and not _cloth(device):
            known = device.holds is not None and device.draws > 0
            hours = mains.battery_hours(device.holds or 0.0, device.draws) if known else None
            what = "charged battery, and one to spare"
            found.append(Packed("batteries", what, 2, (device.name,), hours=hours))
    tools = [
        ("tape measure", 2),
        ("square or a board with a true corner", 1),
        ("chalk or tape for marks", 1),
        ("light meter", 1),
        ("gloves for warm lamps", 1),
        ("tape or mats for cables", 1),
    ]
    found += [Packed("to do it with", what, count) for what, count in tools]
    return tuple(found)


def _cloth(device: Device) -> bool:
    return device.kind == "backdrop"


def _held_up(profile: SetProfile, brought: list[Device]) -> list[Packed]:
    """What everything stands on, with a weight for each stand and a line for what is overhead."""
    on = {d.name: stands_on(profile, d) for d in brought}
    stood = [d for d in brought if on[d.name] in ("stand", "boom")]
    high = [d for d in stood if d.place is not None and d.place.height >= OVERHEAD]
    found = []
    for what, devices, each in (
        ("stand", [d for d in stood if on[d.name] == "stand"], 1),
        ("boom on a stand", [d for d in stood if on[d.name] == "boom"], 1),
        ("weight for a stand", stood, 1),
        ("safety line", high, 1),
        ("stand for a cloth's bar", [d for d in brought if on[d.name] == "bar"], 2),
        ("tripod", [d for d in brought if on[d.name] == "tripod"], 1),
    ):
        if devices:
            names = tuple(d.name for d in devices)
            found.append(Packed("stands", what, each * len(devices), names))
    return found


def _power(brought: list[Device]) -> list[Packed]:
    plugs = [d for d in brought if d.kind == "plug"]
    found = []
    if plugs:
        found.append(Packed("power", "plug", len(plugs), tuple(d.name for d in plugs)))
    led = [d for d in brought if d.lead is not None]
    found += [Packed("power", "lead", 1, (d.name,), d.lead) for d in led]
    corded = [d for d in brought if d.kind != "plug" and not d.battery and d.fed_by]
    if corded:
        names = tuple(d.name for d in corded)
        found.append(Packed("power", "device cable", len(corded), names))
    cables = len(led) + len(corded)
    if cables:
        found.append(Packed("power", "spare cable", max(1, -(-cables // SPARE_FOR))))
    return found
