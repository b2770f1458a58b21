"""Light that no lamp of the set explains: a window, a door, another lamp.

What light adds to a surface is its reflectance times the light. So what has come in since the
picture was kept is nowhere less than nothing, has the colour of daylight on every surface, and no
amounts of the lamps make it: three things that a lamp turned, and somebody who stands there, do not
have together. Held against the kept picture, for what was learned wrongly is in both alike:

1. Where nobody is (by texture, not by light: a bright patch of daylight is no person), the change
   is taken as a share of the light that was there, over all frames since something last changed.
2. It is explained by no change; by daylight alone, a free amount of it at each place and never less
   than none; by one lamp; by all lamps; by one lamp and daylight. Each leaves something over.
3. Daylight is said where it adds light and blue at the same places, and leaves less over than the
   lamps do (`_said`). Somebody takes light away and colours the rest by their clothes: that makes
   all explanations worse, and daylight has to be more then.

Without a kept picture it is told apart by what is likely: that one thing came in beside lamps that
stayed, and not that several lamps changed in just such a way (`likely.py`).
"""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Mapping
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from studiobridge.profile.model import Region
from studiobridge.profile.sighting import Band, Stray
from studiobridge.witness.blocks import BLOCK, FINE, Blocks, greatest, sums, to_parts
from studiobridge.witness.gathering import FRAMES
from studiobridge.witness.likely import Before, Supposed
from studiobridge.witness.reduced import Mask, Singles, daylight, surfaces
from studiobridge.witness.solving import Solved, Solver

# Stray light is said when it is so likely (0-1), and at least this share of the light there.
SO_LIKELY, LEAST = 0.6, 0.004
# What stands for it is no picture of it: its share is between these times what is found.
LOW, HIGH = 0.4, 3.5
# The box is where it adds at least this share of what it adds at most.
MOST = 0.5

# Shares are of the light there and so much of the mean of all: dark corners are mostly noise.
FLOOR = 0.05
# A block is somebody's from so much other texture (against what noise does), or other light.
OTHER, UNLIKE = 3.0, 0.45
# ... or so many times as much other light as half of the picture has: a large window changes all of
# it, and most where it shines, which is nobody. On renders windows of 12 to 30 % were else left out
# as somebody, and not said; and no lamp and nobody was said to be one for it.
USUAL = 3.0
# ... and texture there is known to this share; what compression does to a finer part (codes).
FOLDS, PRESSED = 0.02, 0.8
# What is as near as this to somebody (share of the picture's width) is lit by them.
NEAR = 0.06
# More of the picture than this is somebody's: then what is left over is mostly theirs.
SOMEBODY = 0.03
# So much of the face has to be seen for its own share of daylight; else that of the whole picture
# may be it, too.
WHOLE = 0.9
# Half of the places differ by more than this (share of the light) between two frames: the light has
# changed in between.
APART = 0.01
# Fewer places than this say nothing.
PLACES = 60
# Light and blue added (share of the light) at the twentieth of the places that has most, from which
# on it is daylight: nobody there, somebody there. With nothing changed it was at most 0.0023 and
# 0.005 on renders; 3 % of the face's light from a side window was 0.032 and 0.022 at least.
ADDED, ADDED_BESIDE = 0.01, 0.014
# What all lamps together leave over (share of the light) below this is explained by them.
EXPLAINED = 0.0045
# Daylight leaves at most this share of what was there, of what one lamp leaves that nobody saw
# moving, of what one lamp leaves in any case, of what all lamps leave (nobody, somebody there).
OF_ALL, OF_UNMOVED, OF_ONE, OF_LAMPS, OF_LAMPS_BESIDE = 0.85, 1.35, 0.8, 0.95, 0.9
# With somebody there it leaves at most this share of what the likest lamp's own colour leaves, free
# at each place, too: on the wheel corner's renders windows left 0.1 to 0.62, lamps 0.78 to 2.
OF_OWN = 0.7
# One lamp and daylight leave at most this share of what all lamps leave.
OF_BOTH = 0.8
# A lamp's own picture is off by this share of how far it went.
LAMP_OFF = 0.03
# A lamp has moved when it is so likely (0-1).
MOVED = 0.5
# A side is one where it is so many times as much as at the other, of what can be seen there: so
# much (share) of either side at least, of top and bottom nearly all. On renders the wall that the
# window is in had up to 2.1 times as much; a lamp at the ceiling 1.1 to 2.4 times at the top.
SIDE, UPRIGHT, MIDDLE = 1.25, 1.5, 1.2
SEEN, NEARLY_ALL = 0.25, 0.8
# Daylight a little warmer and cooler than supposed, as blue against green.
TINTS = (0.9, 1.0, 1.12)

