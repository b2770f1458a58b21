"""Values of Homie properties by hand: scales, steps, choices, and what comes in odd orders."""

from __future__ import annotations

import json

import pytest

from studiobridge.craft.grid import Grid
from studiobridge.profile.said import Described, Report, Unreadable
from studiobridge.speech import FarEnd, Speech
from studiobridge.speech.message import Message
from tests.outside.test_homie import DIMMER, POWER, WARMTH, description, lamp, say

Said = dict[str, object]


def number(form: str | None, unit: str = "", datatype: str = "integer") -> Said:
    said: Said = {"datatype": datatype, "unit": unit, "settable": True}
    return said if form is None else {**said, "format": form}


def one(**points: Said) -> Speech:
    speech = Speech(lamp(properties={"level": "level", "cct": "cct"}))
    found = {"level": DIMMER, "cct": WARMTH, **points}
    out = speech.hear(description(found), 0.0)
    assert not any(isinstance(h, Unreadable) for h in out), out
    return speech


def told(speech: Speech, point: str, value: float) -> str:
    (message,) = speech.tell("lamp", [(point, value)], None)  # type: ignore[list-item]
    return message.payload.decode()


def grid(point: str, said: Said) -> Grid | None:
    speech = Speech(lamp(properties={"level": "level", "cct": "cct"}))
    out = speech.hear(description({"level": DIMMER, "cct": WARMTH, point: said}), 0.0)
    (found,) = (h for h in out if isinstance(h, Described) and h.point == point)
    return found.grid


@pytest.mark.parametrize(
    ("point", "said", "wanted"),
    [
        ("level", number("0:100", "%"), Grid(0.0, 100.0, 1.0, "percent")),
        ("level", number(None, "%"), Grid(0.0, 100.0, 1.0, "percent")),
        ("level", number("10:", "%"), Grid(10.0, 100.0, 1.0, "percent")),
        ("level", number(":90", "%"), Grid(0.0, 90.0, 1.0, "percent")),
        ("level", number("0:100:0.5", "%", "float"), Grid(0.0, 100.0, 0.5, "percent")),
        ("level", number(None, "%", "float"), Grid(0.0, 100.0, 0.0, "percent")),
        ("level", number("0:1", "", "float"), Grid(0.0, 1.0, 0.0, "fraction")),
        ("level", number(":1:0.1", "", "float"), Grid(0.0, 1.0, 0.1, "fraction")),
        ("level", number("0.1:1", "", "float"), Grid(0.1, 1.0, 0.0, "fraction")),
        ("level", number("0:1"), Grid(0.0, 100.0, 100.0, "percent")),  # whole: dark or full
        ("level", number("0:255"), Grid(0.0, 100.0, 100.0 / 255, "percent")),
        ("level", number("50:150:10"), Grid(0.0, 100.0, 10.0, "percent")),
        ("level", number(None), Grid(0.0, 100.0, 1.0, "percent")),
        ("level", number("0:1000000000"), Grid(0.0, 100.0, 1e-7, "percent")),
        ("cct", number("2700:6500:50", "K"), Grid(2700.0, 6500.0, 50.0, "kelvin")),
        ("cct", number(None, "K"), Grid(1000.0, 25000.0, 1.0, "kelvin")),
        ("cct", number(None, "K", "float"), Grid(1000.0, 25000.0, 0.0, "kelvin")),
        ("cct", number("153:500", "MK⁻¹"), Grid(153.0, 500.0, 1.0, "mired")),
        ("cct", number("153:500", "MK-1"), Grid(153.0, 500.0, 1.0, "mired")),
        ("cct", number("153:", "MK⁻¹"), Grid(153.0, 1000.0, 1.0, "mired")),
        ("cct", number(":500", "MK⁻¹"), Grid(40.0, 500.0, 1.0, "mired")),
    ],
    ids=str,
)
def test_the_steps_of_every_description(point: str, said: Said, wanted: Grid) -> None:
    found = grid(point, said)
    assert found is not None
    assert (found.low, found.high, found.unit) == (wanted.low, wanted.high, wanted.unit)
    assert found.step == pytest.approx(wanted.step)


@pytest.mark.parametrize(
    ("said", "level", "payload"),
    [
        (number("50:150:10"), 0.0, "50"),
        (number("50:150:10"), 33.0, "80"),
        (number("50:150:10"), 100.0, "150"),
        (number("0:255"), 50.0, "128"),
        (number("0:1", "", "float"), 25.0, "0.25"),
        (number("0:10", "", "float"), 25.0, "2.5"),
        (number("-10:10", "", "float"), 25.0, "-5.0"),
        (number("10:90", "%"), 5.0, "10"),
        (number("10:90", "%"), 95.0, "90"),
        (number("0:100", "%", "float"), 33.333333333333, "33.333333333"),
    ],
)
def test_levels_there_and_back(said: Said, level: float, payload: str) -> None:
    speech = one(level=said)
    assert told(speech, "level", level) == payload
    (back,) = say(speech, "light/level", payload)
    assert isinstance(back, Report)
    held = grid("level", said)
    assert held is not None
    assert back.value == pytest.approx(held.nearest(level), abs=1e-6)


