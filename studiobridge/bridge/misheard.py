"""What was said and could not be read, device by device; and why nothing answered, with topics.

Anybody may publish anything, as fast as they like: one entry is kept of a device, and what is
*shown* of it changes seldom, so that a flood of nonsense makes no flood of announcements. The
entry without a device is of requests, and of what nobody knows whose it is.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, replace

from studiobridge.control.desk import Attempt, Tried
from studiobridge.profile.plain import plain
from studiobridge.profile.said import Unreadable
from studiobridge.speech import Speech
from studiobridge.speech.encode import shown
from studiobridge.speech.message import Message

# How often (s) what is shown of a device changes at most: nobody reads a count faster.
SAID_EVERY = 5.0
# No topic and no reason is longer than this (characters), whoever wrote it.
LONGEST = 200
# How many topics a sentence names.
MOST_TOPICS = 3
# A retry is often: from four on it is a number.
TIMES = {1: "once", 2: "twice", 3: "three times"}


def short(text: str) -> str:
    """Text from outside, cut, without control and direction characters."""
    kept = plain(text[:LONGEST])
    return kept if len(text) <= LONGEST else kept[: LONGEST - 1] + "…"


@dataclass(frozen=True, slots=True)
class Heard:
    """The last that could not be read, and how many there were."""

    topic: str
    why: str
    at: float
    count: int


@dataclass(frozen=True, slots=True)
class Entry:
    """What is wrong with what a device says; `lacks` has what it never says, though it speaks."""

    unreadable: Heard | None = None
    lacks: tuple[str, ...] = ()


NOTHING = Entry()


class Misheard:
    """One entry a device. What `shown` gives of it may be announced now."""

    def __init__(self) -> None:
        self._last: dict[str | None, Entry] = {}
        self._shown: dict[str | None, Entry] = {}
        self._shown_at: dict[str | None, float] = {}
        # entries that are newer than what is shown, until their time comes
        self._later: set[str | None] = set()

    def shown(self, name: str | None) -> Entry:
        return self._shown.get(name, NOTHING)

    def unreadable(self, event: Unreadable) -> bool:
        """One more. True when what is shown has changed."""
        entry = self._last.get(event.device, NOTHING)
        count = 1 if entry.unreadable is None else entry.unreadable.count + 1
        heard = Heard(short(event.topic), short(event.why), event.at, count)
        return self._news(event.device, replace(entry, unreadable=heard), event.at)

    def lacks(self, name: str, lacks: Iterable[str], at: float) -> bool:
        """All that is lacking of it now. True when what is shown has changed."""
        said = tuple(short(text) for text in lacks)
        return self._news(name, replace(self._last.get(name, NOTHING), lacks=said), at)

    def _news(self, name: str | None, entry: Entry, at: float) -> bool:
        self._last[name] = entry
        shown_at = self._shown_at.get(name, float("-inf"))
        if shown_at < at < shown_at + SAID_EVERY:  # what one message said is shown together
            self._later.add(name)
            return False
        self._show(name, at)
        return True

    def _show(self, name: str | None, at: float) -> None:
        self._shown[name] = self._last[name]
        self._shown_at[name] = at
        self._later.discard(name)

    def next_due(self) -> float | None:
        return min((self._shown_at[n] + SAID_EVERY for n in self._later), default=None)

    def due(self, at: float) -> set[str | None]:
        """Show what may be shown now; of whom."""
        names = {n for n in self._later if self._shown_at[n] + SAID_EVERY <= at + 1e-6}
        for name in names:
            self._show(name, at)
        return names

    def since(self, device: str, at: float) -> Heard | None:
        """What could not be read of it last, if that was after this time."""
        last = self._last.get(device, NOTHING).unreadable
        return last if last is not None and last.at >= at else None


# ---- why nothing answered -----------------------------------------------------------------------


def tried(speech: Speech, misheard: Misheard, told: Sequence[Message], attempt: Attempt) -> Tried:
    """What was told where, and where nothing was heard. `told`: what left last in this attempt."""
    name = attempt.device
    parts: list[str] = []
    if told:
        said = [f"`{short(m.topic)}` {shown(m.payload)[1:-1]}" for m in told[:MOST_TOPICS]]
        times = TIMES.get(attempt.times, f"{attempt.times} times")
        parts.append(f"told {' and '.join(said)} {times}")
    elif asked := speech.ask(name):
        parts.append(f"asked on `{short(asked[0].topic)}`")
    lacks = [why for p in attempt.points if (why := speech.lacking.why(name, p)) is not None]
    unread = misheard.since(name, attempt.since)
    if lacks:
        parts.append(lacks[0])
    elif unread is not None:
        why = f"what it says on `{unread.topic}` cannot be read: {unread.why}"
        parts.append(f"and {why}" if parts else why)
    else:
        parts.extend(_not_heard(name, attempt, speech.heard_on))
    return Tried(", ".join(parts), bool(lacks) or unread is not None)


def _not_heard(
    name: str, attempt: Attempt, heard_on: Callable[..., tuple[str, str | None] | None]
) -> list[str]:
    places = dict.fromkeys(
        place for point in attempt.points if (place := heard_on(name, point)) is not None
    )
    topics: dict[str, list[str]] = {}
    for topic, field in places:
        topics.setdefault(topic, []).extend([field] if field is not None else [])
    said = []
    for topic, fields in list(topics.items())[:MOST_TOPICS]:
        what = "nothing"
        if fields:
            what = "no " + " or ".join(f"`{short(field)}`" for field in fields[:MOST_TOPICS])
        said.append((what, f"`{short(topic)}`"))
    if not said:
        return []
    if all(what == "nothing" for what, _ in said):
        more = "" if len(topics) <= MOST_TOPICS else " and others"
        return [f"heard nothing on {', '.join(topic for _, topic in said)}{more}"]
    return ["heard " + ", ".join(f"{what} on {topic}" for what, topic in said)]
