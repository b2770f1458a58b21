"""The web server of the panel: pages, the stream that keeps them true, the API under them.

Every way in goes through the same three questions: is this host ours, whose session is it, and
may that session ask. What it asks goes out on the request channel with its name.
"""

from __future__ import annotations

import asyncio
import contextlib
import csv
import io
import json
import math
import re
from collections.abc import AsyncIterator, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any
from urllib.parse import urlsplit

from limits import RateLimitItem, parse
from limits.storage import MemoryStorage
from limits.strategies import MovingWindowRateLimiter
from pydantic import ValidationError
from starlette.applications import Starlette
from starlette.middleware import Middleware
from starlette.middleware.trustedhost import TrustedHostMiddleware
from starlette.requests import Request
from starlette.responses import (
    HTMLResponse,
    JSONResponse,
    PlainTextResponse,
    RedirectResponse,
    Response,
    StreamingResponse,
)
from starlette.routing import Mount, Route
from starlette.staticfiles import StaticFiles
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from studiobridge import __version__
from studiobridge.bridge.asking import Asker, NoBridge, NoBroker
from studiobridge.bridge.reading import Reader
from studiobridge.bridge.settings import Settings
from studiobridge.bridge.shelf import NOTHING_YET
from studiobridge.control.plan import UnknownLook, presets_of
from studiobridge.craft.chroma import apart, towards
from studiobridge.craft.grid import mired
from studiobridge.craft.mark import stops
from studiobridge.figures.light import light_of
from studiobridge.figures.setup import setup_of
from studiobridge.panel.api import AskBody, openapi
from studiobridge.panel.board import Board, environment
from studiobridge.panel.doors import Bounded, guest_of
from studiobridge.panel.keys import Keys, KeysError, Session, keys_path
from studiobridge.panel.plots import drift_plot
from studiobridge.profile.model import SetProfile
from studiobridge.shown import setup, words
from studiobridge.shown.live import skeleton

