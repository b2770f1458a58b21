"""Evenings in which cameras roll, people mark takes and go back to them, and everything else happens.

What is done here has dice of its own. Beside the laws of every evening:

- each stretch of rolling is exactly one take, numbered without a gap, and the record says so after
  any crash, pause, loss of the link or step of the clock
- its length is that of the steady clock, whatever the wall clock did
- nobody goes back to a take while a camera rolls (law 2 watches what is told)
"""

from __future__ import annotations

import random
from collections.abc import Iterator
from dataclasses import dataclass, replace

from studiobridge.bridge.outs import Out, Write
from studiobridge.control.effects import Memory, Note, RequestNote, RollingNote, TakeNote
from studiobridge.control.stood import presets_of
from studiobridge.profile.model import Device, Look, SetProfile
from tests.simulate.evening import WALL, Evening, Notebook
from tests.simulate.laws import LATE

# What an end may be off (s) that a bridge heard late, on a slow disk.
SLACK = 0.02


@dataclass(slots=True)
class Stretch:
    """From the first camera that rolls to the last that has stopped, as the record has it."""

    began: float
    ended: float | None = None


class WallBook(Notebook):
    """A record that keeps takes by the wall clock as it was when they were written down."""

    def __init__(self, evening: Filmed) -> None:
        super().__init__()
        self.evening = evening
        self.walls: list[tuple[TakeNote, float]] = []

    def write(self, note: Note) -> None:
        super().write(note)
        if isinstance(note, TakeNote):
            self.walls.append((note, self.evening.jumped))

    def memory(self) -> Memory:
        stands = {id(note) for note in self.notes}
        takes = tuple(
            replace(note, at=WALL + note.at + jumped)
            for note, jumped in self.walls
            if id(note) in stands
        )
        # as the core takes it: its clock is ahead by what the wall was put forward meanwhile
        return replace(super().memory(), takes=takes)


