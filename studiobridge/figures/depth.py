"""The depth a set takes from the back wall on: its chain, and the variations that shorten it.

Two variations that change the same link exclude each other. What takes more depth, or as much,
is a variation all the same and saves nothing, so it is in no combination.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence, Set
from dataclasses import dataclass
from fractions import Fraction

from studiobridge.craft import space
from studiobridge.craft.combining import Choice, Key, unfold
from studiobridge.craft.space import Link, Station
from studiobridge.profile.model import Room, SetProfile, Variation

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


def excluding(variations: Sequence[Variation]) -> list[set[int]]:
    """For each variation the numbers of those that change a link it changes."""
    return _apart_by([set(variation.links) for variation in variations])


def _apart_by(links: Sequence[Set[str]]) -> list[set[int]]:
    return [{j for j, b in enumerate(links) if i != j and a & b} for i, a in enumerate(links)]


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


def shortest(
    room: Room, throw: str, between: Set[str], gap: Fraction
) -> Iterator[tuple[Variation, ...]]:
    """Choices of variations, the shortest room first, where the lens sets the link `throw`.

    It is as long as needed for `gap` (m) from the mark to the lens, where the links `between`
    stand too. So the depth is all that stands elsewhere, and the larger of the gap and of what
    stands between; each is bounded from below by the most that is left to save. What gives up
    more than another choice and is no shorter is left out.
    """
    chain = room.chain
    # the link that the lens sets is no variation's to save
    links = [{n: d for n, d in v.links.items() if n != throw} for v in room.variations]
    helpful = [i for i, own in enumerate(links) if own]
    saves = [sum((chain[n] - d for n, d in links[i].items()), Fraction(0)) for i in helpful]
    elsewhere = [
        sum((chain[n] - d for n, d in links[i].items() if n not in between), Fraction(0))
        for i in helpful
    ]
    excludes = _apart_by([set(links[i]) for i in helpful])
    every, outside = Choice(saves, excludes), Choice(elsewhere, excludes)
    fixed = sum((d for n, d in chain.items() if n != throw), Fraction(0))
    around = fixed - sum((chain[n] for n in between), Fraction(0))

    def bound(chosen: tuple[int, ...], left: int) -> Key:
        most, few = every.most(left)
        most_outside, few_outside = outside.most(left)
        by_links = fixed - sum((saves[i] for i in chosen), most)
        by_lens = around + gap - sum((elsewhere[i] for i in chosen), most_outside)
        if by_lens > by_links:
            few = few_outside
        elif by_lens == by_links:
            few = min(few, few_outside)
        return max(by_links, by_lens), len(chosen) - few

    kept: list[tuple[Fraction, frozenset[int]]] = []

    def beaten(chosen: tuple[int, ...], key: Key) -> bool:
        return any(depth <= key[0] and less <= set(chosen) for depth, less in kept)

    for key, chosen in unfold(excludes, bound, beaten):
        kept.append((key[0], frozenset(chosen)))
        yield tuple(room.variations[helpful[i]] for i in chosen)
