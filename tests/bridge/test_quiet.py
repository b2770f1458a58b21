"""Gear told quiet, with real processes: killed while it is quiet, and started again."""

from __future__ import annotations

import json
import os
import signal
import sqlite3
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import closing, contextmanager
from dataclasses import dataclass
from pathlib import Path

import pytest

from studiobridge.bridge.tables import record_path
from studiobridge.profile import read_profile
from studiobridge.rehearsal.live import LiveRoom
from tests.brokers import Mosquitto, Sub, needs_mosquitto
from tests.panel.studio import MAIN, Process, until

pytestmark = needs_mosquitto
# All moments at which it may be killed, like those of test_killed.py.
EVERY = bool(os.environ.get("KILL_AT_EVERY_STEP"))

KITCHEN = """\
format: 1
set: kitchen-corner
mains: {circuits: {wall: {breaker: 16 A, where: "in the hall, behind the coats"}}}
dialects:
  box:
    switch:
      tell: {topic: "{at}/in", words: {on: "1", off: "0"}}
      hear: {topic: "{at}/out", words: {on: "1", off: "0"}}
    online: {hear: {topic: "{at}/alive", words: {yes: up, no: gone}}}
    ask: {topic: "{at}/report"}
devices:
  lamp-plug: {kind: plug, fed_by: wall, speaks: box, at: kitchen/lamp, answers_in: 0.2 s}
  lamp: {kind: light, fed_by: lamp-plug, draws: 9 W}
  fridge: {kind: plug, title: Fridge, fed_by: wall, speaks: box, at: kitchen/fridge, answers_in: 0.2 s, quiet: {for: 10 s, rests: 1 s}}
looks: {day: {lamp: {level: 60 %}}}
patience: {listen: 1 s, reply: 1 s}
"""


@dataclass
class Kitchen:
    broker: Mosquitto
    room: LiveRoom
    bridge: Process
    record: Path
    env: dict[str, str]

    def command(self, *what: str, within: float = 30.0) -> subprocess.CompletedProcess[str]:
        return subprocess.run(
            [sys.executable, "-c", MAIN, *what],
            env=self.env,
            cwd=self.env["HOME"],
            capture_output=True,
            text=True,
            timeout=within,
        )

    def on(self) -> bool:
        return self.room.room.devices["fridge"].contact

    def quiet(self) -> list[dict[str, object]]:
        status = self.command("status", "--json")
        found: list[dict[str, object]] = json.loads(status.stdout)["quiet"]
        return found


@contextmanager
def kitchen(folder: Path) -> Iterator[Kitchen]:
    path = folder / "kitchen.yaml"
    path.write_text(KITCHEN, encoding="utf-8")
    profile = read_profile(path).profile
    clean = {k: v for k, v in os.environ.items() if not k.startswith("STUDIOBRIDGE")}
    with Mosquitto(folder) as broker:
        env = {
            **clean,
            "HOME": str(folder),
            "STUDIOBRIDGE_BROKER": broker.url,
            "STUDIOBRIDGE_DATA": str(folder / "data"),
            "STUDIOBRIDGE_SET": profile.name,
        }
        bridge = Process(env, "run", path)
        with LiveRoom(profile, "127.0.0.1", broker.port) as room:
            record = record_path(folder / "data", profile.name)
            made = Kitchen(broker, room, bridge, record, env)
            try:
                bridge.start().said("running on")
                yield made
            finally:
                bridge.stop()


def test_killed_while_it_is_quiet_it_comes_back_when_the_bridge_does(tmp_path: Path) -> None:
    with kitchen(tmp_path) as made:
        assert made.on()
        said = Sub(made.broker.port, "studiobridge/kitchen-corner/says")
        began = time.monotonic()
        asked = made.command("quiet", "fridge")
        assert asked.returncode == 0 and "comes back by itself in 10 s" in asked.stdout
        assert not made.on()
        made.bridge.kill()
        time.sleep(1.0)
        made.bridge.start().said("running on")
        until(made.on, "it is on again", 25.0)
        assert time.monotonic() - began >= 9.0
        until(lambda: made.quiet() == [], "nothing is shown as quiet", 8.0)
        lines = [line.split(" ", 2) for line in said.lines(0.5)]
        assert [json.loads(text)["what"] for _, _, text in lines] == ["quiet", "back"]
        assert {kept for kept, _, _ in lines} == {"0"}


