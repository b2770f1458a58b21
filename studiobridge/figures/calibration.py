"""Readings of a meter turned into a scale for each light: the figures become the user's own.

- A light that was lit in a reading gets a scale: so many times its maker's figure. Scales are
  those that come nearest to all readings (least squares, each by how well it can be held), not
  below 0. A wide prior keeps them near one another, and all of them loosely near the maker's:
  one reading of five lights moves all five alike, a reading of each decides for each.
- What was read with no light on is of the room: it is taken off every reading at that place.
- A reading that does not go with the others (3 standard deviations off what they say without
  it) is left out where it is clear which one it is, and named in any case.
- What bounces back of a light is in its reading, and so in its scale, for that place.

The sums are in `scales.py`, which reading is odd is found in `odd.py`. `rays.py` asks `scale`; all
else is for people.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace

from studiobridge.figures import rays, sure
from studiobridge.figures.odd import ODD, without_odd
from studiobridge.figures.rays import Point3
from studiobridge.figures.scales import NO_FIT, Fit, Row, by_scales, fit
from studiobridge.figures.sure import Sure
from studiobridge.profile.model import Device, MeterReading, Output, SetProfile

FACE = "face"
# Of all lights in a reading: less than this (lx) is no light that reaches the meter.
REACHES = 0.01
# A scale beyond a factor of so much is less likely a lamp than a mistake (its figure, its place,
# what was lit).
LIKELY = 2.0
# Stops off the makers' figures beyond which a reading is none of this set. A reading in
# foot-candles that was written down as lux is 3.4 off.
MISTAKEN = 3.0
# As many profiles are remembered: a command has one or two, a bridge its sets.
REMEMBERED = 16


@dataclass(frozen=True, slots=True)
class Scale:
    """A light by your meter: so many times its maker's figure, good to `within` (share of it)."""

    device: str
    scale: float
    within: float
    # in how many readings it was lit, and where the meter was held for them
    readings: int
    at: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Judged:
    """One reading beside what the figures say by all readings that are used, in lx.

    `stops` is how far it lies over (below: under) that. `why` says what is wrong with it, and is
    empty where nothing is; `used` is whether it counts.
    """

    n: int
    at: str
    on: tuple[str, ...]
    lux: float
    predicted: float | None
    stops: float | None
    used: bool
    why: str


@dataclass(frozen=True, slots=True)
class Calibration:
    """What the readings of a profile come to."""

    scales: tuple[Scale, ...] = ()
    readings: tuple[Judged, ...] = ()
    # lights that are still as their makers say
    makers: tuple[str, ...] = ()
    # what the room gives with no light on (lx), by place
    around: Mapping[str, float] = field(default_factory=dict)
    # readings that do not go together, where it is not clear which is odd
    apart: tuple[int, ...] = ()
    # lights whose own readings at two levels are not as their dimmer says, in sentences
    dimmers: tuple[str, ...] = ()
    fit: Fit = NO_FIT

    @property
    def shown(self) -> Mapping[str, object]:
        """What is said of it to whoever asks for it as data."""
        return {
            "scales": self.scales,
            "readings": self.readings,
            "makers": self.makers,
            "around": dict(self.around),
            "apart": self.apart,
            "dimmers": self.dimmers,
        }


NONE = Calibration()
_known: list[tuple[SetProfile, Calibration]] = []


def scale(profile: SetProfile, device: str) -> float:
    """How many times its maker's figure a light gives by the readings; 1 where none was taken."""
    return of(profile).fit.scales.get(device, 1.0) if profile.readings else 1.0


def of(profile: SetProfile) -> Calibration:
    """The calibration of a profile, worked out once for as long as it is in use."""
    if not profile.readings:
        return NONE
    for known, made in _known:
        if known is profile:
            return made
    made = calibrate(profile)
    _known.insert(0, (profile, made))
    del _known[REMEMBERED:]
    return made


