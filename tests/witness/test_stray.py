"""Light that no lamp explains: noticed, placed, and not taken for a lamp or a person."""

from __future__ import annotations

import numpy as np
import pytest

from studiobridge.profile.model import Region
from studiobridge.profile.sighting import Stray
from studiobridge.witness.gathering import known_from
from studiobridge.witness.likely import Before
from studiobridge.witness.solving import Solver
from studiobridge.witness.stray import Daylight, stray
from tests.witness.synthetic import LAMPS, Floats, Lamp, Presenter, Set, frame, look_at, made

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
    known = known_from(solver, look_at(solver, frame(corner.light(LOOK), dice)))
    solved = look_at(solver, frame(light, dice))
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
    solved = look_at(solver, frame(corner.light(LOOK) + window(corner, 1.0, 0.1), dice))
    assert stray(solver, solved, solver.suppose(solved, {}), FACE) is None


# ---- held against a kept picture ---------------------------------------------------------------


def held(
    corner: Set,
    solver: Solver,
    lights: list[Floats],
    dice: np.random.Generator,
    look: dict[str, float] | None = None,
) -> Stray | None:
    """What several frames together say against the picture that was kept."""
    codes = frame(corner.light(LOOK), dice)
    kept, solved = solver.blocks(codes), look_at(solver, codes)
    before = known_from(solver, solved)
    now = dict(before)
    for name, level in (look or {}).items():
        now[name] = Before(level, 0.2)
    eye = Daylight(solver, kept, solved.x, FACE)
    found = None
    for number, light in enumerate(lights):
        blocks = solver.blocks(frame(light, dice))
        supposed = solver.suppose(solver.solve(blocks), now)
        found = eye.look(blocks, number + 1, supposed, before, now)
    return found


@pytest.mark.parametrize("x", [None, -0.5, 0.4])
@pytest.mark.parametrize("side", [-1.0, 1.0])
def test_daylight_beside_somebody_is_seen_against_the_kept_picture(
    corner: Set, solver: Solver, side: float, x: float | None
) -> None:
    dice = np.random.default_rng(21)
    who = None if x is None else Presenter(x, y=0.9)
    light = corner.light(LOOK, who) + window(corner, side, 0.03, low=True)
    found = held(corner, solver, [light], dice)
    assert found is not None
    assert found.share.low <= 0.03 <= found.share.high
    assert (found.right > 0.6) if side > 0 else (found.left < 0.4)
    # what they hide is no place without it: never from above, for they stand below
    own = "right" if side > 0 else "left"
    assert found.where == own if who is None else found.where in (own, "")


@pytest.mark.parametrize("share", [0.12, 0.5])
def test_a_large_window_beside_the_fill_is_nobody_and_is_said(
    corner: Set, solver: Solver, share: float
) -> None:
    """It changes half of the picture by more than a person would change a part of it."""
    dice = np.random.default_rng(25)
    found = held(corner, solver, [corner.light(LOOK) + window(corner, 1.0, share)], dice)
    assert found is not None
    assert found.share.low <= share <= found.share.high
    assert found.where in ("right", "everywhere", "")


def test_a_blind_that_has_just_been_opened_is_not_a_little_of_it(
    corner: Set, solver: Solver
) -> None:
    dice = np.random.default_rng(28)
    dark = corner.light(LOOK)
    lit = dark + window(corner, -1.0, 0.12, low=True)
    alone, after = (held(corner, solver, lights, dice) for lights in ([lit], [dark] * 4 + [lit]))
    assert alone is not None and after is not None
    assert after.share.value == pytest.approx(alone.share.value, rel=0.3)
    assert after.where == alone.where


def test_a_side_that_is_not_seen_is_not_named(corner: Set, solver: Solver) -> None:
    """Somebody before one half of the picture: what there is on the other says no side."""
    codes = frame(corner.light(LOOK), np.random.default_rng(26))
    kept = solver.blocks(codes)
    solved = solver.solve(kept)
    before = known_from(solver, solved)
    eye = Daylight(solver, kept, solved.x, FACE)
    light = corner.light(LOOK) + window(corner, -1.0, 0.05, low=True)
    light[:, 200:] = corner.light(LOOK)[::-1, ::-1][:, 200:] * np.array([0.3, 0.5, 0.4])
    blocks = solver.blocks(frame(light, np.random.default_rng(27)))
    found = eye.look(blocks, 1, solver.suppose(solver.solve(blocks), before), before, before)
    assert found is None or found.where == ""


@pytest.mark.parametrize("cloth", [(0.5, 0.2, 0.1), (0.1, 0.2, 0.5)])
def test_people_and_lamps_are_no_daylight_against_the_kept_picture(
    corner: Set, solver: Solver, cloth: tuple[float, float, float]
) -> None:
    dice = np.random.default_rng(22)
    for x in (None, -0.5, 0.4):
        who = None if x is None else Presenter(x, y=0.9, cloth=cloth)
        assert held(corner, solver, [corner.light(LOOK, who)], dice) is None
        for turned in ({"key": 0.7}, {"fill": 0.35, "wall-right": 0.65}):
            light = corner.light({**LOOK, **turned}, who)
            assert held(corner, solver, [light], dice) is None, (x, turned)


def test_what_was_told_since_is_no_daylight_and_hides_none(corner: Set, solver: Solver) -> None:
    dice = np.random.default_rng(23)
    look = {**LOOK, "key": 0.7, "wall-left": 0.3}
    assert held(corner, solver, [corner.light(look)], dice, look) is None
    light = corner.light(look) + window(corner, 1.0, 0.04, low=True)
    assert held(corner, solver, [light], dice, look) is not None


def test_many_frames_together_and_what_was_before_is_forgotten(corner: Set, solver: Solver) -> None:
    dice = np.random.default_rng(24)
    day = window(corner, -1.0, 0.03, low=True)
    lights = [corner.light(LOOK, Presenter(x, y=0.9)) + day for x in (-0.4, 0.0, 0.4)]
    assert held(corner, solver, lights, dice) is not None
    codes = frame(corner.light(LOOK), dice)
    kept, solved = solver.blocks(codes), look_at(solver, codes)
    before = known_from(solver, solved)
    eye = Daylight(solver, kept, solved.x, FACE)
    dark, lit = corner.light(LOOK), corner.light(LOOK) + day
    for number, light in enumerate((lit, lit, dark)):
        blocks = solver.blocks(frame(light, dice))
        if light is dark:
            eye.forget()
        supposed = solver.suppose(solver.solve(blocks), before)
        found = eye.look(blocks, number + 1, supposed, before, before)
    assert found is None
