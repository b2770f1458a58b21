"""Is the camera set by hand? Exposure or white on automatic makes every other word a guess.

What a camera does by itself changes the whole picture by one factor (exposure) or each of its
channels by one (white): every lamp's share, daylight's too, and clipped or not. What lamps do
changes their own shares, each another part of the picture. So a frame is explained out of as few
things as will do, each of them one event: a gain of all, a gain of red, a gain of blue, or one lamp
(two where it has two whites), the one that explains most first. A gain counts only where it leaves
most lamps as they were: lamps seldom move together by one factor, but where all of them did, and
each by its own, no gain is to be had. Who told lamps to move says so in `expected`.

One step that then stands still was a hand. Automatic is what changes again and again, or what
answers the scene: as much brighter as the scene became darker, redder as it became bluer. A camera
on automatic before a scene that never changes cannot be told from one set by hand.
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
from studiobridge.witness.framing import Mask
from studiobridge.witness.learned import Learned, Picture
from studiobridge.witness.mixing import parts

# Blocks across and down, each a mean: noise of single pixels is nothing in them. A block counts
# where so much of it is neither covered nor clipped.
ACROSS, DOWN = 32, 18
WHOLE = 0.97
# Fewer blocks than this say nothing of the camera.
BLOCKS = 40
# A block's light is explained to this share of it, or to this much light (1.0 is clipped).
SHARE, LIGHT = 0.015, 0.0008
# What explains less than this share of what is left explains nothing.
EXPLAINS = 0.15
# A frame whose blocks are off by less than this many times the above is as it was expected.
EXPLAINED = 1.3
# A gain has to explain the picture this much better than any one lamp would.
BETTER = 0.75
# A gain and few lamps have to explain a frame nearly as well as all lamps would, each by its own.
AS_WELL = 1.15
# Stops: a gain below this is none, one of a channel against another below that. A hand moves by a
# third of a stop; cameras on automatic by less, but then it harms less.
GAIN, WHITE = 0.06, 0.05
# A step from frame to frame of this many stops is a change; two of them within so many frames are
# no hand's.
STEP, STEPS, FRAMES = 0.04, 2, 4
# A scene that changed by this much (stops), and the share of that which an automatic takes back.
SCENE, TAKES_BACK = 0.12, (0.35, 1.35)
# In how many frames it has to answer the scene to be called automatic.
ANSWERS = 2

Rows = NDArray[np.float64]
Three = tuple[float, float, float]


@dataclass(frozen=True, slots=True)
class Setting:
    """How the camera is set against how it was when the lamps were learned.

    `exposure` in stops (+ brighter), `white` in stops of red against green and blue against
    green; None where nothing says. `gains` is what the linear picture has to be divided by,
    blue, green, red, for the rest of a look to go on with. `auto_exposure`, `auto_white`: it
    moves by itself.
    """

    exposure: Band | None
    white: tuple[float, float] | None
    gains: tuple[float, float, float]
    auto_exposure: bool
    auto_white: bool


NOTHING = Setting(None, None, (1.0, 1.0, 1.0), False, False)


@dataclass(frozen=True, slots=True)
class _Looked:
    """Of one frame: the gains in stops (blue, green, red) and how the scene itself changed."""

    gains: tuple[float, float, float]
    scene: tuple[float, float, float]


class Automatic:
    """A small machine that is fed each frame, in order."""

    def __init__(self, learned: Learned) -> None:
        self.learned = learned
        self._dark = _blocks(learned.dark)
        self._shares = [(share, _blocks(share.light)) for share in learned.shares]
        self._top = learned.curve.light[:, min(learned.clips, 255)]
        self._amounts: NDArray[np.float64] | None = None
        self._past: deque[_Looked] = deque(maxlen=FRAMES)

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
        light = np.nan_to_num(light, nan=0.0, posinf=0.0, neginf=0.0)
        clear = np.all(light < self._top * 0.999, axis=2)
        if usable is not None:
            clear &= usable
        seen = _blocks(clear.astype(np.float32)) > WHOLE
        if int(seen.sum()) < BLOCKS or not self._shares:
            return NOTHING
        frame = _blocks(light)
        pictures = [picture[seen].ravel().astype(np.float64) for _, picture in self._shares]
        dark = self._dark[seen].ravel().astype(np.float64)
        rows = frame[seen].ravel().astype(np.float64)
        amounts = self._expected(expected)
        if amounts is None:
            amounts = _all_of(rows, dark, pictures)
        before = dark + sum(a * p for a, p in zip(amounts, pictures, strict=True))
        fit = _Fit(rows, before, pictures)
        gains = fit.gains(self._groups())
        moved = fit.moved
        if gains is None:
            return NOTHING
        self._amounts = np.maximum(0.0, amounts + moved)
        scene = self._scene(frame, light, gains, amounts)
        self._past.append(_Looked(gains, scene))
        sure = fit.sure
        exposure = Band(gains[1] - sure, gains[1], gains[1] + sure)
        white = (gains[2] - gains[1], gains[0] - gains[1])
        return Setting(
            exposure,
            white,
            (2.0 ** gains[0], 2.0 ** gains[1], 2.0 ** gains[2]),
            self._by_itself(_exposure, GAIN),
            self._by_itself(_red, WHITE) or self._by_itself(_blue, WHITE),
        )

    def _groups(self) -> list[str]:
        return [share.device for share, _ in self._shares]

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

    def _scene(
        self,
        frame: Picture,
        light: Picture,
        gains: tuple[float, float, float],
        amounts: NDArray[np.float64],
    ) -> tuple[float, float, float]:
        """How much brighter (stops, by channel) all that the camera sees is than was expected,
        a person in it and what is clipped too: that is what an automatic goes by."""
        was = self._dark + sum(a * p for a, (_, p) in zip(amounts, self._shares, strict=True))
        now = frame.reshape(-1, 3).mean(axis=0) / np.exp2(np.array(gains))
        before = np.minimum(was, self._top).reshape(-1, 3).mean(axis=0)
        stops = np.log2(np.maximum(now, LIGHT) / np.maximum(before, LIGHT))
        return float(stops[0]), float(stops[1]), float(stops[2])

    def _by_itself(self, of: Callable[[Three], float], least: float) -> bool:
        """Does this figure of the camera change again and again, or answer the scene?"""
        gains = [of(looked.gains) for looked in self._past]
        scenes = [of(looked.scene) for looked in self._past]
        steps = [b - a for a, b in itertools.pairwise(gains)]
        if sum(abs(step) > STEP for step in steps) >= STEPS and max(map(abs, gains)) > least:
            return True
        low, high = TAKES_BACK
        answers = sum(
            abs(gain) > least and abs(scene) > SCENE and low <= -gain / scene <= high
            for gain, scene in zip(gains, scenes, strict=True)
        )
        return bool(answers >= ANSWERS)


def _exposure(of: Three) -> float:
    return of[1]


def _red(of: Three) -> float:
    return of[2] - of[1]


def _blue(of: Three) -> float:
    return of[0] - of[1]


class _Fit:
    """One frame explained out of as few events as will do."""

    def __init__(self, rows: Rows, before: Rows, pictures: list[Rows]) -> None:
        self.weight = 1.0 / (SHARE * np.maximum(before, rows * 0.25) + LIGHT)
        self.rows, self.before = rows, before
        channel = np.arange(len(rows)) % 3
        self.gain_atoms = [before, before * (channel == 0), before * (channel == 2)]
        self.atoms = [*self.gain_atoms, *pictures]
        self.moved = np.zeros(len(pictures))
        self.sure = 0.05

    def gains(self, devices: list[str]) -> tuple[float, float, float] | None:
        """Stops of blue, green and red; None where too little is explained to say."""
        target = self.rows - self.before
        still = self._cost(target)
        if still <= EXPLAINED:
            self.sure = 0.02
            return (0.0, 0.0, 0.0)
        chosen: list[int] = []
        cost, values = still, np.zeros(0)
        lamps = len(set(devices))
        while len(chosen) < lamps + 3:
            tried = {
                i: self._with([*chosen, i], target)
                for i in range(len(self.atoms))
                if i not in chosen
            }
            if not tried:
                break
            best = min(tried, key=lambda i: tried[i][0])
            if tried[best][0] > (1.0 - EXPLAINS) * cost:
                break
            if not chosen and best < 3:
                # one lamp that would explain it nearly as well is the likelier of the two
                alone = min((c for i, (c, _) in tried.items() if i >= 3), default=math.inf)
                if tried[best][0] > BETTER * alone and alone < 0.5 * still:
                    best = min((i for i in tried if i >= 3), key=lambda i: tried[i][0])
            chosen.append(best)
            cost, values = tried[best]
            if cost <= EXPLAINED:
                break
        found = dict(zip(chosen, values, strict=True))
        whole = 1.0 + found.get(0, 0.0)
        gains = (whole + found.get(1, 0.0), whole, whole + found.get(2, 0.0))
        turned = {devices[i - 3] for i in chosen if i >= 3}
        if min(gains) <= 0.02:
            return None
        for i in chosen:
            if i >= 3:
                self.moved[i - 3] = found[i] / whole
        if any(i < 3 for i in chosen):
            free, _ = self._with(list(range(3, len(self.atoms))), target)
            if (
                len(turned) > max(1, (lamps - 1) // 3)
                or cost > max(EXPLAINED, AS_WELL * free)
                or lamps < 2
            ):
                # most lamps moved, each by its own: nothing says that the camera did
                self.moved[:] = 0.0
                return None
        self.sure = 0.02 + 0.03 * min(3.0, cost / EXPLAINED)
        blue, green, red = (math.log2(gain) for gain in gains)
        return (blue, green, red)

    def _with(self, chosen: list[int], target: Rows) -> tuple[float, NDArray[np.float64]]:
        """How much is left with these, and how much of each: what does not fit is left out."""
        matrix = np.stack([self.atoms[i] for i in chosen], axis=1) * self.weight[:, None]
        wanted = target * self.weight
        trust = np.ones(len(wanted))
        values: NDArray[np.float64] = np.zeros(len(chosen))
        for _ in range(5):
            pulled = matrix * trust[:, None]
            square = matrix.T @ pulled
            square[np.diag_indices_from(square)] *= 1.0 + 1e-9
            square[np.diag_indices_from(square)] += 1e-12
            values = np.asarray(np.linalg.solve(square, pulled.T @ wanted), np.float64)
            off = np.abs(wanted - matrix @ values)
            scale = max(1.0, float(np.median(off)))
            trust = 1.0 / (1.0 + (off / (2.0 * scale)) ** 2)
        return self._cost(
            target - np.stack([self.atoms[i] for i in chosen], axis=1) @ values
        ), values

    def _cost(self, left: Rows) -> float:
        """The usual error, in what a block is expected to be off, of the worst channel and the mean
        of all: the middle block, and a little of the mean, so that half of a picture is not left
        out for nothing."""
        off = np.sort(np.minimum(np.abs(left) * self.weight, 20.0).reshape(-1, 3), axis=0)
        most = off[: max(1, int(0.8 * len(off)))].mean(axis=0)
        each = 0.7 * off[len(off) // 2] + 0.3 * most
        return float(0.5 * each.max() + 0.5 * each.mean())


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
