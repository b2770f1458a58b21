"""What is counted: the warm-up, the session, what rolls, and when a break is due.

The rules:

- Times are of the controller's clock, which only moves forward: a clock that is put on or back
  changes no length. What was before this bridge comes from the record and is never in the future.
- A lamp is warm `warm_up` after the set was ready, and after its own mains came. A bridge that
  begins in the middle of a session counts anew: it has not seen them shine.
- A camera rolls from when it began to, whoever knows it; one that began before this bridge has the
  record's time, or none. When the take began is for takes.py to say.
- A break is due `break_every` after the session began, or after the one before was said. It is
  said once, for SAID_FOR, and never while it rolls: then when the take is over. Rolling again ends
  it: whoever rolls has read it.
"""

from __future__ import annotations

from studiobridge.control.desk import Desk
from studiobridge.control.effects import Announce, Memory
from studiobridge.control.evidence import NEVER
from studiobridge.control.standing import Standing

# A break stays said for so long (s): as long as one takes to come back to the page.
SAID_FOR = 600.0


class Timing:
    """The times of one set. `look` is told at every event."""

    def __init__(self, desk: Desk, standing: Standing, memory: Memory, now: float) -> None:
        self.desk = desk
        self.standing = standing
        self.began = now
        self.number = standing.session.number
        self.opened = None if memory.opened is None else min(memory.opened, now)
        self.closed = None if memory.closed is None else min(memory.closed, now)
        # cameras that roll, and since when as far as is known
        self.rolling: dict[str, float | None] = {
            name: min(memory.rolling_since.get(name, now), now)
            if name in memory.rolling_since
            else None
            for name in memory.rolling
            if name in desk.beliefs.of
        }
        # when each camera last stopped, and those that rolled in this session, or in the last one
        self.stopped: dict[str, float] = {}
        self.rolled: set[str] = set(memory.rolled & set(desk.beliefs.of))
        every = desk.profile.timer.break_every
        self._every = every if every else None
        self._next_break = None if self._every is None else now + self._every
        self.break_since: float | None = None
        self._warming = False

    def look(self, at: float) -> tuple[list[str], list[str], bool]:
        """Which cameras have begun, which have stopped, and whether another session has."""
        opened = self._look_at_session(at)
        begun, ended = [], []
        for name in self.desk.cameras:
            rolls = self.desk.beliefs.of[name].rolls
            if rolls and name not in self.rolling:
                self.rolling[name] = at
                self.rolled.add(name)
                begun.append(name)
            elif not rolls and name in self.rolling:
                del self.rolling[name]
                self.stopped[name] = at
                ended.append(name)
        self._look_at_break(at)
        self._look_at_warmth(at)
        return begun, ended, opened

    def _look_at_session(self, at: float) -> bool:
        number = self.standing.session.number
        if number == self.number:
            return False
        opened = number is not None
        if opened:
            self.opened, self.closed = at, None
            # what rolls now rolls in this one too
            self.rolled = set(self.rolling)
            self._next_break = None if self._every is None else at + self._every
        else:
            self.closed = at
        self.break_since = None
        self.number = number
        return opened

    def _look_at_break(self, at: float) -> None:
        if self._every is None or self._next_break is None or self.number is None:
            return
        if self.break_since is not None:
            if not self.rolling and at < self.break_since + SAID_FOR:
                return
            self.break_since = None
            self._next_break = at + self._every
        elif at >= self._next_break and not self.rolling:
            self.break_since = at

    def _look_at_warmth(self, at: float) -> None:
        warming = self.warming_until(at) is not None
        if warming != self._warming:
            self._warming = warming
            self.desk.emit(Announce(state=True))

    def next_look(self) -> float | None:
        """When a break is due or over by itself, or the lamps are warm."""
        dues = (self._next_due(), self.warm_at if self._warming else None)
        return min((due for due in dues if due is not None), default=None)

    def _next_due(self) -> float | None:
        if self._next_break is None or self.number is None:
            return None
        if self.break_since is not None:
            return self.break_since + SAID_FOR
        return None if self.rolling else self._next_break

    @property
    def ready_since(self) -> float | None:
        return self.standing.since if self.standing.state == "ready" else None

    def warming_until(self, at: float) -> float | None:
        """When what warms up now is warm; None while nothing does."""
        warm = self.warm_at
        return warm if warm is not None and warm > at else None

    @property
    def warm_at(self) -> float | None:
        """When the lamps of the look are warm, or were; None while nothing is up."""
        standing, warm_up = self.standing, self.desk.profile.warm_up
        if not standing.session.open or standing.state not in ("ready", "adrift"):
            return None
        warm = standing.warm_at if standing.warm_at is not None else self.began + warm_up
        beliefs = self.desk.beliefs
        for name, preset in self.desk.presets.items():
            since = beliefs.of[name].mains_since
            if preset.level != 0.0 and since != NEVER:
                warm = max(warm, since + warm_up)
        return warm
