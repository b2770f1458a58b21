"""In a terminal nothing breaks inside a word, and no figure is cut away."""

from __future__ import annotations

import os
import pty
import re
import subprocess
import sys
from collections import Counter
from collections.abc import Callable
from pathlib import Path

import pytest
from typer.testing import CliRunner

from studiobridge.cli import fit, show
from studiobridge.cli.app import app
from studiobridge.control import views
from studiobridge.profile import read_profile
from studiobridge.shown import drift_words
from studiobridge.shown.order import by_feed
from tests.control.play import Play

CONFIG = Path(__file__).parents[2] / "config"
EXAMPLES = [p for p in sorted(CONFIG.glob("*.yaml")) if not p.name.startswith("settings")]
READING = [["check"], ["plan", "up"], ["plan", "down"], ["light"], ["mains"], ["room"]]
# bars, axes and their marks are as long as there is room for them
DRAWN = re.compile(r"[┃░▒▓∙─╌┬█▏▎▍▌▋▊▉»│]")


def tokens(text: str) -> Counter[str]:
    """The words of what was printed, without what is drawn and without the names of stacked rows."""
    lines = [line for line in text.split("\n") if not re.match(r"\s+0 s  ", line)]
    return Counter(word for line in lines for word in line.split() if not DRAWN.search(word))


def holds(wide: str, narrow: str, columns: int) -> None:
    """Every word and figure of the wide print is in the narrow one, and whole."""
    assert max(len(line) for line in narrow.split("\n")) <= columns, narrow
    # a line of the file with its mark is shown in a terminal only
    narrow = re.sub(r"^    .*\n +\^$", "", narrow, flags=re.MULTILINE)
    known, shown = tokens(wide), tokens(narrow)
    broken = {word for word in shown if word not in known and word.rstrip(":") not in known}
    assert not broken, (broken, narrow)
    lost = {w: n for w, n in known.items() if re.search(r"[0-9]", w) and shown[w] < n}
    assert not lost, (lost, narrow)
    for mark in "░▒▓∙─┃":
        if mark in narrow:
            assert re.search(rf"{mark} [a-z]|where", narrow), f"{mark} has no legend"


@pytest.fixture
def printed(monkeypatch: pytest.MonkeyPatch) -> Callable[..., str]:
    def run(args: list[object], columns: int | None) -> str:
        monkeypatch.delenv("COLUMNS", raising=False)
        if columns is not None:
            monkeypatch.setenv("COLUMNS", str(columns))
        done = CliRunner().invoke(app, [str(arg) for arg in args])
        assert done.exit_code in (0, 2), done.output
        return done.output

    return run


@pytest.mark.parametrize("path", EXAMPLES, ids=lambda p: p.name)
def test_every_reading_command_at_80_and_60_columns(
    path: Path, printed: Callable[..., str]
) -> None:
    for name, *more in READING:
        args = [name, path, *more]
        wide = printed(args, None)
        for columns in (80, 60):
            # a path is one word, however long
            narrow = printed(args, columns).replace(str(path), path.name)
            holds(wide.replace(str(path), path.name), narrow, columns)


def up(path: Path) -> Play:
    play = Play(read_profile(path).profile)
    play.link_up()
    play.ask("up")
    play.run(40)
    return play


