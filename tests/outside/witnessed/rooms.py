"""The rooms, and their pictures: the wheel corner, the seed table, and random ones from a seed.

`rendered(name)` gives one linear picture a lamp and white, rendered when it is not yet there and
kept under `/tmp/witnessed/NAME.npz` (STUDIOBRIDGE_WITNESSED says another folder). Rendered at 480 × 270
or 384 × 216 and enlarged to 960 × 540, which is a linear step too.

    python -m tests.outside.witnessed.rooms [NAME ...] [--again]
"""

from __future__ import annotations

import functools
import math
import os
import sys
import time
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from pathlib import Path

import cv2
import numpy as np
from numpy.typing import NDArray

from studiobridge.profile.build import read_profile
from studiobridge.profile.model import SetProfile
from tests.outside.rendered.scenes import scene_of, the_camera, unit, vector, with_sizes
from tests.outside.witnessed import presenter, scenery
from tests.outside.witnessed.scenery import Lamp, Light, Room, Skin, Thing, View

CONFIG = Path(__file__).resolve().parents[3] / "config"
SIZE = (960, 540)
SMALL = (480, 270)
# All but the wheel corner: a renderer on one busy core has its limits.
GRID = (384, 216)
RANDOM = tuple(f"room-{i}" for i in range(1, 11))
NAMES = ("wheel-corner", "market-stall", *RANDOM)
# Rooms with somebody in many poses; the others have two.
MANY = ("wheel-corner", "market-stall", "room-1", "room-2", "room-3")
WINDOW = 7000.0  # K: an overcast sky


def folder() -> Path:
    return Path(os.environ.get("STUDIOBRIDGE_WITNESSED", "/tmp/witnessed"))


# ---- colour of a white -------------------------------------------------------------------------


def white_rgb(cct: float) -> NDArray[np.float64]:
    """Linear RGB (sRGB primaries) of a black body, as bright as any other (Y = 1).

    Chromaticity by the cubic of Kim and others 2002 (US patent 7024034), from memory; held against
    CIE values in the tests. Matrix of IEC 61966-2-1.
    """
    t = 1000.0 / cct
    if cct <= 4000:
        x = -0.2661239 * t**3 - 0.2343589 * t**2 + 0.8776956 * t + 0.179910
    else:
        x = -3.0258469 * t**3 + 2.1070379 * t**2 + 0.2226347 * t + 0.240390
    if cct <= 2222:
        y = -1.1063814 * x**3 - 1.34811020 * x**2 + 2.18555832 * x - 0.20219683
    elif cct <= 4000:
        y = -0.9549476 * x**3 - 1.37418593 * x**2 + 2.09137015 * x - 0.16748867
    else:
        y = 3.0817580 * x**3 - 5.87338670 * x**2 + 3.75112997 * x - 0.37001483
    xyz = np.array([x / y, 1.0, (1 - x - y) / y])
    matrix = np.array(
        [
            [3.2404542, -1.5371385, -0.4985314],
            [-0.9692660, 1.8760108, 0.0415560],
            [0.0556434, -0.2040259, 1.0572252],
        ]
    )
    return np.asarray(matrix @ xyz)


TO_XYZ = np.linalg.inv(
    np.array(
        [
            [3.2404542, -1.5371385, -0.4985314],
            [-0.9692660, 1.8760108, 0.0415560],
            [0.0556434, -0.2040259, 1.0572252],
        ]
    )
)


def uv_of(rgb: NDArray[np.float64]) -> NDArray[np.float64]:
    """CIE 1960 u, v."""
    x, y, z = TO_XYZ @ rgb
    return np.array([4 * x, 6 * y]) / (x + 15 * y + 3 * z)


@functools.cache
def _locus() -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    mired = np.linspace(60.0, 500.0, 4401)
    return mired, np.array([uv_of(white_rgb(1e6 / m)) for m in mired])


def cct_of(rgb: NDArray[np.float64]) -> float:
    """Correlated colour temperature: the nearest on the locus in CIE 1960 u, v (CIE 15)."""
    mired, locus = _locus()
    return float(1e6 / mired[np.argmin(((locus - uv_of(rgb)) ** 2).sum(axis=1))])


