"""The commands, each in its module; here they come together, and end with our exit codes."""

from __future__ import annotations

import contextlib
import gc
import io
import os
import sys
from importlib import import_module
from typing import Any

import typer

from studiobridge.cli import base, show

# Which module has which commands: who names one waits for its module alone, and for --help
# they all come, in this order.
COMMANDS = {
    "profiles": ("check", "plan", "light", "mains", "room", "sheet", "schema", "version"),
    "setting_up": ("setup",),
    "explaining": ("explain",),
    "balancing": ("balance",),
    "shutters": ("shutter",),
    "hearing": ("listen",),
    "meeting": ("meet",),
    "running": (
        *("run", "up", "down", "restore", "keep"),
        *("cut", "lockout", "release", "rolling"),
    ),
    "quieting": ("quiet",),
    "looks": ("look",),
    "asking": ("ask",),
    "trying": ("try",),
    "adjusting": ("adjust",),
    "measuring": ("measure",),
    "drafting": ("draft",),
    "hand": ("by-hand",),
    "watching": ("status", "drift", "watch", "record"),
    "taking": ("takes",),
    "pages": ("panel",),
    "rehearsing": ("rehearse", "touch"),
    "before": ("before", "after"),
    "witnessing": ("witness",),
}


def load(command: str = "") -> None:
    """Import the module of a command, which makes it one; every module where none has it."""
    found = [module for module, names in COMMANDS.items() if command in names]
    for module in found or COMMANDS:
        import_module(f"studiobridge.cli.{module}")


def __getattr__(name: str) -> Any:
    if name != "app":
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    load()
    return base.app


def _unwritten() -> None:
    """Python writes what is left of the output once more as it ends, and then ends with 120."""
    with contextlib.suppress(OSError, ValueError):
        sys.stdout.flush()
        return
    with contextlib.suppress(OSError, ValueError):
        nowhere = os.open(os.devnull, os.O_WRONLY)
        os.dup2(nowhere, sys.stdout.fileno())
        os.close(nowhere)


def main() -> None:
    """The entry point: typer, with our exit codes and no traceback for bad input."""
    # nobody else looks into what we read, and who might is not searched for
    os.environ.setdefault("PYDANTIC_DISABLE_PLUGINS", "__all__")
    code: object = 0
    for stream in (sys.stdout, sys.stderr):
        # a sign that a terminal of another alphabet does not have ends nothing
        if isinstance(stream, io.TextIOWrapper):
            stream.reconfigure(errors="replace")
    try:
        load(*sys.argv[1:2])
        code = base.app(standalone_mode=False)
    except typer.Exit as end:
        sys.exit(end.exit_code)
    except typer.Abort:
        show.fail("interrupted")
        sys.exit(130)
    except base.Stop as stop:
        if str(stop):
            show.fail(str(stop))
        sys.exit(stop.code)
    except KeyboardInterrupt:
        sys.exit(130)
    except BrokenPipeError:
        _unwritten()
        sys.stderr.close()
        sys.exit(0)
    except SystemExit as end:
        # typer ends with 1 when whoever read has read enough (`| head`): nothing failed
        sys.exit(0 if isinstance(end.__context__, BrokenPipeError) else end.code)
    except OSError as error:
        # a full disk, say, under what is written out
        _unwritten()
        show.fail(f"studiobridge: {error.strerror or error}")
        sys.exit(base.BAD_INPUT)
    except Exception as error:
        # typer carries click's usage errors; they know how to say themselves
        if not hasattr(error, "format_message"):
            raise
        from studiobridge.cli import usage

        show.fail(usage.said(error))
        sys.exit(base.BAD_INPUT)
    finally:
        gc.freeze()  # a process that ends need not be searched for what it no longer needs
    sys.exit(code if isinstance(code, int) else 0)
