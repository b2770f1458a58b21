"""The camera's curve, from frames of known lamps: what light each of its codes stands for.

What is asked of the curve G (code to light) is that every small block of the picture adds up:

    G(block in state s)  =  dark + sum over lamps of  factor(lamp, level in s) × share(lamp, block)

Unknown are the curve, each lamp's factor at each level it was told (at full it is 1), and for each
block its dark and its shares. States with one lamp alone tell how the curve runs, but leave its
exponent to what is believed of the dimmers: G^a fits them as well, with factors^a. States with
several lamps fix that, for light adds up and its powers do not.

And any light may be added to G and to each block's dark alike: the dark frame says how black black
is. Equations are fewer than they look, for JPEG rounds blocks of one code alike.

So: least squares over log2 of the light of the codes (Debevec and Malik 1997, there for known
exposures of one light) and over the logs of the factors, with blocks' own unknowns solved inside
(variable projection, Golub and Pereyra 1973; the shorter derivative is Kaufman's, 1975); the prior
of the curve is sRGB (IEC 61966-2-1) and smooth departures from it, of all channels together and
less of each, the prior of a factor is what the profile says of the dimmer. A block is not its mean
code but the histogram of its codes in all frames of a state, so noise and texture bend nothing.
`sure` is the posterior's own: wide where no codes were seen.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.interpolate import BSpline
from scipy.special import ndtr

from studiobridge.witness.learned import Codes, Curve

Floats = NDArray[np.float64]

# The side of a block (px): that of JPEG for colour, where it is kept at half the fineness: what is
# lost in the dim, where small differences are rounded away, is lost inside of one.
SIDE = 16
# Blocks looked at: enough for every code, few enough for seconds (a histogram is 3 × 256 numbers).
BLOCKS = 420
# Curve: knots over a scale that is finer in the dark, where a code is a larger part of a stop, and
# towards clipping, where shoulders bend (codes from either end; how much the upper end counts).
KNOTS, SHADOW, SHOULDER, UPPER = 30, 10.0, 20.0, 0.5
# Priors (standard deviations). Between neighbouring knots the departure from sRGB bends by so many
# stops, a channel's own by less and by so much in all, and on the whole it tilts by so many. Film's
# shoulders and toes bend 0.03 to 0.08 between such knots (computed from logistic curves).
BEND, BEND_APART, APART, TILT = 0.08, 0.004, 0.02, 1.5
# A block's mean is no better than so many codes: what JPEG and rounding leave.
FLOOR = 0.3
# Beyond so many standard deviations an equation counts less (Huber).
HUBER = 1.8
ROUNDS = 25
# A code more is at least so many stops more, else it would be worth nothing.
STEEP = 0.004
# Codes below this are mostly the camera's black: what is below is cut off there.
LOWEST = 2.0
# ... but with all lamps off it is seen how black black is, and to so many codes: without it the
# curve may have anything added to it, for each block's own dark would take it away again.
BLACK = 1.0
# Noise about no light is cut off at black and so looks like some: that is all that is seen there,
# to about this share. Where light is less than so many times what is seen there, noise is cut off
# still (0.4 of its spread is seen of no light; at 2.4 spreads a hundredth is left): up to a code.
NOISE_SURE, CUT, CUT_MOST = 0.3, 6.0, 12.0
# Blocks of one code (so many wide) are rounded by JPEG alike, to about so many codes: measured on
# the renders, where the mean of hundreds of blocks of a flat wall is 0.1 to 0.5 off.
ALIKE, ROUNDED = 3.0, 0.25
# Without a pile at the top, from here on codes are taken for clipped: JPEG rings to there.
CLIPPED = 251
# In 95 of 100 cases within so many standard deviations.
NINETY_FIVE = 1.96
# No code is said to be known better than this (stops): near the one whose light is held the
# posterior goes to nothing, and which one that is was chosen.
KNOWN = 0.015
# What is said of a code that was never seen (stops), at most.
UNKNOWN = 4.0


@dataclass(frozen=True, slots=True)
class Lit:
    """One lamp in a state: which (a lamp at another white is another), at what it was set (%).

    `factor` is what share of its full light is expected there, `sure` how far off (log2, one
    standard deviation) that may be. At `factor` 1 and `sure` 0 it is at full.
    """

    lamp: str
    dimmer: str
    level: float
    factor: float
    sure: float


@dataclass(frozen=True, slots=True, eq=False)
class State:
    """What was on, and how each block looked: blocks × 3 × 256, how often each code was there."""

    lit: tuple[Lit, ...]
    seen: NDArray[np.float32]


class CannotFit(Exception):
    """The frames do not make a curve: why."""


@dataclass(frozen=True, slots=True, eq=False)
class Response:
    """`factors`: of each dimmer and level (%) its share of full light, and how sure (log2, 1 sd).

    `misfit` is how far blocks are from adding up, against what noise alone would leave (1.0).
    `black` is what is read of no light, of each channel: noise that is cut off below it.
    """

    curve: Curve
    factors: Mapping[tuple[str, float], tuple[float, float]]
    misfit: float
    black: tuple[float, float, float]

    def uncut(self, light: Floats, channel: int) -> Floats:
        """The light of which so much is read on average, for noise is cut off at black.

        Of normal noise of spread 1 about m the part above nothing has the mean m Φ(m) + φ(m).
        """
        spread = max(self.black[channel], 1e-9) * float(np.sqrt(2 * np.pi))
        m = np.linspace(0, 5, 101)
        read = m * ndtr(m) + np.exp(-m * m / 2) / np.sqrt(2 * np.pi)
        return np.asarray(
            np.where(light < 5 * spread, np.interp(light / spread, read, m) * spread, light)
        )


def fit(states: Sequence[State], clips: int = CLIPPED) -> Curve:
    """The camera's curve. Raises CannotFit."""
    return response(states, clips).curve