def tint(cct: float, balanced: float) -> NDArray[np.float32]:
    """What a white does to each channel of a camera balanced for another: BGR."""
    return (white_rgb(cct) / white_rgb(balanced))[::-1].astype(np.float32)


# ---- what was rendered -------------------------------------------------------------------------


def _large(picture: Light) -> Light:
    return np.asarray(cv2.resize(picture, SIZE, interpolation=cv2.INTER_LINEAR), np.float32)


@dataclass
class Rendered:
    """The pictures of one room. 1.0 is what just does not clip at the room's own exposure.

    `shares` has each lamp at full by its whites (None: it has one); `presenters` the same with
    somebody in the room, pose by pose. `look` is each lamp's level (share of full) and white in
    the room's look, `mixed(levels, ...)` the sum, as small as it was rendered (a camera enlarges it).
    """

    name: str
    balanced: float
    whites: Mapping[str, tuple[float, ...]]
    look: Mapping[str, tuple[float, float]]
    regions: Mapping[str, tuple[float, float, float, float]]
    foreign: tuple[str, ...]
    small: Mapping[str, Light]  # lit white, nobody there
    posed: list[Mapping[str, Light]]
    hidden: list[NDArray[np.bool_]]  # by pose: where the person is, 480 × 270
    truth: Mapping[str, float] = field(default_factory=dict)

    @property
    def lamps(self) -> tuple[str, ...]:
        return tuple(n for n in self.small if n not in self.foreign)

    @property
    def dark(self) -> Light:
        """With every lamp off: a shut room, so nothing but the camera's own noise."""
        return np.zeros((SIZE[1], SIZE[0], 3), np.float32)

    def _of(self, small: Mapping[str, Light]) -> dict[str, dict[float | None, Light]]:
        found: dict[str, dict[float | None, Light]] = {}
        for name in self.lamps:
            ends = self.whites[name]
            for cct in ends:
                key = cct if len(ends) > 1 else None
                found.setdefault(name, {})[key] = _large(small[name] * tint(cct, self.balanced))
        return found

    @property
    def shares(self) -> dict[str, dict[float | None, Light]]:
        return self._of(self.small)

    @property
    def presenters(self) -> list[dict[str, dict[float | None, Light]]]:
        return [self._of(posed) for posed in self.posed]

    def tint_of(self, lamp: str, cct: float) -> NDArray[np.float32]:
        """A lamp of two whites mixes its ends so that its light is of that mired on the line."""
        ends = self.whites[lamp]
        if len(ends) == 1:
            return tint(ends[0], self.balanced)
        warm = self.warm_part(lamp, cct)
        ends_tint = tint(ends[0], self.balanced), tint(ends[1], self.balanced)
        return (warm * ends_tint[0] + (1 - warm) * ends_tint[1]).astype(np.float32)

    def warm_part(self, lamp: str, cct: float) -> float:
        """Share of its light that is its warm end's so that the mixture's own white is this: a
        lamp that keeps its word. Found on the locus of `white_rgb`."""
        warm, cold = self.whites[lamp]
        low, high = 0.0, 1.0
        for _ in range(30):
            middle = (low + high) / 2
            mix = middle * white_rgb(warm) + (1 - middle) * white_rgb(cold)
            low, high = (middle, high) if cct_of(mix) > cct else (low, middle)
        return (low + high) / 2

    def mixed(
        self,
        levels: Mapping[str, float],
        ccts: Mapping[str, float] | None = None,
        pose: int | None = None,
    ) -> Light:
        """The picture's light with these lamps on (share of full): what is not named is dark."""
        small = self.small if pose is None else self.posed[pose]
        total = np.zeros(next(iter(small.values())).shape, np.float32)
        for name, level in levels.items():
            if level <= 0:
                continue
            cct = (ccts or {}).get(name, self.look.get(name, (0.0, 4300.0))[1])
            colour = tint(WINDOW, self.balanced) if name in self.foreign else None
            if colour is None:
                colour = self.tint_of(name, cct)
            total += small[name] * (np.float32(level) * colour)
        return total

    def given(self, levels: Mapping[str, float]) -> dict[str, float]:
        """Which part of the picture's light each lamp gives; what is clipped counts as clipped."""
        total = self.mixed(levels)
        scale = np.minimum(1.0, 1.0 / np.maximum(total, 1e-6))
        whole = float((total * scale).mean())
        return {
            n: float((self.mixed({n: levels[n]}) * scale).mean()) / whole
            for n in levels
            if n not in self.foreign
        }