@pytest.mark.parametrize(
    ("point", "said", "least", "most"),
    [
        ("level", number("10:90", "%"), "10", "90"),
        ("level", number(None, "%", "float"), "0.0", "100.0"),
        ("level", number("50:150"), "50", "150"),
        ("level", number("0:1", "", "float"), "0.0", "1.0"),
        ("cct", number("2700:6500", "K"), "2700", "6500"),
        ("cct", number(None, "K"), "1000", "25000"),
        ("cct", number(None, "MK⁻¹"), "40", "1000"),
    ],
    ids=str,
)
def test_both_ends_are_in_and_what_is_past_them_is_not(
    point: str, said: Said, least: str, most: str
) -> None:
    speech = one(**{point: said})
    whole = said["datatype"] == "integer"
    past = (
        [str(int(least) - 1), str(int(most) + 1)] if whole else ["-0.001", str(float(most) + 0.001)]
    )
    for text in (least, most):
        (good,) = say(speech, f"light/{point}", text)
        assert isinstance(good, Report)
        assert good.point == point
    for text in past:
        (bad,) = say(speech, f"light/{point}", text)
        assert isinstance(bad, Unreadable)
        assert "is outside" in bad.why


@pytest.mark.parametrize(
    ("form", "good", "bad"),
    [
        (None, ["-1", "0", "1e6"], ["-1.1", "1000001"]),
        ("0:3000", ["0", "3000"], ["-1", "3001"]),
        ("-1e9:1e9", ["-1", "1e6"], ["-1.1", "1e7"]),
    ],
)
def test_watts_within_what_there_is_and_what_it_says(
    form: str | None, good: list[str], bad: list[str]
) -> None:
    speech = Speech(lamp(hears=frozenset({"watts", "online"}), tells=frozenset()))
    said = number(form, "W", "float") | {"settable": False}
    (learned, *_) = (
        h for h in speech.hear(description({"power": said}), 0.0) if isinstance(h, Described)
    )
    assert (learned.point, learned.told, learned.heard, learned.grid) == (
        "watts",
        False,
        True,
        None,
    )
    for text in good:
        assert say(speech, "light/power", text) == [Report(0.0, "lamp", "watts", float(text), True)]
    for text in bad:
        (said_,) = say(speech, "light/power", text)
        assert isinstance(said_, Unreadable)


@pytest.mark.parametrize(
    "wrong",
    [
        {"settable": "yes"},
        {"settable": 1},
        {"unit": 5},
        {"unit": ["K"]},
        {"unit": None},
        {"format": 5},
        {"format": None},
        {"format": []},
        {"datatype": 7},
        {"datatype": None},
    ],
    ids=str,
)
def test_a_property_described_in_the_wrong_kinds_of_values(wrong: Said) -> None:
    speech = Speech(lamp(properties={"level": "b", "cct": "w"}))
    (said,) = speech.hear(description({"b": {**DIMMER, **wrong}, "w": WARMTH}), 0.0)
    assert isinstance(said, Unreadable)
    assert "'b'" in said.why


@pytest.mark.parametrize(
    ("form", "why"),
    [
        ("100", "min:max:step"),
        ("0:100:1:1", "min:max:step"),
        ("a:b", "min:max:step"),
        ("100:0", "no range"),
        ("50:50", "no range"),
        ("0:100:0", "no step"),
        ("0.5:100", "whole numbers"),
        ("0:100:0.5", "whole numbers"),
    ],
)
def test_a_format_that_is_none_says_which_and_why(form: str, why: str) -> None:
    speech = Speech(lamp(properties={"level": "b", "cct": "w"}))
    (said,) = speech.hear(description({"b": number(form, "%"), "w": WARMTH}), 0.0)
    assert isinstance(said, Unreadable)
    assert f"'{form}'" in said.why
    assert why in said.why


def test_an_open_step_is_the_usual_one() -> None:
    assert grid("level", number("0:100:", "%")) == Grid(0.0, 100.0, 1.0, "percent")
    assert grid("level", number("0:100:", "%", "float")) == Grid(0.0, 100.0, 0.0, "percent")


# ---- which property is which point --------------------------------------------------------


