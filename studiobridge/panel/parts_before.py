"""What has to be true before it rolls: the one line on every view, and the page of all rows."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

from studiobridge.shown import before

if TYPE_CHECKING:
    from studiobridge.panel.board import Board

View = Mapping[str, Any]
NOTHING: View = {}


def line(board: Board) -> dict[str, str]:
    """The line, for any view: nothing where the profile asks for nothing, but for a break."""
    rest = before.break_due(board.visitor.shown.state or NOTHING) if board.visitor.sure else ""
    draw = board.macros("parts_before.html")
    if not board.profile.before:
        return {"good-to-roll": str(draw.rest_due(rest))}
    name, silent = board.profile.name, before.silent()
    return {"good-to-roll": str(draw.line(name, said(board), silent, rest))}


def said(board: Board) -> before.Line:
    """Never good while the set is not heard, or its parts are of two moments."""
    state = board.visitor.shown.state or NOTHING
    if not board.visitor.sure:
        return before.silent()
    found = before.to_roll(state) or before.Line("unknown", "")
    if found.code == "so" and state.get("state") == "ready" and not board.of_one_moment():
        return before.unfitting()
    return found


def parts(board: Board) -> dict[str, str]:
    state = board.visitor.shown.state or NOTHING
    sure = board.visitor.sure
    draw = board.macros("parts_before.html")
    timer = state.get("timer")
    return {
        **line(board),
        "rows": str(draw.rows(before.rows(state.get("before")), sure, board.profile.before)),
        "times": str(draw.times(timer if isinstance(timer, Mapping) else NOTHING, sure)),
    }
