"""The first day of the README on a real broker, with gear that nobody described."""

from __future__ import annotations

import os
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path

from tests.brokers import Mosquitto, needs_mosquitto
from tests.first_day import Here, gear, play

PROGRAM = f"{sys.executable} -c 'from studiobridge.cli import main; main()'"


class Talking:
    """A command in a process of its own, and what it says while it goes on."""

    def __init__(self, command: str, folder: Path, env: dict[str, str]) -> None:
        self.process = subprocess.Popen(
            ["bash", "-c", command], cwd=folder, env=env, text=True, bufsize=1,
            stdin=subprocess.DEVNULL, stdout=subprocess.PIPE, stderr=subprocess.STDOUT,
        )  # fmt: skip

    def lines(self) -> Iterator[str]:
        assert self.process.stdout is not None
        yield from self.process.stdout

    def ended(self) -> int:
        return self.process.wait(20)


@needs_mosquitto
def test_the_first_day(tmp_path: Path) -> None:
    with Mosquitto(tmp_path) as broker, gear("127.0.0.1", broker.port) as room:
        env = {
            **os.environ,
            "STUDIOBRIDGE_BROKER": broker.url,
            "STUDIOBRIDGE_SET": "corner",
            "STUDIOBRIDGE_DATA": str(tmp_path / "data"),
            "HOME": str(tmp_path),
            "COLUMNS": "100",
            "NO_COLOR": "1",
        }

        def run(command: str) -> tuple[int, str]:
            done = subprocess.run(
                ["bash", "-c", command.replace("studiobridge", PROGRAM, 1)], cwd=tmp_path, env=env, text=True,
                stdin=subprocess.DEVNULL, stdout=subprocess.PIPE, stderr=subprocess.STDOUT, timeout=90,
            )  # fmt: skip
            return done.returncode, done.stdout

        daemon: list[subprocess.Popen[bytes]] = []

        def wait() -> None:
            command = [sys.executable, "-c", "from studiobridge.cli import main; main()", "run", "corner.yaml"]  # fmt: skip
            daemon.append(subprocess.Popen(command, cwd=tmp_path, env=env))
            end = time.monotonic() + 20
            while run("studiobridge status --set corner")[0] == 3:
                assert time.monotonic() < end, "no bridge"

        here = Here(
            run,
            lambda command: Talking(command.replace("studiobridge", PROGRAM, 1), tmp_path, env),
            lambda name, text: (tmp_path / name).write_text(text) and None,
            lambda name: (tmp_path / name).read_text(),
        )
        room.press("box", True)
        time.sleep(2.0)
        try:
            play(here, room, "corner.yaml", wait)
        finally:
            for process in daemon:
                process.terminate()
                process.wait(10)
