"""A large set: time to ready over what circuits and boots alone take, by number of devices.

    python -m tests.bench.scale

The floor is the plan: gaps, boots and fades of the profile, with a gear that answers when it says
it does. What is above it is the bridge, the broker and the room on one machine.
"""

from __future__ import annotations

import asyncio
import resource
import tempfile
import time
from pathlib import Path

from studiobridge.control.plan import plan
from studiobridge.rehearsal.live import LiveRoom
from tests.bench.__main__ import a_set, bridge_time, settings_for
from tests.brokers import Mosquitto

SIZES = ((10, 1), (100, 10), (500, 50))


def main() -> None:
    print(f"{'devices':>8} {'floor s':>9} {'ours s':>8} {'ratio':>7}   memory of bridge and room")
    for lights, circuits in SIZES:
        profile = a_set(lights, circuits)
        floor = plan(profile, "up").ready_in
        with tempfile.TemporaryDirectory() as name:
            folder = Path(name)
            with Mosquitto(folder) as broker, LiveRoom(profile, "127.0.0.1", broker.port):
                time.sleep(1.0 + lights / 100)
                took = asyncio.run(bridge_time(profile, settings_for(broker, folder / "data")))
        memory = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
        print(
            f"{2 * lights:>8} {floor:>9.2f} {took:>8.2f} {took / floor:>7.3f}   {memory:.0f} MB",
            flush=True,
        )


if __name__ == "__main__":
    main()
