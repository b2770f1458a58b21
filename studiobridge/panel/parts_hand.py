"""The head and the sill of the set page: the state in words, what it waits for, the switch."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from studiobridge.shown import words

if TYPE_CHECKING:
    from studiobridge.panel.board import Board

View = Mapping[str, Any]
NOTHING: View = {}
GOING = ("rising", "lowering")
UP = ("ready", "adrift")
YES = {"up": "bring it up", "down": "take it down"}


@dataclass(frozen=True, slots=True)
class Switch:
    """The large control: what it says, what it asks, whether it wants a second touch."""

    label: str
    under: str
    what: str | None
    again: str = ""
    progress: float | None = None
    yes: str = ""  # what the second button says
    also: tuple[str, str, str] | None = None  # label, what, again


def parts(board: Board) -> dict[str, str]:
    state: View = board.visitor.shown.state or NOTHING
    sure = board.visitor.sure
    going = state.get("state") in (*UP, *GOING)
    draw = board.macros("parts_hand.html")
    notes = [*words.unproven(state), *filter(None, [words.to_close(state)])]
    return {
        "headline": str(draw.headline(board.profile, state, board.state_words(), notes, sure)),
        "rolling": str(draw.rolling(state.get("rolling") or [])),
        "asks": str(draw.asks(asks(board), sure)),
        "switch": str(draw.switch(switch(board), sure)),
        "cameras": str(draw.cameras(cameras(board), sure)),
        "looks": str(draw.looks(looks(board), sure, board.held(), going)),
    }


def switch(board: Board) -> Switch:
    """What the large control says and asks for now."""
    state = board.visitor.shown.state or NOTHING
    now = str(state.get("state", "unheard"))
    if not board.visitor.sure:
        return Switch("nothing can be asked now", "see above", None)
    asked = asks(board)
    waits = words.waits(state)
    if asked:
        waits = f"waits for your answer about {words.listed(asked)}"
    to_go = words.number(state.get("ready_in_s"))
    steps = words.number(state.get("steps"))
    progress = (words.number(state.get("steps_done")) or 0.0) / steps if steps else None
    if now in GOING:
        label = now
        if to_go is not None and to_go > 0.5:
            label += f", about {words.about(to_go)} to go"
        elif to_go is not None:
            label += ", a little longer than usual"
        what = "down" if now == "rising" else "up"
        again = "Take it down instead?"
        if what == "up":
            again = "Bring it back up?"
        return Switch(label, waits or board.held(), what, again, progress, YES[what])
    if now in UP:
        under = "a second touch confirms it"
        if board.held():
            under = f"{board.held()}; taking it down waits for the end of the take"
        return Switch("take it down", under, "down", "Take the set down?", yes=YES["down"])
    takes = board.takes(None)
    under = f"about {words.about(takes)} to ready" if takes is not None else ""
    if now == "stalled":
        why = words.clean(state.get("why") or "", 200)
        return Switch(
            "bring the set up",
            f"it stopped half way: {why}",
            "up",
            also=("take it down", "down", "Take the set down?"),
        )
    if now == "unheard":
        under = "still listening for the gear"
    return Switch("bring the set up", board.held() or under, "up")


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
    return [name for name in words.asked_about(state) if name not in rolling]


def looks(board: Board) -> list[dict[str, Any]]:
    state = board.visitor.shown.state or NOTHING
    chosen = state.get("look") or board.profile.default_look
    return [
        {"name": name, "title": look.title, "now": name == chosen}
        for name, look in board.profile.looks.items()
    ]
