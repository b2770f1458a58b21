"""Whatever comes, hearing stays within its memory, raises nothing and leaves out what is not gear."""

from __future__ import annotations

import json
import random
import tracemalloc

from hypothesis import given, settings
from hypothesis import strategies as st

from studiobridge.meeting import book
from studiobridge.meeting.hearing import Hearing
from studiobridge.meeting.overheard import MOST_TOPICS
from studiobridge.meeting.summary import summary_of
from studiobridge.shown import heard as shown
from studiobridge.speech.message import Message

words = st.sampled_from(
    ["ON", "OFF", "online", "gone", "1", "0", "1e999", "nan", "64", "-3", "{at}", "{value} W",
     "3=1", "12.5 W", "64 % 4300 K", "\x00", "😀", "9" * 70, "true", "null", "[[[[", '{"a":', ""]
)  # fmt: skip
keys = st.sampled_from(["on", "dim", "cct", "watts", "id", "a.b", "", "{n}", "at", "uptime", "0"])
documents = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | words | st.text(max_size=5),
    lambda inner: st.lists(inner, max_size=4) | st.dictionaries(keys, inner, max_size=4),
    max_leaves=12,
).map(json.dumps)
payloads = st.one_of(st.binary(max_size=40), words.map(str.encode), documents.map(str.encode))
topics = st.one_of(
    st.sampled_from(
        ["a/lamp-1/is", "a/lamp-2/is", "a/lamp-1/out", "state/x7", "x7", "/", "//", "a//b",
         "$SYS/uptime", "studiobridge/corner/state", "homie/5/x/$state", "homie/5/x/$description",
         "homie/5/x/l/level", "a/{at}/is", "a/+/is", "on/off", "is", "box/1/out", "box/2/out", "box"]
    ),
    st.text(max_size=12),
)  # fmt: skip
deeds = st.sampled_from([None, None, None, "press", "on", "off", "full", "dark", "warm", "cold"])


@settings(max_examples=60, deadline=None)
@given(st.lists(st.tuples(topics, payloads, st.booleans(), st.floats(0, 3), deeds), max_size=25))
def test_whatever_comes_is_heard_and_makes_a_book(
    said: list[tuple[str, bytes, bool, float, object]],
) -> None:
    hearing, at = Hearing(), 0.0
    for topic, payload, retain, wait, deed in said:
        at += wait
        hearing.heard(Message(topic, payload, retain=retain), at)
        if deed is not None:
            hearing.pressed(at, deed)  # type: ignore[arg-type]
    met = hearing.acquaintances()
    assert len({one.name for one in met}) == len(met)
    # what is guessed is always what a profile would take
    text = book.text_of(met)
    assert book.text_of(book.read(text)) == text
    whole = summary_of(hearing)
    json.dumps(whole, allow_nan=False)
    for device in whole["devices"]:
        for point, is_ in device["points"].items():
            # what is guessed can read what it was guessed from
            assert is_["value"] is not None or "was heard as well" in is_["why"], (point, is_)
    for width in (80, 40):
        lines = shown.live_lines(whole, "# on a broker", width, 24)
        assert all(len(line) <= width and line.isprintable() for line in lines), lines
        assert len(lines) <= 24
    assert all(line.isprintable() for line in shown.summary_lines(whole, "# on a broker"))


def test_the_brokers_own_and_the_bridges_own_are_left_out() -> None:
    hearing = Hearing()
    for topic in ("$SYS/broker/uptime", "studiobridge/corner/state", "studiobridge"):
        assert hearing.heard(Message(topic, b"on"), 0.0) == ()
    assert hearing.acquaintances() == []
    assert summary_of(hearing)["messages"] == 0


def test_what_no_profile_could_name_is_counted_and_left_out() -> None:
    hearing = Hearing()
    for topic in ("a/{n}/is", "/", "a/\x07/is", "a" * 201):
        assert hearing.heard(Message(topic, b"on"), 0.0) == ()
    whole = summary_of(hearing)
    assert (whole["left_out"], whole["devices"]) == (4, [])
    assert (
        "4 messages left out: too many topics, or such as no profile can name"
        in shown.summary_lines(whole, "#")
    )


