"""What is said on the witness's topics is read, or refused and said: no broker, no clock."""

from __future__ import annotations

import json
from collections.abc import Callable
from dataclasses import asdict, replace
from pathlib import Path

import pytest

from studiobridge.bridge.core import Core
from studiobridge.bridge.sighted import MAX_LOOK, Sightings
from studiobridge.bridge.topics import seen_topic, witness_alive_topic
from studiobridge.control.effects import Memory
from studiobridge.control.events import Sighted, SightedLate, Unreadable, WitnessHeard
from studiobridge.profile import read_profile
from studiobridge.profile.model import Witness
from studiobridge.profile.sighting import (
    Band,
    SeenFraming,
    SeenLight,
    SeenScreen,
    SeenWhite,
    Sighting,
    Stray,
)
from studiobridge.speech.message import Message

CORNER = replace(
    read_profile(Path(__file__).parents[2] / "config" / "wheel-corner.yaml").profile,
    witness=Witness("file", "still.jpg", 2.0),
)
TOPIC, ALIVE = seen_topic(CORNER.name), witness_alive_topic(CORNER.name)
# what the wall says at 0 s of the steady clock
WALL = 1_000_000.0
BAND = Band(0.3, 0.4, 0.5)
LOOK = Sighting(
    run="one",
    frame=1,
    taken=WALL + 99.0,
    age=0.8,
    frames=4,
    since=WALL + 97.5,
    learned="2026-05-01T10:00:00Z",
    kept="lesson",
    kept_at="2026-05-01T11:00:00Z",
    lights={"key": SeenLight(BAND, Band(50, 64, 70), Band(-0.1, 0, 0.1), Band(4100, 4300, 4500))},
    stray=Stray(Band(0.0, 0.01, 0.02), "left", 0.0, 0.1, 0.2, 0.9),
    screen=SeenScreen(Band(0.5, 0.6, 0.7), "upper left", -0.4, 0.3, 120.0, 0.2, 0.1, 0.05),
    white=SeenWhite("card", Band(-3, 1, 5), Band(-0.001, 0, 0.001)),
    exposure=Band(-0.1, 0.0, 0.1),
    clipped_face=0.0,
    clipped_screen=0.1,
    framing=SeenFraming(1.0, -2.0, 0.1, 1.001, 0.002, False, 0.05),
    covered=0.2,
    residual=0.05,
)


def said(sighting: Sighting = LOOK, **more: object) -> dict[str, object]:
    return {**json.loads(json.dumps(asdict(sighting))), **more}


class Reading:
    def __init__(self) -> None:
        self.of = Sightings(CORNER, lambda at: WALL + at, 0.0)
        self.frame = 1

    def hear(self, body: object, at: float = 100.0, retain: bool = False) -> list[object]:
        payload = body if isinstance(body, bytes) else json.dumps(body).encode()
        return list(self.of.hear(Message(TOPIC, payload, retain=retain), at))

    def look(self, at: float = 100.0, **more: object) -> list[object]:
        self.frame += 1
        return self.hear(said(frame=self.frame, **more), at)


def why(found: list[object]) -> str:
    (one,) = found
    assert isinstance(one, Unreadable), found
    return one.why


def test_a_look_is_read_whole_with_its_times_by_the_steady_clock() -> None:
    (found,) = Reading().hear(said())
    assert found == Sighted(100.0, LOOK, 99.0, 97.5)


def put(path: str, value: object) -> Callable[[dict[str, object]], None]:
    def change(body: dict[str, object]) -> None:
        *way, last = path.split(".")
        at = body
        for step in way:
            at = at[step]  # type: ignore[assignment]
        at[last] = value

    return change


