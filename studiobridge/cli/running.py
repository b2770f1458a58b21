"""Commands that run a set, or ask whoever runs it: run, up, down, restore, cut, lockout …"""

from __future__ import annotations

import asyncio
import secrets
import sys
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from studiobridge.cli import show
from studiobridge.cli.base import (
    BAD_INPUT,
    NOT_THERE,
    DevicesArgument,
    ForceOption,
    JsonOption,
    LookOption,
    ProfileOption,
    ProfilesArgument,
    SetOption,
    SettingsOption,
    Stop,
    TargetArgument,
    app,
    ask_simply,
    leaving,
    profile_of,
    read_or_stop,
    run_asking,
    say_answers,
    settings_or_stop,
    which_set,
    which_sets,
    with_asker,
)
from studiobridge.shown import words

if TYPE_CHECKING:
    from studiobridge.bridge.asking import Asker
    from studiobridge.bridge.settings import Settings
    from studiobridge.profile.said import Answer


# Said when a command is ended while what it asked for is under way.
GOES_ON = (
    "this command ends, and '{}' goes on in the bridge: `studiobridge status` says how far it is;"
    " `up` and `down` turn it around"
)
STOPS_HERE = (
    "this command ran the set itself, and '{}' stops half way with it: ask for it again, or for"
    " 'down'"
)


@app.command()
def run(
    profiles: ProfilesArgument = None,
    settings: SettingsOption = None,
) -> None:
    """The daemon: run one or more sets until it is stopped. Stopping touches nothing."""
    loaded = settings_or_stop(settings)
    paths = profiles or list(loaded.profiles)
    if not paths:
        raise Stop(BAD_INPUT, which_sets("run"))
    from studiobridge.bridge.service import run_sets

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
    settings = settings_or_stop(settings_file)
    name, path = which_set(settings, set_name, profile)

    async def use(asker: Asker) -> int:
        shown = await asker.settled()
        if not shown.bridge_alive and path is not None:
            return -1
        await asker.need_bridge()
        from studiobridge.cli.question import Question

        final: asyncio.Future[Answer] = asyncio.get_running_loop().create_future()

        async def tell(word: str, camera: str) -> None:
            await say_answers(asker, word, targets=[camera])

        question = Question(tell, as_json)
        # of `match`: which look it is, what is left out of it, and what no light sets
        matched: list[Answer] = []

        async def listen() -> None:
            try:
                async for answer in asker.ask(what, **more):
                    if answer.final:
                        final.set_result(answer)
                    elif "left_out" in answer.detail:
                        matched.append(answer)
                    else:
                        question.answered(answer.detail)
            except Exception as error:
                final.set_exception(error)

        task = asyncio.create_task(listen())
        with leaving(GOES_ON.format(what)):
            if as_json:
                await asyncio.wait({final})
            else:
                from studiobridge.cli.follow import follow

                before = (shown.latest_run or {}).get("run")

                def latest() -> tuple[Mapping[str, Any] | None, Mapping[str, Any] | None]:
                    fresh = asker.shown.latest_run
                    if fresh is not None and fresh.get("run") == before:
                        fresh = None
                    return None if asker.shown.old else asker.shown.state, fresh

                await follow(latest, asker.changed, final, question)
            await task
        return _end(final.result(), as_json, matched)

    async def whole() -> int:
        code = await with_asker(settings, name, use)
        if code == -1:
            assert path is not None
            return await _here(what, path, settings, as_json, more)
        return code

    run_asking(whole())


def _end(answer: Any, as_json: bool, matched: Sequence[Answer] = ()) -> int:
    if as_json:
        more = [{"text": one.text, **one.detail} for one in matched[:1]]
        told = {"code": answer.code, "text": answer.text, "detail": dict(answer.detail)}
        show.print_json({**told, "match": more[0]} if more else told)
    else:
        for one in matched:
            show.out(words.clean(one.text, 2000))
        (show.out if answer.code == 0 else show.fail)(words.clean(answer.text, 2000))
    return int(answer.code)


