"""`rehearse`: every scene of the evening, its page, and where something of it is missing."""

from __future__ import annotations

import asyncio
import contextlib
import http.cookiejar
import os
import re
import signal
import subprocess
import sys
import urllib.parse
import urllib.request
from collections.abc import AsyncIterator, Iterator, Sequence
from pathlib import Path
from types import SimpleNamespace
from typing import Any, Literal

import pytest

from studiobridge.bridge.settings import Settings
from studiobridge.cli import evening, pictured, playing
from studiobridge.panel.board import VIEWS
from studiobridge.profile import read_profile
from studiobridge.profile.model import SetProfile
from studiobridge.rehearsal.eye import Mishap

CONFIG = Path(__file__).parents[2] / "config"
MAIN = "from studiobridge.cli import main; main()"


def test_without_its_broker_it_says_what_to_install() -> None:
    program = "import sys\nsys.modules['iotcore'] = None\nfrom studiobridge.cli import main\nmain()"
    done = subprocess.run(
        [sys.executable, "-c", program, "rehearse", CONFIG / "one-plug-one-light.yaml"],
        capture_output=True,
        text=True,
        timeout=60,
    )
    assert done.returncode == 2, done.stderr
    assert done.stdout == ""
    (line,) = done.stderr.splitlines()
    assert "pip install 'studiobridge[rehearsal]'" in line


# every scene of the evening, in the words a presenter reads, in their order
TOLD = (
    "You walk in and touch the switch.",
    r"shelf-light \+0\.\d+ stop",
    "restored in",
    "At the mark: shelf-light by a small step",
    r"`keep` keeps it so, `restore` puts it back",
    "fridge is quiet, back by itself at",
    "fridge is on again, by its own report",
    "What is left",
    "Every scene ended as it should",
)


def env_of(folder: Path) -> dict[str, str]:
    clean = {k: v for k, v in os.environ.items() if not k.startswith("STUDIOBRIDGE")}
    settings = folder / "settings.yaml"
    settings.write_text("panel: {port: 0}\n", encoding="utf-8")
    return clean | {
        "HOME": str(folder),
        "TMPDIR": str(folder),
        "STUDIOBRIDGE_SETTINGS": str(settings),
    }


def leaves_nothing(
    done: subprocess.CompletedProcess[str], folder: Path, before: bytes, path: Path
) -> None:
    assert (done.returncode, done.stderr) == (0, "")
    assert "Every scene ended as it should" in done.stdout
    assert "\x1b" not in done.stdout
    assert path.read_bytes() == before
    assert list(folder.glob("studiobridge-*")) == []


def in_order(patterns: Sequence[str], said: str) -> None:
    at = 0
    for pattern in patterns:
        found = re.search(pattern, said[at:])
        assert found, (pattern, said)
        at += found.end()


def test_a_set_with_hardly_anything_plays_what_it_can(tmp_path: Path) -> None:
    path = CONFIG / "one-plug-one-light.yaml"
    before = path.read_bytes()
    done = subprocess.run(
        [sys.executable, "-c", MAIN, "rehearse", path, "--pace", "8"],
        capture_output=True,
        text=True,
        timeout=90,
        env=env_of(tmp_path),
    )
    leaves_nothing(done, tmp_path, before, path)
    in_order(TOLD, done.stdout)
    assert "no camera: the take is left out" in done.stdout


def test_the_whole_corner_plays_the_take_and_what_stands_around_it(tmp_path: Path) -> None:
    """With a simulated camera, whose picture tells of dial, tripod and look."""
    path = CONFIG / "wheel-corner.yaml"
    before = path.read_bytes()
    done = subprocess.run(
        [sys.executable, "-c", MAIN, "rehearse", path, "--witness", "--pace", "8"],
        capture_output=True,
        text=True,
        timeout=240,
        env=env_of(tmp_path),
    )
    leaves_nothing(done, tmp_path, before, path)
    in_order(
        (
            r"learned: cloth, edge-left, edge-right, fill, key, rim; all together are within 0\.0\d stop",
            r"key: [56]\d to [67]\d %, 4\d\d0 to 4\d\d0 K, by the picture",
            "the picture of 'lesson' is kept",
            "Somebody turns the dial of rim. The picture shows it.",
            r"rim: [01]\.\d stop more than kept",
            "rim: a little less",
            "rim: there",
            "Somebody kicks the tripod.",
            r"the camera looks \d+ px further right",
            "the camera looks where it did",
            "Somebody opens the blind of the window.",
            # surely, not perhaps; from where is said where it can be told, and never from elsewhere
            r"s  light from nowhere: about \d+ % of the face's \([1-9]\d* to \d+ %\)"
            r"(, from the right edge: a window or a door)?\n",
            "closes it again",
            "the light from nowhere is gone",
            r"no lamp was touched: [01]\.\d of 255",
            "not yet: ",
            "you look, and tick: ticked: lens wiped; microphone on; phone silent",
            "good to roll",
            "camera rolls",
            "a restore is refused",
            "down, asked for too early, waits for the end of the take; down is taken back",
            "somebody touches key",
            r"take 1 is 0:0\d long",
            # it looks on until the take is over
            r"as it began, by the picture: looked \d\S* \S+ before it began",
            # it was touched 2.3 s into the take, and the gear says so as soon as it moved
            r"in it, at 0:0[23]: key −0\.5\d stop",
            "take 1: good, noted:",
            "What is left",
            "Cards to empty: camera",
            "Batteries to charge: clip-mic",
            "card emptied: not ticked",
        ),
        done.stdout,
    )
    assert not path.with_name("wheel-corner.witness").exists()


