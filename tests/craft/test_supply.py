"""How long a battery lasts: cases by hand, batteries of known age, and nonsense."""

from __future__ import annotations

import itertools
import math
import random

import pytest
from hypothesis import given
from hypothesis import strategies as st

from studiobridge.craft.supply import about, age, sentence, time_left


def falling(start: float, step: float, every: float, count: int, begin: float = 0.0):  # type: ignore[no-untyped-def]
    return [(begin + i * every, start - i * step) for i in range(count)]


def test_a_percent_a_minute_by_hand() -> None:
    """50 % falling by 1 a minute says 35 after 15 minutes: 35 minutes are left."""
    heard = falling(50, 1, 60, 16)
    assert time_left(heard, 900.0) == pytest.approx(2100.0)
    assert time_left(heard, 930.0) == pytest.approx(2070.0)  # time goes on between two words


def test_steps_of_five_by_hand() -> None:
    """100, 95, 90 … every 10 minutes, each said every minute: 5 % in 600 s, 75 % are left at
    the moment 75 was first said, which is 9000 s."""
    heard = [(60.0 * i, 100.0 - 5 * (i // 10)) for i in range(51)]
    assert heard[-1] == (3000.0, 75.0)
    assert time_left(heard, 3000.0) == pytest.approx(9000.0)


@pytest.mark.parametrize(
    ("heard", "now"),
    [
        ([], 0.0),
        ([(0.0, 50.0)], 1.0),
        (falling(50, 1, 60, 4), 200.0),  # three minutes are no span
        (falling(50, 0, 60, 30), 1740.0),  # it does not fall
        (falling(50, 0.1, 60, 20), 1140.0),  # two points in all
        (falling(50, 1, 60, 16), 900.0 + 1201.0),  # not heard for twenty minutes
        (falling(50, 1, 60, 16), 899.0),  # now is before its last word: the clock stepped
        (falling(50, 1, 60, 16), math.nan),
        (falling(50, 1, 1300, 16), 15 * 1300.0),  # too seldom: it may be off between
        # it fell, and has stood still for half an hour since
        ([*falling(50, 1, 60, 16), *((900.0 + 60 * i, 35.0) for i in range(1, 30))], 2640.0),
        # it fell, and rises
        ([*falling(50, 1, 60, 16), *((900.0 + 60 * i, 35.0 + i) for i in range(1, 5))], 1140.0),
    ],
)
def test_nothing_is_said_where_it_cannot_be(heard: list[tuple[float, float]], now: float) -> None:
    assert time_left(heard, now) is None


@pytest.mark.parametrize(
    ("value", "why"),
    [(90.0, "charged or changed"), (15.0, "another one, lower")],
)
def test_a_jump_begins_anew(value: float, why: str) -> None:
    heard = falling(50, 1, 60, 16)
    assert time_left([*heard, (960.0, value)], 960.0) is None, why
    # and what it does from then on counts alone: 2 a minute
    after = falling(value, 0.75 if value < 20 else 2, 60, 14, 960.0)
    left = time_left([*heard, *after], after[-1][0])
    assert left == pytest.approx(after[-1][1] / (0.75 if value < 20 else 2) * 60, rel=0.01)


def test_the_load_of_the_last_hour_counts_and_not_that_of_the_hours_before() -> None:
    """Two hours at 1 % in 5 minutes, then 46 minutes at 1 % a minute: 1 % a minute it is."""
    slow = falling(99, 1, 300, 25)
    fast = falling(74, 1, 60, 47, 7260.0)
    left = time_left([*slow, *fast], fast[-1][0])
    assert fast[-1][1] == 28
    assert left == pytest.approx(28 * 60.0, rel=0.02)


def test_a_clock_that_stepped_begins_anew() -> None:
    heard = [*falling(50, 1, 60, 16, 1e6), *falling(35, 1, 60, 5, 100.0)]
    assert time_left(heard, 340.0) is None
    heard = [*heard, *falling(30, 1, 60, 12, 400.0)]
    assert time_left(heard, 1060.0) == pytest.approx(19 * 60.0)


def test_one_that_goes_back_by_one_now_and_then_is_not_fooled() -> None:
    dice = random.Random(3)
    heard = [(60.0 * i, 80.0 - i + dice.choice([0, 0, 1, -1])) for i in range(31)]
    assert time_left(heard, 1800.0) == pytest.approx(50 * 60.0, rel=0.1)


def test_batteries_of_known_age() -> None:
    """Two thousand batteries that fall evenly, in steps and with jitter: what is said is right
    to a quarter in nineteen of twenty, and never more than a half too long."""
    off, said = [], 0
    for seed in range(2000):
        dice = random.Random(seed)
        lasts = dice.uniform(25, 400) * 60.0
        every, step = dice.choice([5.0, 20.0, 60.0, 120.0]), dice.choice([0.1, 1.0, 1.0, 5.0])
        begin = dice.uniform(40, 100)
        now, heard = 0.0, []
        ends = dice.uniform(0.1, 0.8) * begin / 100 * lasts
        while now < ends:
            truth = begin - 100 * now / lasts
            value = math.floor(truth / step) * step
            if step == 1.0 and dice.random() < 0.1:
                value += 1
            heard.append((now, value))
            now += every * dice.uniform(0.9, 1.1)
        left = time_left(heard, heard[-1][0])
        if left is not None:
            said += 1
            off.append(left / (begin / 100 * lasts - heard[-1][0]))
    assert said > 700
    good = sum(0.75 <= ratio <= 1.25 for ratio in off)
    assert good / said > 0.95, (good, said)
    assert max(off) < 1.5


@given(
    heard=st.lists(st.tuples(st.floats(), st.floats()), max_size=40),
    now=st.floats(),
)
def test_nonsense_never_says_more_than_a_time(heard: list[tuple[float, float]], now: float) -> None:
    left = time_left(heard, now)
    assert left is None or (math.isfinite(left) and left >= 0.0)


@given(
    values=st.lists(st.floats(0, 100), min_size=3, max_size=60),
    every=st.floats(1, 1500),
)
def test_a_prediction_is_only_of_what_has_fallen(values: list[float], every: float) -> None:
    heard = [(every * i, value) for i, value in enumerate(values)]
    left = time_left(heard, heard[-1][0])
    if left is not None:
        assert max(values) - values[-1] >= 1.0
        assert every * len(values) >= 600.0


def test_said_as_a_person_says_it() -> None:
    assert about(52 * 60) == "about 50 min"
    assert about(19 * 60 + 59) == "about 19 min"
    assert about(299) == "less than 5 min"
    assert about(3 * 3600 - 1) == "about 2.5 h"
    assert age(41 * 60) == "41 min"
    assert age(3 * 86400) == "3 days"
    assert sentence("clip", "battery", 12.0, "", 3100.0, False) == (
        "clip at 12 %, about 50 min at this rate"
    )
    assert sentence("clip", "battery", 12.0, "heard 40 min ago", 3100.0, True) == (
        "clip at 12 %, heard 40 min ago: charge it"
    )


def flat(share: float) -> float:
    """Percent some gear makes of a nickel cell's volts, 1.0 V as 0 and 1.42 V as 100 %.

    Typical curve at a light load (common practice): it stands at 1.2 to 1.27 V from 80 to 20 %.
    """
    curve = (
        (0.0, 1.0),
        (0.05, 1.1),
        (0.1, 1.17),
        (0.2, 1.2),
        (0.5, 1.23),
        (0.8, 1.27),
        (1.0, 1.42),
    )
    for (a, x), (b, y) in itertools.pairwise(curve):
        if share <= b:
            return 100.0 * (x + (y - x) * (share - a) / (b - a) - 1.0) / 0.42
    return 100.0


def test_a_flat_part_promises_no_hours_that_no_battery_has() -> None:
    """Three hours in all, half of them over: 47 to 55 % fall by some points in 45 minutes."""
    heard = [(t, float(round(flat(1.0 - t / 10800.0)))) for t in range(0, 10800, 30)]
    said = {
        t: left
        for i, (t, _) in enumerate(heard)
        if 0.3 < t / 10800.0 < 0.7 and (left := time_left(heard[: i + 1], t)) is not None
    }
    assert not [t for t, left in said.items() if left > 3.0 * (10800.0 - t)]


def test_counted_charge_that_lasts_five_hours_is_said_from_early_on() -> None:
    heard = [(t, float(int(100.0 - t / 180.0))) for t in range(0, 18000, 30)]
    for t in (3600, 7200, 12000):
        left = time_left([sample for sample in heard if sample[0] <= t], t)
        assert left is not None and left == pytest.approx(18000.0 - t, rel=0.05)
