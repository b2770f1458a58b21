"""What install asks of the program it installed, with its own Python and libraries.

    ask.py busy     is a set in the middle of a run, or does a camera roll? Sentences; exit 1 if so
    ask.py witness  which profiles have `witness:`? Their files, one a line
    ask.py reach    do broker and page answer, over TLS? Sentences about what does not; exit 1

The settings come from STUDIOBRIDGE_SETTINGS, as for every command.
"""

from __future__ import annotations

import asyncio
import json
import ssl
import sys
import time
import urllib.error
import urllib.request

from studiobridge.bridge.asking import Asker, NoBroker
from studiobridge.bridge.settings import Settings, SettingsError, load_settings
from studiobridge.bridge.shelf import all_files, load


def witness(settings: Settings) -> list[str]:
    """Files whose camera is to be looked at; one that cannot be read has none."""
    found = []
    for file in all_files(settings.profiles):
        profile = load(file, lambda text: None)
        if profile is not None and profile.witness is not None:
            found.append(str(file))
    return found


async def busy(settings: Settings) -> list[str]:
    found = []
    for file in all_files(settings.profiles):
        profile = load(file, lambda text: None)
        if profile is None:
            continue
        try:
            async with Asker(settings, profile.name) as asker:
                shown = await asker.settled()
        except NoBroker as error:
            found.append(f"{profile.name}: cannot be asked how it stands: {error}")
            continue
        if not shown.bridge_alive or shown.state is None:
            continue
        state = shown.state.get("state")
        if state in ("rising", "lowering"):
            found.append(f"{profile.name} is {state}")
        if shown.state.get("rolling"):
            found.append(f"{profile.name}: a camera rolls")
    return found


def broker(settings: Settings) -> str | None:
    import paho.mqtt.client as mqtt

    said = settings.broker
    answers: list[str] = []
    client = mqtt.Client(mqtt.CallbackAPIVersion.VERSION2, protocol=mqtt.MQTTv5)
    client.on_connect = lambda c, u, f, reason, p: answers.append(str(reason))
    if said.user:
        client.username_pw_set(
            said.user, said.password.get_secret_value() if said.password is not None else None
        )
    try:
        if said.tls is not None:
            client.tls_set_context(ssl.create_default_context(cafile=said.tls.ca))
        client.connect(*said.address)
        end = time.monotonic() + 5.0
        while not answers and time.monotonic() < end:
            client.loop(0.1)
        client.disconnect()
    except (OSError, ValueError) as error:
        return f"the broker at {said.shown} cannot be reached: {error}"
    if not answers:
        return f"the broker at {said.shown} does not answer"
    if answers[0] != "Success":
        return f"the broker at {said.shown} does not let '{said.user}' in: {answers[0]}"
    return None


def page(settings: Settings) -> str | None:
    made = settings.panel
    where = f"https://127.0.0.1:{made.port}/health"
    try:
        trust = ssl.create_default_context(cafile=made.ca)
        try:
            with urllib.request.urlopen(where, timeout=5, context=trust) as reply:
                said = json.load(reply)
        except urllib.error.HTTPError as error:
            said = json.load(error)
    except (OSError, ValueError) as error:
        return f"the page at {where.removesuffix('/health')} does not answer: {error}"
    if not said["broker"]:
        return "the page does not reach the broker"
    away = [name for name, sure in said["sets"].items() if not sure]
    if away:
        return f"no bridge runs {' and '.join(away)}"
    return None


def main() -> int:
    try:
        settings = load_settings()
    except SettingsError as error:
        print(error)
        return 1
    if sys.argv[1:] == ["busy"]:
        found = asyncio.run(busy(settings))
    elif sys.argv[1:] == ["witness"]:
        print("\n".join(witness(settings)))
        return 0
    elif sys.argv[1:] == ["reach"]:
        found = [text for text in (broker(settings), page(settings)) if text is not None]
    else:
        print(__doc__)
        return 2
    for text in found:
        print(text)
    return 1 if found else 0


if __name__ == "__main__":
    sys.exit(main())
