"""A set as a Homie 5 device, without I/O (`homie: yes`).

homieiot/convention, convention.md, version 5. What this file keeps to:

- The device has a connection of its own, whose last will says `lost` of it: a connection has one
  will, and that of the bridge says who runs the set. It lives no longer than the bridge runs the
  set. All that is shown goes out there, so that its order is kept.
- `$state` is `init` as long as nothing is known of the set (`unheard`), and until the word `init`
  has come back over the bridge's other connection: then what is set is surely heard, and both are
  on one broker. Then come `$description`, alerts and values, and last `ready`.
- Somebody else's `lost` or `disconnected` (a late will) is put right, once a beat at most.
- `switch` is false only when the set is dark and nothing is believed on that should not be; `look`
  is one only while the set stands in it. Where both are going is their `$target`. `ready` is
  proven (law 7). A prediction (`ready-in`) is true only when it is said: it is never kept.
- What is set is a request like any other, by "homie". It has no `until`, and needs none: it comes
  at QoS 0 over the bridge's measured link, so it was on its way for a few seconds at the most. A
  kept one asks for nothing (law 8); what cannot be read or is refused is noted, and said in `$log`.
- No lockout, and no cut, is asked for from here. Who sets a property gets no answer: nobody could
  be told CAREFUL before a hand goes in (law 15); and a cut wants a person's yes.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass

from studiobridge.bridge.channel import Lane
from studiobridge.bridge.outs import Out, Present, Publish, to_json
from studiobridge.bridge.ownership import BEAT_EVERY
from studiobridge.control.acts import Run
from studiobridge.control.effects import Wake
from studiobridge.control.events import Asked, Request
from studiobridge.control.states import STATES
from studiobridge.profile.model import HOMIE_ROOT, NO_LOOK, OWN_NODE, SetProfile
from studiobridge.profile.plain import plain, quoted
from studiobridge.profile.said import Answer, Unreadable
from studiobridge.speech.message import Message

BY = "homie"
# The longest text that is shown (characters), and the largest payload that is read (bytes): a name
# has 40 at most. Of a description before, ours had a dozen properties.
LONGEST_TEXT = 300
LARGEST = 64
LARGEST_DESCRIPTION = 65536
MOST_PROPERTIES = 100
# What is refused is said in `$log` so often a second: MQTT is no log.
LOGS_A_SECOND = 1.0
# Numbers in JSON are whole up to here everywhere.
HIGHEST_VERSION = 2**53
# An empty text: zero bytes would take the topic away ("Empty string values").
EMPTY = b"\x00"
SETTABLE = ("switch", "look", "restore")
# Of these what is asked, and where it is going, is said beside what is.
AIMED = ("switch", "look")
ALERTS = (
    "stalled",
    "contested",
    "still-on",
    "left-on",
    "silent",
    "locked-out",
    "runs-out",
    "record",
    "link",
    "failed",
)


@dataclass(frozen=True, slots=True)
class Asks:
    """What a payload on a property's set topic asks for."""

    what: Asked
    look: str | None = None


