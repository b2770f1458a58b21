"""Takes in words: nothing that is inferred or said reads like what was heard."""

from __future__ import annotations

import json
from datetime import UTC
from zoneinfo import ZoneInfo

import pytest

from studiobridge.control.effects import TakeNote
from studiobridge.control.taken import Happened, Taken, Tally
from studiobridge.shown import takes as said
from studiobridge.shown.tongue import ENGLISH, speaking

AT = 1_772_395_200.0  # 2026-03-01 20:00:00 UTC, by `date -u -d @1772395200`


def taken(**more: object) -> Taken:
    notes = [
        TakeNote(
            AT, 12, "begun", None, 0.0, "report", 0.0, "", None, {"session": 3, "look": "day"}
        ),
        TakeNote(AT, 12, "rolls", "camera", 0.0, "report", 0.0),
        TakeNote(AT + 65.0, 12, "stopped", "camera", 65.0, **more),  # type: ignore[arg-type]
        TakeNote(AT + 65.0, 12, "ended", None, 65.0, **more),  # type: ignore[arg-type]
    ]
    return Tally(notes).takes[12]


@pytest.mark.parametrize(
    ("by", "off", "why", "text"),
    [
        ("report", 0.0, "", ""),
        ("watts", 6.0, "", "by its watts, up to 6.0 s earlier"),
        ("watts", None, "", "by its watts, since when is not known"),
        ("hand", 10.0, "Ana", "by a word of Ana, 10.0 s more or less"),
        (
            "inferred",
            36.0,
            "the bridge began anew",
            "inferred: the bridge began anew; it may have been up to 36.0 s earlier",
        ),
        ("inferred", None, "it was gone", "inferred: it was gone; how long before is not known"),
    ],
)
def test_how_an_end_is_known(by: str, off: float | None, why: str, text: str) -> None:
    assert said.evidence(by, off, why) == text
    lines = "\n".join(said.times(taken(by=by, off=off, text=why)))
    assert text in lines


def test_times_are_those_of_the_set_and_utc() -> None:
    with speaking(ENGLISH, ZoneInfo("Europe/Berlin")):
        row = said.csv_row(taken(by="report", off=0.0))
        assert (row["began"], row["began_utc"]) == (
            "2026-03-01T21:00:00.000+01:00",
            "2026-03-01T20:00:00.000Z",
        )
        assert said.times(taken(by="report"))[0] == "began 2026-03-01 21:00:00 (20:00:00 UTC)"
    with speaking(ENGLISH, UTC):
        assert said.times(taken(by="report"))[0] == "began 2026-03-01 20:00:00 UTC"


def test_a_clock_that_was_put_makes_no_take_longer() -> None:
    notes = [
        TakeNote(AT, 1, "begun", None, 0.0, "report", 0.0),
        TakeNote(AT + 3665.0, 1, "ended", None, 65.0, "report", 0.0),
    ]
    take = Tally(notes).takes[1]
    assert said.as_json(take)["seconds"] == 65.0
    lines = "\n".join(said.times(take))
    assert "1:05" in lines and "put forward by 1 h 00 min" in lines
    back = Tally([notes[0], TakeNote(AT - 3535.0, 1, "ended", None, 65.0)]).takes[1]
    assert "put back by 1 h 00 min" in "\n".join(said.times(back))


@pytest.mark.parametrize(
    ("what", "detail", "text"),
    [
        ("light", {"level": [64.0, 32.0], "stops": -1.0}, "key −1.00 stop (64 → 32 %)"),
        ("light", {"level": [64.0, 0.0], "stops": None}, "key 64 → 0 %"),
        ("light", {"cct": [4300.0, 4000.0], "mired": 17.4}, "key 17 mired warmer (4300 → 4000 K)"),
        ("mains", {"off": True}, "key went off"),
        ("drift", {"phase": "closed", "point": "level"}, "key is as wanted again"),
        ("drift", {"phase": "opened", "point": "online"}, "key is not heard"),
    ],
)
def test_what_changed_in_it(what: str, detail: dict[str, object], text: str) -> None:
    assert said.change(Happened(4.0, what, "key", "report", 0.0, "", detail)) == text


def test_a_record_that_holds_nonsense_is_shown_without_a_fault() -> None:
    bad = {
        "lights": {"key": {"level": "x"}, "fill": 3, "rim": {"why": 7}, "\x1b[2J": {}},
        "drift": ["x", {"device": 3}],
        "picture": 4,
        "supplies": {"x": 1},
        "look": ["day"],
        "session": "x",
        "before": {"x": 1},
    }
    take = Tally([TakeNote(AT, 1, "begun", None, 0.0, "", None, "", None, bad)]).takes[1]
    rows = said.stood_lines(take)
    assert all("\x1b" not in name + line for name, line in rows)
    json.dumps(said.as_json(take, whole=True), allow_nan=False)
    assert said.head(take) == "take 1"
    for detail in ({"level": [1]}, {"cct": "x"}, {"level": ["a", "b"]}, {"off": 3}):
        assert "key" in said.change(Happened(1.0, "light", "key", "", 0.0, "", detail))
