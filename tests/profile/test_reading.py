"""A set profile is read with every mistake found at once, each with its line and column."""

from __future__ import annotations

from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from studiobridge.profile import ProfileError, read_profile, read_profile_text
from studiobridge.profile.model import Preset
from studiobridge.profile.text import MAX_BYTES

CONFIG = Path(__file__).parents[2] / "config"
EXAMPLES = sorted(CONFIG.glob("*.yaml"))
EXAMPLES = [path for path in EXAMPLES if not path.name.startswith("settings")]

BASE = """\
format: 1
set: kiln-shelf
mains: {voltage: 230 V, circuits: {wall: {breaker: 10 A}}}
dialects:
  relay:
    switch:
      tell: {topic: "{at}/in", words: {on: "1", off: "0"}}
      hear: {topic: "{at}/out", words: {on: "1", off: "0"}}
  panel:
    level:
      tell: {topic: "{at}/do", json: {dim: "{value}"}, span: 0..255}
      hear: {topic: "{at}/is", field: dim, span: 0..255}
devices:
  kiln-plug: {kind: plug, fed_by: wall, speaks: relay, at: kiln/p}
  key: {kind: light, fed_by: kiln-plug, speaks: panel, at: kiln/k, level: 5..90 %}
looks:
  day: {key: {level: 64 %}}
"""


def problems(text: str | bytes) -> list[str]:
    with pytest.raises(ProfileError) as caught:
        read_profile_text(text, "kiln.yaml")
    return [str(problem) for problem in caught.value.problems]


def changed(old: str, new: str) -> str:
    assert BASE.count(old) == 1, old
    return BASE.replace(old, new)


@pytest.mark.parametrize("path", EXAMPLES, ids=lambda p: p.name)
def test_every_example_reads_without_a_doubt(path: Path) -> None:
    reading = read_profile(path)
    assert reading.warnings == ()


def test_there_are_three_examples_and_the_corner_is_whole() -> None:
    assert len(EXAMPLES) >= 3
    corner = read_profile(CONFIG / "wheel-corner.yaml").profile
    assert len(corner.devices) >= 12
    assert len(corner.looks) == 2
    assert len(corner.circuits) == 2
    assert corner.looks["glaze"].presets["key"] == Preset(40.0, 4300.0)  # inherited CCT
    assert corner.devices["rim"].hand_set
    assert corner.devices["camera"].feeds == ("desk-strip", "desk-plug")
    assert corner.devices["camera"].circuit == "wall"
    assert corner.devices["clip-mic"].battery
    assert corner.devices["fill"].knows_fade
    assert not corner.devices["key"].knows_fade
    assert corner.devices["router"].stays_on


