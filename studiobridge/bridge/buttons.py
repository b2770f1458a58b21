"""Buttons on the wall: what a press on a topic of the profile asks for."""

from __future__ import annotations

import json

from studiobridge.bridge.channel import MAX_REQUEST
from studiobridge.control.events import Asked, Request
from studiobridge.profile.model import SetProfile, SwitchAsks, SwitchRule
from studiobridge.profile.template import route_of
from studiobridge.speech.encode import field_of
from studiobridge.speech.message import Message

# What the words of a button ask for.
PRESSES: dict[SwitchAsks, Asked] = {
    "up": "up",
    "down": "down",
    "restore": "restore",
    "toggle": "toggle",
    "rolling on": "rolling_on",
    "rolling off": "rolling_off",
    "rolling toggle": "rolling_toggle",
    "quiet on": "quiet_on",
    "quiet off": "quiet_off",
    "good": "mark",
    "again": "mark",
}


class Buttons:
    """The `switches:` of a set."""

    def __init__(self, profile: SetProfile, instance: str, now: float = 0.0) -> None:
        # a core that begins anew in this process (its record came back) counts from 1 again, and
        # the same id would be the same press: answered, and not done
        self.instance = f"{instance}-{int(now * 1000)}"
        self.topics: dict[str, list[SwitchRule]] = {}
        for rule in profile.switches:
            self.topics.setdefault(rule.topic, []).append(rule)
        self._pressed: dict[str, float] = {}
        self._presses = 0

    def hear(self, message: Message, at: float) -> list[Request]:
        """What this message asks for, if it is a press."""
        rules = self.topics.get(message.topic, ())
        asked = [self._press(rule, message, at) for rule in rules]
        return [request for request in asked if request is not None]

    def _press(self, rule: SwitchRule, message: Message, at: float) -> Request | None:
        """A button was pressed. Kept and repeated messages ask for nothing; bounces are one."""
        if message.retain or message.dup or len(message.payload) > MAX_REQUEST:
            return None
        try:
            word: object = message.payload.decode("utf-8")
            if rule.field is not None:
                word = field_of(json.loads(str(word)), route_of(rule.field))
        except (ValueError, KeyError, RecursionError):
            return None
        if isinstance(word, bool):
            word = "true" if word else "false"
        asks = rule.asks.get(str(word).strip()) if word is not None else None
        if asks is None:
            return None
        last = self._pressed.get(rule.name)
        self._pressed[rule.name] = at
        if last is not None and at - last < rule.debounce:
            return None
        self._presses += 1
        rolls = asks.startswith("rolling")
        return Request(
            at=at,
            id=f"{self.instance}-{rule.name}-{self._presses}",
            what=PRESSES[asks],
            by=rule.name,
            source="switch",
            look=rule.look if asks in ("up", "toggle") else None,
            targets=(rule.camera,) if rolls and rule.camera is not None else (),
            mark=asks if asks == "good" or asks == "again" else "",
        )
