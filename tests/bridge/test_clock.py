"""A clock that steps, a zone whose clocks change, a call hour that passes meanwhile."""

from __future__ import annotations

import json
import os
import time
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

from studiobridge.bridge.calls import CallTimes, Due, next_start
from studiobridge.bridge.clock import Clock, SystemZone, spoken
from studiobridge.bridge.core import Core
from studiobridge.bridge.outs import Out, Publish
from studiobridge.bridge.topics import ask_topic
from studiobridge.control.effects import Memory
from studiobridge.profile import read_profile
from studiobridge.profile.model import CallTime
from studiobridge.speech.message import Message

HOUR = 3600.0
DAILY = frozenset(range(7))
LISBON = ZoneInfo("Europe/Lisbon")
SHELF = Path(__file__).parents[2] / "config" / "one-plug-one-light.yaml"


class Machine:
    """A machine whose clock is put right, or wrong, while its steady clock goes on."""

    def __init__(self, wall: str = "2026-11-25T06:00") -> None:
        self.steady = 5000.0
        self.system = datetime.fromisoformat(wall).replace(tzinfo=UTC).timestamp()

    def wait(self, seconds: float) -> None:
        self.steady += seconds
        self.system += seconds

    def clock(self) -> Clock:
        return Clock(lambda: self.steady, lambda: self.system)


def test_wall_time_follows_the_machines_clock_and_a_step_is_told_once() -> None:
    machine = Machine()
    clock = machine.clock()
    before = clock.wall(machine.steady)
    machine.wait(60.0)
    assert clock.wall(machine.steady) == pytest.approx(before + 60.0)
    assert clock.stepped() is None
    for step in (8 * HOUR, -8 * HOUR, 2.5, -3.0):
        machine.system += step
        assert clock.wall(machine.steady) == pytest.approx(machine.system)
        assert clock.stepped() == pytest.approx(step)
        assert clock.stepped() is None


def test_a_clock_that_is_put_right_gently_is_followed_and_not_told() -> None:
    machine = Machine()
    clock = machine.clock()
    for _ in range(3600):
        machine.wait(1.0)
        machine.system += 0.0005  # as fast as a time service slews
        assert clock.stepped() is None
        assert abs(clock.wall(machine.steady) - machine.system) <= 0.051


def test_what_is_shown_of_one_moment_does_not_tremble() -> None:
    machine = Machine()
    clock = machine.clock()
    shown = set()
    for i in range(100):
        machine.wait(1.0)
        machine.system += 0.0001 * (-1) ** i
        shown.add(clock.wall(5000.0))
    assert len(shown) == 1


@pytest.mark.parametrize(
    ("seconds", "words"),
    [(8 * HOUR, "8 h 0 min"), (-90.0, "1 min 30 s"), (3.0, "3 s"), (2e5, "2 d 7 h"), (0.2, "0 s")],
)
def test_lengths_of_time_in_words(seconds: float, words: str) -> None:
    assert spoken(seconds) == words


@pytest.mark.parametrize("step", [8 * HOUR, -8 * HOUR])
def test_a_request_runs_out_by_the_clock_as_it_is_now(step: float) -> None:
    machine = Machine()
    profile = read_profile(SHELF).profile
    core = Core(profile, Memory(), "test", machine.clock().wall, machine.steady)
    core.link_up(machine.steady)
    machine.wait(10.0)
    core.due("listen", machine.steady)
    machine.system += step

    def asked(id_: str, until: float) -> str:
        body = {"id": id_, "what": "up", "until": until}
        outs: list[Out] = core.message(
            Message(ask_topic(profile.name), json.dumps(body).encode()), machine.steady
        )
        texts = [
            json.loads(o.message.payload).get("text", "")
            for o in outs
            if isinstance(o, Publish) and "/answer" in o.message.topic
        ]
        return " ".join(texts)

    assert "too late" in asked("old", machine.system - 1.0)
    assert core.controller.run is None
    assert "too late" not in asked("new", machine.system + 30.0)
    assert core.controller.run is not None


# ---- call times ---------------------------------------------------------------------------------


class Looked:
    """Call times, looked at once a second by a machine."""

    def __init__(self, machine: Machine, *calls: CallTime, lead: float = 600.0) -> None:
        self.machine = machine
        self.clock = machine.clock()
        self.calls = CallTimes(calls, lambda: LISBON, lambda call: lead, self.clock.now())
        self.due: list[Due] = []

    def go(self, seconds: float, every: float = 1.0) -> Looked:
        for _ in range(round(seconds / every)):
            self.machine.wait(every)
            self.due += self.calls.look(self.clock.now(), self.machine.steady)
        return self

    def made(self) -> list[str]:
        return [f"{d.ready.astimezone(LISBON):%d %H:%M}" for d in self.due if not d.why_not]

    def missed(self) -> list[str]:
        return [f"{d.ready.astimezone(LISBON):%d %H:%M}" for d in self.due if d.why_not]


NINE = CallTime(9, 0, DAILY, grace=120.0)


