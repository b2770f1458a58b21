"""Evenings of looks that only dials follow: the laws hold, bugs are found."""

from __future__ import annotations

import os
from collections.abc import Callable

import pytest

from studiobridge.control.acts import Run
from studiobridge.control.holding import Holding
from tests.simulate.dials import Dials, of_dials
from tests.simulate.evening import Outcome, play

# Each of these broke a law once; with more of them asked for, these and those from 0 on.
SEEDS = (41, 50)
EVENINGS = int(os.environ.get("DIAL_EVENINGS", "0"))


def one(seed: int, kind: type[Dials] = Dials) -> Outcome:
    return play(of_dials(seed), seed, evening_of=kind)


def test_no_look_is_ready_that_no_dial_stands_in() -> None:
    ready = []

    class Counted(Dials):
        def everything_back(self) -> None:
            super().everything_back()
            ready.append(self.turned_ready)

    failed = []
    for seed in (*SEEDS, *range(EVENINGS)):
        failed += [f"seed {seed}: {breach}" for breach in one(seed, Counted).breaches[:1]]
    assert failed == []
    assert sum(ready) >= 6, "else nothing was looked at"


def hold_nothing_that_is_locked_out(monkeypatch: pytest.MonkeyPatch) -> None:
    def let_off(self: Holding, run: Run) -> set[str]:
        return set(run.missing) | set(self.gates.locked)

    monkeypatch.setattr(Holding, "let_off", let_off)


def take_what_contradicts_for_proof(monkeypatch: pytest.MonkeyPatch) -> None:
    def doubted(self: Holding) -> dict[str, str]:
        return self.watcher.unproven(differing=False)

    monkeypatch.setattr(Holding, "doubted", doubted)


@pytest.mark.parametrize(
    ("bug", "seed"), [(hold_nothing_that_is_locked_out, 41), (take_what_contradicts_for_proof, 10)]
)
def test_planted_bugs_are_found(
    bug: Callable[[pytest.MonkeyPatch], None], seed: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    bug(monkeypatch)
    assert any(breach.startswith("law 7") for breach in one(seed).breaches)
