"""Where the camera looks against where it did, and whether it is as sharp.

First the whole picture: orientation correlation (Fitch, Kadyrov, Christmas and Kittler 2002), which
is phase correlation (Kuglin and Hines 1975) of the directions of edges. Directions in the logarithm
of the light hardly know how bright each lamp is: what a thing reflects makes the edge. Then points
with texture are followed from the kept picture into this one (Lucas and Kanade; OpenCV), and shift,
turn and zoom are what most of them agree on (RANSAC): points on a person, who is not in the kept
picture, agree on nothing. Where that fails, ORB features say where to begin.

Sharpness is fine detail over the coarser detail in the same place, so that neither level nor
contrast of the light matters, with the noise taken out as it is where there is no texture.
"""

from __future__ import annotations

import functools
import itertools
import math
from dataclasses import dataclass

import cv2
import numpy as np
import scipy.fft
from numpy.typing import NDArray

from studiobridge.profile.sighting import SeenFraming
from studiobridge.witness.learned import Codes, Kept

Mask = NDArray[np.bool_]
Grey = NDArray[np.float32]
Points = NDArray[np.float32]

# The picture is followed at this width (px): a tenth of a pixel there is 0.02 % of the width, ten
# times finer than it has to be.
WIDE = 480
# A camera that looks elsewhere by this share of the width is called moved: half of what has to be
# noticed, and five times what a frame may be off.
MOVED = 0.005
# So many points are followed; these have to agree, and they have to be spread over this much of the
# picture's width: a slogan on a shirt has points that agree too.
POINTS, AGREE, SPREAD = 400, 14, 0.12
# Of all that could be followed so many agree, or it is chance.
MOST_AGREE = 0.22
# Points agree within so many px of the small picture.
WITHIN = 1.0
# A turn or zoom beyond this is no kick, it is another picture (degrees, ratio).
MOST_TURN, MOST_ZOOM = 25.0, 1.4
# Blocks (px, of the picture at twice the small size) in which sharpness is judged, and how many
# there have to be. A block is textured where it has so many times the detail that noise makes.
BLOCK, BLOCKS, OVER_NOISE = 32, 8, 6.0
# Codes below this are mostly noise: their logarithm is held.
FLOOR = 12.0

_LOG = np.log(np.arange(256, dtype=np.float32) + FLOOR)


@dataclass(frozen=True, slots=True, eq=False)
class _View:
    """One picture made ready: its logarithm small and large, its local pattern."""

    size: tuple[int, int]  # columns, rows of the picture as it came
    scale: float  # small over as it came
    small: Grey
    pattern: Codes
    large: Grey
    grey: Codes


@dataclass(frozen=True, slots=True)
class _Soft:
    """The last that was said of sharpness, and whether the camera had moved then."""

    softer: float | None = None
    moves: bool = False