def test_called_once_and_on_time() -> None:
    machine = Machine("2026-11-25T08:49:50")
    looked = Looked(machine, NINE).go(9.0)
    assert looked.due == []
    looked.go(120.0)
    assert (looked.made(), looked.missed()) == (["25 09:00"], [])
    assert looked.go(86400.0, 10.0).made() == ["25 09:00", "26 09:00"]


def test_an_hour_that_a_correction_passes_over_is_said_and_not_made_up_for() -> None:
    machine = Machine("2026-11-25T06:00")
    looked = Looked(machine, NINE, CallTime(11, 0, DAILY)).go(5.0)
    machine.system += 8 * HOUR
    looked.go(5.0)
    assert (looked.made(), looked.missed()) == ([], ["25 09:00", "25 11:00"])
    assert "late (the clock jumped" in looked.due[0].why_not
    assert looked.go(86400.0, 10.0).made() == ["26 09:00", "26 11:00"]


def test_a_correction_within_the_grace_calls() -> None:
    machine = Machine("2026-11-25T08:30")
    looked = Looked(machine, NINE).go(5.0)
    machine.system += 21 * 60.0
    assert looked.go(5.0).made() == ["25 09:00"]


def test_a_clock_put_back_a_little_does_not_call_twice() -> None:
    machine = Machine("2026-11-25T08:49:50")
    looked = Looked(machine, NINE).go(60.0)
    machine.system -= 600.0
    looked.go(900.0)
    assert (looked.made(), looked.missed()) == (["25 09:00"], ["25 09:00"])
    assert "was made 10 min" in looked.due[1].why_not


def test_a_clock_that_was_hours_ahead_calls_at_the_true_hour_too() -> None:
    machine = Machine("2026-11-25T08:49:50")
    looked = Looked(machine, NINE).go(60.0)
    machine.system -= 8 * HOUR
    assert looked.go(9 * HOUR, 5.0).made() == ["25 09:00", "25 09:00"]


def test_a_clock_that_was_years_behind_says_no_more_than_a_day() -> None:
    machine = Machine("1970-01-01T00:00")
    looked = Looked(machine, NINE).go(5.0)
    machine.system = datetime(2026, 11, 25, 8, 50, 30, tzinfo=UTC).timestamp()
    looked.go(5.0)
    assert (looked.made(), looked.missed()) == (["25 09:00"], [])


@given(
    st.lists(
        st.tuples(st.floats(0.5, 40_000.0), st.floats(-100_000.0, 100_000.0) | st.just(0.0)),
        max_size=12,
    )
)
def test_whatever_the_clock_does_no_hour_passes_unsaid(steps: list[tuple[float, float]]) -> None:
    machine = Machine()
    looked = Looked(machine, NINE)
    for seconds, step in steps:
        before = looked.clock.now()
        machine.wait(seconds)
        machine.system += step
        found = looked.calls.look(looked.clock.now(), machine.steady)
        after = looked.clock.now()
        moment, hours = max(before, after - timedelta(days=1)), []
        while (start := next_start(NINE, moment, LISBON, 600.0)[0]) <= after:
            hours.append(start)
            moment = start
        assert [due.start for due in found] == hours
        for due in found:
            assert due.why_not or after - due.start <= timedelta(seconds=120)


# ---- the zone of the machine --------------------------------------------------------------------


@pytest.fixture
def in_lisbon(monkeypatch: pytest.MonkeyPatch) -> Iterator[None]:
    monkeypatch.setenv("TZ", "Europe/Lisbon")
    time.tzset()
    yield
    monkeypatch.undo()
    time.tzset()


@pytest.mark.usefixtures("in_lisbon")
@given(st.datetimes(datetime(2025, 1, 1), datetime(2028, 1, 1)))
def test_the_machines_zone_is_the_zone_it_names(moment: datetime) -> None:
    at = moment.replace(tzinfo=UTC)
    ours, theirs = at.astimezone(SystemZone()), at.astimezone(LISBON)
    assert ours.replace(tzinfo=None) == theirs.replace(tzinfo=None)
    assert ours.utcoffset() == theirs.utcoffset()
    assert ours.astimezone(UTC) == at


@pytest.mark.usefixtures("in_lisbon")
@pytest.mark.parametrize("day", ["2026-03-28T12:00", "2026-10-24T12:00", "2026-10-25T12:00"])
@pytest.mark.parametrize(("hour", "minute"), [(9, 0), (1, 30)])
def test_call_times_of_the_machines_zone_through_its_changes(
    day: str, hour: int, minute: int
) -> None:
    now = datetime.fromisoformat(day).replace(tzinfo=UTC)
    call = CallTime(hour, minute, DAILY)
    for ahead in range(3):
        then = now + timedelta(days=ahead)
        assert next_start(call, then, SystemZone(), 60.0) == next_start(call, then, LISBON, 60.0)


@pytest.mark.usefixtures("in_lisbon")
def test_a_machine_moved_to_another_zone_is_noticed() -> None:
    zone = SystemZone()
    at = datetime(2026, 7, 1, 12, 0, tzinfo=UTC)
    assert at.astimezone(zone).hour == 13
    os.environ["TZ"] = "America/New_York"
    time.tzset()
    assert at.astimezone(zone).hour == 8