@pytest.mark.parametrize("path", EXAMPLES, ids=lambda p: p.name)
def test_the_status_of_every_example(
    path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    play = up(path)
    state = views.state_view(play.controller, play.now, lambda t: t)
    made = play.controller.profile.devices
    # as a broker hands them out: in no order
    devices = {
        name: views.device_view(play.controller, name, play.now, lambda t: t)
        for name in sorted(made, key=lambda name: name[::-1])
    }
    said = {}
    for columns in ("300", "80", "60"):
        monkeypatch.setenv("COLUMNS", columns)
        show.print_status(state, devices)
        said[columns] = capsys.readouterr().out
    for columns in (80, 60):
        narrow = said[str(columns)]
        # a title is left out where there is no room for it
        bare = {name: {**device, "title": ""} for name, device in devices.items()}
        monkeypatch.setenv("COLUMNS", "160")
        show.print_status(state, bare)
        wide = capsys.readouterr().out
        words_of = {w: n for w, n in tokens(wide).items() if re.search(r"[0-9]", w)}
        shown = tokens(narrow)
        assert all(shown[w] >= n for w, n in words_of.items()), narrow
        assert max(len(line) for line in narrow.split("\n")) <= columns, narrow
    listed = [line.split()[0] for line in said["300"].split("\n") if line]
    own = [name for name in listed if name in made]
    wanted = [
        name for _, rows in by_feed({n: d.fed_by for n, d in made.items()}) for _, name in rows
    ]
    assert [name for name in own if name in wanted][: len(wanted)] == wanted


def test_lines_of_drift_and_of_the_record_wrap_with_a_hanging_indent(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    line = drift_words.drift_line(
        [
            {"device": "key", "point": "level", "wanted": 64, "reported": 80, "stops": 0.32, "for_s": 12.0, "picture": {"face": 0.21, "ratio_wanted": 2.0, "ratio": 2.5, "mired": 11.0}},
            {"device": "key", "point": "cct", "wanted": 4300, "reported": 4514, "mired": -11.0, "for_s": 12.0},
        ]
    )  # fmt: skip
    for columns in ("80", "60"):
        monkeypatch.setenv("COLUMNS", columns)
        show.out(line)
        first, *rest = capsys.readouterr().out.rstrip("\n").split("\n")
        assert rest and all(part.startswith("  ") for part in rest)
        assert " ".join([first, *(part.strip() for part in rest)]) == line
    monkeypatch.setenv("COLUMNS", "60")
    show.out("12:00:01  Ana asks up: done: the set came up in the look lesson, 3 min late")
    _, second = capsys.readouterr().out.rstrip("\n").split("\n")
    assert second.startswith(" " * 10 + "lesson")


def test_in_a_pipe_a_sentence_is_one_line(capsys: pytest.CaptureFixture[str]) -> None:
    sentence = "a word " * 60
    os.environ.pop("COLUMNS", None)
    show.out(sentence)
    assert capsys.readouterr().out == sentence + "\n"


def test_a_mistake_in_a_terminal_has_its_line_and_a_mark_below(tmp_path: Path) -> None:
    """Through a real terminal of 60 columns, of two rows of text of a long line."""
    bad = tmp_path / "b.yaml"
    text = (CONFIG / "wheel-corner.yaml").read_text()
    bad.write_text(
        text.replace("monitors: {kind: amp, title: Powered", "monitors: {kind: apm, title: Powered")
    )
    here, there = pty.openpty()
    os.environ.pop("COLUMNS", None)
    done = subprocess.run(
        [sys.executable, "-c", "from studiobridge.cli import main; main()", "check", "b.yaml"],
        stdin=there,
        stdout=there,
        stderr=there,
        cwd=tmp_path,
        env={**os.environ, "COLUMNS": "60", "PYTHONPATH": str(CONFIG.parent)},
        timeout=60,
    )
    os.close(there)
    said = os.read(here, 65536).decode().replace("\r\n", "\n")
    os.close(here)
    assert done.returncode == 2
    lines = said.rstrip("\n").split("\n")
    assert lines[0].startswith("b.yaml:")
    assert all(len(line) <= 60 for line in lines)
    (below,) = [n for n, line in enumerate(lines) if line.strip() == "^"]
    assert lines[below - 1][lines[below].index("^") :].startswith("apm, title"), said
    assert "\x1b" not in said


@pytest.mark.parametrize(
    ("text", "column", "shown"),
    [
        ("key: 5", 6, ["    key: 5", "         ^"]),
        ("\tkey: 5", 1, ["    →key: 5", "    ^"]),
        ("名前: 5", 5, ["    名前: 5", "          ^"]),
        ("a" * 100 + "X" + "b" * 100, 101, None),
    ],
)
def test_the_mark_stands_below_its_column(text: str, column: int, shown: list[str] | None) -> None:
    found = fit.pointed(text, column, 60)
    if shown is not None:
        assert found == shown
        return
    line, mark = found
    assert len(line) <= 60
    assert line[mark.index("^")] == "X"
    assert line.strip().startswith("…") and line.endswith("…")


def test_devices_stand_behind_what_feeds_them() -> None:
    feeds = {"b": "plug", "a": None, "plug": "wall", "c": "bench", "d": "b", "x": "y", "y": "x"}
    assert by_feed(feeds, ["wall", "bench"]) == [
        ("wall", [(0, "plug"), (1, "b"), (2, "d")]),
        ("bench", [(0, "c")]),
        ("on battery", [(0, "a")]),
        ("elsewhere", [(0, "x"), (0, "y")]),
    ]
