"""What hearing makes of gear: the same values as its own dialect, and nothing that was not heard."""

from __future__ import annotations

import json
import random
from collections.abc import Mapping
from dataclasses import replace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from studiobridge.meeting import book
from studiobridge.meeting.hearing import Hearing
from studiobridge.meeting.met import Acquaintance
from studiobridge.profile import read_profile_text
from studiobridge.profile.model import Point, SetProfile
from studiobridge.profile.said import Report
from studiobridge.speech import Speech
from studiobridge.speech.message import Message
from tests.meeting.speaking import HEAD, Evening, Make, makes


def profile_of(one: Acquaintance) -> SetProfile:
    """A set whose one device is as it was met, by the text of the book."""
    # a sensor may hear anything, and is told nothing
    as_sensor = replace(one, kind="sensor", measured={"fed_by": "wall"})
    return read_profile_text(book.text_of([as_sensor]).replace("met: 1\n", HEAD)).profile


def values(profile: SetProfile, messages: list[Message]) -> list[tuple[str, object]]:
    """Every value these messages say, in their order; numbers as far as a payload has them."""
    speech, found = Speech(profile), []
    for message in messages:
        for said in speech.hear(message, 0.0):
            assert isinstance(said, Report), said
            value = said.value
            number = isinstance(value, float) and not isinstance(value, bool)
            found.append((said.point, round(value, 3) if number else value))  # type: ignore[call-overload]
    return found


def met(evening: Evening) -> Acquaintance:
    found = [one for one in evening.hearing.acquaintances() if one.at == evening.make.at]
    assert len(found) == 1, [one.at for one in evening.hearing.acquaintances()]
    return found[0]


@settings(max_examples=40, deadline=None)
@given(makes())
def test_a_make_nobody_described_is_heard_as_its_own_dialect_hears_it(make: Make) -> None:
    evening = Evening(make)
    evening.play()
    one = met(evening)
    assert {half.point for half in one.halves} == set(make.points), one
    hear = {half.point: half for half in one.halves}
    assert hear["switch"].ground == "seen", hear["switch"]
    if "level" in make.points:
        assert hear["level"].ground == "seen", hear["level"]
        assert one.kind == "light"
    else:
        assert one.kind == "plug"
    mine = values(profile_of(one), evening.said)
    assert mine == values(make.profile, evening.said)


# ---- by hand ---------------------------------------------------------------------------------


def heard(*said: tuple[str, str] | tuple[str, str, bool], every: float = 1.0) -> Hearing:
    """What these topics said, one each second; True for what the broker kept."""
    hearing = Hearing()
    for i, (topic, payload, *kept) in enumerate(said):
        hearing.heard(Message(topic, payload.encode(), retain=bool(kept)), i * every)
    return hearing


def the(hearing: Hearing, at: str) -> Acquaintance:
    return next(one for one in hearing.acquaintances() if one.at == at)


def rule_of(one: Acquaintance, point: Point) -> tuple[Mapping[str, object], str, str]:
    half = one.half(point, "hear")
    assert half is not None, one
    return half.rule, half.ground, half.why


@pytest.mark.parametrize(
    ("values", "span", "ground"),
    [
        # (what was heard, the span, how sure): never surer than what was heard
        (["80"], None, "shape"),
        (["12", "80"], None, "shape"),
        (["12", "180"], "0..254", "shape"),
        (["0", "255"], "0..255", "likely"),
        (["0", "100", "40"], None, "likely"),
        (["0.2", "0.75"], "fraction", "likely"),
        (["300", "40000"], "0..65535", "shape"),
        (["640", "1000"], "0..1000", "likely"),
    ],
)
def test_a_scale_is_no_surer_than_its_ends(
    values: list[str], span: str | None, ground: str
) -> None:
    one = the(heard(*(("corner/lamp-7/dim", value) for value in values)), "corner/lamp-7")
    rule, was, why = rule_of(one, "level")
    assert (rule.get("span") or rule.get("unit"), was) == (span, ground), why
    if ground == "shape":
        assert any("to full" in text for text in one.missing), one.missing


