"""Evenings in which people change single lights by small steps, and the laws of that.

What they do has dice of its own. Beside the laws of every evening:

- law 8: a step is told only to the light that somebody pressed for since the bridge started and the
  link came, and not long after; it switches nothing
- law 2: none begins while a camera rolls (that nothing is told then is watched in every evening)
- law 12: nobody puts back unasked what was stepped
- law 14: no set is shown ready while such a light last said that it stands a step from its preset,
  and nothing is shown as being adjusted that nobody pressed for within the last minute
- steps: none is told sooner after the one before than STEP_EVERY, none further from what was known
  than AHEAD and one step more
"""

from __future__ import annotations

import random

from studiobridge.bridge.outs import Out, Write
from studiobridge.control.effects import RequestNote, RunNote, StateNote
from studiobridge.control.stepping import AHEAD, MOST
from studiobridge.craft.grid import mired
from studiobridge.craft.light import level_stops
from studiobridge.profile.model import Preset, SetProfile
from tests.simulate.evening import Evening

# How long after a press its step may still begin (s): it may wait for five seconds, its request
# and the record take theirs.
PRESSED_WITHIN = 12.0
# A light is shown as being adjusted for a minute after the last press, and what showing takes.
SHOWN_FOR = 60.0 + PRESSED_WITHIN + 3.0
# Two tells to one light are so far apart at least (s).
APART = 0.25 - 1e-6
# What a light says is off its preset where it is further than this (stops): most of a step, and
# more than the coarsest steps of gear in these sets make at the levels that are looked at.
OFF = 0.09
NONSENSE = (
    "+9 stop",
    "0.1 stop",
    "+0.1 K",
    "",
    "+0 stop",
    "-99 mired",
    "key",
    "+0.1stop ",
    "+1e9 stop",
)


