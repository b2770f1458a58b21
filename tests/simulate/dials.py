"""Evenings on sets whose looks differ by dials alone: nothing can be told for them, and much goes wrong.

Another look is asked for while a camera rolls, while the set is adrift, with a hand on the dial, twice
at once; the bridge is killed in the middle; a plug is locked out; somebody goes back to a take. What
is done here has dice of its own. Beside the laws of every evening:

- law 7: the set does not turn ready in a look while the last thing its plug said of a lamp that is
  proven by watts, alone on it, is clearly the draw of another level. Of the word of now: the law of
  where a lamp truly stands waits for a minute.
- what is asked is answered by how the set stands: with code 0 it is ready, in that look
"""

from __future__ import annotations

import random
from dataclasses import replace

from studiobridge.bridge.outs import Out, Write
from studiobridge.control.effects import RunNote, StateNote
from studiobridge.profile.model import Device, Look, Preset, SetProfile
from tests.simulate.pictures import with_pictures
from tests.simulate.sets import TABLES, made_up, with_mute
from tests.simulate.shots import Shot

# What a plug last said is clearly the draw of another level beyond this much (W) and this share:
# its meter, the lamp's age, its tolerance of half a stop.
FAR_WATTS, FAR_SHARE = 2.5, 0.5


def of_dials(seed: int) -> SetProfile:
    """A set with lamps on dials that stand otherwise in each look; what can be told stands alike.

    Of two looks more, `night` is `day` by another name and `bare` leaves the dials alone.
    """
    profile = made_up(seed)
    attempt = 0
    while not _dials(profile):
        profile = with_mute(made_up(seed), random.Random(f"dials {seed} {attempt}"))
        attempt += 1
    dice = random.Random(f"levels {seed}")
    day, dusk = dict(profile.looks["day"].presets), {}
    for name in day:
        dusk[name] = day[name]
        if name in _dials(profile):
            # far apart, and where a meter that errs can tell them
            day[name], dusk[name] = (
                Preset(level) for level in dice.choice([(90.0, 35.0), (40.0, 95.0)])
            )
    bare = {name: preset for name, preset in day.items() if name not in _dials(profile)}
    looks = {"day": day, "dusk": dusk, "night": day, "bare": bare}
    made = {name: Look(name, dict(presets)) for name, presets in looks.items()}
    profile = replace(profile, looks=made)
    # a witness that lies on half of them
    return with_pictures(profile, random.Random(f"pictures {seed}" if seed % 2 else f"no {seed}"))


def _dials(profile: SetProfile) -> list[str]:
    return [d.name for d in profile.devices.values() if d.hand_set and d.draws_at in TABLES]


