"""What happens to a set, said once, for whoever wants to hook onto it: a lamp, a bell, a message.

The rules:

- Each thing is said when it happens, and once. What is shown on retained topics is how the set
  stands; this is what has become of it. It is not retained, and lives for a minute at the broker.
- Nothing old is said: nothing of while the link was away, nothing that a bridge which starts again
  only finds as it was. A set that was ready, was lost and is found ready has not become ready.
- It is bounded: so many at once and so many a second, then they are dropped and counted in the
  next. A device that flaps must not fill somebody's telephone.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Literal, get_args

from studiobridge.bridge.outs import Publish, to_json
from studiobridge.bridge.topics import says_topic
from studiobridge.control import views
from studiobridge.control.controller import Controller
from studiobridge.control.effects import (
    DriftNote,
    Effect,
    Memory,
    QuietNote,
    RollingNote,
    RunNote,
    Says,
    StateNote,
)
from studiobridge.control.steps import say
from studiobridge.profile.model import Value
from studiobridge.speech.message import Message

What = Literal[
    "ready",
    "moved",
    "silent",
    "put_back",
    "stalled",
    "rolling",
    "take_ended",
    "quiet",
    "back",
    "still_off",
    "down",
    "left_on",
    "low",
    "break",
    "camera_moved",
    "automatic",
    "stray",
]
WHAT: tuple[What, ...] = get_args(What)
# So many at once, and then one every so often (s): a set that comes up says a handful.
AT_ONCE, EVERY = 20.0, 2.0
# What a bridge that starts finds within so long (s) of having listened was so before it.
FOUND_WITHIN = 10.0
# A message waits this long (s) at the broker for a receiver that is slow, and no longer.
LIVES = 60.0


class Saying:
    """The messages of one set, made from what its controller does."""

    def __init__(
        self, controller: Controller, memory: Memory, wall: Callable[[float], float], now: float
    ) -> None:
        self.controller = controller
        self.wall = wall
        self._state = memory.state
        self._was_adrift = memory.state == "adrift"
        self._listened_at: float | None = None
        # what was said and is not over: drift by device and point, gear that is quiet, supplies
        self._moved: set[tuple[str, str]] = set()
        self._quiet = {was.device for was in memory.quiet}
        self._low: set[tuple[str, str]] = set()
        self._left_on = False
        self._waiting: list[dict[str, object]] = []
        self._room, self._room_at = AT_ONCE, now
        self._dropped = 0

    # ---- what happens --------------------------------------------------------------------

    def happened(self, effect: Effect, at: float) -> None:
        """The controller did this."""
        if isinstance(effect, StateNote):
            self._turned(effect, at)
        elif isinstance(effect, DriftNote):
            self._drifted(effect, at)
        elif isinstance(effect, RollingNote):
            doing = "rolls" if effect.rolling else "has stopped"
            what: What = "rolling" if effect.rolling else "take_ended"
            self._say(what, f"{effect.device} {doing}", at, effect.device)
        elif isinstance(effect, QuietNote):
            self._quietly(effect, at)
        elif isinstance(effect, RunNote):
            if effect.what in ("down", "cut") and effect.phase == "done":
                self._say("down", f"{self._set}: {effect.text}", at)
        elif isinstance(effect, Says):
            self._say(effect.what, effect.text, at, effect.device)

    @property
    def _set(self) -> str:
        return self.controller.profile.name

    def _turned(self, note: StateNote, at: float) -> None:
        before, self._state = self._state, note.state
        if note.state == "ready" and before not in ("ready", "adrift"):
            look = f" in the look {note.look}" if note.look else ""
            self._say("ready", f"{self._set} is ready{look}", at)
        elif note.state == "stalled" and before != "stalled":
            self._say("stalled", f"{self._set} stalled: {note.why}", at)

    def _drifted(self, note: DriftNote, at: float) -> None:
        key = (note.device, note.point)
        if note.phase == "opened":
            known = key in self._moved
            self._moved.add(key)
            if not known and not (self._was_adrift and self._just_started(at)):
                gone = note.point == "online" and not note.reported
                self._say("silent" if gone else "moved", _moved(note), at, note.device)
        elif note.phase == "closed" and key in self._moved:
            self._moved.discard(key)
            how = {
                "returned": "is back as it was",
                "restored": "is put back",
                "kept": "is kept as it is now",
            }.get(note.how)
            if how is not None:
                self._say("put_back", f"{note.device} {how}", at, note.device)

    def _quietly(self, note: QuietNote, at: float) -> None:
        name = note.device
        if note.phase == "confirmed" or note.cut:
            new = name not in self._quiet
            self._quiet.add(name)
            if new and not note.cut:
                self._say("quiet", f"{name} is quiet, {note.text}", at, name)
        if note.phase == "over" and name in self._quiet:
            self._quiet.discard(name)
            self._say("back", note.text, at, name)
        elif note.phase == "failed" and "is still off" in note.text:
            self._say("still_off", note.text, at, name)

    def look(self, at: float) -> None:
        """What no note tells of: a set that was forgotten, and what runs out."""
        left_on = self.controller.standing.left_on
        if left_on and not self._left_on:
            guard = self.controller.profile.left_on
            hours = guard.after / 3600.0 if guard is not None else 0.0
            self._say("left_on", f"{self._set}: nobody asked for anything for {hours:.3g} h", at)
        self._left_on = left_on
        lows = self.controller.holding.supplies.low(at)
        known, self._low = self._low, {(low.device, low.point) for low in lows}
        for low in lows:
            if (low.device, low.point) in known or low.word.kept or self._just_started(at):
                continue
            unit = {"battery": " %", "card": " min", "temperature": " °C"}.get(low.point, "")
            value = "low" if low.point == "battery_low" else f"at {low.word.value:.0f}{unit}"
            about = low.point.partition("_")[0]
            self._say("low", f"{low.device}: {about} {value}", at, low.device)

    def _just_started(self, at: float) -> bool:
        """Is what is found now what was so before this bridge began?"""
        if self._listened_at is None:
            if not self.controller.desk.listened:
                return True
            self._listened_at = at
        return at < self._listened_at + FOUND_WITHIN

    # ---- out -----------------------------------------------------------------------------

    def _say(self, what: What, text: str, at: float, device: str | None = None) -> None:
        self._waiting.append(
            {
                "set": self._set,
                "what": what,
                "text": text,
                "at": views.iso(at, self.wall),
                "device": device,
                "look": self.controller.desk.look,
            }
        )

    def take(self, at: float, linked: bool) -> list[Publish]:
        """What is to be published now. Without a link it is not said at all, also later."""
        waiting, self._waiting = self._waiting, []
        if not linked:
            return []
        found = []
        for body in waiting:
            self._room = min(AT_ONCE, self._room + max(0.0, at - self._room_at) / EVERY)
            self._room_at = at
            if self._room < 1.0:
                self._dropped += 1
                continue
            self._room -= 1.0
            body["dropped"], self._dropped = self._dropped, 0
            topic = says_topic(self._set)
            found.append(Publish(Message(topic, to_json(body), qos=1, expiry=LIVES)))
        return found


def _moved(note: DriftNote) -> str:
    """`key: level is 40 %, not 64 %`."""
    if note.point == "online" and not note.reported:
        return f"{note.device} does not answer"
    if note.wanted is None:
        return f"{note.device} may have moved"
    wanted = say(note.point, note.wanted)
    reported = note.reported
    now = reported if isinstance(reported, str) else _spoken(note.point, reported)
    return f"{note.device} has moved: its {note.point} is {now}, not {wanted}"


def _spoken(point: str, value: Value | None) -> str:
    return "not known" if value is None else say(point, value)
