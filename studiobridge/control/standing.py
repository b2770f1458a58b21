"""Where a set stands: its state, its session, what is contested or set by hand.

Shared by the parts of the controller; only `turn` changes the state, by the table in states.py.
"""

from __future__ import annotations

from studiobridge.control.desk import Desk
from studiobridge.control.effects import Announce, ByHand, FaultNote, Memory, StateNote
from studiobridge.control.known import NEVER
from studiobridge.control.states import State, Turn
from studiobridge.control.states import step as state_after

# A fault that goes on (a garbled payload each second) is noted again this often (s), no more.
FAULT_AGAIN_AFTER = 300.0


class Standing:
    """Times are of the controller's clock."""

    def __init__(self, desk: Desk, memory: Memory, now: float) -> None:
        self.profile = desk.profile
        self.desk = desk
        self.state: State = "unheard"
        self.why = "listening"
        self.since = now
        self.heard = False  # every device was heard from or given up on since the link came up
        self.session = memory.session
        self.session_kwh = memory.session_kwh
        self.next_session = memory.next_session
        # of each meter that adds to the session: watts, and since when
        self.metered: dict[str, tuple[float, float]] = {}
        self.warm_at: float | None = None
        self.by_hand: dict[str, ByHand] = dict(memory.by_hand)
        # how often a light was put back by itself, and which are no more (law 12)
        self.tried: dict[str, int] = {}
        self.contested: dict[str, str] = {}
        self.last_asked = now
        self.left_on = False
        self.faults = 0
        self._fault_at: dict[tuple[str | None, str], float] = {}

    def turn(self, turn: Turn, at: float, why: str = "") -> None:
        before = self.state
        self.state = state_after(before, turn)
        self.why = why
        if self.state != before:
            self.since = at
        if self.state != "unheard":
            self.desk.emit(StateNote(at, self.state, self.desk.look, why))
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
        if self.profile.left_on is not None and self.session is not None:
            self.desk.wake("left-on", max(at, self.last_asked + self.profile.left_on.after))
