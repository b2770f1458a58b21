"""What is asked for by hand after OFF and ON: not for ever, not for nothing, and Enter goes on."""

from __future__ import annotations

import pytest

from studiobridge.meeting.first_meeting import MOST_ANSWERS, Meeting
from studiobridge.meeting.outs import Ask, Out, Say
from studiobridge.speech.message import Message
from tests.meeting.gear import Gear, World

BOX = """\
dialects:
  box:
    switch:
      tell: {topic: "{at}/do", json: {relay: "{value}"}, words: {on: shut, off: open}}
      hear: {topic: "{at}/says", field: relay, words: {on: shut, off: open}}
    watts: {hear: {topic: "{at}/says", field: load.now}}
devices:
  box: {kind: plug, fed_by: wall, speaks: box, at: shed/box-7, meters: yes}
"""
SILENT = """\
dialects:
  quiet: {switch: {tell: {topic: "{at}/do"}, hear: {topic: "{at}/is"}}}
devices:
  clock: {kind: plug, fed_by: wall, speaks: quiet, at: attic/clock}
"""


def box() -> Gear:
    return Gear("box", BOX, {"switch": True, "watts": 30.0})


def asked(world: World) -> list[str]:
    """What was to be done by hand, in its order, by the word in capitals."""
    said = [line.split(maxsplit=1)[1] for line in world.trace if " now " in line]
    return [next(w for w in line.split() if w.isupper() and len(w) > 1) for line in said]


class Enters(World):
    """Somebody who presses Enter when it is done, or cannot be."""

    def _out(self, outs: list[Out]) -> None:
        super()._out(outs)
        if any(isinstance(out, Say) and out.text.startswith("now ") for out in outs):
            self.after(1.0, lambda: self._out(self.talk.done_by_hand(self.now)))


def test_a_plug_is_not_asked_for_its_white_once_nothing_turned_it() -> None:
    plug = box()
    world = World([plug], plug, Meeting())
    world.run()
    assert asked(world) == ["OFF", "ON", "DARK", "FULL"]


def test_what_speaks_by_the_clock_is_not_taken_for_a_hand_for_ever() -> None:
    plug, clock = box(), Gear("clock", SILENT, mute=True)

    def beat(now: float) -> Message:
        # every 10 s, which is just into the wait for FULL, and never into the one for DARK
        clock.every = 9.3 if now < 18.0 else 10.0
        return Message("attic/clock/strength", f"-{60 + now % 7:.0f}".encode())

    clock.noise = beat
    world = World([plug, clock], plug, Meeting())
    who = world.run()
    assert asked(world) == ["OFF", "ON", "DARK", "FULL"]
    assert who is not None and who.missing == ()


def test_enter_goes_on_and_costs_no_answer() -> None:
    plug, other = box(), box()
    waits, enters = World([plug], plug, Meeting()), Enters([other], other, Meeting())
    waits.run()
    who = enters.run()
    assert waits.now - enters.now > 10.0
    assert waits.talk.answers == enters.talk.answers <= MOST_ANSWERS
    assert who is not None and who.missing == ()


@pytest.mark.parametrize("slip", ["Lamp!", "key/2 light"])
def test_a_slip_in_the_name_is_asked_again_and_not_the_end(slip: str) -> None:
    plug = box()
    world = World([plug], plug, Meeting())
    slips = [slip]

    def says(ask: Ask) -> str:
        return slips.pop() if ask.key == "name" and slips else world.person(ask)

    world.says = says
    who = world.run()
    assert any("is not a name" in line for line in world.trace)
    assert who is not None and who.name == "box" and who.missing == ()


def test_who_never_says_a_name_comes_to_an_end() -> None:
    plug = box()
    world = World([plug], plug, Meeting())
    world.says = lambda ask: "???" if ask.key == "name" else world.person(ask)
    world.run()
    assert [ask.key for ask in world.questions].count("name") == 4
    assert world.sent == []


def test_the_one_that_answered_clearest_may_be_another_one() -> None:
    plug = box()
    other = Gear("clock", SILENT, {"switch": True})
    world = World([plug, other], plug, Meeting())
    said: list[str] = []

    def says(ask: Ask) -> str:
        said.append(ask.key)
        if ask.key == "name" and said.count("name") == 1:
            return "n"
        return (
            "1" if ask.key == "which" else "n" if ask.key in ("tell", "ask") else world.person(ask)
        )

    world.says = says
    world.run()
    assert said[:4] == ["press", "name", "which", "name"]
    (which,) = [ask for ask in world.questions if ask.key == "which"]
    assert "attic/clock" in which.text and "shed/box-7" not in which.text
    assert world.sent == []