Map = NDArray[np.float32]
Floats = NDArray[np.float64]
Rows = NDArray[np.float64]


@dataclass(frozen=True, slots=True, eq=False)
class _Frame:
    change: Singles  # share of the light, rows × columns × BGR
    free: Singles  # 1 where it counts
    somebody: bool


@dataclass(frozen=True, slots=True, eq=False)
class _Left:
    """One explanation: what it leaves over, and the change without the lamps in it."""

    over: float
    change: Rows
    lamps: Rows  # how far the lamps in it went (share of the light, green)


class Daylight:
    """Fed each frame in order, with the kept picture to hold them against."""

    def __init__(self, solver: Solver, kept: Blocks, x: Floats, face: Region | None) -> None:
        self.solver, self.kept, self.x, self.face = solver, kept, np.maximum(x, 0.0), face
        rows, columns = solver.shape
        self._light = np.asarray(kept.light, np.float64)
        self._floor = self._light + FLOOR * float(self._light.mean())
        self._each = solver.light.reshape(rows, columns, 3, -1) / self._floor[..., None]
        colour = daylight(solver.light, [cct for _, cct in solver.shares])
        tints = [colour * np.array([by, 1.0, 1.0 / by]) for by in TINTS]
        self._day = [self._as_lit(tint) for tint in tints]
        self._frames: deque[_Frame] = deque(maxlen=FRAMES)

    def forget(self) -> None:
        """Begin anew: what was seen before does not go with what comes."""
        self._frames.clear()

    def look(
        self,
        blocks: Blocks,
        frames: int,
        supposed: Supposed,
        before: Mapping[str, Before],
        now: Mapping[str, Before],
    ) -> Stray | None:
        """One frame more, and what it and those before it say; None where nothing is likely.

        `frames`: so many of the last belong together. `before`: what the lights gave in the kept
        picture; `now`: what they should give by what was told since.
        """
        if blocks.fine is None or self.kept.fine is None:
            return None
        self._frames.append(self._one(blocks))
        self._let_go()
        last = list(self._frames)[-max(1, frames) :]
        free = np.sum([frame.free for frame in last], axis=0)
        total = np.sum([frame.change * frame.free[..., None] for frame in last], axis=0)
        change = np.asarray(total / np.maximum(free, 1e-6)[..., None], np.float64)
        there = self._told(before, now)
        went = np.abs(there[..., 1])
        change = change - there
        return self._said(change, free, went, any(f.somebody for f in last), supposed)

    def _let_go(self) -> None:
        """Frames of before the light changed go with none from after it: a blind that has just been
        opened would else be a little of it, and none where it is too bright to be looked at."""
        newest = self._frames[-1]
        for frame in list(self._frames)[:-1]:
            both = (frame.free > 0.0) & (newest.free > 0.0)
            off = np.abs(frame.change[..., 1][both] - newest.change[..., 1][both])
            if not off.size or float(np.median(off)) > APART:
                self._frames.remove(frame)

    def _one(self, blocks: Blocks) -> _Frame:
        whole = self.kept.usable & blocks.usable
        theirs, other = self._theirs(blocks, whole)
        free = whole & ~theirs & ~other
        if theirs.any():
            columns = self.solver.shape[1]
            away = cv2.distanceTransform((~theirs).astype(np.uint8), cv2.DIST_L2, 3)
            free &= away > NEAR * columns
        change = (blocks.light - self._light) / self._floor
        return _Frame(
            change.astype(np.float32),
            free.astype(np.float32),
            float(theirs.mean()) > SOMEBODY,
        )

    def _theirs(self, blocks: Blocks, whole: Mask) -> tuple[Mask, Mask]:
        """Where somebody is, closed and one block wider; and every block that is another."""
        assert blocks.fine is not None and self.kept.fine is not None
        solver = self.solver
        rows, columns = solver.shape
        each = BLOCK // FINE
        grid = (rows, each, columns, each, 3)
        now, then = blocks.fine.reshape(grid), np.maximum(self.kept.fine.reshape(grid), 1e-6)
        parts = np.float32(each * each)
        light, was = sums(now) / parts, sums(then) / parts
        ratio = light / np.maximum(was, 1e-5)
        expected = to_parts(then, ratio)
        step = solver.one_code(np.maximum(expected, 0.0)) * np.float32(PRESSED)
        own = (solver.read**2 + solver.shot * np.maximum(expected, 0.0)) / FINE**2 + step**2
        spread = 2.0 * own + (FOLDS * expected) ** 2 + 1e-12
        far = ((now - expected) ** 2 / spread).mean(axis=(1, 3, 4))
        if whole.any():
            far = far / max(1.0, float(np.median(far[whole])))
        less = np.abs(light - was) / (was + 0.02 * float(was.mean()))
        unlike = greatest(less)
        most = max(UNLIKE, USUAL * float(np.median(unlike[whole]))) if whole.any() else UNLIKE
        other: Mask = np.asarray(whole & ((far > OTHER) | (unlike > most)))
        image = other.astype(np.uint8)
        closed = cv2.morphologyEx(image, cv2.MORPH_CLOSE, np.ones((5, 5), np.uint8))
        core = cv2.morphologyEx(closed, cv2.MORPH_OPEN, np.ones((2, 2), np.uint8))
        return np.asarray(cv2.dilate(core, np.ones((3, 3), np.uint8)) > 0), other

    def _told(self, before: Mapping[str, Before], now: Mapping[str, Before]) -> Rows:
        """What the lights were told since changes, as a share of the light."""
        by = np.zeros(len(self.solver.shares))
        for name, there in now.items():
            was = before.get(name)
            if was is there or name not in self.solver.of:
                continue
            of = self.solver.of[name]
            from_ = self.solver.spread(name, was) if was is not None else self.x[of]
            by[of] = self.solver.spread(name, there) - from_
        return np.asarray(self._each @ by, np.float64)

    def _said(
        self, change: Rows, free: Singles, went: Rows, somebody: bool, supposed: Supposed
    ) -> Stray | None:
        on = (free > 0.0).astype(np.float32)
        near = cv2.blur(on, (3, 3))
        smooth = cv2.blur(change * on[..., None], (3, 3)) / np.maximum(near, 0.2)[..., None]
        places = np.zeros(on.shape, np.bool_)
        places[1::2, 1::2] = True
        places &= (on > 0.0) & (near > 0.5)
        y = smooth[places]
        if len(y) < PLACES:
            return None
        told = went[places]
        least = ADDED_BESIDE if somebody else ADDED
        nothing = _Left(_over(_square(y), told), y, told)
        if nothing.over < EXPLAINED or (somebody and _added(nothing) < least):
            return None
        each = self._each[places]
        days = [day[places] for day in self._day]
        of = self.solver.of
        day = min((self._explained(y, each, [], told, v) for v in days), key=lambda one: one.over)
        alone = {name: self._explained(y, each, i, told) for name, i in of.items()}
        likest = min(alone, key=lambda name: alone[name].over)
        one = alone[likest]
        every = self._explained(y, each, list(range(each.shape[2])), told)
        if every.over < EXPLAINED:
            return None
        found = None
        moved = sum(light.moved > MOVED for light in supposed.lights.values())
        unmoved = not moved and day.over <= min(OF_ALL * nothing.over, OF_UNMOVED * one.over)
        of_lamps = OF_LAMPS_BESIDE if somebody else OF_LAMPS
        instead = day.over <= min(OF_ONE * one.over, of_lamps * every.over)
        if somebody:
            # who stands there is why a lamp leaves more over than daylight, which is free at each
            # place: then so is that lamp, with its white as it was
            own = self._explained(y, each, [], told, self._as_kept(each[:, :, of[likest]], likest))
            instead = instead and day.over <= OF_OWN * own.over
            unmoved = unmoved and day.over <= OF_OWN * own.over
        if _added(day) >= least and (unmoved or instead):
            found = day
        elif not somebody and moved <= 1:
            # two lamps turned are now and then less like all lamps than like one and a window
            v = days[len(days) // 2]
            both = min((self._explained(y, each, i, told, v) for i in of.values()), key=_left)
            if both.over <= OF_BOTH * every.over and _added(both) >= least:
                found = both
        if found is None:
            return None
        # where it comes from says all that has changed: what a lamp might have done of it is most
        # beside that lamp. Only where one surely has moved it must be so without that, too.
        ways = [y]
        if moved:
            v = days[len(days) // 2]
            by_lamp = (self._explained(y, each, i, told, v) for i in of.values())
            ways.append(min(by_lamp, key=_left).change)
        sides = {_where(*self._shares(way, places)) for way in ways}
        return self._stray(found.change, places, sides.pop() if len(sides) == 1 else "")

    def _explained(
        self, y: Rows, each: Rows, of: list[int], told: Rows, day: Rows | None = None
    ) -> _Left:
        """By these lamps, and by daylight at each place: as much as fits, never less than none."""
        mine = each[:, :, of]
        part, wanted = mine, y
        if day is not None:
            along = (day[:, None, :] @ mine)[:, 0]
            part = mine - day[:, :, None] * along[:, None, :]
            wanted = y - day * _along(day, y)[:, None]
        # places and channels as one: their products are the library's then
        flat, right, lamps = part.reshape(y.size, len(of)), wanted.reshape(-1), mine[:, 1]
        mine = mine.reshape(y.size, len(of))
        trust = np.ones(len(y))
        rest, went, square = y, told, np.zeros(len(y))
        for _ in range(4 if of else 1):
            if of:
                pulled = (flat * np.repeat(trust, 3)[:, None]).T
                h = pulled @ flat + 1e-4 * np.eye(len(of))
                by = np.linalg.solve(h, pulled @ right)
                by = np.maximum(by, -self.x[of] - 0.05)  # no lamp gives less than nothing
                rest = y - (mine @ by).reshape(y.shape)
                went = told + np.abs(lamps @ by)
            square = _square(rest)
            if day is not None:
                much = np.maximum(_along(day, rest), 0.0)
                # one of three figures a place is free then
                square = 1.5 * _square(rest - day * much[:, None])
            trust = 1.0 / (1.0 + square / (4.0 * float(np.median(square)) + 1e-8))
        return _Left(_over(square, went), rest, went)

    def _as_kept(self, part: Rows, name: str) -> Rows:
        """Of each place how a lamp's light, with its white as it was kept, changes it."""
        x = self.x[self.solver.of[name]]
        way = part @ (x if x.sum() > 0.0 else np.ones(len(x)))
        return np.asarray(way / np.maximum(np.linalg.norm(way, axis=1, keepdims=True), 1e-12))

    def _as_lit(self, day: Floats) -> Rows:
        """Of each block how daylight changes it, of length one: its surface, under that colour."""
        surface = surfaces(self.solver.light)
        # `day` is of all surfaces together: their own colour is in it already
        way = (surface / surface.mean(axis=0) * day).reshape(self._light.shape) / self._floor
        return np.asarray(way / np.linalg.norm(way, axis=2, keepdims=True), np.float64)

    def _shares(self, change: Rows, places: Mask) -> tuple[Map, Mask]:
        """What a change adds at these places, as a share of the light there; of the grid of all
        places, every second block across and down."""
        light = self._light.sum(axis=2)
        added = np.zeros(self._light.shape)
        added[places] = np.maximum(change, 0.0)
        more = (added * self._floor).sum(axis=2)
        share = np.where(places, more / (light + 0.1 * float(light.mean())), 0.0)
        return np.asarray(share[1::2, 1::2], np.float32), places[1::2, 1::2]

    def _stray(self, change: Rows, places: Mask, where: str) -> Stray | None:
        """How much, and where. `change`: share of the light, of each of `places`."""
        added = np.zeros(self._light.shape)
        added[places] = np.maximum(change, 0.0)
        light = self._light.sum(axis=2)
        more = (added * self._floor).sum(axis=2)
        of = [float(more[places].sum() / max(float(light[places].sum()), 1e-9))]
        if self.face is not None:
            region = _cut(self.face, light.shape)
            at = places[region]
            there = float(more[region][at].sum() / max(float(light[region][at].sum()), 1e-9))
            # every fourth block is looked at; where somebody hides some of them it may be either
            seen = 4.0 * float(at.mean())
            of = [there] if seen > WHOLE else [there, *of] if at.any() else of
        value = max(float(np.mean(of)), LEAST)
        share = np.where(places, more / (light + 0.1 * float(light.mean())), 0.0)
        # every second block was looked at, across and down
        share = np.asarray(cv2.dilate(share, np.ones((3, 3), np.uint8)), np.float32)
        return _boxed(
            Band(LOW * min(value, *of), value, HIGH * max(value, *of)), where, share, 0.98
        )


def _left(one: _Left) -> float:
    return one.over


def _square(rows: Rows) -> Floats:
    return np.asarray(_along(rows, rows) / 3.0, np.float64)


def _along(one: Rows, other: Rows) -> Floats:
    """The sum over the channels of their product: numpy is slow along a short last axis."""
    blue, green, red = (one[:, channel] * other[:, channel] for channel in range(3))
    return np.asarray(blue + green + red, np.float64)


def _over(square: Floats, went: Rows) -> float:
    """The root mean square of the better nine tenths, without what a lamp's picture is off by."""
    left = np.sort(np.maximum(square - (LAMP_OFF * went) ** 2, 0.0))
    return math.sqrt(float(left[: max(1, int(0.9 * len(left)))].mean()))


def _added(one: _Left) -> float:
    """How much is added, of light and of blue, where it is most."""
    green, blue = one.change[:, 1], one.change[:, 0] - one.change[:, 2]
    return float(np.quantile(np.minimum(green, blue) - LAMP_OFF * one.lamps, 0.95))


def stray(solver: Solver, found: Solved, supposed: Supposed, face: Region | None) -> Stray | None:
    """Stray light in one solved frame, or many together; None where none is likely."""
    n = len(solver.shares)
    moved = sum(one.moved > MOVED for one in supposed.lights.values())
    if not supposed.lights or supposed.stray < SO_LIKELY or len(supposed.amounts) <= n:
        return None
    if 2 * moved > len(supposed.lights):
        return None  # most lamps are elsewhere: what is left of the picture is anybody's
    amounts = np.maximum(supposed.amounts[n:], 0.0).astype(np.float32)
    more = (solver.with_stray[:, n:] @ amounts).reshape(found.predicted.shape).sum(axis=2)
    whole = np.maximum(found.predicted.sum(axis=2), 1e-6)
    part = more[_cut(face, more.shape)] if face else more
    under = whole[_cut(face, more.shape)] if face else whole
    value = float(part.sum() / under.sum())
    if not value > LEAST:
        return None
    # where it is says the frame itself, as far as nobody stands there
    lamps = (solver.light @ supposed.amounts[:n].astype(np.float32) + solver.dark).reshape(
        found.predicted.shape
    )
    really = (found.seen - lamps).sum(axis=2)
    weights = found.weights
    really = cv2.blur(really * weights, (5, 5)) / np.maximum(cv2.blur(weights, (5, 5)), 0.05)
    really = np.where(cv2.blur(weights, (5, 5)) > 0.3, really, more)
    # as a share of the light there; dark corners are no places where much of it is
    share = np.asarray(np.maximum(really, 0.0) / (whole + 0.1 * float(whole.mean())), np.float32)
    where = _where(share, np.asarray(cv2.blur(weights, (5, 5)) > 0.3))
    return _boxed(Band(LOW * value, value, HIGH * value), where, share, 0.95)


def _boxed(band: Band, where: str, share: Map, most: float) -> Stray:
    """With the box where it adds most, but for what is brighter than `most` (0-1) of the places."""
    rows, columns = np.nonzero(share >= MOST * float(np.quantile(share, most)))
    down, across = share.shape
    return Stray(
        band,
        where,
        float(columns.min()) / across,
        float(rows.min()) / down,
        float(columns.max() + 1) / across,
        float(rows.max() + 1) / down,
    )


def _cut(region: Region, shape: tuple[int, ...]) -> tuple[slice, slice]:
    rows, columns = shape[:2]
    top, left = min(int(region.top * rows), rows - 1), min(int(region.left * columns), columns - 1)
    return (
        slice(top, max(top + 1, round(region.bottom * rows))),
        slice(left, max(left + 1, round(region.right * columns))),
    )


def _where(share: Map, places: Mask) -> str:
    """On which side most of it is, of what was looked at; empty where that cannot be told.

    A place that could not be looked at, for somebody is there or it is too different, is no place
    without it. From above or below, in the middle or everywhere is said of a whole picture only.
    """
    rows, columns = share.shape
    down, across = rows // 3, columns // 3
    parts: dict[str, tuple[slice, slice]] = {
        "left": np.s_[:, :across],
        "right": np.s_[:, -across:],
        "top": np.s_[:down, :],
        "bottom": np.s_[-down:, :],
        "middle": np.s_[down:-down, across:-across],
    }
    seen = {name: float(places[at].mean()) for name, at in parts.items()}
    much = {
        name: float(share[at][places[at]].mean()) if seen[name] > 0.0 else 0.0
        for name, at in parts.items()
    }

    def more(one: str, other: str, by: float, least: float) -> bool:
        there = min(seen[one], seen[other]) >= least
        return there and much[one] > by * max(much[other], 1e-9)

    for one, other in (("left", "right"), ("right", "left")):
        if more(one, other, SIDE, SEEN):
            return one
    if min(seen.values()) < NEARLY_ALL:
        return ""
    for one, other in (("top", "bottom"), ("bottom", "top")):
        if more(one, other, UPRIGHT, 0.0):
            return one
    every = float(share[places].mean())
    return "middle" if much["middle"] > MIDDLE * every else "everywhere"
