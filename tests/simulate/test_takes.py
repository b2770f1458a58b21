"""Evenings with takes: each stretch of rolling is one, and planted bugs are found."""

from __future__ import annotations

from collections.abc import Callable

import pytest

from studiobridge.control.effects import Memory
from studiobridge.control.standing import Rolled
from studiobridge.control.takes import Takes
from tests.simulate.evening import Outcome, play
from tests.simulate.sets import made_up
from tests.simulate.takes import Filmed


def one(seed: int) -> Outcome:
    return play(made_up(seed), seed, evening_of=Filmed)


@pytest.mark.parametrize("first", range(0, 20, 10))
def test_every_stretch_of_rolling_is_one_take(first: int) -> None:
    failed = []
    for seed in range(first, first + 10):
        failed += [f"seed {seed}: {breach}" for breach in one(seed).breaches[:1]]
    assert failed == []


def forget_the_take_under_way(monkeypatch: pytest.MonkeyPatch) -> None:
    """As if a bridge that starts again knew only which number comes next."""
    remember = Takes._remember

    def forgets(self: Takes, memory: Memory, now: float) -> None:
        self.tally.takes.clear()
        remember(self, memory, now)

    monkeypatch.setattr(Takes, "_remember", forgets)


def smooth_a_dropout(monkeypatch: pytest.MonkeyPatch) -> None:
    """As if a camera that rolls again at once had never stopped."""
    begin, camera = Takes._begin, Takes._camera
    ended: dict[int, float] = {}

    def ends(self: Takes, one: Rolled) -> None:
        camera(self, one)
        if not one.rolls:
            ended[id(self)] = one.at

    def begins(self: Takes, at: float, *more: object) -> None:
        if at - ended.get(id(self), -9.0) < 2.0:
            self._steady = at
            return
        begin(self, at, *more)  # type: ignore[arg-type]

    monkeypatch.setattr(Takes, "_camera", ends)
    monkeypatch.setattr(Takes, "_begin", begins)


def end_with_the_first_camera(monkeypatch: pytest.MonkeyPatch) -> None:
    camera = Takes._camera

    def ends(self: Takes, one: Rolled) -> None:
        if not one.rolls:
            self._rolling &= {one.camera}
        camera(self, one)

    monkeypatch.setattr(Takes, "_camera", ends)


def count_anew_after_a_restart(monkeypatch: pytest.MonkeyPatch) -> None:
    """As if it had begun when the next bridge did."""
    remember = Takes._remember

    def shorter(self: Takes, memory: Memory, now: float) -> None:
        remember(self, memory, now)
        if self._steady is not None:
            self._steady = now

    monkeypatch.setattr(Takes, "_remember", shorter)


@pytest.mark.parametrize(
    "bug",
    [
        forget_the_take_under_way,
        smooth_a_dropout,
        end_with_the_first_camera,
        count_anew_after_a_restart,
    ],
)
def test_planted_bugs_are_found(
    bug: Callable[[pytest.MonkeyPatch], None], monkeypatch: pytest.MonkeyPatch
) -> None:
    bug(monkeypatch)
    for seed in range(30):
        found = one(seed).breaches
        if found:
            assert found[0].startswith("takes"), f"seed {seed}: {found[0]}"
            return
    raise AssertionError("no evening found it")
