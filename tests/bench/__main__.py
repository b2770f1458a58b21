"""One table, every row a ratio against a floor measured in the same run.

    python -m tests.bench            (about four minutes; needs Mosquitto)

Nothing here is a test: machines differ, ratios differ less.
"""

from __future__ import annotations

import argparse
import asyncio
import json
import os
import signal
import socket
import statistics
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Callable
from pathlib import Path

import paho.mqtt.client as mqtt

from studiobridge.bridge.asking import Asker
from studiobridge.bridge.core import Core
from studiobridge.bridge.daemon import SetRunner
from studiobridge.bridge.link import Link
from studiobridge.bridge.settings import BrokerSettings, Settings
from studiobridge.control.effects import Memory
from studiobridge.control.plan import plan
from studiobridge.profile.model import SetProfile
from studiobridge.rehearsal.live import LiveRoom
from studiobridge.speech.message import Message
from tests.bench.balance import balance_row
from tests.bench.fade import fade_row
from tests.bench.page import page_rows
from tests.bench.process import bridge, cpu_seconds, listener
from tests.bench.sets import a_light_that_cannot_be_asked, a_set
from tests.brokers import Mosquitto

Row = tuple[str, str, str]


def client(port: int, name: str) -> mqtt.Client:
    made = mqtt.Client(mqtt.CallbackAPIVersion.VERSION2, client_id=name, protocol=mqtt.MQTTv5)
    made.on_socket_open = lambda _c, _d, s: s.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
    made.connect("127.0.0.1", port, 30)
    made.loop_start()
    while not made.is_connected():
        time.sleep(0.005)
    return made


# ---- time to ready ------------------------------------------------------------------------------


def floor_time(profile: SetProfile, port: int) -> float:
    """A bare script: the same commands, each as soon as what it waits for was heard."""
    made = client(port, "floor")
    heard: dict[str, threading.Event] = {}

    def event(key: str) -> threading.Event:
        return heard.setdefault(key, threading.Event())

    def on_message(_c: object, _d: object, m: mqtt.MQTTMessage) -> None:
        if m.retain:
            return
        if (m.topic.endswith("/out") and m.payload == b"1") or m.topic.endswith("/alive"):
            event(m.topic).set()
        elif m.topic.endswith("/is"):
            said = json.loads(m.payload)
            if said.get("dim") == 153 and event(m.topic + "/lit").is_set():
                event(m.topic + "/done").set()
            if said.get("lit"):
                event(m.topic + "/lit").set()

    made.on_message = on_message
    made.subscribe("gear/#", 1)
    time.sleep(0.3)
    began = time.perf_counter()

    def light(name: str) -> None:
        base = f"gear/{name}"
        event(f"{base}/alive").wait(30)
        made.publish(f"{base}/do", '{"dim": 3, "over": 0, "warmth": 250, "lit": true}', 1)
        event(f"{base}/is/lit").wait(30)
        made.publish(f"{base}/do", '{"dim": 153, "over": 500, "warmth": 250}', 1)
        event(f"{base}/is/done").wait(30)

    threads = []
    lights = [d.name for d in profile.devices.values() if d.kind == "light"]
    for i, name in enumerate(lights):
        thread = threading.Thread(target=light, args=(name,))
        thread.start()
        threads.append(thread)
        plug = name.replace("light", "plug")
        made.publish(f"gear/{plug}/in", "1", 1)
        event(f"gear/{plug}/out").wait(30)
        if i + 1 < len(lights):
            time.sleep(0.2)
    for thread in threads:
        thread.join()
    took = time.perf_counter() - began
    made.disconnect()
    made.loop_stop()
    return took


async def bridge_time(profile: SetProfile, settings: Settings) -> float:
    runner = SetRunner(Path("bench.yaml"), profile, settings, say=lambda text: None)
    task = asyncio.create_task(runner.run())
    await runner.ready.wait()
    async with Asker(settings, profile.name) as asker:
        await asker.need_bridge()
        while runner.core.controller.state == "unheard":
            await asyncio.sleep(0.05)
        began = time.perf_counter()
        async for answer in asker.ask("up"):
            last = answer
        took = time.perf_counter() - began
        assert last.code == 0, last.text
    runner.stop()
    await task
    return took


