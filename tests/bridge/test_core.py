"""What the core wants done, event by event: no broker, no disk, no clock."""

from __future__ import annotations

import json
from pathlib import Path

from studiobridge.bridge.core import Core, Out, Publish, Write
from studiobridge.bridge.topics import answer_topic, ask_topic, cut_topic
from studiobridge.control.effects import LockoutNote, Memory
from studiobridge.profile import read_profile
from studiobridge.wire.message import Message

CORNER = read_profile(Path(__file__).parents[2] / "config" / "wheel-corner.yaml").profile
ANSWERS = answer_topic(CORNER.name)


def listening() -> Core:
    core = Core(CORNER, Memory(), "test", lambda at: at)
    core.link_up(0.0)
    core.due("listen", CORNER.patience.listen + 1.0)
    return core


def asked(core: Core, at: float, **body: object) -> list[Out]:
    return core.message(Message(ask_topic(CORNER.name), json.dumps(body).encode()), at)


def answers(outs: list[Out]) -> list[dict[str, object]]:
    return [
        json.loads(out.message.payload)
        for out in outs
        if isinstance(out, Publish) and out.message.topic.startswith(ANSWERS)
    ]


def waited_for(outs: list[Out]) -> list[LockoutNote]:
    return [
        out.note
        for out in outs
        if isinstance(out, Write) and out.back and isinstance(out.note, LockoutNote)
    ]


def test_a_lockout_is_answered_when_it_is_on_disk_and_others_do_not_wait_for_it() -> None:
    core = listening()
    first = asked(core, 10.0, id="a", what="lockout", targets=["key"], by="Ana", why="cable")
    second = asked(core, 10.1, id="b", what="lockout", targets=["fill"], by="Ana", why="stand")
    assert answers(first) == answers(second) == []
    assert [a["id"] for a in answers(asked(core, 10.2, id="p", what="ping"))] == ["p"]
    assert answers(core.noted(waited_for(first), 10.3)) == []
    done = answers(core.noted(waited_for(second), 10.4))
    assert [(a["id"], a["code"]) for a in done] == [("a", 0), ("b", 0)]
    assert "CAREFUL" not in str(done)


def test_a_lockout_the_disk_did_not_take_says_so() -> None:
    core = listening()
    outs = asked(core, 10.0, id="a", what="lockout", targets=["key"], by="Ana", why="cable")
    assert answers(core.record_fault("the record cannot be written: full", 10.5)) == []
    (answer,) = answers(core.noted(waited_for(outs), 11.0))
    assert answer["code"] == 0
    assert "CAREFUL: the record cannot be written: full" in str(answer["text"])


def test_a_cut_has_a_lane_of_its_own_and_asks_are_limited() -> None:
    core = listening()
    flood = [asked(core, 10.0 + n / 4400, id=f"f{n}", what="ping") for n in range(4400)]
    taken = sum(bool(answers(outs)) for outs in flood)
    assert 80 <= taken <= 121
    assert core.dropped == 4400 - taken
    body = json.dumps({"id": "c", "what": "cut"}).encode()
    said = answers(core.message(Message(cut_topic(CORNER.name), body), 11.0))
    assert [answer["id"] for answer in said] == ["c"]
    assert [a["id"] for a in answers(asked(core, 11.0, id="d", what="cut"))] == ["d"]
    # nothing else comes through there
    up = json.dumps({"id": "u", "what": "up"}).encode()
    core.message(Message(cut_topic(CORNER.name), up), 11.1)
    assert core.controller.run is None
