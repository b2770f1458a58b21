"""Evenings with light sensors and with things that run out: the laws hold, and bugs are found."""

from __future__ import annotations

import random

import pytest

from studiobridge.control.metering import Metering
from studiobridge.control.supplies import Supplies
from studiobridge.profile.model import SetProfile
from tests.simulate.evening import play
from tests.simulate.senses import with_senses
from tests.simulate.sets import made_up


def sensing(seed: int) -> SetProfile:
    return with_senses(made_up(seed), random.Random(f"senses {seed}"))


@pytest.mark.parametrize("first", range(0, 60, 20))
def test_every_law_with_sensors_and_what_runs_out(first: int) -> None:
    failed = []
    for seed in range(first, first + 20):
        outcome = play(sensing(seed), seed)
        failed += [f"seed {seed}: {breach}" for breach in outcome.breaches[:1]]
    assert failed == []


def test_nothing_drifts_by_a_sensor_when_nobody_is_there() -> None:
    failed = []
    for seed in range(15):
        outcome = play(sensing(seed), seed, calm=True)
        failed += [f"seed {seed}: {breach}" for breach in outcome.breaches[:1]]
    assert failed == []


def say_nothing_of_what_is_low(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(Supplies, "low", lambda self, at: [])


def take_a_kept_word_for_one_of_now(monkeypatch: pytest.MonkeyPatch) -> None:
    hear = Supplies.hear
    monkeypatch.setattr(
        Supplies,
        "hear",
        lambda self, name, point, value, kept, at: hear(self, name, point, value, False, at),
    )


def never_take_it_back(monkeypatch: pytest.MonkeyPatch) -> None:
    hear = Supplies.hear

    def first_word(self: Supplies, name, point, value, kept, at):  # type: ignore[no-untyped-def]
        if (name, point) not in self._low:
            hear(self, name, point, value, kept, at)

    monkeypatch.setattr(Supplies, "hear", first_word)


def show_an_old_reading_as_one_of_now(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(Metering, "fresh", lambda self, name, at: self.of[name].lux is not None)


BUGS = [
    say_nothing_of_what_is_low,
    take_a_kept_word_for_one_of_now,
    never_take_it_back,
    show_an_old_reading_as_one_of_now,
]


@pytest.mark.parametrize("bug", BUGS, ids=lambda bug: bug.__name__)
def test_a_bug_put_in_on_purpose_is_found(bug, monkeypatch: pytest.MonkeyPatch) -> None:  # type: ignore[no-untyped-def]
    bug(monkeypatch)
    for seed in range(120):
        found = [b for b in play(sensing(seed), seed).breaches if b.startswith("law 14")]
        if found:
            print(f"{bug.__name__}: seed {seed}: {found[0]}")
            return
    raise AssertionError(f"{bug.__name__} was not found")
