"""`rehearse`: a whole evening with simulated gear."""

from __future__ import annotations

import asyncio
from typing import Annotated

import typer

from studiobridge.cli.base import (
    BAD_INPUT,
    LookOption,
    ProfileArgument,
    Stop,
    app,
    loaded,
    read_or_stop,
    settings_or_stop,
)


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
    try:
        import iotcore  # noqa: F401
    except ImportError:
        raise Stop(
            BAD_INPUT, "a rehearsal brings its own broker: pip install 'studiobridge[rehearsal]'"
        ) from None
    from studiobridge.cli import pages
    from studiobridge.cli.evening import rehearse_evening

    port = None
    if page:
        found = settings_or_stop(None)
        pages.keys_of(found)
        port = found.panel.port
    loaded()
    raise typer.Exit(
        asyncio.run(rehearse_evening(profile, reading.profile, pace, stay, look, port))
    )
