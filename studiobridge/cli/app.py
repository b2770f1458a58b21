"""The commands. Each parses, calls and prints; imports are late so that --help is quick."""

from __future__ import annotations

import asyncio
import sys
from collections.abc import Callable, Coroutine, Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from studiobridge.cli import show
from studiobridge.shown import words

if TYPE_CHECKING:
    from studiobridge.bridge.asking import Answered, Asker
    from studiobridge.bridge.settings import Settings
    from studiobridge.profile.build import Reading

DONE, NOT_THERE, BAD_INPUT, NO_BRIDGE = 0, 1, 2, 3

app = typer.Typer(
    name="studiobridge",
    help="One switch for a small lit set, and everything behind it. Not a safety device.",
    no_args_is_help=True,
    add_completion=False,
    pretty_exceptions_enable=False,
    rich_markup_mode=None,
)

ProfileArgument = Annotated[Path, typer.Argument(help="The set profile (YAML).")]
JsonOption = Annotated[bool, typer.Option("--json", help="Print JSON.")]
SetOption = Annotated[str | None, typer.Option("--set", help="The set to talk to.")]
ProfileOption = Annotated[
    Path | None, typer.Option("--profile", help="Its profile; runs the set here if no bridge does.")
]
SettingsOption = Annotated[Path | None, typer.Option("--settings", help="A settings file.")]
LookOption = Annotated[str | None, typer.Option("--look", help="A look of the set.")]


class Stop(Exception):
    """Ends a command with a sentence and an exit code."""

    def __init__(self, code: int, text: str = "") -> None:
        super().__init__(text)
        self.code = code


def main() -> None:
    """The entry point: typer, with our exit codes and no traceback for bad input."""
    code: object = 0
    try:
        code = app(standalone_mode=False)
    except typer.Exit as end:
        sys.exit(end.exit_code)
    except typer.Abort:
        show.fail("interrupted")
        sys.exit(130)
    except Stop as stop:
        if str(stop):
            show.fail(str(stop))
        sys.exit(stop.code)
    except KeyboardInterrupt:
        sys.exit(130)
    except BrokenPipeError:
        sys.stderr.close()
        sys.exit(0)
    except Exception as error:
        # typer carries click's usage errors; they know how to say themselves
        shown = getattr(error, "format_message", None)
        if shown is None:
            raise
        show.fail(f"studiobridge: {shown()}")
        sys.exit(BAD_INPUT)
    sys.exit(code if isinstance(code, int) else 0)


# ---- helpers -----------------------------------------------------------------------------


def _read(path: Path) -> Reading:
    from studiobridge.control.plan import order_problems
    from studiobridge.profile import ProfileError, read_profile

    try:
        reading = read_profile(path)
    except ProfileError as error:
        raise Stop(BAD_INPUT, str(error)) from None
    problems = order_problems(reading.profile)
    if problems:
        raise Stop(BAD_INPUT, "\n".join(f"{path}: {problem}" for problem in problems))
    return reading


def _settings(file: Path | None) -> Settings:
    from studiobridge.bridge.settings import SettingsError, load_settings

    try:
        settings = load_settings(file)
    except SettingsError as error:
        raise Stop(BAD_INPUT, str(error)) from None
    return settings


def _which(
    settings: Settings, set_name: str | None, profile: Path | None
) -> tuple[str, Path | None]:
    """The set meant, and its profile where one is at hand."""
    from studiobridge.profile.shape import NAME

    if profile is None and set_name is None and len(settings.profiles) == 1:
        profile = settings.profiles[0]
    if profile is not None:
        found = _read(profile).profile.name
        if set_name is not None and set_name != found:
            raise Stop(BAD_INPUT, f"{profile} describes '{found}', not '{set_name}'")
        return found, profile
    name = set_name or settings.set_name
    if name is None:
        raise Stop(
            BAD_INPUT,
            "which set? say --set NAME or --profile FILE, or set STUDIOBRIDGE_SET, or name one"
            " profile in the settings file",
        )
    if not NAME.match(name):
        raise Stop(BAD_INPUT, f"'{words.clean(name, 60)}' is not a name of a set")
    return name, None


