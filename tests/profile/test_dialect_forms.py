"""What no dialect may say: forms that can be read in two ways, keys that do nothing, topics shared."""

from __future__ import annotations

import pytest

from studiobridge.profile import ProfileError, read_profile_text
from studiobridge.profile.build import Reading
from studiobridge.speech.maps import MappedDevice

HEAD = """\
format: 1
set: kiln-shelf
mains: {voltage: 230 V, circuits: {wall: {breaker: 10 A}}}
dialects:
  d:
"""
LEVEL = 'level: {tell: {topic: "{at}/do"%s}, hear: {topic: "{at}/is"%s}}'
CCT = 'cct: {tell: {topic: "{at}/cdo"%s}, hear: {topic: "{at}/cis"%s}}'
SWITCH = 'switch: {tell: {topic: "{at}/sdo"%s}, hear: {topic: "{at}/sis"%s}}'
BOTH = '{topic: "{at}/do", payload: "%s"}'


def level(tell: str = "", hear: str = "") -> str:
    return LEVEL % (tell and ", " + tell, hear and ", " + hear)


def cct(tell: str = "", hear: str = "") -> str:
    return CCT % (tell and ", " + tell, hear and ", " + hear)


def switch(tell: str = "", hear: str = "") -> str:
    return SWITCH % (tell and ", " + tell, hear and ", " + hear)


def read(*points: str, devices: str = "") -> Reading:
    text = HEAD + "".join(f"    {point}\n" for point in points) + "devices:\n"
    text += devices or "  key: {kind: light, fed_by: wall, speaks: d, at: k}\n"
    return read_profile_text(text, "kiln.yaml")


def problems(*points: str, devices: str = "") -> list[str]:
    with pytest.raises(ProfileError) as caught:
        read(*points, devices=devices)
    return [str(problem) for problem in caught.value.problems]


def pair(payload: str) -> tuple[str, str]:
    tell = f'tell: {{topic: "{{at}}/do", payload: "{payload}"}}'
    return (
        f'level: {{{tell}, hear: {{topic: "{{at}}/a"}}}}',
        f'cct: {{{tell}, hear: {{topic: "{{at}}/b"}}}}',
    )


@pytest.mark.parametrize(
    ("payload", "said"),
    [
        ("{level}{cct}", "nothing stands between {level} and {cct}"),
        ("{level}-{cct}", "'-' after {level} may be part of a number"),
        ("{level}.{cct}", "'.' after {level} may be part of a number"),
        ("{level}e{cct}", "'e' after {level} may be part of a number"),
        ("{level} +{cct}", "'+' stands right beside the number in {cct}"),
        ("2{level},{cct}", "'2' stands right beside the number in {level}"),
        ("{level},{cct}0", "'0' stands right beside the number in {cct}"),
        ("{level},{cct},{cct}", "has a value in it twice"),
        ("{level},{watts},{cct}", "{watts} has no value here: 'watts' is never told"),
        ("{level},{switch},{cct}", "{switch} has no value here: 'switch' is never told"),
        ("{level},{cct},{z}", "has a blank 'z' that 'key' does not fill"),
        ("{level},{cct},{Any}", "{Any} in the payload is neither a place nor a blank"),
        ("{level},{cct},{any}", "{any} has no place in the payload"),
    ],
)
def test_a_text_that_can_be_read_in_two_ways_is_refused(payload: str, said: str) -> None:
    found = problems(*pair(payload))
    assert any(said in text for text in found), found
    assert all(text.startswith("kiln.yaml:") for text in found)


@pytest.mark.parametrize("payload", ["{level},{cct}", "L{level}E{cct}", "{level} % / {cct} K", "{level}x{cct}"])  # fmt: skip
def test_a_text_that_cannot_is_fine(payload: str) -> None:
    if payload == "L{level}E{cct}":  # 1E4300 would be a number
        assert problems(*pair(payload))
    else:
        assert read(*pair(payload)).profile.devices["key"].together == (
            frozenset({"level", "cct"}),
        )