class Framer:
    """Holds frames against one kept picture, whose half of the work is done once."""

    def __init__(self, kept: Kept) -> None:
        self.kept = kept
        self._view = _viewed(kept.codes)
        rows, columns = self._view.small.shape
        counts = _small_mask(kept.counts, columns, rows)
        self._edges = np.conj(scipy.fft.fft2(_directions(self._view.small, counts)))
        # not at the rim of the picture or of who stood there
        near = np.ones((9, 9), np.uint8)
        inner = _bytes(cv2.erode(counts.astype(np.uint8), near, borderValue=0))
        self._points = _points(self._view.pattern, inner)
        self._detail = _Detail(self._view.large, self._view.grey)
        self._soft = _Soft()
        self._features: tuple[list[cv2.KeyPoint], Codes | None] | None = None

    def look(
        self, codes: Codes, usable: Mask | None = None, sharp: bool = True
    ) -> SeenFraming | None:
        """None where it cannot be told: nothing with edges in it, or all of it covered.

        `usable`: rows × columns, False where somebody stands; None: nobody was looked for.
        Not `sharp`: sharpness, which costs most, as it was found last, if the camera stands.
        """
        if codes.shape != self.kept.codes.shape or len(self._points) < AGREE:
            return None
        view = _viewed(codes)
        rows, columns = view.small.shape
        mask = None if usable is None else _small_mask(usable, columns, rows)
        moved = self._moved(view, mask)
        if moved is None:
            return None
        scale = view.scale
        a, b = float(moved[0, 0]), float(moved[1, 0])
        middle = np.array([(columns - 1) / 2, (rows - 1) / 2])
        shift = (moved[:, :2] @ middle + moved[:, 2] - middle) / scale
        turn = math.atan2(b, a)
        zoom = math.hypot(a, b)
        width, height = view.size
        # how far its points went: the root mean square over the whole picture
        spread = ((a - 1.0) ** 2 + b * b) * (width**2 + height**2) / 12.0
        share = math.sqrt(float(shift @ shift) + spread) / width
        large = moved.copy()
        ratio = view.large.shape[1] / columns
        large[:, 2] *= ratio
        moves = share > MOVED / 4
        if sharp or moves or self._soft.moves:
            found = self._softer(view, usable, large if moves else None)
            self._soft = _Soft(found, moves)
        softer = self._soft.softer
        return SeenFraming(
            right=-float(shift[0]),
            down=-float(shift[1]),
            turn=-math.degrees(turn),
            zoom=zoom,
            share=share,
            moved=share >= MOVED,
            softer=softer,
        )

    def _moved(self, view: _View, mask: Mask | None) -> NDArray[np.float64] | None:
        """The similarity that brings kept points to where they are now, in the small picture."""
        across, down = self._shift(view, mask)
        guesses = [np.array([[1.0, 0.0, across], [0.0, 1.0, down]])]
        if max(abs(across), abs(down)) > 2.0:
            guesses.append(np.array([[1.0, 0.0, 0.0], [0.0, 1.0, 0.0]]))
        for guess in guesses:
            found = self._followed(view, mask, guess)
            if found is not None:
                return found
        begin = self._by_features(view, mask)
        return None if begin is None else self._followed(view, mask, begin)

    def _shift(self, view: _View, mask: Mask | None) -> tuple[float, float]:
        """Where the directions of edges fit best."""
        rows, columns = view.small.shape
        here = scipy.fft.fft2(_directions(view.small, mask))
        fit = np.real(scipy.fft.ifft2(here * self._edges))
        at = int(np.argmax(fit))
        down, across = divmod(at, columns)
        if across > columns // 2:
            across -= columns
        if down > rows // 2:
            down -= rows
        return float(across), float(down)

    def _followed(
        self, view: _View, mask: Mask | None, guess: NDArray[np.float64]
    ) -> NDArray[np.float64] | None:
        rows, columns = view.small.shape
        begin = (self._points @ guess[:, :2].T + guess[:, 2]).astype(np.float32)
        inside = (
            (begin[:, 0] > 4)
            & (begin[:, 1] > 4)
            & (begin[:, 0] < columns - 5)
            & (begin[:, 1] < rows - 5)
        )
        if mask is not None:
            place = np.clip(begin, 0, [columns - 1, rows - 1]).astype(np.int32)
            inside &= mask[place[:, 1], place[:, 0]]
        if int(inside.sum()) < AGREE:
            return None
        start, begin = self._points[inside], begin[inside]
        found, good = _follow(self._view.pattern, view.pattern, start, begin)
        back, fine = _follow(view.pattern, self._view.pattern, found, start)
        off = np.hypot(*(back - start).T)
        kept = (good[:, 0] > 0) & (fine[:, 0] > 0) & (off < 0.5)
        if int(kept.sum()) < AGREE:
            return None
        start, found = start[kept], found[kept]
        made, agree = cv2.estimateAffinePartial2D(
            start, found, method=cv2.RANSAC, ransacReprojThreshold=WITHIN, maxIters=500
        )
        if made is None:
            return None
        agreeing = agree[:, 0] > 0
        if not _sound(start[agreeing], made, int(inside.sum()), columns):
            return None
        return np.asarray(made, np.float64)

    def _by_features(self, view: _View, mask: Mask | None) -> NDArray[np.float64] | None:
        """A first guess for a larger turn or zoom."""
        orb = cv2.ORB.create(nfeatures=500, fastThreshold=8)
        if self._features is None:
            known, words = orb.detectAndCompute(self._view.pattern, np.empty(0, np.uint8))
            self._features = list(known), None if words is None else _bytes(words)
        points, marks = self._features
        where = np.empty(0, np.uint8) if mask is None else mask.astype(np.uint8)
        here, theirs = orb.detectAndCompute(view.pattern, where)
        if marks is None or theirs is None or min(len(points), len(here)) < AGREE:
            return None
        pairs = cv2.BFMatcher(cv2.NORM_HAMMING, crossCheck=True).match(marks, theirs)
        if len(pairs) < AGREE:
            return None
        start = np.array([points[p.queryIdx].pt for p in pairs], np.float32)
        found = np.array([here[p.trainIdx].pt for p in pairs], np.float32)
        made, agree = cv2.estimateAffinePartial2D(
            start, found, method=cv2.RANSAC, ransacReprojThreshold=2.5, maxIters=1000
        )
        if made is None or int(agree.sum()) < AGREE:
            return None
        return np.asarray(made, np.float64)

    def _softer(
        self, view: _View, usable: Mask | None, moved: NDArray[np.float64] | None
    ) -> float | None:
        here = _Detail(view.large, view.grey, moved)
        rows, columns = view.large.shape
        counts = _small_mask(self.kept.counts, columns, rows)
        if usable is not None:
            counts = counts & _small_mask(usable, columns, rows)
        return self._detail.softer(here, counts)


