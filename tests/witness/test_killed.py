"""A lesson that is killed, that would find no room, or that is not the only one."""

from __future__ import annotations

import fcntl
import os
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest
from typer.testing import CliRunner

from studiobridge.cli import app as program
from studiobridge.cli.base import Stop
from studiobridge.witness import keeping, stored
from tests.brokers import Mosquitto, needs_mosquitto
from tests.panel.studio import until
from tests.witness.test_serving import SET, TOPIC, WITNESS, Bridge

LESSON = """\
import asyncio, sys
from studiobridge.cli.putting_back import put_back_if_killed
async def lesson():
    async with put_back_if_killed("corner", None):
        print("alone", flush=True)
        await asyncio.sleep(float(sys.argv[1]))
asyncio.run(lesson())
"""


@needs_mosquitto
def test_a_lesson_that_is_killed_has_its_look_asked_for_again(tmp_path: Path) -> None:
    with Mosquitto(tmp_path) as broker:
        bridge = Bridge(broker.port)
        bridge.client.subscribe(f"{TOPIC}/ask")
        bridge.stands("ready")
        clean = {k: v for k, v in os.environ.items() if not k.startswith("STUDIOBRIDGE")}
        env = {**clean, "STUDIOBRIDGE_BROKER": broker.url, "HOME": str(tmp_path)}

        def lesson(lasts: float) -> subprocess.Popen[str]:
            found = subprocess.Popen(
                [sys.executable, "-c", LESSON, str(lasts)],
                env=env,
                stdout=subprocess.PIPE,
                stderr=subprocess.DEVNULL,
                text=True,
            )
            assert found.stdout is not None
            assert found.stdout.readline() == "alone\n"
            return found

        def asked() -> list[str]:
            return [said["what"] for _, topic, said in bridge.heard if topic == "ask"]

        # at its own end it has asked for the look itself, and nobody else does
        assert lesson(0.0).wait(10) == 0
        time.sleep(0.5)
        assert asked() == []

        killed = lesson(60.0)
        os.kill(killed.pid, signal.SIGKILL)
        killed.wait(10)
        until(lambda: asked() != [], "the look asked for again")
        assert set(asked()) == {"restore"}
        bridge.stop()


def learns(path: Path, *more: str) -> Stop:
    done = CliRunner().invoke(program.app, ["witness", "learn", str(path), "--yes", *more])
    assert isinstance(done.exception, Stop), done.exception
    return done.exception


def test_no_room_for_what_is_learned_is_said_before_the_room_goes_dark(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "corner.yaml"
    path.write_text(SET + WITNESS, encoding="utf-8")
    (tmp_path / "taken").write_text("a file where the folder would be")
    assert "taken cannot be made" in str(learns(path, "--into", str(tmp_path / "taken")))
    monkeypatch.setattr(keeping, "SHARE_BYTES", 10**18)
    assert "make room first" in str(learns(path))
    # what was tried there is not left behind
    assert list(keeping.folder_of(path).iterdir()) == []


def test_of_two_lessons_at_once_the_second_waits(tmp_path: Path) -> None:
    path = tmp_path / "corner.yaml"
    path.write_text(SET + WITNESS, encoding="utf-8")
    folder = keeping.folder_of(path)
    folder.mkdir()
    handle = os.open(folder, os.O_RDONLY)
    try:
        fcntl.flock(handle, fcntl.LOCK_EX)
        assert "runs already: wait for it" in str(learns(path))
    finally:
        os.close(handle)


def test_only_so_many_pictures_are_kept(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Who may ask for one may name looks that there are none of."""
    import numpy as np

    from studiobridge.witness.learned import Kept

    monkeypatch.setattr(keeping, "MOST_KEPT", 2)
    codes = np.full((64, 64, 3), 90, np.uint8)

    def keep(look: str) -> None:
        keeping.keep_picture(Kept(look, "", codes, codes[..., 0] > 0, {}, {}), tmp_path / "w")

    for look in ("one", "two", "one"):
        keep(look)
    with pytest.raises(stored.CannotWrite, match="delete some"):
        keep("three")
