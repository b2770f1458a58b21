"""Real brokers for the tests: Mosquitto from Debian, and the embedded one."""

from __future__ import annotations

import contextlib
import shutil
import socket
import subprocess
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

from studiobridge.rehearsal.embedded import EmbeddedBroker, free_ports

MOSQUITTO = shutil.which("mosquitto") or "/usr/sbin/mosquitto"


def have_mosquitto() -> bool:
    return Path(MOSQUITTO).exists() and shutil.which("mosquitto_pub") is not None


needs_mosquitto = pytest.mark.skipif(
    not have_mosquitto(), reason="needs mosquitto and mosquitto-clients (tests/run installs them)"
)


def wait_for_port(port: int, within: float = 10.0) -> None:
    end = time.monotonic() + within
    while time.monotonic() < end:
        with contextlib.suppress(OSError), socket.create_connection(("127.0.0.1", port), 0.2):
            return
        time.sleep(0.02)
    raise RuntimeError(f"nothing listens on {port}")


class Mosquitto:
    """A Mosquitto of our own on a free port; it can be stopped and started again."""

    def __init__(self, folder: Path, config: str | None = None, port: int | None = None) -> None:
        self.port = port or free_ports(1)[0]
        self.folder = folder
        self.file = folder / "broker.conf"
        if config is None:
            config = (
                f"listener {self.port} 127.0.0.1\nallow_anonymous true\npersistence true\n"
                "set_tcp_nodelay true\n"
                f"persistence_location {folder}/\nuser root\n"
            )
        self.file.write_text(config)
        self.process: subprocess.Popen[bytes] | None = None

    @property
    def url(self) -> str:
        return f"mqtt://127.0.0.1:{self.port}"

    def start(self) -> None:
        with (self.folder / "broker.log").open("ab") as log:
            self.process = subprocess.Popen(
                [MOSQUITTO, "-c", str(self.file)], stdout=log, stderr=log
            )
        wait_for_port(self.port)

    def stop(self, kill: bool = False) -> None:
        if self.process is not None:
            (self.process.kill if kill else self.process.terminate)()
            self.process.wait(10)
            self.process = None

    def __enter__(self) -> Mosquitto:
        self.start()
        return self

    def __exit__(self, *_: object) -> None:
        self.stop()


@contextlib.contextmanager
def broker_of(kind: str, folder: Path) -> Iterator[int]:
    """The port of a running broker of this kind, speaking MQTT 5."""
    if kind == "mosquitto":
        with Mosquitto(folder) as found:
            yield found.port
    else:
        with EmbeddedBroker() as embedded:
            yield embedded.port


def pub(port: int, topic: str, payload: str, *more: str) -> None:
    """Publish with Mosquitto's own client: not ours, so that ours is never its own witness."""
    subprocess.run(
        [
            "mosquitto_pub",
            "-V",
            "5",
            "-h",
            "127.0.0.1",
            "-p",
            str(port),
            "-q",
            "1",
            "-t",
            topic,
            "-m",
            payload,
            *more,
        ],
        check=True,
        timeout=10,
    )


class Sub:
    """mosquitto_sub as a witness: what really is on the topics."""

    def __init__(self, port: int, topic: str, *more: str) -> None:
        self.process = subprocess.Popen(
            [
                "mosquitto_sub",
                "-V",
                "5",
                "-h",
                "127.0.0.1",
                "-p",
                str(port),
                "-q",
                "1",
                "-t",
                topic,
                "-F",
                "%r %t %p",
                *more,
            ],
            stdout=subprocess.PIPE,
            text=True,
        )

    def lines(self, seconds: float) -> list[str]:
        time.sleep(seconds)
        self.process.terminate()
        out, _ = self.process.communicate(timeout=5)
        return out.splitlines()