def clipping(counts: NDArray[np.float64]) -> int:
    """From which code on a channel is taken for clipped, by how often each code was there."""
    seen = np.flatnonzero(counts > 0)
    if not len(seen):
        return CLIPPED
    top = int(seen[-1])
    # cameras that keep to video's range pile up at 235; noise and JPEG spread a pile by a few
    below = counts[max(0, top - 20) : max(1, top - 6)].mean()
    piled = counts[max(0, top - 5) : top + 1].sum() > 20 * below + 50
    return min(CLIPPED, max(64, top - 5)) if piled else CLIPPED


def grid(rows: int, columns: int, blocks: int = 3 * BLOCKS) -> NDArray[np.intp]:
    """Where the blocks are that are looked at: row and column of each one's first pixel."""
    down, across = rows // SIDE, columns // SIDE
    every = max(1.0, (down * across / max(1, blocks)) ** 0.5)
    ys = np.unique(np.arange(0.5, down, every).astype(int))
    xs = np.unique(np.arange(0.5, across, every).astype(int))
    return np.stack([a.ravel() for a in np.meshgrid(ys * SIDE, xs * SIDE, indexing="ij")], 1)


def histograms(codes: Codes, where: NDArray[np.intp]) -> NDArray[np.uint16]:
    """Of each block and channel how often each code is there: blocks × 3 × 256."""
    ys = where[:, 0, None, None] + np.arange(SIDE)[:, None]
    xs = where[:, 1, None, None] + np.arange(SIDE)[None, :]
    pixels = codes[ys, xs].reshape(len(where), SIDE * SIDE, 3).astype(np.intp)
    row = np.arange(len(where) * 3).reshape(len(where), 1, 3) * 256
    counts = np.bincount((row + pixels).ravel(), minlength=len(where) * 768)
    return counts.reshape(len(where), 3, 256).astype(np.uint16)


