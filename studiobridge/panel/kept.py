"""What a browser keeps of the page: files that never change, icons, the name it is installed by.

The address of a static file has the stamp of all of them in it, so that a file may be kept for
good and a new version is another address; modules import each other by relative names and stay
within one version. A page that is not reached any more shows one page of its own, from the
browser's store, that says since when: never a state, which would be an old one.
"""

from __future__ import annotations

import hashlib
import json
from functools import cache
from pathlib import Path

from starlette.requests import Request
from starlette.responses import JSONResponse, PlainTextResponse, Response
from starlette.routing import BaseRoute, Mount, Route
from starlette.staticfiles import StaticFiles
from starlette.types import Scope

from studiobridge.panel.house import House

STATIC = Path(__file__).parent / "static"
# A year: as long as RFC 9111 caches are asked to believe (common practice with `immutable`).
FOR_GOOD = "public, max-age=31536000, immutable"
# Kept, and asked about each time: by its ETag the answer is a few bytes.
ASK_AGAIN = "no-cache"
# What is behind the page while it starts: dark, as the room is (`--paper` of base.css).
GROUND = "#15120f"


@cache
def stamp() -> str:
    """A name for this version of all static files: another one as soon as a byte is another."""
    found = hashlib.sha256()
    for path in sorted(STATIC.iterdir()):
        data = path.read_bytes()
        found.update(f"{path.name} {len(data)} ".encode() + data)
    return found.hexdigest()[:12]


def static(name: str) -> str:
    """The address of a static file, for a page."""
    return f"/static/{stamp()}/{name}"


class Files(StaticFiles):
    """Static files, kept for good under the address that has their stamp."""

    async def get_response(self, path: str, scope: Scope) -> Response:
        head, _, name = path.partition("/")
        stamped = name != "" and head == stamp()
        reply = await super().get_response(name if stamped else path, scope)
        if reply.status_code in (200, 304):
            reply.headers["cache-control"] = FOR_GOOD if stamped else ASK_AGAIN
        return reply


class Kept:
    """The routes of what a browser keeps: nobody has to have come in for them."""

    def __init__(self, house: House) -> None:
        self.house = house

    def routes(self) -> list[BaseRoute]:
        return [
            Route("/manifest.webmanifest", self.manifest),
            Route("/worker.js", self.worker),
            Route("/offline", self.offline),
            Mount("/static", Files(directory=STATIC)),
        ]

    async def manifest(self, request: Request) -> Response:
        """Under which name and icons the page is installed (W3C, Web Application Manifest)."""
        titles = [profile.title or profile.name for profile in self.house.profiles]

        def icon(name: str, sizes: str, purpose: str = "any") -> dict[str, str]:
            kind = "image/svg+xml" if name.endswith(".svg") else "image/png"
            return {"src": static(name), "type": kind, "sizes": sizes, "purpose": purpose}

        said = {
            # the same app whatever it starts with, so that a change here is no second one
            "id": "/",
            "scope": "/",
            "start_url": "/",
            "name": titles[0] if len(titles) == 1 else "studiobridge",
            "short_name": "studiobridge",
            "display": "standalone",
            "orientation": "any",
            "background_color": GROUND,
            "theme_color": GROUND,
            "icons": [
                icon("icon.svg", "any"),
                icon("icon-192.png", "192x192"),
                icon("icon-512.png", "512x512"),
                icon("icon-maskable-512.png", "512x512", "maskable"),
            ],
        }
        return JSONResponse(said, media_type="application/manifest+json")

    async def worker(self, request: Request) -> Response:
        """The worker that keeps static files: another text with each version, so it renews itself."""
        names = sorted(p.name for p in STATIC.iterdir() if p.suffix in (".css", ".js", ".svg"))
        files = [static(name) for name in names if name != "worker.js"]
        head = f"const STAMP = {json.dumps(stamp())};\nconst FILES = {json.dumps(files)};\n"
        text = head + (STATIC / "worker.js").read_text(encoding="utf-8")
        headers = {"cache-control": ASK_AGAIN, "service-worker-allowed": "/"}
        return PlainTextResponse(text, media_type="text/javascript", headers=headers)

    async def offline(self, request: Request) -> Response:
        """What is shown when nothing answers: that, and since when. It knows of no set."""
        return self.house.html("offline.html")
