"""The record: written before the command leaves, read back whole, bounded, never in the way."""

from __future__ import annotations

import asyncio
import os
import sqlite3
import stat
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import closing, contextmanager
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from studiobridge.bridge import record as record_module
from studiobridge.bridge import tables
from studiobridge.bridge.lasting import prune
from studiobridge.bridge.reading import Reader, back_up
from studiobridge.bridge.record import DAY, Record
from studiobridge.bridge.tables import RecordAway, RecordError, record_path
from studiobridge.control.effects import (
    BeforeNote,
    DriftNote,
    FaultNote,
    HandNote,
    LightNote,
    LockoutNote,
    Memory,
    RequestNote,
    RollingNote,
    RunNote,
    SessionNote,
    StateNote,
    StepNote,
    TakeNote,
    TickNote,
)
from studiobridge.control.taken import Tally
from studiobridge.control.takes import KEPT
from studiobridge.craft.chroma import of_hs
from studiobridge.profile.model import Preset
from studiobridge.shown.sensor_words import light_note
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
    TickNote(6.6, 1, "lens-wiped", "on", "Ana", ""),
    TickNote(6.7, 1, "phone-silent", "on", "Ana", ""),
    TickNote(6.8, 1, "phone-silent", "over", "", "the take has ended"),
    BeforeNote(6.9, "camera", ("no drift",)),
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
    assert memory.answered == (("r1", 0, "ready in 1.0 s"),)


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
        # times are of each one's own clock
        timed = {"lockouts": (), "by_hand": {}, "opened": None, "closed": None}
        timed |= {"ticks": (), "rolling_since": {}}
        assert replace(a, **timed) == replace(b, **timed)  # type: ignore[arg-type]
        assert (a.opened is None, a.closed is None) == (b.opened is None, b.closed is None)
        assert [(t.item, t.by) for t in a.ticks] == [(t.item, t.by) for t in b.ticks]
        assert a.rolling_since.keys() == b.rolling_since.keys()
        assert {n: x.preset for n, x in a.by_hand.items()} == {
            n: x.preset for n, x in b.by_hand.items()
        }
        assert [x.target for x in a.lockouts] == [x.target for x in b.lockouts]


def test_old_entries_go_and_what_is_open_stays(tmp_path: Path) -> None:
    path = record_path(tmp_path, "kiln")
    long_ago = time.time() - 500 * DAY
    write(path, NOTES, offset=long_ago)
    write(path, [StateNote(time.time(), "ready", "day", "")], offset=0.0)
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
        # the lock is waited for by the writer alone, for seconds
        assert time.monotonic() - began < 3.0
        for _ in range(600):
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


def test_who_hears_that_it_is_written_hears_no_fault_any_more(tmp_path: Path) -> None:
    path = record_path(tmp_path, "kiln")
    write(path, [])
    record = Record(path, 400, lambda at: at)
    record.open()
    other = sqlite3.connect(path, isolation_level=None)
    other.execute("BEGIN EXCLUSIVE")
    written = threading.Event()
    found: list[str | None] = []

    def done(ok: bool) -> None:
        found.append(record.fault if ok else "not written")
        written.set()

    record.write(NOTES[:3], done)
    end = time.monotonic() + 60
    while record.fault is None and time.monotonic() < end:
        time.sleep(0.05)
    assert "locked" in str(record.fault)
    other.execute("ROLLBACK")
    other.close()
    assert written.wait(60)
    assert found == [None]
    record.close()


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


# The schemas as earlier versions made them: 1 without dials set by hand, 2 without the code of a
# request and the session of a dial, 3 without the colour of a dial, 4 without what light sensors saw,
# 5 without takes.
def as_version(version: int, path: Path) -> None:
    with sqlite3.connect(path) as database:
        database.execute("DROP TABLE takes")
        if version == 5:
            database.execute("UPDATE schema_version SET version = 5")
            return
        database.execute("DROP TABLE lights")
        if version == 4:
            database.execute("UPDATE schema_version SET version = 4")
            return
        database.execute("ALTER TABLE hands DROP COLUMN colour")
        if version == 3:
            database.execute("UPDATE schema_version SET version = 3")
            return
        database.execute("ALTER TABLE requests DROP COLUMN code")
        for table in (*tables.PRUNED, tables.LOCKOUTS):
            if table.name not in ("runs", "lights", "takes"):
                database.execute(f"ALTER TABLE {table.name} DROP COLUMN session")
        if version == 1:
            database.execute("DROP TABLE hands")
        database.execute("UPDATE schema_version SET version = ?", (version,))


