"""Commands around a take: what has to be true before it rolls, what is left after."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated, Any

import typer

from studiobridge.cli import show
from studiobridge.cli.base import (
    BAD_INPUT,
    DONE,
    NOT_THERE,
    JsonOption,
    ProfileOption,
    SetOption,
    SettingsOption,
    Stop,
    app,
    ask_simply,
    run_asking,
    settings_or_stop,
    which_set,
    with_asker,
)
from studiobridge.shown import words

if TYPE_CHECKING:
    from studiobridge.bridge.asking import Asker, Shown
    from studiobridge.shown.before import Row

ItemsArgument = Annotated[
    list[str] | None, typer.Argument(help="What is ticked, by its words or its id.")
]
ByOption = Annotated[str, typer.Option(help="Who ticks it, for the record.")]
OLD = "as it was last seen: the bridge that runs now has not said yet"


@app.command()
def before(
    what: Annotated[
        str | None, typer.Argument(help="tick or untick; left out: say how it stands.")
    ] = None,
    items: ItemsArgument = None,
    by: ByOption = "",
    set_name: SetOption = None,
    profile: ProfileOption = None,
    settings: SettingsOption = None,
    as_json: JsonOption = False,
) -> None:
    """What has to be true before it rolls: 0 when it is good, 1 when not. Stops nobody."""
    if what is not None:
        more = _ticked(what, items, by, "before tick 'lens wiped'")
        ask_simply(what, settings, set_name, profile, as_json, **more)
        return
    loaded = settings_or_stop(settings)
    name, _ = which_set(loaded, set_name, profile)

    async def use(asker: Asker) -> int:
        return _say_before(await asker.need_bridge(), name, as_json)

    run_asking(with_asker(loaded, name, use))


def _ticked(what: str, items: list[str] | None, by: str, example: str) -> dict[str, Any]:
    """What goes with a tick, or its taking off. Raises Stop for any other word."""
    if what not in ("tick", "untick"):
        raise Stop(BAD_INPUT, f"'{words.clean(what, 40)}' is neither tick nor untick: {example}")
    return {"items": items or [], **({"by": by} if by else {})}


def _say_before(shown: Shown, name: str, as_json: bool) -> int:
    from studiobridge.shown import before as said

    state = shown.state or {}
    line = said.to_roll(state)
    if line is None:
        raise Stop(
            BAD_INPUT,
            f"the profile of '{name}' asks for nothing: add 'before:' with what has to be so",
        )
    if shown.old:
        line = said.Line("unknown", f"not known: {OLD}")
    good = {"so": True, "not": False, "unknown": None}[line.code]
    if as_json:
        about = state.get("before") or {}
        items = about.get("items") or []
        show.print_json(
            {
                "set": name,
                "good": good,
                "line": line.text,
                "items": items,
                "timer": state.get("timer"),
            }
        )
    else:
        show.out(line.text)
        for row in said.rows(state.get("before")):
            show.out(_row(row))
        due = said.break_due(state)
        if due:
            show.out(due)
    return DONE if good is True and not shown.old else NOT_THERE


def _row(row: Row) -> str:
    from studiobridge.shown.before import evidence

    about = evidence(row)
    ticked = row.word if row.ticks and row.code != "so" else ""
    said = ": ".join(filter(None, (row.text, about or ticked)))
    return f"  {row.mark} {said}"


@app.command()
def after(
    what: Annotated[
        str | None, typer.Argument(help="tick or untick; left out: say what is left.")
    ] = None,
    items: ItemsArgument = None,
    by: ByOption = "",
    set_name: SetOption = None,
    profile: ProfileOption = None,
    settings: SettingsOption = None,
    as_json: JsonOption = False,
) -> None:
    """What is left when all is down: what is on, what to charge, what to empty, what stays."""
    if what is not None:
        more = _ticked(what, items, by, "after tick 'card emptied'")
        ask_simply(what, settings, set_name, profile, as_json, **more)
        return
    loaded = settings_or_stop(settings)
    name, _ = which_set(loaded, set_name, profile)

    async def use(asker: Asker) -> int:
        return _say_after(await asker.need_bridge(), name, as_json)

    run_asking(with_asker(loaded, name, use, devices=True))


def _say_after(shown: Shown, name: str, as_json: bool) -> int:
    from studiobridge.shown.after import after as left

    found = left(shown.state or {}, shown.devices)
    if as_json:
        show.print_json(
            {
                "set": name,
                "over": found.over and not shown.old,
                "after": (shown.state or {}).get("after"),
                "parts": [
                    {"part": p.name, "title": p.title, "lines": list(p.lines)} for p in found.parts
                ],
            }
        )
        return DONE
    if shown.old:
        show.fail(OLD)
    show.out(found.head)
    for part in found.parts:
        show.out(f"{part.title}:")
        for text in part.lines:
            show.out(f"  {words.clean(text, 600)}")
    for row in found.ticks:
        show.out(_row(row))
    return DONE
