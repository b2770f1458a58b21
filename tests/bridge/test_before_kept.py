"""Ticks and what was not so when it rolled are in the record: past the bridge, not the session."""

from __future__ import annotations

import asyncio
import contextlib
import sqlite3
from pathlib import Path

import pytest

from studiobridge.bridge import record as records
from studiobridge.bridge.reading import Reader
from studiobridge.bridge.record import Record
from studiobridge.bridge.tables import SCHEMA_VERSION
from studiobridge.control.effects import (
    BeforeNote,
    Memory,
    Note,
    RollingNote,
    SessionNote,
    StateNote,
    TickNote,
)
from tests.bridge.writing import on_disk


def written(record: Record, notes: list[Note]) -> None:
    assert asyncio.run(on_disk(record, notes, 10.0))


OPENED = SessionNote(10.0, 1, "opened", "day", None)
CLOSED = SessionNote(90.0, 1, "closed", None, 0.4)
UP = StateNote(11.0, "ready", "day", "")


def on(item: str, by: str, at: float, session: int = 1) -> TickNote:
    return TickNote(at, session, item, "on", by, "")


def keep(path: Path, *notes: Note) -> None:
    record = Record(path, 30, lambda at: at)
    record.open()
    try:
        written(record, list(notes))
    finally:
        record.close()


def memory(path: Path) -> Memory:
    record = Record(path, 30, lambda at: at)
    try:
        return record.open()
    finally:
        record.close()


def test_ticks_are_known_to_the_next_bridge_within_their_session(tmp_path: Path) -> None:
    path = tmp_path / "set.sqlite"
    keep(
        path,
        *(OPENED, UP, on("lens-wiped", "Ada", 20.0), on("phone-silent", "Ada", 21.0)),
        *(on("lens-wiped", "Bo", 22.0), TickNote(30.0, 1, "phone-silent", "over", "", "")),
        RollingNote(29.0, "camera", True, "report"),
    )
    found = memory(path)
    assert [(t.item, t.by, t.at) for t in found.ticks] == [("lens-wiped", "Bo", 22.0)]
    assert (found.last_session, found.opened, found.closed) == (1, 10.0, None)
    assert found.rolled == {"camera"}
    assert found.rolling_since == {"camera": 29.0}


def test_what_is_ticked_after_the_session_is_of_it_and_the_next_begins_bare(tmp_path: Path) -> None:
    path = tmp_path / "set.sqlite"
    keep(path, OPENED, UP, CLOSED, on("cards-emptied", "Ada", 95.0))
    found = memory(path)
    assert [t.item for t in found.ticks] == ["cards-emptied"]
    assert (found.session, found.last_session, found.closed) == (None, 1, 90.0)
    assert (found.session_kwh, found.last_kwh) == (None, 0.4)
    keep(path, SessionNote(200.0, 2, "opened", "day", None))
    assert memory(path).ticks == ()
    assert memory(path).rolled == frozenset()


def test_ticks_are_written_anew_when_the_file_goes(tmp_path: Path) -> None:
    path = tmp_path / "set.sqlite"
    record = Record(path, 30, lambda at: at)
    record.open()
    try:
        written(record, [OPENED, UP, on("lens-wiped", "Ada", 20.0)])
        path.unlink()
        written(record, [on("phone-silent", "Ada", 21.0)])
    finally:
        record.close()
    assert {t.item for t in memory(path).ticks} == {"lens-wiped", "phone-silent"}


def test_a_record_of_the_schema_before_gets_the_tables(tmp_path: Path) -> None:
    path = tmp_path / "set.sqlite"
    keep(path, OPENED, UP)
    with contextlib.closing(sqlite3.connect(path)) as file:
        file.execute("DROP TABLE ticks")
        file.execute("DROP TABLE befores")
        file.execute("UPDATE schema_version SET version = 5")
        file.commit()
    reader = Reader(path)  # while its bridge has not begun: what is not there is not asked for
    assert [row["kind"] for row in reader.timeline(1)] == ["state"]
    reader.close()
    keep(path, on("lens-wiped", "Ada", 20.0), BeforeNote(25.0, "camera", ("no drift", "warm")))
    assert [t.item for t in memory(path).ticks] == ["lens-wiped"]
    with contextlib.closing(sqlite3.connect(path)) as file:
        assert file.execute("SELECT version FROM schema_version").fetchone() == (SCHEMA_VERSION,)
    with contextlib.closing(Reader(path)) as reader:
        rows = reader.timeline(1)
    assert [row["kind"] for row in rows] == ["state", "tick", "before"]
    assert rows[-1]["missing"] == '["no drift", "warm"]'


def test_how_much_is_free_is_looked_up_in_the_writers_thread_and_grows_old(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    record = Record(tmp_path / "set.sqlite", 30, lambda at: at)
    assert record.room() is None, "nobody has looked yet"
    record.open()
    try:
        written(record, [OPENED])
        found = record.room()
        assert found is not None and found > 0
        now = records.time.monotonic()
        monkeypatch.setattr(records.time, "monotonic", lambda: now + 3 * records.ROOM_EVERY)
        assert record.room() is None, "a disk that hangs says nothing of itself"
    finally:
        monkeypatch.undo()
        record.close()