class Presence:
    """What a set shows of itself as a Homie 5 device, and what is set there."""

    def __init__(
        self, profile: SetProfile, instance: str, wall: Callable[[float], float], now: float
    ) -> None:
        self.profile = profile
        self.shows = profile.homie
        self._instance = instance
        self._wall = wall
        self._root = f"{HOMIE_ROOT}/{profile.name}"
        self._base = f"{self._root}/{OWN_NODE}"
        self.state_topic = f"{self._root}/$state"
        self._description_topic = f"{self._root}/$description"
        self._sets = {f"{self._base}/{name}/set": name for name in SETTABLE} if self.shows else {}
        self._up = False  # the connection is there, and with it the will
        self.heard_back = False  # the word `init`, over the other connection
        self._described = False  # on this connection, with the looks there are now
        self._looks = tuple(profile.looks)
        self._old: dict[str, object] = {}  # the description that the broker kept from before
        self._said: dict[str, bytes] = {}
        self._state_at = float("-inf")
        self._wrong = False
        self._not_back: list[bytes] = []  # words of `$state` that have not come back yet
        self._asked: dict[str, str] = {}
        self._begun, self._count = int(now * 1000), 0  # no core before this one had these ids
        self._log_lane = Lane(LOGS_A_SECOND, now)

    # ---- in -------------------------------------------------------------------------------

    def subscriptions(self) -> list[tuple[str, int]]:
        """One of them also where the set does not show itself: it may have, before."""
        filters = [(self._description_topic, 1)]
        if self.shows:
            filters.append((self.state_topic, 1))
            # a broker keeps nothing at QoS 0, so nothing comes late; and a flood fills nothing
            filters.extend((topic, 0) for topic in self._sets)
        return filters

    def hears(self, topic: str) -> bool:
        return topic in (self.state_topic, self._description_topic)

    def asks(self, topic: str) -> bool:
        """Is something set by a message on this topic?"""
        return topic in self._sets

    def up(self, at: float) -> list[Out]:
        """The connection is there: the broker has the will."""
        if not self.shows:
            return []
        self._up = True
        self.heard_back = self._described = self._wrong = False
        self._said.clear()
        self._not_back.clear()
        outs = self._say_state("init", at)
        # what is kept of the connection before is not known to be so: it may take a while until
        # this one is heard
        return [*outs, *self._unproven()]

    def down(self) -> None:
        """The connection is gone, and the broker says so itself."""
        self._up = False

    def hear(self, message: Message, at: float) -> tuple[bool, list[Out]]:
        """What is on the device's own topics. Does it have to be shown anew?"""
        if message.topic == self._description_topic:
            return False, self._kept(message) if message.retain else []
        if not self.shows or not self._up:
            return False, []
        if message.payload == b"init" and not self.heard_back:
            self.heard_back = True
            self._not_back.clear()
            return True, []
        if message.retain:
            return False, []
        if message.payload in self._not_back:  # our own word, and all before it has come back
            del self._not_back[: self._not_back.index(message.payload) + 1]
        elif message.payload != self._said.get(self.state_topic):
            self._wrong = True
        return self._wrong, []

    def _kept(self, message: Message) -> list[Out]:
        """The description as the broker had it: what to take away that is no more."""
        if len(message.payload) > LARGEST_DESCRIPTION:
            return []
        try:
            said = json.loads(message.payload)
        except (ValueError, RecursionError):
            return []
        if not isinstance(said, dict) or OWN_NODE not in _mapping(said.get("nodes")):
            return []  # not a set's: a device of this name
        if self.shows:
            self._old = said
            # what was kept by it is not known to be so, as at `up`, which came before it was known
            return self._unproven() if self._up and not self.heard_back else []
        topics = [self.state_topic, *self._topics(said), self._description_topic]
        return [Publish(Message(topic, b"", retain=True)) for topic in topics]

    def _topics(self, description: Mapping[str, object]) -> Iterator[str]:
        """Every topic with something kept that a set so described has had."""
        node = _mapping(_mapping(description.get("nodes")).get(OWN_NODE))
        for name in list(_mapping(node.get("properties")))[:MOST_PROPERTIES]:
            if name and not set(name) & set("/+#$") and name.isprintable() and len(name) <= 40:
                yield f"{self._base}/{name}"
                yield f"{self._base}/{name}/$target"
        for alert in ALERTS:
            yield f"{self._root}/$alert/{alert}"

    # ---- what is set ----------------------------------------------------------------------

    def request(self, message: Message, at: float) -> Request | Unreadable | None:
        """What is asked by setting a property; or why it cannot be read."""
        name = self._sets[message.topic]
        if message.dup or not message.payload:
            return None  # had it already; or a kept one was taken away
        asks = self._asks(name, message.payload)
        if isinstance(asks, str):
            return Unreadable(at, None, message.topic, f"request refused: {asks}")
        self._count += 1
        id_ = f"{self._instance}-{BY}-{self._begun}-{self._count}"
        if not message.retain:
            self._asked[id_] = f"{name} {plain(message.payload.decode())}"
            while len(self._asked) > 1024:
                self._asked.pop(next(iter(self._asked)))
        # whatever comes of it, its target is said anew: that closes the loop of who set it
        self._said.pop(f"{self._base}/{name}/$target", None)
        return Request(
            at, id_, asks.what, by=BY, source=BY, look=asks.look, retained=message.retain
        )

    def _asks(self, name: str, payload: bytes) -> Asks | str:
        if len(payload) > LARGEST:
            return f"{name} is longer than {LARGEST} bytes"
        try:
            text = payload.decode()
        except UnicodeDecodeError:
            return f"{name} is no UTF-8"
        if name == "switch":
            if text in ("true", "false"):
                return Asks("up" if text == "true" else "down")
            return f"switch is {quoted(text)}, neither 'true' nor 'false'"
        if name == "restore":
            return Asks("restore") if text == "restore" else f"restore is {quoted(text)}"
        if text == NO_LOOK:
            return Asks("down")
        return Asks("up", plain(text))  # one that it does not have is refused like anybody's

    def answer(self, answer: Answer, at: float) -> list[Out] | None:
        """An answer to something that was set: there is only `$log` to say it. None: not ours."""
        if answer.request_id not in self._asked:
            return None
        if not answer.final:
            return []
        what = self._asked.pop(answer.request_id)
        return [] if answer.code == 0 else self.log(f"{what}: {answer.text}", at)

    def log(self, text: str, at: float) -> list[Out]:
        """What was set is not done: said, and not more often than anybody reads."""
        if not self._up or not self._log_lane.takes(at):
            return []
        return [Present(Message(f"{self._root}/$log/warn", _text(text), qos=0))]

    # ---- what is shown --------------------------------------------------------------------

    def takes_looks(self, looks: Iterable[str]) -> bool:
        """The looks there are now. True where that is news: the device is described anew then."""
        found = tuple(looks)
        if found == self._looks:
            return False
        self._looks, self._described = found, False
        return True

    def show(
        self, state: Mapping[str, object], drifts: int, run: Run | None, at: float
    ) -> list[Out]:
        """What has changed, by the view that everybody else is shown at this moment."""
        if not self._up or not self.heard_back:
            return []
        word = "init" if state["state"] == "unheard" else "ready"
        outs: list[Out] = []
        if not self._described:
            self._described = True
            outs += self._say_state("init", at)
            outs += self._describe(at)
        elif word == "init":
            outs += self._say_state(word, at)
        for name, text in _alerts(state).items():
            topic = f"{self._root}/$alert/{name}"
            if text or self._said.get(topic, b""):
                outs += self._say(topic, _text(text) if text else b"")
        outs += self._values(state, drifts, run)
        outs += self._say_state(word, at)
        return outs

    def failed(self, why: str, at: float) -> list[Out]:
        """A fault of the program in this set: nothing of it is proven any more."""
        if not self._up:
            return []
        outs = [*self._say_state("init", at), *self._unproven()]
        outs += self._say(f"{self._base}/state", b"stalled")
        text = _text(f"the bridge failed and does nothing more: {why}")
        return [*outs, *self._say(f"{self._root}/$alert/failed", text)]

    def _unproven(self) -> list[Out]:
        """Nothing is claimed any more that was: not that it is ready, in a look, or dark."""
        outs: list[Out] = []
        node = _mapping(_mapping(self._old.get("nodes")).get(OWN_NODE))
        for name, payload in ("ready", b"false"), ("look", NO_LOOK.encode()), ("switch", b"true"):
            if name in _mapping(node.get("properties")):
                outs += self._say(f"{self._base}/{name}", payload)
        return outs

    def _say(self, topic: str, payload: bytes) -> list[Out]:
        if self._said.get(topic) == payload:
            return []
        self._said[topic] = payload
        return [Present(Message(topic, payload, qos=1, retain=True))]

    def _say_state(self, word: str, at: float) -> list[Out]:
        outs = self._say(self.state_topic, word.encode())
        if outs:
            self._state_at, self._wrong = at, False
            self._not_back = [*self._not_back[-7:], word.encode()]
        elif self._wrong:
            due = self._state_at + BEAT_EVERY
            if at + 1e-9 < due:
                return [Wake("presence", due)]
            self._said.pop(self.state_topic)
            return self._say_state(word, at)
        return outs

    def _describe(self, at: float) -> list[Out]:
        """What the set is, and nothing left of what it was before."""
        document = _description(self.profile, self._looks)
        old = self._old.get("version")
        version = int(self._wall(at))
        if isinstance(old, int) and not isinstance(old, bool) and 0 <= old < HIGHEST_VERSION:
            same = {k: v for k, v in self._old.items() if k != "version"} == document
            version = old if same else max(version, old + 1)
        now = set(self._topics(document)) - set(self._topics({}))
        outs: list[Out] = []
        for topic in self._topics(self._old):
            if topic not in now:
                outs.append(Present(Message(topic, b"", qos=1, retain=True)))
        self._old = {**document, "version": version}
        return [*outs, *self._say(self._description_topic, to_json(self._old))]

    def _values(self, state: Mapping[str, object], drifts: int, run: Run | None) -> list[Out]:
        name = str(state["state"])
        up = name in ("ready", "adrift")
        ready = b"true" if name == "ready" else b"false"
        dark = name == "dark" and not state["still_on"]
        values = {
            "state": name.encode(),
            "switch": b"false" if dark else b"true",
            "look": str(state["look"] or NO_LOOK).encode() if up else NO_LOOK.encode(),
            "drift": str(drifts).encode(),
            "waits-for": _text("; ".join(_waits(state))),
            "why": _text(str(state["why"])),
            "only-told": _text(_names(state["only_told"])),
        }
        targets = _targets(state, run, values)
        outs: list[Out] = []
        if ready == b"false":  # what is taken back comes first, what is claimed comes last
            outs += self._say(f"{self._base}/ready", ready)
        for key, value in values.items():
            if key in targets:
                outs += self._say(f"{self._base}/{key}/$target", targets[key])
            outs += self._say(f"{self._base}/{key}", value)
        left = state["ready_in_s"]
        if name == "rising" and isinstance(left, int | float):
            topic = f"{self._base}/ready-in"
            if self._said.get(topic) != str(float(left)).encode():
                self._said[topic] = str(float(left)).encode()
                outs.append(Present(Message(topic, self._said[topic], qos=0)))
        if ready == b"true":
            outs += self._say(f"{self._base}/ready", ready)
        return outs