def test_a_record_of_the_second_version_is_read_and_upgraded(tmp_path: Path) -> None:
    path = record_path(tmp_path, "kiln")
    failed = RequestNote(3.0, "r2", "up", "Ana", "mqtt", "day", (), False, "failed", "no")
    write(path, [*NOTES, failed])
    as_version(2, path)
    reader = Reader(path)
    assert [r["phase"] for r in reader.requests()] == ["taken", "done", "failed"]
    assert "by hand" in {entry["kind"] for entry in reader.timeline(1)}
    reader.close()
    memory = reopen(path)
    # what a code was then is known from how it ended
    assert memory.answered == (("r1", 0, "ready in 1.0 s"), ("r2", 1, "no"))
    assert memory.by_hand["rim"].preset.level == 30.0
    write(path, [replace(failed, id="r3", phase="refused", code=2)])
    assert reopen(path).answered[-1] == ("r3", 2, "no")


def test_a_record_of_the_fourth_version_is_read_and_upgraded(tmp_path: Path) -> None:
    path = record_path(tmp_path, "kiln")
    write(path, NOTES)
    as_version(4, path)
    reader = Reader(path)
    assert "light" not in {entry["kind"] for entry in reader.timeline(1)}
    reader.close()
    assert reopen(path).session == 1
    write(
        path,
        [
            LightNote(7.0, "cell", "begun", -0.42, ("rim", "edge"), ""),
            LightNote(8.0, "cell", "over", None, (), "returned"),
        ],
    )
    reader = Reader(path)
    said = [light_note(entry) for entry in reader.timeline(1) if entry["kind"] == "light"]
    reader.close()
    assert said == [
        "the light at cell is 0.4 stop less than when ready, and no light says that it moved: rim or"
        " edge could have, or something in the way",
        "the light at cell is as when ready again, or explained",
    ]


TAKE = [
    RollingNote(9.0, "camera", True, "report"),
    TakeNote(9.0, 3, "begun", None, 0.0, "report", 0.0, "", None, {"session": 1, "look": "day"}),
    TakeNote(9.0, 3, "rolls", "camera", 0.0, "report", 0.0),
    TakeNote(29.0, 3, "going", None, 20.0),
    TakeNote(49.0, 3, "going", None, 40.0),
    TakeNote(50.0, 3, "changed", "key", 41.0, "report", 0.0, "", None, {"what": "light"}),
]
TAKEN = [
    TakeNote(60.0, 3, "stopped", "camera", 51.0, "inferred", None, "the bridge began anew"),
    TakeNote(60.0, 3, "ended", None, 51.0, "inferred", None, "the bridge began anew"),
    TakeNote(61.0, 3, "marked", None, 0.0, "Ana", 0.0, None, "good"),
]


def test_a_take_outlasts_the_bridge_and_is_read_back_as_it_was(tmp_path: Path) -> None:
    path = record_path(tmp_path, "kiln")
    memory = write(path, [*NOTES, *TAKE])
    memory = reopen(path)
    assert (memory.next_take, memory.rolling) == (4, {"camera"})
    take = Tally(memory.takes).open
    assert take is not None
    assert (take.number, take.seconds, take.seen, take.look) == (3, 40.0, 1049.0, "day")
    assert take.rolling == ("camera",)
    with sqlite3.connect(path) as database:
        # that it goes on is one row, the last
        going = database.execute("SELECT seconds FROM takes WHERE phase = 'going'").fetchall()
    assert going == [(40.0,)]
    write(path, TAKEN)
    memory = reopen(path)
    last = Tally(memory.takes).last
    assert last is not None and (last.ended_by, last.ended_off, last.mark) == (
        "inferred",
        None,
        "good",
    )
    with closing(Reader(path)) as reader:
        (read,) = reader.takes()
        assert [(h.seconds, h.device) for h in read.happened] == [(41.0, "key")]
        assert replace(read, marked=None) == replace(last, marked=None)
        assert reader.takes(4) == [] and reader.takes(1, 3) == [read] and reader.last_take() == 3


