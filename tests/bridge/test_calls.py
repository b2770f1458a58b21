"""Call times through the year."""

from __future__ import annotations

import itertools
from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

from studiobridge.bridge.calls import next_start, ready_at, too_late
from studiobridge.profile.model import CallTime

LISBON = ZoneInfo("Europe/Lisbon")
NEW_YORK = ZoneInfo("America/New_York")
DAILY = frozenset(range(7))


def at(text: str, zone: ZoneInfo) -> datetime:
    return datetime.fromisoformat(text).replace(tzinfo=zone).astimezone(UTC)


def test_early_enough_by_the_time_it_takes() -> None:
    call = CallTime(9, 0, frozenset(range(5)))
    start, ready = next_start(call, at("2026-11-25T06:00", LISBON), LISBON, 614.0)
    assert ready == at("2026-11-25T09:00", LISBON)
    assert start == ready - timedelta(seconds=614)


def test_only_on_its_days() -> None:
    call = CallTime(9, 0, frozenset(range(5)))
    # Friday evening: the next is on Monday
    _, ready = next_start(call, at("2026-11-27T20:00", LISBON), LISBON, 60.0)
    assert ready == at("2026-11-30T09:00", LISBON)


def test_an_hour_that_is_skipped_is_called_when_it_would_have_begun() -> None:
    """Lisbon, 2026-03-29: 01:00 becomes 02:00 (tz database)."""
    call = CallTime(1, 30, DAILY)
    _, ready = next_start(call, at("2026-03-28T12:00", LISBON), LISBON, 0.0)
    assert ready == datetime(2026, 3, 29, 1, 0, tzinfo=UTC)


def test_an_hour_that_comes_twice_is_called_once() -> None:
    """New York, 2026-11-01: 02:00 becomes 01:00 (tz database)."""
    call = CallTime(1, 30, DAILY)
    start, ready = next_start(call, at("2026-10-31T12:00", NEW_YORK), NEW_YORK, 0.0)
    assert ready == datetime(2026, 11, 1, 5, 30, tzinfo=UTC)  # the first of the two
    _, after = next_start(call, start, NEW_YORK, 0.0)
    assert after.astimezone(NEW_YORK).date().isoformat() == "2026-11-02"


@given(
    st.integers(0, 23),
    st.integers(0, 59),
    st.datetimes(datetime(2026, 1, 1), datetime(2027, 12, 31)),
    st.floats(0, 7200),
    st.sampled_from([LISBON, NEW_YORK, ZoneInfo("Australia/Lord_Howe"), ZoneInfo("UTC")]),
)
def test_exactly_one_call_a_day_all_year(
    hour: int, minute: int, now: datetime, lead: float, zone: ZoneInfo
) -> None:
    call = CallTime(hour, minute, DAILY)
    moment = now.replace(tzinfo=UTC)
    days = []
    for _ in range(3):
        start, ready = next_start(call, moment, zone, lead)
        assert start > moment
        assert abs((ready - start).total_seconds() - lead) < 1e-3
        days.append(ready)
        moment = start
    assert days == sorted(set(days))
    for first, second in itertools.pairwise(days):
        assert timedelta(hours=22) < second - first < timedelta(hours=26)


def test_late_by_more_than_the_grace_is_too_late() -> None:
    call = CallTime(9, 0, DAILY, grace=120.0)
    start = datetime(2026, 11, 25, 8, 50, tzinfo=UTC)
    assert not too_late(call, start, start + timedelta(seconds=119))
    assert too_late(call, start, start + timedelta(seconds=121))


def test_a_call_without_days_cannot_be() -> None:
    with pytest.raises(ValueError):
        next_start(CallTime(9, 0, frozenset()), datetime.now(UTC), LISBON, 0.0)


def test_ready_at_is_in_local_time() -> None:
    day = datetime(2026, 7, 1, tzinfo=LISBON)
    assert ready_at(CallTime(9, 0, DAILY), day, LISBON) == datetime(2026, 7, 1, 8, 0, tzinfo=UTC)
