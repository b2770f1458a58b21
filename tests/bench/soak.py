"""A soak: bridge, page and real Mosquitto for as long as told; memory, handles and CPU as they go.

    python -m tests.bench.soak --minutes 60
    python -m tests.bench.soak --days 365      # the core and its gear, in virtual time

Somebody touches lights, asks for looks, restores, locks out, all the time; an open page listens.
In virtual time the memory is what Python counts as held by the core alone, after each evening.
"""

from __future__ import annotations

import argparse
import contextlib
import gc
import os
import random
import sqlite3
import sys
import tempfile
import threading
import time
from pathlib import Path
from types import FunctionType, ModuleType

import httpx

from studiobridge.rehearsal import Trouble
from tests.bench.page import cpu_seconds, paired
from tests.panel.studio import Studio, studio, until
from tests.simulate.evening import Evening
from tests.simulate.test_evenings import example


def megabytes(pid: int) -> float:
    """Resident memory of a process (MB)."""
    pages = int(Path(f"/proc/{pid}/statm").read_text().split()[1])
    return pages * os.sysconf("SC_PAGE_SIZE") / 1e6


def handles(pid: int) -> int:
    return len(list(Path(f"/proc/{pid}/fd").iterdir()))


def notes_in(record: Path) -> int:
    with contextlib.closing(sqlite3.connect(f"file:{record}?mode=ro", uri=True)) as database:
        return sum(
            int(database.execute(f"SELECT count(*) FROM {name}").fetchone()[0])
            for name in ("requests", "steps", "drifts", "states", "runs")
        )


def busy(made: Studio, client: httpx.Client, ending: threading.Event) -> None:
    """A person who cannot leave the set alone."""
    dice = random.Random(1)
    headers = {"X-Studiobridge-Token": client.get("/api/session").json()["token"]}
    path = f"/api/sets/{made.profile.name}/ask"
    while not ending.is_set():
        wish = dice.choice(
            [
                {"what": "up", "look": "lesson"},
                {"what": "up", "look": "glaze"},
                {"what": "restore"},
                {"what": "set_by_hand"},
                {"what": "lockout", "targets": ["fill"], "why": "soak"},
                {"what": "release", "targets": ["fill"]},
                None,
                None,
            ]
        )
        with contextlib.suppress(httpx.HTTPError):
            if wish is None:
                made.room.touch(dice.choice(["key", "fill"]), level=float(dice.randint(20, 95)))
            else:
                client.post(path, json=wish, headers=headers)
        ending.wait(dice.uniform(1.0, 4.0))


def held_by(thing: object) -> int:
    """Bytes of everything that can be reached from here, code left out."""
    seen: set[int] = set()
    total, found = 0, [thing]
    while found:
        one = found.pop()
        if id(one) not in seen and not isinstance(one, (type, ModuleType, FunctionType)):
            seen.add(id(one))
            total += sys.getsizeof(one)
            found.extend(gc.get_referents(one))
    return total


def days_of(days: int) -> None:
    """An evening a day on the wheel corner, the bridge never restarted."""
    profile = example("wheel-corner")
    evening = Evening(profile, 1, Trouble(jitter=0.05, duplicate=0.02), calm=False)
    dice = random.Random("a year of evenings")
    evening.gear(evening.room.begin(0.0))
    evening.run(0.5)
    evening.start_bridge()
    evening.run(10.0)
    print(f"{'day':>5} {'events':>9} {'core kB':>8} {'breaches':>9}")
    began = time.monotonic()
    for day in range(1, days + 1):
        evening.outcome.events = 0
        evening.ask("up", look=dice.choice(["day", "dusk"]))
        evening.run(300.0)
        for _ in range(dice.randint(3, 12)):
            name = dice.choice([n for n, d in profile.devices.items() if d.fixture])
            evening.gear(evening.room.touch(name, evening.now, level=dice.uniform(0, 100)))
            evening.run(dice.uniform(5.0, 600.0))
            evening.ask(dice.choice(["restore", "keep", "set_by_hand"]))
            evening.run(30.0)
        evening.ask("down")
        evening.run(600.0)
        state = evening.core.controller.state
        assert state == "dark", (day, state, evening.core.controller.why)
        # the record is on a disk and the laws are the test's own: neither is what is measured
        evening.notebook.notes.clear()
        evening.room.inrushes.clear()
        evening.room.switched.clear()
        evening.laws.made.clear()
        evening.run(86400.0 - evening.now % 86400.0)
        if day in (1, 2, 5, 10, 20, 50, 100, 200, days):
            size = held_by(evening.core) / 1e3
            breaches = len(evening.laws.breaches)
            print(f"{day:5d} {evening.outcome.events:9d} {size:8.1f} {breaches:9d}", flush=True)
    print(f"{days} days in {time.monotonic() - began:.1f} s, {evening.outcome.told} commands")
    for breach in evening.laws.breaches[:3]:
        print(breach)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--minutes", type=float, default=60.0)
    parser.add_argument("--days", type=int, help="in virtual time instead")
    asked = parser.parse_args()
    if asked.days is not None:
        days_of(asked.days)
        return
    print(f"{'min':>6} {'bridge MB':>10} {'page MB':>8} {'handles':>12} {'CPU %':>12} {'notes':>7}")
    with tempfile.TemporaryDirectory() as folder, studio(Path(folder)) as made:
        until(lambda: httpx.get(f"{made.url}/health").status_code == 200, "the bridge")
        client = paired(made)
        ending = threading.Event()
        threading.Thread(target=busy, args=(made, client, ending), daemon=True).start()
        record = Path(made.env["STUDIOBRIDGE_DATA"]) / f"{made.profile.name}.sqlite"
        pids = made.bridge.pid, made.page.pid
        began = time.monotonic()
        last, spent = began, [cpu_seconds(pid) for pid in pids]
        every = min(60.0, asked.minutes * 60 / 10)
        while time.monotonic() - began < asked.minutes * 60:
            time.sleep(every)
            now, new = time.monotonic(), [cpu_seconds(pid) for pid in pids]
            share = [100 * (b - a) / (now - last) for a, b in zip(spent, new, strict=True)]
            last, spent = now, new
            print(
                f"{(now - began) / 60:6.1f} {megabytes(pids[0]):10.1f} {megabytes(pids[1]):8.1f}"
                f" {handles(pids[0]):5d}/{handles(pids[1]):<6d} {share[0]:5.1f}/{share[1]:<6.1f}"
                f" {notes_in(record):7d}",
                flush=True,
            )
        ending.set()
        made.command("release", "fill")
        done = made.command("down")
        print(f"down: {done.returncode} {done.stdout.strip()}{done.stderr.strip()}")
        print(f"harm done to the gear: {made.room.room.harms or 'none'}")


if __name__ == "__main__":
    main()