COOKIE = "studiobridge"
COOKIE_LASTS = 90 * 86400
# A page that hears nothing for twice this (s) says so.
BEAT = 0.8
# Reports of one moment come in a burst: they are sent as one (s).
TOGETHER = 0.015
# A stream looks this often (s) whether its session still holds.
STILL_ALLOWED = 5.0
# Tries of codes and passwords of one guest: a person needs two or three, a guesser millions.
TRIES_EACH = parse("6/minute"), parse("40/hour")
# Tries of all guests together; past that each waits first (s), and none is denied for others.
TRIES_ALL, SLOWED = parse("40/hour"), 3.0
ASKS = parse("60/minute")
STATIC = Path(__file__).parent / "static"
RULES = (
    "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self'; connect-src 'self';"
    " manifest-src 'self'; form-action 'self'; frame-ancestors 'none'; base-uri 'none'"
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


class Refused(Exception):
    """A request that goes no further."""

    def __init__(self, status: int, text: str) -> None:
        super().__init__(text)
        self.status = status
        self.text = text


@dataclass(slots=True)
class Panel:
    """Everything the pages need."""

    settings: Settings
    profiles: Sequence[SetProfile]
    secure: bool
    hosts: Sequence[str]
    keys: Keys = field(init=False)
    boards: dict[str, Board] = field(default_factory=dict)
    _limits: MovingWindowRateLimiter = field(init=False)
    _pages: Any = field(init=False)
    stopping: asyncio.Event = field(init=False)
    _trying: set[str] = field(default_factory=set)
    # a hash of a password takes 64 MB and a tenth of a second of a core while it is compared
    _one_try: asyncio.Lock = field(default_factory=asyncio.Lock)

    def __post_init__(self) -> None:
        self.keys = Keys(keys_path(self.settings.data))
        self._limits = MovingWindowRateLimiter(MemoryStorage())
        self._pages = environment()
        self.stopping = asyncio.Event()

    def app(self) -> Starlette:
        page = "/s/{set}"
        api = "/api/sets/{set}"
        routes = [
            Route("/", self.first),
            Route("/pair", self.pair, methods=["GET", "POST"]),
            Route("/leave", self.leave, methods=["POST"]),
            Route(page, self.set_page),
            Route(f"{page}/events", self.events),
            Route(f"{page}/d/{{device}}", self.device_page),
            Route(f"{page}/setup", self.setup_page),
            Route(f"{page}/record", self.record_page),
            Route(f"{page}/record.csv", self.sessions_csv),
            Route(f"{page}/drift.csv", self.drift_csv),
            Route(f"{page}/record/{{number}}.csv", self.session_csv),
            Route(f"{page}/record/{{number}}", self.session_page),
            Route("/api/session", self.api_session),
            Route("/api/sets", self.api_sets),
            Route(f"{api}/state", self.api_state),
            Route(f"{api}/drift", self.api_drift),
            Route(f"{api}/run", self.api_run),
            Route(f"{api}/devices/{{device}}", self.api_device),
            Route(f"{api}/sessions", self.api_sessions),
            Route(f"{api}/ask", self.api_ask, methods=["POST"]),
            Route("/api/openapi.json", self.api_document),
            Route("/health", self.health),
            Route("/authority.crt", self.authority),
            Route("/manifest.webmanifest", self.manifest),
            Mount("/static", StaticFiles(directory=STATIC)),
        ]
        return Starlette(
            routes=routes,
            middleware=[
                Middleware(Guarded),
                Middleware(Bounded),
                Middleware(OurHosts, allowed_hosts=list(self.hosts)),
            ],
            exception_handlers={Refused: self._refused, KeysError: self._no_keys},
            lifespan=self._life,
        )

    @contextlib.asynccontextmanager
    async def _life(self, app: Starlette) -> AsyncIterator[None]:
        async with contextlib.AsyncExitStack() as stack:
            for profile in self.profiles:
                visitor = Asker(self.settings, profile.name, stays=True)
                await stack.enter_async_context(visitor)
                self.boards[profile.name] = Board(self.settings, profile, visitor)
            yield
            self.stopping.set()

    # ---- who ---------------------------------------------------------------------------

    async def _refused(self, request: Request, error: Exception) -> Response:
        assert isinstance(error, Refused)
        if error.status == 401 and "text/html" in request.headers.get("accept", ""):
            return RedirectResponse(f"/pair?next={request.url.path}", 303)
        return JSONResponse({"text": error.text}, error.status)

    async def _no_keys(self, request: Request, error: Exception) -> Response:
        return JSONResponse({"text": str(error)}, 503)

    def session(self, request: Request) -> Session:
        """Whose session this is. Raises Refused."""
        found = self.keys.session(request.cookies.get(COOKIE))
        if found is None:
            raise Refused(401, "no session: pair this page first")
        return found

    def board(self, request: Request) -> Board:
        found = self.boards.get(request.path_params["set"])
        if found is None:
            raise Refused(404, "this panel has no such set")
        return found

    def _own(self, request: Request) -> None:
        """Does this come from our own pages? Raises Refused."""
        site = request.headers.get("sec-fetch-site", "same-origin")
        origin = request.headers.get("origin")
        if site not in ("same-origin", "none"):
            raise Refused(403, "this came from another site")
        try:
            ours = origin is None or urlsplit(origin).netloc == request.headers.get("host")
        except ValueError:
            ours = False
        if not ours:
            raise Refused(403, "this came from another site")

    def _within(self, limit: RateLimitItem, *who: str) -> None:
        if not self._limits.hit(limit, *who):
            raise Refused(429, f"too many tries: {limit}; wait a little")

    def _html(self, template: str, status: int = 200, **more: Any) -> HTMLResponse:
        text = self._pages.get_template(template).render(version=__version__, **more)
        return HTMLResponse(text, status)

    async def first(self, request: Request) -> Response:
        self.session(request)
        if len(self.profiles) == 1:
            return RedirectResponse(f"/s/{self.profiles[0].name}", 303)
        return self._html("sets.html", profiles=self.profiles, nothing=NOTHING_YET)

    async def pair(self, request: Request) -> Response:
        wanted = request.query_params.get("next", "/")
        if request.method == "GET":
            return self._html("pair.html", wrong="", next=wanted, name="phone")
        self._own(request)
        form = await request.form(max_files=0, max_fields=5)
        secret, name = str(form.get("secret", "")), words.clean(form.get("name", ""), 40).strip()
        wanted = str(form.get("next", "/"))
        if not wanted.startswith("/") or wanted.startswith("//") or "\\" in wanted:
            wanted = "/"
        guest = guest_of(request.client.host if request.client is not None else "")
        try:
            opened = await self._try(guest, secret[:200], name or "somebody")
        except Refused as refused:
            return self._html("pair.html", 429, wrong=refused.text, next=wanted, name=name)
        if opened is None:
            wrong = "That code or password is not right, or the code has run out (ten minutes)."
            return self._html("pair.html", 403, wrong=wrong, next=wanted, name=name)
        token, _ = opened
        reply = RedirectResponse(wanted, 303)
        reply.set_cookie(
            COOKIE,
            token,
            max_age=COOKIE_LASTS,
            httponly=True,
            secure=self.secure,
            samesite="strict",
        )
        return reply

    async def _try(self, guest: str, secret: str, name: str) -> tuple[str, Session] | None:
        """One try of a code or password. Raises Refused where this guest has tried too often."""
        for limit in TRIES_EACH:
            self._within(limit, "pair", guest)
        if guest in self._trying:
            raise Refused(429, "one try at a time; wait a little")
        self._trying.add(guest)
        try:
            if not self._limits.hit(TRIES_ALL, "pair"):
                await asyncio.sleep(SLOWED)
            async with self._one_try:
                opened = await asyncio.to_thread(self.keys.open, secret, name)
        finally:
            self._trying.discard(guest)
        if opened is not None:
            # a person who mistyped twice and then got in starts anew
            for limit in TRIES_EACH:
                self._limits.clear(limit, "pair", guest)
        return opened

    async def leave(self, request: Request) -> Response:
        self._own(request)
        self.keys.close(self.session(request))
        reply = RedirectResponse("/pair", 303)
        reply.delete_cookie(COOKIE)
        return reply

    # ---- the page ----------------------------------------------------------------------

    async def set_page(self, request: Request) -> Response:
        session = self.session(request)
        board = self.board(request)
        profile = board.profile
        placed = any(d.place is not None for d in profile.devices.values())
        return self._html(
            "set.html",
            profile=profile,
            session=session,
            several=len(self.profiles) > 1,
            drawing=skeleton(profile) if placed else "",
        )

    async def events(self, request: Request) -> Response:
        self.session(request)
        board = self.board(request)
        return StreamingResponse(
            self._stream(request, board),
            media_type="text/event-stream",
            headers={"x-accel-buffering": "no"},
        )

    async def _stream(self, request: Request, board: Board) -> AsyncIterator[str]:
        """All parts first, then what changes; a beat when nothing does."""
        loop = asyncio.get_running_loop()
        version, looked = -1, loop.time()
        yield "retry: 500\n\n"
        while not self.stopping.is_set():
            drawn = board.draw()
            parts = board.since(version)
            version = drawn
            if parts:
                yield f"event: parts\ndata: {json.dumps(parts, ensure_ascii=False)}\n\n"
            else:
                yield "event: beat\ndata: 1\n\n"
            if loop.time() - looked > STILL_ALLOWED:
                looked = loop.time()
                if self.keys.session(request.cookies.get(COOKIE)) is None:
                    yield "event: end\ndata: 1\n\n"
                    return
            if await board.visitor.after(version, BEAT) != version:
                await asyncio.sleep(TOGETHER)

    async def device_page(self, request: Request) -> Response:
        self.session(request)
        board = self.board(request)
        name = request.path_params["device"]
        if name not in board.profile.devices:
            raise Refused(404, "this set has no such device")
        return HTMLResponse(await asyncio.to_thread(board.detail, name, board.reader))

    async def setup_page(self, request: Request) -> Response:
        """How the set is put up, or struck: from its profile alone, ticked by whoever does it."""
        session, profile = self.session(request), self.board(request).profile
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

        sections, missing = await asyncio.to_thread(worded)
        return self._html(
            "setup.html",
            profile=profile,
            session=session,
            look=look,
            strike=strike,
            sections=sections,
            missing=missing,
            cautions=setup.CAUTIONS,
        )

    # ---- the record --------------------------------------------------------------------

    async def record_page(self, request: Request) -> Response:
        session, board = self.session(request), self.board(request)

        def read() -> tuple[list[dict[str, Any]], list[dict[str, str]], str]:
            reader = board.reader()
            if reader is None:
                return [], [], "The record is not on this machine, or there is none yet."
            with contextlib.closing(reader):
                rows = [_with_times(row) for row in reversed(reader.sessions())]
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
        return self._html(
            "record.html",
            profile=board.profile,
            session=session,
            sessions=sessions,
            plots=plots,
            missing=missing,
        )

    def _reading(self, board: Board) -> Reader:
        reader = board.reader()
        if reader is None:
            raise Refused(404, "the record is not on this machine, or there is none yet")
        return reader

    def _number(self, request: Request) -> int:
        """The session an address names. Raises Refused."""
        found = whole(request.path_params["number"])
        if found is None:
            raise Refused(404, "there is no such session in the record")
        return found

    async def session_page(self, request: Request) -> Response:
        """The set at a moment of a session, next to now."""
        self.session(request)
        board = self.board(request)
        number = self._number(request)
        with contextlib.closing(self._reading(board)) as reader:
            found = next((s for s in reader.sessions() if s["session"] == number), None)
            timeline = reader.timeline(number)
            if found is None or not timeline or not found["opened"]:
                raise Refused(404, "there is no such session in the record")
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
                "said": _said(entry),
                "now": math.ceil(entry["at"] - opened) == second,
            }
            for entry in timeline
            if entry["kind"] != "step"
            or words.phase_of(entry) in ("confirmed", "waited out", "failed")
        ]
        return self._html(
            "session.html",
            profile=board.profile,
            number=number,
            at=_iso(at),
            second=second,
            last=last,
            rows=rows,
            events=events,
        )

    async def sessions_csv(self, request: Request) -> Response:
        self.session(request)
        with contextlib.closing(self._reading(self.board(request))) as reader:
            return _csv([_with_times(row) for row in reader.sessions()])

    async def drift_csv(self, request: Request) -> Response:
        self.session(request)
        with contextlib.closing(self._reading(self.board(request))) as reader:
            return _csv([_with_times(row) for row in reader.drifts()])

    async def session_csv(self, request: Request) -> Response:
        self.session(request)
        number = self._number(request)
        with contextlib.closing(self._reading(self.board(request))) as reader:
            rows = [_with_times(row) for row in reader.timeline(number)]
        if not rows:
            raise Refused(404, "there is no such session in the record")
        return _csv(rows)

    # ---- the API -----------------------------------------------------------------------

    async def api_document(self, request: Request) -> Response:
        return JSONResponse(openapi())

    async def api_session(self, request: Request) -> Response:
        session = self.session(request)
        who = {"name": session.name, "role": session.role, "token": session.forgery}
        return JSONResponse(who)

    async def api_sets(self, request: Request) -> Response:
        self.session(request)
        return JSONResponse({p.name: {"title": p.title} for p in self.profiles})

    def _sure(self, board: Board) -> Board:
        if not board.visitor.sure:
            raise Refused(503, board.truth())
        return board

    async def api_state(self, request: Request) -> Response:
        self.session(request)
        return JSONResponse(self._sure(self.board(request)).visitor.shown.state or {})

    async def api_drift(self, request: Request) -> Response:
        self.session(request)
        return JSONResponse(self._sure(self.board(request)).visitor.shown.drift)

    async def api_run(self, request: Request) -> Response:
        self.session(request)
        return JSONResponse(self._sure(self.board(request)).visitor.shown.latest_run or {})

    async def api_device(self, request: Request) -> Response:
        self.session(request)
        board = self._sure(self.board(request))
        found = board.visitor.shown.devices.get(request.path_params["device"])
        if found is None:
            raise Refused(404, "this set has no such device")
        return JSONResponse(found)

    async def api_sessions(self, request: Request) -> Response:
        self.session(request)
        with contextlib.closing(self._reading(self.board(request))) as reader:
            return JSONResponse([_with_times(row) for row in reader.sessions()])

    async def api_ask(self, request: Request) -> Response:
        """Ask over the request channel, in the name of the session."""
        session = self.session(request)
        board = self.board(request)
        self._own(request)
        if request.headers.get("x-studiobridge-token") != session.forgery:
            raise Refused(403, "the token of this session is missing")
        if not session.may_ask:
            raise Refused(403, "a viewer sees and cannot ask")
        self._within(ASKS, "ask", session.token_hash)
        if request.headers.get("content-type", "").split(";")[0] != "application/json":
            raise Refused(415, "a request is JSON")
        try:
            body = AskBody.model_validate_json(await request.body())
        except ValidationError as error:
            first = error.errors(include_url=False, include_input=False, include_context=False)[0]
            where = ".".join(str(part) for part in first["loc"]) or "request"
            status = 400 if first["type"] == "json_invalid" else 422
            raise Refused(status, words.clean(f"{where}: {first['msg']}", 200)) from None
        said = body.model_dump(exclude_defaults=True)
        try:
            async with asyncio.timeout(10.0):
                asking = board.visitor.ask(**said, by=f"{session.name} (page)")
                async with contextlib.aclosing(asking):  # type: ignore[type-var]
                    async for answer in asking:
                        shown = {"final": answer.final, "code": answer.code, "text": answer.text}
                        if answer.code == 0:
                            return JSONResponse(shown)
                        status = 422 if answer.code == 2 else 409
                        return JSONResponse({"text": answer.text}, status)
        except (NoBridge, NoBroker, TimeoutError) as error:
            raise Refused(503, str(error) or "no answer came") from None
        raise Refused(503, "no answer came")

    async def health(self, request: Request) -> Response:
        sets = {name: board.visitor.sure for name, board in self.boards.items()}
        broker = all(board.visitor.up for board in self.boards.values())
        good = broker and all(sets.values())
        return JSONResponse({"good": good, "broker": broker, "sets": sets}, 200 if good else 503)

    async def authority(self, request: Request) -> Response:
        """Who vouches for this page, for a phone to keep; public by its nature."""
        path = self.settings.panel.ca
        try:
            text = path.read_bytes() if path is not None else None
        except OSError:
            text = None
        if text is None:
            raise Refused(404, "this page has no authority of its own")
        return Response(text, media_type="application/x-x509-ca-cert")

    async def manifest(self, request: Request) -> Response:
        icons = [
            {"src": "/static/icon.svg", "type": "image/svg+xml", "sizes": "any"},
            {"src": "/static/icon-192.png", "type": "image/png", "sizes": "192x192"},
        ]
        titles = [profile.title or profile.name for profile in self.profiles]
        said = {
            "name": titles[0] if len(titles) == 1 else "studiobridge",
            "short_name": "studiobridge",
            "start_url": "/",
            "display": "standalone",
            "background_color": "#15120f",
            "theme_color": "#15120f",
            "icons": icons,
        }
        return JSONResponse(said, media_type="application/manifest+json")


