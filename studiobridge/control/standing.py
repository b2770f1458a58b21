"""Where a set stands: its state, its session, what it answered, whom it still has to hear.

Shared by the parts of the controller; only `turn` changes the state, by the table in states.py.
"""

from __future__ import annotations

from collections import OrderedDict
from collections.abc import Mapping
from dataclasses import dataclass

from studiobridge.control.belief import Belief
from studiobridge.control.desk import Desk
from studiobridge.control.effects import (
    Announce,
    FaultNote,
    Memory,
    RequestNote,
    RequestPhase,
    RollingNote,
    SessionNote,
    StateNote,
)
from studiobridge.control.events import Request
from studiobridge.control.evidence import NEVER
from studiobridge.control.states import State, Turn
from studiobridge.control.states import step as state_after
from studiobridge.profile.said import Answer

# A fault that goes on (a garbled payload each second) is noted again this often (s), no more.
FAULT_AGAIN_AFTER = 300.0
# How many answers are remembered, so that a repeated request is answered and not repeated. A
# repeat comes within minutes: in that time no crowd of askers gets past so many, and each takes
# some hundred bytes. Older requests are past their `until` besides.
ANSWERS_KEPT = 4096
# What a session used is written down this often (s): a restart loses no more than that.
METERED_EVERY = 60.0
# ... where it grew by this (kWh): a lamp of 60 W in a minute.
METERED_STEP = 0.001


class Session:
    """From `up` to `down`: its number, and what the plugs metered of it (kWh)."""

    def __init__(self, desk: Desk, memory: Memory) -> None:
        self.desk = desk
        self.number = memory.session
        self.kwh = memory.session_kwh
        self._next = memory.next_session
        self._noted_at, self._noted_kwh = NEVER, 0.0
        # meters that have no meter above them: what they say adds up to the whole
        devices = desk.profile.devices
        self._meters = frozenset(
            d.name
            for d in devices.values()
            if "watts" in d.hears and not any("watts" in devices[f].hears for f in d.feeds)
        )
        # of each of them: watts, and since when
        self._samples: dict[str, tuple[float, float]] = {}

    @property
    def open(self) -> bool:
        return self.number is not None

    def begin(self, look: str | None, at: float) -> None:
        if self.number is None:
            self.number = self._next
            self._next += 1
            self.kwh = None
            self._samples.clear()
            self._noted_at, self._noted_kwh = at, 0.0
            self.desk.emit(SessionNote(at, self.number, "opened", look, None))

    def metered(self, name: str, watts: float, at: float) -> None:
        """A fresh sample: what flowed since the one before, in this session."""
        if name not in self._meters:
            return
        last = self._samples.get(name)
        self._samples[name] = (watts, at)
        if last is None or self.number is None:
            return
        self.kwh = (self.kwh or 0.0) + last[0] * (at - last[1]) / 3.6e6
        grown = self.kwh - self._noted_kwh >= METERED_STEP
        if grown and at - self._noted_at >= METERED_EVERY:
            self._noted_at, self._noted_kwh = at, self.kwh
            self.desk.emit(SessionNote(at, self.number, "metered", self.desk.look, self.kwh))

    def link_lost(self) -> None:
        """Nobody knows what flows until the meters are heard again."""
        self._samples.clear()

    def close(self, at: float) -> None:
        if self.number is not None:
            self.desk.emit(SessionNote(at, self.number, "closed", None, self.kwh))
        self.number = None


@dataclass(frozen=True, slots=True)
class Rolled:
    """A camera has started or stopped; `source`: report, watts, or where a person `said` so who."""

    at: float
    camera: str
    rolls: bool
    source: str
    said: bool


