"""Evenings with light sensors and with things that run out: the laws hold, and bugs are found."""

from __future__ import annotations

import random

import pytest

from studiobridge.control.metering import Metering
from studiobridge.control.supplies import Supplies
from studiobridge.profile.model import SetProfile
from studiobridge.rehearsal.broker import Trouble
from tests.simulate.evening import Evening, play
from tests.simulate.senses import with_senses
from tests.simulate.sets import made_up


def sensing(seed: int, seldom: bool = True) -> SetProfile:
    return with_senses(made_up(seed, seldom=seldom), random.Random(f"senses {seed}"))


@pytest.mark.parametrize("first", range(0, 20, 10))
def test_every_law_with_sensors_and_what_runs_out(first: int) -> None:
    failed = []
    for seed in range(first, first + 10):
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


def dials(profile: SetProfile) -> list[str]:
    """Lamps on dials that light sensors know the figures of."""
    day = profile.looks["day"].presets
    return [
        name
        for name, device in profile.devices.items()
        if device.hand_set and device.output is not None and name in day and day[name].level
    ]


# Of the first 320 sets with dials (without gear that may never be proven) those in which a sensor
# can name one: in the others another light, or the daylight, could have done it.
DIALS = (64, 168, 197)


def hands_at_the_dials(seed: int) -> tuple[int, list[str]]:
    """Dials are turned and turned back: how often one was named, and what was wrong about that."""
    profile, dice = sensing(seed, seldom=False), random.Random(f"dials {seed}")
    evening = Evening(profile, seed, Trouble(), calm=True, seldom=False)
    evening.gear(evening.room.begin(0.0, up=False))
    evening.run(0.5)
    evening.start_bridge()
    evening.run(30.0)  # what there is besides the lamps is seen in the dark
    evening.ask("up")
    evening.run(90.0)
    evening.turn_dials()
    evening.run(90.0)
    named, wrong = 0, []
    for _ in range(4):
        name = dice.choice(dials(profile))
        before = evening.room.devices[name].level
        for level in (before * dice.uniform(0.0, 0.4), before):
            evening.gear(evening.room.touch(name, evening.now, level=level))
            evening.run(60.0)
            for lamp, belief in evening.core.controller.beliefs.of.items():
                band = belief.band("is it so", "level")
                truly = evening._truly_at(lamp) if belief.device.fixture else None
                if band is None or band.by != "sensor" or truly is None:
                    continue
                named += band.high - band.low < 100.0
                if not band.low - 1.0 <= truly <= band.high + 1.0:
                    wrong.append(f"seed {seed}: {lamp} at {truly:.0f} %, named {band}")
    return named, wrong


def test_a_light_that_a_sensor_names_is_truly_there() -> None:
    found = [hands_at_the_dials(seed) for seed in DIALS]
    assert [text for _, wrong in found for text in wrong] == []
    assert sum(named for named, _ in found) >= 5, "else nothing was looked at"


def test_a_sensor_that_takes_every_dial_to_have_stood_at_full_is_found(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr(Metering, "_base", lambda self, name: 100.0)
    assert any(wrong for _, wrong in map(hands_at_the_dials, DIALS))
