"""The command `balance`: the light solved backwards, from what is wanted in the picture."""

from __future__ import annotations

import shlex
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from studiobridge.cli import show
from studiobridge.cli.base import (
    BAD_INPUT,
    JsonOption,
    LookOption,
    ProfileArgument,
    Stop,
    app,
    read_or_stop,
)
from studiobridge.shown import words

if TYPE_CHECKING:
    from studiobridge.craft.grid import Grid
    from studiobridge.figures.balance import Balanced
    from studiobridge.profile.build import Reading
    from studiobridge.profile.model import SetProfile, Wants


SAY_WHAT = (
    "say what, like --aperture f/2.8 --ratio 2:1, or write it into the look:"
    " 'wants: {aperture: f/2.8, ratio: 2:1}'"
)


@app.command()
def balance(
    profile: ProfileArgument,
    aperture: Annotated[
        str | None, typer.Option(help="The face, as the aperture it asks for: f/2.8.")
    ] = None,
    lux: Annotated[str | None, typer.Option(help="The face in lux instead: '400 lx'.")] = None,
    ratio: Annotated[str | None, typer.Option(help="Key to fill: 2:1.")] = None,
    backdrop: Annotated[
        str | None, typer.Option(help="Stops over a grey card in the face's light: -0.5.")
    ] = None,
    rim: Annotated[str | None, typer.Option(help="Rim over the key, in stops: +0.5.")] = None,
    white: Annotated[str | None, typer.Option(help="The white on the face: 4300K.")] = None,
    look: LookOption = None,
    keep: Annotated[
        bool, typer.Option("--keep", help="Write it into the look, in the profile's own text.")
    ] = False,
    as_new: Annotated[
        str | None, typer.Option("--as", help="Write it as a new look of this name.")
    ] = None,
    as_json: JsonOption = False,
) -> None:
    """Which levels and whites give what is wanted in the picture. Touches nothing unless told."""
    from studiobridge.figures.balance import balance as solve
    from studiobridge.figures.wishes import CannotBalance, over_each_other
    from studiobridge.profile.model import Wants
    from studiobridge.shown.balance import balance_json

    asked = _asked(aperture, lux, ratio, backdrop, rim, white)
    if keep and as_new is not None:
        raise Stop(BAD_INPUT, "--keep changes the look, --as makes a new one: say one of the two")
    reading = read_or_stop(profile)
    found = reading.profile
    name = look or found.default_look
    if name is None or name not in found.looks:
        from studiobridge.control.plan import no_such_look

        what = no_such_look(words.clean(name or "", 60), found.looks)
        raise Stop(BAD_INPUT, what if name else f"{profile}: there is no look to balance")
    wants = over_each_other(asked, found.looks[name].wants)
    if wants == Wants() and (keep or as_new is not None):
        at = reading.problem(("looks", name), f"nothing is wanted of the look '{name}'", SAY_WHAT)
        raise Stop(BAD_INPUT, str(at))
    try:
        solved = solve(found, name, asked, *_steps(found))
    except CannotBalance as cannot:
        at = reading.problem(("looks", name), cannot.what, cannot.todo)
        raise Stop(BAD_INPUT, str(at)) from None
    changes: list[str] | None = None
    if keep or as_new is not None:
        changes = _write(profile, reading, solved, wants, as_new)
    if as_json:
        written = None if changes is None else {"file": str(profile), "look": as_new or name}
        show.print_json({**balance_json(solved), "written": written})
        return
    _print(found, solved)
    if wants == Wants():
        show.out(f"Nothing is wanted of it yet, so it stays: {SAY_WHAT}.")
    for text in changes or ():
        show.out(text)