class Page:
    """`rehearse --page` as it runs, read line by line and typed to."""

    def __init__(self, folder: Path, *more: str) -> None:
        profile = CONFIG / "wheel-corner.yaml"
        self.process = subprocess.Popen(
            [sys.executable, "-c", MAIN, "rehearse", str(profile), "--pace", "20", *more],
            # no browser anywhere: it only serves
            env=env_of(folder) | {"PATH": str(folder)},
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=subprocess.STDOUT,
            text=True,
        )
        self.said = ""

    def until(self, pattern: str) -> str:
        """The line that holds this, when it comes."""
        assert self.process.stdout is not None
        while True:
            line = self.process.stdout.readline()
            assert line, (pattern, self.said)
            self.said += line
            if re.search(pattern, line):
                return line

    def types(self, line: str) -> None:
        assert self.process.stdin is not None
        self.process.stdin.write(line + "\n")
        self.process.stdin.flush()


def test_the_page_of_a_rehearsal_shows_every_view_and_does_what_is_typed(tmp_path: Path) -> None:
    page = Page(tmp_path, "--page")
    try:
        page.until("Ctrl-C +ends it")
        found = dict(re.findall(r"^ +([a-z ]+): +(http://\S+)$", page.said, re.M))
        # every view that the page has is named, and is there
        assert {a.partition("/s/wheel-corner")[2] for a in found.values()} == {
            "/plain",
            "/record",
            "/setup",
            *("" if view == "hand" else f"/{view}" for view in VIEWS),
        }
        (code,) = re.findall(r"Its code: (\S+)", page.said)
        assert re.search("[▀▄█]{10}", page.said), "no code to be read by a camera"

        jar = http.cookiejar.CookieJar()
        browse = urllib.request.build_opener(urllib.request.HTTPCookieProcessor(jar))
        start = found["in the hand"].partition("/s/")[0]
        browse.addheaders = [("Origin", start)]
        way_in = urllib.parse.urlencode({"secret": code, "name": "Ana"}).encode()
        browse.open(f"{start}/pair", way_in, timeout=10)
        for title, address in found.items():
            with browse.open(address, timeout=10) as reply:
                assert (reply.status, reply.url) == (200, address), title

        page.types("roll")
        page.until("camera rolls")
        page.types("stop")
        page.until("camera stops")
        page.types("touch key")
        # 64 % in the look, a little less than half a stop more
        page.until("key stands at 90 %")
        page.types("touch key 30 %")
        page.until("key stands at 30 %")
        for nonsense in ("touch kye", "touch camera 30 %", "touch key very", "rol", "", "\x1b[2J"):
            page.types(nonsense)
            line = page.until("no device|no light|cannot turn|type `touch NAME`")
            assert "\x1b" not in line
        page.process.send_signal(signal.SIGINT)
        assert page.process.wait(20) == 0
    finally:
        page.process.kill()
        page.process.communicate()
    assert list(tmp_path.glob("studiobridge-rehearsal-*")) == []


def test_nobody_types_and_the_page_goes_on(tmp_path: Path) -> None:
    page = Page(tmp_path, "--phone")
    try:
        page.until("Ctrl-C +ends it")
        assert page.process.stdin is not None
        page.process.stdin.close()
        assert "without TLS: whoever is on it can read along" in page.said
        (address,) = re.findall(r"across the room: +(http://\S+)/s/", page.said)
        assert "127.0.0.1" not in address and "0.0.0.0" not in address
        with urllib.request.urlopen(f"{address}/pair", timeout=10) as reply:
            assert reply.status == 200
        assert page.process.poll() is None
        page.process.send_signal(signal.SIGTERM)
        assert page.process.wait(20) == 0
    finally:
        page.process.kill()
        page.process.wait(10)


