"""A slow way between a phone and the page, as TCP shows it: late, now and then much later, at times torn."""

from __future__ import annotations

import contextlib
import queue
import random
import socket
import struct
import threading
import time

# A third-generation mobile network as browsers' own tools throttle it ("3G": 400 ms, about 1.6 Mbit/s down;
# from memory of their presets). What is lost comes again after a retransmission timeout: one second at first
# (RFC 6298, 2.1), and what was sent after it waits behind it.
ROUND_TRIP = 0.4
BYTES_A_SECOND = 200_000
LOSS = 0.01
AGAIN_AFTER = 1.0
SEGMENT = 1400


class Slow:
    """A proxy before the page that is such a network; `tear` resets what is open now."""

    def __init__(self, to: int, seed: int = 7) -> None:
        self._to = to
        self._luck = random.Random(seed)
        self._open: set[socket.socket] = set()
        self.begun = 0
        self._server = socket.create_server(("127.0.0.1", 0))
        self.port: int = self._server.getsockname()[1]
        threading.Thread(target=self._accept, daemon=True).start()

    def tear(self) -> None:
        for one in list(self._open):
            with contextlib.suppress(OSError):
                # closed with nothing lingering: the other side is reset
                one.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, struct.pack("ii", 1, 0))
                one.shutdown(socket.SHUT_RDWR)
                one.close()

    def _accept(self) -> None:
        with contextlib.suppress(OSError):
            while True:
                here, _ = self._server.accept()
                there = socket.create_connection(("127.0.0.1", self._to))
                self.begun += 1
                self._open |= {here, there}
                for a, b in ((here, there), (there, here)):
                    late: queue.Queue[tuple[float, bytes]] = queue.Queue()
                    for work in (self._read, self._write):
                        threading.Thread(target=work, args=(a, b, late), daemon=True).start()

    def _read(
        self, a: socket.socket, b: socket.socket, late: queue.Queue[tuple[float, bytes]]
    ) -> None:
        due = 0.0
        with contextlib.suppress(OSError):
            while data := a.recv(65536):
                due = max(due, time.monotonic() + ROUND_TRIP / 2) + len(data) / BYTES_A_SECOND
                for _ in range(0, len(data), SEGMENT):
                    if self._luck.random() < LOSS:
                        due += AGAIN_AFTER
                late.put((due, data))
        late.put((due, b""))

    def _write(
        self, a: socket.socket, b: socket.socket, late: queue.Queue[tuple[float, bytes]]
    ) -> None:
        with contextlib.suppress(OSError):
            while True:
                due, data = late.get()
                time.sleep(max(0.0, due - time.monotonic()))
                if not data:
                    b.shutdown(socket.SHUT_WR)
                    break
                b.sendall(data)
        self._open -= {a}
