"""Who may come in: pairing by a code or a password, the page about this page, and leaving again."""

from __future__ import annotations

import asyncio
from datetime import UTC, datetime

from limits import parse
from markupsafe import Markup
from starlette.requests import Request
from starlette.responses import (
    RedirectResponse,
    Response,
)
from starlette.routing import Route

from studiobridge.panel import languages
from studiobridge.panel.doors import guest_of
from studiobridge.panel.house import COOKIE, House, Refused
from studiobridge.panel.keys import SESSION_LASTS, Session
from studiobridge.panel.texts import tongues
from studiobridge.shown import words
from studiobridge.shown.tongue import say

COOKIE_LASTS = 90 * 86400
# Tries of codes and passwords of one guest: a person needs two or three, a guesser millions.
TRIES_EACH = parse("6/minute"), parse("40/hour")
# Tries of all guests together; past that each waits first (s), and none is denied for others.
TRIES_ALL, SLOWED = parse("40/hour"), 3.0
COMMAND = Markup("<code>studiobridge panel pair</code>")


class Who:
    """Who may come in, and out again; and what one page may have as its owner likes it."""

    def __init__(self, house: House) -> None:
        self.house = house
        self._trying: set[str] = set()
        # a hash of a password takes 64 MB and a tenth of a second of a core while it is compared
        self._one_try = asyncio.Lock()

    def routes(self) -> list[Route]:
        return [
            Route("/pair", self.pair, methods=["GET", "POST"]),
            Route("/this-page", self.this_page),
            Route("/language", self.language, methods=["POST"]),
            Route("/leave", self.leave, methods=["POST"]),
        ]

    async def pair(self, request: Request) -> Response:
        if request.method == "GET":
            wanted = _within(request.query_params.get("next", "/"))
            return self._asks(wanted, say("phone"))
        self.house.own(request)
        form = await request.form(max_files=0, max_fields=5)
        code, password = str(form.get("secret", "")).strip(), str(form.get("password", ""))
        name = words.clean(form.get("name", ""), 40).strip()
        wanted = _within(str(form.get("next", "/")))
        if not code and not password:
            wrong = say("Type the code, or a password.")
            return self._asks(wanted, name, 422, wrong)
        guest = guest_of(request.client.host if request.client is not None else "")
        by_password = not code
        try:
            opened = await self._try(guest, (code or password)[:200], name or say("somebody"))
        except Refused as refused:
            return self._asks(wanted, name, 429, refused.text, by_password)
        if opened is None:
            wrong = say(
                "That code or password is not right, or the code has run out (ten minutes)."
            )
            return self._asks(wanted, name, 403, wrong, by_password)
        token, _ = opened
        reply = RedirectResponse(wanted, 303)
        reply.set_cookie(
            COOKIE,
            token,
            max_age=COOKIE_LASTS,
            httponly=True,
            secure=self.house.secure,
            samesite="strict",
        )
        return reply

    def _asks(
        self, wanted: str, name: str, status: int = 200, wrong: str = "", by_password: bool = False
    ) -> Response:
        return self.house.html(
            "pair.html",
            status,
            wrong=wrong,
            next=wanted,
            name=name,
            by_password=by_password,
            command=COMMAND,
            languages=list(tongues().values()),
            here=f"/pair?next={wanted}",
        )

    async def _try(self, guest: str, secret: str, name: str) -> tuple[str, Session] | None:
        """One try of a code or password. Raises Refused where this guest has tried too often."""
        for limit in TRIES_EACH:
            self.house.within(limit, "pair", guest)
        if guest in self._trying:
            raise Refused(429, say("one try at a time; wait a little"))
        self._trying.add(guest)
        try:
            if not self.house.limits.hit(TRIES_ALL, "pair"):
                await asyncio.sleep(SLOWED)
            async with self._one_try:
                opened = await asyncio.to_thread(self.house.keys.open, secret, name)
        finally:
            self._trying.discard(guest)
        if opened is not None:
            # a person who mistyped twice and then got in starts anew
            for limit in TRIES_EACH:
                self.house.limits.clear(limit, "pair", guest)
        return opened

    async def this_page(self, request: Request) -> Response:
        """Whose page this is, how it is to look, and the way out."""
        session = self.house.session(request)
        return self.house.html(
            "this_page.html",
            session=session,
            profiles=self.house.profiles,
            since=_iso(session.since),
            until=_iso(session.since + SESSION_LASTS),
            host=words.clean(request.headers.get("host", ""), 100),
            languages=list(tongues().values()),
            here="/this-page",
        )

    async def language(self, request: Request) -> Response:
        """Keep the language that somebody chose; nobody has to have come in for that."""
        self.house.own(request)
        form = await request.form(max_files=0, max_fields=3)
        chosen = tongues().get(str(form.get("language", "")))
        reply = RedirectResponse(_within(str(form.get("next", "/"))), 303)
        if chosen is not None:
            reply.set_cookie(
                languages.COOKIE,
                chosen.code,
                max_age=languages.COOKIE_LASTS,
                httponly=True,
                secure=self.house.secure,
                samesite="lax",
            )
        return reply

    async def leave(self, request: Request) -> Response:
        self.house.own(request)
        self.house.keys.close(self.house.session(request))
        reply = RedirectResponse("/pair", 303)
        reply.delete_cookie(COOKIE)
        return reply


def _within(address: str) -> str:
    """An address of this page; anything else is its first."""
    here = address.startswith("/") and not address.startswith("//") and "\\" not in address
    return address if here and address.isprintable() else "/"


def _iso(at: float) -> str:
    return datetime.fromtimestamp(at, UTC).isoformat(timespec="seconds")
