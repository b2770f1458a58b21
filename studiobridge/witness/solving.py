"""How bright each lamp is now: one frame against the pictures that each lamp makes alone.

Light adds (Nimeroff, Simoncelli and Dorsey 1994; Teo, Simoncelli and Heeger 1997), so a frame is
a sum of the learned pictures with amounts that are not negative. What does not fit is left out:

1. From coarse to fine (errors of 50 % down to EVEN), least squares with weights that turn to
   nothing for what is far off (Geman and McClure's), each by Lawson and Hanson's method (1974).
   From several places, for the way down has more than one end; the best end counts.
2. What a block's own texture and its neighbours say goes into its weight: a person differs in
   folds and edges where a wall behind them may have the same mean.
3. What is left is solved once more together with the errors that are not each block's own: smooth
   ones (light that a person sends elsewhere), smooth ones in colour, and the camera's curve. Each
   has a spread, found from the frame for the smooth ones; what cannot be told from a lamp makes
   the lamp's band wider.
4. The band is the covariance of that, times what neighbouring blocks share, times how much worse
   it fits than supposed, and a floor for what was learned wrongly.

With `before`, few lamps are supposed to have moved (`likely`): that is kept apart, for it is no
sight. Levels and bands are what the picture alone says.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.linalg import cho_factor, cho_solve, solve_triangular
from scipy.optimize import nnls

from studiobridge.profile.sighting import Band
from studiobridge.witness.blocks import BLOCK, FINE, Blocks, means, of_codes, of_light, shape_of
from studiobridge.witness.learned import Codes, Learned, Picture
from studiobridge.witness.likely import Before, Likely, Supposed, likely, spread_over

Mask = NDArray[np.bool_]
Floats = NDArray[np.float64]
Singles = NDArray[np.float32]

# Errors (shares of the light) from which on a block counts little, from coarse to fine.
COARSE = (0.7, 0.4, 0.25, 0.15, 0.1, 0.07, 0.05, 0.035, 0.025)
LATE = (0.1, 0.05, 0.025, 0.025)
# How much of its neighbours' misfit a block is lent at most, and the spread of smooth errors there.
NEAR, BOUNCED = 20.0, 0.03
# What one block's mean may be off by itself, besides noise: learned pictures have their noise, too.
EVEN = 0.006
# ... and one of its finer parts, where a camera that trembles by a tenth of a pixel shows.
TEXTURE = 0.04
# What compression does to the mean of one block and to a finer part (codes).
PRESSED, PRESSED_FINE = 0.25, 1.5
# A block is left out from so many times the error it may have (of its mean, its texture).
FAR, ROUGH = 3.5, 3.5
# Smooth errors: waves across and down, the spread (share of the light) they have at least and at
# most; those in colour have this share of it.
WAVES = (5, 4)
CALM, WILD, TINTED = 0.004, 0.08, 0.5
# Codes at which the curve's own error is taken to be independent.
KNOTS = (0.0, 25.0, 60.0, 110.0, 170.0, 255.0)
# No light is known better than this against its own picture (share): what was learned is no better.
LEARNED_OFF = 0.01
# ... of which so much is another from one frame to the next.
AGAIN_OFF = 0.003
# Of the difference of two frames: what a block may be off by itself and smoothly at least (shares of
# the light); how sure (stops) a lamp is that nobody turned.
EVEN_AGAIN, AGAIN_CALM, AGAIN_SURE = 0.003, 0.0015, 0.01
SURE = 1.96  # of a normal spread: 95 of 100
# A light tells when half its band is below this share of what it gave: a stop down is then apart.
TELLS = 0.25
# Less light than this in the middle of the picture (share of what just does not clip) is too dark.
DARK = 0.002
# Daylight against the lamps, where none of them has a cool white of its own (BGR).
DAYLIGHT = (1.35, 1.0, 0.75)
# A lamp whose colours are nearer to daylight's than this ratio is not told from daylight.
ALIKE = 1.3
# How far off black may be, in what is read where there is no light.
BLACK = 0.4
# How much wider bands are for each share that is covered: shadows with soft edges, light that is
# sent elsewhere, are not only smooth, and what a mask lets through is on one side.
HIDES = 2.5
# A lamp is between dark and its full light, which is what it was learned at: a very wide bell.
MIDDLE, ANYWHERE = 0.5, 0.7
# Of more blocks than this, every second across and down is enough for a way down.
MANY = 1000
# Below so many usable blocks there is nothing to solve.
FEWEST = 40


@dataclass(frozen=True, slots=True)
class Level:
    """One light as the picture alone shows it. `gives` is its share of the picture's light."""

    amount: Band
    cct: Band | None
    tells: bool
    gives: float


@dataclass(frozen=True, slots=True, eq=False)
class _Both:
    """Lights solved together with smooth errors: amounts, normal equations without the errors."""

    x: Floats
    h: Floats
    g: Floats
    bent: Singles
    tau: float


