"""A lesson is carried out by tries, and whatever happens the look is asked for again, once."""

from __future__ import annotations

import asyncio
import os
import pty
import signal
import subprocess
import sys
import time
from collections.abc import AsyncIterator, Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from studiobridge.bridge.asking import NoBridge
from studiobridge.profile.model import SetProfile
from studiobridge.profile.said import Answer
from studiobridge.witness import session
from studiobridge.witness.frames import Frame, FramesError
from studiobridge.witness.lesson import ByHand, Lesson, Refused, Tell, Wish
from studiobridge.witness.session import CannotLearn, Session
from tests.witness.dimmed import read_corner


@pytest.fixture
def profile(tmp_path: Path) -> SetProfile:
    return read_corner(tmp_path)


class Bridge:
    """Stands for a bridge and the way to it: keeps what it was asked, answers as it is told to."""

    def __init__(self, **state: Any) -> None:
        self.asked: list[tuple[str, Any]] = []
        self.state = {"state": "ready", "rolling": [], "lockouts": [], **state}
        self.bridge_alive = True
        self.answers: list[Answer] = []
        self.goes_after = 10**6

    @property
    def shown(self) -> Bridge:
        return self

    def state_now(self) -> dict[str, Any]:
        return self.state

    async def ask(self, what: str, **more: Any) -> AsyncIterator[Answer]:
        self.asked.append((what, more.get("value") or more.get("targets")))
        if len(self.asked) > self.goes_after:
            self.bridge_alive = False
            raise NoBridge("no bridge runs this set")
        yield self.answers.pop(0) if self.answers else Answer("x", True, 0, "done", {})

    def count(self, what: str) -> int:
        return sum(asked == what for asked, _ in self.asked)


class Camera:
    """Frames with noise; or what goes wrong with them, from a frame on."""

    def __init__(self, wrong: BaseException | None = None, after: int = 0) -> None:
        self.wrong, self.after, self.taken = wrong, after, 0
        self.dice = np.random.default_rng(3)
        self.asked_after: list[float | None] = []

    async def next(self, within: float = 5.0, after: float | None = None) -> Frame:
        await asyncio.sleep(0)
        self.taken += 1
        self.asked_after.append(after)
        if self.wrong is not None and self.taken > self.after:
            raise self.wrong
        codes = self.dice.integers(20, 24, (96, 160, 3)).astype(np.uint8)
        return Frame(codes, (after or 0.0) + 0.01, (160, 96))


async def nobody(wish: ByHand) -> bool:
    return False


def learn(profile: SetProfile, bridge: Bridge, camera: Camera, said: Any = None) -> CannotLearn:
    one = Session(profile, bridge, camera, nobody, said or (lambda lesson: None))  # type: ignore[arg-type]
    with pytest.raises(CannotLearn) as caught:
        asyncio.run(one.learn("2026-01-01T00:00:00+00:00"))
    return caught.value


@pytest.mark.parametrize(
    ("state", "said"),
    [
        ({"state": "dark"}, "bring it up"),
        ({"state": "rising"}, "wait"),
        ({"rolling": ["camera"]}, "rolls"),
    ],
)
def test_it_begins_only_where_it_may(profile: SetProfile, state: dict[str, Any], said: str) -> None:
    bridge = Bridge(**state)
    assert said in str(learn(profile, bridge, Camera()))
    assert bridge.asked == []


def test_no_lamp_is_told_but_by_a_try_and_the_look_is_back_once(profile: SetProfile) -> None:
    bridge, camera = Bridge(), Camera()
    error = learn(profile, bridge, camera)
    assert "no lamp is seen" in str(error)  # all frames look alike
    assert {what for what, _ in bridge.asked} == {"try", "restore"}
    assert bridge.count("restore") == 1
    assert bridge.asked[-1][0] == "restore"
    assert error.left == ""
    assert all(after is not None for after in camera.asked_after)


def test_what_is_locked_out_is_not_touched(profile: SetProfile) -> None:
    bridge = Bridge(lockouts=[{"target": "wall"}])
    assert "no lamp to learn" in str(learn(profile, bridge, Camera()))
    assert bridge.count("try") == 0