def _run(task: Coroutine[Any, Any, int]) -> None:
    from studiobridge.bridge.asking import NoBridge, NoBroker

    try:
        code = asyncio.run(task)
    except (NoBroker, NoBridge) as error:
        raise Stop(NO_BRIDGE, str(error)) from None
    raise typer.Exit(code)


async def _with_asker(settings: Settings, name: str, use: Callable[[Asker], Any]) -> int:
    from studiobridge.bridge.asking import Asker

    async with Asker(settings, name) as asker:
        return int(await use(asker))


def _simple(
    what: str, settings_file: Path | None, set_name: str | None, profile: Path | None, **more: Any
) -> None:
    """Ask for something that is answered at once, and say the answer."""
    settings = _settings(settings_file)
    name, _ = _which(settings, set_name, profile)

    async def use(asker: Asker) -> int:
        await asker.need_bridge()
        return await _say_answers(asker, what, **more)

    _run(_with_asker(settings, name, use))


async def _say_answers(asker: Asker, what: str, **more: Any) -> int:
    code = NOT_THERE
    async for answer in asker.ask(what, **more):
        if answer.final:
            (show.out if answer.code == 0 else show.fail)(words.clean(answer.text, 2000))
            code = answer.code
    return code


# ---- looking at a profile ----------------------------------------------------------------


@app.command()
def check(
    profile: ProfileArgument,
    allow_overload: Annotated[
        bool, typer.Option("--allow-overload", help="Say what is too much for a circuit, and pass.")
    ] = False,
    as_json: JsonOption = False,
) -> None:
    """Check a profile: everything that is wrong with it, at once. Touches nothing."""
    from studiobridge.cli.doubts import about_mains, about_picture
    from studiobridge.control.plan import order_problems
    from studiobridge.figures.mains import CAUTION as MAINS_CAUTION
    from studiobridge.profile import ProfileError, read_profile

    problems: list[Any] = []
    warnings: list[Any] = []
    too_much: list[Any] = []
    others: tuple[str, ...] = ()
    reading = None
    try:
        reading = read_profile(profile)
        warnings = list(reading.warnings)
        others = order_problems(reading.profile)
        too_much, near = about_mains(reading)
        (warnings if allow_overload else problems).extend(too_much)
        warnings += [*near, *about_picture(reading)]
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
            }
        )
    else:
        for problem in problems:
            show.fail(str(problem))
        for other in others:
            show.fail(f"{profile}: {other}")
        for warning in warnings:
            show.out(f"{warning} (a doubt, not an error)")
        if problems and reading is not None:
            show.fail(MAINS_CAUTION)
        elif reading is not None and not others:
            made = reading.profile
            plugs = sum(d.kind == "plug" for d in made.devices.values())
            looks = words.listed(list(made.looks)) or "no looks"
            show.out(
                f"{made.name}: {words.count(len(made.devices), 'device')} ({plugs} of them plugs"
                f" or strips), {words.count(len(made.circuits), 'circuit')}, looks: {looks}."
                + (" OVERLOAD ALLOWED: see above." if allow_overload and too_much else "")
                + (" Nothing is wrong with it." if not (allow_overload and too_much) else "")
            )
            if too_much:
                show.out(MAINS_CAUTION)
    if problems or others:
        raise typer.Exit(BAD_INPUT)


def _problem(problem: Any) -> dict[str, Any]:
    return {
        "line": problem.line,
        "column": problem.column,
        "what": problem.what,
        "do": problem.todo,
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
    reading = _read(profile)
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
                "hand_set": [
                    {"device": n, "level": p.level, "cct": p.cct} for n, p in made.hand_set
                ],
                "cautions": list(made.cautions),
            }
        )
    elif svg is None:
        show.print_plan(made, steps)
    else:
        show.out(f"drawn: {svg}")


# ---- the arithmetic of a set -------------------------------------------------------------


def _presets(reading: Reading, look: str | None) -> tuple[str | None, Mapping[str, Any]]:
    """The look asked for, or the default one, with its presets."""
    from studiobridge.control.plan import UnknownLook, presets_of

    try:
        presets = presets_of(reading.profile, look)
    except UnknownLook as error:
        raise Stop(BAD_INPUT, str(error)) from None
    return look or reading.profile.default_look, presets


