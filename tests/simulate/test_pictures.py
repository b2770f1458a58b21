"""Evenings with a witness that tells the truth, or lies: the laws hold."""

from __future__ import annotations

import random

from tests.simulate.evening import Outcome, play
from tests.simulate.pictures import Watched, with_pictures
from tests.simulate.sets import made_up


def one(seed: int) -> Outcome:
    profile = with_pictures(made_up(seed), random.Random(f"pictures {seed}"))
    return play(profile, seed, evening_of=Watched)


def test_every_law_whatever_the_picture_says() -> None:
    failed = []
    for seed in range(7):
        failed += [f"seed {seed}: {breach}" for breach in one(seed).breaches[:1]]
    assert failed == []
