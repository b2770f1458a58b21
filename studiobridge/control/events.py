"""What happens to a set: everything the controller is ever told.

Each event carries its own time `at`: seconds from a monotonic clock. The controller has no
other source of time. What devices say comes as the speech reads it (`profile/said.py`).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal, get_args

from studiobridge.profile.model import Point, Value
from studiobridge.profile.said import Described as Described
from studiobridge.profile.said import Report as Report
from studiobridge.profile.said import Said
from studiobridge.profile.said import Unreadable as Unreadable
from studiobridge.profile.sighting import Sighting

Asked = Literal[
    "up",
    "down",
    "toggle",
    "restore",
    "keep",
    "save_look",
    "cut",
    "lockout",
    "release",
    "rolling_on",
    "rolling_off",
    "rolling_toggle",
    "set_by_hand",
    "turning",
    "try",
    "adjust",
    "withdraw",
    "quiet_on",
    "quiet_off",
    "tick",
    "untick",
    "mark",
    "match",
    "ping",
]
ASKED: tuple[Asked, ...] = get_args(Asked)


@dataclass(frozen=True, slots=True)
class Request:
    """Somebody asks for something. `retained` and `expired` requests ask for nothing (law 8)."""

    at: float
    id: str
    what: Asked
    by: str = ""
    source: str = ""
    look: str | None = None
    targets: tuple[str, ...] = ()
    why: str = ""
    force: bool = False
    yes: bool = False
    everything: bool = False  # down: chargers and network too
    retained: bool = False
    expired: bool = False
    # save_look: the title of the look; write over one that is there; only where all is known
    title: str = ""
    replace: bool = False
    strict: bool = False
    wish: tuple[Point, Value] | None = None  # try: what its one device is told; None: only heard
    blink: bool = False  # try: which one is it
    # adjust: one light by so many stops of level, or mired of white (positive: brighter, warmer)
    step: tuple[Point, float] | None = None
    take: int | None = None  # mark, match: which take; None: the one that rolls, else the last
    mark: str = ""  # mark: "good", "again" or "" for none; its note is in `why`
    items: tuple[str, ...] = ()  # tick, untick: lines of what is looked at before and after
    lasts: float | None = None  # quiet_on: for how long (s) at most; None: as the profile says


# What tells of a device that cannot tell itself: the meter of its plug, the camera's picture, or a
# light sensor.
Instrument = Literal["watts", "picture", "sensor"]


@dataclass(frozen=True, slots=True)
class Gauge:
    """An instrument makes of this point of a device a value from low to high, both included.

    Of a switch 1 is on and 0 is off; 0 to 1, or a whole range, says that it cannot tell.
    """

    at: float
    device: str
    point: Point
    low: float
    high: float
    by: Instrument


@dataclass(frozen=True, slots=True)
class Sighted:
    """The camera's picture was looked at.

    `taken` and `since`: when the frame was taken, and the oldest of those that were put together,
    by the controller's own clock; None where nobody can say: nothing is concluded from it then.
    """

    at: float
    sighting: Sighting
    taken: float | None
    since: float | None


@dataclass(frozen=True, slots=True)
class SightedLate:
    """A look came of a frame that is too old to say anything of now: whoever looks is behind."""

    at: float
    old_s: float


@dataclass(frozen=True, slots=True)
class WitnessHeard:
    """Whoever looks at the picture says how it goes; `alive` False: it has left.

    `every`: how often (s) it looks now; None where it does not say.
    """

    at: float
    alive: bool
    run: str = ""
    what: str = ""
    why: str = ""
    learned: str | None = None
    every: float | None = None


@dataclass(frozen=True, slots=True)
class LinkUp:
    at: float


@dataclass(frozen=True, slots=True)
class LinkDown:
    at: float


@dataclass(frozen=True, slots=True)
class Due:
    """A wake-up asked for with the effect Wake is due."""

    at: float
    name: str


@dataclass(frozen=True, slots=True)
class Saved:
    """The profile file was rewritten (or not: `error` says why) after the effect Save."""

    at: float
    request_id: str
    error: str | None = None


@dataclass(frozen=True, slots=True)
class Noted:
    """That step `n` of a run is intended stands in the record: it may be told now.

    Also said when the disk does not take it in time: a set does not wait for a disk for ever.
    """

    at: float
    run: int
    n: int


@dataclass(frozen=True, slots=True)
class QuietNoted:
    """What is intended with gear told quiet stands in the record, or does not in time."""

    at: float
    device: str
    action: Literal["off", "on"]
    on_disk: bool


@dataclass(frozen=True, slots=True)
class Unsent:
    """What these devices are told does not leave this machine: why, or that it does again (None).

    Only of fixtures on slots (E1.31), which never answer.
    """

    at: float
    devices: tuple[str, ...]
    why: str | None


@dataclass(frozen=True, slots=True)
class Rival:
    """Somebody else sends to these devices too: who, or that nobody does any more (None)."""

    at: float
    devices: tuple[str, ...]
    who: str | None


@dataclass(frozen=True, slots=True)
class Room:
    """How much is free (bytes) where the record is kept; None: nobody can say. `why`: it cannot be
    written to now, or cannot be looked at."""

    at: float
    free: float | None
    why: str | None = None


Event = (
    Room
    | Rival
    | Unsent
    | Noted
    | QuietNoted
    | Gauge
    | Sighted
    | SightedLate
    | WitnessHeard
    | Request
    | Said
    | LinkUp
    | LinkDown
    | Due
    | Saved
)
