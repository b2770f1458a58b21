"""How bright each lamp is now: one frame against the pictures that each lamp makes alone.

Light adds (Nimeroff, Simoncelli and Dorsey 1994; Teo, Simoncelli and Heeger 1997), so a frame is
a sum of the learned pictures with amounts that are not negative. What does not fit is left out:

1. From coarse to fine (errors of 70 % down (`ways`)), least squares with weights that turn to
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
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace

import cv2
import numpy as np

from studiobridge.craft.colour import is_white
from studiobridge.craft.grid import mired
from studiobridge.profile.sighting import Band
from studiobridge.witness.blocks import BLOCK, FINE, Blocks, of_codes, of_light, sums, to_parts
from studiobridge.witness.differing import difference, learned_wrongly
from studiobridge.witness.learned import Codes, Learned, Picture
from studiobridge.witness.likely import Before, Likely, Supposed, evenly, likely
from studiobridge.witness.mixing import BRIGHT_OFF, whites_of
from studiobridge.witness.reduced import LEAST, SURE, Floats, Mask, Reduced, Singles, by_block
from studiobridge.witness.screen import Made
from studiobridge.witness.ways import (
    BOUNCED,
    FEWEST,
    End,
    Ways,
    Without,
    each_channel,
    equations,
    not_negative,
)

# How much of its neighbours' misfit a block is lent at most.
NEAR = 20.0
# What one block's mean may be off by itself, besides noise: learned pictures have their noise, too.
EVEN = 0.006
# ... and one of its finer parts, where a camera that trembles by a tenth of a pixel shows.
TEXTURE = 0.04
# A block is left out from so many times the error it may have (of its mean, its texture).
FAR, ROUGH = 3.5, 3.5
# The spread (share of the light) that smooth errors have at first, at least and at most.
FIRST, CALM, WILD = 0.02, 0.004, 0.08
# No light is known better than this against its own picture (share): what was learned is no better.
LEARNED_OFF = 0.01
# ... of which so much is another from one frame to the next; and how sure (stops) it is of a lamp
# that nobody turned that it gives what it gave.
AGAIN_OFF, AGAIN_SURE = 0.003, 0.01
# Where the picture itself does not tell, what the lamps make of it may be off by so much (stops)
# beside what their amounts are: what was learned, and a place's own light, are no better.
MADE_OFF = 0.05
# Somebody is in a frame of which so much is covered, or in which errors are so much more than calm:
# it is not held against another by their difference.
SOMEBODY, SENT = 0.06, 1.5
# Less covered than this is nobody's doing.
SEEN = 0.02
# A block is another than it was from such a difference on (squared, in what it may be off), when
# the lamps' own is known to this share of the light.
OTHER, KNOWN = 8.0, 0.02
# So much more (share) covered in one of many frames than in their mean: somebody went by.
PASSED = 0.04
# A light tells when half its band is below this share of what it gave: a stop down is then apart.
TELLS = 0.25
# How much wider bands are for each share that is covered: shadows with soft edges, light that is
# sent elsewhere, are not only smooth, and what a mask lets through is on one side.
HIDES = 2.5
# How much of its light, smoothly, somebody takes from one lamp alone or sends on (a spread, for
# each share of the picture that they cover): on the renders it is 0.08 to 0.13 of what they hide.
SHADES = 0.1
# Rows of which products are summed in single precision.
FEW = 297
# Turns until what is covered stands still, and how many of them a frame can do without that is near
# one solved before.
TURNS, SETTLED = 5, 3


@dataclass(frozen=True, slots=True)
class Level:
    """One light as the picture alone shows it. `gives` is its share of the picture's light."""

    amount: Band
    cct: Band | None
    tells: bool
    gives: float


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
    hidden: float = 0.0  # of many frames put together: the most that was covered in one
    shaded: float = 0.0  # what is covered, as far as it is the same in frames put together
    wider: float = 1.0  # how much the covariance is more by what blocks share and what is covered
    likely: Mapping[str, Likely] = field(default_factory=dict)

    @property
    def covered(self) -> float:
        """The share of the usable picture that was left out."""
        usable = int(self.usable.sum())
        return float((self.left_out & self.usable).sum()) / usable if usable else 1.0

    @property
    def somebody(self) -> bool:
        """Is much covered, here or in any of the frames put together?"""
        return max(self.hidden, self.covered) >= SOMEBODY


