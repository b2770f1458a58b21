"""A set that shows itself as a Homie 5 device, in virtual time, with the independent witness."""

from __future__ import annotations

from pathlib import Path

from studiobridge.bridge.outs import Out, Present, Write
from studiobridge.control.effects import Note, RequestNote, Save
from studiobridge.profile import read_profile_text
from studiobridge.profile.model import SetProfile
from studiobridge.speech.message import Message
from tests.outside.homie5 import Witness
from tests.simulate.virtual import Stage

SHELF = Path(__file__).parents[2] / "config" / "one-plug-one-light.yaml"


def shelf(more: str = "") -> SetProfile:
    text = SHELF.read_text(encoding="utf-8").replace("\nhomie: yes", "")
    return read_profile_text(text + "\nhomie: yes\n" + more).profile


class Presented(Stage):
    """The bridge, its gear, and both connections to one broker that loses nothing."""

    def __init__(self, profile: SetProfile, seed: int = 1) -> None:
        super().__init__(profile, seed)
        self.set_name = profile.name
        self.root = f"homie/5/{profile.name}"
        self.base = f"{self.root}/studiobridge"
        self.witness = Witness(profile.name)
        self.shown: list[tuple[float, str, str]] = []
        self.log: list[str] = []
        self.notes: list[Note] = []
        self.saves: list[Save] = []

    def start(self) -> None:
        super().start()
        self.connect()

    def connect(self) -> None:
        self._outs(self.core.presence_up(self.now))
        self.run(0.5)

    def kept(self, description: str) -> None:
        """What the broker had from before, as it comes with the subscription."""
        topic = f"{self.root}/$description"
        self.witness.published(topic, description.encode(), 1, True)
        for name, text in (("switch", "false"), ("look", "none")):
            self.witness.published(f"{self.base}/{name}/$target", text.encode(), 1, True)
        self._outs(self.core.message(Message(topic, description.encode(), retain=True), self.now))

    def set(self, name: str, payload: bytes | str, retain: bool = False, dup: bool = False) -> None:
        said = payload.encode() if isinstance(payload, str) else payload
        message = Message(f"{self.base}/{name}/set", said, retain=retain, dup=dup)
        self._outs(self.core.message(message, self.now))

    def value(self, name: str) -> str:
        return self.witness.kept[f"{self.base}/{name}"]

    def asked(self) -> list[tuple[str, str]]:
        """What came of what was set, as it stands in the record."""
        found = [n for n in self.notes if isinstance(n, RequestNote) and "-homie-" in n.id]
        return [(note.what, note.phase) for note in found]

    @property
    def commands(self) -> list[Message]:
        """What the gear was told; a question to it is none."""
        return [message for message in self.told if message.payload]

    @property
    def lifecycle(self) -> str:
        return self.witness.kept[f"{self.root}/$state"]

    @property
    def alerts(self) -> dict[str, str]:
        kept = self.witness.kept.items()
        return {topic.rpartition("/")[2]: text for topic, text in kept if "/$alert/" in topic}

    def values(self, name: str) -> list[str]:
        """Everything this topic has had, in order."""
        return [text for _, topic, text in self.shown if topic == f"{self.base}/{name}"]

    def _outs(self, outs: list[Out]) -> None:
        back: list[Message] = []
        for out in outs:
            if isinstance(out, Present):
                message = out.message
                self.witness.published(message.topic, message.payload, message.qos, message.retain)
                self.shown.append((self.now, message.topic, message.payload.decode()))
                if "/$log/" in message.topic:
                    self.log.append(message.payload.decode())
                if message.topic.endswith("/$state"):
                    back.append(Message(message.topic, message.payload))
                continue
            if isinstance(out, Write):
                self.notes.append(out.note)
            if isinstance(out, Save):
                self.saves.append(out)
            super()._outs([out])
        for message in back:  # over the other connection
            self._outs(self.core.message(message, self.now))
