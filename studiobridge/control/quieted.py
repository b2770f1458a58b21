"""One piece of gear told quiet: where it stands on its way off and back, in words."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Literal

from studiobridge.control.evidence import NEVER

Stage = Literal[
    "noting off",  # that it is to go off is on its way to the disk
    "told off",
    "unsure",  # told off, and it has not said so: it comes back like the rest
    "quiet",  # it said that it is off
    "due",  # its time is over, and something is in the way
    "noting on",
    "told on",
    "still off",  # told on so often, and it does not say that it is on
    "cut",  # an emergency took it off: only a person brings it back
]
SHOWN: dict[Stage, str] = {
    "noting off": "going quiet",
    "told off": "going quiet",
    "unsure": "unsure",
    "quiet": "quiet",
    "due": "waits",
    "noting on": "coming back",
    "told on": "coming back",
    "still off": "still off",
    "cut": "cut",
}
OFF: frozenset[Stage] = frozenset({"unsure", "quiet"})
QuietPhase = Literal["intended", "sent", "confirmed", "failed", "counts on", "over"]
# What may make it late and is nobody's fault is said from so much (s) past its time.
OVERDUE = 60.0


@dataclass(slots=True)
class Quieted:
    """What was told quiet and has still to come back. Times are of the controller's clock."""

    device: str
    plug: str
    by: str
    # since when it is off, as far as is known
    off_at: float
    # when it comes back by itself, and the latest that may be asked for
    back_at: float
    limit: float
    # because a camera rolls; when its take ended, so long after that
    rolling: bool = False
    ends: float | None = None
    cut: bool = False
    stage: Stage = "noting off"
    told_at: float = NEVER
    # its rest counts from here; of what the bridge before told, from the start of this one, for a
    # clock that was set forward meanwhile would have it rested
    rests_from: float = NEVER
    tries: int = 0
    # how many rounds it was told on in vain, and how many it said each time that it is off
    rounds: int = 0
    refused: int = 0
    until: float = NEVER
    # it says that it is on, since then: looked at twice before it is believed
    on_seen: float | None = None
    locked: bool = False
    not_before: float = NEVER
    # what is in the way of its coming back, in words; and what was first, for when it is back
    waits: str | None = None
    late: str | None = None
    said_at: float = NEVER
    # when it has to be looked at again, and when that was asked for
    wake_at: float = float("inf")
    woken: float | None = None
    # somebody wants it back before it was told off
    called_off: bool = False
    # requests that wait for what becomes of it
    asked: list[str] = field(default_factory=list)

    @property
    def due_at(self) -> float:
        return self.back_at if self.ends is None else min(self.back_at, self.ends)

    @property
    def shown(self) -> str:
        if self.rounds and self.stage in ("noting on", "told on"):
            return SHOWN["still off"]
        return "kept off" if self.stage == "due" and self.locked else SHOWN[self.stage]

    def why(self) -> str:
        """Why it is as it is, for a person."""
        if self.stage == "cut":
            return "a cut took it off: `quiet --over` brings it back, nothing else does"
        if self.shown == "still off":
            again = "" if self.until == NEVER else "; it is told again and again"
            return f"told on, and does not say that it is on{again}: look at it"
        if self.stage == "due" and self.waits is not None:
            return self.waits
        if self.stage == "unsure":
            return "told off, and has not said that it is: it is told on like the rest"
        return "until the take ends" if self.rolling else f"asked for by {self.by or 'somebody'}"


def spoken(seconds: float) -> str:
    """A length of time as a person says it: `40 min`, `2 min 20 s`, `1 h 5 min`."""
    left = max(0, round(seconds))
    if left >= 3600:
        hours, minutes = left // 3600, left % 3600 // 60
        return f"{hours} h {minutes} min" if minutes else f"{hours} h"
    if left >= 60:
        minutes, rest = left // 60, left % 60
        return f"{minutes} min {rest} s" if rest and left < 600 else f"{minutes} min"
    return f"{left} s"
