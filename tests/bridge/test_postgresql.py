"""The record on a real PostgreSQL from Debian's packages: the same words as the file's."""

from __future__ import annotations

import asyncio
import contextlib
import json
import os
import shutil
import signal
import subprocess
import time
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import pytest
import sqlalchemy as sa

from studiobridge.bridge import record as record_module
from studiobridge.bridge.reading import Reader, back_up
from studiobridge.bridge.record import Record
from studiobridge.bridge.settings import SettingsError, load_settings
from studiobridge.bridge.tables import Elsewhere, RecordAway, RecordError
from studiobridge.control.effects import FaultNote, LockoutNote, RunNote
from studiobridge.rehearsal.embedded import free_ports
from tests.bridge.test_lasting import shelf
from tests.bridge.test_record import NOTES, TAKE, reopen, write
from tests.bridge.writing import on_disk

BINS = sorted(Path("/usr/lib/postgresql").glob("*/bin"))
pytestmark = pytest.mark.skipif(
    not BINS or shutil.which("runuser") is None,
    reason="needs postgresql (Debian: postgresql; tests/run installs it)",
)


class Server:
    """A PostgreSQL of our own on a free port; it can be stopped and started again."""

    def __init__(self, folder: Path) -> None:
        self.port = free_ports(1)[0]
        self.folder = folder
        self.data = folder / "pg"
        # PostgreSQL will not run as root: Debian's own user for it does
        self.who = ["runuser", "-u", "postgres", "--"] if os.geteuid() == 0 else []
        if self.who:
            self.data.mkdir()
            shutil.chown(self.data, "postgres")
            for above in (folder, *folder.parents):
                if above.is_relative_to("/tmp") and above != Path("/tmp"):
                    above.chmod(above.stat().st_mode | 0o011)
        self._run("initdb", "-D", self.data, "-A", "trust", "-U", "bridge", "--no-sync")

    def _run(self, program: str, *args: object) -> None:
        command = [*self.who, str(BINS[-1] / program), *map(str, args)]
        subprocess.run(command, check=True, capture_output=True, timeout=60, cwd="/tmp")

    def start(self) -> None:
        options = f"-p {self.port} -k {self.data} -c listen_addresses=127.0.0.1 -c fsync=off"
        # its log in its own folder: a captured pipe would never end
        log = self.data / "log"
        self._run("pg_ctl", "-D", self.data, "-o", options, "-l", log, "-w", "start")

    def stop(self) -> None:
        self._run("pg_ctl", "-D", self.data, "-m", "immediate", "-w", "stop")

    @property
    def url(self) -> str:
        return f"postgresql+psycopg://bridge@127.0.0.1:{self.port}/postgres"


@pytest.fixture(scope="module")
def server(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Server]:
    made = Server(tmp_path_factory.mktemp("postgresql"))
    made.start()
    yield made
    with contextlib.suppress(subprocess.CalledProcessError):
        made.stop()


def test_what_was_written_is_read_back_the_same_as_from_a_file(
    server: Server, tmp_path: Path
) -> None:
    place = Elsewhere(server.url, "kiln-shelf")
    write(place, NOTES)  # type: ignore[arg-type]
    write(tmp_path / "kiln.sqlite", NOTES)
    there, here = Reader(place), Reader(tmp_path / "kiln.sqlite")
    assert there.sessions() == here.sessions()
    assert there.timeline(1) == here.timeline(1)
    assert there.drifts() == here.drifts()
    assert there.moment(1004.0) == here.moment(1004.0)
    assert there.changes("key", 5) == here.changes("key", 5)
    a, b = reopen(place), reopen(tmp_path / "kiln.sqlite")  # type: ignore[arg-type]
    assert replace(a, lockouts=(), by_hand={}) == replace(b, lockouts=(), by_hand={})


