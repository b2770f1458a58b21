"""One bridge a set (law 13): the machine alone, event by event, and two of them on one broker."""

from __future__ import annotations

import itertools
import json
import random

import pytest
from hypothesis import given
from hypothesis import strategies as st

from studiobridge.bridge.ownership import (
    BEAT_EVERY,
    HOLDS,
    LISTEN_NEW,
    MARGIN,
    MOST,
    STOPPED_AFTER,
    Alive,
    Beat,
    Cut,
    Do,
    Ownership,
    Run,
    SendAlive,
    SendBeat,
    StandDown,
)


def beat(own: Ownership, n: int) -> Beat:
    return Beat(own.bridge, own.epoch, n, 0.0, own.holds)


def other(epoch: int, bridge: str = "other", n: int = 1) -> Beat:
    return Beat(bridge, epoch, n, 0.0, HOLDS)


def numbers(dos: list[Do]) -> list[int]:
    return [do.n for do in dos if isinstance(do, SendBeat)]


def run_from(own: Ownership, at: float) -> float:
    """It listens, claims, and its first beat comes back; returns when."""
    own.subscribed(at)
    dos: list[Do] = []
    for _ in range(50):
        due = own.next_tick()
        assert due is not None
        at = max(at, due)
        dos = own.tick(at)
        if dos:
            break
    (n,) = numbers(dos)
    dos = own.beat_heard(beat(own, n), False, at + 0.01)
    assert [type(do) for do in dos] == [SendAlive, Run]
    return at + 0.01


def test_nobody_there_is_claimed_and_run() -> None:
    own = Ownership("me")
    assert run_from(own, 100.0) - 100.0 == pytest.approx(LISTEN_NEW, abs=0.05)
    assert own.epoch == 1
    assert own.may_tell(100.6)


def test_a_live_beat_of_another_is_stood_down_for() -> None:
    own = Ownership("me")
    own.subscribed(0.0)
    own.beat_heard(other(3), True, 0.01)
    own.alive_heard(Alive(True, "other"), 0.02)
    assert own.beat_heard(other(3, n=2), False, 0.7) == [StandDown("other")]
    assert own.tick(0.9) == own.tick(5.0) == []
    assert own.next_tick() is None
    assert not own.may_tell(1.0)


def test_one_that_fell_silent_is_taken_over_only_when_it_can_tell_nothing_any_more() -> None:
    own = Ownership("me")
    own.subscribed(0.0)
    slow = Beat("other", 7, 5, 0.0, holds=4.6)
    own.beat_heard(slow, True, 0.01)
    at = 0.0
    while not own.epoch:
        due = own.next_tick()
        assert due is not None
        at = due
        dos = own.tick(at)
    assert at >= 0.01 + 4.6 + MARGIN - 1e-9
    assert own.epoch == 8
    (n,) = numbers(dos)
    assert Run("other") in own.beat_heard(beat(own, n), False, at + 0.1)


def test_one_that_said_goodbye_is_followed_sooner() -> None:
    own = Ownership("me")
    own.alive_heard(Alive(False, "other"), 0.0)
    own.subscribed(0.0)
    own.beat_heard(other(7), True, 0.01)
    own.alive_heard(Alive(False, "other"), 0.01)
    own.tick(0.8)
    assert own.tick(1.02) != []
    assert own.epoch == 8
    # a false from a stranger is no goodbye of the one who beat
    wary = Ownership("me")
    wary.subscribed(0.0)
    wary.beat_heard(other(7), True, 0.01)
    wary.alive_heard(Alive(False, ""), 0.01)
    wary.tick(0.8)
    assert wary.tick(1.02) == []


@given(st.integers(1, 5), st.integers(1, 5), st.sampled_from(["a", "b"]), st.booleans())
def test_of_two_the_lower_stands_down_whoever_reads_first(
    mine: int, theirs: int, name: str, retained: bool
) -> None:
    own = Ownership("me")
    at = run_from(own, 0.0)
    own.epoch = mine
    higher = (theirs, name) > (mine, "me")
    dos = own.beat_heard(other(theirs, name), retained, at)
    assert [type(do) for do in dos] == ([StandDown] if higher else [])


