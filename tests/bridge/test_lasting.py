"""What has to outlast the bridge: real processes, a real lock on the record, kill -9."""

from __future__ import annotations

import asyncio
import contextlib
import json
import os
import signal
import sqlite3
import time
from collections.abc import Callable, Iterator
from contextlib import closing, contextmanager
from dataclasses import dataclass
from pathlib import Path

import pytest

from studiobridge.bridge import calls as calls_module
from studiobridge.bridge.reading import Reader
from studiobridge.bridge.saving import Saves
from studiobridge.bridge.service import run_sets
from studiobridge.bridge.tables import record_path
from studiobridge.control import standing
from studiobridge.profile import read_profile
from studiobridge.profile.model import CallTime, Preset, SetProfile
from studiobridge.rehearsal.live import LiveRoom
from tests.bridge.test_set import Stage, settings_for, stage
from tests.brokers import Mosquitto, broker_of, needs_mosquitto
from tests.panel.studio import CONFIG, Process, quick

pytestmark = needs_mosquitto


@dataclass
class Shelf:
    """One plug, one light; a bridge and a broker that are processes of their own."""

    env: dict[str, str]
    profile: SetProfile
    room: LiveRoom
    bridge: Process
    record: Path

    def command(self, *what: str) -> tuple[int, str]:
        process = Process(self.env, *what).start()
        return process.wait(60), "\n".join(process.lines)

    def lit(self) -> list[str]:
        return [
            name
            for name, device in self.room.room.devices.items()
            if device.energised and self.profile.devices[name].feeds
        ]


@contextmanager
def shelf(folder: Path, begin: bool = True, **more: str) -> Iterator[Shelf]:
    path = folder / "shelf.yaml"
    text = (CONFIG / "one-plug-one-light.yaml").read_text(encoding="utf-8")
    path.write_text(quick(text), encoding="utf-8")
    profile = read_profile(path).profile
    clean = {k: v for k, v in os.environ.items() if not k.startswith("STUDIOBRIDGE")}
    with Mosquitto(folder) as broker:
        env = {
            **clean,
            "HOME": str(folder),
            "STUDIOBRIDGE_BROKER": broker.url,
            "STUDIOBRIDGE_DATA": str(folder / "data"),
            "STUDIOBRIDGE_SET": profile.name,
            **more,
        }
        bridge = Process(env, "run", path)
        with LiveRoom(profile, "127.0.0.1", broker.port) as room:
            try:
                if begin:
                    bridge.start().said("running on")
                yield Shelf(env, profile, room, bridge, record_path(folder / "data", profile.name))
            finally:
                bridge.stop()


@contextmanager
def locked(record: Path) -> Iterator[sqlite3.Connection]:
    with closing(sqlite3.connect(record, isolation_level=None)) as other:
        other.execute("BEGIN EXCLUSIVE")
        yield other
        with contextlib.suppress(sqlite3.Error):
            other.execute("ROLLBACK")


LOCKOUT = ("lockout", "shelf-light", "--by", "Ana", "--why", "a cable")


def test_a_lockout_said_yes_to_plainly_outlasts_a_kill(tmp_path: Path) -> None:
    with shelf(tmp_path) as s:
        code, said = s.command(*LOCKOUT)
        s.bridge.kill()
        assert code == 0
        assert "has not taken it" not in said
        s.bridge.start().said("running on")
        s.command("up")
        assert s.lit() == []


def test_a_lockout_that_a_backup_kept_off_the_disk_is_no_plain_yes(tmp_path: Path) -> None:
    with shelf(tmp_path) as s:
        with locked(s.record):
            code, said = s.command(*LOCKOUT)
            s.bridge.kill()
        assert code == 0
        assert "CAREFUL: the record has not taken it" in said
        assert "a bridge that starts again knows nothing of this" in said
        s.bridge.start().said("running on")
        # and so it is
        assert s.command("up")[0] == 0
        assert s.lit() == ["shelf-light"]


def test_a_record_removed_while_the_bridge_runs_costs_no_lockout(tmp_path: Path) -> None:
    with shelf(tmp_path) as s:
        assert s.command(*LOCKOUT)[0] == 0
        for part in s.record.parent.glob("*.sqlite*"):
            part.unlink()
        line = s.bridge.said("not the one it was", 10)
        assert str(s.record) in line
        s.bridge.kill()
        s.bridge.start().said("running on")
        s.command("up")
        assert s.lit() == []
        with closing(Reader(s.record)) as reader:
            assert any("not the one it was" in f["text"] for f in reader.faults())


