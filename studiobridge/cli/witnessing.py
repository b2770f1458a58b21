"""The camera's picture as witness: serve it, look once. (`learn` is in learning.py.)"""

from __future__ import annotations

import asyncio
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from studiobridge.cli import show
from studiobridge.cli.base import (
    BAD_INPUT,
    NOT_THERE,
    JsonOption,
    ProfilesArgument,
    SettingsOption,
    Stop,
    app,
    profile_or_stop,
    read_or_stop,
    settings_or_stop,
    to_install,
    which_sets,
)

if TYPE_CHECKING:
    from studiobridge.bridge.asking import Asker
    from studiobridge.bridge.settings import Settings
    from studiobridge.profile.model import SetProfile

witness_app = typer.Typer(
    help="The camera's picture as witness: learn the lamps, look, and say what is seen.",
    no_args_is_help=True,
    rich_markup_mode=None,
)
app.add_typer(witness_app, name="witness")

NO_WITNESS = (
    "{} has no `witness:`: say there where frames come from, like witness: {{frames: folder"
    " incoming}}; see config/picture-as-witness.md"
)


def libraries_or_stop() -> None:
    """The witness has libraries of its own, which a set that has no camera does without."""
    from importlib.util import find_spec

    if any(find_spec(name) is None for name in ("numpy", "scipy", "cv2")):
        raise Stop(BAD_INPUT, f"the witness needs more: {to_install('witness')}")


def _with_witness(paths: list[Path], named: bool) -> list[tuple[Path, SetProfile]]:
    """Those profiles that say where frames come from; who names one means it."""
    found = []
    for path in paths:
        profile = read_or_stop(path).profile
        if profile.witness is not None:
            found.append((path, profile))
        elif named:
            raise Stop(BAD_INPUT, NO_WITNESS.format(path))
    if not found:
        raise Stop(BAD_INPUT, NO_WITNESS.format("no profile here"))
    return found


def set_with_witness(path: Path) -> SetProfile:
    """This profile, which has to say where frames come from."""
    ((_, profile),) = _with_witness([path], True)
    return profile


@witness_app.command("serve")
def witness_serve(profiles: ProfilesArgument = None, settings: SettingsOption = None) -> None:
    """Look at the picture while the set is up, and say what is seen, until stopped.

    Nothing of it is kept but what `look save` asks for, with nobody in it.
    """
    loaded = settings_or_stop(settings)
    from studiobridge.bridge.shelf import all_files

    paths = all_files(profiles or list(loaded.profiles))
    if not paths:
        raise Stop(BAD_INPUT, which_sets("witness serve"))
    found = _with_witness(paths, bool(profiles))
    libraries_or_stop()
    for warning in loaded.warnings:
        show.fail(f"warning: {warning}")
    raise typer.Exit(asyncio.run(_serve(found, loaded)))


async def _serve(found: list[tuple[Path, SetProfile]], settings: Settings) -> int:
    import signal

    from studiobridge.witness.serving import serve

    stopped = asyncio.Event()
    for number in (signal.SIGINT, signal.SIGTERM):
        asyncio.get_running_loop().add_signal_handler(number, stopped.set)
    return await serve(found, settings, stopped, show.fail)


@witness_app.command("look")
def witness_look(
    profile: Annotated[Path | None, typer.Argument(help="The set profile (YAML).")] = None,
    settings: SettingsOption = None,
    as_json: JsonOption = False,
) -> None:
    """Look at the picture once, and say what is seen. Nothing of it is kept."""
    loaded = settings_or_stop(settings)
    path = profile_or_stop(loaded, profile, "witness look")
    raise typer.Exit(asyncio.run(_look(set_with_witness(path), path, loaded, as_json)))


async def _look(profile: SetProfile, path: Path, settings: Settings, as_json: bool) -> int:
    import time

    from studiobridge.bridge.asking import Asker, NoBroker, NoWitness, picture_within
    from studiobridge.cli.waiting import waiting

    assert profile.witness is not None
    witness = profile.witness
    clock = 0.0
    try:
        async with Asker(settings, profile.name, devices=False) as asker:
            await asker.settled()
            async with waiting("looking", lambda: _why_not_yet(asker)):
                answer = await asker.ask_witness("look")
            clock = asker.shown.clock or 0.0
            if answer.code != 0:
                raise Stop(NOT_THERE, answer.text)
            said: Any = answer.detail.get("sighting")
    except (NoBroker, NoWitness) as error:
        within = picture_within("look", witness.every)
        show.fail(f"{error}: looking from here, about {within:.0f} s at most")
        async with waiting("looking"):
            said = await _look_here(profile, path, settings)
    if as_json:
        show.print_json(said)
        return 0
    from studiobridge.shown import seen

    # who asked for this look reads it with its time, however fast a set is looked at else
    every = max(witness.every, seen.EVERY)
    lines = seen.sentences(said, time.time() + clock, every, face=witness.face is not None)
    for line in lines:
        show.out(line)
    return 0


def _why_not_yet(asker: Asker) -> str:
    """What the witness says of itself where it has no picture."""
    alive = asker.shown.witness or {}
    return str(alive.get("why") or "") if alive.get("what") == "no frames" else ""


async def _look_here(profile: SetProfile, path: Path, settings: Settings) -> Any:
    """With no witness that serves: open the frames, look, let go."""
    libraries_or_stop()
    from dataclasses import asdict

    from studiobridge.bridge.settings import SettingsError
    from studiobridge.witness.asked import Cannot
    from studiobridge.witness.frames import FramesError
    from studiobridge.witness.serving import look_once
    from studiobridge.witness.stored import CannotRead

    try:
        sighting = await look_once(profile, path, settings)
    except SettingsError as error:
        raise Stop(BAD_INPUT, str(error)) from None
    except (FramesError, CannotRead, Cannot, ValueError) as error:
        raise Stop(NOT_THERE, str(error)) from None
    if sighting is None:
        raise Stop(NOT_THERE, "no lamp was learned yet: `studiobridge witness learn`")
    return asdict(sighting)


# its command joins the group above
from studiobridge.cli import learning  # noqa: E402, F401
