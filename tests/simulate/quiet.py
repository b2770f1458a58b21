"""Evenings with gear that is told quiet, and law 16 where the contacts truly are.

A fridge and a heating on plugs of their own, on a circuit that they share with the set or not; told
quiet by people and by a camera that rolls, in the middle of everything that an evening has: killed
bridges, lost links, clocks that are set, lockouts, hands, deaf plugs, a full disk, a cut.
"""

from __future__ import annotations

import json
import random
from dataclasses import dataclass, replace

from studiobridge.bridge.outs import Out, Publish
from studiobridge.bridge.topics import says_topic
from studiobridge.control.effects import QuietNote
from studiobridge.profile.model import Device, Point, SetProfile, ToldQuiet, Value
from studiobridge.rehearsal import Trouble
from studiobridge.speech.message import Message
from tests.simulate.evening import NETWORK, Evening, Outcome
from tests.simulate.sets import made_up

# Beyond its time it may still take: to listen (3 s), to be told again (within 120 s) and answer; to
# wait for others' turns on its circuit, or for a run that is just being told.
SLACK = 210.0
ACTS = (
    *("on", "on", "on", "off", "roll", "roll", "stop", "crash", "crash", "clock"),
    *("link", "lockout", "release", "hand", "deaf", "disk", "cut", "down", "broker"),
)


def with_quiet(profile: SetProfile, dice: random.Random) -> SetProfile:
    """The same set with gear beside it that is told quiet."""
    devices = dict(profile.devices)
    for name, when in (("fridge", "asked"), ("heating", "rolling")):
        circuit = dice.choice(list(profile.circuits))
        told = ToldQuiet(when, dice.choice([60.0, 300.0, 1200.0]), dice.choice([0.0, 30.0, 180.0]))
        devices[name] = Device(
            name,
            "plug",
            fed_by=circuit,
            circuit=circuit,
            speaks="relay",
            at=f"gear/{name}",
            tells=frozenset({"switch"}),
            hears=frozenset({"switch", "watts", "online"}),
            can_ask=True,
            draws=dice.choice([0.0, 60.0]),
            inrush=dice.choice([0.0, 2.0]),
            essential=False,
            stays_on=True,
            quiet=told,
        )
    return replace(profile, devices=devices)


@dataclass(slots=True)
class Owed:
    """What the bridge took off and has to bring back: since when, and what was in the way since."""

    since: float
    hindered: float = 0.0


