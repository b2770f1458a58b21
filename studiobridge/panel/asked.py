"""The API under the pages: what the set shows as JSON, and asking over the request channel."""

from __future__ import annotations

import asyncio
import contextlib
from typing import Any

from limits import parse
from pydantic import ValidationError
from starlette.requests import Request
from starlette.responses import (
    JSONResponse,
    Response,
)
from starlette.routing import Route

from studiobridge.bridge.asking import NoBridge, NoBroker, NothingCut
from studiobridge.panel.api import AskBody, openapi
from studiobridge.panel.board import Board
from studiobridge.panel.house import House, Refused
from studiobridge.panel.keys import Session
from studiobridge.panel.past import reading, with_times
from studiobridge.profile.said import Answer
from studiobridge.shown import words
from studiobridge.shown.tongue import say

# What answers speaks English, whatever the page does.
BRIDGE = "en"
ASKS = parse("60/minute")
# ... and of steps of a light, which a button that is held asks for three times a second, and of
# dials that are being turned, as much as a hand can do.
STEPS = parse("240/minute")
OFTEN = ("adjust", "turning")


class Asked:
    """The API under the pages: what the set shows as JSON, and asking over the request channel."""

    def __init__(self, house: House) -> None:
        self.house = house

    def routes(self) -> list[Route]:
        return [
            Route("/api/session", self.api_session),
            Route("/api/sets", self.api_sets),
            Route("/api/sets/{set}/state", self.api_state),
            Route("/api/sets/{set}/drift", self.api_drift),
            Route("/api/sets/{set}/run", self.api_run),
            Route("/api/sets/{set}/devices/{device}", self.api_device),
            Route("/api/sets/{set}/sessions", self.api_sessions),
            Route("/api/sets/{set}/ask", self.api_ask, methods=["POST"]),
            Route("/api/openapi.json", self.api_document),
        ]

    async def api_document(self, request: Request) -> Response:
        return JSONResponse(openapi())

    async def api_session(self, request: Request) -> Response:
        session = self.house.session(request)
        who = {"name": session.name, "role": session.role, "token": session.forgery}
        return JSONResponse(who)

    async def api_sets(self, request: Request) -> Response:
        self.house.session(request)
        return JSONResponse({p.name: {"title": p.title} for p in self.house.profiles})

    def _sure(self, board: Board) -> Board:
        if not board.visitor.sure:
            raise Refused(503, board.truth())
        return board

    async def api_state(self, request: Request) -> Response:
        self.house.session(request)
        return JSONResponse(self._sure(self.house.board(request)).visitor.shown.state or {})

    async def api_drift(self, request: Request) -> Response:
        self.house.session(request)
        return JSONResponse(self._sure(self.house.board(request)).visitor.shown.drift)

    async def api_run(self, request: Request) -> Response:
        self.house.session(request)
        return JSONResponse(self._sure(self.house.board(request)).visitor.shown.latest_run or {})

    async def api_device(self, request: Request) -> Response:
        self.house.session(request)
        board = self._sure(self.house.board(request))
        found = board.visitor.shown.devices.get(request.path_params["device"])
        if found is None:
            raise Refused(404, say("this set has no such device"))
        return JSONResponse(found)

    async def api_sessions(self, request: Request) -> Response:
        self.house.session(request)
        with contextlib.closing(reading(self.house.board(request))) as reader:
            return JSONResponse([with_times(row) for row in reader.sessions()])

    async def api_ask(self, request: Request) -> Response:
        """Ask over the request channel, in the name of the session."""
        session = self.house.session(request)
        board = self.house.board(request)
        self.house.own(request)
        if request.headers.get("x-studiobridge-token") != session.forgery:
            raise Refused(403, say("the token of this session is missing"))
        if not session.may_ask:
            raise Refused(403, say("a viewer sees and cannot ask"))
        if request.headers.get("content-type", "").split(";")[0] != "application/json":
            raise Refused(415, "a request is JSON")
        try:
            body = AskBody.model_validate_json(await request.body())
        except ValidationError as error:
            self.house.within(ASKS, "ask", session.token_hash)
            first = error.errors(include_url=False, include_input=False, include_context=False)[0]
            where = ".".join(str(part) for part in first["loc"]) or "request"
            status = 400 if first["type"] == "json_invalid" else 422
            raise Refused(status, words.clean(f"{where}: {first['msg']}", 200)) from None
        if body.what in OFTEN:
            self.house.within(STEPS, "step", session.token_hash)
        else:
            self.house.within(ASKS, "ask", session.token_hash)
        answer = await put(board, session, body.model_dump(exclude_defaults=True, by_alias=True))
        shown = {"final": answer.final, "code": answer.code, "text": answer.text}
        return JSONResponse(shown, headers={"content-language": BRIDGE})


async def put(board: Board, session: Session, said: dict[str, Any]) -> Answer:
    """Ask in the name of a session. Raises Refused where the set refuses, or nobody answers."""
    if said["what"] == "cut" and (why := board.cannot_ask()):
        # who has an emergency goes to the breaker now, not when no answer has come
        raise Refused(503, f"{why} {say('So nothing was cut.')} {board.breakers()}")
    try:
        async with asyncio.timeout(10.0):
            asking = board.visitor.ask(**said, by=f"{session.name} (page)")
            async with contextlib.aclosing(asking):  # type: ignore[type-var]
                async for answer in asking:
                    if answer.code == 0:
                        return answer
                    raise Refused(422 if answer.code == 2 else 409, answer.text, BRIDGE)
    except NothingCut as error:
        raise Refused(503, f"{error}. {board.breakers()}") from None
    except (NoBridge, NoBroker, TimeoutError) as error:
        if str(error):
            raise Refused(503, str(error), BRIDGE) from None
        raise Refused(503, say("no answer came")) from None
    raise Refused(503, say("no answer came"))
