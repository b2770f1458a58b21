"""One set in virtual time: a core, simulated gear, and a wire between them that loses nothing.

For tests that want one evening of their own choosing; evening.py has the random ones.
"""

from __future__ import annotations

from collections.abc import Iterable

from studiobridge.bridge.core import Core
from studiobridge.bridge.outs import Out, Publish, Write
from studiobridge.bridge.ownership import Cut
from studiobridge.control.effects import Memory, StepNote, Wake
from studiobridge.control.events import Request
from studiobridge.profile.model import SetProfile
from studiobridge.rehearsal import Room
from studiobridge.speech.message import Message


class Stage:
    """A core and a room, in one clock."""

    def __init__(self, profile: SetProfile, seed: int = 1) -> None:
        self.profile = profile
        self.room = Room(profile, seed)
        self.core = Core(profile, Memory(), "stage", lambda at: at)
        self.now = 0.0
        self.told: list[Message] = []
        self._wakes: dict[str, float] = {}
        self._asked = 0

    def start(self) -> None:
        self._gear(self.room.begin(self.now))
        self._outs(self.core.link_up(self.now))
        self.run(10.0)

    def restart(self, memory: Memory) -> None:
        """The bridge was stopped and starts again; the gear goes on."""
        self._wakes.clear()
        self.core = Core(self.profile, memory, "stage", lambda at: at, self.now)
        self._outs(self.core.link_up(self.now))
        self.run(10.0)

    def ask(self, what: str, **more: object) -> None:
        self._asked += 1
        request = Request(self.now, f"r{self._asked}", what, **more)  # type: ignore[arg-type]
        self._outs(self.core.request(request))

    def run(self, seconds: float) -> None:
        end = self.now + seconds
        while True:
            wake = min(self._wakes.items(), key=lambda item: item[1], default=None)
            gear = self.room.next_wake()
            due = min(wake[1] if wake else end + 1, gear if gear is not None else end + 1)
            if due > end:
                break
            self.now = max(self.now, due)
            if gear is not None and gear <= due:
                self._gear(self.room.tick(self.now))
            elif wake is not None:
                del self._wakes[wake[0]]
                self._outs(self.core.due(wake[0], self.now))
        self.now = end

    def _gear(self, happenings: Iterable[tuple[str, object]]) -> None:
        for _, what in happenings:
            if isinstance(what, Message):
                heard = Message(what.topic, what.payload)
                self._outs(self.core.message(heard, self.now))

    def _outs(self, outs: list[Out]) -> None:
        for out in outs:
            if isinstance(out, Wake):
                self._wakes.pop(out.name, None)
                if out.at is not None:
                    self._wakes[out.name] = max(out.at, self.now)
            elif isinstance(out, Write) and out.back and isinstance(out.note, StepNote):
                self._outs(self.core.noted([out.note], self.now))
            elif isinstance(out, Publish):
                if out.token is not None:
                    self._outs(self.core.left(out.token, True, self.now))
                    self._outs(self.core.acknowledged(out.token, self.now))
                if not out.message.topic.startswith("studiobridge/"):
                    self.told.append(out.message)
                    for name in self.room.devices:
                        self._gear(self.room.handle(name, out.message, self.now))
            assert not isinstance(out, Cut), out
