"""The small rendered set that comes with the project, out of the large pictures.

    python -m tests.outside.witnessed.ship

writes `config/wheel-corner.pictures/`: 288 × 162, the root of linear light in 16 bits of which the
lower six are nothing (they would be the renderer's noise), two poses.
"""

from __future__ import annotations

import json
import math
from pathlib import Path

import cv2
import numpy as np

from tests.outside.witnessed import rooms
from tests.outside.witnessed.scenery import Light

SIZE = (288, 162)
STEPS = 1023
POSES = (0, 1)
ABOUT = """\
The wheel corner (config/wheel-corner.yaml) as its camera sees it, one picture a lamp, each at full.

Rendered by `tests/outside/witnessed/` (rooms.py, scenery.py: what stands where, seeds, textures)
with Mitsuba {version} (https://mitsuba-renderer.org, BSD licence), a path tracer: no photograph, nobody
real in it. {nobody} samples a pixel at 480 × 270 with nobody, {somebody} with somebody, five bounces; made smaller
by `tests/outside/witnessed/ship.py`, which writes this folder anew:

    python -m tests.outside.witnessed.rooms wheel-corner --again
    python -m tests.outside.witnessed.ship

Files are the root of linear light against the `full` that pictures.json gives, 16-bit PNG;
`studiobridge/witness/shipped.py` reads them. Light of 1.0 just does not clip in the look "lesson".
Each was rendered in white; `bgr` is what a lamp's white does to each channel of a camera that is
balanced for 4300 K (black body, sRGB primaries). The walls of the room bounce; the window is shut.
`dark` is black: a shut room. `window` (in `foreign`, with nobody) is no lamp of the set and is never
learned: with its blind open as far as 1.0 it gives the face as much as the look "lesson" does.
"""


def _write(path: Path, light: Light) -> float:
    small = cv2.resize(light, SIZE, interpolation=cv2.INTER_AREA)
    # what is above is a lamp itself, or far clipped
    full = min(float(small.max()), 8.0) or 1.0
    root = np.sqrt(np.clip(small / full, 0.0, 1.0))
    codes = (np.rint(root * STEPS) * (65535 / STEPS)).astype(np.uint16)
    assert cv2.imwrite(str(path), codes, [cv2.IMWRITE_PNG_COMPRESSION, 9])
    return full


def ship(folder: Path) -> int:
    import mitsuba

    seen = rooms.rendered("wheel-corner")
    room = rooms.wheel_corner()
    folder.mkdir(exist_ok=True)
    for old in folder.glob("*.png"):
        old.unlink()
    lamps: dict[str, dict[str, object]] = {}
    for name in seen.lamps:
        ends = seen.whites[name]
        whites = [
            {
                "cct": end if len(ends) > 1 else None,
                "bgr": [round(float(c), 5) for c in rooms.tint(end, seen.balanced)],
            }
            for end in ends
        ]
        lamps[name] = {"whites": whites, "look": seen.look[name]}
        for key, pictures in (
            ("nobody", seen.small),
            *((f"pose-{i}", seen.posed[i]) for i in POSES),
        ):
            file = f"{name}.{key}.png"
            full = _write(folder / file, pictures[name])
            lamps[name][key] = {"file": file, "full": full}
    foreign: dict[str, dict[str, object]] = {}
    for name in seen.foreign:
        file = f"{name}.nobody.png"
        full = _write(folder / file, seen.small[name])
        bgr = [round(float(c), 5) for c in rooms.tint(seen.whites[name][0], seen.balanced)]
        foreign[name] = {"file": file, "full": full, "bgr": bgr}
    full = _write(folder / "dark.png", np.zeros((*SIZE[::-1], 3), np.float32))
    index = {
        "balanced": seen.balanced,
        "size": SIZE,
        "poses": len(POSES),
        "regions": seen.regions,
        "dark": {"file": "dark.png", "full": full},
        "lamps": lamps,
        "foreign": foreign,
    }
    (folder / "pictures.json").write_text(json.dumps(index, indent=1) + "\n", encoding="utf-8")
    nobody, somebody = (16 * p for p in room.passes)
    about = ABOUT.format(version=mitsuba.__version__, nobody=nobody, somebody=somebody)
    (folder / "about.txt").write_text(about, encoding="utf-8")
    return sum(f.stat().st_size for f in folder.iterdir())


if __name__ == "__main__":
    size = ship(rooms.CONFIG / "wheel-corner.pictures")
    print(f"{math.ceil(size / 1000)} kB")
