"""The record: written before the command leaves, read back whole, bounded, never in the way."""

from __future__ import annotations

import asyncio
import sqlite3
import time
from pathlib import Path

import pytest

from studiobridge.bridge.record import (
    DAY,
    Reader,
    Record,
    RecordError,
    back_up,
    record_path,
)
from studiobridge.control.effects import (
    DriftNote,
    FaultNote,
    HandNote,
    LockoutNote,
    Memory,
    RequestNote,
    RollingNote,
    RunNote,
    SessionNote,
    StateNote,
    StepNote,
)
from tests.bridge.writing import on_disk
from tests.simulate.evening import Notebook

NOTES = [
    SessionNote(1.0, 1, "opened", "day", None),
    RequestNote(1.0, "r1", "up", "Ana", "mqtt", "day", ("key",), False, "taken", ""),
    RunNote(1.0, 1, "up", "day", "begun", ""),
    StateNote(1.0, "rising", "day", ""),
    StepNote(1.1, 1, 1, "plug", "power on", "", "intended", ""),
    StepNote(1.2, 1, 1, "plug", "power on", "", "confirmed", ""),
    RunNote(2.0, 1, "up", "day", "done", "ready in 1.0 s"),
    RequestNote(2.0, "r1", "up", "Ana", "mqtt", "day", (), False, "done", "ready in 1.0 s"),
    StateNote(2.0, "ready", "day", ""),
    SessionNote(2.0, 1, "ready", "day", None),
    DriftNote(3.0, 1, "opened", "key", "level", 64.0, 80.0, 0.32, None, 16.0, ""),
    DriftNote(4.0, 1, "closed", "key", "level", 64.0, 90.0, 0.49, None, 26.0, "restored"),
    LockoutNote(5.0, "fill", "set", "Ana", "a cable"),
    RollingNote(6.0, "camera", True, "Ana"),
    HandNote(6.5, "rim", 30.0, 4300.0, "Ana"),
    FaultNote(7.0, "key", "a/b", "'x' is not a number"),
    RunNote(8.0, 2, "down", None, "begun", "everything"),
]


def write(path: Path, notes: list[object], days: int = 400, offset: float = 1000.0) -> Memory:
    record = Record(path, days, lambda at: at + offset)
    memory = record.open()
    record.write(notes)  # type: ignore[arg-type]
    record.close()
    return memory


def reopen(path: Path) -> Memory:
    record = Record(path, 400, lambda at: at)
    try:
        return record.open()
    finally:
        record.close()


def test_what_was_written_is_read_back(tmp_path: Path) -> None:
    path = record_path(tmp_path, "kiln")
    write(path, NOTES)
    reader = Reader(path)
    (session,) = reader.sessions()
    assert session == {
        "session": 1,
        "opened": 1001.0,
        "ready": 1002.0,
        "closed": None,
        "look": "day",
        "kwh": None,
    }
    kinds = [entry["kind"] for entry in reader.timeline(1)]
    assert kinds.count("step") == 2
    assert kinds.index("request") < kinds.index("step") < kinds.index("drift")
    (drift,) = reader.drifts("key")
    assert (drift["worst"], drift["stops"], drift["how"]) == (90.0, 0.49, "restored")
    assert reader.drifts("fill") == []
    assert reader.timeline(7) == []
    reader.close()


def test_memory_is_what_the_controller_has_to_know(tmp_path: Path) -> None:
    path = record_path(tmp_path, "kiln")
    assert write(path, NOTES) == Memory()
    memory = reopen(path)
    assert (memory.state, memory.look, memory.session) == ("ready", "day", 1)
    assert (memory.run, memory.everything) == ("down", True)
    assert [(x.target, x.by) for x in memory.lockouts] == [("fill", "Ana")]
    assert memory.rolling == {"camera"}
    assert (memory.next_session, memory.next_run, memory.next_drift) == (2, 3, 2)
    assert memory.answered == (("r1", "ready in 1.0 s"),)


def test_the_simulators_notebook_remembers_the_same(tmp_path: Path) -> None:
    """The simulator restarts the bridge from a notebook: it must be as good as the record."""
    path = record_path(tmp_path, "kiln")
    for count in range(len(NOTES) + 1):
        path.unlink(missing_ok=True)
        for side in ("-wal", "-shm"):
            Path(str(path) + side).unlink(missing_ok=True)
        write(path, NOTES[:count])
        notebook = Notebook()
        notebook.notes = NOTES[:count]  # type: ignore[assignment]
        a, b = reopen(path), notebook.memory()
        from dataclasses import replace

        assert replace(a, lockouts=(), by_hand={}) == replace(b, lockouts=(), by_hand={})
        assert {n: x.preset for n, x in a.by_hand.items()} == {
            n: x.preset for n, x in b.by_hand.items()
        }
        assert [x.target for x in a.lockouts] == [x.target for x in b.lockouts]


def test_old_entries_go_and_what_is_open_stays(tmp_path: Path) -> None:
    path = record_path(tmp_path, "kiln")
    long_ago = time.time() - 500 * DAY
    write(path, NOTES, offset=long_ago)
    record = Record(path, 400, lambda at: at)
    record.open()
    record.prune()
    record.close()
    reader = Reader(path)
    assert reader.steps() == []
    assert reader.faults() == []
    assert len(reader.sessions()) == 1  # still open
    assert len(reader.lockouts()) == 1
    reader.close()
    assert reopen(path).state == "ready"


