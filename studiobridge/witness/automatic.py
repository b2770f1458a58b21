"""Is the camera set by hand? Exposure or white on automatic makes every other word a guess.

What a camera does by itself changes the whole picture by one factor (exposure) or each of its
channels by one (white): every lamp's share, daylight's too, and clipped or not. What lamps do
changes their own shares, each another part of the picture. So a frame is explained out of as few
things as will do, each of them one event: a gain of all, a gain of red and of blue, or one lamp,
the one that explains most first. A gain counts only where it leaves
most lamps as they were: lamps seldom move together by one factor, but where all of them did, and
each by its own, no gain is to be had. Who told lamps to move says so in `expected`.

One step that then stands still was a hand. Automatic is what changes again and again, or what
answers the scene: as much brighter as the scene became darker, redder as it became bluer; or what
makes the picture as a whole grey. A camera on automatic before a scene that never changes, and is
grey or well exposed as it is, cannot be told from one set by hand: that is not known until a lamp
changes or somebody walks in, by so much that an automatic would have answered (`by_hand`).
"""

from __future__ import annotations

import itertools
import math
from collections import deque
from collections.abc import Callable, Mapping
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from studiobridge.profile.sighting import Band
from studiobridge.witness.blocks import averages
from studiobridge.witness.exposed import exposed, ratios
from studiobridge.witness.framing import Mask
from studiobridge.witness.learned import Learned, Picture
from studiobridge.witness.mixing import parts

# Blocks across and down, each a mean: noise of single pixels is nothing in them. A block counts
# where so much of it is neither covered nor clipped.
ACROSS, DOWN = 26, 15
WHOLE = 0.97
# Fewer blocks than this say nothing of the camera.
BLOCKS = 40
# A block's light is explained to this share of it, or to this much light (1.0 is clipped).
SHARE, LIGHT = 0.015, 0.0008
# What explains less than this share of what is left explains nothing; a gain has to explain more,
# for bounced light changes a little everywhere when somebody moves.
EXPLAINS, GAIN_EXPLAINS = 0.15, 0.3
# A frame whose blocks are off by less than this many times the above is as it was expected.
EXPLAINED = 1.3
# A gain has to explain the picture this much better than any one lamp would.
BETTER = 0.75
# A gain and few lamps have to explain a frame nearly as well as all lamps would, each by its own.
AS_WELL = 1.15
# So many of the likeliest events are looked at closer.
CLOSER = 4
# What takes two figures (another white) has to explain that much more.
TWO = 1.1
# Stops: a gain below this is none, one of a channel against another neither. A hand moves by a
# third of a stop; what somebody in the room takes from its bounced light and gives it came to 0.07,
# of a channel against another to 0.12.
GAIN, WHITE = 0.1, 0.14
# A step from frame to frame of this many stops is a change, three times what a gain is known to;
# so many of them in so many frames are no hand's. One finer than a hand's (dials click by a sixth
# of a stop and more, common practice) is enough, where the gain was there before.
STEP, STEPS, FRAMES, FINE = 0.015, 2, 4, 0.1
# A scene that changed by this much (stops), and the share of that which an automatic takes back.
SCENE, TAKES_BACK = 0.08, (0.3, 1.3)
# In how many frames it has to answer the scene to be called automatic.
ANSWERS = 2
# A scene that changed by so much (stops) before the last frame, and a camera that took back less
# than this share of it since: that is set by hand. An automatic's answer to less could be missed.
KNOWN, STOOD = 0.3, 0.15
# A scene is coloured where its mean is so far off grey (stops), and grey where so much of that is
# left.
COLOURED, GREY = 0.1, 0.3
# Less light than this is none that a camera writes.
NO_LIGHT = (-1e3, -1e3, -1e3)

# The first of the events are the camera's: a gain of all, one of blue and red.
GAINS = 2

Rows = NDArray[np.float64]
Three = tuple[float, float, float]


