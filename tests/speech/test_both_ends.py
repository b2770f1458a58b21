"""What a device says at its own end and what is told there: plain, JSON and Homie."""

from __future__ import annotations

import json
from dataclasses import replace

import pytest

from studiobridge.profile.model import (
    AskMap,
    Device,
    Dialect,
    HearMap,
    SetProfile,
    Span,
    TellMap,
    Words,
)
from studiobridge.profile.said import Described, Report
from studiobridge.speech import FarEnd, Speech, Told
from studiobridge.speech.message import Message
from tests.speech.test_round_trip import kiln


def heard(speech: Speech, messages: list[Message]) -> dict[tuple[str, str], object]:
    return {
        (h.device, h.point): h.value
        for message in messages
        for h in speech.hear(message, 0.0)
        if isinstance(h, Report)
    }


def test_a_plain_device_says_hello_goodbye_and_its_will() -> None:
    profile = kiln()
    speech, end = Speech(profile), FarEnd(profile, "kiln-plug")
    hello = end.hello({"switch": True, "watts": 41.5})
    assert heard(speech, hello) == {
        ("kiln-plug", "switch"): True,
        ("kiln-plug", "watts"): 41.5,
        ("kiln-plug", "online"): True,
    }
    assert all(message.retain for message in hello)
    gone = [Message("kiln/p/alive", b"gone", qos=1, retain=True)]
    assert end.goodbye() == gone
    assert end.will() == gone[0]
    assert FarEnd(profile, "panel").will() is None  # its dialect has no `online`
    assert FarEnd(profile, "panel").goodbye() == []


def test_a_homie_device_says_goodbye_and_its_will() -> None:
    end = FarEnd(kiln(), "glow")
    (left,) = end.goodbye()
    assert (left.topic, left.payload) == ("homie/5/glow-1/$state", b"disconnected")
    will = end.will()
    assert will is not None
    assert will.payload == b"lost"


def test_a_report_of_one_point_says_no_other_on_a_topic_of_its_own() -> None:
    profile = kiln()
    end = FarEnd(profile, "kiln-plug")
    (message,) = end.report({"switch": False, "watts": 3.0, "online": True}, ("switch",))
    assert (message.topic, message.payload) == ("kiln/p/3/out", b"0")
    # a document says all it knows, once one of its points has changed
    panel = FarEnd(profile, "panel")
    (document,) = panel.report({"switch": True, "level": 100.0, "cct": 4000.0}, ("level",))
    assert document.topic == "kiln/l/is"
    assert json.loads(document.payload) == {"lit": True, "light": {"dim": 255, "warmth": 250}}
    assert panel.report({"switch": True}, ()) == []
    assert panel.report({}, ("level",)) == []


def test_what_each_end_listens_to() -> None:
    profile = kiln()
    assert FarEnd(profile, "kiln-plug").subscriptions() == [
        ("kiln/p/3/in", 1),
        ("kiln/p/report", 1),
    ]
    assert FarEnd(profile, "panel").subscriptions() == [("kiln/l/do", 1)]
    assert FarEnd(profile, "glow").subscriptions() == [
        ("homie/5/glow-1/lamp/cct/set", 1),
        ("homie/5/glow-1/lamp/level/set", 1),
    ]


def test_a_wish_for_a_report_and_what_is_not_for_it() -> None:
    end = FarEnd(kiln(), "kiln-plug")
    assert end.told(Message("kiln/p/report", b"")) == Told((), None, True)
    assert end.told(Message("kiln/p/3/in", b"1")) == Told((("switch", True),), None, False)
    assert end.told(Message("kiln/p/3/in", b"maybe")) is None
    assert end.told(Message("kiln/p/3/in", b"\xff")) is None
    assert end.told(Message("kiln/q/3/in", b"1")) is None
    glow = FarEnd(kiln(), "glow")
    assert glow.told(Message("homie/5/glow-1/lamp/level/set", b"40")) == Told((("level", 40.0),))
    assert glow.told(Message("homie/5/glow-1/lamp/level/set", b"400")) is None
    assert glow.told(Message("homie/5/glow-1/lamp/level", b"40")) is None


# ---- other spellings ----------------------------------------------------------------------


def one(dialect: Dialect, **more: object) -> SetProfile:
    figures = {
        "speaks": "w",
        "at": "s",
        "tells": frozenset(dialect.tell),
        "hears": frozenset(dialect.hear),
        "can_ask": dialect.ask is not None,
        **more,
    }
    device = Device("d", "light", fed_by="wall", circuit="wall", **figures)  # type: ignore[arg-type]
    return replace(kiln(), dialects={"w": dialect}, devices={"d": device})


