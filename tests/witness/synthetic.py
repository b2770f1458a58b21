"""A room made up in numpy: a box with a textured wall, lamps that bounce, a presenter with shadows.

Not a renderer: each lamp's picture is its cosine law and inverse square, plus one bounce from where
its beam lands. It is there for quick tests; judgements are made on a physical renderer's pictures.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

import cv2
import numpy as np
from numpy.typing import NDArray

from studiobridge.witness.learned import Curve, Learned, Share
from studiobridge.witness.likely import Before
from studiobridge.witness.solving import Solved, Solver

Floats = NDArray[np.float64]
# Full radiators of 3000 and 6000 K, as bright as each other, before a camera of ITU-R BT.709 that is
# balanced for 4300 K (BGR; by colour-science, as in tests/outside/test_lamp_of_two_whites.py).
WARM, COOL = np.array([0.449, 0.900, 1.319]), np.array([1.572, 1.043, 0.811])


@dataclass
class Lamp:
    at: tuple[float, float, float]
    aim: tuple[float, float, float]
    power: float
    focus: float = 2.0
    colour: Floats = field(default_factory=lambda: np.ones(3))


@dataclass
class Presenter:
    """A flat figure that faces the camera, `x` m right of the middle, `y` m off the back wall."""

    x: float
    y: float = 1.6
    tall: float = 1.7
    wide: float = 0.5
    cloth: tuple[float, float, float] = (0.2, 0.15, 0.12)

    def covers(self, x: Floats, z: Floats) -> NDArray[np.bool_]:
        head = ((x - self.x) / 0.11) ** 2 + ((z - self.tall + 0.13) / 0.15) ** 2 < 1
        low = self.tall - 0.28
        half = self.wide / 2 * (1.0 - 0.35 * np.clip((z - low + 0.25) / 0.25, 0, 1))
        return np.asarray(head | ((np.abs(x - self.x) < half) & (z < low)))


class Room:
    """The wall is at y = 0, 4 m wide and 2.6 m high; the camera stands at y = 4 and looks at it."""

    def __init__(self, seed: int, columns: int = 480, rows: int = 272, span: float = 3.4) -> None:
        self.dice = np.random.default_rng(seed)
        self.columns, self.rows = columns, rows
        self.camera = np.array([0.0, 4.0, 1.25])
        u, v = np.meshgrid(
            (np.arange(columns) + 0.5) / columns - 0.5, (np.arange(rows) + 0.5) / rows - 0.5
        )
        ray = np.stack([u * span / 4, -np.ones_like(u), -v * span / 4 * rows / columns], axis=2)
        self.ray = ray
        # the nearest of: back wall, side walls, floor
        ts = [np.full(u.shape, 4.0)]
        with np.errstate(divide="ignore"):
            for x in (-1.5, 1.5):
                t = x / ray[..., 0]
                ts.append(np.where(t > 0, t, np.inf))
            t = -self.camera[2] / ray[..., 2]
            ts.append(np.where(t > 0, t, np.inf))
        t = np.min(ts, axis=0)
        which = np.argmin(ts, axis=0)
        self.point = self.camera + ray * t[..., None]
        self.normal = np.array([[0, 1, 0], [1, 0, 0], [-1, 0, 0], [0, 0, 1]], float)[which]
        base = np.array([[0.5, 0.5, 0.5], [0.45, 0.5, 0.55], [0.5, 0.5, 0.45], [0.2, 0.25, 0.35]])
        self.paint = base[which] * self._texture()[..., None]

    def _texture(self) -> Floats:
        coarse = self.dice.uniform(0.6, 1.2, (9, 16))
        fine = self.dice.uniform(0.85, 1.15, (68, 120))
        size = (self.columns, self.rows)
        found = cv2.resize(coarse, size, interpolation=cv2.INTER_NEAREST) * cv2.resize(
            fine, size, interpolation=cv2.INTER_CUBIC
        )
        return np.asarray(found)

    def alone(self, lamp: Lamp, who: Presenter | None = None, extra: float = 0.04) -> Floats:
        """What one lamp at full does to the picture, linear."""
        point, normal, paint = self.point, self.normal, self.paint
        behind = None
        if who is not None:
            t = self.camera[1] - who.y
            plane = self.camera + self.ray * t
            behind = who.covers(plane[..., 0], plane[..., 2])
            turned = np.clip((plane[..., 0] - who.x) / 0.25, -0.9, 0.9)
            figure = np.stack([turned, np.sqrt(1 - turned**2), np.zeros_like(turned)], axis=2)
            point = np.where(behind[..., None], plane, point)
            normal = np.where(behind[..., None], figure, normal)
            skin = plane[..., 2] > who.tall - 0.28
            body = np.where(skin[..., None], np.array([0.3, 0.4, 0.6]), np.array(who.cloth))
            folds = 1 + 0.3 * np.sin(plane[..., 2] * 40 + plane[..., 0] * 25)
            paint = np.where(behind[..., None], body * folds[..., None], paint)
        at, aim = np.array(lamp.at), np.array(lamp.aim)
        axis = (aim - at) / np.linalg.norm(aim - at)
        direct = _from(at, point, normal, axis, lamp.focus)
        if who is not None and behind is not None:
            way = at - point
            with np.errstate(divide="ignore", invalid="ignore"):
                s = (who.y - point[..., 1]) / way[..., 1]
            hit = point + way * s[..., None]
            shaded = (s > 0.01) & (s < 1) & who.covers(hit[..., 0], hit[..., 2])
            direct = np.where(shaded & ~behind, 0.0, direct)
        # one bounce: from a patch where the beam lands
        down = at + axis * (at[1] / max(1e-6, -axis[1])) if axis[1] < 0 else aim
        down = np.clip(down, [-1.5, 0.1, 0.1], [1.5, 4, 2.6])
        bounce = 0.25 * _from(down, point, normal, None, 0.0, soft=1.0) + 0.03
        if who is not None:
            off = np.linalg.norm(point - np.array([who.x, who.y, 1.0]), axis=2)
            bounce = bounce * (1 + extra * 6 * np.exp(-off) - extra * 2)
        return (direct + bounce)[..., None] * paint * lamp.colour * lamp.power


def _from(
    at: Floats, point: Floats, normal: Floats, axis: Floats | None, focus: float, soft: float = 0.05
) -> Floats:
    way = at - point
    far2 = (way**2).sum(axis=2)
    unit = way / np.sqrt(far2)[..., None]
    cosine = np.clip((unit * normal).sum(axis=2), 0.05 if axis is None else 0, None)
    beam = 1.0 if axis is None else np.clip(-(unit * axis).sum(axis=2), 0, None) ** focus
    return np.asarray(cosine * beam / (far2 + soft))


# key · fill beside it · hair · two on the wall · rim · one weak
LAMPS: dict[str, Lamp] = {
    "key": Lamp((-1.4, 3.2, 2.2), (0.2, 0.0, 1.1), 1.0),
    "fill": Lamp((1.3, 3.4, 1.8), (-0.2, 0.0, 1.2), 0.6, 1.0),
    "wall-left": Lamp((-1.2, 0.9, 2.3), (-0.7, 0.0, 1.0), 0.25, 3.0),
    "wall-right": Lamp((1.2, 0.9, 2.3), (0.7, 0.0, 1.0), 0.25, 3.0),
    "hair": Lamp((0.6, 0.4, 2.5), (0.0, 1.6, 1.4), 0.3, 2.0),
    "floor": Lamp((0.0, 1.0, 0.15), (0.0, 0.0, 1.4), 0.15, 2.0),
}


def srgb(codes: Floats) -> Floats:
    c = codes / 255
    return np.where(c <= 0.04045, c / 12.92, ((c + 0.055) / 1.055) ** 2.4)


def curve(sure: float = 0.01) -> Curve:
    light = np.repeat(srgb(np.arange(256.0))[None].astype(np.float32), 3, axis=0)
    light[:, 0] = -1e-6
    return Curve(light, np.full((3, 256), sure, np.float32))


READ, SHOT = 0.0015, 0.0001


def frame(light: Floats, dice: np.random.Generator) -> NDArray[np.uint8]:
    """The camera: noise, sRGB (IEC 61966-2-1), 8 bit, JPEG at 85."""
    noisy = light + dice.normal(size=light.shape) * np.sqrt(READ**2 + SHOT * np.clip(light, 0, 1))
    c = np.clip(noisy, 0, 1)
    code = np.where(c <= 0.0031308, c * 12.92, 1.055 * c ** (1 / 2.4) - 0.055)
    ok, data = cv2.imencode(
        ".jpg", np.rint(code * 255).astype(np.uint8), [cv2.IMWRITE_JPEG_QUALITY, 85]
    )
    assert ok
    return np.asarray(cv2.imdecode(data, cv2.IMREAD_COLOR), np.uint8)


def look_at(
    solver: Solver, codes: NDArray[np.uint8], prior: Mapping[str, Before] | None = None
) -> Solved:
    """One frame by itself, as the gathering of frames has it solved."""
    return solver.solve(solver.blocks(codes), prior)


@dataclass
class Set:
    """A room with its lamps; what each gives alone, scaled so that all on just does not clip."""

    room: Room
    lamps: dict[str, Lamp]
    alone: dict[str, Floats]
    scale: float
    learned: Learned

    def light(self, levels: dict[str, float], who: Presenter | None = None) -> Floats:
        if who is None:
            return sum(levels[name] * self.alone[name] for name in self.lamps)  # type: ignore[return-value]
        parts = [
            levels[n] * self.room.alone(lamp, who) * self.scale for n, lamp in self.lamps.items()
        ]
        return np.asarray(sum(parts))


def made(
    seed: int,
    lamps: dict[str, Lamp] | None = None,
    whites: dict[str, Sequence[tuple[float, Floats]]] | None = None,
    columns: int = 480,
    rows: int = 272,
) -> Set:
    """A set and what would be learned of it, with the noise of some frames put together."""
    room = Room(seed, columns, rows)
    lamps = lamps or LAMPS
    alone = {name: room.alone(lamp) for name, lamp in lamps.items()}
    scale = 0.55 / float(np.percentile(sum(alone.values()), 99))
    alone = {name: light * scale for name, light in alone.items()}
    dice = np.random.default_rng(seed + 1000)
    shares = []
    for name, light in alone.items():
        for cct, tint in (whites or {}).get(name, ((None, np.ones(3)),)):
            noisy = light * tint + dice.normal(size=light.shape) * READ / 4
            shares.append(Share(name, cct, noisy.astype(np.float32)))
    dark = dice.normal(size=alone["key"].shape).astype(np.float32) * READ / 4 + 0.0002
    learned = Learned(
        "made-up", "2026-01-01T00:00:00+00:00", curve(), dark, tuple(shares),
        dict.fromkeys(lamps, ((0.0, 0.0), (100.0, 1.0))), READ, SHOT, 252, 0.01, "",
    )  # fmt: skip
    return Set(room, lamps, alone, scale, learned)
