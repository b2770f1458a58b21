"""What is told quiet, in words: a line a device, for the page and the terminal alike."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from studiobridge.shown import words
from studiobridge.shown.tongue import later, say

Json = Mapping[str, Any]

STATES = {
    "going quiet": later("{device}: being switched off"),
    "quiet": later("{device} is quiet, back by itself at {time}"),
    "unsure": later("{device} was told off and has not said so; back at {time}"),
    "waits": later("{device} is still off: {why}"),
    "kept off": later("{device} is kept off by the lockout; it was made quiet at {since}"),
    "coming back": later("{device} comes back on"),
    "still off": later("{device} DOES NOT COME BACK: {why}"),
    "cut": later("{device} is OFF SINCE THE CUT at {since}: nothing brings it back but you"),
}
# What waits for a person is said before anything else, and not softly.
URGENT = ("still off", "cut", "kept off")


def lines(state: Json) -> list[str]:
    """Everything that is off and has to come back; what waits for a person first."""
    return [line(entry) for entry in in_order(state)]


def in_order(state: Json) -> list[Json]:
    entries = words.entries(state.get("quiet"))
    return sorted(entries, key=lambda entry: entry.get("state") not in URGENT)


def line(entry: Json) -> str:
    form = STATES.get(str(entry.get("state")), STATES["unsure"])
    back = entry.get("back_at")
    return say(
        form,
        device=words.clean(entry.get("device"), 40),
        time=words.moment(back) if back else "?",
        since=words.moment(entry.get("since")),
        why=words.bridge_says(entry.get("why") or "", 200),
    )


def urgent(state: Json) -> bool:
    """Does anything of it wait for a person?"""
    return any(entry.get("state") in URGENT for entry in words.entries(state.get("quiet")))


def noted(row: Json) -> str:
    """One line of the record."""
    device = words.clean(row.get("device"), 40)
    text = words.clean(row.get("text"), 200)
    if row.get("phase") == "over":
        return text
    doing = say("made quiet") if row.get("action") == "off" else say("brought back")
    return f"{device} {doing}, {words.clean(row.get('phase'), 20)}"
