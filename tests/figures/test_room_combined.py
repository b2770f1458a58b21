"""Variations of the depth together: which go with which, and the shortest of all."""

from __future__ import annotations

from fractions import Fraction
from itertools import combinations
from types import MappingProxyType

from hypothesis import given
from hypothesis import strategies as st

from studiobridge.figures.depth import MOST_COMBINED, budget
from studiobridge.profile.model import Room, Variation
from tests.figures.sets import MARK, small

LINKS = ("cloth", "stool", "table", "gap", "throw", "camera")


def room(chain: dict[str, object], *variations: tuple[str, dict[str, object]]) -> Room:
    return Room(
        Fraction(9),
        mark=MARK,
        chain=MappingProxyType({k: Fraction(v) for k, v in chain.items()}),  # type: ignore[call-overload]
        variations=tuple(
            Variation(n, "", MappingProxyType({k: Fraction(v) for k, v in links.items()}))  # type: ignore[call-overload]
            for n, links in variations
        ),
    )


def test_two_that_change_one_link_exclude_each_other() -> None:
    """2 + 3 + 1 m: the gap at 2 or at 1 m, never both; a longer table saves nothing."""
    made = budget(
        small(
            room=room(
                {"table": 2, "gap": 3, "camera": 1},
                ("bench-away", {"gap": 1}),
                ("bench-nearer", {"gap": 2}),
                ("long-table", {"table": 3}),
                ("small-camera", {"camera": Fraction(1, 2)}),
            )
        )
    )
    assert made is not None
    # as it was: the last of the two won, and the longer table was added: 3 + 2 + 1/2
    assert made.together == Fraction(7, 2)
    assert [(c.names, c.total, c.left) for c in made.combined] == [
        (("bench-away", "small-camera"), Fraction(7, 2), Fraction(11, 2)),
        (("bench-away",), 4, 5),
        (("bench-nearer", "small-camera"), Fraction(9, 2), Fraction(9, 2)),
        (("bench-nearer",), 5, 4),
        (("small-camera",), Fraction(11, 2), Fraction(7, 2)),
    ]
    assert made.possible == 5
    assert {v.name: v.saves for v in made.variations}["long-table"] == -1


def test_what_saves_nothing_is_no_shorter_room() -> None:
    made = budget(small(room=room({"table": 2, "gap": 3}, ("long-table", {"table": 3}))))
    assert made is not None
    assert (made.together, made.combined, made.possible) == (None, (), 0)


def test_one_that_changes_two_links_stands_against_two() -> None:
    """Folded, table and gap save 3 m in all; apart they save 2 and 2, and that is more."""
    made = budget(
        small(
            room=room(
                {"table": 4, "gap": 4},
                ("folded", {"table": 1, "gap": 4}),
                ("narrow", {"table": 2}),
                ("no-way", {"gap": 2}),
            )
        )
    )
    assert made is not None
    assert made.together == 4
    assert made.combined[0].names == ("narrow", "no-way")
    assert [c.names for c in made.combined if "folded" in c.names] == [("folded",)]


def test_twenty_variations_are_answered_at_once_with_the_best() -> None:
    """2^20 - 1 ways: the best are found without going through all, and it says how many."""
    chain = {f"link-{i}": 2 for i in range(20)}
    made = budget(
        small(room=room(chain, *((f"less-{i}", {f"link-{i}": 1}) for i in range(20))))  # type: ignore[arg-type]
    )
    assert made is not None
    assert made.possible == 2**20 - 1
    assert len(made.combined) == MOST_COMBINED
    assert len(made.combined[0].names) == 20
    assert made.together == 20


def test_twenty_that_all_stand_in_each_others_way() -> None:
    """Each with the next: a row of twenty, of which every second may be chosen. The ways to choose
    some of n in a row with no two beside each other are Fibonacci's: 17,711 for 20, none included."""
    chain = {f"link-{i}": 2 for i in range(21)}
    pairs = ((f"less-{i}", {f"link-{i}": 1, f"link-{i + 1}": 1}) for i in range(20))
    made = budget(small(room=room(chain, *pairs)))  # type: ignore[arg-type]
    assert made is not None
    assert made.possible == 17_711 - 1
    assert made.together == 42 - 20


DEPTHS = st.integers(0, 8).map(lambda n: Fraction(n, 4))
VARIED = st.lists(
    st.dictionaries(st.sampled_from(LINKS), DEPTHS, min_size=1, max_size=3), max_size=7
)


@given(st.fixed_dictionaries(dict.fromkeys(LINKS, DEPTHS)), VARIED)
def test_it_is_what_going_through_every_subset_finds(
    chain: dict[str, Fraction], varied: list[dict[str, Fraction]]
) -> None:
    made = budget(small(room=room(chain, *((f"v{i}", v) for i, v in enumerate(varied)))))  # type: ignore[arg-type]
    assert made is not None
    whole = sum(chain.values())

    def taken(links: dict[str, Fraction]) -> Fraction:
        return sum(({**chain, **links}).values(), Fraction(0))

    savers = [(f"v{i}", v) for i, v in enumerate(varied) if taken(v) < whole]
    every = []
    for size in range(1, len(savers) + 1):
        for some in combinations(savers, size):
            keys = [key for _, links in some for key in links]
            if len(set(keys)) == len(keys):
                changed = {k: d for _, links in some for k, d in links.items()}
                every.append((taken(changed), len(some), tuple(name for name, _ in some)))
    every.sort(key=lambda e: (e[0], e[1]))
    assert made.possible == len(every)
    assert made.together == (every[0][0] if every else None)
    assert [(c.total, len(c.names)) for c in made.combined] == [
        (total, size) for total, size, _ in every[:MOST_COMBINED]
    ]
    assert {(c.total, len(c.names), c.names) for c in made.combined} <= set(every)
