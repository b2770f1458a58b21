"""The page of the camera's picture, and pictures of lights before they are set.

A picture is asked for when somebody looks, over MQTT, and by operators alone: a person may be in
it. It is held here for as long as a browser needs to fetch it, in memory, for the session that
asked, and stored nowhere.
"""

from __future__ import annotations

import asyncio
import secrets
import time
from collections.abc import Mapping
from dataclasses import dataclass, field
from dataclasses import replace as changed
from typing import Any

from limits import parse
from starlette.requests import Request
from starlette.responses import JSONResponse, Response
from starlette.routing import Route

from studiobridge.bridge.asking import NoWitness
from studiobridge.control.stepping import NoStep, stepped
from studiobridge.panel import parts_picture, pictured
from studiobridge.panel.board import Board
from studiobridge.panel.house import House, Refused
from studiobridge.panel.keys import Session
from studiobridge.profile.said import Answer
from studiobridge.profile.wish import read_step
from studiobridge.shown import seen, words
from studiobridge.shown.at_mark import as_is
from studiobridge.shown.tongue import say

LOOKS = parse("30/minute")
# Two pictures a step, and a hand that goes over four buttons.
PREVIEWS = parse("240/minute")
# Asked for at once, all pages of a set together: a small computer reckons one after the other.
MOST_AT_ONCE = 4
# A browser fetches what it was told of within this (s); so many are held, the newest.
HELD_FOR, MOST_HELD = 15.0, 8
# Beyond this a step is another look (stops, mired), as in `control/stepping.py` AHEAD.
FURTHEST = {"level": 1.0, "cct": 60.0}
NO_STORE = {"cache-control": "no-store", "content-disposition": "inline"}


@dataclass(frozen=True, slots=True)
class _Held:
    picture: pictured.Jpeg
    whose: str
    until: float


