"""The line before a take, through evenings from seeds."""

from __future__ import annotations

import pytest

from tests.simulate.before import Evening

EVENINGS = 16


@pytest.mark.parametrize("part", range(2))
def test_the_line_never_says_good_while_anything_is_not_proven(part: int) -> None:
    goods = noted = 0
    for seed in range(part * EVENINGS // 2, (part + 1) * EVENINGS // 2):
        evening = Evening(seed)
        evening.play(80)
        goods += evening.goods
        noted += evening.rolled_bad
    # evenings in which it is never good, or always, would prove nothing
    assert goods > 10
    assert noted > 5
