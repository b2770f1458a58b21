"""What a profile warns of has to be heard, and says its unit."""

from __future__ import annotations

import pytest

from studiobridge.profile import read_profile_text
from studiobridge.profile.model import Warn
from tests.profile.test_reading import problems
from tests.speech.test_readings import TABLE

WARN = "warn: {battery: 30 %}"


def changed(new: str) -> str:
    assert TABLE.count(WARN) == 1
    return TABLE.replace(WARN, new)


def test_thresholds_in_their_units() -> None:
    text = changed("warn: {battery: 30 %, temperature: 140 F}")
    assert read_profile_text(text).profile.devices["clip"].warn == Warn(30.0, None, 60.0)
    card = TABLE.replace("    online:", '    card: {hear: {topic: "{at}/card"}}\n    online:', 1)
    text = card.replace(WARN, "warn: {card: 1200 s, temperature: 60 °C}")
    assert read_profile_text(text).profile.devices["clip"].warn == Warn(None, 20.0, 60.0)


@pytest.mark.parametrize(
    ("new", "where", "what"),
    [
        ("warn: {card: 20 min}", "kiln.yaml:12:80:", "'clip' is never heard to say its card"),
        ("warn: {battery: 30}", "kiln.yaml:12:89:", "'30' has no unit"),
        ("warn: {battery: 130 %}", "kiln.yaml:12:89:", "outside 0 to 100"),
        ("warn: {temperature: 60 K}", "kiln.yaml:12:93:", "is not a temperature"),
        ("warn: {temperature: 999 C}", "kiln.yaml:12:93:", "outside -60 to 250"),
        ("warn: {charge: 30 %}", "kiln.yaml:12:80:", "charge"),
        ("warn: 30 %", "kiln.yaml:12:79:", ""),
        ("receptor: dome", "kiln.yaml:12:73:", "'clip' is a audio and has no 'receptor'"),
    ],
)
def test_what_cannot_be_warned_of_is_refused(new: str, where: str, what: str) -> None:
    (said,) = problems(changed(new))
    assert said.startswith(where)
    assert what in said


def test_a_threshold_of_the_convention_needs_its_property_named() -> None:
    (said,) = problems(TABLE.replace("charge}}", "charge}, warn: {card: 20 min}}"))
    assert "'cell' is never heard to say its card" in said
    assert "properties: {card: ...}" in said


def test_a_dialect_hears_a_supply_and_never_tells_it() -> None:
    told = TABLE.replace("    battery: {hear:", '    battery: {tell: {topic: "{at}/x"}, hear:')
    assert any("'battery' is heard, never told" in said for said in problems(told))
    unit = TABLE.replace("unit: fraction", "unit: kelvin")
    assert any("'battery' is not in kelvin" in said for said in problems(unit))
    span = TABLE.replace("unit: fraction", "span: 0..0.00000001")
    assert any("no scale for a battery" in said for said in problems(span))


def test_a_light_sensor_says_where_it_stands_and_what_it_faces() -> None:
    (doubt,) = read_profile_text(TABLE).warnings
    assert "'cell' measures light and does not say where it stands" in str(doubt)
    place = "place: {from_back: 1 m, height: 1 m}, properties: {lux"
    (doubt,) = read_profile_text(TABLE.replace("properties: {lux", place)).warnings
    assert "does not say what it faces" in str(doubt)
