"""Commands that look at a profile and touch nothing: check, plan, light, mains, room, sheet."""

from __future__ import annotations

import contextlib
import shlex
import sys
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
    SettingsOption,
    Stop,
    app,
    note_old_words,
    presets_or_stop,
    read_or_stop,
)
from studiobridge.profile.colours import preset_json
from studiobridge.shown import words

if TYPE_CHECKING:
    from studiobridge.profile.model import SetProfile


# What needs a profile that can be read.
NOT_YET = ("loads and inrush", "the order of things", "light and picture", "doubts")


@app.command()
def check(
    profile: ProfileArgument,
    allow_overload: Annotated[
        bool, typer.Option("--allow-overload", help="Say what is too much for a circuit, and pass.")
    ] = False,
    rewrite: Annotated[
        bool,
        typer.Option("--rewrite", help="First write what has a new word now with that, in place."),
    ] = False,
    as_json: JsonOption = False,
) -> None:
    """Check a profile: everything that is wrong with it, at once. Touches nothing unless told."""
    from studiobridge.cli.doubts import (
        about_before,
        about_gear,
        about_mains,
        about_picture,
        about_readings,
        about_the_picture,
        about_wants,
        about_watts,
    )
    from studiobridge.cli.granted import about_granted, about_unused
    from studiobridge.control.plan import order_problems
    from studiobridge.figures.mains import CAUTION as MAINS_CAUTION
    from studiobridge.profile import ProfileError, read_profile
    from studiobridge.profile.universes import CAUTION as SLOTS_CAUTION

    problems: list[Any] = []
    warnings: list[Any] = []
    too_much: list[Any] = []
    others: tuple[str, ...] = ()
    reading = None
    rewritten = _rewritten(profile) if rewrite else 0
    if rewrite and not as_json and rewritten:
        old = words.count(rewritten, "old word is", "old words are")
        show.out(f"{profile}: {old} written anew; as it was: {profile}.before")
    elif rewrite and not as_json:
        show.out(f"{profile}: no old words in it: nothing is changed")
    try:
        reading = read_profile(profile)
        warnings = list(reading.warnings)
        if reading.old_words is not None and as_json:
            warnings.append(reading.old_words)
        note_old_words(profile, reading)
        others = order_problems(reading.profile)
        too_much, near = about_mains(reading)
        (warnings if allow_overload else problems).extend(too_much)
        warnings += [
            *near,
            *about_gear(reading),
            *about_watts(reading),
            *about_the_picture(reading),
        ]
        warnings += [*about_picture(reading), *about_readings(reading), *about_wants(reading)]
        warnings += about_before(reading)
        warnings += [*about_granted(reading), *about_unused(reading)]
        warnings.sort(key=lambda p: (p.line, p.column))
    except ProfileError as error:
        problems = list(error.problems)
    if as_json:
        show.print_json(
            {
                "file": str(profile),
                "set": reading.profile.name if reading is not None else None,
                "good": not problems and not others,
                "problems": [_problem(p) for p in problems] + [{"what": o} for o in others],
                "warnings": [_problem(p) for p in warnings],
                "rewritten": rewritten,
                "not_looked_at": list(NOT_YET) if reading is None else [],
            }
        )
    else:
        for problem in problems:
            show.problem(problem)
        for other in others:
            show.fail(f"{profile}: {other}")
        for warning in warnings:
            show.problem(warning, " (a doubt, not an error)", sys.stdout)
        if reading is None:
            if profile.exists():
                show.out(f"Not looked at until these are mended: {words.listed(NOT_YET)}.")
        elif problems:
            show.fail(MAINS_CAUTION)
        elif not others:
            made = reading.profile
            plugs = sum(d.kind == "plug" for d in made.devices.values())
            looks = words.listed(list(made.looks)) or "no looks"
            show.out(
                f"{made.name}: {words.count(len(made.devices), 'device')} ({plugs} of them plugs"
                f" or strips), {words.count(len(made.circuits), 'circuit')}, looks: {looks}."
                + (" OVERLOAD ALLOWED: see above." if allow_overload and too_much else "")
                + (" Nothing is wrong with it." if not (allow_overload and too_much) else "")
                + (f" {words.count(len(warnings), 'doubt')}: see above." if warnings else "")
            )
            if too_much:
                show.out(MAINS_CAUTION)
            if made.universes:
                show.out(SLOTS_CAUTION)
    if problems or others:
        raise typer.Exit(BAD_INPUT)


def _rewritten(profile: Path) -> int:
    from studiobridge.profile.keep import CannotKeep
    from studiobridge.profile.rewrite import write_new_words

    try:
        return write_new_words(profile)
    except CannotKeep as refused:
        raise Stop(BAD_INPUT, str(refused)) from None


def _problem(problem: Any) -> dict[str, Any]:
    return {
        "line": problem.line,
        "column": problem.column,
        "what": problem.what,
        "do": problem.todo,
        "text": problem.text,
    }


