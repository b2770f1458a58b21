"""Simulated gear of odd shapes, a broker in virtual time, and a person at the lamp.

A device is the far end of a dialect (`FarEnd`) with manners of its own: late, mute until asked,
noisy, lying. `World` delivers in virtual time and holds the laws of the conversation: nothing is
published without a yes, and nothing that was not shown.
"""

from __future__ import annotations

import heapq
import json
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace
from functools import cache

from studiobridge.meeting.first_meeting import Meeting
from studiobridge.meeting.met import Acquaintance
from studiobridge.meeting.outs import Ask, Done, Out, Send, Wake
from studiobridge.profile import read_profile_text
from studiobridge.profile.model import Point, SetProfile, Value
from studiobridge.speech import FarEnd, Speech
from studiobridge.speech.message import Message

HEAD = "format: 1\nset: gear\nmains: {voltage: 230 V, circuits: {wall: {breaker: 16 A}}}\n"
# what a person does to a device by hand, and the values that come of it
DEEDS: dict[str, tuple[Point, Value]] = {
    "off": ("switch", False),
    "on": ("switch", True),
    "full": ("level", 100.0),
    "dark": ("level", 0.0),
    "warm": ("cct", 2900.0),
    "cold": ("cct", 6100.0),
}


@cache
def profile_of(text: str) -> SetProfile:
    """Read once: every gear of one text is told and heard by the same profile, which is frozen."""
    return read_profile_text(HEAD + text).profile


@dataclass
class Gear:
    """One device: its dialect as text, what it really does, and how it says so."""

    name: str
    text: str  # `dialects:` and `devices:`, with a device of this name
    first: dict[Point, Value] = field(default_factory=lambda: {"switch": True})
    late: float = 0.05
    by_app: bool = False  # its button is an app, which publishes where the device is told
    mute: bool = False  # it reports only when it is asked
    deaf: bool = False  # it says what it is told, and does nothing
    silent_deaf: bool = False  # it acknowledges elsewhere, and neither does nor says anything
    opposite: bool = False  # it does what it is told and reports the opposite
    toggles: bool = False  # whatever it is told, it turns over
    echoes: str | None = None  # it says what it was told again, on this topic
    diff: bool = False  # a document of it holds only what changed
    noise: Callable[[float], Message] | None = None
    every: float = 1.0
    only_changed: str | None = None  # it says only "changed", there

    def __post_init__(self) -> None:
        self.profile = profile_of(self.text)
        self.end = FarEnd(self.profile, self.name)
        self.true: dict[Point, Value] = dict(self.first)
        self.shows: dict[Point, Value] = dict(self.first)  # what it says of itself
        self.topics = {topic for topic, _ in self.end.subscriptions()}
        self.points = {p for p in self.end.device.tells if p in ("switch", "level", "cct")}

    # ---- what it says ---------------------------------------------------------------------------

    def hello(self) -> list[Message]:
        if self.mute or self.only_changed:
            return []
        return self.end.hello(self.shows)

    def _reports(self, changed: list[Point]) -> list[tuple[float, Message]]:
        if self.only_changed:
            return [(self.late, Message(self.only_changed, b"changed"))]
        if self.mute:
            return []
        state = self.shows
        if self.diff:
            state = {p: v for p, v in self.shows.items() if p in changed}
        return [(self.late, m) for m in self.end.report(state, changed)]

    def told(self, message: Message) -> list[tuple[float, Message]]:
        """What comes of a message: what it says, and after how long."""
        if message.topic not in self.topics:
            return []
        told = self.end.told(message)
        out: list[tuple[float, Message]] = []
        if self.echoes is not None:
            out.append((0.02, Message(self.echoes, message.payload)))
        if told is None:
            return out
        if told.asked:
            reported = self.end.report(self.shows, list(self.shows))
            return [*out, *((self.late, m) for m in reported)]
        if self.silent_deaf:
            return [*out, (0.05, Message(f"{self.name}/ack", b"ok"))]
        values: dict[Point, Value] = dict(told.values)
        if self.toggles and "switch" in values:
            values["switch"] = not self.true["switch"]
        return [*out, *self._take(values)]

    def _take(self, values: Mapping[Point, Value]) -> list[tuple[float, Message]]:
        known = {p: v for p, v in values.items() if p in self.true}
        if not self.deaf:
            self.true.update(known)
        says = dict(known)
        if self.opposite and "switch" in says:
            says["switch"] = not says["switch"]
        changed = [p for p, v in says.items() if self.shows.get(p) != v]
        self.shows.update(says)
        return self._reports(list(says) if not self.diff else changed) if says else []

    # ---- what a hand does -----------------------------------------------------------------------

    def hand(self, deed: str) -> list[tuple[float, Message]]:
        """A person at its button, or at its app: what is published by that."""
        point, value = DEEDS[deed]
        if point not in self.true:
            if point != "switch" or "level" not in self.true:
                return []
            point, value = "level", 0.0 if deed == "off" else 70.0  # its dial
        if self.by_app:
            return [(0.0, m) for m in self._app(point, value)]
        was, self.deaf, self.opposite = (self.deaf, self.opposite), False, False
        out = self._take({point: value})
        self.deaf, self.opposite = was
        return [*out, *((0.5, m) for m in self._app_asks())]

    def _app(self, point: Point, value: Value) -> list[Message]:
        """What its app publishes: whatever has to go along with it, too."""
        group = next((g for g in self.end.device.together if point in g), {point})
        values = {p: self.true[p] for p in group if p in self.true} | {point: value}
        told = Speech(self.profile).tell(self.name, list(values.items()), None)
        return [replace(m, retain=False) for m in told]

    def _app_asks(self) -> list[Message]:
        return Speech(self.profile).ask(self.name) if self.mute else []


