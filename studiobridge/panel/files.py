"""Static files: their addresses have the stamp of all of them, so that a file is kept for good.

A new version is another address; modules import each other by relative names and so stay within
one version. Without the stamp a file is asked about each time, and by its ETag that is all.
"""

from __future__ import annotations

import hashlib
from functools import cache
from pathlib import Path

from starlette.responses import Response
from starlette.staticfiles import StaticFiles
from starlette.types import Scope

STATIC = Path(__file__).parent / "static"
# A year: as long as RFC 9111 caches are asked to believe (common practice with `immutable`).
FOR_GOOD = "public, max-age=31536000, immutable"
# Kept, and asked about each time: by its ETag the answer is a few bytes.
ASK_AGAIN = "no-cache"


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