def test_the_good_ones_are_known_however_long_ago_and_marks_that_were_changed(
    tmp_path: Path,
) -> None:
    path = record_path(tmp_path, "kiln")
    notes: list[object] = []
    for n in range(1, 2 * KEPT):
        notes.append(TakeNote(float(n), n, "begun", None, 0.0, "report", 0.0))
        notes.append(TakeNote(float(n), n, "ended", None, 1.0, "report", 0.0))
    notes += [
        TakeNote(900.0, 2, "marked", None, 0.0, "Ana", 0.0, None, "good"),
        TakeNote(901.0, 2, "marked", None, 0.0, "Ana", 0.0, "the best so far", None),
        TakeNote(902.0, 3, "marked", None, 0.0, "Ana", 0.0, None, "good"),
        TakeNote(903.0, 3, "marked", None, 0.0, "Bo", 0.0, None, "again"),
    ]
    write(path, notes)
    tally = Tally(reopen(path).takes)
    assert sorted(tally.takes) == [2, *range(KEPT, 2 * KEPT)]
    assert (tally.takes[2].mark, tally.takes[2].note) == ("good", "the best so far")
    with closing(Reader(path)) as reader:
        # whoever compares one take with them reads no others
        assert [(t.number, t.mark, t.note) for t in reader.good_takes()] == [
            (2, "good", "the best so far")
        ]


def test_what_outlasts_a_record_that_was_removed_is_the_take_under_way_and_its_number(
    tmp_path: Path,
) -> None:
    path = record_path(tmp_path, "kiln")
    earlier = [replace(note, take=2) for note in TAKE if isinstance(note, TakeNote)]
    late = TakeNote(55.0, 2, "marked", None, 0.0, "Ana", 0.0, "an old one", "good")
    record = Record(path, 400, lambda at: at)
    record.open()
    try:
        assert asyncio.run(on_disk(record, [*earlier, *TAKE, late], 5.0))
        for end in ("", "-wal", "-shm"):
            Path(f"{path}{end}").unlink(missing_ok=True)
        assert asyncio.run(on_disk(record, [FaultNote(60.0, None, "", "after")], 10.0))
    finally:
        record.close()
    memory = reopen(path)
    take = Tally(memory.takes).open
    assert take is not None and memory.next_take == 4
    assert (take.number, take.seconds, take.rolling) == (3, 40.0, ("camera",))


def test_takes_of_a_bridge_that_could_not_read_the_record_are_numbered_on(tmp_path: Path) -> None:
    path = record_path(tmp_path, "kiln")
    write(path, [*TAKE, *TAKEN])
    record = Record(path, 400, lambda at: at)
    told: list[Memory] = []
    record.open_later(RecordAway("locked"), lambda memory, _: told.append(memory))
    try:
        notes = [replace(note, take=1) for note in [*TAKE, *TAKEN] if isinstance(note, TakeNote)]
        assert asyncio.run(on_disk(record, notes, 10.0))
    finally:
        record.close()
    with closing(Reader(path)) as reader:
        assert [take.number for take in reader.takes()] == [3, 4]
    assert told and told[-1].next_take == 5


def test_pruning_keeps_the_last_take_so_that_numbers_go_on(tmp_path: Path) -> None:
    path = record_path(tmp_path, "kiln")
    old = [
        TakeNote(n, int(n), phase, None, 0.0, "report", 0.0)  # type: ignore[arg-type]
        for n in (1.0, 2.0)
        for phase in ("begun", "ended")
    ]
    write(path, [*NOTES, *old])
    with sqlite3.connect(path) as database:
        assert database.execute("SELECT count(*) FROM takes").fetchone() == (4,)
    engine = tables.connect(path)
    with engine.begin() as connection:
        prune(connection, 10_000.0)
    engine.dispose()
    assert reopen(path).next_take == 3
    with closing(Reader(path)) as reader:
        assert [take.number for take in reader.takes()] == [2]