def _targets(
    state: Mapping[str, object], run: Run | None, values: Mapping[str, bytes]
) -> dict[str, bytes]:
    """Where the set is going: as it was asked last, and where it is when nobody asked.

    `run`: the one under way, or the last since the bridge started.
    """
    name = state["state"]
    if name == "dark":
        up = False
    elif name in ("ready", "adrift"):
        up = True
    elif run is None:
        return {key: values[key] for key in AIMED}
    else:
        up = run.what in ("up", "restore")
    look = str(state["look"] or NO_LOOK) if up else NO_LOOK
    return {"switch": b"true" if up else b"false", "look": look.encode()}


def _alerts(state: Mapping[str, object]) -> dict[str, str]:
    """What a person has to know, by the ids of ALERTS; empty where there is nothing."""
    said = dict.fromkeys(ALERTS, "")
    if state["state"] == "stalled":
        said["stalled"] = f"stalled: {state['why']}"
    if state["contested"]:
        said["contested"] = f"somebody else sets {_names(state['contested'])}; not put back"
    on = [str(entry["device"]) for entry in _entries(state["still_on"])]
    if on and state["state"] != "lowering":  # where they are about to go off
        said["still-on"] = f"on, and should not be: {', '.join(on)}"
    if state["left_on"]:
        said["left-on"] = "left on: nobody has asked for anything for long"
    silent = [str(entry["device"]) for entry in _entries(state["silent"])]
    if silent:
        said["silent"] = f"does not answer: {', '.join(silent)}"
    locked = [f"{x['target']} ({x['by']}: {x['why']})" for x in _entries(state["lockouts"])]
    if locked:
        said["locked-out"] = f"locked out, somebody works there: {', '.join(locked)}"
    low = [f"{x['device']} ({x['point']})" for x in _entries(state["supplies"])]
    if low:
        said["runs-out"] = f"runs out or hot: {', '.join(low)}"
    said["record"] = str(state["record_fault"] or "")
    said["link"] = str(state["link_slow"] or "")
    said["failed"] = str(state["failed"] or "")
    return said


