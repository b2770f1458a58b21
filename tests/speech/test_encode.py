"""Scalars of a dialect, each by hand: words, numbers, steps, payloads, fields."""

from __future__ import annotations

import pytest

from studiobridge.craft.grid import Grid
from studiobridge.profile.model import HearMap, Span, Words
from studiobridge.speech.encode import (
    MISSING,
    CannotRead,
    as_text,
    decoder,
    encoder,
    field_of,
    grid_of,
    put_field,
    shown,
    text_of,
)


@pytest.mark.parametrize(
    ("point", "span", "unit", "grid"),
    [
        ("level", None, None, Grid(0.0, 100.0, 0.0, "percent")),
        ("level", None, "percent", Grid(0.0, 100.0, 0.0, "percent")),
        ("level", None, "fraction", Grid(0.0, 1.0, 0.0, "fraction")),
        ("level", Span(0, 255), None, Grid(0.0, 100.0, 100.0 / 255, "percent")),
        ("level", Span(1, 254), None, Grid(0.0, 100.0, 100.0 / 253, "percent")),
        ("level", Span(0, 100), "percent", Grid(0.0, 100.0, 1.0, "percent")),
        ("level", Span(0, 1), "fraction", Grid(0.0, 100.0, 0.0, "percent")),
        ("level", Span(0.5, 10), None, Grid(0.0, 100.0, 0.0, "percent")),
        ("level", Span(0, 10.5), None, Grid(0.0, 100.0, 0.0, "percent")),
        ("cct", None, None, Grid(1000.0, 25000.0, 0.0, "kelvin")),
        ("cct", None, "kelvin", Grid(1000.0, 25000.0, 0.0, "kelvin")),
        ("cct", None, "mired", Grid(40.0, 1000.0, 0.0, "mired")),
        ("cct", Span(2700, 6500), None, Grid(2700.0, 6500.0, 1.0, "kelvin")),
        ("cct", Span(154, 370), "mired", Grid(154.0, 370.0, 1.0, "mired")),
        ("cct", Span(27.5, 65), "mired", Grid(27.5, 65.0, 0.0, "mired")),
        ("cct", Span(27, 65.5), "mired", Grid(27.0, 65.5, 0.0, "mired")),
        ("watts", None, None, None),
        ("switch", None, None, None),
    ],
)
def test_the_steps_of_every_spelling(point, span, unit, grid) -> None:  # type: ignore[no-untyped-def]
    assert grid_of(point, span, unit) == grid


WORDS = [
    (Words("1", "0"), ["1"], ["0"], [1, 0, True, "on", "", " 1", None, [], {}]),
    (Words(1, 0), [1, "1", 1.0], [0, "0"], [True, False, 2, "true", None]),
    (Words(True, False), [True, "true"], [False, "false"], [1, 0, "True", "on", None]),
    (Words("on", "off"), ["on"], ["off"], ["ON", "On", True, 1, "o"]),
    (Words(0, 1), [0, "0"], [1, "1"], [False, True]),  # a relay that closes on 0
    (None, [True, "true"], [False, "false"], [1, "1", "yes"]),
]


@pytest.mark.parametrize(("words", "yes", "no", "neither"), WORDS, ids=lambda v: str(v)[:30])
def test_yes_and_no_as_a_wire_spells_them(words, yes, no, neither) -> None:  # type: ignore[no-untyped-def]
    decode = decoder("switch", HearMap("t", words=words))
    assert [decode(raw) for raw in yes] == [True] * len(yes)
    assert all(decode(raw) is True for raw in yes)
    assert all(decode(raw) is False for raw in no)
    for raw in neither:
        with pytest.raises(CannotRead, match="neither"):
            decode(raw)
    encode = encoder("switch", HearMap("t", words=words))
    assert decode(encode(True)) is True
    assert decode(encode(False)) is False


def test_scalars_in_a_plain_payload() -> None:
    for value, said in (
        (True, "true"),
        (False, "false"),
        (12, "12"),
        (12.0, "12"),
        (-3.0, "-3"),
        (12.5, "12.5"),
        (0.001, "0.001"),
        ("on", "on"),
        (1e14, "100000000000000"),
    ):
        assert as_text(value) == said  # type: ignore[arg-type]


