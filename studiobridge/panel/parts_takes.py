"""The takes: each stretch of rolling, numbered and marked.

`line` is the part of the hand view: the take that rolls, or the last one with its two large marks.
`parts` are those of the page of takes. What the bridge says of the take that rolls, the last and
those marked just now goes before what the record has: it is written a moment later.
"""

from __future__ import annotations

import contextlib
import json
from collections.abc import Mapping
from typing import TYPE_CHECKING, Any
from weakref import WeakKeyDictionary

from studiobridge.control.taken import last_good
from studiobridge.shown import drift_words, seen_take, words
from studiobridge.shown import takes as said
from studiobridge.shown.seen_columns import compared
from studiobridge.shown.tongue import say

if TYPE_CHECKING:
    from studiobridge.panel.board import Board

View = Mapping[str, Any]
NOTHING: View = {}
# So many takes are listed, the latest: as many as a page is read to its end. CSV has them all.
LISTED = 60

# What a record said, as long as nothing that is shown of takes has changed.
_read: WeakKeyDictionary[Board, tuple[str, list[dict[str, Any]] | None]] = WeakKeyDictionary()


def of_state(board: Board) -> View:
    found = (board.visitor.shown.state or NOTHING).get("takes")
    return found if isinstance(found, Mapping) else NOTHING


def line(board: Board) -> dict[str, str]:
    """The take in the hand: how long it rolls, or the marks of the last one."""
    takes, state = of_state(board), board.visitor.shown.state or NOTHING
    now, last = takes.get("now"), takes.get("last")
    up = state.get("session") is not None or bool(state.get("rolling"))
    draw = board.macros("parts_takes.html")
    sure = board.visitor.sure
    return {
        "take": str(draw.line(_dict(now), _last(last) if up else None, sure)),
    }


def parts(board: Board) -> dict[str, str]:
    takes, sure = of_state(board), board.visitor.sure
    draw = board.macros("parts_takes.html")
    good = takes.get("good")
    lines = [said.difference(entry) for entry in words.entries(takes.get("differs"))]
    more = int(words.number(takes.get("differs_more")) or 0)
    found = rows(board)
    now, then = say("now"), say("take {n}", n=(_dict(good) or NOTHING).get("take"))
    moved = said.moved_lights(words.entries(takes.get("differs")))
    seen = seen_take.against_lines(takes.get("seen"), then, now, moved)
    seen_moved = bool(seen_take.differences(takes.get("seen")))
    picture = drift_words.picture(takes.get("picture"))
    return {
        "takes-now": str(draw.now(_dict(takes.get("now")), sure)),
        "takes-differs": str(
            draw.differs(_dict(good), lines, more, picture, seen, seen_moved, sure)
        ),
        "takes-list": str(draw.listed(board.profile.name, found, sure)),
    }


def _dict(value: object) -> dict[str, Any] | None:
    return dict(value) if isinstance(value, Mapping) else None


def _last(value: object) -> dict[str, Any] | None:
    """The last take, in words."""
    if not isinstance(value, Mapping):
        return None
    off = words.number(value.get("ended_off_s"))
    return {
        **value,
        "length": said.length(words.number(value.get("seconds")) or 0.0),
        "how": said.evidence(
            str(value.get("ended_by") or ""), off, words.clean(value.get("why") or "", 200)
        )
        if value.get("ended_by") == "inferred"
        else "",
    }


def rows(board: Board) -> list[dict[str, Any]] | None:
    """The latest takes, newest first; None where the record is not on this machine."""
    takes = of_state(board)
    seen = {key: takes.get(key) for key in ("now", "last", "marked")}
    key = json.dumps(seen, sort_keys=True, default=str)
    before = _read.get(board)
    if before is None or before[0] != key:
        before = (key, _of_record(board))
        _read[board] = before
    listed = before[1]
    by_number = {row["take"]: dict(row) for row in listed or ()}
    for entry in (takes.get("last"), takes.get("now")):
        if isinstance(entry, Mapping) and isinstance(entry.get("take"), int):
            row = by_number.setdefault(entry["take"], {"cameras": []})
            row.update({k: v for k, v in entry.items() if k != "cameras"})
            row["rolls"] = entry is takes.get("now")
    for entry in words.entries(takes.get("marked")):
        row = by_number.get(entry.get("take"), {})
        row.update(mark=entry.get("mark"), note=entry.get("note"), marked_by=entry.get("by"))
    if listed is None and not by_number:
        return None
    return [_row(by_number[n]) for n in sorted(by_number, reverse=True)]


def _of_record(board: Board) -> list[dict[str, Any]] | None:
    reader = board.reader()
    if reader is None:
        return None
    with contextlib.closing(reader):
        newest = reader.last_take()
        takes, marked = reader.takes(max(1, newest - LISTED + 1)), reader.good_takes()
    found = []
    for take in takes:
        good = last_good(marked, take.look, without=take.number)
        found.append(said.as_json(take, as_good=compared(board.profile, good, take)))
    return found


def _row(row: dict[str, Any]) -> dict[str, Any]:
    """A take as it is listed: numbers as words."""
    rolls = bool(row.get("rolls"))
    ended = row.get("ended")
    seconds = words.number(row.get("seconds")) or 0.0
    sure = row.get("by") in ("report", "watts")
    if not rolls:  # one that rolls has no end yet, and so nothing that told it
        sure = sure and row.get("ended_by") in ("report", "watts", None)
    return {
        "take": row["take"],
        "began": row.get("began"),
        "length": said.length(seconds) if ended and not rolls else "",
        "rolls": rolls,
        "look": row.get("look") or "",
        "mark": row.get("mark") or "",
        "note": words.clean(row.get("note") or "", 300),
        "changes": said.changes_said(int(row["changes"])) if row.get("changes") else "",
        "unsure": not sure,
        "picture": seen_take.beside_the_good_one(row.get("as_good")),
    }