def framing(kept: Kept, codes: Codes, usable: Mask | None = None) -> SeenFraming | None:
    """One frame against a kept picture; see `Framer`."""
    return Framer(kept).look(codes, usable)


def _bytes(values: object) -> Codes:
    return np.asarray(values, np.uint8)


def _follow(one: Codes, other: Codes, start: Points, begin: Points) -> tuple[Points, Codes]:
    """Where points of one pattern are in another, and whether they were found."""
    found, good, _ = cv2.calcOpticalFlowPyrLK(
        one,
        other,
        start,
        begin.copy(),
        winSize=(15, 15),
        maxLevel=2,
        criteria=(cv2.TERM_CRITERIA_EPS | cv2.TERM_CRITERIA_COUNT, 20, 0.01),
        flags=cv2.OPTFLOW_USE_INITIAL_FLOW,
    )
    return np.asarray(found, np.float32), _bytes(good)


def _sound(points: Points, made: NDArray[np.float64], tried: int, columns: int) -> bool:
    """Do enough points agree, all over the picture, on something a camera does?"""
    if len(points) < max(AGREE, MOST_AGREE * tried):
        return False
    if max(np.ptp(points[:, 0]), np.ptp(points[:, 1])) < SPREAD * columns:
        return False
    zoom = math.hypot(made[0, 0], made[1, 0])
    turn = math.degrees(math.atan2(made[1, 0], made[0, 0]))
    return abs(turn) <= MOST_TURN and 1 / MOST_ZOOM <= zoom <= MOST_ZOOM


def _viewed(codes: Codes) -> _View:
    height, width = codes.shape[:2]
    grey = cv2.cvtColor(codes, cv2.COLOR_BGR2GRAY)
    scale = min(1.0, WIDE / width)
    columns, rows = max(8, round(width * scale)), max(8, round(height * scale))
    # sharpness is judged at twice the small size, or as it came where that is less
    most = min(width, 2 * WIDE)
    if most < width:
        size = (most, max(8, round(height * most / width)))
        grey = cv2.resize(grey, size, interpolation=cv2.INTER_AREA)
    large: Grey = np.asarray(cv2.LUT(grey, _LOG), np.float32)
    small = large
    if (columns, rows) != (large.shape[1], large.shape[0]):
        less = cv2.resize(large, (columns, rows), interpolation=cv2.INTER_AREA)
        small = np.asarray(less, np.float32)
    local = small - cv2.blur(small, (27, 27))
    deep = np.sqrt(np.maximum(cv2.blur(local * local, (27, 27)), 0.0))
    # what is plain stays plain: a hundredth of a stop is no pattern
    pattern = np.clip(128.0 + 40.0 * local / (deep + 0.03), 0, 255).astype(np.uint8)
    return _View((width, height), columns / width, small, pattern, large, _bytes(grey))


def _small_mask(mask: Mask, columns: int, rows: int) -> Mask:
    if mask.shape == (rows, columns):
        return mask
    share = cv2.resize(mask.astype(np.float32), (columns, rows), interpolation=cv2.INTER_AREA)
    found: Mask = share > 0.99
    return found


def _directions(small: Grey, mask: Mask | None) -> NDArray[np.complex64]:
    """Which way the light changes at each point, the strong edges no stronger than a clear one."""
    across = cv2.Scharr(small, cv2.CV_32F, 1, 0)
    down = cv2.Scharr(small, cv2.CV_32F, 0, 1)
    size = cv2.magnitude(across, down) + 1.0
    found = np.empty(small.shape, np.complex64)
    fades = _fades(small.shape)
    found.real, found.imag = across / size * fades, down / size * fades
    if mask is not None:
        found *= mask
    return found


