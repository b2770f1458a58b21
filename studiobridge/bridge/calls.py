"""Call times: when to start so that the set is ready by then, and when it is too late to.

Nothing here keeps a timer: whoever has the clock looks once a second, and what came due since the
last look is found anew each time. So a clock that steps, a machine that sleeps and a zone whose
clocks change all come to the same: an hour that was passed over is said, never lost in silence.

All in wall time with a time zone. A day on which the hour does not exist (clocks go forward)
is called at the first moment after it; one on which it comes twice (clocks go back), at the
first of the two.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta, tzinfo

from studiobridge.bridge.clock import spoken
from studiobridge.profile.model import CallTime

# A call is not made again within this time (s, by a steady clock) because the clock was put back
# over its hour. Put back by more, the hour that was called was not the hour that was meant.
NOT_AGAIN_WITHIN = 3600.0
# Of what a clock passed over no more than the last of this is looked at: a clock that was years
# behind passed over days that never were.
LOOK_BACK = timedelta(days=1)


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


@dataclass(frozen=True, slots=True)
class Due:
    """A call time that has come. `why_not` says why it must not happen; empty: now it must."""

    call: CallTime
    start: datetime
    ready: datetime
    why_not: str = ""


class CallTimes:
    """The call times of one set, looked at once a second.

    `zone` is asked at each look; `lead` (s) when a call is looked forward to. `now` is where the
    first look begins, in UTC: what came due before the bridge started is not made up for.
    """

    def __init__(
        self,
        calls: Sequence[CallTime],
        zone: Callable[[], tzinfo],
        lead: Callable[[CallTime], float],
        now: datetime,
    ) -> None:
        self._calls = calls
        self._zone = zone
        self._lead = lead
        self._leads = [lead(call) for call in calls]
        self._looked = now
        # when each call was made last, by the steady clock
        self._made: dict[int, float] = {}

    def look(self, now: datetime, steady: float) -> list[Due]:
        """What came due since the last look, in order; each once."""
        since, self._looked = max(self._looked, now - LOOK_BACK), now
        found: list[Due] = []
        zone = self._zone()
        for i, call in enumerate(self._calls):
            moment = since
            while True:
                start, ready = next_start(call, moment, zone, self._leads[i])
                if start > now:
                    break
                found.append(Due(call, start, ready, self._why_not(i, call, start, now, steady)))
                moment = start
            if moment != since:
                self._leads[i] = self._lead(call)
        return sorted(found, key=lambda due: due.start)

    def _why_not(
        self, i: int, call: CallTime, start: datetime, now: datetime, steady: float
    ) -> str:
        if too_late(call, start, now):
            late = spoken((now - start).total_seconds())
            return f"it came {late} late (the clock jumped, or this machine slept)"
        made = self._made.get(i)
        if made is not None and steady - made < NOT_AGAIN_WITHIN:
            return f"it was made {spoken(steady - made)} ago, before the clock was put back"
        self._made[i] = steady
        return ""
