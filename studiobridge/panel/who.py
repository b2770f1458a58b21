"""Who may come in: pairing by a code or a password, and leaving again."""

from __future__ import annotations

import asyncio

from limits import parse
from starlette.requests import Request
from starlette.responses import (
    RedirectResponse,
    Response,
)
from starlette.routing import Route

from studiobridge.bridge.shelf import NOTHING_YET
from studiobridge.panel.doors import guest_of
from studiobridge.panel.house import COOKIE, House, Refused
from studiobridge.panel.keys import Session
from studiobridge.shown import words

COOKIE_LASTS = 90 * 86400
# Tries of codes and passwords of one guest: a person needs two or three, a guesser millions.
TRIES_EACH = parse("6/minute"), parse("40/hour")
# Tries of all guests together; past that each waits first (s), and none is denied for others.
TRIES_ALL, SLOWED = parse("40/hour"), 3.0


class Who:
    """Who may come in: pairing by a code or a password, and leaving again."""

    def __init__(self, house: House) -> None:
        self.house = house
        self._trying: set[str] = set()
        # a hash of a password takes 64 MB and a tenth of a second of a core while it is compared
        self._one_try = asyncio.Lock()

    def routes(self) -> list[Route]:
        return [
            Route("/", self.first),
            Route("/pair", self.pair, methods=["GET", "POST"]),
            Route("/leave", self.leave, methods=["POST"]),
        ]

    async def first(self, request: Request) -> Response:
        self.house.session(request)
        if len(self.house.profiles) == 1:
            return RedirectResponse(f"/s/{self.house.profiles[0].name}", 303)
        return self.house.html("sets.html", profiles=self.house.profiles, nothing=NOTHING_YET)

    async def pair(self, request: Request) -> Response:
        wanted = request.query_params.get("next", "/")
        if request.method == "GET":
            return self.house.html("pair.html", wrong="", next=wanted, name="phone")
        self.house.own(request)
        form = await request.form(max_files=0, max_fields=5)
        secret, name = str(form.get("secret", "")), words.clean(form.get("name", ""), 40).strip()
        wanted = str(form.get("next", "/"))
        if not wanted.startswith("/") or wanted.startswith("//") or "\\" in wanted:
            wanted = "/"
        guest = guest_of(request.client.host if request.client is not None else "")
        try:
            opened = await self._try(guest, secret[:200], name or "somebody")
        except Refused as refused:
            return self.house.html("pair.html", 429, wrong=refused.text, next=wanted, name=name)
        if opened is None:
            wrong = "That code or password is not right, or the code has run out (ten minutes)."
            return self.house.html("pair.html", 403, wrong=wrong, next=wanted, name=name)
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

    async def _try(self, guest: str, secret: str, name: str) -> tuple[str, Session] | None:
        """One try of a code or password. Raises Refused where this guest has tried too often."""
        for limit in TRIES_EACH:
            self.house.within(limit, "pair", guest)
        if guest in self._trying:
            raise Refused(429, "one try at a time; wait a little")
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

    async def leave(self, request: Request) -> Response:
        self.house.own(request)
        self.house.keys.close(self.house.session(request))
        reply = RedirectResponse("/pair", 303)
        reply.delete_cookie(COOKIE)
        return reply