@pytest.mark.parametrize("said", ["yes", "[level, cct]"])
def test_what_the_form_carries_together_needs_no_saying(said: str) -> None:
    (text,) = problems(*pair("{level},{cct}"), f"together: {said}")
    assert "'together' does nothing here: the form carries all of them already" in text
    # ... and where it says more than the form it is used
    more = 'switch: {tell: {topic: "{at}/do", json: {s: "{value}"}}, hear: {topic: "{at}/s"}}'
    form = '{topic: "{at}/do", json: {l: "{level}", c: "{cct}"}}'
    levels = f'level: {{tell: {form}, hear: {{topic: "{{at}}/l"}}}}'
    whites = f'cct: {{tell: {form}, hear: {{topic: "{{at}}/c"}}}}'
    assert read(levels, whites, more, "together: yes").profile.devices["key"].together == (
        frozenset({"level", "cct", "switch"}),
    )


def test_what_stands_after_a_word_is_in_none_of_its_words() -> None:
    words = 'words: {on: "ON", off: "OFF"}'
    tell = 'tell: {topic: "{at}/do", payload: "{switch}F{level}"%s}'
    found = problems(
        f'switch: {{{tell % (", " + words)}, hear: {{topic: "{{at}}/a"}}}}',
        f'level: {{{tell % ""}, hear: {{topic: "{{at}}/b"}}}}',
    )
    assert any("'F' after {switch} may be part of a word of it" in text for text in found)


@pytest.mark.parametrize(
    ("points", "said"),
    [
        ((switch("span: 0..1"),), "'span' does nothing for 'switch'; use 'words'"),
        ((switch("unit: percent"),), "'unit' does nothing for 'switch'"),
        ((switch("step: 5 %"),), "'step' does nothing for 'switch'"),
        ((switch("", "scale: 0.1"),), "'scale' does nothing for 'switch'"),
        ((level("words: {on: 1, off: 0}"),), "'level' is a number and has no words"),
        ((level("of: 2700..6500 K"),), "'of' does nothing for 'level'"),
        ((level("", "scale: 0.1"),), "'scale' does nothing for 'level'; use 'span'"),
        ((level("span: 0..255, unit: percent"),), "0..255 is not in percent"),
        ((level("span: 0..255, unit: fraction"),), "0..255 is not in fraction"),
        ((level("span: 0..255, step: 0.1 %"),), "a step of 0.1 % changes nothing"),
        ((level("step: 50 K"),), "a step of 'level' is in % here, not in K"),
        ((level("unit: kelvin"),), "'level' is not in kelvin"),
        ((level("fade_unit: s"),), "there is no {fade} for this unit"),
        ((level('payload: "{value} {fade}"'),), "{fade} has no unit"),
        ((level("payload: full"),), "the value has no place in it"),
        ((level('json: {"{value}": 1}'),), "a value has no place in a key"),
        ((level("", 'pattern: "{value}"'),), "a pattern that is only the value changes nothing"),
        ((level("", 'pattern: "full"'),), "the value has no place in it"),
        ((level("", 'pattern: "{value} {level}"'),), "it is there twice"),
        ((level("", 'pattern: "{value} {fade}"'),), "{fade} has no place in the pattern"),
        ((level("", "where: {id: 2}"),), "'where' looks into a document, and without 'field'"),
        ((cct("of: 2700..6500 K"),), "there is no 'span'"),
        ((cct("span: 0..255, of: 2700..6500 K, unit: kelvin"),), "'unit' does nothing beside 'of'"),
        ((cct("span: 6500..2700"),), "whites in kelvin from 6500 down to 2700"),
        ((cct("span: 0..255, of: 2700..2700 K"),), "or one white"),
        ((cct("span: 0..255, of: 0..6500 K"),), "is outside 1000 to 25000 K"),
        ((cct("span: 0..255, of: 2700..6500"),), "is no range of whites"),
        ((cct("step: 5 %"),), "a step of 'cct' is in K here, not in %"),
        ((cct("unit: mired, step: 50 K"),), "a step of 'cct' is in mired here, not in K"),
        ((cct("span: 2700..6500, step: 3000 K"),), "leaves nothing to set"),
        ((cct('payload: "{value} {fade}", fade_unit: s'),), "only a level is faded"),
        (('watts: {hear: {topic: "{at}/w", span: 0..5}}',), "'span' does nothing for 'watts'"),
        (('watts: {hear: {topic: "{at}/w", unit: mired}}',), "'watts' is not in mired"),
        (('watts: {hear: {topic: "{at}/w", scale: 0}}',), "a scale is a plain number above 0"),
        (('watts: {hear: {topic: "{at}/w", field: []}}',), "a field has 1 to 20 keys"),
        (('watts: {hear: {topic: "{at}/w", field: [a, -1]}}',), "-1 is no place in a list"),
        (('shut_down: {tell: {topic: "{at}/x", words: {on: 1, off: 0}}}',), "has no words"),
        ((switch("words: {on: [1, x], off: [0, x]}"),), "words need two different ones"),
        ((switch("words: {on: [], off: 0}"),), "is empty"),
        ((level(), "together: yes"), "nothing is sent together here: it takes two"),
        ((level(), "together: [level, cct]"), "'cct' is not told"),
        ((level(), cct(), "together: yes"), "what is sent together is one 'json' on one topic"),
        (
            (level(), 'ask: [{topic: "{at}/a", every: 5 s}, {topic: "{at}/b", every: 9 s}]'),
            "asked everything by one clock, and here are two",
        ),
        ((level("", 'field: "out{n}"'),), "has a blank 'n' that 'key' does not fill"),
        ((level("", 'field: x, where: {id: "{n}"}'),), "has a blank 'n' that 'key' does not fill"),
        ((level(), 'ask: {topic: "{at}/a", payload: "{n}"}'), "has a blank 'n' that 'key' does"),
        ((level("", 'field: "{value}"'),), "{value} has no place in the field"),
    ],
    ids=lambda v: str(v)[-50:],
)  # fmt: skip
def test_a_form_that_cannot_be_used_is_refused(points: tuple[str, ...], said: str) -> None:
    found = problems(*points)
    assert any(said in text for text in found), found


