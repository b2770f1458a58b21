"""What instruments and supplies say, by hand: light, warmth, batteries, cards."""

from __future__ import annotations

import json

import pytest
from hypothesis import given
from hypothesis import strategies as st

from studiobridge.profile import read_profile_text
from studiobridge.profile.model import HearMap, Span
from studiobridge.profile.said import Report, Unreadable
from studiobridge.speech import FarEnd, Speech
from studiobridge.speech.encode import CannotRead, decoder, encoder
from studiobridge.speech.message import Message
from tests.outside.test_homie import description


@pytest.mark.parametrize(
    ("point", "unit", "span", "said", "value"),
    [
        ("lux", None, None, 402, 402.0),
        ("lux", "lux", None, "402.5", 402.5),
        ("lux", "footcandle", None, 100, 1076.39),  # 1 fc is 10.764 lx, by definition
        ("temperature", None, None, 21.5, 21.5),
        ("temperature", "fahrenheit", None, 140, 60.0),  # by definition, with the next two
        ("temperature", "fahrenheit", None, 32, 0.0),
        ("temperature", "fahrenheit", None, -40, -40.0),
        ("battery", None, None, 12, 12.0),
        ("battery", "fraction", None, 0.12, 12.0),
        ("battery", None, Span(0, 255), 51, 20.0),
        ("battery", None, Span(3300, 4200), 3750, 50.0),
        ("card", None, None, 95, 95.0),
        ("card", "second", None, 5700, 95.0),
        ("card", "hour", None, 1.5, 90.0),
    ],
)
def test_every_unit_by_hand(point, unit, span, said, value) -> None:  # type: ignore[no-untyped-def]
    rule = HearMap("t", unit=unit, span=span)
    assert decoder(point, rule)(said) == pytest.approx(value, abs=0.01)
    assert float(encoder(point, rule)(value)) == pytest.approx(float(said), rel=1e-4)


@pytest.mark.parametrize(
    ("point", "unit", "span", "said"),
    [
        ("lux", None, None, -1),
        ("lux", None, None, 1e9),
        ("lux", None, None, "nan"),
        ("lux", None, None, float("nan")),
        ("lux", None, None, float("inf")),
        ("lux", None, None, 10**400),
        ("lux", None, None, True),
        ("lux", None, None, None),
        ("temperature", None, None, 4000),
        ("temperature", "fahrenheit", None, -300),
        ("temperature", None, Span(500, 600), 550),
        ("battery", None, None, 101),
        ("battery", None, None, -1),
        ("battery", "fraction", None, 12),
        ("battery", None, Span(0, 255), 256),
        ("battery", None, None, "full"),
        ("card", "second", None, -5),
        ("card", None, None, "1e99"),
        ("battery_low", None, None, 1),
    ],
)
def test_what_no_instrument_says_is_not_read(point, unit, span, said) -> None:  # type: ignore[no-untyped-def]
    with pytest.raises(CannotRead):
        decoder(point, HearMap("t", unit=unit, span=span))(said)


@given(
    case=st.sampled_from(
        [
            ("lux", "lux", 2e5),
            ("lux", "footcandle", 2e5),
            ("temperature", "fahrenheit", 250.0),
            ("battery", "fraction", 100.0),
            ("card", "second", 1e5),
            ("card", "hour", 1e5),
        ]
    ),
    share=st.floats(0, 1),
)
def test_what_a_device_says_is_what_is_heard(case: tuple[str, str, float], share: float) -> None:
    point, unit, most = case
    rule = HearMap("t", unit=unit)  # type: ignore[arg-type]
    said = json.loads(json.dumps(encoder(point, rule)(share * most)))  # type: ignore[arg-type]
    assert decoder(point, rule)(said) == pytest.approx(share * most, abs=0.01)  # type: ignore[arg-type]


# ---- in a profile, through a dialect and through the convention ---------------------------