def test_a_flood_of_topics_and_documents_keeps_memory_bounded() -> None:
    """Many more topics than are kept, documents of thousands of values, names without end."""
    dice = random.Random(3)
    huge = json.dumps({f"k{i}": {f"x{j}": i * j for j in range(20)} for i in range(200)}).encode()
    hearing = Hearing()
    hearing.heard(Message("corner/plug-1/relay", b"OFF", retain=True), 0.0)
    tracemalloc.start()
    try:
        for n in range(8_000):
            topic, payload = f"flood/{n}/" + "y" * (n % 190), b"%d" % n
            if n % 400 == 1:
                topic, payload = f"d{n % 5}", huge
            elif n % 4 == 2:
                document = {f"k{dice.random()}": n, "id": f"d{n}", "who": f"w{n % 90}"}
                topic, payload = f"one/{n % 7}", json.dumps(document).encode()
            elif n % 4 == 3:
                topic, payload = f"t{n}", dice.randbytes(60)
            hearing.heard(Message(topic, payload), n / 1000)
            if n % 300 == 0:
                hearing.pressed(n / 1000)
        grown = tracemalloc.get_traced_memory()[1]
    finally:
        tracemalloc.stop()
    assert grown < 60e6, f"{grown / 1e6:.0f} MB"
    assert len(hearing.overheard.topics) <= 5000
    held = sum(len(s) for t in hearing.overheard.topics.values() for s in t.spots.values())
    assert held <= 20_000
    # and who was there before it is still there, and still heard
    changes = hearing.heard(Message("corner/plug-1/relay", b"ON"), 100.0)
    assert [(c.before, c.after) for c in changes] == [("OFF", "ON")]


def test_a_flood_of_news_makes_no_room_by_throwing_out_who_speaks_again_and_again() -> None:
    hearing = Hearing()
    for second in range(2):
        hearing.heard(Message("corner/plug-1/relay", b"OFF"), float(second))
    for n in range(MOST_TOPICS + 500):
        hearing.heard(Message(f"flood/{n}", b"x"), 2.0)
    assert "corner/plug-1/relay" in hearing.overheard.topics
    assert f"flood/{MOST_TOPICS + 499}" in hearing.overheard.topics
    assert "flood/0" not in hearing.overheard.topics


def test_what_changed_since_a_moment() -> None:
    hearing = Hearing()
    hearing.heard(Message("a/plug-1/is", b'{"on": false, "w": [0.4, 3]}', retain=True), 1.0)
    hearing.heard(Message("a/plug-1/is", b'{"on": true, "w": [0.4, 4]}'), 2.0)
    found = [(c.field, c.before, c.after, c.kept) for c in hearing.changed_since(1.5)]
    assert found == [(("on",), False, True, False), (("w", 1), 3, 4, False)]
    assert len(hearing.changed_since(0.5)) == 5  # with what was heard first


def test_a_summary_says_how_often_what_is_kept_and_what_changes() -> None:
    hearing = Hearing()
    hearing.heard(Message("a/plug-1/is", b'{"on": false, "v": 231}', retain=True), 0.0)
    for second in range(1, 6):
        payload = json.dumps({"on": second > 2, "v": 231})
        hearing.heard(Message("a/plug-1/is", payload.encode()), 2.0 * second)
    hearing.heard(Message("a/plug-1/alive", b"online", retain=True), 12.0)
    hearing.heard(Message("b/cam-2/pic", b"\xff\xd8" * 4000), 12.0)
    whole = summary_of(hearing)
    assert (whole["messages"], whole["topics"], whole["heard_for_s"]) == (8, 3, 12.0)
    plug, camera = whole["devices"]
    is_, alive = plug["topics"]
    assert (is_["heard"], is_["kept"], is_["every_s"], is_["changed"]) == (6, True, 2.0, ["on"])
    assert (alive["heard"], alive["kept"], alive["every_s"], alive["changed"]) == (
        1,
        True,
        None,
        [],
    )
    said = {
        k: plug["points"]["switch"][k] for k in ("said", "value", "heard", "changes", "changed_s")
    }
    assert said == {"said": True, "value": True, "heard": 6, "changes": 1, "changed_s": 6.0}
    assert plug["missing"] == []
    assert camera["topics"][0]["payload"] == "8000 bytes that are no text"
    lines = shown.summary_lines(whole, "# on a broker")
    assert '  a/plug-1/is (kept, every 2 s; changes: on): {"on": true, "v": 231}' in lines


def test_what_was_only_kept_says_that_nothing_spoke() -> None:
    hearing = Hearing()
    hearing.heard(Message("a/plug-1/relay", b"ON", retain=True), 0.0)
    kept = "only what the broker kept from before was heard of it: is it on?"
    assert kept in hearing.acquaintances()[0].missing
    hearing.heard(Message("a/plug-1/relay", b"ON"), 1.0)
    assert kept not in hearing.acquaintances()[0].missing


def test_who_describes_itself_is_listed_with_its_points() -> None:
    hearing = Hearing()
    level = {"level": {"datatype": "integer", "unit": "%", "settable": True}}
    described = {"homie": "5.0", "nodes": {"light": {"properties": level}}}
    payload = json.dumps(described).encode()
    hearing.heard(Message("homie/5/key-panel/$description", payload, retain=True), 0.0)
    lines = shown.summary_lines(summary_of(hearing), "#")
    assert "key-panel: light (level), Homie 5 at key-panel/light: needs no dialect" in lines