class Stepping(Evening):
    """An evening with somebody who adjusts."""

    def __init__(self, profile: SetProfile, *more: object) -> None:
        super().__init__(profile, *more)  # type: ignore[arg-type]
        self.pressed: dict[str, float] = {}
        self.under_way: str | None = None
        self.stepped_at: dict[str, float] = {}
        # lights that were told a step and nothing of the whole set since
        self.off: set[str] = set()
        self.steps_told = 0

    # ---- watched ------------------------------------------------------------------------------

    def start_bridge(self) -> None:
        self.pressed.clear()
        self.off.clear()
        self.under_way = None
        super().start_bridge()

    def lose_link(self, seconds: float) -> None:
        super().lose_link(seconds)
        self.off.clear()

    def link_bridge(self) -> None:
        self.off.clear()
        super().link_bridge()

    def outs(self, outs: list[Out]) -> None:
        for out in outs:
            if isinstance(out, Write) and isinstance(out.note, RunNote):
                self._run_noted(out.note)
            elif isinstance(out, Write) and isinstance(out.note, RequestNote):
                self._asked(out.note)
            elif isinstance(out, Write) and isinstance(out.note, StateNote):
                self._turned(out.note)
        super().outs(outs)

    def _asked(self, note: RequestNote) -> None:
        if note.what == "restore" and note.source == "profile":
            for name in self.off & set(note.targets):
                self.laws.breach(12, note.at, f"{name} was put back by itself, and was stepped")
        if note.what == "keep" and note.phase == "done":
            self.off -= set(note.targets)

    def _run_noted(self, note: RunNote) -> None:
        self.under_way = None
        if note.phase != "begun":
            return
        if note.what != "adjust":
            # a restore of others leaves what was stepped; which it was of is not in the note
            self.off.clear()
            return
        name = note.text.partition(" ")[0]
        self.under_way = name
        if note.at - self.pressed.get(name, float("-inf")) > PRESSED_WITHIN:
            self.laws.breach(8, note.at, f"{name} is stepped, and nobody pressed for it")
        if any(self.laws.rolling.values()):
            self.laws.breach(2, note.at, f"{name} is stepped while a camera rolls")
        self.off.add(name)

    def _turned(self, note: StateNote) -> None:
        if note.state != "ready" or note.look is None:
            return
        presets = self.laws.looks[note.look]
        for name in self.off:
            seen, device = self.laws.seen[name], self.profile.devices[name]
            preset: Preset | None = presets.get(name)
            fresh = seen.fresh_at.get("level", -1.0) > seen.told_at.get("level", 0.0)
            if preset is None or preset.level is None or preset.level < 20.0 or not fresh:
                continue
            far = level_stops(device.dimmer, preset.level, float(seen.value["level"]))
            if far is not None and abs(far) > OFF:
                self.laws.breach(
                    14, note.at, f"ready, and {name} is {far:+.2f} stops from its preset"
                )

    def _told(self, message) -> None:  # type: ignore[no-untyped-def]
        before = {n: (dict(s.told), dict(s.value)) for n, s in self.laws.seen.items()}
        tried = self.laws.trying
        # a person asked for just this light: where its switch goes with every level, "on" is said
        # again to a lamp that says it is on
        self.laws.trying = self.under_way if tried is None else tried
        super()._told(message)
        self.laws.trying = tried
        if self.under_way is None:
            return
        for name in self._by_topic.get(message.topic, ()):
            told = self._ends[name].told(message)
            if told is None or not told.values:
                continue
            values = dict(told.values)
            device = self.profile.devices[name]
            self.steps_told += 1
            if name != self.under_way:
                self.laws.breach(8, self.now, f"{name} was told while {self.under_way} is stepped")
            together = {point for group in device.together for point in group}
            if "switch" in values and "switch" not in together:
                self.laws.breach(8, self.now, f"a step of {name} told its switch")
            last = self.stepped_at.get(name, float("-inf"))
            # one value may be several messages of the same moment
            if 0.0 < self.now - last < APART:
                self.laws.breach(8, self.now, f"{name} was stepped {self.now - last:.2f} s before")
            self.stepped_at[name] = self.now
            self._far(name, values, *before[name])

    def _far(self, name: str, values: dict, told: dict, heard: dict) -> None:  # type: ignore[type-arg]
        dimmer = self.profile.devices[name].dimmer
        for point in ("level", "cct"):
            known = [float(w[point]) for w in (told, heard) if isinstance(w.get(point), float)]
            if point not in values or not known or not isinstance(values[point], float):
                continue
            most = AHEAD[point] + MOST[point] + 0.05  # type: ignore[index]
            if point == "level":
                far = [level_stops(dimmer, k, float(values[point])) for k in known]
                if any(f is None for f in far) or min(known) < 3.0:
                    continue  # a step of coarse gear near the dark is many stops
                near = min(abs(f) for f in far if f is not None)
            else:
                near = min(abs(mired(k) - mired(float(values[point]))) for k in known if k > 0)
                most += 12.0  # a step of the coarsest white in these sets
            if near > most:
                self.laws.breach(8, self.now, f"{name} {point} went {near:.2f} in one step")

    def look_at_what_is_shown(self) -> None:
        super().look_at_what_is_shown()
        if not self.linked or not self.laws.shows:
            return
        for one in self.laws.shows["adjusting"]:  # type: ignore[attr-defined]
            name = one["device"]
            if self.laws.shows_at - self.pressed.get(name, float("-inf")) > SHOWN_FOR:
                self.laws.breach(14, self.now, f"{name} is shown as adjusted, nobody pressed")

    # ---- done ---------------------------------------------------------------------------------

    def step(self, name: str, step: str, **more: object) -> None:
        self.ask("adjust", targets=[name], step=step, **more)
        # one that is to be kept is a press now, and none when the broker gives it later
        if more.get("until") is None:
            self.pressed[name] = self.now

    def others_act(self, act: int) -> None:
        dice = random.Random(f"{self.seed} steps {act}")
        lights = [n for n, d in self.profile.devices.items() if d.fixture]
        can = [n for n in lights if self.profile.devices[n].tells & {"level", "cct"}]
        if not can:
            return
        if dice.random() < 0.7:
            # in a set that is up, mostly: elsewhere it is refused
            self.say_it_stopped()
            self.ask("up")
            self.run(dice.choice([30.0, 90.0]))
        name = dice.choice([*can, *can, dice.choice(lights)])
        way = dice.choice("+-")
        for _ in range(dice.choice([1, 1, 3, 8])):
            way = dice.choice([way, way, way, "-" if way == "+" else "+"])
            size = dice.choice(
                ["0.1 stop", "0.1 stop", "0.3 stop", "0.02 stop", "5 mired", "20 mired"]
            )
            other = dice.choice([name, name, name, dice.choice(lights)])
            kind = dice.random()
            if kind < 0.06:
                self.step(other, dice.choice(NONSENSE))
            elif kind < 0.1:
                self.step(other, f"{way}{size}", retain=True)
            elif kind < 0.16:
                self.step(other, f"{way}{size}", until=1.0)
            else:
                self.step(other, f"{way}{size}", by=dice.choice(["Ana", "Ben"]))
            self.run(dice.choice([0.0, 0.05, 0.2, 0.3, 1.0]))
        self._meanwhile(name, dice)
        self.run(dice.choice([0.5, 5.0, 30.0, 100.0]))
        self.look_at_what_is_shown()
        if dice.random() < 0.4:
            self.ask(dice.choice(["keep", "restore"]), targets=[name])
            self.run(dice.choice([0.1, 5.0]))

    def _meanwhile(self, name: str, dice: random.Random) -> None:
        cameras = [n for n, d in self.profile.devices.items() if d.kind == "camera"]
        what = dice.choice(
            ["", "", "kill", "link", "mute", "roll", "lockout", "touch", "down", "off"]
        )
        self.outcome.kinds.add(f"step {what}".strip())
        self.outcome.did.append(f"{self.now:9.3f}  steps of {name}, {what or 'nothing else'}")
        if what == "kill":
            self.kill_bridge()
            self.run(dice.choice([0.0, 0.5, 3.0]))
            self.start_bridge()
        elif what == "link":
            self.lose_link(dice.uniform(0.1, 5.0))
        elif what == "mute":
            self.room.devices[name].deaf = True
            for _ in range(dice.choice([1, 5])):
                self.step(name, "+0.1 stop")
                self.run(0.3)
            self.run(dice.choice([1.0, 10.0]))
            self.room.devices[name].deaf = False
        elif what == "roll" and cameras:
            camera = dice.choice(cameras)
            self.gear(self.room.roll(camera, self.now, True))
            self.run(dice.choice([0.1, 5.0]))
            self.step(name, "+0.1 stop")
            self.run(1.0)
            self.gear(self.room.roll(camera, self.now, False))
        elif what == "lockout":
            self.ask("lockout", targets=[name], by="Ana", why="a bulb")
            self.run(dice.choice([0.1, 5.0]))
            self.ask("release", targets=[name], by="Ana")
        elif what == "touch":
            self.gear(self.room.touch(name, self.now, level=dice.uniform(5, 100)))
            self.step(name, "+0.1 stop")
        elif what == "down":
            self.ask("down")
        elif what == "off":
            self.gear(self.room.touch(name, self.now, switch=False))
            self.step(name, "+0.1 stop")
