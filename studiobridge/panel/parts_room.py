"""The drawing: for each thing in its place the light of it, and itself with name and condition."""

from __future__ import annotations

from typing import TYPE_CHECKING

from studiobridge.shown.live import beam_part, lamp_part, placed

if TYPE_CHECKING:
    from studiobridge.panel.board import Board

UP = ("ready", "adrift")


def parts(board: Board) -> dict[str, str]:
    sure = board.visitor.sure
    up = (board.visitor.shown.state or {}).get("state") in UP
    drawn = {}
    for device in placed(board.profile):
        view = board.view(device.name)
        drawn[f"beam-{device.name}"] = beam_part(board.profile, device, view, sure)
        drawn[f"lamp-{device.name}"] = lamp_part(board.profile, device, view, sure, up)
    return drawn