# ---- which rooms -------------------------------------------------------------------------------

UPRIGHT = np.array([0.0, 0.0, 1.0])
OUT = np.array([0.0, 1.0, 0.0])


def _box(view: View, spots: list[tuple[float, float, float]]) -> tuple[float, float, float, float]:
    at = np.array([view.project(np.array(s)) for s in spots])
    low, high = np.clip(at.min(axis=0), 0.01, 0.99), np.clip(at.max(axis=0), 0.01, 0.99)
    return float(low[0]), float(low[1]), float(high[0]), float(high[1])


def _upright(x0: float, x1: float, y: float, z0: float, z1: float) -> list[tuple[float, ...]]:
    return [(x0, y, z0), (x1, y, z0), (x0, y, z1), (x1, y, z1)]


def _painted(seed: int, walls: tuple[float, float, float], floor: Skin) -> dict[str, Skin]:
    wall = Skin(walls, "noise", 0.12, seed, 6)
    return {
        "back": wall,
        "front": replace(wall, seed=seed + 1),
        "left": replace(wall, seed=seed + 2),
        "right": replace(wall, seed=seed + 3),
        "ceiling": Skin((0.75, 0.74, 0.72), "noise", 0.05, seed + 4, 4),
        "floor": floor,
    }


def _of_profile(
    profile: SetProfile, look: str
) -> tuple[list[Lamp], dict[str, tuple[float, float]]]:
    """Lamps by the profile's places, sizes and outputs, each at full, and their levels in a look.

    A matt lamp of luminance L and area A throws L A / d2 on its axis (from far); a beam much
    narrower than a matt one's gets a hood.
    """
    presets = dict(profile.looks[look].presets)
    full = {n: replace(p, level=100.0) for n, p in presets.items()}
    lamps, levels = [], {}
    for panel in scene_of(with_sizes(profile), full).panels:
        area = panel.size[0] * panel.size[1]
        device = profile.devices[panel.name]
        hood = 0.0 if device.beam is None or device.beam > 100 else 0.7 * panel.size[1]
        own = presets[panel.name].cct or 4300.0
        whites = device.cct_range or (own,)
        bright = panel.lux * panel.at**2 / area
        lamps.append(Lamp(panel.name, panel.centre, panel.axis, panel.size, bright, whites, hood))
    for name, device in profile.devices.items():
        if device.kind == "backdrop" and device.place and device.size and device.glow:
            whites = device.cct_range or (4300.0,)
            lamps.append(
                Lamp(name, vector(device.place), OUT, device.size, device.glow, whites, glows=True)
            )
    for lamp in lamps:
        preset = presets[lamp.name]
        level = preset.level or 0.0
        share = profile.devices[lamp.name].dimmer.output(level)
        levels[lamp.name] = (share, preset.cct or 4300.0)
    return lamps, levels


def _window(wide: float, deep: float, side: int, at: float) -> Lamp:
    centre = np.array([side * (wide / 2 - 0.01), at, 1.5])
    return Lamp(
        "window", centre, np.array([-side, 0.0, 0.0]), (0.9, 1.0), 1.0, (WINDOW,), foreign=True
    )


def _card(middle: tuple[float, float, float]) -> Thing:
    grey = Skin((0.18, 0.18, 0.18), "noise", 0.0, 9)
    return Thing("board", np.array(middle), (0.15, 0.11, 0.0), grey, looks=OUT)


def _field(profile: SetProfile) -> View:
    camera = the_camera(profile)
    assert camera is not None and camera.place is not None and profile.room.mark is not None
    picture = profile.picture
    assert picture.sensor is not None and picture.focal is not None
    wide = math.degrees(2 * math.atan(picture.sensor[0] / 2 / picture.focal))
    return View(vector(camera.place), vector(profile.room.mark), wide)


