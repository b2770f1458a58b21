"""What a running bridge does now and then, by its steady clock, with nobody asking."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Literal

from studiobridge.control.effects import SessionNote

# How often (s) the bridge looks at its clock, at what came due and at its record.
TICK = 1.0
Chore = Literal["prune", "metered"]
# How often (s): a day for what is too old, a minute for the figure that a restart would lose.
EVERY: dict[Chore, float] = {"prune": 86400.0, "metered": 60.0}
# A session's energy is noted again when it grew by this (kWh): a lamp of 60 W in a minute.
METERED_STEP = 0.001


class Chores:
    """Which chore is due; each at once, and then every so often."""

    def __init__(self) -> None:
        self._done: dict[Chore, float] = {}
        self._noted: tuple[int, float] | None = None

    def due(self, now: float) -> Iterator[Chore]:
        for chore, every in EVERY.items():
            if now - self._done.get(chore, float("-inf")) >= every:
                self._done[chore] = now
                yield chore

    def metered(
        self, now: float, session: int | None, kwh: float | None, look: str | None
    ) -> SessionNote | None:
        """The note of what an open session has metered so far (kWh), where that has grown."""
        if session is None or kwh is None:
            return None
        before = self._noted[1] if self._noted is not None and self._noted[0] == session else 0.0
        if kwh - before < METERED_STEP:
            return None
        self._noted = (session, kwh)
        return SessionNote(now, session, "metered", look, kwh)
