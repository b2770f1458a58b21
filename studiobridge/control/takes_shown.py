"""What is shown of takes: in short, and how the set stands now against the last good one."""

from __future__ import annotations

from collections.abc import Callable, Mapping

from studiobridge.control.events import Sighted
from studiobridge.control.evidence import NEVER
from studiobridge.control.holding import Holding
from studiobridge.control.looks import Looks
from studiobridge.control.seen_apart import allowed_of, between
from studiobridge.control.seen_then import of_now
from studiobridge.control.standing import Standing
from studiobridge.control.stood import differences, lights_of, picture_between
from studiobridge.control.taken import Taken

# What differs is worked out anew when something was heard, and else after so long (s): what is
# still being set has come to rest by then.
WORKED_HOLDS = 5.0
# So many differences are shown at most; the rest is counted.
MOST_SHOWN = 8


class Against:
    """How the set stands now, against how it stood in the last good take."""

    def __init__(self, looks: Looks, standing: Standing, holding: Holding) -> None:
        self.looks = looks
        self.profile = looks.desk.profile
        self.standing = standing
        self.holding = holding
        self.allowed = allowed_of(self.profile)
        # of which take it was worked out, when, and has anything changed since
        self.stale = True
        self._for: int | None = None
        self._at = NEVER
        self._differs: tuple[list[dict[str, object]], dict[str, object] | None] = ([], None)
        # of which take and look the picture was compared, why there was none, and what it came to
        self._seen_for: tuple[int, Sighted | None, object] | None = None
        self._seen: dict[str, object] = {}

    def shown(self, good: Taken | None, at: float) -> dict[str, object]:
        """`good`: the last good take, if there was one."""
        if good is not None and not isinstance(good.stood.get("lights"), Mapping):
            good = None
        differs, picture = ([], None) if good is None else self._lights(good, at)
        return {
            "good": None if good is None else {"take": good.number, "look": good.look},
            "differs": differs[:MOST_SHOWN],
            "differs_more": max(0, len(differs) - MOST_SHOWN),
            "picture": picture,
            "seen": None if good is None else self._picture(good, at),
        }

    def _lights(
        self, good: Taken, at: float
    ) -> tuple[list[dict[str, object]], dict[str, object] | None]:
        if self.stale or at - self._at >= WORKED_HOLDS or self._for != good.number:
            self.stale, self._for, self._at = False, good.number, at
            now, then = lights_of(self.looks, at), good.stood["lights"]
            face = self.holding.watcher.picture.face
            assert isinstance(then, Mapping)
            self._differs = (
                differences(self.profile, then, now),
                picture_between(face, then, now),
            )
        return self._differs

    def _picture(self, good: Taken, at: float) -> dict[str, object] | None:
        """The picture of now against that of the take; None where no witness ever looks."""
        now = of_now(self.holding.sight, self.standing, at)
        if now is None:
            return None
        key = (good.number, self.holding.sight.last, now.get("why"))
        if self._seen_for != key:
            found = between(good.picture, now, self.allowed)
            for part in ("differs", "unknown"):
                one = found[part]
                assert isinstance(one, list)
                found[part] = one[:MOST_SHOWN]
            self._seen_for, self._seen = key, found
        if "why" in now:
            return self._seen
        short = self._seen["now"]
        assert isinstance(short, dict)
        return {**self._seen, "now": {**short, "age_s": now["age_s"]}}


def ended(takes: Mapping[int, Taken], iso: Callable[[float], str]) -> dict[str, object]:
    """The last take that has ended, as `last`."""
    numbers = [n for n in sorted(takes) if takes[n].ended is not None]
    last = takes[numbers[-1]] if numbers else None
    if last is None or last.ended is None:
        return {"last": None}
    return {
        "last": {
            **short(last),
            # by the clock as it is now, both: its length is that of the steady clock
            "began": iso(last.ended - last.seconds),
            "ended": iso(last.ended),
            "seconds": round(last.seconds, 1),
            "ended_by": last.ended_by,
            "ended_off_s": _tenth(last.ended_off),
            "why": last.ended_why if last.ended_by == "inferred" else "",
        }
    }


def short(take: Taken) -> dict[str, object]:
    return {
        "take": take.number,
        "look": take.look,
        "by": take.by,
        "off_s": _tenth(take.off),
        "changes": take.changes,
        "mark": take.mark,
        "note": take.note,
        "marked_by": take.marked_by,
    }


def _tenth(value: float | None) -> float | None:
    return None if value is None else round(value, 1)
