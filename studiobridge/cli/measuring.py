"""`measure`: what a device takes to boot and to answer, what it draws, how it comes back."""

from __future__ import annotations

import asyncio
import contextlib
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
    ProfileOption,
    SetOption,
    SettingsOption,
    Stop,
    app,
    device_or_stop,
    leaving,
    profile_of,
    read_or_stop,
    run_asking,
    settings_or_stop,
    which_set,
)
from studiobridge.cli.question import may_i
from studiobridge.shown import words

if TYPE_CHECKING:
    from collections.abc import Mapping

    from studiobridge.bridge.settings import Settings
    from studiobridge.cli.stand import Stand
    from studiobridge.meeting.measuring import Measuring, Over, Wish
    from studiobridge.meeting.subject import Subject
    from studiobridge.profile.model import SetProfile
    from studiobridge.speech.message import Message

# What is put back may have to wait for a try that is just ending: asked so often, so far apart (s).
BACK_TRIES, BACK_EVERY = 30, 0.5


@app.command()
def measure(
    device: Annotated[str, typer.Argument(help="A light or a plug of the set.")],
    keep: Annotated[bool, typer.Option("--keep", help="Write it into the profile.")] = False,
    force: Annotated[
        bool, typer.Option("--force", help="--keep: also where the profile says otherwise.")
    ] = False,
    yes: Annotated[bool, typer.Option("--yes", help="Do not ask.")] = False,
    set_name: SetOption = None,
    profile: ProfileOption = None,
    settings: SettingsOption = None,
    as_json: JsonOption = False,
) -> None:
    """Switch one device on and off and dim it, and propose what its profile should say of it."""
    from studiobridge.meeting.subject import subject_of, why_not
    from studiobridge.profile.text import bytes_of

    loaded = settings_or_stop(settings)
    name, path = which_set(loaded, set_name, profile)
    if path is None:
        path = profile_of(loaded, name)
    if path is None:
        raise Stop(BAD_INPUT, "to measure it its profile is needed: say --profile FILE")
    if force and not keep:
        raise Stop(BAD_INPUT, "--force says what --keep may overwrite")
    seen = b""
    with contextlib.suppress(OSError):  # said by who reads it next
        seen = bytes_of(path)
    made = read_or_stop(path).profile
    device_or_stop(device, path, made.devices)
    refused = why_not(made, device)
    if refused is not None:
        raise Stop(BAD_INPUT, refused)
    subject = subject_of(made, device)
    _may_i(subject, yes)
    run_asking(_measure(loaded, name, path, made, subject, seen, keep, force, as_json))


def _may_i(subject: Subject, yes: bool) -> None:
    from studiobridge.shown.measured import question

    asked = question(subject.name, subject.plug is not None, subject.dims, subject.lasts)
    if yes:
        show.fail(asked)
        return
    may_i(asked)


async def _measure(
    settings: Settings,
    name: str,
    path: Path,
    made: SetProfile,
    subject: Subject,
    seen: bytes,
    keep: bool,
    force: bool,
    as_json: bool,
) -> int:
    from studiobridge.bridge.once import once
    from studiobridge.cli.stand import stand
    from studiobridge.meeting.conclusions import as_dict, conclusions
    from studiobridge.meeting.measuring import Measuring

    measuring = Measuring(subject)
    ears = Ears(made, measuring)
    link = once(settings.broker, "measure", ears.speech.subscriptions, ears.message, ears.gone)
    left: list[str] = []
    with leaving("it was ended by hand, and nothing is written"):
        async with stand(settings, name, path) as set_, link:
            try:
                over = await _script(measuring, set_, ears)
            except asyncio.CancelledError:
                measuring.stop(ears.now(), "it was ended by hand")
                for text in await _put_back(measuring, set_):
                    show.fail(text)
                raise
            if over.why is not None:
                left = await _put_back(measuring, set_)
    found = as_dict(conclusions(subject, measuring.measured, over))
    written = _keep(path, seen, subject.name, found, force) if keep and over.why is None else None
    report = {
        "device": subject.name,
        "done": over.why is None,
        "why": over.why,
        "did": over.did,
        "left": left,
        "written": written,
        **found,
    }
    if as_json:
        show.print_json(report)
    else:
        _print(subject.name, report)
    if over.why is None:
        return DONE
    return NO_BRIDGE if ears.lost else NOT_THERE


