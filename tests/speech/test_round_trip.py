"""Every value survives its speech: told at one end, heard at the other, within half a step."""

from __future__ import annotations

import json
from dataclasses import replace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from studiobridge.profile.model import (
    HOMIE5,
    AskMap,
    Circuit,
    Device,
    Dialect,
    HearMap,
    Look,
    SetProfile,
    Span,
    TellMap,
    Words,
)
from studiobridge.profile.said import Described, Report, Unreadable
from studiobridge.speech import FarEnd, Speech
from studiobridge.speech.encode import MAX_PAYLOAD, decoder, encoder, grid_of
from studiobridge.speech.message import Message

LEVELS = [
    (None, None),
    (None, "percent"),
    (None, "fraction"),
    (Span(0, 1), "fraction"),
    (Span(0, 255), None),
    (Span(0, 254), None),
    (Span(1, 254), None),
    (Span(0, 65535), None),
    (Span(0, 100), "percent"),
    (Span(0, 1000), None),
]
CCTS = [
    (None, None),
    (None, "kelvin"),
    (None, "mired"),
    (Span(154, 370), "mired"),
    (Span(2700, 6500), "kelvin"),
    (Span(27.5, 65.5), "mired"),
]


@pytest.mark.parametrize(("span", "unit"), LEVELS)
@given(level=st.floats(0, 100))
def test_every_level_scale(span, unit, level: float) -> None:  # type: ignore[no-untyped-def]
    rule = HearMap("t", span=span, unit=unit)
    grid = grid_of("level", span, unit)
    assert grid is not None
    scalar = encoder("level", rule)(level)
    if span is not None:
        assert span.low <= scalar <= span.high
    back = decoder("level", rule)(json.loads(json.dumps(scalar)))
    assert grid.same(level, float(back))


@pytest.mark.parametrize(("span", "unit"), CCTS)
@given(share=st.floats(0, 1))
def test_every_colour_scale(span, unit, share: float) -> None:  # type: ignore[no-untyped-def]
    rule = HearMap("t", span=span, unit=unit)
    grid = grid_of("cct", span, unit)
    assert grid is not None
    cct = grid.from_raw(grid.low + share * (grid.high - grid.low))
    back = decoder("cct", rule)(encoder("cct", rule)(cct))
    assert grid.same(cct, float(back))


def test_a_span_by_hand() -> None:
    """64 % of 0..255 is 163.2, told as 163, which is 63.92 %."""
    rule = HearMap("t", span=Span(0, 255))
    assert encoder("level", rule)(64.0) == 163
    assert decoder("level", rule)(163) == pytest.approx(63.9216, abs=1e-4)
    mireds = HearMap("t", span=Span(154, 370), unit="mired")
    assert encoder("cct", mireds)(4300.0) == 233  # 10^6 / 4300 = 232.56
    assert encoder("cct", mireds)(10000.0) == 154  # never outside the span


# ---- a small set with every kind of dialect --------------------------------------------------------


