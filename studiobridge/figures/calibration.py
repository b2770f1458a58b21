"""Readings of a meter turned into a scale for each light: the figures become the user's own.

- A light that was lit in a reading gets a scale: so many times its maker's figure. Scales are
  those that come nearest to all readings (least squares, each by how well it can be held), not
  below 0. A wide prior keeps them near one another, and all of them loosely near the maker's:
  one reading of five lights moves all five alike, a reading of each decides for each.
- What was read with no light on is of the room: it is taken off every reading at that place.
- A reading that does not go with the others (3 standard deviations off what they say without
  it) is left out where it is clear which one it is, and named in any case.
- What bounces back of a light is in its reading, and so in its scale, for that place.

`rays.py` asks `scale`; all else is for people.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace

from studiobridge.craft.bounded import solve
from studiobridge.figures import rays, sure
from studiobridge.figures.rays import Point3
from studiobridge.figures.sure import Sure
from studiobridge.profile.model import Device, MeterReading, Output, SetProfile

FACE = "face"
# How far (standard deviation) one light's scale is thought to be from the others', and all of
# them together from 1. Wide on purpose: what a maker says is known to 0.1 (`sure.MAKER`), and a
# meter beats it.
APART = 0.2
TOGETHER = 1.0
# Of all lights in a reading: less than this (lx) is no light that reaches the meter.
REACHES = 0.01
# Standard deviations off: about 3 of 1000 good readings are as far.
ODD = 3.0
# A reading is odd against other readings, not against a maker: for that question alone a maker's
# figure may be wrong by this much (share, 95 of 100 as all limits), so that the only reading of a
# lamp is believed up to a factor of six.
MAKER_MAY_ERR = 1.2
# A reading this many deviations off is a rival for being the odd one.
RIVAL = 2.0
# The sum of squares falls by so much more without one reading than without another: then it is
# clear which of them is odd. 4 is two standard deviations.
CLEAR = 4.0
# How many are looked at, one by one, for whether the others go together without it.
CANDIDATES = 6
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
class Row:
    """A reading ready to be reckoned with: its light (lx) without the room's, and of each lamp
    what it gives there by its maker's figures."""

    n: int
    place: str
    lux: float
    lamps: Mapping[str, Sure]

    @property
    def expected(self) -> float:
        return sum(lamp.value for lamp in self.lamps.values())

    @property
    def error(self) -> float:
        """One standard deviation (lx): how well it is held, at what it reads or should read."""
        return sure.HOLDING / 2.0 * max(self.lux, self.expected)


@dataclass(frozen=True, slots=True)
class Fit:
    """Scales by light, and by source how far that source alone may move each."""

    scales: Mapping[str, float]
    parts: Mapping[str, Mapping[str, float]]
    # the sum of squares that is left, the prior's among them
    left: float

    def light(self, name: str, figure: Sure) -> Sure:
        """What a lamp gives by your meter, of what it gives by its maker (`figure`)."""
        value = self.scales.get(name)
        if value is None:
            return figure
        moved = Sure(0.0, {s: p * figure.value for s, p in self.parts.get(name, {}).items()})
        return sure.total((figure.times(value), moved))


NO_FIT = Fit({}, {}, 0.0)


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
    kept, odd, apart = _without_odd(usable)
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


def fit(rows: Sequence[Row], weighed: bool = True) -> Fit:
    """The scales that come nearest to these rows, and (`weighed`) what may move them."""
    names = list(dict.fromkeys(n for r in rows for n, lamp in r.lamps.items() if lamp.value > 0))
    if not names:
        return NO_FIT
    table: list[list[float]] = []
    wanted: list[float] = []
    for row in rows:
        lamps = [row.lamps[n].value if n in row.lamps else 0.0 for n in names]
        table.append([lamp / row.error for lamp in lamps] + [0.0])
        wanted.append(row.lux / row.error)
    for i in range(len(names)):
        table.append([1.0 / APART if j == i else 0.0 for j in range(len(names))] + [-1.0 / APART])
        wanted.append(0.0)
    table.append([0.0] * len(names) + [1.0 / TOGETHER])
    wanted.append(1.0 / TOGETHER)
    size = len(names) + 1
    values = solve(table, wanted, [0.0] * size, [math.inf] * size, start=[1.0] * size)
    left = sum(
        (sum(a * x for a, x in zip(line, values, strict=True)) - b) ** 2
        for line, b in zip(table, wanted, strict=True)
    )
    scales = dict(zip(names, values, strict=False))
    if not weighed:
        return Fit(scales, {}, left)
    moves = _moves(table, [x > 0 for x in values], rows)
    return Fit(scales, _parts(rows, names, scales, moves), left)


def _moves(
    table: Sequence[Sequence[float]], free: Sequence[bool], rows: Sequence[Row]
) -> list[list[float]]:
    """How much one more lux in each row moves each value: (A'A)^-1 A' of what is not held at 0."""
    among = [j for j, is_free in enumerate(free) if is_free]
    square = [[sum(line[a] * line[b] for line in table) for b in among] for a in among]
    inverse = _inverse(square)
    moves = [[0.0] * len(rows) for _ in free]
    for i, row in enumerate(rows):
        column = [table[i][a] / row.error for a in among]
        for j, line in zip(among, inverse, strict=True):
            moves[j][i] = sum(x * y for x, y in zip(line, column, strict=True))
    return moves


