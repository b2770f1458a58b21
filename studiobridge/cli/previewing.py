"""`look preview`: a look as the camera would show it, without touching a lamp."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from studiobridge.cli import show
from studiobridge.cli.base import (
    BAD_INPUT,
    JsonOption,
    ProfileOption,
    SetOption,
    SettingsOption,
    Stop,
    to_install,
)
from studiobridge.shown import words


def preview_look(
    name: Annotated[str, typer.Argument(help="The name of the look.")],
    out: Annotated[Path, typer.Option("--output", "-o", help="The picture: FILE.png or .jpg.")],
    lights: Annotated[
        list[str] | None,
        typer.Option(
            "--light",
            help="One light otherwise: key=50%, 'key=+0.3 stop'; may be said again.",
        ),
    ] = None,
    set_name: SetOption = None,
    profile: ProfileOption = None,
    settings: SettingsOption = None,
    as_json: JsonOption = False,
) -> None:
    """A look as the camera would show it, from the pictures it was learned with. No bridge."""
    from importlib.util import find_spec

    from studiobridge.cli.looks import reading_of
    from studiobridge.control.plan import no_such_look

    if any(find_spec(library) is None for library in ("numpy", "scipy", "cv2")):
        raise Stop(BAD_INPUT, f"the witness needs more: {to_install('witness')}")
    from studiobridge.witness import foreseen, keeping, stored

    reading = reading_of(profile, set_name, settings)
    found, file = reading.profile, reading.path
    look = found.looks.get(name)
    if look is None:
        raise Stop(BAD_INPUT, no_such_look(words.clean(name, 60), found.looks))
    changes = _changes(lights or [])
    folder = keeping.folder_of(file if file is not None else Path(f"{found.name}.yaml"))
    try:
        learned = keeping.load(folder)
    except FileNotFoundError:
        what = f"{found.name} was not learned yet: nothing is in {folder}"
        raise Stop(
            BAD_INPUT, f"{what}; `studiobridge witness learn` sees each lamp alone"
        ) from None
    except stored.CannotRead as error:
        raise Stop(BAD_INPUT, str(error)) from None
    if learned.set_name != found.name:
        what = f"{folder} was learned of '{learned.set_name}', not of '{found.name}'"
        raise Stop(BAD_INPUT, f"{what}; `studiobridge witness learn` sees each lamp alone")
    try:
        made = foreseen.foreseen(learned, found, look.presets, changes)
        content = foreseen.written(made.codes, out.suffix)
    except ValueError as error:
        raise Stop(BAD_INPUT, str(error)) from None
    try:
        out.write_bytes(content)
    except OSError as error:
        raise Stop(BAD_INPUT, f"{out}: {error.strerror or error}") from None
    if as_json:
        shown = {
            light: {"share_of_full": round(at.amount or 0.0, 4), "cct": at.cct}
            for light, at in made.lights.items()
        }
        show.print_json(
            {
                "look": name,
                "picture": str(out),
                "learned": learned.made,
                "lights": shown,
                "missing": list(made.missing),
                "note": foreseen.CAUTION,
            }
        )
        return
    show.out(f"{words.clean(name)}: {out}")
    for line in made.missing:
        show.out(f"  {words.clean(line, 120)}")
    show.out(f"{foreseen.CAUTION} (learned {words.moment(learned.made, date=True)})")


def _changes(said: list[str]) -> dict[str, str]:
    found = {}
    for one in said:
        light, equals, value = one.partition("=")
        if not equals or not light.strip() or not value.strip():
            what = f"--light {words.clean(one, 60)!r} is no light with a value"
            raise Stop(BAD_INPUT, f"{what}; write it like key=50%")
        found[light.strip()] = value
    return found
