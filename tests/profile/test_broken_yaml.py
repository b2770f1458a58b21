"""A file that is not YAML says why, where, and what to write: in no parser's words."""

from __future__ import annotations

import re

import pytest

from studiobridge.profile import ProfileError, read_profile_text
from studiobridge.profile.text import Problem, read_document

# (what is in the file, line:column, a part of what is said, a part of what to do, what is shown)
BROKEN = [
    ("format: 1\nset:\n\tx: 1\n", "3:1", "a tab stands before", "write spaces", "\tx: 1"),
    ("d:\n  key:\n  \tkind: light\n", "3:3", "a tab stands before", "write spaces", "  \tkind: light"),
    ("set: a\ntitle: Key: left\n", "2:11", "a second colon", 'title: "Key: left"', "title: Key: left"),
    ("set: a\nd: {title: Key: left}\n", "2:15", "a text with a colon in it has no quotes", "", "d: {title: Key: left}"),
    ("m:\n  voltage: 230 V\n   frequency: 50 Hz\n", "3:4", "further in than the line above", "column 3", "   frequency: 50 Hz"),
    ("m:\n    voltage: 230 V\n  frequency: 50 Hz\n", "3:3", "begins where no line above it does", "column 5", "  frequency: 50 Hz"),
    ('set: a\ntitle: "Key\nb: c\n', "2:8", 'the " that opens here is never closed', 'close it with "', 'title: "Key'),
    ("set: a\ntitle: 'Key\nb: c\n", "2:8", "the ' that opens here is never closed", "close it with '", "title: 'Key"),
    ('set: "a" b\n', "1:10", 'something stands behind the closing "', "into the quotes", 'set: "a" b'),
    ("set: a\nx: [a, b\nb: c\n", "2:4", "the [ that opens here is not closed before line 3", "close it with ]", "x: [a, b"),
    ("set: a\nx: {a: b\nb: c\n", "2:4", "the { that opens here is not closed", "close it with }", "x: {a: b"),
    ("x: {a: b}}\n", "1:10", "a } too many", "take it out", "x: {a: b}}"),
    ("x: {a: b]\n", "1:9", "] stands where the { is closed", "write }", "x: {a: b]"),
    ("x: ]\n", "1:4", "nothing was opened that ] could close", "", "x: ]"),
    ("x: {a: b c: d}\n", "1:11", "a comma is missing", "", "x: {a: b c: d}"),
    ("topic: {at}/in\nb: c\n", "1:12", "something stands behind the closing }", "in quotes", "topic: {at}/in"),
    ("x: *wall\n", "1:4", "'*wall' uses a part that nothing above names", "'&wall'", "x: *wall"),
    ("x: &\n", "1:4", "a & begins a name", "in quotes", "x: &"),
    ("set: a\nhello\nb: c\n", "2:1", "'hello' is no 'key: value'", "a colon and a space", "hello"),
    ("set: a\ntitle:b\nb: c\n", "2:1", "no space behind the colon", "write title: b", "title:b"),
    ("x: %a\n", "1:4", "a text cannot begin with %", "in quotes", "x: %a"),
    ("x: @a\n", "1:4", "a text cannot begin with @", "in quotes", "x: @a"),
    ('x: "a\\qb"\n', "1:6", "a backslash between double quotes", "single quotes", 'x: "a\\qb"'),
    ("a: 1\n- b\n", "2:1", "an entry of a list ('-') stands where a key belongs", "indent", "- b"),
    ("- b\na: 1\n", "2:1", "no entry of the list above", "begin it with '- '", "a: 1"),
    ("a: 1\nb: a\x00b\n", "2:5", "a control character", "take it out", "b: a\x00b"),
    ("a: 1\na: 2\n", "2:1", "key 'a' stands here twice (first in line 1)", "keep one", "a: 2"),
    ("- a\n- b\n", "1:1", "this is a list", "format: 1", None),
    ("hello", "1:1", "only a text", "format: 1", None),
    ("", "1:1", "the file is empty", "format: 1", None),
    ("# nothing\n", "1:1", "the file is empty", "format: 1", None),
]  # fmt: skip
NOT_OURS = re.compile(
    r"mapping values|block mapping|flow|scalar|token|stream|scanning|parsing|node|indicator|"
    r"directive|dict\b|str\b|list\[|Input should|valid"
)


def first(data: str | bytes) -> Problem:
    with pytest.raises(ProfileError) as caught:
        read_profile_text(data, "kiln.yaml")
    return next((p for p in caught.value.problems if "twice" in p.what), caught.value.problems[0])


@pytest.mark.parametrize(("data", "where", "what", "todo", "shown"), BROKEN)
def test_what_is_no_yaml(data: str, where: str, what: str, todo: str, shown: str | None) -> None:
    said = first(data)
    assert f"{said.line}:{said.column}" == where, said
    assert what in said.what
    assert todo in said.todo
    assert not NOT_OURS.search(str(said))
    if shown is not None:
        assert said.text == shown


def test_what_is_not_utf_8() -> None:
    said = first("set: a\ntitle: Möhre, grün\n".encode("latin-1"))
    assert (said.line, said.column) == (2, 9)
    assert "not UTF-8" in said.what
    assert said.text.startswith("title: M")
    assert "UTF-16" in first("format: 1\n".encode("utf-16")).what


def test_the_mark_of_an_editor_and_its_line_ends_are_read() -> None:
    text = "\ufeffset: a\r\ntitle: b\r\nx: [1]\r\n".encode()
    document = read_document(text, "kiln.yaml")
    assert [key.scalar for key, _ in document.root.pairs or ()] == ["set", "title", "x"]
    assert document.problem(("x",), "").text == "x: [1]"
    assert document.problem(("x",), "").line == 3


def test_a_file_of_five_megabytes_is_answered(tmp_path: object) -> None:
    line = "# what somebody wrote about the set, over and over\n"
    said = first("format: 1\nset: a\n" + line * (5_000_000 // len(line)) + "devices: [\n")
    assert said.line > 90_000
    assert "the [ that opens here" in said.what