@app.command()
def light(profile: ProfileArgument, look: LookOption = None, as_json: JsonOption = False) -> None:
    """The light of a look: at the mark, its ratio and white, the exposure. Touches nothing."""
    from studiobridge.cli import readings
    from studiobridge.figures.light import light_of

    reading = _read(profile)
    name, presets = _presets(reading, look)
    found = light_of(reading.profile, name, presets)
    if as_json:
        show.print_json(readings.plain(found))
    else:
        readings.print_light(reading.profile, found)


@app.command()
def mains(
    profile: ProfileArgument,
    look: LookOption = None,
    hours: Annotated[float, typer.Option(min=0.01, max=1000, help="How long a session is.")] = 1.0,
    as_json: JsonOption = False,
) -> None:
    """What a look asks of the circuits: load, inrush, leads, batteries, energy."""
    from studiobridge.cli import readings
    from studiobridge.figures.mains import CAUTION, mains_of

    reading = _read(profile)
    name, presets = _presets(reading, look)
    found = mains_of(reading.profile, name, presets, hours)
    if as_json:
        show.print_json({**readings.plain(found), "caution": CAUTION})
    else:
        readings.print_mains(reading.profile, found)


@app.command()
def room(profile: ProfileArgument, as_json: JsonOption = False) -> None:
    """The room: the depth the set takes, what the lens shows, where everything stands."""
    from studiobridge.cli import readings
    from studiobridge.figures.room import room_of

    reading = _read(profile)
    found = room_of(reading.profile)
    if as_json:
        show.print_json(readings.plain(found))
    else:
        readings.print_room(reading.profile, found)


@app.command()
def sheet(
    profile: ProfileArgument,
    output: Annotated[Path, typer.Option("-o", "--output", help="FILE.html or FILE.svg")],
    look: LookOption = None,
) -> None:
    """Draw the sheet for the wall: where everything stands, what it is set to, the order."""
    from studiobridge.shown import sheet as sheets

    reading = _read(profile)
    name, presets = _presets(reading, look)
    drawers = {".html": sheets.page, ".htm": sheets.page, ".svg": sheets.picture}
    draw = drawers.get(output.suffix.lower())
    if draw is None:
        raise Stop(BAD_INPUT, f"{output}: a sheet is an .html or an .svg file")
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


# ---- running a set -----------------------------------------------------------------------


@app.command()
def run(
    profiles: Annotated[list[Path] | None, typer.Argument(help="Set profiles.")] = None,
    settings: SettingsOption = None,
) -> None:
    """The daemon: run one or more sets until it is stopped. Stopping touches nothing."""
    loaded = _settings(settings)
    paths = profiles or list(loaded.profiles)
    if not paths:
        raise Stop(BAD_INPUT, "which sets? name their profiles, here or in the settings file")
    from studiobridge.bridge.daemon import run_sets

    raise typer.Exit(asyncio.run(run_sets(paths, loaded)))


def _request(
    what: str,
    settings_file: Path | None,
    set_name: str | None,
    profile: Path | None,
    as_json: bool,
    **more: Any,
) -> None:
    """up, down, restore: follow it to its end; run the set here where no bridge does."""
    settings = _settings(settings_file)
    name, path = _which(settings, set_name, profile)

    async def use(asker: Asker) -> int:
        shown = await asker.settled()
        if not shown.bridge_alive and path is not None:
            return -1
        await asker.need_bridge()
        final: asyncio.Future[Answered] = asyncio.get_running_loop().create_future()

        async def listen() -> None:
            try:
                async for answer in asker.ask(what, **more):
                    if answer.final:
                        final.set_result(answer)
            except Exception as error:
                final.set_exception(error)

        task = asyncio.create_task(listen())
        if as_json:
            await asyncio.wait({final})
        else:
            from studiobridge.cli.follow import follow

            before = (shown.run or {}).get("run")

            def latest() -> tuple[Mapping[str, Any] | None, Mapping[str, Any] | None]:
                fresh = asker.shown.run
                if fresh is not None and fresh.get("run") == before:
                    fresh = None
                return asker.shown.state, fresh

            await follow(latest, asker.changed, final)
        await task
        return _end(final.result(), as_json)

    async def whole() -> int:
        code = await _with_asker(settings, name, use)
        if code == -1:
            assert path is not None
            return await _here(what, path, settings, as_json, more)
        return code

    _run(whole())


