"""A profile that still says `wires:` and `wire:` is read, and rewritten only when that is asked."""

from __future__ import annotations

import os
import subprocess
import sys
import tempfile
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from studiobridge.bridge.service import load
from studiobridge.cli import base
from studiobridge.profile import ProfileError, read_profile, read_profile_text, rewrite
from studiobridge.profile.keep import CannotKeep
from studiobridge.profile.rewrite import with_new_words, write_new_words

NEW = """\
# the kiln's shelf; its wires: hang behind it
format: 1
set: kiln-shelf
title: "wires: and a wire: in a title"
mains: {voltage: 230 V, circuits: {wall: {breaker: 10 A}}}
dialects:   # wires: as they were called
  wire: &same
    switch:
      tell: {topic: "{wire}/in", words: {on: "1", off: "0"}}
      hear: {topic: "{wire}/out", words: {on: "1", off: "0"}}
  wires: *same
devices:
  wire:
    kind: plug
    fed_by: wall
    speaks: wire    # not a wire: a dialect of that name
    blanks: {wire: shelf/1}
  speaks: {kind: plug, fed_by: wall, speaks: wires, blanks: {wire: shelf/2}}
  lamp: {kind: light, fed_by: wire, title: "wire: bare"}
looks:
  wires: {lamp: {level: 40 %}}
"""
OLD = (
    NEW.replace("dialects:   #", "wires:   #")
    .replace("    speaks: wire ", "    wire: wire ")
    .replace("speaks: wires", "wire: wires")
)
TOLD = "'wires' is 'dialects' now and 'wire' is 'speaks'"


def written(tmp_path: Path, text: str) -> Path:
    path = tmp_path / "kiln.yaml"
    path.write_bytes(text.encode())
    return path


def test_old_words_read_as_the_new_ones_and_one_line_says_so() -> None:
    assert OLD != NEW
    old, new = read_profile_text(OLD, "kiln.yaml"), read_profile_text(NEW, "kiln.yaml")
    assert old.profile == new.profile
    assert new.old_words is None
    said = str(old.old_words)
    assert said.startswith(f"kiln.yaml:6:1: {TOLD} (3 places)")
    assert "studiobridge check --rewrite kiln.yaml" in said
    assert old.warnings == new.warnings  # it is a line of its own, not one more doubt


def test_one_old_word_is_told_as_one() -> None:
    text = OLD.replace("wires:   #", "dialects:   #").replace(
        "    wire: wire ", "    speaks: wire "
    )
    said = str(read_profile_text(text, "kiln.yaml").old_words)
    assert said.startswith("kiln.yaml:18:38: 'wire' is 'speaks' now; ")


def test_what_is_wrong_beside_old_words_is_said_where_it_stands() -> None:
    text = OLD.replace("    wire: wire ", "    wire: tin ")
    with pytest.raises(ProfileError) as caught:
        read_profile_text(text, "kiln.yaml")
    problem = caught.value.problems[0]
    assert (problem.line, problem.column) == (16, 11)
    assert "tin" in problem.what


@pytest.mark.parametrize(
    ("old", "new", "where", "words"),
    [
        ("dialects:   #", "wires: {}\ndialects:   #", (6, 1), ("wires", "dialects")),
        ("    speaks: wire ", "    wire: wire\n    speaks: wire ", (16, 5), ("wire", "speaks")),
    ],
)
def test_both_words_in_one_place_are_an_error(
    tmp_path: Path, old: str, new: str, where: tuple[int, int], words: tuple[str, str]
) -> None:
    path = written(tmp_path, NEW.replace(old, new))
    with pytest.raises(ProfileError) as caught:
        read_profile(path)
    (problem,) = caught.value.problems
    assert (problem.line, problem.column) == where
    assert problem.what == f"'{words[0]}' and '{words[1]}' both stand here, and mean the same"
    assert problem.todo == f"keep '{words[1]}'"
    before = path.read_bytes()
    with pytest.raises(CannotKeep, match="both stand here"):
        write_new_words(path)
    assert path.read_bytes() == before


