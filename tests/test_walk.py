"""The walk in DEVELOPERS.md, from a level in the file to its topic and from a report to a drift."""

from __future__ import annotations

import re
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path
from types import FrameType

from studiobridge.bridge.core import Core
from studiobridge.bridge.outs import Out, Publish, Write
from studiobridge.control.effects import Memory, StepNote, Wake
from studiobridge.control.events import Request
from studiobridge.profile import read_profile
from studiobridge.profile.model import Point, SetProfile, Value
from studiobridge.speech import FarEnd
from studiobridge.speech.message import Message

TOP = Path(__file__).parent.parent
PACKAGE = TOP / "studiobridge"


def walks() -> list[list[tuple[str, str]]]:
    """The tables of the section: (file, function) in order."""
    text = (TOP / "DEVELOPERS.md").read_text(encoding="utf-8")
    section = text.split("### Follow a level down, and a report back")[1].split("###")[0]
    tables = section.split("| file | function | does |")[1:]
    return [re.findall(r"^\| `([\w/.]+)` \| `(\w+)` \|", table, re.M) for table in tables]


@contextmanager
def footsteps() -> Iterator[list[tuple[str, str]]]:
    """Every function of ours that is entered, in order."""
    taken: list[tuple[str, str]] = []
    ours = f"{PACKAGE}/"

    def step(frame: FrameType, event: str, _: object) -> None:
        if event == "call":
            name = frame.f_code.co_filename
            if name.startswith(ours):
                taken.append((name.removeprefix(ours), frame.f_code.co_name))

    sys.setprofile(step)
    try:
        yield taken
    finally:
        sys.setprofile(None)


def is_walked(walk: list[tuple[str, str]], taken: list[tuple[str, str]]) -> list[tuple[str, str]]:
    """What of the walk was not taken, in this order; [] when all was."""
    rest = list(walk)
    for place in taken:
        if rest and place == rest[0]:
            rest.pop(0)
    return rest


class Gear:
    """A set whose devices do as they are told at once, and a clock that moves when it must."""

    def __init__(self, profile: SetProfile) -> None:
        self.core = Core(profile, Memory(), "walk", lambda at: at)
        speaking = [n for n, d in profile.devices.items() if d.speaks and d.slots is None]
        self.ends = {name: FarEnd(profile, name) for name in speaking}
        self.now = 0.0
        self.wakes: dict[str, float] = {}
        self.told: list[Message] = []

    def do(self, part: Callable[..., list[Out]], *values: object) -> None:
        self.now += 0.01
        for out in part(*values, self.now):
            if isinstance(out, Wake):
                self.wakes.pop(out.name, None)
                if out.at is not None:
                    self.wakes[out.name] = out.at
            elif isinstance(out, Write) and out.back and isinstance(out.note, StepNote):
                self.do(self.core.noted, [out.note])
            elif isinstance(out, Publish):
                if out.token is not None:
                    self.do(self.core.left, out.token, True)
                    self.do(self.core.acknowledged, out.token)
                for name, end in self.ends.items():
                    told = end.told(out.message)
                    if told is not None and told.values:
                        self.told.append(out.message)
                        self.says(name, dict(told.values))
                        self.boots(name)

    def boots(self, plug: str) -> None:
        """What hangs on a plug speaks when the plug has come on."""
        for name, end in self.ends.items():
            if plug in end.device.feeds:
                first: dict[Point, Value] = {"online": True, "level": 0.0, "down": False}
                self.says(name, {p: v for p, v in first.items() if p in end.device.hears})

    def says(self, name: str, values: dict[Point, Value]) -> None:
        for message in self.ends[name].report(values, frozenset(values)):
            self.do(self.core.message, replace(message, retain=False))

    def wait(self, seconds: float) -> None:
        end = self.now + seconds
        while self.wakes and min(self.wakes.values()) <= end:
            name = min(self.wakes, key=lambda n: self.wakes[n])
            self.now = max(self.now, self.wakes.pop(name))
            self.do(self.core.due, name)
        self.now = end


def test_the_walk_is_as_it_is_written() -> None:
    down, back = walks()
    assert len({file for file, _ in down}) == len(down) == 9
    with footsteps() as taken:
        profile = read_profile(TOP / "config" / "two-person-table.yaml").profile
        gear = Gear(profile)
        gear.do(gear.core.link_up)
        gear.wait(10.0)
        gear.do(lambda at: gear.core.request(Request(at, "r1", "up")))
        gear.wait(60.0)
    assert gear.told
    assert is_walked(down, taken) == []

    light = next(n for n, device in profile.devices.items() if device.fixture and device.speaks)
    with footsteps() as taken:
        gear.wait(10.0)
        gear.says(light, {"level": 97.0})
        gear.wait(10.0)
    assert gear.core.drift()
    assert is_walked(back, taken) == []
