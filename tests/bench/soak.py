"""A soak: bridge, page and real Mosquitto for as long as told; memory, handles and CPU as they go.

    python -m tests.bench.soak --minutes 60

Somebody touches lights, asks for looks, restores, locks out, all the time; an open page listens.
"""

from __future__ import annotations

import argparse
import contextlib
import os
import random
import sqlite3
import tempfile
import threading
import time
from pathlib import Path

import httpx

from tests.bench.page import cpu_seconds, paired
from tests.panel.studio import Studio, studio, until


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


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--minutes", type=float, default=60.0)
    asked = parser.parse_args()
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
