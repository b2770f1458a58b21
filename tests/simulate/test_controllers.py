"""Evenings with a controller that sets a set as a Homie 5 device: the laws hold, bugs are found."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import pytest

from studiobridge.bridge.presence import Presence
from tests.simulate.controllers import Controlled
from tests.simulate.evening import Outcome, play
from tests.simulate.sets import made_up


def one(seed: int) -> Outcome:
    return play(made_up(seed), seed, evening_of=Controlled)


@pytest.mark.parametrize("first", range(0, 40, 20))
def test_every_law_with_a_controller(first: int) -> None:
    failed = []
    for seed in range(first, first + 20):
        failed += [f"seed {seed}: {breach}" for breach in one(seed).breaches[:1]]
    assert failed == []


def obey_what_was_kept(monkeypatch: pytest.MonkeyPatch) -> None:
    request = Presence.request
    monkeypatch.setattr(
        Presence,
        "request",
        lambda self, message, at: request(self, replace(message, retain=False), at),
    )


def say_ready_when_all_is_told(monkeypatch: pytest.MonkeyPatch) -> None:
    """Ahead of what is believed: adrift is as good as ready."""
    values = Presence._values

    def ahead(self, state, drifts, run):  # type: ignore[no-untyped-def]
        name = "ready" if state["state"] == "adrift" else state["state"]
        return values(self, {**state, "state": name}, drifts, run)

    monkeypatch.setattr(Presence, "_values", ahead)


@pytest.mark.parametrize(
    ("bug", "law"), [(obey_what_was_kept, "law 8"), (say_ready_when_all_is_told, "law 14")]
)
def test_planted_bugs_are_found(
    bug: Callable[[pytest.MonkeyPatch], None], law: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    bug(monkeypatch)
    for seed in range(20):
        found = one(seed).breaches
        if found:
            assert found[0].startswith(law), f"seed {seed}: {found[0]}"
            return
    raise AssertionError("no evening found it")
