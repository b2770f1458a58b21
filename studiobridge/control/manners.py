"""What is said of a request before anything happens: what stands in its way, and what waits.

Nothing is decided here about the gear; the gates are asked again before each command.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from studiobridge.control.desk import Desk
from studiobridge.control.gates import Gates

# The end of a take is what a run-down waits for.
GOES_DOWN = "goes down when the take ends"
GOES_DOWN_KNOWN = "goes down when somebody says that it does not roll"


@dataclass(frozen=True, slots=True)
class InTheWay:
    """Why `up` would be refused now, or would not get to `ready`."""

    what: Literal["lockout", "rolling"]
    device: str
    target: str
    by: str
    why: str


def locked(desk: Desk, gates: Gates) -> list[InTheWay]:
    """Essential devices that may not be told, or not be given their mains, for a lockout."""
    found = []
    for name, device in desk.profile.devices.items():
        if not device.essential or device.speaks is None:
            continue
        switch = desk.feeds.energiser(name)
        if name in gates.locked:
            lockout, why = gates.locked[name], gates.why_locked(name, energise=True)
        elif switch in gates.blocked and not desk.beliefs.surely_on(switch or ""):
            lockout = desk.lockouts[gates.blocked[switch or ""]]
            why = gates.why_locked(switch or "", energise=True)
        else:
            continue
        found.append(InTheWay("lockout", name, lockout.target, lockout.by, str(why)))
    return found


def in_the_way(desk: Desk, gates: Gates, at: float) -> list[InTheWay]:
    """All that stands in the way of `up` now, lockouts first."""
    found = locked(desk, gates)
    camera = gates.held_by(at)
    if camera is not None:
        doing = "rolling" if desk.beliefs.of[camera].rolls else "closing its file"
        found.append(InTheWay("rolling", camera, camera, "", f"{camera} is {doing}"))
    return found


def why_not_up(found: list[InTheWay]) -> str:
    """The sentence with which `up` is refused: each lockout once, and what it stands in for."""
    reasons = dict.fromkeys(entry.why for entry in found)
    names = ", ".join(entry.device for entry in found)
    return (
        f"{'; '.join(reasons)}. Without {names} the set cannot be ready: release it, or force it"
        " and the rest comes up"
    )