class Solver(Reduced):
    """Holds the learned pictures in blocks; one `look` a frame."""

    def __init__(self, learned: Learned) -> None:
        super().__init__(learned)
        every = {name: whites_of(learned.shares_of(name)) for name in self.devices}
        self._whites = {name: whites for name, whites in every.items() if whites is not None}
        # of each lamp, the mean light of its shares
        self._means = self.light.mean(axis=0, dtype=np.float64)
        self._last_told: tuple[Solved, Solved | None, tuple[Floats, Floats, bool]] | None = None

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

    def blocks(self, codes: Codes, light: Picture | None = None) -> Blocks:
        """A frame in blocks; `light`: the same through the curve, where that is there already.

        Raises ValueError for what is no frame of this camera.
        """
        self.check(codes)
        return of_codes(codes, self.curve, self.clips, light)

    def check(self, codes: Codes) -> None:
        """Raises ValueError for what is no frame of this camera."""
        if codes.dtype != np.uint8 or codes.ndim != 3:
            raise ValueError("a frame is rows × columns × 3 of bytes")
        if codes.shape != (self.size[1], self.size[0], 3):
            raise ValueError(_other_size(codes.shape, self.size))

    def solve(
        self,
        blocks: Blocks,
        prior: Mapping[str, Before] | None = None,
        trust: Singles | None = None,
        starts: Sequence[Floats] = (),
        near: Solved | None = None,
        alike: float = 1.0,
        unless: Callable[[float, Floats], bool] | None = None,
    ) -> Solved:
        """Solve blocks; `trust` (0-1, a block) is what is known of them already.

        `starts` are amounts to begin from, too; `near`: a frame that this cannot be far from, so
        that it is begun from these alone, and from how smooth errors were there. `alike`: of the
        mean of frames, how far what somebody does is the same in them (0-1). `unless`: asked of
        what is covered and of the amounts whether it is far after all, so that other starting
        places may fit better: then it is begun from everywhere.
        """
        usable = blocks.usable & self.known
        base = usable.astype(np.float32).reshape(-1)
        if trust is not None:
            base = base * trust.reshape(-1)
        if int(usable.sum()) < FEWEST:
            return self._nothing(blocks, usable)
        begin = [*starts]
        if prior:
            begin.append(self._from(prior))
        ways = Ways(self, blocks.light.reshape(-1), base)
        if near and begin:
            end = ways.near(begin)
            found = self._finish(blocks, usable, base, end, prior, near, alike, unless)
            if found is not None:
                return found
            near = None
        end = ways.best(begin)
        found = self._finish(blocks, usable, base, end, prior, near, alike)
        assert found is not None
        return found

    # ---- what is covered ---------------------------------------------------------------------

    def _near(self, far: Singles, base: Singles) -> Singles:
        """A block that fits among many that do not fits by chance: a part of its neighbours'."""
        image = np.minimum(far, NEAR).reshape(self.shape)
        counts = base.reshape(self.shape)
        around = cv2.blur(image * counts, (3, 3)) / np.maximum(cv2.blur(counts, (3, 3)), 0.1)
        return np.maximum(far, 0.6 * around.reshape(-1)).astype(np.float32)

    def misfit(self, light: Singles, x: Floats) -> Singles:
        """How far each block is off these amounts, in what it may be off (squared).

        `light`: frames × blocks and channels; found: frames × blocks.
        """
        guess = np.maximum(self.predict(x), LEAST)
        spread = self.noise(guess) + (BOUNCED * guess) ** 2
        return np.asarray(by_block((light - guess) ** 2 / spread), np.float32)

    # ---- what is left, with all its errors ---------------------------------------------------

    def _finish(
        self,
        blocks: Blocks,
        usable: Mask,
        base: Singles,
        end: End,
        prior: Mapping[str, Before] | None,
        near: Solved | None,
        alike: float,
        unless: Callable[[float, Floats], bool] | None = None,
    ) -> Solved | None:
        """None where it is to be begun from elsewhere, which is told before the bands are made."""
        y = blocks.light.reshape(-1)
        lit = y - self.dark
        n, lamps = self.light.shape[1], len(self.shares)
        x, tau = end.x, near.smooth if near else FIRST
        rough = self._rough(blocks, x, base)
        guess = np.maximum(self.predict(x), LEAST)
        waves = self.smooth[:, : self.grey] @ end.bend.astype(np.float32)
        bent: Singles = np.asarray(guess * waves, np.float32)
        columns = self.columns()
        weights: Singles = base
        out = ~usable.reshape(-1)
        # what is near already settles sooner
        for turn in range(SETTLED if near else 0, TURNS):
            spread = np.asarray(self.noise(guess) + EVEN**2 * guess * guess, np.float32)
            rest = np.asarray(y - guess - bent, np.float32)
            far = by_block(rest**2 / spread)
            worse = max(1.0, _middle(far, weights > 0.25 * base))
            judged = np.maximum(self._near(far / np.float32(worse), base), rough)
            weights = base * _tukey(np.asarray(judged / FAR**2, np.float32))
            if turn >= 2:
                out = self._grown(judged > FAR**2 / 2, usable)
                weights = np.where(out, 0.0, weights).astype(np.float32)
            if float(weights.sum()) < FEWEST / 2:
                nothing = self._nothing(blocks, usable, out)
                again = unless is not None and unless(nothing.covered, nothing.x)
                return None if again else nothing
            # lights and smooth errors at once, each of the size that it may have
            self.fill(columns, guess)
            h, g = equations(columns, lit, each_channel(weights) / (spread * np.float32(worse)))
            size = np.concatenate([np.ones(n), self.sizes(tau)])
            without = Without.of(h * size[:, None] * size[None, :], g * size, lamps, n)
            x = not_negative(without.h, without.g)
            c = without.errors(x)
            bent = np.asarray(columns[:, n:] @ (size[n:] * c).astype(np.float32), np.float32)
            # how smooth errors really spread in this frame: what was found and what is left open
            found = c[: self.grey] ** 2 + np.diag(without.open)[: self.grey]
            tau = min(WILD, max(CALM, tau * math.sqrt(float(found.mean()))))
            predicted = self.predict(x)
            guess = np.maximum(predicted, LEAST)
        covered = float((out.reshape(self.shape) & usable).sum()) / max(1, int(usable.sum()))
        if unless is not None and unless(covered, x):
            return None
        wider = self._wider(rest, spread, weights, covered)
        cov: Floats = np.asarray(np.linalg.inv(without.h) * wider, np.float64)
        shaded = covered * alike if covered >= SEEN else 0.0
        if shaded > 0.0:
            each = each_channel(weights) / (spread * np.float32(worse))
            cov += self._shaded(without, columns, each, size, x, shaded)
        cov += np.diag((LEARNED_OFF * np.maximum(x, 0.05)) ** 2)
        shaped = blocks.light.shape
        solved = Solved(
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
            wider=wider,
            shaded=shaded,
        )
        if not prior:
            return solved
        return replace(solved, likely=self.suppose(solved, prior).lights)

    # ---- which have moved --------------------------------------------------------------------

    def suppose(
        self, found: Solved, before: Mapping[str, Before], against: Solved | None = None
    ) -> Supposed:
        """What is likely, when few lamps move at a time, of each light that has a before.

        `against`: the solved frame that the before is of. With nobody there the frames' difference
        is solved: what was learned wrongly and what the curve is off are in both, and not in that.
        """
        if not before or not found.weights.any():
            return Supposed({}, 0.0, found.x)
        mean, cov, apart = self._told(found, against)
        if against is not None and apart:
            before = {name: self._still(name, one, against) for name, one in before.items()}
        before = {
            name: replace(one, parts=tuple(self.spread(name, one)))
            for name, one in before.items()
            if name in self.of
        }
        return likely(self.of, self.shares, mean, cov, before)

    def _told(self, found: Solved, against: Solved | None) -> tuple[Floats, Floats, bool]:
        """All amounts and their covariance, whatever was before; are they from the difference?

        Of one frame it is asked again, against what the lights were told.
        """
        last = self._last_told
        if last is None or last[0] is not found or last[1] is not against:
            last = self._last_told = found, against, self._tell(found, against)
        return last[2]

    def _tell(self, found: Solved, against: Solved | None) -> tuple[Floats, Floats, bool]:
        n = len(self.shares)
        weights = found.weights
        if against is not None:
            weights = np.minimum(found.weights, against.weights)
        # what somebody shades and sends elsewhere is in one frame only, and is no lamp's doing
        calm = found.smooth < SENT * CALM and int((weights > 0.25).sum()) >= FEWEST
        apart = None
        if against is not None and calm:
            ours, theirs = _flat(found), _flat(against)
            apart = difference(self, ours, theirs, weights.reshape(-1))
            # what is left out of both alike is no person, and hides no lamp
            if found.somebody and self.covers(found, against, against.x + apart[0][:n]):
                apart = None
        if against is not None and apart is not None:
            mean, cov, rest, spread = apart
            # nobody widens it where what is left out was so before
            covered = 0.0 if found.somebody else found.covered
            cov = cov * self._wider(rest, spread, weights.reshape(-1), covered)
            cov += np.diag(learned_wrongly(mean))
            mean = mean + np.append(against.x, np.zeros(len(mean) - n))
        else:
            mean, cov = self._besides(found)
        cov[:n, :n] += np.diag((AGAIN_OFF * np.maximum(found.x, 0.05)) ** 2)
        return mean, cov, apart is not None

    def covers(self, found: Solved, against: Solved, x: Floats) -> bool:
        """Is somebody in one frame who was not there in another, when its lamps give `x`?

        What was learned wrongly, or the curve is off, is left out of both alike, and there the
        lamps explain by how much they differ; where somebody is, and was not, they do not.
        """
        usable = (found.usable & against.usable).reshape(-1)
        if not usable.any() or found.hidden > found.covered + PASSED:
            return True
        now, predicted = _flat(found)
        then, before = _flat(against)
        by = self.light @ (x[: len(self.shares)] - against.x).astype(np.float32)
        own = self.noise(np.maximum(predicted, LEAST)) + self.noise(np.maximum(before, LEAST))
        spread = own + (KNOWN * np.maximum(now, LEAST)) ** 2
        far = by_block((now - then - by) ** 2 / spread)
        other = (far > OTHER) & found.left_out.reshape(-1)
        return float(other[usable].mean()) >= SEEN

    def _still(self, name: str, one: Before, against: Solved) -> Before:
        """How sure a light is of which it is known that it is where it was then."""
        same = one.parts is not None and np.allclose(one.parts, against.x[self.of[name]])
        return replace(one, sure=min(one.sure, AGAIN_SURE)) if same else one

    def _besides(self, found: Solved) -> tuple[Floats, Floats]:
        """Lights and stray light at once, by the picture alone, with their covariance."""
        guess = np.maximum(found.predicted.reshape(-1), LEAST)
        own = self.columns()
        self.fill(own, guess)
        n, lamps = self.with_stray.shape[1], len(self.shares)
        columns = np.concatenate([self.with_stray, own[:, lamps:]], axis=1)
        each = each_channel(found.weights.reshape(-1)) / found.spread.reshape(-1) ** 2
        h, g = equations(columns, found.seen.reshape(-1) - self.dark, each, exact=True)
        # where nothing is off smoothly but what was learned, a picture kept has that in it, too
        tau = found.smooth if found.smooth > CALM else 0.4 * CALM
        size = np.concatenate([np.ones(n), self.sizes(tau)])
        h[range(n), range(n)] += 1e-9 * np.trace(h[:n, :n]) / n
        without = Without.of(h * size[:, None] * size[None, :], g * size, lamps, n)
        cov: Floats = np.asarray(np.linalg.inv(without.h), np.float64)
        mean, cov = cov @ without.g, cov * found.wider
        if found.shaded > 0.0:
            cov += self._shaded(without, columns, each, size, found.x, found.shaded)
        return mean, cov

    def _shaded(
        self,
        without: Without,
        columns: Singles,
        each: Singles,
        size: Floats,
        x: Floats,
        shaded: float,
    ) -> Floats:
        """What somebody does to the light of one lamp alone, as a covariance of the amounts.

        They stand in its way, or near what it lights, and the light that is missing there, or is
        more, has no lamp's picture; smooth errors of all the light do not explain it.
        """
        fields = self.fields(x, each)
        right = np.zeros((columns.shape[1], len(fields)))
        # sums of few in single precision, of these in double: half the work, nearly as exact
        for first in range(0, len(columns), FEW):
            part = slice(first, first + FEW)
            right += columns[part].T @ fields[:, part].T
        right *= size[:, None]
        far = without.reach(right) * (SHADES * shaded)
        return np.asarray(far @ far.T, np.float64)

    def made(self, x: Floats) -> Singles:
        """What these amounts make of the picture's finer parts (4 px), rows × columns × BGR."""
        made = self.fine @ x.astype(np.float32) + self.fine_dark
        rows, columns = self.shape
        return np.asarray(
            made.reshape(rows * BLOCK // FINE, columns * BLOCK // FINE, 3), np.float32
        )

    def made_with(self, found: Solved) -> Made:
        """What was found makes of the picture's parts, and how far (stops) that may be off: the
        lamps' amounts as they are known, and their pictures."""
        light = self.made(found.x)
        green = self.light[1::3].astype(np.float64)
        spread = np.einsum("ij,ij->i", green @ found.covariance, green)
        share = (
            SURE * np.sqrt(np.maximum(spread, 0.0)) / np.maximum(self.predict(found.x)[1::3], LEAST)
        )
        off = np.log2(1.0 + share) + MADE_OFF
        each = BLOCK // FINE
        off = off.reshape(self.shape).repeat(each, axis=0).repeat(each, axis=1)
        return Made(light, off.astype(np.float32))

    def _rough(self, blocks: Blocks, x: Floats, base: Singles) -> Singles:
        """How far each block's texture is from what the lamps make there, whatever its mean."""
        if blocks.fine is None:
            return np.zeros_like(base)
        rows, columns = self.shape
        each = BLOCK // FINE
        grid = (rows, each, columns, each, 3)
        predicted = np.maximum(self.made(x), LEAST).reshape(grid)
        seen = blocks.fine.reshape(grid)
        ratio = sums(seen) / sums(predicted)
        expected = to_parts(predicted, ratio)
        own = self.noise(expected.reshape(-1), fine=True).reshape(grid)
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

    def _wider(self, rest: Singles, spread: Singles, weights: Singles, covered: float) -> float:
        """How much the covariance is more than blocks on their own, all of them seen, would say."""
        return self._shared(rest, spread, weights) * (1.0 + HIDES * covered) ** 2

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
        each = each_channel(weights)
        return float(np.sqrt((each * off * off).sum() / max(float(each.sum()), 1e-6)))

    # ---- in the lights' own terms --------------------------------------------------------------

    def _levels(self, x: Floats, cov: Floats, predicted: Singles) -> dict[str, Level]:
        total = max(float(predicted.mean()), 1e-9)
        return {name: self._level(name, x, cov, total) for name in self.of}

    def _level(self, name: str, x: Floats, cov: Floats, total: float) -> Level:
        of = self.of[name]
        part = cov[of][:, of]
        value = float(x[of].sum())
        wide = SURE * math.sqrt(max(0.0, float(part.sum())))
        amount = Band(max(0.0, value - wide), value, value + wide)
        tells = wide < TELLS * max(value, 0.25)
        gives = float((self._means[of] * x[of]).sum()) / total
        return Level(amount, self._cct(name, x[of], part) if tells else None, tells, gives)

    def _cct(self, name: str, x: Floats, part: Floats) -> Band | None:
        """The white of a lamp that has two: as their light adds, and as far as that may be off."""
        whites = self._whites.get(name)
        if whites is None or float(x.sum()) <= 0.02:
            return None
        amounts = [float(one) for one in x]
        value, slope = mired(whites.made(amounts)), np.array(whites.slope(amounts))
        wide = SURE * math.sqrt(max(0.0, float(slope @ part @ slope)))
        # and that one white is brighter than it is seen to be; no white is known better than that
        wide = math.hypot(wide, BRIGHT_OFF * whites.by_brightness(amounts)) + 1.0
        low, high = mired(max(whites.ccts)), mired(min(whites.ccts))
        value = min(high, max(low, value))
        return Band(1e6 / min(high, value + wide), 1e6 / value, 1e6 / max(low, value - wide))

    def spread(self, name: str, before: Before) -> Floats:
        """A light's amount over its pictures, as it gave them or as its white asks for."""
        whites = self._whites.get(name)
        if (
            before.parts is None
            and before.cct is not None
            and whites is not None
            and is_white(before.cct)
        ):
            return before.amount * np.array(whites.parts(before.cct))
        return evenly(len(self.of[name]), before)

    def _from(self, prior: Mapping[str, Before]) -> Floats:
        x = np.full(len(self.shares), 0.5)
        for name, of in self.of.items():
            if name in prior:
                x[of] = self.spread(name, prior[name])
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


def _flat(solved: Solved) -> tuple[Singles, Singles]:
    return solved.seen.reshape(-1), solved.predicted.reshape(-1)


def _middle(values: Singles, on: Mask) -> float:
    """The middle of these against what it is for the mean of three squares (0.79)."""
    return float(np.median(values[on])) / 0.79 if on.any() else 1.0


def _tukey(square: Singles) -> Singles:
    """Tukey's biweight of a squared distance (1: left out)."""
    return np.asarray(np.where(square < 1.0, (1.0 - np.minimum(square, 1.0)) ** 2, 0.0), np.float32)


def _other_size(shape: tuple[int, ...], size: tuple[int, int]) -> str:
    if len(shape) != 3 or shape[2] != 3:
        return "a frame is rows × columns × 3"
    return f"a frame of {shape[1]} × {shape[0]} px, and {size[0]} × {size[1]} px was learned"