class Standing:
    """Where the set stands now. Times are of the controller's clock."""

    def __init__(self, desk: Desk, memory: Memory, now: float) -> None:
        self.profile = desk.profile
        self.desk = desk
        self.state: State = "unheard"
        self.why = "listening"
        self.since = now
        self.session = Session(desk, memory)
        self.warm_at: float | None = None
        # since when the set stands in its look, proven or adrift; None while it does not
        self.stands_since: float | None = None
        # it was taken down by a cut: what is off is off at its plugs, and nothing was asked first
        self.was_cut = False
        # how often a light was put back with nobody asking, and which are not any more (law 12)
        self.tried: dict[str, int] = {}
        self.contested: dict[str, str] = {}
        # who else sends to a fixture on slots: known as long as it is heard
        self.rivals: dict[str, str] = {}
        self.last_asked = now
        self.left_on = False
        self.faults = 0
        self._fault_at: dict[tuple[str | None, str], float] = {}
        self._noted_look: str | None = memory.look
        # cameras that started or stopped, in order, until the takes have heard of it
        self.rolled: list[Rolled] = []

    def turn(self, turn: Turn, at: float, why: str = "") -> None:
        before = self.state
        self.state = state_after(before, turn)
        self.why = why
        if self.state != before:
            self.since = at
        if self.state != "unheard":
            self._noted_look = self.desk.look
            self.desk.emit(StateNote(at, self.state, self.desk.look, why))
        if self.state not in ("ready", "adrift"):
            self.stands_since = None
        elif self.stands_since is None:
            self.stands_since = at
        self.desk.drift_opens = self.state in ("ready", "adrift", "stalled")
        self.desk.emit(Announce(state=True))

    def fault(self, device: str | None, topic: str, text: str, at: float) -> None:
        last = self._fault_at.get((device, topic), NEVER)
        if at - last < FAULT_AGAIN_AFTER:
            return
        self._fault_at[(device, topic)] = at
        self.faults += 1
        self.desk.emit(FaultNote(at, device, topic, text))
        self.desk.emit(Announce(state=True))

    def watch_left_on(self, at: float) -> None:
        if self.profile.left_on is not None and (self.session.open or self.desk.tried_out):
            self.desk.wake("left-on", max(at, self.last_asked + self.profile.left_on.after))

    def camera(
        self, belief: Belief, before: bool, at: float, source: str, said: bool = False
    ) -> None:
        """A camera has started or stopped; afterwards it closes its file for a while."""
        rolls = belief.rolls
        if rolls == before:
            return
        name = belief.device.name
        if rolls:
            belief.closing_until = NEVER
        else:
            self.close_file(belief, at)
        self.desk.emit(RollingNote(at, name, rolls, source))
        self.rolled.append(Rolled(at, name, rolls, source, said))
        self.desk.changed.add(name)
        self.desk.emit(Announce(state=True))

    def look_at_camera(self, name: str, held_until: float) -> None:
        """What is known of a camera holds until then: show it anew."""
        self.desk.changed.add(name)
        self.desk.wake(f"rolling {name}", held_until + 0.1)

    def close_file(self, belief: Belief, at: float) -> None:
        belief.closing_until = at + belief.device.closes_in
        self.desk.wake(f"closing {belief.device.name}", belief.closing_until)


class Answers:
    """What was asked, written down and answered: each request once, however often it comes.

    `given` has the answer of a request by its id; None while it is under way.
    """

    def __init__(self, desk: Desk, memory: Memory) -> None:
        self.desk = desk
        self.given: OrderedDict[str, tuple[int, str] | None] = OrderedDict(
            (id_, (code, text)) for id_, code, text in memory.answered
        )

    def note(self, request: Request, phase: RequestPhase, text: str) -> None:
        self.desk.emit(RequestNote.of(request, phase, text))

    def under_way(self, request_id: str) -> None:
        if request_id:
            self.given[request_id] = None

    def refuse(self, request: Request, code: int, text: str) -> None:
        self.note(request, "refused", text)
        self.answer(request.id, code, text)

    def done(self, request: Request, text: str, detail: Mapping[str, object] | None = None) -> None:
        self.note(request, "done", text)
        self.answer(request.id, 0, text, detail)

    def answer(
        self, request_id: str, code: int, text: str, detail: Mapping[str, object] | None = None
    ) -> None:
        if not request_id:
            return
        self.given[request_id] = (code, text)
        while len(self.given) > ANSWERS_KEPT:
            self.given.popitem(last=False)
        self.desk.emit(Answer(request_id, True, code, text, detail or {}))


class Listening:
    """After a start, or when the link is back: whom the bridge still waits to hear from.

    Nothing is told meanwhile but a cut: what was up before is not known to be up now.
    """

    def __init__(self, desk: Desk) -> None:
        self.desk = desk
        self._expected: set[str] = set()

    def begin(self, at: float) -> None:
        """The link came: ask everybody, and wait no longer than the profile says."""
        desk = self.desk
        desk.link = True
        desk.listened = False
        desk.beliefs.link_up(at)
        self._expected = {
            name
            for name, belief in desk.beliefs.of.items()
            if belief.device.speaks is not None and belief.hears
        }
        for name in desk.beliefs.of:
            if name in self._expected:
                desk.ask(at, name)
        desk.wake("listen", at + desk.profile.patience.listen)
        desk.emit(Announce(state=True, drift=True, devices=frozenset(desk.profile.devices)))

    def heard_from(self, name: str) -> None:
        """One device fewer to wait for; what a switch that is off feeds has no mains to speak."""
        self._expected.discard(name)
        if name in self.desk.feeds.switches and self.desk.beliefs.said_off(name):
            self._expected.difference_update(self.desk.feeds.powers[name])

    @property
    def complete(self) -> bool:
        return not self._expected

    def end(self) -> list[str]:
        """Enough: all were heard, the time is over, or an emergency does not wait.

        Returns who was not heard.
        """
        self.desk.listened = True
        unheard = sorted(self._expected)
        self._expected.clear()
        self.desk.wake("listen", None)
        return unheard

    def lost(self) -> None:
        self.desk.link = False
        self.desk.listened = False
        self.desk.wake("listen", None)