@given(st.lists(st.integers(0, 255), min_size=1, max_size=6), st.sampled_from(["dim", "level"]))
def test_nothing_is_seen_that_no_press_showed(values: list[int], name: str) -> None:
    said = [("a/lamp-7/is", json.dumps({name: value, "on": value > 0})) for value in values]
    for half in the(heard(*said), "a/lamp-7").halves:
        assert half.ground in ("likely", "shape")
        if half.point == "switch" and len({value > 0 for value in values}) < 2:
            assert half.ground == "shape"
        if half.point == "level" and not {100, 254, 255} & set(values):
            assert half.ground == "shape"


def test_one_word_alone_says_that_the_other_was_not_heard() -> None:
    rule, ground, why = rule_of(the(heard(("a/plug-1/relay", "ON")), "a/plug-1"), "switch")
    assert rule["words"] == {"on": "ON", "off": "OFF"}
    assert ground == "shape"
    assert "only 'ON' was heard" in why


def test_sisters_of_one_make_teach_each_other_their_words_and_strangers_do_not() -> None:
    hearing = heard(("a/plug-1/relay", "1"), ("a/plug-2/relay", "0"), ("hall/plug-9/relay", "1"))
    for name in ("plug-1", "plug-2"):
        rule, ground, _ = rule_of(the(hearing, f"a/{name}"), "switch")
        assert (rule["words"], ground) == ({"on": "1", "off": "0"}, "likely")
    assert rule_of(the(hearing, "hall/plug-9"), "switch")[1] == "shape"


def test_a_dimmer_turned_to_full_and_to_dark_teaches_its_span() -> None:
    hearing = heard(("a/lamp-7/dim", "40"))
    for at, deed, value in ((10.0, "full", "212"), (20.0, "dark", "7"), (30.0, "press", "90")):
        hearing.pressed(at, deed)  # type: ignore[arg-type]
        hearing.heard(Message("a/lamp-7/dim", value.encode()), at + 0.5)
    rule, ground, _ = rule_of(the(hearing, "a/lamp-7"), "level")
    assert (rule["span"], ground) == ("7..212", "seen")


def test_what_a_fade_ends_at_is_what_full_is() -> None:
    hearing = heard(("a/lamp-7/dim", "0"), ("a/lamp-7/dim", "10"))
    hearing.pressed(20.0, "full")
    for i in range(1, 41):  # four seconds of fade, a report each tenth
        hearing.heard(Message("a/lamp-7/dim", str(5 * i).encode()), 20.0 + i / 10)
    rule, ground, _ = rule_of(the(hearing, "a/lamp-7"), "level")
    assert (rule["span"], ground) == ("0..200", "seen")


def test_warm_and_cold_teach_a_white_and_which_ends_are_a_guess() -> None:
    hearing = heard(("a/lamp-7/warmth", "128"))
    assert the(hearing, "a/lamp-7").half("cct", "hear") is None
    for at, deed, value in ((10.0, "warm", "255"), (20.0, "cold", "0")):
        hearing.pressed(at, deed)  # type: ignore[arg-type]
        hearing.heard(Message("a/lamp-7/warmth", value.encode()), at + 0.5)
    one = the(hearing, "a/lamp-7")
    rule, ground, _ = rule_of(one, "cct")
    assert (rule["span"], ground) == ("255..0", "shape")
    assert any("papers" in text for text in one.missing)


@pytest.mark.parametrize(
    ("values", "unit"), [(["4300", "2700"], None), (["370", "232"], "mired"), (["154"], None)]
)
def test_a_white_is_kelvin_or_mired_by_its_size(values: list[str], unit: str | None) -> None:
    one = the(heard(*(("a/lamp-7/cct", value) for value in values)), "a/lamp-7")
    half = one.half("cct", "hear")
    if values == ["154"]:  # as well a byte
        assert half is None
        assert any("scale of its own" in text for text in one.missing)
    else:
        assert half is not None
        assert half.rule.get("unit") == unit


