"""Large and many: time to ready over what circuits, boots and fades alone take.

    python -m tests.bench.scale

The floor is the plan: gaps, boots and fades of the profile, with a gear that answers when it says
it does. Gear, bridge and whoever asks are processes of their own, as they are in a studio; on two
cores the simulated gear of a thousand devices still costs the bridge some of its time.

First one set with more and more devices on one bridge, then more and more sets of ten devices on
one bridge, all asked at once.
"""

from __future__ import annotations

import asyncio
import multiprocessing
import resource
import statistics
import tempfile
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace
from multiprocessing.queues import Queue
from pathlib import Path

from studiobridge.bridge.asking import Asker
from studiobridge.bridge.daemon import SetRunner
from studiobridge.bridge.settings import Settings
from studiobridge.control.plan import plan
from studiobridge.profile.model import SetProfile
from studiobridge.rehearsal.live import LiveRoom
from tests.bench.__main__ import settings_for
from tests.bench.sets import a_set
from tests.brokers import Mosquitto

SIZES = ((10, 1), (100, 10), (500, 50))
SETS = (1, 5, 20)
TURNS = 3


def bench_set(lights: int, circuits: int, number: int) -> SetProfile:
    """Set `number`: topics and name of its own."""
    made = a_set(lights, circuits)
    devices = {
        name: replace(d, at=d.at.replace("gear/", f"gear-{number}/", 1))
        for name, d in made.devices.items()
    }
    return replace(made, name=f"bench-{number}", devices=devices)


def be_the_gear(
    lights: int, circuits: int, sets: int, port: int, ready: Queue[float], end: Queue[int]
) -> None:
    rooms = [
        LiveRoom(bench_set(lights, circuits, i), "127.0.0.1", port, seed=i) for i in range(sets)
    ]
    for room in rooms:
        room.start()
    time.sleep(2.0 + lights * sets / 100)
    ready.put(time.process_time())
    end.get()
    for room in rooms:
        room.stop()
    ready.put(time.process_time())


def ask_up(settings: Settings, sets: int, took: Queue[list[float]]) -> None:
    async def one(number: int) -> float:
        async with Asker(settings, f"bench-{number}") as asker:
            await asker.need_bridge()
            began = time.perf_counter()
            async for answer in asker.ask("up"):
                last = answer
            assert last.code == 0, last.text
            return time.perf_counter() - began

    async def all_at_once() -> list[float]:
        return list(await asyncio.gather(*(one(number) for number in range(sets))))

    took.put(asyncio.run(all_at_once()))


@contextmanager
def gear(lights: int, circuits: int, sets: int, port: int) -> Iterator[None]:
    spawn = multiprocessing.get_context("spawn")
    ready: Queue[float] = spawn.Queue()
    end: Queue[int] = spawn.Queue()
    process = spawn.Process(target=be_the_gear, args=(lights, circuits, sets, port, ready, end))
    process.start()
    ready.get()
    try:
        yield
    finally:
        end.put(0)
        ready.get()
        process.join()


async def run_up(sets: int, lights: int, circuits: int, broker: Mosquitto, folder: Path) -> float:
    """Seconds until the last of the sets is ready."""
    spawn = multiprocessing.get_context("spawn")
    took: Queue[list[float]] = spawn.Queue()
    settings = settings_for(broker, folder / "data")
    runners = [
        SetRunner(Path("b.yaml"), bench_set(lights, circuits, i), settings, say=lambda text: None)
        for i in range(sets)
    ]
    tasks = [asyncio.create_task(runner.run()) for runner in runners]
    for runner in runners:
        await runner.ready.wait()
    while any(runner.core.controller.state == "unheard" for runner in runners):
        await asyncio.sleep(0.05)
    asking = spawn.Process(target=ask_up, args=(settings, sets, took))
    asking.start()
    seconds = await asyncio.to_thread(took.get)
    asking.join()
    for runner in runners:
        runner.stop()
    await asyncio.gather(*tasks)
    return max(seconds)


def row(what: str, sets: int, lights: int, circuits: int) -> None:
    floor = plan(bench_set(lights, circuits, 0), "up").ready_in
    seconds, cpu = [], []
    for _ in range(TURNS):
        with (
            tempfile.TemporaryDirectory() as name,
            Mosquitto(Path(name)) as broker,
            gear(lights, circuits, sets, broker.port),
        ):
            before = time.process_time()
            seconds.append(asyncio.run(run_up(sets, lights, circuits, broker, Path(name))))
            cpu.append(time.process_time() - before)
    took = statistics.median(seconds)
    memory = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    print(
        f"{what:<16} {floor:>8.2f} {took:>8.2f} {took / floor:>7.3f}  {min(seconds):>6.2f}"
        f"–{max(seconds):<6.2f} {statistics.median(cpu):>6.2f} {memory:>7.0f}",
        flush=True,
    )


def main() -> None:
    print("what              floor s   ours s   ratio       range  CPU s      MB")
    for lights, circuits in SIZES:
        row(f"{2 * lights} devices", 1, lights, circuits)
    for sets in SETS:
        row(f"{sets} sets of 10", sets, 5, 1)


if __name__ == "__main__":
    main()