@app.command()
def plan(
    profile: ProfileArgument,
    request: Annotated[str, typer.Argument(help="up or down")],
    look: LookOption = None,
    everything: Annotated[bool, typer.Option(help="down: chargers and network too")] = False,
    svg: Annotated[Path | None, typer.Option(help="Write the drawing as a picture.")] = None,
    as_json: JsonOption = False,
) -> None:
    """What would happen, when, and why in that order. Touches nothing."""
    from studiobridge.cli import draw
    from studiobridge.control.plan import OrderProblem, UnknownLook
    from studiobridge.control.plan import plan as make_plan

    if request not in ("up", "down"):
        raise Stop(BAD_INPUT, f"a plan is for up or down, not for '{words.clean(request, 40)}'")
    reading = read_or_stop(profile)
    try:
        made = make_plan(reading.profile, "up" if request == "up" else "down", look, everything)
    except UnknownLook as error:
        raise Stop(BAD_INPUT, str(error)) from None
    except OrderProblem as problem:
        raise Stop(BAD_INPUT, str(problem)) from None
    steps = [
        {
            "n": s.n,
            "at_s": s.at,
            "until_s": s.until,
            "device": s.device,
            "action": s.action,
            "value": s.value,
            "waits_for": list(s.waits_for),
            "why": s.why,
            "circuit": s.circuit,
        }
        for s in made.steps
    ]
    if svg is not None:
        title = f"{reading.profile.title or made.set}: {request}"
        if made.look:
            title += f", look {made.look}"
        foot = f"about {words.about(made.ready_in)} to {'ready' if request == 'up' else 'dark'}. "
        try:
            svg.write_text(draw.picture(title, steps, foot + show.CAUTION), encoding="utf-8")
        except OSError as error:
            raise Stop(BAD_INPUT, f"{svg} cannot be written: {error.strerror}") from None
    if as_json:
        show.print_json(
            {
                "set": made.set,
                "request": made.request,
                "look": made.look,
                "ready_in_s": made.ready_in,
                "steps": steps,
                "hand_set": [{"device": n, **preset_json(p)} for n, p in made.hand_set],
                "people": list(made.people),
                "cautions": list(made.cautions),
            }
        )
    elif svg is None:
        show.print_plan(made, steps)
    else:
        show.out(f"drawn: {svg}")


# ---- the arithmetic of a set -------------------------------------------------------------


@app.command()
def light(
    profile: ProfileArgument,
    look: LookOption = None,
    now: Annotated[
        bool, typer.Option("--now", help="Also what light sensors read now (asks the bridge).")
    ] = False,
    meter: Annotated[
        list[str] | None,
        typer.Option(
            "--meter",
            metavar="READING",
            help="What your meter says: where, how much, which lights are on ('face 402 lx key';"
            " none named: the whole look). Once for each.",
        ),
    ] = None,
    keep: Annotated[
        bool, typer.Option("--keep", help="Write these readings into the profile.")
    ] = False,
    settings: SettingsOption = None,
    as_json: JsonOption = False,
) -> None:
    """The light of a look: at the mark, its ratio and white, the exposure. Touches nothing
    unless told to keep readings."""
    from studiobridge.cli import printed_light, readings
    from studiobridge.figures import calibration
    from studiobridge.figures.balance import stands
    from studiobridge.figures.light import light_of
    from studiobridge.figures.meter import predicted
    from studiobridge.shown.balance import wish_json

    reading = read_or_stop(profile)
    name, presets = presets_or_stop(reading, look)
    if keep and not meter:
        raise Stop(BAD_INPUT, "--keep keeps what --meter says: add --meter 'face 402 lx key'")
    measured = _metered(profile, reading.profile, name, meter or [], keep)
    found = light_of(measured, name, presets)
    sensors = predicted(measured, presets)
    made = calibration.of(measured) if measured.readings else None
    read = _sensors_now(measured.name, settings) if now else None
    if as_json:
        whole = {**readings.plain(found), "sensors": readings.plain(sensors)}
        whole["wants"] = [wish_json(wish) for wish in stands(measured, name)]
        if made is not None:
            whole["meter"] = readings.plain(made.shown)
        show.print_json(whole if read is None else {**whole, "now": read})
    else:
        printed_light.print_light(measured, found, sensors, read, made)
        if keep and meter:
            count = f"{len(meter)} reading{'s' if len(meter) != 1 else ''}"
            undo = f"mv {shlex.quote(f'{profile}.before')} {shlex.quote(str(profile))}"
            show.out(f"kept: {count} in {profile}; undo it with: {undo}")