@dataclass(frozen=True, slots=True)
class Setting:
    """How the camera is set against how it was when the lamps were learned.

    `exposure` in stops (+ brighter), `white` in stops of red against green and blue against
    green; None where nothing says. `hand_exposure`, `hand_white` are true once a scene that changed
    has shown it. `gains` is what the linear picture has to be divided by,
    blue, green, red, for the rest of a look to go on with. `auto_exposure`, `auto_white`: it
    moves by itself.
    """

    exposure: Band | None
    white: tuple[float, float] | None
    gains: tuple[float, float, float]
    auto_exposure: bool
    auto_white: bool
    # what is known to be set by hand, for the scene changed and it stood; False: not known yet
    hand_exposure: bool = False
    hand_white: bool = False


NOTHING = Setting(None, None, (1.0, 1.0, 1.0), False, False)


@dataclass(frozen=True, slots=True)
class _Looked:
    """Of one frame, blue, green, red: the gains in stops, and the scene without them."""

    gains: tuple[float, float, float]
    scene: tuple[float, float, float]


class Automatic:
    """A small machine that is fed each frame, in order."""

    def __init__(self, learned: Learned) -> None:
        self.learned = learned
        self._dark = _blocks(learned.dark)
        self._shares = [(share, _blocks(share.light)) for share in learned.shares]
        top = learned.curve.light[:, min(max(learned.clips, 1), 255)]
        self._below = tuple(float(v) * 0.999 for v in top)
        self._amounts: NDArray[np.float64] | None = None
        self._past: deque[_Looked] = deque(maxlen=FRAMES)
        self._hand_exposure = self._hand_white = False

    def look(
        self,
        light: Picture,
        expected: Mapping[str, tuple[float, float | None]] | None = None,
        usable: Mask | None = None,
    ) -> Setting:
        """One frame in linear light.

        `expected`: what each lamp should give by all that is known (share of its full light,
        white in K), changes that were told included; None: as the frame before. `usable` as in
        `framing`.
        """
        if light.shape != self.learned.dark.shape:
            return NOTHING
        below = np.asarray(cv2.inRange(light, NO_LIGHT, self._below), np.uint8)
        if usable is not None and usable.shape == below.shape:
            below = np.asarray(cv2.copyTo(below, usable.view(np.uint8)), np.uint8)
        frame = _blocks(light)
        # in steps of a byte
        share = np.rint(averages(below.astype(np.float32), (ACROSS, DOWN)))
        seen = (share > 255 * WHOLE) & np.all(np.isfinite(frame), axis=2)
        if int(seen.sum()) < BLOCKS or not self._shares:
            return NOTHING
        pictures = [picture[seen].ravel().astype(np.float64) for _, picture in self._shares]
        dark = self._dark[seen].ravel().astype(np.float64)
        rows = frame[seen].ravel().astype(np.float64)
        amounts = self._expected(expected)
        if amounts is None:
            amounts = _all_of(rows, dark, pictures)
        devices = [share.device for share, _ in self._shares]
        fit = _Fit(rows, dark, pictures, devices, amounts)
        gains = fit.gains()
        if gains is None:
            return NOTHING
        self._amounts = np.maximum(0.0, amounts + fit.moved)
        # a person in it and what is clipped too: that is what an automatic goes by
        means = np.maximum(frame[np.all(np.isfinite(frame), axis=2)].mean(axis=0), LIGHT)
        blue, green, red = (float(v) for v in np.log2(means) - np.array(gains))
        self._past.append(_Looked(gains, (blue, green, red)))
        # what the whole picture is off by, by every lamp's word; its white is as it was found
        tint = np.array([2.0 ** (gains[channel] - gains[1]) for channel in range(3)])
        lit = rows / np.tile(tint, len(rows) // 3) - dark
        exposure = exposed(ratios(lit, fit.weight, pictures, devices, amounts))
        by = exposure.value if exposure is not None else gains[1]
        auto_exposure = self._by_itself(_exposure, GAIN)
        auto_white = self._by_itself(_red, WHITE) or self._by_itself(_blue, WHITE) or self._greys()
        stood = [self._stood(of) for of in (_exposure, _red, _blue)]
        self._hand_exposure = not auto_exposure and (self._hand_exposure or stood[0])
        self._hand_white = not auto_white and (self._hand_white or stood[1] or stood[2])
        return Setting(
            exposure,
            (gains[2] - gains[1], gains[0] - gains[1]),
            (2.0**by * float(tint[0]), 2.0**by, 2.0**by * float(tint[2])),
            auto_exposure,
            auto_white,
            self._hand_exposure,
            self._hand_white,
        )

    def _expected(
        self, expected: Mapping[str, tuple[float, float | None]] | None
    ) -> NDArray[np.float64] | None:
        if expected is None:
            return self._amounts
        found = np.zeros(len(self._shares))
        place = {id(share): i for i, (share, _) in enumerate(self._shares)}
        for device, (amount, cct) in expected.items():
            if not math.isfinite(amount) or not self.learned.shares_of(device):
                continue
            for share, part in parts(self.learned, device, cct):
                found[place[id(share)]] += max(0.0, amount) * part
        return found

    def _by_itself(self, of: Callable[[Three], float], least: float) -> bool:
        """Does this figure of the camera change again and again, or answer the scene?"""
        gains = [of(looked.gains) for looked in self._past]
        scenes = [of(looked.scene) for looked in self._past]
        if max(map(abs, gains)) <= least:
            return False
        steps = [b - a for a, b in itertools.pairwise(gains)]
        changes = [b - a for a, b in itertools.pairwise(scenes)]
        counted = 0
        for (one, other), step in zip(itertools.pairwise(gains), steps, strict=True):
            fine = min(abs(one), abs(other)) > least and abs(step) < FINE
            counted += (abs(step) > STEP) * (STEPS if fine else 1)
        if counted >= STEPS:
            return True
        low, high = TAKES_BACK
        answers = sum(
            abs(change) > SCENE and low <= -step / change <= high
            for step, change in zip(steps, changes, strict=True)
        )
        return bool(answers >= ANSWERS)

    def _stood(self, of: Callable[[Three], float]) -> bool:
        """Did the scene change, and stay so for a frame more, and the camera not answer?"""
        if len(self._past) < 3:
            return False
        first, middle, last = list(self._past)[-3:]
        changes = [of(one.scene) - of(first.scene) for one in (middle, last)]
        answered = max(abs(of(one.gains) - of(first.gains)) for one in (middle, last))
        return min(map(abs, changes)) > KNOWN and answered < STOOD * min(map(abs, changes))

    def _greys(self) -> bool:
        """Is the picture as a whole grey because the camera made it so? Most automatics do that."""
        grey = 0
        for looked in self._past:
            made = [of(looked.gains) for of in (_red, _blue)]
            was = [of(looked.scene) for of in (_red, _blue)]
            left = [a + b for a, b in zip(made, was, strict=True)]
            farthest = max(map(abs, was))
            grey += (
                max(map(abs, made)) > WHITE
                and farthest > COLOURED
                and max(map(abs, left)) < GREY * farthest
            )
        return grey >= ANSWERS


def _exposure(of: Three) -> float:
    return of[1]


def _red(of: Three) -> float:
    return of[2] - of[1]


def _blue(of: Three) -> float:
    return of[0] - of[1]


class _Fit:
    """One frame explained out of as few events as will do.

    Events are columns: a gain of all, one of blue and one of red together; each lamp brighter or
    dimmer as it was expected; each lamp of two whites with another white too.
    """

    def __init__(
        self,
        rows: Rows,
        dark: Rows,
        pictures: list[Rows],
        devices: list[str],
        amounts: NDArray[np.float64],
    ) -> None:
        before = dark + sum(a * p for a, p in zip(amounts, pictures, strict=True))
        self.weight = 1.0 / (SHARE * np.maximum(before, rows * 0.25) + LIGHT)
        self.target = (rows - before) * self.weight
        channel = np.arange(len(rows)) % 3
        self.events: list[list[Rows]] = [
            [before],
            [before * (channel == 0), before * (channel == 2)],
        ]
        # of each event beyond the gains: whose it is, and what one of it adds to each picture
        self.whose: list[str] = ["", ""]
        self.adds: list[list[NDArray[np.float64]]] = [[], []]
        unit = np.eye(len(pictures))
        self.lamps = list(dict.fromkeys(devices))
        for device in self.lamps:
            mine = [i for i, one in enumerate(devices) if one == device]
            share = np.where([one == device for one in devices], amounts, 0.0)
            if share.sum() > 0:
                self._event(device, [share / share.sum()], pictures)
            if len(mine) > 1 or not share.sum() > 0:
                self._event(device, [unit[i] for i in mine], pictures)
        self.matrix = np.stack([c for event in self.events for c in event], axis=1)
        self.matrix = self.matrix * self.weight[:, None]
        ends = np.cumsum([0, *(len(event) for event in self.events)])
        self.places = [list(range(a, b)) for a, b in itertools.pairwise(ends)]
        self.moved = np.zeros(len(pictures))

    def _event(self, device: str, adds: list[NDArray[np.float64]], pictures: list[Rows]) -> None:
        self.whose.append(device)
        self.adds.append(adds)
        stacked = np.stack(pictures)
        self.events.append([np.asarray(add @ stacked, np.float64) for add in adds])

    def gains(self) -> Three | None:
        """Stops of blue, green and red; None where nothing says."""
        still = self._cost(self.target)
        if still <= EXPLAINED:
            return (0.0, 0.0, 0.0)
        chosen: list[int] = []
        cost = still
        while len(chosen) < len(self.lamps) + GAINS:
            tried = self._next(chosen)
            if not tried:
                break
            worth = {
                i: left
                for i, left in tried.items()
                if left <= (1.0 - (GAIN_EXPLAINS if i < GAINS else EXPLAINS)) * cost
            }
            if not worth:
                break
            best = min(worth, key=lambda i: worth[i])
            if not chosen and best < GAINS:
                # one lamp that would explain it nearly as well is the likelier of the two
                lamps = [i for i in tried if i >= GAINS]
                lamp = min(lamps, key=lambda i: tried[i], default=best)
                if tried[best] > BETTER * tried[lamp] and tried[lamp] < 0.5 * still:
                    best = lamp
            # another white says all that another level does
            chosen = [i for i in chosen if best < GAINS or self.whose[i] != self.whose[best]]
            chosen.append(best)
            cost, _ = self._with(chosen)
            if cost <= EXPLAINED:
                break
        gains_alone = [0, 1]
        if len(chosen) > 1 and any(i < GAINS for i in chosen):
            # what the camera alone would do is no lamp's doing
            alone, _ = self._with(gains_alone)
            if alone <= max(EXPLAINED, AS_WELL * cost):
                chosen = gains_alone
        return self._told(chosen)

    def _told(self, chosen: list[int]) -> Three | None:
        cost, values = self._with(chosen)
        by = iter(values)
        gain = [0.0, 0.0, 0.0]
        moved = np.zeros(len(self.moved))
        for i in chosen:
            if i == 0:
                gain[0] = float(next(by))
                continue
            if i < GAINS:
                gain[1], gain[2] = float(next(by)), float(next(by))
                continue
            for add in self.adds[i]:
                moved += next(by) * add
        whole = 1.0 + gain[0]
        gains = (whole + gain[1], whole, whole + gain[2])
        if min(gains) <= 0.02:
            return None
        if any(i < GAINS for i in chosen):
            turned = {self.whose[i] for i in chosen if i >= GAINS}
            free = [
                i
                for i in range(GAINS, len(self.events))
                if i + 1 == len(self.events) or (self.whose[i] != self.whose[i + 1])
            ]
            many = len(turned) > max(1, (len(self.lamps) - 1) // 3) or len(self.lamps) < 2
            if many or cost > max(EXPLAINED, AS_WELL * self._with(free)[0]):
                # most lamps moved, each by its own: nothing says that the camera did
                return None
        self.moved = moved / whole
        return (math.log2(gains[0]), math.log2(gains[1]), math.log2(gains[2]))

    def _next(self, chosen: list[int]) -> dict[int, float]:
        """What is left with each event more: of all in one go, then again of the best of them."""
        off = self.target
        trust = np.ones(len(off))
        if chosen:
            _, values = self._with(chosen)
            off = off - self.matrix[:, [k for i in chosen for k in self.places[i]]] @ values
            scale = max(1.0, float(np.median(np.abs(off))))
            trust = 1.0 / (1.0 + (off / (2.0 * scale)) ** 2)
        pulled = (self.matrix * trust[:, None]).T
        square, wanted = pulled @ self.matrix, pulled @ self.target
        rough = {}
        for one in range(len(self.events)):
            if one in chosen:
                continue
            rest = [i for i in chosen if one < GAINS or self.whose[i] != self.whose[one]]
            places = [k for i in (*rest, one) for k in self.places[i]]
            small = square[places][:, places] + 1e-12 * np.eye(len(places))
            values = np.linalg.solve(small, wanted[places])
            left = np.abs(self.target - self.matrix[:, places] @ values)
            rough[one] = float(np.median(left) + 0.3 * np.minimum(left, 40.0).mean())
        best = sorted(rough, key=lambda i: rough[i])[:CLOSER]
        return {i: self._tried(chosen, i) for i in best}

    def _tried(self, chosen: list[int], one: int) -> float:
        """What is left with one event more; what takes two figures has to be worth both."""
        rest = [i for i in chosen if one < GAINS or self.whose[i] != self.whose[one]]
        cost, _ = self._with([*rest, one])
        return cost * TWO ** (len(self.events[one]) - 1)

    def _with(self, chosen: list[int]) -> tuple[float, NDArray[np.float64]]:
        """How much is left with these, and how much of each: what does not fit is left out."""
        if not chosen:
            return self._cost(self.target), np.zeros(0)
        matrix = self.matrix[:, [k for i in chosen for k in self.places[i]]]
        trust = np.ones(len(self.target))
        values: NDArray[np.float64] = np.zeros(matrix.shape[1])
        off = self.target
        for _ in range(4):
            pulled = (matrix * trust[:, None]).T
            square = pulled @ matrix
            diagonal = np.diag_indices_from(square)
            square[diagonal] = square[diagonal] * (1.0 + 1e-9) + 1e-12
            values = np.asarray(np.linalg.solve(square, pulled @ self.target), np.float64)
            off = self.target - matrix @ values
            scale = max(1.0, float(np.median(np.abs(off))))
            trust = 1.0 / (1.0 + (off / (2.0 * scale)) ** 2)
        return self._cost(off), values

    def _cost(self, off: Rows) -> float:
        """The usual error, in what a block is expected to be off, of the worst channel and the mean
        of all: the middle block, and a little of the mean, so that half of a picture is not left
        out for nothing."""
        each = np.sort(np.minimum(np.abs(off), 40.0).reshape(-1, 3), axis=0)
        most = each[: max(1, int(0.8 * len(each)))].mean(axis=0)
        usual = 0.7 * each[len(each) // 2] + 0.3 * most
        return float(0.5 * usual.max() + 0.5 * usual.mean())


def _all_of(rows: Rows, dark: Rows, pictures: list[Rows]) -> NDArray[np.float64]:
    """Every lamp's amount by least squares, for a first frame of which nothing is known."""
    matrix = np.stack(pictures, axis=1)
    weight = 1.0 / (SHARE * np.maximum(rows, 0.0) + LIGHT)
    values = np.zeros(matrix.shape[1])
    trust = np.ones(len(rows))
    for _ in range(6):
        pulled = matrix * (weight * trust)[:, None]
        best = np.linalg.lstsq(pulled, (rows - dark) * weight * trust, rcond=1e-6)[0]
        values = np.asarray(np.maximum(best, 0.0), np.float64)
        off = np.abs(rows - dark - matrix @ values) * weight
        trust = 1.0 / (1.0 + (off / (2.0 * max(1.0, float(np.median(off))))) ** 2)
    return values


def _blocks(picture: NDArray[np.float32]) -> NDArray[np.float32]:
    found = cv2.resize(picture, (ACROSS, DOWN), interpolation=cv2.INTER_AREA)
    return np.asarray(found, np.float32)