def wheel_corner() -> Room:
    profile = read_profile(CONFIG / "wheel-corner.yaml").profile
    assert profile is not None and profile.room.mark is not None
    lamps, look = _of_profile(profile, "lesson")
    view, face = _field(profile), vector(profile.room.mark)
    size = (2.9, 3.6, 2.5)
    clay = (0.5, 0.28, 0.18)
    board = Skin((0.42, 0.28, 0.16), "planks", 0.5, 21)
    things = [
        Thing("box", np.array([-0.78, 0.36, 1.02]), (0.42, 0.2, 0.03), board),
        Thing("box", np.array([-0.78, 0.36, 1.46]), (0.42, 0.2, 0.03), replace(board, seed=22)),
        Thing(
            "tin", np.array([-0.88, 0.36, 1.12]), (0.12, 0.12, 0.17), Skin(clay, "noise", 0.6, 23)
        ),
        Thing(
            "ball",
            np.array([-0.68, 0.37, 1.11]),
            (0.16, 0.16, 0.15),
            Skin((0.2, 0.3, 0.42), "noise", 0.5, 24),
        ),
        Thing(
            "tin",
            np.array([-0.7, 0.36, 1.56]),
            (0.1, 0.1, 0.18),
            Skin((0.7, 0.66, 0.58), "stripes", 0.4, 25),
        ),
        Thing(
            "ball", np.array([-0.9, 0.36, 1.53]), (0.12, 0.12, 0.12), Skin(clay, "checks", 0.3, 26)
        ),
        Thing(
            "box",
            np.array([0.82, 0.34, 0.6]),
            (0.34, 0.28, 1.2),
            Skin((0.25, 0.3, 0.22), "planks", 0.6, 27),
        ),
        Thing(
            "ball",
            np.array([0.8, 0.36, 1.33]),
            (0.26, 0.24, 0.26),
            Skin((0.34, 0.2, 0.12), "noise", 0.7, 28),
        ),
        Thing(
            "tin",
            np.array([0.62, 0.6, 1.08]),
            (0.1, 0.1, 0.14),
            Skin((0.1, 0.22, 0.2), "noise", 0.5, 29),
        ),
        Thing(
            "tin",
            np.array([0.0, 1.4, 0.62]),
            (0.34, 0.34, 0.08),
            Skin((0.4, 0.38, 0.36), "noise", 0.3, 30),
        ),
        Thing(
            "tin",
            np.array([0.02, 1.38, 0.74]),
            (0.2, 0.2, 0.18),
            Skin(clay, "stripes", 0.3, 31, 16),
        ),
        Thing(
            "box",
            np.array([-1.2, 2.6, 0.5]),
            (0.4, 0.8, 1.0),
            Skin((0.3, 0.3, 0.34), "noise", 0.4, 32),
        ),
        _card((0.44, 0.62, 1.02)),
    ]
    boards = Skin((0.32, 0.22, 0.14), "planks", 0.5, 33, 10)
    return Room(
        "wheel-corner",
        size,
        _painted(40, (0.6, 0.57, 0.5), boards),
        (*lamps, _window(2.9, 3.6, 1, 1.6)),
        tuple(things),
        view,
        face,
        tuple(presenter.poses(face, 4, presenter.SEATED)),
        1,
        {
            "face": _box(view, _upright(-0.08, 0.08, 0.88, 1.17, 1.38)),
            "card": _box(view, _upright(0.385, 0.495, 0.62, 0.98, 1.06)),
            "screen": _box(view, _upright(-0.5, 0.5, 0.18, 1.02, 1.7)),
        },
        Skin((0.36, 0.22, 0.16), "folds", 0.25, 41, 6),
        look,
        None,
        (5, 2),
        SMALL,
    )


