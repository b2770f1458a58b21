"""The answer to a try shows what was sent and heard on which topic, and what that was taken for."""

from __future__ import annotations

import json
from typing import Any

from studiobridge.bridge.topics import answer_topic
from studiobridge.control.effects import RequestNote, RunNote, StepNote
from tests.bridge.alone import Alone
from tests.bridge.test_tried import DESK


def dark() -> Alone:
    room = Alone(DESK)
    room.say("say/desk/power", "OFF")
    return room


def on() -> Alone:
    room = dark()
    answered(room, "desk-plug", "on", after=[("say/desk/power", "ON")])
    room.run(1.0)
    return room


def answered(
    room: Alone, device: str, value: str | None = None, after: Any = (), wait: float = 10.0
) -> dict[str, Any]:
    room.sent.clear()
    room.ask(id=f"t{room.now:.0f}", what="try", targets=[device], value=value)
    room.run(0.1)
    for topic, payload in after:
        room.say(topic, payload)
    room.run(wait)
    answers = [a for _, a in room.on(answer_topic(room.profile.name)) if a["final"]]
    assert len(answers) == 1
    return answers[0]


def test_what_was_sent_and_heard_and_what_that_means() -> None:
    answer = answered(dark(), "desk-plug", "on", after=[("say/desk/power", "ON")])
    assert answer["code"] == 0
    (sent,) = answer["detail"]["sent"]
    assert (sent["topic"], sent["payload"], sent["qos"]) == ("do/desk/power", "ON", 0)
    assert sent["expiry_s"] == 1.0
    assert sent["values"] == {"switch": True}
    (heard,) = answer["detail"]["heard"]
    assert heard["topic"] == "say/desk/power"
    assert (heard["payload"], heard["kept"], heard["understood"]) == ("ON", False, {"switch": True})


def test_it_is_in_the_record_before_and_after() -> None:
    room = dark()
    answered(room, "desk-plug", "on", after=[("say/desk/power", "ON")])
    phases = [n.phase for n in room.notes if isinstance(n, StepNote)]
    assert phases == ["intended", "sent", "confirmed"]
    runs = [(n.what, n.phase, n.text) for n in room.notes if isinstance(n, RunNote)]
    assert runs[0] == ("try", "begun", "desk-plug on")
    assert [n.phase for n in room.notes if isinstance(n, RequestNote)] == ["taken", "done"]


def test_why_not_names_the_topics_and_what_cannot_be_read() -> None:
    mute = answered(on(), "key", "40 %", wait=60.0)
    assert mute["code"] == 1
    assert "told `do/key`" in mute["text"]
    assert "heard no `now.dim` on `say/key`" in mute["text"]
    garbled = answered(on(), "key", "40 %", after=[("say/key", b"{")], wait=60.0)
    (heard,) = garbled["detail"]["heard"]
    assert heard["understood"] == {}
    assert heard["why"]
    spelt = answered(on(), "key", "40 %", after=[("say/key", {"now": {"Dim": 9}})] * 3, wait=60.0)
    assert "`now.Dim`" in json.dumps(spelt["detail"]["lacks"])
    assert "check its dialect" in spelt["text"]


def test_kept_words_alone_confirm_nothing_and_are_called_kept() -> None:
    room = on()
    room.sent.clear()
    room.ask(id="k", what="try", targets=["key"])
    room.say("say/key", {"now": {"dim": 102}}, retain=True)
    room.run(60.0)
    (answer,) = [a for _, a in room.on(answer_topic(room.profile.name)) if a["final"]]
    assert answer["code"] == 1
    detail: Any = answer["detail"]
    assert [h["kept"] for h in detail["heard"]] == [True]


def test_a_flood_of_words_is_counted_and_not_repeated() -> None:
    answer = answered(on(), "key", "40 %", after=[("say/key", {"now": {"dim": 1}})] * 500)
    assert len(answer["detail"]["heard"]) == 20
    assert answer["detail"]["more"] >= 480
    assert len(json.dumps(answer)) < 16_000


def test_what_is_no_value_is_bad_input_and_nothing_is_told() -> None:
    for value in ("40", "sideways", "NaN %", "1e999 %", "-3 %", "101 %", "{x: 9, y: 9}", "#12"):
        room = on()
        answer = answered(room, "key", value)
        assert answer["code"] == 2, value
        assert "do/key" not in {m.topic for _, m in room.sent}