@dataclass(slots=True)
class Picture:
    """The page of the camera's picture, and pictures of lights before they are set."""

    house: House
    _held: dict[str, _Held] = field(default_factory=dict)
    _asking: dict[str, int] = field(default_factory=dict)

    def routes(self) -> list[Route]:
        return [
            Route("/s/{set}/picture", self.page),
            Route("/api/sets/{set}/picture", self.look, methods=["POST"]),
            Route("/s/{set}/picture/still.jpg", self.still),
            Route("/s/{set}/picture/preview.jpg", self.preview),
        ]

    async def page(self, request: Request) -> Response:
        session, board = self.house.session(request), self.house.board(request)
        return self.house.html(
            "picture.html",
            profile=board.profile,
            session=session,
            several=len(self.house.profiles) > 1,
            parts=board.shows("picture"),
            lamps=board.profile.looks,
        )

    def _may(self, request: Request) -> tuple[Session, Board]:
        session, board = self.house.session(request), self.house.board(request)
        self.house.own(request)
        if not session.may_ask:
            raise Refused(403, say("a person may be in a picture: a viewer gets none"))
        return session, board

    async def look(self, request: Request) -> Response:
        """Look now: the figure with all that is drawn over it, and where its picture is fetched."""
        session, board = self._may(request)
        if request.headers.get("x-studiobridge-token") != session.forgery:
            raise Refused(403, say("the token of this session is missing"))
        self.house.within(LOOKS, "look", session.token_hash)
        if why := parts_picture.cannot_look(board):
            raise Refused(409, why)
        answer = await self._ask(board, "still")
        picture = self._read(answer)
        token = self._hold(picture, session)
        return JSONResponse(
            {"html": self._figure(board, picture, token, answer.detail)}, headers=NO_STORE
        )

    def _figure(
        self, board: Board, picture: pictured.Jpeg, token: str, detail: Mapping[str, Any]
    ) -> str:
        every, name, face = parts_picture.about(board)
        said, now = detail.get("sighting"), board.clock()
        sighting: Mapping[str, Any] = said if isinstance(said, Mapping) else {}
        places = pictured.Places()
        arrow = pictured.arrow(sighting, picture.width, picture.height, places)
        moved = pictured.outlines(detail.get("outlines"), sighting, places)
        framing = sighting.get("framing")
        kicked = isinstance(framing, Mapping) and framing.get("moved") is True
        lines = seen.sentences(sighting, now, every, name, face, by_time=True) if sighting else []
        return str(
            board.macros("parts_picture.html").still(
                f"/s/{board.profile.name}/picture/still.jpg?of={token}",
                picture,
                pictured.contours(detail.get("contours"), sighting, places),
                moved,
                arrow,
                seen.framing(sighting) if kicked else "",
                seen.taken(sighting),
                seen.LOOKS_HOLD * every + seen.MORE,
                seen.is_old(sighting, now, every) or "standing still" in seen.hinders(sighting),
                lines,
                name or say("the backdrop"),
                say(seen.NOTHING_KEPT),
            )
        )

    def _hold(self, picture: pictured.Jpeg, session: Session) -> str:
        now = time.monotonic()
        alive = [(key, held) for key, held in self._held.items() if held.until > now]
        self._held = dict(alive[-(MOST_HELD - 1) :])
        token = secrets.token_urlsafe(16)
        self._held[token] = _Held(picture, session.token_hash, now + HELD_FOR)
        # gone also when nobody fetches it and nobody asks for another
        asyncio.get_running_loop().call_later(HELD_FOR, self._held_out, token)
        return token

    def _held_out(self, token: str) -> None:
        self._held.pop(token, None)

    async def still(self, request: Request) -> Response:
        """The picture of a look that this session has just asked for."""
        session, _ = self._may(request)
        held = self._held.get(request.query_params.get("of", ""))
        if held is None or held.until < time.monotonic() or held.whose != session.token_hash:
            raise Refused(410, say("this picture is gone: look again"))
        return Response(held.picture.data, media_type="image/jpeg", headers=NO_STORE)

    async def preview(self, request: Request) -> Response:
        """A look, or the lamps as they report, or with one of them a step on: nothing is set."""
        session, board = self._may(request)
        self.house.within(PREVIEWS, "preview", session.token_hash)
        if why := parts_picture.cannot_preview(board):
            raise Refused(409, why)
        asked = request.query_params
        look = asked.get("look")
        if look is not None:
            if look not in board.profile.looks:
                raise Refused(404, say("this set has no such look"))
            # the witness has the profile too, and knows which lamps it has seen
            lights: dict[str, dict[str, float]] = {}
        else:
            lights = _stepped(board, asked.get("lamp"), asked.get("step"))
        picture = self._read(await self._ask(board, "preview", look, lights))
        return Response(picture.data, media_type="image/jpeg", headers=NO_STORE)

    async def _ask(
        self,
        board: Board,
        what: str,
        look: str | None = None,
        lights: Mapping[str, Any] | None = None,
    ) -> Answer:
        name = board.profile.name
        if self._asking.get(name, 0) >= MOST_AT_ONCE:
            raise Refused(429, say("so many pictures are asked for at once: wait a little"))
        self._asking[name] = self._asking.get(name, 0) + 1
        try:
            answer: Answer = await board.visitor.ask_witness(what, look, lights)
        except NoWitness as error:
            raise Refused(503, str(error), "en") from None
        finally:
            self._asking[name] -= 1
        if answer.code != 0:
            raise Refused(409, words.clean(answer.text, 300), "en")
        return answer

    def _read(self, answer: Answer) -> pictured.Jpeg:
        try:
            return pictured.jpeg(answer.detail.get("picture"))
        except pictured.NoPicture:
            raise Refused(502, say("what the witness sent is no picture")) from None


def _stepped(board: Board, lamp: str | None, step: str | None) -> dict[str, dict[str, float]]:
    """The lights as they report, one of them further by a step. Raises Refused."""
    state = board.visitor.shown.state or {}
    if not board.visitor.sure:
        raise Refused(409, say("nothing is confirmed now"))
    stands = as_is(board.profile, board.visitor.shown.devices, state)
    if stands.unknown:
        raise Refused(409, stands.unknown[0])
    values = dict(stands.values)
    if lamp is not None or step is not None:
        device, at = board.profile.devices.get(lamp or ""), values.get(lamp or "")
        if device is None or at is None:
            raise Refused(404, say("the look leaves it alone"))
        try:
            point, by = read_step(step)
            if abs(by) > FURTHEST[point]:
                raise ValueError
        except (ValueError, KeyError):
            raise Refused(422, say("this is no step of a light")) from None
        stood = at.level if point == "level" else at.cct
        if stood is None or at.colour is not None:
            raise Refused(409, say("it has not said how it stands"))
        try:
            goal, _ = stepped(device, None, point, float(stood), by)
        except NoStep:
            raise Refused(409, say("at its end")) from None
        values[device.name] = changed(at, level=goal) if point == "level" else changed(at, cct=goal)
    return parts_picture.lights_of(values)
