"""The first day, played: gear that nobody described, and the commands of the README in their order.

The profile here is the gear's own, and only the gear reads it: whoever meets it has a broker, a
button to press, and nothing else. Played on this machine by tests/cli/test_first_day.py, and on a
bare one by tests/bare-machine.
"""

from __future__ import annotations

import json
import re
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Protocol

import paho.mqtt.client as mqtt

from studiobridge.profile import read_profile_text
from studiobridge.rehearsal.live import LiveRoom

PLUG_AT, PANEL_AT = "shed/box-7", "shed/slab-2"
SECRET = f"""\
format: 1
set: nobody-knows
mains: {{voltage: 230 V, circuits: {{wall: {{breaker: 10 A, curve: B}}}}}}
dialects:
  box:
    switch:
      tell: {{topic: "{{at}}/do", json: {{relay: "{{value}}"}}, words: {{on: shut, off: open}}}}
      hear: {{topic: "{{at}}/says", field: relay, words: {{on: shut, off: open}}}}
    watts: {{hear: {{topic: "{{at}}/says", field: load.now}}}}
    online: {{hear: {{topic: "{{at}}/there", words: {{yes: here, no: lost}}}}}}
  slab:
    level:
      tell: {{topic: "{{at}}/do", json: {{dim: "{{value}}"}}, span: 0..255}}
      hear: {{topic: "{{at}}/is", field: dim, span: 0..255}}
    cct:
      tell: {{topic: "{{at}}/do", json: {{warm: "{{value}}"}}, unit: mired, span: 154..370}}
      hear: {{topic: "{{at}}/is", field: warm, unit: mired, span: 154..370}}
    online: {{hear: {{topic: "{{at}}/there", words: {{yes: here, no: lost}}}}}}
devices:
  box:  {{kind: plug, fed_by: wall, speaks: box, at: {PLUG_AT}, meters: yes}}
  slab: {{kind: light, fed_by: box, speaks: slab, at: {PANEL_AT}, draws: 60 W, inrush: 9 A, boots_in: 1 s, fade: 0.4 s}}
looks: {{day: {{slab: {{level: 50 %, cct: 4000 K}}}}}}
"""


class Talk(Protocol):
    """A command that talks: its lines as they come, and its exit code in the end."""

    def lines(self) -> Iterator[str]: ...

    def ended(self) -> int: ...


@dataclass(frozen=True, slots=True)
class Here:
    """Where the commands run: each a line for a shell, in a folder of its own."""

    run: Callable[[str], tuple[int, str]]
    talk: Callable[[str], Talk]
    put: Callable[[str, str], None]
    read: Callable[[str], str]

    def must(self, command: str) -> str:
        code, said = self.run(command)
        assert code == 0, f"{command} ended with {code}:\n{said[-4000:]}"
        return said


@contextmanager
def gear(
    host: str, port: int, admitted: Callable[[mqtt.Client, str], None] | None = None
) -> Iterator[LiveRoom]:
    """The gear, out of its box and plugged in."""
    profile = read_profile_text(SECRET, "secret").profile
    with LiveRoom(profile, host, port, admitted=admitted) as room:
        yield room


def readme() -> dict[str, str]:
    """The commands that the README tells for the first day, by what they do."""
    text = (Path(__file__).parent.parent / "README.md").read_text(encoding="utf-8")
    block = text.split("## The first day", 1)[1].split("\n\n")
    lines = next(part for part in block if part.startswith("    ")).splitlines()
    commands = [line.split("#")[0].strip() for line in lines]
    return {re.sub(r"^studiobridge ", "", c).split(" ")[0]: c for c in commands}


def truth(room: LiveRoom) -> tuple[bool, float, float]:
    """How the gear really is: is the plug on, the panel's level (%) and its white (K)."""
    box, slab = room.room.devices["box"], room.room.devices["slab"]
    values = slab.state()
    return bool(box.state().get("switch")), float(values["level"]), float(values["cct"])  # type: ignore[arg-type]


def meet(here: Here, room: LiveRoom, name: str, hands: dict[str, Callable[[], None]]) -> str:
    """One device met: whoever stands at it does what is said, when it is said."""
    here.put("answers", f"press:\nwhich: 1\nname: {name}\nask: y\ntell: [y, y]\neyes: y\n")
    talk = here.talk(f"{readme()['meet']} --answers answers")
    said = []
    for line in talk.lines():
        said.append(line)
        told = re.match(r"now (?:switch|turn) it (?:as |to |to its )?([A-Z]+)", line)
        if told is not None and told[1] in hands:
            time.sleep(0.4)
            hands[told[1]]()
    whole = "".join(said)
    assert talk.ended() == 0, whole
    return whole


def play(here: Here, room: LiveRoom, where: str, wait: Callable[[], object]) -> None:
    """From a box of gear to a lit set, and dark again.

    `where` the draft is then, and `wait` until a bridge runs it.
    """
    says = readme()
    assert [*says] == ["deploy/install", "listen", "meet", "draft", "try", "up"], says
    heard = here.must(f"{says['listen']} --for '3 s'")
    assert PLUG_AT in heard and PANEL_AT in heard, heard

    on, off = (lambda: room.press("box", True)), (lambda: room.press("box", False))
    said = meet(here, room, "desk-plug plug", {"OFF": off, "ON": on})
    assert "desk-plug" in here.read("met.yaml"), said
    time.sleep(2.5)  # the panel boots again with its plug
    said = meet(
        here,
        room,
        "key light",
        {
            "OFF": lambda: room.touch("slab", 0.0),
            "ON": lambda: room.touch("slab", 50.0),
            "DARK": lambda: room.touch("slab", 0.0),
            "FULL": lambda: room.touch("slab", 100.0),
            "WARMEST": lambda: room.touch("slab", None, 2703.0),
            "COLDEST": lambda: room.touch("slab", None, 6494.0),
        },
    )
    assert "key" in here.read("met.yaml"), said

    answers = {
        "voltage": "230 V",
        "frequency": "50 Hz",
        "circuits.wall.breaker": "10 A",
        "circuits.wall.curve": "B",
        "fed_by.key": "desk-plug",
    }
    here.put("corner-answers.yaml", "".join(f"{k}: {v}\n" for k, v in answers.items()))
    here.must(f"{says['draft']} --answers corner-answers.yaml --yes")
    said = here.must(f"studiobridge check {where}")
    assert "Nothing is wrong with it" in said, said

    wait()
    here.must("studiobridge try desk-plug on")
    time.sleep(1.5)
    said = here.must(says["try"])
    assert "40" in said, said
    assert abs(truth(room)[1] - 40.0) < 1.0, truth(room)

    here.must(says["up"])
    state = json.loads(here.must("studiobridge status --json"))
    assert state["state"] == "ready", state
    assert state["devices"]["key"]["confirmed"] is True, state["devices"]["key"]
    room.touch("slab", 80.0)
    end = time.monotonic() + 20.0
    while not (drift := json.loads(here.must("studiobridge drift --json"))):
        assert time.monotonic() < end, "a lamp was turned, and nobody says so"
    assert [d["device"] for d in drift] == ["key"], drift
    here.must("studiobridge look save bright")
    here.must("studiobridge down")
    assert not truth(room)[0]