TABLE = """\
format: 1
set: glue-table
mains: {voltage: 230 V, circuits: {wall: {breaker: 10 A}}}
dialects:
  beltpack:
    battery: {hear: {topic: "{at}/pack", field: charge, unit: fraction}}
    battery_low: {hear: {topic: "{at}/pack", field: weak, words: {yes: 1, no: 0}}}
    temperature: {hear: {topic: "{at}/pack", field: warmth, unit: fahrenheit}}
    online: {hear: {topic: "{at}/link", words: {yes: "up", no: "gone"}}}
    ask: {topic: "{at}/ask"}
devices:
  clip: {kind: audio, fed_by: battery, speaks: beltpack, at: glue/clip, warn: {battery: 30 %}}
  cell: {kind: sensor, fed_by: battery, speaks: homie5, at: cell/meter, \
properties: {lux: brightness, cct: white, battery: charge}}
"""


def speech(text: str = TABLE) -> Speech:
    return Speech(read_profile_text(text, "glue.yaml").profile)


def said(found: list[object]) -> list[tuple[str, object]]:
    return [(f.point, f.value) for f in found if isinstance(f, Report)]


def test_one_message_says_all_of_it() -> None:
    payload = b'{"charge": 0.31, "weak": 0, "warmth": 104}'
    found = speech().hear(Message("glue/clip/pack", payload), 1.0)
    assert sorted(said(found)) == [("battery", 31.0), ("battery_low", False), ("temperature", 40.0)]
    nothing = speech().hear(Message("glue/clip/pack", b'{"charge": NaN}'), 1.0)
    assert [type(f) for f in nothing] == [Unreadable]


def homie(**properties: dict[str, object]) -> Message:
    made = description(properties)
    payload = made.payload.replace(b'"light"', b'"meter"')
    return Message("homie/5/cell/$description", payload, 1, True)


LUX = {"datatype": "float", "unit": "lx"}
WHITE = {"datatype": "integer", "unit": "MK⁻¹", "format": "100:500"}
CHARGE = {"datatype": "integer", "unit": "%", "format": "0:100"}


def test_a_sensor_of_the_convention_is_heard_and_never_told() -> None:
    there = speech()
    found = there.hear(homie(brightness=LUX, white=WHITE, charge=CHARGE), 0.0)
    assert not [f for f in found if isinstance(f, Unreadable)]
    assert said(there.hear(Message("homie/5/cell/meter/brightness", b"402.5"), 1.0)) == [
        ("lux", 402.5)
    ]
    assert said(there.hear(Message("homie/5/cell/meter/white", b"250"), 1.0)) == [("cct", 4000.0)]
    assert there.tell("cell", [("cct", 4000.0)], None) == []
    for nonsense in (b"-1", b"nan", b"1e12", b""):
        (out,) = there.hear(Message("homie/5/cell/meter/brightness", nonsense), 2.0)
        assert isinstance(out, Unreadable)


@pytest.mark.parametrize(
    ("wrong", "why"),
    [
        ({"datatype": "float", "unit": "%"}, "'brightness' is 'float' in '%', and it has to be"),
        ({"datatype": "boolean"}, "'brightness' is 'boolean', and it has to be a number in lx"),
        ({"datatype": "string", "unit": "lx"}, "'brightness' is 'string' in 'lx'"),
    ],
)
def test_a_property_that_is_no_light_is_not_taken_for_one(
    wrong: dict[str, object], why: str
) -> None:
    there = speech()
    found = there.hear(homie(brightness=wrong, white=WHITE, charge=CHARGE), 0.0)
    (out,) = (f for f in found if isinstance(f, Unreadable))
    assert "no property for lux" in out.why
    assert why in out.why
    assert there.hear(Message("homie/5/cell/meter/brightness", b"50"), 1.0) == []


def test_both_ends_of_the_convention_agree() -> None:
    profile = read_profile_text(TABLE, "glue.yaml").profile
    there, device = Speech(profile), FarEnd(profile, "cell")
    heard: dict[str, object] = {}
    for message in device.hello({"lux": 402.5, "cct": 4000.0, "battery": 55.0}):
        for found in there.hear(message, 0.0):
            assert not isinstance(found, Unreadable), found
            if isinstance(found, Report):
                heard[found.point] = found.value
    assert heard == {"lux": 402.5, "cct": 4000.0, "battery": 55.0, "online": True}
