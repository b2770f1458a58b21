"""The commands: they parse, call and print, nothing more.

What lives here: the command line, the drawing of a run in the terminal and as a picture, and
the rehearsal's evening. What may never come in: anything that decides about the gear; what a
command asks for goes through the request channel like everybody else's request.
May import every room, and imports late: `--help` costs little more than importing typer.

Exit codes: 0 done, 1 the set did not get there, 2 bad input, 3 no broker or no bridge.
"""

import contextlib
import os
import sys


def main() -> None:
    """The entry point. What it needs is imported in here: Ctrl-C may come as early as that."""
    try:
        from studiobridge.cli import app
    except KeyboardInterrupt:
        sys.exit(130)
    try:
        app.main()
    finally:
        _without_what_works(sys.exc_info()[1])


# So long (s) a look at a picture that is under way is waited for when a command ends.
LAST_LOOK = 3.0


def _without_what_works(end: BaseException | None) -> None:
    """Where a thread beside still works, Python cannot end by itself: end it here."""
    beside = sys.modules.get("studiobridge.witness.beside")
    if beside is None or not isinstance(end, SystemExit) or beside.at_rest(LAST_LOOK):
        return
    for stream in (sys.stdout, sys.stderr):
        with contextlib.suppress(OSError, ValueError):
            stream.flush()
    os._exit(end.code if isinstance(end.code, int) else end.code is not None)


__all__ = ["main"]
