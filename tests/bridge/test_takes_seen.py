"""What a record keeps of a take's picture: read back as it was, from the version before, as nonsense."""

from __future__ import annotations

import json
import sqlite3
from contextlib import closing
from dataclasses import replace
from pathlib import Path

import pytest

from studiobridge.bridge import tables
from studiobridge.bridge.reading import Reader
from studiobridge.bridge.record import Record
from studiobridge.bridge.tables import record_path
from studiobridge.control.effects import Memory, TakeNote
from studiobridge.control.seen_then import Looked, read
from studiobridge.control.taken import Tally, last_good
from studiobridge.control.views import state_view
from studiobridge.profile.sighting import SeenWhite
from studiobridge.shown import takes as said
from studiobridge.shown.seen_columns import columns, compared
from tests.bridge.test_asyncapi import validator
from tests.control.test_takes import again
from tests.control.test_takes_seen import NONSENSE, Seen, good, near, up, watched

BEFORE = Path(__file__).with_name("record-6.sql")
AT = 1_772_395_200.0


def kept(path: Path, notes: list[TakeNote], offset: float = AT) -> Memory:
    record = Record(path, 40_000, lambda at: at + offset)
    memory = record.open()
    record.write(notes)
    record.close()
    return memory


def of_now(path: Path) -> Memory:
    return kept(path, [])


def test_what_a_take_s_picture_said_is_read_back_as_it_was(filmed: Seen, tmp_path: Path) -> None:
    play, path = filmed, record_path(tmp_path, "kiln")
    kept(path, play.notes)
    with closing(Reader(path)) as reader:
        first, second = reader.takes()
    here = play.tally.takes
    assert (first.picture, second.picture) == (here[1].picture, here[2].picture)
    assert isinstance(read(first.picture), Looked)
    # the second began with none: the first of it, and which second that was
    assert second.stood["seen"] == {"why": "the picture was not looked at lately"}
    assert second.first_seen_s == pytest.approx(4.8)
    assert second.ended_seen == here[2].ended_seen and second.ended_seen["looks"] == 4
    assert [one.detail["phase"] for one in second.happened if one.what == "seen"] == ["moved"]
    # and what the next bridge is told of them, also of takes that are over
    remembered = Tally(of_now(path).takes).takes
    assert (remembered[1].picture, remembered[2].picture) == (first.picture, second.picture)


def test_a_record_of_the_version_before_is_read_and_goes_on(tmp_path: Path) -> None:
    """A file that the program before pictures wrote: one take marked good, one under way."""
    path = record_path(tmp_path, "kiln")
    with closing(sqlite3.connect(path)) as database:
        database.executescript(BEFORE.read_text(encoding="utf-8"))
        assert database.execute("SELECT version FROM schema_version").fetchall() == [(6,)]
    assert tables.SCHEMA_VERSION == 6  # nothing of a take has a column of its own
    with closing(Reader(path)) as reader:
        before = reader.takes()
    assert [take.picture for take in before] == [None, None]
    assert [columns(take, None) for take in before] == [{}, {}]
    assert compared(None, before[0], before[1]) is None
    # the next bridge goes on with the take under way, and has the picture of it from here on
    memory = of_now(path)
    open_take = Tally(memory.takes).open
    assert open_take is not None and open_take.number == 2
    now = 100.0
    offset = open_take.seen - now + 1.0
    memory = replace(
        memory, takes=tuple(replace(note, at=note.at - offset) for note in memory.takes)
    )
    play = Seen(watched(), memory, now=now)
    play.on = dict.fromkeys(play.on, True)
    play.link_up()
    play.roll()
    play.run(60.0)
    play.ask("rolling_off")
    play.roll(False)
    play.run(10.0)
    play.ask("up")
    play.run(60.0)
    play.looks(4.0)
    play.roll()
    assert play.last.number == 3 and "age_s" in play.stood
    good_one = play.tally.good("day")
    assert good_one is not None and good_one.number == 1
    assert play.seen()["then"] == {"why": "no picture was written down with it"}
    assert play.seen()["verdict"] == "not known"
    kept(path, play.notes, offset)
    with closing(Reader(path)) as reader:
        after = reader.takes()
        assert [take.number for take in after] == [1, 2, 3]
        assert isinstance(read(after[2].picture), Looked)
        lines = said.against_lines(said.against(play.profile, after[0], after[2]))
    assert "take 1: no picture (no picture was written down with it)" in lines


