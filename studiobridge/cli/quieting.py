"""The command that makes gear quiet for a while, and brings it back."""

from __future__ import annotations

from typing import Annotated

import typer

from studiobridge.cli.base import (
    BAD_INPUT,
    DevicesArgument,
    JsonOption,
    ProfileOption,
    SetOption,
    SettingsOption,
    Stop,
    app,
    ask_simply,
)


@app.command()
def quiet(
    devices: DevicesArgument = None,
    for_: Annotated[
        str, typer.Option("--for", help="For how long at most: '20 min'. It comes back by itself.")
    ] = "",
    over: Annotated[bool, typer.Option("--over", help="Bring it back now.")] = False,
    set_name: SetOption = None,
    profile: ProfileOption = None,
    settings: SettingsOption = None,
    as_json: JsonOption = False,
) -> None:
    """Switch off what is off during takes only (`quiet:` in the profile), for a while."""
    if over and for_:
        raise Stop(BAD_INPUT, "--over brings it back now: say it without --for")
    more = {"targets": devices, **({"for": for_} if for_ else {})}
    what = "quiet_off" if over else "quiet_on"
    ask_simply(what, settings, set_name, profile, as_json=as_json, **more)
