"""A core with a clock of its own and nobody at the other end: what a test says is all that comes."""

from __future__ import annotations

import json
from dataclasses import dataclass, field

from studiobridge.bridge.core import Core
from studiobridge.bridge.outs import Out, Publish, Write
from studiobridge.bridge.topics import ask_topic, device_topic, state_topic
from studiobridge.control.effects import Memory, Note, Wake
from studiobridge.profile import read_profile_text
from studiobridge.profile.said import Answer
from studiobridge.speech.message import Message


@dataclass
class Alone:
    """Everything that was published and noted, with its time."""

    text: str
    now: float = 0.0
    notes: list[Note] = field(default_factory=list)
    sent: list[tuple[float, Message]] = field(default_factory=list)
    answers: list[Answer] = field(default_factory=list)

    def __post_init__(self) -> None:
        self.profile = read_profile_text(self.text).profile
        self.core = Core(self.profile, Memory(), "test", lambda at: 1.8e9 + at)
        self._wakes: dict[str, float] = {}
        self._take(self.core.link_up(self.now, 1))
        self.run(self.profile.patience.listen + 0.2)

    def _take(self, outs: list[Out]) -> None:
        for out in outs:
            if isinstance(out, Wake):
                if out.at is None:
                    self._wakes.pop(out.name, None)
                else:
                    self._wakes[out.name] = max(out.at, self.now)
            elif isinstance(out, Publish):
                self.sent.append((self.now, out.message))
                if out.token is not None:
                    self._take(self.core.left(out.token, True, self.now))
                    self._take(self.core.acknowledged(out.token, self.now))
            elif isinstance(out, Write):
                self.notes.append(out.note)
                if out.back:
                    self._take(self.core.noted([out.note], self.now))
            elif isinstance(out, Answer):
                self.answers.append(out)

    def run(self, seconds: float) -> None:
        end = self.now + seconds
        while self._wakes:
            name, at = min(self._wakes.items(), key=lambda item: item[1])
            if at > end:
                break
            del self._wakes[name]
            self.now = max(self.now, at)
            self._take(self.core.due(name, self.now))
        self.now = end

    def say(self, topic: str, payload: object, retain: bool = False) -> None:
        said = payload if isinstance(payload, bytes) else str(payload).encode()
        if isinstance(payload, dict | list):
            said = json.dumps(payload).encode()
        self._take(self.core.message(Message(topic, said, retain=retain), self.now))

    def ask(self, **body: object) -> None:
        self.say(ask_topic(self.profile.name), body)

    def on(self, topic: str) -> list[tuple[float, dict[str, object]]]:
        """What was published on a topic, with the times."""
        return [(at, json.loads(m.payload)) for at, m in self.sent if m.topic == topic]

    def device(self, name: str) -> dict[str, object]:
        """A device as it was shown last."""
        return self.on(device_topic(self.profile.name, name))[-1][1]

    def state(self) -> dict[str, object]:
        return self.on(state_topic(self.profile.name))[-1][1]