def whole(text: str) -> int | None:
    """A whole number as it stands in an address: eight plain digits at most, else None."""
    return int(text) if re.fullmatch("[0-9]{1,8}", text) else None


# ---- rows --------------------------------------------------------------------------------


def _iso(at: float) -> str:
    from datetime import UTC, datetime

    moment = datetime.fromtimestamp(at, UTC).isoformat(timespec="milliseconds")
    return moment.replace("+00:00", "Z")


def _with_times(row: Mapping[str, Any]) -> dict[str, Any]:
    times = ("at", "opened", "ready", "closed")
    return {k: _iso(v) if k in times and isinstance(v, float) else v for k, v in row.items()}


def _csv(rows: Sequence[Mapping[str, Any]]) -> Response:
    out = io.StringIO()
    heads = list(dict.fromkeys(key for row in rows for key in row))
    writer = csv.DictWriter(out, heads, lineterminator="\r\n")
    writer.writeheader()
    # a cell that a spreadsheet would run is text to it with an apostrophe in front
    writer.writerows(
        {k: f"'{v}" if isinstance(v, str) and v[:1] in "=+-@\t" else v for k, v in row.items()}
        for row in rows
    )
    return PlainTextResponse(out.getvalue(), media_type="text/csv; charset=utf-8")


def _said(entry: Mapping[str, Any]) -> str:
    """One line of a session, in words."""
    if entry["kind"] == "light":
        return words.light_note(entry)
    parts = {
        "request": ("by", "what", "phase"),
        "run": ("what", "phase"),
        "step": ("device", "action", "value", "phase"),
        "drift": ("device", "point", "phase", "how"),
        "fault": ("device", "text"),
        "lockout": ("target", "phase", "by"),
        "rolling": ("device", "rolling"),
        "by hand": ("device", "by"),
        "state": ("state",),
    }[str(entry["kind"])]
    values = []
    for part in parts:
        value = entry.get(part)
        if part == "phase" and entry["kind"] == "step":
            value = words.phase_of(entry)
        if part == "action":
            value = words.action_of(entry)
        if part == "rolling":
            value = "rolls" if value else "stopped"
        if value not in (None, ""):
            values.append(str(value))
    return f"{entry['kind']}: {' '.join(values)}"


