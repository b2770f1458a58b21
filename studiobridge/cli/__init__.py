"""The commands: they parse, call and print, nothing more.

What lives here: the command line, the drawing of a run in the terminal and as a picture, and
the rehearsal's evening. What may never come in: anything that decides about the gear; what a
command asks for goes through the request channel like everybody else's request.
May import every room, and imports late: `--help` costs little more than importing typer.

Exit codes: 0 done, 1 the set did not get there, 2 bad input, 3 no broker or no bridge.
"""

import sys


def main() -> None:
    """The entry point. What it needs is imported in here: Ctrl-C may come as early as that."""
    try:
        from studiobridge.cli import app
    except KeyboardInterrupt:
        sys.exit(130)
    app.main()


__all__ = ["main"]
