"""Work that takes long, beside the loop: the broker is answered meanwhile."""

from __future__ import annotations

import asyncio
import contextlib
import threading
from collections.abc import Callable
from typing import Any

# A look takes a twentieth of a second; one that takes so long (s) does not end.
LOOK_WITHIN = 20.0


class Hangs(Exception):
    """A look did not end."""


async def in_thread(work: Callable[..., Any], *values: Any) -> Any:
    """Run it beside the loop. Unlike the loop's own threads, nobody waits for it at the end."""
    loop = asyncio.get_running_loop()
    done: asyncio.Future[Any] = loop.create_future()

    def finish(result: Any, error: BaseException | None) -> None:
        if done.done():
            return
        if error is not None:
            done.set_exception(error)
        else:
            done.set_result(result)

    def run() -> None:
        result, error = None, None
        try:
            result = work(*values)
        except BaseException as found:
            error = found
        with contextlib.suppress(RuntimeError):  # the loop has ended meanwhile
            loop.call_soon_threadsafe(finish, result, error)

    threading.Thread(target=run, daemon=True).start()
    try:
        async with asyncio.timeout(LOOK_WITHIN):
            return await done
    except TimeoutError:
        raise Hangs from None