CASES = [
    # (what is written instead, where, what is said)
    (("boots_in", None), None, None),
    (
        ("level: 64 %}", "level: 64}"),
        "17:22",
        "'64' has no unit; write a level in percent, like '64 %'",
    ),
    (
        ("level: 64 %}", "level: 64 K}"),
        "17:22",
        "'64 K' has the unit 'K'; a level in percent is in %",
    ),
    (("level: 64 %}", "level: 164 %}"), "17:22", "'164 %' is outside 0 to 100 %"),
    (("level: 64 %}", "level: 95 %}"), "17:22", "95 % is outside the 5..90 % of 'key'"),
    (("level: 64 %}", "level: bright}"), "17:22", "'bright' is not a level in percent"),
    (("level: 64 %}", "levle: 64 %}"), "17:15", "unknown key 'levle'; did you mean 'level'?"),
    (("level: 64 %}", "level: 64 %, cct: 4000 K}"), "17:28", "'key' cannot be told a cct"),
    (("{key: {level", "{kye: {level"), "17:9", "there is no device 'kye'; did you mean 'key'?"),
    (("{key: {level", "{kiln-plug: {level"), "17:9", "'kiln-plug' is a plug and has no preset"),
    (("kind: light", "kind: lamp"), "15:15", "'lamp' is not one of"),
    (
        ("kind: light, fed_by", "kind: light, drwas: 5 W, fed_by"),
        "15:22",
        "unknown key 'drwas'; did you mean 'draws'?",
    ),
    (
        ("fed_by: kiln-plug, speaks: panel", "fed_by: kiln-pulg, speaks: panel"),
        "15:30",
        "nothing is called 'kiln-pulg'; did you mean 'kiln-plug'?",
    ),
    (
        ("fed_by: kiln-plug, speaks: panel", "speaks: panel"),
        "15:3",
        "'key' does not say what feeds it",
    ),
    (
        ("speaks: panel", "speaks: pannel"),
        "15:49",
        "there is no dialect 'pannel'; did you mean 'panel'?",
    ),
    (("at: kiln/k", "at: kiln/+"), "15:60", "no wildcards"),
    (("at: kiln/k", 'at: "studiobridge/x"'), "15:60", "the bridge's own"),
    (("at: kiln/k", 'at: "kiln/\\u0007"'), "15:60", "control characters"),
    (
        ("breaker: 10 A", "breaker: 10"),
        "3:52",
        "'10' has no unit; write a current in ampere, like '10 A' (or in mA)",
    ),
    (("set: kiln-shelf", "set: Kiln/Shelf"), "2:6", "is not a name"),
    (("format: 1", "format: 7"), "1:9", "format 7 is not known here; write 'format: 1'"),
    (("format: 1\n", ""), "1:1", "'format' is missing"),
    (
        ('      hear: {topic: "{at}/is", field: dim, span: 0..255}\n', ""),
        "10:5",
        "'level' is told but never heard",
    ),
    (
        (
            'words: {on: "1", off: "0"}}\n      hear: {topic: "{at}/out"',
            'retain: yes}\n      hear: {topic: "{at}/out"',
        ),
        "7:40",
        "a kept 'switch' would be done again",
    ),
    (("span: 0..255}\n      hear", "span: 5..5}\n      hear"), "11:62", "has no width"),
    (
        ("set: kiln-shelf", "set: kiln-shelf\nset: other"),
        "3:1",
        "key 'set' stands here twice (first in line 2)",
    ),
    (
        ("set: kiln-shelf", "set: kiln-shelf\ndefault_look: night"),
        "3:15",
        "there is no look 'night'",
    ),
    (
        ("set: kiln-shelf", "set: kiln-shelf\ntime_zone: Mars/North"),
        "3:12",
        "there is no time zone 'Mars/North'",
    ),
]


@pytest.mark.parametrize(("change", "where", "said"), CASES[1:])
def test_one_mistake_is_said_where_it_is(change: tuple[str, str], where: str, said: str) -> None:
    found = problems(changed(*change))
    assert any(text.startswith(f"kiln.yaml:{where}: ") and said in text for text in found), found


def test_a_circle_of_feeds_and_of_after() -> None:
    text = BASE.replace(
        "fed_by: wall, speaks: relay, at: kiln/p}",
        "fed_by: other, speaks: relay, at: kiln/p}\n  other: {kind: plug, fed_by: kiln-plug}",
    )
    assert any("a circle of feeds: kiln-plug → other → kiln-plug" in p for p in problems(text))
    text = BASE.replace(
        "level: 5..90 %}",
        "level: 5..90 %, after: [b]}\n  b: {kind: display, fed_by: kiln-plug, after: [key]}",
    )
    assert any("a circle of 'after'" in p for p in problems(text))


def test_two_devices_on_one_topic() -> None:
    text = BASE.replace(
        "looks:", "  two: {kind: plug, fed_by: wall, speaks: relay, at: kiln/p}\nlooks:"
    )
    assert any("'two' and 'kiln-plug' both use 'kiln/p/in'" in p for p in problems(text))


def test_something_that_feeds_nothing() -> None:
    text = BASE.replace("looks:", "  b: {kind: display, fed_by: key}\nlooks:")
    assert any("'key' is a light and feeds nothing" in p for p in problems(text))


