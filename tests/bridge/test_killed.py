"""The real daemon over real Mosquitto, killed at every recorded step, and the broker likewise.

In CI some of the steps; all of them: KILL_AT_EVERY_STEP=yes pytest tests/bridge/test_killed.py
"""

from __future__ import annotations

import os
import sqlite3
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import closing, contextmanager
from dataclasses import dataclass
from pathlib import Path

import pytest

from studiobridge.bridge.reading import Reader
from studiobridge.bridge.tables import record_path
from studiobridge.control.plan import plan
from studiobridge.profile import read_profile
from studiobridge.profile.model import SetProfile
from studiobridge.rehearsal.live import LiveRoom
from tests.brokers import Mosquitto, needs_mosquitto
from tests.panel.studio import CONFIG, MAIN, Process, quick, until

pytestmark = needs_mosquitto
EVERY = bool(os.environ.get("KILL_AT_EVERY_STEP"))
TABLE = CONFIG / "two-person-table.yaml"
PROFILE = read_profile(TABLE).profile
UP_STEPS, DOWN_STEPS = (len(plan(PROFILE, what).steps) for what in ("up", "down"))  # type: ignore[arg-type]
SOME = (1, 3, 5)


@dataclass
class Scene:
    broker: Mosquitto
    profile: SetProfile
    room: LiveRoom
    bridge: Process
    record: Path
    env: dict[str, str]

    def ask(self, *what: str) -> subprocess.Popen[str]:
        return subprocess.Popen(
            [sys.executable, "-c", MAIN, *what],
            env=self.env,
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            text=True,
        )

    def must(self, *what: str) -> None:
        done = self.ask(*what)
        out, err = done.communicate(timeout=90)
        assert done.returncode == 0, f"{what}: {out}{err}"

    def intended(self) -> int:
        if not self.record.exists():
            return 0
        with closing(sqlite3.connect(f"file:{self.record}?mode=ro", uri=True, timeout=2)) as db:
            try:
                row = db.execute("SELECT count(*) FROM steps WHERE phase = 'intended'").fetchone()
            except sqlite3.OperationalError:
                return 0
        return int(row[0])

    def at_step(self, n: int, before: int) -> bool:
        """Wait for the n-th step since; False when the run was over before."""
        end = time.monotonic() + 40
        while self.intended() < before + n:
            if time.monotonic() > end:
                return False
            time.sleep(0.003)
        return True

    def whole(self) -> None:
        """The record is sound, and tells nothing as sent that it had not intended (law 9)."""
        with closing(sqlite3.connect(self.record)) as db:
            assert db.execute("PRAGMA integrity_check").fetchone() == ("ok",)
            rows = db.execute("SELECT run, n, phase FROM steps ORDER BY id").fetchall()
        intended = set()
        for run, n, phase in rows:
            if phase == "intended":
                intended.add((run, n))
            elif phase in ("sent", "confirmed"):
                assert (run, n) in intended
        with closing(Reader(self.record)) as reader:
            assert reader.sessions()

    def unharmed(self) -> None:
        assert self.room.room.harms == []

    def energised(self) -> list[str]:
        return [
            name
            for name, device in self.room.room.devices.items()
            if device.energised and self.profile.devices[name].feeds
        ]


@contextmanager
def scene(folder: Path) -> Iterator[Scene]:
    path = folder / "table.yaml"
    text = TABLE.read_text(encoding="utf-8")
    path.write_text(quick(text, 3.0), encoding="utf-8")
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
            made = Scene(
                broker, profile, room, bridge, record_path(folder / "data", profile.name), env
            )
            try:
                bridge.start().said("running on")
                yield made
            finally:
                bridge.stop()


@pytest.mark.parametrize("n", range(1, UP_STEPS + 1) if EVERY else SOME)
def test_killed_at_a_step_of_the_way_up(n: int, tmp_path: Path) -> None:
    with scene(tmp_path) as made:
        going = made.ask("up")
        if not made.at_step(n, 0):
            pytest.fail(f"the run-up has no {n} steps")
        made.bridge.kill()
        going.kill()
        going.wait()
        made.whole()
        time.sleep(0.5)  # what left before the kill arrives
        on = made.energised()
        made.bridge.start().said("running on")
        time.sleep(1.0)
        # law 8: nothing is energised before somebody asks
        assert set(made.energised()) <= set(on)
        made.must("up")
        made.whole()
        made.must("down", "--not-rolling")
        assert made.energised() == []
        made.unharmed()


@pytest.mark.parametrize("n", range(1, DOWN_STEPS + 1) if EVERY else SOME)
def test_killed_at_a_step_of_the_way_down(n: int, tmp_path: Path) -> None:
    with scene(tmp_path) as made:
        made.must("up")
        before = made.intended()
        going = made.ask("down", "--not-rolling")
        if not made.at_step(n, before):
            pytest.fail(f"the run-down has no {n} steps")
        made.bridge.kill()
        going.kill()
        going.wait()
        made.whole()
        made.bridge.start().said("running on")
        made.must("down", "--not-rolling")
        assert made.energised() == []
        made.whole()
        made.unharmed()


@pytest.mark.parametrize("n", range(1, DOWN_STEPS + 1) if EVERY else SOME[1:2])
def test_the_broker_killed_at_a_step_of_the_way_down(n: int, tmp_path: Path) -> None:
    """A broker that forgets everything. The request still stands: the way down is gone on with."""
    with scene(tmp_path) as made:
        made.must("up")
        before = made.intended()
        going = made.ask("down", "--not-rolling")
        assert made.at_step(n, before)
        made.broker.stop(kill=True)
        going.kill()
        going.wait()
        time.sleep(0.5)
        made.broker.start()

        def over() -> bool:
            with closing(Reader(made.record)) as reader:
                last = reader.runs()[-1]
            return last["what"] == "down" and last["phase"] == "done"

        until(over, "dark after the broker came back, asked by nobody again", 90)
        until(lambda: made.energised() == [], "everything off")
        made.whole()
        made.unharmed()


@pytest.mark.parametrize("n", range(1, UP_STEPS + 1) if EVERY else SOME)
def test_the_broker_killed_at_a_step_of_the_way_up(n: int, tmp_path: Path) -> None:
    with scene(tmp_path) as made:
        going = made.ask("up")
        made.at_step(n, 0)
        made.broker.stop(kill=True)
        going.kill()
        going.wait()
        time.sleep(0.5)
        made.broker.start()

        def answers() -> bool:
            asked = made.ask("up")
            asked.communicate(timeout=90)
            return asked.returncode == 0

        until(answers, "up after the broker came back", 90)
        made.whole()
        made.must("down", "--not-rolling")
        assert made.energised() == []
        made.unharmed()
