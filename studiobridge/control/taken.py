"""What is known of each take: put together from its notes, here and by whoever reads a record.

Times are of whoever gives the notes: the controller's clock, or the wall's of a record. Only
`seconds` and what counts in it are the same for both: the steady clock's, so a wall clock that
was put forward in the middle makes no take longer.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping
from dataclasses import dataclass, field, replace

from studiobridge.control.effects import TakeNote

# A take's end by the wall and its seconds agree this well (s), or the clock was put in between.
SAME_CLOCK = 2.0

# So many takes are known without the record, and as many good ones.
KEPT = 50


@dataclass(frozen=True, slots=True)
class Span:
    """A camera rolled from here to there (s from the beginning of its take); None: it does yet."""

    camera: str
    began: float
    began_by: str
    began_off: float | None
    why: str = ""
    ended: float | None = None
    ended_by: str = ""
    ended_off: float | None = 0.0
    ended_why: str = ""


@dataclass(frozen=True, slots=True)
class Happened:
    """Within a take: the light changed, or nobody knew for a while whether it rolled."""

    seconds: float
    what: str
    device: str
    by: str
    off: float | None
    text: str
    detail: Mapping[str, object]


@dataclass(frozen=True, slots=True)
class Taken:
    """One take. `by`, `off` and `why` are of its beginning and, with `ended_`, of its end."""

    number: int
    began: float
    by: str
    off: float | None
    why: str = ""
    # how the set stood (stood.py), with `session` and `look`
    stood: Mapping[str, object] = field(default_factory=dict)
    cameras: tuple[Span, ...] = ()
    happened: tuple[Happened, ...] = ()
    # how long it has been so far, or was, and when that was known
    seconds: float = 0.0
    seen: float = 0.0
    ended: float | None = None
    ended_by: str = ""
    ended_off: float | None = 0.0
    ended_why: str = ""
    # the picture of its end, and how far it was looked at (seen_in_take.py)
    ended_seen: Mapping[str, object] = field(default_factory=dict)
    # the first picture of it and its second, where it began with none
    first_seen: Mapping[str, object] = field(default_factory=dict)
    first_seen_s: float | None = None
    mark: str = ""
    note: str = ""
    marked_by: str = ""
    marked: float | None = None

    @property
    def look(self) -> str | None:
        look = self.stood.get("look")
        return look if isinstance(look, str) else None

    @property
    def session(self) -> int | None:
        session = self.stood.get("session")
        return session if isinstance(session, int) else None

    @property
    def picture(self) -> object:
        """What the picture said of it (seen_then.py): as it began, else the first with its second.

        None where nothing was written down, as by a bridge of before.
        """
        if self.first_seen_s is not None:
            return {**self.first_seen, "at_s": self.first_seen_s}
        return self.stood.get("seen")

    @property
    def changes(self) -> int:
        """So much happened in it; whether the picture was looked at is no change of it."""
        holes = (one.what == "seen" and one.detail.get("phase") != "moved" for one in self.happened)
        return len(self.happened) - sum(holes)

    @property
    def rolling(self) -> tuple[str, ...]:
        """The cameras that have not stopped, as far as its notes say."""
        return tuple(span.camera for span in self.cameras if span.ended is None)

    @property
    def clock_step(self) -> float:
        """By how much (s) the wall clock was put forward in it; by wall times alone."""
        step = 0.0 if self.ended is None else self.ended - self.began - self.seconds
        return step if abs(step) >= SAME_CLOCK else 0.0


def last_good(takes: Iterable[Taken], look: str | None, without: int | None = None) -> Taken | None:
    """The last that was marked good: in this look, else in any."""
    return LastGood(takes).of(look, without)


class LastGood:
    """The last good takes among many, for who asks for each of them: not all of them each time."""

    def __init__(self, takes: Iterable[Taken]) -> None:
        # the last two of each look: one of them may be the one that asks
        self._by_look: dict[str | None, list[Taken]] = {}
        self._any: list[Taken] = []
        for take in takes:
            if take.mark == "good":
                for last in (self._by_look.setdefault(take.look, []), self._any):
                    last.append(take)
                    last.sort(key=lambda one: -one.number)
                    del last[2:]

    def of(self, look: str | None, without: int | None = None) -> Taken | None:
        """The last good one in this look, else in any; never the one of the number `without`."""
        for last in (self._by_look.get(look, []), self._any):
            for take in last:
                if take.number != without:
                    return take
        return None


class Tally:
    """Notes in, takes out. Notes of a take whose beginning is not there say nothing."""

    def __init__(self, notes: Iterable[TakeNote] = ()) -> None:
        self.takes: dict[int, Taken] = {}
        # looks made of takes, by the name they were given
        self.matched: dict[str, Mapping[str, object]] = {}
        for note in notes:
            self.hear(note)

    @property
    def last(self) -> Taken | None:
        return self.takes[max(self.takes)] if self.takes else None

    @property
    def open(self) -> Taken | None:
        """The take that has not ended."""
        last = self.last
        return last if last is not None and last.ended is None else None

    def good(self, look: str | None, without: int | None = None) -> Taken | None:
        """The last that was marked good: in this look, else in any."""
        return last_good(self.takes.values(), look, without)

    def keep(self, most: int, happened: bool) -> None:
        """Forget all but so many of the latest, and as many good ones; what happened in them too.

        The last keeps all of its own.
        """
        good = [n for n in sorted(self.takes) if self.takes[n].mark == "good"][-most:]
        kept = {*sorted(self.takes)[-most:], *good}
        last = max(self.takes, default=0)
        for number in list(self.takes):
            if number not in kept:
                del self.takes[number]
            elif not happened and number != last:
                self.takes[number] = replace(self.takes[number], happened=())

    def hear(self, note: TakeNote) -> None:
        if note.phase == "matched":
            self.matched[note.text or ""] = note.detail
            return
        if note.phase == "begun":
            self.takes[note.take] = Taken(
                note.take,
                note.at,
                note.by,
                note.off,
                note.text or "",
                note.detail,
                seen=note.at,
            )
            return
        take = self.takes.get(note.take)
        if take is None:
            return
        if note.phase == "marked":
            self.takes[note.take] = replace(
                take,
                mark=take.mark if note.mark is None else note.mark,
                note=take.note if note.text is None else note.text,
                marked_by=note.by,
                marked=note.at,
            )
            return
        if note.phase not in ("changed", "seen"):  # which may have begun before it was known
            take = replace(take, seconds=note.seconds, seen=note.at)
        name = note.device or ""
        if note.phase == "rolls":
            text = note.text or ""
            span = Span(name, note.seconds, note.by, note.off, text)
            take = replace(take, cameras=(*take.cameras, span))
        elif note.phase == "stopped":
            take = replace(take, cameras=_stopped(take.cameras, note))
        elif note.phase in ("unsure", "changed"):
            what = "unsure" if note.phase == "unsure" else str(note.detail.get("what", ""))
            text = note.text or ""
            one = Happened(note.seconds, what, name, note.by, note.off, text, note.detail)
            take = replace(take, happened=(*take.happened, one))
        elif note.phase == "seen":
            found = note.detail.get("seen")
            if isinstance(found, Mapping):
                take = replace(take, first_seen=found, first_seen_s=note.seconds)
        elif note.phase == "ended":
            take = replace(
                take,
                ended=note.at,
                ended_by=note.by,
                ended_off=note.off,
                ended_why=note.text or "",
                ended_seen=_mapping(note.detail.get("seen")),
            )
        self.takes[note.take] = take


def _mapping(value: object) -> Mapping[str, object]:
    return value if isinstance(value, Mapping) else {}


def _stopped(cameras: Collection[Span], note: TakeNote) -> tuple[Span, ...]:
    return tuple(
        replace(
            span,
            ended=note.seconds,
            ended_by=note.by,
            ended_off=note.off,
            ended_why=note.text or "",
        )
        if span.camera == note.device and span.ended is None
        else span
        for span in cameras
    )
