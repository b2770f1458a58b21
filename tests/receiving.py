"""A receiver of ANSI E1.31 on a loopback address of its own: the library's receiving half."""

from __future__ import annotations

import itertools
import os
import socket
import threading
import time
from collections.abc import Callable

from sacn import sACNreceiver
from sacn.receiving.receiver_socket_base import ReceiverSocketBase

PORT = 5568
_count = itertools.count(1)


def an_address() -> str:
    """A loopback address nobody else has: the port is the same for everybody."""
    pid = os.getpid()
    return f"127.{64 + pid % 128}.{pid // 128 % 256}.{next(_count) % 250 + 1}"


class _Socket(ReceiverSocketBase):
    """The library's own binds to every address of the machine, and takes what is others'."""

    def __init__(self, address: str) -> None:
        super().__init__(listener=None)
        self.socket = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
        self.socket.bind((address, PORT))
        self.socket.settimeout(0.05)
        self.raw: list[tuple[float, bytes]] = []
        self._on = False

    def start(self) -> None:
        self._on = True
        self._thread = threading.Thread(target=self._loop, daemon=True)
        self._thread.start()

    def _loop(self) -> None:
        while self._on:
            self._listener.on_periodic_callback(time.time())
            try:
                raw = self.socket.recv(2048)
            except TimeoutError:
                continue
            except OSError:
                return
            self.raw.append((time.monotonic(), raw))
            self._listener.on_data(raw, time.time())

    def stop(self) -> None:
        if self._on:  # the library stops it before it starts it
            self._on = False
            self._thread.join()
            self.socket.close()

    def join_multicast(self, multicast_addr: str) -> None:
        pass

    def leave_multicast(self, multicast_addr: str) -> None:
        pass


class Receiver:
    """Hears one universe. A context manager."""

    def __init__(self, universe: int, address: str | None = None) -> None:
        self.address = address or an_address()
        self.universe = universe
        self._socket = _Socket(self.address)
        self._library = sACNreceiver(socket=self._socket)
        self._socket._listener = self._library._handler
        self.slots: tuple[int, ...] = ()
        self.available: list[str] = []
        self._library.register_listener("universe", self._heard, universe=universe)
        self._library.register_listener("availability", self._changed)

    def _heard(self, packet) -> None:  # type: ignore[no-untyped-def]
        self.slots = packet.dmxData

    def _changed(self, universe: int, changed: str) -> None:
        if universe == self.universe:
            self.available.append(changed)

    @property
    def raw(self) -> list[tuple[float, bytes]]:
        """Every packet as it came, with its time (monotonic s)."""
        return list(self._socket.raw)

    def __enter__(self) -> Receiver:
        self._library.start()
        return self

    def __exit__(self, *_: object) -> None:
        self._library.stop()

    def until(self, is_so: Callable[[], bool], within: float = 5.0) -> bool:
        end = time.monotonic() + within
        while time.monotonic() < end:
            if is_so():
                return True
            time.sleep(0.01)
        return is_so()


def terminated(raw: bytes) -> bool:
    """The stream-terminated bit of the options (ANSI E1.31-2018, 6.2.6, from memory)."""
    return bool(raw[112] & 0x40)