def _print(name: str, report: Mapping[str, Any]) -> None:
    from studiobridge.shown.measured import lines

    if report["why"] is not None:
        show.fail(f"{words.clean(name, 40)}: stopped: {words.clean(report['why'], 1000)}")
        show.fail(f"it came as far as: {words.clean(report['did'], 200)}; nothing is written")
        for text in report["left"]:
            show.fail(words.clean(text, 1000))
        return
    for line in lines(name, report, show.width()):
        show.out(line)
    if report["written"] is not None:
        keys = ", ".join(report["written"]) or "nothing"
        show.out(f"written into the profile: {keys}; a bridge reads it when it is started again")


def _keep(path: Path, seen: bytes, device: str, found: Mapping[str, Any], force: bool) -> list[str]:
    from studiobridge.profile.keep import CannotKeep
    from studiobridge.profile.keep_figures import keep_figures

    figures = {line["key"]: line["text"] for line in found["lines"]}
    try:
        keep_figures(path, seen, device, figures, force)
    except CannotKeep as error:
        # what was measured is not lost by that: it is printed for a hand to write
        from studiobridge.shown.measured import lines

        for line in lines(device, found, show.width()):
            show.fail(line)
        raise Stop(NOT_THERE, str(error)) from None
    return list(figures)


class Ears:
    """Hears what the devices say, beside whoever runs the set."""

    def __init__(self, profile: SetProfile, measuring: Measuring) -> None:
        from studiobridge.speech import Speech

        self.lost = False
        self.wish: Wish | None = None
        self.news = asyncio.Event()
        self.now = asyncio.get_running_loop().time
        self.speech = Speech(profile)
        self._measuring = measuring

    def gone(self, why: str) -> None:
        self.lost = True
        self.news.set()

    def message(self, message: Message) -> None:
        from studiobridge.profile.said import Report

        for said in self.speech.hear(message, self.now()):
            if isinstance(said, Report):
                wish = self._measuring.heard(
                    self.now(), said.device, said.point, said.value, said.retained
                )
                if wish is not None:
                    self.wish = wish
                    self.news.set()


async def _script(measuring: Measuring, set_: Stand, ears: Ears) -> Over:
    """Carry out one wish after another."""
    from studiobridge.bridge.asking import NoBridge, NoBroker
    from studiobridge.meeting.measuring import Over, Try

    ears.wish = measuring.begin(ears.now())
    did = measuring.did
    while not isinstance(ears.wish, Over):
        if measuring.did != did:
            did = measuring.did
            show.fail(f"{words.clean(measuring.subject.name, 40)}: {did}")
        wish = ears.wish
        if ears.lost:
            return measuring.stop(ears.now(), "the link to the broker was lost")
        if isinstance(wish, Try):
            more = {"value": wish.value} if wish.value is not None else {}
            try:
                answer = await set_.ask("try", targets=[wish.device], **more)
            except (NoBroker, NoBridge) as error:
                ears.lost = True
                return measuring.stop(ears.now(), str(error))
            ears.wish = measuring.answered(ears.now(), answer.code, answer.text, answer.detail)
            continue
        ears.news.clear()
        with contextlib.suppress(TimeoutError):
            async with asyncio.timeout(max(0.0, wish.until - ears.now())):
                await ears.news.wait()
        if ears.wish is wish and not ears.lost:
            ears.wish = measuring.due(ears.now())
    return ears.wish


async def _put_back(measuring: Measuring, set_: Stand) -> list[str]:
    """Leave it as it was found. Returns what could not be put back, and why."""
    from studiobridge.bridge.asking import NoBridge, NoBroker

    left: list[str] = []
    for back in measuring.back():
        text = ""
        cools = round(measuring.subject.device.cools_in / BACK_EVERY)
        for _ in range(BACK_TRIES + cools):
            try:
                answer = await set_.ask("try", targets=[back.device], value=back.value)
            except (NoBroker, NoBridge, Stop) as error:
                text = str(error)
                break
            text = "" if answer.code == 0 else answer.text
            waits = "try it when that is done" in text or "ask again" in text
            if not waits and "cools down" not in text:
                break
            await asyncio.sleep(BACK_EVERY)
        if text:
            left.append(f"{back.device} was found at {back.value} and is not put back: {text}")
    return left
