"""What the sets on a broker forbid to whoever stands beside them, without a bridge of their own."""

from __future__ import annotations

import json

from studiobridge.meeting.hearing import Hearing
from studiobridge.meeting.sets import MOST_SETS, Sets
from studiobridge.speech.message import Message

LOCKED = {"state": "dark", "lockouts": [{"target": "wall", "by": "rana", "why": "a bulb"}]}


def says(name: str, state: object) -> Message:
    return Message(f"studiobridge/{name}/state", json.dumps(state).encode(), retain=True)


def test_a_lockout_or_a_rolling_camera_of_any_set_forbids_it_until_it_is_over() -> None:
    sets = Sets()
    assert sets.hear(says("table", {"state": "ready", "lockouts": [], "rolling": []}))
    assert sets.why_not() == ""
    assert sets.not_dark() == ["table"]
    sets.hear(says("corner", LOCKED))
    assert "the set 'corner'" in sets.why_not()
    sets.hear(says("corner", {"state": "dark", "lockouts": [], "rolling": ["camera"]}))
    assert "a camera rolls on the set 'corner'" in sets.why_not()
    sets.hear(Message("studiobridge/corner/state", b""))
    assert sets.why_not() == ""


def test_other_topics_are_not_its_business_and_nonsense_takes_no_lockout_away() -> None:
    sets = Sets()
    assert not sets.hear(Message("studiobridge/corner/beat", b"{}"))
    assert not sets.hear(Message("shelf/plug/state", b"{}"))
    sets.hear(says("corner", LOCKED))
    for payload in (b"{", b"[]", b"null", b"\xff", b"[" * 100_000):
        sets.hear(Message("studiobridge/corner/state", payload))
        assert "lockout" in sets.why_not()


def test_a_lockout_among_more_sets_than_are_read_is_not_lost() -> None:
    sets = Sets()
    for n in range(MOST_SETS):
        sets.hear(says(f"set-{n}", {"state": "dark"}))
    assert sets.why_not() == ""
    sets.hear(says("corner", LOCKED))
    assert sets.why_not()


def test_a_set_that_shows_itself_as_a_homie_device_is_no_gear_to_be_met() -> None:
    hearing = Hearing()
    switch = {"datatype": "boolean", "settable": True}
    for device, node in (("corner", "studiobridge"), ("rim", "lamp")):
        nodes = {node: {"properties": {"switch": switch}}}
        document = json.dumps({"homie": "5.0", "version": 1, "nodes": nodes}).encode()
        hearing.heard(Message(f"homie/5/{device}/$description", document, retain=True), 0.0)
    assert [one.homie for one in hearing.acquaintances()] == ["rim/lamp"]
