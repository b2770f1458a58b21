"""`takes` answers from the camera's picture: the list, one take, what differs, JSON and CSV."""

from __future__ import annotations

import csv
import io
import json
from pathlib import Path

import pytest

from studiobridge.bridge.record import Record
from studiobridge.bridge.tables import record_path
from studiobridge.control.effects import Note, TakeNote
from tests.cli.conftest import Run
from tests.cli.test_commands import CORNER
from tests.shown.test_seen_take import LATER, PLAIN, picture

AT = 1_772_395_200.0
LIGHT = {"level": 64.0, "cct": 4300.0, "colour": None, "by": "report", "told": False}


def begun(number: int, seen: object, at: float) -> list[TakeNote]:
    stood: dict[str, object] = {"session": None, "look": "lesson", "lights": {"key": LIGHT}}
    if seen is not None:
        stood["seen"] = seen
    return [
        TakeNote(at, number, "begun", None, 0.0, "report", 0.0, "", None, stood),
        TakeNote(at, number, "rolls", "camera", 0.0, "report"),
        TakeNote(at + 65.0, number, "stopped", "camera", 65.0, "report"),
        TakeNote(at + 65.0, number, "ended", None, 65.0, "report"),
    ]


@pytest.fixture
def takes(inside: Run, tmp_path: Path) -> Run:
    """A record of five takes: good, as then, changed, with no picture, and of before pictures."""
    settings = tmp_path / "settings.yaml"
    settings.write_text(f"data: {tmp_path}\nprofiles: [{CORNER}]\n", encoding="utf-8")
    notes: list[Note] = []
    seen = [picture(PLAIN), picture(PLAIN), picture(LATER), {"why": "the witness had left"}, None]
    for n, one in enumerate(seen, 1):
        notes += begun(n, one, AT + 100.0 * n)
    note = "a very long note on a bowl that wobbled in the middle"
    notes.append(TakeNote(AT + 900.0, 1, "marked", None, 0.0, "Ana", 0.0, note, "good"))
    record = Record(record_path(tmp_path, "wheel-corner"), 40_000, lambda at: at)
    record.open()
    record.write(notes)
    record.close()

    def run(*args: object) -> object:
        return inside("takes", *args, "--settings", settings, "--set", "wheel-corner")

    return run  # type: ignore[return-value]


def test_the_list_says_in_a_word_whether_the_picture_was_as_in_the_good_one(takes: Run) -> None:
    done = takes("--all")
    assert done.returncode == 0, done.stderr
    lines = done.stdout.splitlines()
    assert max(map(len, lines)) <= 90  # it fits a sheet of A4
    of = {line.split()[0]: line for line in lines if line.split()[0].isdigit()}
    assert "as then" in of["2"] and "differs" in of["3"]
    assert "–" in of["4"]  # nobody can tell, which is not "as then"
    assert "as then" not in of["5"] + of["1"] + of["4"] and "–" not in of["5"]
    assert "by the camera" in lines[-1]


def test_one_take_and_what_differs_say_it_in_figures(takes: Run) -> None:
    one = takes("3").stdout
    assert "looked 1.8 s before it began" in one
    assert "against take 1, the last good one" in one
    differs = takes("3", "--differs", "--profile", CORNER)
    assert differs.returncode == 0, differs.stderr
    for text in (one, differs.stdout):
        flat = " ".join(text.split())
        assert "by the picture, the camera looks 14 px further left" in flat
        assert "by the picture, white 6 mired warmer (4 to 8)" in flat
        assert "by the picture, exposure 0.2 stop less (0.1 to 0.3)" in flat
    none = " ".join(takes("4", "--differs").stdout.split())
    assert "take 4: no picture (the witness had left)" in none
    before = " ".join(takes("5", "--differs").stdout.split())
    assert "take 5: no picture (no picture was written down with it)" in before


def test_json_and_csv_have_the_figures(takes: Run) -> None:
    found = json.loads(takes("--all", "--json").stdout)
    verdicts = [one["as_good"] and one["as_good"]["verdict"] for one in found]
    assert verdicts == [None, "same", "differs", "not known", "not known"]
    one = json.loads(takes("3", "--json").stdout)
    assert one["seen"]["sighting"]["white"]["mired"]["value"] == 6.0
    assert one["as_good"]["good"] == 1
    compared = json.loads(takes("3", "--differs", "--json").stdout)
    assert {entry["what"] for entry in compared["seen"]["differs"]} == {
        *("white", "exposure", "framing")
    }
    rows = list(csv.DictReader(io.StringIO(takes("--all", "--csv").stdout)))
    assert [row["as_good"] for row in rows] == ["", "same", "differs", "not known", ""]
    assert [row["white_mired"] for row in rows] == ["0.0", "0.0", "6.0", "", ""]
    # of a camera that looks to the left the px are less than none: no spreadsheet runs a number
    assert rows[2]["camera_right_px"] == "-14.0"
