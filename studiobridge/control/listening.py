"""Listening: after a start, or when the link is back, until every device was heard or given up on.

Nothing is told meanwhile but a cut: what was up before is not known to be up now.
"""

from __future__ import annotations

from studiobridge.control.desk import Desk
from studiobridge.control.effects import Announce


class Listening:
    """Whom the bridge still waits to hear from."""

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
            if belief.device.wire is not None and belief.hears
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
            self._expected.difference_update(self.desk.feeds.below[name])

    @property
    def complete(self) -> bool:
        return not self._expected

    def end(self) -> None:
        """Enough: everything was heard, the time is over, or an emergency does not wait."""
        self.desk.listened = True
        self._expected.clear()
        self.desk.wake("listen", None)

    def lost(self) -> None:
        self.desk.link = False
        self.desk.listened = False
        self.desk.wake("listen", None)
