"""Every form a dialect can have, at both ends: what is told arrives, and what is said is heard."""

from __future__ import annotations

import json
import time

import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from studiobridge.profile import read_profile_text
from studiobridge.profile.model import HearMap, Of, SetProfile, Span, Words
from studiobridge.profile.said import Report, Unreadable
from studiobridge.profile.template import Text
from studiobridge.speech import FarEnd, Speech, Told
from studiobridge.speech.encode import MISSING, decoder, encoder, field_of, grid_of, put_field
from studiobridge.speech.message import Message

HEAD = "format: 1\nset: forms\nmains: {voltage: 230 V, circuits: {wall: {breaker: 10 A}}}\n"
FORMS = """\
dialects:
  pair:
    level: {tell: {topic: "{at}/do", payload: "L{level};{cct}K"}, hear: {topic: "{at}/is", pattern: "{level} % {cct} K"}}
    cct: {tell: {topic: "{at}/do", payload: "L{level};{cct}K"}, hear: {topic: "{at}/is", pattern: "{level} % {value} K"}}
  whole:
    switch: {tell: {topic: "{at}/do", json: {lit: "{value}"}}, hear: {topic: "{at}/is", field: [s, 0, lit]}}
    level: {tell: {topic: "{at}/do", json: {"seg.1": [{b: "{value}", t: "{fade}"}]}, span: 255..0, fade_unit: ds}, hear: {topic: "{at}/is", field: [s, 1, "a.b"], span: 255..0}}
    cct: {tell: {topic: "{at}/do", json: {"seg.1": [{w: "{value} mired"}]}, span: 0..255, of: 370..154 mired}, hear: {topic: "{at}/is", field: w, pattern: "{value} mired", span: 0..255, of: 370..154 mired}}
    together: yes
    ask: [{topic: "{at}/do", payload: '{"say": "all"}'}, {topic: "{at}/ask", payload: "{n}", every: 20 s}]
  box:
    switch: {tell: {topic: "{at}/do", json: {"o{n}": {id: "{n}", on: "{value}"}}, words: {on: [1, "on"], off: [0, "off"]}}, hear: {topic: "{at}/is", field: on, where: {id: "{n}"}, words: {on: [1, "on"], off: [0, "off"]}}}
    watts: {hear: {topic: "{at}/is", field: mw, where: {id: "{n}"}, unit: milliwatt}}
    online: {hear: {topic: "{at}/up", pattern: "{n}:{value}", words: {yes: [up, here], no: gone}}}
  agent:
    online: {hear: {topic: "{at}/state", words: {yes: up, no: [halted, lost]}}}
    down: {hear: {topic: "{at}/state", words: {yes: halted, no: [up, lost]}}}
    shut_down: {tell: {topic: "{at}/please", payload: halt}}
devices:
  pair: {kind: light, fed_by: wall, speaks: pair, at: p}
  whole: {kind: light, fed_by: wall, speaks: whole, at: w, blanks: {n: 7}}
  one: {kind: plug, fed_by: wall, speaks: box, at: b, blanks: {n: 1}}
  two: {kind: plug, fed_by: wall, speaks: box, at: b, blanks: {n: 2}}
  twelve: {kind: plug, fed_by: wall, speaks: box, at: b, blanks: {n: 12}}
  pc: {kind: computer, fed_by: wall, speaks: agent, at: pc}
looks: {day: {pair: {level: 64 %, cct: 4300 K}, whole: {level: 64 %, cct: 4300 K}}}
"""
PROFILE = read_profile_text(HEAD + FORMS).profile


def heard(profile: SetProfile, messages: list[Message]) -> dict[tuple[str, str], object]:
    speech = Speech(profile)
    out = [said for message in messages for said in speech.hear(message, 0.0)]
    assert all(isinstance(said, Report) for said in out), out
    return {(said.device, said.point): said.value for said in out if isinstance(said, Report)}


@settings(max_examples=60)
@given(level=st.floats(0, 100), cct=st.floats(2703, 6490), name=st.sampled_from(["pair", "whole"]))
def test_several_values_through_the_devices_own_end(level: float, cct: float, name: str) -> None:
    speech, end = Speech(PROFILE), FarEnd(PROFILE, name)
    values = [("level", level), ("cct", cct)]
    values += [("switch", True)] if name == "whole" else []
    (message,) = speech.tell(name, values, 1.5)  # type: ignore[arg-type]
    told = end.told(message)
    assert told is not None
    assert told.fade == (pytest.approx(1.5) if name == "whole" else None)
    state = dict(told.values)
    grids = {d.point: d.grid for d in speech.described(0.0) if d.device == name}
    for (_, point), value in heard(PROFILE, end.report(state, ("level", "cct"))).items():
        grid, wanted = grids[point], dict(values)[point]  # type: ignore[index]
        assert value is wanted if grid is None else grid.same(wanted, float(value)), point  # type: ignore[arg-type]