def test_a_record_of_the_fifth_version_is_read_and_upgraded(tmp_path: Path) -> None:
    path = record_path(tmp_path, "kiln")
    write(path, NOTES)
    as_version(5, path)
    with closing(Reader(path)) as reader:  # read as it is, nothing written
        assert reader.takes() == []
        assert len(reader.sessions()) == 1
    assert reopen(path).next_take == 1
    write(path, TAKE)
    assert reopen(path).next_take == 4


def test_a_record_of_the_third_version_is_read_and_upgraded(tmp_path: Path) -> None:
    path = record_path(tmp_path, "kiln")
    write(path, NOTES)
    as_version(3, path)
    reader = Reader(path)
    assert reader.moment(1007.0)["rim"] == {"level": 30.0, "cct": 4300.0}
    assert "by hand" in {entry["kind"] for entry in reader.timeline(1)}
    reader.close()
    assert reopen(path).by_hand["rim"].preset == Preset(30.0, 4300.0)
    dyed = Preset(25.0, None, of_hs(123.4, 0.7))
    write(path, [HandNote(9.0, "rim", 25.0, None, "Bo", dyed.colour)])
    # to the last digit: a dial is where it was set, or it has to be set anew
    assert reopen(path).by_hand["rim"].preset == dyed
    reader = Reader(path)
    found = reader.moment(1010.0)["rim"]
    reader.close()
    assert set(found) == {"level", "colour"}


def test_a_record_of_the_first_version_is_read_and_upgraded(tmp_path: Path) -> None:
    path = record_path(tmp_path, "kiln")
    write(path, NOTES)
    as_version(1, path)
    reader = Reader(path)  # read as it is, nothing written
    assert len(reader.sessions()) == 1
    assert "by hand" not in {entry["kind"] for entry in reader.timeline(1)}
    reader.close()
    memory = reopen(path)
    assert memory.session == 1
    assert memory.by_hand == {}
    with sqlite3.connect(path) as database:
        assert database.execute("SELECT version FROM schema_version").fetchone() == (
            tables.SCHEMA_VERSION,
        )
    write(path, [HandNote(9.0, "rim", 25.0, None, "Bo")])
    assert reopen(path).by_hand["rim"].preset.level == 25.0
    assert len(Reader(path).drifts()) == 1  # what was there before is still there


def test_a_person_s_word_that_the_watts_ended_is_kept_as_ended(tmp_path: Path) -> None:
    path = record_path(tmp_path, "kiln")
    band = "45 to 60 % by its watts"
    write(
        path,
        [
            *NOTES,
            DriftNote(8.0, 7, "opened", "rim", "level", 30.0, band, 0.58, None, 15.0, ""),
            HandNote(8.0, "rim", None, None, "its watts"),
        ],
    )
    assert reopen(path).by_hand["rim"].preset == Preset(None, None)
    reader = Reader(path)
    said = [change["said"] for change in reader.changes("rim", 5)]
    assert f"level opened: {band}" in said
    assert "no longer as set by hand, by its watts" in said
    # where it was is not known, neither the near end of the band nor what it was said to be
    assert reader.moment(1e12)["rim"]["level"] is None
    assert reader.drifts("rim")[-1]["worst"] == band


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


# ---- what may happen to the file while it is written ---------------------------------------------


def soon(test: Callable[[], object], within: float = 10.0) -> None:
    end = time.monotonic() + within
    while not test():
        assert time.monotonic() < end, "it did not come to that"
        time.sleep(0.01)


@contextmanager
def writing(path: Path) -> Iterator[tuple[Record, list[str | None], list[str]]]:
    """A record that is written, what it told as its fault, and what it said once."""
    faults: list[str | None] = []
    said: list[str] = []
    record = Record(path, 400, lambda at: at, faults.append, said.append)
    record.open()
    try:
        yield record, faults, said
    finally:
        record.close()