def kiln() -> SetProfile:
    relay = Dialect(
        "relay",
        tell={"switch": TellMap("{at}/{port}/in", words=Words("1", "0"))},
        hear={
            "switch": HearMap("{at}/{port}/out", words=Words("1", "0")),
            "watts": HearMap("{at}/meter", field="now.power"),
            "online": HearMap("{at}/alive", words=Words("up", "gone")),
        },
        ask=AskMap("{at}/report"),
    )
    panel = Dialect(
        "panel",
        tell={
            "switch": TellMap("{at}/do", None, {"lit": "{value}"}, Words(True, False)),
            "level": TellMap(
                "{at}/do",
                None,
                {"light": {"dim": "{value}", "over": "{fade}"}},
                span=Span(0, 255),
                fade_unit="ms",
            ),
            "cct": TellMap(
                "{at}/do", None, {"light": {"warmth": "{value}"}}, unit="mired", span=Span(154, 370)
            ),
        },
        hear={
            "switch": HearMap("{at}/is", "lit", Words(True, False)),
            "level": HearMap("{at}/is", "light.dim", span=Span(0, 255)),
            "cct": HearMap("{at}/is", "light.warmth", unit="mired", span=Span(154, 370)),
        },
    )
    devices = [
        Device(
            "kiln-plug",
            "plug",
            fed_by="wall",
            circuit="wall",
            speaks="relay",
            at="kiln/p",
            blanks={"port": "3"},
            tells=frozenset({"switch"}),
            hears=frozenset({"switch", "watts", "online"}),
            can_ask=True,
        ),
        Device(
            "panel",
            "light",
            fed_by="kiln-plug",
            feeds=("kiln-plug",),
            circuit="wall",
            speaks="panel",
            at="kiln/l",
            tells=frozenset({"switch", "level", "cct"}),
            hears=frozenset({"switch", "level", "cct"}),
            knows_fade=True,
        ),
        Device(
            "glow",
            "light",
            fed_by="kiln-plug",
            feeds=("kiln-plug",),
            circuit="wall",
            speaks=HOMIE5,
            at="glow-1/lamp",
            tells=frozenset({"level", "cct"}),
            hears=frozenset({"level", "cct", "online"}),
        ),
    ]
    return SetProfile(
        "kiln",
        "",
        230.0,
        {"wall": Circuit("wall", 16, "B", 0.5)},
        {"relay": relay, "panel": panel},
        {d.name: d for d in devices},
        {"day": Look("day", {})},
        "day",
    )


def described(speech: Speech, profile: SetProfile) -> Speech:
    for message in FarEnd(profile, "glow").hello({"level": 10.0, "cct": 4000.0}):
        speech.hear(message, 0.0)
    return speech


@settings(max_examples=60)
@given(level=st.floats(0, 100), cct=st.floats(2703, 6490), name=st.sampled_from(["panel", "glow"]))
def test_told_and_reported_through_the_devices_own_end(level: float, cct: float, name: str) -> None:
    profile = kiln()
    speech = described(Speech(profile), profile)
    end = FarEnd(profile, name)
    state: dict[str, object] = {}
    for message in speech.tell(name, [("level", level), ("cct", cct)], 1.5):
        told = end.told(message)
        assert told is not None
        state.update(told.values)
        if name == "panel":
            assert told.fade == pytest.approx(1.5)
    grids = {
        learned.point: learned.grid for learned in speech.described(0.0) if learned.device == name
    }
    if name == "glow":
        for learned in speech.hear(end.hello({})[1], 0.0):
            if isinstance(learned, Described):
                grids[learned.point] = learned.grid
    for message in end.report(state, ("level", "cct")):  # type: ignore[arg-type]
        for heard in speech.hear(message, 0.0):
            assert isinstance(heard, Report)
            if heard.point == "switch":
                continue
            wanted = level if heard.point == "level" else cct
            grid = grids[heard.point]
            assert grid is not None
            assert grid.same(wanted, float(heard.value)), (heard, wanted)


def test_points_of_one_json_topic_travel_in_one_message() -> None:
    speech = Speech(kiln())
    (message,) = speech.tell("panel", [("level", 100.0), ("cct", 5000.0), ("switch", True)], 2.0)
    assert message.topic == "kiln/l/do"
    assert json.loads(message.payload) == {
        "lit": True,
        "light": {"dim": 255, "over": 2000, "warmth": 200},
    }


def test_blanks_and_words_of_a_plain_dialect() -> None:
    speech = Speech(kiln())
    (message,) = speech.tell("kiln-plug", [("switch", True)], None)
    assert (message.topic, message.payload, message.retain) == ("kiln/p/3/in", b"1", False)
    assert speech.hear(Message("kiln/p/3/out", b"0"), 0.0) == [
        Report(0.0, "kiln-plug", "switch", False)
    ]
    assert speech.hear(Message("kiln/p/meter", b'{"now": {"power": 41.5}}'), 0.0) == [
        Report(0.0, "kiln-plug", "watts", 41.5)
    ]
    assert [m.topic for m in speech.ask("kiln-plug")] == ["kiln/p/report"]
    assert speech.ask("glow") == []