@pytest.mark.parametrize(
    "wrong", [FramesError("the stream hangs"), ValueError("nonsense"), OSError("gone")]
)
def test_a_camera_that_fails_leaves_nobody_in_the_dark(
    profile: SetProfile, wrong: Exception
) -> None:
    bridge = Bridge()
    learn(profile, bridge, Camera(wrong, after=4))
    assert bridge.count("restore") == 1
    assert bridge.asked[-1][0] == "restore"


def test_with_no_picture_no_lamp_is_touched(profile: SetProfile) -> None:
    bridge = Bridge()
    error = learn(profile, bridge, Camera(FramesError("now.jpg: No such file or directory")))
    assert "now.jpg" in str(error)
    assert "no lamp was touched" in str(error)
    assert bridge.asked == []


def test_the_look_comes_back_before_what_was_seen_is_reckoned(
    profile: SetProfile, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Reckoning takes up to a minute, and the room is dark."""
    bridge = Bridge()
    there: list[int] = []

    def reckoned(lesson: Lesson) -> Refused:
        until = time.monotonic() + 2.0
        while not bridge.count("restore") and time.monotonic() < until:
            time.sleep(0.01)
        there.append(bridge.count("restore"))
        return Refused("it was enough", "nothing")

    def seen_alone(lesson: Lesson) -> Iterator[Wish]:
        lesson.seen = True
        yield Tell("key", (("switch", False),))
        yield reckoned(lesson)

    monkeypatch.setattr(Lesson, "_play", seen_alone)
    learn(profile, bridge, Camera())
    assert there == [1]
    assert bridge.count("restore") == 1


def test_ended_by_hand_the_look_is_asked_for(profile: SetProfile) -> None:
    bridge = Bridge()

    async def ended() -> None:
        one = Session(profile, bridge, Camera(), nobody, lambda lesson: None)  # type: ignore[arg-type]
        task = asyncio.create_task(one.learn("now"))
        while bridge.count("try") < 3:
            await asyncio.sleep(0.001)
        task.cancel()
        with pytest.raises(asyncio.CancelledError):
            await task

    asyncio.run(ended())
    assert bridge.count("restore") == 1


def test_a_bridge_that_goes_is_said_with_what_is_left(profile: SetProfile) -> None:
    bridge = Bridge()
    bridge.goes_after = 3
    error = learn(profile, bridge, Camera())
    assert "no bridge" in str(error)
    assert "restore" in error.left


def test_a_lamp_tried_a_moment_ago_is_asked_again(
    profile: SetProfile, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(session, "BUSY_EVERY", 0.0)
    bridge = Bridge()
    soon = Answer("x", True, 1, "key was tried a moment ago; nothing here flashes: ask again", {})
    bridge.answers = [soon, soon]
    told: list[Lesson] = []
    learn(profile, bridge, Camera(), told.append)
    assert [value for what, value in bridge.asked[:3]] == ["off", "off", "off"]
    assert "key" not in told[0].left_out or "moment" not in told[0].left_out["key"]


AT_A_DIAL = """
import asyncio, sys
from studiobridge.cli import base
from studiobridge.cli.learning import Progress
from studiobridge.witness.lesson import ByHand

async def asked():
    with base.leaving("it was ended by hand"):
        await Progress(False).hand(ByHand("rim", 100.0, "turn rim to 100 %, alone"))

try:
    asyncio.run(asked())
except base.Stop as stop:
    print(stop)
    sys.exit(stop.code)
"""


def test_ctrl_c_while_a_dial_is_asked_for_ends_it_at_once() -> None:
    ours, theirs = pty.openpty()
    process = subprocess.Popen(
        [sys.executable, "-c", AT_A_DIAL],
        stdin=theirs,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    )
    os.close(theirs)
    assert process.stdout is not None and process.stderr is not None
    try:
        assert "press Enter" in process.stderr.readline()
        time.sleep(0.1)
        process.send_signal(signal.SIGINT)
        assert process.wait(5) == 130
        assert "ended by hand" in process.stdout.read()
    finally:
        process.kill()
        process.wait()
        process.stdout.close()
        process.stderr.close()
        os.close(ours)
