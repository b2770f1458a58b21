"""A button's word in a document: its place is read as in dialects."""

from __future__ import annotations

import json

import pytest

from studiobridge.bridge.core import Core, Write
from studiobridge.control.effects import Memory, RequestNote
from studiobridge.profile import ProfileError, read_profile_text
from studiobridge.speech.message import Message

FILE = """\
format: 1
set: kiln-shelf
mains: {voltage: 230 V, circuits: {wall: {breaker: 10 A}}}
dialects:
  relay: {switch: {tell: {topic: "{at}/in"}, hear: {topic: "{at}/out"}}}
devices:
  lamp-plug: {kind: plug, fed_by: wall, speaks: relay, at: p}
looks:
  day: {}
switches:
  door: {topic: floor/door, field: %s, words: {tap: down}}
"""


def taken(field: str, document: object) -> bool:
    """Does a press that says so ask for something?"""
    made = read_profile_text(FILE % field, "kiln.yaml").profile
    core = Core(made, Memory(), "test", lambda at: at)
    core.link_up(0.0)
    core.due("listen", made.patience.listen + 1.0)
    outs = core.message(Message("floor/door", json.dumps(document).encode()), 20.0)
    notes = [o.note for o in outs if isinstance(o, Write) and isinstance(o.note, RequestNote)]
    return [note.what for note in notes[:1]] == ["down"]


@pytest.mark.parametrize(
    ("field", "document", "asks"),
    [
        ("press", {"press": "tap"}, True),
        ("now.press", {"now": {"press": "tap"}}, True),
        ("now.press", {"now.press": "tap"}, False),
        ("now\\.press", {"now.press": "tap"}, True),
        ("[now.press]", {"now.press": "tap"}, True),
        ("[keys, 1, press]", {"keys": [{}, {"press": "tap"}]}, True),
        ("keys.1.press", {"keys": [{}, {"press": "tap"}]}, True),
        ("[keys, 2, press]", {"keys": [{}, {"press": "tap"}]}, False),
        ("now.press", {"now": "tap"}, False),
        ("press", {"press": {"tap": "tap"}}, False),
        ("press", [], False),
        ("press", None, False),
    ],
)
def test_where_the_word_is(field: str, document: object, asks: bool) -> None:
    assert taken(field, document) is asks


@pytest.mark.parametrize("field", ["[]", "[a, -1]", "{a: b}"])
def test_a_place_that_is_none_is_said_with_its_own(field: str) -> None:
    with pytest.raises(ProfileError) as found:
        read_profile_text(FILE % field, "kiln.yaml")
    assert all(str(p).startswith("kiln.yaml:11:36:") for p in found.value.problems)
