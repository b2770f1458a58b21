"""What can be had together: the best of all choices in which no two exclude each other.

Twenty things make a million choices, so they are not gone through: what the rest could bring at
most is known exactly for any part of them (a best choice by dynamic programming, in which what
stands in nobody's way is simply taken), and the best are unfolded first.
"""

from __future__ import annotations

import heapq
from collections.abc import Callable, Iterator, Sequence
from fractions import Fraction

# What a choice comes to, least first: the value, and by how many.
Key = tuple[Fraction, int]


def bits(numbers: set[int]) -> int:
    """Some numbers as the bits of one: quick to take away, and a key to what is known already."""
    return sum(1 << j for j in numbers)


def unfold(
    excludes: Sequence[set[int]],
    bound: Callable[[tuple[int, ...], int], Key],
    beaten: Callable[[tuple[int, ...], Key], bool] = lambda chosen, key: False,
) -> Iterator[tuple[Key, tuple[int, ...]]]:
    """All choices of things that do not exclude each other, least first; that of nothing too.

    `bound(chosen, left)` is what `chosen` with some of the bits of `left` comes to at the least,
    and exactly what it comes to where nothing is left. What is `beaten` is not unfolded further.
    """
    against = [bits(others) for others in excludes]
    every = (1 << len(against)) - 1
    heap: list[tuple[Key, tuple[int, ...], int]] = [(bound((), every), (), every)]
    while heap:
        key, chosen, left = heapq.heappop(heap)
        if beaten(chosen, key):
            continue
        if not left:
            yield key, chosen
            continue
        i = (left & -left).bit_length() - 1
        rest = left & (left - 1)
        for now, open_ in (((*chosen, i), rest & ~against[i]), (chosen, rest)):
            heapq.heappush(heap, (bound(now, open_), now, open_))


class Choice:
    """Things with a worth each, and which of them exclude which, by their numbers.

    What is worth nothing, or less, is in no choice.
    """

    def __init__(self, worth: Sequence[Fraction], excludes: Sequence[set[int]]) -> None:
        self.worth = worth
        self.excludes = excludes
        self._against = [bits(others) for others in excludes]
        self._worthy = bits({i for i, w in enumerate(worth) if w > 0})
        self._most: dict[int, tuple[Fraction, int]] = {0: (Fraction(0), 0)}
        self._ways: dict[int, int] = {0: 1}

    def _in_the_way(self, left: int) -> int | None:
        """Of these the one that excludes most others of them; None where all go together."""
        worst, most = None, 0
        for i, against in enumerate(self._against):
            if left >> i & 1:
                count = (against & left).bit_count()
                if count > most:
                    worst, most = i, count
        return worst

    def most(self, left: int) -> tuple[Fraction, int]:
        """The most that some of these bring together, and by how few: as a number below 0."""
        left &= self._worthy
        known = self._most.get(left)
        if known is None:
            i = self._in_the_way(left)
            if i is None:
                chosen = [k for k in range(len(self.worth)) if left >> k & 1]
                known = (sum((self.worth[k] for k in chosen), Fraction(0)), -len(chosen))
            else:
                bit = 1 << i
                without = self.most(left & ~bit)
                worth, few = self.most(left & ~bit & ~self._against[i])
                known = max(without, (worth + self.worth[i], few - 1))
            self._most[left] = known
        return known

    def ways(self, left: int) -> int:
        """In how many ways some of these, or none, can be chosen."""
        left &= self._worthy
        known = self._ways.get(left)
        if known is None:
            i = self._in_the_way(left)
            if i is None:
                known = 1 << left.bit_count()
            else:
                bit = 1 << i
                known = self.ways(left & ~bit) + self.ways(left & ~bit & ~self._against[i])
            self._ways[left] = known
        return known

    def best(self, count: int) -> list[tuple[int, ...]]:
        """The best choices of one or more, most worth first; of equals the fewest."""

        def bound(chosen: tuple[int, ...], left: int) -> Key:
            worth, few = self.most(left)
            brought = sum((self.worth[i] for i in chosen), worth)
            return -brought, len(chosen) - few

        def worthless(chosen: tuple[int, ...], key: Key) -> bool:
            return bool(chosen) and not self._worthy >> chosen[-1] & 1

        found: list[tuple[int, ...]] = []
        for _, chosen in unfold(self.excludes, bound, worthless):
            if len(found) == count:
                break
            if chosen:
                found.append(chosen)
        return found

    @property
    def possible(self) -> int:
        """How many choices of one or more there are."""
        return self.ways(self._worthy) - 1
