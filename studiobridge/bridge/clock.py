"""Wall time for a bridge whose own time only ever goes forward.

The controller, its timers and every event live on a steady clock. Wall time is wanted at the
edges: in the record, in what is shown, for requests that run out, for call times. It is read
when it is needed, because the machine's clock may step at any time: a small computer without a
clock chip starts with an old time and is put right when the network answers.
"""

from __future__ import annotations

import time
from collections.abc import Callable
from datetime import UTC, datetime, timedelta, tzinfo

# A clock that is put right gently moves less than this (s) between two looks; what is more is a
# step, or this machine slept.
STEP = 2.0
# Smaller differences (s) than this are not taken over: what is shown of one moment stays the same.
STEADY_WITHIN = 0.05


class Clock:
    """Turns the steady clock into seconds since the epoch, as the machine's clock is now."""

    def __init__(
        self, steady: Callable[[], float], system: Callable[[], float] = time.time
    ) -> None:
        self.steady = steady
        self._system = system
        self._offset = system() - steady()
        self._looked = self._offset

    def wall(self, at: float) -> float:
        """A time of the steady clock as seconds since the epoch."""
        offset = self._system() - self.steady()
        if abs(offset - self._offset) > STEADY_WITHIN:
            self._offset = offset
        return at + self._offset

    def now(self) -> datetime:
        """This moment, in UTC."""
        return datetime.fromtimestamp(self.wall(self.steady()), UTC)

    def stepped(self) -> float | None:
        """By how much (s) the machine's clock was put forward since the last look, if it was."""
        self.wall(self.steady())
        by, self._looked = self._offset - self._looked, self._offset
        return by if abs(by) >= STEP else None


def spoken(seconds: float) -> str:
    """A length of time as a person says it: `8 h 0 min`, `3 d 4 h`, `12 s`."""
    left = round(abs(seconds))
    parts: list[str] = []
    for unit, size in (("d", 86400), ("h", 3600), ("min", 60), ("s", 1)):
        count, left = divmod(left, size)
        if count or parts:
            parts.append(f"{count} {unit}")
    return " ".join(parts[:2]) or "0 s"


class SystemZone(tzinfo):
    """The zone of this machine, by its own rules: also after its clocks are changed twice a year.

    `datetime.astimezone()` gives the offset of one moment and keeps it for ever after.
    """

    def utcoffset(self, moment: datetime | None) -> timedelta | None:
        if moment is None:
            return None
        return moment.replace(tzinfo=None).astimezone().utcoffset()

    def dst(self, moment: datetime | None) -> timedelta | None:
        return None

    def tzname(self, moment: datetime | None) -> str | None:
        return None if moment is None else moment.replace(tzinfo=None).astimezone().tzname()

    def fromutc(self, moment: datetime) -> datetime:
        local = moment.replace(tzinfo=UTC).astimezone()
        return local.replace(tzinfo=self)
