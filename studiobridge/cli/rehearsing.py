"""`rehearse`: a whole evening with simulated gear. `touch`: a hand on that gear."""

from __future__ import annotations

import asyncio
import json
import secrets
from typing import TYPE_CHECKING, Annotated, Any

import typer

from studiobridge.cli import show
from studiobridge.cli.base import (
    BAD_INPUT,
    NO_BRIDGE,
    LookOption,
    ProfileArgument,
    ProfileOption,
    SetOption,
    SettingsOption,
    Stop,
    app,
    read_or_stop,
    settings_or_stop,
    to_install,
    which_set,
)
from studiobridge.shown import words

if TYPE_CHECKING:
    from studiobridge.bridge.settings import Settings
    from studiobridge.speech.message import Message

# A rehearsal answers at once; so long (s) without a word there is none.
ANSWERS_WITHIN = 3.0


@app.command()
def rehearse(
    profile: ProfileArgument,
    pace: Annotated[
        float, typer.Option(min=0.1, max=50.0, help="How much faster than the gear's own times.")
    ] = 2.0,
    stay: Annotated[bool, typer.Option(help="Bridge and gear go on, to try commands.")] = False,
    look: LookOption = None,
    page: Annotated[
        bool, typer.Option("--page", help="Serve the page and let you play the evening on it.")
    ] = False,
    phone: Annotated[
        bool, typer.Option("--phone", help="As --page, on this network too, without TLS.")
    ] = False,
    witness: Annotated[
        bool, typer.Option("--witness", help="With a simulated camera, and what it tells.")
    ] = False,
) -> None:
    """Play a whole evening against simulated gear: no gear, no broker, nothing left running."""
    reading = read_or_stop(profile)
    try:
        import iotcore  # noqa: F401
    except ImportError:
        raise Stop(
            BAD_INPUT, f"a rehearsal brings its own broker: {to_install('rehearsal')}"
        ) from None
    from studiobridge.cli import pages
    from studiobridge.cli.evening import rehearse_evening

    if witness:
        from studiobridge.cli.witnessing import libraries_or_stop

        libraries_or_stop()
        if not profile.with_name(f"{profile.stem}.pictures").is_dir():
            raise Stop(
                BAD_INPUT,
                f"{profile}: no pictures of its lamps come with it, and a simulated camera needs"
                " them; config/wheel-corner.yaml has some",
            )
    served = None
    if page or phone:
        found = settings_or_stop(None)
        pages.keys_of(found)
        served = found.panel
        if phone:
            from studiobridge.bridge.settings import PanelSettings

            served = PanelSettings(port=served.port, listen="0.0.0.0", plain=True)
    raise typer.Exit(
        asyncio.run(rehearse_evening(profile, reading.profile, pace, stay, look, served, witness))
    )


@app.command()
def touch(
    device: Annotated[str, typer.Argument(help="A light, or something with a button.")],
    to: Annotated[list[str], typer.Argument(help="80 % · 3200 K · off · on")],
    set_name: SetOption = None,
    profile: ProfileOption = None,
    settings: SettingsOption = None,
) -> None:
    """Turn a simulated light by hand, where `rehearse --stay` or `--page` runs. Never real gear."""
    from studiobridge.rehearsal.hands import read_touch

    try:
        read_touch(to)
    except ValueError as error:
        raise Stop(BAD_INPUT, str(error)) from None
    found = settings_or_stop(settings)
    name, _ = which_set(found, set_name, profile)
    said = asyncio.run(_touched(found, name, device, to))
    if said is None:
        raise Stop(
            NO_BRIDGE,
            f"no rehearsal of '{name}' stays at {found.broker.shown}, and only simulated lights can"
            " be touched from here: start one with `studiobridge rehearse PROFILE --stay`",
        )
    code = int(said.get("code", 1))
    (show.out if code == 0 else show.fail)(words.clean(said.get("text", ""), 500))
    raise typer.Exit(code)


async def _touched(
    settings: Settings, name: str, device: str, to: list[str]
) -> dict[str, Any] | None:
    """Ask a rehearsal to touch it; None when there is none."""
    from studiobridge.bridge.link import CannotConnect, Link
    from studiobridge.rehearsal.hands import answers_topic, hand_topic
    from studiobridge.speech.message import Message

    who = secrets.token_hex(6)
    subscribed, heard = asyncio.Event(), asyncio.Event()
    said: list[Any] = []

    def answer(message: Message) -> None:
        try:
            said.append(json.loads(message.payload))
        except (ValueError, RecursionError):
            return
        heard.set()

    link = Link(
        settings.broker,
        f"hand-{who}",
        will=None,
        subscriptions=lambda: [(answers_topic(name, who), 1)],
        on_up=lambda: None,
        on_down=lambda why: None,
        on_message=answer,
        on_subscribed=subscribed.set,
    )
    try:
        await link.connect()
    except CannotConnect as error:
        raise Stop(NO_BRIDGE, str(error)) from None
    try:
        async with asyncio.timeout(ANSWERS_WITHIN):
            await subscribed.wait()
            body = json.dumps({"who": who, "device": device, "to": to}).encode()
            link.publish(Message(hand_topic(name), body, qos=1, expiry=ANSWERS_WITHIN))
            await heard.wait()
    except TimeoutError:
        return None
    finally:
        await link.close()
    return said[0] if isinstance(said[0], dict) else None
