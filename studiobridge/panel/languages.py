"""Which language a page speaks, and in which zone its times are: settled once for a request."""

from __future__ import annotations

import zoneinfo
from collections.abc import Callable, Mapping, Sequence
from datetime import tzinfo

from starlette.requests import HTTPConnection
from starlette.types import ASGIApp, Receive, Scope, Send

from studiobridge.panel.texts import tongues
from studiobridge.profile.model import SetProfile
from studiobridge.shown.tongue import ENGLISH, Tongue, speaking

COOKIE = "studiobridge-language"
COOKIE_LASTS = 400 * 86400  # as long as browsers keep one


def wanted(header: str, known: Mapping[str, Tongue]) -> Tongue:
    """The language an Accept-Language header (RFC 9110, 12.5.4) likes best; else English."""
    best, found = 0.0, ENGLISH
    for part in header[:500].split(","):
        tag, _, more = part.partition(";")
        name, _, weight = more.partition("=")
        try:
            liked = float(weight) if name.strip() == "q" else 1.0
        except ValueError:
            continue
        # RFC 4647, 3.4: a tag is cut from its end until something fits
        bits = tag.strip().lower().split("-")
        fits = ("-".join(bits[:n]) for n in range(len(bits), 0, -1))
        tongue = next((known[bit] for bit in fits if bit in known), None)
        if tongue is not None and best < liked <= 1.0:
            best, found = liked, tongue
    return found


def of(connection: HTTPConnection) -> Tongue:
    """What was chosen on this page, else what its browser asks for."""
    known = tongues()
    chosen = known.get(connection.cookies.get(COOKIE, ""))
    return chosen or wanted(connection.headers.get("accept-language", ""), known)


def zone_of(profile: SetProfile | None) -> tzinfo | None:
    """The zone of a set; None for the panel's own."""
    if profile is None or profile.time_zone is None:
        return None
    return zoneinfo.ZoneInfo(profile.time_zone)


class Spoken:
    """All that is said while a request is answered: in its language, in the zone of its set."""

    def __init__(self, app: ASGIApp, profiles: Callable[[], Sequence[SetProfile]]) -> None:
        self.app = app
        self.profiles = profiles

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] != "http":
            await self.app(scope, receive, send)
            return
        # `/s/SET/…` and `/api/sets/SET/…`
        steps = scope["path"].split("/")
        names = steps[2:3] if steps[1:2] == ["s"] else steps[3:4]
        profiles = self.profiles()
        profile = next((p for p in profiles if [p.name] == names), None)
        if profile is None and len({p.time_zone for p in profiles}) == 1:
            profile = profiles[0]  # all sets are in one zone, so what is said of all is too
        with speaking(of(HTTPConnection(scope)), zone_of(profile)):
            await self.app(scope, receive, send)