def test_two_that_could_be_the_level_are_none_until_the_profile_says_which() -> None:
    both = {"front": DIMMER, "back": DIMMER, "w": WARMTH}
    speech = Speech(lamp())
    speech.hear(description(both), 0.0)
    (said,) = speech.lacking.of("lamp")
    assert said.endswith("describes nothing for level; it has `front`, `back` and `w`")
    speech = Speech(lamp(properties={"level": "back"}))
    assert not any(isinstance(h, Unreadable) for h in speech.hear(description(both), 0.0))
    (message,) = speech.tell("lamp", [("level", 30.0)], None)
    assert message.topic == "homie/5/kitchen-light/light/back/set"


def test_what_only_looks_a_little_like_a_point_is_none() -> None:
    """A battery in percent, a room in kelvin, a presence, a scene: none of them is to be told."""
    others: dict[str, object] = {
        "battery": number("0:100", "%") | {"settable": False},
        "room": number(None, "K", "float") | {"settable": False},
        "presence": {"datatype": "boolean"},
        "scene": {"datatype": "string", "settable": True},
    }
    speech = Speech(lamp())
    out = speech.hear(description(others), 0.0)
    learned = [h for h in out if isinstance(h, Described)]
    assert {h.point for h in learned} == {"level", "cct"}  # what it should have, and has not
    assert not any(h.told or h.heard or h.grid for h in learned)
    for point, value in (("switch", True), ("level", 50.0), ("cct", 4000.0)):
        assert speech.tell("lamp", [(point, value)], None) == []  # type: ignore[list-item]
    speech.hear(description({**others, "b": DIMMER, "w": WARMTH, "p": POWER}), 0.0)
    told = speech.tell("lamp", [("switch", True), ("level", 50.0), ("cct", 4000.0)], None)
    assert [m.topic.split("/")[-2] for m in told] == ["p", "b", "w"]


def test_watts_are_found_by_their_unit() -> None:
    speech = Speech(lamp(hears=frozenset({"watts", "online"}), tells=frozenset()))
    speech.hear(
        description({"p": number(None, "W", "float"), "v": number(None, "V", "float")}), 0.0
    )
    assert say(speech, "light/p", "12.5") == [Report(0.0, "lamp", "watts", 12.5, True)]
    assert say(speech, "light/v", "230") == []
    assert speech.tell("lamp", [("watts", 5.0)], None) == []


def test_a_level_that_cannot_be_set_is_said() -> None:
    dim = {**DIMMER, "settable": False}
    out = Speech(lamp(properties={"level": "dim"})).hear(
        description({"dim": dim, "w": WARMTH}), 0.0
    )
    assert any(isinstance(h, Unreadable) and "'dim' (level) cannot be set" in h.why for h in out)
    (learned,) = (h for h in out if isinstance(h, Described) and h.point == "level")
    assert (learned.told, learned.heard) == (False, True)


@pytest.mark.parametrize(
    "wrong",
    [
        {"datatype": "string", "settable": True},
        {"datatype": "boolean", "settable": True},
        {"datatype": "enum", "format": "1,2", "settable": True},
    ],
)
def test_a_property_that_cannot_be_the_point_it_is_said_to_be(wrong: Said) -> None:
    speech = Speech(lamp(properties={"level": "b"}))
    speech.hear(description({"b": wrong, "w": WARMTH}), 0.0)
    (said,) = speech.lacking.of("lamp")
    assert said.endswith("describes nothing for level; it has `b` and `w`")


def computer(shut: Said) -> Speech:
    speech = Speech(
        lamp(
            tells=frozenset({"shut_down"}),
            hears=frozenset({"down", "online"}),
        )
    )
    speech.hear(description({"shut-down": shut, "down": {"datatype": "boolean"}}), 0.0)
    return speech


@pytest.mark.parametrize(
    ("shut", "payload"),
    [
        ({"datatype": "boolean", "settable": True}, b"true"),
        ({"datatype": "enum", "format": "halt,sleep", "settable": True}, b"halt"),
    ],
)
def test_a_computer_is_told_to_shut_down(shut: Said, payload: bytes) -> None:
    speech = computer(shut)
    (message,) = speech.tell("lamp", [("shut_down", True)], None)
    assert (message.topic, message.payload) == (
        "homie/5/kitchen-light/light/shut-down/set",
        payload,
    )
    assert say(speech, "light/shut-down", "true") == []  # told, never heard
    assert say(speech, "light/down", "true") == [Report(0.0, "lamp", "down", True, True)]


# ---- odd orders ---------------------------------------------------------------------------


def test_values_that_came_first_wait_with_the_flag_they_came_with_and_no_more_than_64() -> None:
    speech = Speech(lamp(properties={"level": "b", "cct": "w"}))
    assert say(speech, "light/b", "40", retain=True) == []
    assert say(speech, "light/w", "4000", retain=False) == []
    for i in range(100):
        assert say(speech, f"light/x{i}", "1") == []
    out = speech.hear(description({"b": DIMMER, "w": WARMTH}), 0.0)
    assert Report(0.0, "lamp", "level", 40.0, True) in out
    assert Report(0.0, "lamp", "cct", 4000.0, False) in out
    # described: nothing waits any more
    assert say(speech, "light/x1", "1") == []
    again = speech.hear(description({"b": DIMMER, "w": WARMTH}), 0.0)
    assert not any(isinstance(h, Report) for h in again)