def test_it_tells_nothing_without_a_beat_that_came_back() -> None:
    own = Ownership("me")
    at = run_from(own, 0.0)
    while at < 1.5:
        at += BEAT_EVERY
        own.tick(at)  # out they go, and none comes back
    assert own.stage == "running"
    assert not own.may_tell(LISTEN_NEW + HOLDS + 0.1)
    own.beat_heard(beat(own, 2), False, at)
    assert own.may_tell(at)


def test_one_that_stood_still_cuts_its_link_before_it_tells_or_believes_anything() -> None:
    own = Ownership("me")
    at = run_from(own, 0.0) + STOPPED_AFTER + 0.5
    assert not own.may_tell(at)
    assert [type(do) for do in own.stood_still(at)] == [Cut]
    assert own.stood_still(at) == []  # once
    own.link_lost()
    own.subscribed(at + 0.1)
    # what took over meanwhile is read before a word is said
    assert own.tick(at + 0.3) == []
    assert [type(do) for do in own.beat_heard(other(2), True, at + 0.4)] == [StandDown]


def test_a_late_tick_is_noticed_by_itself() -> None:
    own = Ownership("me")
    at = run_from(own, 0.0)
    assert [type(do) for do in own.tick(at + 5.0)] == [Cut]


def test_alive_is_put_right_and_never_ping_pongs() -> None:
    own = Ownership("me")
    at = run_from(own, 0.0) + 0.7
    own.tick(at)
    said = 0
    for i in range(1000):  # a thousand wrong ones in a second
        said += len(own.alive_heard(Alive(i % 2 == 0, "other"), at + i / 1000))
        if i % 100 == 99:
            said += sum(isinstance(do, SendAlive) for do in own.tick(at + i / 1000))
    assert 1 <= said <= 2
    assert own.alive_heard(Alive(True, "me"), at + 1.0) == []


def test_own_beats_of_an_earlier_connection_prove_nothing() -> None:
    own = Ownership("me")
    at = run_from(own, 0.0)
    own.tick(at + 0.8)
    own.link_lost()
    own.subscribed(at + 1.0)
    own.beat_heard(beat(own, 2), True, at + 1.1)
    assert not own.may_tell(at + 1.2)
    assert own.stage == "listening"


@given(st.binary(max_size=80))
def test_junk_is_no_message(payload: bytes) -> None:
    assert Beat.read(payload) is None
    Alive.read(payload)


@pytest.mark.parametrize(
    "change",
    [
        {"epoch": 2**53}, {"epoch": -1}, {"epoch": 1.5}, {"epoch": True}, {"epoch": "1"},
        {"n": None}, {"at": float("nan")}, {"holds": float("inf")}, {"bridge": ""}, {"bridge": 7},
    ],
)  # fmt: skip
def test_nonsense_in_a_field_is_no_beat(change: dict[str, object]) -> None:
    good = {"bridge": "b", "epoch": 1, "n": 1, "at": 1.0, "holds": 1.6}
    assert Beat.read(json.dumps(good).encode()) is not None
    assert Beat.read(json.dumps({**good, **change}).encode()) is None
    assert Beat.read(json.dumps({**good, "at": 10**4000}).encode()) is None


# ---- two of them ----------------------------------------------------------------------------