def put(record: Record, *notes: Any) -> None:
    done: list[bool] = []
    record.write(notes, done.append)
    soon(lambda: done)
    assert done == [True]


OPEN = [note for note in NOTES if note.at <= 2.0 or isinstance(note, LockoutNote | RollingNote)]


@pytest.mark.parametrize("what", ["removed", "replaced", "emptied"])
@pytest.mark.parametrize("idle", [True, False])
def test_a_file_that_goes_away_is_noticed_and_what_must_last_is_written_anew(
    tmp_path: Path, what: str, idle: bool, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(record_module, "TRY_AGAIN", 0.1)
    path, other = record_path(tmp_path, "kiln"), record_path(tmp_path, "other")
    write(other, [LockoutNote(1.0, "cloth", "set", "Bo", "of another day")])
    with writing(path) as (record, _, said):
        put(record, *OPEN, LockoutNote(5.5, "rim", "set", "Bo", "a bulb"))
        put(record, LockoutNote(5.6, "rim", "released", "Bo", "a bulb"))
        if what == "emptied":
            for part in (path, Path(f"{path}-wal")):
                part.write_bytes(b"")
        else:
            for part in tmp_path.glob("kiln.sqlite*"):
                part.unlink()
        if what == "replaced":
            other.rename(path)
        if idle:
            soon(lambda: said)
        put(record, LockoutNote(9.0, "key", "set", "Cy", "a fuse"))
        assert "not the one it was" in said[0]
        # as after kill -9: read beside the running one
        memory = reopen(path)
        locked = {"fill", "key"} | ({"cloth"} if what == "replaced" else set())
        assert {x.target for x in memory.lockouts} == locked
        assert memory.rolling == {"camera"}
        assert (memory.state, memory.session, memory.next_run) == ("ready", 1, 2)
        with closing(Reader(path)) as reader:
            assert any("not the one it was" in f["text"] for f in reader.faults())
    with closing(sqlite3.connect(path)) as database:
        assert database.execute("PRAGMA integrity_check").fetchone() == ("ok",)


def test_a_file_that_goes_while_it_is_written_to(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Removed after the look before and before the commit: what was written is nowhere."""
    path = record_path(tmp_path, "kiln")
    with writing(path) as (record, _, said):
        put(record, *OPEN)
        insert, left = Record._insert, [1]

        def removed(self: Record, batch: Any) -> None:
            if left[0]:
                left[0] = 0
                for part in tmp_path.glob("kiln.sqlite*"):
                    part.unlink()
            insert(self, batch)

        monkeypatch.setattr(Record, "_insert", removed)
        put(record, LockoutNote(9.0, "key", "set", "Cy", "a fuse"))
        # it was said to be on disk: so it is, at once
        assert {x.target for x in reopen(path).lockouts} == {"fill", "key"}
        assert len(said) == 1


def test_a_log_that_is_removed_costs_nothing(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """SQLite's own -wal beside the file holds what is not in the file yet."""
    monkeypatch.setattr(record_module, "TRY_AGAIN", 0.1)
    path = record_path(tmp_path, "kiln")
    with writing(path) as (record, _, said):
        put(record, *NOTES)
        Path(f"{path}-wal").unlink()
        put(record, LockoutNote(9.0, "key", "set", "Cy", "a fuse"))
        soon(lambda: said)
        assert "nothing is lost" in said[0]
        memory = reopen(path)
        assert {x.target for x in memory.lockouts} == {"fill", "key"}
        with closing(Reader(path)) as reader:
            assert len(reader.steps()) == 2
            assert len(reader.lockouts()) == 2


def test_a_writer_that_fails_as_nobody_planned_says_so_and_goes_on(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(record_module, "TRY_AGAIN", 0.1)
    with writing(record_path(tmp_path, "kiln")) as (record, faults, said):
        store, left = Record._store, [2]

        def fails(self: Record) -> bool:
            if left[0] > 0:
                left[0] -= 1
                raise RuntimeError("a bug")
            return store(self)

        monkeypatch.setattr(Record, "_store", fails)
        put(record, *NOTES)
        assert faults[0] is not None
        assert "RuntimeError: a bug" in faults[0]
        assert faults[-1] is None
        assert "in fails" in said[0]  # where it came from
    with closing(Reader(record_path(tmp_path, "kiln"))) as reader:
        assert len(reader.steps()) == 2


def test_who_listens_and_fails_does_not_end_the_writer(tmp_path: Path) -> None:
    with writing(record_path(tmp_path, "kiln")) as (record, _, _):

        def fails(ok: bool) -> None:
            raise RuntimeError("Event loop is closed")

        record.write(NOTES[:1], fails)
        put(record, *NOTES[1:])


def test_a_note_that_cannot_be_written_costs_that_note(tmp_path: Path) -> None:
    path = record_path(tmp_path, "kiln")
    with writing(path) as (record, faults, said):
        bad = RunNote(3.0, 2**70, "up", "day", "begun", "")
        done: list[bool] = []
        record.write([NOTES[0], bad, NOTES[3]], done.append)
        soon(lambda: done)
        put(record, NOTES[2])
        assert record.lost == 1
        assert "lost (RunNote)" in said[0]
        assert faults == []
    with closing(Reader(path)) as reader:
        assert len(reader.sessions()) == 1
        assert len(reader.runs()) == 1


def test_what_waits_is_bounded_counted_and_never_a_lockout(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(record_module, "TRY_AGAIN", 0.1)
    monkeypatch.setattr(tables, "WITHIN_A_TRY", 0.1)
    monkeypatch.setattr(record_module, "MOST_WAITING", 50)
    path = record_path(tmp_path, "kiln")
    with writing(path) as (record, faults, _):
        put(record, NOTES[0])
        with closing(sqlite3.connect(path, isolation_level=None)) as other:
            other.execute("BEGIN EXCLUSIVE")
            given_up: list[bool] = []
            record.write([LockoutNote(5.0, "fill", "set", "Ana", "a cable")])
            record.write([FaultNote(6.0, None, "", "the first")], given_up.append)
            soon(lambda: faults)
            for i in range(100):
                record.write([FaultNote(7.0 + i, None, "", f"{i}")])
            soon(lambda: record.lost >= 52 - 1)
            assert given_up == [False]
            other.execute("ROLLBACK")
        soon(lambda: faults[-1] is None)
        lost = record.lost
    with closing(Reader(path)) as reader:
        assert [x["target"] for x in reader.lockouts()] == ["fill"]
        assert len(reader.faults()) == 101 - lost


def test_a_disk_that_says_nothing_is_a_fault_too(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(record_module, "STUCK_AFTER", 0.2)
    with writing(record_path(tmp_path, "kiln")) as (record, faults, _):
        go_on = threading.Event()
        insert = Record._insert

        def hangs(self: Record, batch: Any) -> None:
            go_on.wait(10.0)
            insert(self, batch)

        monkeypatch.setattr(Record, "_insert", hangs)
        record.write(NOTES[:1])
        time.sleep(0.1)
        record.look()
        assert faults == []
        time.sleep(0.3)
        record.look()
        assert "has not answered" in str(faults[0])
        go_on.set()
        soon(lambda: faults[-1] is None)


# ---- times, rights, names -----------------------------------------------------------------------


def test_times_are_by_the_clock_as_it_was_then(tmp_path: Path) -> None:
    """A note waits for the disk while the clock steps: its time is of before the step."""
    path = record_path(tmp_path, "kiln")
    offset = [1000.0]
    record = Record(path, 400, lambda at: at + offset[0])
    record.open()
    try:
        with closing(sqlite3.connect(path, isolation_level=None)) as other:
            other.execute("BEGIN EXCLUSIVE")
            record.write([FaultNote(1.0, None, "", "before")])
            time.sleep(0.3)
            offset[0] += 8 * 3600.0
            record.write([FaultNote(2.0, None, "", "after")])
            other.execute("ROLLBACK")
    finally:
        record.close()
    with closing(Reader(path)) as reader:
        assert [f["at"] for f in reader.faults()] == [1001.0, 1002.0 + 8 * 3600.0]


def test_a_session_is_told_whole_though_the_clock_was_put_back_in_it(tmp_path: Path) -> None:
    path = record_path(tmp_path, "kiln")
    write(path, NOTES, offset=9000.0)
    write(path, [FaultNote(10.0, None, "", "later"), SessionNote(11.0, 1, "closed", None, None)])
    with closing(Reader(path)) as reader:
        kinds = [entry["kind"] for entry in reader.timeline(1)]
    assert kinds.count("step") == 2
    assert kinds.count("fault") == 2


def test_a_clock_that_is_years_ahead_forgets_nothing(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = record_path(tmp_path, "kiln")
    write(path, NOTES, offset=time.time())
    ahead = time.time() + 5000 * DAY
    monkeypatch.setattr(record_module.time, "time", lambda: ahead)
    with writing(path) as (record, _, _):
        record.prune()
        put(record, NOTES[0])
    with closing(Reader(path)) as reader:
        assert len(reader.steps()) == 2


def test_dials_are_of_their_session_whatever_the_clock_did(tmp_path: Path) -> None:
    path = record_path(tmp_path, "kiln")
    # a session long ago, by a clock that was far ahead; then one of today
    write(path, [SessionNote(1.0, 1, "opened", "day", None), HandNote(2.0, "rim", 9.0, None, "A")])
    write(path, [SessionNote(3.0, 1, "closed", None, None)])
    write(path, [SessionNote(4.0, 2, "opened", "day", None)], offset=-50_000.0)
    assert reopen(path).by_hand == {}
    write(path, [HandNote(5.0, "key", 8.0, None, "B")], offset=-60_000.0)
    assert list(reopen(path).by_hand) == ["key"]


def test_what_a_session_metered_is_counted_on(tmp_path: Path) -> None:
    path = record_path(tmp_path, "kiln")
    write(path, [SessionNote(1.0, 1, "opened", "day", None)])
    for kwh in (0.1, 0.25, 0.4):
        write(path, [SessionNote(2.0, 1, "metered", "day", kwh)])
    memory = reopen(path)
    assert (memory.session, memory.session_kwh) == (1, 0.4)
    with closing(sqlite3.connect(path)) as database:
        assert database.execute("SELECT count(*) FROM sessions").fetchone() == (2,)
    with closing(Reader(path)) as reader:
        (session,) = reader.sessions()
        assert set(session) == {"session", "opened", "ready", "closed", "look", "kwh"}
        assert session["kwh"] == 0.4
    write(path, [SessionNote(3.0, 1, "closed", None, 0.5)])
    assert reopen(path).session_kwh is None


def test_many_answers_are_remembered_with_their_codes(tmp_path: Path) -> None:
    path = record_path(tmp_path, "kiln")
    one = RequestNote(1.0, "", "up", "Ana", "mqtt", "day", (), False, "refused", "no", 2)
    write(path, [replace(one, id=f"r{i}") for i in range(5000)])
    answered = reopen(path).answered
    assert len(answered) == 4096
    assert answered[0] == ("r904", 2, "no")
    assert answered[-1] == ("r4999", 2, "no")


def test_it_is_nobody_elses_business(tmp_path: Path) -> None:
    before = os.umask(0o000)
    try:
        path = record_path(tmp_path / "of" / "ours", "kiln")
        with writing(path) as (record, _, _):
            put(record, *NOTES)
            modes = {p.name: stat.S_IMODE(p.stat().st_mode) for p in path.parent.iterdir()}
            assert set(modes.values()) == {0o600}, modes
            assert record.warnings() == []
        for folder in (path.parent, path.parent.parent):
            assert stat.S_IMODE(folder.stat().st_mode) == 0o700
        copy = tmp_path / "copy.sqlite"
        back_up(path, copy)
        assert stat.S_IMODE(copy.stat().st_mode) == 0o600
        for mode, words in ((0o644, "others can read it"), (0o666, "anybody can change it")):
            path.chmod(mode)
            (warning,) = Record(path, 400, lambda at: at).warnings()
            assert words in warning
            assert f"chmod 600 {path}" in warning
    finally:
        os.umask(before)


@pytest.mark.parametrize("name", ["a#b", "what?mode=memory", "50%25", "two words"])
def test_a_folder_of_any_name(tmp_path: Path, name: str) -> None:
    path = record_path(tmp_path / name, "kiln")
    write(path, NOTES)
    assert reopen(path).session == 1
    assert [p.name for p in (tmp_path / name).iterdir()] == ["kiln.sqlite"]
    back_up(path, tmp_path / name / "copy.sqlite")
    assert reopen(tmp_path / name / "copy.sqlite").session == 1
    assert sorted(p.name for p in tmp_path.iterdir()) == [name]


# ---- a record that cannot be used when the bridge starts -----------------------------------------


def begun_without(path: Path) -> tuple[Record, list[str | None], list[Memory]]:
    faults: list[str | None] = []
    memories: list[Memory] = []
    record = Record(path, 400, lambda at: at, faults.append)
    with pytest.raises(RecordAway) as away:
        record.open()
    record.open_later(away.value, lambda memory, written: memories.append(memory))
    return record, faults, memories


def test_a_record_that_comes_later_is_numbered_on_and_remembered(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(record_module, "TRY_AGAIN", 0.1)
    monkeypatch.setattr(tables, "WITHIN_A_TRY", 0.1)
    path = record_path(tmp_path, "kiln")
    write(path, NOTES)
    with closing(sqlite3.connect(path, isolation_level=None)) as other:
        other.execute("PRAGMA locking_mode=EXCLUSIVE")  # readers are kept out as well
        other.execute("BEGIN EXCLUSIVE")
        record, faults, memories = begun_without(path)
        assert "locked" in str(faults[0])
        # meanwhile, by a bridge that knows nothing of session 1 and its runs 1 and 2
        record.write([RunNote(9.0, 1, "down", None, "begun", "")])
        record.write([LockoutNote(9.1, "key", "set", "Cy", "a fuse")])
        record.write([RunNote(9.2, 1, "down", None, "done", "")])
        time.sleep(0.5)
        assert memories == []
        other.execute("ROLLBACK")
    soon(lambda: memories)
    (memory,) = memories
    assert {x.target for x in memory.lockouts} == {"fill", "key"}
    assert record.handed == 3
    # more happens before the bridge gets round to taking it over
    record.write([LockoutNote(9.5, "rim", "set", "Cy", "a bulb")])
    counts: list[int] = []

    def again(memory: Memory, written: int) -> None:
        memories.append(memory)
        counts.append(written)

    record.read_again(again)
    soon(lambda: counts)
    assert counts == [4]
    assert {x.target for x in memories[-1].lockouts} == {"fill", "key", "rim"}
    assert memory.next_run == 4
    assert faults[-1] is None
    record.read_by_now()
    put(record, RunNote(10.0, 4, "up", "day", "begun", ""))
    record.close()
    with closing(Reader(path)) as reader:
        assert [r["run"] for r in reader.runs()] == [1, 1, 2, 3, 3, 4]


def test_a_damaged_file_is_said_and_a_new_one_taken_when_it_was_moved_away(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(record_module, "TRY_AGAIN", 0.1)
    path = record_path(tmp_path, "kiln")
    path.write_bytes(b"this is not a database" * 100)
    record, faults, memories = begun_without(path)
    assert "move the file away" in str(faults[0])
    record.write([LockoutNote(9.1, "key", "set", "Cy", "a fuse")])
    time.sleep(0.5)
    assert path.read_bytes().startswith(b"this is not")
    path.rename(tmp_path / "damaged")
    soon(lambda: memories)
    assert [x.target for x in memories[0].lockouts] == ["key"]
    record.close()
    assert [x.target for x in reopen(path).lockouts] == ["key"]
    assert record.lost == 0


def test_what_is_never_written_is_counted_at_the_end(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(record_module, "TRY_AGAIN", 0.1)
    path = record_path(tmp_path, "kiln")
    path.write_bytes(b"this is not a database" * 100)
    record, _, _ = begun_without(path)
    done: list[bool] = []
    record.write(NOTES[:3], done.append)
    record.close()
    assert record.lost == 3
    assert done == [False]