def test_a_damaged_record_at_the_start_stops_no_set_and_switches_nothing_on(
    tmp_path: Path,
) -> None:
    with shelf(tmp_path, begin=False) as s:
        s.record.parent.mkdir()
        s.record.write_bytes(b"this is no database at all" * 200)
        s.bridge.start().said("running on")
        s.bridge.said("move the file away")
        code, said = s.command("up")
        assert code == 1
        assert "what is locked out is not known" in said
        assert s.lit() == []
        _, said = s.command(*LOCKOUT)
        assert "CAREFUL" in said
        assert "knows nothing of this" in said
        status = json.loads(s.command("status", "--json")[1])
        assert "not a database" in status["record_fault"]
        assert s.command("release", "shelf-light")[0] == 0
        # who has looked may force it, and take it down again
        assert s.command("up", "--force")[0] == 0
        assert s.lit() == ["shelf-light"]
        assert s.command("down")[0] == 0
        s.record.rename(s.record.with_name("damaged"))
        s.bridge.said("beginning with what it holds", 15)
        assert s.command("up")[0] == 0
        with closing(Reader(s.record)) as reader:
            phases = [(r["what"], r["phase"]) for r in reader.requests()]
        assert phases[0] == ("up", "refused")
        assert phases[-1] == ("up", "done")
        # what happened meanwhile was written when it could be
        assert ("down", "done") in phases


def test_a_hang_up_ends_nothing(tmp_path: Path) -> None:
    with shelf(tmp_path) as s:
        os.kill(s.bridge.pid, signal.SIGHUP)
        s.bridge.said("read at the start alone")
        assert s.command("up")[0] == 0
        assert s.bridge.stop() == 0


def test_energy_is_counted_on_after_a_kill(tmp_path: Path) -> None:
    with shelf(tmp_path) as s:
        assert s.command("up")[0] == 0
        with closing(sqlite3.connect(s.record)) as database, database:
            # what the bridge notes of itself each minute
            database.execute(
                "INSERT INTO sessions (at, session, phase, look, kwh) VALUES (?, 1, ?, NULL, 1.5)",
                (time.time(), "metered"),
            )
        s.bridge.kill()
        s.bridge.start().said("running on")
        assert s.command("down")[0] == 0
        with closing(sqlite3.connect(s.record)) as database:
            closed = "SELECT kwh FROM sessions WHERE phase = 'closed'"
            assert database.execute(closed).fetchall() == [(pytest.approx(1.5, abs=0.01),)]


def test_a_fault_of_the_bridge_itself_says_where_it_came_from(tmp_path: Path) -> None:
    said: list[str] = []

    def buggy() -> None:
        raise ValueError("a bug")

    async def evening(port: int) -> int:
        path = CONFIG / "one-plug-one-light.yaml"
        running = asyncio.create_task(
            run_sets([path], settings_for(port, tmp_path / "data"), said.append)
        )
        async with asyncio.timeout(20):
            while not any("running on" in line for line in said):
                await asyncio.sleep(0.05)
        asyncio.get_running_loop().call_soon(buggy)
        os.kill(os.getpid(), signal.SIGHUP)
        await asyncio.sleep(0.2)
        os.kill(os.getpid(), signal.SIGTERM)
        return await running

    with broker_of("mosquitto", tmp_path) as port:
        assert asyncio.run(evening(port)) == 0
    (fault,) = [line for line in said if "a fault of the bridge itself" in line]
    assert "ValueError: a bug" in fault
    assert "in buggy" in fault


# ---- within one process, with a clock that is put right -------------------------------------------


def play(
    tmp_path: Path, evening: Callable[[Stage], object], name: str = "one-plug-one-light"
) -> None:
    async def played(port: int) -> None:
        async with stage(port, tmp_path, name) as s:
            await evening(s)  # type: ignore[misc]

    with broker_of("mosquitto", tmp_path) as port:
        asyncio.run(played(port))