def test_the_forms_by_hand() -> None:
    speech = Speech(PROFILE)
    (text,) = speech.tell("pair", [("cct", 4300.0), ("level", 64.0)], None)
    assert text == Message("p/do", b"L64;4300K")
    (document,) = speech.tell("whole", [("level", 80.0), ("cct", 4000.0), ("switch", True)], 2.0)
    assert json.loads(document.payload) == {
        "lit": True,
        "seg.1": [{"b": 51, "t": 20, "w": "142 mired"}],  # (370 - 250) / 216 of 255 is 141.7
    }
    (report,) = FarEnd(PROFILE, "whole").report(
        {"switch": True, "level": 80.0, "cct": 4000.0}, ("level",)
    )
    assert json.loads(report.payload) == {
        "s": [{"lit": True}, {"a.b": 51}],
        "w": "142 mired",
    }
    (box,) = speech.tell("two", [("switch", False)], None)
    assert json.loads(box.payload) == {"o2": {"id": 2, "on": 0}}


@given(st.sets(st.sampled_from(["switch", "level", "cct"]), min_size=1))
def test_a_device_that_takes_them_together_takes_nothing_less(points: set[str]) -> None:
    values = {"lit": True, "b": 100, "w": "20 mired"}
    parts = {"switch": "lit", "level": "b", "cct": "w"}
    document: dict[str, object] = {"seg.1": [{}]}
    for point in points:
        key = parts[point]
        if key == "lit":
            document["lit"] = True
        else:
            document["seg.1"][0][key] = values[key]  # type: ignore[index]
    told = FarEnd(PROFILE, "whole").told(Message("w/do", json.dumps(document).encode()))
    assert (told is not None) == (len(points) == 3)


def test_half_of_what_goes_together_is_not_sent_as_a_text() -> None:
    assert Speech(PROFILE).tell("pair", [("level", 5.0)], None) == []


@given(name=st.sampled_from(["one", "two", "twelve"]), on=st.booleans(), watts=st.floats(0, 3000))
def test_outlets_of_one_topic_take_and_say_only_their_own(
    name: str, on: bool, watts: float
) -> None:
    (message,) = Speech(PROFILE).tell(name, [("switch", on)], None)
    for other in ("one", "two", "twelve"):
        told = FarEnd(PROFILE, other).told(message)
        assert told == (Told((("switch", on),)) if other == name else None)
    said = FarEnd(PROFILE, name).report(
        {"switch": on, "watts": watts, "online": on}, ("switch", "watts", "online")
    )
    assert {m.topic for m in said} == {"b/is", "b/up"}
    assert heard(PROFILE, said) == {
        (name, "switch"): on,
        (name, "watts"): pytest.approx(watts, abs=1e-6),
        (name, "online"): on,
    }
    assert heard(PROFILE, [m for m in [FarEnd(PROFILE, name).will()] if m]) == {
        (name, "online"): False
    }


def test_what_is_about_an_outlet_nobody_has_is_nobodys() -> None:
    speech = Speech(PROFILE)
    for topic, payload in (
        ("b/is", b'{"id": 3, "on": 1}'),
        ("b/is", b'{"on": 1}'),
        ("b/is", b'{"id": true, "on": 1}'),  # true is not 1 here
        ("b/up", b"3:up"),
        ("b/up", b"up"),
    ):
        assert speech.hear(Message(topic, payload), 0.0) == []
    (said,) = speech.hear(Message("b/up", b"2:maybe"), 0.0)
    assert isinstance(said, Unreadable)
    assert said.device == "two"
    (said,) = speech.hear(Message("p/is", b"64 of 4300"), 0.0)
    assert isinstance(said, Unreadable)
    assert "'64 of 4300' is not of the form '{level} % {cct} K'" in said.why


def test_a_number_as_text_says_whose_it_is_too() -> None:
    assert heard(PROFILE, [Message("b/is", b'{"id": "2", "on": "on"}')]) == {
        ("two", "switch"): True
    }


def test_a_last_will_and_a_goodbye_of_one_topic() -> None:
    end = FarEnd(PROFILE, "pc")
    will, (bye,) = end.will(), end.goodbye()
    assert will is not None
    assert (will.payload, bye.payload) == (b"lost", b"halted")
    assert heard(PROFILE, [bye]) == {("pc", "online"): False, ("pc", "down"): True}
    (hello,) = end.hello({"down": False})
    assert hello.payload == b"up"


