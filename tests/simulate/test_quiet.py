"""Law 16, evening after evening: what was made quiet comes back."""

from __future__ import annotations

import os

import pytest

from studiobridge.control.quiet import Quiet
from studiobridge.rehearsal import Trouble
from tests.simulate.quiet import QuietEvening, play_quiet, quiet_set

EVENINGS = int(os.environ.get("QUIET_EVENINGS", "25"))


def test_what_was_made_quiet_comes_back_in_every_evening() -> None:
    failed = [
        f"seed {seed}: {outcome.breaches[0]}"
        for seed in range(EVENINGS)
        if (outcome := play_quiet(seed)).breaches
    ]
    assert failed == []


def evening(seed: int = 1) -> QuietEvening:
    it = QuietEvening(quiet_set(seed), seed, Trouble())
    it.gear(it.room.begin(0.0))
    it.run(0.5)
    it.start_bridge()
    it.run(5.0)
    assert it.closed("fridge")
    return it


@pytest.mark.parametrize("jump", [0.0, -86400.0, -100.0, 86400.0])
@pytest.mark.parametrize("after", [0.0, 0.02, 0.3, 20.0])
def test_killed_at_any_moment_with_any_clock_it_comes_back(after: float, jump: float) -> None:
    it = evening()
    it.ask("quiet_on", targets=["fridge"], **{"for": "50 s"})
    it.run(after)
    it.crash(3.0, jump)
    quiet = it.profile.devices["fridge"].quiet
    assert quiet is not None
    it.run(60.0 + quiet.rests + 20.0)
    assert it.laws.breaches == [] and it.closed("fridge")


def test_clock_steps_while_it_is_quiet_make_it_neither_late_nor_early_after_a_crash() -> None:
    it = evening()
    it.ask("quiet_on", targets=["fridge"], **{"for": "55 s"})
    it.run(5.0)
    began = it.now
    it.jump(-3600.0)
    it.run(5.0)
    it.crash(1.0)
    it.run(20.0)
    assert not it.closed("fridge")  # a clock set back is not taken for a reason to end it
    quiet = it.profile.devices["fridge"].quiet
    assert quiet is not None
    it.run(55.0 - (it.now - began) + quiet.rests + 10.0)
    assert it.laws.breaches == [] and it.closed("fridge")


def test_a_lockout_in_between_and_a_crash_keep_it_off_until_it_is_released() -> None:
    it = evening()
    it.ask("quiet_on", targets=["fridge"], **{"for": "30 s"})
    it.run(5.0)
    it.ask("lockout", targets=["fridge"], by="Ana", why="its fan")
    it.run(1.0)
    it.crash(2.0)
    it.run(600.0)
    assert not it.closed("fridge")
    it.ask("release", targets=["fridge"], by="Ana")
    it.run(20.0)
    assert it.laws.breaches == [] and it.closed("fridge")


# The law has to notice: with each of these faults put in, an evening breaks it.
FAULTS = {
    "it is forgotten when the bridge starts again": ("remember", lambda self, memory, now: None),
    "its time never ends": ("_bring_back", lambda self, entry, at: None),
}


@pytest.mark.parametrize("fault", FAULTS)
def test_an_evening_with_this_fault_breaks_a_law(
    fault: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    name, wrong = FAULTS[fault]
    monkeypatch.setattr(Quiet, name, wrong)
    assert any(play_quiet(seed).breaches for seed in range(30))
