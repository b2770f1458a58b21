"""The depth a set takes from the back wall on: its chain, and the variations that shorten it.

Two variations that change the same link exclude each other. What takes more depth, or as much,
is a variation all the same and saves nothing, so it is in no combination.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from fractions import Fraction

from studiobridge.craft import space
from studiobridge.craft.combining import Choice
from studiobridge.craft.space import Link, Station
from studiobridge.profile.model import MARK, Place, SetProfile, Variation

# More combinations than a person reads, and more than fit on a screen beside the chain.
MOST_COMBINED = 12


@dataclass(frozen=True, slots=True)
class Varied:
    """A variation of the depth chain: what it takes in all and saves (m, exact)."""

    name: str
    title: str
    total: Fraction
    saves: Fraction
    left: Fraction | None


@dataclass(frozen=True, slots=True)
class Combined:
    """Variations that go together, and what they take in all, save and leave (m, exact)."""

    names: tuple[str, ...]
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
    # the shortest combination there is; None where no variation saves anything
    together: Fraction | None
    # the shortest first, at most MOST_COMBINED of the `possible` ones
    combined: tuple[Combined, ...] = ()
    possible: int = 0


@dataclass(frozen=True, slots=True)
class Apart:
    """The mark or a device that stands elsewhere than at the end of its link (m)."""

    name: str
    link: str
    by_chain: Fraction
    by_place: float


# Nearer than a centimetre the chain and a place say the same: that is how lengths are shown.
SAME = 0.01


def apart(profile: SetProfile) -> tuple[Apart, ...]:
    """Where the chain of the room and the places in it say two things."""
    totals = ends(profile)
    found = []
    for name, link in profile.room.stations.items():
        place = place_of(profile, name)
        if place is not None and abs(place.from_back - float(totals[link])) > SAME:
            found.append(Apart(name, link, totals[link], place.from_back))
    return tuple(found)


def place_of(profile: SetProfile, name: str) -> Place | None:
    """Where the mark or a device is."""
    return profile.room.mark if name == MARK else profile.devices[name].place


def ends(profile: SetProfile) -> dict[str, Fraction]:
    """How far from the back wall each link of the chain ends (m, exact)."""
    links = [Link(name, depth) for name, depth in profile.room.chain.items()]
    return {station.name: station.total for station in space.chain(links)}


def excluding(variations: Sequence[Variation]) -> list[set[int]]:
    """For each variation the numbers of those that change a link it changes."""
    return [
        {j for j, b in enumerate(variations) if i != j and a.links.keys() & b.links.keys()}
        for i, a in enumerate(variations)
    ]


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
    for variation in room.variations:
        changed = {**room.chain, **variation.links}
        saves = space.saved(links, [Link(n, d) for n, d in changed.items()])
        varied.append(
            Varied(variation.name, variation.title, total - saves, saves, left(total - saves))
        )
    savers = [(v, made) for v, made in zip(room.variations, varied, strict=True) if made.saves > 0]
    choice = Choice([made.saves for _, made in savers], excluding([v for v, _ in savers]))
    combined = []
    for chosen in choice.best(MOST_COMBINED):
        saves = sum((savers[i][1].saves for i in chosen), Fraction(0))
        names = tuple(savers[i][0].name for i in chosen)
        combined.append(Combined(names, total - saves, saves, left(total - saves)))
    together = combined[0].total if combined else None
    return Budget(
        tuple(stations),
        total,
        left(total),
        tuple(varied),
        together,
        tuple(combined),
        choice.possible,
    )
