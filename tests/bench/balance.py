"""What it takes to solve a look of twelve lights backwards, over reckoning it forward once.

python -m tests.bench.balance
"""

from __future__ import annotations

import time
from dataclasses import replace

from studiobridge.craft.grid import Grid
from studiobridge.figures.balance import balance
from studiobridge.figures.light import light_of
from studiobridge.profile.model import Look, Place, Preset, SetProfile, Wants
from tests.figures.sets import CAMERA, FILL, KEY, PLUG, small

GOAL = 0.050
WANTS = Wants(aperture=2.8, ratio=2.0, backdrop=-0.5, rim=0.5, white=3600.0)


def twelve() -> SetProfile:
    """Two keys, two fills, three rims, three washes, one without a role, and a cloth that glows."""
    cloth = replace(
        KEY,
        name="cloth",
        kind="backdrop",
        role=None,
        output=None,
        beam=None,
        place=Place(0.1, 0.0, 1.5),
        size=(2.6, 2.2),
        glow=60.0,
        reflects=0.3,
    )
    lights = [
        KEY,
        replace(KEY, name="key-2", place=Place(4.5, -3.2, 2.0, "mark")),
        FILL,
        replace(FILL, name="fill-2", place=Place(3.5, 3.8, 1.2, "mark")),
        replace(FILL, name="top", role=None, place=Place(2.0, 0.0, 2.9, "mark")),
    ]
    for n, across in enumerate((-1.5, 0.2, 1.6)):
        lights.append(
            replace(KEY, name=f"rim-{n}", role="rim", place=Place(0.3, across, 2.4, "mark"))
        )
        wash = Place(0.9, across, 2.0, "cloth")
        lights.append(replace(KEY, name=f"wash-{n}", role="wash", place=wash))
    lights.append(cloth)
    presets = {d.name: Preset(20.0 + 3 * n, 4000.0) for n, d in enumerate(lights)}
    made = small(PLUG, *lights, CAMERA, presets=presets)
    return replace(made, looks={"day": Look("day", presets)})


def seconds(times: int = 15) -> tuple[float, float]:
    """The quickest of several: backwards, and forward."""
    profile = twelve()
    steps = {name: Grid(0, 100, 100 / 255, "percent") for name in profile.looks["day"].presets}
    back, forth = [], []
    for _ in range(times):
        began = time.process_time()
        balance(profile, "day", WANTS, steps, {})
        then = time.process_time()
        light_of(profile, "day", profile.looks["day"].presets)
        back.append(then - began)
        forth.append(time.process_time() - then)
    return min(back), min(forth)


def balance_row() -> tuple[str, str, str]:
    back, forth = seconds()
    return (
        "12 lights solved backwards over reckoned forward",
        f"{back / forth:.2f}",
        f"{back * 1000:.1f} ms over {forth * 1000:.1f} ms (goal {GOAL * 1000:.0f} ms)",
    )


if __name__ == "__main__":
    print("  ".join(balance_row()))