def test_all_mistakes_of_a_file_at_once_and_in_its_order() -> None:
    text = BASE.replace("230 V", "230").replace("kind: light", "kind: lamp").replace("64 %", "64")
    found = problems(text)
    assert len(found) == 3
    assert [int(p.split(":")[1]) for p in found] == [3, 15, 17]


def test_words_of_yaml_1_1_stay_words() -> None:
    """YAML 1.2 core schema: only true and false are booleans."""
    text = BASE.replace(
        'words: {on: "1", off: "0"}}\n      hear: {topic: "{at}/out", words: {on: "1", off: "0"}}',
        'words: {on: on, off: off}}\n      hear: {topic: "{at}/out", words: {yes: on, no: off}}',
    )
    words = read_profile_text(text).profile.dialects["relay"].tell["switch"].words
    assert words is not None
    assert (words.yes, words.no) == ("on", "off")


HOSTILE = {
    "empty": b"",
    "only a comment": b"# nothing\n",
    "a list": b"- a\n- b\n",
    "a word": b"hello",
    "not utf-8": b"format: 1\nset: \xff\xfe\n",
    "utf-16": "format: 1".encode("utf-16"),
    "a tab": b"format: 1\nset:\n\tx: 1\n",
    "nul": b"format: 1\nset: a\x00b\n",
    "unclosed": b"format: 1\nset: [a, b\n",
    "two documents": b"format: 1\n---\nformat: 1\n",
    "billion laughs": b"a: &a [x,x,x,x,x,x,x,x,x]\n"
    + b"".join(
        b"%c: &%c [*%c,*%c,*%c,*%c,*%c,*%c,*%c,*%c,*%c]\n" % ((98 + i,) * 2 + (97 + i,) * 9)
        for i in range(12)
    ),
    "deep flow": b"format: " + b"[" * 100_000,
    "deep block": b"- " * 100_000 + b"x",
    "deep maps": b"{a: " * 50_000,
    "too large": b"#" * (MAX_BYTES + 1),
    "a python tag": b"format: !!python/object/apply:os.system ['true']\n",
    "an unknown alias": b"format: *nobody\n",
    "a key that is a list": b"[a, b]: 1\nformat: 1\n",
    "huge number": b"format: 1e400\nset: a\n",
    "many digits": b"format: " + b"9" * 10_000 + b"\n",
}


@pytest.mark.parametrize("name", HOSTILE)
def test_hostile_files_end_in_a_clear_error(name: str) -> None:
    found = problems(HOSTILE[name])
    assert found
    for text in found:
        assert text.startswith("kiln.yaml:")
        assert text.isprintable()
        assert len(text) < 600


@given(st.text(max_size=300))
def test_no_text_raises_anything_else(text: str) -> None:
    try:
        read_profile_text(text)
    except ProfileError as error:
        assert error.problems


@given(st.data())
def test_no_mutilated_profile_raises_anything_else(data: st.DataObject) -> None:
    lines = BASE.split("\n")
    i = data.draw(st.integers(0, len(lines) - 1))
    cut = data.draw(st.integers(0, max(0, len(lines[i]) - 1)))
    junk = data.draw(
        st.sampled_from(["", "{", "}", ":", "[", "&a ", "*a", "- ", "%", "'", '"', "null"])
    )
    lines[i] = lines[i][:cut] + junk + lines[i][cut + data.draw(st.integers(0, 3)) :]
    try:
        read_profile_text("\n".join(lines))
    except ProfileError as error:
        assert all(problem.line >= 1 for problem in error.problems)


def test_a_missing_file_and_a_folder() -> None:
    for path in (CONFIG / "nowhere.yaml", CONFIG):
        with pytest.raises(ProfileError):
            read_profile(path)


def test_doubts_are_said_and_do_not_stop() -> None:
    text = BASE.replace("day: {key: {level: 64 %}}", "day: {key: {level: 64 %}}\n  night: {}")
    reading = read_profile_text(text, "kiln.yaml")
    assert any("says nothing of 'key'" in str(w) for w in reading.warnings)
