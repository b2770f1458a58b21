"""Somebody in the room, out of ellipsoids: head, hair, neck, shoulders, trunk, arms, legs.

Several shapes and poses by a seed. Positions are the scene's (m): across, out from the back wall,
up. `face` is the middle of the face's front.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Vector = NDArray[np.float64]


@dataclass(frozen=True)
class Part:
    """An ellipsoid: middle, half axes, the directions of these, and its colour (linear RGB)."""

    middle: Vector
    half: tuple[float, float, float]
    axes: NDArray[np.float64]  # columns: where its x, y, z point
    colour: tuple[float, float, float]
    pattern: str = "noise"


def _turned(by: float) -> NDArray[np.float64]:
    c, s = math.cos(by), math.sin(by)
    return np.array([[c, -s, 0.0], [s, c, 0.0], [0.0, 0.0, 1.0]])


def _limb(start: Vector, end: Vector, thick: float, colour: tuple[float, float, float]) -> Part:
    along = end - start
    length = float(np.linalg.norm(along))
    z = along / length
    x = np.cross(z, [0.3, 0.9, 0.1])
    x /= np.linalg.norm(x)
    axes = np.stack([x, np.cross(z, x), z], axis=1)
    return Part((start + end) / 2, (thick, thick, length / 2 + thick * 0.6), axes, colour)


SKINS = ((0.55, 0.36, 0.26), (0.42, 0.25, 0.17), (0.16, 0.085, 0.055), (0.62, 0.43, 0.33))
HAIRS = ((0.03, 0.02, 0.015), (0.2, 0.11, 0.05), (0.45, 0.42, 0.4), (0.3, 0.06, 0.02))


def pose(face: Vector, dice: np.random.Generator, who: int, kind: str) -> list[Part]:
    """`kind`: standing, seated, arm (out), leaning, aside (stepped to a side), near (half a
    metre towards the camera)."""
    skin, hair = SKINS[who % len(SKINS)], HAIRS[(who * 3 + 1) % len(HAIRS)]
    shirt_dice = np.random.default_rng(who)
    shirt = tuple(float(c) for c in shirt_dice.uniform(0.03, 0.6, 3))
    cloth = ("stripes", "noise", "checks")[who % 3]
    legs = (0.05, 0.06, 0.1)
    wide = float(shirt_dice.uniform(0.9, 1.15))
    shift = dice.normal(0.0, [0.05, 0.04, 0.02])
    if kind == "aside":
        shift = shift + np.array(
            [float(dice.choice([-1, 1])) * dice.uniform(0.2, 0.4), -0.05, 0.02]
        )
    if kind == "leaning":
        shift = shift + np.array([dice.uniform(-0.15, 0.15), 0.15, -0.12])
    if kind == "near":  # a third of the picture is hidden then
        shift = shift + np.array([0.0, 0.5, -0.05])
    turn = _turned(float(dice.normal(0.0, 0.25)))
    head = face + shift - np.array([0.0, 0.09, 0.0])
    lean = np.array([float(dice.normal(0, 0.03)), -0.12 if kind == "leaning" else 0.0, 0.0])

    def at(x: float, y: float, z: float) -> Vector:
        return np.asarray(head + turn @ np.array([x, y, z]) + lean * (-z))

    one = np.eye(3)
    parts = [
        Part(head, (0.078, 0.1, 0.118), turn @ one, skin),
        Part(at(0.0, -0.025, 0.035), (0.09, 0.1, 0.11), turn @ one, hair),
        Part(at(0.0, 0.1, -0.02), (0.016, 0.025, 0.022), turn @ one, skin),
        _limb(at(0.0, -0.01, -0.08), at(0.0, -0.03, -0.2), 0.055, skin),
        Part(at(0.0, -0.04, -0.24), (0.23 * wide, 0.1, 0.07), turn @ one, shirt, cloth),
        Part(at(0.0, -0.03, -0.48), (0.2 * wide, 0.13, 0.31), turn @ one, shirt, cloth),
        Part(at(0.0, -0.03, -0.78), (0.19 * wide, 0.14, 0.16), turn @ one, legs),
    ]
    if kind == "seated":
        for side in (-1, 1):
            parts.append(
                _limb(at(0.1 * side, 0.0, -0.82), at(0.16 * side, 0.45, -0.82), 0.08, legs)
            )
            parts.append(
                _limb(at(0.16 * side, 0.45, -0.82), at(0.16 * side, 0.45, -1.25), 0.06, legs)
            )
    else:
        for side in (-1, 1):
            parts.append(
                _limb(at(0.1 * side, -0.03, -0.85), at(0.11 * side, -0.02, -1.6), 0.085, legs)
            )
    out = int(dice.choice([-1, 1]))
    for side in (-1, 1):
        shoulder = at(0.21 * wide * side, -0.03, -0.25)
        if kind == "arm" and side == out:
            elbow = at(0.42 * side, 0.08, -0.22 + float(dice.uniform(-0.12, 0.08)))
            hand = at(0.6 * side, 0.22, -0.12 + float(dice.uniform(-0.2, 0.25)))
        else:
            elbow = at(0.29 * wide * side, -0.02, -0.5)
            hand = at(
                0.14 * side + float(dice.normal(0, 0.05)),
                0.26,
                -0.55 + float(dice.uniform(-0.08, 0.22)),
            )
        parts.append(_limb(shoulder, elbow, 0.058, shirt))
        parts.append(_limb(elbow, hand, 0.045, shirt))
        parts.append(Part(hand, (0.05, 0.06, 0.04), turn @ one, skin))
    return parts


KINDS = ("standing", "near", "arm", "seated", "aside", "leaning", "arm", "leaning")


SEATED = ("seated", "arm", "leaning", "seated", "aside", "arm", "seated", "leaning")


def poses(face: Vector, seed: int, kinds: tuple[str, ...] = KINDS) -> list[list[Part]]:
    """One person in several poses."""
    dice = np.random.default_rng([seed, 77])
    who = int(dice.integers(0, 60))
    return [pose(face, dice, who, kind) for kind in kinds]
