"""The laws hold for every slot of every frame, and a planted fault is seen."""

from __future__ import annotations

import random

import pytest

from studiobridge.bridge.universe import Frames
from studiobridge.control.belief import Belief
from studiobridge.control.plan import order_problems
from tests.simulate.evening import Outcome, play
from tests.simulate.frames import with_listeners
from tests.simulate.sets import made_up, within_its_circuits

CHUNK = 25


def an_evening(seed: int, calm: bool = False) -> Outcome | None:
    """None where this seed's set cannot be with more lights in it."""
    made = with_listeners(made_up(seed), random.Random(f"slots {seed}"))
    if order_problems(made) or not within_its_circuits(made):
        return None
    return play(made, seed, calm=calm)


def breaches(seeds: range, calm: bool = False) -> list[str]:
    found = []
    for seed in seeds:
        outcome = an_evening(seed, calm)
        if outcome is not None and outcome.breaches:
            found.append(f"seed {seed}: {outcome.breaches[0]}")
    return found


@pytest.mark.parametrize("first", range(0, 100, CHUNK))
def test_every_law_holds_for_every_frame(first: int) -> None:
    assert breaches(range(first, first + CHUNK)) == []


def test_nothing_is_harmed_when_nobody_is_there() -> None:
    assert breaches(range(15), calm=True) == []


def first_breach(law: str, first: int = 0) -> str | None:
    for seed in range(first, first + 40):
        found = breaches(range(seed, seed + 1))
        if found and law in found[0]:
            return found[0]
    return None


def test_slots_raised_under_a_lockout_are_seen(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(Frames, "lock", lambda self, names, at: None)
    assert first_breach("law 1", 40) is not None


def test_a_fade_that_goes_on_in_a_take_is_seen(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(Frames, "hold", lambda self, held, at: None)
    assert first_breach("law 2", 100) is not None  # few takes begin while a light fades


def test_ready_said_of_what_was_never_told_is_seen(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(Belief, "unreached", property(lambda self: None))
    assert first_breach("law 7") is not None


def test_a_stream_that_starts_by_itself_is_seen(monkeypatch: pytest.MonkeyPatch) -> None:
    def at_once(self: Frames, name: str, level: float, cct: float | None) -> None:
        self.tell(name, {"level": level}, 0.0, 0.0)

    monkeypatch.setattr(Frames, "suppose", at_once)
    assert first_breach("law 8") is not None