def test_two_sets_share_a_server_and_nothing_else(server: Server) -> None:
    first, second = Elsewhere(server.url, "one-set"), Elsewhere(server.url, "another-set")
    write(first, NOTES)  # type: ignore[arg-type]
    assert reopen(second).session is None  # type: ignore[arg-type]
    assert len(Reader(first).sessions()) == 1
    assert Reader(second).sessions() == []


def test_a_server_that_goes_and_comes_back(tmp_path: Path) -> None:
    own = Server(tmp_path)
    own.start()
    told: list[str | None] = []
    record = Record(Elsewhere(own.url, "kiln"), 400, lambda at: at, told.append)
    record.open()
    try:
        assert asyncio.run(on_disk(record, [FaultNote(1.0, None, "", "before")], 5.0))
        own.stop()
        assert not asyncio.run(on_disk(record, [FaultNote(2.0, None, "", "meanwhile")], 3.0))
        assert told
        assert "cannot be written" in str(told[-1])
        own.start()
        end = time.monotonic() + 20
        while told[-1] is not None and time.monotonic() < end:
            time.sleep(0.1)
        assert told[-1] is None
        texts = [f["text"] for f in Reader(Elsewhere(own.url, "kiln")).faults()]
        assert texts == ["before", "meanwhile"]
    finally:
        record.close()
        with contextlib.suppress(subprocess.CalledProcessError):
            own.stop()


def test_a_server_that_is_away_when_the_bridge_starts(tmp_path: Path) -> None:
    """It runs, says so, switches nothing on, and takes up what the record holds when it comes."""
    own = Server(tmp_path)
    own.start()
    place = Elsewhere(own.url, "shelf-corner")
    lockout = LockoutNote(5.0, "shelf-light", "set", "Bo", "a bulb")
    write(place, [RunNote(1.0, 7, "up", "day", "done", ""), lockout])  # type: ignore[arg-type]
    settings = tmp_path / "settings.yaml"
    settings.write_text(f"record: {own.url}\n", encoding="utf-8")
    # the broker first: its port must not be the one that the server comes back to
    with shelf(tmp_path, begin=False, STUDIOBRIDGE_SETTINGS=str(settings)) as s:
        own.stop()
        try:
            s.bridge.start().said("running on")
            line = s.bridge.said("what was locked out before is not known")
            assert "cannot be used" in line  # all of it in one line
            code, said = s.command("up")
            assert (code, "what is locked out is not known" in said) == (1, True)
            assert s.command("down")[0] == 0
            code, said = s.command("lockout", "shelf-plug", "--by", "Ana", "--why", "a fuse")
            assert code == 0
            assert "knows nothing of this" in said
            own.start()
            s.bridge.said("beginning with what it holds", 30)
            code, said = s.command("up")
            assert "what is locked out is not known" not in said
            assert s.lit() == []
            locked_out = json.loads(s.command("status", "--json")[1])["lockouts"]
            assert {x["target"] for x in locked_out} == {"shelf-light", "shelf-plug"}
            with contextlib.closing(Reader(place)) as reader:
                # numbered on from what the record held
                assert [r["run"] for r in reader.runs()] == sorted(r["run"] for r in reader.runs())
                assert {r["what"] for r in reader.runs() if r["run"] == 8} == {"down"}
        finally:
            with contextlib.suppress(subprocess.CalledProcessError):
                own.stop()


