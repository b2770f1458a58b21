"""One universe of ANSI E1.31: what its frame holds, and when the next one is due.

The rules:

- It says nothing until a fixture on it has been told something: no stream starts by itself.
- A fade is walked, 40 frames a second: a converter behind a receiver passes no more than 44 on.
- What does not change is said three times, then again every 0.9 s: a receiver gives a source up
  after 2.5 s.
- A fixture that is locked out has all its slots at 0, and nothing raises them. While a camera
  rolls no fixture is changed (law 2): fades stand still, and a lockout darkens after that.
- A stream ends once every level on it is 0, with three frames that say so, and not before.
- Time only ever goes on by as much as there was between two frames: after a pause a fade goes on
  where it was, and no clock that is put forward makes it jump.

| stage   | entered by                  | frames              | left by                       |
|---------|-----------------------------|---------------------|-------------------------------|
| silent  | the start, or the last one  | none                | told: sending                 |
| sending | told                        | as they fall due    | told to end: ending           |
| ending  | told to end                 | as they fall due    | all dark: last. told: sending |
| last    | each level 0, said 3 times  | 3 that end a stream | sent: silent. told: sending   |

Sans-I/O: told what happens and when (s, of one clock); `frame` gives what is to be sent now.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping
from dataclasses import dataclass
from typing import Literal

from studiobridge.craft.grid import mired
from studiobridge.profile.model import Point, SetProfile, Slots, Universe
from studiobridge.speech.slots import WHOLE, put

# Frames of a fade come so far apart (s), and no two frames closer than that: DMX512-A with all its
# slots takes 22.7 ms a packet, 44 a second (common practice).
EVERY = 1 / 40
CLOSEST = 1 / 44
# The same data again (s): ANSI E1.31-2018, 6.6.2 has it every 800 to 1000 ms, after three times at
# the usual rate (from memory).
AGAIN = 0.9
TIMES = 3
# A receiver gives up a source it has not heard for so long (s): network data loss, 6.7.1 (from
# memory).
GIVEN_UP_AFTER = 2.5
# Between two frames a fade goes on by no more than this (s).
LONGEST_STEP = 0.1
# A stream that fell silent (no lease, no network) goes on by itself only within this time (s). It
# is somewhat more than a broker that is started again takes; after that, what was asked for is an
# old wish, and a fixture that went dark must not come on by it.
GOES_ON_WITHIN = 30.0

Stage = Literal["silent", "sending", "ending", "last"]


@dataclass(frozen=True, slots=True)
class Frame:
    """All slots of a universe, to be sent now. `last`: the stream ends with it."""

    universe: int
    slots: tuple[int, ...]
    last: bool = False


@dataclass(slots=True)
class _Fade:
    level: tuple[float, float]
    cct: tuple[float, float] | None
    takes: float
    done: float = 0.0


class _Fixture:
    """One fixture on the universe: where it stands, and where it goes."""

    def __init__(self, slots: Slots) -> None:
        self.slots = slots
        self.level = 0.0
        self.cct: float | None = None
        # where it may stand from before this bridge: a fade begins there, and nothing is sent of it
        self.supposed: tuple[float, float | None] | None = None
        self.fade: _Fade | None = None
        self.locked = False
        self.dark = False  # every slot at 0

    def tell(self, values: Mapping[Point, float], takes: float) -> None:
        goal = values.get("level", self.fade.level[1] if self.fade else self.level)
        if self.supposed is not None:
            # it may be dark for all anybody knows: it is never sent more than was asked for now
            level, self.cct = self.supposed
            self.level, self.supposed = min(level, goal), None
        before = self.cct
        white = values.get("cct", self.fade.cct[1] if self.fade and self.fade.cct else self.cct)
        if self.level <= 0 or before is None:
            self.cct, before = white, white  # nobody sees a white change in the dark
        cct = None if white is None or before is None or white == before else (before, white)
        if takes <= 0 or (goal == self.level and cct is None):
            self.level, self.cct, self.fade = goal, white, None
        else:
            self.fade = _Fade((self.level, goal), cct, takes)

    def go_on(self, by: float) -> None:
        fade = self.fade
        if fade is None:
            return
        fade.done += by
        share = fade.done / fade.takes
        if share >= 1.0:
            self.level, self.fade = fade.level[1], None
            self.cct = fade.cct[1] if fade.cct is not None else self.cct
            return
        start, goal = fade.level
        self.level = start + (goal - start) * share
        if fade.cct is not None:
            low, high = mired(fade.cct[0]), mired(fade.cct[1])
            self.cct = 1e6 / (low + (high - low) * share)

    def darken(self) -> None:
        self.level, self.fade, self.supposed, self.dark = 0.0, None, None, True


class Frames:
    """One universe. Not thread-safe."""

    def __init__(self, universe: Universe, fixtures: Mapping[str, Slots]) -> None:
        self.universe = universe
        self.stage: Stage = "silent"
        self._fixtures = {name: _Fixture(slots) for name, slots in fixtures.items()}
        self._frame = [0] * WHOLE
        self._held = False
        self._at = 0.0  # up to when fades have been walked
        self._sent = float("-inf")  # when the last frame was made
        self._due: float | None = None
        self._times = 0  # how often what it holds is said before it is said seldom
        for fixture in self._fixtures.values():
            self._put(fixture)

    @property
    def devices(self) -> tuple[str, ...]:
        return tuple(self._fixtures)

    @property
    def sends(self) -> bool:
        return self.stage != "silent"

    # ---- what happens ------------------------------------------------------------------------

    def suppose(self, name: str, level: float, cct: float | None) -> None:
        """It may still hold this from before: its next fade begins there. Nothing is sent."""
        self._fixtures[name].supposed = (level, cct)

    def tell(self, name: str, values: Mapping[Point, float], fade: float, at: float) -> bool:
        """A fixture is told a level (%) or a white (K). False when it is locked out."""
        fixture = self._fixtures[name]
        if fixture.locked:
            return False
        fixture.dark = False
        # what was on its way when a camera began to roll stands still as a fade does
        fixture.tell(values, max(fade, EVERY) if self._held else fade)
        self.stage = "sending"
        self._changed(at)
        return True

    def lock(self, names: Collection[str], at: float) -> None:
        """Exactly these devices are locked out from now on (law 1)."""
        for name, fixture in self._fixtures.items():
            was, fixture.locked = fixture.locked, name in names
            if fixture.locked and not was:
                fixture.fade = None
                if not self._held:
                    fixture.darken()
            elif was and not fixture.locked:
                fixture.dark = False  # what it was told before is over: it stays at 0 until asked
        if self.sends:
            self._changed(at)

    def hold(self, held: bool, at: float) -> None:
        """A camera rolls (law 2), or does no more: nothing changes meanwhile."""
        if held == self._held:
            return
        self._held = held
        if not held:
            for fixture in self._fixtures.values():
                if fixture.locked:
                    fixture.darken()
        if self.sends:
            self._changed(at)

    def end(self, at: float) -> None:
        """End the stream as soon as every level on it is 0; not if that never comes."""
        if self.stage == "sending":
            self.stage = "ending"
            self._changed(at)

    def lost(self) -> None:
        """It was not sent for too long: it says nothing more until a fixture is told something."""
        if not self.sends:
            return
        self.stage, self._due = "silent", None
        for fixture in self._fixtures.values():
            fixture.fade = None
            if not fixture.locked:
                # a fixture that holds has it still; nobody else is sent it before it is asked for
                fixture.supposed = (fixture.level, fixture.cct)
                fixture.level = 0.0

    # ---- frames ------------------------------------------------------------------------------

    def next_due(self) -> float | None:
        """When `frame` is due; None while there is nothing to send."""
        return self._due

    def frame(self, at: float) -> Frame | None:
        """What is to be sent now, if something is."""
        if self._due is None or at < self._due - 1e-6:
            return None
        by = min(max(0.0, at - self._at), LONGEST_STEP)
        self._at = self._sent = at
        fading = False
        for fixture in self._fixtures.values():
            if not self._held:
                fixture.go_on(by)
            fading = fading or (fixture.fade is not None and not self._held)
            self._put(fixture)
        if fading:
            self._times = TIMES
        else:
            self._times -= 1
        last = self.stage == "last"
        frame = Frame(self.universe.number, tuple(self._frame), last)
        if self.stage == "ending" and self._times <= 0 and self._dark():
            self.stage, self._times = "last", TIMES
        elif last and self._times <= 0:
            self.stage, self._due = "silent", None
            return frame
        gap = EVERY if fading or self._times > 0 else AGAIN
        # on a grid of its own where it can be, so that late frames do not add up
        self._due = max(self._due + gap, at + CLOSEST)
        return frame

    def level_of(self, name: str) -> float:
        """The level (%) that stands in its slots."""
        return self._fixtures[name].level

    def _dark(self) -> bool:
        return all(f.fade is None and f.level <= 0 for f in self._fixtures.values())

    def _changed(self, at: float) -> None:
        self._times = TIMES
        self._at = max(self._at, at - EVERY)
        soon = max(at, self._sent + CLOSEST)
        if self.stage == "last":
            self.stage = "ending"
        self._due = soon if self._due is None else min(self._due, soon)

    def _put(self, fixture: _Fixture) -> None:
        put(fixture.slots, fixture.level, fixture.cct, self._frame, fixture.dark)


def universes_of(profile: SetProfile) -> dict[int, Frames]:
    """Every universe of a set, silent."""
    fixtures: dict[int, dict[str, Slots]] = {number: {} for number in profile.universes}
    for device in profile.devices.values():
        if device.slots is not None:
            fixtures[device.slots.universe][device.name] = device.slots
    return {n: Frames(universe, fixtures[n]) for n, universe in profile.universes.items()}