def time_to_ready(broker: Mosquitto, folder: Path) -> Row:
    profile = a_set(4)
    ratios, ours, floors = [], [], []
    for i in range(3):
        with LiveRoom(profile, "127.0.0.1", broker.port, seed=i):
            time.sleep(0.5)
            floor = floor_time(profile, broker.port)
        with LiveRoom(profile, "127.0.0.1", broker.port, seed=i):
            time.sleep(0.5)
            mine = asyncio.run(bridge_time(profile, settings_for(broker, folder / f"ready-{i}")))
        ratios.append(mine / floor)
        ours.append(mine)
        floors.append(floor)
    detail = f"{statistics.median(ours):.2f} s over {statistics.median(floors):.2f} s (goal 1.05)"
    return "time to ready over a bare script", f"{statistics.median(ratios):.3f}", detail


def settings_for(broker: Mosquitto, data: Path) -> Settings:
    return Settings(broker=BrokerSettings(host="127.0.0.1", port=broker.port), data=data)


# ---- reports a second -----------------------------------------------------------------------------

FLOOD = """
import sys, time, socket
import paho.mqtt.client as mqtt
port, count = int(sys.argv[1]), int(sys.argv[2])
c = mqtt.Client(mqtt.CallbackAPIVersion.VERSION2, protocol=mqtt.MQTTv5)
c.max_queued_messages_set(0)
c.connect("127.0.0.1", port, 60); c.loop_start()
while not c.is_connected(): time.sleep(0.01)
for i in range(count):
    c.publish("gear/light-0/is", '{"lit": true, "dim": %d, "warmth": 250}' % (150 + i % 3), 0)
while c.want_write(): time.sleep(0.01)
time.sleep(1); c.disconnect(); c.loop_stop()
"""


def flood(port: int, count: int) -> subprocess.Popen[bytes]:
    return subprocess.Popen([sys.executable, "-c", FLOOD, str(port), str(count)])


def rate_of(times: list[float]) -> float:
    # the middle of the flood: not its start and not its tail
    low, high = len(times) // 10, len(times) * 9 // 10
    return (high - low) / (times[high] - times[low])


def empty_rate(port: int, count: int) -> float:
    """paho with a callback that does nothing but look at the clock, as busy as it gets."""
    stopped = threading.Event()
    n = [0]
    marks: list[float] = []

    def on_message(_c: object, _d: object, _m: object) -> None:
        n[0] += 1
        if n[0] % 100 == 0:
            marks.append(time.process_time())

    made = mqtt.Client(mqtt.CallbackAPIVersion.VERSION2, protocol=mqtt.MQTTv5)
    made.on_message = on_message
    made.on_connect = lambda c, *_: c.subscribe("gear/#", 0)
    made.connect("127.0.0.1", port, 60)
    process = flood(port, count)
    while process.poll() is None:
        made.loop(0.05)
    stopped.set()
    made.disconnect()
    return 100 * rate_of(marks)


async def our_rate(port: int, count: int) -> float:
    """Link and core as in the daemon, holding a light: every report is judged."""
    profile = a_set(1)
    core = Core(profile, Memory(state="ready", look="day", session=1), "bench", lambda at: at)
    loop = asyncio.get_running_loop()
    marks: list[float] = []
    n = 0

    def on_message(message: Message) -> None:
        nonlocal n
        n += 1
        core.message(message, loop.time())
        if n % 100 == 0:
            marks.append(time.process_time())

    link = Link(
        BrokerSettings(host="127.0.0.1", port=port),
        "bench-us",
        will=None,
        subscriptions=core.subscriptions,
        on_up=lambda: None,
        on_down=lambda why: None,
        on_message=on_message,
    )
    await link.connect()
    core.link_up(loop.time())
    core.due("listen", loop.time())
    stay = asyncio.create_task(link.stay())
    process = flood(port, count)
    while process.poll() is None:
        await asyncio.sleep(0.05)
    await link.close()
    stay.cancel()
    return 100 * rate_of(marks)


def reports_a_second(broker: Mosquitto) -> Row:
    ratios, ours, floors = [], [], []
    for _ in range(3):
        floor = empty_rate(broker.port, 30_000)
        mine = asyncio.run(our_rate(broker.port, 30_000))
        ratios.append(mine / floor)
        ours.append(mine)
        floors.append(floor)
    detail = f"{statistics.median(ours):,.0f}/s over {statistics.median(floors):,.0f}/s of CPU time (goal 0.4)"
    return "reports handled over paho's empty callback", f"{statistics.median(ratios):.2f}", detail


