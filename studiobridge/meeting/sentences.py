"""What is said to somebody at the gear, in sentences."""

from __future__ import annotations

from collections.abc import Sequence

from studiobridge.meeting.met import Acquaintance
from studiobridge.profile.model import Point, Value
from studiobridge.profile.plain import plain
from studiobridge.speech.message import Message

MUTE = (
    "it has not said live how it stands, so nothing could be confirmed: press its button while"
    " `studiobridge meet` listens, or find out how it is asked ('ask:' in config/dialects.md)"
)
NO_STATE = (
    "it says nothing of how it stands, so what it is told could never be confirmed: put it on a"
    " plug that meters, or use it with 'proof: hand'"
)


def stands(point: Point, value: Value | None) -> str:
    if isinstance(value, bool):
        return "on" if value else "off"
    if not isinstance(value, float | int):
        return "not known"
    return f"{value:.0f} K" if point == "cct" else f"{value:.0f} %"


def called(point: Point) -> str:
    return {"switch": "switch", "level": "level", "cct": "white"}.get(point, point)


def deeds(point: Point, found: Value | None) -> str:
    """What was to be seen of it. One that reports the wrong way round did it in another order."""
    if point == "switch":
        return "go OFF, then ON" if found is True else "go ON, then OFF"
    if point == "level":
        return "change its level and come back"
    return "change its white and come back"


def may_i(who: Acquaintance, points: Sequence[Point], ways: int) -> str:
    what = " and ".join(called(p) for p in points)
    how = "I would send" if ways == 1 else "I would send, one way at a time until one works,"
    return (
        f"May I try to move '{who.name}' ({what})? Whatever hangs on it may start: a lamp, a motor,"
        f" a heater. Look at it, and be sure nobody has a hand in it, before you say yes.\n{how}"
        " and each time back to how it is now:"
    )


def message_line(message: Message) -> str:
    payload = quoted(message.payload) if message.payload else "(empty)"
    return f"{quoted(message.topic)}: {payload}"


def quoted(text: str | bytes) -> str:
    """All of it, as it is sent: what a person says yes to is not cut short."""
    whole = text.decode("utf-8", "replace") if isinstance(text, bytes) else text
    return f"'{plain(whole)}'"
