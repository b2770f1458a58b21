"""Changes that more than one lamp could have made: one entry that names them all.

- A change the watts put down to one lamp is drift of that lamp, by its band (drift.py).
- One that two could each have made is a *doubt*: `rim or edge-left`. Each of them says `perhaps`.
- It closes when the watts are back to what they were, or when a person has said of each of them
  that it is as asked. What was told from here is no doubt: those were to change.
"""

from __future__ import annotations

from collections.abc import Collection

from studiobridge.control.desk import Desk
from studiobridge.control.drift import Entries
from studiobridge.figures.plug import Change
from studiobridge.figures.watts import NOTHING, Band


class Doubts:
    """Open doubts, each an entry among the drifts."""

    def __init__(self, desk: Desk, entries: Entries) -> None:
        self.desk = desk
        self.entries = entries
        # by plug: how far its watts are from what they were while nothing on it had drifted
        self._away: dict[str, Band] = {}

    def changed(
        self, plug: str, lamps: Collection[str], change: Change, told: frozenset[str], at: float
    ) -> None:
        """The reading of this plug has changed and rests. `told`: lamps changed from here."""
        drifts = self.entries.drifts
        doubts = [key for key, drift in drifts.items() if not drift.devices.isdisjoint(lamps)]
        away = (self._away.get(plug, NOTHING) if doubts else NOTHING) + change.watts
        self._away[plug] = away
        if doubts and away.holds(0.0):
            for key in doubts:
                if drifts[key].perhaps:
                    self.entries.close(key, at, "returned")
            return
        could = tuple(lamp for lamp in change.lamps if lamp in self.desk.presets)
        if len(could) < 2 or told >= set(change.lamps) or not self.desk.drift_opens:
            return
        name = " or ".join(could)
        if (name, "level") not in drifts:
            self.entries.doubt(name, could, change.why, at)

    def ticked(self, at: float) -> None:
        """A person has said how dials stand: what all of an entry's lamps are said to be, is."""
        beliefs, presets = self.desk.beliefs, self.desk.presets
        for key, drift in list(self.entries.drifts.items()):
            said = [beliefs.of[lamp].ticked for lamp in drift.perhaps]
            if said and all(
                word is not None and word.at > drift.since and word.preset == presets.get(lamp)
                for word, lamp in zip(said, drift.perhaps, strict=True)
            ):
                self.entries.close(key, at, "returned")
