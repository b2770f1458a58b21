"""The record on a real PostgreSQL from Debian's packages: the same words as the file's."""

from __future__ import annotations

import asyncio
import contextlib
import os
import shutil
import subprocess
import time
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import pytest

from studiobridge.bridge.record import Elsewhere, Reader, Record, RecordError, back_up
from studiobridge.bridge.settings import SettingsError, load_settings
from studiobridge.control.effects import FaultNote
from studiobridge.rehearsal.embedded import free_ports
from tests.bridge.test_record import NOTES, reopen, write
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
