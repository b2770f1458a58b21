"""`explain`: what a key of a profile is for, from the same texts that an editor shows."""

from __future__ import annotations

import dataclasses
import textwrap
from itertools import groupby
from typing import Annotated

import typer

from studiobridge.cli import show
from studiobridge.cli.base import BAD_INPUT, JsonOption, Stop, app
from studiobridge.shown import words


@app.command()
def explain(
    key: Annotated[
        str | None,
        typer.Argument(help="A key, like boots_in; hear.topic; or a place, like device."),
    ] = None,
    as_json: JsonOption = False,
) -> None:
    """What a key of a profile is for: its unit, range, default. Without one: all of them."""
    from studiobridge.profile.explained import every_key, explained, near

    found = list(every_key()) if key is None else explained(key)
    if not found:
        asked = words.clean(key or "", 60)
        close = near(key or "")
        todo = f"did you mean {', '.join(close)}?" if close else "`explain` lists all"
        raise Stop(BAD_INPUT, f"a profile has no key '{asked}': {todo}")
    if as_json:
        show.print_json([dataclasses.asdict(one) for one in found])
        return
    whole = key is not None and any(one.key == key.rpartition(".")[2] for one in found)
    for where, keys in groupby(found, key=lambda one: one.where):
        show.out(where)
        for one in keys:
            said = [one.what, *one.details()] if whole else [one.what]
            line = f"  {one.key}: {' '.join(said)}"
            show.out(textwrap.fill(line, show.width(), subsequent_indent=" " * 6))