@pytest.mark.parametrize(
    ("blanks", "said"),
    [
        ("{n: 2, m: 3}", "'key' fills a blank 'm' that its dialect does not have"),
        ("{n: '{value}'}", "the blank 'n' has braces in it"),
        ("{n: 2, value: 3}", "'value' is a word of dialects"),
        ("{n: '5'}", "filled in, '5{value}' can be read in two ways"),
        ("{n: 'a+'}", "the topic 'k/a+' cannot be used"),
    ],
)
def test_blanks_that_cannot_be_filled_so(blanks: str, said: str) -> None:
    devices = f"  key: {{kind: light, fed_by: wall, speaks: d, at: k, blanks: {blanks}}}\n"
    form = 'level: {tell: {topic: "{at}/{n}", payload: "{n}{value}"}, hear: {topic: "{at}/is"}}'
    assert any(said in text for text in problems(form, devices=devices))


def outlets(hear: str, tell: str, blanks: tuple[str, str] = ("1", "2")) -> list[str]:
    point = f"switch: {{tell: {{topic: all/do, {tell}}}, hear: {{topic: all/is, {hear}}}}}"
    devices = "".join(
        f"  p{i}: {{kind: plug, fed_by: wall, speaks: d, blanks: {{n: {n}}}}}\n"
        for i, n in enumerate(blanks)
    )
    try:
        read(point, devices=devices)
    except ProfileError as error:
        return [str(problem) for problem in error.problems]
    return []


FIELD = 'field: on, where: {id: "{n}"}'
JSON = 'json: {id: "{n}", on: "{value}"}'


@pytest.mark.parametrize(
    ("hear", "tell"),
    [
        (FIELD, JSON),
        ('pattern: "{n}={value}"', 'payload: "{n}={value}"'),
        ('field: "o{n}"', 'json: {"o{n}": "{value}"}'),
        ('pattern: "{value} of {n}"', 'payload: "{value} to {n}"'),
    ],
)
def test_outlets_that_can_be_told_apart_may_share_a_topic(hear: str, tell: str) -> None:
    assert outlets(hear, tell) == []
    (same,) = outlets(hear, tell, ("2", "2"))
    assert "'p1' and 'p0' both use 'all/do'" in same