def _end(answer: Any, as_json: bool) -> int:
    if as_json:
        show.print_json({"code": answer.code, "text": answer.text, "detail": dict(answer.detail)})
    else:
        (show.out if answer.code == 0 else show.fail)(words.clean(answer.text, 2000))
    return int(answer.code)


async def _here(
    what: str, path: Path, settings: Settings, as_json: bool, more: Mapping[str, Any]
) -> int:
    """No bridge runs: run the set in this process until the request has its answer."""
    from studiobridge.bridge.asking import who
    from studiobridge.bridge.core import Reply
    from studiobridge.bridge.daemon import SetRunner
    from studiobridge.cli.follow import follow
    from studiobridge.control.events import Request

    show.fail("no bridge is running: this command runs the set itself, and stops watching it after")
    loop = asyncio.get_running_loop()
    final: asyncio.Future[Reply] = loop.create_future()
    changed = asyncio.Event()

    def reply(said: Reply) -> None:
        if said.final and not final.done():
            final.set_result(said)

    runner = SetRunner(
        path,
        _read(path).profile,
        settings,
        say=lambda text: None,
        on_reply=reply,
        on_change=changed.set,
    )
    problems: list[str] = []
    runner.say = problems.append
    task = asyncio.create_task(runner.run())
    ready = asyncio.create_task(runner.ready.wait())
    await asyncio.wait({task, ready}, return_when=asyncio.FIRST_COMPLETED)
    if task.done():
        ready.cancel()
        for problem in problems:
            show.fail(problem)
        return task.result()
    targets = tuple(more.get("targets") or ())
    runner.ask(
        Request(
            at=0.0,
            id=f"here-{runner.instance}",
            what=what,  # type: ignore[arg-type]
            by=who(),
            source="command",
            look=more.get("look"),
            targets=targets,
            force=bool(more.get("force")),
            everything=bool(more.get("everything")),
        )
    )

    async def wait(within: float | None) -> bool:
        try:
            async with asyncio.timeout(within):
                await changed.wait()
        except TimeoutError:
            return False
        finally:
            changed.clear()
        return True

    waiting: list[asyncio.Future[Any]] = [final, task]
    if as_json:
        await asyncio.wait(waiting, return_when=asyncio.FIRST_COMPLETED)
    else:
        following = asyncio.create_task(
            follow(lambda: (runner.core.state(), runner.core.run()), wait, final)
        )
        await asyncio.wait(waiting, return_when=asyncio.FIRST_COMPLETED)
        if not final.done():
            following.cancel()
        else:
            await following
    runner.stop()
    code = await task
    if not final.done():
        for problem in problems:
            show.fail(problem)
        return code or NOT_THERE
    return _end(final.result(), as_json)


@app.command()
def up(
    look: LookOption = None,
    force: Annotated[bool, typer.Option(help="even while a camera rolls (recorded)")] = False,
    set_name: SetOption = None,
    profile: ProfileOption = None,
    settings: SettingsOption = None,
    as_json: JsonOption = False,
) -> None:
    """Bring the set up, or change its look."""
    _request("up", settings, set_name, profile, as_json, look=look, force=force)


@app.command()
def down(
    everything: Annotated[bool, typer.Option(help="chargers and network too")] = False,
    set_name: SetOption = None,
    profile: ProfileOption = None,
    settings: SettingsOption = None,
    as_json: JsonOption = False,
) -> None:
    """Take the set down: without losing a take, hurting a lamp or leaving something on."""
    _request("down", settings, set_name, profile, as_json, everything=everything)


