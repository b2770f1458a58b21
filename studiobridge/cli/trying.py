"""`try`: one device, on a live broker, without bringing anything up."""

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
    NOT_THERE,
    JsonOption,
    ProfileOption,
    SetOption,
    SettingsOption,
    Stop,
    app,
    device_or_stop,
    leaving,
    read_or_stop,
    run_asking,
    settings_or_stop,
    which_set,
)
from studiobridge.cli.question import may_i
from studiobridge.shown import words

if TYPE_CHECKING:
    from studiobridge.bridge.link import Link
    from studiobridge.bridge.settings import Settings
    from studiobridge.profile.model import Point, Value
    from studiobridge.speech import Speech
    from studiobridge.speech.message import Message

# What nobody has described is listened to for so long (s) after it was told: meters say what they
# read every one to ten seconds (common practice).
LISTENS = 10.0
# ... and only so long (s) once it has said what it was told.
AFTER_ANSWER = 2.0
# A message to gear that no set knows is dropped by the broker after (s).
LIVES = 2.0
GOES_ON = "this command ends; the try ends by itself within seconds, and the record has it"


@app.command("try")
def try_(
    said: Annotated[
        list[str] | None,
        typer.Argument(
            metavar="DEVICE [VALUE]", help="on, off, '40 %', '3200 K' or '#20ff40'; none: listen."
        ),
    ] = None,
    blink: Annotated[
        bool, typer.Option("--blink", help="Which one is it: three dips, and back to what it was.")
    ] = False,
    dialect: Annotated[
        str | None, typer.Option(help="A dialect of the book or of --profile, and no set.")
    ] = None,
    at: Annotated[str | None, typer.Option("--at", help="Its topic, with --dialect.")] = None,
    book: Annotated[Path, typer.Option(help="The book of what was met.")] = Path("met.yaml"),
    yes: Annotated[bool, typer.Option("--yes", help="With --dialect: do not ask.")] = False,
    set_name: SetOption = None,
    profile: ProfileOption = None,
    settings: SettingsOption = None,
    as_json: JsonOption = False,
) -> None:
    """Tell one device something, or listen to it, and see what is said on which topic.

    Through every interlock of its set, and recorded. With --dialect there is no set, and no gate
    but this: nothing is told while a set on this broker has a lockout, or a camera rolls there.
    """
    given = list(said or ())
    loaded = settings_or_stop(settings)
    if dialect is not None or at is not None:
        if dialect is None or at is None:
            raise Stop(BAD_INPUT, "--dialect and --at go together: how it speaks, and where")
        if blink or set_name is not None:
            raise Stop(BAD_INPUT, "--blink and --set are for a device of a set, not for --dialect")
        _alone(loaded, profile or book, dialect, at, " ".join(given), yes, as_json)
        return
    if not given:
        raise Stop(BAD_INPUT, "which device? `studiobridge try DEVICE [on|off|'40 %'|'3200 K']`")
    device, value = given[0], " ".join(given[1:])
    if value:
        _read(value)
    name, path = which_set(loaded, set_name, profile)
    if path is not None:
        device_or_stop(device, path, read_or_stop(path).profile.devices)

    async def use() -> int:
        from studiobridge.cli.stand import stand

        with leaving(GOES_ON):
            async with stand(loaded, name, path) as set_:
                more: dict[str, Any] = {"value": value} if value else {}
                if blink:
                    more["blink"] = True
                answer = await set_.ask("try", targets=[device], **more)
        if as_json:
            detail = dict(answer.detail)
            show.print_json({"code": answer.code, "text": answer.text, "detail": detail})
        else:
            from studiobridge.shown.trial import lines

            for line in lines(device, answer.detail, show.width()) if answer.detail else ():
                show.out(line)
            (show.out if answer.code == DONE else show.fail)(words.clean(answer.text, 2000))
        return int(answer.code)

    run_asking(use())


def _read(value: str) -> tuple[Point, Value]:
    from studiobridge.profile.wish import read_value

    try:
        return read_value(value)
    except ValueError as error:
        raise Stop(BAD_INPUT, str(error)) from None


# ---- without a set ------------------------------------------------------------------------------