def test_a_server_that_stands_still_is_a_fault(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Stopped, not ended: its connections stay, and it says nothing at all."""
    monkeypatch.setattr(record_module, "STUCK_AFTER", 1.0)
    own = Server(tmp_path)
    own.start()
    told: list[str | None] = []
    record = Record(Elsewhere(own.url, "kiln"), 400, lambda at: at, told.append)
    record.open()
    try:
        assert asyncio.run(on_disk(record, [FaultNote(1.0, None, "", "before")], 5.0))
        pids = backends_of(own)
        for pid in pids:
            os.kill(pid, signal.SIGSTOP)
        try:
            record.write([FaultNote(2.0, None, "", "meanwhile")])
            end = time.monotonic() + 10
            while not told and time.monotonic() < end:
                record.look()
                time.sleep(0.1)
            assert "has not answered" in str(told[-1])
        finally:
            for pid in pids:
                os.kill(pid, signal.SIGCONT)
        end = time.monotonic() + 20
        while told[-1] is not None and time.monotonic() < end:
            time.sleep(0.1)
        texts = [f["text"] for f in Reader(Elsewhere(own.url, "kiln")).faults()]
        assert texts == ["before", "meanwhile"]
    finally:
        record.close()
        own.stop()


def backends_of(server: Server) -> list[int]:
    """The process of this server and those it started, by its own pid file."""
    first = int((server.data / "postmaster.pid").read_text().split()[0])
    listed = subprocess.run(
        ["ps", "-o", "pid=", "--ppid", str(first)], capture_output=True, text=True, check=True
    )
    return [first, *map(int, listed.stdout.split())]


def test_tables_that_are_dropped_while_it_runs_are_made_anew(server: Server) -> None:
    place = Elsewhere(server.url, "dropped")
    said: list[str] = []
    record = Record(place, 400, lambda at: at, lambda fault: None, said.append)
    record.open()
    try:
        lockout = LockoutNote(1.0, "key", "set", "Ana", "a cable")
        assert asyncio.run(on_disk(record, [lockout], 5.0))
        engine = sa.create_engine(server.url)
        with engine.begin() as connection:
            connection.exec_driver_sql("DROP SCHEMA dropped CASCADE")
        engine.dispose()
        assert asyncio.run(on_disk(record, [FaultNote(2.0, None, "", "after")], 10.0))
        assert "not the one it was" in said[0]
        assert [x["target"] for x in Reader(place).lockouts()] == ["key"]
    finally:
        record.close()


def test_an_older_schema_is_upgraded(server: Server) -> None:
    place = Elsewhere(server.url, "older-set")
    write(place, NOTES)  # type: ignore[arg-type]
    engine = sa.create_engine(server.url)
    with engine.begin() as connection:
        connection.exec_driver_sql('ALTER TABLE "older-set".requests DROP COLUMN code')
        connection.exec_driver_sql('DROP TABLE "older-set".takes')
        connection.exec_driver_sql('UPDATE "older-set".schema_version SET version = 2')
    engine.dispose()
    assert len(Reader(place).requests()) == 2
    assert Reader(place).takes() == []
    assert reopen(place).answered == (("r1", 0, "ready in 1.0 s"),)  # type: ignore[arg-type]
    write(place, TAKE)  # type: ignore[arg-type]
    assert reopen(place).next_take == 4  # type: ignore[arg-type]
    assert [take.number for take in Reader(place).takes()] == [3]


def test_a_url_that_is_none_is_bad_input() -> None:
    place = Elsewhere("postgresql+psycopg://bridge@db:nonsense/x", "kiln")
    with pytest.raises(RecordError, match="not a usable URL") as error:
        Record(place, 400, lambda at: at).open()
    assert not isinstance(error.value, RecordAway)


def test_no_server_and_no_backup_are_said(server: Server, tmp_path: Path) -> None:
    nobody = Elsewhere("postgresql+psycopg://bridge@127.0.0.1:1/postgres", "kiln")
    with pytest.raises(RecordError, match="cannot be used"):
        Reader(nobody)
    with pytest.raises(RecordError, match="pg_dump"):
        back_up(Elsewhere(server.url, "kiln-shelf"), tmp_path / "x")
    with pytest.raises(RecordError, match="not a record"):
        Reader(Elsewhere(server.url, "never-made"))


def test_a_password_in_the_url_is_refused(tmp_path: Path) -> None:
    file = tmp_path / "settings.yaml"
    file.write_text("record: postgresql+psycopg://bridge:secret@db/x\n", encoding="utf-8")
    with pytest.raises(SettingsError) as error:
        load_settings(file, {})
    assert "secret" not in str(error.value)
