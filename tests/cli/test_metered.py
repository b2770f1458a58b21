"""light --meter and the readings of a profile, as a person uses them."""

from __future__ import annotations

import json
import re
import shutil
from pathlib import Path

import pytest

from tests.cli.conftest import Run
from tests.cli.test_commands import CORNER, studiobridge


@pytest.fixture
def corner(tmp_path: Path) -> Path:
    made = tmp_path / "corner.yaml"
    shutil.copy(CORNER, made)
    return made


def meter(*said: str) -> list[str]:
    return [word for text in said for word in ("--meter", text)]


def test_two_readings_make_the_figures_yours(corner: Path, tmp_path: Path) -> None:
    """277 and 139 lx by the makers; the meter says 310 and 120."""
    was = corner.read_bytes()
    said = meter("face 310 lx key", "face 120 lx fill")
    done = studiobridge("light", corner, *said, home=tmp_path)
    assert done.returncode == 0, done.stderr
    assert re.search(
        r"by your meter +key 1\.12 × its maker's figure \(from 1 reading, ± 6 %\)", done.stdout
    )
    assert re.search(r"by the maker +rim, edge-left and edge-right", done.stdout)
    assert re.search(r"together +430 lx ± 0\.1 stop on the face", done.stdout)
    assert re.search(r"key to fill +2\.\d:1 ± 0\.[12] stop", done.stdout)
    assert "in your meter's readings" in done.stdout
    assert corner.read_bytes() == was
    found = json.loads(studiobridge("light", corner, *said, "--json", home=tmp_path).stdout)
    assert found["whole"]["lux"] == pytest.approx(430, rel=0.01)
    assert found["meter"]["scales"][0]["scale"] == pytest.approx(310 / 277, rel=0.01)
    assert [r["used"] for r in found["meter"]["readings"]] == [True, True]
    assert "meter" not in json.loads(studiobridge("light", corner, "--json", home=tmp_path).stdout)


def test_what_is_kept_is_what_everything_reckons_with(corner: Path, tmp_path: Path) -> None:
    said = meter("face 310 lx key", "face 120 lx fill")
    before = studiobridge("light", corner, *said, home=tmp_path).stdout
    kept = studiobridge("light", corner, *said, "--keep", home=tmp_path)
    assert kept.returncode == 0, kept.stderr
    assert kept.stdout.startswith(before)
    last = kept.stdout.splitlines()[-1]
    assert last.startswith("kept: 2 readings in ") and "; undo it with: mv " in last
    assert "# Pottery lessons" in corner.read_text(encoding="utf-8")
    assert studiobridge("light", corner, home=tmp_path).stdout == before
    assert studiobridge("check", corner, home=tmp_path).returncode == 0


def test_check_doubts_a_reading_that_does_not_go_with_the_others(
    corner: Path, tmp_path: Path
) -> None:
    text = corner.read_text(encoding="utf-8")
    corner.write_text(
        text
        + "readings:\n"
        + "  - {read: 310 lx, on: [key]}\n"
        + "  - {read: 120 lx, on: [fill]}\n"
        + "  - {read: 750 lx, on: [key, fill]}\n",
        encoding="utf-8",
    )
    done = studiobridge("check", corner, home=tmp_path)
    assert done.returncode == 0
    line = len(text.splitlines()) + 4
    assert re.search(
        rf":{line}:5: reading 3 \(750 lx at face\) does not go with the others: 0\.8 stop over;"
        r" left out",
        " ".join(done.stdout.split()),
    )


def test_check_doubts_a_light_of_three_times_its_figure(corner: Path, tmp_path: Path) -> None:
    with corner.open("a", encoding="utf-8") as file:
        file.write("readings:\n  - {read: 830 lx, on: [key]}\n  - {read: 139 lx, on: [fill]}\n")
    done = studiobridge("check", corner, home=tmp_path)
    assert re.search(
        r"by your meter 'key' gives (2\.9|3) times what its 'output' says", done.stdout
    )


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (meter("face 310 lx kye"), "--meter 'face 310 lx kye': there is no light 'kye'; did you"),
        (meter("face three lx"), "write where, how much and which lights"),
        (["--keep"], "--keep keeps what --meter says"),
    ],
)
def test_what_is_no_reading_is_refused_and_nothing_written(
    words: list[str], said: str, corner: Path, inside: Run
) -> None:
    was = corner.read_bytes()
    done = inside("light", corner, *words)
    assert done.returncode == 2
    assert said in " ".join(done.stderr.split())
    assert corner.read_bytes() == was
