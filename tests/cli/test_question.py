"""`down` at a terminal, where a camera cannot say whether it rolls: over a real broker."""

from __future__ import annotations

import contextlib
import json
import os
import pty
import re
import select
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.brokers import needs_mosquitto
from tests.panel.studio import MAIN, Studio, studio

pytestmark = needs_mosquitto
ASKED = "Does camera still roll? (y/n)"
SENTENCE = "does camera still roll? It cannot say so itself; `rolling off` says no"


class Terminal:
    """A command at a terminal of its own, with a person who reads and types."""

    def __init__(self, made: Studio, *args: object) -> None:
        self.screen = ""
        self._ours, theirs = pty.openpty()
        self.process = subprocess.Popen(
            [sys.executable, "-c", MAIN, *map(str, args)],
            env={**made.env, "TERM": "xterm", "NO_COLOR": "1"},
            stdin=theirs,
            stdout=theirs,
            stderr=theirs,
            start_new_session=True,
        )
        os.close(theirs)

    def read(self, seconds: float) -> None:
        if select.select([self._ours], [], [], seconds)[0]:
            with contextlib.suppress(OSError):  # nobody is at the other end any more
                new = os.read(self._ours, 65536).decode("utf-8", "replace")
                self.screen += re.sub(r"\x1b\[[0-9;?]*[A-Za-z]", "", new)

    def until(self, text: str, times: int = 1, within: float = 30.0) -> None:
        end = time.monotonic() + within
        while self.screen.count(text) < times:
            assert time.monotonic() < end, self.screen
            self.read(0.1)

    def type(self, text: str) -> None:
        os.write(self._ours, text.encode())

    def ended(self, within: float = 60.0) -> int:
        end = time.monotonic() + within
        while (code := self.process.poll()) is None:
            assert time.monotonic() < end, self.screen
            self.read(0.1)
        self.read(0.2)
        return code

    def close(self) -> None:
        if self.process.poll() is None:
            self.process.kill()
            self.process.wait(5)
        os.close(self._ours)


@contextlib.contextmanager
def terminal(made: Studio, *args: object) -> Iterator[Terminal]:
    made_here = Terminal(made, *args)
    try:
        yield made_here
    finally:
        made_here.close()


@pytest.fixture
def made(tmp_path: Path) -> Iterator[Studio]:
    with studio(tmp_path, "two-person-table", page_too=False) as found:
        yield found


def brought_up(made: Studio, *more: object) -> None:
    done = made.command("up", *more)
    assert done.returncode == 0, done.stderr


def state(made: Studio) -> str:
    return str(json.loads(made.command("status", "--json").stdout)["state"])


def test_who_says_no_takes_the_set_down(made: Studio) -> None:
    brought_up(made)
    with terminal(made, "down") as person:
        person.type("n\n")  # typed before anything was asked: no answer to it
        person.until(ASKED)
        person.type("\n")  # a finger on Enter is no answer either
        person.until(ASKED, times=2)
        assert state(made) == "lowering"
        assert made.room.room.devices["left-face"].energised
        person.type("perhaps\n")
        person.until(ASKED, times=3)
        person.type("n\n")
        assert person.ended() == 0, person.screen
        assert "camera: stopped" in person.screen
    assert state(made) == "dark"
    assert not made.room.room.devices["left-face"].energised
    assert made.room.room.harms == []


def test_who_says_yes_is_told_what_happens_and_the_set_stays_as_it_is(made: Studio) -> None:
    brought_up(made)
    with terminal(made, "down") as person:
        person.until(ASKED)
        person.type("Y\n")
        person.until("when it has stopped, say `studiobridge rolling off`")
        time.sleep(3.0)
        person.read(0.1)
        assert person.screen.count(ASKED) == 1  # it was answered
        assert person.process.poll() is None
        shown = made.command("status").stdout
        assert "ROLLING: camera" in shown
        assert "waits: camera is rolling" in shown
        assert made.room.room.devices["left-face"].energised
        assert made.command("rolling", "off").returncode == 0
        assert person.ended() == 0, person.screen
    assert state(made) == "dark"


@pytest.mark.parametrize("how", [signal.SIGINT, signal.SIGTERM])
def test_who_leaves_in_the_middle_is_told_that_it_goes_on(made: Studio, how: int) -> None:
    brought_up(made)
    with terminal(made, "down") as person:
        person.until(ASKED)
        person.process.send_signal(how)
        assert person.ended() == 128 + how
        assert "'down' goes on in the bridge" in person.screen
        assert "Traceback" not in person.screen
    assert state(made) == "lowering"
    assert made.command("rolling", "off").returncode == 0


def test_who_answers_elsewhere_answers_here(made: Studio) -> None:
    brought_up(made)
    with terminal(made, "down") as person:
        person.until(ASKED)
        assert made.command("rolling", "off").returncode == 0
        assert person.ended() == 0, person.screen
        assert "no answer needed any more" in person.screen


def test_the_end_of_the_input_is_no_answer(made: Studio) -> None:
    brought_up(made)
    with terminal(made, "down") as person:
        person.until(ASKED)
        person.type("\x04")
        person.until("when it has stopped, say `studiobridge rolling off`")
        time.sleep(2.0)
        assert state(made) == "lowering"
        assert made.room.room.devices["left-face"].energised
        assert made.command("rolling", "off").returncode == 0
        assert person.ended() == 0, person.screen


@pytest.mark.parametrize("form", [[], ["--json"]])
def test_without_a_terminal_it_is_said_and_waited_for(form: list[str], made: Studio) -> None:
    brought_up(made)
    asking = subprocess.Popen(
        [sys.executable, "-c", MAIN, "down", *form],
        env=made.env,
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    )
    try:
        assert asking.stderr is not None
        assert asking.stderr.readline().strip() == f"waits: {SENTENCE}"
        time.sleep(2.0)
        assert asking.poll() is None
        assert f"waits: {SENTENCE}" in made.command("status").stdout
        assert made.command("rolling", "off").returncode == 0
        out, err = asking.communicate(timeout=60)
    finally:
        asking.kill()
    assert asking.returncode == 0, err
    assert SENTENCE not in err  # once
    if form:
        assert json.loads(out)["code"] == 0


def test_where_this_command_runs_the_set_itself(made: Studio) -> None:
    assert made.bridge.stop() == 0
    profile = ("--profile", made.path)
    brought_up(made, *profile)
    with terminal(made, "down", *profile) as person:
        person.until(ASKED)
        person.type("n\n")
        assert person.ended() == 0, person.screen
    assert not made.room.room.devices["left-face"].energised
    brought_up(made, *profile)
    down = made.command("down", *profile, "--not-rolling")
    assert down.returncode == 0, down.stderr
    assert "still roll" not in down.stdout + down.stderr
    assert not made.room.room.devices["left-face"].energised


def test_not_rolling_is_said_with_the_asking(made: Studio) -> None:
    brought_up(made)
    with terminal(made, "down", "--not-rolling") as person:
        assert person.ended() == 0, person.screen
        assert "still roll" not in person.screen
    assert state(made) == "dark"