def test_words_nobody_knows_are_told_apart_by_the_watts_that_go_with_them() -> None:
    said = [("a/plug-1/x", "zu"), ("a/plug-1/y", "0.4"), ("a/plug-1/x", "auf")]
    said += [("a/plug-1/y", "61.0"), ("a/plug-1/x", "zu"), ("a/plug-1/y", "0.5")]
    one = the(heard(*said[:3]), "a/plug-1")
    assert one.half("switch", "hear") is None
    one = the(heard(*said), "a/plug-1")
    rule, ground, why = rule_of(one, "switch")
    assert (rule["words"], ground) == ({"on": "auf", "off": "zu"}, "likely")
    assert "is high while it says 'auf'" in why


def test_words_nobody_knows_are_asked_for_and_then_learned() -> None:
    hearing = heard(("a/plug-1/relay", "zu"), ("a/plug-1/relay", "auf"), ("a/plug-1/relay", "zu"))
    one = the(hearing, "a/plug-1")
    assert one.half("switch", "hear") is None
    assert any("switch it on and say so" in text for text in one.missing)
    hearing.pressed(30.0, "on")
    hearing.heard(Message("a/plug-1/relay", b"auf"), 30.3)
    rule, ground, _ = rule_of(the(hearing, "a/plug-1"), "switch")
    assert (rule["words"], ground) == ({"on": "auf", "off": "zu"}, "seen")


def test_a_word_that_is_neither_on_nor_off_is_named_and_not_read_as_one() -> None:
    hearing = heard(*(("a/plug-1/relay", word) for word in ("ON", "OFF", "FAULT", "ON")))
    rule, ground, why = rule_of(the(hearing, "a/plug-1"), "switch")
    assert (rule["words"], ground) == ({"on": "ON", "off": "OFF"}, "likely")
    assert "'FAULT' was heard as well" in why
    hearing = heard(("a/plug-1/relay", "ON"), ("a/plug-1/relay", "FAULT"))
    assert the(hearing, "a/plug-1").half("switch", "hear") is None


def test_a_switch_that_says_on_when_it_was_switched_off_is_doubted() -> None:
    hearing = heard(("a/plug-1/relay", "on"), ("a/plug-1/relay", "off"))
    hearing.pressed(30.0, "off")
    hearing.heard(Message("a/plug-1/relay", b"on"), 30.3)
    one = the(hearing, "a/plug-1")
    assert rule_of(one, "switch")[1] == "shape"
    assert any("try it again" in text for text in one.missing)


def test_what_others_tell_it_is_no_report() -> None:
    hearing = Hearing()
    at = 0.0
    for word in ("ON", "OFF", "ON", "OFF"):
        # a controller nobody described: its topic has no word for what it is
        for topic, wait in (("a/plug-1/steer", 5.0), ("a/plug-1/relay", 0.1)):
            at += wait
            hearing.heard(Message(topic, word.encode()), at)
    assert rule_of(the(hearing, "a/plug-1"), "switch")[0]["topic"] == "{at}/relay"
    lone = the(heard(("a/plug-2/do", "ON"), ("a/plug-2/do", "OFF")), "a/plug-2")
    assert lone.halves == ()
    assert "only what others tell it" in lone.missing[0]


def test_a_number_that_another_always_repeats_is_what_it_is_told() -> None:
    hearing, at = Hearing(), 0.0
    for level in (10, 255, 80):
        for topic, wait in (("a/lamp-7/level", 5.0), ("a/lamp-7/dim", 0.2)):
            at += wait
            hearing.heard(Message(topic, b"%d" % level), at)
    assert rule_of(the(hearing, "a/lamp-7"), "level")[0]["topic"] == "{at}/dim"


def test_a_last_will_is_known_by_its_words_and_that_it_is_kept() -> None:
    hearing = heard(("a/plug-1/here", "offline", True), ("a/plug-1/here", "online"))
    rule, ground, why = rule_of(the(hearing, "a/plug-1"), "online")
    assert (rule["words"], ground) == ({"yes": "online", "no": "offline"}, "likely")
    assert "keeps it" in why


def test_milliwatts_and_readings_and_what_is_none() -> None:
    said = json.dumps(
        {"now": {"mW": 41500}, "volts": 231.2, "uptime": 77, "temp": 31.5, "rssi": -61}
    )
    one = the(heard(("a/plug-1/is", said), ("a/plug-1/is", said)), "a/plug-1")
    assert {half.point for half in one.halves} == {"watts", "temperature"}
    assert rule_of(one, "watts")[0] == {"topic": "{at}/is", "field": "now.mW", "unit": "milliwatt"}


