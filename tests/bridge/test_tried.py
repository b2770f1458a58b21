"""When nothing answers, it is said what was told on which topic, and on which nothing was heard."""

from __future__ import annotations

import json

from studiobridge.control.effects import RunNote, StepNote
from tests.bridge.alone import Alone

DESK = """\
format: 1
set: kiln-desk
mains: {circuits: {wall: {breaker: 10 A}}}
patience: {reply: 1 s, tries: 3, listen: 1 s}
dialects:
  relay:
    switch: {tell: {topic: "do/{at}/power", words: {on: "ON", off: "OFF"}}, hear: {topic: "say/{at}/power", words: {on: "ON", off: "OFF"}}}
  lamp:
    level:
      tell: {topic: "do/{at}", json: {dim: "{value}", over: "{fade}"}, span: 0..255, fade_unit: ms}
      hear: {topic: "say/{at}", field: now.dim, span: 0..255}
    ask: {topic: "do/{at}/report"}
devices:
  desk-plug: {kind: plug, fed_by: wall, speaks: relay, at: desk}
  key: {kind: light, fed_by: desk-plug, speaks: lamp, at: key}
looks: {work: {key: {level: 60 %}}}
"""


def failed(room: Alone) -> dict[str, str]:
    """Why each device failed, from the record."""
    return {n.device: n.text for n in room.notes if isinstance(n, StepNote) and n.phase == "failed"}


def test_a_plug_that_never_confirms_is_said_with_its_topics() -> None:
    room = Alone(DESK)
    room.ask(id="a", what="up")
    room.run(30.0)
    text = failed(room)["desk-plug"]
    told = [m for _, m in room.sent if m.topic == "do/desk/power"]
    assert len(told) == 3
    assert text == (
        "desk-plug did not confirm: told `do/desk/power` ON three times, heard nothing on"
        " `say/desk/power`; check its power (wall) and its network"
    )
    assert text in str(room.state()["why"])
    (ended,) = [n for n in room.notes if isinstance(n, RunNote) and n.phase == "stalled"]
    assert text in ended.text


def test_a_light_that_never_speaks_is_said_with_where_it_was_asked() -> None:
    room = Alone(DESK)
    room.ask(id="a", what="up")
    room.run(0.1)
    room.say("say/desk/power", "ON")
    room.run(60.0)
    assert failed(room)["key"].startswith(
        "key did not report: asked on `do/key/report`, heard no `now.dim` on `say/key`; check that"
        " desk-plug powers it"
    )


def test_a_light_that_cannot_be_asked_and_was_on_already_is_said_with_a_way_on() -> None:
    # its plug was on before: it has no reason to speak, and nothing asks it
    room = Alone(DESK.replace('    ask: {topic: "do/{at}/report"}\n', ""))
    room.ask(id="a", what="up")
    room.run(0.1)
    room.say("say/desk/power", "ON")
    room.run(60.0)
    assert "turn it once by hand" in failed(room)["key"]


def test_a_command_that_is_not_confirmed_is_said_as_it_was_sent() -> None:
    room = Alone(DESK)
    room.ask(id="a", what="up")
    room.run(0.1)
    room.say("say/desk/power", "ON")
    room.run(0.5)
    room.say("say/key", {"now": {"dim": 0}})
    room.run(60.0)
    sent = [m.payload.decode() for _, m in room.sent if m.topic == "do/key"]
    assert sent
    assert failed(room)["key"] == (
        f"key did not confirm: told `do/key` {sent[-1]} three times, heard no `now.dim` on"
        " `say/key`; check its power (desk-plug) and its network"
    )


def test_a_command_told_once_with_a_fade_is_said_with_it() -> None:
    room = Alone(DESK.replace("tries: 3", "tries: 1"))
    room.ask(id="a", what="up")
    room.run(0.1)
    room.say("say/desk/power", "ON")
    room.run(0.5)
    room.say("say/key", {"now": {"dim": 0}})
    room.run(60.0)
    (sent,) = [m.payload.decode() for _, m in room.sent if m.topic == "do/key"]
    assert json.loads(sent)["over"] == 1500
    assert f"told `do/key` {sent} once, heard" in failed(room)["key"]


def test_what_it_said_and_nobody_could_read_is_the_reason_given() -> None:
    room = Alone(DESK)
    room.ask(id="a", what="up")
    room.run(0.1)
    room.say("say/desk/power", b"on\x1b[31m")
    room.run(30.0)
    assert (
        "told `do/desk/power` ON three times, and what it says on `say/desk/power` cannot be read:"
        " switch is 'on\N{REPLACEMENT CHARACTER}[31m', neither 'ON' nor 'OFF'; check its dialect"
    ) in failed(room)["desk-plug"]


def test_what_was_unreadable_before_it_was_told_is_not_the_reason() -> None:
    room = Alone(DESK)
    room.say("say/desk/power", "?")
    room.run(1.0)
    room.ask(id="a", what="up")
    room.run(30.0)
    assert "heard nothing on `say/desk/power`" in failed(room)["desk-plug"]


def test_a_field_that_is_never_there_is_the_reason_given() -> None:
    room = Alone(DESK)
    room.ask(id="a", what="up")
    room.run(0.1)
    room.say("say/desk/power", "ON")
    for _ in range(5):
        room.run(0.2)
        room.say("say/key", {"now": {"Dim": 0}})
    room.run(60.0)
    assert "`say/key` speaks, but has no `now.dim`; it has `now.Dim`" in failed(room)["key"]


def test_a_described_device_is_told_on_its_own_topics() -> None:
    text = DESK.replace(
        "key: {kind: light, fed_by: desk-plug, speaks: lamp, at: key}",
        "key: {kind: light, fed_by: desk-plug, speaks: homie5, at: panel/lamp}",
    )
    room = Alone(text)
    room.ask(id="a", what="up")
    room.run(0.1)
    room.say("say/desk/power", "ON")
    room.run(30.0)
    assert "heard nothing on `homie/5/panel/$description`" in failed(room)["key"]
