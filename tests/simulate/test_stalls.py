"""Laws 10, 13 and 15 hold whatever stalls, and each of these checks can fail."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest

from studiobridge.bridge import channel, delivery, ownership
from studiobridge.control.words import Words
from studiobridge.profile import read_profile
from tests.simulate.stalls import Outcome, play

CONFIG = Path(__file__).parents[2] / "config"
PROFILES = [
    read_profile(CONFIG / f"{name}.yaml").profile for name in ("wheel-corner", "one-plug-one-light")
]


def evenings(first: int, count: int) -> list[Outcome]:
    return [play(PROFILES[seed % len(PROFILES)], seed) for seed in range(first, first + count)]


@pytest.mark.parametrize("first", range(0, 60, 30))
def test_whatever_stalls(first: int) -> None:
    outcomes = evenings(first, 30)
    assert [f"seed {o.seed}: {o.breaches[0]}" for o in outcomes if o.breaches] == []
    # and things did happen
    assert sum(o.told for o in outcomes) > 30
    assert sum(o.epochs > 1 for o in outcomes) > 3


def never_cut(monkeypatch: pytest.MonkeyPatch) -> None:
    """A command waits in the link for as long as the link holds it."""
    monkeypatch.setattr(delivery.Delivery, "overdue", lambda self, at: None)


def goes_on_as_if_nothing_was(monkeypatch: pytest.MonkeyPatch) -> None:
    """A bridge that stood still tells what it was about to, and looks round afterwards."""
    monkeypatch.setattr(ownership.Ownership, "may_tell", lambda self, at: self.stage == "running")
    monkeypatch.setattr(ownership.Ownership, "_stood_still", lambda self, at: [])
    monkeypatch.setattr(delivery.Delivery, "overdue", lambda self, at: None)


def nobody_stands_down(monkeypatch: pytest.MonkeyPatch) -> None:
    """Two that run the set both go on."""
    heard = ownership.Ownership.beat_heard

    def deaf(self: ownership.Ownership, beat: ownership.Beat, retained: bool, at: float) -> object:
        if beat.bridge != self.bridge and self.epoch:
            return []
        return heard(self, beat, retained, at)

    monkeypatch.setattr(ownership.Ownership, "beat_heard", deaf)


def never_careful(monkeypatch: pytest.MonkeyPatch) -> None:
    """A lockout is a plain yes, whatever is still on its way and whatever has not answered."""
    monkeypatch.setattr(channel.Channel, "_careful", lambda self, answer, covered, at: answer)
    monkeypatch.setattr(Words, "_why_careful", lambda self, target, at: ([], {}))


# `found_in`: the evening that found it when it was looked up, looked at first; the others when it
# has become another evening
@pytest.mark.parametrize(
    ("bug", "law", "found_in"),
    [
        (never_cut, 10, 2),
        (goes_on_as_if_nothing_was, 13, 101),
        (nobody_stands_down, 13, 5),
        (never_careful, 15, 141),
    ],
)
def test_a_bug_that_was_planted_is_found(
    bug: Callable[[pytest.MonkeyPatch], None],
    law: int,
    found_in: int,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    bug(monkeypatch)
    wanted = f"law {law} at"
    seeds = dict.fromkeys((found_in, *range(150)))
    assert any(b.startswith(wanted) for seed in seeds for b in evenings(seed, 1)[0].breaches)