@pytest.mark.parametrize(
    ("payloads", "found"),
    [
        (["relay is on", "relay is off"], {"switch": "relay is {value}"}),
        (["LEVEL 64 (by hand)", "LEVEL 70 (by hand)"], {"level": "LEVEL {value} (by hand)"}),
        (
            ["64 % 4300 K", "70 % 4300 K"],
            {"level": "{value} % {any} K", "cct": "{any} % {value} K"},
        ),
        (["draws 12.5 W", "draws 0 W"], {"watts": "draws {value} W"}),
        (["2026-11-26 10:00:01", "2026-11-26 10:00:02"], {}),
        (["192.168.4.17", "192.168.4.18"], {}),
        (["SET LEVEL 64", "SET LEVEL 70"], {}),  # what it is told
    ],
)
def test_values_in_a_text_are_heard_by_its_pattern(
    payloads: list[str], found: dict[str, str]
) -> None:
    one = the(heard(*(("desk/thing-1", payload) for payload in payloads)), "desk/thing-1")
    assert {half.point: half.rule.get("pattern") for half in one.halves} == found


def test_a_computer_says_on_one_topic_that_it_is_there_and_that_it_is_down() -> None:
    one = the(heard(("desk/pc/state", "up", True), ("desk/pc/state", "halted")), "desk/pc")
    assert one.kind == "computer"
    assert rule_of(one, "online")[0]["words"] == {"yes": "up", "no": "halted"}
    assert rule_of(one, "down")[0]["words"] == {"yes": "halted", "no": "up"}


def test_what_two_outlets_say_in_one_document_is_named_for_both() -> None:
    said = [json.dumps({"outlets": [{"on": i > 0}, {"on": False}]}) for i in range(2)]
    one = the(heard(*(("box-1/is", payload) for payload in said)), "box-1")
    assert rule_of(one, "switch")[0]["field"] == ["outlets", 0, "on"]
    assert any("'outlets.1.on'" in text for text in one.missing)


def test_a_coloured_lamp_is_no_plug_and_its_white_draws_nothing() -> None:
    said = json.dumps({"r": 10, "g": 200, "b": 30, "w": 255, "on": True})
    one = the(heard(("desk/lamp", said), ("desk/lamp", said)), "desk/lamp")
    assert one.kind == "light"
    assert one.half("watts", "hear") is None
    assert any("colour" in text for text in one.missing)


@pytest.mark.parametrize(
    ("payload", "point", "rule"),
    [
        # (one document, the point in it, its rule beside topic and field); None: not claimed
        ({"temperature": 4300}, "cct", {}),
        ({"temperature": 31.5}, "temperature", {}),
        ({"body_temp_f": 95}, "temperature", {"unit": "fahrenheit"}),
        ({"battery": 0.4}, "battery", {"unit": "fraction"}),
        ({"battery": 130}, "battery", None),
        ({"lux": 410}, "lux", {}),
        ({"card": {"minutes": 41}}, "card", {}),
        ({"lowBattery": True}, "battery_low", {}),
        ({"rec": 1}, "rolling", {"words": {"yes": 1, "no": 0}}),
        ({"uptime": 64, "voltage": 230, "energy": 12.5}, "level", None),
        ({"uptime": 64, "voltage": 230, "energy": 12.5}, "watts", None),
    ],
)
def test_a_reading_is_known_by_its_name_and_its_size(
    payload: object, point: Point, rule: dict[str, object] | None
) -> None:
    one = the(heard(("desk/thing-1", json.dumps(payload))), "desk/thing-1")
    half = one.half(point, "hear")
    if rule is None:
        assert half is None, half
    else:
        assert half is not None, one
        assert {k: v for k, v in half.rule.items() if k not in ("topic", "field")} == rule
        assert half.ground in ("likely", "shape")


