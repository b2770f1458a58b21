"""Gear that the bridge before made quiet, and this profile says no more that it is told quiet.

Nothing here may tell it, so it is said: only a hand helps. It stays owed, for a profile that says
it again, until it says itself that it is on.
"""

from __future__ import annotations

from studiobridge.control.desk import Desk
from studiobridge.control.effects import Announce, MadeQuiet, QuietNote
from studiobridge.control.quieted import QuietPhase
from studiobridge.control.standing import Standing


class Lost:
    """What is owed and cannot be told, by name."""

    def __init__(self, desk: Desk, standing: Standing) -> None:
        self.desk = desk
        self.beliefs = desk.beliefs
        self.standing = standing
        self.of: dict[str, MadeQuiet] = {}
        self._said = False

    def look(self, at: float) -> None:
        """Say what is owed, once; and of each when it is on again."""
        for name, was in list(self.of.items()):
            if name in self.beliefs.of and self.beliefs.surely_on(name):
                del self.of[name]
                self._note(was, "over", f"{name} is on again", at)
            elif not self._said:
                text = f"{name} is still off: {why_lost(was)}"
                self.standing.fault(None, f"quiet {name}", text, at)
                self._note(was, "failed", text, at)
        self._said = True

    def _note(self, was: MadeQuiet, phase: QuietPhase, text: str, at: float) -> None:
        left, off_for = max(0.0, was.back_at - at), max(0.0, at - was.off_at)
        by, rolling = was.by, was.rolling
        note = QuietNote(at, was.device, "on", phase, left, off_for, was.cut, rolling, by, text)
        self.desk.emit(note)
        self.desk.emit(Announce(state=True))


def why_lost(was: MadeQuiet) -> str:
    """Of gear that this profile does not tell quiet any more: why nothing brings it back."""
    by = f" by {was.by}" if was.by else ""
    return (
        f"it was made quiet{by}, and the profile says no more that it is told quiet: switch it on"
        " by hand, or put it back into the profile"
    )
