"""What the core wants done, event by event: no broker, no disk, no clock."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import pytest

from studiobridge.bridge.core import Core
from studiobridge.bridge.outs import Out, Publish, Write
from studiobridge.bridge.topics import answer_topic, ask_topic, cut_topic
from studiobridge.control.effects import Memory, Note, RequestNote, StepNote
from studiobridge.control.events import Request
from studiobridge.profile import read_profile
from studiobridge.profile.said import Answer
from studiobridge.speech import FarEnd
from studiobridge.speech.message import Message

CORNER = read_profile(Path(__file__).parents[2] / "config" / "wheel-corner.yaml").profile
ANSWERS = answer_topic(CORNER.name)


def listening() -> Core:
    """A set that is dark: every plug has said that it is off."""
    core = Core(CORNER, Memory(), "test", lambda at: at)
    core.link_up(0.0)
    for name, device in CORNER.devices.items():
        if device.kind == "plug" and device.speaks is not None:
            for message in FarEnd(CORNER, name).report({"switch": False}, frozenset({"switch"})):
                core.message(replace(message, retain=False), 0.5)
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


def waited_for(outs: list[Out]) -> list[Note]:
    return [
        out.note
        for out in outs
        if isinstance(out, Write) and out.back and not isinstance(out.note, StepNote)
    ]


def test_a_lockout_is_answered_when_it_is_on_disk_and_others_do_not_wait_for_it() -> None:
    core = listening()
    first = asked(core, 10.0, id="a", what="lockout", targets=["key"], by="Ana", why="cable")
    second = asked(core, 10.1, id="b", what="lockout", targets=["fill"], by="Ana", why="stand")
    assert answers(first) == answers(second) == []
    assert [a["id"] for a in answers(asked(core, 10.2, id="p", what="ping"))] == ["p"]
    done = answers(core.noted(waited_for(first), 10.3))
    assert [(a["id"], a["code"]) for a in done] == [("a", 0)]
    done += answers(core.noted(waited_for(second), 10.4))
    assert [(a["id"], a["code"]) for a in done] == [("a", 0), ("b", 0)]
    assert "knows nothing of this" not in str(done)


def test_a_lockout_the_disk_did_not_take_says_so() -> None:
    core = listening()
    outs = asked(core, 10.0, id="a", what="lockout", targets=["key"], by="Ana", why="cable")
    assert answers(core.record_fault("the record cannot be written: full", 10.5)) == []
    (answer,) = answers(core.noted(waited_for(outs), 11.0, on_disk=False))
    assert answer["code"] == 0
    assert "CAREFUL: the record cannot be written: full" in str(answer["text"])


@pytest.mark.parametrize("what", ["lockout", "release", "rolling_on"])
def test_what_is_to_outlast_the_bridge_is_no_plain_yes_before_it_is_on_disk(what: str) -> None:
    """A record that is busy shows no fault, and has taken nothing all the same."""
    core = listening()
    if what == "release":
        outs = asked(core, 9.0, id="l", what="lockout", targets=["key"], by="Ana", why="cable")
        core.noted(waited_for(outs), 9.1)
    target = ["camera"] if what == "rolling_on" else ["key"]
    outs = asked(core, 10.0, id="a", what=what, targets=target, by="Ana", why="cable")
    notes = waited_for(outs)
    assert notes
    assert answers(outs) == []
    (answer,) = answers(core.noted(notes, 11.0, on_disk=False))
    assert "CAREFUL: the record has not taken it" in str(answer["text"])
    # the same again: what was not on disk is not by being asked twice
    more = {"targets": target, "by": "Ana", "why": "cable"}
    again = asked(core, 12.0, id="b", what=what, **more)
    (answer,) = answers([*again, *core.noted(waited_for(again), 12.5, on_disk=False)])
    assert "has not taken it" in str(answer["text"])
    # it arrived after all, late
    core.noted([*notes, *waited_for(again)], 13.0)
    third = asked(core, 14.0, id="c", what=what, **more)
    (answer,) = answers([*third, *core.noted(waited_for(third), 14.1)])
    assert "has not taken it" not in str(answer["text"])


def test_the_code_of_an_answer_is_in_the_record_and_given_again_after_a_restart() -> None:
    core = listening()
    outs = asked(core, 10.0, id="a", what="up", look="none such\x1b[31m")
    (answer,) = answers(outs)
    (note,) = [o.note for o in outs if isinstance(o, Write) and isinstance(o.note, RequestNote)]
    assert (answer["code"], note.code, note.phase) == (2, 2, "refused")
    assert note.look == "none such�[31m"
    answered = Memory(answered=(("a", note.code, note.text),))
    started = Core(CORNER, answered, "test", lambda at: at)
    started.link_up(0.0)
    (again,) = answers(asked(started, 1.0, id="a", what="up", look="none such"))
    assert (again["code"], again["text"]) == (2, answer["text"])


def test_an_id_is_known_after_a_thousand_others() -> None:
    core = listening()
    asked(core, 10.0, id="first", what="up", look="none such")
    for i in range(1000):
        asked(core, 11.0, id=f"r{i}", what="release", targets=["key"])
    outs = asked(core, 12.0, id="first", what="up", look="none such")
    assert [a["code"] for a in answers(outs)] == [2]
    assert not [o for o in outs if isinstance(o, Write)]


def test_nothing_is_switched_on_before_it_is_known_what_is_locked_out() -> None:
    core = listening()
    core.without_memory("the record is away")
    for i, what in enumerate(("up", "toggle", "restore")):
        outs = asked(core, 10.0 + i, id=what, what=what)
        (answer,) = answers(outs)
        assert answer["code"] == 1
        assert "what is locked out is not known" in str(answer["text"])
        assert not [o for o in outs if isinstance(o, Publish) and o.message.topic[:6] != "studio"]
        (note,) = [o.note for o in outs if isinstance(o, Write)]
        assert (note.phase, note.code) == ("refused", 1)  # type: ignore[union-attr]
    call = core.request(Request(20.0, "call-1", "up", source="call time", look="lesson"))
    assert core.controller.run is None
    assert [o.code for o in call if isinstance(o, Answer)] == [1]
    (switch,) = CORNER.switches
    (word,) = [w for w, what in switch.asks.items() if what in ("up", "toggle")]
    pressed = core.message(Message(switch.topic, json.dumps({"press": word}).encode()), 21.0)
    assert core.controller.run is None
    assert [o.note.phase for o in pressed if isinstance(o, Write)] == ["refused"]  # type: ignore[union-attr]
    # what takes away, or keeps off, is done; and who has looked may force it
    down = answers(asked(core, 30.0, id="d", what="down"))
    assert "not known" not in str(down)
    outs = asked(core, 31.0, id="l", what="lockout", targets=["key"], by="Ana", why="cable")
    assert waited_for(outs)
    asked(core, 90.0, id="f", what="up", force=True)
    assert core.controller.run is not None


def test_lost_notes_are_shown() -> None:
    core = listening()
    core.record_fault(None, 10.0, lost=37)
    assert core.status()["record_lost"] == 37


def test_a_cut_has_a_lane_of_its_own_and_asks_are_limited() -> None:
    core = listening()
    flood = [asked(core, 10.0 + n / 4400, id=f"f{n}", what="ping") for n in range(4400)]
    taken = sum(bool(answers(outs)) for outs in flood)
    assert 80 <= taken <= 121
    assert core.channel.dropped == 4400 - taken
    body = json.dumps({"id": "c", "what": "cut"}).encode()
    said = answers(core.message(Message(cut_topic(CORNER.name), body), 11.0))
    assert [answer["id"] for answer in said] == ["c"]
    assert [a["id"] for a in answers(asked(core, 11.0, id="d", what="cut"))] == ["d"]
    # nothing else comes through there
    up = json.dumps({"id": "u", "what": "up"}).encode()
    core.message(Message(cut_topic(CORNER.name), up), 11.1)
    assert core.controller.run is None


TABLE = read_profile(Path(__file__).parents[2] / "config" / "two-person-table.yaml").profile


def test_a_pedal_says_of_its_camera_and_no_other_that_it_rolls_and_that_it_has_stopped() -> None:
    core = Core(TABLE, Memory(), "test", lambda at: at)
    core.link_up(0.0)
    core.due("listen", TABLE.patience.listen + 1.0)
    rolling = []
    for at in (10.0, 10.3, 20.0):  # the second is a bounce
        core.message(Message("table/pedal", b"tap"), at)
        rolling.append([n for n in TABLE.devices if core.controller.beliefs.of[n].rolls])
    assert rolling == [["camera"], ["camera"], []]
    core.message(Message("table/pedal", b"tap", retain=True), 30.0)
    assert not core.controller.beliefs.of["camera"].rolls, "a kept message asks for nothing"