@dataclass(frozen=True, slots=True, eq=False)
class Solved:
    """One frame, solved.

    `x` is the amount of each share and `covariance` goes with it; `seen` and `predicted` are the
    frame and what the lamps make of it (blocks × BGR, linear), `spread` what a block may be off;
    `usable` those that could be used at all, `left_out` those that were covered, `weights` (0-1)
    how much each counted; `bent` is the light that is off
    smoothly, `smooth` how far it is (share, a spread); `residual`
    (stops) is what the rest leaves unexplained.
    """

    x: Floats
    covariance: Floats
    levels: Mapping[str, Level]
    seen: Singles
    predicted: Singles
    spread: Singles
    usable: Mask
    left_out: Mask
    weights: Singles
    bent: Singles
    smooth: float
    residual: float
    wider: float = 1.0  # how much the covariance is more by what blocks share and what is covered
    likely: Mapping[str, Likely] = field(default_factory=dict)

    @property
    def covered(self) -> float:
        """The share of the usable picture that was left out."""
        usable = int(self.usable.sum())
        return float((self.left_out & self.usable).sum()) / usable if usable else 1.0


@dataclass(frozen=True, slots=True, eq=False)
class _End:
    """Where one way down ended."""

    x: Floats
    bend: Floats  # the smooth errors
    cost: float


