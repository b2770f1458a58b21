"""How bright each lamp is, from one frame: values, bands, and what cannot be told."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from studiobridge.witness.likely import Before
from studiobridge.witness.solving import Solved, Solver
from tests.witness.synthetic import COOL, LAMPS, WARM, Lamp, Presenter, Set, frame, look_at, made

DICE = 20260101


@pytest.fixture(scope="module")
def corner() -> Set:
    return made(1)


@pytest.fixture(scope="module")
def solver(corner: Set) -> Solver:
    return Solver(corner.learned)


def levels(dice: np.random.Generator) -> dict[str, float]:
    return {name: float(0.5 * 2 ** dice.uniform(-0.8, 0.8)) for name in LAMPS}


def off(solved: Solved, truth: dict[str, float], name: str) -> float:
    return abs(math.log2(max(solved.levels[name].amount.value, 1e-3) / truth[name]))


def test_an_empty_room_with_every_lamp_moved(corner: Set, solver: Solver) -> None:
    dice = np.random.default_rng(DICE)
    errors, held = [], []
    for _ in range(8):
        truth = levels(dice)
        solved = look_at(solver, frame(corner.light(truth), dice))
        for name, level in solved.levels.items():
            if level.gives >= 0.05:
                errors.append(off(solved, truth, name))
            held.append(level.amount.low <= truth[name] <= level.amount.high)
    assert np.percentile(errors, 95) <= 0.08
    assert np.mean(held) >= 0.95


def test_a_presenter_is_left_out(corner: Set, solver: Solver) -> None:
    dice = np.random.default_rng(DICE + 1)
    errors, covered = [], []
    for x in (-0.6, 0.0, 0.5):
        truth = levels(dice)
        who = Presenter(x, y=1.3)
        solved = look_at(solver, frame(corner.light(truth, who), dice))
        covered.append(solved.covered)
        errors += [off(solved, truth, name) for name in ("key", "fill")]
    assert max(errors) <= 0.25
    assert min(covered) > 0.08 and max(covered) < 0.6


def test_bands_are_wider_where_somebody_stands(corner: Set, solver: Solver) -> None:
    dice = np.random.default_rng(DICE + 2)
    truth = dict.fromkeys(LAMPS, 0.5)
    free = look_at(solver, frame(corner.light(truth), dice))
    hidden = look_at(solver, frame(corner.light(truth, Presenter(0.0, y=0.9)), dice))

    def width(solved: Solved) -> float:
        bands = [level.amount for level in solved.levels.values()]
        return float(np.mean([band.high - band.low for band in bands]))

    assert width(hidden) > 1.2 * width(free)


def test_a_lamp_too_weak_to_tell_says_so() -> None:
    lamps = {**LAMPS, "spark": Lamp((0.3, 3.0, 2.0), (0.0, 0.0, 1.2), 0.004)}
    room = made(2, lamps)
    dice = np.random.default_rng(DICE + 3)
    solved = look_at(Solver(room.learned), frame(room.light(dict.fromkeys(lamps, 0.5)), dice))
    spark = solved.levels["spark"]
    assert not spark.tells
    assert spark.amount.low <= 0.5 <= spark.amount.high
    assert solved.levels["key"].tells


def twins() -> Set:
    key = LAMPS["key"]
    beside = (key.at[0] + 0.03, key.at[1], key.at[2])
    return made(3, {**LAMPS, "twin": replace(key, at=beside)})


def test_two_lamps_that_are_nearly_one_picture_have_wide_bands() -> None:
    room = twins()
    dice = np.random.default_rng(DICE + 4)
    truth = {**dict.fromkeys(LAMPS, 0.5), "key": 0.7, "twin": 0.3}
    solved = look_at(Solver(room.learned), frame(room.light(truth), dice))
    for name in ("key", "twin"):
        band = solved.levels[name].amount
        assert band.high - band.low > 0.3
        assert band.low <= truth[name] <= band.high
        assert not solved.levels[name].tells


def test_few_move_at_a_time_tells_such_a_pair_and_is_kept_apart_from_what_is_seen() -> None:
    room = twins()
    solver = Solver(room.learned)
    dice = np.random.default_rng(DICE + 5)
    before = {**dict.fromkeys(LAMPS, 0.5), "key": 0.5, "twin": 0.5}
    known = {name: Before(amount) for name, amount in before.items()}
    now = {**before, "wall-left": 0.35}
    solved = look_at(solver, frame(room.light(now), dice), known)
    twin = solved.likely["twin"]
    assert twin.moved < 0.1
    assert abs(twin.amount.value - 0.5) < 0.03
    assert solved.likely["wall-left"].moved > 0.95
    assert not solved.levels["twin"].tells, "what the picture alone says stays as wide"


def test_what_the_picture_clearly_says_wins_over_what_is_likely(
    corner: Set, solver: Solver
) -> None:
    dice = np.random.default_rng(DICE + 6)
    known = {name: Before(0.5) for name in LAMPS}
    truth = {name: 0.5 * 2.0 ** (0.6 if i % 2 else -0.6) for i, name in enumerate(LAMPS)}
    solved = look_at(solver, frame(corner.light(truth), dice), known)
    for name in ("key", "fill", "wall-left", "wall-right"):
        assert solved.likely[name].moved > 0.95
        assert abs(math.log2(solved.likely[name].amount.value / truth[name])) < 0.1


def test_all_lamps_off(corner: Set, solver: Solver) -> None:
    dice = np.random.default_rng(DICE + 7)
    solved = look_at(solver, frame(np.zeros_like(corner.alone["key"]), dice))
    for name, level in solved.levels.items():
        assert level.amount.low <= 0.0 + 1e-9, name
        assert level.amount.high >= 0.0
    assert solved.levels["key"].amount.value < 0.05


def test_a_lamp_of_two_whites_has_a_white() -> None:
    whites = {"key": ((3000.0, WARM), (6000.0, COOL))}
    room = made(4, whites=whites)
    dice = np.random.default_rng(DICE + 8)
    light = sum(room.alone[name] * 0.5 for name in LAMPS if name != "key")
    light = light + room.alone["key"] * (0.45 * WARM + 0.15 * COOL)
    level = look_at(Solver(room.learned), frame(np.asarray(light), dice)).levels["key"]
    assert level.amount.low <= 0.6 <= level.amount.high
    assert level.cct is not None
    # three quarters of the warm end: by colour-science, X, Y, Z of both added, CCT by Ohno 2013
    assert level.cct.low < 3471.0 < level.cct.high
    assert level.cct.high - level.cct.low < 800.0


@pytest.mark.parametrize("code", [0, 255, 128])
def test_a_frame_of_one_tone_is_no_confident_lie(solver: Solver, code: int) -> None:
    columns, rows = solver.size
    solved = look_at(solver, np.full((rows, columns, 3), code, np.uint8))
    if code == 0:
        assert all(level.amount.low == 0.0 for level in solved.levels.values())
    elif code == 255:
        assert not any(level.tells for level in solved.levels.values())
    else:
        assert solved.covered > 0.4 or solved.residual > 0.2


def test_what_is_no_number_is_left_out(corner: Set, solver: Solver) -> None:
    truth = dict.fromkeys(LAMPS, 0.5)
    light = corner.light(truth).astype(np.float32)
    light[:60, :200] = np.nan
    light[100, 100] = np.inf
    solved = solver.look(light)
    assert np.isfinite(solved.x).all()
    assert off(solved, truth, "key") < 0.1
    solved = solver.look(np.full_like(light, np.nan))
    assert not any(level.tells for level in solved.levels.values())


def test_what_is_clipped_is_left_out(corner: Set, solver: Solver) -> None:
    dice = np.random.default_rng(DICE + 9)
    truth = dict.fromkeys(LAMPS, 0.5)
    light = corner.light(truth)
    light[40:120, 30:150] *= 8.0
    solved = look_at(solver, frame(light, dice))
    assert off(solved, truth, "key") < 0.1
    assert off(solved, truth, "wall-right") < 0.1


def test_no_frame_of_this_camera(solver: Solver) -> None:
    with pytest.raises(ValueError, match="480 × 272"):
        look_at(solver, np.zeros((100, 100, 3), np.uint8))
    with pytest.raises(ValueError, match="bytes"):
        look_at(solver, np.zeros((272, 480, 3), np.float32))  # type: ignore[arg-type]
    with pytest.raises(ValueError, match="rows"):
        solver.look(np.zeros((272, 480), np.float32))


@pytest.mark.parametrize("across", [True, False])
def test_somebodys_shade_on_one_lamps_light_is_in_the_others_bands(
    corner: Set, solver: Solver, across: bool
) -> None:
    """They stand before a soft lamp: it gives less to one side, and no smooth error of all light."""
    dice = np.random.default_rng(10)
    who = Presenter(0.0, y=0.9)
    ramp = np.linspace(0, 1, 480)[None, :] ** 2 if across else np.linspace(0, 1, 272)[:, None] ** 2
    alone = {n: 0.5 * corner.room.alone(lamp, who) * corner.scale for n, lamp in LAMPS.items()}
    alone["fill"] = alone["fill"] * (1 - 0.25 * ramp)[..., None]
    solved = look_at(solver, frame(np.asarray(sum(alone.values())), dice))
    for name in ("key", "hair", "wall-left", "wall-right"):
        band = solved.levels[name].amount
        assert band.low <= 0.5 <= band.high, name


def test_what_is_likely_of_a_frame_does_not_go_by_what_was_asked_before(corner: Set) -> None:
    """Some of it is worked out once for a frame and what that is held against, and kept."""
    dice = np.random.default_rng(DICE + 40)
    look = dict.fromkeys(LAMPS, 0.5)
    asked = Solver(corner.learned)
    was = look_at(asked, frame(corner.light(look), dice))
    one = look_at(asked, frame(corner.light({**look, "key": 0.4}), dice))
    other = look_at(asked, frame(corner.light({**look, "fill": 0.7}), dice))
    before = {name: Before(0.5) for name in LAMPS}
    told = {**before, "key": Before(0.4)}
    turns = [(one, before, was), (one, told, was), (other, told, was), (other, told, None)]
    for found, then, against in (*turns, *reversed(turns)):
        wants = Solver(corner.learned).suppose(found, then, against)
        supposed = asked.suppose(found, then, against)
        assert np.array_equal(supposed.amounts, wants.amounts)
        assert supposed.lights == wants.lights