def test_levels_and_whites_as_they_are_told() -> None:
    fine = HearMap("t", span=Span(0, 1), unit="fraction")
    assert encoder("level", fine)(62.5) == 0.625
    assert encoder("level", HearMap("t", unit="fraction"))(62.5) == 0.625
    assert encoder("level", HearMap("t"))(62.5) == 62.5
    assert encoder("level", HearMap("t", span=Span(1, 254)))(0.0) == 1
    assert encoder("level", HearMap("t", span=Span(1, 254)))(100.0) == 254
    told = encoder("level", HearMap("t", span=Span(0, 254)))(50.0)
    assert (told, type(told)) == (127, int)
    assert encoder("cct", HearMap("t", unit="mired"))(4000.0) == 250.0
    told = encoder("cct", HearMap("t", span=Span(2700, 6500)))(2000.4)
    assert (told, type(told)) == (2700, int)
    told = encoder("cct", HearMap("t", span=Span(27.5, 65.5), unit="mired"))(20_000.4)
    assert (told, type(told)) == (pytest.approx(49.999), float)
    assert encoder("watts", HearMap("t"))(41.23456) == 41.235
    assert encoder("shut_down", HearMap("t", words=Words("halt", "no")))(True) == "halt"


@pytest.mark.parametrize(
    ("point", "rule", "least", "most"),
    [
        ("watts", HearMap("t"), -1.0, 1e6),
        ("level", HearMap("t"), 0.0, 100.0),
        ("level", HearMap("t", unit="fraction"), 0.0, 1.0),
        ("level", HearMap("t", span=Span(1, 254)), 1.0, 254.0),
        ("cct", HearMap("t"), 1000.0, 25000.0),
        ("cct", HearMap("t", unit="mired"), 40.0, 1000.0),
        ("cct", HearMap("t", span=Span(154, 370), unit="mired"), 154.0, 370.0),
    ],
)
def test_both_ends_are_in_and_what_is_past_them_is_not(point, rule, least, most) -> None:  # type: ignore[no-untyped-def]
    decode = decoder(point, rule)
    for raw in (least, most, str(least), str(most)):
        decode(raw)
    for raw in (least - 0.001, most + 0.001, str(least - 0.001), str(most + 0.001)):
        with pytest.raises(CannotRead, match="is outside"):
            decode(raw)
    for raw in (True, None, [], {}, "x", ""):
        with pytest.raises(CannotRead, match="not a number"):
            decode(raw)


def test_the_largest_payload_and_one_byte_more() -> None:
    assert len(text_of(b"1" * 65536)) == 65536
    with pytest.raises(CannotRead, match="65537 bytes are more than the 65536"):
        text_of(b"1" * 65537)
    with pytest.raises(CannotRead, match="UTF-8"):
        text_of(b"\xff")


def test_what_is_shown_of_what_came_in() -> None:
    assert shown("a" * 40) == "'" + "a" * 40 + "'"
    assert shown("a" * 41) == "'" + "a" * 40 + "…'"
    assert shown("a\x1b[2J\nb") == "'a�[2J�b'"
    assert shown(b"\xff1") == "'�1'"
    assert shown(None) == "'None'"


def test_fields_are_found_and_put() -> None:
    document: dict[str, object] = {}
    put_field(document, ("light", "dim"), 12)
    put_field(document, ("light", "lit"), True)
    put_field(document, ("top",), 1)
    assert document == {"light": {"dim": 12, "lit": True}, "top": 1}
    put_field(document, ("top", "below"), 2)  # what stood there was no object
    assert document["top"] == {"below": 2}
    assert field_of(document, ("light", "dim")) == 12
    assert field_of(document, ("light", "no")) is MISSING
    assert field_of(document, ("light", "dim", "deeper")) is MISSING
    assert field_of({"a": None}, ("a",)) is None
    assert field_of([[1, 2], [3, 4]], ("1", "0")) == 3
    assert field_of({"1": "key"}, ("1",)) == "key"
