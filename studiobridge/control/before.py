"""What has to be true before it rolls, and what is ticked when all is over.

The rules:

- It stops nobody. It is said, on every view, and if it rolls while not good that is noted with
  what was not so.
- `good` is true only while the set is up, the link stands, the gear was heard from, and every line
  is true by evidence of now (items.py). One that is not, and it is not good; else one that nobody
  knows, and nobody knows. The line says the first of these, in the order of the profile.
- A tick is a person's word: who and when stand beside it, the latest of two. It ends with its
  session; one for a take ends when a camera stops. It outlasts the bridge by the record, never the
  session. A line that is measured is not ticked: a word does not make it so.
- What is ticked afterwards holds until the set comes up again.
- It is looked at anew at every event, but no more often than LOOK_EVERY, and when time alone may
  change a line. What is shown is judged at that moment, whenever that is.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace

from studiobridge.control.desk import Desk
from studiobridge.control.effects import Announce, BeforeNote, Memory, Tick, TickNote, TickPhase
from studiobridge.control.events import Request, Room
from studiobridge.control.holding import Holding
from studiobridge.control.items import Judge, Verdict
from studiobridge.control.standing import Answers, Standing
from studiobridge.control.timing import Timing
from studiobridge.profile.items import item_id
from studiobridge.profile.model import Item

# It is judged anew at most so often (s): often enough for an eye, and a set of many devices, which
# reports all the time, is not held up by it.
LOOK_EVERY = 0.2
# Of a set with many lights less often: so many are judged a second (some 0.05 ms each).
LIGHTS_A_SECOND = 500.0
GOOD = "good to roll"
NOT_TICKED = "nobody has ticked it"
_FIGURES = re.compile(r"[\d.,]+")


@dataclass(frozen=True, slots=True)
class Line:
    """One line as it stands: what it asks, how it is, and since when as far as that was seen."""

    item: Item
    verdict: Verdict
    since: float
    tick: Tick | None = None


def _reason(verdict: Verdict) -> tuple[bool | None, str]:
    """What has to stay the same for it to stand since then: figures in it may change."""
    return verdict.state, "" if verdict.state else _FIGURES.sub("", verdict.evidence)


@dataclass(frozen=True, slots=True)
class Standings:
    """All lines of one moment: `good` and the line that says so."""

    good: bool | None
    line: str
    lines: tuple[Line, ...]

    @property
    def missing(self) -> list[Line]:
        return [line for line in self.lines if line.verdict.state is not True]


class Before:
    """What has to be true before it rolls, and what is looked at when all is over."""

    def __init__(
        self,
        desk: Desk,
        standing: Standing,
        answers: Answers,
        holding: Holding,
        memory: Memory,
        now: float,
    ) -> None:
        self.desk = desk
        self.standing = standing
        self.answers = answers
        profile = desk.profile
        self.timing = Timing(desk, standing, memory, now)
        self.judge = Judge(desk, standing, holding, self.timing)
        self.items: Mapping[str, Item] = {item.id: item for item in profile.before}
        self.afterwards: Mapping[str, Item] = {item.id: item for item in profile.after}
        # the session whose ticks these are: the open one, or the last
        self.of = memory.session if memory.session is not None else memory.last_session
        self._kwh = memory.last_kwh
        # a profile may have lost a line since
        self.ticks: dict[str, Tick] = {
            tick.item: replace(tick, at=min(tick.at, now))
            for tick in memory.ticks
            if tick.item in self.items or tick.item in self.afterwards
        }
        if memory.session is None:
            self.ticks = {k: t for k, t in self.ticks.items() if k in self.afterwards}
        self._since: dict[str, tuple[tuple[bool | None, str], float]] = {}
        self._shown: object = None
        self._looked = float("-inf")
        self._due: float | None = None
        self._every = max(LOOK_EVERY, len(profile.devices) / LIGHTS_A_SECOND)
        # as it was found at the end of the event before, and when: nothing has happened since
        self._found: tuple[float, Standings] | None = None

    # ---- what happens ----------------------------------------------------------------------

    def room(self, event: Room) -> None:
        """What the bridge found on the disk it records on."""
        self.judge.room = event

    def look(self, at: float) -> None:
        """At the end of every event: takes and sessions end ticks; what is shown follows."""
        self._found = None
        begun, ended, opened = self.timing.look(at)
        if opened:
            self.of, self._kwh = self.standing.session.number, None
            self.ticks.clear()
        elif self.ticks and self.items and not self.standing.session.open:
            self.ticks = {k: t for k, t in self.ticks.items() if k in self.afterwards}
        if begun and self.items:
            self._note_rolling(begun, at)
        if ended:
            self._end_take(at)
        if begun or ended or opened:
            self._looked = float("-inf")
        if not self.items and self.desk.profile.timer.break_every is None:
            return
        if at - self._looked < self._every:
            soon = self._looked + self._every
            if self._due is None or self._due > soon:
                self._wake(soon)
            return
        self._looked = at
        found = self.standings(at)
        self._found = (at, found)
        self._since = {line.item.id: (_reason(line.verdict), line.since) for line in found.lines}
        shown = (
            found.good,
            found.line,
            [(line.verdict.state, line.verdict.evidence) for line in found.lines],
            self.timing.warm_at,
            self.timing.break_since,
        )
        if shown != self._shown:
            self._shown = shown
            self.desk.emit(Announce(state=True))
        dues = [line.verdict.until for line in found.lines]
        dues.append(self.timing.next_look())
        coming = [due for due in dues if due is not None and due > at]
        self._wake(min(coming, default=None))

    def _wake(self, due: float | None) -> None:
        if due != self._due:
            self._due = due
            self.desk.wake("before", due)

    def due(self) -> None:
        self._due = None
        self._looked = float("-inf")

    def _note_rolling(self, cameras: Sequence[str], at: float) -> None:
        found = self.standings(at)
        if found.good:
            return
        what = [line.item.text for line in found.missing]
        head = self.judge.why_unknown() or self.judge.why_not_up()
        what = ([head] if head is not None else []) + what
        for name in cameras:
            self.desk.emit(BeforeNote(at, name, tuple(what)))

    def _end_take(self, at: float) -> None:
        for name in list(self.ticks):
            if name in self.items and self.items[name].lasts == "take":
                del self.ticks[name]
                self._note(at, name, "over", "", "the take has ended")

    # ---- what is asked -----------------------------------------------------------------------

    def tick(self, request: Request, on: bool, at: float) -> None:
        known = {**self.items, **self.afterwards}
        names = list(dict.fromkeys(item_id(text) for text in request.items))
        can = [item.id for item in known.values() if item.kind == "tick"]
        listed = f"these are: {', '.join(can)}" if can else "this profile has none"
        if not names:
            self.answers.refuse(request, 2, f"it is not said which line is ticked; {listed}")
            return
        for text, name in zip(request.items, map(item_id, request.items), strict=True):
            if name not in known:
                self.answers.refuse(request, 2, f"no line {text!r} is ticked; {listed}")
                return
            if known[name].kind != "tick":
                text = f"{known[name].text!r} is measured: nobody's word makes it so; {listed}"
                self.answers.refuse(request, 2, text)
                return
        early = [name for name in names if name in self.items]
        if early and not self.standing.session.open:
            text = "no session is open: what holds for one is ticked when the set is up"
            self.answers.refuse(request, 1, text)
            return
        if self.of is None:
            text = "there was no session yet: nothing is over that could be looked after"
            self.answers.refuse(request, 1, text)
            return
        by = request.by.strip() or request.source or "somebody"
        for name in names:
            if on:
                self.ticks[name] = Tick(name, by, at)
                self._note(at, name, "on", by, "")
            elif self.ticks.pop(name, None) is not None:
                self._note(at, name, "off", by, "")
        self._looked = float("-inf")
        self.desk.emit(Announce(state=True))
        said = "; ".join(known[name].text for name in names)
        detail: dict[str, object] = {"items": names}
        if self.items:
            found = self.standings(at)
            detail |= {"good": found.good, "line": found.line}
        self.answers.done(request, f"{'ticked' if on else 'no longer ticked'}: {said}", detail)

    def _note(self, at: float, item: str, phase: TickPhase, by: str, text: str) -> None:
        self.desk.emit(TickNote(at, self.of, item, phase, by, text))

    # ---- how it stands -----------------------------------------------------------------------

    def _line(self, item: Item, at: float) -> Line:
        tick = None
        if item.kind == "tick":
            tick = self.ticks.get(item.id)
            by = NOT_TICKED if tick is None else f"ticked by {tick.by}"
            verdict = Verdict(tick is not None, by)
        else:
            verdict = self.judge.measured(item, at)
        reason, since = self._since.get(item.id, (_reason(verdict), at))
        if tick is not None:
            since = tick.at
        elif reason != _reason(verdict):
            since = at
        return Line(item, verdict, since, tick)

    def standings(self, at: float) -> Standings:
        """Every line as it is at this moment."""
        self.judge.anew()
        lines = tuple(self._line(item, at) for item in self.items.values())
        unknown, not_up = self.judge.why_unknown(), self.judge.why_not_up()
        if unknown is not None:
            return Standings(None, f"not known: {unknown}", lines)
        if not_up is not None:
            return Standings(False, f"not yet: {not_up}", lines)
        for state, word in ((False, "not yet"), (None, "not known")):
            for line in lines:
                if line.verdict.state is state:
                    text = f"{word}: {line.item.text} ({line.verdict.evidence})"
                    return Standings(state, text, lines)
        return Standings(True, GOOD, lines)

    def line(self, at: float) -> str | None:
        """The one line; None where the profile asks for nothing."""
        return self.standings(at).line if self.items else None

    def view(self, at: float, iso: Callable[[float], str]) -> dict[str, object] | None:
        """The key `before` of the state; None where the profile asks for nothing."""
        if not self.items:
            return None
        kept = self._found
        found = kept[1] if kept is not None and kept[0] == at else self.standings(at)
        return {
            "good": found.good,
            "line": found.line,
            "items": [_shown(line, iso) for line in found.lines],
        }

    def after_view(self, iso: Callable[[float], str]) -> dict[str, object]:
        """The key `after`: of the session that is open, or was last; the rest is in the state."""
        timing, kwh = self.timing, self.standing.session.kwh
        kwh = self._kwh if kwh is None else kwh
        return {
            "session": self.of,
            "closed": None if timing.closed is None else iso(timing.closed),
            "kwh": None if kwh is None else round(kwh, 4),
            "rolled": sorted(timing.rolled),
            "items": [_shown(self._line(item, 0.0), iso) for item in self.afterwards.values()],
        }

    def timer_view(
        self, iso: Callable[[float], str], take_since: float | None
    ) -> dict[str, object]:
        """The key `timer`: moments, for a page to count to or from. `take_since`: of takes.py."""
        timing = self.timing

        def moment(at: float | None) -> str | None:
            return None if at is None else iso(at)

        return {
            "warm_at": moment(timing.warm_at),
            "ready_since": moment(timing.ready_since),
            "take_since": moment(take_since),
            "session_since": moment(timing.opened if self.standing.session.open else None),
            "break_since": moment(timing.break_since),
        }


def _shown(line: Line, iso: Callable[[float], str]) -> dict[str, object]:
    item, tick = line.item, line.tick
    shown: dict[str, object] = {
        "item": item.id,
        "text": item.text,
        "kind": item.kind,
        "device": item.device or None,
        "state": line.verdict.state,
        "evidence": line.verdict.evidence,
        "since": iso(line.since) if item.kind != "tick" or tick is not None else None,
        "by": None if tick is None else tick.by,
        "lasts": item.lasts if item.kind == "tick" else None,
    }
    return shown
