"""The walk in DEVELOPERS.md, from a level in the file to its topic and back: is it still so?

Its tables are read, a set is brought up through the real core with simulated gear, and every call
of a function of the house is written down. What the tables name must have been called in their
order. The daemon and the link need a broker: of those only the names are looked up.
"""

from __future__ import annotations

import heapq
import re
import sys
from dataclasses import replace
from pathlib import Path
from types import FrameType

import pytest

from studiobridge.bridge.core import Core, Out, Publish, Write
from studiobridge.control.effects import Memory, Wake
from studiobridge.profile import read_profile
from studiobridge.rehearsal import Room
from studiobridge.wire.message import Message
from tests.bridge.test_core import asked

TOP = Path(__file__).parent.parent
PACKAGE = TOP / "studiobridge"
CORNER = TOP / "config" / "wheel-corner.yaml"
MOST_FILES = 9
NEEDS_A_BROKER = ("bridge/daemon.py", "bridge/link.py")

Call = tuple[str, str]


def tables() -> dict[str, list[Call]]:
    """The functions of the walk down and of the way back, each with its file, in order."""
    text = (TOP / "DEVELOPERS.md").read_text(encoding="utf-8")
    section = text.partition("### Follow a level down")[2].partition("\n###")[0]
    down, back = section.split("\nBack:")
    return {"down": list(map_rows(down)), "back": list(map_rows(back))}


def map_rows(text: str) -> list[Call]:
    rows = re.findall(r"^\| `([\w/]+\.py)` \| ([^|]+) \|", text, re.M)
    return [(file, name) for file, names in rows for name in re.findall(r"`([\w.]+)`", names)]


def defined_in(file: str) -> set[str]:
    code = compile((PACKAGE / file).read_text(encoding="utf-8"), file, "exec")
    found, todo = set(), [code]
    while todo:
        inner = [c for c in todo.pop().co_consts if hasattr(c, "co_qualname")]
        found.update(c.co_qualname for c in inner)
        todo += inner
    return found


class Evening:
    """The corner brought up, in a time that moves only when told."""

    def __init__(self) -> None:
        profile = read_profile(CORNER).profile
        self.room = Room(profile, 1)
        self.core = Core(profile, Memory(), "walk", lambda at: at)
        self.now = 0.0
        self.wakes: list[tuple[float, str]] = []
        self.carry(self.core.link_up(0.0))
        self.hear(self.room.begin(0.0))

    def hear(self, happened: list[tuple[str, object]]) -> None:
        for _, what in happened:
            if isinstance(what, Message):
                self.carry(self.core.message(replace(what, retain=False), self.now))

    def carry(self, outs: list[Out]) -> None:
        notes = [out.note for out in outs if isinstance(out, Write) and out.back]
        for out in outs:
            if isinstance(out, Wake) and out.at is not None:
                heapq.heappush(self.wakes, (out.at, out.name))
            elif isinstance(out, Publish) and not out.message.retain:
                if out.token is not None:
                    self.carry(self.core.left(out.token, True, self.now))
                    self.carry(self.core.acknowledged(out.token, self.now))
                for name in self.room.devices:
                    self.hear(self.room.handle(name, out.message, self.now))
        if notes:
            self.carry(self.core.noted(notes, self.now))

    def until(self, end: float, states: tuple[str, ...] = ()) -> None:
        while self.now < end and self.core.controller.state not in states:
            soonest = [w for w in (self.room.next_wake(), *(at for at, _ in self.wakes[:1])) if w]
            self.now = max(self.now, min([*soonest, end]))
            self.hear(self.room.tick(self.now))
            while self.wakes and self.wakes[0][0] <= self.now:
                self.carry(self.core.due(heapq.heappop(self.wakes)[1], self.now))


@pytest.fixture(scope="module")
def called() -> list[Call]:
    """Every function of the house that was called, in order, while the key came up and drifted."""
    calls: list[Call] = []

    def watch(frame: FrameType, event: str, arg: object) -> None:
        if event == "call" and frame.f_code.co_filename.startswith(str(PACKAGE)):
            file = frame.f_code.co_filename[len(str(PACKAGE)) + 1 :]
            calls.append((file, frame.f_code.co_qualname))

    sys.setprofile(watch)
    try:
        evening = Evening()
        evening.until(20.0, ("dark",))
        evening.carry(asked(evening.core, evening.now, id="u", what="up"))
        evening.until(evening.now + 120.0, ("ready",))
        state = evening.core.controller.state
        evening.hear(evening.room.touch("key", evening.now, level=20.0))
        evening.until(evening.now + 30.0, ("adrift",))
    finally:
        sys.setprofile(None)
    assert (state, evening.core.controller.state) == ("ready", "adrift")
    return calls


@pytest.mark.parametrize("way", ["down", "back"])
def test_a_stranger_opens_few_files_each_once_and_finds_what_is_named(way: str) -> None:
    walk = tables()[way]
    files = [file for i, (file, _) in enumerate(walk) if i == 0 or walk[i - 1][0] != file]
    assert 5 <= len(files) <= MOST_FILES
    assert len(files) == len(set(files))
    assert [(file, name) for file, name in walk if name not in defined_in(file)] == []


@pytest.mark.parametrize("way", ["down", "back"])
def test_what_the_walk_names_is_called_in_its_order(way: str, called: list[Call]) -> None:
    rest = iter(called)
    walk = [step for step in tables()[way] if step[0] not in NEEDS_A_BROKER]
    assert next((step for step in walk if step not in rest), None) is None
