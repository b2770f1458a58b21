"""Light that no lamp explains: noticed, placed, and not taken for a lamp or a person."""

from __future__ import annotations

import numpy as np
import pytest

from studiobridge.profile.model import Region
from studiobridge.profile.sighting import Stray
from studiobridge.witness.gathering import known_from
from studiobridge.witness.solving import Solver
from studiobridge.witness.stray import stray
from tests.witness.synthetic import LAMPS, Floats, Lamp, Presenter, Set, frame, made

FACE = Region(0.4, 0.3, 0.6, 0.6)
LOOK = dict.fromkeys(LAMPS, 0.5)
DAY = np.array([1.35, 1.0, 0.75])


@pytest.fixture(scope="module")
def corner() -> Set:
    return made(1)


@pytest.fixture(scope="module")
def solver(corner: Set) -> Solver:
    return Solver(corner.learned)


def window(corner: Set, side: float, share: float, low: bool = False) -> Floats:
    """Daylight through an opening near a lamp at that side, so much of the face's light."""
    near = LAMPS[("wall-right" if side > 0 else "wall-left") if low else "fill"]
    beside = (near.at[0] + side * 0.1, near.at[1] - 0.2, near.at[2] - 0.2)
    light = corner.room.alone(Lamp(beside, near.aim, 1.0, near.focus, DAY))
    at = np.s_[82:163, 192:288]
    there = corner.light(LOOK)[at].mean()
    return np.asarray(light * (share * there / light[at].mean()))


def seen(corner: Set, solver: Solver, light: Floats, dice: np.random.Generator) -> Stray | None:
    known = known_from(solver, solver.look_at(frame(corner.light(LOOK), dice)))
    solved = solver.look_at(frame(light, dice))
    return stray(solver, solved, solver.suppose(solved, known), FACE)


@pytest.mark.parametrize(("side", "where"), [(-1.0, "left"), (1.0, "right")])
def test_daylight_at_a_side(corner: Set, solver: Solver, side: float, where: str) -> None:
    dice = np.random.default_rng(11)
    light = corner.light(LOOK) + window(corner, side, 0.03, low=True)
    found = seen(corner, solver, light, dice)
    assert found is not None
    assert found.where == where
    assert 0.0 <= found.left < found.right <= 1.0
    assert (found.right > 0.6) if where == "right" else (found.left < 0.4)


def test_how_much_daylight_of_the_light_at_the_face(corner: Set, solver: Solver) -> None:
    dice = np.random.default_rng(14)
    found = seen(corner, solver, corner.light(LOOK) + window(corner, 1.0, 0.05), dice)
    assert found is not None
    assert found.share.low <= 0.05 <= found.share.high


def test_nothing_else_is_taken_for_it(corner: Set, solver: Solver) -> None:
    dice = np.random.default_rng(12)
    assert seen(corner, solver, corner.light(LOOK), dice) is None
    for name in LAMPS:
        for by in (0.7, 1.4):
            turned = corner.light({**LOOK, name: 0.5 * by})
            assert seen(corner, solver, turned, dice) is None, (name, by)
    for x in (-0.5, 0.4):
        assert seen(corner, solver, corner.light(LOOK, Presenter(x, y=0.9)), dice) is None


def test_without_anything_known_from_before_nothing_is_said(corner: Set, solver: Solver) -> None:
    dice = np.random.default_rng(13)
    solved = solver.look_at(frame(corner.light(LOOK) + window(corner, 1.0, 0.1), dice))
    assert stray(solver, solved, solver.suppose(solved, {}), FACE) is None
