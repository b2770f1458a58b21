"""What stands in the way of power for gear that was told quiet: it comes back past every gate."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from studiobridge.control.desk import Desk
from studiobridge.control.evidence import NEVER
from studiobridge.control.gates import Gates
from studiobridge.control.quieted import OVERDUE, Quieted
from studiobridge.control.runs import Runs

# What is in the way is looked at again at least so often (s).
LOOK_AGAIN = 2.0


@dataclass(frozen=True, slots=True)
class Blocked:
    """Why it waits, in words, and when to look again; None: when something happens."""

    why: str
    until: float | None


class Way:
    """The way back of one piece of gear; `entries` is all that has still to come back."""

    def __init__(
        self, desk: Desk, gates: Gates, runs: Runs, entries: Mapping[str, Quieted]
    ) -> None:
        self.profile = desk.profile
        self.desk = desk
        self.gates = gates
        self.runs = runs
        self.entries = entries

    def blocked(self, entry: Quieted, at: float, rested: float, sure: float) -> Blocked | None:
        """Why it cannot have power now; None when the way is free.

        `rested`: when it has rested; `sure`: when nothing that it was told is on its way any more.
        """
        name, plug = entry.device, entry.plug
        if plug in self.desk.busy:
            return Blocked(f"{plug} is being switched just now", None)
        locked = self.gates.why_locked(plug, energise=True)
        if locked is not None:
            return Blocked(f"{name} is kept off by the lockout: {locked}", at + OVERDUE)
        for until, why in (
            (rested, "it rests before it has power again"),
            (entry.not_before, "the lockout was released a moment ago: stand back"),
            (sure, "what it was told last may still be on its way"),
        ):
            if at < until - 1e-6:
                return Blocked(why, until)
        circuit = self.profile.devices[plug].circuit
        if circuit is not None and self._turn_taken(entry, circuit, at):
            free = max(at + 0.2, self.desk.free_at.get(circuit, NEVER))
            return Blocked(f"{name} waits for its turn on circuit {circuit}", free)
        too_much = self.gates.why_too_much(plug, {**self.desk.presets, **self.desk.trying})
        if too_much is not None:
            return Blocked(f"{name} waits: {too_much}", at + LOOK_AGAIN)
        return None

    def _turn_taken(self, entry: Quieted, circuit: str, at: float) -> bool:
        """One switch-on at a time on a circuit, with its gap: a run's, a try's or another's."""
        if self.desk.free_at.get(circuit, NEVER) > at + 1e-6:
            return True
        run = self.runs.run
        if run is not None and any(a.step.circuit == circuit for a in run.active.values()):
            return True
        others = (e for e in self.entries.values() if e is not entry)
        return any(
            e.stage in ("noting on", "told on") and self.profile.devices[e.plug].circuit == circuit
            for e in others
        )
