"""One command for other programs: ask a set for anything, and have its answers line by line."""

from __future__ import annotations

import json
from typing import TYPE_CHECKING, Annotated

import typer

from studiobridge.cli import show
from studiobridge.cli.base import (
    BAD_INPUT,
    NOT_THERE,
    ForceOption,
    JsonOption,
    LookOption,
    ProfileOption,
    SetOption,
    SettingsOption,
    Stop,
    app,
    leaving,
    run_asking,
    settings_or_stop,
    which_set,
    with_asker,
)
from studiobridge.shown import words

if TYPE_CHECKING:
    from studiobridge.bridge.asking import Asker

GOES_ON = "this command ends; what was asked for goes on in the bridge"


@app.command()
def ask(
    what: Annotated[str, typer.Argument(help="up, down, restore, ping … as on MQTT.")],
    look: LookOption = None,
    targets: Annotated[
        list[str] | None,
        typer.Option("--targets", help="Devices or circuits: a,b,c; may be said again."),
    ] = None,
    items: Annotated[
        list[str] | None, typer.Option("--items", help="tick, untick: a line; may be said again.")
    ] = None,
    by: Annotated[str, typer.Option(help="Who asks, for the record.")] = "",
    why: Annotated[str, typer.Option(help="Why (a lockout needs it).")] = "",
    title: Annotated[str, typer.Option(help="save_look: a title.")] = "",
    force: ForceOption = False,
    yes: Annotated[
        bool, typer.Option("--yes", help="cut needs it; down: no camera rolls.")
    ] = False,
    everything: Annotated[bool, typer.Option(help="down: chargers and network too")] = False,
    replace: Annotated[
        bool, typer.Option("--replace", help="save_look: over one there is.")
    ] = False,
    strict: Annotated[bool, typer.Option("--strict", help="save_look: all of it or none.")] = False,
    take: Annotated[
        int | None, typer.Option(min=1, max=10**9, help="mark, match: which; else the last.")
    ] = None,
    mark: Annotated[str, typer.Option(help="mark: good, again, or nothing for neither.")] = "",
    step: Annotated[
        str | None, typer.Option(help="adjust: by how much, '+0.1 stop' or '-5 mired'.")
    ] = None,
    set_name: SetOption = None,
    profile: ProfileOption = None,
    settings: SettingsOption = None,
    as_json: JsonOption = False,
) -> None:
    """Ask the bridge that runs a set for anything, and print its answers. For other programs."""
    from typing import get_args

    from studiobridge.control.events import Asked

    if what not in get_args(Asked):
        known = ", ".join(get_args(Asked))
        raise Stop(BAD_INPUT, f"nothing is asked for with '{words.clean(what, 40)}': {known}")
    if mark not in ("", "good", "again"):
        raise Stop(BAD_INPUT, f"a take is good or again, not '{words.clean(mark, 40)}'")
    loaded = settings_or_stop(settings)
    name, _ = which_set(loaded, set_name, profile)
    names = [part.strip() for entry in targets or () for part in entry.split(",") if part.strip()]
    more = {
        "look": look,
        "targets": names,
        "items": items or [],
        "why": why,
        "title": title,
        "force": force,
        "yes": yes,
        "everything": everything,
        "replace": replace,
        "strict": strict,
        "take": take,
        "mark": mark,
        "step": step,
    }
    if by:
        more["by"] = by

    async def use(asker: Asker) -> int:
        await asker.need_bridge()
        code = NOT_THERE
        with leaving(GOES_ON):
            async for answer in asker.ask(what, **more):
                if as_json:
                    said = {
                        "id": answer.request_id,
                        "final": answer.final,
                        "code": answer.code,
                        "text": answer.text,
                        "detail": dict(answer.detail),
                    }
                    show.out(json.dumps(said, ensure_ascii=False, allow_nan=False))
                else:
                    text = words.clean(answer.text, 2000)
                    (show.out if answer.code == 0 else show.fail)(text)
                if answer.final:
                    code = answer.code
        return code

    run_asking(with_asker(loaded, name, use))
