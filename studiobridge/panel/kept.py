"""What a browser keeps of the page: the name and icons it is installed by, and a worker.

A page that is not reached any more shows one page of its own, from the browser's store, that says
since when: never a state, which would be an old one.
"""

from __future__ import annotations

import json

from starlette.requests import Request
from starlette.responses import JSONResponse, PlainTextResponse, Response
from starlette.routing import BaseRoute, Mount, Route

from studiobridge.panel.files import ASK_AGAIN, STATIC, Files, stamp, static
from studiobridge.panel.house import House

# What is behind the page while it starts: dark, as the room is (`--paper` of base.css).
GROUND = "#15120f"


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
        """The worker that keeps static files: with each version another text, which renews it."""
        names = sorted(p.name for p in STATIC.iterdir() if p.suffix in (".css", ".js", ".svg"))
        files = [static(name) for name in names if name != "worker.js"]
        head = f"const STAMP = {json.dumps(stamp())};\nconst FILES = {json.dumps(files)};\n"
        text = head + (STATIC / "worker.js").read_text(encoding="utf-8")
        headers = {"cache-control": ASK_AGAIN, "service-worker-allowed": "/"}
        return PlainTextResponse(text, media_type="text/javascript", headers=headers)

    async def offline(self, request: Request) -> Response:
        """What is shown when nothing answers: that, and since when. It knows of no set."""
        return self.house.html("offline.html")
