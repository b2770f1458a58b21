"""`by-hand` while a dial is turned: lines in a pipe, JSON, and when it ends."""

from __future__ import annotations

import asyncio
import json
import os
import pty
import select
import signal
import sys
import time
from collections.abc import AsyncIterator
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest
from typer.testing import CliRunner

from studiobridge.bridge.asking import NoBridge, NoBroker
from studiobridge.cli.app import app
from studiobridge.cli.hand import _turned
from studiobridge.profile.said import Answer

DIAL = {"dark": 0.6, "low": 4.9, "target": 5.1, "high": 5.3, "full": 15.0, "settled": True}


class Visitor:
    """A visitor that is shown one reading after another."""

    set_name = "corner"

    def __init__(self, *watts: float, ends: str = "", text: str = "") -> None:
        self.text = text
        self.readings = list(watts)
        self.ends = ends
        self.connected = True
        self.asked: list[tuple[str, dict[str, Any]]] = []
        self.shown = SimpleNamespace(devices={}, bridge_alive=True, state={})
        self._next()

    def _next(self) -> None:
        if self.readings:
            was = self.shown.devices.get("rim", {}).get("dial", {}).get("watts")
            dial = {**DIAL, "watts": self.readings.pop(0), "was": was}
            self.shown.devices = {"rim": {"dial": dial}}
        elif self.ends == "broker":
            self.connected = False
        else:
            self.shown.bridge_alive = False

    async def changed(self, within: float) -> bool:
        self._next()
        return True

    async def ask(self, what: str, **more: Any) -> AsyncIterator[Answer]:
        self.asked.append((what, more))
        yield Answer("1", True, 0, self.text)

    async def need_bridge(self) -> SimpleNamespace:
        return self.shown


def turned(visitor: Visitor, as_json: bool = False) -> None:
    asked: Any = visitor
    asyncio.run(_turned(asked, "rim", as_json))


def test_in_a_pipe_each_reading_is_a_line_until_it_is_there(
    capsys: pytest.CaptureFixture[str],
) -> None:
    turned(Visitor(15.0, 8.0, 8.0, 5.2, 14.0))
    assert capsys.readouterr().out.splitlines() == [
        "rim: 15 W: much less",
        "rim: 8 W, down from 15: less",
        "rim: 8 W: less",
        "rim: 5.2 W, down from 8: there",
    ]


def test_which_dial_is_turned_is_said_when_it_begins_and_again_while_it_lasts(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    visitor = Visitor(15.0, 14.0, 13.0, 12.0, 5.2)
    now = iter(range(0, 1000, 4))
    monkeypatch.setattr("studiobridge.cli.hand.time", SimpleNamespace(monotonic=lambda: next(now)))
    turned(visitor)
    assert len(visitor.asked) >= 2
    assert set(map(str, visitor.asked)) == {"('turning', {'targets': ['rim']})"}
    visitor = Visitor(5.1)
    turned(visitor)
    assert visitor.asked == [], "it stands right already: nobody turns it"


def test_as_json_each_reading_is_a_line_too(capsys: pytest.CaptureFixture[str]) -> None:
    turned(Visitor(8.0, 5.1), as_json=True)
    lines = [json.loads(line) for line in capsys.readouterr().out.splitlines()]
    assert [(line["watts"], line["there"]) for line in lines] == [(8.0, False), (5.1, True)]


def test_without_a_bridge_or_a_broker_it_ends_and_nothing_is_called_set() -> None:
    with pytest.raises(NoBridge):
        turned(Visitor(15.0, 8.0))
    with pytest.raises(NoBroker):
        turned(Visitor(15.0, ends="broker"))


@pytest.mark.parametrize(
    ("args", "code", "says", "asked"),
    [
        (["rim", "--watch"], 1, "rim: no plug meters it, or it has said nothing", []),
        (["rim"], 0, "set by hand: rim", ["set_by_hand"]),
        (["rim", "--no-watch"], 0, "set by hand: rim", ["set_by_hand"]),
    ],
)
def test_a_lamp_without_a_meter_cannot_be_watched_and_its_word_is_not_given(
    monkeypatch: pytest.MonkeyPatch, args: list[str], code: int, says: str, asked: list[str]
) -> None:
    """Who asks to be guided has not said that the dial is set."""
    visitor = Visitor(text="set by hand: rim")
    visitor.shown.devices = {"rim": {"dial": None}}

    async def met(_: object, __: str, use: Any, devices: bool = False) -> int:
        return int(await use(visitor))

    monkeypatch.setattr("studiobridge.cli.hand.with_asker", met)
    done = CliRunner().invoke(app, ["by-hand", *args, "--set", "corner"])
    assert (done.exit_code, [what for what, _ in visitor.asked]) == (code, asked)
    assert says in done.output
    assert "Traceback" not in done.output


SCRIPT = """
import asyncio
from studiobridge.cli.hand import _turned
from tests.cli.test_hand import Visitor

class Slow(Visitor):
    async def changed(self, within):
        await asyncio.sleep(0.1)
        if len(self.readings) > 1:
            self._next()
        return True

asyncio.run(_turned(Slow(15.0, 8.0, 6.0, 6.0), "rim", False))
"""


def at_a_terminal(*typed: bytes) -> tuple[str, bool]:
    """What a terminal shows, and whether the command ended within two seconds of the typing."""
    pid, terminal = pty.fork()
    if pid == 0:
        os.environ |= {
            "TERM": "xterm",
            "NO_COLOR": "1",
            "PYTHONPATH": str(Path(__file__).parents[2]),
        }
        os.execv(sys.executable, [sys.executable, "-c", SCRIPT])
    shown, end = b"", time.monotonic() + 20.0
    waits = list(typed)
    ended = False
    while time.monotonic() < end:
        if select.select([terminal], [], [], 0.1)[0]:
            try:
                shown += os.read(terminal, 4096)
            except OSError:
                ended = True
                break
        if b"rim: 6 W" in shown and waits:
            os.write(terminal, waits.pop(0))
            end = time.monotonic() + 2.0
    if not ended:
        os.kill(pid, signal.SIGKILL)
    os.waitpid(pid, 0)
    os.close(terminal)
    return shown.decode(), ended


def test_in_a_terminal_a_bar_moves_and_enter_is_a_person_s_word() -> None:
    shown, ended = at_a_terminal(b"\n")
    assert ended
    assert "Enter: I have set it" in shown
    assert "┃" in shown and "█" in shown and "rim: 8 W, down from 15: less" in shown
    assert "\x1b[3" not in shown  # no colours


def test_the_end_of_the_input_is_nobody_s_word() -> None:
    shown, ended = at_a_terminal(b"\x04")
    assert not ended and "rim: 6 W" in shown
