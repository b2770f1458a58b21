"""`witness learn`: each lamp alone, once, so that any later picture tells how bright each is."""

from __future__ import annotations

import contextlib
import os
import sys
from collections.abc import Iterator
from datetime import datetime
from math import ceil
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from studiobridge.cli import show
from studiobridge.cli.base import (
    BAD_INPUT,
    DONE,
    NO_BRIDGE,
    NOT_THERE,
    JsonOption,
    SettingsOption,
    Stop,
    leaving,
    profile_or_stop,
    run_asking,
    settings_or_stop,
)
from studiobridge.cli.question import forget_what_was_typed, may_i, typed
from studiobridge.cli.witnessing import libraries_or_stop, set_with_witness, witness_app
from studiobridge.shown import words

if TYPE_CHECKING:
    from studiobridge.bridge.settings import Settings
    from studiobridge.profile.model import SetProfile
    from studiobridge.witness.lesson import ByHand, Done, Lesson


@witness_app.command("learn")
def witness_learn(
    profile: Annotated[Path | None, typer.Argument(help="The set profile (YAML).")] = None,
    into: Annotated[
        Path | None, typer.Option("--into", help="Keep it in this folder, not beside the profile.")
    ] = None,
    yes: Annotated[bool, typer.Option("--yes", help="Do not ask.")] = False,
    settings: SettingsOption = None,
    as_json: JsonOption = False,
) -> None:
    """See each lamp alone, once: the room goes dark and the lamps go to full, one by one."""
    loaded = settings_or_stop(settings)
    path = profile_or_stop(loaded, profile, "witness learn")
    libraries_or_stop()
    found = set_with_witness(path)
    from studiobridge.witness.keeping import folder_of, may_save
    from studiobridge.witness.lesson import pupils
    from studiobridge.witness.stored import CannotWrite

    folder = into or folder_of(path)
    try:  # not after minutes in the dark
        may_save(folder, sum(len(pupil.whites) for pupil in pupils(found, {})[0]))
    except CannotWrite as error:
        raise Stop(NOT_THERE, str(error)) from None
    for line in plan(found, folder):
        show.fail(line)
    if not yes:
        may_i()
    with _alone(folder):
        run_asking(_learn(found, path, folder, loaded, as_json, settings))


@contextlib.contextmanager
def _alone(folder: Path) -> Iterator[None]:
    """Two lessons at once would each see the other's lamps. The system lets go of it at any end."""
    import fcntl

    handle = os.open(folder, os.O_RDONLY)
    try:
        try:
            fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError:
            raise Stop(NOT_THERE, f"a lesson into {folder} runs already: wait for it") from None
        except OSError:
            pass  # a file system without locks
        yield
    finally:
        os.close(handle)


def plan(profile: SetProfile, folder: Path) -> list[str]:
    """What will happen, before anybody says yes to it."""
    from studiobridge.witness.lesson import pupils

    found, out = pupils(profile, {})
    hands = ", ".join(pupil.device.name for pupil in found if pupil.by_hand)
    lines = [
        f"{len(found)} lamps are seen alone, one by one, by the bridge's own tries; each goes to"
        " full for some seconds, and the room is dark between.",
        "Nobody in the picture, nobody on a ladder or at a stand, no reflection of you: step behind"
        " the camera. Set its exposure, white and focus by hand first.",
        f"It takes about {ceil(_lasts(profile) / 60)} min"
        + (f", and the dials that you turn when asked: {hands}." if hands else ".")
        + " The look is asked for again then, and what was seen is reckoned for a minute or so.",
        f"What is kept: a picture of the empty room by each lamp, in {folder}, for you alone to"
        " read, until you delete it or learn anew.",
        "A picture is no meter.",
    ]
    if out:
        lines.append("Left out: " + "; ".join(f"{name} ({why})" for name, why in out.items()) + ".")
    return [words.clean(line, 400) for line in lines]


def _lasts(profile: SetProfile) -> float:
    from studiobridge.witness.lesson import Lesson

    return Lesson(profile, "").lasts