def test_what_came_after_the_64th_does_not_wait() -> None:
    speech = Speech(lamp(properties={"level": "b", "cct": "w"}))
    for i in range(64):
        say(speech, f"light/x{i}", "1")
    say(speech, "light/b", "40")
    out = speech.hear(description({"b": DIMMER, "w": WARMTH}), 0.0)
    assert not any(isinstance(h, Report) for h in out)


def test_a_tree_is_lost_with_its_root_and_back_with_it() -> None:
    """'If a root device $state is "lost" then the state of every child … is also "lost"'."""
    speech = Speech(lamp(properties={"level": "b", "cct": "w"}))
    speech.hear(description({"b": DIMMER, "w": WARMTH}, root="bridge-1", parent="hub-2"), 0.0)
    assert say(speech, "$state", "ready") == [Report(0.0, "lamp", "online", True, True)]

    def state(of: str, word: str, retain: bool = False) -> list[object]:
        return list(speech.hear(Message(f"homie/5/{of}/$state", word.encode(), retain=retain), 0.0))

    assert state("bridge-1", "ready") == []  # it changes nothing
    assert state("bridge-1", "lost") == [Report(0.0, "lamp", "online", False, False)]
    assert state("bridge-1", "lost") == []
    assert say(speech, "$state", "ready") == [Report(0.0, "lamp", "online", False, True)]
    # no word of its own
    assert state("bridge-1", "ready") == [Report(0.0, "lamp", "online", True, True)]
    assert state("hub-2", "lost", retain=True) == [Report(0.0, "lamp", "online", False, True)]
    assert state("hub-2", "sleeping") == [Report(0.0, "lamp", "online", True, True)]
    assert state("stranger", "lost") == []


@pytest.mark.parametrize("word", ["init", "sleeping", "disconnected", "lost"])
def test_only_ready_is_online(word: str) -> None:
    speech = one()
    assert say(speech, "$state", "ready") == [Report(0.0, "lamp", "online", True, True)]
    assert say(speech, "$state", word) == [Report(0.0, "lamp", "online", False, True)]
    (bad,) = say(speech, "$state", "READY")
    assert isinstance(bad, Unreadable)


def test_the_description_of_a_simulated_device_is_read_by_the_bridge() -> None:
    profile = lamp(
        tells=frozenset({"switch", "level", "cct", "shut_down"}),
        hears=frozenset({"switch", "level", "cct", "watts", "down", "rolling", "online"}),
        cct_range=(2700.0, 6500.0),
        title="Kitchen",
    )
    end, speech = FarEnd(profile, "lamp"), Speech(profile)
    state = {
        "switch": True,
        "level": 40.0,
        "cct": 4000.0,
        "watts": 12.5,
        "down": False,
        "rolling": True,
    }
    hello = end.hello(state)  # type: ignore[arg-type]
    assert json.loads(hello[1].payload)["name"] == "Kitchen"
    out = [h for message in hello for h in speech.hear(message, 0.0)]
    assert not any(isinstance(h, Unreadable) for h in out), out
    values = {h.point: h.value for h in out if isinstance(h, Report)}
    assert values == {**state, "online": True}
    grids = {h.point: h.grid for h in out if isinstance(h, Described)}
    assert grids["cct"] == Grid(2700.0, 6500.0, 10.0, "kelvin")
    assert grids["level"] == Grid(0.0, 100.0, 1.0, "percent")
    for point, value in (("switch", False), ("level", 30.0), ("cct", 3000.0), ("shut_down", True)):
        (message,) = speech.tell("lamp", [(point, value)], None)  # type: ignore[list-item]
        got = end.told(message)
        assert got is not None
        assert got.values == ((point, value),)
    # while it still goes there, its target is said first, and is no report
    goal, value_ = end.report({"level": 20.0}, ("level",), {"level": 30.0})
    assert (goal.topic.rsplit("/", 1)[1], goal.payload) == ("$target", b"30")
    assert speech.hear(goal, 0.0) == []
    assert speech.hear(value_, 0.0) == [Report(0.0, "lamp", "level", 20.0, True)]
    (ready,) = end.report({}, ("online",))
    assert ready.payload == b"ready"


def test_the_convention_s_own_switch_is_found_by_its_datatype() -> None:
    speech = Speech(lamp())
    speech.hear(description({"b": DIMMER, "w": WARMTH, "on": POWER}), 0.0)
    (message,) = speech.tell("lamp", [("switch", True)], None)
    assert message.topic == "homie/5/kitchen-light/light/on/set"
