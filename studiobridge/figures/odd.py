"""Which reading of a meter does not go with the others: the one that is left out, where it is clear
which one it is, or those that contradict one another."""

from __future__ import annotations

import math
from dataclasses import replace

from studiobridge.figures import sure
from studiobridge.figures.scales import Row, by_scales, fit
from studiobridge.figures.sure import Sure

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


def without_odd(rows: list[Row]) -> tuple[list[Row], dict[int, float], tuple[int, ...]]:
    """The rows that go together, those left out (by how far off, stops), those that contradict
    one another and nobody knows which is right."""
    odd: dict[int, float] = {}
    own = {row.n: row for row in rows}
    kept = [_doubting_makers(row) for row in rows]
    while len(kept) > 1 and len(odd) <= len(rows) // 3:
        made = fit(kept, weighed=False)
        far = sorted(kept, key=lambda r: -abs(r.lux - by_scales(r, made.scales)) / r.error)
        if not far or abs(far[0].lux - by_scales(far[0], made.scales)) < far[0].error:
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
