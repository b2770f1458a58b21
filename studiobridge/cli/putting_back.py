"""Asks for the look again when a lesson was killed: a small process that outlives it.

What a try did nobody puts back unasked, so a lesson that ends in the middle of it asks for the look
itself, whatever ended it. One that is killed (by the system that has no memory left, by a terminal
that is closed) cannot: its end of a pipe closes then, and this process, which waits at the other,
asks in its place. It needs none of the libraries that a lesson needs, and holds nothing else.
"""

from __future__ import annotations

import asyncio
import contextlib
import json
import sys
from collections.abc import AsyncIterator
from pathlib import Path

OVER = b"over"


@contextlib.asynccontextmanager
async def put_back_if_killed(set_name: str, settings: Path | None) -> AsyncIterator[None]:
    """Whoever leaves this by any way but its death has asked for the look itself."""
    process = await asyncio.create_subprocess_exec(
        *(sys.executable, "-P", "-m", "studiobridge.cli.putting_back"),
        stdin=asyncio.subprocess.PIPE,
        start_new_session=True,  # what ends the lesson from its terminal does not end this
    )
    assert process.stdin is not None
    said = {"set": set_name, "settings": None if settings is None else str(settings.absolute())}
    try:
        process.stdin.write(json.dumps(said).encode() + b"\n")
        await process.stdin.drain()
        yield
    finally:
        with contextlib.suppress(OSError):
            process.stdin.write(OVER)
            process.stdin.close()
        await process.wait()


async def _put_back(set_name: str, settings_file: Path | None) -> str:
    from studiobridge.bridge.asking import Asker, NoBridge, NoBroker
    from studiobridge.cli.base import settings_or_stop
    from studiobridge.witness.session import restore

    try:
        async with Asker(settings_or_stop(settings_file), set_name, devices=False) as asker:
            await asker.need_bridge()
            return await restore(asker)
    except (NoBridge, NoBroker) as error:
        return f"the lights are as the lesson left them ({error}): ask for `restore`"


def main() -> None:
    """Wait for the end of the lesson."""
    import signal

    signal.signal(signal.SIGHUP, signal.SIG_IGN)
    said = json.loads(sys.stdin.buffer.readline() or b"{}")
    if sys.stdin.buffer.read() == OVER or "set" not in said:
        return
    file = said["settings"]
    left = asyncio.run(_put_back(said["set"], None if file is None else Path(file)))
    with contextlib.suppress(OSError):  # its terminal may be gone, too
        print(f"\nthe lesson was killed; {left or 'the look is asked for again'}", file=sys.stderr)


if __name__ == "__main__":
    main()
