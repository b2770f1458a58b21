"""A hand on a dial is guided by the watts of its plug, or by what the camera sees of its lamp.

The sentence, and the bar with its mark.

What comes in is what a set shows of a device (`dial` in its view): whoever may write there may
write nonsense, so every number is looked at first.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

from studiobridge.shown import words
from studiobridge.shown.tongue import figure, later, say

# How far from its mark a dial is, as a share of its whole way: a little, some, or much.
A_LITTLE, SOME = 0.12, 0.4
# Changes smaller than this share of the reading are not worth a "up from".
SAME = 0.02
# ... and by the picture, in stops.
A_LITTLE_STOPS, SOME_STOPS = 0.35, 1.0
NOT_SEEN = later("the picture does not tell where it stands")
NOT_TOLD = later("the watts do not tell where it stands")
TURNS = {
    "less": later("less", sense="a dial"),
    "more": later("more", sense="a dial"),
    "a little less": later("a little less", sense="a dial"),
    "a little more": later("a little more", sense="a dial"),
    "much less": later("much less", sense="a dial"),
    "much more": later("much more", sense="a dial"),
}


@dataclass(frozen=True, slots=True)
class Guide:
    """What to say and draw while a dial is turned.

    `now`, `mark`, `low` and `high`: where on the way from dark to full (0-1) the lamp is, where it
    should be, and from where to where it is right; None where the watts cannot tell. `there`: it is
    right and rests. `way`: "more", "less", or empty; `turn` the same in words, with how far.
    """

    device: str
    text: str
    there: bool
    way: str = ""
    now: float | None = None
    mark: float | None = None
    low: float | None = None
    high: float | None = None
    turn: str = field(default="", kw_only=True)


def guide(device: str, dial: object) -> Guide | None:
    """What to say of a dial; None where its set shows neither watts nor a picture for it."""
    if not isinstance(dial, Mapping):
        return None
    if dial.get("by") == "picture":
        return _by_picture(device, dial)
    watts = words.number(dial.get("watts"))
    if watts is None:
        return None
    name = words.clean(device, 40)
    said = f"{name}: {_watts(watts)} W"
    was = words.number(dial.get("was"))
    if was is not None and abs(watts - was) > SAME * max(abs(watts), abs(was)):
        before = _watts(was)
        up, down = say("up from {watts}", watts=before), say("down from {watts}", watts=before)
        said += f", {up if watts > was else down}"
    ends = [words.number(dial.get(key)) for key in ("dark", "low", "target", "high", "full")]
    if any(end is None for end in ends):
        why = words.bridge_says(dial.get("why") or "", 160) or say(NOT_TOLD)
        return Guide(device, f"{said}: {why}", False)
    dark, low, target, high, full = (float(end) for end in ends if end is not None)
    if not (dark < full and low <= target <= high):
        return Guide(device, f"{said}: {say(NOT_TOLD)}", False)
    way = full - dark
    at = [min(1.0, max(0.0, (value - dark) / way)) for value in (watts, target, low, high)]
    settled = dial.get("settled") is True
    if low <= watts <= high:
        how = say("there", sense="a dial") if settled else say("hold it …")
        return Guide(device, f"{said}: {how}", settled, "", *at)
    off = abs(watts - target) / way
    turn = "less" if watts > target else "more"
    much = "a little" if off <= A_LITTLE else "" if off <= SOME else "much"
    how = say(TURNS[f"{much} {turn}".strip()], sense="a dial")
    text = f"{said}: {how}{'' if settled else ' …'}"
    return Guide(device, text, False, turn, *at, turn=how)


def _by_picture(device: str, dial: Mapping[str, Any]) -> Guide:
    """In stops of light, as the camera sees it: a dial has marks of its own."""
    name = words.clean(device, 40)
    keys = ("value", "stops", "dark", "low", "target", "high", "full")
    found = [words.number(dial.get(key)) for key in keys]
    if any(end is None for end in found):
        why = words.bridge_says(dial.get("why") or "", 160) or say(NOT_SEEN)
        return Guide(device, f"{name}: {why}", False)
    value, stops, dark, low, target, high, full = (float(end) for end in found if end is not None)
    if not (dark < full and low <= target <= high):
        return Guide(device, f"{name}: {say(NOT_SEEN)}", False)
    at = [min(1.0, max(0.0, (each - dark) / (full - dark))) for each in (value, target, low, high)]
    settled = dial.get("settled") is True
    if low <= value <= high:
        how = say("there", sense="a dial") if settled else say("hold it …")
        return Guide(device, f"{name}: {how}", settled, "", *at)
    turn = "less" if value > target else "more"
    off = abs(stops)
    much = "a little" if off <= A_LITTLE_STOPS else "" if off <= SOME_STOPS else "much"
    how = say(TURNS[f"{much} {turn}".strip()], sense="a dial")
    by = figure(off, ".1f")
    over = (
        say("{stops} stop over", stops=by)
        if turn == "less"
        else say("{stops} stop under", stops=by)
    )
    text = f"{name}: {over}, {how}{'' if settled else ' …'}"
    return Guide(device, text, False, turn, *at, turn=how)


def bar(shown: Guide, columns: int) -> str:
    """`▕███████┃░     ▏`: how far it is turned up, the mark, and around it where it will do."""
    cells = max(10, columns - 2)
    if shown.now is None or shown.mark is None or shown.low is None or shown.high is None:
        return "▕" + "·" * cells + "▏"
    filled = round(shown.now * cells)
    mark = min(cells - 1, int(shown.mark * cells))
    right = range(int(shown.low * cells), int(shown.high * cells) + 1)
    drawn = ["█" if i < filled else "░" if i in right else " " for i in range(cells)]
    drawn[mark] = "┃"
    return "▕" + "".join(drawn) + "▏"


def as_json(shown: Guide, dial: Mapping[str, Any]) -> dict[str, object]:
    """One line of `by-hand --watch --json`."""
    by_picture = dial.get("by") == "picture"
    seen = ("by", "value", "unit", "band", "stops") if by_picture else ("watts", "was")
    keys = (*seen, "target", "low", "high", "settled")
    numbers = {key: dial.get(key) for key in keys}
    return {"device": shown.device, "says": shown.text, "there": shown.there, **numbers}


def _watts(value: float) -> str:
    return figure(value, ".0f" if abs(value) >= 100 else ".3g")
