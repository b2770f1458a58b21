"""`setup`: a set put up and struck, in the order in which one person does it."""

from __future__ import annotations

from typing import Annotated

import typer

from studiobridge.cli import show
from studiobridge.cli.base import BAD_INPUT, JsonOption, LookOption, ProfileArgument, Stop, app
from studiobridge.cli.base import read_or_stop as read
from studiobridge.shown import words


@app.command()
def setup(
    profile: ProfileArgument,
    look: LookOption = None,
    strike: Annotated[
        bool, typer.Option("--strike", help="The way back: off, cold, down, into the car.")
    ] = False,
    as_json: JsonOption = False,
) -> None:
    """Put the set up: what stands first and where, aims, what a meter reads. Touches nothing."""
    from studiobridge.cli.readings import not_computed, plain
    from studiobridge.control.plan import UnknownLook, presets_of
    from studiobridge.figures.light import light_of
    from studiobridge.figures.setup import setup_of
    from studiobridge.shown import setup as shown

    made = read(profile).profile
    try:
        presets = presets_of(made, look)
    except UnknownLook as error:
        raise Stop(BAD_INPUT, str(error)) from None
    name = look or made.default_look
    light = light_of(made, name, presets)
    found = setup_of(made, name, presets, light)
    sections = shown.strike(made, found) if strike else shown.up(made, found, light)
    if as_json:
        lines = [
            {"title": s.title, "lines": [{"about": a, "text": t} for a, t in s.lines]}
            for s in sections
        ]
        show.print_json({**plain(found), "sections": lines, "cautions": list(shown.CAUTIONS)})
        return
    doing = "striking it" if strike else "putting it up"
    show.out(f"{words.clean(made.title or made.name)}, look {name or '(none)'}: {doing}")
    n = 0
    for section in sections:
        show.out()
        show.out(section.title)
        for about, text in section.lines:
            n += 1
            show.out(f"{n:3d}  {words.clean(about, 60)}: {words.clean(text, 2000)}")
    not_computed(found.missing)
    show.out()
    for caution in shown.CAUTIONS:
        show.out(caution)
