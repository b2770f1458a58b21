"""A button's word in a document: its place is read as in dialects."""

from __future__ import annotations

import json

import pytest

from studiobridge.bridge.core import Core, Write
from studiobridge.control.effects import Memory, RequestNote, TakeNote
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


def test_a_core_that_begins_anew_does_not_take_a_press_for_one_before() -> None:
    """As when the record comes back: it knows the answers of this very bridge."""

    def pressed(memory: Memory, now: float) -> list[RequestNote]:
        made = read_profile_text(FILE % "press", "kiln.yaml").profile
        core = Core(made, memory, "test", lambda at: at, now)
        core.link_up(now)
        core.due("listen", now + made.patience.listen + 1.0)
        outs = core.message(Message("floor/door", b'{"press": "tap"}'), now + 20.0)
        return [o.note for o in outs if isinstance(o, Write) and isinstance(o.note, RequestNote)]

    (first,) = pressed(Memory(), 0.0)
    (second,) = pressed(Memory(answered=((first.id, 0, "dark"),)), 100.0)
    assert (first.what, second.what) == ("down", "down")


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


PEDAL = (
    FILE % "press"
    + """\
  pedal: {topic: floor/pedal, words: {tap: rolling toggle, hold: good, twice: again}, camera: eye}
"""
)


def test_a_foot_switch_marks_the_take_that_was_last() -> None:
    text = PEDAL.replace("looks:", "  eye: {kind: camera, fed_by: battery}\nlooks:")
    made = read_profile_text(text, "kiln.yaml").profile
    core = Core(made, Memory(), "test", lambda at: at)
    core.link_up(0.0)
    core.due("listen", made.patience.listen + 1.0)
    at, marks = 20.0, []
    for word in (b"hold", b"tap", b"tap", b"hold", b"twice"):
        for out in core.message(Message("floor/pedal", word), at):
            if isinstance(out, Write) and isinstance(out.note, TakeNote | RequestNote):
                note = out.note
                if isinstance(note, TakeNote) and note.phase == "marked":
                    marks.append((note.take, note.mark, note.by))
                elif isinstance(note, RequestNote) and note.phase == "refused":
                    marks.append(note.text)
        at += 10.0
    assert marks == ["there was no take yet", (1, "good", "pedal"), (1, "again", "pedal")]


@pytest.mark.parametrize("field", ["[]", "[a, -1]", "{a: b}"])
def test_a_place_that_is_none_is_said_with_its_own(field: str) -> None:
    with pytest.raises(ProfileError) as found:
        read_profile_text(FILE % field, "kiln.yaml")
    assert all(str(p).startswith("kiln.yaml:11:36:") for p in found.value.problems)