def settled(profile: SetProfile) -> SetProfile:
    """The same set with what its meter said written into its lights' outputs.

    For what moves lights about: readings hold where the lights stood when they were taken.
    """
    if not profile.readings:
        return profile
    scales = of(profile).fit.scales
    devices = {
        name: replace(device, output=Output(device.output.lux * scales[name], device.output.at))
        if name in scales and device.output is not None
        else device
        for name, device in profile.devices.items()
    }
    return replace(profile, devices=devices, readings=())


# ---- from readings to scales ----------------------------------------------------------------


def calibrate(profile: SetProfile) -> Calibration:
    """Scales, what is left of each reading, and which of them do not go with the others."""
    bare = replace(profile, readings=())
    rows: list[Row] = []
    refused: dict[int, str] = {}
    dark: dict[str, list[float]] = {}
    seen: list[MeterReading] = []
    full: dict[tuple[str, str], Sure | None] = {}
    for n, reading in enumerate(profile.readings, 1):
        if any(_same(reading, other) for other in seen):
            first = 1 + next(i for i, r in enumerate(profile.readings) if _same(r, reading))
            refused[n] = f"is reading {first} once more: counted once"
            continue
        seen.append(reading)
        if not any(preset.level for preset in reading.on.values()):
            dark.setdefault(reading.at, []).append(reading.lux)
            continue
        lamps = _lamps(bare, reading, full)
        if isinstance(lamps, str):
            refused[n] = lamps
            continue
        rows.append(Row(n, reading.at, reading.lux, lamps))
    around = {place: sum(read) / len(read) for place, read in dark.items()}
    usable = []
    for row in rows:
        light = row.lux - around.get(row.place, 0.0)
        if light <= 0:
            refused[row.n] = "is no more than what was read there with no light on"
        elif row.expected < REACHES:
            refused[row.n] = "by their places, none of its lights reaches the meter there"
        elif abs(off := math.log2(light / row.expected)) > MISTAKEN:
            side = "over" if off > 0 else "under"
            refused[row.n] = (
                f"is {abs(off):.1f} stops {side} all that its lights give by their makers' figures:"
                " a slip in the number, its unit (1 fc is 10.8 lx), an output, or what was lit?"
            )
        else:
            usable.append(replace(row, lux=light))
    kept, odd, apart = without_odd(usable)
    made = fit(kept)
    judged = tuple(
        _judge(profile.readings[n - 1], n, usable, made, refused.get(n, ""), odd, apart, around)
        for n in range(1, len(profile.readings) + 1)
    )
    scales = tuple(_scale(name, made, kept) for name in made.scales)
    makers = tuple(
        d.name
        for d in profile.devices.values()
        if d.kind == "light" and d.output is not None and d.name not in made.scales
    )
    return Calibration(scales, judged, makers, around, apart, _dimmers(profile, usable), made)


def _same(one: MeterReading, other: MeterReading) -> bool:
    return (one.lux, one.at, dict(one.on)) == (other.lux, other.at, dict(other.on))


def _lamps(
    bare: SetProfile, reading: MeterReading, known: dict[tuple[str, str], Sure | None]
) -> dict[str, Sure] | str:
    """What each lit light gives at the meter by its maker; a sentence where that is not known.

    `known` is what they give there at full, for as many readings as there are at one place.
    """
    dome = bare.picture.receptor == "dome"
    looks: Point3 = (0.0, 1.0, 0.0)
    if reading.at == FACE:
        where, looks, place = bare.room.mark, rays.facing(bare), "mark"
    else:
        where, place = bare.devices[reading.at].place, reading.at
    if where is None:
        lacks = "no mark given in the room" if place == "mark" else f"no place given for {place}"
        return f"{lacks}: nothing to compare it with"
    found: dict[str, Sure] = {}
    for name, preset in reading.on.items():
        device = bare.devices[name]
        if device.kind != "light" or not preset.level:
            continue  # what a lit cloth throws reaches neither the face nor itself
        if preset.colour is not None:
            return f"{name} was coloured, and its figures hold for its white"
        if (name, place) not in known:
            known[name, place] = sure.at_full(bare, device, rays.at(where), looks, place, dome)
        full = known[name, place]
        if full is None or not 0.0 <= preset.level <= 100.0:
            _, why = rays.thrown(bare, device, rays.at(where), looks)
            return f"{why or f'{preset.level:g} % is no level'}: nothing to compare it with"
        found[name] = sure.lit(device, full, preset.level)
    return found


