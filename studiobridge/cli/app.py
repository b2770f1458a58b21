"""The commands, each in its module; here they come together, and end with our exit codes."""

from __future__ import annotations

import asyncio
import sys
from typing import Annotated

import typer

from studiobridge.cli import asking, drafting, hand, looks, pages, profiles, running, show, watching
from studiobridge.cli.base import (
    BAD_INPUT,
    LookOption,
    ProfileArgument,
    Stop,
    app,
    read_or_stop,
    settings_or_stop,
)


def main() -> None:
    """The entry point: typer, with our exit codes and no traceback for bad input."""
    code: object = 0
    try:
        code = app(standalone_mode=False)
    except typer.Exit as end:
        sys.exit(end.exit_code)
    except typer.Abort:
        show.fail("interrupted")
        sys.exit(130)
    except Stop as stop:
        if str(stop):
            show.fail(str(stop))
        sys.exit(stop.code)
    except KeyboardInterrupt:
        sys.exit(130)
    except BrokenPipeError:
        sys.stderr.close()
        sys.exit(0)
    except Exception as error:
        # typer carries click's usage errors; they know how to say themselves
        shown = getattr(error, "format_message", None)
        if shown is None:
            raise
        show.fail(f"studiobridge: {shown()}")
        sys.exit(BAD_INPUT)
    sys.exit(code if isinstance(code, int) else 0)


@app.command()
def rehearse(
    profile: ProfileArgument,
    pace: Annotated[
        float, typer.Option(min=0.1, max=50.0, help="How much faster than the gear's own times.")
    ] = 2.0,
    stay: Annotated[bool, typer.Option(help="Bridge and gear go on, to try commands.")] = False,
    look: LookOption = None,
    page: Annotated[
        bool, typer.Option("--page", help="Serve the page and let you play the evening on it.")
    ] = False,
) -> None:
    """Play a whole evening against simulated gear: no gear, no broker, nothing left running."""
    reading = read_or_stop(profile)
    from studiobridge.cli.evening import rehearse_evening

    port = None
    if page:
        found = settings_or_stop(None)
        pages.keys_of(found)
        port = found.panel.port
    raise typer.Exit(
        asyncio.run(rehearse_evening(profile, reading.profile, pace, stay, look, port))
    )


# importing them is what makes them commands
_ = (profiles, running, hand, watching, pages, looks, asking, drafting)
