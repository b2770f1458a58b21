"""What could not be read, and what is never there: said of each device, and never a flood."""

from __future__ import annotations

import json

import pytest

from studiobridge.bridge.misheard import LONGEST, SAID_EVERY
from studiobridge.bridge.topics import device_topic, state_topic
from studiobridge.control.effects import FaultNote
from tests.bridge.alone import Alone
from tests.bridge.test_tried import DESK

PLUG = device_topic("kiln-desk", "desk-plug")


def test_an_unreadable_word_is_shown_of_its_device_with_when_and_how_often() -> None:
    room = Alone(DESK)
    assert room.device("desk-plug")["unreadable"] is None
    room.run(10.0)
    room.say("say/desk/power", "maybe")
    room.run(1.0)
    assert room.device("desk-plug")["unreadable"] == {
        "topic": "say/desk/power",
        "why": "switch is 'maybe', neither 'ON' nor 'OFF'",
        "at": "2027-01-15T08:00:11.200Z",
        "count": 1,
    }
    assert room.device("key")["unreadable"] is None
    room.run(20.0)
    room.say("say/desk/power", "perhaps")
    room.run(1.0)
    shown = room.device("desk-plug")["unreadable"]
    assert isinstance(shown, dict)
    assert (shown["count"], "perhaps" in shown["why"]) == (2, True)
    # what it reports afterwards leaves it: it happened
    room.say("say/desk/power", "OFF")
    room.run(10.0)
    assert room.device("desk-plug")["unreadable"] == shown


def test_a_flood_of_nonsense_is_counted_and_shown_seldom() -> None:
    room = Alone(DESK)
    room.run(10.0)
    before = len(room.sent)
    for n in range(3000):
        room.say("say/desk/power", f"nonsense {n}")
        room.run(0.01)
    flood = 3000 * 0.01
    shown = len(room.sent) - before
    assert shown <= 2 * (flood / SAID_EVERY + 2)
    room.run(2 * SAID_EVERY)
    said = room.device("desk-plug")["unreadable"]
    assert isinstance(said, dict)
    assert said["count"] == 3000  # the last of it is shown too, when its time has come
    assert "nonsense 2999" in said["why"]
    # and the record has its one line for this topic
    assert sum(isinstance(n, FaultNote) and n.device == "desk-plug" for n in room.notes) == 1


def test_a_device_that_changes_in_the_flood_does_not_carry_its_count_along() -> None:
    """Its view is published with each report: the count beside it must not make each one new."""
    room = Alone(DESK)
    room.run(10.0)
    room.say("say/desk/power", "x")
    room.say("say/desk/power", "OFF")
    room.run(1.0)
    before = len(room.on(PLUG))
    for _ in range(30):
        room.say("say/desk/power", "x")
        room.say("say/desk/power", "OFF")
        room.run(0.1)
    assert len(room.on(PLUG)) - before <= 1 + 3 / SAID_EVERY


@pytest.mark.parametrize(
    "junk", [b"\xff" * 70_000, b"\x1b]0;own\x07" * 50, "\u202e".encode() * 500]
)
def test_what_is_shown_is_short_and_drives_no_terminal(junk: bytes) -> None:
    room = Alone(DESK)
    room.say("say/desk/power", junk)
    room.say("say/key", b'{"now": {"dim": "' + b"9" * 5000 + b'"}}')
    room.run(1.0)
    for name in ("desk-plug", "key"):
        said = room.device(name)["unreadable"]
        assert isinstance(said, dict)
        for text in (said["topic"], said["why"]):
            assert text.isprintable()
            assert len(text) <= LONGEST


def test_a_field_that_is_never_there_is_named_with_the_nearest_there_is() -> None:
    room = Alone(DESK)
    room.say("say/key", {"now": {"Dim": 12, "warm": 3}})
    room.say("say/key", {"now": {"Dim": 12, "warm": 3}})
    room.run(1.0)
    assert room.device("key")["lacks"] == []
    room.say("say/key", {"now": {"Dim": 12, "warm": 3}})
    room.run(1.0)
    said = "`say/key` speaks, but has no `now.dim`; it has `now.Dim`"
    assert room.device("key")["lacks"] == [said]
    assert [n.text for n in room.notes if isinstance(n, FaultNote)] == [said]
    # once heard it is there, and a message that only says what has changed lacks nothing
    room.say("say/key", {"now": {"dim": 12}})
    for _ in range(10):
        room.say("say/key", {"now": {"warm": 3}})
    room.run(SAID_EVERY)
    assert room.device("key")["lacks"] == []


