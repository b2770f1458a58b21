"""A person's hand on simulated gear, from another window: `touch key 80 %`.

While a rehearsal stays, it listens on a topic of its own below its set, and turns what it is
told to as a hand in the room would: the gear does the rest. Nothing else listens there. The
bridge does not know of it, and to real gear there is no such way.
"""

from __future__ import annotations

import json
import re
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import paho.mqtt.client as mqtt
from paho.mqtt.enums import CallbackAPIVersion

from studiobridge.profile import quantity
from studiobridge.profile.model import SetProfile
from studiobridge.profile.plain import plain
from studiobridge.rehearsal.devices import Happening
from studiobridge.rehearsal.live import KEEP_ALIVE, LiveRoom

WAYS = "say what to: '80 %', '3200 K', 'off', 'on', or a level and a white"
# A touch is a few words; what is longer is none (bytes).
LONGEST = 1000

_PARTS = re.compile(r"\s*(on|off|[^\s%K]+\s*[%K])(?=\s|,|\Z)\s*,?")


def hand_topic(set_name: str) -> str:
    """Where a rehearsal of this set hears of hands."""
    return f"studiobridge/{set_name}/rehearsal/touch"


def answers_topic(set_name: str, who: str) -> str:
    """Where it says what came of it."""
    return f"studiobridge/{set_name}/rehearsal/touched/{who}"


@dataclass(frozen=True, slots=True)
class Touch:
    """What a hand does: a dial to a level (%), to a white (K), a button. None: not that."""

    level: float | None = None
    cct: float | None = None
    switch: bool | None = None


def read_touch(words: Sequence[str]) -> Touch:
    """`80 %`, `3200 K`, `off`, `80 % 3200 K`. Raises ValueError with what to write instead."""
    text, at = " ".join(words), 0
    found: dict[str, Any] = {}
    while at < len(text.rstrip()):
        part = _PARTS.match(text, at)
        if part is None:
            raise ValueError(f"a hand cannot turn anything to '{plain(text)[:40]}'; {WAYS}")
        at, said = part.end(), part[1]
        if said in ("on", "off"):
            key, value = "switch", said == "on"
        elif said.endswith("%"):
            key, value = "level", quantity.parse(said, quantity.LEVEL)
        else:
            key, value = "cct", quantity.parse(said, quantity.CCT)
        if key in found:
            raise ValueError(f"'{plain(text)[:40]}' says two things at once; {WAYS}")
        found[key] = value
    if not found:
        raise ValueError(WAYS)
    return Touch(**found)


class Hands:
    """Listens for hands while a rehearsal stays. A context manager."""

    def __init__(self, room: LiveRoom, host: str, port: int) -> None:
        self._room = room
        self._topic = hand_topic(room.profile.name)
        self._client = mqtt.Client(CallbackAPIVersion.VERSION2, protocol=mqtt.MQTTv5)
        self._client.on_connect = lambda c, *_: c.subscribe(self._topic, 1)
        self._client.on_message = lambda _c, _d, said: self._heard(said)
        self._where = host, port

    def __enter__(self) -> Hands:
        self._client.connect(*self._where, KEEP_ALIVE)
        self._client.loop_start()
        return self

    def __exit__(self, *_: object) -> None:
        self._client.disconnect()
        self._client.loop_stop()

    def _heard(self, said: mqtt.MQTTMessage) -> None:
        if said.retain or len(said.payload) > LONGEST:
            return  # a hand is there now or not at all
        try:
            body = json.loads(said.payload)
            who, device, words = str(body["who"]), str(body["device"]), list(body["to"])
        except (ValueError, KeyError, TypeError, RecursionError):
            return
        if not re.fullmatch("[0-9a-f]{1,40}", who):
            return

        def answer(code: int, text: str) -> None:
            answers = answers_topic(self._room.profile.name, who)
            self._client.publish(answers, json.dumps({"code": code, "text": text}), 1)

        try:
            touch = read_touch([str(word) for word in words])
            check(self._room.profile, device, touch)
        except ValueError as error:
            answer(2, str(error))
            return

        def hand() -> list[tuple[str, Happening]]:
            code, text, happenings = turn(self._room, device, touch)
            answer(code, text)
            return happenings

        self._room.do(hand)


def check(profile: SetProfile, name: str, touch: Touch) -> None:
    """Is there such a thing to turn? Raises ValueError."""
    device = profile.devices.get(name)
    if device is None:
        lights = [d.name for d in profile.devices.values() if d.fixture]
        raise ValueError(
            f"no device '{plain(name)[:40]}' in {profile.name}; its lights: {', '.join(lights)}"
        )
    if not device.fixture and (touch.level is not None or touch.cct is not None):
        raise ValueError(f"{name} is a {device.kind} and no light: it has no dial to turn")


def turn(room: LiveRoom, name: str, touch: Touch) -> tuple[int, str, list[tuple[str, Happening]]]:
    """In the room's own thread: turn it, and say how it stands then."""
    device = room.room.devices[name]
    level, switch = touch.level, touch.switch
    if switch is not None and not device.has_switch:
        if not device.device.fixture:
            return 1, f"{name} has no button of its own", []
        if switch:
            return 1, f"{name} has a dial and no button: say a level, like '80 %'", []
        level, switch = 0.0, None  # a dial has its dark end
    if switch is not None and not device.energised:
        return 1, f"{name} has no power now: its button does nothing", []
    happenings = room.room.touch(name, room.now(), level, touch.cct, switch)
    stands = []
    if device.has_switch:
        stands.append("on" if device.switch else "off")
    if device.device.fixture:
        stands.append(f"{device.level:g} %")
    if touch.cct is not None or "cct" in device.device.tells | device.device.hears:
        stands.append(f"{device.cct:g} K")
    text = f"{name} stands at {', '.join(stands)}"
    return 0, text if device.energised else f"{text}, without power", happenings
