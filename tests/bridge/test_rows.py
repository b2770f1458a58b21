"""A row of the record may say anything: a half-mended file, a hand in it. Nothing ends with it."""

from __future__ import annotations

import json
import sqlite3
import time
from contextlib import closing
from dataclasses import replace
from pathlib import Path

import pytest

from studiobridge.bridge.core import counted_on
from studiobridge.bridge.lasting import memory_of
from studiobridge.bridge.reading import Reader
from studiobridge.bridge.tables import check, connect, record_path
from studiobridge.control.effects import Memory
from studiobridge.control.views import state_view
from studiobridge.shown import takes as said
from tests.control.test_quiet import Quietly, snug, told

NONSENSE = [float("inf"), -1e308, "abc", b"\xff\xfe"]
NOW = 1000.0
LIGHT = {"level": 64.0, "cct": 4300.0, "colour": None, "by": "report", "told": False}
STOOD = {"look": "day", "session": 1, "lights": {"key": LIGHT}}
ROWS = {
    "quiet": {
        "device": "fridge",
        "action": "off",
        "phase": "confirmed",
        "left": 300.0,
        "off_for": 60.0,
        "cut": 0,
        "rolling": 0,
        "by": "Ana",
        "text": "",
    },
    "takes": {
        "take": 1,
        "phase": "begun",
        "device": None,
        "seconds": 0.0,
        "by": "report",
        "off": 0.0,
        "text": "",
        "mark": None,
        "detail": json.dumps(STOOD),
    },
}


def recorded(folder: Path, table: str, **more: object) -> tuple[Path, Memory]:
    path = record_path(folder, "kiln-shelf")
    engine = connect(path)
    check(engine, path, create=True)
    row = {"at": time.time() - 60.0, **ROWS[table], **more}
    with closing(sqlite3.connect(path)) as database:
        marks = ", ".join("?" * len(row))
        names = ", ".join(f'"{name}"' for name in row)
        database.execute(f"INSERT INTO {table} ({names}) VALUES ({marks})", [*row.values()])
        database.commit()
    with engine.connect() as connection:
        memory = memory_of(connection)
    engine.dispose()
    offset = time.time() - NOW
    memory = replace(
        memory,
        takes=tuple(replace(note, at=note.at - offset) for note in memory.takes),
        quiet=tuple(counted_on(was, offset, NOW) for was in memory.quiet),
    )
    return path, memory


def shown(play: Quietly) -> None:
    json.dumps(state_view(play.controller, play.now, lambda at: 1.8e9 + at), allow_nan=False)


@pytest.mark.parametrize("value", NONSENSE)
@pytest.mark.parametrize("field", ["at", "left", "off_for"])
def test_what_was_made_quiet_comes_back_whatever_its_row_says(
    tmp_path: Path, field: str, value: object
) -> None:
    _, memory = recorded(tmp_path, "quiet", **{field: value})
    play = Quietly(snug(told(rests=60.0)), memory, now=NOW)
    play.on["fridge"] = False
    play.link_up()
    shown(play)
    play.run(NOW + 55.0 - play.now)
    assert play.switched() == []  # it has rested before it has power again
    play.run(41 * 60.0)
    shown(play)
    assert play.switched()[0][1] is True and play.quiet() == []


@pytest.mark.parametrize(
    ("field", "value"),
    [
        *((field, value) for field in ("at", "seconds", "off") for value in NONSENSE),
        *(("detail", value) for value in ("", "null", '{"lights": {"key": 3, "fill": null}}')),
        *((field, b"\xff\xfe") for field in ("detail", "by", "text")),
    ],
)
def test_a_take_of_which_nonsense_is_written_ends_nothing(
    tmp_path: Path, field: str, value: object
) -> None:
    path, memory = recorded(tmp_path, "takes", **{field: value})
    play = Quietly(snug(), memory, now=NOW)
    play.link_up()
    shown(play)
    play.run(20.0)
    play.ask("match", take=1)
    play.run(5.0)
    shown(play)
    assert not play.controller.failed
    with closing(Reader(path)) as reader:
        (take,) = reader.takes()
    assert take.number == 1
    json.dumps([said.csv_row(take), said.as_json(take)], allow_nan=False)
    said.times(take), said.stood_lines(take), said.changes(take), said.not_in_a_look(take)