NONSENSE = {
    "other light": put("lights.nobody", {"amount": {"low": 0, "value": 0, "high": 0}}),
    "a plug": put("lights.bench-plug", {"amount": {"low": 0, "value": 0, "high": 0}}),
    "wrong way round": put("lights.key.amount", {"low": 0.5, "value": 0.4, "high": 0.3}),
    "value outside": put("exposure", {"low": 0.0, "value": 3.0, "high": 1.0}),
    "level out of range": put("lights.key.level", {"low": 0.0, "value": 64.0, "high": 1e6}),
    "a huge number": put("residual", 1e300),
    "a number of 400 digits": put("frame", 10**400),
    "white": put("lights.key.cct", {"low": -5.0, "value": 1.0, "high": 9.0}),
    "unknown key": put("brightness", 3),
    "unknown inner key": put("stray.who", "me"),
    "a word for a number": put("age", "0.5"),
    "true for a number": put("covered", True),
    "negative age": put("age", -1.0),
    "covered": put("covered", 1.5),
    "no frame": put("frames", 0),
    "hindrance": put("hinders", ["bored"]),
    "hindrance twice": put("hinders", ["moved"] * 2),
    "long text": put("kept", "x" * 200),
    "control characters": put("stray.where", "left\x1b[2J"),
    "no run": put("run", ""),
    "lights are a list": put("lights", [1, 2]),
    "a null band": put("lights.key.amount", None),
    "since after taken": put("since", WALL + 99.5),
}


@pytest.mark.parametrize("name", NONSENSE)
def test_nonsense_is_refused_with_where_it_is(name: str) -> None:
    body = said()
    NONSENSE[name](body)
    assert why(Reading().hear(body)).startswith("a look is refused: ")


@pytest.mark.parametrize(
    "payload",
    [
        b"",
        b"\xff\xfe",
        b"[]",
        b"null",
        b"{}",
        b"NaN",
        json.dumps(said()).replace("0.05", "NaN").encode(),
        json.dumps(said()).replace("0.05", "1e999").encode(),
        b'{"run":' + b"[" * 40_000,
        b" " * (MAX_LOOK + 1),
    ],
    ids=range(10),
)
def test_what_is_no_look_is_refused(payload: bytes) -> None:
    assert why(Reading().hear(payload)).startswith("a look is refused: ")


@pytest.mark.parametrize(
    ("more", "says"),
    [
        ({"taken": WALL + 101.0, "since": None, "age": 0.0}, "from the future"),
        ({"taken": WALL + 99.0, "age": 5.0}, "from the future"),
        ({"taken": 0.0, "since": None}, "s old"),
        ({"taken": 1e300, "since": None}, "out of range"),
    ],
)
def test_a_frame_too_old_or_of_the_future_is_refused(more: dict[str, object], says: str) -> None:
    assert says in why(Reading().look(**more))


def test_a_late_frame_is_said_as_late_until_a_good_look_comes_and_is_no_fault() -> None:
    assert Reading().look(taken=WALL + 80.0, since=None) == [SightedLate(100.0, 20.0)]
    core = Core(CORNER, Memory(), "x", lambda at: WALL + at)
    core.link_up(0.0)

    def hear(at: float, **more: object) -> dict[str, object]:
        core.message(Message(TOPIC, json.dumps(said(**more)).encode()), at)
        shown = core.state()["picture_seen"]
        assert isinstance(shown, dict)
        return shown

    late = hear(100.0, taken=WALL + 80.0, since=None)
    assert (late["late_s"], late["sighting"], late["as_kept"]) == (20.0, None, None)
    assert core.state()["unreadable"] is None
    assert core.state()["faults"] == 0
    assert hear(101.0, frame=2, taken=WALL + 100.5, since=None, age=0.2)["late_s"] is None


def test_a_kept_look_is_of_before() -> None:
    assert "kept by the broker" in why(Reading().hear(said(), retain=True))


def test_a_frame_from_before_this_link_is_let_go_without_a_word() -> None:
    reading = Reading()
    reading.of.link_up(99.5)
    assert reading.look() == []
    assert len(reading.look(100.2, taken=WALL + 100.0, since=None, age=0.1)) == 1


