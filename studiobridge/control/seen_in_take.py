"""The picture while a take rolls: what it showed as it began, and what moved in it when.

- A frame is of the second it was taken in, however late it comes; one from before the take says
  nothing of what happened in it, and is the picture it began with at most, with its age.
- A take that began with none has the first that was taken in it, with its second.
- What surely differs by more than is allowed, in two looks in a row, has moved: from when the first
  of them was taken, and no earlier than the last that did not show it. It is held against that from
  then on, so a slow drift is noted too.
- Nobody looks any more, or what is seen cannot be used: said, with when the last was taken that
  could. That nothing was noted means no more than what was looked at: how often, from when to when,
  and the longest time without stand with the end.
- What a bridge before this one wrote down is what it goes on from.
"""

from __future__ import annotations

from collections.abc import Mapping

from studiobridge.control.changing import Changed
from studiobridge.control.desk import Desk
from studiobridge.control.events import Sighted
from studiobridge.control.evidence import NEVER
from studiobridge.control.seen_apart import Apart, allowed_of, compare
from studiobridge.control.seen_then import (
    LEFT,
    NOBODY,
    NOT_IN_IT,
    OLD,
    Looked,
    figure,
    of_look,
    of_now,
    read,
)
from studiobridge.control.sight import Sight
from studiobridge.control.standing import Standing
from studiobridge.control.taken import Taken

# So many notes of the picture are kept of one take: a sun behind clouds is no thousand lines.
MOST = 60
# So many looks in a row that cannot be used are a hole; one alone is somebody who walks past.
HOLE = 2


