"""The view across the room: one word that can be read from the mark, and the sentence under it.

The word never says more than is known: what rolls comes first, READY is said only when state,
drift and run are of one moment, and without a bridge there is one word for everything. Each word
has a form of its own round it, so that neither its colour nor its letters are needed to tell it.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from studiobridge.panel.counted import ready_at, timer
from studiobridge.panel.parts_hand import locked_out
from studiobridge.shown import proof_words, step_words, words
from studiobridge.shown.tongue import english, later, say

if TYPE_CHECKING:
    from studiobridge.panel.board import Board

View = Mapping[str, Any]
NOTHING: View = {}
# Of several that moved so many are named: what else there is, who stands there cannot read.
MOST_NAMED = 3

# The word of each code, a state by the word it has everywhere; and the drawing round it in a field
# of 100 x 60 that is stretched to fit.
WORDS = {
    "lost": later("NOT CONNECTED"),
    "wait": later("WAIT"),
    "dark": later("DARK"),
    "up": later("RISING"),
    "down": later("LOWERING"),
    "ready": later("READY"),
    "moved": later("ADRIFT"),
    "rolling": later("ROLLING"),
    "stopped": later("STALLED"),
    "adjusting": later("ADJUSTING"),
}
FORMS = {
    # torn above and below
    "lost": "M2 8 14 3 26 8 38 3 50 8 62 3 74 8 86 3 98 8"
    "M2 52 14 57 26 52 38 57 50 52 62 57 74 52 86 57 98 52",
    # held between two bars on each side
    "wait": "M3 6V54M8 6V54M92 6V54M97 6V54",
    # the floor
    "dark": "M4 57H96",
    # a cup that fills, and one that empties
    "up": "M3 16V57H97V16M3 16 0 24M3 16 6 24M97 16 94 24M97 16 100 24",
    "down": "M3 44V3H97V44M3 44 0 36M3 44 6 36M97 44 94 36M97 44 100 36",
    # round and whole, twice
    "ready": "M20 2H80C104 2 104 58 80 58H20C-4 58 -4 2 20 2Z"
    "M21 6H79C98 6 98 54 79 54H21C2 54 2 6 21 6Z",
    # out of the straight
    "moved": "M8 3H99L92 57H1Z",
    # a block: in dim only its edge
    "rolling": "M1 2H99V58H1Z",
    # corners cut off
    "stopped": "M14 3H86L97 16V44L86 57H14L3 44V16Z",
    # a scale
    "adjusting": "M3 57H97M3 57V44M12.4 57V51M21.8 57V51M31.2 57V51M40.6 57V51M50 57V44M59.4 57V51"
    "M68.8 57V51M78.2 57V51M87.6 57V51M97 57V44",
}


@dataclass(frozen=True, slots=True)
class Word:
    """What is read across the room.

    `line` is the sentence under it. `until` and `since` are times on the bridge's clock that
    are counted to, or from; `warm` is one that is counted to in a line of its own.
    """

    code: str
    line: str = ""
    until: str = ""
    since: str = ""
    warm: str = ""
    # a camera rolls: nothing on the page makes a sound
    rolls: bool = False

    @property
    def said(self) -> str:
        return say(WORDS[self.code])

    @property
    def longest(self) -> int:
        """Letters of its longest line: each of its words is a line of its own."""
        return max(len(line) for line in self.said.split())

    @property
    def form(self) -> str:
        return FORMS[self.code]


def parts(board: Board) -> dict[str, str]:
    draw = board.macros("parts_stand.html")
    return {"stand": str(draw.stand(word_of(board)))}


def lost() -> Word:
    """What a page says by itself when it hears nothing: drawn beforehand."""
    return Word("lost")


def word_of(board: Board) -> Word:
    """The one word for how the set stands now, as far as that is known."""
    shown = board.visitor.shown
    state: View = shown.state or NOTHING
    if not board.visitor.sure:
        return Word("lost")
    now = str(state.get("state", "unheard"))
    rolling = words.names(state.get("rolling"))
    if rolling:
        return _rolling(state, shown.drift, now, rolling)
    if now == "rising":
        return Word("up", _held_up(state), until=ready_at(state))
    if now == "lowering":
        asks = step_words.asked_about(state)
        if asks:
            cameras = words.listed(asks)
            line = say("does {cameras} still roll? Say so on the page", cameras=cameras)
            return Word("wait", line)
        # a camera that closes its file: nothing goes off before it has
        closes = [e for e in words.entries(state.get("waiting_for")) if e.get("what") == "roll"]
        return Word("wait" if closes else "down", _held_up(state))
    if now == "stalled":
        return Word("stopped", _why(state))
    adjusting = words.entries(state.get("adjusting"))
    if adjusting and now in ("ready", "adrift"):
        return Word("adjusting", words.listed([str(e["device"]) for e in adjusting], MOST_NAMED))
    if now == "adrift":
        return Word("moved", moved(shown.drift))
    if now == "ready":
        if not board.of_one_moment():
            return Word("wait", say("what is heard does not fit together yet"))
        return Word("ready", _only_told(state), warm=_warm(state))
    if now == "dark":
        return Word("dark", _dark(state))
    return Word("wait", say("listening for the gear"))


def _rolling(state: View, drift: Sequence[View], now: str, cameras: Sequence[str]) -> Word:
    """What rolls comes before everything else, and what is wrong meanwhile is said under it."""
    since = timer(state, "take_since")
    if now == "lowering":
        rolls = words.listed(cameras)
        line = say("{cameras} rolls: the set goes down when the take ends", cameras=rolls)
        return Word("rolling", line, since=since, rolls=True)
    if now == "stalled":
        line = say("the set is stalled: {why}", why=_why(state))
    else:
        line = moved(drift) if now == "adrift" else ""
    return Word("rolling", line, since=since, rolls=True)


def _warm(state: View) -> str:
    """When the lights will stay as they are; empty when they do."""
    return timer(state, "warm_at") if words.number(state.get("warm_in_s")) else ""


def _held_up(state: View) -> str:
    """What a run waits for now that takes its time."""
    found = words.entries(state.get("waiting_for"))
    return step_words.waits(state) if found else ""


def _why(state: View) -> str:
    return english(words.clean(state.get("why") or "", 160))


def _only_told(state: View) -> str:
    told = words.names(state.get("only_told"))
    if not told:
        return ""
    return say("only told, nothing confirms it: {devices}", devices=words.listed(told, 4))


def _dark(state: View) -> str:
    still = proof_words.still_on(state)
    if still:
        return say("still on: {what}", what=still[0])
    silent = [str(entry["device"]) for entry in words.entries(state.get("silent"))]
    unproven = [*words.names(state.get("only_told")), *silent]
    if unproven:
        return say("not proven off: {devices}", devices=words.listed(unproven, 4))
    if locked := locked_out(state):
        return say("locked out: {targets}", targets=words.listed(locked, MOST_NAMED))
    return say("it was cut") if state.get("cut") is True else ""


# ---- what moved, and which way -----------------------------------------------------------


def moved(drift: Sequence[View]) -> str:
    """`key brighter and warmer, rim off`: newest first, in as few words as can be."""
    by_device: dict[str, list[View]] = {}
    newest = sorted(words.entries(list(drift)), key=lambda e: str(e.get("since", "")), reverse=True)
    for entry in newest:
        by_device.setdefault(str(entry["device"]), []).append(entry)
    said = [_device_moved(name, entries) for name, entries in by_device.items()]
    if len(said) > MOST_NAMED:
        more = len(said) - MOST_NAMED + 1
        said = [*said[: MOST_NAMED - 1], say("{n} more", n=more)]
    return ", ".join(said)


def _device_moved(name: str, entries: Sequence[View]) -> str:
    perhaps = words.names(entries[0].get("perhaps"))
    if perhaps:
        return say("{devices}: one of them moved", devices=words.listed(perhaps, MOST_NAMED))
    order = {"online": 0, "switch": 1, "level": 2, "cct": 3, "colour": 4}
    ordered = sorted(entries, key=lambda e: order.get(str(e.get("point")), 9))
    ways = list(dict.fromkeys(way(entry) for entry in ordered))
    # what is off or silent has no level worth a word
    first = str(ordered[0].get("point"))
    ways = ways[:1] if first in ("online", "switch") else ways[:2]
    return f"{words.clean(name, 24)} {words.listed(ways)}"


def way(entry: View) -> str:
    """Which way one point of a device went, in a word."""
    point, wanted, reported = entry.get("point"), entry.get("wanted"), entry.get("reported")
    if point == "online" or (point == "switch" and not isinstance(reported, bool)):
        return say("silent")
    if point == "switch":
        return say("on") if reported else say("off")
    ours, theirs = words.number(wanted), words.number(reported)
    band = entry.get("band")
    if theirs is None and isinstance(band, list) and len(band) == 2:
        low, high = words.number(band[0]), words.number(band[1])
        theirs = None if low is None or high is None else (low + high) / 2
    if point == "level" and ours is not None and theirs is not None and ours != theirs:
        if theirs == 0:
            return say("dark", sense="a light")
        return say("brighter") if theirs > ours else say("darker")
    if point == "cct":
        shift = words.number(entry.get("mired"))
        if shift is None and ours and theirs:
            # more kelvin is fewer mired, and cooler
            shift = ours - theirs
        if shift:
            return say("warmer") if shift > 0 else say("cooler")
    if point in ("cct", "colour"):
        return say("other colour")
    return say("moved")
