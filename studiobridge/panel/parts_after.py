"""After the take: what is left, what to charge, what to empty."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

from studiobridge.shown.after import After, after

if TYPE_CHECKING:
    from studiobridge.panel.board import Board

View = Mapping[str, Any]
NOTHING: View = {}


def found(board: Board) -> After:
    return after(board.visitor.shown.state or NOTHING, board.visitor.shown.devices)


def parts(board: Board) -> dict[str, str]:
    draw = board.macros("parts_after.html")
    return {"left-over": str(draw.whole(found(board), board.visitor.sure))}


def at_hand(board: Board) -> dict[str, str]:
    """The same in short, on the page in the hand, once the set is down after a session."""
    if not is_over(board):
        return {"after": ""}
    draw = board.macros("parts_after.html")
    return {"after": str(draw.short(board.profile.name, found(board)))}


def is_over(board: Board) -> bool:
    """Is the set down, by a word of now, after a session?"""
    state = board.visitor.shown.state or NOTHING
    about = state.get("after")
    known = isinstance(about, Mapping) and about.get("session") is not None
    return board.visitor.sure and state.get("state") == "dark" and known