@pytest.fixture(scope="module")
def filmed() -> Seen:
    """A good take, and one that began with no picture, in which the white moved."""
    play = up()
    good(play)
    play.run(20.0)
    play.roll()
    play.run(3.0)
    play.looks(4.0)
    play.looks(4.0, white=SeenWhite("card", near(12.0, 1.5), near(0.0, 0.001)))
    play.roll(False)
    return play


@pytest.mark.parametrize("where", ["begun", "seen", "changed", "ended"])
def test_nonsense_for_a_picture_in_the_record_ends_nothing(filmed: Seen, where: str) -> None:
    assert where in {note.phase for note in filmed.notes}
    for value in NONSENSE:
        notes = [spoilt(note, value) if note.phase == where else note for note in filmed.notes]
        takes = list(Tally(notes).takes.values())
        for take in takes:
            best = last_good(takes, take.look, without=take.number)
            as_good = compared(filmed.profile, best, take)
            data = [said.csv_row(take, as_good), said.as_json(take, True, as_good)]
            json.dumps(data, allow_nan=False)
            lines = [*said.times(take), *(text for row in said.stood_lines(take) for text in row)]
            lines += [text for row in said.changes(take) for text in row]
            if best is not None:
                lines += said.against_lines(said.against(filmed.profile, best, take))
            assert all("\x1b" not in line and len(line) < 2000 for line in lines)


def spoilt(note: TakeNote, value: object) -> TakeNote:
    """As it is read of a record in which somebody wrote this."""
    row = tables.row_of(note, note.at)[1]
    detail = {**note.detail, "seen": value, "differs": value}
    return tables.take_note({**row, "detail": json.dumps(detail)})


@pytest.mark.parametrize("value", [NONSENSE[7], NONSENSE[11]])
def test_a_bridge_that_reads_nonsense_for_a_picture_goes_on(filmed: Seen, value: object) -> None:
    notes = tuple(spoilt(note, value) for note in filmed.notes if note.phase != "ended")
    new = again(filmed, takes=notes)
    new.run(15.0)
    assert not new.controller.failed
    shown = state_view(new.controller, new.now, lambda at: 1.8e9 + at)["takes"]
    json.dumps(shown, allow_nan=False)


@pytest.mark.parametrize("text", ['{"seen": ' + "[" * 100_000, '{"seen": 1e999}', '{"a": NaN}'])
def test_a_text_that_is_none_is_an_empty_one(filmed: Seen, text: str) -> None:
    rows = [tables.row_of(note, note.at)[1] for note in filmed.notes]
    rows = [{**row, "detail": text} if row["phase"] == "begun" else row for row in rows]
    take = Tally(tables.take_note(row) for row in rows).takes[1]
    assert take.mark == "good" and read(take.picture) == "no picture was written down with it"
    json.dumps(said.as_json(take, whole=True), allow_nan=False)


def test_what_the_state_says_of_two_pictures_is_what_is_written_of_it() -> None:
    play = up()
    good(play)
    play.run(12.0)
    check = validator("takes")

    def wrong() -> list[str]:
        shown = json.loads(json.dumps(play.shown(), allow_nan=False))
        return [f"{e.json_path}: {e.message[:200]}" for e in check.iter_errors(shown)]

    assert wrong() == []
    play.look(kept="dusk", lights={}, screen=None)
    assert wrong() == []
    play.look(
        white=SeenWhite("card", near(-9.0, 1.5), near(0.02, 0.001)),
        exposure=near(1.0, 0.1),
    )
    assert play.seen()["verdict"] == "differs" and wrong() == []
