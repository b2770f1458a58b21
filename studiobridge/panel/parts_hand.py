"""The head and the sill of the set page: the state in words, what it waits for, the switch."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from markupsafe import Markup, escape

from studiobridge.panel.counted import ready_at, timer
from studiobridge.panel.saying import text
from studiobridge.shown import proof_words, step_words, words
from studiobridge.shown.tongue import later, say

if TYPE_CHECKING:
    from studiobridge.panel.board import Board

View = Mapping[str, Any]
NOTHING: View = {}
GOING = ("rising", "lowering")
UP = ("ready", "adrift")
# What happens, with the time it takes.
DOING = {
    "rising": later("{state}, ready in {time}"),
    "lowering": later("{state}, dark in {time}"),
}


@dataclass(frozen=True, slots=True)
class Switch:
    """The large control: what happens, what a press asks, whether it wants a second touch."""

    label: str
    what: str | None
    kind: str = ""  # up, down: its shape
    doing: str | Markup = ""  # what happens now, beside it
    under: str = ""  # what it waits for, or what a press leads to
    # what holds it now: above all that is pressed, since it goes away by itself and the foot stands
    # on the lower edge of the screen: what lies below it stays where it is
    holds: str = ""
    again: str = ""  # the question between two touches
    yes: str = ""  # what the second button says
    force: bool = False
    progress: float | None = None
    also: tuple[str, str, str] | None = None  # label, what, again


def parts(board: Board) -> dict[str, str]:
    state: View = board.visitor.shown.state or NOTHING
    sure = board.visitor.sure
    going = state.get("state") in (*UP, *GOING)
    draw = board.macros("parts_hand.html")
    # they stand below the drawing
    notes = sure and bool(proof_words.unproven(state) or words.to_close(state))
    large = switch(board)
    return {
        "headline": str(draw.headline(state, board.state_words(), sure, warm(board), notes)),
        "rolling": str(draw.rolling(state.get("rolling") or [], sure)),
        "asks": str(draw.asks(asks(board), sure)),
        "holds": str(draw.holds(large)),
        "switch": str(draw.switch(large, sure)),
        "cameras": str(draw.cameras(cameras(board), sure)),
        "looks": str(draw.looks(looks(board), sure, board.held(), going)),
        "cut-in": str(draw.cut(board.cannot_ask(), board.breakers())),
    }


def counted(board: Board, at: str, seconds: float, over: str) -> Markup:
    """A time that the page counts down by itself, by the bridge's clock; without one, in words."""
    text = words.about(seconds)
    if not at:
        return Markup(escape(text))
    return Markup(board.macros("parts_hand.html").counts_to(at, text, over))


def warm(board: Board) -> Markup | str:
    """How long until the lights stay as they are; "" when they do."""
    state = board.visitor.shown.state or NOTHING
    seconds = words.number(state.get("warm_in_s"))
    if not board.visitor.sure or not seconds:
        return ""
    return counted(board, timer(state, "warm_at"), seconds, say("a moment"))


def switch(board: Board) -> Switch:
    """What the large control says and asks for now."""
    state = board.visitor.shown.state or NOTHING
    now = str(state.get("state", "unheard"))
    if not board.visitor.sure:
        return Switch(say("nothing can be asked now"), None, under=say("see above"))
    if now in GOING:
        return _going(board, state, now)
    down = say("take it down")
    if now in UP:
        if board.held():
            holds = say("{held}; taking it down waits for the end of the take", held=board.held())
            asks_when = say("Take the set down when the take ends?")
            return Switch(down, "down", "down", holds=holds, again=asks_when, yes=down)
        return Switch(down, "down", "down", again=say("Take the set down?"), yes=down)
    up = say("bring the set up")
    yes = say("bring it up")
    lacks = locked(board)
    if now == "stalled":
        why = say("it stopped half way: {why}", why=words.bridge_says(state.get("why") or "", 200))
        asks_up = say("It stopped half way. Is the reason mended? Power comes on.")
        also = (down, "down", say("Take the set down?"))
        return Switch(up, "up", "up", under=why, again=asks_up, yes=yes, also=also)
    if lacks:
        names = words.listed(lacks)
        targets = words.listed(locked_out(state))
        under = say(
            "locked out: {targets}. Without {names} it will not be ready",
            targets=targets,
            names=names,
        )
        asks_up = say("Bring up all but {names}? It will not be ready.", names=names)
        # what stands in the way was said: the rest comes up all the same
        return Switch(up, "up", "up", under=under, again=asks_up, yes=yes, force=True)
    takes = board.takes(None)
    under = ""
    if now == "unheard":
        under = say("still listening for the gear")
    elif takes is not None:
        under = say("about {time} to ready", time=words.about(takes))
    return Switch(up, "up", "up", under=board.held() or under)


