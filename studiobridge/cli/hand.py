"""`by-hand`: a person says that a dial is turned, guided by the watts of its plug."""

from __future__ import annotations

import asyncio
import json
import sys
import time
from typing import TYPE_CHECKING, Annotated, Any

import typer

from studiobridge.cli import show
from studiobridge.cli.base import (
    NOT_THERE,
    DevicesArgument,
    JsonOption,
    ProfileOption,
    SetOption,
    SettingsOption,
    app,
    run_asking,
    settings_or_stop,
    which_set,
    with_asker,
)
from studiobridge.shown import words

if TYPE_CHECKING:
    from studiobridge.bridge.asking import Asker
    from studiobridge.shown.hand import Guide

# Nothing may be new for a while when a meter is slow: look whether there is a bridge at all (s).
LOOKS_EVERY = 1.0
# That a hand is on this dial is said anew so often (s): well within the time it holds.
SAYS_EVERY = 10.0


@app.command("by-hand")
def by_hand(
    devices: DevicesArgument = None,
    watch: Annotated[
        bool | None,
        typer.Option(
            "--watch/--no-watch",
            help="Guide the hand by the plug's watts first; so by itself in a terminal.",
        ),
    ] = None,
    set_name: SetOption = None,
    profile: ProfileOption = None,
    settings: SettingsOption = None,
    as_json: JsonOption = False,
) -> None:
    """Say that the lights on dials are turned to what the look asks for (recorded).

    Where a plug meters such a light, its watts say how far to turn it.
    """
    loaded = settings_or_stop(settings)
    name, _ = which_set(loaded, set_name, profile)
    guided = show.terminal() and not as_json if watch is None else watch

    async def use(asker: Asker) -> int:
        from studiobridge.shown.hand import guide

        shown = await asker.need_bridge()
        asked = list(devices or ())
        dials = asked or [
            str(entry["device"]) for entry in words.entries((shown.state or {}).get("hand_set"))
        ]
        if guided:
            for dial in dials:
                seen = guide(dial, shown.devices.get(dial, {}).get("dial"))
                if seen is None and watch and dial in shown.devices:
                    show.fail(f"{words.clean(dial, 40)}: no plug meters it, or it has said nothing")
                    return NOT_THERE
                if seen is not None:
                    await _turned(asker, dial, as_json)
        return await _say(asker, as_json, targets=asked)

    run_asking(with_asker(loaded, name, use, devices=True))


async def _say(asker: Asker, as_json: bool, **more: Any) -> int:
    code = NOT_THERE
    async for answer in asker.ask("set_by_hand", **more):
        if not answer.final:
            continue
        code = answer.code
        if as_json:
            print(json.dumps({"code": code, "text": answer.text}, ensure_ascii=False), flush=True)
        else:
            (show.out if code == 0 else show.fail)(words.clean(answer.text, 2000))
    return code


async def _turned(asker: Asker, device: str, as_json: bool) -> None:
    """Guide the hand on this dial until the watts say that it is there, or a person does."""
    from studiobridge.bridge.asking import NoBridge, NoBroker
    from studiobridge.shown.hand import as_json as line_of
    from studiobridge.shown.hand import guide

    first = guide(device, asker.shown.devices.get(device, {}).get("dial"))
    there = first is not None and first.there
    entered = _Enter(not as_json and not there and sys.stdin.isatty())
    view = _View(as_json)
    said_at = float("-inf")
    try:
        while not entered.happened:
            if not asker.connected:
                raise NoBroker("the link to the broker was lost")
            if not asker.shown.bridge_alive:
                raise NoBridge(f"the bridge of '{asker.set_name}' is gone or silent")
            if not there and time.monotonic() - said_at >= SAYS_EVERY:
                # on a plug that feeds more than this lamp, what changes is this lamp's then
                said_at = time.monotonic()
                async for _ in asker.ask("turning", targets=[device]):
                    pass
            dial = asker.shown.devices.get(device, {}).get("dial")
            seen = guide(device, dial)
            if seen is not None:
                view.show(seen, line_of(seen, dial or {}))
                if seen.there:
                    return
            await asker.changed(LOOKS_EVERY)
    finally:
        entered.close()
        view.close()


class _Enter:
    """A person at the terminal says with an empty line: I have set it."""

    def __init__(self, at_a_terminal: bool) -> None:
        self.happened = False
        self._open = at_a_terminal
        if at_a_terminal:
            from studiobridge.cli.question import forget_what_was_typed

            show.out("turn it until it is there; Enter: I have set it; Ctrl-C: leave it")
            forget_what_was_typed()
            asyncio.get_running_loop().add_reader(sys.stdin, self._line)

    def _line(self) -> None:
        if sys.stdin.readline():
            self.happened = True
        else:
            self.close()  # the end of the input is nobody's word

    def close(self) -> None:
        if self._open:
            self._open = False
            asyncio.get_running_loop().remove_reader(sys.stdin)


class _View:
    """The bar and the sentence: one that moves in a terminal, lines elsewhere."""

    def __init__(self, as_json: bool) -> None:
        self._as_json = as_json
        self._last = ""
        self._live: Any = None
        if not as_json and show.terminal():
            from rich.console import Console
            from rich.live import Live

            self._live = Live(console=Console(no_color=True, highlight=False), auto_refresh=False)
            self._live.start()

    def show(self, seen: Guide, line: dict[str, object]) -> None:
        from studiobridge.shown.hand import bar

        if self._live is not None:
            from rich.text import Text

            drawn = f"{bar(seen, min(64, show.width()))}\n{seen.text}"
            self._live.update(Text(drawn, no_wrap=True), refresh=True)
            return
        said = json.dumps(line, ensure_ascii=False) if self._as_json else seen.text
        if said != self._last:
            self._last = said
            print(said, flush=True)

    def close(self) -> None:
        if self._live is not None:
            self._live.stop()