class Table:
    """Two bridges on one broker, in virtual time; each can stand still, or have its link held."""

    def __init__(self, seed: int) -> None:
        self.dice = random.Random(seed)
        self.now = 0.0
        self.kept: bytes | None = None
        self.owns: dict[str, Ownership] = {}
        self.still: dict[str, float] = {}  # until when it stands still
        self.held: dict[str, float] = {}  # until when its link, both ways, is held
        self.linked: dict[str, bool] = {}
        self.again: dict[str, float] = {}
        self.up: list[tuple[float, int, str, bytes]] = []
        self.down: list[tuple[float, int, str, bytes, bool]] = []
        self.count = itertools.count()
        self.told: list[tuple[float, str, int]] = []
        self.messages = 0
        self.stood_down: list[str] = []

    def join(self, name: str) -> None:
        self.owns[name] = Ownership(name)
        self.connect(name)

    def connect(self, name: str) -> None:
        self.linked[name] = True
        self.again.pop(name, None)
        self.up = [m for m in self.up if m[2] != name]
        self.down = [m for m in self.down if m[2] != name]
        self.act(name, self.owns[name].subscribed(self.now))
        if self.kept is not None:
            self.down.append((self.now + 0.01, next(self.count), name, self.kept, True))

    def act(self, name: str, dos: list[Do]) -> None:
        own = self.owns[name]
        for do in dos:
            if isinstance(do, SendBeat):
                self.messages += 1
                at = max(self.now + 0.01, self.held.get(name, 0.0))
                self.up.append((at, next(self.count), name, beat(own, do.n).payload()))
            elif isinstance(do, Cut):
                self.linked[name] = False
                own.link_lost()
                self.again[name] = self.now + 0.2
            elif isinstance(do, StandDown):
                self.stood_down.append(name)
                self.linked[name] = False

    def run(self, seconds: float) -> None:
        end = self.now + seconds
        while self.now < end:
            self.now += 0.05
            for entry in sorted(m for m in self.up if m[0] <= self.now):
                self.up.remove(entry)
                self.kept = entry[3]
                for name in self.owns:
                    if self.linked.get(name):
                        at = max(self.now, self.held.get(name, 0.0)) + 0.01
                        self.down.append((at, next(self.count), name, entry[3], False))
            for name, own in self.owns.items():
                if self.still.get(name, 0.0) > self.now:
                    continue
                if name in self.again and self.again[name] <= self.now:
                    self.connect(name)
                for message in sorted(m for m in self.down if m[2] == name and m[0] <= self.now):
                    self.down.remove(message)
                    if self.linked[name]:
                        read = Beat.read(message[3])
                        assert read is not None
                        self.act(name, own.beat_heard(read, message[4], self.now))
                due = own.next_tick()
                if self.linked.get(name) and due is not None and due <= self.now:
                    self.act(name, own.tick(self.now))
                if own.may_tell(self.now):
                    self.told.append((self.now, name, own.epoch))


@pytest.mark.parametrize("how", ["still", "held"])
@pytest.mark.parametrize("seed", range(60))
def test_whatever_was_paused_for_however_long_one_of_two_stands_down(seed: int, how: str) -> None:
    table = Table(seed)
    table.join("z")
    table.run(3.0)
    assert table.owns["z"].stage == "running"
    until = table.now + table.dice.uniform(0.1, 40.0)
    getattr(table, how)["z"] = until
    table.run(table.dice.uniform(0.0, 10.0))
    table.join("a")
    table.run(max(0.0, until - table.now) + 8.0)
    running = [name for name, own in table.owns.items() if own.stage == "running"]
    assert len(running) == 1
    # no moment at which the loser could still tell anything after the winner could
    first_of_a = min((at for at, name, _ in table.told if name == "a"), default=None)
    if running == ["a"]:
        assert first_of_a is not None
        assert [at for at, name, _ in table.told if name == "z" and at >= first_of_a] == []
        assert table.owns["a"].epoch == 2
    else:
        assert first_of_a is None
    assert table.messages < 1.5 * 2 * table.now / BEAT_EVERY


@pytest.mark.parametrize("seed", range(20))
def test_two_that_start_together_end_as_one(seed: int) -> None:
    table = Table(seed)
    table.join("a")
    table.run(table.dice.uniform(0.0, 0.6))
    table.join("b")
    table.run(6.0)
    assert len(table.stood_down) == 1
    assert [o.stage for o in table.owns.values()].count("running") == 1


def test_a_beat_with_the_last_number_there_is_does_not_keep_the_set_from_running() -> None:
    own = Ownership("a")
    own.subscribed(0.0)
    stranger = Beat("x", MOST - 1, 1, 0.0, 0.0)
    own.beat_heard(stranger, True, 0.1)
    own.tick(1.0)
    assert Beat.read(Beat("a", own.epoch, 1, 0.0, 1.0).payload()) is not None
