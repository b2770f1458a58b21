"""What a command that asks a bridge reads and waits for before it answers."""

from __future__ import annotations

import asyncio
import json
import os
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from studiobridge.bridge.asking import QUIET, Asker
from studiobridge.bridge.ownership import Beat
from studiobridge.bridge.settings import BrokerSettings, Settings
from tests.brokers import Mosquitto, needs_mosquitto, pub

SET = "shelf-corner"
# Rooms, files and libraries that tell nothing about how a set stands, and take time to read.
NEEDLESS = (
    "studiobridge.profile.build",
    "studiobridge.profile.shape",
    "studiobridge.profile.model",
    "studiobridge.speech.homie",
    "studiobridge.control",
    "studiobridge.figures",
    "studiobridge.cli.draw",
    "rich",
    "yaml",
    "sqlalchemy",
    "apscheduler",
)


def show(port: int, devices: int, count: int | None) -> None:
    """What a bridge keeps at the broker, by Mosquitto's own client."""
    state = {"set": SET, "state": "dark", "bridge": "x", "epoch": 1} | (
        {} if count is None else {"device_count": count}
    )
    said = {"alive": {"alive": True, "bridge": "x"}, "state": state, "drift": []}
    said |= {f"devices/light-{n}": {"device": f"light-{n}"} for n in range(devices)}
    for topic, payload in said.items():
        pub(port, f"studiobridge/{SET}/{topic}", json.dumps(payload), "-r")


@contextmanager
def beating(port: int) -> Iterator[None]:
    """A bridge that is alive, as far as anybody hears."""
    over = threading.Event()

    def beat() -> None:
        n = 0
        while not over.wait(0.4):
            n += 1
            payload = Beat("x", 1, n, time.time(), 1.0).payload().decode()
            pub(port, f"studiobridge/{SET}/beat", payload, "-r")

    beats = threading.Thread(target=beat)
    beats.start()
    try:
        yield
    finally:
        over.set()
        beats.join()


@needs_mosquitto
def test_status_reads_no_profile_and_draws_nothing(tmp_path: Path) -> None:
    with Mosquitto(tmp_path) as broker, beating(broker.port):
        show(broker.port, 2, 2)
        program = (
            "import sys\nfrom studiobridge.cli import main\ntry:\n    main()\nfinally:\n"
            "    print('\\n'.join(sys.modules), file=sys.stderr)"
        )
        env = {k: v for k, v in os.environ.items() if not k.startswith("STUDIOBRIDGE")}
        env |= {"HOME": str(tmp_path), "STUDIOBRIDGE_BROKER": broker.url, "STUDIOBRIDGE_SET": SET}
        done = subprocess.run(
            [sys.executable, "-c", program, "status"],
            env=env,
            capture_output=True,
            text=True,
            timeout=60,
        )
    assert done.returncode == 0, done.stderr
    assert "light-1" in done.stdout
    read = set(done.stderr.split())
    assert "studiobridge.bridge.link" in read
    assert sorted(read.intersection(NEEDLESS)) == []


def waited(port: int, folder: Path) -> tuple[float, int]:
    """How long (s) after the last message it was settled, and how many devices had come."""

    async def ask() -> tuple[float, int]:
        settings = Settings(broker=BrokerSettings(host="127.0.0.1", port=port), data=folder)
        async with Asker(settings, SET) as asker:
            shown = await asker.settled()
            return time.monotonic() - asker._last, len(shown.devices)

    return min(asyncio.run(ask()) for _ in range(3))


@needs_mosquitto
def test_who_has_heard_everything_waits_for_nothing(tmp_path: Path) -> None:
    with Mosquitto(tmp_path) as broker:
        show(broker.port, 30, 30)
        wait, devices = waited(broker.port, tmp_path)
        assert devices == 30
        assert wait < QUIET / 2


@needs_mosquitto
def test_who_has_not_heard_everything_waits_for_more(tmp_path: Path) -> None:
    """A bridge that has not shown all its devices yet, or an older one that does not count them."""
    with Mosquitto(tmp_path) as broker:
        show(broker.port, 2, 3)
        assert waited(broker.port, tmp_path)[0] > QUIET
        show(broker.port, 3, None)
        wait, devices = waited(broker.port, tmp_path)
        assert devices == 3
        assert wait > QUIET
