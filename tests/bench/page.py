"""The page: from a report at the broker to the stream of a page, and what open pages cost.

`python -m tests.bench.page` prints this part alone, with the load of the machine beside it: what
else runs takes from these figures more than a fault of ours would.
"""

from __future__ import annotations

import contextlib
import os
import tempfile
import threading
import time
from pathlib import Path

import httpx
import paho.mqtt.publish as publish

from tests.panel.browser import CHROMIUM, PHONE, browser, come_in
from tests.panel.studio import Studio, studio, until

PAGES = 50
QUIET_FOR = 10.0
TOUCHES = 60
PRESSES = 40
VIEWS = ("", "/stand", "/mark", "/takes", "/before", "/after", "/plain")


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


# From the press itself to the frame that shows it (ms): the event's own time, and the frame after it.
PRESSED = """() => { window.took = []; const big = document.querySelector('#big');
  addEventListener('pointerdown', (event) => { const began = event.timeStamp;
    requestAnimationFrame(() => setTimeout(() => { if (big.matches('.pressed')) took.push(performance.now() - began) }, 0)) }) }"""
# What a page has been sent (bytes, with headers) when it is drawn for the first time, or a moment later: its files
# are all asked for at its head. The stream's first word is not in it where the page waits for that to be drawn.
BYTES = """() => performance.getEntriesByType('navigation').concat(performance.getEntriesByType('resource'))
  .filter((e) => !e.name.includes('/events')).reduce((sum, e) => sum + e.transferSize, 0)"""


def by_browser(made: Studio) -> tuple[list[float], dict[str, int]]:
    """How soon (ms) a touch shows on the switch, and what each view is sent to be drawn (bytes)."""
    sent: dict[str, int] = {}
    with browser() as opened:
        context = opened.new_context(viewport=PHONE)
        page = context.new_page()
        come_in(page, made.url, made.code())
        kept = context.storage_state()
        page.wait_for_selector("#big:not([disabled])")
        page.evaluate(PRESSED)
        box = page.locator("#big").bounding_box()
        assert box is not None
        for _ in range(PRESSES):
            page.mouse.move(box["x"] + 20, box["y"] + 20)
            page.mouse.down()
            page.wait_for_timeout(60)
            # let go elsewhere: a press, and no click
            page.mouse.move(5, 5)
            page.mouse.up()
        took = sorted(page.evaluate("() => took"))
        context.close()
        for view in VIEWS:
            context = opened.new_context(viewport=PHONE, storage_state=kept)
            page = context.new_page()
            with page.expect_event("load"):
                page.goto(f"{made.url}/s/shelf-corner{view}")
            page.wait_for_timeout(300)
            first = 0
            if view != "/plain":
                name = view[1:] or "hand"
                text = page.evaluate(FIRST, f"/s/shelf-corner/events?view={name}")
                first = len(text.encode())
            sent[view[1:] or "hand"] = page.evaluate(BYTES) + first
            context.close()
    return took, sent


# the first word of a stream, as it comes over the line
FIRST = """async (url) => { const reply = await fetch(url); const reader = reply.body.getReader(); let text = '';
  while (!/event: parts[^]*\\n\\n/.test(text)) text += new TextDecoder().decode((await reader.read()).value);
  await reader.cancel(); return text }"""


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
        presses, sent = by_browser(made) if CHROMIUM else ([0.0], {"no chromium": 0})
    middle, late = times[len(times) // 2], times[int(len(times) * 0.95)]
    return [
        (
            "report to the page's stream, in broker round trips",
            f"{middle / round_trip:.0f}",
            f"p50 {middle * 1000:.0f} ms, p95 {late * 1000:.0f} ms (goal: p95 under 60 ms)",
        ),
        (
            f"{PAGES} open pages over one core, quiet",
            f"{share:.3f}",
            f"{share:.1%} of a core (goal under 10 %)",
        ),
        (
            "a touch is seen, over 50 ms, p95",
            f"{presses[int(len(presses) * 0.95)] / 50:.2f}",
            f"p50 {presses[len(presses) // 2]:.0f} ms, p95 {presses[int(len(presses) * 0.95)]:.0f} ms"
            f" of {len(presses)} presses",
        ),
        (
            "what the largest view is sent to be drawn, over 100 kB",
            f"{max(sent.values()) / 100_000:.2f}",
            ", ".join(f"{view} {count / 1000:.0f}" for view, count in sent.items()) + " kB",
        ),
    ]


if __name__ == "__main__":
    print(f"load of the machine before: {os.getloadavg()[0]:.1f}")
    for name, ratio, said in page_rows(0.0004):
        print(f"{name}  {ratio}  {said}")
    print(f"load of the machine after: {os.getloadavg()[0]:.1f}")