def test_a_plain_payload_around_the_value_with_a_fade() -> None:
    """`dim 128 over 15` in tenths of a second."""
    profile = one(
        Dialect(
            "w",
            {
                "level": TellMap(
                    "{at}/do", "dim {value} over {fade}", span=Span(0, 255), fade_unit="ds"
                )
            },
            {"level": HearMap("{at}/is", span=Span(0, 255))},
        )
    )
    (message,) = Speech(profile).tell("d", [("level", 50.0)], 1.5)
    assert message.payload == b"dim 128 over 15"
    told = FarEnd(profile, "d").told(message)
    assert told is not None
    assert dict(told.values)["level"] == pytest.approx(50.2, abs=0.01)
    assert FarEnd(profile, "d").told(Message("s/do", b"128")) is None
    (none,) = Speech(profile).tell("d", [("level", 100.0)], None)
    assert none.payload == b"dim 255 over 0"


@pytest.mark.parametrize(("unit", "said"), [("s", 1.25), ("ms", 1250), ("ds", 12.5)])
def test_fades_in_a_document(unit: str, said: float) -> None:
    profile = one(
        Dialect(
            "w",
            {"level": TellMap("{at}/do", None, {"to": "{value}", "in": "{fade}"}, fade_unit=unit)},  # type: ignore[arg-type]
            {"level": HearMap("{at}/is")},
        )
    )
    (message,) = Speech(profile).tell("d", [("level", 50.0)], 1.25)
    assert json.loads(message.payload) == {"to": 50, "in": said}
    told = FarEnd(profile, "d").told(message)
    assert told == Told((("level", 50.0),), 1.25)
    # without a fade the device is told none, and takes none
    (at_once,) = Speech(profile).tell("d", [("level", 50.0)], None)
    assert FarEnd(profile, "d").told(at_once) == Told((("level", 50.0),), None)


def test_a_template_with_lists_and_words_in_it() -> None:
    dialect = Dialect(
        "w",
        {
            "level": TellMap(
                "{at}/do", None, {"id": 7, "set": [{"ch": 1, "v": "{value}"}, "at {value}"]}
            )
        },
        {"level": HearMap("{at}/is", "set.0.v")},
    )
    profile = one(dialect)
    (message,) = Speech(profile).tell("d", [("level", 12.5)], None)
    assert json.loads(message.payload) == {"id": 7, "set": [{"ch": 1, "v": 12.5}, "at 12.5"]}
    assert FarEnd(profile, "d").told(message) == Told((("level", 12.5),))
    assert Speech(profile).hear(Message("s/is", b'{"set": [{"v": 40}, {"v": 50}]}'), 0.0) == [
        Report(0.0, "d", "level", 40.0)
    ]


def test_a_document_that_is_the_value_and_a_kept_command() -> None:
    dialect = Dialect(
        "w",
        {"level": TellMap("{at}/do", None, "{value}", qos=0, retain=True)},
        {"level": HearMap("{at}/is", qos=2)},
        AskMap("{at}/ask", "now", 0),
    )
    speech = Speech(one(dialect))
    assert speech.tell("d", [("level", 30.0)], None) == [Message("s/do", b"30.0", 0, retain=True)]
    assert speech.ask("d") == [Message("s/ask", b"now", 0)]
    assert ("s/is", 2) in speech.subscriptions()
    assert speech.tell("nobody", [("level", 30.0)], None) == []
    assert speech.ask("nobody") == []


def test_a_computer_is_told_to_shut_down_in_the_words_of_its_dialect() -> None:
    halt = {"shut_down": TellMap("{at}/do", "halt now")}
    down = {"down": HearMap("{at}/down", words=Words("yes", "no"))}
    profile = one(Dialect("w", halt, down))
    (message,) = Speech(profile).tell("d", [("shut_down", True)], None)
    assert message.payload == b"halt now"
    end = FarEnd(profile, "d")
    assert end.told(message) == Told((("shut_down", True),))
    assert end.told(Message("s/do", b"halt")) is None
    worded = one(Dialect("w", {"shut_down": TellMap("{at}/do", words=Words("off", "on"))}, down))
    (message,) = Speech(worded).tell("d", [("shut_down", True)], None)
    assert message.payload == b"off"
    assert FarEnd(worded, "d").told(message) == Told((("shut_down", True),))
    assert FarEnd(worded, "d").told(Message("s/do", b"on")) is None


