"""What every command shares: the program itself, its options, how it ends, what it needs read.

Imports are late everywhere in this room, so that --help is quick.
"""

from __future__ import annotations

import contextlib
import re
import shlex
import sys
from collections.abc import Callable, Coroutine, Iterable, Iterator, Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from studiobridge.cli import show
from studiobridge.shown import words

if TYPE_CHECKING:
    from studiobridge.bridge.asking import Asker
    from studiobridge.bridge.settings import Settings
    from studiobridge.profile.build import Reading
    from studiobridge.profile.model import Preset

DONE, NOT_THERE, BAD_INPUT, NO_BRIDGE = 0, 1, 2, 3

# What --help shows, in the order in which somebody new comes to need it.
SECTIONS = {
    "The first day": ("listen", "meet", "try", "measure", "draft"),
    "A profile, touching nothing": (
        *("check", "explain", "plan", "light", "balance", "shutter"),
        *("mains", "room", "setup", "sheet"),
        "schema",
    ),
    "A set": (
        *("run", "up", "restore", "keep", "look", "adjust", "down", "cut"),
        *("quiet",),
        *("lockout", "release", "rolling", "by-hand", "ask"),
    ),
    "How it stands": (
        *("status", "drift", "before", "after", "watch", "takes", "record", "panel"),
        *("witness",),
    ),
    "With no gear": ("rehearse", "touch", "version"),
}


class Program(typer.core.TyperGroup):
    """The program with its commands under headings."""

    def format_commands(self, ctx: Any, formatter: Any) -> None:
        for title, names in SECTIONS.items():
            known = [(n, self.get_command(ctx, n)) for n in names if n in self.commands]
            longest = max(len(n) for names in SECTIONS.values() for n in names)
            rows = [
                (n.ljust(longest), (c.help or "").strip().partition("\n")[0])
                for n, c in known
                if c is not None
            ]
            if rows:
                with formatter.section(title):
                    formatter.write_dl(rows)


