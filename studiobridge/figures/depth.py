"""The depth a set takes from the back wall on: its chain, and the variations that shorten it."""

from __future__ import annotations

from dataclasses import dataclass
from fractions import Fraction

from studiobridge.craft import space
from studiobridge.craft.space import Link, Station
from studiobridge.profile.model import SetProfile


@dataclass(frozen=True, slots=True)
class Varied:
    """A variation of the depth chain: what it takes in all and saves (m, exact)."""

    name: str
    title: str
    total: Fraction
    saves: Fraction
    left: Fraction | None


@dataclass(frozen=True, slots=True)
class Budget:
    """The chain of depths with running totals, and what is left of the room (m, exact)."""

    stations: tuple[Station, ...]
    total: Fraction
    left: Fraction | None
    variations: tuple[Varied, ...]
    # every variation at once
    together: Fraction | None


def budget(profile: SetProfile) -> Budget | None:
    """The depth the set takes, from the back wall to the rear of the rig; None without a chain."""
    room = profile.room
    if not room.chain:
        return None
    links = [Link(name, depth) for name, depth in room.chain.items()]
    stations = space.chain(links)
    total = stations[-1].total

    def left(taken: Fraction) -> Fraction | None:
        return room.depth - taken if room.depth is not None else None

    varied = []
    everything = dict(room.chain)
    for variation in room.variations:
        changed = {**room.chain, **variation.links}
        saves = space.saved(links, [Link(n, d) for n, d in changed.items()])
        varied.append(
            Varied(variation.name, variation.title, total - saves, saves, left(total - saves))
        )
        everything.update(variation.links)
    together = sum(everything.values(), Fraction(0)) if room.variations else None
    return Budget(tuple(stations), total, left(total), tuple(varied), together)