@pytest.mark.parametrize("end", ["\n", "\r\n"])
@pytest.mark.parametrize("bom", ["", "\N{BYTE ORDER MARK}"])
def test_the_file_says_the_new_words_and_is_the_same_byte_for_byte_beside_them(
    tmp_path: Path, end: str, bom: str
) -> None:
    path = written(tmp_path, bom + OLD.replace("\n", end))
    assert write_new_words(path) == 3
    assert path.read_bytes() == (bom + NEW.replace("\n", end)).encode()
    before = path.with_name("kiln.yaml.before")
    assert before.read_bytes() == (bom + OLD.replace("\n", end)).encode()
    seen = path.stat()
    assert write_new_words(path) == 0
    assert path.stat().st_mtime_ns == seen.st_mtime_ns
    assert path.stat().st_ino == seen.st_ino


@settings(max_examples=100, deadline=None)
@given(places=st.sets(st.sampled_from(["dialects:   #", "    speaks: wire ", "speaks: wires"])))
def test_any_of_the_words_may_be_old(places: set[str]) -> None:
    text = NEW
    for place in places:
        text = text.replace(place, place.replace("dialects", "wires").replace("speaks", "wire"))
    after, changed = with_new_words(text.encode(), "kiln.yaml")
    assert (after.decode(), changed) == (NEW, len(places))


@pytest.mark.parametrize("quote", ["'", '"'])
def test_a_quoted_word_stays_quoted(quote: str) -> None:
    text = OLD.replace("wires:   #", f"{quote}wires{quote}:   #")
    after, changed = with_new_words(text.encode(), "kiln.yaml")
    assert f"\n{quote}dialects{quote}:   #" in after.decode()
    assert changed == 3


@pytest.mark.parametrize("word", ["&w wires", '"wi\\x72es"', "? wires\n"])
def test_a_word_written_in_a_way_of_its_own_is_changed_or_left_to_its_writer(word: str) -> None:
    text = OLD.replace("wires:   #", f"{word}:   #")
    try:
        after, _ = with_new_words(text.encode(), "kiln.yaml")
    except CannotKeep as refused:
        assert "kiln.yaml:6" in str(refused)
        assert "by hand" in str(refused)
    else:
        assert read_profile_text(after, "kiln.yaml").profile == read_profile_text(NEW).profile


def test_a_file_with_mistakes_is_left_alone(tmp_path: Path) -> None:
    path = written(tmp_path, OLD.replace("40 %", "40 K"))
    with pytest.raises(CannotKeep, match="has mistakes now, so nothing is written"):
        write_new_words(path)
    assert path.read_text() == OLD.replace("40 %", "40 K")


