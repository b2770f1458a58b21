"""A universe in virtual time: what its frames hold, and when they leave."""

from __future__ import annotations

import itertools

import pytest

from studiobridge.bridge.universe import AGAIN, CLOSEST, EVERY, Frame, Frames
from studiobridge.profile.model import Slots, Span, Universe
from studiobridge.speech.slots import read

HAIR = Slots(7, 1, 1, 2, 3, None, Span(2700, 6500), {5: 255})
BACK = Slots(7, 10, 1)


class Play:
    """A universe and a clock that moves only when told."""

    def __init__(self) -> None:
        self.universe = Frames(Universe(7), {"hair": HAIR, "back": BACK})
        self.now = 100.0
        self.sent: list[tuple[float, Frame]] = []

    def go(self, seconds: float, late: float = 0.0) -> list[tuple[float, Frame]]:
        """Let time go by, each frame sent so much (s) after it was due; returns what was sent."""
        end, before = self.now + seconds, len(self.sent)
        while (due := self.universe.next_due()) is not None and max(due + late, self.now) <= end:
            self.now = max(due + late, self.now)
            frame = self.universe.frame(self.now)
            assert frame is not None
            self.sent.append((self.now, frame))
        self.now = end
        return self.sent[before:]

    def tell(self, name: str, level: float, fade: float = 0.0, cct: float | None = None) -> bool:
        values = {"level": level} if cct is None else {"level": level, "cct": cct}
        return self.universe.tell(name, values, fade, self.now)  # type: ignore[arg-type]

    def levels(self, name: str = "hair") -> list[float]:
        slots = HAIR if name == "hair" else BACK
        return [read(slots, frame.slots)[0] for _, frame in self.sent]


def gaps(sent: list[tuple[float, Frame]]) -> list[float]:
    return [b - a for (a, _), (b, _) in itertools.pairwise(sent)]


def test_nothing_is_sent_before_a_fixture_is_told_something() -> None:
    play = Play()
    play.universe.lock({"hair"}, play.now)
    play.universe.lock((), play.now)
    play.universe.hold(True, play.now)
    play.universe.hold(False, play.now)
    play.universe.end(play.now)
    assert play.go(60) == []


def test_what_does_not_change_is_said_three_times_and_then_every_800_to_1000_ms() -> None:
    # ANSI E1.31-2018, 6.6.2 (from memory)
    play = Play()
    play.tell("hair", 40)
    found = gaps(play.go(10))
    assert found[:2] == pytest.approx([EVERY, EVERY])
    assert len(found) >= 10
    assert all(0.8 <= gap <= 1.0 for gap in found[2:])


def test_a_fade_is_even_and_no_faster_than_44_a_second() -> None:
    play = Play()
    play.tell("hair", 100, fade=4)
    sent = play.go(4.2)
    assert min(gaps(sent)) >= 1 / 44 - 1e-9
    levels = play.levels()
    steps = [b - a for a, b in itertools.pairwise(levels)]
    assert max(steps) <= 100 * EVERY / 4 + 100 / 65535
    assert min(steps) >= 0
    assert levels[-1] == 100
    assert sum(step > 0 for step in steps) >= 158


def test_a_long_fade_of_16_bits_has_no_step_over_a_thousandth() -> None:
    play = Play()
    play.tell("hair", 100, fade=30)
    play.go(31)
    levels = play.levels()
    assert max(b - a for a, b in itertools.pairwise(levels)) <= 0.1
    assert levels[-1] == 100


def test_frames_that_leave_late_stay_apart_and_a_fade_takes_no_longer_by_them() -> None:
    play = Play()
    play.tell("hair", 100, fade=4)
    sent = play.go(4.3, late=0.004)
    assert min(gaps(sent)) >= CLOSEST - 1e-9
    done = next(at for (at, _), level in zip(play.sent, play.levels(), strict=True) if level == 100)
    assert done == pytest.approx(104, abs=0.1)


@pytest.mark.parametrize("gap", [5.0, 3600.0, 1e9, -50.0])
def test_a_pause_or_a_clock_that_steps_makes_no_jump(gap: float) -> None:
    play = Play()
    play.tell("hair", 100, fade=4)
    play.go(1)
    before = play.levels()[-1]
    play.now += gap
    frame = play.universe.frame(max(play.now, 0.0))
    if frame is not None:
        assert read(HAIR, frame.slots)[0] <= before + 100 * 0.1 / 4 + 0.01
    play.now = max(play.now, 101.0)
    play.go(4)
    assert play.levels()[-1] == 100


def test_a_white_walks_evenly_in_mired_beside_the_level() -> None:
    play = Play()
    play.tell("hair", 50, cct=3000)
    play.go(1)
    play.tell("hair", 60, fade=2, cct=6000)
    play.go(1)
    white = read(HAIR, play.sent[-1][1].slots)[1]
    # half way from 333.3 to 166.7 mired is 250: 4000 K
    assert white == pytest.approx(4000, abs=60)
    play.go(2)
    assert read(HAIR, play.sent[-1][1].slots)[1] == pytest.approx(6000, abs=8)


def test_in_the_dark_a_white_is_there_at_once() -> None:
    play = Play()
    play.tell("hair", 60, fade=2, cct=6000)
    play.go(0.1)
    assert read(HAIR, play.sent[0][1].slots)[1] == pytest.approx(6000, abs=8)


def test_who_was_told_nothing_stays_at_0_beside_one_that_was() -> None:
    play = Play()
    play.universe.suppose("back", 40, None)
    play.tell("hair", 60)
    play.go(5)
    assert set(play.levels("back")) == {0.0}


