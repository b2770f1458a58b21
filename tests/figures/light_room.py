"""A room whose light is reckoned apart from the house's own figures: for tests of light sensors.

Inverse square, cosine, a beam of half light at its edge, and an even bounced part (integrating
sphere), each written down here once more. The figures a profile has of it are off, as figures are.
"""

from __future__ import annotations

import math
import random
from dataclasses import dataclass, field, replace

from studiobridge.figures.face import Face
from studiobridge.profile.model import Device, Output, Place, Preset, Room, SetProfile
from tests.control.play import profile

V = tuple[float, float, float]


def less(a: V, b: V) -> V:
    return (a[0] - b[0], a[1] - b[1], a[2] - b[2])


def cosine(a: V, b: V) -> float:
    return sum(x * y for x, y in zip(a, b, strict=True)) / (math.hypot(*a) * math.hypot(*b))


@dataclass
class Lamp:
    name: str
    at: V
    aim: V
    lux: float  # what it truly gives at 1 m, lx
    beam: float
    mute: bool
    level: float
    ticked: float


@dataclass
class Truth:
    """The room as it is. Levels of `lamps` may be changed; `daylight` is in lx at the sensor."""

    seed: int
    lamps: dict[str, Lamp] = field(default_factory=dict)
    daylight: float = 0.0

    def __post_init__(self) -> None:
        dice = self.dice = random.Random(self.seed)
        self.wide, self.deep, self.high = dice.uniform(2.5, 5), dice.uniform(3, 6), 2.6
        self.white = dice.uniform(0.25, 0.7)
        self.gain = dice.uniform(0.93, 1.07)
        self.mark: V = (0.0, dice.uniform(0.9, 1.6), 1.25)
        self.sensor: V = (dice.uniform(-0.3, 0.3), self.mark[1], 1.2)
        self.camera: V = (0.0, self.deep - 0.3, 1.4)
        self.daylight = dice.choice([0.0, 0.0, 10 ** dice.uniform(-1, 2)])
        count = dice.randint(2, 6)
        for i in range(count):
            behind = dice.random() < 0.3
            y = dice.uniform(0.1, 0.7) if behind else dice.uniform(self.mark[1] + 0.6, self.deep)
            level = dice.uniform(15, 90)
            self.lamps[f"lamp-{i}"] = Lamp(
                f"lamp-{i}",
                (dice.uniform(-self.wide / 2, self.wide / 2), y, dice.uniform(1.2, 2.4)),
                self.mark,
                10 ** dice.uniform(2.3, 3.5),
                dice.uniform(60, 120),
                dice.random() < 0.5,
                level * dice.uniform(0.95, 1.05),
                level,
            )

    def gives(self, lamp: Lamp) -> float:
        """What one lamp gives the sensor (lx): straight, and by walls and ceiling."""
        share = lamp.level / 100.0
        ray, axis = less(self.sensor, lamp.at), less(lamp.aim, lamp.at)
        away = math.hypot(*ray)
        off = max(0.0, cosine(ray, axis))
        power = math.log(0.5) / math.log(math.cos(math.radians(lamp.beam / 2)))
        straight = lamp.lux / away**2 * off**power
        falls = max(0.0, cosine(less(lamp.at, self.sensor), less(self.camera, self.sensor)))
        # the flux of a cosine-power beam: 2 pi I / (power + 1)
        flux = 2 * math.pi * lamp.lux / (power + 1)
        area = 2 * (self.wide * self.deep + self.high * (self.wide + self.deep))
        bounced = flux * self.white / (area * (1 - self.white))
        return share * (straight * falls + bounced)

    def reads(self, lamps: bool = True) -> float:
        light = sum(self.gives(lamp) for lamp in self.lamps.values()) if lamps else 0.0
        return (light + self.daylight) * self.gain * self.dice.uniform(0.99, 1.01)

    # ---- what a profile has of it ---------------------------------------------------------

    def as_profile(self) -> SetProfile:
        """With makers' figures: each up to a sixth off what it truly gives, aims a little, too."""
        dice = self.dice
        devices = []
        for lamp in self.lamps.values():
            made = Device(
                lamp.name,
                "light",
                place=Place(lamp.at[1], lamp.at[0], lamp.at[2], "mark"),
                output=Output(lamp.lux * dice.uniform(0.85, 1.18), 1.0),
                beam=lamp.beam * dice.uniform(0.9, 1.1),
            )
            devices.append(made)
        devices.append(
            Device(
                "cell",
                "sensor",
                hears=frozenset({"lux"}),
                place=Place(self.sensor[1], self.sensor[0], self.sensor[2], "camera"),
            )
        )
        devices.append(
            Device("camera", "camera", place=Place(self.camera[1], self.camera[0], self.camera[2]))
        )
        made_profile = profile(*devices)
        mark = Place(self.mark[1], self.mark[0], self.mark[2])
        return replace(made_profile, room=Room(mark=mark))

    def face(self) -> Face:
        found = self.as_profile()
        return Face(found, sensor=found.devices["cell"])

    def believed(self) -> dict[str, Preset]:
        """Mute lights as a person ticked them, the others as they report."""
        return {
            n: Preset(lamp.ticked if lamp.mute else lamp.level) for n, lamp in self.lamps.items()
        }