def _going(board: Board, state: View, now: str) -> Switch:
    """While it comes up or goes down."""
    waits = step_words.waits(state)
    asked = asks(board)
    if asked:
        waits = say("waits for your answer about {names}", names=words.listed(asked))
    steps = words.number(state.get("steps"))
    progress = (words.number(state.get("steps_done")) or 0.0) / steps if steps else None
    waiting = state.get("goes_down")
    if "goes_down" not in state and any(
        entry.get("what") == "roll" for entry in words.entries(state.get("waiting_for"))
    ):
        waiting = {"withdraw": True}  # a bridge that does not say it: it will answer
    if now == "lowering" and isinstance(waiting, Mapping) and not asked:
        doing = say("goes down when the take ends")
        if waiting.get("withdraw") is True:
            return Switch(say("take that back"), "withdraw", doing=doing, under=waits)
        return Switch(say("nothing to press until then"), None, doing=doing, under=waits)
    doing = Markup(escape(words.state(now)))
    to_go = words.number(state.get("ready_in_s"))
    if to_go is not None:
        longer = say("a little longer than usual")
        left: str | Markup = longer
        if to_go > 0.5:
            left = counted(board, ready_at(state), to_go, longer)
        doing = text(DOING[now], state=words.state(now), time=left)
    under = waits or board.held()
    if now == "rising":
        down = say("take it down instead")
        asks_down = say("Take it down instead?")
        yes = say("take it down")
        return Switch(
            down, "down", "down", doing, under, again=asks_down, yes=yes, progress=progress
        )
    up = say("bring it back up")
    asks_up = say("Bring it back up?")
    return Switch(up, "up", "up", doing, under, again=asks_up, yes=up, progress=progress)


def locked_out(state: View) -> list[str]:
    """What people have locked out, devices and circuits."""
    found = state.get("lockouts")
    entries = found if isinstance(found, list) else []
    return [str(e.get("target")) for e in entries if isinstance(e, Mapping)]


def locked(board: Board) -> list[str]:
    """What is locked out and the set cannot be ready without."""
    said = (board.visitor.shown.state or NOTHING).get("in_the_way")
    if isinstance(said, list):
        found = [e for e in words.entries(said) if e.get("what") == "lockout"]
        return list(dict.fromkeys(str(entry["device"]) for entry in found))
    # a bridge that does not say it
    return [
        d.name
        for d in board.profile.devices.values()
        if d.essential and d.speaks is not None and words.lockout(board.view(d.name).get("lockout"))
    ]


def cameras(board: Board) -> list[tuple[str, bool]]:
    """Cameras that do not say themselves whether they roll, and whether they do.

    Without those that are asked about: the same is not offered twice.
    """
    rolling = (board.visitor.shown.state or NOTHING).get("rolling") or []
    asked = asks(board)
    return [
        (d.name, d.name in rolling)
        for d in board.profile.devices.values()
        if d.kind == "camera" and d.rolls_by != "report" and d.name not in asked
    ]


def asks(board: Board) -> list[str]:
    """Cameras that the run-down waits for, and of which only a person can say that they roll.

    Nothing is asked on what may not be so any more: an answer may cost a take.
    """
    state = board.visitor.shown.state or NOTHING
    if not board.visitor.sure:
        return []
    rolling = words.names(state.get("rolling"))
    return [name for name in step_words.asked_about(state) if name not in rolling]


def looks(board: Board) -> list[dict[str, Any]]:
    state = board.visitor.shown.state or NOTHING
    chosen = state.get("look") or board.profile.default_look
    return [
        {"name": name, "title": look.title, "now": name == chosen}
        for name, look in board.profile.looks.items()
    ]
