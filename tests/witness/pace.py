"""How fast the witness looks, and what it takes meanwhile: `python -m tests.witness.pace`.

    python -m tests.witness.pace --lamps 12 --minutes 5

Real processes: Mosquitto, `witness serve`, a camera that writes 960 x 540 JPEGs ten times a second,
and a bridge that is played and says that a hand is on a dial. What comes on `seen` is counted; a
look is as late as it is old when it is heard. Memory and processor time are those of the system
(/proc), of what looks and of what reads frames. The picture is of a made-up room and moves, so
nothing is skipped; the camera's own work is outside of both processes. On a machine that does other
things the pace is that of what it leaves: its load is said beside it.
"""

from __future__ import annotations

import argparse
import os
import tempfile
import threading
import time
from pathlib import Path

import cv2
import numpy as np

from studiobridge.witness import keeping
from tests.brokers import Mosquitto
from tests.panel.studio import Process, until
from tests.witness import little_room
from tests.witness.test_serving import SET, TOPIC, Bridge, children

TICKS = os.sysconf("SC_CLK_TCK")


def more_lamps(count: int) -> None:
    """The room's four lamps, and others beside them."""
    dice = np.random.default_rng(5)
    for n in range(len(little_room.LAMPS), count):
        at = (float(dice.uniform(0.05, 0.95)), float(dice.uniform(0.05, 0.95)))
        little_room.LAMPS[f"lamp-{n}"] = (at, float(dice.uniform(0.12, 0.4)), 0.1, (1.0, 1.0, 1.0))


def profile(folder: Path) -> Path:
    path = folder / "corner.yaml"
    lamps = list(little_room.LAMPS)
    head, _, _ = SET.partition("devices:")
    lines = [f"  {name}: {{kind: light, fed_by: wall, draws: 20 W}}" for name in lamps]
    levels = ", ".join(f"{name}: {{level: 50 %}}" for name in lamps)
    path.write_text(
        head
        + "devices:\n"
        + "\n".join(lines)
        + f"\nlooks:\n  lesson: {{{levels}}}\nwitness: {{frames: file now.jpg, every: 10 s}}\n",
        encoding="utf-8",
    )
    return path


def used(pid: int) -> float:
    fields = Path(f"/proc/{pid}/stat").read_text().rsplit(")", 1)[1].split()
    return (int(fields[11]) + int(fields[12])) / TICKS


def holds(pid: int, what: str = "VmRSS") -> float:
    (line,) = (n for n in Path(f"/proc/{pid}/status").read_text().splitlines() if what in n)
    return int(line.split()[1]) / 1024


def main() -> None:
    parser = argparse.ArgumentParser()
    parser.add_argument("--lamps", type=int, default=12)
    parser.add_argument("--minutes", type=float, default=1.0)
    asked = parser.parse_args()
    more_lamps(asked.lamps)
    folder = Path(tempfile.mkdtemp(prefix="witness-pace-"))
    path = profile(folder)
    room = little_room.LittleRoom()
    keeping.save(room.learned, keeping.folder_of(path))
    light = room.light(dict.fromkeys(room.shares, 0.5))
    # made before, so that the camera takes next to nothing of the machine
    reel = [cv2.imencode(".jpg", room.frame(light))[1].tobytes() for _ in range(24)]
    over = threading.Event()

    def camera() -> None:
        n = 0
        while not over.wait(0.1):
            new = folder / "now.new"
            # a comment of its own in each: a camera never gives the same bytes again
            mark = b"\xff\xfe\x00\x0a%08d" % n
            picture = reel[n % len(reel)]
            new.write_bytes(picture[:2] + mark + picture[2:])
            new.replace(folder / "now.jpg")
            n += 1

    threading.Thread(target=camera, daemon=True).start()
    with Mosquitto(folder) as broker:
        env = {k: v for k, v in os.environ.items() if not k.startswith("STUDIOBRIDGE")} | {
            "STUDIOBRIDGE_BROKER": broker.url,
            "STUDIOBRIDGE_DATA": str(folder / "data"),
            "OPENBLAS_NUM_THREADS": "1",
        }
        bridge = Bridge(broker.port)
        bridge.say("devices/rim", {"name": "rim", "turning_by": "somebody"})
        bridge.stands("ready")
        process = Process(env, "witness", "serve", path).start()
        try:
            until(lambda: bridge.count("seen") > 10, "something seen", 90)
            (reader,) = children(process.pid)
            first = holds(process.pid), holds(reader)
            began, before = time.monotonic(), used(process.pid) + used(reader)
            count = len(bridge.heard)
            end = began + 60 * asked.minutes
            while time.monotonic() < end:
                time.sleep(min(30.0, max(0.0, end - time.monotonic())))
                print(
                    f"{time.monotonic() - began:5.0f} s: {holds(process.pid):.0f} + "
                    f"{holds(reader):.0f} MB, load {os.getloadavg()[0]:.1f}",
                    flush=True,
                )
            lasted = time.monotonic() - began
            looks = [(at, s) for at, topic, s in bridge.heard[count:] if topic == "seen"]
            gaps = np.diff([at for at, _ in looks])
            ages = [said["age"] for _, said in looks]
            share = (used(process.pid) + used(reader) - before) / lasted
            print(
                f"{asked.lamps} lamps: {len(looks) / lasted:.2f} looks a second ({TOPIC}), gap p95"
                f" {np.percentile(gaps, 95):.2f} s, longest {gaps.max():.2f} s, age p95"
                f" {np.percentile(ages, 95):.2f} s; {100 * share:.0f} % of a core,"
                f" {1000 * share * lasted / max(1, len(looks)):.0f} ms a look; memory"
                f" {first[0]:.0f} + {first[1]:.0f} -> {holds(process.pid):.0f} +"
                f" {holds(reader):.0f} MB (most {holds(process.pid, 'VmHWM'):.0f} +"
                f" {holds(reader, 'VmHWM'):.0f})"
            )
        finally:
            process.stop()
            over.set()
            bridge.stop()


if __name__ == "__main__":
    main()