class Filmed(Evening):
    """An evening on a set with two cameras, both of which roll now and then."""

    def __init__(self, profile: SetProfile, *more: object) -> None:
        super().__init__(_with_two(profile), *more)  # type: ignore[arg-type]
        self.notebook = WallBook(self)
        self.starts_at: list[float] = []
        self.jumps_at: list[float] = []
        self.cameras = [n for n, d in self.profile.devices.items() if d.kind == "camera"]

    # ---- what happens --------------------------------------------------------------------

    def start_bridge(self) -> None:
        self.starts_at.append(self.now)
        super().start_bridge()

    def somebody_does_something(self) -> None:
        before = self.jumped
        super().somebody_does_something()
        if self.jumped != before:
            self.jumps_at.append(self.now)

    def others_act(self, act: int) -> None:
        dice = random.Random(f"film {self.seed} {act}")
        for _ in range(dice.choice([1, 2, 3])):
            self._film(dice)
            self.run(dice.choice([0.0, 0.05, 0.5, 3.0, 12.0, 45.0]))

    def _film(self, dice: random.Random) -> None:
        camera = dice.choice(self.cameras)
        what = dice.choice(
            [
                *("roll", "roll", "roll", "stop", "stop", "word", "word"),
                *("short", "kill", "link", "clock", "lie", "gone", "mark", "match", "touch"),
            ]
        )
        self.outcome.kinds.add(f"film {what}")
        self.outcome.did.append(f"{self.now:9.3f}  film {what} ({camera})")
        if what in ("roll", "stop"):
            self.gear(self.room.roll(camera, self.now, what == "roll"))
        elif what == "short":
            # a clip begun by mistake, and the next at once
            for rolls in (True, False, True):
                self.gear(self.room.roll(camera, self.now, rolls))
                self.run(dice.choice([0.1, 0.4, 1.0]))
        elif what == "word":
            self.ask(dice.choice(["rolling_on", "rolling_off"]), targets=[camera])
        elif what == "kill":
            self.kill_bridge()
            self.run(dice.choice([0.0, 0.5, 8.0, 40.0]))
            self.start_bridge()
        elif what == "link":
            self.lose_link(dice.uniform(0.1, 25.0))
        elif what == "clock":
            self.jumped += dice.choice([-3600.0, -5.0, 5.0, 3600.0, 86400.0])
            self.jumps_at.append(self.now)
        elif what == "lie":
            self.say(camera, camera, {"rolling": dice.random() < 0.5})
        elif what == "gone":
            self.gear(self.room.lose_network(camera, self.now, dice.uniform(0.5, 12.0)))
        elif what == "mark":
            mark = dice.choice(["good", "again", ""])
            self.ask("mark", mark=mark, why=dice.choice(["", "the wheel squeaks"]))
        elif what == "match":
            take = dice.choice([None, 1, 2, 99])
            self.ask("match", **({} if take is None else {"take": take}))
        elif what == "touch":
            lights = [n for n, d in self.profile.devices.items() if d.fixture]
            name = dice.choice(lights or self.cameras)
            self.gear(
                self.room.touch(name, self.now, level=dice.uniform(0, 100) if lights else None)
            )

    # ---- looks of takes are known to whoever watches ---------------------------------------

    def outs(self, outs: list[Out]) -> None:
        for out in outs:
            note = out.note if isinstance(out, Write) else None
            if isinstance(note, TakeNote) and note.phase == "matched":
                self._matched(note)
            if isinstance(note, RequestNote) and (note.what, note.phase) == ("match", "taken"):
                # who goes back to a take asks for the set to come up
                self.laws.asked_up |= self.now - self.laws.made.get(note.id, -1e9) < LATE
        super().outs(outs)

    def _matched(self, note: TakeNote) -> None:
        presets = presets_of(note.detail)  # type: ignore[arg-type]
        name = str(note.text)
        laws = self.laws
        laws.looks[name] = dict(presets)
        laws.mutes.presets[name] = dict(presets)
        made = Look(name, presets)
        laws.profile = replace(laws.profile, looks={**laws.profile.looks, name: made})

    def ask_for_light(self) -> None:
        """Who reads that a light which the look of a take leaves alone was not heard, and that another
        look tells it something, asks for that."""
        controller = self.core.controller
        stuck = controller.state == "stalled" and controller.look in self.laws.profile.looks
        own = controller.look in self.profile.looks
        if stuck and not own and "ask for a look that tells it something" in controller.why:
            self.ask("up", look=self.profile.default_look)
        else:
            super().ask_for_light()

    def turn_dials(self) -> None:
        """People see on the page what the look in force asks of a dial, whoever made that look."""
        own, self.profile = self.profile, self.laws.profile
        try:
            super().turn_dials()
        finally:
            self.profile = own

    def _save(self, save: object) -> None:
        if save.look in self.profile.looks:  # type: ignore[attr-defined]
            super()._save(save)  # type: ignore[arg-type]
            return
        # a look that stands in no file is written into none
        error = f"the profile has no look {save.look}"  # type: ignore[attr-defined]
        self.outs(self.core.saved(save.request_id, error, self.now))  # type: ignore[attr-defined]

    # ---- the law ---------------------------------------------------------------------------

    def look_at_what_is_shown(self) -> None:
        super().look_at_what_is_shown()
        self.judge_takes()

    def everything_back(self) -> None:
        super().everything_back()
        self.judge_takes()

    def judge_takes(self) -> None:
        if self.notebook.failing or self._to_disk:
            return  # what waits for the disk is no record yet
        stretches = list(self.stretches())
        begun = [n for n in self._takes() if n.phase == "begun"]
        ended = {n.take: n for n in self._takes() if n.phase == "ended"}
        numbers = [n.take for n in begun]
        if numbers != list(range(1, len(numbers) + 1)):
            self.breach(f"takes are numbered {numbers}")
        if len(begun) != len(stretches):
            self.breach(f"{len(stretches)} stretches of rolling are {len(begun)} takes")
            return
        for stretch, take in zip(stretches, begun, strict=True):
            end = ended.get(take.take)
            if (stretch.ended is None) != (end is None):
                self.breach(f"take {take.take} rolls in one and not in the other")
            elif end is not None and stretch.ended is not None:
                self._judge(stretch, take, end)

    def _judge(self, stretch: Stretch, take: TakeNote, end: TakeNote) -> None:
        assert stretch.ended is not None
        within = [at for at in self.starts_at if stretch.began - SLACK <= at <= end.at + SLACK]
        if not within and abs(take.at - stretch.began) + abs(end.at - stretch.ended) > SLACK:
            self.breach(f"take {take.take} has other ends than its stretch")
        stepped = [at for at in self.jumps_at if stretch.began - SLACK <= at <= end.at + SLACK]
        if within and stepped:
            return  # a bridge that begins anew can only ask the wall how long it was away
        if abs(end.at - take.at - end.seconds) > SLACK:
            self.breach(f"take {take.take} was {end.at - take.at:.2f} s and is {end.seconds:.2f} s")

    def breach(self, text: str) -> None:
        self.laws.breaches.append(f"takes at {self.now:.2f} s: {text}")

    def _takes(self) -> list[TakeNote]:
        return [n for n in self.notebook.notes if isinstance(n, TakeNote)]

    def stretches(self) -> Iterator[Stretch]:
        rolling: set[str] = set()
        under_way: Stretch | None = None
        for note in self.notebook.notes:
            if not isinstance(note, RollingNote):
                continue
            (rolling.add if note.rolling else rolling.discard)(note.device)
            if rolling and under_way is None:
                under_way = Stretch(note.at)
            elif not rolling and under_way is not None:
                under_way.ended = note.at
                yield under_way
                under_way = None
        if under_way is not None:
            yield under_way


def _with_two(profile: SetProfile) -> SetProfile:
    """The same set with two cameras more that say whether they roll."""
    feed = next(n for n, d in profile.devices.items() if d.kind == "plug" and not d.stays_on)
    circuit = profile.devices[feed].circuit
    devices = dict(profile.devices)
    for name in ("front", "top"):
        devices[name] = Device(
            name,
            "camera",
            speaks="gear",
            at=f"gear/{name}",
            hears=frozenset({"online", "rolling"}),
            can_ask=True,
            closes_in=1.0,
            circuit=circuit,
            fed_by=feed,
            feeds=(feed,),
        )
    return replace(profile, devices=devices)
