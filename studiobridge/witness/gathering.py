"""Many frames together: what somebody hides in one is seen in the next.

Kept are the blocks of the last frames (some ten kilobytes each, FRAMES of them at most), each
with what of it counted. Of every block the mean over the frames in which it was seen is solved once
more; so a presenter who moves leaves little hidden, and the light they send elsewhere averages out.
A lamp that changes in between must not: a frame that says so is kept aside, and when the next one
agrees, all that was gathered before is forgotten. Meanwhile what the newest frame says by itself is
what is said.
"""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np

from studiobridge.profile.sighting import Band
from studiobridge.witness.blocks import Blocks
from studiobridge.witness.likely import Before
from studiobridge.witness.reduced import LEAST, SURE, Floats, Mask, Singles
from studiobridge.witness.solving import LEARNED_OFF, Solved, Solver

FRAMES = 20
# A lamp counts as moved between two frames at this probability, and from so many stops on.
SO_LIKELY, BY = 0.9, 0.1
# No light is held to be where it was more exactly than this (stops).
SUREST = 0.015
# Of so much covered (share) what somebody does to the rest is lost among other errors.
AWAY = 0.05
# A block of which the mean may be so far off (share), by how frames differ, counts by half.
APART = 0.01
# A block counts in the mean where all its weights together are this much.
ENOUGH = 0.5
# A frame in which so much more (share) is covered than in the one before is solved anew, from all
# starting places.
MORE = 0.04


@dataclass(frozen=True, slots=True, eq=False)
class _Frame:
    blocks: Blocks
    weights: Singles
    x: Floats
    taken: float | None
    covered: float
    smooth: float


class Gathering:
    """Fed each frame in order; says what all of them since the last change show."""

    def __init__(self, solver: Solver, frames: int = FRAMES) -> None:
        self.solver = solver
        self._frames: deque[_Frame] = deque(maxlen=frames)
        self._aside: _Frame | None = None
        self._last: Solved | None = None
        # when the frames were taken that the last answer was put together from
        self._of: list[float | None] = []
        self._covered = 0.0

    @property
    def frames(self) -> int:
        """How many frames the last answer was put together from."""
        return max(1, len(self._of))

    @property
    def since(self) -> float | None:
        """When the oldest of these was taken; None where that is not known of every one."""
        known = [taken for taken in self._of if taken is not None]
        return min(known) if known and len(known) == len(self._of) else None

    def forget(self) -> None:
        """Begin anew: the camera moved, or what is seen cannot go with what was."""
        self._frames.clear()
        self._of.clear()
        self._aside, self._last = None, None

    def forget_before(self, at: float) -> None:
        """Let go of every frame that was taken before this, or nobody knows when."""
        kept = [f for f in self._frames if f.taken is not None and f.taken >= at]
        if not kept:
            self.forget()
            return
        self._frames.clear()
        self._frames.extend(kept)
        aside = self._aside
        if aside is not None and (aside.taken is None or aside.taken < at):
            self._aside = None

    def add(
        self,
        blocks: Blocks,
        prior: Mapping[str, Before] | None = None,
        taken: float | None = None,
    ) -> Solved:
        """One frame more, and what all since the last change show."""
        self._of = [taken]
        one = self._one(blocks, prior)
        kept = replace(blocks, fine=None)
        frame = _Frame(
            kept,
            np.where(one.left_out, 0.0, one.weights).astype(np.float32),
            one.x,
            taken,
            one.covered,
            one.smooth,
        )
        if not one.weights.any():
            return one
        if self._last is not None and self._moved(self._last, one):
            aside, self._aside = self._aside, frame
            if aside is None or not self._agree(aside, one):
                return one
            # two frames agree on it: the lamp has changed, and what was before is forgotten
            self._frames.clear()
            self._frames.append(aside)
        elif self._aside is not None:
            self._aside = None  # only that one frame said so: it does not count
        self._frames.append(frame)
        self._aside = None
        self._of = [frame.taken for frame in self._frames]
        self._last = one if len(self._frames) < 2 else self._together(one, prior)
        return self._last

    def _one(self, blocks: Blocks, prior: Mapping[str, Before] | None) -> Solved:
        """This frame by itself: near where the last one was, unless it is not."""
        last = self._last
        if last is None:
            one = self.solver.solve(blocks, prior)
        else:
            # where lamps changed or somebody came in, other starting places may fit better
            one = self.solver.solve(
                blocks,
                prior,
                starts=[last.x],
                near=last,
                unless=lambda covered, x: covered > self._covered + MORE or not self._near(last, x),
            )
        self._covered = one.covered
        return one

    def _near(self, last: Solved, x: Floats) -> bool:
        """Is there nothing that could have moved?"""
        return all(
            _stops(float(x[of].sum()), last.levels[name].amount.value) < BY / 2
            for name, of in self.solver.of.items()
            if last.levels[name].tells
        )

    def _moved(self, last: Solved, one: Solved) -> bool:
        if self._near(last, one.x):
            return False  # plainly the same: what follows takes longer
        found = self.solver.suppose(one, known_from(self.solver, last), last).lights
        return any(
            new.moved > SO_LIKELY and _stops(new.amount.value, last.levels[name].amount.value) > BY
            for name, new in found.items()
        )

    def _agree(self, aside: _Frame, one: Solved) -> bool:
        return all(
            abs(float(aside.x[of].sum()) - one.levels[name].amount.value)
            <= 1.5 * (one.levels[name].amount.high - one.levels[name].amount.value)
            + 0.05 * one.levels[name].amount.value
            for name, of in self.solver.of.items()
        )

    def _together(self, one: Solved, prior: Mapping[str, Before] | None) -> Solved:
        frames = list(self._frames)
        x = np.median([frame.x for frame in frames], axis=0)
        shape = self.solver.shape
        light = np.stack([frame.blocks.light for frame in frames])
        # judged by what all of them say: a frame's own answer may have hidden the wrong part
        far = self.solver.misfit(light.reshape(len(frames), -1), x).reshape(len(frames), *shape)
        # what somebody does goes with how much they cover: who is away counts most
        covered = np.array([frame.covered for frame in frames])
        counts = ((covered.min() + AWAY) / (covered + AWAY)) ** 2
        own = np.stack(
            [c * f.weights * f.blocks.usable for c, f in zip(counts, frames, strict=True)]
        )
        own = own / (1.0 + far / 9.0) ** 2
        total = own.sum(axis=0)
        mean = np.einsum("frc,frck->rck", own, light) / np.maximum(total, 1e-6)[..., None]
        # texture was judged in each frame
        merged = Blocks(mean.astype(np.float32), None, total > ENOUGH)
        trust = np.minimum(1.0, total / ENOUGH / 2).astype(np.float32)
        same = _same(own.reshape(len(frames), -1) <= 0.0)
        alike = float(counts @ same @ counts) / float(counts.sum()) ** 2
        # what changes from one frame to the next is shaded in some of them: who knows in which
        apart = (
            np.einsum("frc,frck->rck", own, (light - mean) ** 2)
            / np.maximum(total, 1e-6)[..., None]
        )
        guess = np.maximum(mean, LEAST)
        noise = self.solver.noise(guess.reshape(-1)).reshape(guess.shape)
        apart = np.maximum(apart - noise, 0.0) / guess**2
        trust = trust / (1.0 + apart.mean(axis=2) * alike / APART**2)
        # the newest may be the one in which nobody stands: errors are as smooth as in all of them
        like = replace(one, smooth=math.sqrt(float(np.mean([f.smooth**2 for f in frames]))))
        found = self.solver.solve(merged, prior, trust, [x], like, alike)
        if not found.weights.any():
            return one
        found = replace(found, hidden=float(covered.max()))
        scatter = np.var([frame.x for frame in frames], axis=0) / len(frames)
        return _no_narrower(self.solver, found, scatter)


