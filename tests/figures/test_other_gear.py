"""What README says of proof by watts, on gear that turns.py does not suppose."""

from __future__ import annotations

import random
from collections import Counter

import pytest

from tests.figures.other_gear import CASES, one

HOLD = [case for case in CASES if set(case.kinds) <= {"driver", "knee"} and case.turns]


@pytest.mark.parametrize("case", HOLD, ids=lambda case: case.name)
def test_on_electronic_drivers_bands_hold_and_no_wrong_lamp_is_named(case) -> None:  # type: ignore[no-untyped-def]
    tally: Counter[str] = Counter()
    missed: list[float] = []
    for n in range(12):
        missed += one(random.Random(f"{case.name}-{n}"), case, 1 + n % 3, tally)
    assert tally["within"] >= 30
    assert len(missed) <= 0.03 * tally["within"]
    assert max(missed, default=0.0) < 15.0
    assert tally["wrong"] == 0
