"""Numbers that are none, and devices that describe themselves in nonsense."""

from __future__ import annotations

import json

import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from studiobridge.craft.grid import mired
from studiobridge.profile.said import Described, Report, Unreadable
from studiobridge.speech import Speech
from studiobridge.speech.encode import CannotRead, decoder, field_of, json_of, number
from studiobridge.speech.message import Message
from tests.outside.test_homie import DIMMER, WARMTH, description, lamp, say
from tests.speech.test_round_trip import HearMap, Span, kiln

# ---- numbers ------------------------------------------------------------------------------


@pytest.mark.parametrize(
    "text",
    [
        "1_0",
        "10\x0b",
        "10\u00a0",
        "١٠",
        "１０",
        "0x10",
        "1e400",
        "-1e400",
        "nan",
        "inf",
        "-Infinity",
        "",
        " ",
        ".",
        "-",
        "+",
        "e5",
        "1e",
        "1,5",
        "1.2.3",
        "1 0",
        "--1",
        "1j",
        "²",
        "9" * 65,
        "9" * 5000,
    ],
)
def test_only_plain_decimal_numbers_count(text: str) -> None:
    with pytest.raises(CannotRead, match="not a number"):
        number(text, "level")
    (said,) = Speech(kiln()).hear(
        Message("kiln/l/is", json.dumps({"light": {"dim": text}}).encode()), 0.0
    )
    assert isinstance(said, Unreadable)


@pytest.mark.parametrize(
    ("text", "value"),
    [
        ("10", 10.0),
        ("-3", -3.0),
        ("+4", 4.0),
        ("2.50", 2.5),
        (".5", 0.5),
        ("5.", 5.0),
        ("1e2", 100.0),
        ("25E-1", 2.5),
        ("007", 7.0),
        ("-0", 0.0),
    ],
)
def test_plain_numbers_as_devices_write_them(text: str, value: float) -> None:
    assert number(text, "level") == value


@pytest.mark.parametrize("digits", [65, 400, 4000, 4301, 60_000])
@pytest.mark.parametrize("sign", ["", "-"])
def test_a_number_of_thousands_of_digits_is_a_fault_of_the_device(digits: int, sign: str) -> None:
    huge = sign + "9" * digits
    speech = Speech(kiln())
    for topic, payload in (
        ("kiln/l/is", f'{{"light": {{"dim": {huge}}}}}'),
        ("kiln/l/is", f'{{"light": {{"dim": {huge}.5}}}}'),
        ("kiln/p/meter", f'{{"now": {{"power": {huge}}}}}'),
        ("kiln/l/is", f'{{"light": {{"warmth": "{huge}"}}}}'),
        ("kiln/p/3/out", huge),
    ):
        out = speech.hear(Message(topic, payload.encode()), 0.0)
        assert out
        assert all(isinstance(h, Unreadable) for h in out), payload[:30]
        assert all(len(h.why) < 200 for h in out)
    homie = Speech(lamp())
    homie.hear(description({"b": DIMMER, "w": WARMTH}), 0.0)
    for name in ("b", "w"):
        (said,) = say(homie, f"light/{name}", huge)
        assert isinstance(said, Unreadable)


def test_an_integer_too_large_for_a_float_in_a_document() -> None:
    """Also where the reader of the document lets it through: the decoder itself refuses it."""
    for raw in (10**400, -(10**400), 10**309):
        with pytest.raises(CannotRead, match="outside"):
            decoder("level", HearMap("t", span=Span(0, 255)))(raw)
        with pytest.raises(CannotRead, match="outside"):
            decoder("watts", HearMap("t"))(raw)


def test_numbers_index_lists() -> None:
    document = {"a": [{"v": 1}, {"v": 2}, {"v": 3}]}
    found = [field_of(document, ("a", str(i), "v")) for i in range(3)]
    assert found == [1, 2, 3]
    for part in ("3", "4", "-1", "²", "1.0", "x", ""):
        assert isinstance(field_of(document, ("a", part, "v")), object)
        assert field_of(document, ("a", part, "v")) not in (1, 2, 3), part
        assert field_of(["x"], (part,)) != "x"


def test_json_that_is_none_says_so() -> None:
    for payload, why in (
        (b'{"a": NaN}', "NaN is not JSON"),
        (b"[" * 50_000, "nested too deep"),
        (b'{"a": ' + b"1" * 5000 + b"}", "5000 digits"),
        (b"{a: 1}", "is not JSON"),
    ):
        with pytest.raises(CannotRead, match=why):
            json_of(payload)


# ---- levels stay levels --------------------------------------------------------------------


@given(st.integers(-2000, 2000), st.integers(1, 100_000), st.floats(0, 1))
@example(0, 3, 1.0)
def test_a_level_that_was_heard_is_never_outside_0_to_100(low: int, width: int, at: float) -> None:
    span = Span(low, low + width)
    for raw in (low, low + width, low + at * width):
        if span.low <= raw <= span.high:
            assert 0.0 <= decoder("level", HearMap("t", span=span))(raw) <= 100.0
    speech = Speech(lamp(properties={"level": "b"}))
    speech.hear(
        description(
            {
                "b": {"datatype": "float", "format": f"{low}:{low + width}", "settable": True},
                "w": WARMTH,
            }
        ),
        0.0,
    )
    for raw in (low, low + width, low + at * width):
        for heard in say(speech, "light/b", repr(float(raw))):
            assert isinstance(heard, Unreadable) or 0.0 <= heard.value <= 100.0


# ---- descriptions ---------------------------------------------------------------------------


def white(form: str, unit: str = "MK⁻¹", datatype: str = "integer") -> dict[str, object]:
    return {"datatype": datatype, "format": form, "unit": unit, "settable": True}