class SeenInTake:
    """Looked at after each event while a take rolls. Times are of the controller's clock."""

    def __init__(self, desk: Desk, standing: Standing, sight: Sight) -> None:
        self.standing = standing
        self.sight = sight
        self.allowed = allowed_of(desk.profile)
        # what it is held against, and when a look last agreed with it
        self._base: Looked | None = None
        self._agreed = NEVER
        self._read: Sighted | None = None
        # what the last look showed to have moved, and when that was taken
        self._moved: tuple[float, frozenset[tuple[str, str | None, str]]] | None = None
        self._lost = True
        self._unusable = 0
        self._count = 0
        # the looks of this take that counted: how many, the first, the last, the longest gap
        self._looks = 0
        self._first = self._last = NEVER
        self._gap = 0.0
        # when this bridge found the take under way; what was looked at before it is not counted
        self._resumed = NEVER

    # ---- it begins, it ends ----------------------------------------------------------------

    def begin(self, at: float) -> dict[str, object] | None:
        """A take begins: the picture as it is, or why there is none. None: there is no witness."""
        found = of_now(self.sight, self.standing, at)
        looked = read(found)
        last = self.sight.last
        known = isinstance(looked, Looked) and last is not None and last.taken is not None
        self._anew(
            looked if isinstance(looked, Looked) else None,
            last.taken if known and last is not None and last.taken is not None else NEVER,
        )
        self._read = last
        return found

    def resume(self, take: Taken, began: float, now: float) -> None:
        """A bridge before this one was in it."""
        value = take.picture
        second = figure(value.get("at_s")) if isinstance(value, Mapping) else None
        age = figure(value.get("age_s")) if isinstance(value, Mapping) else None
        when = second if second is not None else -(age or 0.0)
        for one in take.happened:
            found = one.detail.get("seen") if one.what == "seen" else None
            if isinstance(read(found), Looked):
                value, when = found, one.seconds
        looked = read(value)
        self._anew(looked if isinstance(looked, Looked) else None, began + when)
        self._count = sum(one.what == "seen" for one in take.happened)
        self._resumed = now

    def end(self, at: float, began: float) -> dict[str, object]:
        """It ends: what was looked at, and the picture of its end, if there is one."""
        if not self.sight.looks:
            return {}
        last = self.sight.last
        found: dict[str, object] = {"why": NOT_IN_IT}
        if self._looks:
            found = of_now(self.sight, self.standing, at) or found
            if "why" not in found and (last is None or last.taken is None or last.taken < began):
                found = {"why": OLD}
        return {
            "seen": {
                **found,
                "looks": self._looks,
                "anew": self._resumed != NEVER,
                "from_s": _tenth(self._first - began) if self._looks else None,
                "to_s": _tenth(self._last - began) if self._looks else None,
                "gap_s": _tenth(max(self._gap, at - self._last)) if self._looks else None,
            }
        }

    def _anew(self, base: Looked | None, agreed: float) -> None:
        self._base, self._agreed = base, agreed
        self._moved, self._lost = None, base is None
        self._unusable = self._count = self._looks = 0
        self._first = self._last = NEVER
        self._gap = 0.0
        self._read, self._resumed = None, NEVER

    # ---- within it -------------------------------------------------------------------------

    def look(self, at: float, began: float) -> list[Changed]:
        """What the picture says has changed, with when that was."""
        if not self.sight.looks or self._count >= MOST:
            return []
        found: list[Changed] = []
        event = self.sight.last
        if event is not None and event is not self._read:
            self._read = event
            found += self._frame(event, at, began)
        if not self._lost:
            found += self._silent(at, began)
        self._count += len(found)
        return found

    def _frame(self, event: Sighted, at: float, began: float) -> list[Changed]:
        if event.taken is None or event.taken < began:
            return []  # of before, or of nobody knows when
        seen = of_look(event, self.sight, self.standing, at)
        looked = read(seen)
        if not isinstance(looked, Looked):
            self._moved = None
            self._unusable += 1
            if self._lost or self._unusable < HOLE:
                return []
            return [self._hole(began, looked)]
        self._unusable = 0
        self._counted(event.taken, began)
        found: list[Changed] = []
        if self._base is None:
            self._base, self._agreed, self._lost = looked, event.taken, False
            return [_changed(event.taken, "first", seen, 0.0)]
        if self._lost:
            self._lost = False
            found.append(Changed(event.taken, "", "seen", "picture", "", {"phase": "back"}))
        return found + self._against(looked, seen, event.taken)

    def _against(self, looked: Looked, seen: Mapping[str, object], taken: float) -> list[Changed]:
        base = self._base
        assert base is not None
        if looked.kept != base.kept:
            # held against another picture from here on: nothing that moved can be told from that
            self._base, self._agreed, self._moved = looked, taken, None
            return []
        moved = {_key(one): one for one in compare(base, looked, self.allowed).differs if one.past}
        if not moved:
            self._agreed, self._moved = taken, None
            return []
        before = self._moved
        self._moved = (taken, frozenset(moved))
        both = before[1] & moved.keys() if before is not None else frozenset()
        if before is None or not both:
            return []
        since, off = before[0], max(0.0, before[0] - self._agreed)
        self._base, self._agreed, self._moved = looked, taken, None
        differs = [one.shown() for key, one in moved.items() if key in both]
        return [_changed(since, "moved", seen, off, differs)]

    def _silent(self, at: float, began: float) -> list[Changed]:
        heard = self.sight.heard
        last = max(self._last, self._agreed, self._resumed)
        if heard is not None and not heard.alive:
            return [self._hole(began, LEFT)]
        if at > last + self.sight.holds:
            return [self._hole(began, OLD if self.sight.last is not None else NOBODY)]
        return []

    def _hole(self, began: float, why: str) -> Changed:
        self._lost = True
        since = max(began, self._last, self._resumed)
        return Changed(since, "", "seen", "", why, {"phase": "lost"})

    def _counted(self, taken: float, began: float) -> None:
        self._gap = max(self._gap, taken - max(self._last, began))
        self._first = self._first if self._looks else taken
        self._last = max(self._last, taken)
        self._looks += 1


def _key(one: Apart) -> tuple[str, str | None, str]:
    return one.what, one.device, one.way


def _changed(
    at: float,
    phase: str,
    seen: Mapping[str, object],
    off: float,
    differs: list[dict[str, object]] | None = None,
) -> Changed:
    detail: dict[str, object] = {"phase": phase, "seen": seen}
    if differs is not None:
        detail["differs"] = differs
    return Changed(at, "", "seen", "picture", "", detail, off)


def _tenth(value: float) -> float:
    return round(max(0.0, value), 1)