@pytest.mark.parametrize(
    ("document", "end"),
    [
        ({"level": 3, "white": 2}, "it has `level` and `white`"),
        ({"dim": 1}, "it has `dim`"),
        ({"now": {"power": {"dim": 4}}}, "it has `now.power.dim`"),
        ([], "it has nothing in it"),
        (7, "it has nothing in it"),
        ({"now": [{"dims": 4}]}, "it has `now.0.dims`"),
        ({f"k{n}": n for n in range(500)}, "it has `k0`, `k1`, `k2` and more"),
        ({"x" * 500 + "\x1b[31m": 1}, f"it has `{'x' * 40}…`"),
    ],
)
def test_what_it_has_instead_is_said_shortly(document: object, end: str) -> None:
    room = Alone(DESK)
    for _ in range(3):
        room.say("say/key", json.dumps(document))
    room.run(1.0)
    (said,) = room.device("key")["lacks"]  # type: ignore[misc]
    assert said == f"`say/key` speaks, but has no `now.dim`; {end}"


def test_a_deep_or_wide_document_costs_little() -> None:
    deep: object = 1
    for _ in range(60):
        deep = {"a": deep, "b": [deep]} if isinstance(deep, int) else {"a": deep}
    room = Alone(DESK)
    for _ in range(3):
        room.say("say/key", json.dumps({"wide": {str(n): n for n in range(3000)}, "deep": deep}))
    room.run(1.0)
    (said,) = room.device("key")["lacks"]  # type: ignore[misc]
    assert len(said) <= LONGEST


HOMIE = DESK.replace("speaks: lamp, at: key}", "speaks: homie5, at: panel/lamp}")


def described(**properties: object) -> dict[str, object]:
    return {"homie": "5.0", "version": 1, "nodes": {"lamp": {"properties": properties}}}


def test_a_described_device_without_the_property_says_so_until_it_has_it() -> None:
    room = Alone(HOMIE)
    number = {"datatype": "integer", "format": "0:255", "settable": True}
    room.say(
        "homie/5/panel/$description", described(brightness=number, name={"datatype": "string"})
    )
    room.run(1.0)
    assert room.device("key")["lacks"] == [
        "`homie/5/panel/$description` describes nothing for level; it has `brightness` and `name`"
    ]
    room.say("homie/5/panel/$description", described(level=number))
    room.run(SAID_EVERY)
    assert room.device("key")["lacks"] == []


def test_a_flood_of_descriptions_is_shown_seldom() -> None:
    room = Alone(HOMIE)
    room.run(10.0)
    before = len(room.on(device_topic("kiln-desk", "key")))
    for n in range(1000):
        room.say("homie/5/panel/$description", described(**{f"p{n}": {"datatype": "string"}}))
        room.run(0.01)
    assert len(room.on(device_topic("kiln-desk", "key"))) - before <= 10 / SAID_EVERY + 2
    noted = [n for n in room.notes if isinstance(n, FaultNote) and "describes nothing" in n.text]
    assert len(noted) == 1


def test_a_refused_request_that_named_no_place_for_an_answer_is_in_the_state_and_the_log() -> None:
    """On MQTT 3.1.1 there is no such place: nobody would learn of it."""
    room = Alone(DESK)
    room.say("studiobridge/kiln-desk/ask", b'{"id": "a", "what": "jump"}')
    room.run(1.0)
    said = room.state()["unreadable"]
    assert isinstance(said, dict)
    assert (said["topic"], said["count"]) == ("studiobridge/kiln-desk/ask", 1)
    assert said["why"].startswith(
        "request refused, and nobody was told (it names no response topic): what: "
    )
    (note,) = [n for n in room.notes if isinstance(n, FaultNote)]
    assert "nobody was told" in note.text


def test_a_flood_of_refused_requests_is_shown_seldom() -> None:
    room = Alone(DESK)
    room.run(5.0)
    before = len(room.on(state_topic("kiln-desk")))
    for _ in range(1000):
        room.say("studiobridge/kiln-desk/ask", b"junk")
        room.run(0.02)
    assert len(room.on(state_topic("kiln-desk"))) - before <= 20 / SAID_EVERY + 3


def test_what_the_bridge_itself_says_on_a_topic_lacks_nothing() -> None:
    """A device that is told and heard on one topic: our own commands have none of its fields."""
    room = Alone(
        DESK.replace(
            'hear: {topic: "say/{at}", field: now.dim', 'hear: {topic: "do/{at}", field: now.dim'
        )
    )
    for _ in range(5):
        room.say("do/key", {"dim": 153, "over": 0})
    room.run(1.0)
    assert room.device("key")["lacks"] == []
