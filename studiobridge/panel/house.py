"""What all pages share: the sets and their boards, whose session it is, and what may be asked."""

from __future__ import annotations

import asyncio
from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime
from typing import Any
from urllib.parse import urlsplit

from limits import RateLimitItem
from limits.storage import MemoryStorage
from limits.strategies import MovingWindowRateLimiter
from starlette.requests import Request
from starlette.responses import (
    HTMLResponse,
)

from studiobridge.bridge.settings import Settings
from studiobridge.panel.board import Board, environment
from studiobridge.panel.files import stamp, static
from studiobridge.panel.keys import Keys, Session, keys_path
from studiobridge.profile.model import SetProfile
from studiobridge.shown.tongue import bare, english, in_force, say, with_languages, zone

COOKIE = "studiobridge"


class Refused(Exception):
    """A request that goes no further. `lang`: of what the bridge said, which is English."""

    def __init__(self, status: int, text: str, lang: str = "") -> None:
        super().__init__(text)
        self.status = status
        self.text = bare(text)
        self.lang = lang or in_force().code


def clock_in_force() -> dict[str, Any]:
    """In which zone a page tells the time: its name where the set has one, and its offset (s)."""
    now = datetime.now(UTC).astimezone(zone())
    offset = now.utcoffset()
    name = str(zone() or "")
    seconds = round(offset.total_seconds()) if offset is not None else 0
    return {"zone": name, "offset": seconds, "said": f"UTC{now.isoformat()[-6:]}"}


@dataclass(slots=True)
class House:
    """Everything the pages need."""

    settings: Settings
    profiles: Sequence[SetProfile]
    secure: bool
    hosts: Sequence[str]
    keys: Keys = field(init=False)
    boards: dict[str, Board] = field(default_factory=dict)
    limits: MovingWindowRateLimiter = field(init=False)
    _pages: Any = field(init=False)
    stopping: asyncio.Event = field(init=False)

    def __post_init__(self) -> None:
        self.keys = Keys(keys_path(self.settings.data))
        self.limits = MovingWindowRateLimiter(MemoryStorage())
        self._pages = environment()
        self.stopping = asyncio.Event()

    def session(self, request: Request) -> Session:
        """Whose session this is. Raises Refused."""
        found = self.keys.session(request.cookies.get(COOKIE))
        if found is None:
            raise Refused(401, say("no session: pair this page first"))
        return found

    def board(self, request: Request) -> Board:
        found = self.boards.get(request.path_params["set"])
        if found is None:
            raise Refused(404, say("this panel has no such set"))
        return found

    def own(self, request: Request) -> None:
        """Does this come from our own pages? Raises Refused."""
        site = request.headers.get("sec-fetch-site", "same-origin")
        origin = request.headers.get("origin")
        if site not in ("same-origin", "none"):
            raise Refused(403, say("this came from another site"))
        try:
            ours = origin is None or urlsplit(origin).netloc == request.headers.get("host")
        except ValueError:
            ours = False
        if not ours:
            raise Refused(403, say("this came from another site"))

    def within(self, limit: RateLimitItem, *who: str) -> None:
        if not self.limits.hit(limit, *who):
            raise Refused(
                429, say("too many tries: {limit}; wait a little", limit=english(str(limit)))
            )

    def html(self, template: str, status: int = 200, **more: Any) -> HTMLResponse:
        more = {"version": stamp(), "static": static, "clock": clock_in_force(), **more}
        text = self._pages.get_template(template).render(**more)
        return HTMLResponse(with_languages(text), status)
