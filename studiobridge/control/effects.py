"""What the controller wants done. Effects are carried out in the order they are given."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Literal

from studiobridge.control.events import Request
from studiobridge.craft.chroma import Colour
from studiobridge.profile.model import Point, Preset, Value
from studiobridge.profile.said import Answer as Answer


@dataclass(frozen=True, slots=True)
class Tell:
    """Tell a device values, all at once where its dialect allows, else in this order.

    `fade` in seconds, only where the device knows how. Not delivered within `expires_in`
    seconds means not delivered at all (law 10).
    """

    device: str
    values: tuple[tuple[Point, Value], ...]
    fade: float | None
    expires_in: float
    token: int


@dataclass(frozen=True, slots=True)
class Ask:
    """Ask a device for a report."""

    device: str


@dataclass(frozen=True, slots=True)
class Wake:
    """Wake me at this time. A later Wake of the same name replaces the earlier; at=None cancels."""

    name: str
    at: float | None


@dataclass(frozen=True, slots=True)
class Announce:
    """Something shown has changed: the set's state, the drift list, these devices."""

    state: bool = False
    drift: bool = False
    devices: frozenset[str] = frozenset()


@dataclass(frozen=True, slots=True)
class Says:
    """Something has happened that no note tells of, and that people may want to hear of once."""

    at: float
    what: Literal["break", "camera_moved", "automatic", "stray"]
    text: str
    device: str | None = None


@dataclass(frozen=True, slots=True)
class Save:
    """Write these presets of this look into the profile file, then say so with the event Saved.

    `whole`: the look itself is new there, or says these presets anew; None: it has them already.
    """

    request_id: str
    look: str
    presets: Mapping[str, Preset]
    whole: Literal["new", "anew"] | None = None
    title: str = ""


# ---- notes for the record ---------------------------------------------------------------

RequestPhase = Literal["taken", "refused", "ignored", "done", "failed"]


@dataclass(frozen=True, slots=True)
class RequestNote:
    at: float
    id: str
    what: str
    by: str
    source: str
    look: str | None
    targets: tuple[str, ...]
    force: bool
    phase: RequestPhase
    text: str
    # the code it was answered with, once it was (see Answer)
    code: int | None = None

    @staticmethod
    def of(request: Request, phase: RequestPhase, text: str) -> RequestNote:
        """What became of this request so far."""
        return RequestNote(
            request.at,
            request.id,
            request.what,
            request.by,
            request.source,
            request.look,
            request.targets,
            request.force,
            phase,
            text,
        )


@dataclass(frozen=True, slots=True)
class RunNote:
    """A run-up, run-down, restore or try begins or ends; `run` numbers them for ever.

    A run found `begun` and not ended in the record was cut short by a restart.
    """

    at: float
    run: int
    what: Literal["up", "down", "restore", "cut", "try", "adjust"]
    look: str | None
    phase: Literal["begun", "done", "stalled", "turned"]
    text: str


# `waited out` is of a step that only waits: its time is over, and nothing confirmed it.
StepPhase = Literal["intended", "sent", "confirmed", "waited out", "failed", "skipped"]


@dataclass(frozen=True, slots=True)
class StepNote:
    """Law 9: `intended` stands in the record before anything is published.

    Whoever carries it out says with the event Noted when it does; until then nothing is told.
    """

    at: float
    run: int
    n: int
    device: str
    action: str
    value: str
    phase: StepPhase
    text: str


@dataclass(frozen=True, slots=True)
class DriftNote:
    """A drift opens, gets worse or closes. `drift` numbers entries; `how` says why it closed."""

    at: float
    drift: int
    phase: Literal["opened", "worse", "closed"]
    device: str
    point: str
    wanted: Value | None
    # as it reports; in words where another instrument says it: `45 to 60 % by its watts`
    reported: Value | str | None
    stops: float | None
    mired: float | None
    percent: float | None
    how: Literal["", "returned", "restored", "kept", "powered down", "changed look"]


@dataclass(frozen=True, slots=True)
class FaultNote:
    at: float
    device: str | None
    topic: str
    text: str


@dataclass(frozen=True, slots=True)
class LockoutNote:
    at: float
    target: str
    phase: Literal["set", "released"]
    by: str
    why: str


@dataclass(frozen=True, slots=True)
class RollingNote:
    at: float
    device: str
    rolling: bool
    source: str


@dataclass(frozen=True, slots=True)
class HandNote:
    """A person says that they turned this light's dial to its preset (%, K or a colour)."""

    at: float
    device: str
    level: float | None
    cct: float | None
    by: str
    colour: Colour | None = None


@dataclass(frozen=True, slots=True)
class LightNote:
    """The light at a sensor has changed (stops) and no light says that it moved, or so no more.

    `could`: the lights that say nothing and could each have done it; daylight and people could too.
    """

    at: float
    device: str
    phase: Literal["begun", "over"]
    stops: float | None
    could: tuple[str, ...]
    how: Literal["", "returned", "compared anew", "powered down"]


TakePhase = Literal[
    "begun", "rolls", "stopped", "unsure", "going", "changed", "seen", "ended", "marked", "matched"
]


