"""The takes: each stretch of rolling, numbered and marked."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from studiobridge.panel.board import Board


def parts(board: Board) -> dict[str, str]:
    return {}
