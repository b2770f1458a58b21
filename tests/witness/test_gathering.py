"""Many frames together: what one hides the next shows, and a change is not averaged away."""

from __future__ import annotations

import math

import numpy as np
import pytest

from studiobridge.witness.gathering import FRAMES, Gathering
from studiobridge.witness.likely import Before
from studiobridge.witness.solving import Solver
from tests.witness.synthetic import LAMPS, Presenter, Set, frame, made


@pytest.fixture(scope="module")
def corner() -> Set:
    return made(1)


@pytest.fixture(scope="module")
def solver(corner: Set) -> Solver:
    return Solver(corner.learned)


def test_a_presenter_who_moves_hides_little(corner: Set, solver: Solver) -> None:
    dice = np.random.default_rng(5)
    truth = {name: float(0.5 * 2 ** dice.uniform(-0.6, 0.6)) for name in LAMPS}
    gathering, first = Gathering(solver), None
    for x in np.linspace(-0.8, 0.8, 8):
        found = gathering.add(
            solver.blocks(frame(corner.light(truth, Presenter(float(x), y=0.9)), dice))
        )
        first = first or found
    assert first is not None
    assert found.covered < 0.5 * first.covered
    for name in ("key", "fill"):
        band = found.levels[name].amount
        assert abs(math.log2(band.value / truth[name])) < 0.15
        was = first.levels[name].amount
        assert band.high - band.low < 1.1 * (was.high - was.low)


def test_a_change_in_the_middle_is_seen_at_once(corner: Set, solver: Solver) -> None:
    dice = np.random.default_rng(6)
    truth = dict.fromkeys(LAMPS, 0.5)
    gathering = Gathering(solver)
    for _ in range(6):
        found = gathering.add(solver.blocks(frame(corner.light(truth), dice)))
    assert gathering.frames == 6
    truth["fill"] = 0.35
    for _ in range(2):
        found = gathering.add(solver.blocks(frame(corner.light(truth), dice)))
        assert abs(math.log2(found.levels["fill"].amount.value / 0.35)) < 0.06
    assert gathering.frames == 2, "what was before is forgotten"


def test_one_odd_frame_is_let_go(corner: Set, solver: Solver) -> None:
    dice = np.random.default_rng(7)
    truth = dict.fromkeys(LAMPS, 0.5)
    gathering = Gathering(solver)
    for _ in range(4):
        gathering.add(solver.blocks(frame(corner.light(truth), dice)))
    odd = corner.light({**truth, "key": 0.2})
    gathering.add(solver.blocks(frame(odd, dice)))
    found = gathering.add(solver.blocks(frame(corner.light(truth), dice)))
    assert gathering.frames == 5
    assert abs(math.log2(found.levels["key"].amount.value / 0.5)) < 0.05


def test_no_more_is_kept_than_so_many_frames(corner: Set, solver: Solver) -> None:
    dice = np.random.default_rng(8)
    gathering = Gathering(solver)
    blocks = solver.blocks(frame(corner.light(dict.fromkeys(LAMPS, 0.5)), dice))
    for _ in range(FRAMES + 4):
        gathering.add(blocks)
    assert gathering.frames == FRAMES
    gathering.forget()
    assert gathering.frames == 1


def test_somebody_who_comes_and_shades_what_one_lamp_lights_has_not_dimmed_it(
    corner: Set, solver: Solver
) -> None:
    """Most frames have the shade, and it is nearly the lamp's own picture; the first have none."""
    dice = np.random.default_rng(9)
    truth = dict.fromkeys(LAMPS, 0.5)
    gathering = Gathering(solver)
    for _ in range(2):
        gathering.add(solver.blocks(frame(corner.light(truth), dice)))
    own = corner.alone["wall-right"].mean(axis=2)
    own[:, :340] = 0.0  # of what it lights one side is shaded
    shade = 1.0 - 0.12 * np.clip(own / own.max() * 2, 0.0, 1.0)
    who = corner.light(truth, Presenter(-0.3, y=1.0)) * shade[..., None]
    for _ in range(8):
        found = gathering.add(solver.blocks(frame(who, dice)))
        band = found.levels["wall-right"].amount
        assert band.low <= 0.5 <= band.high
        moved = solver.suppose(found, {n: Before(0.5) for n in LAMPS}).lights
        assert moved["wall-right"].moved < 0.9