NONSENSE = [
    ("w", white("-5:0:1"), "-5:0:1"),
    ("w", white("0:400"), "0:400"),
    ("w", white(":400", datatype="float") | {"format": "-1:400"}, "-1:400"),
    ("w", white("0:0.0001", datatype="float"), "0:0.0001"),
    ("w", white("370:154"), "370:154"),
    ("w", white("154:370:0"), "154:370:0"),
    ("w", white("154:370:-1"), "154:370:-1"),
    ("w", white("154:370:500"), "154:370:500"),
    ("w", white("154:370:nan"), "154:370:nan"),
    ("w", white("nan:370", datatype="float"), "nan:370"),
    ("w", white("154:inf", datatype="float"), "154:inf"),
    ("w", white("154:1e999", datatype="float"), "154:1e999"),
    ("w", white("1e-320:1e-310", datatype="float"), "1e-320:1e-310"),
    ("w", white("154:370:1e-320", datatype="float"), "154:370:1e-320"),
    ("w", white("154.5:370.5"), "154.5:370.5"),
    ("w", white("154:370:0.5"), "154:370:0.5"),
    ("w", white("-2000:0", "K"), "-2000:0"),
    ("w", white("0:6500", "K"), "0:6500"),
    ("w", white("2000:1e308", "K", "float"), "2000:1e308"),
    ("b", white("-5:0:1", "%"), "-5:0:1"),
    ("b", white("0:255", "%"), "0:255"),
    ("b", white("200:", "%"), "200:"),
    ("b", white(":-1", "%"), ":-1"),
    ("b", white("-1e308:1e308", "", "float"), "-1e308:1e308"),
    ("b", white("0:1e-300", "", "float"), "0:1e-300"),
    ("b", white("-1:1", "", "float"), "-1:1"),
    ("b", white("0:100:1e-12", "", "float"), "0:100:1e-12"),
]


@pytest.mark.parametrize(("name", "said", "shown"), NONSENSE, ids=lambda v: str(v)[:40])
def test_a_nonsense_format_is_a_fault_of_that_device(
    name: str, said: dict[str, object], shown: str
) -> None:
    speech = Speech(lamp(properties={"level": "b", "cct": "w"}))
    out = speech.hear(description({"b": DIMMER, "w": WARMTH, name: said}), 0.0)
    (garbled,) = out
    assert isinstance(garbled, Unreadable)
    assert garbled.device == "lamp"
    assert f"'{shown}'" in garbled.why
    assert speech.tell("lamp", [("level", 50.0), ("cct", 4000.0)], None) == []


def test_a_good_description_outlives_a_bad_one() -> None:
    speech = Speech(lamp(properties={"level": "b", "cct": "w"}))
    speech.hear(description({"b": DIMMER, "w": WARMTH}), 0.0)
    (garbled,) = speech.hear(description({"b": DIMMER, "w": white("-5:0:1")}), 0.0)
    assert isinstance(garbled, Unreadable)
    assert [m.payload for m in speech.tell("lamp", [("level", 50.0)], None)] == [b"50"]


ends = st.one_of(
    st.sampled_from(["", "0", "1", "100", "255", "-5", "154", "370", "2700", "6500", "1e-320"]),
    st.floats().map(repr),
    st.integers(-10, 10_000).map(str),
)


@given(
    low=ends,
    high=ends,
    step=st.one_of(st.none(), ends),
    unit=st.sampled_from(["", "%", "K", "MK⁻¹"]),
    datatype=st.sampled_from(["integer", "float"]),
    level=st.floats(0, 100),
    kelvin=st.floats(1000, 25000),
    payload=st.one_of(st.floats().map(repr), st.integers(-10, 30_000).map(str)),
)
def test_every_grid_that_leaves_the_wire_is_safe(  # type: ignore[no-untyped-def]
    low, high, step, unit, datatype, level: float, kelvin: float, payload: str
) -> None:
    form = f"{low}:{high}" if step is None else f"{low}:{high}:{step}"
    said = {"datatype": datatype, "format": form, "unit": unit, "settable": True}
    speech = Speech(lamp(properties={"level": "b", "cct": "w"}))
    out = speech.hear(description({"b": said, "w": said}), 0.0)
    for learned in out:
        if not isinstance(learned, Described) or learned.grid is None:
            continue
        value = level if learned.point == "level" else kelvin
        held = learned.grid.nearest(value)
        assert learned.grid.same(held, held)
        assert learned.grid.same(learned.grid.nearest(held), held)
        if learned.point == "level":
            assert 0.0 <= held <= 100.0
        else:
            assert 0.0 < mired(held) < 1e7
    for message in speech.tell("lamp", [("level", level), ("cct", kelvin)], None):
        number(message.payload.decode(), "told")
    for name in ("b", "w"):
        for heard in say(speech, f"light/{name}", payload):
            if isinstance(heard, Report):
                assert heard.value > 0 if heard.point == "cct" else 0 <= heard.value <= 100


def test_no_meter_reports_more_than_there_is() -> None:
    """A meter without a range of its own still reports watts, not 10^300 of them."""
    speech = Speech(lamp(hears=frozenset({"watts", "online"}), tells=frozenset()))
    speech.hear(description({"watts": {"datatype": "float", "unit": "W"}}), 0.0)
    (good,) = say(speech, "light/watts", "41.5")
    assert good == Report(0.0, "lamp", "watts", 41.5, True)
    for absurd in ("1e300", "-1e300", "1e7"):
        (bad,) = say(speech, "light/watts", absurd)
        assert isinstance(bad, Unreadable)


@pytest.mark.parametrize("text", ["41.5\n", " 41.5 ", "41.5\r\n", "\t41.5"])
def test_a_line_end_from_a_shell_is_not_held_against_a_number(text: str) -> None:
    assert number(text, "watts") == 41.5
