"""The drawing: for each thing in its place the light of it, and itself with name and condition."""

from __future__ import annotations

from typing import TYPE_CHECKING

from studiobridge.shown.live import drawing

if TYPE_CHECKING:
    from studiobridge.panel.board import Board

UP = ("ready", "adrift")


def parts(board: Board) -> dict[str, str]:
    up = (board.visitor.shown.state or {}).get("state") in UP
    return drawing(board.profile).parts(board.view, board.visitor.sure, up)