class Solver:
    """Holds the learned pictures in blocks; one `look` a frame."""

    def __init__(self, learned: Learned) -> None:
        self.curve, self.clips, self.size = learned.curve, learned.clips, learned.size
        self.read, self.shot = learned.read, learned.shot
        self.devices = tuple(dict.fromkeys(share.device for share in learned.shares))
        self.shares = tuple((share.device, share.cct) for share in learned.shares)
        self.of = {
            name: [i for i, (device, _) in enumerate(self.shares) if device == name]
            for name in self.devices
        }
        self.shape = shape_of(learned.size)
        if min(self.shape) < 4:
            raise ValueError("a learned picture has at least 64 × 64 px")
        number: Mask = np.asarray(np.isfinite(learned.dark).all(axis=2))
        for share in learned.shares:
            number &= np.isfinite(share.light).all(axis=2)
        self._known = of_light(learned.dark, number).usable
        fine = [_fine(share.light) for share in learned.shares]
        self._fine = np.stack([one.reshape(-1) for one in fine], axis=1)
        self._fine_dark = _fine(learned.dark).reshape(-1)
        self.light = np.stack([_block(one).reshape(-1) for one in fine], axis=1)
        self.dark = _block(_fine(learned.dark)).reshape(-1)
        self._smooth, self._tints = _waves(self.shape)
        self.with_stray = np.concatenate(
            [self.light, _stray(self.light, self.shape, self.shares)], axis=1
        )
        thin = np.zeros(self.shape, bool)
        by = 2 if thin.size > MANY else 1
        thin[::by, ::by] = True
        self._some = np.flatnonzero(np.repeat(thin.reshape(-1), 3))
        codes = np.arange(256, dtype=np.float64)
        green = learned.curve.light[1].astype(np.float64)
        self._codes, self._green = codes, green
        # how much light one code more is, by the root of the light
        roots = (np.arange(512) / 512.0) ** 2
        per_code = np.maximum(np.gradient(green), 1e-7)
        self._steps = np.interp(roots, green, per_code).astype(np.float32)
        off = np.nan_to_num(learned.curve.sure[1].astype(np.float64), nan=0.5, posinf=0.5)
        self._curve_off = np.interp(KNOTS, codes, np.clip(off, 0.0, 1.0)) * math.log(2.0) / SURE

    # ---- one frame -------------------------------------------------------------------------

    def look(
        self,
        light: Picture,
        usable: Mask | None = None,
        prior: Mapping[str, Before] | None = None,
    ) -> Solved:
        """Solve a frame in linear light. Raises ValueError for one of another size."""
        if light.shape != (self.size[1], self.size[0], 3):
            raise ValueError(_other_size(light.shape, self.size))
        return self.solve(of_light(light, usable), prior)

    def look_at(self, codes: Codes, prior: Mapping[str, Before] | None = None) -> Solved:
        """Solve a frame as the camera wrote it. Raises ValueError for what is none."""
        return self.solve(self.blocks(codes), prior)

    def blocks(self, codes: Codes) -> Blocks:
        """A frame in blocks. Raises ValueError for what is no frame of this camera."""
        if codes.dtype != np.uint8 or codes.ndim != 3:
            raise ValueError("a frame is rows × columns × 3 of bytes")
        if codes.shape != (self.size[1], self.size[0], 3):
            raise ValueError(_other_size(codes.shape, self.size))
        return of_codes(codes, self.curve, self.clips)

    def solve(
        self,
        blocks: Blocks,
        prior: Mapping[str, Before] | None = None,
        trust: Singles | None = None,
        starts: Sequence[Floats] = (),
        near: bool = False,
    ) -> Solved:
        """Solve blocks; `trust` (0-1, a block) is what is known of them already.

        `starts` are amounts to begin from, too; `near`: only from there, it cannot be far.
        """
        usable = blocks.usable & self._known
        base = usable.astype(np.float32).reshape(-1)
        if trust is not None:
            base = base * trust.reshape(-1)
        y = blocks.light.reshape(-1)
        if int(usable.sum()) < FEWEST:
            return self._nothing(blocks, usable)
        begin = [*starts]
        if prior:
            begin.append(self._from(prior))
        if near and begin:
            thin = _Thin(self, y, base)
            end = min((thin.down(x, LATE) for x in begin), key=lambda one: one.cost)
        else:
            end = self._ways(y, base, begin)
        # what is near already settles sooner
        return self._finish(blocks, usable, base, end, prior, 2 if near and begin else 0)

    # ---- from coarse to fine -----------------------------------------------------------------

    def _ways(self, y: Singles, base: Singles, starts: Sequence[Floats]) -> _End:
        """The best end of several ways down, on every fourth block."""
        thin = _Thin(self, y, base)
        ends = [thin.down(None, COARSE)]
        ends += [thin.down(x, COARSE[3:]) for x in starts]
        best = min(ends, key=lambda one: one.cost)
        for of in self.of.values():
            # where this lamp gives most, what would explain each block by itself?
            for x in thin.others(best, of):
                end = thin.down(x, LATE)
                if end.cost < best.cost:
                    best = end
        return best

    def _near(self, far: Singles, base: Singles) -> Singles:
        """A block that fits among many that do not fits by chance: a part of its neighbours'."""
        image = np.minimum(far, NEAR).reshape(self.shape)
        counts = base.reshape(self.shape)
        around = cv2.blur(image * counts, (3, 3)) / np.maximum(cv2.blur(counts, (3, 3)), 0.1)
        return np.maximum(far, 0.6 * around.reshape(-1)).astype(np.float32)

    def _predict(self, x: Floats) -> Singles:
        return np.asarray(self.light @ x.astype(np.float32) + self.dark, np.float32)

    def _noise(self, light: Singles, fine: bool = False) -> Singles:
        """Variance of a block's mean: the camera's noise, and what compression does to it."""
        side, pressed = (FINE, PRESSED_FINE) if fine else (BLOCK, PRESSED)
        positive = np.maximum(light, 0.0)
        at = np.minimum(np.sqrt(positive) * len(self._steps), len(self._steps) - 1)
        step = self._steps[at.astype(np.int32)]
        own = (self.read**2 + self.shot * positive) / side**2
        return np.asarray(own + (pressed * step) ** 2 + 1e-12, np.float32)

    def misfit(self, light: Singles, x: Floats) -> Singles:
        """How far each block is off these amounts, in what it may be off (squared).

        `light`: frames × blocks and channels; found: frames × blocks.
        """
        guess = np.maximum(self._predict(x), 1e-6)
        spread = self._noise(guess) + (BOUNCED * guess) ** 2
        far = (light - guess) ** 2 / spread
        return np.asarray(far.reshape(len(light), -1, 3).mean(axis=2), np.float32)

    # ---- what is left, with all its errors ---------------------------------------------------

    def _finish(
        self,
        blocks: Blocks,
        usable: Mask,
        base: Singles,
        end: _End,
        prior: Mapping[str, Before] | None,
        settled: int = 0,
    ) -> Solved:
        y = blocks.light.reshape(-1)
        x, tau = end.x, 0.02
        rough = self._rough(blocks, x, base)
        start = np.maximum(self._predict(x), 1e-6)
        bent: Singles = np.asarray(start * (self._smooth @ end.bend.astype(np.float32)), np.float32)
        weights: Singles = base
        both = None
        spread = np.ones_like(y)
        far = np.zeros_like(base)
        out = ~usable.reshape(-1)
        for turn in range(settled, 5):
            guess = np.maximum(self._predict(x), 1e-6)
            spread = np.asarray(self._noise(guess) + EVEN**2 * guess * guess, np.float32)
            rest = np.asarray(y - guess - bent, np.float32)
            far = np.asarray((rest**2 / spread).reshape(-1, 3).mean(axis=1), np.float32)
            middle = _middle(far, weights > 0.25 * base)
            worse = max(1.0, middle)
            judged = self._near(far / worse, base)
            judged = np.maximum(judged, rough)
            weights = base * _tukey(judged / FAR**2)
            if turn >= 2:
                out = self._grown(judged > FAR**2 / 2, usable)
                weights = np.where(out, 0.0, weights).astype(np.float32)
            if float(weights.sum()) < FEWEST / 2:
                return self._nothing(blocks, usable, out)
            each = _each(weights) / (spread * np.float32(worse))
            both = self._together(y, guess, each, tau)
            x, bent, tau = both.x, both.bent, both.tau
        assert both is not None
        shared = self._shared(rest, spread, weights)
        covered = float((out.reshape(self.shape) & usable).sum()) / max(1, int(usable.sum()))
        wider = (1.0 + HIDES * covered) ** 2
        cov: Floats = np.asarray(np.linalg.inv(both.h) * (shared * wider), np.float64)
        cov += np.diag((LEARNED_OFF * np.maximum(x, 0.05)) ** 2)
        predicted = self._predict(x)
        shaped = blocks.light.shape
        found = Solved(
            x=x,
            covariance=cov,
            levels=self._levels(x, cov, predicted),
            seen=blocks.light,
            predicted=predicted.reshape(shaped),
            spread=np.sqrt(spread * worse).reshape(shaped),
            usable=usable,
            left_out=out.reshape(self.shape) & usable,
            weights=weights.reshape(self.shape),
            bent=bent.reshape(shaped),
            smooth=tau,
            residual=self._residual(y, predicted, weights),
            wider=shared * wider,
        )
        if not prior:
            return found
        return replace(found, likely=self.suppose(found, prior).lights)

    def suppose(
        self, found: Solved, before: Mapping[str, Before], against: Solved | None = None
    ) -> Supposed:
        """What is likely, when few lamps move at a time, of each light that has a before.

        `against`: the solved frame that the before is of. Then the frames' difference is solved:
        what was learned wrongly and what the curve is off are in both, and so not in that.
        """
        if not found.weights.any():
            return Supposed({}, 0.0, found.x)
        n = len(self.shares)
        if against is not None and int(((found.weights * against.weights) > 0.25).sum()) >= FEWEST:
            mean, cov = self._difference(found, against)
            mean[:n] += against.x
            before = {name: self._still(name, one, against) for name, one in before.items()}
        else:
            each = _each(found.weights) / found.spread.reshape(-1) ** 2
            tau = found.smooth if found.smooth > CALM else 0.4 * CALM
            guess = np.maximum(found.predicted.reshape(-1), 1e-6)
            h, g = self._besides(found.seen.reshape(-1), guess, each, tau)
            cov = np.asarray(np.linalg.inv(h), np.float64)
            mean = cov @ g
            cov *= found.wider
        cov[:n, :n] += np.diag((AGAIN_OFF * np.maximum(found.x, 0.05)) ** 2)
        return likely(self.of, self.shares, mean, cov, before)

    def _still(self, name: str, one: Before, against: Solved) -> Before:
        """How sure a light is of which it is known that it is where it was then."""
        same = one.parts is not None and np.allclose(one.parts, against.x[self.of[name]])
        return replace(one, sure=min(one.sure, AGAIN_SURE)) if same else one

    def _difference(self, found: Solved, against: Solved) -> tuple[Floats, Floats]:
        """How much more each share gives, and each kind of stray light, and the covariance."""
        y = (found.seen - against.seen).reshape(-1)
        now = np.maximum(found.predicted.reshape(-1), 1e-6)
        then = np.maximum(against.predicted.reshape(-1), 1e-6)
        own = self._noise(now) + self._noise(then)
        spread = np.asarray(own + (EVEN_AGAIN * np.maximum(now, then)) ** 2, np.float32)
        weights = np.minimum(found.weights, against.weights).reshape(-1)
        grey, tints = self._smooth.shape[1], self._tints.shape[1]
        waves = np.concatenate([self._smooth, self._tints], axis=1) * now[:, None]
        curve = self._hats(now) * now[:, None] - self._hats(then) * then[:, None]
        curve = curve * (self._curve_off + 1e-4).astype(np.float32)
        n = self.with_stray.shape[1]
        columns = np.concatenate([self.with_stray, waves, curve], axis=1)
        heavy = columns * (_each(weights) / spread)[:, None]
        h0 = (heavy.T @ columns).astype(np.float64)
        g0 = (heavy.T @ y).astype(np.float64)
        h0[range(n), range(n)] += 1e-9 * np.trace(h0[:n, :n]) / n
        tau, worse, least = max(found.smooth, CALM), 1.0, AGAIN_CALM
        fitted = np.zeros(0)
        for _ in range(3):
            scale = np.concatenate(
                [
                    np.ones(n),
                    np.full(grey, tau),
                    np.full(tints, tau * TINTED),
                    np.ones(curve.shape[1]),
                ]
            )
            h = h0 * scale[:, None] * scale[None, :] / worse
            g = g0 * scale / worse
            h[n:, n:] += np.eye(len(h) - n)
            h[:n, :n] += np.eye(n) / ANYWHERE**2
            everything = np.linalg.inv(h)
            fitted = everything @ g
            found_ = fitted[n : n + grey] ** 2 + np.diag(everything)[n : n + grey]
            tau = min(WILD, max(least, tau * math.sqrt(float(found_.mean()))))
            rest = np.asarray(y - columns @ (fitted * scale).astype(np.float32), np.float32)
            far = (rest**2 / spread).reshape(-1, 3).mean(axis=1)
            worse = max(1.0, _middle(far, weights > 0.25))
        wider = self._shared(rest, spread, weights) * (1.0 + HIDES * found.covered) ** 2
        cov = everything[:n, :n] * wider
        cov[range(n), range(n)] += (LEARNED_OFF * fitted[:n]) ** 2
        return fitted[:n], cov

    def _together(self, y: Singles, guess: Singles, each: Singles, tau: float) -> _Both:
        """Lights and smooth errors at once; `each`: how much each row counts over its spread."""
        n, grey = len(self.shares), self._smooth.shape[1]
        bend = self._bend(guess, tau)
        columns = np.concatenate([self.light, bend], axis=1)
        heavy = columns * each[:, None]
        h = (heavy.T @ columns).astype(np.float64)
        g = (heavy.T @ (y - self.dark)).astype(np.float64)
        reduced, left, factor = self._without_errors(h, g, n)
        x = _not_negative(reduced, left)
        c = cho_solve(factor, g[n:] - h[n:, :n] @ x, check_finite=False)
        bent = np.asarray(bend @ c.astype(np.float32), np.float32)
        # how smooth errors really spread in this frame: what was found and what is left open
        open_ = np.diag(cho_solve(factor, np.eye(len(c)), check_finite=False))[:grey]
        found = tau * math.sqrt(float((c[:grey] ** 2 + open_).mean()))
        return _Both(x, reduced, left, bent, min(WILD, max(CALM, found)))

    def _besides(
        self, y: Singles, guess: Singles, each: Singles, tau: float
    ) -> tuple[Floats, Floats]:
        """The same with stray light, as normal equations: from every fourth block, exactly."""
        some = each[self._some].astype(np.float64)
        columns = np.concatenate(
            [self.with_stray[self._some], self._bend(guess, tau)[self._some]], axis=1
        ).astype(np.float64)
        some *= float(each.sum()) / max(float(some.sum()), 1e-9)
        heavy = columns * some[:, None]
        h, g = heavy.T @ columns, heavy.T @ (y - self.dark)[self._some].astype(np.float64)
        n = self.with_stray.shape[1]
        h[range(n), range(n)] += 1e-9 * np.trace(h[:n, :n]) / n
        return self._without_errors(h, g, n)[:2]

    def _bend(self, guess: Singles, tau: float) -> Singles:
        """Smooth errors as columns, each of the size that it may have."""
        grey, tints = self._smooth.shape[1], self._tints.shape[1]
        bend = np.concatenate([self._smooth, self._tints, self._hats(guess)], axis=1)
        scale = np.concatenate(
            [np.full(grey, tau), np.full(tints, tau * TINTED), self._curve_off + 1e-4]
        )
        bend = bend * guess[:, None] * scale.astype(np.float32)
        # black is not quite black: noise below nothing is cut off there
        black = np.tile(
            np.eye(3, dtype=np.float32) * np.float32(BLACK * self.read), (len(guess) // 3, 1)
        )
        return np.asarray(np.concatenate([bend, black], axis=1), np.float32)

    def _without_errors(
        self, h: Floats, g: Floats, n: int
    ) -> tuple[Floats, Floats, tuple[Floats, bool]]:
        """Normal equations of the first n, the rest (each of size 1) taken out of them."""
        h[n:, n:] += np.eye(len(h) - n)
        h[:n, :n] += np.eye(n) / ANYWHERE**2
        g[: len(self.shares)] += MIDDLE / ANYWHERE**2
        factor = cho_factor(h[n:, n:], check_finite=False)
        across = cho_solve(factor, h[n:, :n], check_finite=False)
        return h[:n, :n] - h[:n, n:] @ across, g[:n] - across.T @ g[n:], factor

    def _hats(self, guess: Singles) -> Singles:
        """The curve's error: straight between some codes, each with its own spread."""
        code = np.interp(guess, self._green, self._codes)
        left = np.clip(np.searchsorted(KNOTS, code, side="right") - 1, 0, len(KNOTS) - 2)
        low = np.take(KNOTS, left)
        share = ((code - low) / (np.take(KNOTS, left + 1) - low)).astype(np.float32)
        found = np.zeros((len(guess), len(KNOTS)), np.float32)
        row = np.arange(len(guess))
        found[row, left] = 1.0 - share
        found[row, left + 1] = share
        return found

    def _rough(self, blocks: Blocks, x: Floats, base: Singles) -> Singles:
        """How far each block's texture is from what the lamps make there, whatever its mean."""
        if blocks.fine is None:
            return np.zeros_like(base)
        guess = np.asarray(self._fine @ x.astype(np.float32) + self._fine_dark, np.float32)
        rows, columns = self.shape
        each = BLOCK // FINE
        grid = (rows, each, columns, each, 3)
        predicted = np.maximum(guess, 1e-6).reshape(grid)
        seen = blocks.fine.reshape(grid)
        ratio = seen.sum(axis=(1, 3)) / predicted.sum(axis=(1, 3))
        expected = predicted * ratio[:, None, :, None, :]
        own = self._noise(expected.reshape(-1), fine=True).reshape(grid)
        spread = own + (TEXTURE * expected) ** 2
        far = ((seen - expected) ** 2 / spread).mean(axis=(1, 3, 4)).reshape(-1)
        usual = max(1.0, _middle(far, base > 0.5))
        # as the square of an error that would be left out at FAR
        return np.asarray(far / usual * (FAR**2 / ROUGH**2), np.float32)

    def _grown(self, far: Mask, usable: Mask) -> Mask:
        """What is covered, closed and one block wider; single blocks are only themselves."""
        image = far.reshape(self.shape).astype(np.uint8)
        cross = np.ones((3, 3), np.uint8)
        closed = cv2.morphologyEx(image, cv2.MORPH_CLOSE, cross)
        core = cv2.morphologyEx(closed, cv2.MORPH_OPEN, np.ones((2, 2), np.uint8))
        wider = np.asarray(cv2.dilate(core, cross)) > 0
        return np.asarray(wider | (image > 0) | ~usable).reshape(-1)

    def _shared(self, rest: Singles, spread: Singles, weights: Singles) -> float:
        """How much more the covariance is because errors of neighbouring blocks go together."""
        z = (rest / np.sqrt(spread)).reshape(*self.shape, 3)
        on = (weights > 0.3).reshape(self.shape)
        more = 1.0
        for first, second in ((np.s_[:, 1:], np.s_[:, :-1]), (np.s_[1:], np.s_[:-1])):
            both = on[first] & on[second]
            if both.sum() < FEWEST:
                return 9.0
            a, b = z[first][both], z[second][both]
            power = float((a * a).mean() + (b * b).mean()) / 2
            rho = min(0.85, max(0.0, float((a * b).mean()) / max(power, 1e-9)))
            more *= (1.0 + rho) / (1.0 - rho)
        return more

    def _residual(self, y: Singles, predicted: Singles, weights: Singles) -> float:
        """Stops, root of the weighted mean square, of what the lamps leave unexplained."""
        floor = 0.01 * float(predicted.max()) + 1e-6
        off = np.log2((np.maximum(y, 0.0) + floor) / (np.maximum(predicted, 0.0) + floor))
        each = _each(weights)
        return float(np.sqrt((each * off * off).sum() / max(float(each.sum()), 1e-6)))

    # ---- in the lights' own terms --------------------------------------------------------------

    def _levels(self, x: Floats, cov: Floats, predicted: Singles) -> dict[str, Level]:
        total = max(float(predicted.mean()), 1e-9)
        means_ = self.light.mean(axis=0)
        return {name: self._level(of, x, cov, means_, total) for name, of in self.of.items()}

    def _level(self, of: list[int], x: Floats, cov: Floats, means_: Singles, total: float) -> Level:
        part = cov[np.ix_(of, of)]
        value = float(x[of].sum())
        wide = SURE * math.sqrt(max(0.0, float(part.sum())))
        amount = Band(max(0.0, value - wide), value, value + wide)
        tells = wide < TELLS * max(value, 0.25)
        gives = float((means_[of] * x[of]).sum()) / total
        return Level(amount, self._cct(of, x, part) if tells else None, tells, gives)

    def _cct(self, of: list[int], x: Floats, part: Floats) -> Band | None:
        """The white of a lamp that has two: in mired as the shares of its light, about straight."""
        ccts = [self.shares[i][1] for i in of]
        total = float(x[of].sum())
        if len(of) < 2 or any(cct is None for cct in ccts) or total <= 0.02:
            return None
        mired = np.array([1e6 / cct for cct in ccts if cct])
        value = float((mired * x[of]).sum()) / total
        slope = (mired - value) / total
        wide = SURE * math.sqrt(max(0.0, float(slope @ part @ slope))) + 1.0
        low, high = float(mired.min()), float(mired.max())
        value = min(high, max(low, value))
        return Band(1e6 / min(high, value + wide), 1e6 / value, 1e6 / max(low, value - wide))

    def _from(self, prior: Mapping[str, Before]) -> Floats:
        x = np.full(len(self.shares), 0.5)
        for name, of in self.of.items():
            if name in prior:
                x[of] = spread_over([self.shares[i][1] for i in of], prior[name])
        return x

    def _nothing(self, blocks: Blocks, usable: Mask, out: Mask | None = None) -> Solved:
        """Too little is left to say anything: bands as wide as a lamp goes."""
        n = len(self.shares)
        wide = Level(Band(0.0, 0.5, 1.0), None, False, 0.0)
        left = usable if out is None else out.reshape(self.shape) & usable
        return Solved(
            x=np.full(n, 0.5),
            covariance=np.eye(n),
            levels=dict.fromkeys(self.devices, wide),
            seen=blocks.light,
            predicted=np.zeros_like(blocks.light),
            spread=np.ones_like(blocks.light),
            usable=usable,
            left_out=left,
            weights=np.zeros(self.shape, np.float32),
            bent=np.zeros_like(blocks.light),
            smooth=WILD,
            residual=0.0,
        )


class _Thin:
    """Every second block across and down, with smooth errors: quick enough for many ways down."""

    def __init__(self, solver: Solver, y: Singles, base: Singles) -> None:
        index = solver._some[::3] // 3
        index = index[base[index] > 0.05]
        if len(index) < FEWEST:
            index = np.flatnonzero(base > 0.0)
        each = (index[:, None] * 3 + np.arange(3)).reshape(-1)
        self.y = y[each] - solver.dark[each]
        self.dark = solver.dark[each]
        self.light = np.ascontiguousarray(solver.light[each])
        self.smooth = np.ascontiguousarray(solver._smooth[each])
        self.base = base[index]
        self._own = solver._noise(self.y + self.dark)
        self.n = solver.light.shape[1]

    def down(self, x: Floats | None, steps: Sequence[float]) -> _End:
        y = self.y
        bend = np.zeros(self.smooth.shape[1])
        guess = np.maximum(y, 1e-6)
        weights = self.base
        if x is not None:
            guess, weights = self._guess(x, bend)[1], self.base
        far = np.zeros_like(self.base)
        for even in steps:
            if x is not None:
                guess, bent = self._guess(x, bend)
                spread = self._spread(guess, even)
                far = ((y - bent) ** 2 / spread).reshape(-1, 3).mean(axis=1)
                weights = self.base / (1.0 + far / 4.0) ** 2
            x, bend = self._solve(_each(weights) / self._spread(guess, even), guess)
        assert x is not None
        guess, bent = self._guess(x, bend)
        far = ((y - bent) ** 2 / self._spread(guess, steps[-1])).reshape(-1, 3).mean(axis=1)
        cost = float((self.base * far / (1.0 + far / 4.0)).sum() + (bend**2).sum() / BOUNCED**2)
        return _End(x, bend, cost)

    def _guess(self, x: Floats, bend: Floats) -> tuple[Singles, Singles]:
        guess: Singles = np.asarray(self.light @ x.astype(np.float32), np.float32)
        bent = guess * (1.0 + self.smooth @ bend.astype(np.float32))
        return guess, np.asarray(bent, np.float32)

    def _spread(self, guess: Singles, even: float) -> Singles:
        square = (guess * guess + self.y * self.y) / 2
        return np.asarray(self._own + np.float32(even**2) * square, np.float32)

    def _solve(self, each: Singles, guess: Singles) -> tuple[Floats, Floats]:
        n = self.n
        columns = np.concatenate([self.light, self.smooth * (BOUNCED * guess)[:, None]], axis=1)
        heavy = columns * each[:, None]
        h = (heavy.T @ columns).astype(np.float64)
        g = (heavy.T @ self.y).astype(np.float64)
        h[:n, :n] += np.eye(n) / ANYWHERE**2
        g[:n] += MIDDLE / ANYWHERE**2
        h[n:, n:] += np.eye(len(h) - n)
        factor = cho_factor(h[n:, n:], check_finite=False)
        across = cho_solve(factor, h[n:, :n], check_finite=False)
        x = _not_negative(h[:n, :n] - h[:n, n:] @ across, g[:n] - across.T @ g[n:])
        c = cho_solve(factor, g[n:] - h[n:, :n] @ x, check_finite=False)
        return x, c * BOUNCED

    def others(self, end: _End, of: Sequence[int]) -> list[Floats]:
        """Other amounts of one light, such that single blocks where it gives most would fit."""
        own = self.light[:, list(of)] @ np.maximum(end.x[list(of)], 0.02).astype(np.float32)
        guess, bent = self._guess(end.x, end.bend)
        rest = self.y - bent + self.light[:, list(of)] @ end.x[list(of)].astype(np.float32)
        own3, rest3 = own.reshape(-1, 3).sum(axis=1), rest.reshape(-1, 3).sum(axis=1)
        share = own3 / np.maximum(guess.reshape(-1, 3).sum(axis=1), 1e-6)
        most = share >= np.quantile(share, 0.8)
        found = []
        for at in np.quantile(rest3[most] / np.maximum(own3[most], 1e-9), (0.3, 0.7, 0.9)):
            if not 0.0 <= at < 20.0 or abs(at - 1.0) < 0.1:
                continue
            x = end.x.copy()
            x[list(of)] = np.maximum(x[list(of)], 0.02) * at
            found.append(x)
        return found


def _fine(picture: Picture) -> Singles:
    number = np.isfinite(picture)
    return means(picture if number.all() else np.where(number, picture, 0.0), FINE)


def _block(fine: Singles) -> Singles:
    size = (fine.shape[1] * FINE // BLOCK, fine.shape[0] * FINE // BLOCK)
    return np.asarray(cv2.resize(fine, size, interpolation=cv2.INTER_AREA), np.float32)


def _each(weights: Singles) -> Singles:
    """A weight a block as one a channel."""
    return np.repeat(weights, 3)


def _middle(values: Singles, on: Mask) -> float:
    """The middle of these against what it is for the mean of three squares (0.79)."""
    return float(np.median(values[on])) / 0.79 if on.any() else 1.0


def _tukey(square: Singles) -> Singles:
    """Tukey's biweight of a squared distance (1: left out)."""
    return np.asarray(np.where(square < 1.0, (1.0 - np.minimum(square, 1.0)) ** 2, 0.0), np.float32)


def _not_negative(h: Floats, g: Floats) -> Floats:
    """Least squares of normal equations, nothing below zero."""
    size = len(h)
    scale = 1.0 / np.sqrt(np.maximum(np.diag(h), 1e-12))
    scaled = h * scale[:, None] * scale[None, :] + 1e-7 * np.eye(size)
    root = np.linalg.cholesky(scaled)
    found: Floats = nnls(root.T, solve_triangular(root, g * scale, lower=True))[0]
    return found * scale


def _waves(shape: tuple[int, int]) -> tuple[Singles, Singles]:
    """Smooth errors over the picture: cosines in all colours alike, and a few in single ones."""
    rows, columns = shape
    across = [np.cos(math.pi * i * (np.arange(columns) + 0.5) / columns) for i in range(WAVES[0])]
    down = [np.cos(math.pi * j * (np.arange(rows) + 0.5) / rows) for j in range(WAVES[1])]
    grey, tint = [], []
    for i, wave in enumerate(across):
        for j, other in enumerate(down):
            field_ = np.outer(other, wave).reshape(-1, 1)
            grey.append(np.repeat(field_, 3, axis=1).reshape(-1))
            if i + j <= 1:
                tint += [(field_ * np.array(way)).reshape(-1) for way in ((1, 0, -1), (1, -2, 1))]
    return (
        np.stack(grey, axis=1).astype(np.float32),
        np.stack(tint, axis=1).astype(np.float32),
    )


def _stray(
    light: Singles, shape: tuple[int, int], shares: Sequence[tuple[str, float | None]]
) -> Singles:
    """What stray light may look like: from where a lamp stands but in daylight's colour; from all
    sides, from one side.

    A window lights a room much as a lamp does that stands near it. Each is as much light in the
    middle of the picture as all lamps at full give. Daylight's colour is that of the coolest white
    that was learned; where none has two, the middle of all lamps made cooler.
    """
    rows, columns = shape
    means_ = light.reshape(-1, 3, light.shape[1]).mean(axis=0)  # channels × shares
    whites = {i: cct for i, (_, cct) in enumerate(shares) if cct}
    if whites:
        colour = means_[:, max(whites, key=lambda i: whites[i])]
    else:
        colour = means_.sum(axis=1) * np.array(DAYLIGHT)
    colour = colour / colour.mean()
    floor = 0.02 * light.mean(axis=0)
    relative = (np.maximum(light, 0.0) + floor) / (light.mean(axis=0) + floor)
    surface = np.exp(np.log(relative).mean(axis=1)).reshape(rows, columns, 3)
    across, down = np.meshgrid(np.linspace(0, 1, columns), np.linspace(0, 1, rows))
    ways = [surface * (w**2)[..., None] for w in (1 - across, across, 1 - down, down)]
    ways.append(surface)
    coolest: dict[str, int] = {}
    for i, (name, cct) in enumerate(shares):
        known = coolest.get(name)
        if known is None or (cct or 0.0) > (shares[known][1] or 0.0):
            coolest[name] = i
    for i in coolest.values():
        # a lamp of one white that is daylight's already: nothing tells a window beside it apart
        own = means_[:, i] / np.maximum(means_[:, i].mean(), 1e-9) / colour
        if shares[i][1] is not None or own.max() > ALIKE * own.min():
            ways.append(light[:, i].reshape(rows, columns, 3))
    total = float(light.sum(axis=1).mean())
    found = []
    for way in ways:
        tinted = way * (colour / np.maximum(way.reshape(-1, 3).mean(axis=0), 1e-9))
        found.append(tinted.reshape(-1) * (total / float(tinted.mean())))
    return np.stack(found, axis=1).astype(np.float32)


def _other_size(shape: tuple[int, ...], size: tuple[int, int]) -> str:
    if len(shape) != 3 or shape[2] != 3:
        return "a frame is rows × columns × 3"
    return f"a frame of {shape[1]} × {shape[0]} px, and {size[0]} × {size[1]} px was learned"
