"""Homie 5 by the convention's own rules and examples: homieiot/convention, convention.md, version 5."""

from __future__ import annotations

import json

import pytest

from studiobridge.profile.model import HOMIE5, Device, Look, SetProfile
from studiobridge.profile.said import Described, Report, Unreadable
from studiobridge.speech import FarEnd, Speech
from studiobridge.speech.message import Message


def lamp(**more: object) -> SetProfile:
    figures: dict[str, object] = {
        "speaks": HOMIE5,
        "at": "kitchen-light/light",
        "tells": frozenset({"level", "cct"}),
        "hears": frozenset({"level", "cct", "online"}),
        "battery": True,
    }
    device = Device("lamp", "light", **{**figures, **more})  # type: ignore[arg-type]
    return SetProfile("s", "", 230.0, {}, {}, {"lamp": device}, {"d": Look("d", {})}, "d")


def description(properties: dict[str, object], **more: object) -> Message:
    document = {
        "homie": "5.0",
        "version": 7,
        "name": "Kitchen light",
        "nodes": {"light": {"name": "Light", "properties": properties}},
        **more,
    }
    return Message("homie/5/kitchen-light/$description", json.dumps(document).encode(), retain=True)


DIMMER = {"datatype": "integer", "format": "0:100:5", "unit": "%", "settable": True}
WARMTH = {"datatype": "float", "format": "2700:6500", "unit": "K", "settable": True}
POWER = {"datatype": "boolean", "settable": True}


def values(out: list[object]) -> list[tuple[str, object]]:
    return [(h.point, h.value) for h in out if isinstance(h, Report)]


def say(speech: Speech, tail: str, payload: str, retain: bool = True) -> list[object]:
    return list(
        speech.hear(Message(f"homie/5/kitchen-light/{tail}", payload.encode(), retain=retain), 0.0)
    )


def test_properties_are_found_by_unit_and_set_without_retain() -> None:
    speech = Speech(lamp())
    out = speech.hear(description({"brightness": DIMMER, "warmth": WARMTH, "power": POWER}), 0.0)
    learned = {h.point: h for h in out if isinstance(h, Described)}
    assert learned["level"].told
    assert learned["level"].grid is not None
    assert learned["level"].grid.step == 5.0
    assert learned["switch"].told
    messages = speech.tell("lamp", [("switch", True), ("level", 63.0), ("cct", 4300.0)], None)
    assert [(m.topic, m.payload, m.retain) for m in messages] == [
        ("homie/5/kitchen-light/light/power/set", b"true", False),
        ("homie/5/kitchen-light/light/brightness/set", b"65", False),
        ("homie/5/kitchen-light/light/warmth/set", b"4300.0", False),
    ]


def test_mired_as_a_unit() -> None:
    """Unit MK⁻¹ is mired: 250 of it is 4000 K."""
    speech = Speech(lamp())
    warm = {"datatype": "integer", "format": "154:370", "unit": "MK⁻¹", "settable": True}
    speech.hear(description({"b": DIMMER, "w": warm}), 0.0)
    assert values(say(speech, "light/w", "250")) == [("cct", 4000.0)]
    (message,) = speech.tell("lamp", [("cct", 4000.0)], None)
    assert message.payload == b"250"


def test_a_range_without_unit_is_mapped_by_the_profiles_word() -> None:
    speech = Speech(lamp(properties={"level": "intensity"}))
    speech.hear(
        description(
            {
                "intensity": {"datatype": "integer", "format": "0:255", "settable": True},
                "warmth": WARMTH,
            }
        ),
        0.0,
    )
    assert values(say(speech, "light/intensity", "255")) == [("level", 100.0)]
    (message,) = speech.tell("lamp", [("level", 50.0)], None)
    assert message.payload == b"128"


@pytest.mark.parametrize(
    ("state", "online"),
    [
        ("ready", True),
        ("init", False),
        ("disconnected", False),
        ("sleeping", False),
        ("lost", False),
    ],
)
def test_states(state: str, online: bool) -> None:
    """$state: init, ready, disconnected, sleeping or lost; only ready can be told anything."""
    assert values(say(Speech(lamp()), "$state", state)) == [("online", online)]


def test_a_state_the_convention_does_not_know() -> None:
    (out,) = say(Speech(lamp()), "$state", "on-fire")
    assert isinstance(out, Unreadable)


