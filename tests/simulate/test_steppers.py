"""Evenings in which people change single lights by small steps: the laws hold, bugs are found."""

from __future__ import annotations

from collections.abc import Callable

import pytest

from studiobridge.control import stepping
from studiobridge.control.belief import Belief
from studiobridge.control.holding import Holding
from tests.simulate.evening import Evening, Outcome, play
from tests.simulate.sets import made_up
from tests.simulate.steppers import Stepping

TOLD = 0


class Counted(Stepping):
    """The same, and how many steps were told in all: evenings in which none is prove nothing."""

    def _told(self, message) -> None:  # type: ignore[no-untyped-def]
        global TOLD
        before = self.steps_told
        super()._told(message)
        TOLD += self.steps_told - before


def one(seed: int, of: type[Evening] = Counted) -> Outcome:
    return play(made_up(seed), seed, evening_of=of)


def test_every_law_with_small_steps() -> None:
    told, failed = TOLD, []
    for seed in range(20):
        failed += [f"seed {seed}: {breach}" for breach in one(seed).breaches[:1]]
    assert failed == []
    assert TOLD - told > 30, "else nothing was looked at"


# A light told "on" with each level after a restart; a preset between two steps of a light; a press
# that waited behind a restore which waited for a camera, and woke itself for ever; a step that was
# forgotten when the press after it was refused.
MENDED = (106, 179, 733, 886)


@pytest.mark.parametrize("seed", MENDED)
def test_what_was_found_stays_mended(seed: int) -> None:
    assert one(seed).breaches == []


def confirm_by_tolerance_and_call_it_ready(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(
        Belief,
        "exactly",
        lambda self, point, wanted, said, within=None: self.same(point, wanted, said),
    )


def put_back_what_was_stepped(monkeypatch: pytest.MonkeyPatch) -> None:
    put_back = Holding._put_back

    def fights(self: Holding, at: float) -> tuple[str, ...]:
        self.beliefs.stepped.clear()
        self.desk.tried_out.clear()
        return put_back(self, at)

    monkeypatch.setattr(Holding, "_put_back", fights)


def as_fast_as_fingers(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("studiobridge.control.adjusting.pace", lambda *told: 0.0)


def jump(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(stepping.MOST, "level", 20.0)
    stepped = stepping.stepped
    monkeypatch.setattr(
        "studiobridge.control.adjusting.stepped",
        lambda device, grid, point, start, by: stepped(device, grid, point, start, by * 20),
    )


@pytest.mark.parametrize(
    ("bug", "law"),
    [
        (put_back_what_was_stepped, "law 12"),
        (as_fast_as_fingers, "law 8"),
        (jump, "law 8"),
        (confirm_by_tolerance_and_call_it_ready, "law 14"),
    ],
)
def test_planted_bugs_are_found(
    bug: Callable[[pytest.MonkeyPatch], None], law: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    bug(monkeypatch)
    for seed in range(60):
        found = one(seed).breaches
        if found:
            assert found[0].startswith(law), f"seed {seed}: {found[0]}"
            return
    raise AssertionError("no evening found it")