def test_each_wish_for_a_report_is_sent_and_understood() -> None:
    speech, end = Speech(PROFILE), FarEnd(PROFILE, "whole")
    asks = speech.ask("whole")
    assert [(m.topic, m.payload) for m in asks] == [("w/do", b'{"say": "all"}'), ("w/ask", b"7")]
    assert all(end.told(ask) == Told((), None, True) for ask in asks)
    assert {topic for topic, _ in end.subscriptions()} == {"w/do", "w/ask"}
    assert end.told(Message("w/ask", b"8")) is None  # somebody else's
    assert PROFILE.devices["whole"].poll == 20.0


# ---- documents that cannot be one ------------------------------------------------------------


def test_what_clashes_in_one_document_goes_in_two() -> None:
    text = (
        HEAD
        + """\
dialects:
  d:
    level: {tell: {topic: "{at}/do", json: {cmd: dim, v: "{value}"}}, hear: {topic: "{at}/a"}}
    cct: {tell: {topic: "{at}/do", json: {cmd: warm, v: "{value}"}}, hear: {topic: "{at}/b"}}
devices: {key: {kind: light, fed_by: wall, speaks: d, at: k}}
"""
    )
    profile = read_profile_text(text).profile
    sent = Speech(profile).tell("key", [("level", 64.0), ("cct", 4300.0)], None)
    assert [json.loads(m.payload) for m in sent] == [
        {"cmd": "dim", "v": 64.0},
        {"cmd": "warm", "v": 4300.0},
    ]
    end = FarEnd(profile, "key")
    assert [end.told(m) for m in sent] == [Told((("level", 64.0),)), Told((("cct", 4300.0),))]


# ---- scales --------------------------------------------------------------------------------

ends = st.integers(-1000, 70_000)


@given(ends, ends, st.floats(0, 100), st.sampled_from([0.0, 2.5, 5.0]))
def test_a_level_on_a_scale_that_runs_either_way(a: int, b: int, level: float, step: float) -> None:
    assume(a != b)
    rule = HearMap("t", span=Span(a, b), step=step)
    raw = encoder("level", rule)(level)
    assert min(a, b) <= raw <= max(a, b)
    assert encoder("level", rule)(0.0) == a
    grid = grid_of("level", rule.span, None, None, step)
    assert grid is not None
    back = float(decoder("level", rule)(raw))
    # on the grid of its steps, and off it by no more than the whole numbers of the scale take
    assert abs(back - grid.nearest(level)) <= 50.0 / abs(a - b) + 1e-6
    assert 0.0 <= back <= 100.0


@given(ends, ends, st.booleans(), st.booleans(), st.floats(0, 1))
def test_a_white_between_two_whites(a: int, b: int, mired: bool, down: bool, share: float) -> None:
    assume(a != b)
    of = Of(154.0, 370.0, "mired") if mired else Of(2700.0, 6500.0, "kelvin")
    of = Of(of.high, of.low, of.unit) if down else of
    rule = HearMap("t", span=Span(a, b), of=of)
    grid = grid_of("cct", rule.span, None, of)
    assert grid is not None
    kelvin = grid.from_raw(of.low + share * (of.high - of.low))
    raw = encoder("cct", rule)(kelvin)
    assert min(a, b) <= raw <= max(a, b)
    # linear in the unit of the whites, by hand
    assert abs(float(raw) - (a + share * (b - a))) <= 0.5 + 1e-6
    assert grid.same(kelvin, float(decoder("cct", rule)(raw)))


@given(st.floats(1e-9, 1e9), st.floats(0, 3500), st.sampled_from(["watt", "milliwatt", "kilowatt"]))
def test_watts_on_any_scale(scale: float, watts: float, unit: str) -> None:
    rule = HearMap("t", scale=scale, unit=unit)  # type: ignore[arg-type]
    factor = scale * {"watt": 1.0, "milliwatt": 0.001, "kilowatt": 1000.0}[unit]
    assert decoder("watts", rule)(repr(watts / factor)) == pytest.approx(watts)


def test_more_than_can_flow_is_no_report_on_any_scale() -> None:
    rule = HearMap("t", unit="milliwatt")
    assert decoder("watts", rule)(41500) == pytest.approx(41.5)
    with pytest.raises(ValueError, match="outside"):
        decoder("watts", rule)(2e9)


# ---- words ---------------------------------------------------------------------------------

scalars = st.one_of(
    st.text(max_size=6), st.integers(-5, 300), st.booleans(), st.sampled_from(["ON", "1", "rec"])
)


