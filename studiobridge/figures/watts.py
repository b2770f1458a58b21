"""What one lamp draws by its level, with a band, and back: the arithmetic of proof by watts.

A lamp that cannot speak (on a dial, or only told) is known by what its plug meters. What it
draws at a level is known from `draws_at` in its profile, within its age and what lies between
the measured points; from `draws` alone only roughly. So everything here is a band, and a band
that says little is an answer.

Levels in percent (0-100), power in watts.
"""

from __future__ import annotations

import itertools
from bisect import bisect_left, bisect_right
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from functools import lru_cache

from studiobridge.profile.model import Device

# How far a lamp may be off its own table: its age, its warmth, and the meter it was measured
# with (common practice: a few percent, no source).
AGE = 0.04
# A table is read off a meter that shows tenths of a watt.
TABLE_STEP = 0.05
# Between two measured points a curve bows at least by this share of the step between them.
BOWS = 0.01
# With the two ends alone: by this share (a driver takes a little more than its share when dimmed).
BOWS_UNMEASURED = 0.1
# The first part of many dials does next to nothing, and the rest has to make up for it: up to this
# share of the dial a driver may take only a quarter of its share (common practice, 5 to 15 %).
KNEE, BELOW_KNEE = 0.15, 0.25
# What is printed on a lamp and what it takes at full (IEC 60598-1 lets a luminaire take 10 %
# more than its rating, from memory; that one takes so much less is common practice).
RATING = 0.1
# What a driver takes when dark (common practice: 0.3 to 1.5 W; nothing where its dial switches).
DARK_LOW, DARK_HIGH = 0.0, 1.5
# The curve is kept at these levels: half a percent apart, finer than any dial is read.
GRID = tuple(i / 2.0 for i in range(201))
# How much steeper or flatter a curve may be than its table says, beyond its age.
SLOPE = 0.05
SLOPE_UNMEASURED = 0.7


@dataclass(frozen=True, slots=True)
class Band:
    """From low to high, both included: somewhere in there, nobody knows where."""

    low: float
    high: float

    def __add__(self, other: Band) -> Band:
        return Band(self.low + other.low, self.high + other.high)

    def __sub__(self, other: Band) -> Band:
        return Band(self.low - other.high, self.high - other.low)

    @property
    def width(self) -> float:
        return self.high - self.low

    def holds(self, value: float) -> bool:
        return self.low <= value <= self.high

    def meets(self, other: Band) -> Band | None:
        """What both allow; None where they contradict each other."""
        low, high = max(self.low, other.low), min(self.high, other.high)
        return Band(low, high) if low <= high else None

    def spans(self, other: Band) -> Band:
        """The smallest band that holds both."""
        return Band(min(self.low, other.low), max(self.high, other.high))


NOTHING = Band(0.0, 0.0)


def total(bands: Iterable[Band]) -> Band:
    low = high = 0.0
    for band in bands:
        low += band.low
        high += band.high
    return Band(low, high)


@dataclass(frozen=True, slots=True)
class Curve:
    """Watts at the plug by level, for the levels of GRID: the least, the usual and the most.

    All three rise with the level. `slope`: by what share a piece of the curve may be steeper or
    flatter than the usual one. `measured`: it comes from a table.
    """

    least: tuple[float, ...]
    usual: tuple[float, ...]
    most: tuple[float, ...]
    slope: float
    measured: bool

    @property
    def range(self) -> Band:
        """All it can draw with mains on it, from dark to full."""
        return Band(self.least[0], self.most[-1])

    @property
    def dark(self) -> Band:
        """What it draws at 0 %."""
        return Band(self.least[0], self.most[0])

    def watts(self, levels: Band) -> Band:
        """What it may draw with its level in this band."""
        return Band(_at(self.least, levels.low), _at(self.most, levels.high))

    def usually(self, level: float) -> float:
        """What its table says it draws at this level."""
        return _at(self.usual, level)

    def levels(self, watts: Band) -> Band | None:
        """The levels at which it may draw this; None where it never does."""
        if watts.high < self.least[0] or watts.low > self.most[-1]:
            return None
        return Band(_first(self.most, watts.low), _last(self.least, watts.high))

    def moved(self, levels: Band, by: Band) -> Band:
        """Where its level is when it was in this band and its watts have changed by so much.

        Age and the meter's error weigh on the change alone here, not on all it draws.
        """
        steep, flat = 1.0 + self.slope, 1.0 - self.slope
        low = by.low / steep if by.low > 0 else by.low / flat
        high = by.high / flat if by.high > 0 else by.high / steep
        return Band(
            _first(self.usual, self.usually(levels.low) + low),
            _last(self.usual, self.usually(levels.high) + high),
        )


def curve_of(device: Device) -> Curve | None:
    """What a device draws by level; None where its profile does not say what it draws."""
    if device.draws_at:
        return from_table(device.draws_at)
    if device.draws > 0:
        return from_rating(device.draws, device.standby, device.dimmer.output)
    return None


def usual_draw(device: Device, level: float) -> float:
    """Watts a fixture usually takes at this level (%): off its table, straight between its points.

    Without one an upper estimate: the greater of its dial's share and its light's share of what
    it takes at full, and up to a tenth of full more between, as drivers take when dimmed.
    """
    if device.draws_at:
        return from_table(device.draws_at).usually(level)
    level = min(100.0, max(0.0, level))
    share = _bowed(max(level / 100.0, device.dimmer.output(level)))
    return max(device.standby or 0.0, device.draws * share)