def test_a_computer_is_told_to_shut_down_in_a_document() -> None:
    halt = {
        "shut_down": TellMap("{at}/do", None, {"power": "{value}"}, words=Words("halt", "stay"))
    }
    down = {"down": HearMap("{at}/down")}
    profile = one(Dialect("w", halt, down))
    (message,) = Speech(profile).tell("d", [("shut_down", True)], None)
    assert json.loads(message.payload) == {"power": "halt"}
    end = FarEnd(profile, "d")
    assert end.told(message) == Told((("shut_down", True),))
    assert end.told(Message("s/do", b'{"power": "halt", "more": 1}')) == Told(
        (("shut_down", True),)
    )
    for other in (b'{"power": "stay"}', b"{}", b'{"dim": 5}', b"[]", b"halt", b"\xff"):
        assert end.told(Message("s/do", other)) is None


def test_two_points_told_on_one_topic_in_words_of_their_own() -> None:
    dialect = Dialect(
        "w",
        {
            "level": TellMap("{at}/do", "dim {value}", span=Span(0, 255)),
            "cct": TellMap("{at}/do", "warm {value} K!"),
        },
        {"level": HearMap("{at}/is", "a", qos=0), "cct": HearMap("{at}/is", "b", qos=0)},
    )
    profile = one(dialect)
    speech, end = Speech(profile), FarEnd(profile, "d")
    dim, warm = speech.tell("d", [("level", 100.0), ("cct", 4000.0)], None)
    assert (dim.payload, warm.payload) == (b"dim 255", b"warm 4000 K!")
    assert end.told(dim) == Told((("level", 100.0),))
    assert end.told(warm) == Told((("cct", 4000.0),))
    assert end.told(Message("s/do", b"warm 4000")) is None  # its end is missing
    assert ("s/is", 0) in speech.subscriptions()
    louder = {**dialect.hear, "cct": HearMap("{at}/is", "b", qos=2)}
    assert ("s/is", 2) in Speech(one(replace(dialect, hear=louder))).subscriptions()


def test_what_cannot_be_told_is_not_taken_either() -> None:
    end = FarEnd(kiln(), "kiln-plug")
    assert end.told(Message("kiln/p/meter", b"5")) is None
    profile = kiln()
    glow = replace(profile.devices["glow"], hears=frozenset({"level", "cct", "watts", "online"}))
    homie = FarEnd(replace(profile, devices={**profile.devices, "glow": glow}), "glow")
    assert homie.told(Message("homie/5/glow-1/lamp/watts/set", b"5.0")) is None
    assert ("homie/5/glow-1/lamp/watts/set", 1) not in homie.subscriptions()
    assert Speech(profile).ask("panel") == []  # its dialect knows no asking


def test_of_two_spellings_the_coarser_is_what_can_be_confirmed() -> None:
    coarse, fine = Span(0, 10), Span(0, 255)
    for tell, hear in ((coarse, fine), (fine, coarse)):
        dialect = Dialect(
            "w", {"level": TellMap("{at}/do", span=tell)}, {"level": HearMap("{at}/is", span=hear)}
        )
        (learned,) = Speech(one(dialect)).described(0.0)
        assert learned.grid is not None
        assert learned.grid.step == 10.0
        assert (learned.told, learned.heard) == (True, True)
    only = Dialect("w", {}, {"watts": HearMap("{at}/w")})
    assert Speech(one(only)).described(0.0) == [Described(0.0, "d", "watts", False, True, None)]


def test_one_bad_point_of_a_document_does_not_cost_the_others() -> None:
    out = Speech(kiln()).hear(Message("kiln/l/is", b'{"lit": 7, "light": {"dim": 255}}'), 0.0)
    assert Report(0.0, "panel", "level", 100.0) in out
    assert len(out) == 2


def test_whose_topics_are_heard() -> None:
    speech = Speech(kiln())
    for topic in ("kiln/l/is", "kiln/p/3/out", "homie/5/glow-1/lamp/level", "homie/5/any/$state"):
        assert speech.hears_topic(topic)
    assert speech.hears_topic("homie/5/glow-1/$description")
    for topic in ("kiln/l/do", "homie/5/other/lamp/level", "homie/5/other/$description"):
        assert not speech.hears_topic(topic)
    assert not speech.hears_topic("homie/5/glow-1/lamp/level/set")
    assert not speech.hears_topic("homie/5/glow-1/$other")
