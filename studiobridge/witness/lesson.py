"""How the lamps are learned, one after another: a machine without I/O.

It has one wish at a time and is told what came of it. The rules:

- Nobody is in the picture, and it stands still. All is dark first, then each lamp is alone, at
  full, at half and at levels chosen for what is still weakly known, one of two whites at both ends;
  then all together, which the lamps' pictures are held against and not made of; then the dark and
  the first lamp once more, to see that daylight and camera are what they were.
- A frame counts that looks like the one before it. Where none does, something moves: it is looked
  again a few times, then the lesson is refused.
- A lamp that does not follow, that nobody sees, that a person leaves out or that may not be told is
  left out and named; the others are learned.
- What cannot work ends it, with the reason and what to do: a camera on automatic, one that moved,
  a frozen stream, frames too dark or clipped, lamps that do not add up.
"""

from __future__ import annotations

from collections.abc import Generator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from itertools import pairwise

import numpy as np

from studiobridge.profile.model import Device, Point, SetProfile, Value
from studiobridge.witness.framing import framing
from studiobridge.witness.learned import Codes, Kept, Learned
from studiobridge.witness.learning import LitFrames, learned_from
from studiobridge.witness.pupils import STATE_TAKES, Levels, Pupil, pupils
from studiobridge.witness.response import CannotFit, Lit
from studiobridge.witness.stills import blocks, brighter, differ, lit_blocks, means

# Frames of each state: noise falls with their number, and a walker is in some of them only.
FRAMES = 3
# All together at this level (%): at full they would clip where each alone does not.
TOGETHER = 50.0
# How far (log2, one standard deviation) a lamp's light at a level may be from what its dimmer says.
DIMMER_SURE = 0.3
# It moves where more of the blocks (share) than this differ; a lamp is seen where at least this
# share is brighter with it.
MOVES, SEEN = 0.01, 0.01
# So often it is looked again at a picture that does not stand still.
PATIENCE = 5
# The same lamp at the same level again may be so far off (share of its codes) before the camera
# has changed, and the dark so many codes before daylight has.
DRIFT, DAYLIGHT = 0.03, 4.0
# The sum of the lamps may be so far (stops, the middle of the picture) from all of them together.
ERROR = 0.12
# A picture of which no block comes up to this code is too dark to be learned from; one of which
# this share is at 250 or above with each lamp alone is too bright.
DARKEST, CLIPPED = 25.0, 0.3
DOES_NOT_FOLLOW = (
    "it is no brighter in the picture for being turned up: it does not follow, or the camera sets"
    " its exposure by itself"
)


@dataclass(frozen=True, slots=True)
class Tell:
    """Tell this device, in this order."""

    device: str
    values: tuple[tuple[Point, Value], ...]


@dataclass(frozen=True, slots=True)
class ByHand:
    """A person turns the dials: `text` is what to do; `device` None: all of them."""

    device: str | None
    level: float
    text: str


@dataclass(frozen=True, slots=True)
class Look:
    """So many frames, taken from now on."""

    count: int


@dataclass(frozen=True, slots=True, eq=False)
class Done:
    learned: Learned
    left_out: Mapping[str, str]
    notes: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Refused:
    why: str
    todo: str


Wish = Tell | ByHand | Look | Done | Refused
Key = tuple[str, float | None]
# A wish that refuses is the last one: whoever carries wishes out does not come back after it.
Steps = Generator[Wish, None, None]


