"""Which set is meant where nobody says: the one profile in the folder somebody stands in."""

from __future__ import annotations

import re
import shutil
import sys
from pathlib import Path

import pytest

from studiobridge.cli import main

CONFIG = Path(__file__).parents[2] / "config"
ONE, TWO = CONFIG / "one-plug-one-light.yaml", CONFIG / "wheel-corner.yaml"


@pytest.fixture(autouse=True)
def here(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A folder of somebody's own, and a broker that is not there."""
    monkeypatch.setenv("STUDIOBRIDGE_SETTINGS", str(tmp_path / "settings"))
    (tmp_path / "settings").write_text("broker: {host: 127.0.0.1, port: 1}\n")
    monkeypatch.delenv("STUDIOBRIDGE_SET", raising=False)
    monkeypatch.setenv("COLUMNS", "80")
    monkeypatch.chdir(tmp_path)
    (tmp_path / "met.yaml").write_text("met: 1\ndialects: {}\ndevices: {}\n")
    return tmp_path


def run(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str], *words: object
) -> tuple[int, str]:
    monkeypatch.setattr(sys, "argv", ["studiobridge", *map(str, words)])
    with pytest.raises(SystemExit) as end:
        main()
    said = capsys.readouterr()
    return int(end.value.code or 0), said.out + said.err


def test_the_one_profile_here_is_meant(
    here: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    shutil.copy(ONE, here / "corner.yaml")
    code, said = run(monkeypatch, capsys, "look", "list")
    assert (code, "shelf-light" in said) == (0, True), said
    code, said = run(monkeypatch, capsys, "status")
    assert (code, "127.0.0.1:1" in said) == (3, True), said  # it knew which, and got as far as that


def test_a_command_that_reads_the_profile_itself_finds_it_by_the_name_of_its_set(
    here: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    look = "witness", "look"
    code, said = run(monkeypatch, capsys, *look)
    assert (code, "`studiobridge witness look PROFILE.yaml`" in said) == (2, True), said
    assert "--set" not in said  # it has none
    monkeypatch.setenv("STUDIOBRIDGE_SET", "wheel-corner")
    code, said = run(monkeypatch, capsys, *look)
    assert (code, "no profile of 'wheel-corner' is at hand" in said) == (2, True), said
    shutil.copy(ONE, here / "another.yaml")
    profile = TWO.read_text(encoding="utf-8")
    without = re.sub(r"\nwitness:\n(  .*\n)+", "\n", profile)
    assert without != profile
    (here / "wheel.yaml").write_text(without, encoding="utf-8")
    code, said = run(monkeypatch, capsys, *look)
    assert (code, "wheel.yaml has no `witness:`" in said) == (2, True), said
    shutil.copy(TWO, here / "older.yaml")
    code, said = run(monkeypatch, capsys, *look)
    assert (code, "there are older.yaml and wheel.yaml" in said) == (2, True), said


def test_of_several_none_is_taken_and_they_are_named(
    here: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    shutil.copy(ONE, here / "corner.yaml")
    shutil.copy(TWO, here / "wheel.yaml")
    code, said = run(monkeypatch, capsys, "down")
    assert code == 2
    assert "which set? here stand corner.yaml and wheel.yaml" in said
    code, said = run(monkeypatch, capsys, "look", "list", "--set", "wheel-corner")
    assert (code, "lesson" in said) == (0, True), said


def test_a_book_is_no_profile_and_a_set_that_is_named_goes_before(
    here: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    code, said = run(monkeypatch, capsys, "status")
    assert (code, "which set? say" in said) == (2, True), said
    shutil.copy(ONE, here / "corner.yaml")
    monkeypatch.setenv("STUDIOBRIDGE_SET", "another")
    code, said = run(monkeypatch, capsys, "look", "list")
    assert (code, "which profile?" in said) == (2, True), said


def test_what_is_no_broker_is_said_with_how_to_name_another(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    code, said = run(monkeypatch, capsys, "listen", "--for", "1 s")
    assert code == 3
    assert "is not reached" in said
    assert "STUDIOBRIDGE_BROKER=mqtt://HOST:PORT" in said


@pytest.mark.parametrize("typed", ["corner", "corne.yaml", "Corner.yml"])
def test_a_profile_that_is_not_there_is_said_with_the_one_that_is(
    here: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str], typed: str
) -> None:
    shutil.copy(ONE, here / "corner.yaml")
    code, said = run(monkeypatch, capsys, "check", typed)
    assert code == 2
    assert said == f"{typed}:1:1: there is no such file; did you mean corner.yaml?\n"


@pytest.mark.parametrize(("kind", "meant"), [("lamp", "light"), ("Laptop", "computer")])
def test_a_kind_by_another_name_is_not_taken_by_its_letters(
    here: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
    kind: str,
    meant: str,
) -> None:
    text = ONE.read_text()
    assert "kind: light" in text
    (here / "corner.yaml").write_text(text.replace("kind: light", f"kind: {kind}"))
    code, said = run(monkeypatch, capsys, "check", "corner.yaml")
    assert code == 2
    assert f"did you mean '{meant}'?" in " ".join(said.split())