def test_a_lost_root_takes_its_tree_with_it() -> None:
    """A root's lost makes its whole tree lost; the child's own $state stays ready."""
    speech = Speech(lamp())
    speech.hear(description({"b": DIMMER, "w": WARMTH}, root="gateway", parent="gateway"), 0.0)
    assert values(say(speech, "$state", "ready")) == [("online", True)]
    lost = speech.hear(Message("homie/5/gateway/$state", b"lost", retain=False), 0.0)
    assert values(lost) == [("online", False)]
    back = speech.hear(Message("homie/5/gateway/$state", b"ready"), 0.0)
    assert values(back) == [("online", True)]
    # the gateway being back is no report of the lamp itself
    assert [h.retained for h in back if isinstance(h, Report)] == [True]


def test_a_target_is_no_report() -> None:
    """With $target in use the value may walk there step by step; only the value is a report."""
    speech = Speech(lamp())
    speech.hear(description({"b": DIMMER, "w": WARMTH}), 0.0)
    assert say(speech, "light/b/$target", "80") == []
    assert values(say(speech, "light/b", "40")) == [("level", 40.0)]


def test_a_target_echoes_what_was_set_byte_for_byte() -> None:
    profile = lamp()
    end = FarEnd(profile, "lamp")
    told = end.told(Message("homie/5/kitchen-light/light/level/set", b"80"))
    assert told is not None
    out = end.report({"level": 40.0}, ("level",), {"level": 80.0})
    by_topic = {m.topic: m.payload for m in out}
    assert by_topic["homie/5/kitchen-light/light/level/$target"] == b"80"
    assert by_topic["homie/5/kitchen-light/light/level"] == b"40"


@pytest.mark.parametrize("payload", ["TRUE", "1", "", "yes", " true"])
def test_booleans_are_true_and_false_and_nothing_else(payload: str) -> None:
    """Payloads, Boolean: case sensitive literals; an empty string is not valid."""
    speech = Speech(lamp())
    speech.hear(description({"b": DIMMER, "w": WARMTH, "power": POWER}), 0.0)
    assert values(say(speech, "light/power", "true")) == [("switch", True)]
    (out,) = say(speech, "light/power", payload)
    assert isinstance(out, Unreadable)


@pytest.mark.parametrize(
    "payload", ["", "-", "12.5", " 40", "4 0", "NaN", "Infinity", "0x10", "1e2"]
)
def test_integers_are_whole_numbers_and_nothing_else(payload: str) -> None:
    """Payloads, Integer: whole numbers and the negation character only."""
    speech = Speech(lamp())
    speech.hear(description({"b": DIMMER, "w": WARMTH}), 0.0)
    (out,) = say(speech, "light/b", payload)
    assert isinstance(out, Unreadable)


@pytest.mark.parametrize(
    ("payload", "kelvin"), [("4.3e3", 4300.0), ("4300", 4300.0), ("4300.5", 4300.5)]
)
def test_floats_may_have_an_exponent(payload: str, kelvin: float) -> None:
    """Payloads, Float: digits, '-', 'e' or 'E' and one dot."""
    speech = Speech(lamp())
    speech.hear(description({"b": DIMMER, "w": WARMTH}), 0.0)
    assert values(say(speech, "light/w", payload)) == [("cct", kelvin)]


def test_values_that_came_before_the_description_keep_their_retain_flag() -> None:
    speech = Speech(lamp())
    assert say(speech, "light/b", "40", retain=True) == []
    assert say(speech, "light/w", "4000", retain=False) == []
    out = speech.hear(description({"b": DIMMER, "w": WARMTH}), 0.0)
    kept = {h.point: h.retained for h in out if isinstance(h, Report)}
    assert kept == {"level": True, "cct": False}


def test_a_description_without_what_is_needed_says_so() -> None:
    speech = Speech(lamp())
    speech.hear(description({"power": POWER}), 0.0)
    assert any("describes nothing for level" in text for text in speech.lacking.of("lamp"))


@pytest.mark.parametrize(
    "payload",
    [
        b"",
        b"{",
        b"[]",
        b'{"homie": "4.0", "nodes": {}}',
        b'{"homie": "5.0"}',
        b'{"homie": "5.0", "nodes": {"light": {"properties": {"b": {"datatype": "integer", "format": "9:1"}}}}}',
    ],
)
def test_a_broken_description_changes_nothing(payload: bytes) -> None:
    speech = Speech(lamp())
    out = speech.hear(Message("homie/5/kitchen-light/$description", payload), 0.0)
    assert out
    assert all(isinstance(h, Unreadable) for h in out)
    assert speech.tell("lamp", [("level", 50.0)], None) == []