def market_stall() -> Room:
    profile = read_profile(CONFIG / "market-stall.yaml").profile
    assert profile is not None and profile.room.mark is not None
    lamps, look = _of_profile(profile, "swap")
    view, face = _field(profile), vector(profile.room.mark)
    wide, deep, high = 4.57, 6.1, 3.05
    cloth = profile.devices["cloth"]
    assert cloth.place is not None and cloth.size is not None
    painted = Skin((0.3, 0.33, 0.36), "noise", 0.7, 61, 5)
    things = [
        Thing(
            "board", vector(cloth.place), (cloth.size[0], cloth.size[1], 0.0), painted, looks=OUT
        ),
        Thing(
            "box",
            np.array([0.0, 2.1, 0.45]),
            (1.8, 0.7, 0.9),
            Skin((0.4, 0.3, 0.2), "planks", 0.5, 62),
        ),
        Thing(
            "box",
            np.array([-0.55, 2.0, 1.0]),
            (0.3, 0.3, 0.22),
            Skin((0.5, 0.42, 0.25), "checks", 0.5, 63),
        ),
        Thing(
            "ball",
            np.array([0.45, 2.0, 1.02]),
            (0.24, 0.24, 0.22),
            Skin((0.55, 0.4, 0.1), "noise", 0.6, 64),
        ),
        Thing(
            "tin",
            np.array([0.65, 1.9, 1.08]),
            (0.12, 0.12, 0.3),
            Skin((0.2, 0.4, 0.2), "stripes", 0.4, 65),
        ),
        Thing(
            "box",
            np.array([-0.82, 0.9, 0.75]),
            (0.4, 0.4, 1.5),
            Skin((0.32, 0.2, 0.14), "planks", 0.6, 66),
            0.3,
        ),
        Thing(
            "ball",
            np.array([-0.82, 0.9, 1.62]),
            (0.34, 0.34, 0.3),
            Skin((0.12, 0.28, 0.1), "noise", 0.9, 67, 16),
        ),
        Thing(
            "tin",
            np.array([0.85, 0.8, 0.8]),
            (0.25, 0.25, 1.6),
            Skin((0.5, 0.5, 0.46), "stripes", 0.5, 68),
        ),
        Thing(
            "box",
            np.array([0.85, 0.8, 1.68]),
            (0.22, 0.22, 0.16),
            Skin((0.5, 0.12, 0.1), "checks", 0.5, 69),
            0.5,
        ),
        _card((0.5, 1.2, 1.36)),
    ]
    return Room(
        "market-stall",
        (wide, deep, high),
        _painted(70, (0.5, 0.52, 0.5), Skin((0.2, 0.19, 0.18), "checks", 0.3, 71, 12)),
        (*lamps, _window(wide, deep, -1, 2.4)),
        tuple(things),
        view,
        face,
        tuple(presenter.poses(face, 9, presenter.KINDS[:6])),
        2,
        {
            "face": _box(view, _upright(-0.08, 0.08, 1.52, 1.44, 1.66)),
            "card": _box(view, _upright(0.445, 0.555, 1.2, 1.32, 1.4)),
            "screen": _box(view, _upright(-0.5, 0.5, 0.3, 1.45, 1.95)),
        },
        None,
        look,
        None,
        (3, 1),
        GRID,
    )


