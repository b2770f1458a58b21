"""The laws hold for every slot of every frame, and a planted fault is seen."""

from __future__ import annotations

import random
from dataclasses import replace
from pathlib import Path

import pytest

from studiobridge.bridge.universe import Frames
from studiobridge.control.belief import Belief
from studiobridge.control.plan import order_problems
from studiobridge.profile import read_profile
from studiobridge.rehearsal.broker import Trouble
from tests.simulate.evening import Evening, Outcome, play
from tests.simulate.frames import with_listeners
from tests.simulate.sets import made_up, within_its_circuits

CHUNK = 12
TABLE = read_profile(Path(__file__).parents[2] / "config" / "two-person-table.yaml").profile


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


@pytest.mark.parametrize("first", range(0, 24, CHUNK))
def test_every_law_holds_for_every_frame(first: int) -> None:
    assert breaches(range(first, first + CHUNK)) == []


def test_nothing_is_harmed_when_nobody_is_there() -> None:
    assert breaches(range(15), calm=True) == []


def first_breach(law: str, first: int = 0, likely: int | None = None) -> str | None:
    """In forty evenings; the one that found it when it was looked up is looked at first."""
    for seed in dict.fromkeys((first if likely is None else likely, *range(first, first + 40))):
        found = breaches(range(seed, seed + 1))
        if found and law in found[0]:
            return found[0]
    return None


def test_slots_raised_under_a_lockout_are_seen(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(Frames, "lock", lambda self, names, at: None)
    assert first_breach("law 1", 40, likely=59) is not None


def a_take_that_begins_in_a_fade(seed: int) -> list[str]:
    """The hair light of the table takes half a minute to come up; a camera rolls before it has."""
    devices = {**TABLE.devices, "hair": replace(TABLE.devices["hair"], fade=30.0)}
    evening = Evening(replace(TABLE, devices=devices), seed, Trouble(), True, False, False)
    evening.gear(evening.room.begin(0.0, up=False))
    evening.run(0.5)
    evening.start_bridge()
    evening.run(5.0)
    evening.ask("up")
    evening.run(20.0)
    assert not evening.laws.breaches
    evening.ask("rolling_on", targets=["camera"])
    evening.gear(evening.room.roll("camera", evening.now, True))
    evening.run(20.0)
    return list(evening.laws.breaches)


def test_a_fade_that_goes_on_in_a_take_is_seen(monkeypatch: pytest.MonkeyPatch) -> None:
    assert a_take_that_begins_in_a_fade(1) == []
    monkeypatch.setattr(Frames, "hold", lambda self, held, at: None)
    assert any("law 2" in breach for breach in a_take_that_begins_in_a_fade(1))


def test_ready_said_of_what_was_never_told_is_seen(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(Belief, "unreached", property(lambda self: None))
    assert first_breach("law 7") is not None


def test_a_stream_that_starts_by_itself_is_seen(monkeypatch: pytest.MonkeyPatch) -> None:
    def at_once(self: Frames, name: str, level: float, cct: float | None) -> None:
        self.tell(name, {"level": level}, 0.0, 0.0)

    monkeypatch.setattr(Frames, "suppose", at_once)
    assert first_breach("law 8") is not None