def test_what_is_no_gear_of_a_set_is_not_claimed_to_be() -> None:
    """What else speaks on a broker that a house shares."""
    said: list[tuple[str, str]] = []
    for i in range(6):
        said += [
            ("car/gps", json.dumps({"lat": 48.1 + i / 1000, "speed": 10 * i, "heading": 90 + i})),
            ("chat/room", json.dumps({"from": "ann" if i % 2 else "bob", "text": f"hello on {i}"})),
            ("door/front/contact", "open" if i % 2 else "closed"),
            ("heating/valve3/setpoint", "21.5"),
            ("music/player/volume", str(20 + i)),
            ("music/player/state", ["play", "pause", "stop"][i % 3]),
            ("printer/status", "idle" if i % 2 else "printing"),
            ("server/load", f"0.{i}7"),
        ]
    assert [one for one in heard(*said).acquaintances() if one.halves] == []


# ---- a press among noise ---------------------------------------------------------------------


@settings(max_examples=12, deadline=None)
@given(st.integers(0, 10_000), st.integers(1, 3))
def test_a_press_among_noisy_topics_is_found(seed: int, presses: int) -> None:
    """Meters that are never still, clocks, signals, other people's switches; and one that is
    pressed."""
    dice = random.Random(seed)
    hearing, at, on = Hearing(), 0.0, False
    found = 0
    for second in range(30 + 30 * presses):
        at = float(second)
        for i in range(8):
            watts = 40 + 10 * i + dice.uniform(-3, 3)
            hearing.heard(Message(f"house/m{i}/meter", f"{watts:.1f}".encode()), at + 0.1)
            clock = json.dumps({"uptime": 1000 + second, "rssi": -60 + dice.randint(-5, 5)})
            hearing.heard(Message(f"house/m{i}/health", clock.encode()), at + 0.15)
        if dice.random() < 0.05:
            word = dice.choice([b"ON", b"OFF"])
            hearing.heard(Message(f"house/m{dice.randint(0, 7)}/relay", word), at + 0.2)
        if second >= 30 and second % 30 == 0:
            on = not on
            hearing.pressed(at + 0.3)
            hearing.heard(Message("corner/box-9/q", b"an" if on else b"aus"), at + 0.6)
            watts_now = b"38.2" if on else b"0.3"
            hearing.heard(Message("corner/box-9/meter", watts_now), at + 1.1)
            found += 1
    topics = [[a.change.topic for a in p.answers[:2]] for p in hearing.presses()]
    assert len(topics) == found
    for answered in topics:
        assert set(answered) == {"corner/box-9/q", "corner/box-9/meter"}, topics


def test_what_ticks_anyway_is_no_answer_to_a_press() -> None:
    hearing = Hearing()
    for second in range(40):
        if second == 20:
            hearing.pressed(20.0)
        payload = json.dumps({"uptime": second, "on": second > 20, "signal": -60 + second % 4})
        hearing.heard(Message("a/plug-1/is", payload.encode()), second + 0.05)
    (press,) = hearing.presses()
    assert [(a.change.field, a.device, a.point) for a in press.answers] == [
        (("on",), "plug-1", "switch")
    ]
    assert press.answers[0].odds > 0.9


def test_what_counts_its_reports_is_no_answer_when_a_press_brings_one() -> None:
    """It reports each ten seconds, and at once when it is pressed."""
    hearing = Hearing()
    reports = [(10.0 * n, False) for n in range(12)] + [(115.2, True), (120.0, True)]
    for n, (at, on) in enumerate(reports):
        if n == 12:
            hearing.pressed(115.0)
        payload = json.dumps({"seq": n, "uptime": int(at), "on": on})
        hearing.heard(Message("a/plug-1/is", payload.encode()), at)
    assert [a.change.field for a in hearing.presses()[0].answers] == [("on",)]


def test_a_press_that_nothing_answers_has_no_answer() -> None:
    hearing = heard(("a/plug-1/relay", "ON"), ("a/plug-1/relay", "OFF"))
    hearing.pressed(30.0)
    hearing.heard(Message("a/plug-1/relay", b"OFF"), 30.5)
    hearing.heard(Message("a/plug-1/relay", b"ON"), 33.0)  # too late for this press
    assert hearing.presses()[0].answers == ()