class QuietEvening(Evening):
    """An evening that looks at the contacts of gear told quiet."""

    def __init__(
        self,
        profile: SetProfile,
        seed: int,
        trouble: Trouble,
        calm: bool = False,
        trace: bool = False,
        seldom: bool = True,
    ) -> None:
        super().__init__(profile, seed, trouble, calm, trace, seldom)
        self.owed: dict[str, Owed] = {}
        self.off_since: dict[str, float] = {}
        self.said: list[dict[str, object]] = []
        self.alive = False
        self.looked = 0.0

    def closed(self, plug: str) -> bool:
        return self.room.devices[plug].contact

    # ---- what is watched -----------------------------------------------------------------

    def start_bridge(self) -> None:
        self.alive = True
        super().start_bridge()

    def kill_bridge(self) -> None:
        self.alive = False
        super().kill_bridge()

    def outs(self, outs: list[Out]) -> None:
        for out in outs:
            if isinstance(out, Publish) and out.message.topic == says_topic(self.profile.name):
                if self.linked:
                    self.said.append(json.loads(out.message.payload))
                if out.message.retain:
                    self.laws.breaches.append(f"says at {self.now:.2f} s: retained")
        super().outs(outs)

    def _told(self, message: Message) -> None:
        before = {plug: self.laws.seen[plug].told_at.get("switch") for plug in self.laws.quiet}
        super()._told(message)
        for plug, was in before.items():
            seen = self.laws.seen[plug]
            if seen.told_at.get("switch") != was and seen.told["switch"] is True:
                self._rested(plug)

    def _rested(self, plug: str) -> None:
        """A compressor is given power only when it has been off for its rest."""
        quiet = self.profile.devices[self.laws.quiet[plug]].quiet
        off_since = self.off_since.get(plug)
        blind = self.room.devices[plug].deaf  # what a hand did to it nobody could hear
        if quiet is not None and off_since is not None and not self.closed(plug) and not blind:
            off = self.now - off_since
            if off < quiet.rests - 2.0:
                self.laws.breach(16, self.now, f"{plug} was told on after {off:.0f} s of rest")

    def look(self) -> None:
        """Once a second: where each contact is, and whether it is late."""
        past, self.looked = self.now - self.looked, self.now
        for plug in self.laws.quiet:
            if self.closed(plug):
                self.off_since.pop(plug, None)
                self.owed.pop(plug, None)
                continue
            self.off_since.setdefault(plug, self.now)
            seen = self.laws.seen[plug]
            by_bridge = seen.told.get("switch") is False and plug in self.laws.quiet_on_disk
            if plug in self.laws.quiet_cut:
                self.owed.pop(plug, None)
            elif by_bridge and plug not in self.owed:
                self.owed[plug] = Owed(self.now)
            owed = self.owed.get(plug)
            if owed is None:
                continue
            device = self.profile.devices[plug]
            locked = bool(self.laws.lockouts & {plug, device.circuit})
            listens = self.now < self.laws.link_at + self.profile.patience.listen + 5.0
            deaf = self.room.devices[plug].deaf or bool(self.room.devices[plug].late)
            away = not self.alive or not self.linked or not self.room.devices[plug].joined
            if locked or listens or deaf or away:
                owed.hindered += past
            quiet = self.profile.devices[self.laws.quiet[plug]].quiet
            assert quiet is not None
            late = self.now - owed.since - owed.hindered - quiet.lasts - quiet.rests - SLACK
            if late > 0:
                self.laws.breach(16, self.now, f"{plug} is off {late:.0f} s longer than it may be")
                del self.owed[plug]

    def run(self, seconds: float) -> None:
        end = self.now + seconds
        while self.now < end - 1e-9 and not self.laws.breaches:
            super().run(min(1.0, end - self.now))
            self.look()

    def jump(self, seconds: float) -> None:
        """The machine's clock is set; the daemon sees it within a second."""
        self.note(f"the clock is set by {seconds:.0f} s")
        self.jumped += seconds
        self.notebook.ahead = self.jumped
        if self.alive:
            self.run(1.0)
            self.outs(self.core.due("quiet-anew", self.now))

    def crash(self, away: float, jump: float = 0.0) -> None:
        self.kill_bridge()
        self.run(away)
        self.jumped += jump
        self.notebook.ahead = self.jumped
        self.start_bridge()

    # ---- what happens --------------------------------------------------------------------

    def somebody_does_something(self) -> None:
        dice = self.dice
        if dice.random() < 0.25:
            super().somebody_does_something()
            self.notebook.ahead = self.jumped
            return
        plug = dice.choice(sorted(self.laws.quiet))
        cameras = [n for n, d in self.profile.devices.items() if d.kind == "camera"]
        what = dice.choice(ACTS)
        self.outcome.kinds.add(f"quiet {what}")
        self.outcome.did.append(f"{self.now:9.3f}  quiet {what} ({plug})")
        if what == "on":
            self.ask("quiet_on", **({"for": "30 s"} if dice.random() < 0.3 else {}))
        elif what == "off":
            self.ask("quiet_off", targets=[plug] if dice.random() < 0.5 else [])
        elif what in ("roll", "stop") and cameras:
            name = dice.choice(cameras)
            self.gear(self.room.roll(name, self.now, what == "roll"))
            self.ask("rolling_on" if what == "roll" else "rolling_off", targets=[name])
        elif what == "crash":
            if dice.random() < 0.6:
                self.ask("quiet_on")
                self.run(dice.choice([0.0, 0.01, 0.05, 0.3, 1.0, 20.0]))
            jump = dice.choice([0.0, 0.0, 0.0, -86400.0, -600.0, 600.0, 86400.0])
            self.crash(dice.choice([0.0, 0.5, 10.0, 400.0]), jump)
        elif what == "clock":
            self.jump(dice.choice([-86400.0, -3600.0, -100.0, 100.0, 3600.0]))
        elif what == "link":
            self.lose_link(dice.choice([0.2, 20.0, 200.0]))
        elif what == "lockout":
            target = dice.choice([plug, str(self.profile.devices[plug].circuit)])
            self.ask("lockout", targets=[target], by="Ana", why="its fan")
        elif what == "release":
            for target in sorted(self.laws.lockouts):
                self.ask("release", targets=[target], by="Ana")
        elif what == "hand":
            self._switch(plug, dice.random() < 0.7)
        elif what == "deaf":
            self.room.devices[plug].deaf = dice.random() < 0.7
        elif what == "disk":
            self.break_record(dice.choice([1.0, 20.0, 120.0]))
        elif what == "cut":
            self.ask("cut", yes=True)
            self.run(10.0)
            if dice.random() < 0.7:
                self.run(dice.choice([0.0, 300.0]))
                self.ask("quiet_off")
        elif what == "down":
            self.ask("down")
        elif what == "broker":
            self.restart_broker(memory=dice.random() < 0.6)


