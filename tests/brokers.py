"""Real brokers for the tests: Mosquitto from Debian, and the embedded one."""

from __future__ import annotations

import contextlib
import queue
import shutil
import socket
import subprocess
import sys
import tempfile
import threading
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
        self._out = tempfile.TemporaryFile("w+", encoding="utf-8")  # noqa: SIM115
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
            # a file, not a pipe: a full pipe nobody reads would hold it up, and the rest be lost
            stdout=self._out,
            text=True,
        )

    def lines(self, seconds: float) -> list[str]:
        time.sleep(seconds)
        self.process.terminate()
        self.process.wait(5)
        self._out.seek(0)
        return self._out.read().splitlines()


class Proxy:
    """A TCP proxy on the way to a broker: it can hold what it was given, delay it, or hang up.

    What it holds it delivers all at once later, also what a client gave it that has since reset
    its connection: as a router full of buffers would.
    """

    def __init__(self, to: int) -> None:
        self.to = to
        self.hang_up_next = 0  # so many connections are accepted and closed at once
        self.accepted = 0
        self.delay = {"up": 0.0, "down": 0.0}
        self._open = {"up": threading.Event(), "down": threading.Event()}
        for way in self._open.values():
            way.set()
        self._server = socket.create_server(("127.0.0.1", 0))
        self.port: int = self._server.getsockname()[1]
        self._sockets: list[socket.socket] = []
        threading.Thread(target=self._accept, daemon=True).start()

    def hold(self, *ways: str) -> None:
        for way in ways or ("up", "down"):
            self._open[way].clear()

    def let_go(self) -> None:
        for way in self._open.values():
            way.set()

    def _accept(self) -> None:
        with contextlib.suppress(OSError):
            while True:
                here, _ = self._server.accept()
                self.accepted += 1
                if self.hang_up_next > 0:
                    self.hang_up_next -= 1
                    here.close()
                    continue
                there = socket.create_connection(("127.0.0.1", self.to))
                for s in (here, there):
                    s.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
                self._sockets += [here, there]
                for way, a, b in (("up", here, there), ("down", there, here)):
                    threading.Thread(target=self._pump, args=(way, a, b), daemon=True).start()

    def _pump(self, way: str, a: socket.socket, b: socket.socket) -> None:
        """Read at once, so that nothing waits with the sender; deliver when it may."""
        waiting: queue.Queue[tuple[float, bytes]] = queue.Queue()

        def deliver() -> None:
            with contextlib.suppress(OSError):
                while True:
                    at, data = waiting.get()
                    time.sleep(max(0.0, at - time.monotonic()))
                    self._open[way].wait()
                    if not data:
                        time.sleep(1.0)  # or its reader might not look at what came before
                        b.shutdown(socket.SHUT_RDWR)
                        return
                    b.sendall(data)

        threading.Thread(target=deliver, daemon=True).start()
        data = b"x"
        while data:
            try:
                data = a.recv(65536)
            except OSError:
                data = b""
            waiting.put((time.monotonic() + self.delay[way], data))

    def __enter__(self) -> Proxy:
        return self

    def __exit__(self, *_: object) -> None:
        self.let_go()
        self._server.close()
        for s in self._sockets:
            with contextlib.suppress(OSError):
                s.close()


class Amqtt:
    """amqtt from the package index: a broker that knows only 3.1.1 and is silent on a 5 CONNECT."""

    def __init__(self, folder: Path) -> None:
        self.port = free_ports(1)[0]
        self.file = folder / "amqtt.yaml"
        self.file.write_text(
            f"listeners:\n  default:\n    type: tcp\n    bind: 127.0.0.1:{self.port}\n"
            "plugins:\n  amqtt.plugins.authentication.AnonymousAuthPlugin:\n"
            "    allow_anonymous: true\n"
        )

    def __enter__(self) -> Amqtt:
        self._process = subprocess.Popen(
            [str(Path(sys.executable).parent / "amqtt"), "-c", str(self.file)],
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
        )
        wait_for_port(self.port)
        return self

    def __exit__(self, *_: object) -> None:
        self._process.kill()
        self._process.wait(10)


AEDES = """
const port = Number(process.argv[2]);
const {Aedes} = require('aedes');
const net = require('net');
(async () => {
  const broker = Aedes.createBroker ? await Aedes.createBroker() : new Aedes();
  net.createServer(broker.handle).listen(port, '127.0.0.1');
})();
"""


class Aedes:
    """aedes from the npm registry: a broker that refuses the version of a 5 CONNECT."""

    def __init__(self, folder: Path) -> None:
        if shutil.which("npm") is None or shutil.which("node") is None:
            pytest.skip("needs npm and node for aedes")
        home = Path(tempfile.gettempdir()) / "studiobridge-tests-aedes"
        if not (home / "node_modules" / "aedes").exists():
            home.mkdir(exist_ok=True)
            done = subprocess.run(
                ["npm", "install", "--prefix", str(home), "--no-audit", "--no-fund", "aedes@1"],
                capture_output=True,
                text=True,
                timeout=300,
            )
            if done.returncode != 0:
                pytest.skip(f"npm cannot install aedes: {done.stderr[-300:]}")
        self.home = home
        self.port = free_ports(1)[0]
        self.file = home / f"broker-{self.port}.cjs"
        self.file.write_text(AEDES)

    def __enter__(self) -> Aedes:
        self._process = subprocess.Popen(["node", str(self.file), str(self.port)], cwd=self.home)
        wait_for_port(self.port)
        return self

    def __exit__(self, *_: object) -> None:
        self._process.kill()
        self._process.wait(10)
        self.file.unlink(missing_ok=True)