def _asked(
    aperture: str | None,
    lux: str | None,
    ratio: str | None,
    backdrop: str | None,
    rim: str | None,
    white: str | None,
) -> Wants:
    """What the options say, in the house's units."""
    from studiobridge.profile import quantity
    from studiobridge.profile.model import Wants

    def read(option: str, text: str | None, parse: Callable[[str], float]) -> float | None:
        try:
            return None if text is None else parse(text)
        except ValueError as error:
            raise Stop(BAD_INPUT, f"--{option}: {error}") from None

    def over(text: str) -> float:
        # a bare number is in stops here: there is nothing else it could be
        bare = text.strip().replace("−", "-")
        if bare.replace("+", "").replace("-", "").replace(".", "", 1).isdecimal():
            bare += " stop"
        return quantity.parse(bare, quantity.OVER)

    if aperture is not None and lux is not None:
        raise Stop(BAD_INPUT, "--aperture and --lux say the same thing twice: say one of the two")
    return Wants(
        read("aperture", aperture, quantity.parse_aperture),
        read("lux", lux, lambda text: quantity.parse(text, quantity.LUX)),
        read("ratio", ratio, quantity.parse_ratio),
        read("backdrop", backdrop, over),
        read("rim", rim, over),
        read("white", white, lambda text: quantity.parse(text, quantity.CCT)),
    )


def _steps(profile: SetProfile) -> tuple[dict[str, Grid], dict[str, Grid]]:
    """What each light can tell apart of its level and of its white, as far as its dialect says."""
    from studiobridge.craft.grid import Grid
    from studiobridge.speech.speech import Speech

    levels: dict[str, Grid] = {}
    whites: dict[str, Grid] = {}
    for said in Speech(profile).described(0.0):
        into = {"level": levels, "cct": whites}.get(said.point)
        if into is not None and isinstance(said.grid, Grid):
            into[said.device] = said.grid
    return levels, whites


def _write(
    path: Path, reading: Reading, solved: Balanced, wants: Wants, as_new: str | None
) -> list[str]:
    """Into the file, and the lines that say so. Other looks that change with it are named."""
    from studiobridge.profile import read_profile
    from studiobridge.profile.keep import CannotKeep
    from studiobridge.profile.keep_wants import keep_balanced, save_balanced

    before, name = reading.profile, as_new or solved.look
    try:
        if as_new is None:
            keep_balanced(path, name, solved.presets, wants)
        elif as_new in before.looks:
            raise Stop(BAD_INPUT, f"{path}: there is a look '{as_new}' already; nothing is written")
        else:
            presets = {s.device: s.now for s in solved.settings}
            save_balanced(path, as_new, presets, wants, before.looks[solved.look].whites_meant)
    except CannotKeep as cannot:
        raise Stop(BAD_INPUT, str(cannot)) from None
    after = read_profile(path).profile
    others = [
        n
        for n, found in before.looks.items()
        if n != name and dict(found.presets) != dict(after.looks[n].presets)
    ]
    undo = f"mv {shlex.quote(f'{path}.before')} {shlex.quote(str(path))}"
    lines = [f"{path}: the look '{name}' is written; undo it with: {undo}"]
    if others:
        one = "starts" if len(others) == 1 else "start"
        lines.append(f"{words.listed(others)} {one} from it and changed with it")
    lines.append("A bridge that runs this set reads it at its next start.")
    return lines


def _print(profile: SetProfile, found: Balanced) -> None:
    from studiobridge.cli import readings
    from studiobridge.shown import balance as shown

    title = words.clean(profile.title or profile.name)
    show.out(f"{title}, look {words.clean(found.look)}: the light solved backwards")
    show.out()
    told = [s for s in found.settings if not s.by_hand]
    by_hand = [s for s in found.settings if s.by_hand]
    rows: list[Any] = shown.setting_rows(told)
    if by_hand:
        rows += ["by hand", *shown.setting_rows(by_hand)]
    show.print_table(("light", "is", "to be", ""), rows)
    show.out()
    head = ("picture", "wanted", "comes to", "", "whose wish")
    show.print_table(head, shown.wish_rows(profile, found))
    lines = [*shown.limit_lines(profile, found), *shown.other_lines(found)]
    if lines:
        show.out()
    for text in lines:
        show.out(text)
    readings.not_computed(found.missing)
    show.out()
    show.out(
        "Without what walls and ceiling bounce back: where a meter differs, the meter is right."
        " How sure such figures are, `studiobridge light` says."
    )