def random_room(number: int) -> Room:
    """5 to 12 lamps, some in view, some of two whites, key and a second from the same side."""
    dice = np.random.default_rng([number, 11])
    wide, deep, high = dice.uniform(3.0, 4.8), dice.uniform(4.0, 6.0), dice.uniform(2.4, 3.0)
    face = np.array([dice.uniform(-0.15, 0.15), dice.uniform(1.1, 1.7), dice.uniform(1.2, 1.65)])
    away = float(dice.uniform(1.5, min(2.4, deep - face[1] - 0.3)))
    half = float(dice.uniform(0.55, 1.1))  # m either side of the mark
    at = face + np.array([dice.uniform(-0.2, 0.2), away, dice.uniform(-0.05, 0.2)])
    view = View(at, face - 0.08 * UPRIGHT, math.degrees(2 * math.atan(half / away)))
    hung = float(dice.uniform(0.08, 0.3))
    reach = half * (at[1] - hung) / away

    def skin(contrast: float = 0.5) -> Skin:
        pattern = str(dice.choice(["noise", "checks", "stripes", "planks", "noise"]))
        colour = dice.uniform(0.06, 0.6) * dice.uniform(0.5, 1.2, 3)
        rgb = (float(colour[0]), float(colour[1]), float(colour[2]))
        return Skin(rgb, pattern, contrast, int(dice.integers(1, 9999)), int(dice.integers(4, 14)))

    cloth_middle = np.array([face[0], hung, face[2] + 0.1])
    plain = Skin(skin().colour, "folds" if number % 2 else "noise", 0.2, number, 5)
    things = [Thing("board", cloth_middle, (2 * reach * 0.9, 1.9, 0.0), plain, looks=OUT)]
    for _ in range(int(dice.integers(9, 15))):
        y = dice.uniform(hung + 0.15, face[1] - 0.15)
        edge = half * (at[1] - y) / away
        x = face[0] + dice.choice([-1, 1]) * dice.uniform(0.5, 1.0) * edge
        z = face[2] + dice.uniform(-0.55, 0.35) * edge
        shape = str(dice.choice(["box", "ball", "tin"]))
        size = dice.uniform(0.1, 0.32, 3) * edge
        size[1] = size[0] if shape == "tin" else size[1]
        tall = (float(size[0]), float(size[1]), float(size[2]))
        things.append(Thing(shape, np.array([x, y, z]), tall, skin(0.7), dice.uniform(0, 3)))  # type: ignore[arg-type]
    things.append(Thing("box", np.array([0.0, face[1] + 0.5, 0.36]), (1.4, 0.6, 0.72), skin()))
    things.append(
        Thing("box", np.array([-wide / 2 + 0.3, deep - 0.8, 0.6]), (0.6, 1.0, 1.2), skin())
    )
    card = (face[0] + 0.42 * half, face[1] - 0.2, face[2] - 0.3 * half)
    things.append(_card(card))

    lamps: list[Lamp] = []
    weights: dict[str, float] = {}
    look: dict[str, tuple[float, float]] = {}

    def add(
        name: str,
        centre: list[float],
        to: NDArray[np.float64],
        size: float,
        weight: float,
        hood: bool = False,
    ) -> None:
        where = np.array(centre)
        where[0] = np.clip(where[0], -wide / 2 + 0.06, wide / 2 - 0.06)
        where[1] = np.clip(where[1], 0.06, deep - 0.06)
        where[2] = np.clip(where[2], 0.1, high - 0.06)
        two = dice.random() < 0.5
        own = float(dice.choice([3200.0, 4300.0, 5600.0]))
        whites = (2700.0, 6500.0) if two else (own,)
        flat = (size * float(dice.uniform(0.8, 1.5)), size)
        lamps.append(
            Lamp(name, where, unit(to - where), flat, 1.0, whites, 0.7 * size if hood else 0.0)
        )
        weights[name] = weight
        look[name] = (
            float(dice.uniform(0.25, 1.0)),
            float(dice.uniform(3600, 5200)) if two else own,
        )

    side = float(dice.choice([-1, 1]))
    x, y, z = (float(v) for v in face)
    behind = np.array([x, hung, z])
    n = int(dice.integers(5, 13))
    add("key", [x + side * 1.3, y + 1.0, z + 0.6], face, 0.4, float(dice.uniform(0.2, 0.35)))
    add("fill", [x - side * 1.3, y + 1.1, z + 0.2], face, 0.35, float(dice.uniform(0.1, 0.2)))
    add(
        "hair",
        [x - side * 0.8, max(hung + 0.2, y - 0.8), z + 0.85],
        face,
        0.2,
        float(dice.uniform(0.03, 0.08)),
        True,
    )
    add("wash", [x - 1.5, hung + 0.7, z + 0.4], behind, 0.15, float(dice.uniform(0.08, 0.15)))
    add(
        "weak",
        [x + side * 0.9 * reach, hung + 0.4, z - 0.8],
        behind + np.array([side * 0.6, 0, 0]),
        0.12,
        0.02,
    )
    if n > 5:
        add(
            "second", [x + side * 1.0, y + 1.3, z + 0.35], face, 0.25, float(dice.uniform(0.1, 0.2))
        )
    if n > 6:
        add(
            "bulb",
            [x - side * 0.6 * reach, hung + 0.35, z + 0.3],
            at,
            0.09,
            float(dice.uniform(0.04, 0.08)),
        )
    if n > 7:
        add(
            "wash-right",
            [x + 1.5, hung + 0.7, z + 0.3],
            behind,
            0.15,
            float(dice.uniform(0.08, 0.15)),
        )
    if n > 8:
        add(
            "ceiling",
            [x, y + 0.3, high - 0.5],
            np.array([x, y + 0.3, high]),
            0.3,
            float(dice.uniform(0.08, 0.2)),
        )
    if n > 9:
        add(
            "floor",
            [x + side * 0.5, hung + 0.4, 0.15],
            behind + 0.6 * UPRIGHT,
            0.12,
            float(dice.uniform(0.04, 0.1)),
        )
    if n > 10:
        add("bulb-two", [x + side * 0.7 * reach, hung + 0.5, z - 0.1], at, 0.07, 0.03)
    if n > 11:
        add(
            "corner",
            [-side * (wide / 2 - 0.2), deep - 0.4, 1.9],
            np.array([0, 1.0, 1.2]),
            0.3,
            float(dice.uniform(0.05, 0.12)),
        )
    # nothing stands round a lamp or right before it
    spots = [lamp.centre + d * lamp.axis for lamp in lamps for d in (0.0, 0.25, 0.5)]
    things = [
        t
        for i, t in enumerate(things)
        if i == 0
        or min(float(np.linalg.norm(t.middle - s)) for s in spots) > 0.12 + max(t.size) / 2
    ]
    walls = dice.uniform(0.25, 0.75) * dice.uniform(0.85, 1.1, 3)
    paint = (float(walls[0]), float(walls[1]), float(walls[2]))
    mid = np.array(card)
    name = f"room-{number}"
    return Room(
        name,
        (wide, deep, high),
        _painted(100 * number, paint, skin()),
        (*lamps, _window(wide, deep, int(-side), float(face[1] + 0.6))),
        tuple(things),
        view,
        face,
        tuple(presenter.poses(face, number, presenter.KINDS[: 4 if name in MANY else 2])),
        10 + number,
        {
            "face": _box(view, _upright(x - 0.08, x + 0.08, y, z - 0.11, z + 0.1)),
            "card": _box(
                view, _upright(mid[0] - 0.055, mid[0] + 0.055, mid[1], mid[2] - 0.04, mid[2] + 0.04)
            ),
            "screen": _box(
                view, _upright(x - 0.42 * reach, x + 0.42 * reach, hung, z - 0.2, z + 0.4 * reach)
            ),
        },
        None,
        look,
        weights,
        (2, 1),
        GRID,
    )


