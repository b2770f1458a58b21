"""What is off during takes only: a line and a button in the hand, and what is still off after."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

from studiobridge.shown import quieted, words

if TYPE_CHECKING:
    from studiobridge.panel.board import Board

View = Mapping[str, Any]
NOTHING: View = {}


def names(board: Board) -> list[str]:
    """What the profile says may be told quiet."""
    return [name for name, d in board.profile.devices.items() if d.quiet is not None]


def at_hand(board: Board) -> dict[str, str]:
    """Nothing where nothing may be quiet; no line is claimed while the set is not heard."""
    return {"quieted": _drawn(board, "line")}


def after(board: Board) -> dict[str, str]:
    return {"still-quiet": _drawn(board, "still")}


def _drawn(board: Board, which: str) -> str:
    state = board.visitor.shown.state or NOTHING
    if not names(board) and not words.entries(state.get("quiet")):
        return ""
    sure = board.visitor.sure
    entries = words.entries(state.get("quiet"))
    said = quieted.lines(state) if sure else []
    urgent = sure and quieted.urgent(state)
    draw = board.macros("parts_quiet.html")
    listed = words.listed(names(board))
    return str(getattr(draw, which)(said, bool(entries), urgent, listed, sure))