# ---- a broker, a clock, a person ------------------------------------------------------------------


class Broken(AssertionError):
    """A law of the conversation does not hold."""


@dataclass
class World:
    """A broker with gear on it and one conversation, in virtual time."""

    gear: list[Gear]
    # the one a person stands at
    at: Gear
    talk: Meeting
    # what the person says to a question of this kind; None: nothing at all
    says: Callable[[Ask], str | None] | None = None
    # when Ctrl-C is pressed; or the link is lost
    stops_at: float | None = None
    lost: bool = False
    now: float = 0.0
    done: Acquaintance | None = None
    ended: bool = False
    sent: list[Message] = field(default_factory=list)
    questions: list[Ask] = field(default_factory=list)
    seen: list[tuple[float, dict[Point, Value]]] = field(default_factory=list)
    # other gear that was moved by what was said
    others_moved: list[str] = field(default_factory=list)
    trace: list[str] = field(default_factory=list)
    _heap: list[tuple[float, int, Callable[[], None]]] = field(default_factory=list)
    _count: int = 0
    _allowed: set[tuple[str, bytes]] = field(default_factory=set)
    _started_at: float = 0.0
    _started: dict[Point, Value] = field(default_factory=dict)

    def after(self, wait: float, do: Callable[[], None]) -> None:
        self._count += 1
        heapq.heappush(self._heap, (self.now + wait, self._count, do))

    def run(self, longest: float = 900.0) -> Acquaintance | None:
        for gear in self.gear:
            for message in gear.hello():
                self._deliver(replace(message, retain=True))
            if gear.noise is not None:
                self._noise(gear)
        self._out(self.talk.begin(self.now))
        if self.stops_at is not None:
            self.after(self.stops_at, self._stop)
        while self._heap and not self.ended and self.now < longest:
            at, _, do = heapq.heappop(self._heap)
            self.now = max(self.now, at)
            do()
        if not self.ended:
            raise Broken(f"the conversation never ends: {self.talk.phase}")
        over = self.now + 4.0
        while self._heap and self._heap[0][0] < over:  # what is still on its way
            at, _, do = heapq.heappop(self._heap)
            self.now = max(self.now, at)
            do()
        return self.done

    def _noise(self, gear: Gear) -> None:
        assert gear.noise is not None
        self.publish(gear.noise(self.now))
        self.after(gear.every, lambda: self._noise(gear))

    def publish(self, message: Message) -> None:
        """Somebody says something: the gear and the conversation hear it."""
        live = replace(message, retain=False)
        for gear in self.gear:
            before = dict(gear.true)
            for wait, answer in gear.told(live):
                self.after(wait, lambda a=answer: self.publish(a))  # type: ignore[misc]
            if gear is self.at and gear.true != before:
                self.seen.append((self.now, dict(gear.true)))
            elif gear.true != before:
                self.others_moved.append(f"{gear.name} by {message.topic}")
        self._deliver(live)

    def _deliver(self, message: Message) -> None:
        self._out(self.talk.heard(message, self.now))

    def _out(self, outs: list[Out]) -> None:
        for out in outs:
            if isinstance(out, Send):
                self._sends(out.message)
            elif isinstance(out, Wake):
                self.after(max(0.0, out.at - self.now), self._wake)
            elif isinstance(out, Ask):
                self._asks(out)
            elif isinstance(out, Done):
                self.done, self.ended = out.who, True
            else:
                self.trace.append(f"{self.now:7.2f} {out.text}")
                if out.text.startswith("now "):
                    self.after(0.8, lambda t=out.text: self._hand(t))  # type: ignore[misc]

    def _stop(self) -> None:
        if not self.ended:
            count = len(self.sent)
            self._out(self.talk.stop("interrupted", self.now, self.lost))
            if self.lost and len(self.sent) != count:
                raise Broken("sent without a link")

    def _wake(self) -> None:
        if not self.ended:
            self._out(self.talk.wake(self.now))

    def _hand(self, says: str) -> None:
        for deed, word in (
            ("off", "OFF"),
            ("on", "ON"),
            ("full", "FULL"),
            ("dark", "DARK"),
            ("warm", "WARMEST"),
            ("cold", "COLDEST"),
        ):
            if word in says:
                for wait, message in self.at.hand(deed):
                    self.after(wait, lambda m=message: self.publish(m))  # type: ignore[misc]

    def _sends(self, message: Message) -> None:
        if self.ended:
            raise Broken(f"sent after it was over: {message}")
        if (message.topic, message.payload) not in self._allowed:
            raise Broken(f"sent without a yes to it: {message}")
        if message.retain or message.qos != 0 or not message.expiry:
            raise Broken(f"sent to be kept, or without an end: {message}")
        self.sent.append(message)
        self.trace.append(f"{self.now:7.2f} > {message.topic} {message.payload!r}")
        self.after(0.01, lambda: self.publish(message))

    def _asks(self, ask: Ask) -> None:
        self.questions.append(ask)
        self.trace.append(f"{self.now:7.2f} ? {ask.text}")
        for message in ask.sends:
            if message.topic not in ask.text or message.payload.decode() not in ask.text:
                raise Broken(f"not shown: {message}")
        if ask.key == "tell" and not self._started:
            self._started, self._started_at = dict(self.at.true), self.now
        said = self.says(ask) if self.says is not None else self.person(ask)
        if ask.key in ("tell", "ask") and said == "y":
            self._allowed |= {(m.topic, m.payload) for m in ask.sends}
        if said is None:
            return
        self.trace.append(f"{self.now:7.2f} ! {said}")
        self.after(1.0, lambda: self._out(self.talk.answered(said, self.now)))

    def person(self, ask: Ask) -> str:
        """Somebody who says yes, calls it by its name, and has eyes."""
        if ask.key == "press":
            return ""
        if ask.key == "which":
            mine = [
                line.split(".")[0].strip()
                for line in ask.text.splitlines()
                if self.at.name.replace("-", "/") in line or self.at.name in line
            ]
            return mine[0] if mine else "n"
        if ask.key == "name":
            return f"{self.at.name} {self.at.end.device.kind}"
        if ask.key == "eyes":
            return "y" if self._saw(ask) else "n"
        return "y"

    def _saw(self, ask: Ask) -> bool:
        """Did the device itself do what the question says, in this order?"""
        before = self._started
        states = [state for at, state in self.seen if at >= self._started_at]
        if not before or len(states) < 2:
            return False
        if "go O" in ask.text:
            ways = [s["switch"] for s in states if "switch" in s]
            moved = [w for w in ways if w is not before.get("switch")]
            return bool(moved) and ("go OFF, then" in ask.text) is (before["switch"] is True)
        return True

    @property
    def as_found(self) -> bool:
        """Does the device stand as it did when the first question was put?"""
        start = self._started or self.at.first
        return all(
            abs(float(v) - float(self.at.true[p])) < 6.0
            if not isinstance(v, bool)  # type: ignore[arg-type]
            else v is self.at.true[p]
            for p, v in start.items()
        )


def document(**fields: object) -> bytes:
    return json.dumps(fields).encode()