def _same(out: Mask) -> Floats:
    """How far what somebody does is the same in two frames (0-1): frames × frames.

    As far as the same blocks are left out, over what either leaves out: who stands still shades the
    same in all, and of who moves it averages out.
    """
    some = out.astype(np.float64)
    both = some @ some.T
    each = np.diag(both)
    return np.asarray(both / np.maximum(each[:, None] + each[None, :] - both, 1.0), np.float64)


def _no_narrower(solver: Solver, found: Solved, scatter: Floats) -> Solved:
    """Bands no narrower than how far the frames' own answers lie apart allows."""
    levels = dict(found.levels)
    for name, of in solver.of.items():
        least = SURE * math.sqrt(float(scatter[of].sum()))
        band = levels[name].amount
        if band.high - band.value < least:
            value = band.value
            wider = Band(max(0.0, value - least), value, value + least)
            levels[name] = replace(levels[name], amount=wider)
    return replace(found, levels=levels)


def _stops(a: float, b: float) -> float:
    return abs(math.log2(max(a, 1e-3) / max(b, 1e-3)))


def known_from(solver: Solver, solved: Solved) -> dict[str, Before]:
    """What one solved frame says of each light that it tells, for the next to be held against.

    What was learned wrongly is wrong in both alike, and so no part of how sure it is.
    """
    found = {}
    for name, level in solved.levels.items():
        if not level.tells:
            continue
        of, value = solver.of[name], max(level.amount.value, 0.02)
        own = float(solved.covariance[of][:, of].sum())
        own -= sum((LEARNED_OFF * max(float(solved.x[i]), 0.05)) ** 2 for i in of)
        sure = SURE * math.sqrt(max(0.0, own)) / value / math.log(2)
        parts = tuple(float(solved.x[i]) for i in of)
        found[name] = Before(level.amount.value, min(1.0, max(SUREST, sure)), parts=parts)
    return found
