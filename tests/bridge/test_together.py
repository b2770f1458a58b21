"""Gear that takes level, white and switch only all at once: it is never told half a message."""

from __future__ import annotations

import json

import pytest

from studiobridge.control.effects import Memory
from studiobridge.profile import read_profile_text
from studiobridge.profile.model import SetProfile
from studiobridge.speech.message import Message
from tests.simulate.virtual import Stage

FILE = """\
format: 1
set: kiln-shelf
mains: {voltage: 230 V, circuits: {wall: {breaker: 10 A}}}
dialects:
  relay:
    switch: {tell: {topic: "{at}/in", words: {on: "1", off: "0"}}, hear: {topic: "{at}/out", words: {on: "1", off: "0"}}}
    ask: {topic: "{at}/ask"}
  pair:
    level: {tell: {topic: "{at}/do", payload: "{level},{cct}"}, hear: {topic: "{at}/is", pattern: "{level},{cct}"}}
    cct: {tell: {topic: "{at}/do", payload: "{level},{cct}"}, hear: {topic: "{at}/is", pattern: "{level},{cct}"}}
    ask: {topic: "{at}/ask"}
  whole:
    switch: {tell: {topic: "{at}/do", json: {lit: "{value}"}}, hear: {topic: "{at}/is", field: lit}}
    level: {tell: {topic: "{at}/do", json: {dim: "{value}"}, span: 0..255}, hear: {topic: "{at}/is", field: dim, span: 0..255}}
    cct: {tell: {topic: "{at}/do", json: {warm: "{value}"}}, hear: {topic: "{at}/is", field: warm}}
    together: yes
    ask: {topic: "{at}/ask"}
devices:
  lamp-plug: {kind: plug, fed_by: wall, speaks: relay, at: p}
  key: {kind: light, fed_by: lamp-plug, speaks: SPEAKS, at: k, fade: 1 s, boots_in: 1 s}
looks:
  day: {key: {level: 60 %, cct: 4300 K}}
  dusk: {key: {level: 20 %}}
"""


def a_set(speaks: str) -> SetProfile:
    return read_profile_text(FILE.replace("SPEAKS", speaks)).profile


def body(message: Message) -> dict[str, object]:
    if b"{" in message.payload:
        return dict(json.loads(message.payload))
    level, cct = message.payload.decode().split(",")
    return {"level": float(level), "cct": float(cct)}


@pytest.mark.parametrize("speaks", ["pair", "whole"])
def test_up_through_the_fade_and_down_again(speaks: str) -> None:
    stage = Stage(a_set(speaks))
    stage.start()
    stage.ask("up", look="day")
    stage.run(30.0)
    assert stage.core.state()["state"] == "ready"
    lamp = stage.room.devices["key"]
    assert (round(lamp.level), round(lamp.cct)) == (60, 4300)
    stage.ask("up", look="dusk")  # a look that says nothing of its white
    stage.run(30.0)
    assert stage.core.state()["state"] == "ready"
    assert (round(lamp.level), round(lamp.cct)) == (20, 4300)
    stage.ask("down")
    stage.run(30.0)
    assert stage.core.state()["state"] == "dark"
    told = [body(m) for m in stage.told if m.topic == "k/do"]
    assert len(told) >= 8  # it was faded up in steps
    points = {"pair": {"level", "cct"}, "whole": {"lit", "dim", "warm"}}[speaks]
    assert all(set(said) == points for said in told), told
    assert told[-1].get("level") == 0.0 or told[-1].get("lit") is False
    assert not lamp.lit


@pytest.mark.parametrize(
    ("speaks", "half", "whole"),
    [
        ("pair", b"20,", b"20,3000"),
        ("whole", b'{"dim": 51, "lit": true}', b'{"dim": 51, "lit": true, "warm": 3000}'),
    ],
)
def test_the_simulated_light_does_nothing_on_half_a_message(
    speaks: str, half: bytes, whole: bytes
) -> None:
    stage = Stage(a_set(speaks))
    stage.start()
    stage.ask("up", look="day")
    stage.run(30.0)
    lamp = stage.room.devices["key"]
    for payload, level, cct in ((half, 60, 4300), (whole, 20, 3000)):
        stage.room.handle("key", Message("k/do", payload), stage.now)
        stage.run(5.0)
        assert (round(lamp.level), round(lamp.cct)) == (level, cct)


@pytest.mark.parametrize("speaks", ["pair", "whole"])
def test_a_white_turned_by_hand_is_not_turned_back_by_a_fade(speaks: str) -> None:
    stage = Stage(a_set(speaks))
    stage.start()
    stage.ask("up", look="day")
    stage.run(30.0)
    stage.room.touch("key", stage.now, cct=3000.0)
    stage.run(10.0)
    stage.ask("up", look="dusk")
    stage.run(10.0)
    assert round(stage.room.devices["key"].cct) == 3000


@pytest.mark.parametrize("speaks", ["pair", "whole"])
def test_after_a_restart_of_the_bridge_it_goes_out_on_the_way_down(speaks: str) -> None:
    stage = Stage(a_set(speaks))
    stage.start()
    stage.ask("up", look="day")
    stage.run(30.0)
    stage.restart(Memory(state="ready", look="day", session=1))
    stage.told.clear()
    stage.ask("down")
    stage.run(30.0)
    assert stage.core.state()["state"] == "dark"
    told = [body(m) for m in stage.told if m.topic == "k/do"]
    assert told
    whites = [round(float(said.get("cct", said.get("warm")))) for said in told]  # type: ignore[arg-type]
    assert set(whites) == {4300}