async def _here(
    what: str, path: Path, settings: Settings, as_json: bool, more: Mapping[str, Any]
) -> int:
    """No bridge runs: run the set in this process until the request has its answer."""
    from studiobridge.bridge.asking import who
    from studiobridge.bridge.daemon import SetRunner
    from studiobridge.cli.follow import follow
    from studiobridge.cli.question import Question
    from studiobridge.control.events import Request

    show.fail("no bridge is running: this command runs the set itself, and stops watching it after")
    loop = asyncio.get_running_loop()
    final: asyncio.Future[Answer] = loop.create_future()
    changed = asyncio.Event()
    asked = f"here-{secrets.token_hex(5)}"

    def answered(said: Answer) -> None:
        if said.request_id != asked:
            return
        if not said.final:
            question.answered(said.detail)
        elif not final.done():
            final.set_result(said)

    async def tell(word: str, camera: str) -> None:
        ask(f"{asked}-{word}-{camera}", word, targets=(camera,))

    runner = SetRunner(
        path,
        read_or_stop(path).profile,
        settings,
        say=lambda text: None,
        on_answer=answered,
        on_change=changed.set,
    )
    question = Question(tell, as_json)
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

    def ask(id_: str, word: str, **said: Any) -> None:
        request = Request(at=0.0, id=id_, what=word, by=who(), source="command", **said)  # type: ignore[arg-type]
        runner.ask(request)

    ask(
        asked,
        what,
        look=more.get("look"),
        targets=tuple(more.get("targets") or ()),
        force=bool(more.get("force")),
        yes=bool(more.get("yes")),
        everything=bool(more.get("everything")),
        take=more.get("take"),
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
    with leaving(STOPS_HERE.format(what)):
        if as_json:
            await asyncio.wait(waiting, return_when=asyncio.FIRST_COMPLETED)
        else:
            following = asyncio.create_task(
                follow(lambda: (runner.core.state(), runner.core.run()), wait, final, question)
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
    force: ForceOption = False,
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
    not_rolling: Annotated[
        bool, typer.Option("--not-rolling", help="You have looked: no camera rolls.")
    ] = False,
    withdraw: Annotated[
        bool, typer.Option("--withdraw", help="Take back a `down` that waits for a take to end.")
    ] = False,
    set_name: SetOption = None,
    profile: ProfileOption = None,
    settings: SettingsOption = None,
    as_json: JsonOption = False,
) -> None:
    """Take the set down: without losing a take, hurting a lamp or leaving something on."""
    if withdraw:
        if everything or not_rolling:
            raise Stop(BAD_INPUT, "--withdraw takes a `down` back: it goes with nothing else")
        ask_simply("withdraw", settings, set_name, profile, as_json=as_json)
    more = {"everything": everything, "yes": not_rolling}
    _request("down", settings, set_name, profile, as_json, **more)


@app.command()
def restore(
    devices: DevicesArgument = None,
    force: ForceOption = False,
    set_name: SetOption = None,
    profile: ProfileOption = None,
    settings: SettingsOption = None,
    as_json: JsonOption = False,
) -> None:
    """Put back what has drifted."""
    _request("restore", settings, set_name, profile, as_json, targets=devices, force=force)


@app.command()
def keep(
    devices: DevicesArgument = None,
    set_name: SetOption = None,
    profile: ProfileOption = None,
    settings: SettingsOption = None,
    as_json: JsonOption = False,
) -> None:
    """Take what the lights are set to now as their presets, and write that into the profile."""
    ask_simply("keep", settings, set_name, profile, as_json=as_json, targets=devices)


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
    loaded = settings_or_stop(settings)
    name, path = which_set(loaded, set_name, profile)

    async def use(asker: Asker) -> int:
        await asker.need_bridge()
        return await say_answers(asker, "cut", yes=True)

    async def whole() -> int:
        from studiobridge.bridge.asking import NoBridge, NoBroker, NothingCut

        try:
            return await with_asker(loaded, name, use)
        except NothingCut:
            raise
        except (NoBridge, NoBroker) as error:
            raise NothingCut(str(error)) from None

    try:
        run_asking(whole())
    except Stop:
        for line in _breakers(path or profile_of(loaded, name)):
            show.fail(line)
        raise


def _breakers(path: Path | None) -> list[str]:
    """Where the breakers are, as the profile says; nothing where it cannot be read now."""
    try:
        profile = read_or_stop(path).profile if path is not None else None
    except Stop:
        return []
    return words.breakers(profile.circuits.values()) if profile is not None else []


@app.command()
def lockout(
    target: TargetArgument,
    by: Annotated[str, typer.Option(help="Who works on it.")],
    why: Annotated[str, typer.Option(help="Why.")],
    set_name: SetOption = None,
    profile: ProfileOption = None,
    settings: SettingsOption = None,
) -> None:
    """Somebody works on it: it will not be energised from here until it is released."""
    ask_simply("lockout", settings, set_name, profile, targets=[target], by=by, why=why)


@app.command()
def release(
    target: TargetArgument,
    set_name: SetOption = None,
    profile: ProfileOption = None,
    settings: SettingsOption = None,
) -> None:
    """The work is done: it may be energised again. Switches nothing on."""
    ask_simply("release", settings, set_name, profile, targets=[target])


@app.command()
def rolling(
    state: Annotated[str, typer.Argument(help="on or off")],
    cameras: DevicesArgument = None,
    set_name: SetOption = None,
    profile: ProfileOption = None,
    settings: SettingsOption = None,
) -> None:
    """Say that a camera rolls, where it does not say so itself. Nothing is changed then."""
    if state not in ("on", "off"):
        said = words.clean(state, 40)
        names = " ".join(
            words.clean(name, 40) for name in (state, *(cameras or ())) if name not in ("on", "off")
        )
        raise Stop(
            BAD_INPUT,
            f"'{said}' is neither on nor off, which stands before the cameras: `studiobridge"
            f" rolling on {names}` says that it rolls, `rolling off {names}` that it has stopped",
        )
    ask_simply(f"rolling_{state}", settings, set_name, profile, targets=cameras)
