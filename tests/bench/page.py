"""The page: from a report at the broker to the stream of a page, and what open pages cost."""

from __future__ import annotations

import contextlib
import os
import tempfile
import threading
import time
from pathlib import Path

import httpx
import paho.mqtt.publish as publish

from tests.panel.studio import Studio, studio, until

PAGES = 20
QUIET_FOR = 10.0
TOUCHES = 60


def cpu_seconds(pid: int) -> float:
    """User and system time of a process so far (s), from /proc."""
    fields = Path(f"/proc/{pid}/stat").read_text().rsplit(")", 1)[1].split()
    return (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")


def paired(made: Studio) -> httpx.Client:
    client = httpx.Client(base_url=made.url, timeout=60)
    assert client.post("/pair", data={"secret": made.code(), "name": "bench"}).status_code == 303
    return client


def update_latency(made: Studio, client: httpx.Client) -> list[float]:
    """Seconds from publishing a report of a light to the line of the stream that shows it."""
    token = client.get("/api/session").json()["token"]
    headers = {"X-Studiobridge-Token": token}
    client.post("/api/sets/shelf-corner/ask", json={"what": "up"}, headers=headers)
    state = "/api/sets/shelf-corner/state"
    until(lambda: client.get(state).json().get("state") == "ready", "ready")
    time.sleep(1.5)
    found: list[float] = []
    level = 0
    with client.stream("GET", "/s/shelf-corner/events") as stream:
        lines = stream.iter_lines()
        for i in range(TOUCHES):
            time.sleep(0.23)  # not in step with what is published ten times a second
            level = 54 if level != 54 else 56  # within tolerance: shown, not drift
            began = time.perf_counter()
            # a report of the light, as its far end says it
            publish.single(
                "homie/5/shelf-panel/light/level", str(level), port=made.broker.port, qos=0
            )
            sent = time.perf_counter()
            wanted = f"{level} %"
            for line in lines:
                if line.startswith("data:") and wanted in line:
                    found.append(time.perf_counter() - (began + sent) / 2)
                    break
            if i == 0:
                found.clear()
    return found


def quiet_cost(made: Studio, client: httpx.Client) -> float:
    """Share of one core that the panel takes with PAGES pages open and nothing happening."""
    cookie = {"studiobridge": client.cookies["studiobridge"]}
    ending = threading.Event()

    def listen() -> None:
        with (
            contextlib.suppress(httpx.HTTPError),
            httpx.stream("GET", f"{made.url}/s/shelf-corner/events", cookies=cookie) as stream,
        ):
            for _ in stream.iter_lines():
                if ending.is_set():
                    return

    for _ in range(PAGES):
        threading.Thread(target=listen, daemon=True).start()
    time.sleep(2.0)
    before = cpu_seconds(made.page.pid)
    time.sleep(QUIET_FOR)
    spent = cpu_seconds(made.page.pid) - before
    ending.set()
    return spent / QUIET_FOR


def page_rows(round_trip: float) -> list[tuple[str, str, str]]:
    """Rows for the table; `round_trip` (s) of the broker is the floor."""
    with (
        tempfile.TemporaryDirectory() as folder,
        studio(Path(folder), "one-plug-one-light") as made,
    ):
        until(lambda: httpx.get(f"{made.url}/health").status_code == 200, "the bridge")
        with contextlib.closing(paired(made)) as client:
            times = sorted(update_latency(made, client))
            share = quiet_cost(made, client)
    middle, late = times[len(times) // 2], times[int(len(times) * 0.95)]
    return [
        (
            "report to the page's stream, in broker round trips",
            f"{middle / round_trip:.0f}",
            f"p50 {middle * 1000:.0f} ms, p95 {late * 1000:.0f} ms (goal: p50 under 150 ms)",
        ),
        (
            f"{PAGES} open pages over one core, quiet",
            f"{share:.3f}",
            f"{share:.1%} of a core (goal under 10 %)",
        ),
    ]


if __name__ == "__main__":
    for name, ratio, said in page_rows(0.0004):
        print(f"{name}  {ratio}  {said}")
