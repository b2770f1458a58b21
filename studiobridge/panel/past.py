"""Past sessions: the record as pages and as CSV."""

from __future__ import annotations

import asyncio
import contextlib
import math
import re
from collections.abc import Mapping, Sequence
from typing import Any

from starlette.requests import Request
from starlette.responses import (
    PlainTextResponse,
    RedirectResponse,
    Response,
)
from starlette.routing import Route

from studiobridge.bridge.reading import Reader
from studiobridge.craft.chroma import apart
from studiobridge.craft.grid import mired
from studiobridge.craft.mark import stops
from studiobridge.panel.board import Board
from studiobridge.panel.house import House, Refused, clock_in_force
from studiobridge.panel.plots import drift_plot
from studiobridge.shown import happened, words
from studiobridge.shown.cells import as_csv
from studiobridge.shown.tongue import figure, say


class Past:
    """Past sessions: the record as pages and as CSV."""

    def __init__(self, house: House) -> None:
        self.house = house

    def routes(self) -> list[Route]:
        return [
            Route("/s/{set}/record", self.record_page),
            # sessions are what the record is read by
            Route("/s/{set}/session", self.to_record),
            Route("/s/{set}/record.csv", self.sessions_csv),
            Route("/s/{set}/drift.csv", self.drift_csv),
            Route("/s/{set}/record/{number}.csv", self.session_csv),
            Route("/s/{set}/record/{number}", self.session_page),
        ]

    async def record_page(self, request: Request) -> Response:
        session, board = self.house.session(request), self.house.board(request)

        def read() -> tuple[list[dict[str, Any]], list[dict[str, str]], str]:
            reader = board.reader()
            if reader is None:
                return [], [], say("The record is not on this machine, or there is none yet.")
            with contextlib.closing(reader):
                rows = [with_times(row) for row in reversed(reader.sessions())]
                by_device: dict[str, list[Mapping[str, Any]]] = {}
                for row in reader.drifts():
                    by_device.setdefault(str(row["device"]), []).append(row)
                plots = [
                    {"device": name, "svg": svg}
                    for name, own in by_device.items()
                    if (svg := drift_plot(name, own))
                ]
                return rows, plots, ""

        sessions, plots, missing = await asyncio.to_thread(read)
        return self.house.html(
            "record.html",
            profile=board.profile,
            session=session,
            sessions=sessions,
            plots=plots,
            missing=missing,
            zone_said=zone_said(),
        )

    async def to_record(self, request: Request) -> Response:
        """Whoever looks for a session finds them all in the record."""
        self.house.session(request)
        return RedirectResponse(f"/s/{self.house.board(request).profile.name}/record", 303)

    def _number(self, request: Request) -> int:
        """The session an address names. Raises Refused."""
        found = whole(request.path_params["number"])
        if found is None:
            raise Refused(404, say("there is no such session in the record"))
        return found

    async def session_page(self, request: Request) -> Response:
        """The set at a moment of a session, next to now."""
        self.house.session(request)
        board = self.house.board(request)
        number = self._number(request)
        with contextlib.closing(reading(board)) as reader:
            found = next((s for s in reader.sessions() if s["session"] == number), None)
            timeline = reader.timeline(number)
            if found is None or not timeline or not found["opened"]:
                raise Refused(404, say("there is no such session in the record"))
            opened = float(found["opened"])
            last = max(1, math.ceil(timeline[-1]["at"] - opened))
            asked = request.query_params.get("second", "")
            usual = float(found["ready"] or timeline[-1]["at"]) - opened
            # the usual moment is that of ready itself: a second later a hand may have been there
            chosen = whole(asked)
            second = min(last, math.ceil(usual) if chosen is None else chosen)
            at = opened + (usual if chosen is None else second)
            then = reader.moment(at)
        rows = []
        for name, device in board.profile.devices.items():
            if not device.fixture or name not in then:
                continue
            view = board.view(name)
            now = view.get("preset") if device.hand_set else view
            rows.append(_then_and_now(name, then[name], now if isinstance(now, Mapping) else {}))
        events = [
            {
                "second": max(0, math.ceil(entry["at"] - opened)),
                "at": _iso(entry["at"]),
                "said": said,
                "now": math.ceil(entry["at"] - opened) == second,
            }
            for entry in timeline
            if (said := happened.sentence(entry))
        ]
        return self.house.html(
            "session.html",
            profile=board.profile,
            number=number,
            at=_iso(at),
            second=second,
            last=last,
            rows=rows,
            events=events,
            sure=board.visitor.sure,
            zone_said=zone_said(),
        )

    async def sessions_csv(self, request: Request) -> Response:
        self.house.session(request)
        with contextlib.closing(reading(self.house.board(request))) as reader:
            return _csv([with_times(row) for row in reader.sessions()])

    async def drift_csv(self, request: Request) -> Response:
        self.house.session(request)
        with contextlib.closing(reading(self.house.board(request))) as reader:
            return _csv([with_times(row) for row in reader.drifts()])

    async def session_csv(self, request: Request) -> Response:
        self.house.session(request)
        number = self._number(request)
        with contextlib.closing(reading(self.house.board(request))) as reader:
            rows = [with_times(row) for row in reader.timeline(number)]
        if not rows:
            raise Refused(404, say("there is no such session in the record"))
        return _csv(rows)


