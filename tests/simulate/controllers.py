"""Evenings of sets that show themselves as Homie 5 devices, and a controller that sets all kinds.

What it does has dice of its own. Beside the laws of every evening:

- law 8: what is taken by "homie" was set live, well formed, and asks for just that
- law 14: nothing of the tree is ahead of what is believed, and without a link it is not ready
- the convention, by the witness that was written from its text (tests/outside/homie5.py)
"""

from __future__ import annotations

import random
from dataclasses import replace

from studiobridge.bridge.outs import Out, Present, Write
from studiobridge.control.effects import RequestNote
from studiobridge.profile.model import SetProfile
from studiobridge.speech.message import Message
from tests.outside.homie5 import Witness
from tests.simulate.evening import PEOPLE, Evening

HOMIE = "the set as a Homie device"
NONSENSE = (
    b"TRUE",
    b"on",
    b"",
    b"\x00",
    b"\xff",
    b"true ",
    b"{}",
    b"1e999",
    b"x" * 400,
    b"restore",
)


class Controlled(Evening):
    """An evening with the set's second connection, and somebody who sets what it lets be set."""

    def __init__(self, profile: SetProfile, *more: object) -> None:
        super().__init__(replace(profile, homie=True), *more)  # type: ignore[arg-type]
        self.root = f"homie/5/{profile.name}"
        self.base = f"{self.root}/studiobridge"
        self.witness = Witness(profile.name)
        # what was taken of it, what waits until all were heard, and what may be taken
        self.taken: dict[str, str] = {}
        self.deferred: dict[str, str] = {}
        self.allowed: set[str] = set()
        self.sets = 0

    # ---- the second connection ----------------------------------------------------------------

    def link_bridge(self) -> None:
        super().link_bridge()
        self.present()

    def present(self) -> None:
        will = Message(f"{self.root}/$state", b"lost", qos=1, retain=True)
        self.witness.will(will.topic, will.payload, will.retain)
        self.broker.connect(HOMIE, self.now, will, 5.0)
        self.outs(self.core.presence_up(self.now))

    def kill_bridge(self) -> None:
        super().kill_bridge()
        self.broker.drop(HOMIE, self.now)
        self.no_link()

    def lose_link(self, seconds: float) -> None:
        super().lose_link(seconds)
        self.broker.drop(HOMIE, self.now)
        self.no_link()

    def no_link(self) -> None:
        self.witness.kept[f"{self.root}/$state"] = "lost"
        if self.broker.retained.get(f"{self.root}/$state") == b"ready":
            self.laws.breach(14, self.now, "without a link the set is shown as ready to be set")

    def outs(self, outs: list[Out]) -> None:
        rest = []
        for out in outs:
            if isinstance(out, Present):
                self.shown(out.message)
            else:
                if isinstance(out, Write) and isinstance(out.note, RequestNote):
                    note = out.note
                    if note.source == "homie" and note.text == "listening first":
                        self.deferred[note.id] = note.what
                    elif note.source == "homie" and note.phase == "taken":
                        self.taken.setdefault(note.id, note.what)
                        self.laws.asked_up |= note.what in ("up", "restore")
                rest.append(out)
        super().outs(rest)

    def shown(self, message: Message) -> None:
        if not self.broker.connected(HOMIE):
            return
        self.witness.published(message.topic, message.payload, message.qos, message.retain)
        self.laws.breaches += [f"Homie at {self.now:.2f} s: {x}" for x in self.witness.breaches]
        self.witness.breaches.clear()
        self.broker.publish(HOMIE, message, self.now)
        self.not_ahead({message.topic: message.payload})

    def not_ahead(self, tree: dict[str, bytes]) -> None:
        """Law 14, by where the controller stands at this moment."""
        core = self.core.controller
        look = tree.get(f"{self.base}/look", b"none").decode()
        claims = {
            "ready": tree.get(f"{self.base}/ready") == b"true" and core.state != "ready",
            "dark": tree.get(f"{self.base}/switch") == b"false" and core.state != "dark",
            look: look != "none" and (core.state not in ("ready", "adrift") or core.look != look),
            "there": tree.get(f"{self.root}/$state") == b"ready" and core.state == "unheard",
        }
        for claim in (claim for claim, ahead in claims.items() if ahead):
            self.laws.breach(14, self.now, f"{claim} is shown, and the set is {core.state}")

    def look_at_what_is_shown(self) -> None:
        super().look_at_what_is_shown()
        # what has changed is shown at the next announcement at the latest
        if self.linked and self.broker.connected(HOMIE) and not self.core.showing._announcing:
            tree = self.broker.retained
            # a bridge started anew can take back what was left kept only when it has heard of it;
            # until its own word is back, `init` says that nothing there is to be relied on
            if self.core.presence.heard_back or tree.get(f"{self.root}/$state") != b"init":
                self.not_ahead(tree)

    def everything_back(self) -> None:
        super().everything_back()
        self.run(2.0)
        said = self.broker.retained.get(f"{self.root}/$state")
        if self.core.controller.state != "unheard" and said != b"ready":
            self.laws.breaches.append(f"liveness: the set can be set and says {said!r}")

    # ---- what is set --------------------------------------------------------------------------

    def _deliver(self, message: Message) -> None:
        taken, deferred = set(self.taken), set(self.deferred)
        super()._deliver(message)
        new = {id_: what for id_, what in self.taken.items() if id_ not in taken}
        waits = {id_: what for id_, what in self.deferred.items() if id_ not in deferred}
        if message.topic.startswith(self.base):
            asks = None if message.retain or message.dup else self.asks(message)
            for id_, what in waits.items():
                if what == asks:
                    self.allowed.add(id_)
            self.allowed.update(id_ for id_, what in new.items() if what == asks)
        if not self.allowed.issuperset(new):
            self.laws.breach(8, self.now, f"{new} taken of {message}")

    def asks(self, message: Message) -> str | None:
        name, said = message.topic.split("/")[4], message.payload
        if name == "switch":
            return {b"true": "up", b"false": "down"}.get(said)
        if name == "restore":
            return "restore" if said == b"restore" else None
        if said == b"none":
            return "down"
        return "up" if said in {look.encode() for look in self.profile.looks} else None

    def set(self, name: str, payload: bytes, retain: bool = False) -> None:
        if not self.broker.connected(PEOPLE):
            self.broker.connect(PEOPLE, self.now, None, 60.0)
        self.sets += 1
        self.note(f"a controller sets {name} to {payload!r}{' to be kept' if retain else ''}")
        self.broker.publish(
            PEOPLE, Message(f"{self.base}/{name}/set", payload, retain=retain), self.now
        )

    def others_act(self, act: int) -> None:
        dice = random.Random(f"{self.seed} controller {act}")
        looks = [look.encode() for look in self.profile.looks]
        what = dice.choice(
            ["set", "set", "kept", "nonsense", "flood", "foreign", "alone", "nothing"]
        )
        if what in ("set", "kept"):
            name, payload = dice.choice(
                [
                    ("switch", b"true"),
                    ("switch", b"false"),
                    ("look", dice.choice([*looks, b"none"])),
                    ("restore", b"restore"),
                ]
            )
            self.set(name, payload, retain=what == "kept")
            if what == "kept" and dice.random() < 0.7:
                self.run(dice.choice([1.0, 60.0]))
                self.lose_link(dice.uniform(0.5, 4.0))  # it comes with the next subscription
                self.run(10.0)
        elif what == "nonsense":
            for _ in range(dice.randint(1, 4)):
                self.set(dice.choice(["switch", "look", "restore", "state"]), dice.choice(NONSENSE))
                self.run(dice.choice([0.0, 1.0]))
        elif what == "flood":
            for _ in range(dice.choice([30, 300])):
                self.set(
                    dice.choice(["switch", "restore"]), dice.choice([b"true", b"x", b"restore"])
                )
                self.run(0.005)
        elif what == "foreign":
            for word in dice.sample([b"lost", b"disconnected", b"", b"init", b"on-fire"], 2):
                if not self.broker.connected(PEOPLE):
                    self.broker.connect(PEOPLE, self.now, None, 60.0)
                state = Message(f"{self.root}/$state", word, retain=True)
                self.broker.publish(PEOPLE, state, self.now)
                self.run(dice.choice([0.1, 2.0]))
        elif what == "alone" and self.linked:
            self.broker.drop(HOMIE, self.now)
            self.outs(self.core.presence_down(self.now))
            self.no_link()
            self.run(dice.choice([0.1, 5.0]))
            if self.linked:
                self.present()
        self.run(dice.choice([0.3, 5.0, 60.0]))
        self.look_at_what_is_shown()