def test_each_thing_said_has_its_time_and_whether_the_broker_kept_it() -> None:
    speech = Speech(kiln())
    (kept,) = speech.hear(Message("kiln/p/3/out", b"1", retain=True), 7.5)
    (fresh,) = speech.hear(Message("kiln/p/3/out", b"1"), 8.5)
    assert kept == Report(7.5, "kiln-plug", "switch", True, retained=True)
    assert fresh == Report(8.5, "kiln-plug", "switch", True, retained=False)
    bad = speech.hear(Message("kiln/p/3/out", b"maybe"), 9.5)
    assert [(type(said), said.at) for said in bad] == [(Unreadable, 9.5)]
    assert {said.at for said in speech.described(1.5)} == {1.5}


def test_a_message_that_says_only_what_changed() -> None:
    speech = Speech(kiln())
    assert speech.hear(Message("kiln/l/is", b'{"lit": true}'), 0.0) == [
        Report(0.0, "panel", "switch", True)
    ]
    assert speech.hear(Message("kiln/l/is", b"{}"), 0.0) == []


BAD = [
    b"",
    b"\xff\xfe",
    b"nan",
    b"NaN",
    b"Infinity",
    b'{"light": {"dim": NaN}}',
    b'{"light": {"dim": 300}}',
    b'{"light": {"dim": true}}',
    b'{"light": {"dim": "12x"}}',
    b'{"light": {"warmth": 1e999}}',
    b"[" * 100_000,
    b'{"a":' * 50_000,
    b"9" * 5000,
    b'{"light": {"dim": ' + b"9" * 5000 + b"}}",
    b"x" * (MAX_PAYLOAD + 1),
    b"x" * 10_000_000,
    b'"\\ud800"',
]


@pytest.mark.parametrize("payload", BAD, ids=lambda p: repr(p[:20]))
@pytest.mark.parametrize("topic", ["kiln/l/is", "kiln/p/3/out", "kiln/p/meter"])
def test_what_cannot_be_read_is_said_and_changes_nothing(topic: str, payload: bytes) -> None:
    for heard in Speech(kiln()).hear(Message(topic, payload), 0.0):
        assert isinstance(heard, Unreadable)
        assert heard.topic == topic
        assert heard.why.isprintable()
        assert len(heard.why) < 200


@given(
    st.binary(max_size=200),
    st.sampled_from(
        [
            "kiln/l/is",
            "kiln/p/3/out",
            "kiln/p/meter",
            "homie/5/glow-1/$state",
            "homie/5/glow-1/$description",
            "homie/5/glow-1/lamp/level",
            "homie/5/glow-1/lamp/level/$target",
            "homie/5",
            "homie/5/x",
        ]
    ),
)
def test_no_bytes_on_any_topic_raise(payload: bytes, topic: str) -> None:
    profile = kiln()
    for heard in described(Speech(profile), profile).hear(Message(topic, payload), 0.0):
        assert isinstance(heard, Report | Unreadable | Described)


def test_topics_of_nobody_are_nobodys() -> None:
    speech = Speech(kiln())
    assert speech.hear(Message("somewhere/else", b"1"), 0.0) == []
    assert speech.hear(Message("homie/5/other/lamp/level", b"1"), 0.0) == []
    assert not speech.hears_topic("somewhere/else")


def test_subscriptions_do_not_overlap() -> None:
    def overlap(a: str, b: str) -> bool:
        first, second = a.split("/"), b.split("/")
        return len(first) == len(second) and all(
            x == y or "+" in (x, y) for x, y in zip(first, second, strict=True)
        )

    filters = [f for f, _ in Speech(kiln()).subscriptions()]
    assert not any(overlap(a, b) for i, a in enumerate(filters) for b in filters[i + 1 :])
    assert len(filters) == 7


def test_a_wire_told_outside_its_span_stays_inside() -> None:
    speech = Speech(kiln())
    (message,) = speech.tell("panel", [("cct", 10000.0)], None)
    assert json.loads(message.payload)["light"]["warmth"] == 154


def test_a_device_that_cannot_be_told_a_point_is_not() -> None:
    profile = kiln()
    devices = dict(profile.devices)
    devices["panel"] = replace(devices["panel"], tells=frozenset({"switch"}))
    assert Speech(replace(profile, devices=devices)).tell("panel", [("level", 5.0)], None) == []