def test_a_locked_database_blocks_nothing_and_recovers(tmp_path: Path) -> None:
    path = record_path(tmp_path, "kiln")
    write(path, [])

    async def evening() -> None:
        record = Record(path, 400, lambda at: at)
        record.open()
        other = sqlite3.connect(path, isolation_level=None)
        other.execute("BEGIN EXCLUSIVE")
        began = time.monotonic()
        assert await on_disk(record, NOTES[:3], 0.3) is False
        assert time.monotonic() - began < 1.0
        for _ in range(100):
            if record.fault is not None:
                break
            await asyncio.sleep(0.1)
        assert record.fault is not None
        assert "locked" in record.fault
        other.execute("ROLLBACK")
        other.close()
        assert await on_disk(record, NOTES[3:4], 15.0) is True
        assert record.fault is None
        await asyncio.to_thread(record.close)

    asyncio.run(evening())
    reader = Reader(path)
    assert len(reader.requests()) == 1  # what waited was not lost
    reader.close()


def test_a_record_of_another_version_is_left_alone(tmp_path: Path) -> None:
    path = record_path(tmp_path, "kiln")
    write(path, NOTES)
    other = sqlite3.connect(path)
    other.execute("UPDATE schema_version SET version = 99")
    other.commit()
    other.close()
    with pytest.raises(RecordError, match="another version"):
        reopen(path)


def test_a_broken_file_and_a_folder_that_cannot_be_made(tmp_path: Path) -> None:
    path = record_path(tmp_path, "kiln")
    path.write_bytes(b"this is not a database" * 100)
    with pytest.raises(RecordError, match="cannot be used"):
        reopen(path)
    blocked = tmp_path / "file"
    blocked.write_text("")
    with pytest.raises(RecordError, match="cannot be made"):
        reopen(record_path(blocked / "below", "kiln"))
    with pytest.raises(RecordError, match="no record"):
        Reader(tmp_path / "none.sqlite")


def test_reading_while_it_is_written(tmp_path: Path) -> None:
    path = record_path(tmp_path, "kiln")
    record = Record(path, 400, lambda at: at)
    record.open()
    done: list[bool] = []
    record.write(NOTES, done.append)
    end = time.monotonic() + 5
    while not done and time.monotonic() < end:
        time.sleep(0.01)
    assert done == [True]
    reader = Reader(path)
    assert len(reader.steps()) == 2
    reader.close()
    record.close()


# The schema as the first released version made it: version 1, without dials set by hand.
def as_version_1(path: Path) -> None:
    with sqlite3.connect(path) as database:
        database.execute("DROP TABLE hands")
        database.execute("UPDATE schema_version SET version = 1")


def test_a_record_of_the_first_version_is_read_and_upgraded(tmp_path: Path) -> None:
    path = record_path(tmp_path, "kiln")
    write(path, NOTES)
    as_version_1(path)
    reader = Reader(path)  # read as it is, nothing written
    assert len(reader.sessions()) == 1
    assert "by hand" not in {entry["kind"] for entry in reader.timeline(1)}
    reader.close()
    memory = reopen(path)
    assert memory.session == 1
    assert memory.by_hand == {}
    with sqlite3.connect(path) as database:
        assert database.execute("SELECT version FROM schema_version").fetchone() == (2,)
    write(path, [HandNote(9.0, "rim", 25.0, None, "Bo")])
    assert reopen(path).by_hand["rim"].preset.level == 25.0
    assert len(Reader(path).drifts()) == 1  # what was there before is still there


def test_a_record_of_a_later_version_is_left_alone(tmp_path: Path) -> None:
    path = record_path(tmp_path, "kiln")
    write(path, NOTES)
    with sqlite3.connect(path) as database:
        database.execute("UPDATE schema_version SET version = 99")
    with pytest.raises(RecordError, match="another version"):
        reopen(path)


def test_a_backup_is_whole_while_the_bridge_writes(tmp_path: Path) -> None:
    path, copy = record_path(tmp_path, "kiln"), tmp_path / "copy.sqlite"
    record = Record(path, 400, lambda at: at)
    record.open()
    try:
        assert asyncio.run(on_disk(record, NOTES, 5.0))  # type: ignore[arg-type]
        assert back_up(path, copy) > 0
        assert asyncio.run(on_disk(record, [FaultNote(9.0, None, "", "later")], 5.0))
    finally:
        record.close()
    assert [p.name for p in tmp_path.glob("copy.sqlite*")] == ["copy.sqlite"]
    with pytest.raises(RecordError, match="there already"):
        back_up(path, copy)
    with pytest.raises(RecordError, match="no record"):
        back_up(tmp_path / "none.sqlite", tmp_path / "other.sqlite")
    # restored: put in its place, it is the record as it was
    for part in tmp_path.glob("kiln.sqlite*"):
        part.unlink()
    copy.rename(path)
    assert reopen(path).session == 1
    assert [f["text"] for f in Reader(path).faults()] == ["'x' is not a number"]
