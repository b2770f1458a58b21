"""`draft`: it asks, writes once and whole, and adds one device to a profile."""

from __future__ import annotations

import json
import os
import pty
import select
import signal
import sys
import time
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import pytest

from studiobridge.cli import main
from studiobridge.profile import read_profile
from studiobridge.profile.model import Preset
from tests.brokers import broker_of, needs_mosquitto, pub
from tests.meeting.test_drafting import BOOK

CONFIG = Path(__file__).parents[2] / "config"
MAIN = "from studiobridge.cli import main; main()"


def environment(folder: Path, **env: str) -> dict[str, str]:
    clean = {k: v for k, v in os.environ.items() if not k.startswith("STUDIOBRIDGE")}
    return {**clean, "HOME": str(folder), "TZ": "Europe/Lisbon", "LANG": "C", **env}


@dataclass(frozen=True)
class Done:
    returncode: int
    stdout: str
    stderr: str


Command = Callable[..., Done]


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    (tmp_path / "met.yaml").write_text(BOOK, encoding="utf-8")
    return tmp_path


@pytest.fixture
def studiobridge(
    folder: Path, monkeypatch: pytest.MonkeyPatch, capfd: pytest.CaptureFixture[str]
) -> Command:
    """The program in this process, as a process of its own would run it in the folder."""

    def run(*words: object, **env: str) -> Done:
        with monkeypatch.context() as patch:
            for name in list(os.environ):
                patch.delenv(name)
            for name, value in environment(folder, **env).items():
                patch.setenv(name, value)
            patch.chdir(folder)
            patch.setattr(sys, "argv", ["studiobridge", *map(str, words)])
            capfd.readouterr()
            with pytest.raises(SystemExit) as end:
                main()
        said = capfd.readouterr()
        return Done(int(end.value.code or 0), said.out, said.err)

    return run


def test_a_book_a_yes_and_one_answer_make_a_profile_that_check_passes(
    folder: Path, studiobridge: Command
) -> None:
    done = studiobridge("draft", "shelf", "--yes", "--answer", "lamps=rim", "--json")
    assert done.returncode == 0, done.stderr
    said = json.loads(done.stdout)
    assert (said["file"], said["good"], said["problems"]) == ("shelf.yaml", True, [])
    assert "lamps" not in said["offered"]
    assert {"voltage", "circuits.wall.breaker", "kind.thing"} <= set(said["offered"])
    assert sorted(p.name for p in folder.iterdir() if p.is_file()) == ["met.yaml", "shelf.yaml"]
    checked = studiobridge("check", "shelf.yaml")
    assert checked.returncode == 0, checked.stderr
    assert studiobridge("plan", "shelf.yaml", "up").returncode == 0


def test_answers_may_stand_in_a_file(folder: Path, studiobridge: Command) -> None:
    (folder / "answers.yaml").write_text(
        "voltage: 120 V\nfrequency: 60 Hz\ncircuits: {door: {breaker: C20, curve: C}}\n"
        "fed_by: {shelf-light: door}\n",
        encoding="utf-8",
    )
    done = studiobridge("draft", "shelf", "--yes", "--answers", "answers.yaml")
    assert done.returncode == 0, done.stderr
    profile = read_profile(folder / "shelf.yaml").profile
    assert (profile.voltage, profile.circuits["door"].breaker) == (120.0, 20.0)
    assert profile.devices["shelf-light"].fed_by == "door"


@pytest.mark.parametrize("there", ["file", "link to nowhere", "folder"])
def test_nothing_is_written_over(folder: Path, studiobridge: Command, there: str) -> None:
    path = folder / "shelf.yaml"
    if there == "file":
        path.write_text("mine")
    elif there == "folder":
        path.mkdir()
    else:
        path.symlink_to(folder / "nowhere")
    done = studiobridge("draft", "shelf", "--yes")
    assert done.returncode == 2
    assert "is there already" in done.stderr
    assert not (folder / "nowhere").exists()
    assert there != "file" or path.read_text() == "mine"


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["draft", "Shelf"], "is not a name of a set"),
        (["draft", "shelf"], "--answer 'title="),
        (["draft", "shelf", "--yes", "--answer", "colour=red"], "nothing is asked under 'colour'"),
        (["draft", "shelf", "--yes", "--answer", "voltage=230"], "voltage:"),
        (["draft", "shelf", "--yes", "--answer", "fed_by.thing=moon"], "none of wall, shelf-plug"),
        (["draft", "shelf", "--yes", "--answers", "none.yaml"], "cannot be read"),
        (["draft", "shelf", "--yes", "--book", "none.yaml"], "cannot be read"),
        (["draft", "shelf", "--yes", "--book", "bad.yaml"], "bad.yaml:3:"),
    ],
)
def test_bad_input_is_said_and_nothing_is_written(
    folder: Path, studiobridge: Command, words: list[str], said: str
) -> None:
    (folder / "bad.yaml").write_text("met: 1\ndevices:\n  Key: {kind: lamp}\n")
    done = studiobridge(*words)
    assert done.returncode == 2, done.stdout
    assert said in done.stderr
    assert "Traceback" not in done.stderr
    assert not list(folder.glob("*helf.yaml*"))


def test_a_frequency_that_no_zone_tells_has_to_be_said(folder: Path, studiobridge: Command) -> None:
    done = studiobridge("draft", "shelf", "--yes", TZ="Asia/Tokyo")
    assert done.returncode == 2
    assert "--answer 'frequency=50 Hz'" in done.stderr


