"""The scales that come nearest to what a meter read, and how well each of them is known.

Least squares: a row a reading, each by how well it can be held, and rows for what is thought of
lights that no reading tells apart.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from studiobridge.craft.bounded import inverse, solve
from studiobridge.figures import sure
from studiobridge.figures.sure import Sure

# How far (standard deviation) one light's scale is thought to be from the others', and all of
# them together from 1. Wide on purpose: what a maker says is known to 0.1 (`sure.MAKER`), and a
# meter beats it.
APART = 0.2
TOGETHER = 1.0


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
    spread = inverse(square)
    moves = [[0.0] * len(rows) for _ in free]
    for i, row in enumerate(rows):
        column = [table[i][a] / row.error for a in among]
        for j, line in zip(among, spread, strict=True):
            moves[j][i] = sum(x * y for x, y in zip(line, column, strict=True))
    return moves


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
    left = sum(((row.lux - by_scales(row, scales)) / row.error) ** 2 for row in rows)
    return max(1.0, math.sqrt(left / spare))


def by_scales(row: Row, scales: Mapping[str, float]) -> float:
    return sum(lamp.value * scales.get(name, 1.0) for name, lamp in row.lamps.items())
