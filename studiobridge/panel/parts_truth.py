"""What is wrong between a page and the gear: a part of every view."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from studiobridge.panel.board import Board


def parts(board: Board) -> dict[str, str]:
    return of(board, board.truth())


def of(board: Board, text: str) -> dict[str, str]:
    return {"truth": str(board.macros("parts_truth.html").truth(text))}
