"""What was told quiet outlasts the bridge: in the record, in a record made anew, by another clock."""

from __future__ import annotations

import sqlite3
from contextlib import closing
from dataclasses import replace
from pathlib import Path

import pytest

from studiobridge.bridge.core import counted_on
from studiobridge.bridge.lasting import Lasting, prune
from studiobridge.bridge.reading import Reader
from studiobridge.bridge.record import Record
from studiobridge.bridge.tables import QUIET, connect, record_path, row_of
from studiobridge.control.effects import MadeQuiet, Memory, QuietNote, SessionNote
from studiobridge.shown.quieted import noted

OFF = QuietNote(10.0, "fridge", "off", "intended", 2400.0, 0.0, False, False, "Ana", "asked for")
SENT = replace(OFF, at=10.1, phase="sent", left=2399.9)
CONFIRMED = replace(OFF, at=10.4, phase="confirmed", left=2399.6)
BACK = replace(OFF, at=2410.0, action="on", phase="sent", left=0.0, off_for=2399.6)
OVER = replace(BACK, at=2410.3, phase="over", text="fridge is back on after 40 min")
OPENED = SessionNote(1.0, 1, "opened", "day", None)


def write(path: Path, notes: list[object], days: int = 400) -> None:
    record = Record(path, days, lambda at: at + 1000.0)
    record.open()
    record.write(notes)  # type: ignore[arg-type]
    record.prune()
    record.close()


def reopen(path: Path) -> Memory:
    record = Record(path, 400, lambda at: at)
    try:
        return record.open()
    finally:
        record.close()


@pytest.mark.parametrize("last", [OFF, SENT, CONFIRMED, BACK])
def test_whatever_was_noted_last_and_is_not_over_is_owed(last: QuietNote, tmp_path: Path) -> None:
    notes = [OFF, SENT, CONFIRMED, BACK]
    path = record_path(tmp_path, "kiln")
    write(path, [OPENED, *notes[: notes.index(last) + 1]])
    (owed,) = reopen(path).quiet
    assert (owed.device, owed.by, owed.cut, owed.rolling) == ("fridge", "Ana", False, False)
    assert owed.back_at == pytest.approx(1000.0 + 2410.0, abs=0.5)
    assert owed.off_at == pytest.approx(1000.0 + 10.4, abs=0.5)
    assert owed.noted_at == 1000.0 + last.at


def test_what_is_over_is_owed_no_more_and_stands_in_the_evening(tmp_path: Path) -> None:
    path = record_path(tmp_path, "kiln")
    write(path, [OPENED, OFF, SENT, CONFIRMED, BACK, OVER])
    assert reopen(path).quiet == ()
    with closing(Reader(path)) as reader:
        said = [noted(entry) for entry in reader.timeline(1) if entry["kind"] == "quiet"]
    assert said[2] == "fridge made quiet, confirmed"
    assert said[-1] == "fridge is back on after 40 min"


def test_years_later_it_is_still_owed_and_old_ends_are_forgotten(tmp_path: Path) -> None:
    path = record_path(tmp_path, "kiln")
    years = 10 * 365 * 86400.0
    other = replace(OVER, device="ice")
    write(path, [OPENED, OFF, SENT, other])
    write(path, [replace(other, at=years)])
    engine = connect(path)
    with engine.begin() as connection:
        prune(connection, 1000.0 + years - 30 * 86400.0)
    engine.dispose()
    assert [q.device for q in reopen(path).quiet] == ["fridge"]
    with closing(sqlite3.connect(path)) as db:
        rows = db.execute("SELECT device, phase FROM quiet ORDER BY id").fetchall()
    assert rows == [("fridge", "sent"), ("ice", "over")]


def test_a_record_of_the_version_before_has_none_and_takes_them(tmp_path: Path) -> None:
    path = record_path(tmp_path, "kiln")
    write(path, [OPENED])
    with closing(sqlite3.connect(path)) as db:
        db.execute("DROP TABLE quiet")
        db.execute("UPDATE schema_version SET version = 5")
        db.commit()
    with closing(Reader(path)) as reader:  # read as it is
        assert len(reader.sessions()) == 1
    assert reopen(path).quiet == ()
    write(path, [OFF])
    assert len(reopen(path).quiet) == 1


def test_a_record_that_is_made_anew_knows_what_is_owed_and_nothing_that_is_over() -> None:
    lasting = Lasting()
    for note in (OFF, SENT, CONFIRMED, replace(OFF, device="ice"), replace(OVER, device="ice")):
        lasting.fold(*row_of(note, note.at))
    assert [(t.name, r["device"], r["phase"]) for t, r in lasting.rows()] == [
        ("quiet", "fridge", "confirmed")
    ]


def test_what_a_file_holds_is_folded_as_it_would_be_one_by_one(tmp_path: Path) -> None:
    path = record_path(tmp_path, "kiln")
    write(path, [OPENED, OFF, SENT, CONFIRMED])
    engine = connect(path)
    with engine.connect() as connection:
        rows = [r for t, r in Lasting.read(connection).rows() if t is QUIET]
    engine.dispose()
    assert [(r["device"], r["phase"]) for r in rows] == [("fridge", "confirmed")]


def test_by_a_clock_that_went_on_the_time_counts_on() -> None:
    was = MadeQuiet("fridge", 1000.0, 3400.0, False, False, "Ana", 1000.4)
    now = counted_on(was, offset=1500.0, now=100.0)  # 600 s later by the wall
    assert now.off_at - 100.0 == -600.0 and now.back_at - 100.0 == 1800.0


def test_by_a_clock_that_stands_before_the_note_it_comes_back_at_once() -> None:
    was = MadeQuiet("fridge", 1000.0, 3400.0, False, False, "Ana", 1000.4)
    now = counted_on(was, offset=0.0, now=100.0)
    assert now.back_at == now.off_at == 100.0
    just = counted_on(was, offset=899.0, now=100.0)  # within what clocks are put right gently by
    assert just.back_at == 3400.0 - 899.0
