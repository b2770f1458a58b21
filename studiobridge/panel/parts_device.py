"""One device: preset against report, feed, last changes, what can be asked."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import TYPE_CHECKING, Any

from studiobridge.bridge.reading import Reader
from studiobridge.panel.parts_below import answers
from studiobridge.shown import happened, proof_words, sensor_words, supplied, words
from studiobridge.shown.condition import condition
from studiobridge.shown.tongue import say

if TYPE_CHECKING:
    from studiobridge.panel.board import Board

View = Mapping[str, Any]
NOTHING: View = {}
UP = ("ready", "adrift")
# How many of its last changes a device's page shows.
LAST_CHANGES = 8


def detail(board: Board, name: str, reader: Callable[[], Reader | None]) -> str:
    """The page of one device: preset against report, feed, last changes, what can be asked."""
    device = board.profile.devices[name]
    view = board.view(name)
    state = board.visitor.shown.state or NOTHING
    how = condition(device, view, board.visitor.sure, state.get("state") in UP)
    preset = view.get("preset") or NOTHING
    rows = []
    for point, label, shown in (
        ("level", say("level"), words.level),
        ("cct", say("CCT"), words.cct),
        ("colour", say("colour"), words.spelled_colour),
    ):
        if device.fixture and (preset.get(point) is not None or view.get(point) is not None):
            reported = say("on its dial") if device.hand_set else shown(view.get(point))
            rows.append((label, shown(preset.get(point)), reported or say("not reported")))
    if "switch" in device.tells:
        on, off = say("on", sense="a switch"), say("off", sense="a switch")
        reported = words.yes_no(view.get("switch"), on, off, say("not reported"))
        rows.append((say("switch"), "", reported))
    if view.get("watts") is not None:
        rows.append((say("draws"), "", words.watts(view.get("watts"))))
    rows.extend((label, "", text) for label, text in supplied.readings(view))
    if isinstance(view.get("sensor"), Mapping) and sensor_words.sensor(view["sensor"]):
        rows.append((say("light"), "", sensor_words.sensor(view["sensor"])))
    if device.kind == "camera":
        rows.append((say("take"), "", proof_words.rolls(view)))
    if device.done_below is not None:
        rows.append((say("charge"), "", supplied.charges(view) or _off(view)))
    feeds = " ← ".join([*device.feeds, device.circuit or ""]).strip(" ←")
    if device.own_battery:
        feeds += ", " + say("and a battery of its own")
    return str(
        board.macros("parts_device.html").detail(
            device,
            how,
            _heard(board, view),
            rows,
            say("battery") if device.battery else feeds or say("nothing"),
            _changes(board, name, reader),
            view.get("lockout"),
            *answers(device, words.entries(view.get("drift"))),
            board.visitor.sure,
            board.held(),
        )
    )


def unread(board: Board, name: str) -> str:
    """A device of which nonsense was heard: it says so, and a lockout stays in reach."""
    device = board.profile.devices[name]
    return str(board.macros("parts_device.html").unread(device, board.unreadable()))


def _off(view: View) -> str:
    if view.get("charge") == "off":
        return say("off", sense="a switch")
    return say("not known whether it is done")


def _heard(board: Board, view: View) -> list[str]:
    """Whether it speaks, and what of it cannot be read."""
    hearing = proof_words.hearing(view) if board.visitor.sure else ""
    return [*([proof_words.heard_said(hearing)] if hearing else []), *proof_words.misheard(view)]


def _changes(board: Board, name: str, reader: Callable[[], Reader | None]) -> list[str]:
    found = reader()
    if found is None:
        return []
    try:
        return [
            f"{words.moment(row['at'], date=True)}: {happened.sentence(row['entry'])}"
            for row in found.changes(name, LAST_CHANGES)
        ]
    finally:
        found.close()
