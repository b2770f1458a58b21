"""Changes that more than one lamp could have made: one entry that names them all.

- A change the watts put down to one lamp is drift of that lamp, by its band (drift.py).
- One that two could each have made is a *doubt*: `rim or edge-left`. Each of them says `perhaps`.
- It closes when the watts are back to what they were, or when each of them is settled: it was told
  anew, or a person has said that it is as asked. `up` and `restore` tell anew those they can.
- What was told from here is no doubt: those were to change.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping

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
        # plugs with a lamp that has drifted at some time since their watts last stood still
        self._unwell: set[str] = set()

    def watch(self, plugs: Mapping[str, Collection[str]]) -> None:
        """See which plugs have lamps that have drifted, before what is heard next closes it."""
        for key in self.entries.drifts:
            devices = self.entries.drifts[key].devices
            self._unwell |= {p for p, lamps in plugs.items() if not devices.isdisjoint(lamps)}

    def changed(
        self, plug: str, lamps: Collection[str], change: Change, told: frozenset[str], at: float
    ) -> None:
        """The reading of this plug has changed and rests. `told`: lamps changed from here."""
        drifts = self.entries.drifts
        unwell = plug in self._unwell
        self._unwell.discard(plug)
        away = (self._away.get(plug, NOTHING) if unwell else NOTHING) + change.watts
        self._away[plug] = away
        if unwell and away.holds(0.0):
            for key, drift in list(drifts.items()):
                if drift.perhaps and not drift.devices.isdisjoint(lamps):
                    self.entries.close(key, at, "returned")
            return
        could = tuple(lamp for lamp in change.lamps if lamp in self.desk.presets)
        if len(could) < 2 or told >= set(change.lamps) or not self.desk.drift_opens:
            return
        name = " or ".join(could)
        if (name, "level") not in drifts:
            self.entries.doubt(name, could, change.why, at)

    def review(self, at: float) -> None:
        """Close what is settled: each of its lamps has been told anew, or a person has looked."""
        for key, drift in list(self.entries.drifts.items()):
            if drift.perhaps and all(self._settled(lamp, drift.since) for lamp in drift.perhaps):
                self.entries.close(key, at, "restored" if drift.restoring else "returned")

    def _settled(self, lamp: str, since: float) -> bool:
        belief = self.desk.beliefs.of[lamp]
        if belief.told_at("level") > since:
            return True
        ticked, preset = belief.ticked, self.desk.presets.get(lamp)
        return ticked is not None and ticked.at > since and ticked.preset == preset