# ---- latencies ------------------------------------------------------------------------------------


def quantiles(values: list[float]) -> tuple[float, float]:
    ordered = sorted(values)
    return ordered[len(ordered) // 2], ordered[min(len(ordered) - 1, len(ordered) * 99 // 100)]


def round_trip(port: int, count: int = 200, pause: float = 0.0) -> float:
    """A message to oneself (s), median; with `pause` (s) between as cold as what is seldom done."""
    made = client(port, "trip")
    got = threading.Event()
    made.on_message = lambda *_: got.set()
    made.subscribe("trip", 1)
    time.sleep(0.2)
    took = []
    for _ in range(count):
        time.sleep(pause)
        got.clear()
        began = time.perf_counter()
        made.publish("trip", b"x", 1)
        got.wait(2)
        took.append(time.perf_counter() - began)
    made.disconnect()
    made.loop_stop()
    return statistics.median(took)


def flush_time(folder: Path, count: int = 60) -> float:
    """What the disk takes to have a page for good (s), median: no note is on it sooner."""
    took = []
    with (folder / "flushed").open("wb", buffering=0) as file:
        for _ in range(count):
            time.sleep(0.02)
            began = time.perf_counter()
            file.write(bytes(4096))
            os.fdatasync(file.fileno())
            took.append(time.perf_counter() - began)
    return statistics.median(took)


async def latencies(
    profile: SetProfile, settings: Settings, port: int
) -> tuple[list[float], list[float]]:
    witness = client(port, "witness")
    seen: asyncio.Queue[float] = asyncio.Queue()
    loop = asyncio.get_running_loop()
    watching = ["command"]

    def on_message(_c: object, _d: object, m: mqtt.MQTTMessage) -> None:
        now = time.perf_counter()
        if watching[0] == "command" and m.topic.endswith("/do"):
            loop.call_soon_threadsafe(seen.put_nowait, now)
        if (
            watching[0] == "drift"
            and m.topic.endswith("/drift")
            and m.payload != b"[]"
            and not m.retain
        ):
            loop.call_soon_threadsafe(seen.put_nowait, now)

    witness.on_message = on_message
    witness.subscribe([("gear/+/do", 1), ("studiobridge/bench/drift", 1)])
    requests, drifts = [], []
    async with Asker(settings, profile.name) as asker:
        await asker.need_bridge()
        async for answer in asker.ask("up"):
            last = answer
        assert last.code == 0, last.text
        for i in range(40):
            await asyncio.sleep(0.4)
            while not seen.empty():
                seen.get_nowait()
            began = time.perf_counter()
            async for answer in asker.ask("up", look=("dusk", "day")[i % 2]):
                last = answer
            assert last.code == 0, last.text
            requests.append(await seen.get() - began)
        watching[0] = "drift"
        settle = profile.devices["light-0"].tolerance.settle
        # more than a hundred, or the 99th of them is merely the worst
        for _ in range(110):
            await asyncio.sleep(0.45)
            while not seen.empty():
                seen.get_nowait()
            began = time.perf_counter()
            witness.publish("gear/light-0/is", b'{"lit": true, "dim": 250, "warmth": 250}', 1)
            drifts.append(await seen.get() - began - settle)
            witness.publish("gear/light-0/is", b'{"lit": true, "dim": 153, "warmth": 250}', 1)
    witness.disconnect()
    witness.loop_stop()
    return requests, drifts


def latency_rows(broker: Mosquitto, folder: Path) -> list[Row]:
    trip, seldom = round_trip(broker.port), round_trip(broker.port, 30, pause=0.45)
    flush = flush_time(folder)
    profile = a_light_that_cannot_be_asked()
    settings = settings_for(broker, folder / "latency")
    with LiveRoom(profile, "127.0.0.1", broker.port):
        time.sleep(0.5)
        with bridge(broker.port, settings.data, "latency"):
            requests, drifts = asyncio.run(latencies(profile, settings, broker.port))
    rows = []
    for name, values, goal in (
        (
            "request to first command",
            requests,
            f"goal p50 8 ms with its note on disk; a bare flush of it is {flush * 1000:.2f} ms",
        ),
        (
            "report to announced drift, beyond settling",
            drifts,
            f"goal p99 10 of them; as seldom as this, one is {seldom * 1000:.2f} ms",
        ),
    ):
        p50, p99 = quantiles(values)
        detail = f"p50 {p50 * 1000:.2f} ms, p99 {p99 * 1000:.2f} ms; a round trip is {trip * 1000:.2f} ms"
        detail += f" ({goal})"
        rows.append((name + ", in round trips", f"{p50 / trip:.1f} / {p99 / trip:.1f}", detail))
    return rows


# ---- at rest, and stopped -------------------------------------------------------------------------

REST = 20.0  # s
FROZEN_AT_MOST = 40.0  # s; a client that is gone without a word is noticed well before


def idle_row(broker: Mosquitto, folder: Path) -> Row:
    """A set of 20 that is ready and left alone: what its bridge takes of a core."""
    settings = settings_for(broker, folder / "rest")
    with (
        LiveRoom(a_set(10, boots_in=0.3), "127.0.0.1", broker.port),
        bridge(broker.port, settings.data, "twenty") as process,
        listener(broker.port) as floor,
    ):
        asyncio.run(brought_up(settings))
        time.sleep(3.0)  # what was said last has been shown
        before = [cpu_seconds(p.pid) for p in (process, floor)]
        time.sleep(REST)
        ours, nothing = (
            cpu_seconds(p.pid) - b for p, b in zip((process, floor), before, strict=True)
        )
    took = 100.0 * ours / REST
    # the kernel counts in hundredths of a second: the floor is at least one of them
    ratio = ours / max(nothing, 0.01)
    detail = f"{took:.2f} % of a core over {100.0 * nothing / REST:.2f} % (goal 0.5 %)"
    return "at rest, a set of 20 over a client that listens", f"{ratio:.1f}", detail


async def brought_up(settings: Settings) -> None:
    async with Asker(settings, "bench") as asker:
        await asker.need_bridge()
        async for answer in asker.ask("up"):
            last = answer
        assert last.code == 0, last.text


def frozen_row(broker: Mosquitto, folder: Path) -> Row:
    """A bridge that is stopped: how long a visitor goes on calling it alive, over the goal."""
    settings = settings_for(broker, folder / "frozen")

    async def shown_frozen(pid: int) -> float | None:
        async with Asker(settings, "bench") as asker:
            await asker.need_bridge()
            process_stops_at = time.perf_counter()
            os.kill(pid, signal.SIGSTOP)
            while asker.shown.bridge_alive:
                took = time.perf_counter() - process_stops_at
                if took > FROZEN_AT_MOST:
                    return None
                await asyncio.sleep(0.02)
            return time.perf_counter() - process_stops_at

    with bridge(broker.port, settings.data, "latency") as process:
        took = asyncio.run(shown_frozen(process.pid))
    if took is None:
        return "a frozen bridge is shown, over 2 s", "never", f"not within {FROZEN_AT_MOST:.0f} s"
    return "a frozen bridge is shown, over 2 s", f"{took / 2.0:.2f}", f"{took:.2f} s (goal 2 s)"


# ---- memory, plans, help ----------------------------------------------------------------------------

MEMORY = """
import sys
from tests.bench.sets import a_set
from studiobridge.bridge.core import Core
import studiobridge.bridge.daemon, studiobridge.bridge.record
count = int(sys.argv[1])
if count:
    core = Core(a_set(count // 2, circuits=max(1, count // 40)), None, "m", lambda at: at)
    core.link_up(0.0); core.due("listen", 5.0)
# not ru_maxrss: that begins with what the process that started this one had
lines = open('/proc/self/status').read().splitlines()
print(next(int(line.split()[1]) for line in lines if line.startswith('VmHWM')) / 1024)
"""


def memory_row() -> Row:
    used = [
        float(
            subprocess.run(
                [sys.executable, "-c", MEMORY, str(n)], capture_output=True, text=True, check=True
            ).stdout
        )
        for n in (0, 12, 1000)
    ]
    detail = f"{used[1]:.0f} MB with 12 devices, {used[2]:.0f} MB with 1,000; the imports alone {used[0]:.0f} MB"
    return "memory of 1,000 devices over 12", f"{used[2] / used[1]:.2f}", detail


def best(call: Callable[[], object], times: int = 3) -> float:
    took = []
    for _ in range(times):
        began = time.perf_counter()
        call()
        took.append(time.perf_counter() - began)
    return min(took)


def plan_row() -> Row:
    per = []
    text = []
    for count in (10, 100, 1000, 10_000):
        profile = a_set(count // 2, circuits=max(1, count // 50))
        took = best(lambda made=profile: plan(made, "up"), 1 if count == 10_000 else 3)  # type: ignore[misc]
        per.append(took / count)
        text.append(f"{count}: {took * 1000:.1f} ms")
    return "plan, time a device at 10,000 over 100", f"{per[3] / per[1]:.2f}", ", ".join(text)


FLOOR = "import paho.mqtt.client, typer; print(1)"
OURS = "from studiobridge.cli import main; main()"


def first_letter(*command: str, env: dict[str, str] | None = None) -> float:
    """From Enter to the first letter (s) of a program in a process of its own."""
    began = time.perf_counter()
    with subprocess.Popen([sys.executable, "-c", *command], env=env, stdout=subprocess.PIPE) as one:
        assert one.stdout is not None
        assert one.stdout.read(1)
        took = time.perf_counter() - began
        one.stdout.read()
    assert one.returncode == 0
    return took


def start_rows() -> list[Row]:
    """What a command takes from Enter to its end, over importing the libraries every one has."""
    corner = str(Path(__file__).parents[2] / "config" / "wheel-corner.yaml")
    programs = {
        "": (FLOOR,),
        "--help": (OURS, "--help"),
        "check": (OURS, "check", corner),
        "light": (OURS, "light", corner),
    }
    took: dict[str, list[float]] = {name: [] for name in programs}
    for _ in range(15):  # in turn, and the quickest counts: whatever else runs only slows it
        for name, program in programs.items():
            began = time.perf_counter()
            subprocess.run([sys.executable, "-c", *program], capture_output=True, check=True)
            took[name].append(time.perf_counter() - began)
    floor = min(took.pop(""))
    return [
        (
            f"{name} over importing paho, typer",
            f"{min(times) / floor:.2f}",
            f"{min(times) * 1000:.0f} ms over {floor * 1000:.0f} ms (goal 2.5)",
        )
        for name, times in took.items()
    ]


def status_row(broker: Mosquitto, folder: Path) -> Row:
    """From Enter to the first letter, over what importing its libraries alone takes."""
    profile = Path(__file__).parents[2] / "config" / "wheel-corner.yaml"
    env = {
        **{k: v for k, v in os.environ.items() if not k.startswith("STUDIOBRIDGE")},
        "HOME": str(folder),
        "STUDIOBRIDGE_BROKER": broker.url,
        "STUDIOBRIDGE_DATA": str(folder / "status"),
        "STUDIOBRIDGE_SET": "wheel-corner",
    }
    bridge = subprocess.Popen(
        [sys.executable, "-c", OURS, "run", str(profile)],
        env=env,
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
    )
    try:
        time.sleep(4.0)
        pairs = [(first_letter(FLOOR), first_letter(OURS, "status", env=env)) for _ in range(15)]
    finally:
        bridge.terminate()
        bridge.wait(10)
    floor, whole = (min(pair[i] for pair in pairs) for i in (0, 1))
    return (
        "status from Enter to text over importing paho, typer",
        f"{whole / floor:.2f}",
        f"{whole * 1000:.0f} ms over {floor * 1000:.0f} ms (goal 2.5)",
    )


def main() -> None:
    raw = argparse.RawDescriptionHelpFormatter
    argparse.ArgumentParser(
        "python -m tests.bench", None, __doc__, formatter_class=raw
    ).parse_args()
    rows: list[Row] = []

    def add(*more: Row) -> None:
        for row in more:
            rows.append(row)
            print(f"{row[0]:<52} {row[1]:>13}   {row[2]}", flush=True)

    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        with Mosquitto(folder) as broker:
            add(time_to_ready(broker, folder))
            add(reports_a_second(broker))
            add(*latency_rows(broker, folder))
            add(status_row(broker, folder))
            trip = round_trip(broker.port)
            add(idle_row(broker, folder), frozen_row(broker, folder))
    add(*page_rows(trip))
    add(memory_row(), plan_row(), *start_rows(), balance_row(), fade_row())


if __name__ == "__main__":
    main()
