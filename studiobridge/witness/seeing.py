"""One look at the picture: everything it tells, as a `Sighting`.

A `Seeing` is fed one frame after another of one camera. First it is asked whether the frame can be
concluded from at all (`hinders`); levels are said in any case, with the bands they have, but nobody
may build on them while something hinders. Amounts become levels by what was learned of each lamp's
dial, else by the profile's dimmer. Against the kept picture a light has `moved` when it is likely
that it did, few moving at a time (`likely.py`), and by more than its tolerance for sure.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Literal

import cv2
import numpy as np

from studiobridge.craft.light import Dimmer
from studiobridge.craft.monotone import Monotone
from studiobridge.profile.model import Preset, SetProfile
from studiobridge.profile.sighting import (
    Band,
    Hindrance,
    SeenFraming,
    SeenLight,
    SeenScreen,
    SeenWhite,
    Sighting,
    Stray,
)
from studiobridge.witness.automatic import Automatic, Setting
from studiobridge.witness.blocks import BLOCK, FINE, Blocks, fully
from studiobridge.witness.framing import Framer
from studiobridge.witness.gathering import Gathering, known_from
from studiobridge.witness.learned import Codes, Kept, Learned, Picture
from studiobridge.witness.less_even import KeptScreen
from studiobridge.witness.likely import Before, Supposed
from studiobridge.witness.reduced import Mask, Singles
from studiobridge.witness.screen import Made, screen
from studiobridge.witness.solving import Solved, Solver
from studiobridge.witness.stray import Daylight, stray
from studiobridge.witness.white import clipped, white

# The same picture to the last bit, so many times in a row: a camera's noise never does that.
STILL = 3
# More of the usable picture covered than this, shadows and all: the rest says too little. Somebody
# who hides two fifths of it throws shadows on a sixth more.
HIDDEN = 0.6
# What is left unexplained (stops) in what is not covered: nothing fits any more.
STALE = 0.2
# Half of the picture's codes below this, or so much of it clipped.
DARKEST, BRIGHTEST = 6, 0.4
# A light has moved when it is so likely (0-1).
SO_LIKELY = 0.9
# Stops are not said beyond this, and not against a light that gave less than this of its full.
MOST, LEAST = 10.0, 0.01
# A light is where its preset has it to about this (stops): a dial, a dimmer curve.
WANTED = 0.2
# Somebody is in the picture where so much of it is covered. What stands before a backdrop is told
# from it by its colour (stops between channels) or by more than a shadow does (stops); light below
# this is not judged.
SOMEBODY, TINT, APART, DIM = 0.02, 0.2, 1.0, 0.002
# When a frame was taken is known to about this (s): further back is a clock that was put back.
STEPS = 1.0
# Gains of the camera (stops) that are taken out before the lamps are solved: of all channels, and
# of one against another, which lamps of two whites could explain only by turning all together.
GAIN, TINTED = 0.08, 0.12
# Of many frames together a block is somebody's in this one where it is so far off (squared, in what
# it may be off).
HERE = 8.0
# Sharpness goes slowly and costs as much as the rest of the framing: at every so many looks.
SHARP = 4


@dataclass(frozen=True, slots=True, eq=False)
class _Reference:
    kept: Kept
    light: Picture
    solved: Solved
    before: Mapping[str, Before]
    framer: Framer
    daylight: Daylight
    screen: KeptScreen


class Seeing:
    """Looks at one frame after another of one camera.

    `look` takes the frame's codes (rows × columns × BGR), when it was taken by the bridge's clock
    (None where no bridge was heard), how old it is (s), and the presets that are wanted now.
    """

    def __init__(
        self, learned: Learned, kept: Kept | None, profile: SetProfile, run: str = ""
    ) -> None:
        self.learned, self.profile, self.run = learned, profile, run
        self.solver = Solver(learned)
        self.gathering = Gathering(self.solver)
        self.automatic = Automatic(learned)
        self.frame = 0
        self._table = learned.curve.table
        self._last: Codes | None = None
        self._same = 0
        # when the last frame was taken, and the oldest of those the last answer is made of
        self._taken: float | None = None
        self._since: float | None = None
        self._wanted: Mapping[str, Preset] = {}
        self.kept: Kept | None = None
        self._reference: _Reference | None = None
        self._setting: Setting | None = None  # the camera's, as it was last judged
        self._looked: _Reference | None = None  # the last that a frame was held against
        self.solved: Solved | None = None  # what the last look came to, for who draws it
        self._nobody: tuple[Solved, Mask] | None = None  # asked for twice of each frame
        self._keys = next((d.keys for d in profile.devices.values() if d.keys is not None), None)
        self.hold_against(kept)

    def hold_against(self, kept: Kept | None) -> None:
        """Another kept picture from here on. Raises ValueError for one of another size."""
        self.kept, self._reference = kept, None
        if kept is None:
            return
        codes = kept.codes
        columns, rows = self.solver.size
        if kept.counts.shape != (rows, columns):
            raise ValueError("a kept picture's mask is of another size than the picture")
        blocks = self.solver.blocks(codes)
        light = self._linear(codes)
        # what is clipped there is for the solver as covered
        clear = kept.counts & (codes < self.learned.clips).all(axis=2)
        solved = self.solver.look(light, clear)
        before = known_from(self.solver, solved)
        blocks = replace(blocks, usable=blocks.usable & fully(kept.counts))
        daylight = Daylight(self.solver, blocks, solved.x, self.learned.face)
        backdrop = KeptScreen(self.learned, light, kept.counts, self._keys)
        self._reference = _Reference(kept, light, solved, before, Framer(kept), daylight, backdrop)

    def forget(self) -> None:
        """Begin anew: nothing that was seen before goes with what comes."""
        self.gathering.forget()
        self._last, self._same = None, 0
        if self._reference is not None:
            self._reference.daylight.forget()

    # ---- one frame -------------------------------------------------------------------------

    def look(
        self,
        codes: Codes,
        taken: float | None,
        age: float,
        wanted: Mapping[str, Preset] | None = None,
        counts_from: float | None = None,
    ) -> Sighting:
        """What this frame and those before it tell. Raises ValueError for what is no frame.

        `counts_from`: a frame taken before this, by the bridge's clock, may be of before the last
        change the bridge made. None of these is put together with one from after it, and none says
        that the camera sets itself: lamps that come and go on purpose look the same. Endless while
        the set comes up or goes down.
        """
        self.solver.check(codes)
        wanted = wanted or {}
        self._count(codes, taken, counts_from)
        hinders = self._hindered(codes)
        blind = bool({"too dark", "too bright"} & {*hinders})
        framing = None if blind else self._framed(codes, hinders)
        light = self._linear(codes)
        early = _early(taken, counts_from)
        setting = None if blind else self._set(light, wanted, hinders, early)
        self._wanted = dict(wanted)
        gains = _gains(setting)
        blocks = self.solver.blocks(codes, light)
        if gains is not None:
            blocks = _divided(blocks, gains)
        solved = self._solve(blocks, taken)
        if not blind:
            hinders += _unexplained(solved)
        at_all = not blind and "moved" not in hinders
        lights, found = self._lights(solved, blocks, wanted, hinders, at_all)
        usable = self._here(solved, blocks)
        return Sighting(
            self.run,
            self.frame,
            taken,
            age,
            frames=self.gathering.frames,
            since=None if taken is None or self._since is None else min(taken, self._since),
            learned=self.learned.made,
            kept=self.kept.look if self.kept else None,
            kept_at=self.kept.made if self.kept else None,
            hinders=tuple(hinders),
            lights=lights,
            stray=found,
            screen=self._screen(light, blocks, solved, usable, gains) if at_all else None,
            white=self._white(light, usable, gains) if at_all else None,
            exposure=setting.exposure if setting and self._reference and not early else None,
            by_hand=_by_hand(setting) if setting and "moved" not in hinders else (),
            clipped_face=clipped(self.learned, codes, self.learned.face),
            clipped_screen=clipped(self.learned, codes, self.learned.screen),
            framing=framing,
            covered=min(1.0, solved.covered),
            residual=solved.residual,
        )

    # ---- its steps, in order ---------------------------------------------------------------

    def _count(self, codes: Codes, taken: float | None, counts_from: float | None) -> None:
        """One frame more: by which clock, after which change, and is it the last one again?"""
        self.frame += 1
        self._one_clock(taken)
        if taken is not None and counts_from is not None and not _early(taken, counts_from):
            self.gathering.forget_before(counts_from)
        self._same = self._same + 1 if self._is_last(codes) else 1
        self._last = codes.copy()

    def _hindered(self, codes: Codes) -> list[Hindrance]:
        """What the codes alone say against the frame."""
        hinders: list[Hindrance] = []
        if self._same >= STILL:
            hinders.append("standing still")
        bright = cv2.resize(codes, (96, 54), interpolation=cv2.INTER_AREA)
        if float(np.median(bright)) < DARKEST:
            hinders.append("too dark")
        if float((bright.min(axis=2) >= self.learned.clips).mean()) > BRIGHTEST:
            hinders.append("too bright")
        return hinders

    def _framed(self, codes: Codes, hinders: list[Hindrance]) -> SeenFraming | None:
        """Where the camera looks against the kept picture: one that moved begins anew."""
        reference = self._reference
        if reference is None:
            return None
        sharp = self.frame % SHARP == 1 or self._looked is not reference
        framing = reference.framer.look(codes, sharp=sharp)
        self._looked = reference
        if framing is not None and framing.moved:
            hinders.append("moved")
            self.gathering.forget()
        return framing

    def _set(
        self,
        light: Picture,
        wanted: Mapping[str, Preset],
        hinders: list[Hindrance],
        early: bool,
    ) -> Setting | None:
        """How the camera is set against how it was: is it so by itself? What was known of it stands
        while lamps are changed on purpose, and is held against the frames that come after."""
        if early:
            return self._setting
        usable = self.usable(self.solved) if self.solved else None
        setting = self.automatic.look(light, self._expected(wanted), usable)
        if setting.auto_exposure:
            hinders.append("auto exposure")
        if setting.auto_white:
            hinders.append("auto white")
        self._setting = setting
        return setting

    def _solve(self, blocks: Blocks, taken: float | None) -> Solved:
        """Every light's amount, by this frame and those before; the same again says no more."""
        if self._same == 1 or self.solved is None:
            self.solved = self.gathering.add(blocks, taken=taken)
            self._since = self.gathering.since
        return self.solved

    def _lights(
        self,
        solved: Solved,
        blocks: Blocks,
        wanted: Mapping[str, Preset],
        hinders: list[Hindrance],
        at_all: bool,
    ) -> tuple[dict[str, SeenLight], Stray | None]:
        """Each light, and light from nowhere, where anything may be said of that."""
        reference = self._reference
        before = reference.before if reference else {}
        supposed = self.solver.suppose(solved, before, reference.solved if reference else None)
        # much daylight is just what nothing that was learned explains
        strays = at_all and {*hinders} <= {"stale", "hidden"}
        if reference and not strays:
            reference.daylight.forget()
        found, beside = None, None
        if strays:
            found, told = self._stray(solved, wanted, supposed, blocks, bool(hinders))
            beside = told if found is not None else None
        there = solved.somebody and (
            reference is None or self.solver.covers(solved, reference.solved, supposed.amounts)
        )
        lights = {n: self._light(n, solved, supposed, beside, there) for n in self.solver.devices}
        return lights, found

    def _screen(
        self,
        light: Picture,
        blocks: Blocks,
        solved: Solved,
        usable: Mask,
        gains: Singles | None,
    ) -> SeenScreen | None:
        """The backdrop. In the light the camera had, for by that it is clipped or not."""
        reference = self._reference
        made = self.solver.made_with(solved)
        cloth = self._cloth(solved, blocks, usable, made)
        if gains is not None:
            made = replace(made, light=made.light * gains)
        return screen(
            self.learned,
            light,
            cloth,
            reference.screen if reference else None,
            self._keys,
            made,
        )

    def _white(self, light: Picture, usable: Mask, gains: Singles | None) -> SeenWhite | None:
        reference = self._reference
        if reference is None:
            return None
        if gains is not None:
            # the camera's white is for `white` to say
            light = light / gains[1]
        wanted = self.profile.picture
        counts = usable & reference.kept.counts
        return white(self.learned, light, reference.light, counts, wanted.white, wanted.duv)

    def _one_clock(self, taken: float | None) -> None:
        """Frames by another clock, by none, or by one that was put back: not with those before."""
        last, self._taken = self._taken, taken
        if (taken is None) != (last is None) or (
            last is not None and taken is not None and taken < last - STEPS
        ):
            self.gathering.forget()

    def _is_last(self, codes: Codes) -> bool:
        return self._last is not None and bool(np.array_equal(self._last, codes))

    def _linear(self, codes: Codes) -> Picture:
        return np.asarray(cv2.LUT(codes, self._table), np.float32)

    def _cloth(self, solved: Solved, blocks: Blocks, usable: Mask, made: Made) -> Mask:
        """Where nothing stands before the backdrop: finer than blocks, for who stands there ends in
        the middle of one. A shadow is dimmer, and stays; what has another colour is no cloth."""
        if solved.covered < SOMEBODY or blocks.fine is None:
            return usable
        off = np.log2(np.maximum(blocks.fine, DIM) / np.maximum(made.light, DIM))
        blue, green, red = cv2.split(off)
        most = np.maximum(np.maximum(blue, green), red)
        least = np.minimum(np.minimum(blue, green), red)
        other = (most - least > TINT) | (most > APART) | (least < -APART)
        grown = cv2.dilate(other.astype(np.uint8), np.ones((5, 5), np.uint8))
        return np.asarray(
            usable & (self._whole(np.asarray(1 - grown, np.uint8), FINE) > 0), np.bool_
        )

    def usable(self, solved: Solved) -> Mask:
        """Where nobody stands, pixel by pixel; not to be written to."""
        if self._nobody is None or self._nobody[0] is not solved:
            found = self._whole((~solved.left_out).astype(np.uint8), BLOCK) > 0
            self._nobody = solved, found
        return self._nobody[1]

    def _whole(self, parts: Codes, side: int) -> Codes:
        """Pixel by pixel: what does not fill a part at an edge is as the part beside it."""
        columns, rows = self.solver.size
        size = (parts.shape[1] * side, parts.shape[0] * side)
        found = cv2.resize(parts, size, interpolation=cv2.INTER_NEAREST)
        more = (0, rows - size[1], 0, columns - size[0])
        return np.asarray(cv2.copyMakeBorder(found, *more, cv2.BORDER_REPLICATE), np.uint8)

    def _here(self, solved: Solved, blocks: Blocks) -> Mask:
        """Where nobody stands in this frame: many together see past somebody who moves."""
        usable = self.usable(solved)
        if self.gathering.frames < 2 or not solved.weights.any():
            return usable
        shape = self.solver.shape
        far = self.solver.misfit(blocks.light.reshape(1, -1), solved.x).reshape(shape) > HERE
        cross = np.ones((3, 3), np.uint8)
        closed = cv2.morphologyEx(far.astype(np.uint8), cv2.MORPH_CLOSE, cross)
        core = cv2.morphologyEx(closed, cv2.MORPH_OPEN, np.ones((2, 2), np.uint8))
        free = 1 - np.asarray(cv2.dilate(core, cross), np.uint8)
        return np.asarray(usable & (self._whole(free, BLOCK) > 0), np.bool_)

    # ---- lights ----------------------------------------------------------------------------

    def _light(
        self,
        name: str,
        solved: Solved,
        supposed: Supposed,
        beside: Supposed | None,
        there: bool,
    ) -> SeenLight:
        """One light; `beside`: what is supposed of the lights where light from nowhere is said;
        `there`: somebody may be in the picture."""
        level = solved.levels[name]
        amount, stops, moved = level.amount, None, False
        known = self._reference.before.get(name) if self._reference else None
        likely = supposed.lights.get(name)
        if known is not None and known.amount >= LEAST and likely is not None:
            device = self.profile.devices.get(name)
            within = device.tolerance.level if device else 0.1
            by = _stops(likely.amount, known.amount, 0.0)
            moved = likely.moved > SO_LIKELY and (by.low > within or by.high < -within)
            # what somebody hides and shades is no lamp's doing: another frame has to agree
            moved = moved and (not there or (level.tells and self.gathering.frames > 1))
        if beside is not None and not moved and name in beside.lights:
            # the lamp whose picture is most like that light takes it: no band surely says so
            amount = _reaching(amount, beside.lights[name].amount)
            if known is not None and likely is not None and likely.moved <= SO_LIKELY:
                amount = _reaching(amount, Band(known.amount, known.amount, known.amount))
        if known is not None and known.amount >= LEAST:
            stops = _stops(amount, known.amount, known.sure)
        return SeenLight(
            amount,
            level=self._level(name, amount),
            stops=stops,
            cct=level.cct,
            tells=level.tells,
            moved=moved,
        )

    def _level(self, name: str, amount: Band) -> Band | None:
        """What the dial says at this amount, by what was learned, else by the profile."""
        points = self.learned.dimmers.get(name, ())
        device = self.profile.devices.get(name)
        dimmer = device.dimmer if device else None
        try:
            low, value, high = (
                level_at(points, dimmer, share) for share in (amount.low, amount.value, amount.high)
            )
        except ValueError:
            return None
        return Band(low, value, high)

    def _amount(self, name: str, level: float) -> float | None:
        """The light at a level of the dial: the way back."""
        points = self.learned.dimmers.get(name, ())
        device = self.profile.devices.get(name)
        if not 0.0 <= level <= 100.0:
            return None
        try:
            if len(points) > 2:
                return min(1.2, max(0.0, Monotone(points)(level)))
            return device.dimmer.output(level) if device else level / 100.0
        except ValueError:
            return None

    def _expected(
        self, wanted: Mapping[str, Preset]
    ) -> Mapping[str, tuple[float, float | None]] | None:
        """What each lamp should give now: as it was seen, but for what was told since.

        At first as in the kept picture: a camera that is set otherwise than it was then would else
        be taken for lamps that all were turned.
        """
        known = self.solved
        if known is None and self._reference is not None:
            known = self._reference.solved
        if known is None:
            return None
        found: dict[str, tuple[float, float | None]] = {}
        for name, level in known.levels.items():
            found[name] = (level.amount.value, level.cct.value if level.cct else None)
            preset = wanted.get(name)
            if preset is None or preset == self._wanted.get(name) or preset.level is None:
                continue
            amount = self._amount(name, preset.level)
            if amount is not None:
                found[name] = (amount, preset.cct or found[name][1])
        return found

    def _stray(
        self,
        solved: Solved,
        wanted: Mapping[str, Preset],
        supposed: Supposed,
        blocks: Blocks,
        hindered: bool,
    ) -> tuple[Stray | None, Supposed]:
        """Light from nowhere, and what is supposed of the lights against what they were told."""
        before = dict(self._reference.before) if self._reference else {}
        for name, preset in wanted.items():
            if name not in self.solver.of or preset.level is None:
                continue
            amount = self._amount(name, preset.level)
            known = before.get(name)
            if amount is None or (known and abs(_ratio(amount, known.amount)) < WANTED):
                continue
            before[name] = Before(amount, WANTED, preset.cct)
        if not before:
            return None, supposed
        if self._reference is None or before != self._reference.before:
            then = self._reference.solved if self._reference else None
            supposed = self.solver.suppose(solved, before, then)
        if self._reference is not None:
            found = self._reference.daylight.look(
                blocks, self.gathering.frames, supposed, self._reference.before, before
            )
            if found is not None or hindered:
                return found, supposed
        return stray(self.solver, solved, supposed, self.learned.face), supposed