def test_without_a_clock_it_is_shown_and_of_no_time() -> None:
    (found,) = Reading().look(taken=None, since=None)
    assert isinstance(found, Sighted)
    assert (found.taken, found.since) == (None, None)


def test_nothing_goes_back_in_time() -> None:
    reading = Reading()
    assert isinstance(reading.hear(said(frame=7))[0], Sighted)
    assert "frame 7 came after frame 7" in why(reading.hear(said(frame=7)))
    assert "frame 3 came after frame 7" in why(reading.hear(said(frame=3)))
    early = said(frame=8, taken=WALL + 98.0, since=None)
    assert "from before the last one" in why(reading.hear(early))
    # ... nor under another name
    early = said(frame=1, run="two", taken=WALL + 98.0, since=None)
    assert "from before the last one" in why(reading.hear(early))


def test_of_two_the_newer_is_believed_as_long_as_it_speaks() -> None:
    reading = Reading()
    at = 100.0
    assert isinstance(reading.look(at, taken=WALL + at, since=None, age=0.0)[0], Sighted)
    at += 1.0
    newer = reading.look(at, run="two", taken=WALL + at, since=None, age=0.0)
    assert isinstance(newer[0], Sighted)
    at += 1.0
    assert "two processes" in why(reading.look(at, taken=WALL + at, since=None, age=0.0))
    at += 30.0  # the newer one died
    assert isinstance(reading.look(at, taken=WALL + at, since=None, age=0.0)[0], Sighted)


def test_a_flood_is_dropped_before_it_is_read_and_said_once() -> None:
    reading = Reading()
    found = [one for _ in range(1000) for one in reading.look()]
    assert sum(isinstance(one, Sighted) for one in found) <= 20
    assert [one.why for one in found if isinstance(one, Unreadable)] == [
        "looks come faster than 8 a second: some are dropped"
    ]


def test_the_witness_says_how_it_goes_and_leaves() -> None:
    of = Sightings(CORNER, lambda at: at, 0.0)

    def alive(**body: object) -> list[object]:
        payload = json.dumps(body).encode()
        return list(of.hear(Message(ALIVE, payload, retain=True), 1.0))

    here = {"alive": True, "run": "b", "what": "looking", "why": "", "learned": None, "every": 0.5}
    assert alive(**here) == [WitnessHeard(1.0, True, "b", "looking", "", None, 0.5)]
    # the will of the one before, which comes late
    assert alive(alive=False, run="a") == []
    assert alive(alive=False, run="b") == [WitnessHeard(1.0, False, "b")]
    assert alive(alive="yes")[0].why.startswith("a look is refused: alive")  # type: ignore[attr-defined]
    assert of.hear(Message(ALIVE, b"", retain=True), 1.0) == [WitnessHeard(1.0, False)]


def test_who_has_no_witness_subscribes_to_none() -> None:
    bare = replace(CORNER, witness=None)
    topics = {topic for topic, _ in Core(bare, Memory(), "x", lambda at: at).subscriptions()}
    assert not {TOPIC, ALIVE} & topics
    core = Core(CORNER, Memory(), "x", lambda at: at)
    assert (TOPIC, 0) in core.subscriptions()
    assert (ALIVE, 1) in core.subscriptions()


def test_through_the_core_it_is_shown_and_nonsense_is_shown_as_that() -> None:
    core = Core(CORNER, Memory(), "x", lambda at: WALL + at)
    core.link_up(0.0)
    core.message(Message(TOPIC, json.dumps(said()).encode()), 100.0)
    shown = core.state()["picture_seen"]
    assert isinstance(shown, dict)
    sighting = shown["sighting"]
    assert json.loads(json.dumps(sighting)) == said()
    for n in range(200):
        core.message(Message(TOPIC, b"nonsense"), 101.0 + n)
    heard = core.state()["unreadable"]
    assert isinstance(heard, dict)
    assert heard["topic"] == TOPIC
    assert core.state()["faults"] <= 4, "said now and then, not each time"