def in_a_terminal(folder: Path, typed: list[str], interrupt: bool = False) -> tuple[int, str]:
    """Questions answered by a hand, one after the other, in a terminal of 80 columns."""
    pid, terminal = pty.fork()
    if pid == 0:
        os.chdir(folder)
        env = environment(folder, COLUMNS="80", TERM="xterm")
        os.execve(sys.executable, [sys.executable, "-c", MAIN, "draft", "shelf"], env)
    shown = ""
    lines = iter(typed)
    end = time.monotonic() + 60
    asked = 0
    try:
        while time.monotonic() < end:
            if not select.select([terminal], [], [], max(0.0, end - time.monotonic()))[0]:
                break
            try:
                shown += os.read(terminal, 4096).decode(errors="replace")
            except OSError:
                break
            # each question ends with its key, what is offered, and a colon
            now = sum(line.startswith("  ") for line in shown.split("\n") if line.endswith(": "))
            waits = shown.endswith(": ")
            if waits and now:
                if interrupt and asked == 3:
                    os.kill(pid, signal.SIGINT)
                    interrupt = False
                    continue
                asked += 1
                os.write(terminal, (next(lines, "") + "\n").encode())
    finally:
        if time.monotonic() >= end:
            os.kill(pid, signal.SIGKILL)
        _, status = os.waitpid(pid, 0)
        os.close(terminal)
    return os.waitstatus_to_exitcode(status), shown


def test_a_person_answers_in_a_terminal_and_a_wrong_answer_is_asked_again(folder: Path) -> None:
    code, shown = in_a_terminal(folder, ["Under the shelf", "230", "230 V"])
    assert code == 0, shown
    assert "has no unit" in shown
    assert "written: shelf.yaml" in shown
    said = " ".join(shown.split())
    assert "`studiobridge run shelf.yaml`, which switches nothing on" in said
    assert "`studiobridge up --set shelf`" in said
    profile = read_profile(folder / "shelf.yaml").profile
    assert (profile.title, profile.voltage) == ("Under the shelf", 230.0)
    # what a person took as it was offered is their answer
    assert "taken as offered" not in (folder / "shelf.yaml").read_text().split("format:")[1]


def test_interrupted_it_leaves_nothing(folder: Path) -> None:
    code, shown = in_a_terminal(folder, [], interrupt=True)
    assert code == 130, shown
    assert [p.name for p in folder.iterdir() if p.is_file()] == ["met.yaml"]


@needs_mosquitto
def test_the_first_look_as_the_lights_report_it_and_nothing_is_published(
    folder: Path, studiobridge: Command
) -> None:
    with broker_of("mosquitto", folder) as port:
        pub(port, "shelf/light/dimmed", "51", "-r")
        pub(port, "shelf/light/whited", "0", "-r")
        broker = f"mqtt://127.0.0.1:{port}"
        words = ("draft", "shelf", "--yes", "--now")
        done = studiobridge(*words, STUDIOBRIDGE_BROKER=broker)
    assert done.returncode == 0, done.stderr
    presets = read_profile(folder / "shelf.yaml").profile.looks["day"].presets
    assert presets["shelf-light"] == Preset(20.0, 2703.0)
    assert presets["thing"].level == 50.0
    gone = studiobridge("draft", "other", "--yes", "--now", STUDIOBRIDGE_BROKER=broker)
    assert gone.returncode == 3
    assert not (folder / "other.yaml").exists()


# ---- into a profile --------------------------------------------------------------------------


def test_a_met_device_joins_a_profile(folder: Path, studiobridge: Command) -> None:
    path = folder / "corner.yaml"
    path.write_bytes((CONFIG / "one-plug-one-light.yaml").read_bytes())
    words = ("draft", "--into", "corner.yaml", "thing", "--answer", "kind=light")
    done = studiobridge(*words, "--fed-by", "shelf-plug", "--json")
    assert done.returncode == 0, done.stderr
    assert json.loads(done.stdout)["dialect"] == "panel"
    profile = read_profile(path).profile
    assert profile.devices["thing"].fed_by == "shelf-plug"
    assert studiobridge("check", "corner.yaml").returncode == 0
    # once more, its name is taken; and under another name its dialect is there already
    again = studiobridge(*words, "--fed-by", "shelf-plug")
    assert again.returncode == 2
    assert "something is called 'thing' there already" in again.stderr
    assert "--as NAME" in again.stderr


def test_what_does_not_fit_leaves_the_profile_as_it_was(
    folder: Path, studiobridge: Command
) -> None:
    path = folder / "corner.yaml"
    before = (CONFIG / "one-plug-one-light.yaml").read_bytes()
    path.write_bytes(before)
    words = ("draft", "--into", "corner.yaml")
    unmet = studiobridge(*words, "kettle", "--fed-by", "wall")
    assert (unmet.returncode, "nothing called 'kettle' was met" in unmet.stderr) == (2, True)
    # the relay of the book speaks as that of the profile does, on the same topics as another plug
    same = studiobridge(*words, "shelf-plug", "--as", "second", "--fed-by", "wall")
    assert same.returncode == 2
    assert "shelf-plug" in same.stderr
    path.chmod(0o400)
    unasked = studiobridge(*words, "shelf-light")
    assert unasked.returncode == 2
    assert "--answer 'fed_by=wall'" in unasked.stderr
    assert path.read_bytes() == before