def _metered(
    path: Path, profile: SetProfile, look: str | None, said: list[str], keep: bool
) -> SetProfile:
    """The set with what the meter says now, and that written into its file where it is asked."""
    from studiobridge.profile.keep import CannotKeep
    from studiobridge.profile.keep_readings import keep_readings, taken, with_readings

    found = []
    for text in said:
        try:
            found.append(taken(profile, look, text))
        except ValueError as error:
            raise Stop(BAD_INPUT, f"--meter '{text}': {error}") from None
    if found and keep:
        try:
            keep_readings(path, found)
        except CannotKeep as error:
            raise Stop(BAD_INPUT, str(error)) from None
    return with_readings(profile, found) if found else profile


def _sensors_now(name: str, settings: Path | None) -> list[Any]:
    """What the light sensors of a set read, as its bridge says."""
    from studiobridge.cli.base import DONE, run_asking, settings_or_stop, with_asker

    read: list[Any] = []

    async def use(asker: Any) -> int:
        shown = await asker.need_bridge()
        read.extend(words.entries((shown.status() or {}).get("sensors")))
        return int(DONE)

    with contextlib.suppress(typer.Exit):  # asked, and there is more to print
        run_asking(with_asker(settings_or_stop(settings), name, use))
    return read


@app.command()
def mains(
    profile: ProfileArgument,
    look: LookOption = None,
    hours: Annotated[float, typer.Option(min=0.01, max=1000, help="How long a session is.")] = 1.0,
    as_json: JsonOption = False,
) -> None:
    """What a look asks of the circuits: load, inrush, leads, batteries, energy."""
    from studiobridge.cli import printed_mains, readings
    from studiobridge.figures.mains import CAUTION, mains_of

    reading = read_or_stop(profile)
    name, presets = presets_or_stop(reading, look)
    found = mains_of(reading.profile, name, presets, hours)
    if as_json:
        show.print_json({**readings.plain(found), "caution": CAUTION})
    else:
        printed_mains.print_mains(reading.profile, found)


@app.command()
def room(
    profile: ProfileArgument,
    fit: Annotated[
        bool, typer.Option("--fit", help="How deep it has to be for a lens, and what gives way.")
    ] = False,
    lens: Annotated[
        str | None, typer.Option("--lens", help="With --fit: 16mm,24mm; else the usual ones.")
    ] = None,
    framing: Annotated[
        str | None, typer.Option("--framing", help="With --fit: what has to be in the picture.")
    ] = None,
    without: Annotated[
        str | None, typer.Option("--without", help="With --fit: these variations, or links.")
    ] = None,
    backdrop: Annotated[
        str | None, typer.Option("--backdrop", help="With --fit: which one is behind.")
    ] = None,
    as_json: JsonOption = False,
) -> None:
    """The room: the depth the set takes, what the lens shows, where everything stands."""
    from studiobridge.cli import printed_room, readings
    from studiobridge.figures.room import room_of

    reading = read_or_stop(profile)
    if fit or any(asked is not None for asked in (lens, framing, without, backdrop)):
        from studiobridge.cli import fitted

        fitted.fit(reading.profile, lens, framing, without, backdrop, as_json)
        return
    found = room_of(reading.profile)
    if as_json:
        show.print_json(readings.plain(found))
    else:
        printed_room.print_room(reading.profile, found)


@app.command()
def sheet(
    profile: ProfileArgument,
    output: Annotated[Path, typer.Option("-o", "--output", help="FILE.html or FILE.svg")],
    look: LookOption = None,
    side: Annotated[
        bool, typer.Option("--side", help="FILE.svg: the room from the side alone.")
    ] = False,
    pack: Annotated[
        bool, typer.Option("--pack", help="FILE.html: a page more, the list of what is brought.")
    ] = False,
) -> None:
    """Draw the sheet for the wall: where everything stands, what it is set to, the order."""
    from functools import partial

    from studiobridge.shown import sheet as sheets

    reading = read_or_stop(profile)
    name, presets = presets_or_stop(reading, look)
    whole = partial(sheets.page, pack=pack)
    drawers: dict[str, Callable[..., str]] = {".html": whole, ".htm": whole, ".svg": sheets.picture}
    what = "a sheet is an .html or an .svg"
    if side:
        drawers, what = {".svg": sheets.from_the_side}, "the room from the side is an .svg"
    if pack:
        del drawers[".svg"]
        what = "the list of what is brought is in an .html"
    draw = drawers.get(output.suffix.lower())
    if draw is None:
        raise Stop(BAD_INPUT, f"{output}: {what} file")
    try:
        output.write_text(draw(reading.profile, name, presets), encoding="utf-8")
    except OSError as error:
        raise Stop(BAD_INPUT, f"{output} cannot be written: {error.strerror}") from None
    show.out(f"drawn: {output}")


@app.command()
def schema() -> None:
    """The JSON Schema of a profile, for editors that complete and check while you type."""
    from studiobridge.profile import profile_schema

    show.print_json(profile_schema())


@app.command()
def version() -> None:
    """Which version this is."""
    from studiobridge import __version__

    show.out(__version__)