@dataclass(slots=True)
class Lesson:
    """One lesson. `wish` is what is wanted now; say what came of it with one of the three."""

    profile: SetProfile
    made: str
    # devices that are not touched, and why: locked out, not in mains
    without: Mapping[str, str] = field(default_factory=dict)
    camera: Mapping[str, str] = field(default_factory=dict)
    # at which levels (%) each lamp is seen, and none else; None: chosen as the lesson goes on.
    # Fewer are quicker, and the curve is known less well
    levels: tuple[float, ...] | None = None
    left_out: dict[str, str] = field(default_factory=dict)
    notes: list[str] = field(default_factory=list)
    doing: str = "all dark"
    # all was seen: once this wish is carried out the lamps are no longer needed
    seen: bool = False
    _pupils: list[Pupil] = field(default_factory=list)
    _taken: list[LitFrames] = field(default_factory=list)
    _frames: Sequence[Codes] = ()
    _ok: bool = True
    _why: str = ""
    _wish: Wish | None = None
    _steps: Steps = field(init=False)
    _done: int = 0
    # the white each lamp was told last: it is not told again with every level
    _white: dict[str, float] = field(default_factory=dict)
    _levels: Levels = field(init=False)

    def __post_init__(self) -> None:
        self._pupils, self.left_out = pupils(self.profile, self.without)
        self._levels = Levels(self.levels)
        self._steps = self._play()
        self._next()

    # ---- asked and told --------------------------------------------------------------------

    @property
    def wish(self) -> Wish:
        assert self._wish is not None
        return self._wish

    def told(self, ok: bool, why: str = "") -> None:
        """The device took it and confirmed it; or not, and why."""
        assert isinstance(self._wish, Tell)
        for point, value in self._wish.values if ok else ():
            if point == "cct" and isinstance(value, int | float):
                self._white[self._wish.device] = float(value)
        self._ok, self._why = ok, why
        self._next()

    def by_hand(self, done: bool) -> None:
        """A person did it; or leaves that lamp out."""
        assert isinstance(self._wish, ByHand)
        self._ok, self._why = done, "left out by hand"
        self._next()

    def frames(self, frames: Sequence[Codes]) -> None:
        assert isinstance(self._wish, Look)
        self._frames = frames
        self._next()

    @property
    def states(self) -> int:
        """How many times it looks, with all lamps."""
        return 4 + sum(self._count(p, n) for p in self._pupils for n in range(len(p.whites)))

    @property
    def progress(self) -> tuple[int, int, str]:
        """Looked so often, of so many, and what at now."""
        return self._done, max(self.states, self._done), self.doing

    @property
    def lasts(self) -> float:
        """About how long (s) it takes, hands not counted."""
        return STATE_TAKES * self.states

    def _next(self) -> None:
        self._wish = next(self._steps)

    # ---- the lesson ------------------------------------------------------------------------

    def _play(self) -> Steps:
        if not self._pupils:
            yield Refused("there is no lamp to learn", "see what was left out")
        for pupil in self._pupils:
            if not pupil.by_hand:
                yield self._off(pupil.device)
                if not self._ok:
                    yield self._dark_failed(pupil)
        hands = [p.device.name for p in self._pupils if p.by_hand]
        if hands:
            yield ByHand(None, 0.0, f"turn off, by hand: {', '.join(hands)}")
            if not self._ok:
                # nobody is there to turn a dial: what is lit stays in the dark picture, and is said
                for pupil in [p for p in self._pupils if p.by_hand]:
                    self.left_out[pupil.device.name] = "nobody turned its dial"
                self._pupils = [p for p in self._pupils if not p.by_hand]
                hands = []
                if not self._pupils:
                    yield self._nothing_seen()
        self.doing = "all dark"
        yield from self._look({})
        first: tuple[Pupil, LitFrames] | None = None
        for pupil in self._pupils:
            took = yield from self._learn(pupil)
            if took is not None and first is None and not pupil.by_hand:
                first = pupil, took
        dimmed = [p for p in self._pupils if not p.by_hand and self._count(p, -1) > 1]
        lie = [p for p in dimmed if self.left_out.get(p.device.name) == DOES_NOT_FOLLOW]
        if len(lie) > 1 and len(lie) == len(dimmed):
            yield Refused(
                "the camera sets its exposure by itself: no lamp is darker in the picture for being"
                " turned down",
                "set exposure by hand at the camera, and begin anew",
            )
        if not any(len(one.lit) == 1 for one in self._taken):
            yield self._nothing_seen()
        yield from self._together()
        if first is not None:
            yield from self._again(*first)
        if hands:
            self.notes.append(f"turn back by hand, to where the look has them: {', '.join(hands)}")
        yield self._ended()

    def _look(self, lit: Mapping[Key, Lit]) -> Steps:
        """Frames of this state, once the picture stands still: the last of `_taken` then."""
        before: Codes | None = None
        for _ in range(PATIENCE):
            yield Look(FRAMES)
            frames = list(self._frames)
            if len(frames) > 1 and lit and all((f == frames[0]).all() for f in frames[1:]):
                yield Refused(
                    "the same picture comes again and again: the stream stands still",
                    "see that the camera runs and its picture changes",
                )
            known = self._taken[0].frames[0].shape if self._taken else frames[0].shape
            if any(f.shape != known for f in frames):
                yield Refused("the size of the picture changed meanwhile", "begin anew")
            still = all(differ(frames[0], f) <= MOVES for f in frames[1:])
            if before is not None:
                still = still and differ(before, frames[0]) <= MOVES
            if still:
                self._taken.append(LitFrames(dict(lit), frames))
                self._done += 1
                return
            before = frames[-1]
        yield Refused(
            f"something moves in the picture ({self.doing})",
            "leave the picture, let nothing sway in it, and begin anew",
        )

    def _learn(self, pupil: Pupil) -> Generator[Wish, None, LitFrames | None]:
        """One lamp alone. Gives what was taken of it at full, None where it is left out."""
        device = pupil.device
        name = device.name
        dark = self._taken[0].frames[0]
        mine: list[LitFrames] = []
        at_full: LitFrames | None = None
        for n, white in enumerate(pupil.whites):
            levels: list[float] = []
            while len(levels) < self._count(pupil, n):
                level = self._levels.next(pupil, n, len(levels))
                levels.append(level)
                at = f" at {white:.0f} K" if white is not None else ""
                self.doing = f"{name}, {level:.0f} %{at}"
                if pupil.by_hand:
                    yield ByHand(device.name, level, f"turn {name} to {level:.0f} %, alone")
                else:
                    yield self._to(device, level, white)
                if not self._ok:
                    self.left_out[device.name] = self._why or "it did not do as it was told"
                    break
                yield from self._look({(device.name, white): self._lit(device, white, level)})
                taken = self._taken.pop()
                if level == 100.0 and not mine:
                    if brighter(dark, taken.frames[0]) < SEEN:
                        self.left_out[device.name] = "nothing of its light is in the picture"
                        break
                    at_full = taken
                mine.append(taken)
                self._levels.seen(level, blocks(taken.frames[0]))
            if device.name in self.left_out:
                break
        if pupil.by_hand:
            yield ByHand(None, 0.0, f"turn {name} off")
        else:
            yield self._off(device)
        if not self._ok and device.name not in self.left_out:
            yield self._dark_failed(pupil)
        if device.name in self.left_out:
            return None
        lies = self._does_not_follow(mine)
        if lies:
            self.left_out[device.name] = lies
            return None
        self._taken += mine
        return at_full

    def _together(self) -> Steps:
        lit: dict[Key, Lit] = {}
        self.doing = "all together"
        for pupil in self._learned_pupils():
            if pupil.by_hand:
                continue
            device, white = pupil.device, pupil.whites[-1]
            yield self._to(device, TOGETHER, white)
            if self._ok:
                lit[device.name, white] = self._lit(device, white, TOGETHER)
        if len(lit) > 1:
            yield from self._look(lit)

    def _again(self, pupil: Pupil, before: LitFrames) -> Steps:
        """The first lamp alone and the dark once more: is the camera what it was?"""
        for other in self._learned_pupils():
            if not other.by_hand:
                yield self._off(other.device)
                if not self._ok:
                    yield self._dark_failed(other)
        self.doing = "dark once more"
        yield from self._look({})
        dark = self._taken[0].frames[0], self._taken[-1].frames[0]
        if np.abs(means(dark[0]) - means(dark[1])).max() > DAYLIGHT:
            yield Refused(
                "the daylight changed meanwhile", "draw the curtains or wait, and begin anew"
            )
        self.doing = "the first lamp once more"
        yield self._to(pupil.device, 100.0, pupil.whites[0])
        if not self._ok:
            name = pupil.device.name
            yield Refused(f"{name} was not to be seen once more: {self._why}", "begin anew")
        yield from self._look(before.lit)
        now = self._taken.pop()
        kept = Kept("", self.made, before.frames[0], np.ones(before.frames[0].shape[:2], bool))
        looks = framing(kept, now.frames[0])
        if looks is not None and looks.moved:
            yield Refused(
                "the camera moved meanwhile", "see that the tripod stands firm, and begin anew"
            )
        was, is_ = means(before.frames[0]), means(now.frames[0])
        off = is_ / np.maximum(was, 1.0) - 1.0
        if np.abs(off).max() > DRIFT:
            one_way = bool((off > 0).all() or (off < 0).all())
            what = "exposure" if one_way else "white"
            yield Refused(
                f"the camera sets its {what} by itself: the same lamp looks"
                f" {100 * float(np.abs(off).max()):.0f} % otherwise than before",
                f"set {what} by hand at the camera, and begin anew",
            )
        self.seen = True
        self.doing = "all is seen: the look comes back; reckoning takes up to a minute"
        yield self._off(pupil.device)

    def _ended(self) -> Wish:
        top = max(float(blocks(f).max()) for one in self._taken for f in one.frames[:1])
        if top < DARKEST:
            return Refused(
                "the picture is too dark to learn from", "open the lens or raise the ISO"
            )
        full = [one for one in self._taken if len(one.lit) == 1]
        clipped = [float((one.frames[0] >= 250).all(axis=2).mean()) for one in full]
        if min(clipped) > CLIPPED:
            return Refused(
                "much of the picture is clipped with one lamp alone", "close the lens a little"
            )
        try:
            learned = learned_from(self.profile, self.made, self._taken)
        except CannotFit as error:
            return Refused(
                f"the frames do not make a curve: {error}",
                "set exposure and white by hand at the camera, and begin anew",
            )
        if learned.error is not None and learned.error > ERROR:
            return Refused(
                f"all lamps together are {learned.error:.2f} stop from the sum of each alone",
                "set exposure, white and every help of the camera by hand, and begin anew",
            )
        if self.camera:
            learned = _with_camera(learned, self.camera)
        return Done(learned, dict(self.left_out), tuple(self.notes))

    # ---- small things ----------------------------------------------------------------------

    def _count(self, pupil: Pupil, n: int) -> int:
        return self._levels.count(pupil, n, self._pupils)

    def _learned_pupils(self) -> list[Pupil]:
        names = {device for one in self._taken for device, _ in one.lit}
        return [pupil for pupil in self._pupils if pupil.device.name in names]

    def _lit(self, device: Device, white: float | None, level: float) -> Lit:
        sure = 0.0 if level == 100.0 else DIMMER_SURE
        name = device.name if white is None else f"{device.name} {white:.0f}"
        return Lit(name, device.name, level, device.dimmer.output(level), sure)

    def _to(self, device: Device, level: float, white: float | None) -> Tell:
        values: list[tuple[Point, Value]] = []
        if white is not None and self._white.get(device.name) != white:
            values.append(("cct", white))
        values.append(("level", level) if "level" in device.tells else ("switch", True))
        return Tell(device.name, tuple(values))

    @staticmethod
    def _off(device: Device) -> Tell:
        if "switch" in device.tells:
            return Tell(device.name, (("switch", False),))
        low, _ = device.level_range or (0.0, 100.0)
        return Tell(device.name, (("level", low),))

    def _dark_failed(self, pupil: Pupil) -> Refused:
        name = pupil.device.name
        return Refused(f"{name} does not go dark: {self._why}", "see to it, or lock it out")

    def _nothing_seen(self) -> Refused:
        why = "; ".join(f"{name}: {said}" for name, said in self.left_out.items())
        return Refused(f"no lamp is seen in the picture ({why})", "see where the camera looks")

    @staticmethod
    def _does_not_follow(mine: Sequence[LitFrames]) -> str:
        """Brighter at a lower level is no dimmer: the lamp does not follow, or the camera does."""
        by_white: dict[float | None, list[tuple[float, Codes]]] = {}
        for one in mine:
            ((_, white), lit), *_rest = one.lit.items()
            by_white.setdefault(white, []).append((lit.level, one.frames[0]))
        for seen in by_white.values():
            seen.sort(key=lambda at: at[0])
            for (_, dim), (_, bright) in pairwise(seen):
                # over the same blocks: of those that are dim, the brightest alone would be left
                there = lit_blocks(bright)
                if means(bright, there).max() < means(dim, there).max() * 1.05:
                    return DOES_NOT_FOLLOW
        return ""


def _with_camera(learned: Learned, camera: Mapping[str, str]) -> Learned:
    return replace(learned, camera={**learned.camera, **camera})
