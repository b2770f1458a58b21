"""What can be had together: the best of all choices in which no two exclude each other.

Twenty things make a million choices, so they are not gone through: what the rest could bring at
most is known exactly for any part of them (a best choice by dynamic programming, in which what
stands in nobody's way is simply taken), and the best are unfolded first.
"""

from __future__ import annotations

import heapq
from collections.abc import Sequence
from fractions import Fraction


class Choice:
    """Things with a worth each (above 0), and which of them exclude which, by their numbers.

    Raises ValueError for a worth that is not above 0: what brings nothing is no choice.
    """

    def __init__(self, worth: Sequence[Fraction], excludes: Sequence[set[int]]) -> None:
        if any(not w > 0 for w in worth):
            raise ValueError("what is worth nothing is not chosen")
        self.worth = worth
        # as bits of a number: quick to take away, and a key to what is known already
        self._against = [sum(1 << j for j in others) for others in excludes]
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
        """The most that these bring, and by how few (negative: more is better, as of worth)."""
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
        every = (1 << len(self.worth)) - 1
        found: list[tuple[int, ...]] = []
        worth, few = self.most(every)
        # what it comes to at the most, what is chosen, what may still be, what that has brought
        heap: list[tuple[Fraction, int, tuple[int, ...], int, Fraction]] = [
            (-worth, -few, (), every, Fraction(0))
        ]
        while heap and len(found) < count:
            _, _, chosen, left, brought = heapq.heappop(heap)
            if not left:
                if chosen:
                    found.append(chosen)
                continue
            i = (left & -left).bit_length() - 1
            rest = left & (left - 1)
            for now, open_, sofar in (
                ((*chosen, i), rest & ~self._against[i], brought + self.worth[i]),
                (chosen, rest, brought),
            ):
                worth, few = self.most(open_)
                heapq.heappush(heap, (-sofar - worth, len(now) - few, now, open_, sofar))
        return found

    @property
    def possible(self) -> int:
        """How many choices of one or more there are."""
        return self.ways((1 << len(self.worth)) - 1) - 1
