"""The bridge of a bench set in a process of its own, as a service runs it: python -m tests.bench.process

Only so can be measured what it takes when idle, what a stopped one looks like from outside, and
how fast it is without sharing an interpreter with the gear and the clock that measures it.
"""

from __future__ import annotations

import argparse
import asyncio
import contextlib
import os
import signal
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

from studiobridge.bridge.daemon import SetRunner
from studiobridge.bridge.settings import BrokerSettings, Settings
from tests.bench.sets import SETS

READY = "ready"
# A floor: a client that is connected, listens to all the gear and does nothing.
LISTENS = """
import sys, paho.mqtt.client as mqtt
c = mqtt.Client(mqtt.CallbackAPIVersion.VERSION2, protocol=mqtt.MQTTv5)
c.on_connect = lambda c, *_: (c.subscribe("gear/#", 1), print("ready", flush=True))
c.connect("127.0.0.1", int(sys.argv[1]), 60)
c.loop_forever()
"""


async def serve(port: int, data: Path, of: str) -> int:
    settings = Settings(broker=BrokerSettings(host="127.0.0.1", port=port), data=data)
    runner = SetRunner(Path("bench.yaml"), SETS[of](), settings, say=lambda text: None)
    asyncio.get_running_loop().add_signal_handler(signal.SIGTERM, runner.stop)
    running = asyncio.create_task(runner.run())
    await runner.ready.wait()
    print(READY, flush=True)
    return await running


@contextlib.contextmanager
def started(*command: str) -> Iterator[subprocess.Popen[str]]:
    """A process that has said it is ready; ended at the end, also when it is stopped."""
    process = subprocess.Popen([sys.executable, *command], stdout=subprocess.PIPE, text=True)
    try:
        assert process.stdout is not None
        assert process.stdout.readline().strip() == READY
        yield process
    finally:
        with contextlib.suppress(ProcessLookupError):
            process.send_signal(signal.SIGCONT)
            process.terminate()
        try:
            process.wait(10)
        except subprocess.TimeoutExpired:
            process.kill()
            process.wait()


def bridge(
    port: int, data: Path, of: str
) -> contextlib.AbstractContextManager[subprocess.Popen[str]]:
    """A bridge that runs the set `of` SETS."""
    return started("-m", "tests.bench.process", str(port), str(data), of)


def listener(port: int) -> contextlib.AbstractContextManager[subprocess.Popen[str]]:
    """The floor: it listens and does nothing."""
    return started("-c", LISTENS, str(port))


def cpu_seconds(pid: int) -> float:
    """Processor time of a process so far (s), its threads and what the kernel did for it included."""
    text = Path(f"/proc/{pid}/stat").read_text(encoding="ascii")
    user, system = text.rpartition(")")[2].split()[11:13]
    return (int(user) + int(system)) / os.sysconf("SC_CLK_TCK")


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("port", type=int)
    parser.add_argument("data", type=Path)
    parser.add_argument("of", choices=SETS)
    asked = parser.parse_args()
    sys.exit(asyncio.run(serve(asked.port, asked.data, asked.of)))