def zone_said() -> str:
    """In which zone the times of this page are."""
    clock = clock_in_force()
    if clock["zone"]:
        return say("All times in {zone}.", zone=clock["zone"])
    return say("All times in the zone of the panel's machine, {offset}.", offset=clock["said"])


def reading(board: Board) -> Reader:
    """The record of this set. Raises Refused where it cannot be read from here."""
    reader = board.reader()
    if reader is None:
        raise Refused(404, say("the record is not on this machine, or there is none yet"))
    return reader


def whole(text: str) -> int | None:
    """A whole number as it stands in an address: eight plain digits at most, else None."""
    return int(text) if re.fullmatch("[0-9]{1,8}", text) else None


# ---- rows --------------------------------------------------------------------------------


def _iso(at: float) -> str:
    from datetime import UTC, datetime

    moment = datetime.fromtimestamp(at, UTC).isoformat(timespec="milliseconds")
    return moment.replace("+00:00", "Z")


def with_times(row: Mapping[str, Any]) -> dict[str, Any]:
    times = ("at", "opened", "ready", "closed")
    return {k: _iso(v) if k in times and isinstance(v, float) else v for k, v in row.items()}


def _csv(rows: Sequence[Mapping[str, Any]]) -> Response:
    return PlainTextResponse(as_csv(rows), media_type="text/csv; charset=utf-8")


def _then_and_now(name: str, then: Mapping[str, Any], now: Mapping[str, Any]) -> dict[str, str]:
    """A device at two moments, and what to do to be back at the first."""
    difference = []
    before, after = words.number(then.get("level")), words.number(now.get("level"))
    if before and after and abs(stops(after, before)) >= words.NOT_SEEN["face"]:
        # the level itself: what a dial or a fixture is set to, whatever its curve
        by = words.signed(stops(after, before), 2)
        difference.append(say("{by} stop of level", by=by))
    elif before is not None and after is not None and (before == 0) != (after == 0):
        difference.append(say("lit now, dark then") if after else say("dark now, lit then"))
    was, is_ = words.number(then.get("cct")), words.number(now.get("cct"))
    if was and is_ and abs(mired(is_) - mired(was)) >= 0.5:
        shift = mired(is_) - mired(was)
        difference.append(say("{by} now", by=words.by_mired(shift)))
    old, new = words.chroma(then.get("colour")), words.chroma(now.get("colour"))
    if old is not None and new is not None and apart(old, new) >= 0.001:
        way, much = words.way_of(old, new), figure(apart(old, new), ".3f")
        difference.append(say("{way} now by {much} Δu′v′", way=way, much=much))
    elif (old is None) != (new is None) and (old or was) and (new or is_):
        coloured, white = say("coloured now, white then"), say("white now, coloured then")
        difference.append(coloured if new else white)
    return {
        "device": name,
        "then": words.preset(then) or say("not known"),
        "now": words.preset(now) or say("not reported"),
        "difference": ", ".join(difference),
    }
