"""The universes of a set on a real network: loopback, and a receiver of the library's."""

from __future__ import annotations

import itertools
import os
import socket
import time
import uuid
from dataclasses import replace
from pathlib import Path

import pytest

from studiobridge.bridge import stream as stream_module
from studiobridge.bridge.stream import Stream, _Ear, awake, source_of
from studiobridge.profile import read_profile_text
from studiobridge.profile.model import SetProfile, Slots, Universe
from tests.receiving import Receiver, terminated

TEXT = """\
format: 1
set: kiln-shelf
mains: {circuits: {wall: {breaker: 10 A}}}
universes:
  1: {to: 127.0.0.1, priority: 90}
  2: {to: 127.0.0.1}
devices:
  hair: {kind: light, fed_by: wall, speaks: e131, proof: none, at: 1/25, slots: {level: 1, level_fine: 2}}
  back: {kind: backdrop, fed_by: wall, speaks: e131, proof: none, at: 2/1, slots: {level: 1}}
looks:
  day: {hair: {level: 64 %}, back: {level: 20 %}}
"""
SOURCE = uuid.UUID("f47ac10b-58cc-4372-a567-0e02b2c3d479")


def a_set(**to: tuple[str, ...]) -> SetProfile:
    profile = read_profile_text(TEXT).profile
    universes = {
        n: replace(universe, to=to[f"to{n}"]) if f"to{n}" in to else universe
        for n, universe in profile.universes.items()
    }
    return replace(profile, universes=universes)


class Playing:
    """A stream under a lease, and what it said."""

    def __init__(self, profile: SetProfile) -> None:
        self.faults: list[tuple[int, str | None]] = []
        self.others: list[tuple[int, str | None]] = []
        self.stream = Stream(
            profile,
            SOURCE,
            lambda n, why: self.faults.append((n, why)),
            lambda n, why: self.others.append((n, why)),
        )
        self.stream.lease(awake() + 60)

    def __enter__(self) -> Playing:
        self.stream.start()
        return self

    def __exit__(self, *_: object) -> None:
        self.stream.stop()


def level(receiver: Receiver) -> float:
    if not receiver.slots:
        return -1.0
    return (receiver.slots[24] * 256 + receiver.slots[25]) / 655.35


def _when_at(receiver: Receiver, percent: float) -> list[tuple[float, bytes]]:
    assert receiver.until(lambda: abs(level(receiver) - percent) < 0.01, 3)
    return receiver.raw


def test_a_fade_arrives_whole_and_even() -> None:
    even = False
    for _ in range(4):  # beside other tests a machine may leave nobody the time, now and then
        with Receiver(1) as receiver, Playing(a_set(to1=(receiver.address,))) as playing:
            playing.stream.tell("hair", {"level": 80.0}, 1.0)
            raw = _when_at(receiver, 80.0)
        assert {packet[108] for _, packet in raw} == {90}
        assert {packet[22:38] for _, packet in raw} == {SOURCE.bytes}
        numbers = [packet[111] for _, packet in raw]
        assert numbers == [n % 256 for n in range(numbers[0], numbers[0] + len(numbers))]
        assert playing.faults == []
        levels = [int.from_bytes(packet[150:152]) / 655.35 for _, packet in raw]
        most = max(b - a for a, b in itertools.pairwise(levels))
        even = len(raw) >= 36 and most < 8.1  # never over 0.1 s
        if even:
            break
    assert even, (len(raw), most)


def test_before_anything_is_told_nothing_is_sent() -> None:
    with Receiver(1) as receiver, Playing(a_set(to1=(receiver.address,))) as playing:
        playing.stream.lock({"hair"})
        playing.stream.lock(())
        playing.stream.end()
        time.sleep(1.3)
        assert receiver.raw == []


def test_without_the_lease_nothing_leaves_and_nothing_says_that_it_ended() -> None:
    with Receiver(1) as receiver, Playing(a_set(to1=(receiver.address,))) as playing:
        playing.stream.tell("hair", {"level": 80.0}, 0.0)
        assert receiver.until(lambda: level(receiver) > 79)
        playing.stream.lease(None)
        time.sleep(0.1)
        before = len(receiver.raw)
        playing.stream.tell("hair", {"level": 10.0}, 0.0)
        time.sleep(1.5)
        assert len(receiver.raw) == before
        playing.stream.lease(awake() + 0.5)
        assert receiver.until(lambda: abs(level(receiver) - 10) < 0.1)
        time.sleep(0.7)
        before = len(receiver.raw)
        time.sleep(1.3)
        assert len(receiver.raw) == before, "a lease ends by itself"
        assert not any(terminated(raw) for _, raw in receiver.raw)