@app.command()
def restore(
    devices: Annotated[list[str] | None, typer.Argument(help="Only these.")] = None,
    force: Annotated[bool, typer.Option(help="even while a camera rolls (recorded)")] = False,
    set_name: SetOption = None,
    profile: ProfileOption = None,
    settings: SettingsOption = None,
    as_json: JsonOption = False,
) -> None:
    """Put back what has drifted."""
    _request("restore", settings, set_name, profile, as_json, targets=devices, force=force)


@app.command()
def keep(
    devices: Annotated[list[str] | None, typer.Argument(help="Only these.")] = None,
    set_name: SetOption = None,
    profile: ProfileOption = None,
    settings: SettingsOption = None,
) -> None:
    """Take what the lights are set to now as their presets, and write that into the profile."""
    _simple("keep", settings, set_name, profile, targets=devices)


@app.command()
def cut(
    yes: Annotated[bool, typer.Option("--yes", help="Do not ask whether you mean it.")] = False,
    set_name: SetOption = None,
    profile: ProfileOption = None,
    settings: SettingsOption = None,
) -> None:
    """Everything off at once, in an emergency. No substitute for the breaker."""
    show.fail(show.NO_BREAKER)
    if not yes:
        if not sys.stdin.isatty():
            raise Stop(BAD_INPUT, "a cut needs a person's yes: say --yes")
        typer.confirm("Cut everything off now, takes and computers included?", abort=True)
    _simple("cut", settings, set_name, profile, yes=True)


@app.command()
def lockout(
    target: Annotated[str, typer.Argument(help="A device or a circuit.")],
    by: Annotated[str, typer.Option(help="Who works on it.")],
    why: Annotated[str, typer.Option(help="Why.")],
    set_name: SetOption = None,
    profile: ProfileOption = None,
    settings: SettingsOption = None,
) -> None:
    """Somebody works on it: it will not be energised from here until it is released."""
    _simple("lockout", settings, set_name, profile, targets=[target], by=by, why=why)


@app.command()
def release(
    target: Annotated[str, typer.Argument(help="A device or a circuit.")],
    set_name: SetOption = None,
    profile: ProfileOption = None,
    settings: SettingsOption = None,
) -> None:
    """The work is done: it may be energised again. Switches nothing on."""
    _simple("release", settings, set_name, profile, targets=[target])


@app.command("by-hand")
def by_hand(
    devices: Annotated[list[str] | None, typer.Argument(help="Only these.")] = None,
    set_name: SetOption = None,
    profile: ProfileOption = None,
    settings: SettingsOption = None,
) -> None:
    """Say that the lights on dials are turned to what the look asks for (recorded)."""
    _simple("set_by_hand", settings, set_name, profile, targets=devices)


@app.command()
def rolling(
    state: Annotated[str, typer.Argument(help="on or off")],
    cameras: Annotated[list[str] | None, typer.Argument(help="Only these.")] = None,
    set_name: SetOption = None,
    profile: ProfileOption = None,
    settings: SettingsOption = None,
) -> None:
    """Say that a camera rolls, where it does not say so itself. Nothing is changed then."""
    if state not in ("on", "off"):
        raise Stop(BAD_INPUT, "rolling is on or off")
    _simple(f"rolling_{state}", settings, set_name, profile, targets=cameras)


# ---- reading -----------------------------------------------------------------------------


@app.command()
def status(
    set_name: SetOption = None,
    profile: ProfileOption = None,
    settings: SettingsOption = None,
    as_json: JsonOption = False,
) -> None:
    """How the set stands."""
    loaded = _settings(settings)
    name, _ = _which(loaded, set_name, profile)

    async def use(asker: Asker) -> int:
        shown = await asker.need_bridge()
        if as_json:
            show.print_json(shown.status())
        else:
            show.print_status(shown.state or {}, shown.devices)
        return DONE

    _run(_with_asker(loaded, name, use))