@given(st.lists(scalars, min_size=2, max_size=6), st.integers(1, 5))
def test_every_word_is_heard_and_the_first_is_told(words: list[str | int | bool], at: int) -> None:
    spelt = [str(w).lower() if isinstance(w, bool) else str(w) for w in words]
    assume(len(set(spelt)) == len(spelt) and at < len(words))
    (yes, *more_yes), (no, *more_no) = words[:at], words[at:]
    rule = HearMap("t", words=Words(yes, no, tuple(more_yes), tuple(more_no)))
    read = decoder("rolling", rule)
    assert [read(w) for w in words] == [True] * at + [False] * (len(words) - at)
    assert [read(w) for w in spelt] == [True] * at + [False] * (len(words) - at)
    assert (encoder("rolling", rule)(True), encoder("rolling", rule)(False)) == (yes, no)


# ---- fields --------------------------------------------------------------------------------

routes = st.lists(st.one_of(st.text(max_size=4), st.integers(0, 5)), min_size=1, max_size=5).filter(
    lambda r: isinstance(r[0], str)
)


@given(st.lists(routes, min_size=1, max_size=3, unique_by=tuple))
def test_what_is_put_last_is_found_where_it_was_put(fields: list[list[str | int]]) -> None:
    document: dict[str, object] = {}
    for i, route in enumerate(fields):
        put_field(document, tuple(route), i)
    assert field_of(json.loads(json.dumps(document)), tuple(fields[-1])) == len(fields) - 1


def test_a_whole_number_is_a_place_in_a_list_and_nowhere_else() -> None:
    assert field_of({"a": [5, 6]}, ("a", 1)) == 6
    assert field_of({"a": {"1": 6}}, ("a", 1)) is MISSING
    assert field_of({"a": [5]}, ("a", 1)) is MISSING


# ---- nonsense ------------------------------------------------------------------------------

TOPICS = sorted({topic for topic, _ in Speech(PROFILE).subscriptions()})
TOLD = sorted({t for name in PROFILE.devices for t, _ in FarEnd(PROFILE, name).subscriptions()})
pieces = st.lists(
    st.one_of(
        st.sampled_from(
            ["64", "4300", " % ", " K", ";", "L", "K", "1:", "2:", "up", "gone", "nan", "1e999",
             "\n", "\x00", "9" * 70, "-", "{", "}", '"id":', "2", ",", '{"id": 2, "on":', "[[["]
        ),
        st.text(max_size=4),
    ),
    max_size=8,
).map("".join)  # fmt: skip
documents = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | pieces,
    lambda inner: (
        st.lists(inner, max_size=3)
        | st.dictionaries(
            st.sampled_from(["id", "on", "mw", "s", "w", "lit", "a.b", "seg.1", "b", "t", "o2"]),
            inner,
            max_size=5,
        )
    ),
    max_leaves=10,
).map(json.dumps)


@given(
    st.sampled_from(TOPICS),
    st.one_of(st.binary(max_size=60), pieces.map(lambda t: t.encode("utf-8", "replace")),
              documents.map(str.encode)),
)  # fmt: skip
def test_whatever_comes_is_a_report_or_unreadable(topic: str, payload: bytes) -> None:
    for said in Speech(PROFILE).hear(Message(topic, payload), 0.0):
        assert isinstance(said, Report | Unreadable)
        if isinstance(said, Unreadable):
            assert said.why.isprintable()
            assert len(said.why) < 300
        elif said.point == "level":
            assert 0.0 <= said.value <= 100.0
        elif said.point == "cct":
            assert 1000.0 <= said.value <= 25000.0


@given(
    st.sampled_from(TOLD),
    st.one_of(st.binary(max_size=60), pieces.map(lambda t: t.encode("utf-8", "replace")),
              documents.map(str.encode)),
)  # fmt: skip
def test_a_device_takes_nonsense_for_nothing(topic: str, payload: bytes) -> None:
    for name in PROFILE.devices:
        told = FarEnd(PROFILE, name).told(Message(topic, payload))
        assert told is None or told.asked or told.values


def test_no_text_takes_long_to_read_whatever_is_in_it() -> None:
    """One pass: twice the text takes about twice the time, also where nothing ever fits."""
    form = Text.of("a{any}aa{any}aaa{any}ab{any}b{any}ba")
    wanted = Text.of("{level},{any},{any},{any},{any};{cct}")
    start = time.perf_counter()
    for text in ("a" * 65_536, "ab" * 32_768, "," * 65_536, "a" * 65_535 + "b", "1," * 32_768):
        for one in (form, wanted):
            one.read(text)
    assert time.perf_counter() - start < 0.5