def test_a_file_saved_by_somebody_meanwhile_is_read_anew(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = written(tmp_path, OLD)
    real = rewrite.with_new_words
    saves: list[str] = []

    def slow(data: bytes, name: str) -> tuple[bytes, int]:
        made = real(data, name)
        if not saves:
            saves.append("once")
            path.write_text(OLD.replace("40 %", "55 %"))
        return made

    monkeypatch.setattr(rewrite, "with_new_words", slow)
    assert write_new_words(path) == 3
    assert path.read_text() == NEW.replace("40 %", "55 %")


def test_a_file_saved_again_and_again_is_left_to_who_saves_it(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = written(tmp_path, OLD)
    real, n = rewrite.with_new_words, [0]

    def slow(data: bytes, name: str) -> tuple[bytes, int]:
        made = real(data, name)
        n[0] += 1
        path.write_text(OLD + f"# {n[0]}\n")
        return made

    monkeypatch.setattr(rewrite, "with_new_words", slow)
    with pytest.raises(CannotKeep, match="somebody else"):
        write_new_words(path)
    assert path.read_text() == OLD + f"# {n[0]}\n"


# ---- the commands ---------------------------------------------------------------------------


def command(*args: object, home: Path) -> subprocess.CompletedProcess[str]:
    clean = {k: v for k, v in os.environ.items() if not k.startswith("STUDIOBRIDGE")}
    return subprocess.run(
        [sys.executable, "-c", "from studiobridge.cli import main; main()", *map(str, args)],
        env={**clean, "HOME": str(home)},
        capture_output=True,
        text=True,
        timeout=60,
    )


def test_check_notes_the_old_words_and_rewrites_them_when_told(tmp_path: Path) -> None:
    path = written(tmp_path, OLD)
    done = command("check", path, home=tmp_path)
    assert done.returncode == 0
    assert done.stderr.count(TOLD) == 1
    assert TOLD not in done.stdout
    assert path.read_text() == OLD
    done = command("check", "--rewrite", path, home=tmp_path)
    assert done.returncode == 0, done.stderr
    assert TOLD not in done.stderr
    assert f"{path}: 3 old words are written anew; as it was: {path}.before" in done.stdout
    assert "Nothing is wrong with it" in done.stdout
    assert path.read_text() == NEW
    done = command("check", "--rewrite", path, home=tmp_path)
    assert done.returncode == 0
    assert "no old words in it: nothing is changed" in done.stdout
    assert path.read_text() == NEW


@pytest.mark.parametrize("args", [("plan", "up"), ("light",), ("status", "--profile")])
def test_every_command_that_reads_the_profile_notes_it_once_on_stderr(
    tmp_path: Path, args: tuple[str, ...]
) -> None:
    path = written(tmp_path, OLD)
    words = list(args)
    words.insert(len(words) if words[-1].startswith("-") else 1, str(path))
    done = command(*words, home=tmp_path)
    assert done.stderr.count(TOLD) == 1, done.stderr
    assert TOLD not in done.stdout


def test_check_with_json_counts_it_among_the_doubts(tmp_path: Path) -> None:
    import json

    path = written(tmp_path, OLD)
    done = command("check", path, "--json", home=tmp_path)
    found = json.loads(done.stdout)
    assert found["good"] is True
    assert any(w["what"].startswith(TOLD) and w["line"] == 6 for w in found["warnings"])


AS_SOMEBODY = """
import os, sys
from pathlib import Path
from studiobridge.cli import app, profiles, running, watching
from studiobridge.cli import doubts
from studiobridge.profile import read_profile, rewrite
read_profile(Path(sys.argv[-1]))  # whatever is imported late is, before it is out of reach
os.setgroups([])
os.setgid(23456)
os.setuid(12345)
app.main()
"""


@pytest.mark.skipif(os.geteuid() != 0, reason="only root can become somebody else")
def test_a_write_protected_file_is_refused_politely() -> None:
    with tempfile.TemporaryDirectory(dir="/tmp") as name:
        folder = Path(name)
        folder.chmod(0o777)
        path = written(folder, OLD)
        path.chmod(0o444)
        done = subprocess.run(
            [sys.executable, "-c", AS_SOMEBODY, "check", "--rewrite", str(path)],
            capture_output=True,
            text=True,
            timeout=30,
        )
        assert done.returncode == 2, (done.stdout, done.stderr)
        assert f"{path} is write-protected: nothing is written" in done.stderr
        assert "Traceback" not in done.stderr
        assert path.read_text() == OLD
        assert [p.name for p in folder.iterdir()] == ["kiln.yaml"]


def test_a_command_that_reads_it_twice_notes_it_once(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """`up` without a bridge: once to know the name of the set, once to run it."""
    path = written(tmp_path, OLD)
    assert base.read_or_stop(path).profile == base.read_or_stop(path).profile
    assert capsys.readouterr().err.count(TOLD) == 1


def test_the_daemon_says_it_when_it_reads_it(tmp_path: Path) -> None:
    said: list[str] = []
    assert load(written(tmp_path, OLD), said.append) is not None
    assert [text.count(TOLD) for text in said] == [1]
