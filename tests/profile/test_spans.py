"""A span a dialect could not use is refused in the file, not met later as a fault of the bridge."""

from __future__ import annotations

import pytest

from studiobridge.profile import read_profile_text
from studiobridge.profile.said import Report, Unreadable
from studiobridge.speech import Speech
from studiobridge.speech.message import Message
from tests.profile.test_reading import BASE, problems

WHITE = BASE.replace(
    "devices:\n",
    '    cct: {tell: {topic: "{at}/do", json: {warm: "{value}"}, unit: UNIT, span: SPAN},'
    ' hear: {topic: "{at}/is", field: warm, unit: UNIT, span: SPAN}}\ndevices:\n',
)


def white(span: str, unit: str) -> str:
    return WHITE.replace("UNIT", unit).replace("SPAN", span)


@pytest.mark.parametrize(
    ("span", "unit"),
    [
        ("0..370", "mired"),
        ("-5..0", "mired"),
        ("0..6500", "kelvin"),
        ("2000..9999999", "kelvin"),
        ("0.00001..370", "mired"),
        ("153.1..153.1000001", "mired"),
    ],
)
def test_a_span_that_holds_no_white_is_refused(span: str, unit: str) -> None:
    said = problems(white(span, unit))
    assert len(said) == 2  # what is told and what is heard
    assert all("kiln.yaml:" in text and "1 to 1000000" in text for text in said)


def test_a_span_of_whites_as_devices_have_them() -> None:
    speech = Speech(read_profile_text(white("153..500", "mired")).profile)
    assert speech.hear(Message("kiln/k/is", b'{"warm": 250}'), 0.0) == [
        Report(0.0, "key", "cct", 4000.0)
    ]
    (said,) = speech.hear(Message("kiln/k/is", b'{"warm": 0}'), 0.0)
    assert isinstance(said, Unreadable)


@pytest.mark.parametrize("span", ["0..0.00000001", "0..99999999999", "-9999999999..9999999999"])
def test_a_span_no_level_could_use_is_refused(span: str) -> None:
    said = problems(BASE.replace("0..255", span))
    assert len(said) == 2
    assert all("no scale for a level" in text for text in said)