def test_after_too_long_without_a_lease_it_stays_silent(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(stream_module, "GOES_ON_WITHIN", 0.5)
    with Receiver(1) as receiver, Playing(a_set(to1=(receiver.address,))) as playing:
        playing.stream.tell("hair", {"level": 80.0}, 0.0)
        assert receiver.until(lambda: level(receiver) > 79)
        playing.stream.lease(None)
        time.sleep(2.5)
        before = len(receiver.raw)
        playing.stream.lease(awake() + 60)
        time.sleep(1.5)
        assert len(receiver.raw) == before
        ((number, why),) = playing.faults
        assert number == 1 and why is not None and "does not go on by itself" in why
        playing.stream.tell("hair", {"level": 70.0}, 0.0)
        assert receiver.until(lambda: abs(level(receiver) - 70) < 0.1)
        assert receiver.until(lambda: playing.faults[-1] == (1, None))


def test_the_end_is_said_three_times_and_then_nothing() -> None:
    with Receiver(1) as receiver, Playing(a_set(to1=(receiver.address,))) as playing:
        playing.stream.tell("hair", {"level": 80.0}, 0.0)
        assert receiver.until(lambda: level(receiver) > 79)
        playing.stream.tell("hair", {"level": 0.0}, 0.2)
        playing.stream.end()
        assert receiver.until(lambda: "timeout" in receiver.available, 3)
        time.sleep(1.3)
        ends = [terminated(raw) for _, raw in receiver.raw]
        assert ends[-3:] == [True] * 3 and not any(ends[:-3])
        assert all(raw[150:152] == b"\0\0" for _, raw in receiver.raw[-6:])


def test_a_universe_that_cannot_be_sent_costs_itself_only_and_is_said_once() -> None:
    with Receiver(2) as receiver:
        # to everybody: the system refuses it to who did not ask for that
        profile = a_set(to1=("255.255.255.255",), to2=(receiver.address,))
        with Playing(profile) as playing:
            playing.stream.tell("hair", {"level": 80.0}, 2.0)
            playing.stream.tell("back", {"level": 100.0}, 0.5)
            assert receiver.until(lambda: receiver.slots[:1] == (255,))
            time.sleep(1.0)
            assert [n for n, _ in playing.faults] == [1]
            why = playing.faults[0][1]
            assert why is not None and why.startswith("universe 1 is not sent: 255.255.255.255: ")


def test_one_address_that_fails_keeps_nothing_from_the_others() -> None:
    receiver = Receiver(1)
    with receiver, Playing(a_set(to1=("255.255.255.255", receiver.address))) as playing:
        playing.stream.tell("hair", {"level": 80.0}, 0.0)
        assert receiver.until(lambda: level(receiver) > 79)
        assert [n for n, _ in playing.faults] == [1]


def test_a_network_that_comes_back_is_said_and_the_level_is_there() -> None:
    with Receiver(1) as receiver:
        profile = a_set(to1=("255.255.255.255",))
        with Playing(profile) as playing:
            playing.stream.tell("hair", {"level": 80.0}, 0.0)
            assert receiver.until(lambda: bool(playing.faults))
            playing.stream._ways[1]._to = (receiver.address,)
            assert receiver.until(lambda: level(receiver) > 79)
            assert receiver.until(lambda: playing.faults[-1] == (1, None))


class Refusing:
    """A socket that takes nothing, or cannot even be had."""

    def __init__(self, error: OSError, at: str) -> None:
        self.error, self.at, self.tried = error, at, 0

    def __call__(self, *_: object) -> Refusing:
        if self.at == "open":
            self.tried += 1
            raise self.error
        return self

    def sendto(self, *_: object) -> None:
        self.tried += 1
        raise self.error

    def setblocking(self, _: bool) -> None: ...
    def setsockopt(self, *_: object) -> None: ...
    def close(self) -> None: ...


@pytest.mark.parametrize(
    ("error", "at", "said"),
    [
        (OSError(24, "Too many open files"), "open", "Too many open files"),
        (OSError(101, "Network is unreachable"), "send", "Network is unreachable"),
        (BlockingIOError(11, "again"), "send", "the network takes no more just now"),
        (PermissionError(1, "Operation not permitted"), "send", "Operation not permitted"),
    ],
)
def test_what_the_network_refuses_is_said_once_and_tried_seldom(
    monkeypatch: pytest.MonkeyPatch, error: OSError, at: str, said: str
) -> None:
    with Playing(a_set()) as playing:
        refusing = Refusing(error, at)
        monkeypatch.setattr(playing.stream._ways[1], "_open", lambda: refusing())
        playing.stream.tell("hair", {"level": 80.0}, 2.0)
        time.sleep(1.8)
        assert [n for n, _ in playing.faults] == [1]
        assert said in (playing.faults[0][1] or "")
        assert 2 <= refusing.tried <= 6, "not with every frame of the fade"


def test_a_network_that_was_away_for_too_long_brings_nothing_on_by_itself(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr(stream_module, "GOES_ON_WITHIN", 1.0)
    with Receiver(1) as receiver, Playing(a_set(to1=("255.255.255.255",))) as playing:
        playing.stream.tell("hair", {"level": 80.0}, 0.0)
        time.sleep(2.5)
        playing.stream._ways[1]._to = (receiver.address,)
        time.sleep(2.0)
        assert receiver.raw == []
        assert "does not go on by itself" in (playing.faults[-1][1] or "")
        playing.stream.tell("hair", {"level": 70.0}, 0.0)
        assert receiver.until(lambda: abs(level(receiver) - 70) < 0.1)
        assert receiver.until(lambda: playing.faults[-1] == (1, None))


def test_a_sender_that_fails_is_said_for_each_universe(monkeypatch: pytest.MonkeyPatch) -> None:
    def fails(*_: object) -> None:
        raise RuntimeError("a fault")

    with Playing(a_set()) as playing:
        monkeypatch.setattr(playing.stream, "_send", fails)
        playing.stream.tell("hair", {"level": 80.0}, 0.0)
        time.sleep(0.5)
        assert sorted(n for n, _ in playing.faults) == [1, 2]
        assert playing.stream.tell("hair", {"level": 80.0}, 0.0), "who tells it is not hurt"


def test_nobody_listening_is_no_fault() -> None:
    with Playing(a_set(to1=("127.0.0.9",))) as playing:
        playing.stream.tell("hair", {"level": 80.0}, 0.3)
        time.sleep(0.8)
        assert playing.faults == []


# ---- who else sends --------------------------------------------------------------------------


def packet(
    cid: bytes = b"k" * 16,
    priority: int = 100,
    universe: int = 1,
    ends: bool = False,
    name: str = "a\ndesk",
) -> bytes:
    from sacn.messages.data_packet import DataPacket

    made = DataPacket(tuple(cid), name, universe, (1,) * 512, priority, streamTerminated=ends)
    return bytes(made.getBytes())


@pytest.fixture
def ear():  # type: ignore[no-untyped-def]
    made = _Ear.__new__(_Ear)
    made.universe, made._priority, made._others = 1, 100, {}
    made._own = SOURCE.bytes, b"studiobridge kiln-shelf".ljust(64, b"\0")
    return made


@pytest.mark.parametrize(
    ("raw", "said"),
    [
        (packet(), "('adesk') sends on universe 1 with the same priority (100; ours is 100)"),
        (packet(priority=101), "with a higher priority (101; ours is 100)"),
        (packet(priority=99), None),
        (packet(universe=2), None),
        (packet(cid=SOURCE.bytes, name="studiobridge kiln-shelf"), None),
        (packet(cid=SOURCE.bytes, name="studiobridge shop"), "('studiobridge shop') sends on"),
        (packet(ends=True), None),
        (packet()[:125], None),
        (b"", None),
        (b"\xff" * 700, None),
    ],
)
def test_whoever_else_sends_with_no_lower_priority_is_named(
    ear: _Ear, raw: bytes, said: str | None
) -> None:
    ear._take(raw, 10.0)
    found = ear.says(10.0)
    assert found is None if said is None else said in (found or "")


def test_another_source_is_forgotten_when_it_ends_or_falls_silent(ear: _Ear) -> None:
    ear._take(packet(), 10.0)
    assert ear.says(12.4) is not None
    assert ear.says(12.6) is None  # network data loss, 2.5 s: ANSI E1.31-2018 6.7.1, from memory
    ear._take(packet(), 20.0)
    ear._take(packet(ends=True), 20.1)
    assert ear.says(20.1) is None


def test_a_flood_of_sources_does_not_grow(ear: _Ear) -> None:
    for n in range(1000):
        ear._take(packet(cid=n.to_bytes(16)), 10.0)
    assert len(ear._others) == 16
    assert "and 15 more" in (ear.says(10.0) or "")


def test_another_source_is_heard_on_the_group_and_nothing_of_ours_leaves() -> None:
    made = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
    made.setsockopt(socket.IPPROTO_IP, socket.IP_MULTICAST_TTL, 0)  # it stays on this machine
    number = 40000 + os.getpid() % 20000  # one that no other test is on
    group = f"239.255.{number >> 8}.{number & 255}"
    profile = a_set(to1=())
    hair = replace(profile.devices["hair"], slots=Slots(number, 25, 1, 2))
    universes = {number: Universe(number), 2: profile.universes[2]}
    with Playing(replace(profile, devices={"hair": hair}, universes=universes)) as playing:
        end = time.monotonic() + 5
        try:
            while not playing.others and time.monotonic() < end:
                made.sendto(packet(universe=number), (group, 5568))
                time.sleep(0.1)
        except OSError as error:
            pytest.skip(f"no multicast on this machine: {error}")
        assert [n for n, _ in playing.others] == [number]
        time.sleep(4.0)
        assert playing.others[-1] == (number, None)
        assert playing.faults == []


# ---- the number of the source ----------------------------------------------------------------


def test_a_source_keeps_its_number(tmp_path: Path) -> None:
    first, why = source_of(tmp_path / "data")
    assert why is None
    assert source_of(tmp_path / "data") == (first, None)


@pytest.mark.parametrize("text", ["", "nonsense", "\xff", "1" * 100000])
def test_a_number_that_cannot_be_read_is_made_anew_and_said(tmp_path: Path, text: str) -> None:
    (tmp_path / "e131-source").write_text(text, encoding="utf-8")
    made, why = source_of(tmp_path)
    assert why is not None and "a new number was made" in why
    assert source_of(tmp_path) == (made, None)


def test_a_number_that_cannot_be_kept_is_said(tmp_path: Path) -> None:
    (tmp_path / "data").write_text("a file where the folder should be")
    _, why = source_of(tmp_path / "data")
    assert why is not None and "cannot be kept" in why


def test_the_priority_is_of_its_universe() -> None:
    assert a_set().universes[1] == Universe(1, ("127.0.0.1",), 90)


# ---- a process that stood still ----------------------------------------------------------------


@pytest.mark.parametrize("first", ["the thread", "the set"])
def test_a_pause_counts_as_silence_from_the_end_of_the_lease(
    monkeypatch: pytest.MonkeyPatch, first: str
) -> None:
    """Stopped for a minute, it must not go on by itself because it only woke a second ago."""
    now = 100.0
    monkeypatch.setattr(stream_module, "awake", lambda: now)
    with Receiver(1) as receiver:
        playing = Playing(a_set(to1=(receiver.address,)))
        stream = playing.stream
        stream.lease(now + 1.6)
        stream.tell("hair", {"level": 80.0}, 0.0)
        assert [number for number, _ in stream._due(now)] == [1]
        now = 160.0  # it was stopped for a minute; nothing of it ran
        if first == "the thread":
            assert stream._due(now) == []
        else:
            stream.lease(None)
        now = 161.5
        stream.lease(now + 1.6)
        assert stream._due(now) == []
        assert "does not go on by itself" in str(playing.faults)
        stream._leave()


def test_somebody_who_calls_himself_something_else_each_time_is_no_flood(
    ear: _Ear, monkeypatch: pytest.MonkeyPatch
) -> None:
    now = 100.0
    monkeypatch.setattr(stream_module, "awake", lambda: now)
    playing = Playing(a_set())
    playing.stream._ears = {1: ear}
    monkeypatch.setattr(playing.stream._selector, "select", lambda timeout: [])
    for n in range(2000):
        ear._take(packet(name=f"desk {n}", ends=n % 3 == 0), now)
        now += 0.005
        playing.stream._turn()
    assert 8 <= len(playing.others) <= 12  # in ten seconds
    now += 3.0
    playing.stream._turn()
    assert playing.others[-1] == (1, None)
    playing.stream._ears = {}
    playing.stream._leave()