@dataclass(frozen=True, slots=True)
class TakeNote:
    """A take begins, goes on, ends, or something is said of it; `take` numbers them for ever.

    `begun` has in `detail` how the set stood (stood.py). `rolls`, `stopped`: a camera. `unsure`:
    for so long nobody knew whether it rolled. `going`: it rolls still. `changed`: the light has.
    `seen`: it began with no picture, and this is the first of it. `matched`: a look was made of it,
    the presets in `detail`. A take found begun and not ended was cut short when the bridge stopped:
    the next one goes on with it or ends it.
    """

    at: float
    take: int
    phase: TakePhase
    # a camera, or what has changed
    device: str | None = None
    # since the take began, by the steady clock
    seconds: float = 0.0
    # on what evidence: report, watts, hand or inferred; of a mark who made it
    by: str = ""
    # the moment may lie so much (s) before, or of a person's word as much after; None: unknown
    off: float | None = 0.0
    # why, or of a mark its note; None: as it was
    text: str | None = ""
    mark: str | None = None
    detail: Mapping[str, object] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class QuietNote:
    """Gear told quiet, or coming back. `intended` is on disk before anything is told (law 9).

    Whatever was noted last of a device and is not `over` has still to come back: `left` s after
    this note, or, where a `cut` took it off, when a person asks. It has been off for `off_for` s.
    """

    at: float
    device: str
    action: Literal["off", "on"]
    phase: Literal["intended", "sent", "confirmed", "failed", "counts on", "over"]
    left: float
    off_for: float
    cut: bool
    rolling: bool  # told so because a camera rolls: it comes back when the take ends
    by: str
    text: str


@dataclass(frozen=True, slots=True)
class SessionNote:
    """A session: from `up` to `down`. kWh from the plugs that meter, None where none does.

    `metered` is noted now and then, so that a restart loses little of what was used.
    """

    at: float
    session: int
    phase: Literal["opened", "ready", "metered", "closed"]
    look: str | None
    kwh: float | None


@dataclass(frozen=True, slots=True)
class StateNote:
    at: float
    state: str
    look: str | None
    why: str


TickPhase = Literal["on", "off", "over"]


@dataclass(frozen=True, slots=True)
class TickNote:
    """A person ticked a line of before or after in this session, or took that back; or it ended."""

    at: float
    session: int | None
    item: str
    phase: TickPhase
    by: str
    text: str


@dataclass(frozen=True, slots=True)
class BeforeNote:
    """A camera began to roll while not everything was so that should be before it does."""

    at: float
    device: str
    missing: tuple[str, ...]


Note = (
    RequestNote
    | RunNote
    | StepNote
    | DriftNote
    | FaultNote
    | LockoutNote
    | RollingNote
    | HandNote
    | LightNote
    | TakeNote
    | QuietNote
    | SessionNote
    | StateNote
    | TickNote
    | BeforeNote
)

Effect = Tell | Ask | Wake | Announce | Answer | Save | Says | Note


@dataclass(frozen=True, slots=True)
class Lockout:
    """Somebody works on this device or circuit."""

    target: str
    by: str
    why: str
    since: float  # the controller's clock; the record keeps it as wall time


@dataclass(frozen=True, slots=True)
class MadeQuiet:
    """Gear that was told quiet and has not come back. Times are of the controller's clock."""

    device: str
    off_at: float
    back_at: float
    cut: bool
    rolling: bool
    by: str
    noted_at: float = float("-inf")  # when all this was written down


@dataclass(frozen=True, slots=True)
class ByHand:
    """A light set by its dial: to what, by whom, when (the controller's clock)."""

    preset: Preset
    by: str
    at: float


@dataclass(frozen=True, slots=True)
class Tick:
    """A person's word that a line of before or after is so: who, and when (the controller's
    clock)."""

    item: str
    by: str
    at: float


@dataclass(frozen=True, slots=True)
class Memory:
    """What the record still knows when the bridge starts. It proves nothing of any device now."""

    state: str = "dark"
    look: str | None = None
    session: int | None = None  # the open session, if any
    session_kwh: float | None = None
    next_session: int = 1
    next_run: int = 1
    next_drift: int = 1
    # the run that was under way, if any
    run: Literal["up", "down", "restore", "cut", "try", "adjust"] | None = None
    everything: bool = False
    lockouts: tuple[Lockout, ...] = ()
    # dials set in the open session, by device
    by_hand: Mapping[str, ByHand] = field(default_factory=dict)
    # cameras last known to be rolling; they are until a report or a person says otherwise
    rolling: frozenset[str] = frozenset()
    # cameras that had stopped, in an open session; nobody knows for sure how long ago
    stopped: frozenset[str] = frozenset()
    # what was told quiet and has not come back
    quiet: tuple[MadeQuiet, ...] = ()
    # ids of requests already answered, oldest first, with the code and the text of the answer
    answered: tuple[tuple[str, int, str], ...] = ()
    # what is known of the latest takes, the good ones and the looks made of them, oldest first
    takes: tuple[TakeNote, ...] = ()
    next_take: int = 1
    # the open session, or else the last one: its number, when it opened and closed, its ticks,
    # which cameras rolled in it, and since when one does that still rolls
    last_session: int | None = None
    last_kwh: float | None = None
    opened: float | None = None
    closed: float | None = None
    ticks: tuple[Tick, ...] = ()
    rolled: frozenset[str] = frozenset()
    rolling_since: Mapping[str, float] = field(default_factory=dict)
