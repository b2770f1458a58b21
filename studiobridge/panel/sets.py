"""All sets of this panel, and how each stands now: the first page where there are several."""

from __future__ import annotations

import asyncio
import json
from collections.abc import AsyncIterator
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Any

from markupsafe import Markup
from starlette.requests import Request
from starlette.responses import RedirectResponse, Response, StreamingResponse
from starlette.routing import Route

from studiobridge.bridge.shelf import NOTHING_YET
from studiobridge.panel.board import NOTHING, Board
from studiobridge.panel.house import COOKIE, House
from studiobridge.panel.languages import zone_of
from studiobridge.panel.live import BEAT, STILL_ALLOWED
from studiobridge.shown import words
from studiobridge.shown.tongue import in_force, say, speaking, with_languages


@dataclass(frozen=True, slots=True)
class Standing:
    """How a set stands: a word for drawing, its words, and what else there is to say."""

    code: str
    words: str
    more: tuple[str, ...] = ()


def standing(board: Board) -> Standing:
    """In a line or two, and never more than is known now."""
    try:
        return _standing(board)
    except Exception:  # one set of which nonsense was heard must not end the page of all
        return Standing("unsure", say("not confirmed"), (board.unreadable(),))


def _standing(board: Board) -> Standing:
    state = board.visitor.shown.state or NOTHING
    if not board.visitor.sure:
        return Standing("unsure", say("not confirmed"), (board.truth(),))
    said = board.state_words()
    if state.get("look"):
        said += ", " + say("look {look}", look=words.clean(state["look"], 64))
    more = []
    rolling = words.names(state.get("rolling"))
    if rolling:
        more.append(say("rolling: {names}", names=words.listed(rolling)))
    still = words.entries(state.get("still_on"))
    if still:
        names = words.listed([str(entry["device"]) for entry in still])
        more.append(say("on, and should not be: {names}", names=names))
    code = "moved" if state.get("state") == "adrift" else str(state.get("state"))
    return Standing(words.clean(code, 20), said, tuple(more))


class Sets:
    """All sets of this panel, and how each stands now."""

    def __init__(self, house: House) -> None:
        self.house = house

    def routes(self) -> list[Route]:
        return [
            Route("/", self.first),
            Route("/sets", self.all),
            Route("/sets/events", self.events),
        ]

    async def first(self, request: Request) -> Response:
        self.house.session(request)
        if len(self.house.profiles) == 1:
            return RedirectResponse(f"/s/{self.house.profiles[0].name}", 303)
        return await self.all(request)

    async def all(self, request: Request) -> Response:
        session = self.house.session(request)
        parts = self._parts()
        rows = [
            {
                "name": profile.name,
                "title": profile.title or profile.name,
                "html": Markup(parts[f"set-{profile.name}"]),
            }
            for profile in self.house.profiles
        ]
        nothing = NOTHING_YET.replace("`", "")
        return self.house.html(
            "sets.html",
            session=session,
            profiles=self.house.profiles,
            rows=rows,
            nothing=f"{nothing[:1].upper()}{nothing[1:]}.",
            now=datetime.now(UTC).isoformat(timespec="seconds"),
            lost_since=Markup('<span id="lost-since"></span>'),
        )

    def _parts(self) -> dict[str, str]:
        """How each set stands, by the id it has on the page; each in the zone of its set."""
        found = {}
        for name, board in self.house.boards.items():
            with speaking(in_force(), zone_of(board.profile)):
                draw: Any = board.macros("parts_sets.html")
                found[f"set-{name}"] = with_languages(str(draw.standing(standing(board))))
        return found

    async def events(self, request: Request) -> Response:
        self.house.session(request)
        return StreamingResponse(
            self._stream(request),
            media_type="text/event-stream",
            headers={"x-accel-buffering": "no"},
        )

    async def _stream(self, request: Request) -> AsyncIterator[str]:
        """All sets first, then those that changed, looked at with each beat; a beat with each."""
        loop = asyncio.get_running_loop()
        sent: dict[str, str] = {}
        looked = loop.time()
        yield "retry: 500\n\n"
        while not self.house.stopping.is_set():
            parts = {k: v for k, v in self._parts().items() if sent.get(k) != v}
            sent.update(parts)
            said = "event: beat\ndata: null\n\n"
            if parts:
                said += f"event: parts\ndata: {json.dumps(parts, ensure_ascii=False)}\n\n"
            yield said
            if loop.time() - looked > STILL_ALLOWED:
                looked = loop.time()
                if self.house.keys.session(request.cookies.get(COOKIE)) is None:
                    yield "event: end\ndata: 1\n\n"
                    return
            await asyncio.sleep(BEAT)