@functools.lru_cache(maxsize=2)
def _fades(shape: tuple[int, ...]) -> Grey:
    """Less towards the picture's rim, where the other side would begin."""
    rows, columns = shape
    return np.outer(np.hanning(rows), np.hanning(columns)).astype(np.float32)


def _points(pattern: Codes, inner: NDArray[np.uint8]) -> Points:
    """Points with texture, some in every part of the picture that has any."""
    rows, columns = pattern.shape
    found = []
    parts = (6, 4)
    for row in range(parts[1]):
        for column in range(parts[0]):
            part = np.zeros_like(inner)
            ys = slice(rows * row // parts[1], rows * (row + 1) // parts[1])
            xs = slice(columns * column // parts[0], columns * (column + 1) // parts[0])
            part[ys, xs] = inner[ys, xs]
            some = cv2.goodFeaturesToTrack(
                pattern, POINTS // (parts[0] * parts[1]) + 1, 0.02, 5, mask=part, blockSize=5
            )
            if some is not None:
                found.append(some[:, 0])
    if not found:
        return np.empty((0, 2), np.float32)
    return np.concatenate(found).astype(np.float32)


class _Detail:
    """How much fine detail there is over coarser detail, block by block."""

    def __init__(self, large: Grey, grey: Codes, moved: NDArray[np.float64] | None = None) -> None:
        small, middle = cv2.GaussianBlur(large, (3, 3), 0.6), cv2.GaussianBlur(large, (7, 7), 1.2)
        wide = cv2.GaussianBlur(middle, (9, 9), 2.2)
        cv2.subtract(small, middle, dst=small)
        cv2.subtract(middle, wide, dst=middle)
        fine, coarse = cv2.multiply(small, small), cv2.multiply(middle, middle)
        seen: Grey | Codes = _bytes(cv2.inRange(grey, (9,), (249,)))
        if moved is not None:
            rows, columns = large.shape
            fine, coarse, seen, large = (
                np.asarray(
                    cv2.warpAffine(
                        np.asarray(one, np.float32),
                        moved,
                        (columns, rows),
                        flags=cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP,
                        borderValue=0.0,
                    ),
                    np.float32,
                )
                for one in (fine, coarse, seen, large)
            )
        self.fine, self.coarse = _blocks(fine), _blocks(coarse)
        self.seen, self.bright = _blocks(seen) / np.float32(255), _blocks(large)

    def softer(self, here: _Detail, counts: Mask) -> float | None:
        good = (_blocks(counts.astype(np.float32)) > 0.98) & (self.seen > 0.98)
        good &= here.seen > 0.98
        if int(good.sum()) < BLOCKS:
            return None
        mine, its = self._noise(good), here._noise(good)
        textured = good & (self.fine > OVER_NOISE * mine[0])
        # no coarse detail here any more: something else stands there, and it says nothing of focus
        textured &= (here.coarse > OVER_NOISE * its[1]) & (self.coarse > OVER_NOISE * mine[1])
        if int(textured.sum()) < BLOCKS:
            return None
        before = (self.fine - mine[0])[textured] / (self.coarse - mine[1])[textured]
        now = np.maximum(here.fine - its[0], 0.0)[textured] / (here.coarse - its[1])[textured]
        return float(max(0.0, 1.0 - math.sqrt(float(np.median(now / before)))))

    def _noise(self, good: Mask) -> tuple[Grey, Grey]:
        """What noise makes of both in each block, by how bright it is: the plainest tenth."""
        bright = self.bright[good]
        edges = np.quantile(bright, (0.0, 1 / 3, 2 / 3, 1.0))
        middles, fine, coarse = [], [], []
        for low, high in itertools.pairwise(edges):
            part = (bright >= low) & (bright <= high)
            middles.append(float(np.median(bright[part])))
            fine.append(float(np.quantile(self.fine[good][part], 0.1)))
            coarse.append(float(np.quantile(self.coarse[good][part], 0.1)))
        return (
            np.interp(self.bright, middles, fine).astype(np.float32),
            np.interp(self.bright, middles, coarse).astype(np.float32),
        )


def _blocks(values: object) -> Grey:
    picture = np.asarray(values)
    rows, columns = picture.shape
    size = (max(1, columns // BLOCK), max(1, rows // BLOCK))
    # whole blocks: what is left over at the right and below is less than one
    picture = picture[: max(1, size[1] * BLOCK), : max(1, size[0] * BLOCK)]
    return np.asarray(cv2.resize(picture, size, interpolation=cv2.INTER_AREA), np.float32)