def test_outlets_that_cannot_be_told_apart_may_not() -> None:
    (heard,) = outlets("field: 'on{n}', where: {id: 2}", JSON, ("1", "1"))
    assert "both use 'all/do'" in heard
    (heard,) = outlets("field: on, where: {kind: '{n}'}", "json: {id: '{n}', on: '{value}'}",
                       ("1", "'1'"))  # fmt: skip
    assert "both use 'all/do'" in heard  # as text the two are the same
    # where one begins as the other does, a text of one may be taken for the other's
    (prefix,) = outlets('pattern: "{n}{value}"', 'payload: "{n}={value}"', ("a", "ab"))
    assert "'p1' and 'p0' both use 'all/is'" in prefix


@pytest.mark.parametrize(
    ("point", "fine"),
    [
        ('level: {tell: {topic: "{at}"}, hear: {topic: "{at}"}}', False),
        ('level: {tell: {topic: "{at}", payload: "SET {value}"}, hear: {topic: "{at}", pattern: "IS {value}"}}', True),
        ('level: {tell: {topic: "{at}", payload: "{value}"}, hear: {topic: "{at}", pattern: "{value} %"}}', True),
        ('level: {tell: {topic: "{at}", payload: "{value}"}, hear: {topic: "{at}", pattern: "{any} {value}"}}', False),
        ('level: {tell: {topic: "{at}", json: {dim: "{value}"}}, hear: {topic: "{at}", field: dim}}', False),
        ('level: {tell: {topic: "{at}", json: {dim: "{value}"}}, hear: {topic: "{at}", field: is}}', True),
        ('level: {tell: {topic: "{at}", json: {do: {dim: "{value}"}}}, hear: {topic: "{at}", field: do}}', False),
        ('level: {tell: {topic: "{at}", json: {a: want, dim: "{value}"}}, hear: {topic: "{at}", field: dim, where: {a: have}}}', True),
        ('level: {tell: {topic: "{at}", payload: "{value}"}, hear: {topic: "{at}", field: dim}}', True),
        ('level: {tell: {topic: "{at}", json: {dim: "{value}"}}, hear: {topic: "{at}"}}', False),
        ('level: {tell: {topic: "{at}", payload: ''\'{"dim": {value}}\'''}, hear: {topic: "{at}", field: dim}}', False),
    ],
    ids=lambda v: str(v)[25:],
)  # fmt: skip
def test_the_bridge_never_hears_its_own_word(point: str, fine: bool) -> None:
    if fine:
        read(point)
    else:
        assert any("own word proves nothing" in text for text in problems(point))


def test_nor_what_it_asks() -> None:
    ask = 'ask: {topic: "{at}/is", payload: 5}'.replace("5", "'5'")
    assert any("own word proves nothing" in text for text in problems(level(), ask))


def test_two_points_of_one_place_want_words_of_their_own() -> None:
    down = 'down: {hear: {topic: "{at}/s", words: {yes: halted, no: [up, lost]}}}'
    online = 'online: {hear: {topic: "{at}/s", words: {yes: up, no: [lost, halted]}}}'
    read(down, online)
    bare = 'online: {hear: {topic: "{at}/s"}}'
    assert any("are heard as the same thing" in text for text in problems(down, bare))


def test_a_kept_command_never_brings_a_switch_with_it() -> None:
    form = '{tell: {topic: "{at}/do", json: {%s: "{value}"}%s}, hear: {topic: "{at}/%s"}}'
    points = ["switch: " + form % ("s", "", "s"), "level: " + form % ("l", ", retain: yes", "l")]
    assert any("'switch' is told on the same topic" in text for text in problems(*points))


def test_it_is_put_back_only_when_asked_where_the_switch_goes_along() -> None:
    form = '{tell: {topic: "{at}/do", json: {%s: "{value}"}}, hear: {topic: "{at}/%s"}}'
    points = ["switch: " + form % ("s", "s"), "level: " + form % ("l", "l"), "together: yes"]
    device = "  key: {kind: light, fed_by: wall, speaks: d, at: k%s}\n"
    assert read(*points, devices=device % "").profile.devices["key"].together
    found = problems(*points, devices=device % ", restores: 1")
    assert any("putting it back says 'on' with nobody asking" in text for text in found)


