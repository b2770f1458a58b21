"""The set as it is now: its page, the stream that keeps it true, a device, how it is put up."""

from __future__ import annotations

import asyncio
import json
from collections.abc import AsyncIterator
from datetime import UTC, datetime

from starlette.requests import Request
from starlette.responses import (
    HTMLResponse,
    Response,
    StreamingResponse,
)
from starlette.routing import Route

from studiobridge.control.plan import OrderProblem, UnknownLook, presets_of
from studiobridge.figures.light import light_of
from studiobridge.figures.setup import setup_of
from studiobridge.panel import parts_stand
from studiobridge.panel.board import VIEWS, Board
from studiobridge.panel.house import COOKIE, House, Refused
from studiobridge.panel.parts_device import detail, unread
from studiobridge.panel.parts_mark import lamps_of
from studiobridge.shown import setup, sheet
from studiobridge.shown.live import skeleton
from studiobridge.shown.tongue import ENGLISH, say, speaking, with_languages, zone

# A page that hears nothing for twice this (s) says so.
BEAT = 0.8
# Reports of one moment come in a burst: they are sent as one (s).
TOGETHER = 0.015
# A stream looks this often (s) whether its session still holds.
STILL_ALLOWED = 5.0
# The sheet is one file that is also kept and printed elsewhere: its style stands in it, and it runs
# nothing and loads nothing.
SHEET_RULES = (
    "default-src 'none'; style-src 'unsafe-inline'; img-src data:; form-action 'none';"
    " frame-ancestors 'none'; base-uri 'none'"
)


class Live:
    """The set as it is now: its page, the stream that keeps it true, a device, how it is put up."""

    def __init__(self, house: House) -> None:
        self.house = house

    def routes(self) -> list[Route]:
        return [
            Route("/s/{set}", self.set_page),
            Route("/s/{set}/stand", self.stand_page),
            Route("/s/{set}/events", self.events),
            Route("/s/{set}/d/{device}", self.device_page),
            Route("/s/{set}/mark", self.mark_page),
            Route("/s/{set}/setup", self.setup_page),
            Route("/s/{set}/sheet", self.sheet_page),
        ]

    async def set_page(self, request: Request) -> Response:
        session = self.house.session(request)
        board = self.house.board(request)
        profile = board.profile
        placed = any(d.place is not None for d in profile.devices.values())
        return self.house.html(
            "set.html",
            profile=profile,
            session=session,
            several=len(self.house.profiles) > 1,
            drawing=skeleton(profile) if placed else "",
            breakers=board.breakers(),
        )

    async def stand_page(self, request: Request) -> Response:
        """The view across the room; `?mirror=yes` for the glass of a prompter."""
        session = self.house.session(request)
        board = self.house.board(request)
        return self.house.html(
            "stand.html",
            profile=board.profile,
            session=session,
            mirrored=request.query_params.get("mirror") == "yes",
            parts=board.shows("stand"),
            silent=parts_stand.lost(),
            now=datetime.now(UTC).isoformat(),
        )

    async def mark_page(self, request: Request) -> Response:
        """One light by small steps, for who stands in it."""
        session, profile = self.house.session(request), self.house.board(request).profile
        return self.house.html(
            "mark.html",
            profile=profile,
            session=session,
            several=len(self.house.profiles) > 1,
            lamps=lamps_of(profile),
        )

    async def events(self, request: Request) -> Response:
        self.house.session(request)
        board = self.house.board(request)
        view = request.query_params.get("view", "hand")
        if view not in VIEWS:
            raise Refused(404, "this page has no such view")
        return StreamingResponse(
            self._stream(request, board, view),
            media_type="text/event-stream",
            headers={"x-accel-buffering": "no"},
        )

    async def _stream(self, request: Request, board: Board, view: str) -> AsyncIterator[str]:
        """All parts of a view first, then what changes; a beat with each, and when nothing does."""
        loop = asyncio.get_running_loop()
        version, looked = -1, loop.time()
        yield "retry: 500\n\n"
        while not self.house.stopping.is_set():
            parts, version = await board.follows(version, view)
            # with the bridge's clock (s), by which a page counts; null where nothing is sure
            said = f"event: beat\ndata: {json.dumps(board.clock())}\n\n"
            if parts:
                said += f"event: parts\ndata: {json.dumps(parts, ensure_ascii=False)}\n\n"
            yield said
            if loop.time() - looked > STILL_ALLOWED:
                looked = loop.time()
                if self.house.keys.session(request.cookies.get(COOKIE)) is None:
                    yield "event: end\ndata: 1\n\n"
                    return
            if await board.visitor.after(version, BEAT) != version:
                await asyncio.sleep(TOGETHER)

    async def device_page(self, request: Request) -> Response:
        self.house.session(request)
        board = self.house.board(request)
        name = request.path_params["device"]
        if name not in board.profile.devices:
            raise Refused(404, say("this set has no such device"))

        def drawn(board: Board) -> str:
            return detail(board, name, board.reader)

        html, read = await asyncio.to_thread(board.read, drawn, "")
        return HTMLResponse(with_languages(html if read else unread(board, name)))

    async def sheet_page(self, request: Request) -> Response:
        """The sheet for the wall, as `sheet` draws it: a document of its own that runs nothing."""
        self.house.session(request)
        profile = self.house.board(request).profile
        asked = request.query_params.get("look")
        try:
            presets = presets_of(profile, asked)
            look = asked or profile.default_look
            # the command draws the same: English, whatever the page speaks
            with speaking(ENGLISH, zone()):
                drawn = await asyncio.to_thread(sheet.page, profile, look, presets)
        except UnknownLook as error:
            raise Refused(404, str(error)) from None
        except OrderProblem as error:
            raise Refused(409, str(error)) from None
        return HTMLResponse(with_languages(drawn), headers={"content-security-policy": SHEET_RULES})

    async def setup_page(self, request: Request) -> Response:
        """How the set is put up, or struck: from its profile alone, ticked by whoever does it."""
        session, profile = self.house.session(request), self.house.board(request).profile
        asked = request.query_params.get("look")
        try:
            presets = presets_of(profile, asked)
        except UnknownLook as error:
            raise Refused(404, str(error)) from None
        look, strike = asked or profile.default_look, request.query_params.get("way") == "strike"

        def worded() -> tuple[list[setup.Section], tuple[str, ...]]:
            light = light_of(profile, look, presets)
            made = setup_of(profile, look, presets, light)
            if strike:
                return setup.strike(profile, made), made.missing
            return setup.up(profile, made, light, each=True), made.missing

        # the same lines as those of the command
        with speaking(ENGLISH, zone()):
            sections, missing = await asyncio.to_thread(worded)
        return self.house.html(
            "setup.html",
            profile=profile,
            session=session,
            look=look,
            strike=strike,
            sections=sections,
            missing=missing,
            cautions=setup.CAUTIONS,
        )
