"""Work in a thread beside the loop, which may be left alone when it does not end.

Python must not come to its end under such a thread: while it is inside of a library (OpenCV,
OpenBLAS) the process then stands still for ever or falls over, now and then. Who ends asks
`at_rest` before, and ends without Python's help where it says no; `cli.main` does so.
"""

from __future__ import annotations

import asyncio
import contextlib
import threading
import time
from collections.abc import Callable
from typing import Any

# A look takes a twentieth of a second; one that takes so long (s) does not end.
LOOK_WITHIN = 20.0

_working: set[threading.Thread] = set()


class Hangs(Exception):
    """It did not end."""


def at_rest(within: float) -> bool:
    """Whether no thread works any more, waited for so long (s) at most."""
    until = time.monotonic() + within
    for thread in list(_working):
        thread.join(max(0.0, until - time.monotonic()))
    return not any(thread.is_alive() for thread in list(_working))


async def in_thread(work: Callable[..., Any], *values: Any, within: float = LOOK_WITHIN) -> Any:
    """Run it beside the loop. Unlike the loop's own threads, nobody waits for it at the end.

    Raises Hangs after `within` (s), and what the work raises.
    """
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
        _working.discard(threading.current_thread())

    thread = threading.Thread(target=run, daemon=True)
    _working.add(thread)
    thread.start()
    try:
        async with asyncio.timeout(within):
            return await done
    except TimeoutError:
        raise Hangs from None
