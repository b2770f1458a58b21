"""One light by small steps, from the command line: adjust."""

from __future__ import annotations

from typing import Annotated

import typer

from studiobridge.cli.base import (
    BAD_INPUT,
    JsonOption,
    ProfileOption,
    SetOption,
    SettingsOption,
    Stop,
    app,
    ask_simply,
)


@app.command(
    # a step may begin with a minus and is no option
    context_settings={"ignore_unknown_options": True}
)
def adjust(
    device: Annotated[str, typer.Argument(help="A light of the look that is up.")],
    step: Annotated[
        list[str] | None,
        typer.Argument(help="By how much: +0.1 stop, -0.1 stop, +5 mired (warmer), -5 mired."),
    ] = None,
    keep: Annotated[bool, typer.Option("--keep", help="Keep it so, in the profile.")] = False,
    back: Annotated[bool, typer.Option("--back", help="Back as the look has it.")] = False,
    set_name: SetOption = None,
    profile: ProfileOption = None,
    settings: SettingsOption = None,
    as_json: JsonOption = False,
) -> None:
    """Change one light by a small step; then keep it so, or have it back as it was."""
    said = " ".join(step or ())
    if [bool(said), keep, back].count(True) != 1:
        raise Stop(BAD_INPUT, "say one of: a step like '+0.1 stop' or '-5 mired', --keep, --back")
    if said:
        from studiobridge.profile.wish import read_step

        try:
            read_step(said)
        except ValueError as error:
            raise Stop(BAD_INPUT, str(error)) from None
        ask_simply(
            "adjust", settings, set_name, profile, as_json=as_json, targets=[device], step=said
        )
    else:
        word = "keep" if keep else "restore"
        ask_simply(word, settings, set_name, profile, as_json=as_json, targets=[device])