def room_named(name: str) -> Room:
    if name == "wheel-corner":
        return wheel_corner()
    if name == "market-stall":
        return market_stall()
    return random_room(int(name.rpartition("-")[2]))


# ---- rendering and keeping ---------------------------------------------------------------------


def _keep(name: str, found: Mapping[str, NDArray[np.generic]]) -> None:
    folder().mkdir(parents=True, exist_ok=True)
    part = folder() / f".{name}.{os.getpid()}.npz"
    np.savez(part, **found)  # type: ignore[arg-type]
    part.replace(folder() / f"{name}.npz")


def _half(picture: Light) -> NDArray[np.float16]:
    # a lamp in view is far above what half floats hold; it is clipped long before
    return np.minimum(picture, 60_000.0).astype(np.float16)


def _steadied(posed: Light, first: Light, many: Light, hidden: NDArray[np.bool_]) -> Light:
    """Somebody in the room at few samples, with the noise of the empty room's many.

    With the same seed a path is the same until it meets the person, so what the person changes is
    the difference of two pictures of the same seed (a control variate: the mean stays right).
    """
    steady = np.maximum(many + (posed - first), 0.0)
    return np.where(hidden[..., None], posed, steady).astype(np.float32)


def render(name: str, say: bool = True) -> None:
    """The room with nobody in it."""
    room = room_named(name)
    began = time.monotonic()
    first: dict[str, Light] = {}
    rough = scenery.pictures(room, None, room.grid, room.passes[0], first=first)
    empty = {n: scenery.calmed(p) for n, p in rough.items()}
    scale = {}
    for lamp in room.lamps:
        picture = empty[lamp.name]
        if lamp.foreign:
            continue
        if room.weights is None:
            scale[lamp.name] = lamp.bright
        else:
            usual = np.minimum(picture, np.percentile(picture, 95)).mean()
            scale[lamp.name] = room.weights[lamp.name] / max(float(usual), 1e-9)
    balanced = 4300.0
    look = sum(empty[n] * (scale[n] * room.look[n][0]) for n in scale)
    assert not isinstance(look, int)
    # what is brightest but for lamps themselves comes to four fifths of what clips
    exposure = 0.8 / float(np.percentile(look, 97))
    for n in scale:
        scale[n] *= exposure
    # a window that gives the face as much as the look does
    left, top, right, bottom = room.regions["face"]
    box = (
        slice(int(top * room.grid[1]), int(bottom * room.grid[1]) + 1),
        slice(int(left * room.grid[0]), int(right * room.grid[0]) + 1),
    )
    scale["window"] = (
        exposure * float(look[box].mean()) / max(float(empty["window"][box].mean()), 1e-9)
    )
    kept: dict[str, NDArray[np.generic]] = {"balanced": np.array(balanced)}
    for n in empty:
        kept[f"share/{n}"] = _half(empty[n] * np.float32(scale[n]))
        kept[f"scale/{n}"] = np.array(scale[n])
        # for the poses: what the first pass came to, and all of them
        kept[f"first/{n}"], kept[f"rough/{n}"] = first[n], rough[n]
    for lamp in room.lamps:
        kept[f"white/{lamp.name}"] = np.array(lamp.whites)
    _keep(name, kept)
    if say:
        print(f"{name}: {len(empty)} pictures in {time.monotonic() - began:.0f} s", flush=True)