def most_draw(device: Device, level: float) -> float:
    """The most a fixture takes at this level (%), for what must not be underestimated.

    With a table its upper edge: age, the meter it was read off, what lies between its points.
    """
    if device.draws_at:
        return from_table(device.draws_at).watts(Band(level, level)).high
    return usual_draw(device, level)


@lru_cache(maxsize=256)
def from_table(points: tuple[tuple[float, float], ...]) -> Curve:
    """The curve through measured points (level %, W), rising, the first at 0 % and the last at 100.

    Straight between them; it may bow as far as the pieces next to it point.
    """
    slopes = [(w1 - w0) / (l1 - l0) for (l0, w0), (l1, w1) in itertools.pairwise(points)]
    usual, least, most = [], [], []
    for level in GRID:
        i = min(max(bisect_right(points, (level, float("inf"))) - 1, 0), len(slopes) - 1)
        (l0, w0), (l1, w1) = points[i], points[i + 1]
        chord = w0 + slopes[i] * (level - l0)
        # How far the pieces before and after, carried on into this one, leave the straight line:
        # a curve that bends one way stays between. Where only one side is measured, half of what
        # its line would come to at the far end, in an even bow.
        way = (level - l0) / (l1 - l0)
        even = 4.0 * way * (1.0 - way)
        gaps = []
        if i > 0:
            gap = (slopes[i - 1] - slopes[i]) * (l1 - l0)
            gaps.append(gap * way if i + 1 < len(slopes) else gap * even / 2.0)
        if i + 1 < len(slopes):
            gap = (slopes[i] - slopes[i + 1]) * (l1 - l0)
            gaps.append(gap * (1.0 - way) if i > 0 else gap * even / 2.0)
        bow = (BOWS if gaps else BOWS_UNMEASURED) * (w1 - w0) * even
        above = min((gap for gap in gaps if gap > 0), default=0.0)
        below = min((-gap for gap in gaps if gap < 0), default=0.0)
        usual.append(chord)
        least.append(max(0.0, (chord - max(bow, below)) * (1.0 - AGE) - TABLE_STEP))
        most.append((chord + max(bow, above)) * (1.0 + AGE) + TABLE_STEP)
    apart = max(
        (abs(b - a) / min(a, b) for a, b in itertools.pairwise(slopes)),
        default=SLOPE_UNMEASURED,
    )
    slope = min(SLOPE_UNMEASURED, AGE + SLOPE + apart)
    return Curve(_rising(least), tuple(usual), _rising(most), slope, measured=True)


# asked anew with every report of a lamp behind a meter, and always the same
@lru_cache(maxsize=512)
def from_rating(
    draws: float, standby: float | None, output: Callable[[float], float] | None = None
) -> Curve:
    """What is known of a lamp from its rating alone: little, so the band is wide.

    Its watts follow its light or its dial, or something between: `output` is its light (0-1) by
    level. When dimmed it takes its share or a little more, or less by what the bottom of its dial
    does not do. A dimmer that cuts phases, or a dial that is no straight line and is not said to
    be none, is not in this band: measure a table.
    """
    if standby is None:
        dark = Band(DARK_LOW, min(DARK_HIGH, draws / 2.0) * (1.0 + AGE))
    else:
        spread = RATING + AGE
        dark = Band(standby * (1.0 - spread), standby * (1.0 + spread) + TABLE_STEP)
    full = Band(draws * (1.0 - RATING) * (1.0 - AGE), draws * (1.0 + RATING) * (1.0 + AGE))
    usual, least, most = [], [], []
    for level in GRID:
        x = level / 100.0
        light = x if output is None else output(level)
        small, large = min(_after_knee(x), light), max(x, light)
        large = _bowed(large)
        low = dark.low + max(0.0, full.low - dark.low) * small
        high = dark.high + (full.high - dark.high) * large
        least.append(low)
        most.append(high)
        usual.append((low + high) / 2.0)
    return Curve(_rising(least), _rising(usual), _rising(most), SLOPE_UNMEASURED, measured=False)


def _bowed(share: float) -> float:
    """A share of what it takes at full, with the little more that a driver takes when dimmed."""
    return min(1.0, share + BOWS_UNMEASURED * 4.0 * share * (1.0 - share))


def _after_knee(x: float) -> float:
    """The least share of its watts at a share of the dial: by the worst knee there may be."""
    if x <= KNEE:
        return BELOW_KNEE * x
    least = BELOW_KNEE * KNEE
    return least + (1.0 - least) * (x - KNEE) / (1.0 - KNEE)


def _rising(values: list[float]) -> tuple[float, ...]:
    highest, found = 0.0, []
    for value in values:
        highest = max(highest, value)
        found.append(highest)
    return tuple(found)


def _at(values: tuple[float, ...], level: float) -> float:
    level = min(100.0, max(0.0, level))
    i = min(int(level * 2.0), len(GRID) - 2)
    return values[i] + (values[i + 1] - values[i]) * (level - GRID[i]) * 2.0


def _first(values: tuple[float, ...], watts: float) -> float:
    """The lowest level at which this edge of a curve reaches so many watts."""
    return _between(values, bisect_left(values, watts), watts)


def _last(values: tuple[float, ...], watts: float) -> float:
    """The highest level at which this edge of a curve is still at or below so many watts."""
    return _between(values, bisect_right(values, watts), watts)


def _between(values: tuple[float, ...], i: int, watts: float) -> float:
    """The level between the values before and at `i`, straight, where it comes to so many watts."""
    if i == 0:
        return 0.0
    if i == len(values):
        return 100.0
    below, above = values[i - 1], values[i]
    return GRID[i - 1] + 0.5 * (watts - below) / (above - below)