class Dials(Shot):
    """An evening with somebody who changes looks that only dials follow."""

    def __init__(self, *more: object) -> None:
        super().__init__(*more)
        self.turned_ready = 0

    # ---- what happens --------------------------------------------------------------------

    def others_act(self, act: int) -> None:
        dice = random.Random(f"dials {self.seed} {act}")
        for _ in range(dice.choice([1, 2])):
            self._another_look(dice)
        if dice.random() < 0.5:
            super().others_act(act)

    def _another_look(self, dice: random.Random) -> None:
        dials = _dials(self.profile)
        dial = dice.choice(dials)
        first = dice.choice(
            ["", "", "touch", "roll", "lockout", "unplug", "restore", "match", "by hand"]
        )
        if first == "touch":
            self.gear(self.room.touch(dial, self.now, level=dice.uniform(0, 100)))
        elif first == "roll":
            self.gear(self.room.roll(dice.choice(self.cameras), self.now, True))
        elif first == "lockout":
            target = dice.choice([dial, self.profile.devices[dial].feeds[0]])
            self.ask("lockout", targets=[target], by="Ana", why="a bulb")
        elif first == "unplug":
            self.gear(self.room.unplug(dial, self.now))
        elif first == "restore":
            self.ask("restore")
        elif first == "match":
            self.ask("match", **({} if dice.random() < 0.5 else {"take": dice.choice([1, 2])}))
        elif first == "by hand":
            # perhaps it is not so
            self.ask("set_by_hand", targets=[dial], by="Ana")
            self.laws.mutes.careless = True
        self.run(dice.choice([0.0, 0.0, 0.5, 5.0, 30.0]))
        look = dice.choice(["day", "dusk", "dusk", "night", "bare"])
        self.ask("up", look=look, force=dice.random() < 0.2)
        then = dice.choice(
            ["", "twice", "another", "turn", "turn", "kill", "link", "down", "roll", "try"]
        )
        self.outcome.kinds.add(f"dials {first or 'nothing'}, {then or 'nothing'}")
        self.outcome.did.append(f"{self.now:9.3f}  dials {first} {look} {then} ({dial})")
        self.run(dice.choice([0.0, 0.05, 0.5, 5.0, 20.0]) if then else 0.0)
        if then == "twice":
            self.ask("up", look=look)
        elif then == "another":
            self.ask("up", look=dice.choice(["day", "dusk"]))
        elif then == "turn":
            preset = self.profile.looks[look].presets.get(dial, Preset(50.0))
            level = dice.choice([preset.level, preset.level, 65.0])
            self.gear(self.room.touch(dial, self.now, level=level))
        elif then == "kill":
            self.kill_bridge()
            self.run(dice.choice([0.0, 0.5, 10.0]))
            self.start_bridge()
        elif then == "link":
            self.lose_link(dice.uniform(0.1, 20.0))
        elif then == "down":
            self.ask("down")
        elif then == "roll":
            self.gear(self.room.roll(dice.choice(self.cameras), self.now, True))
        elif then == "try":
            self.ask("try", targets=[dial], value="40 %")
        self.run(dice.choice([0.0, 2.0, 30.0, 90.0]))
        for target in sorted(self.laws.lockouts) if dice.random() < 0.6 else ():
            self.ask("release", targets=[target], by="Ana")
        if dice.random() < 0.7:
            for camera in self.cameras:
                self.gear(self.room.roll(camera, self.now, False))
            self.gear(self.room.plug_in(dial, self.now))

    # ---- watched -------------------------------------------------------------------------

    def outs(self, outs: list[Out]) -> None:
        super().outs(outs)
        for out in outs:
            note = out.note if isinstance(out, Write) else None
            if isinstance(note, StateNote) and note.state == "ready":
                self._ready_in(note)
            elif isinstance(note, RunNote) and note.what == "up" and note.phase == "done":
                self._said_so(note)

    def _ready_in(self, note: StateNote) -> None:
        self.turned_ready += 1
        presets = self.laws.looks.get(str(note.look), {})
        for name in self.laws.mutes.of:
            device = self.profile.devices[name]
            if device.proof != "watts" or not device.essential or not self.laws.mutes.alone(name):
                continue
            if name in self.laws.mutes.ticked or name not in presets:
                continue
            plug = self.laws.seen[device.feeds[0]]
            if "watts" not in plug.fresh_at:
                continue
            said, level = float(plug.value["watts"]), presets[name].level
            wanted = None if level is None else _draws(device, level)
            if wanted is not None and abs(said - wanted) > FAR_WATTS + FAR_SHARE * wanted:
                text = f"ready in {note.look}, and the plug of {name} says {said:.1f} W, not {wanted:.1f}"
                self.laws.breach(7, note.at, text)

    def _said_so(self, note: RunNote) -> None:
        ready = note.text.startswith(("ready", "already ready"))
        if ready != (self.core.controller.state == "ready"):
            self.laws.breach(
                14, note.at, f"{self.core.controller.state}, and answered: {note.text}"
            )


def _draws(device: Device, level: float) -> float:
    """The draw at this level, by a straight line between the points of its table (W)."""
    for (low, least), (high, most) in zip(device.draws_at, device.draws_at[1:], strict=False):
        if low <= level <= high:
            return least + (most - least) * (level - low) / (high - low)
    return device.draws_at[-1][1]