def test_without_pictures_no_camera_is_simulated(tmp_path: Path) -> None:
    done = subprocess.run(
        [sys.executable, "-c", MAIN, "rehearse", CONFIG / "spare-room.yaml", "--witness"],
        capture_output=True,
        text=True,
        timeout=60,
        env=env_of(tmp_path),
    )
    assert (done.returncode, done.stdout) == (2, "")
    assert "no pictures of its lamps come with it" in done.stderr


def test_what_is_typed_before_the_camera_happens_there() -> None:
    """Words for what no gear does; without a simulated camera they are nothing."""
    eye: Any = SimpleNamespace(mishap=Mishap(), has_window=True)
    profile = read_profile(CONFIG / "wheel-corner.yaml").profile
    room: Any = None  # no gear is touched

    def typed(line: str, seen_by: Any = eye) -> playing.Said:
        return playing.read_line(line, profile, room, lambda text: None, seen_by)

    assert typed("blind open").did and 0.0 < eye.mishap.blind < 0.5
    assert "12 %" in typed("Blind  OPEN").text
    assert typed("blind shut").did and eye.mishap.blind == 0.0
    assert typed("kick").did and eye.mishap.kicked == 14
    assert typed("kick back").did and eye.mishap.kicked == 0
    for line in ("blind", "blind ajar", "kick twice", "unkick"):
        said = typed(line)
        assert not said.did and "`blind open`" in said.text and "`touch NAME`" in said.text
    assert not typed("blind open", None).did
    assert "blind" not in typed("kick", None).text.partition("; ")[2]
    no_window: Any = SimpleNamespace(mishap=Mishap(), has_window=False)
    assert not typed("blind open", no_window).did and no_window.mishap.blind == 0.0


def test_without_a_simulated_camera_nobody_is_said_to_look_at_its_picture(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """The corner's profile has a `witness:`; in a rehearsal without one there is no picture."""
    path = CONFIG / "wheel-corner.yaml"
    profile = read_profile(path).profile
    assert profile.witness is not None
    played: list[SetProfile] = []

    async def instead(copy: Path, profile: SetProfile, *more: object) -> int:
        played.append(profile)
        return 0

    monkeypatch.setattr(evening, "_with_room", instead)
    assert asyncio.run(evening.rehearse_evening(path, profile, 8.0, False, None)) == 0
    assert [one.witness for one in played] == [None]
    assert asyncio.run(evening.rehearse_evening(path, profile, 8.0, False, None, witness=True)) == 0
    assert played[-1].witness is not None


def test_who_stays_with_the_simulated_camera_has_the_witness_already(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    """The rehearsal serves it for as long as it stays: nobody is sent to do so themselves."""
    profile = read_profile(CONFIG / "wheel-corner.yaml").profile
    served: list[str] = []

    @contextlib.asynccontextmanager
    async def serving(*_: object) -> AsyncIterator[None]:
        served.append("begun")
        yield
        served.append("over")

    @contextlib.contextmanager
    def nobody(*_: object) -> Iterator[None]:
        yield

    async def over(self: object) -> None: ...

    class Stopped(asyncio.Event):
        async def wait(self) -> Literal[True]:
            assert served == ["begun"]
            return True

    class Runner:
        def __init__(self, *_: object, **__: object) -> None:
            self.ready, self.stopped = asyncio.Event(), asyncio.Event()
            self.ready.set()

        async def run(self) -> None:
            await self.stopped.wait()

        def stop(self) -> None:
            self.stopped.set()

    class Visitor:
        def __init__(self, *_: object) -> None: ...

        async def __aenter__(self) -> Visitor:
            return self

        async def __aexit__(self, *_: object) -> None: ...

        need_bridge = over

    monkeypatch.setattr(pictured, "serving", serving)
    monkeypatch.setattr(evening, "SetRunner", Runner)
    monkeypatch.setattr(evening, "Asker", Visitor)
    monkeypatch.setattr(evening, "Hands", nobody)
    monkeypatch.setattr(evening.Evening, "play", over)
    monkeypatch.setattr(evening, "until_interrupted", Stopped)
    broker = SimpleNamespace(url="mqtt://x", port=1, port4=2)
    eye, room = SimpleNamespace(has_window=False), SimpleNamespace(error=None)
    asyncio.run(
        evening._with_room(
            tmp_path / "corner.yaml",
            profile,
            Settings(),
            room,
            True,
            None,
            broker,
            eye,  # type: ignore[arg-type]
        )
    )
    said = capsys.readouterr().out
    assert served == ["begun", "over"]
    assert "studiobridge witness look" in said
    assert "witness serve" not in said