def test_a_clock_that_steps_is_said_and_noted_and_nothing_old_is_done(tmp_path: Path) -> None:
    async def evening(s: Stage) -> None:
        assert (await s.ask("up")).code == 0
        assert (await s.ask("down")).code == 0
        s.runner.clock._system = lambda: time.time() + 8 * 3600.0
        await s.until(lambda: any("put forward by 8 h 0 min" in line for line in s.said), 5.0)
        late = await s.ask("up", until=time.time() + 4 * 3600.0)
        assert (late.code, "too late" in late.text) == (1, True)
        s.runner.clock._system = time.time
        await s.until(lambda: any("put back by 8 h 0 min" in line for line in s.said), 5.0)
        assert (await s.ask("up", until=time.time() + 30.0)).code == 0
        assert (await s.ask("down")).code == 0

    play(tmp_path, evening)
    with closing(Reader(record_path(tmp_path / "data", "shelf-corner"))) as reader:
        assert [f["text"].split(" (")[0] for f in reader.faults()] == [
            "this machine's clock was put forward by 8 h 0 min",
            "this machine's clock was put back by 8 h 0 min",
        ]
        for request in reader.requests():
            ahead = request["at"] - time.time() > 7 * 3600.0
            assert ahead == (request["phase"] == "ignored")


def test_a_call_hour_that_passes_in_a_correction_is_said(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    async def evening(s: Stage) -> None:
        now = s.runner.clock.now().astimezone(s.runner.zone())
        missed, made = ((now.hour + h) % 24 for h in (3, 10))
        calls = [CallTime(h, now.minute, frozenset(range(7)), None, 60.0) for h in (missed, made)]
        s.runner._calls = calls_module.CallTimes(
            calls, s.runner.zone, lambda call: 0.0, s.runner.clock.now()
        )
        s.runner.clock._system = lambda: time.time() + 8 * 3600.0
        await s.until(lambda: any("is not started: it came" in line for line in s.said), 5.0)
        assert s.state == "dark"
        ahead = 10 * 3600.0 - now.second + 2.0
        s.runner.clock._system = lambda: time.time() + ahead
        await s.until(lambda: s.state == "ready")
        assert any("call time, to be ready by" in line for line in s.said)

    play(tmp_path, evening)
    with closing(Reader(record_path(tmp_path / "data", "shelf-corner"))) as reader:
        assert sum("is not started" in f["text"] for f in reader.faults()) == 1
        assert [r["source"] for r in reader.requests() if r["phase"] == "taken"] == ["call time"]


def test_what_a_session_meters_is_noted_while_it_goes_on(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(standing, "METERED_EVERY", 0.5)
    monkeypatch.setattr(standing, "METERED_STEP", 1e-9)
    record = record_path(tmp_path / "data", "wheel-corner")

    def metered() -> list[float]:
        with closing(sqlite3.connect(record)) as database:
            rows = database.execute("SELECT kwh FROM sessions WHERE phase = 'metered'")
            return [row[0] for row in rows]

    async def evening(s: Stage) -> None:
        assert (await s.ask("up")).code == 0
        # its plug says what it draws when that changes
        s.room.touch("key", level=90.0)
        await s.until(lambda: bool(metered()))
        (first,) = metered()
        s.room.touch("key", level=40.0)
        await s.until(lambda: metered()[0] > first)
        assert len(metered()) == 1

    play(tmp_path, evening, "wheel-corner")
    with closing(Reader(record)) as reader:
        assert reader.sessions()[0]["kwh"] > 0.0


def test_saves_take_turns_and_the_last_asked_for_stands(tmp_path: Path) -> None:
    path = tmp_path / "corner.yaml"
    path.write_bytes((CONFIG / "wheel-corner.yaml").read_bytes())
    levels = [float(n) for n in range(30, 50)]

    async def keep() -> list[str | None]:
        saves = Saves()
        return await asyncio.gather(
            *(saves.save(path, "lesson", {"key": Preset(x, 4300.0)}) for x in levels),
            saves.save(path, "lesson", {"fill": Preset(33.0, 4300.0)}),
            saves.save(path, "nonsense", {"fill": Preset(33.0, 4300.0)}),
        )

    said = asyncio.run(keep())
    assert said[:-1] == [None] * 21
    assert "no preset" in str(said[-1])
    presets = read_profile(path).profile.looks["lesson"].presets
    assert (presets["key"].level, presets["fill"].level) == (levels[-1], 33.0)