def level_at(points: tuple[tuple[float, float], ...], dimmer: Dimmer | None, share: float) -> float:
    """The level (%) at which a light gives this share of its full. Raises ValueError."""
    share = min(1.0, max(0.0, share))
    if len(points) > 2:
        curve = Monotone(points)
        low, high = points[0][0], points[-1][0]
        if share <= points[0][1]:
            return low
        if share >= points[-1][1]:
            return high
        for _ in range(40):
            middle = (low + high) / 2.0
            low, high = (middle, high) if curve(middle) < share else (low, middle)
        return high
    return dimmer.level(share) if dimmer else 100.0 * share


def _ratio(one: float, other: float) -> float:
    """Stops, held to what is said."""
    if other <= 0.0:
        return MOST
    return min(MOST, max(-MOST, math.log2(max(one, 2.0**-MOST * other) / other)))


def _reaching(band: Band, other: Band) -> Band:
    """As wide as it has to be that the other is in it, too."""
    return Band(min(band.low, other.low), band.value, max(band.high, other.high))


def _stops(amount: Band, known: float, sure: float) -> Band:
    low, value, high = (_ratio(v, known) for v in (amount.low, amount.value, amount.high))
    return Band(max(-MOST, low - sure), value, min(MOST, high + sure))


def _early(taken: float | None, counts_from: float | None) -> bool:
    """Was it taken before the light was as it is meant to be?"""
    if counts_from is None:
        return False
    return math.isinf(counts_from) if taken is None else taken < counts_from


def _by_hand(setting: Setting) -> tuple[Literal["exposure", "white"], ...]:
    exposure: tuple[Literal["exposure", "white"], ...] = ("exposure",)
    white_: tuple[Literal["exposure", "white"], ...] = ("white",)
    return (exposure if setting.hand_exposure else ()) + (white_ if setting.hand_white else ())


def _unexplained(solved: Solved) -> list[Hindrance]:
    """What the lamps leave open speaks against the frame, too."""
    if solved.covered > HIDDEN:
        return ["hidden"]
    return ["stale"] if solved.residual > STALE else []


def _gains(setting: Setting | None) -> Singles | None:
    """What the picture has to be divided by, where the camera surely was set otherwise."""
    if setting is None:
        return None
    exposure, tint = setting.exposure, setting.white
    if exposure is None or tint is None:
        return None
    if not (abs(exposure.value) > GAIN or max(map(abs, tint)) > TINTED):
        return None
    return np.array(setting.gains, np.float32)


def _divided(blocks: Blocks, gains: Singles) -> Blocks:
    fine = None if blocks.fine is None else blocks.fine / gains
    return replace(blocks, light=blocks.light / gains, fine=fine)
