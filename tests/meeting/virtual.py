"""A measurement in virtual time: a real core, a mock broker, and gear that is not as its profile says.

The gear has figures of its own (`truth`), the bridge runs the set by a profile without them: what
comes out is held against what the gear was made with.
"""

from __future__ import annotations

import json
from typing import Any

from studiobridge.meeting.conclusions import Conclusions, conclusions
from studiobridge.meeting.measuring import Measuring, Over, Try, Wait, Wish
from studiobridge.meeting.subject import subject_of
from studiobridge.profile import read_profile_text
from studiobridge.profile.said import Report
from studiobridge.rehearsal import Room, Trouble
from studiobridge.speech import Speech
from studiobridge.speech.message import Message
from tests.simulate.evening import Evening

# A panel at the kiln shelf on a plug that meters; what stands in `{figures}` is the gear's alone.
KILN = """\
format: 1
set: kiln-shelf
mains: {{circuits: {{wall: {{breaker: 16 A}}}}}}
patience: {{reply: 2 s, tries: 3, listen: 2 s}}
dialects:
  relay:
    switch: {{tell: {{topic: "do/{{at}}", words: {{on: "1", off: "0"}}}}, hear: {{topic: "say/{{at}}", words: {{on: "1", off: "0"}}}}}}
    watts: {{hear: {{topic: "say/{{at}}/watts"}}}}
    ask: {{topic: "do/{{at}}/report"}}
  panel:
    level:
      tell: {{topic: "do/{{at}}", json: {{dim: "{{value}}"}}, span: 0..255}}
      hear: {{topic: "say/{{at}}", field: dim, span: 0..255}}
    online: {{hear: {{topic: "say/{{at}}/here", words: {{yes: "1", no: "0"}}}}}}
    ask: {{topic: "do/{{at}}/report"}}
devices:
  lamp-plug: {{kind: plug, fed_by: wall, speaks: relay, at: lamp, meters: yes{plug}}}
  key: {{kind: light, fed_by: lamp-plug, speaks: panel, at: key{figures}}}
{more}looks:
  work: {{key: {{level: 60 %}}}}
"""


def text(figures: str = "", plug: str = "", more: str = "") -> str:
    return KILN.format(figures=figures, plug=plug, more=more)


class Bench(Evening):
    """An evening in which one thing is measured, and whatever a test does meanwhile."""

    def __init__(self, truth: str, said: str, name: str = "key", seed: int = 1) -> None:
        profile = read_profile_text(said).profile
        super().__init__(profile, seed, Trouble(), calm=False, seldom=False)
        self.room = Room(read_profile_text(truth).profile, seed, keep_alive=4.0)
        for device in self.room.devices.values():
            device.age = 1.0
        self.ears = Speech(profile)
        self.measuring = Measuring(subject_of(profile, name))
        self.wish: Wish | None = None
        self.waiting: str | None = None
        self.tells = 0
        self.gear(self.room.begin(0.0))
        self.run(0.5)
        self.start_bridge()
        self.run(4.0)

    def start_bridge(self) -> None:
        super().start_bridge()
        self.ears = Speech(self.profile)

    def _deliver(self, message: Message) -> None:
        super()._deliver(message)
        for said in self.ears.hear(message, self.now):
            if isinstance(said, Report) and self.wish is not None:
                args = (said.device, said.point, said.value, said.retained)
                self.wish = self.measuring.heard(self.now, *args) or self.wish

    def _answered(self, message: Message) -> None:
        super()._answered(message)
        answer: dict[str, Any] = json.loads(message.payload)
        if answer["final"] and answer["id"] == self.waiting:
            self.waiting = None
            self.wish = self.measuring.answered(
                self.now, answer["code"], answer["text"], answer["detail"]
            )

    def step(self) -> None:
        """One wish: carried out, and waited for."""
        if self.wish is None:
            self.wish = self.measuring.begin(self.now)
        wish = self.wish
        if isinstance(wish, Try):
            self.tells += wish.value is not None
            self.waiting = self.ask("try", targets=[wish.device], value=wish.value)
            until = self.now + 120.0
            while self.waiting is not None and self.now < until:
                self.run(0.05)
            if self.waiting is not None:
                self.waiting = None
                self.wish = self.measuring.stop(self.now, "the bridge does not answer")
        elif isinstance(wish, Wait):
            while self.wish is wish and self.now < wish.until:
                self.run(min(0.05, wish.until - self.now))
            if self.wish is wish:
                self.wish = self.measuring.due(self.now)

    def all(self) -> Conclusions:
        """To its end, and how it was found again where it ended early."""
        while not isinstance(self.wish, Over):
            self.step()
        return conclusions(self.measuring.subject, self.measuring.measured, self.wish)

    def put_back(self) -> None:
        for back in self.measuring.back():
            self.ask("try", targets=[back.device], value=back.value)
            self.run(10.0)


def figures(found: Conclusions) -> dict[str, str]:
    return {line.key: line.text for line in found.lines}