def _alone(
    settings: Settings, file: Path, dialect: str, at: str, value: str, yes: bool, as_json: bool
) -> None:
    """A device that no set knows: said, asked, told once, and listened to."""
    from studiobridge.meeting.lone import IT, lone
    from studiobridge.profile import ProfileError
    from studiobridge.profile.text import bytes_of, read_document
    from studiobridge.speech import Speech

    try:
        made = lone(read_document(bytes_of(file), str(file)), dialect, at)
    except OSError as error:
        raise Stop(BAD_INPUT, f"{file} cannot be read: {error.strerror or error}") from None
    except ProfileError as error:
        raise Stop(BAD_INPUT, str(error)) from None
    speech = Speech(made)
    messages: list[Message] = []
    wish: tuple[Point, Value] | None = None
    if value:
        wish = _read(value)
        if wish[0] not in made.devices[IT].tells:
            can = " and ".join(sorted(made.devices[IT].tells)) or "nothing"
            text = f"'{dialect}' cannot tell its {wish[0]}; it can tell {can}"
            raise Stop(BAD_INPUT, text)
        messages = _safe(speech.tell(IT, [wish], None), wish)
    show.fail("no set knows this device: nothing here knows its mains, or who has a hand on it")
    for message in messages:
        topic, payload = words.clean(message.topic, 200), message.payload.decode(errors="replace")
        show.fail(f"it would be told on `{topic}`: {words.clean(payload, 200)}")
    if messages and not yes:
        may_i()
    run_asking(_listen(settings, speech, messages, wish, as_json))


def _safe(messages: list[Message], wish: tuple[Point, Value]) -> list[Message]:
    """Nothing retained, with an expiry, and at QoS 0 where it brings something on (delivery.py)."""
    from dataclasses import replace

    on = wish[1] is True or (wish[0] == "level" and isinstance(wish[1], float) and wish[1] > 0)
    return [
        replace(m, retain=False, expiry=LIVES, qos=0 if on else min(m.qos, 1)) for m in messages
    ]


async def _has_all(link: Link) -> bool:
    """Has the broker had all that was said so far, within the life of a command?"""
    had = asyncio.Event()
    if not link.probe(had.set):
        return False
    with contextlib.suppress(TimeoutError):
        async with asyncio.timeout(LIVES):
            await had.wait()
    return had.is_set()


async def _listen(
    settings: Settings,
    speech: Speech,
    messages: list[Message],
    wish: tuple[Point, Value] | None,
    as_json: bool,
) -> int:
    """Tell it, and say what is heard for a while."""
    import time

    from studiobridge.bridge.asking import NoBroker
    from studiobridge.bridge.once import once
    from studiobridge.bridge.trials import Trials
    from studiobridge.meeting.lone import IT
    from studiobridge.meeting.sets import FILTER, Sets
    from studiobridge.profile.said import Report
    from studiobridge.shown.trial import lines

    trial, sets = Trials(), Sets()
    trial.begins(IT, {IT: ()}, time.monotonic())
    spoke = answered = False

    def message(came: Message) -> None:
        nonlocal spoke, answered
        sets.hear(came)
        found = speech.hear(came, time.monotonic())
        live = [said for said in found if isinstance(said, Report) and not said.retained]
        spoke = spoke or bool(live)
        answered = answered or any(wish is not None and said.point == wish[0] for said in live)
        trial.heard(came, found, time.monotonic())

    def filters() -> list[tuple[str, int]]:
        return [*speech.subscriptions(), (FILTER, 0)]

    async with once(settings.broker, "try", filters, message) as link:
        with leaving("nothing more is sent"):
            if messages:
                # what the broker keeps of the sets on it comes before it answers this
                if not await _has_all(link):
                    raise NoBroker("the broker does not answer: nothing was told")
                if hindered := sets.why_not():
                    raise Stop(NOT_THERE, hindered)
            for told in messages:
                if not link.publish(told):
                    raise NoBroker("the link to the broker was lost before it was told")
            if wish is not None:
                trial.told(IT, [wish], messages, LIVES, time.monotonic())
            if messages and not await _has_all(link):
                text = f"what was told did not reach the broker in {LIVES:g} s"
                link.cut(text)  # no expiry counts before it does: it must not arrive later
                raise NoBroker(f"{text}: whether it is told nobody knows; look at it")
            asked = [] if messages else speech.ask(IT)
            for one in asked:
                link.publish(one)
            trial.asked(IT, asked, LIVES, time.monotonic())
            waits = LISTENS
            while waits > 0 and link.connected:
                await asyncio.sleep(0.1)
                waits = (min(waits, AFTER_ANSWER) if answered else waits) - 0.1
            if not link.connected:
                raise NoBroker("the link to the broker was lost")
    detail = trial.taken(speech.lacking)
    if as_json:
        show.print_json({"code": DONE if spoke else NOT_THERE, "detail": detail})
    else:
        for line in lines(IT, detail, show.width()):
            show.out(line)
    return DONE if spoke else NOT_THERE
