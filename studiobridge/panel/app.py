"""The web server of the panel: pages, the stream that keeps them true, the API under them.

Every way in goes through the same three questions: is this host ours, whose session is it, and
may that session ask. What it asks goes out on the request channel with its name.
"""

from __future__ import annotations

import contextlib
import re
from collections.abc import AsyncIterator, Sequence

from starlette.applications import Starlette
from starlette.middleware import Middleware
from starlette.middleware.trustedhost import TrustedHostMiddleware
from starlette.requests import Request
from starlette.responses import (
    JSONResponse,
    RedirectResponse,
    Response,
)
from starlette.routing import BaseRoute, Route
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from studiobridge.bridge.asking import Asker
from studiobridge.bridge.settings import Settings
from studiobridge.panel.around import Around
from studiobridge.panel.asked import Asked
from studiobridge.panel.board import Board
from studiobridge.panel.doors import Bounded
from studiobridge.panel.house import House, Refused
from studiobridge.panel.kept import Kept
from studiobridge.panel.keys import KeysError
from studiobridge.panel.languages import Spoken
from studiobridge.panel.live import Live
from studiobridge.panel.past import Past
from studiobridge.panel.picture import Picture
from studiobridge.panel.plain import Plain
from studiobridge.panel.sets import Sets
from studiobridge.panel.takes import Takes
from studiobridge.panel.who import Who
from studiobridge.profile.model import SetProfile
from studiobridge.shown.tongue import in_force, say

RULES = (
    "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self'; connect-src 'self';"
    " manifest-src 'self'; worker-src 'self'; form-action 'self'; frame-ancestors 'none';"
    " base-uri 'none'"
)
HEADERS = {
    b"content-security-policy": RULES.encode(),
    b"x-content-type-options": b"nosniff",
    b"referrer-policy": b"same-origin",
    b"cross-origin-opener-policy": b"same-origin",
    b"cross-origin-resource-policy": b"same-origin",
    b"permissions-policy": b"camera=(), microphone=(), geolocation=()",
}


class Guarded:
    """Adds the headers that keep a page to itself, to everything."""

    def __init__(self, app: ASGIApp) -> None:
        self.app = app

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        async def guarded(message: Message) -> None:
            if message["type"] == "http.response.start":
                had = {name.lower() for name, _ in message["headers"]}
                added = [(k, v) for k, v in HEADERS.items() if k not in had]
                if b"cache-control" not in had:
                    added.append((b"cache-control", b"no-store"))
                message["headers"] = [*message["headers"], *added]
            await send(message)

        await self.app(scope, receive, guarded)


class OurHosts(TrustedHostMiddleware):
    """Answers to the names of this machine, and to the very address a request came in at.

    An address can change under a machine and is nothing that a foreign name could be bent to.
    """

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        reached = (scope.get("server") or ("", None))[0]
        named = dict(scope.get("headers") or ()).get(b"host", b"").decode("latin-1")
        own = f"[{reached}]" if ":" in reached else reached
        if reached and own in (named, named.rpartition(":")[0]):
            await self.app(scope, receive, send)
        else:
            await super().__call__(scope, receive, send)


class Panel:
    """The pages of all sets, as one application."""

    def __init__(
        self,
        settings: Settings,
        profiles: Sequence[SetProfile],
        secure: bool,
        hosts: Sequence[str],
    ) -> None:
        self.house = House(settings, profiles, secure, hosts)

    def app(self) -> Starlette:
        house = self.house
        routes: list[BaseRoute] = [
            *Who(house).routes(),
            *Sets(house).routes(),
            *Live(house).routes(),
            *Around(house).routes(),
            *Past(house).routes(),
            *Takes(house).routes(),
            *Picture(house).routes(),
            *Asked(house).routes(),
            *Plain(house).routes(),
            Route("/health", self.health),
            Route("/authority.crt", self.authority),
            *Kept(house).routes(),
        ]
        return Starlette(
            routes=routes,
            middleware=[
                Middleware(Guarded),
                Middleware(Bounded),
                Middleware(OurHosts, allowed_hosts=list(self.house.hosts)),
                Middleware(Spoken, profiles=lambda: house.profiles),
            ],
            exception_handlers={
                Refused: self._refused,
                KeysError: self._no_keys,
                404: self._nothing_there,
            },
            lifespan=self._life,
        )

    @contextlib.asynccontextmanager
    async def _life(self, app: Starlette) -> AsyncIterator[None]:
        async with contextlib.AsyncExitStack() as stack:
            for profile in self.house.profiles:
                visitor = Asker(self.house.settings, profile.name, stays=True)
                await stack.enter_async_context(visitor)
                self.house.boards[profile.name] = Board(self.house.settings, profile, visitor)
            yield
            self.house.stopping.set()

    async def _refused(self, request: Request, error: Exception) -> Response:
        assert isinstance(error, Refused)
        if error.status == 401 and "text/html" in request.headers.get("accept", ""):
            return RedirectResponse(f"/pair?next={request.url.path}", 303)
        headers = {"content-language": error.lang}
        return JSONResponse({"text": error.text}, error.status, headers)

    async def _nothing_there(self, request: Request, error: Exception) -> Response:
        """An address that no page has: it says from where all pages are reached."""
        parts = request.url.path.split("/")
        # a name as sets have them, whether or not there is one: nothing is told to a stranger
        named = len(parts) > 2 and parts[1] == "s" and re.fullmatch(r"[a-z0-9-]{1,64}", parts[2])
        start = f"/s/{parts[2]}" if named else "/"
        text = say("there is no page at this address: {start} leads to all there are", start=start)
        return JSONResponse({"text": text}, 404, {"content-language": in_force().code})

    async def _no_keys(self, request: Request, error: Exception) -> Response:
        return JSONResponse({"text": str(error)}, 503)

    async def health(self, request: Request) -> Response:
        sets = {name: board.visitor.sure for name, board in self.house.boards.items()}
        broker = all(board.visitor.up for board in self.house.boards.values())
        good = broker and all(sets.values())
        return JSONResponse({"good": good, "broker": broker, "sets": sets}, 200 if good else 503)

    async def authority(self, request: Request) -> Response:
        """Who vouches for this page, for a phone to keep; public by its nature."""
        path = self.house.settings.panel.ca
        try:
            text = path.read_bytes() if path is not None else None
        except OSError:
            text = None
        if text is None:
            raise Refused(404, "this page has no authority of its own")
        return Response(text, media_type="application/x-x509-ca-cert")
