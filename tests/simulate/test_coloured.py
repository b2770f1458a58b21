"""Evenings with coloured fixtures: the laws hold, and ready means the colour that is on the cloth."""

from __future__ import annotations

import random

import pytest

from studiobridge.craft.chroma import apart, of_hs
from studiobridge.profile.model import SetProfile
from studiobridge.rehearsal.broker import Trouble
from tests.simulate.evening import Evening, play
from tests.simulate.sets import made_up, with_colours
from tests.simulate.test_evenings import example


def coloured(seed: int, seldom: bool = True) -> SetProfile:
    return with_colours(made_up(seed, seldom=seldom), random.Random(f"colours {seed}"))


def dyed(profile: SetProfile) -> list[str]:
    return [d.name for d in profile.devices.values() if "colour" in d.tells]


# the first seeds whose sets have a fixture that can be coloured
SEEDS = [seed for seed in range(160) if dyed(coloured(seed))][:48]


@pytest.mark.parametrize("first", range(0, 48, 12))
def test_every_law_with_coloured_fixtures(first: int) -> None:
    failed = []
    for seed in SEEDS[first : first + 12]:
        outcome = play(coloured(seed), seed)
        failed += [f"seed {seed}: {breach}" for breach in outcome.breaches[:1]]
    assert failed == []


@pytest.mark.parametrize("first", range(0, 24, 12))
def test_no_colour_drifts_when_nobody_is_there(first: int) -> None:
    """Bytes of hue, triples of red, green and blue: their own rounding reads as no drift."""
    failed = []
    for seed in SEEDS[first : first + 12]:
        outcome = play(coloured(seed), seed, calm=True)
        failed += [f"seed {seed}: {breach}" for breach in outcome.breaches[:1]]
    assert failed == []


def test_the_example_with_a_coloured_cloth() -> None:
    profile = example("green-cloth")
    assert play(profile, 1, calm=True).breaches == []
    failed = [
        f"seed {seed}: {outcome.breaches[0]}"
        for seed in range(30)
        if (outcome := play(profile, seed)).breaches
    ]
    assert failed == []


def far(evening: Evening) -> list[str]:
    """Which fixtures are truly not of the colour that the look wants."""
    desk = evening.core.controller.desk
    found = []
    for name in dyed(evening.profile):
        wanted, truly = desk.presets.get(name), evening.room.devices[name]
        if wanted is None:
            continue
        if wanted.colour is None:
            if truly.colour is not None:
                found.append(f"{name} is coloured")
        elif truly.colour is None:
            # sRGB's white is a colour too: told as one, it stays one
            found.append(f"{name} is white")
        elif apart(wanted.colour, truly.colour) > 0.012:
            found.append(f"{name} is {apart(wanted.colour, truly.colour):.3f} off")
    return found


# without gear that may never be proven, for reasons that have nothing to do with colour
PROVABLE = [seed for seed in range(80) if dyed(coloured(seed, seldom=False))][:20]


@pytest.mark.parametrize("seed", PROVABLE)
def test_ready_means_that_the_colour_is_on_the_cloth(seed: int) -> None:
    profile, dice = coloured(seed, seldom=False), random.Random(f"hands {seed}")
    names = dyed(profile)
    evening = Evening(profile, seed, Trouble(), calm=True, seldom=False)
    evening.gear(evening.room.begin(0.0, up=False))
    evening.run(0.5)
    evening.start_bridge()
    evening.run(5.0)
    evening.ask("up")
    evening.run(120.0)
    controller = evening.core.controller
    assert controller.state == "ready", controller.why
    assert far(evening) == []
    for _ in range(6):
        name = dice.choice(names)
        truly = evening.room.devices[name]
        turned = of_hs(dice.uniform(0, 360), dice.choice([0.3, 0.9]))
        if dice.random() < 0.3 and profile.devices[name].either:
            evening.gear(evening.room.touch(name, evening.now, cct=5600.0))
        else:
            evening.gear(evening.room.touch(name, evening.now, colour=turned))
        evening.run(10.0)
        if truly.lit and far(evening):
            assert controller.state == "adrift", (seed, name)
            assert name in {device for device, _ in controller.watcher.drifts}
        what = dice.choice(["restore", "dusk", "day"])
        if what == "restore":
            evening.ask("restore")
        else:
            evening.ask("up", look=what)
        evening.run(60.0)
        assert controller.state == "ready", controller.why
        assert far(evening) == []
