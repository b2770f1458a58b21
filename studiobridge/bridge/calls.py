"""Call times: when to start so that the set is ready by then, and when it is too late to.

All in wall time with a time zone. A day on which the hour does not exist (clocks go forward)
is called at the first moment after it; one on which it comes twice (clocks go back), at the
first of the two.
"""

from __future__ import annotations

from datetime import UTC, datetime, timedelta, tzinfo

from studiobridge.profile.model import CallTime


def ready_at(call: CallTime, day: datetime, zone: tzinfo) -> datetime:
    """The moment (UTC) this call time means on this local day."""
    local = datetime(day.year, day.month, day.day, call.hour, call.minute, tzinfo=zone, fold=0)
    moment = local.astimezone(UTC)
    if moment.astimezone(zone).replace(tzinfo=None) != local.replace(tzinfo=None):
        # this hour is skipped today: fold=0 maps it to just as far after the gap began
        before = local.replace(fold=1).astimezone(UTC)
        # the earlier offset of the two lands before the gap, the later one after it
        first, last = min(before, moment), max(before, moment)
        moment = _first_after_gap(first, last, zone)
    return moment


def _first_after_gap(before: datetime, after: datetime, zone: tzinfo) -> datetime:
    """The first moment after a gap in local time, between two moments around it."""
    low, high = before, after
    offset = low.astimezone(zone).utcoffset()
    while high - low > timedelta(seconds=1):
        middle = low + (high - low) / 2
        if middle.astimezone(zone).utcoffset() == offset:
            low = middle
        else:
            high = middle
    return high.replace(microsecond=0)


def next_start(
    call: CallTime, now: datetime, zone: tzinfo, lead: float
) -> tuple[datetime, datetime]:
    """When to start next and by when to be ready (both UTC), strictly after `now`.

    `lead` in seconds: predicted time to ready plus warm-up. Raises ValueError without days.
    """
    if not call.days:
        raise ValueError("a call time needs a day")
    local = now.astimezone(zone)
    for ahead in range(-1, 9):
        day = local + timedelta(days=ahead)
        if day.weekday() not in call.days:
            continue
        ready = ready_at(call, day, zone)
        start = ready - timedelta(seconds=lead)
        if start > now:
            return start, ready
    raise AssertionError("a week has every day in it")


def too_late(call: CallTime, start: datetime, now: datetime) -> bool:
    """Has so much time passed since the start was due that it must not happen any more?"""
    return (now - start).total_seconds() > call.grace