def render_pose(name: str, number: int, say: bool = True) -> None:
    """Somebody in the room, added to what is kept of it."""
    room = room_named(name)
    with np.load(folder() / f"{name}.npz") as file:
        kept = {k: file[k] for k in file.files}
    if f"hidden/{number}" in kept or number >= len(room.poses):
        return
    began, parts = time.monotonic(), room.poses[number]
    hidden = scenery.hides(room, parts, room.grid)
    posed = scenery.pictures(room, parts, room.grid, room.passes[1])
    for n, p in posed.items():
        if room.passes[1] == 1:
            p = _steadied(p, kept[f"first/{n}"], kept[f"rough/{n}"], hidden)
        kept[f"pose/{number}/{n}"] = _half(
            scenery.calmed(p) * kept[f"scale/{n}"].astype(np.float32)
        )
    kept[f"hidden/{number}"] = hidden
    _keep(name, kept)
    if say:
        print(f"{name}: pose {number} in {time.monotonic() - began:.0f} s", flush=True)


def rendered(name: str, make: bool = True) -> Rendered:
    path = folder() / f"{name}.npz"
    if not path.exists():
        if not make:
            raise FileNotFoundError(path)
        render(name)
        for number in range(len(room_named(name).poses)):
            render_pose(name, number)
    room = room_named(name)
    with np.load(path) as kept:
        found = {k: kept[k] for k in kept.files}
    small = {k[6:]: found[k].astype(np.float32) for k in found if k.startswith("share/")}
    posed, hidden = [], []
    for i in range(len(room.poses)):
        if f"hidden/{i}" not in found:
            break
        start = f"pose/{i}/"
        posed.append(
            {k[len(start) :]: found[k].astype(np.float32) for k in found if k.startswith(start)}
        )
        hidden.append(found[f"hidden/{i}"])
    look: Light = np.zeros(next(iter(small.values())).shape, np.float32)
    for n, (level, _) in room.look.items():
        look += small[n] * np.float32(level)
    # a bright set is exposed for its middle, as a camera's meter would: a quarter of what clips
    less = np.float32(min(1.0, 0.25 / float(np.minimum(look, 1.0).mean())))
    for pictures in (small, *posed):
        for n in pictures:
            pictures[n] *= less
    return Rendered(
        name,
        float(found["balanced"]),
        {k[6:]: tuple(float(w) for w in found[k]) for k in found if k.startswith("white/")},
        room.look,
        room.regions,
        tuple(lamp.name for lamp in room.lamps if lamp.foreign),
        small,
        list(posed),
        hidden,
    )


def main() -> None:
    """Rooms without anybody first, then poses: those of the rooms with many go first."""
    asked = [a for a in sys.argv[1:] if not a.startswith("-")] or list(NAMES)
    for one in asked:
        if "--again" in sys.argv or not (folder() / f"{one}.npz").exists():
            render(one)
    for one in sorted(asked, key=lambda n: n not in MANY):
        for number in range(len(room_named(one).poses)):
            render_pose(one, number)


if __name__ == "__main__":
    main()