def quiet_set(seed: int) -> SetProfile:
    return with_quiet(made_up(seed, most=8), random.Random(f"quiet {seed}"))


def play_quiet(
    seed: int, most: int = 10, trace: bool = False, without: frozenset[str] = frozenset()
) -> Outcome:
    """An evening of this seed. At its end all that was in the way is gone, and time passes."""
    dice = random.Random(f"quiet evening {seed}")
    trouble = Trouble()
    for kind, rates in NETWORK.items():
        setattr(trouble, kind, dice.choice(rates))
    evening = QuietEvening(quiet_set(seed), seed, trouble, trace=trace)
    evening.gear(evening.room.begin(0.0))
    evening.run(0.5)
    evening.start_bridge()
    evening.run(5.0)
    evening.ask("up")
    evening.run(dice.uniform(1.0, 40.0))
    for act in range(dice.randint(3, most)):
        evening.dice = random.Random(f"quiet {seed} act {act}")
        if f"act {act}" not in without:
            evening.somebody_does_something()
        evening.run(evening.dice.choice([0.0, 0.05, 2.0, 30.0, 200.0]))
        if evening.laws.breaches:
            break
    if not evening.laws.breaches:
        evening.everything_back()
        for _ in range(3):
            evening.ask("quiet_off")  # also what a cut took off
            evening.run(SLACK + 200.0)
        _all_back(evening)
    evening.laws.inrushes(evening.room.inrushes)
    if not evening.laws.breaches and evening.core.controller.run is None:
        # a lamp that a hand lit in its cool-down holds a run-down for as long as it is lit
        evening.laws.over(evening.now)
    evening.outcome.end = evening.core.controller.state
    return evening.outcome


def _all_back(evening: QuietEvening) -> None:
    """Nothing is owed, and what is shown says so."""
    for plug, since in evening.owed.items():
        evening.laws.breach(16, evening.now, f"{plug} is off since {since.since:.0f} s at the end")
    left = evening.core.state()["quiet"]
    if left and not evening.laws.breaches:
        evening.laws.breach(16, evening.now, f"still shown as quiet at the end: {left}")


def noted(evening: QuietEvening, phase: str) -> list[QuietNote]:
    notes = evening.notebook.notes
    return [n for n in notes if isinstance(n, QuietNote) and n.phase == phase]


__all__ = ["Point", "QuietEvening", "Value", "noted", "play_quiet", "quiet_set", "with_quiet"]