async def _learn(
    profile: SetProfile,
    path: Path,
    folder: Path,
    settings: Settings,
    as_json: bool,
    settings_file: Path | None,
) -> int:
    from studiobridge.bridge.asking import Asker
    from studiobridge.bridge.settings import SettingsError
    from studiobridge.cli.putting_back import put_back_if_killed
    from studiobridge.witness.frames import open_frames
    from studiobridge.witness.keeping import save
    from studiobridge.witness.session import CannotLearn, Session
    from studiobridge.witness.stored import CannotWrite

    assert profile.witness is not None
    try:
        frames = open_frames(profile.witness, settings, near=path.parent)
    except SettingsError as error:
        raise Stop(BAD_INPUT, str(error)) from None
    progress = Progress(as_json)
    with leaving(
        "it was ended by hand, and nothing is kept; the look was asked for again: `status` says"
        " whether it is back, `restore` asks once more"
    ):
        async with Asker(settings, profile.name, devices=False) as asker, frames:
            await asker.need_bridge()
            session = Session(profile, asker, frames, progress.hand, progress.said)
            made = datetime.now().astimezone().isoformat(timespec="seconds")
            try:
                async with put_back_if_killed(profile.name, settings_file):
                    done = await session.learn(made)
                save(done.learned, folder)
            except CannotLearn as error:
                progress.over()
                if error.left:
                    show.fail(words.clean(error.left, 400))
                gone = not asker.shown.bridge_alive
                raise Stop(NO_BRIDGE if gone else NOT_THERE, str(error)) from None
            except CannotWrite as error:
                progress.over()
                raise Stop(NOT_THERE, str(error)) from None
    progress.over()
    report = as_dict(done, folder)
    if as_json:
        show.print_json(report)
    else:
        for line in lines(report):
            show.out(line)
    return DONE


def as_dict(done: Done, folder: Path) -> dict[str, Any]:
    """The shape of `witness learn --json`."""
    learned = done.learned
    lamps: dict[str, list[float]] = {}
    for share in learned.shares:
        whites = lamps.setdefault(share.device, [])
        if share.cct is not None:
            whites.append(share.cct)
    return {
        "folder": str(folder),
        "made": learned.made,
        "lamps": lamps,
        "error": None if learned.error is None else round(learned.error, 3),
        "left_out": dict(done.left_out),
        "notes": list(done.notes),
    }


def lines(report: dict[str, Any]) -> list[str]:
    found = [
        f"learned: {', '.join(report['lamps'])}",
        f"all of them together are within {report['error']:.2f} stop of the sum of each alone"
        " (the middle of the picture)"
        if report["error"] is not None
        else "fewer than two could be seen together: nothing holds what was learned to account",
    ]
    found += [f"not learned: {name}: {why}" for name, why in report["left_out"].items()]
    found += [f"note: {note}" for note in report["notes"]]
    found.append(f"kept in {report['folder']}; a witness that serves reads it by itself")
    return [words.clean(line, 400) for line in found]


class Progress:
    """How far it is: a line that changes in a terminal, a line a lamp elsewhere."""

    def __init__(self, quiet: bool) -> None:
        self._quiet = quiet
        self._live = not quiet and sys.stderr.isatty()
        self._last = ""

    def said(self, lesson: Lesson) -> None:
        done, of, doing = lesson.progress
        text = words.clean(f"{done} of {of}: {doing}", 120)
        if self._quiet or text == self._last:
            return
        self._last = text
        if self._live:
            sys.stderr.write(f"\r\033[K  {text}")
            sys.stderr.flush()
        else:
            show.fail(f"  {text}")

    def over(self) -> None:
        if self._live and self._last:
            sys.stderr.write("\n")
        self._last = ""

    async def hand(self, wish: ByHand) -> bool:
        """Ask a person to turn a dial; False: this lamp is left out."""
        self.over()
        if not sys.stdin.isatty():
            return False
        skips = wish.device is not None
        show.fail(
            words.clean(
                f"{wish.text}, then press Enter{' (s: leave it out)' if skips else ''}", 200
            )
        )
        forget_what_was_typed()
        line = await typed()
        return not (skips and line.strip().lower() == "s") and bool(line)