def test_a_fade_begins_where_a_fixture_that_holds_may_still_be() -> None:
    play = Play()
    play.universe.suppose("hair", 60, 4000)
    assert play.go(60) == []
    play.tell("hair", 64, fade=2, cct=4000)
    play.go(3)
    assert min(play.levels()) >= 59.9


@pytest.mark.parametrize("goal", [0, 30])
def test_a_fixture_that_may_be_dark_is_never_sent_more_than_is_asked_now(goal: float) -> None:
    play = Play()
    play.universe.suppose("hair", 60, 4000)
    play.tell("hair", goal, fade=2)
    play.go(3)
    assert play.levels() == pytest.approx([goal] * len(play.sent), abs=0.01)


# ---- law 1 -----------------------------------------------------------------------------------


def test_a_locked_out_fixture_is_at_0_with_every_slot_and_cannot_be_raised() -> None:
    play = Play()
    play.tell("hair", 80, fade=4)
    play.tell("back", 30)
    play.go(2)
    play.universe.lock({"hair"}, play.now)
    (_, frame), *_ = play.go(0.1)
    assert frame.slots[:9] == (0,) * 9
    assert play.tell("hair", 90) is False
    play.go(20)
    assert all(f.slots[:9] == (0,) * 9 for at, f in play.sent if at > 102.0)
    assert play.levels("back")[-1] == pytest.approx(30, abs=0.2), "its neighbour keeps its level"


def test_released_it_stays_at_0_until_somebody_asks() -> None:
    play = Play()
    play.tell("hair", 80)
    play.tell("back", 30)
    play.go(2)
    play.universe.lock({"hair"}, play.now)
    play.go(1)
    play.universe.lock((), play.now)
    play.go(20)
    assert play.levels()[-1] == 0
    assert play.tell("hair", 50) is True
    play.go(0.1)
    assert play.levels()[-1] == pytest.approx(50, abs=0.01)


# ---- law 2 -----------------------------------------------------------------------------------


def test_while_a_camera_rolls_a_fade_stands_still_and_goes_on_after() -> None:
    play = Play()
    play.tell("hair", 100, fade=4)
    play.go(2)
    play.universe.hold(True, play.now)
    play.go(0.1)
    held = play.levels()[-1]
    play.go(30)
    assert play.levels()[-1] == held and 45 < held < 55
    play.universe.hold(False, play.now)
    play.go(1)
    assert held + 20 < play.levels()[-1] < held + 30
    play.go(2)
    assert play.levels()[-1] == 100


def test_a_lockout_while_a_camera_rolls_freezes_it_and_darkens_after() -> None:
    play = Play()
    play.tell("hair", 80)
    play.go(2)
    play.universe.hold(True, play.now)
    play.universe.lock({"hair"}, play.now)
    play.go(5)
    assert play.levels()[-1] == pytest.approx(80, abs=0.01)
    assert play.tell("hair", 90) is False
    play.universe.hold(False, play.now)
    play.go(0.1)
    assert play.levels()[-1] == 0


# ---- the end of a stream ---------------------------------------------------------------------


def test_a_stream_ends_with_three_frames_that_say_so_after_every_level_is_0() -> None:
    play = Play()
    play.tell("hair", 80)
    play.tell("back", 30)
    play.go(2)
    play.tell("hair", 0, fade=1)
    play.universe.end(play.now)
    play.go(5)
    assert not any(frame.last for _, frame in play.sent), "one is lit yet"
    play.tell("back", 0)
    play.universe.end(play.now)
    play.go(5)
    last = [frame for _, frame in play.sent if frame.last]
    assert len(last) == 3
    assert [frame for _, frame in play.sent][-3:] == last
    assert all(read(HAIR, f.slots)[0] == 0 and read(BACK, f.slots)[0] == 0 for f in last)
    dark = [f for _, f in play.sent if not f.last and read(BACK, f.slots)[0] == 0]
    assert len(dark) >= 3, "0 was said before the end was"
    assert play.go(60) == [] and not play.universe.sends


def test_told_again_while_it_ends_it_goes_on() -> None:
    play = Play()
    play.tell("hair", 0)
    play.universe.end(play.now)
    play.go(0.09)
    assert any(frame.last for _, frame in play.sent)
    play.tell("hair", 30)
    sent = play.go(10)
    assert not any(frame.last for _, frame in sent)
    assert len(sent) > 8 and play.levels()[-1] == pytest.approx(30, abs=0.01)


def test_after_too_long_a_silence_nothing_comes_on_by_itself() -> None:
    play = Play()
    play.tell("hair", 80)
    play.go(2)
    play.universe.lost()
    assert play.go(60) == []
    play.tell("back", 10)
    play.go(2)
    assert play.levels()[-1] == 0, "what was asked for hours ago is not asked for now"
    play.tell("hair", 80, fade=2)
    play.go(0.1)
    assert play.levels()[-1] == pytest.approx(80, abs=0.01), "it holds that: no dip"


def test_the_interval_is_one_a_receiver_lives_with() -> None:
    assert AGAIN < 1.0 and CLOSEST >= 1 / 44


def test_what_is_told_while_a_camera_rolls_stands_still_too() -> None:
    """A command that was on its way when it began to roll: it changes nothing before it stops."""
    play = Play()
    play.tell("hair", 80, cct=3000)
    play.go(2)
    play.universe.hold(True, play.now)
    play.tell("hair", 20, cct=5000)
    play.go(10)
    assert play.levels()[-1] == pytest.approx(80, abs=0.01)
    play.universe.hold(False, play.now)
    play.go(1)
    assert play.levels()[-1] == pytest.approx(20, abs=0.01)