def _judge(
    reading: MeterReading,
    n: int,
    rows: Sequence[Row],
    made: Fit,
    refused: str,
    odd: Mapping[int, float],
    apart: Sequence[int],
    around: Mapping[str, float],
) -> Judged:
    on = tuple(name for name, preset in reading.on.items() if preset.level)
    row = next((row for row in rows if row.n == n), None)
    if row is None:
        why = refused
        return Judged(n, reading.at, on, reading.lux, None, None, not why, why)
    given = by_scales(row, made.scales)
    predicted = given + around.get(reading.at, 0.0)
    stops = math.log2(row.lux / given) if given > 0 else None
    why = ""
    if n in odd:
        stops = odd[n]
        side = "over" if odd[n] > 0 else "under"
        why = f"does not go with the others: {abs(odd[n]):.1f} stop {side}; left out"
        if odd[n] > 0:
            why += " (stray daylight, or one more light on?)"
        else:
            why += " (a shadow on the meter, or a light that was off?)"
    elif n in apart:
        others = [str(m) for m in apart if m != n]
        if others:
            named = f"reading{'s' if len(others) > 1 else ''} {' and '.join(others)}"
            why = f"does not go with {named}, and nobody knows which is right: take them again"
        else:
            why = "does not go with what the maker says and the others: take it again"
    return Judged(n, reading.at, on, reading.lux, predicted, stops, n not in odd, why)


def _scale(name: str, made: Fit, rows: Sequence[Row]) -> Scale:
    value = made.scales[name]
    # what is known of the light, at the places and levels where it was read: there the sources
    # that its reading had made up for are gone
    count = sum(1 for row in rows if name in row.lamps and row.lamps[name].value > 0)
    lamps = [row.lamps[name] for row in rows if name in row.lamps and row.lamps[name].value > 0]
    known = min(
        (made.light(name, lamp) for lamp in lamps),
        key=lambda light: light.within / light.value if light.value > 0 else math.inf,
        default=None,
    )
    within = known.within / known.value if known is not None and known.value > 0 else 1.0
    places = (row.place for row in rows if row.lamps.get(name, sure.DARK).value > 0)
    at = tuple(dict.fromkeys(FACE if place == "mark" else place for place in places))
    return Scale(name, value, within, count, at)


def _dimmers(profile: SetProfile, rows: Sequence[Row]) -> tuple[str, ...]:
    """Lights whose readings alone, at one place and two levels, are not as their curve says."""
    alone: dict[tuple[str, str], list[tuple[float, float]]] = {}
    for row in rows:
        if len(row.lamps) == 1:
            name = next(iter(row.lamps))
            level = profile.readings[row.n - 1].on[name].level or 0.0
            alone.setdefault((name, row.place), []).append((level, row.lux))
    found = []
    for (name, _), read in alone.items():
        device = profile.devices[name]
        (low, dim), (high, bright) = min(read), max(read)
        if low >= high:
            continue
        fell = math.log2(bright / dim)
        says = math.log2(device.dimmer.output(high) / device.dimmer.output(low))
        held = math.hypot(sure.HOLDING, sure.HOLDING, _named(device)) / math.log(2.0)
        if abs(fell - says) <= held * ODD / 2.0:
            continue
        curve = device.dimmer.curve if device.dimmer_said else "linear, taken for granted"
        text = (
            f"{name}: from {high:g} to {low:g} % your readings fall by {fell:.1f} stops, by its"
            f" dimmer ({curve}) {says:.1f}"
        )
        if abs(fell - 2.0 * math.log2(high / low)) <= held:
            text += "; a square dimmer would"
        found.append(text)
    return tuple(found)


def _named(device: Device) -> float:
    return sure.MEASURED_CURVE if device.dimmer.curve == "measured" else sure.NAMED_CURVE