@app.command()
def drift(
    set_name: SetOption = None,
    profile: ProfileOption = None,
    settings: SettingsOption = None,
    as_json: JsonOption = False,
) -> None:
    """What differs from its preset, by how much and since when."""
    loaded = _settings(settings)
    name, _ = _which(loaded, set_name, profile)

    async def use(asker: Asker) -> int:
        shown = await asker.need_bridge()
        if as_json:
            show.print_json(shown.drift)
        elif not shown.drift:
            show.out("nothing has drifted")
        else:
            for line in words.drift_lines(shown.drift, (shown.state or {}).get("picture")):
                show.out(line)
        return DONE

    _run(_with_asker(loaded, name, use))


@app.command()
def watch(
    set_name: SetOption = None,
    profile: ProfileOption = None,
    settings: SettingsOption = None,
    as_json: JsonOption = False,
) -> None:
    """Follow the set until interrupted: states, drift, steps."""
    loaded = _settings(settings)
    name, _ = _which(loaded, set_name, profile)

    async def use(asker: Asker) -> int:
        from studiobridge.bridge.asking import NoBroker

        await asker.need_bridge()
        last: dict[str, Any] = {}
        while asker.connected:
            now = {
                "alive": asker.shown.bridge_alive,
                "state": asker.shown.state,
                "drift": asker.shown.drift,
            }
            if as_json:
                import json

                if now != last:
                    print(json.dumps(now, ensure_ascii=False), flush=True)
            else:
                for line in _news(last, now):
                    show.out(line)
            last = now
            await asker.changed()
        raise NoBroker("the link to the broker was lost")

    _run(_with_asker(loaded, name, use))


def _news(before: Mapping[str, Any], now: Mapping[str, Any]) -> list[str]:
    """What is worth a line, comparing two moments."""
    from datetime import datetime

    clock = datetime.now().astimezone().strftime("%H:%M:%S")
    lines = []
    if before.get("alive") is not False and not now["alive"]:
        lines.append("the bridge is gone")
    if before.get("alive") is False and now["alive"]:
        lines.append("the bridge is back")
    state, was = now.get("state") or {}, before.get("state") or {}
    if state.get("state") != was.get("state") or state.get("look") != was.get("look"):
        lines.append(show.headline(state))
    if state.get("rolling") != was.get("rolling"):
        names = words.listed(state.get("rolling") or [])
        lines.append(f"rolling: {names}" if names else "nothing rolls")
    open_now, open_then = _by_device(now.get("drift")), _by_device(before.get("drift"))
    news = [
        name
        for name, entries in open_now.items()
        if [(e["drift"], e.get("reported")) for e in entries]
        != [(e["drift"], e.get("reported")) for e in open_then.get(name, ())]
    ]
    lines.extend(words.drift_line(open_now[name]) for name in news)
    if news and len(open_now) > 1:
        shown = words.picture(state.get("picture"))
        if shown:
            lines.append(f"in the picture: {shown}")
    for name in open_then:
        if name not in open_now:
            lines.append(f"{words.clean(name)}: back where it belongs")
    return [f"{clock}  {line}" for line in lines]


def _by_device(entries: Any) -> dict[str, list[Mapping[str, Any]]]:
    found: dict[str, list[Mapping[str, Any]]] = {}
    for entry in entries or ():
        found.setdefault(str(entry.get("device")), []).append(entry)
    return found


