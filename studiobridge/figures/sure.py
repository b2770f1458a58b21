"""How sure a figure of the light is: plus or minus, in stops, and how that adds up.

A figure that is reckoned is as good as what it is reckoned from. Every figure here carries, by
its source, how far that source alone may move it (GUM, JCGM 100:2008, chapter 5, from memory):
a place that is 5 cm off moves a lamp's light on the face and on the cloth together, and takes
itself out of a ratio where both sides share it. Sources are independent of each other, so they
add up by their squares.

All limits are such that the true value lies within for about 95 of 100 (a coverage factor of 2);
what comes out is meant the same way. What cannot be on either side is no part of it: walls and
ceiling only ever add (`BOUNCE`).

A *change* is known far better than a value: a lamp whose figure is 20 % off gives 20 % more
before and after. So drift is told to the tenth of a stop, whatever these bands are.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace

from studiobridge.craft.rectangle import unit
from studiobridge.figures import rays
from studiobridge.figures.rays import Point3
from studiobridge.profile.model import Device, SetProfile

COVERAGE = "about 95 of 100"

# What a maker says a lamp gives, against the one on the stand (common practice; no standard
# limits it, and a diffuser or some years cost as much).
MAKER = 0.20
# What is printed of a lit cloth's own light: the same.
GLOW = 0.20
# An incident meter against the lux, in every reading alike: class A of DIN 5032-7 (from memory), as
# good meters are; class B may be twice as far off, and so may a cheap one under LEDs. And how well
# the same person holds it twice to the same light (common practice).
METER = 0.05
HOLDING = 0.05
# m: how well places are measured in a room, on each axis (common practice), for a lamp and for
# the head on the mark.
PLACE = 0.05
# A beam angle as printed, and the bell it is taken for (common practice).
BEAM = 0.10
# A dimmer with a table measured point by point, and one whose curve the profile names. A curve
# that nobody named is taken for linear and may as well be a square: that is its limit.
MEASURED_CURVE = 0.03
NAMED_CURVE = 0.05
# m: the side of a lit face that nobody measured (common practice for a small set: up to this).
SIDE = 0.4
# How much of the light a cloth is said to send back (common practice).
REFLECTS = 0.10
# Stops that walls and ceiling of a shut room may add to the face, at most: where they are painted
# white. Rendered over 14 sets (tests/outside/rendered): 0.03 to 0.27 in a room of 50 % grey, 0.05
# to 0.56 in one of 70 % or white. One-sided, and so never in a band.
BOUNCE = 0.56
# Mired: what a lamp says of its white. The bins of ANSI C78.377 (from memory) are 11 to 20 wide
# on either side (2700 K: 145 K is 20, 3500 K: 245 K is 20, 5000 K: 283 K is 11): the widest, for
# one that mixes whites is in no bin. Across the locus (Duv): 0.006 there.
WHITE = 20.0
DUV = 0.006
# Stops. A figure that may be off by a thousandfold is not known at all, and sums to first order
# say nothing any more: no band is told wider than this.
WIDEST = 10.0


@dataclass(frozen=True, slots=True)
class Sure:
    """A figure, and by source how far that source alone may move it, with its sign.

    `within` is in the figure's own unit, `stops` in stops of light, WIDEST at most; None where it
    is dark.
    """

    value: float
    parts: Mapping[str, float] = field(default_factory=dict)

    @property
    def within(self) -> float:
        return math.hypot(*self.parts.values())

    @property
    def stops(self) -> float | None:
        if not self.value > 0:
            return None
        share = WIDEST * math.log(2.0)
        # compared before it is divided: a spark of light is divided by next to nothing
        within = self.within
        return WIDEST if within >= share * self.value else within / self.value / math.log(2.0)

    def times(self, factor: float) -> Sure:
        """The same share of it, whatever moves it."""
        return Sure(self.value * factor, {n: p * factor for n, p in self.parts.items()})

    def with_share(self, source: str, share: float) -> Sure:
        """One more source, that may move it by this share of itself."""
        moved = self.parts.get(source, 0.0) + share * self.value
        return Sure(self.value, {**self.parts, source: moved})


DARK = Sure(0.0)


def total(figures: Iterable[Sure]) -> Sure:
    """The sum: what one source does to several of them it does to the sum as often."""
    value, parts = 0.0, dict[str, float]()
    for figure in figures:
        value += figure.value
        for source, part in figure.parts.items():
            parts[source] = parts.get(source, 0.0) + part
    return Sure(value, parts)


def ratio(over: Sure, under: Sure) -> Sure | None:
    """One over the other; what moves both alike moves it not at all. None where one is dark."""
    if not (over.value > 0 and under.value > 0):
        return None
    value = over.value / under.value
    sources = {*over.parts, *under.parts}
    return Sure(
        value,
        {
            s: value * (over.parts.get(s, 0.0) / over.value - under.parts.get(s, 0.0) / under.value)
            for s in sources
        },
    )


# ---- one lamp on a plane at a point ---------------------------------------------------------


def dimming(device: Device, level: float) -> float:
    """How far (share of itself) its light at a level (0-100 %) may be off what its curve says."""
    if level >= 100.0 or level <= 0.0:
        return 0.0  # full is full, whatever the curve
    if not device.dimmer_said:
        return math.log(100.0 / level)  # from linear to square
    return MEASURED_CURVE if device.dimmer.curve == "measured" else NAMED_CURVE


def at_full(
    profile: SetProfile,
    device: Device,
    point: Point3,
    looks: Point3,
    place: str = "mark",
    dome: bool = False,
) -> Sure | None:
    """What it gives at full by its maker's figures (lx), and what may move that. None: not known.

    `place` names what stands at the point: it is no better measured than a lamp. Each source is
    moved by its limit, to either side, and the light reckoned anew (GUM 5.1.3, from memory).
    """
    bare = replace(profile, readings=()) if profile.readings else profile
    if device.place is None:
        return None

    def lux(device: Device) -> float | None:
        return _lux(bare, device, point, looks, dome)

    given = lux(device)
    if given is None:
        return None
    parts = {f"{device.name}: output": MAKER * given}
    for axis in ("across", "from_back", "height"):
        here = getattr(device.place, axis)
        moved = _both_ways(
            lux(replace(device, place=replace(device.place, **{axis: here + PLACE}))),
            lux(replace(device, place=replace(device.place, **{axis: here - PLACE}))),
        )
        parts[f"{device.name}: {axis}"] = moved
        # the point moves the other way against the lamp
        parts[f"{place}: {axis}"] = -moved
    if device.beam is not None:
        wide, narrow = min(179.0, device.beam * (1.0 + BEAM)), device.beam * (1.0 - BEAM)
        parts[f"{device.name}: beam"] = _both_ways(
            lux(replace(device, beam=wide)), lux(replace(device, beam=narrow))
        )
    if device.size is None and device.output is not None:
        # as large as such a face may be: the narrower its beam, the farther it is no point
        large = lux(replace(device, size=(SIDE, SIDE)))
        parts[f"{device.name}: size"] = large - given if large is not None else 0.0
    return Sure(given, {source: part for source, part in parts.items() if part})


def _lux(
    profile: SetProfile, device: Device, point: Point3, looks: Point3, dome: bool
) -> float | None:
    source, ahead = rays.source_of(profile, device), unit(looks)
    if source is None:
        return None
    if source.lacks(point):
        behind = source.lux is None and source.from_behind(point, ahead)
        return 0.0 if behind and math.dist(source.place, point) > rays.SAME_PLACE else None
    return source.on_dome(point, ahead) if dome else source.on_plane(point, ahead)


def _both_ways(there: float | None, back: float | None) -> float:
    return 0.0 if there is None or back is None else (there - back) / 2.0


def lit(device: Device, full: Sure, level: float) -> Sure:
    """A lamp's light at a level (0-100 %), with what its dimmer may be off."""
    given = full.times(device.dimmer.output(level))
    off = dimming(device, level)
    return given.with_share(f"{device.name}: dimmer", off) if off and given.value > 0 else given


# ---- digits ---------------------------------------------------------------------------------


def digits(band: float) -> int:
    """How many places after the point a figure has that is good to so much; negative: tens.

    One digit of the band, and two where it begins with a 1 (GUM 7.2.6, from memory).
    """
    if not (band > 0 and math.isfinite(band)):
        return 6
    place = math.floor(math.log10(band))
    first = band / 10.0**place
    return -place + (1 if first < 2.0 else 0)


def rounded(value: float, band: float) -> float:
    """A figure without the digits that nobody knows."""
    return round(value, digits(band))


def within(stops: float, value: float) -> float:
    """The half of a band of so many stops around a figure, in its own unit (to first order)."""
    return value * stops * math.log(2.0)
