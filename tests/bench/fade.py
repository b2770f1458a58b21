"""What a fade costs: 64 slots, 40 frames a second, over a bare loop that sends a ready packet.

python -m tests.bench.fade
"""

from __future__ import annotations

import socket
import time
import uuid

from studiobridge.bridge.stream import PORT, Stream, awake
from studiobridge.profile.model import Circuit, Device, SetProfile, Slots, Universe
from tests.receiving import an_address

SECONDS = 10.0
EVERY = 1 / 40


def a_set(address: str, fixtures: int = 32) -> SetProfile:
    """32 fixtures of 16 bits: 64 slots, all of them moving."""
    devices = {
        f"lamp-{n}": Device(
            f"lamp-{n}", "light", speaks="e131", slots=Slots(1, 1 + 2 * n, 1, 2), proof="none"
        )
        for n in range(fixtures)
    }
    return SetProfile(
        name="fade",
        title="",
        voltage=230.0,
        circuits={"wall": Circuit("wall", 16.0, "B", 0.5)},
        dialects={},
        devices=devices,
        looks={},
        default_look=None,
        universes={1: Universe(1, (address,))},
    )


def bare(address: str) -> float:
    """Seconds of processor time for each second of sending the same packet, and nothing more."""
    way = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
    raw = bytes(638)
    began, used = time.monotonic(), time.process_time()
    due = began
    while time.monotonic() - began < SECONDS:
        way.sendto(raw, (address, PORT))
        due += EVERY
        time.sleep(max(0.0, due - time.monotonic()))
    return (time.process_time() - used) / SECONDS


def fade(address: str) -> tuple[float, int]:
    """The same of a fade by the bridge's own stream; and how many frames came."""
    heard = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
    heard.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 4 << 20)
    heard.bind((address, PORT))
    stream = Stream(a_set(address), uuid.uuid4(), lambda n, why: None, lambda n, who: None)
    stream.lease(awake() + 60)
    stream.start()
    used = time.process_time()
    for name in stream.of:
        stream.tell(name, {"level": 100.0}, SECONDS)
    time.sleep(SECONDS)
    cost = (time.process_time() - used) / SECONDS
    stream.stop()
    heard.setblocking(False)
    frames = 0
    try:
        while heard.recv(2048):
            frames += 1
    except BlockingIOError:
        pass
    heard.close()
    return cost, frames


def fade_row() -> tuple[str, str, str]:
    address = an_address()
    floor = bare(address)
    cost, frames = fade(address)
    detail = (
        f"{100 * cost:.2f} % of a core for {frames / SECONDS:.1f} frames a second;"
        f" bare {100 * floor:.2f} %"
    )
    return "a fade of 64 slots, over sending a ready packet", f"{cost / floor:.1f}", detail


if __name__ == "__main__":
    print(*fade_row(), sep="\n")