def _waits(state: Mapping[str, object]) -> Iterator[str]:
    for entry in _entries(state["waiting_for"]):
        device = str(entry["device"])
        yield f"{device}: {entry['why']}" if device else str(entry["why"])


def _description(profile: SetProfile, looks: Iterable[str]) -> dict[str, object]:
    """The `$description` without its version."""
    properties: dict[str, object] = {
        "state": {"name": "State of the set", "datatype": "enum", "format": ",".join(STATES)},
        "switch": {
            "name": "Up or down",
            "datatype": "boolean",
            "format": "dark,not dark",
            "settable": True,
        },
        "look": {
            "name": "Look it stands in",
            "datatype": "enum",
            "format": ",".join([NO_LOOK, *looks]),
            "settable": True,
        },
        "ready": {"name": "Proven ready", "datatype": "boolean", "format": "not proven,proven"},
        "ready-in": {
            "name": "Ready in, as planned",
            "datatype": "float",
            "format": "0:",
            "unit": "s",
            "retained": False,
        },
        "drift": {"name": "Drifting", "datatype": "integer", "format": "0:", "unit": "#"},
        "waits-for": {"name": "Waits for", "datatype": "string"},
        "why": {"name": "Why", "datatype": "string"},
        "only-told": {"name": "Only told, not proven", "datatype": "string"},
        "restore": {
            "name": "Put back what drifted",
            "datatype": "enum",
            "format": "restore",
            "settable": True,
            "retained": False,
        },
    }
    name = profile.title or profile.name
    node = {"name": name, "properties": properties}
    return {"homie": "5.0", "name": name, "nodes": {OWN_NODE: node}}


def _mapping(value: object) -> Mapping[str, object]:
    return value if isinstance(value, dict) else {}


def _entries(value: object) -> list[Mapping[str, object]]:
    return [entry for entry in value if isinstance(entry, dict)] if isinstance(value, list) else []


def _names(value: object) -> str:
    return ", ".join(map(str, value)) if isinstance(value, list) else ""


def _text(text: str) -> bytes:
    return plain(text[:LONGEST_TEXT]).encode() or EMPTY