def response(states: Sequence[State], clips: int = CLIPPED) -> Response:
    """The curve, and what each lamp gave at each level. Raises CannotFit."""
    if len(states) < 4 or not any(len(state.lit) == 0 for state in states):
        raise CannotFit("it takes a dark frame and three with lamps at least")
    return _Fitting(states, clips).done()


def srgb_light(codes: Floats) -> Floats:
    """IEC 61966-2-1 backwards: codes 0 to 255 to light 0 to 1."""
    share = codes / 255.0
    return np.where(share <= 0.04045, share / 12.92, ((share + 0.055) / 1.055) ** 2.4)


class _Fitting:
    def __init__(self, states: Sequence[State], clips: int) -> None:
        self.states, self.clips = states, clips
        self.basis = _basis()
        self.rises = np.gradient(self.basis, axis=0)
        # code 0 is no light by sRGB; as a log it needs a floor: half a code's worth
        self.base = np.log2(srgb_light(np.maximum(np.arange(256.0), 0.5)))
        self.lamps = sorted({lit.lamp for state in states for lit in state.lit})
        self.factors: dict[tuple[str, float], Lit] = {}
        for state in states:
            for lit in state.lit:
                if lit.sure > 0:
                    self.factors.setdefault((lit.dimmer, lit.level), lit)
        self.keys = sorted(self.factors)
        self._choose()
        k = self.basis.shape[1]
        # common curve, three departures from it, factors, how much of black is noise
        self.count = 4 * k + len(self.keys) + 3
        self.at = np.zeros(self.count)
        for n, key in enumerate(self.keys):
            self.at[4 * k + n] = np.log2(max(self.factors[key].factor, 1e-4))
        self.at[-3:] = 1.0
        self.mean = self.at.copy()
        self.prior = self._prior()

    def _choose(self) -> None:
        """Blocks that vary with the lamps and are neither black nor clipped, over all codes."""
        seen = np.stack([state.seen for state in self.states], 1).astype(np.float32)
        total = seen.sum(-1)
        if (total <= 0).any():
            raise CannotFit("a state without a frame")
        seen /= total[..., None]
        steps = np.arange(256, dtype=np.float32)
        mean = seen @ steps  # blocks × states × 3
        spread = np.sqrt(np.maximum(seen @ steps**2 - mean**2, 0))
        clipped = seen[..., self.clips :].sum(-1) > 0
        black = (mean < LOWEST) | (seen[..., 0] > 0.03)
        unlit = np.array([not state.lit for state in self.states])[None, :, None]
        pitch = mean[np.broadcast_to(black & unlit, black.shape)]
        cut = CUT * float(np.median(pitch)) if len(pitch) else 0.0
        black |= mean < min(cut, CUT_MOST)
        usable = ~clipped & (~black | unlit)
        rough = np.median(spread, axis=(1, 2))
        alive = (usable & ~black).sum((1, 2)) >= 0.35 * usable.shape[1] * 3
        change = (mean.max(1) - mean.min(1)).max(-1) >= 12
        order = np.flatnonzero(alive & change)
        if len(order) < 20:
            raise CannotFit(
                "too little of the picture is lit by the lamps, or all of it is clipped"
            )
        # flat ones first; of each brightness class as many
        bright = np.quantile(mean[order], 0.9, axis=(1, 2))
        classes = np.digitize(bright, np.quantile(bright, np.linspace(0, 1, 9)[1:-1]))
        chosen: list[int] = []
        for n in range(8):
            mine = order[classes == n]
            chosen += list(mine[np.argsort(rough[mine])][: BLOCKS // 8])
        some = np.array(sorted(chosen))
        self.usable = usable[some].transpose(0, 2, 1)  # blocks × 3 × states
        self.seen = seen[some].transpose(0, 2, 1, 3)  # blocks × 3 × states × 256
        self.codes = mean[some].transpose(0, 2, 1)
        pixels = total[some].transpose(0, 2, 1)
        self.error = np.sqrt(FLOOR**2 + spread[some].transpose(0, 2, 1) ** 2 / pixels * 4)
        dark = (black & unlit)[some].transpose(0, 2, 1)
        self.error = np.where(dark, np.maximum(self.error, BLACK), self.error)
        self.dark = dark
        self.at_code = np.rint(np.where(dark, SHADOW, self.codes)).astype(int)
        self.share = self._alike()
        # the code whose light is held while the curve is fitted: in the middle of what was seen
        self.middle = int(np.median(self.codes[self.usable & ~dark]))

    def _alike(self) -> Floats:
        """How much each equation counts, for those like it share their error: at most 1.

        JPEG rounds blocks of one code alike, so hundreds of blocks of a flat wall know a code no
        better than a few do.
        """
        found = np.ones(self.usable.shape)
        for c in range(3):
            for s in range(found.shape[2]):
                some = self.usable[:, c, s]
                bins = (self.codes[some, c, s] / ALIKE).astype(int)
                others = np.bincount(bins, minlength=256)[bins] * ROUNDED**2
                found[some, c, s] = 1 / (1 + others / self.error[some, c, s] ** 2)
        return found

    def _prior(self) -> Floats:
        """The inverse of the prior's covariance."""
        k = self.basis.shape[1]
        bend = np.diff(np.eye(k), 2, axis=0)
        tilt = np.diff(np.eye(k), 1, axis=0)
        found = np.zeros((self.count, self.count))
        held = self.basis[self.middle][:, None] * self.basis[self.middle][None, :] * 1e8
        found[:k, :k] = bend.T @ bend / BEND**2 + tilt.T @ tilt / TILT**2 + held
        for c in range(3):
            own = slice((c + 1) * k, (c + 2) * k)
            found[own, own] = bend.T @ bend / BEND_APART**2 + tilt.T @ tilt / APART**2 + held
        for n, key in enumerate(self.keys):
            found[4 * k + n, 4 * k + n] = 1 / self.factors[key].sure ** 2
        found[-3:, -3:] = np.eye(3) / NOISE_SURE**2
        return found

    def _curve(self, at: Floats) -> Floats:
        k = self.basis.shape[1]
        logs = [self.base + self.basis @ (at[:k] + at[(c + 1) * k : (c + 2) * k]) for c in range(3)]
        return np.stack(logs)

    def _system(self, at: Floats) -> tuple[Floats, list[list[tuple[int, int, float]]]]:
        """States × (dark and lamps), and which factors stand where in it."""
        k = self.basis.shape[1]
        system = np.zeros((len(self.states), 1 + len(self.lamps)))
        system[:, 0] = 1
        places: list[list[tuple[int, int, float]]] = [[] for _ in self.keys]
        for s, state in enumerate(self.states):
            for lit in state.lit:
                column = 1 + self.lamps.index(lit.lamp)
                if lit.sure > 0:
                    n = self.keys.index((lit.dimmer, lit.level))
                    system[s, column] = 2 ** at[4 * k + n]
                    places[n].append((s, column, system[s, column]))
                else:
                    system[s, column] = lit.factor
        return system, places

    def _equations(self, at: Floats, counts: Floats | None) -> tuple[Floats, Floats, Floats]:
        """Normal matrix, gradient, residuals in standard deviations."""
        k, states = self.basis.shape[1], len(self.states)
        logs = self._curve(at)
        system, places = self._system(at)
        normal, gradient = np.zeros((self.count, self.count)), np.zeros(self.count)
        residuals = np.zeros(self.usable.shape)
        for c in range(3):
            light = 2 ** logs[c]
            # of each block and state its light, and how that turns with the curve
            columns = np.column_stack([light, np.log(2) * light[:, None] * self.basis])
            both = self.seen[:, c].reshape(-1, 256) @ columns.astype(np.float32)
            both = both.reshape(len(self.seen), states, 1 + k).astype(np.float64)
            there, turns = both[..., 0], both[..., 1:]
            # what one code is worth there: with it the equations are in codes, and a curve that
            # is flatter is none that fits better
            rise = np.maximum(np.gradient(logs[c]), STEEP)
            slope = np.log(2) * light * rise
            code = self.at_code[:, c]
            steeper = np.log(2) * self.basis + self.rises / rise[:, None]
            weight = self.usable[:, c] / (slope[code] * self.error[:, c])
            weight = weight * np.sqrt(self.share[:, c])
            if counts is not None:
                weight = weight * counts[:, c]
            rows = weight[..., None] * system[None]
            # what a block does not see of a lamp is nothing, rather than anything
            ridge = np.eye(system.shape[1])[None] * 1e-3 / np.maximum(1e-6, light[self.middle])
            ridge = np.broadcast_to(ridge, (len(rows), *ridge.shape[1:]))
            q, r = np.linalg.qr(np.concatenate([rows, ridge], 1))
            q = q[:, :states]
            dark = self.dark[:, c]
            noise = 0.0
            if dark.any():
                # noise about no light is cut off at black, and so looks like some
                low = int(SHADOW)
                noise = self.codes[:, c][dark].mean() * slope[low]
                noise_turns = noise * steeper[low]
                there = there - np.where(dark, at[c - 3] * noise, 0.0)
                turns = turns - np.where(dark[..., None], at[c - 3] * noise_turns, 0.0)
            y = weight * there
            down = np.einsum("bsl,bs->bl", q, y)
            shares = np.linalg.solve(r, down[..., None])[..., 0]
            left = y - np.einsum("bsl,bl->bs", q, down)
            jacobian = np.zeros((len(rows), states, k + len(self.keys) + 3))
            jacobian[..., :k] = turns * weight[..., None] - left[..., None] * steeper[code]
            jacobian[..., c - 3] = -np.where(dark, weight * noise, 0.0)
            for n, place in enumerate(places):
                for s, column, value in place:
                    jacobian[:, s, k + n] -= np.log(2) * value * weight[:, s] * shares[:, column]
            jacobian -= q @ np.einsum("bsl,bsp->blp", q, jacobian)
            flat = jacobian.reshape(-1, k + len(self.keys) + 3)
            mine = flat.T @ flat
            grad = flat.T @ left.ravel()
            common, own = slice(0, k), slice((c + 1) * k, (c + 2) * k)
            rest = slice(4 * k, self.count)
            for one, other in ((common, common), (common, own), (own, common), (own, own)):
                normal[one, other] += mine[:k, :k]
            for one in (common, own):
                normal[one, rest] += mine[:k, k:]
                normal[rest, one] += mine[k:, :k]
                gradient[one] += grad[:k]
            normal[rest, rest] += mine[k:, k:]
            gradient[rest] += grad[k:]
            with np.errstate(divide="ignore", invalid="ignore"):
                counted = np.sqrt(self.share[:, c]) * (1 if counts is None else counts[:, c])
                residuals[:, c] = np.where(weight > 0, left / np.maximum(1e-12, counted), 0)
        return normal, gradient, residuals

    def _scale(self, residuals: Floats) -> float:
        """How much wider residuals lie than noise alone would have them, by their middle half."""
        free = max(0.2, 1 - (1 + len(self.lamps)) / self.usable.shape[2])
        middle = float(np.median(np.abs(residuals[self.usable])))
        return max(1.0, 1.4826 * middle / float(np.sqrt(free)))

    def _badness(self, at: Floats, residuals: Floats, scale: float) -> float:
        size = np.abs(residuals) / scale
        far = np.where(size <= HUBER, size**2 / 2, HUBER * size - HUBER**2 / 2)
        far = (far * self.share).sum()
        off = at - self.mean
        return float(far + off @ self.prior @ off / 2)

    def done(self) -> Response:
        counts: Floats | None = None
        normal, gradient, residuals = self._equations(self.at, counts)
        scale = self._scale(residuals)
        for _ in range(ROUNDS):
            step = np.linalg.solve(
                normal / scale**2 + self.prior,
                -(gradient / scale**2 + self.prior @ (self.at - self.mean)),
            )
            # a stop at a time: farther the straight line is none
            step *= min(1.0, 1.0 / max(1e-9, float(np.abs(step).max())))
            before = self._badness(self.at, residuals, scale)
            for _halved in range(8):
                after = self._equations(self.at + step, counts)
                if self._badness(self.at + step, after[2], scale) <= before:
                    break
                step = step / 2
            self.at = self.at + step
            residuals = after[2]
            scale = self._scale(residuals)
            size = np.abs(residuals) / scale
            counts = np.sqrt(np.where(size <= HUBER, 1.0, HUBER / np.maximum(size, 1e-9)))
            normal, gradient, residuals = self._equations(self.at, counts)
            if np.abs(step).max() < 1e-3:
                break
        if not np.isfinite(self.at).all():
            raise CannotFit("the frames do not add up to any curve")
        covariance: Floats = np.asarray(np.linalg.inv(normal / scale**2 + self.prior))
        k = self.basis.shape[1]
        factors = {
            key: (float(2 ** self.at[4 * k + n]), float(covariance[4 * k + n, 4 * k + n] ** 0.5))
            for n, key in enumerate(self.keys)
        }
        return Response(self._rising(covariance), factors, scale, self._black())

    def _black(self) -> tuple[float, float, float]:
        """What is read of no light; nothing where no block was black with all lamps off."""
        logs, low = self._curve(self.at), int(SHADOW)
        found = [0.0, 0.0, 0.0]
        for c in range(3):
            dark = self.dark[:, c]
            if dark.any():
                rise = max(float(np.gradient(logs[c])[low]), STEEP)
                slope = np.log(2) * 2 ** (logs[c, low] - logs[1, self.clips]) * rise
                found[c] = max(0.0, float(self.at[c - 3] * self.codes[:, c][dark].mean() * slope))
        return found[0], found[1], found[2]

    def _rising(self, covariance: Floats) -> Curve:
        k = self.basis.shape[1]
        logs = self._curve(self.at)
        sure = np.zeros((3, 256))
        for c in range(3):
            rows = np.zeros((256, self.count))
            rows[:, :k] = self.basis
            rows[:, (c + 1) * k : (c + 2) * k] = self.basis
            sure[c] = np.sqrt(np.maximum(np.einsum("ip,pq,iq->i", rows, covariance, rows), 0))
        # it rises, code by code, by a hair at least
        light = 2 ** (logs - logs[1, self.clips])
        light = np.maximum.accumulate(light, axis=1)
        light += np.arange(256) * 1e-6 * light[:, -1:] / 255 + np.arange(256) * 1e-9
        found = light.astype(np.float32)
        for code in range(1, 256):
            low = np.nextafter(found[:, code - 1], np.float32(np.inf))
            found[:, code] = np.maximum(found[:, code], low)
        sure = np.minimum(np.hypot(NINETY_FIVE * sure, KNOWN), UNKNOWN)
        return Curve(found, sure.astype(np.float32))


def _basis() -> Floats:
    """Cubic B-splines over the logarithm of the code, 256 × how many."""
    codes = np.arange(256.0)
    place = np.log((codes + SHADOW) / SHADOW)
    place -= UPPER * np.log((255 - codes + SHOULDER) / (255 + SHOULDER))
    place /= place[-1]
    inner = np.linspace(0, 1, KNOTS - 2)
    knots = np.concatenate([[0, 0, 0], inner, [1, 1, 1]])
    return np.asarray(BSpline.design_matrix(place, knots, 3).toarray(), np.float64)
