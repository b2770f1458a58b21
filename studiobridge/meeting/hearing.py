"""Hearing gear that nobody has described: messages with their times in, acquaintances out.

    hearing = Hearing()
    hearing.heard(message, at)      # each message, with the time (s, monotonic) it came at
    hearing.pressed(at, "on")       # a person does something to the gear now
    hearing.acquaintances()         # what speaks here, and what each of it seems to say

Nothing here ever sends anything. Whatever comes, memory stays bounded and nothing is raised.
"""

from __future__ import annotations

from studiobridge.meeting.met import Acquaintance
from studiobridge.meeting.overheard import Change, Deed, Overheard, Press
from studiobridge.speech.message import Message


class Hearing:
    """All that was heard on a broker, and what it comes to."""

    def __init__(self) -> None:
        self.overheard = Overheard()

    def heard(self, message: Message, at: float) -> tuple[Change, ...]:
        """Take in one message; what is different now on its topic.

        `at` in s by a clock that never runs back.

        `message.retain` says that the broker kept it from before. Topics below `$` and
        `studiobridge/` are left out.
        """
        return self.overheard.heard(message, at)

    def pressed(self, at: float, what: Deed = "press") -> None:
        """Somebody does `what` to the gear at this moment: what changes next is held against it.

        `press` where it is not known what comes of it; `on`, `off`, `full`, `dark`, `warm`,
        `cold` where it is, which teaches the words and the ends of the scales.
        """
        self.overheard.pressed(at, what)

    def presses(self) -> tuple[Press, ...]:
        """What each press so far singled out, the surest first, with the points by name."""
        return ()

    def changed_since(self, at: float) -> list[Change]:
        """What changed after this moment, oldest first, as far as it is still remembered."""
        return self.overheard.changed_since(at)

    def acquaintances(self) -> list[Acquaintance]:
        """The devices that speak here, by name. Each half has its ground and its reason."""
        return []

    def summary(self) -> dict[str, object]:
        """All of it as plain data (JSON), for a command to show: `listen` and its `--json`."""
        return {}
