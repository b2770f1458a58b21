"""Topics into devices: whose name stands where, and who shares a topic."""

from __future__ import annotations

import json

import pytest

from studiobridge.meeting import book
from studiobridge.meeting.hearing import Hearing
from studiobridge.profile import read_profile_text
from studiobridge.profile.said import Report
from studiobridge.speech import Speech
from studiobridge.speech.message import Message
from tests.meeting.speaking import HEAD


def heard(*said: tuple[str, str]) -> Hearing:
    hearing = Hearing()
    for i, (topic, payload) in enumerate(said):
        hearing.heard(Message(topic, payload.encode()), i * 0.5)
    return hearing


def found(hearing: Hearing) -> dict[str, set[str]]:
    """Each device by its place, with the topics of what is understood of it."""
    return {
        one.at: {str(half.rule["topic"]) for half in one.halves} for one in hearing.acquaintances()
    }


TWO = [("1", "ON", "12.5"), ("2", "OFF", "0.3"), ("1", "OFF", "0.4")]


@pytest.mark.parametrize(
    ("relay", "meter", "at", "topics"),
    [
        # (two topics of a device, where its place is, the topics of its dialect)
        ("a/ID/state", "a/ID/power", "a/ID", {"{at}/state", "{at}/power"}),
        ("state/ID", "power/ID", "ID", {"state/{at}", "power/{at}"}),
        ("room/state/ID", "room/power/ID", "ID", {"room/state/{at}", "room/power/{at}"}),
        ("ID/out", "ID/meter/now", "ID", {"{at}/out", "{at}/meter/now"}),
        ("a/b/c/ID/relay", "a/b/c/ID/watts", "a/b/c/ID", {"{at}/relay", "{at}/watts"}),
    ],
)
@pytest.mark.parametrize("name", ["plug-", "c0ffee4", "p"])
def test_its_name_first_in_the_middle_or_last(
    relay: str, meter: str, at: str, topics: set[str], name: str
) -> None:
    said = []
    for n, word, watts in TWO:
        said += [(relay.replace("ID", name + n), word), (meter.replace("ID", name + n), watts)]
    assert found(heard(*said)) == {at.replace("ID", name + n): topics for n in "12"}


def test_rooms_with_lamps_of_the_same_name_are_two_devices() -> None:
    said = [(f"{room}/lamp1/state", word) for word in ("ON", "OFF") for room in ("hall", "studio")]
    assert set(found(heard(*said))) == {"hall/lamp1", "studio/lamp1"}


def test_a_name_last_behind_words_nobody_knows() -> None:
    said = [("ist/box7", "ON"), ("leistung/box7", "12.5"), ("ist/box7", "OFF")]
    hearing = heard(*said, ("leistung/box7", "0.2"))
    assert set(found(hearing)) == {"box7"}
    assert found(hearing)["box7"] == {"ist/{at}", "leistung/{at}"}


def test_words_nobody_knows_are_told_apart_by_what_is_said_there() -> None:
    """Alike beside each other: two devices. Unlike beside each other: two things of one."""
    said = []
    for who, dim in (("links", 30), ("rechts", 80)):
        said.append((f"corner/{who}/foo", json.dumps({"on": True, "dim": dim, "x": 1})))
        said.append((f"corner/{who}/bar", json.dumps({"watts": dim / 2})))
    both = {"{at}/foo", "{at}/bar"}
    assert found(heard(*said)) == {"corner/links": both, "corner/rechts": both}


def test_outlets_of_one_box_share_what_the_box_says() -> None:
    said = [("box-a/alive", "online")]
    for n, word, _ in TWO:
        said.append((f"box-a/{n}/relay", word))
    met = heard(*said).acquaintances()
    assert [(one.at, one.blanks) for one in met] == [("box-a", {"n": 1}), ("box-a", {"n": 2})]
    for one in met:
        topics = {half.point: half.rule["topic"] for half in one.halves}
        assert topics == {"switch": "{at}/{n}/relay", "online": "{at}/alive"}


@pytest.mark.parametrize("key", ["id", "who"])
def test_devices_of_one_topic_are_told_apart_by_a_field(key: str) -> None:
    said = []
    for i in range(6):
        for who, dim in (("left", 10), ("right", 200)):
            report = {key: who, "dim": dim + i // 3, "on": i > 2}
            said.append(("desk/lamps", json.dumps(report)))
    met = heard(*said).acquaintances()
    assert [one.name for one in met] == ["left", "right"]
    # as a set profile they are heard apart, each with its own values
    text = book.text_of(met).replace("met: 1\n", HEAD)
    for name in ("left", "right"):
        text = text.replace(f"  {name}: {{kind: light", f"  {name}: {{kind: sensor, fed_by: wall")
    speech = Speech(read_profile_text(text).profile)
    reports = speech.hear(Message("desk/lamps", json.dumps(report).encode()), 0.0)
    assert {(r.device, r.point) for r in reports if isinstance(r, Report)} == {
        ("right", "level"),
        ("right", "switch"),
    }


def test_a_number_in_a_text_says_whose_it_is() -> None:
    said = [("strip/out", f"{n}={n % 2}") for n in (1, 2, 1, 2, 1, 2)]
    said += [("strip/out", "1=0"), ("strip/out", "2=0")]
    met = heard(*said).acquaintances()
    assert [one.blanks for one in met] == [{"n": 1}, {"n": 2}]
    half = met[0].half("switch", "hear")
    assert half is not None
    assert half.rule["pattern"] == "{n}={value}"


def test_one_lamp_that_is_dimmed_is_not_taken_for_many() -> None:
    said = [
        ("desk/lamp-1/is", f"{level} % {cct} K") for level in (20, 64, 20) for cct in (4300, 4400)
    ]
    (one,) = heard(*said).acquaintances()
    assert one.blanks == {}
    assert {half.point for half in one.halves} <= {"level", "cct"}


DESCRIPTION = {
    "homie": "5.0",
    "version": 1,
    "nodes": {
        "light": {
            "properties": {
                "brightness": {
                    "datatype": "integer",
                    "format": "0:100",
                    "unit": "%",
                    "settable": True,
                },
                "cct": {"datatype": "integer", "unit": "K", "settable": True},
            }
        },
        "plug": {
            "properties": {
                "switch": {"datatype": "boolean", "settable": True},
                "power": {"datatype": "float", "unit": "W"},
            }
        },
    },
}


def test_who_describes_itself_is_named_with_its_nodes_and_needs_no_dialect() -> None:
    hearing = heard(
        ("homie/5/key-panel/$state", "ready"),
        ("homie/5/key-panel/$description", json.dumps(DESCRIPTION)),
        ("homie/5/key-panel/light/brightness", "64"),
    )
    light, plug = hearing.acquaintances()
    assert (light.homie, light.kind, light.halves) == ("key-panel/light", "light", ())
    assert light.measured == {"properties": {"level": "brightness"}}
    assert (plug.homie, plug.kind) == ("key-panel/plug", "plug")
    assert plug.measured == {"properties": {"watts": "power"}, "meters": "yes"}
    hearing.heard(Message("homie/5/key-panel/$state", b"lost"), 9.0)
    assert "it says that it is lost: power it up" in hearing.acquaintances()[0].missing
    # what stands in the book is what a profile takes
    text = book.text_of([light, plug]).replace("met: 1\n", HEAD)
    text = text.replace("kind:", "fed_by: wall, kind:")
    looks = "looks: {day: {key-panel-light: {level: 40 %, cct: 4000 K}}}\n"
    assert read_profile_text(text + looks).profile.devices["key-panel-light"].at == light.homie
