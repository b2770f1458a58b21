"""Evenings of takes with a witness that lies, stalls or dies: no picture is shown as of another time."""

from __future__ import annotations

import os
import random
from collections.abc import Callable, Iterable
from dataclasses import replace

import pytest

from studiobridge.control import seen_in_take, seen_then
from studiobridge.control.changing import Changed
from studiobridge.control.events import Sighted
from studiobridge.control.seen_in_take import SeenInTake
from studiobridge.control.sight import Sight
from studiobridge.control.standing import Standing
from tests.simulate.evening import Evening, Outcome, play
from tests.simulate.pictures import with_pictures
from tests.simulate.sets import made_up
from tests.simulate.shots import Shot

# Short evenings with many takes; with more of them asked for, these and those from 0 on.
SEEDS = (5, 7, 13)
EVENINGS = int(os.environ.get("SHOT_EVENINGS", "0"))


def one(seed: int, kind: type[Evening] = Shot) -> Outcome:
    profile = with_pictures(made_up(seed), random.Random(f"pictures {seed}"))
    return play(profile, seed, evening_of=kind)


def test_no_take_shows_a_picture_as_if_of_another_time() -> None:
    kept, compared = [], []

    class Counted(Shot):
        def everything_back(self) -> None:
            super().everything_back()
            kept.append(self.kept)
            compared.append(self.compared)

    failed = []
    for seed in (*SEEDS, *range(EVENINGS)):
        failed += [f"seed {seed}: {breach}" for breach in one(seed, Counted).breaches[:1]]
    assert failed == []
    # and there were pictures to judge
    assert sum(kept) >= 20 and sum(compared) >= 100


def as_old_as_it_was_heard(monkeypatch: pytest.MonkeyPatch) -> None:
    """As if a frame were of when its message came."""
    of_look = seen_then.of_look

    def heard(event: Sighted, sight: Sight, standing: Standing, at: float) -> dict[str, object]:
        taken = None if event.taken is None else event.at
        return of_look(replace(event, taken=taken), sight, standing, at)

    monkeypatch.setattr(seen_then, "of_look", heard)
    monkeypatch.setattr(seen_in_take, "of_look", heard)


def whatever_comes_in_a_take_is_of_it(monkeypatch: pytest.MonkeyPatch) -> None:
    frame = SeenInTake._frame

    def counts(self: SeenInTake, event: Sighted, at: float, began: float) -> list[Changed]:
        return frame(self, event, at, min(began, event.taken or began))

    monkeypatch.setattr(SeenInTake, "_frame", counts)


def never_too_old(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(Sight, "fresh", lambda self, event, at: event.taken is not None)


@pytest.mark.parametrize(
    ("bug", "seeds"),
    [
        (as_old_as_it_was_heard, (5,)),
        (whatever_comes_in_a_take_is_of_it, (10,)),
        (never_too_old, (5,)),
    ],
)
def test_planted_bugs_are_found(
    bug: Callable[[pytest.MonkeyPatch], None],
    seeds: Iterable[int],
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    bug(monkeypatch)
    for seed in seeds:
        found = [b for b in one(seed).breaches if "picture" in b]
        if found:
            assert "takes at" in found[0]
            return
    raise AssertionError("no evening found it")
