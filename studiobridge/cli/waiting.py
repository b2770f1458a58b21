"""A line that says in a terminal what is waited for, and for how long already."""

from __future__ import annotations

import asyncio
import contextlib
import os
import sys
import time
from collections.abc import AsyncIterator, Callable

from studiobridge.cli import show
from studiobridge.shown import words

# What is there sooner (s) needs no line; after that it is written anew so often (s).
SOON, EVERY = 0.4, 1.0


def _no_more() -> str:
    return ""


@contextlib.asynccontextmanager
async def waiting(doing: str, more: Callable[[], str] = _no_more) -> AsyncIterator[None]:
    """`looking … 4 s`, and what `more` has to say of it; gone when it is over. No pipe gets it."""
    if not sys.stderr.isatty() or os.environ.get("TERM", "") == "dumb":
        yield
        return
    task = asyncio.create_task(_drawn(doing, more))
    try:
        yield
    finally:
        task.cancel()
        with contextlib.suppress(asyncio.CancelledError):
            await task
        sys.stderr.write("\r\033[K")
        sys.stderr.flush()


async def _drawn(doing: str, more: Callable[[], str]) -> None:
    began = time.monotonic()
    await asyncio.sleep(SOON)
    while True:
        said = f"  {doing} … {time.monotonic() - began:.0f} s"
        if why := more():
            said += f" ({why})"
        sys.stderr.write(f"\r\033[K{words.clean(said, show.width() - 1)}")
        sys.stderr.flush()
        await asyncio.sleep(EVERY)
