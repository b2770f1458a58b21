"""Sets to hold against the witness: the examples that have places, and random ones from a seed."""

from __future__ import annotations

import math
import random
from fractions import Fraction
from pathlib import Path

from studiobridge.profile.build import read_profile
from studiobridge.profile.model import (
    Device,
    Look,
    Output,
    Picture,
    Place,
    Preset,
    Room,
    SetProfile,
)
from tests.figures.sets import small
from tests.outside.rendered.scenes import with_sizes

CONFIG = Path(__file__).resolve().parents[3] / "config"


def examples() -> dict[str, SetProfile]:
    """Every example set in which a lit fixture has a place; each light with a size."""
    found = {}
    for path in sorted(CONFIG.glob("*.yaml")):
        if path.name.startswith("settings"):
            continue
        profile = read_profile(path).profile
        if profile is None:
            raise AssertionError(f"{path.name} cannot be read")
        lit = [d for d in profile.devices.values() if d.kind == "light" and d.place and d.output]
        if lit and profile.room.mark is not None:
            found[profile.name] = with_sizes(profile)
    return found


def random_set(seed: int) -> SetProfile:
    """A small room with panels around the subject, a lit cloth behind it, washes and a rim."""
    dice = random.Random(seed)
    wide, deep, high = dice.uniform(2.6, 5), dice.uniform(3.2, 6), dice.uniform(2.3, 3)
    gap = dice.uniform(0.5, 1.4)
    hung = Place(dice.uniform(0.05, 0.3), dice.uniform(-0.2, 0.2), dice.uniform(1.1, 1.4))
    mark = Place(hung.from_back + gap, dice.uniform(-0.3, 0.3), dice.uniform(1.1, 1.6))
    cloth = Device(
        "cloth",
        "backdrop",
        place=hung,
        size=(dice.uniform(1.6, 2.4), dice.uniform(1.5, 2.1)),
        glow=dice.choice([None, dice.uniform(10, 80)]),
        reflects=dice.uniform(0.1, 0.6),
    )
    camera = Device(
        "camera",
        "camera",
        place=Place(
            min(deep - 0.1, mark.from_back + dice.uniform(1.2, 2.5)),
            mark.across + dice.uniform(-0.5, 0.5),
            mark.height + dice.uniform(-0.2, 0.4),
            "mark",
        ),
    )
    level = dice.uniform(20, 100)
    devices = [cloth, camera]
    presets = {"cloth": Preset(level, 4300.0)} if cloth.glow is not None else {}

    def light(name: str, place: Place, lux: float, role: str, size: tuple[float, float]) -> None:
        devices.append(
            Device(
                name,
                "light",
                role=role,  # type: ignore[arg-type]
                place=place,
                output=Output(lux, dice.choice([1.0, 1.0, 0.5, 2.0])),
                beam=dice.choice([120.0, dice.uniform(50, 120), dice.uniform(100, 130)]),
                size=size,
            )
        )
        presets[name] = Preset(dice.uniform(15, 100), dice.choice([3200.0, 4300.0, 5600.0]))

    for name, side in (("key", -1), ("fill", 1), ("third", -1))[: dice.randint(2, 3)]:
        away, turn = dice.uniform(0.4, 2.0), side * math.radians(dice.uniform(15, 75))
        across = mark.across + away * math.sin(turn)
        place = Place(
            min(deep - 0.05, mark.from_back + away * math.cos(turn)),
            max(-wide / 2 + 0.05, min(wide / 2 - 0.05, across)),
            min(high - 0.05, mark.height + dice.uniform(-0.1, 0.7)),
            "mark",
        )
        size = (dice.uniform(0.2, 1.0), dice.uniform(0.15, 0.8))
        role = name if name != "third" else "wash"
        light(name, place, dice.uniform(300, 2500), role, size)
    for name, side in (("wash-left", -1), ("wash-right", 1)):
        if dice.random() < 0.7:
            across = hung.across + side * dice.uniform(0.7, 1.2)
            place = Place(
                hung.from_back + dice.uniform(0.4, 1.0),
                max(-wide / 2 + 0.05, min(wide / 2 - 0.05, across)),
                hung.height + dice.uniform(-0.5, 0.7),
                "cloth",
            )
            light(name, place, dice.uniform(100, 600), "wash", (dice.uniform(0.1, 0.3), 0.1))
    rim = Place(
        mark.from_back - dice.uniform(0.1, min(0.6, gap - 0.1)),
        mark.across + dice.uniform(0.5, 1.0),
        min(high - 0.05, mark.height + dice.uniform(0.4, 0.8)),
        "mark",
    )
    light("rim", rim, dice.uniform(200, 900), "rim", (0.2, 0.15))
    room = Room(Fraction(deep), wide, high, mark)
    picture = Picture(
        camera="camera",
        focal=dice.choice([20.0, 24.0, 35.0]),
        sensor=dice.choice([(23.5, 15.6), (36.0, 24.0)]),
        shutter=1 / 50,
        iso=400.0,
        aperture=4.0,
        white=4300.0,
    )
    return small(
        *devices,
        presets=presets,
        looks={"day": Look("day", presets)},
        room=room,
        picture=picture,
        name=f"random-{seed}",
    )


def look_of(profile: SetProfile) -> dict[str, Preset]:
    return dict(profile.looks[profile.default_look].presets)