def test_hello_in_the_order_of_the_device_lifecycle() -> None:
    """Lifecycle: init, then description and values, then ready; the will says lost; all retained."""
    end = FarEnd(lamp(), "lamp")
    hello = end.hello({"level": 40.0, "cct": 4000.0})
    assert (hello[0].payload, hello[-1].payload) == (b"init", b"ready")
    assert hello[1].topic.endswith("/$description")
    assert all(message.retain for message in hello)
    will = end.will()
    assert will is not None
    assert (will.topic, will.payload) == ("homie/5/kitchen-light/$state", b"lost")


# ---- the convention's own words: homieiot/convention, convention.md, version 5, read for this ----


def kitchen(**brightness: object) -> Speech:
    """The kitchen light of 'Property command topic': a node `light` with power and brightness."""
    speech = Speech(
        lamp(
            tells=frozenset({"switch", "level"}),
            hears=frozenset({"switch", "level", "online"}),
            properties={"switch": "power", "level": "brightness"},
        )
    )
    dim = {"datatype": "integer", "format": "0:100", "unit": "%", "settable": True, **brightness}
    speech.hear(
        description({"power": {"datatype": "boolean", "settable": True}, "brightness": dim}), 0.0
    )
    return speech


def test_the_example_of_setting_power() -> None:
    """homie/5/kitchen-light/light/power/set ← "true"; in response …/power → "true"."""
    speech = kitchen()
    (message,) = speech.tell("lamp", [("switch", True)], None)
    assert message.topic == "homie/5/kitchen-light/light/power/set"
    assert message.payload == b"true"
    assert not message.retain  # "Controllers … with non-retained messages only"
    assert values(say(speech, "light/power", "true", retain=False)) == [("switch", True)]


def test_the_example_of_a_slow_dim() -> None:
    """set ← 100, $target → 100, then 20, 40, 60, 80, 100: only the value topic reports."""
    speech = kitchen()
    (message,) = speech.tell("lamp", [("level", 100.0)], None)
    assert (message.topic, message.payload) == (
        "homie/5/kitchen-light/light/brightness/set",
        b"100",
    )
    heard = list(say(speech, "light/brightness/$target", "100", retain=False))
    for step in (20, 40, 60, 80, 100):
        heard += say(speech, "light/brightness", str(step), retain=False)
    assert values(heard) == [("level", float(step)) for step in (20, 40, 60, 80, 100)]


def test_a_device_that_is_removed_is_gone() -> None:
    """'A zero length payload published on the $state topic indicates a device removal.'"""
    speech = kitchen()
    assert values(say(speech, "$state", "ready")) == [("online", True)]
    assert values(say(speech, "$state", "", retain=False)) == [("online", False)]


def test_a_boolean_format_describes_and_does_not_spell() -> None:
    """'The format does NOT specify valid payloads, they are descriptions of … false and true.'"""
    speech = Speech(
        lamp(
            tells=frozenset({"switch"}),
            hears=frozenset({"switch", "online"}),
            properties={"switch": "power"},
        )
    )
    speech.hear(
        description({"power": {"datatype": "boolean", "format": "off,on", "settable": True}}), 0.0
    )
    (message,) = speech.tell("lamp", [("switch", False)], None)
    assert message.payload == b"false"
    (out,) = say(speech, "light/power", "off")
    assert isinstance(out, Unreadable)


@pytest.mark.parametrize(
    ("form", "told", "payload"),
    [
        ("0:", 63.0, b"63"),  # open-ended above
        (":100", 63.0, b"63"),  # open-ended below
        (":", 63.0, b"63"),  # the default
        ("0:100:5", 63.0, b"65"),  # to the nearest step, from the minimum
        ("2:98:4", 63.0, b"62"),  # steps count from the minimum: 2, 6, … 62
    ],
)
def test_formats_of_numbers(form: str, told: float, payload: bytes) -> None:
    """'[min]:[max][:step]'; missing ends are open; the base of a step is min, then max."""
    (message,) = kitchen(format=form).tell("lamp", [("level", told)], None)
    assert message.payload == payload