def _inverse(square: Sequence[Sequence[float]]) -> list[list[float]]:
    """Of a symmetric matrix that the prior keeps well away from having none (Gauss-Jordan)."""
    size = len(square)
    rows = [
        [*line, *(1.0 if i == j else 0.0 for j in range(size))] for i, line in enumerate(square)
    ]
    for i in range(size):
        best = max(range(i, size), key=lambda k: abs(rows[k][i]))
        rows[i], rows[best] = rows[best], rows[i]
        head = rows[i][i]
        rows[i] = [x / head for x in rows[i]]
        for k in range(size):
            if k != i and rows[k][i]:
                by = rows[k][i]
                rows[k] = [x - by * y for x, y in zip(rows[k], rows[i], strict=True)]
    return [line[size:] for line in rows]


def _parts(
    rows: Sequence[Row],
    names: Sequence[str],
    scales: Mapping[str, float],
    moves: Sequence[Sequence[float]],
) -> dict[str, dict[str, float]]:
    """By light and source, how far that source alone leaves its scale from the truth.

    Whatever made a reading larger (the meter, a hand, a lamp nearer than it was measured) made
    the scale larger: the truth is less than the scale by so much. Where the same lamp's light is
    reckoned the source counts there with the other sign, and the two take each other away.
    """
    worse = _scatter(rows, names, scales)
    found: dict[str, dict[str, float]] = {name: {} for name in names}
    for i, row in enumerate(rows):
        raised = {"meter": sure.METER * row.lux, f"reading {row.n}": sure.HOLDING * worse * row.lux}
        for name, lamp in row.lamps.items():
            for source, part in lamp.parts.items():
                raised[source] = raised.get(source, 0.0) + part * scales.get(name, 1.0)
        for j, name in enumerate(names):
            parts = found[name]
            for source, part in raised.items():
                parts[source] = parts.get(source, 0.0) - moves[j][i] * part
    return found


def _scatter(rows: Sequence[Row], names: Sequence[str], scales: Mapping[str, float]) -> float:
    """How many times worse the readings were held than is usual, as what is left of them says.

    Never less than once: a few that agree by luck say nothing (Birge's ratio, from memory).
    """
    spare = len(rows) - len(names)
    if spare < 1:
        return 1.0
    left = sum(((row.lux - _given(row, scales)) / row.error) ** 2 for row in rows)
    return max(1.0, math.sqrt(left / spare))


def _given(row: Row, scales: Mapping[str, float]) -> float:
    return sum(lamp.value * scales.get(name, 1.0) for name, lamp in row.lamps.items())


# ---- which reading is odd -------------------------------------------------------------------


def _without_odd(rows: list[Row]) -> tuple[list[Row], dict[int, float], tuple[int, ...]]:
    """The rows that go together, those left out (by how far off, stops), those that contradict
    one another and nobody knows which is right."""
    odd: dict[int, float] = {}
    own = {row.n: row for row in rows}
    kept = [_doubting_makers(row) for row in rows]
    while len(kept) > 1 and len(odd) <= len(rows) // 3:
        made = fit(kept, weighed=False)
        far = sorted(kept, key=lambda r: -abs(r.lux - _given(r, made.scales)) / r.error)
        if not far or abs(far[0].lux - _given(far[0], made.scales)) < far[0].error:
            return [own[row.n] for row in kept], odd, ()
        found = []
        for row in far[:CANDIDATES]:
            rest = [other for other in kept if other is not row]
            others = fit(rest)
            said = sure.total(others.light(n, lamp) for n, lamp in row.lamps.items())
            if said.value <= 0:
                continue
            # half of what holds for 95 of 100 is one standard deviation; in shares, for what is
            # far off is far off by a factor
            deviation = math.hypot(said.within / said.value, sure.HOLDING) / 2.0
            off = math.log(row.lux / said.value)
            found.append((others.left, abs(off) / deviation, row, off / math.log(2.0)))
        found.sort(key=lambda entry: entry[0])
        if not found or max(entry[1] for entry in found) < ODD:
            return [own[row.n] for row in kept], odd, ()
        best = found[0]
        rivals = [e for e in found[1:] if e[0] < best[0] + CLEAR and e[1] >= RIVAL]
        if rivals or best[1] < ODD or len(odd) >= max(1, len(rows) // 3):
            at_odds = sorted(e[2].n for e in (best, *rivals))
            return [own[row.n] for row in kept], odd, tuple(at_odds)
        odd[best[2].n] = best[3]
        kept = [row for row in kept if row is not best[2]]
    return [own[row.n] for row in kept], odd, ()


def _doubting_makers(row: Row) -> Row:
    lamps = {
        name: Sure(
            lamp.value,
            {
                source: part * (MAKER_MAY_ERR / sure.MAKER if source.endswith(": output") else 1.0)
                for source, part in lamp.parts.items()
            },
        )
        for name, lamp in row.lamps.items()
    }
    return replace(row, lamps=lamps)


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
    given = _given(row, made.scales)
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