def test_killed_the_moment_it_is_asked_it_is_on_in_the_end(tmp_path: Path) -> None:
    """At any moment: before the disk has it, after it, told or not."""
    with kitchen(tmp_path) as made:
        for wait in (0.0, 0.02, 0.05, 0.1, 0.3) if EVERY else (0.0,):
            until(made.on, "it is on again", 25.0)
            asking = subprocess.Popen(
                [sys.executable, "-c", MAIN, "quiet", "--for", "2 s"],
                env=made.env,
                stdout=subprocess.PIPE,
                stderr=subprocess.PIPE,
            )
            end = time.monotonic() + 8.0
            while not rows(made.record) and time.monotonic() < end:
                time.sleep(0.002)
            time.sleep(wait)
            made.bridge.kill()
            asking.kill()
            asking.communicate()
            made.bridge.start().said("running on")
            time.sleep(2.5)  # what was on its way off has arrived
            until(made.on, "it is on again", 25.0)
            with closing(sqlite3.connect(made.record)) as db:
                db.execute("DELETE FROM quiet")
                db.commit()


def rows(record: Path) -> int:
    try:
        with closing(sqlite3.connect(f"file:{record}?mode=ro", uri=True, timeout=2)) as db:
            return int(db.execute("SELECT count(*) FROM quiet").fetchone()[0])
    except sqlite3.OperationalError:
        return 0


def test_who_stops_the_bridge_while_it_is_quiet_is_told(tmp_path: Path) -> None:
    with kitchen(tmp_path) as made:
        assert made.command("quiet").returncode == 0
        made.bridge.stop()
        made.bridge.said("fridge was told quiet and is off: it comes back only when a bridge runs")
        assert not made.on()


def test_the_broker_is_killed_while_it_is_quiet(tmp_path: Path) -> None:
    with kitchen(tmp_path) as made:
        assert made.command("quiet", "--for", "3 s").returncode == 0
        made.broker.stop(kill=True)
        time.sleep(4.0)
        assert not made.on()
        made.broker.start()
        until(made.on, "it is on again", 25.0)


def test_a_cut_with_no_bridge_says_at_once_that_nothing_was_cut_and_where_the_breaker_is(
    tmp_path: Path,
) -> None:
    with kitchen(tmp_path) as made:
        made.bridge.kill()
        time.sleep(3.0)
        began = time.monotonic()
        cut = made.command("cut", "--yes")
        took = time.monotonic() - began
        assert cut.returncode == 3
        assert "NOTHING WAS CUT" in cut.stderr and "Open the breaker" in cut.stderr
        assert "circuit wall: its 16 A breaker is in the hall, behind the coats" in cut.stderr
        assert took < 3.5, f"{took:.1f} s, of which a second or so is Python's start"
        made.broker.stop(kill=True)
        cut = made.command("cut", "--yes")
        assert cut.returncode == 3 and "NOTHING WAS CUT" in cut.stderr


def test_a_bridge_that_dies_under_a_cut_is_noticed_by_its_beat(tmp_path: Path) -> None:
    with kitchen(tmp_path) as made:
        os.kill(made.bridge.pid, signal.SIGSTOP)
        time.sleep(2.5)
        began = time.monotonic()
        cut = made.command("cut", "--yes")
        took = time.monotonic() - began
        assert cut.returncode == 3 and "NOTHING WAS CUT" in cut.stderr
        assert took < 4.5
        os.kill(made.bridge.pid, signal.SIGCONT)
        time.sleep(4.0)
        assert made.on(), "what nobody was told is done is not done later either"


@pytest.mark.parametrize(
    ("words", "code", "said"),
    [
        (("quiet", "--for", "1 h"), 2, "10 s at most"),
        (("quiet", "--for", "soon"), 2, "soon"),
        (("quiet", "lamp-plug"), 2, "not told quiet"),
        (("quiet", "--over"), 0, "nothing is quiet"),
        (("quiet", "--over", "--for", "2 s"), 2, "without --for"),
        (("down", "--withdraw"), 1, "nothing waits"),
        (("down", "--withdraw", "--everything"), 2, "goes with nothing else"),
    ],
)
def test_what_cannot_be_is_said(
    words: tuple[str, ...], code: int, said: str, shared: Kitchen
) -> None:
    done = shared.command(*words)
    assert done.returncode == code and said in done.stdout + done.stderr


@pytest.fixture(scope="module")
def shared(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Kitchen]:
    with kitchen(tmp_path_factory.mktemp("kitchen")) as made:
        yield made