@pytest.mark.parametrize(("own", "poll"), [("", 30.0), (", poll: 5 s", 5.0)])
def test_one_clock_for_asking(own: str, poll: float) -> None:
    device = f"  key: {{kind: light, fed_by: wall, speaks: d, at: k{own}}}\n"
    ask = 'ask: [{topic: "{at}/a", every: 30 s}, {topic: "{at}/b"}]'
    assert read(level(), ask, devices=device).profile.devices["key"].poll == poll


WORDS_OF_JSON = """words: {on: '{"s": "on"}', off: '{"s": "off"}'}"""


@pytest.mark.parametrize(
    ("tell", "hear"),
    [
        # a word may itself be a document
        (f'payload: "{{value}}", {WORDS_OF_JSON}', "field: s, words: {on: on, off: off}"),
        (f'payload: " {{value}}", {WORDS_OF_JSON}', "field: s, words: {on: on, off: off}"),
        # a line end is not held against what is heard
        ('payload: "v={value}.\\n"', 'pattern: "v={value}."'),
        ('payload: "v={value}.\\r\\n"', 'pattern: "v={value}."'),
        # a number as text is a place in a list too
        ('json: {a: ["{value}"]}', "field: a.0"),
        ('json: {a: ["{value}"]}', "field: a.00"),
        ('json: {a: [x, "{value}"]}', "field: a.1, where: {a.0: x}"),
    ],
)
def test_nor_in_another_spelling_of_it(tell: str, hear: str) -> None:
    point = f'switch: {{tell: {{topic: "{{at}}/x", {tell}}}, hear: {{topic: "{{at}}/x", {hear}}}}}'
    assert any("own word proves nothing" in text for text in problems(point))


def test_a_place_in_a_list_is_one_place_however_it_is_spelt() -> None:
    """Two outlets that share a topic, and one and the same place in each message."""
    said = problems(
        'switch: {tell: {topic: "{at}/{n}/do"}, hear: {topic: "{at}/is", field: [a, "{i}"]}}',
        devices='  p: {kind: plug, fed_by: wall, speaks: d, at: k, blanks: {n: 1, i: "0"}}\n'
        '  q: {kind: plug, fed_by: wall, speaks: d, at: k, blanks: {n: 2, i: "00"}}\n',
    )
    assert any("both use 'k/is'" in text for text in said)


def test_a_payload_may_end_its_line() -> None:
    """Many boxes on a serial line want it so: what is told is read at the device's own end."""
    point = (
        'level: {tell: {topic: "{at}/do", payload: "L {value}\\r\\n"}, hear: {topic: "{at}/is"}}'
    )
    device = read(point).profile.devices["key"]
    mapped = MappedDevice(device, read(point).profile.dialects["d"])
    (message,) = mapped.tell([("level", 40.0)], None)
    assert message.payload == b"L 40\r\n"
    assert mapped.told(message) == ([("level", 40.0)], None, False)


def test_a_document_written_as_a_text_is_no_other_thing_than_a_document() -> None:
    with pytest.raises(ProfileError) as caught:
        read_profile_text(
            HEAD + '    switch: {tell: {topic: "{at}/do", json: {lit: "{value}"}},'
            ' hear: {topic: "{at}/p"}}\n'
            "  e:\n"
            """    switch: {tell: {topic: "{at}/do", payload: '{"lit": {value}}'},"""
            ' hear: {topic: "{at}/q"}}\n'
            "devices:\n  p: {kind: plug, fed_by: wall, speaks: d, at: k}\n"
            "  q: {kind: plug, fed_by: wall, speaks: e, at: k}\n"
        )
    assert "'q' and 'p' both use 'k/do'" in str(caught.value)


def test_an_ask_left_empty_asks_nothing() -> None:
    assert read(level(), "ask:").profile.dialects["d"].asks == ()


def test_too_many_asks_are_said_in_their_place() -> None:
    many = "ask: [" + ", ".join(f"{{topic: a/{n}}}" for n in range(21)) + "]"
    (said,) = problems(level(), many)
    assert said.startswith("kiln.yaml:7:10: ")