def _then_and_now(name: str, then: Mapping[str, Any], now: Mapping[str, Any]) -> dict[str, str]:
    """A device at two moments, and what to do to be back at the first."""
    difference = []
    before, after = words.number(then.get("level")), words.number(now.get("level"))
    if before and after and abs(before - after) >= 0.05:
        # the level itself: what a dial or a fixture is set to, whatever its curve
        difference.append(f"{words.signed(stops(after, before), 2)} stop of level")
    elif before is not None and after is not None and (before == 0) != (after == 0):
        difference.append("lit now, dark then" if after else "dark now, lit then")
    was, is_ = words.number(then.get("cct")), words.number(now.get("cct"))
    if was and is_ and abs(mired(is_) - mired(was)) >= 0.5:
        shift = mired(is_) - mired(was)
        difference.append(f"{abs(shift):.0f} mired {'warmer' if shift > 0 else 'cooler'} now")
    old, new = words.chroma(then.get("colour")), words.chroma(now.get("colour"))
    if old is not None and new is not None and apart(old, new) >= 0.001:
        difference.append(f"{towards(old, new)} now by {apart(old, new):.3f} Δu′v′")
    elif (old is None) != (new is None) and (old or was) and (new or is_):
        difference.append("coloured now, white then" if new else "white now, coloured then")
    return {
        "device": name,
        "then": words.preset(then) or "not known",
        "now": words.preset(now) or "not reported",
        "difference": ", ".join(difference),
    }
