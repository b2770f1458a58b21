"""Evenings with a witness that tells the truth, or lies: the laws hold."""

from __future__ import annotations

import os
import random
from collections.abc import Callable
from dataclasses import replace

import pytest

from studiobridge.control.events import Sighted
from studiobridge.control.sight import Sight
from tests.simulate.evening import Outcome, play
from tests.simulate.pictures import Watched, with_pictures
from tests.simulate.sets import made_up

EVENINGS = int(os.environ.get("PICTURE_EVENINGS", "7"))


def one(seed: int) -> Outcome:
    profile = with_pictures(made_up(seed), random.Random(f"pictures {seed}"))
    return play(profile, seed, evening_of=Watched)


def test_every_law_whatever_the_picture_says() -> None:
    failed = []
    for seed in range(EVENINGS):
        failed += [f"seed {seed}: {breach}" for breach in one(seed).breaches[:1]]
    assert failed == []


def believe_every_lamp(monkeypatch: pytest.MonkeyPatch) -> None:
    """As if the picture proved also those lamps whose profile names another proof."""
    believe = Sight._believe

    def believes(self: Sight, event: Sighted, taken: float) -> set[str]:
        of = self.desk.beliefs.of
        devices = {name: belief.device for name, belief in of.items()}
        for name in event.sighting.lights:
            of[name].device = replace(devices[name], proof="picture")
        news = believe(self, event, taken)
        for name in event.sighting.lights:
            of[name].device = devices[name]
        return news

    monkeypatch.setattr(Sight, "_believe", believes)


def never_forget_what_was_seen(monkeypatch: pytest.MonkeyPatch) -> None:
    """As if one look held for the whole evening, also after the witness has left."""
    monkeypatch.setattr(Sight, "_lose", lambda self, at, everything: set())


@pytest.mark.parametrize(
    ("bug", "seeds", "law"),
    [
        (believe_every_lamp, range(1, 4), "drifts by the picture"),
        (never_forget_what_was_seen, range(22, 24), "is shown as confirmed by the picture"),
    ],
)
def test_planted_bugs_are_found(
    bug: Callable[[pytest.MonkeyPatch], None],
    seeds: range,
    law: str,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    bug(monkeypatch)
    for seed in seeds:
        found = one(seed).breaches
        if found:
            assert law in found[0], f"seed {seed}: {found[0]}"
            return
    raise AssertionError("no evening found it")