@app.command()
def record(
    session: Annotated[int | None, typer.Option(help="One session's timeline.")] = None,
    drifts: Annotated[bool, typer.Option("--drift", help="Drift, by device.")] = False,
    device: Annotated[str | None, typer.Option(help="Only this device's drift.")] = None,
    backup: Annotated[
        Path | None,
        typer.Option(help="Copy the record into this file, bridge running or not."),
    ] = None,
    set_name: SetOption = None,
    profile: ProfileOption = None,
    settings: SettingsOption = None,
    as_json: JsonOption = False,
    as_csv: Annotated[bool, typer.Option("--csv", help="Print CSV.")] = False,
) -> None:
    """What was: sessions, one session step by step, drift by device."""
    from studiobridge.bridge.record import Reader, RecordError, back_up, record_place

    loaded = _settings(settings)
    name, _ = _which(loaded, set_name, profile)
    if backup is not None:
        try:
            size = back_up(record_place(loaded, name), backup)
        except RecordError as error:
            raise Stop(BAD_INPUT, str(error)) from None
        show.out(f"{backup}: the record of {name}, {size / 1e6:.1f} MB")
        return
    try:
        reader = Reader(record_place(loaded, name))
    except RecordError as error:
        raise Stop(BAD_INPUT, str(error)) from None
    try:
        if session is not None:
            rows = reader.timeline(session)
            if not rows:
                raise Stop(BAD_INPUT, f"there is no session {session}")
        elif drifts or device is not None:
            rows = reader.drifts(device)
        else:
            rows = reader.sessions()
    finally:
        reader.close()
    rows = [{key: _shown_time(key, value) for key, value in row.items()} for row in rows]
    if as_json:
        show.print_json(rows)
        return
    if as_csv:
        import csv

        heads = list(dict.fromkeys(key for row in rows for key in row))
        writer = csv.DictWriter(sys.stdout, heads, lineterminator="\n")
        writer.writeheader()
        writer.writerows(rows)
        return
    if session is not None:
        for row in rows:
            show.out(_timeline_line(row))
    elif drifts or device is not None:
        table = [
            (
                str(row["drift"]),
                str(row["device"]),
                words.by_how_much({**row, "reported": row.get("worst")}),
                words.moment(row["opened"], date=True) if row["opened"] else "",
                words.moment(row["closed"]) if row["closed"] else "open",
                str(row["how"]),
            )
            for row in rows
        ]
        show.print_table(("", "device", "at its worst", "opened", "closed", "how"), table)
    else:
        table = [
            (
                str(row["session"]),
                words.moment(row["opened"], date=True) if row["opened"] else "",
                words.moment(row["ready"]) if row["ready"] else "",
                words.moment(row["closed"]) if row["closed"] else "open",
                str(row["look"] or ""),
                f"{row['kwh']:.3f}" if row["kwh"] is not None else "",
            )
            for row in rows
        ]
        show.print_table(("session", "opened", "ready", "closed", "look", "kWh"), table)


def _shown_time(key: str, value: Any) -> Any:
    if key in ("at", "opened", "ready", "closed") and isinstance(value, float):
        from datetime import UTC, datetime

        moment = datetime.fromtimestamp(value, UTC).isoformat(timespec="milliseconds")
        return moment.replace("+00:00", "Z")
    return value


def _timeline_line(row: Mapping[str, Any]) -> str:
    clock = words.moment(row["at"])
    kind = row["kind"]
    said = {
        "request": lambda: f"{row['by'] or row['source']} asks {row['what']}: {row['phase']}",
        "run": lambda: f"{row['what']} {row['phase']}",
        "step": lambda: f"{row['device']}: {row['action']} {row['value']} {row['phase']}",
        "drift": lambda: f"{row['device']} {row['point']} {row['phase']} {row['how']}",
        "fault": lambda: f"fault: {row['device'] or ''}",
        "lockout": lambda: f"lockout {row['phase']}: {row['target']} by {row['by']}, {row['why']}",
        "rolling": lambda: f"{row['device']} {'rolls' if row['rolling'] else 'stopped'}",
        "by hand": lambda: f"{row['device']} set by hand to {words.preset(row)} by {row['by']}",
        "state": lambda: f"state: {row['state']}",
    }[kind]()
    text = row.get("text") or row.get("why") or ""
    line = f"{clock}  {' '.join(said.split())}"
    if text and kind not in ("lockout",):
        line += f": {text}"
    return words.clean(line, 600)


# ---- the page ----------------------------------------------------------------------------

panel_app = typer.Typer(
    help="The page for phone and tablet: serve it, and say who may see and ask.",
    no_args_is_help=True,
    rich_markup_mode=None,
)
app.add_typer(panel_app, name="panel")
ViewerOption = Annotated[bool, typer.Option("--viewer", help="May see, and ask for nothing.")]


def _keys(settings: Settings) -> Any:
    try:
        from studiobridge.panel.keys import Keys, keys_path
    except ImportError:
        raise Stop(BAD_INPUT, "the page needs more: pip install 'studiobridge[panel]'") from None
    return Keys(keys_path(settings.data))


