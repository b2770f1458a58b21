"""The embedded broker: a real MQTT broker in a child process, for rehearsals without any other.

iotcore runs it. It listens on 127.0.0.1 only, on free ports, one for MQTT 5 and one for
3.1.1, and ends with this process, however this process ends.
"""

from __future__ import annotations

import contextlib
import os
import socket
import sys
import tempfile
from pathlib import Path
from types import TracebackType

# Another program may take a free port between finding and using it.
TRIES = 5

CONFIG = """\
id = 0

[router]
id = 0
max_connections = 2000
max_outgoing_packet_count = 1000
max_segment_size = 1048576
max_segment_count = 10

[v4.1]
name = "plain"
listen = "127.0.0.1:{port4}"
next_connection_delay_ms = 1

[v4.1.connections]
connection_timeout_ms = 60000
max_payload_size = 786432
max_inflight_count = 500
dynamic_filters = true

[v5.1]
name = "five"
listen = "127.0.0.1:{port5}"
next_connection_delay_ms = 1

[v5.1.connections]
connection_timeout_ms = 60000
max_payload_size = 786432
max_inflight_count = 500
dynamic_filters = true
"""


def free_ports(count: int) -> list[int]:
    """Ports nobody listens on just now."""
    sockets = [socket.socket() for _ in range(count)]
    try:
        for sock in sockets:
            sock.bind(("127.0.0.1", 0))
        return [int(sock.getsockname()[1]) for sock in sockets]
    finally:
        for sock in sockets:
            sock.close()


class EmbeddedBroker:
    """Use as a context manager. `port` speaks MQTT 5, `port4` 3.1.1."""

    def __init__(self) -> None:
        self.port = 0
        self.port4 = 0
        self._broker: object | None = None
        self._folder: tempfile.TemporaryDirectory[str] | None = None

    @property
    def url(self) -> str:
        return f"mqtt://127.0.0.1:{self.port}"

    def __enter__(self) -> EmbeddedBroker:
        self.start()
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.stop()

    def start(self) -> None:
        """Start it and wait until it listens. Raises RuntimeError when it does not."""
        from iotcore import Broker

        self._folder = tempfile.TemporaryDirectory(prefix="studiobridge-broker-")
        config = Path(self._folder.name) / "broker.toml"
        for attempt in range(TRIES):
            self.port, self.port4 = free_ports(2)
            config.write_text(CONFIG.format(port4=self.port4, port5=self.port), encoding="utf-8")
            broker = Broker(config_path=str(config))
            try:
                with _no_chatter():
                    broker.start()
            except (OSError, RuntimeError) as error:
                with contextlib.suppress(Exception):
                    broker.stop()
                if attempt == TRIES - 1:
                    self.stop()
                    raise RuntimeError(f"the embedded broker does not start: {error}") from None
                continue
            self._broker = broker
            return

    def stop(self) -> None:
        """Stop it and remove what it needed. Safe to call twice."""
        broker, self._broker = self._broker, None
        if broker is not None:
            broker.stop()  # type: ignore[attr-defined]
        if self._folder is not None:
            self._folder.cleanup()
            self._folder = None


@contextlib.contextmanager
def _no_chatter():  # type: ignore[no-untyped-def]
    """The child inherits standard error; its start-up lines are nobody's business."""
    sys.stderr.flush()
    saved = os.dup(2)
    nowhere = os.open(os.devnull, os.O_WRONLY)
    try:
        os.dup2(nowhere, 2)
        yield
    finally:
        os.dup2(saved, 2)
        os.close(saved)
        os.close(nowhere)