app = typer.Typer(
    cls=Program,
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
ProfilesArgument = Annotated[list[Path] | None, typer.Argument(help="Set profiles.")]
DevicesArgument = Annotated[list[str] | None, typer.Argument(help="Only these.")]
TargetArgument = Annotated[str, typer.Argument(help="A device or a circuit.")]
ForceOption = Annotated[bool, typer.Option(help="even while a camera rolls (recorded)")]
LookOption = Annotated[str | None, typer.Option("--look", help="A look of the set.")]


@app.callback()
def _program() -> None:
    # with it the program has commands though only one module of them is loaded
    pass


class Stop(Exception):
    """Ends a command with a sentence and an exit code."""

    def __init__(self, code: int, text: str = "") -> None:
        super().__init__(text)
        self.code = code


# ---- helpers -----------------------------------------------------------------------------

_noted: set[Path] = set()


def note_old_words(path: Path, reading: Reading) -> None:
    """Once a file, however often a command reads it."""
    if reading.old_words is not None and path not in _noted:
        _noted.add(path)
        show.fail(str(reading.old_words))


def read_or_stop(path: Path) -> Reading:
    from studiobridge.control.plan import order_problems
    from studiobridge.profile import ProfileError, read_profile

    try:
        reading = read_profile(path)
    except ProfileError as error:
        for problem in error.problems:
            show.problem(problem)
        raise Stop(BAD_INPUT) from None
    note_old_words(path, reading)
    problems = order_problems(reading.profile)
    if problems:
        raise Stop(BAD_INPUT, "\n".join(f"{path}: {problem}" for problem in problems))
    return reading


def presets_or_stop(reading: Reading, look: str | None) -> tuple[str | None, Mapping[str, Preset]]:
    """The look asked for, or the default one, with its presets."""
    from studiobridge.control.plan import UnknownLook, presets_of

    try:
        presets = presets_of(reading.profile, look)
    except UnknownLook as error:
        raise Stop(BAD_INPUT, str(error)) from None
    return look or reading.profile.default_look, presets


def settings_or_stop(file: Path | None) -> Settings:
    from studiobridge.bridge.settings import SettingsError, load_settings

    try:
        settings = load_settings(file)
    except SettingsError as error:
        raise Stop(BAD_INPUT, str(error)) from None
    if not settings.profiles and settings.set_name is None and len(here := profiles_here()) == 1:
        # where nothing says otherwise, the one profile that stands here is meant, as met.yaml is
        settings = settings.model_copy(update={"profiles": tuple(here)})
    return settings


# A folder with more files than this is no folder of profiles; and the head of one is enough.
MOST_FILES, HEAD = 200, 20_000
_PROFILE = re.compile(rb"^format:\s.*?^set:\s|^set:\s.*?^format:\s", re.M | re.S)


def profiles_here() -> list[Path]:
    """The profiles in the folder somebody stands in, by what they begin with."""
    found = []
    try:
        files = sorted(p for p in Path().iterdir() if p.suffix in (".yaml", ".yml"))
    except OSError:
        return []
    for path in files[:MOST_FILES]:
        with contextlib.suppress(OSError):
            if path.is_file() and not path.name.startswith("."):
                with path.open("rb") as file:
                    if _PROFILE.search(file.read(HEAD)):
                        found.append(path)
    return found


def which_set(
    settings: Settings, set_name: str | None, profile: Path | None
) -> tuple[str, Path | None]:
    """The set meant, and its profile where one is at hand."""
    from studiobridge.profile.names import NAME

    if profile is None and set_name is None and settings.profiles:
        from studiobridge.bridge.shelf import NOTHING_YET, all_files, load

        files = all_files(settings.profiles)
        if len(files) > 1:
            # what cannot run stands in nobody's way: `run` and `check` say what is wrong with it
            files = [file for file in files if load(file, lambda text: None)] or files
        if not files and settings.set_name is None:
            raise Stop(NOT_THERE, NOTHING_YET)
        if len(files) == 1:
            profile = files[0]
    if profile is not None:
        found = read_or_stop(profile).profile.name
        if set_name is not None and set_name != found:
            raise Stop(BAD_INPUT, f"{profile} describes '{found}', not '{set_name}'")
        return found, profile
    name = set_name or settings.set_name
    if name is None:
        here = [words.clean(path.name, 60) for path in profiles_here()]
        stands = f"here stand {words.listed(here, 5)}; " if here else ""
        raise Stop(
            BAD_INPUT,
            f"which set? {stands}say --set NAME or --profile FILE, or set STUDIOBRIDGE_SET, or"
            " name one profile in the settings file",
        )
    if not NAME.match(name):
        raise Stop(BAD_INPUT, f"'{words.clean(name, 60)}' is not a name of a set")
    return name, None


def which_sets(command: str) -> str:
    """What to say where sets are to be served and none is named."""
    return (
        f"which sets? name their profiles: `studiobridge {command} corner.yaml`, or"
        " `profiles: [corner.yaml]` in the settings file; `studiobridge draft corner` writes one"
    )


def profile_of(settings: Settings, name: str) -> Path | None:
    """The file that describes this set, in the settings or in the folder somebody stands in."""
    return next(iter(profiles_of(settings, name)), None)


def profiles_of(settings: Settings, name: str) -> list[Path]:
    """All files there that describe this set."""
    from studiobridge.bridge.shelf import all_files, load

    loaded = {
        path: load(path, lambda text: None)
        for path in (*all_files(settings.profiles), *profiles_here())
    }
    return [path for path, found in loaded.items() if found is not None and found.name == name]


def profile_or_stop(settings: Settings, profile: Path | None, command: str) -> Path:
    """The profile that is meant by a command which reads it itself. Raises Stop."""
    say = f"say `studiobridge {command} PROFILE.yaml`"
    try:
        name, path = which_set(settings, None, profile)
    except Stop as stop:
        # this command has no --set
        options = "say --set NAME or --profile FILE, or set STUDIOBRIDGE_SET,"
        raise Stop(stop.code, str(stop).replace(options, f"{say},")) from None
    if path is not None:
        return path
    shown = words.clean(name, 60)
    found = profiles_of(settings, name)
    if not found:
        raise Stop(
            BAD_INPUT,
            f"no profile of '{shown}' is at hand: {say}, or name it in the settings file",
        )
    if len(found) > 1:
        several = words.listed([str(one) for one in found], 5)
        raise Stop(BAD_INPUT, f"of '{shown}' there are {several}: {say}")
    return found[0]


def device_or_stop(device: str, path: Path, known: Iterable[str]) -> None:
    """A device that the profile has; else what may be meant. Raises Stop."""
    from studiobridge.profile.near import nearest

    names = list(known)
    if device not in names:
        what = f"{path} has no device '{words.clean(device, 60)}'"
        raise Stop(BAD_INPUT, f"{what}; {nearest(device, names)}")


def to_install(extra: str) -> str:
    """How what is not there is had: by the Python that runs this, not by some other's pip."""
    return f"{shlex.quote(sys.executable)} -m pip install 'studiobridge[{extra}]'"


@contextlib.contextmanager
def leaving(text: str) -> Iterator[None]:
    """Ended by Ctrl-C or SIGTERM in here, a command says what goes on without it.

    To be entered in a task; the exit code is the one a shell gives to that signal.
    """
    import asyncio
    import signal

    task, loop = asyncio.current_task(), asyncio.get_running_loop()
    assert task is not None
    got: list[int] = []

    def end(number: int) -> None:
        got.append(number)
        task.cancel()

    signals = (signal.SIGINT, signal.SIGTERM)
    for number in signals:
        loop.add_signal_handler(number, end, number)
    try:
        yield
    except asyncio.CancelledError:
        if not got:
            raise
        raise Stop(128 + got[0], f"\n{text}") from None
    finally:
        for number in signals:
            loop.remove_signal_handler(number)


ELSEWHERE = "if your broker is another one, say STUDIOBRIDGE_BROKER=mqtt://HOST:PORT"


def run_asking(task: Coroutine[Any, Any, int]) -> None:
    import asyncio

    try:
        from studiobridge.bridge.asking import NoBridge, NoBroker
    except KeyboardInterrupt:
        task.close()
        raise
    try:
        code = asyncio.run(task)
    except NoBroker as error:
        hint = f"; {ELSEWHERE}" if "is not reached" in str(error) else ""
        raise Stop(NO_BRIDGE, f"{error}{hint}") from None
    except NoBridge as error:
        raise Stop(NO_BRIDGE, str(error)) from None
    finally:
        task.close()  # Ctrl-C before it began; after its end this is nothing
    raise typer.Exit(code)


async def with_asker(
    settings: Settings, name: str, use: Callable[[Asker], Any], devices: bool = False
) -> int:
    from studiobridge.bridge.asking import Asker

    async with Asker(settings, name, devices) as asker:
        return int(await use(asker))


def ask_simply(
    what: str,
    settings_file: Path | None,
    set_name: str | None,
    profile: Path | None,
    as_json: bool = False,
    **more: Any,
) -> None:
    """Ask for something that is answered at once, and say the answer."""
    settings = settings_or_stop(settings_file)
    name, _ = which_set(settings, set_name, profile)

    async def use(asker: Asker) -> int:
        await asker.need_bridge()
        return await say_answers(asker, what, as_json, **more)

    run_asking(with_asker(settings, name, use))


async def say_answers(asker: Asker, what: str, as_json: bool = False, **more: Any) -> int:
    code = NOT_THERE
    async for answer in asker.ask(what, **more):
        if answer.final and as_json:
            said = {"code": answer.code, "text": answer.text, "detail": dict(answer.detail)}
            show.print_json(said)
            code = answer.code
        elif answer.final:
            (show.out if answer.code == 0 else show.fail)(words.clean(answer.text, 2000))
            code = answer.code
    return code