@panel_app.command("serve")
def panel_serve(
    profiles: Annotated[list[Path] | None, typer.Argument(help="Set profiles.")] = None,
    settings: SettingsOption = None,
) -> None:
    """Serve the page until stopped. It visits the bridge like any other; loopback unless told."""
    loaded = _settings(settings)
    paths = profiles or list(loaded.profiles)
    if not paths:
        raise Stop(BAD_INPUT, "which sets? name their profiles, here or in the settings file")
    readings = [_read(path).profile for path in paths]
    _keys(loaded)
    raise typer.Exit(asyncio.run(_serve_pages(loaded, readings)))


async def _serve_pages(settings: Settings, profiles: list[Any]) -> int:
    import signal

    from studiobridge.panel.serve import serve

    stopped = asyncio.Event()
    for number in (signal.SIGINT, signal.SIGTERM):
        asyncio.get_running_loop().add_signal_handler(number, stopped.set)
    return await serve(settings, profiles, stopped, show.fail)


@panel_app.command("pair")
def panel_pair(viewer: ViewerOption = False, settings: SettingsOption = None) -> None:
    """Show a code that opens one page, within ten minutes."""
    keys = _keys(_settings(settings))
    from studiobridge.panel.keys import KeysError

    try:
        code = keys.new_code("viewer" if viewer else "operator")
    except KeysError as error:
        raise Stop(BAD_INPUT, str(error)) from None
    show.out(code)
    may = "see, and ask for nothing" if viewer else "see and ask"
    show.fail(f"it opens one page within ten minutes; who types it may {may}")


@panel_app.command("password")
def panel_password(viewer: ViewerOption = False, settings: SettingsOption = None) -> None:
    """Set the password of operators (or viewers); asked for, or read from a pipe."""
    keys = _keys(_settings(settings))
    from studiobridge.panel.keys import KeysError

    if sys.stdin.isatty():
        password = typer.prompt("password", hide_input=True, confirmation_prompt=True)
    else:
        password = sys.stdin.readline().rstrip("\r\n")
    try:
        keys.set_password(password, "viewer" if viewer else "operator")
    except KeysError as error:
        raise Stop(BAD_INPUT, str(error)) from None
    show.out("the password is set")


@panel_app.command("who")
def panel_who(settings: SettingsOption = None, as_json: JsonOption = False) -> None:
    """Whose pages are open: name, role, since when."""
    from datetime import UTC, datetime

    found = [
        {
            "name": s.name,
            "role": s.role,
            "since": datetime.fromtimestamp(s.since, UTC).isoformat(timespec="seconds"),
        }
        for s in _keys(_settings(settings)).sessions()
    ]
    if as_json:
        show.print_json(found)
        return
    rows = [(f["name"], f["role"], words.moment(f["since"], date=True)) for f in found]
    show.print_table(("name", "role", "since"), rows)


@panel_app.command("forget")
def panel_forget(
    name: Annotated[str | None, typer.Argument(help="Whose pages; nobody named: all.")] = None,
    settings: SettingsOption = None,
) -> None:
    """End open pages: of one name, or all."""
    ended = _keys(_settings(settings)).forget(name)
    show.out(f"{words.count(ended, 'page')} ended")


# ---- rehearsing --------------------------------------------------------------------------


@app.command()
def rehearse(
    profile: ProfileArgument,
    pace: Annotated[
        float, typer.Option(min=0.1, max=50.0, help="How much faster than the gear's own times.")
    ] = 2.0,
    stay: Annotated[bool, typer.Option(help="Keep it up to try other commands against.")] = False,
    look: LookOption = None,
    page: Annotated[
        bool, typer.Option("--page", help="Serve the page and let you play the evening on it.")
    ] = False,
) -> None:
    """Play a whole evening against simulated gear: no gear, no broker, nothing left running."""
    reading = _read(profile)
    from studiobridge.cli.evening import rehearse_evening

    port = None
    if page:
        found = _settings(None)
        _keys(found)
        port = found.panel.port
    raise typer.Exit(
        asyncio.run(rehearse_evening(profile, reading.profile, pace, stay, look, port))
    )
