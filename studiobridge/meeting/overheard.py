"""What was heard, topic by topic, in a memory that stays bounded whatever comes.

Of each value: how often, kept or live, its words or its ends, when it changed, how far it jumps
by itself. After a press, what changed at once is noted apart from what changes anyway.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import Literal

from studiobridge.meeting.parts import Parts, Place, figure_of, parts_of
from studiobridge.meeting.vocabulary import IDS, IN_TEXTS
from studiobridge.profile.model import Point, Scalar
from studiobridge.profile.shape import LONGEST_TOPIC
from studiobridge.profile.template import Route
from studiobridge.speech.message import Message

# What a person does to the gear, or this program after a person's yes.
Deed = Literal["press", "on", "off", "full", "dark", "warm", "cold"]

# A set has tens of devices; a broker shared with a whole house some thousand topics.
MOST_TOPICS = 4000
# Values remembered in all, and on one topic with everything that shares it. About 1 kB each.
MOST_SPOTS = 16_000
MOST_SPOTS_A_TOPIC = 240
# Different words of one value that are told apart, and changes remembered of each.
MOST_WORDS = 12
MOST_TURNS = 24
# Devices on one topic that are told apart by one field, and fields tried for that.
MOST_SHARERS = 32
MOST_SIGNS = 3
MOST_CHANGES = 2000
MOST_PRESSES = 100
MOST_TOUCHED = 200
# How much of a payload is kept to be shown.
SHOWN_BYTES = 160
# What follows a press at once (s); what goes on moving by then is followed as long as it moves
# with no longer pause than the next, and no longer than the last: a fade, a lamp that warms up.
AT_ONCE = 2.0
PAUSE = 1.5
LONGEST_MOVE = 12.0
# For so long (s) after a press a jump may still come of it, and says nothing of what is usual.
UNUSUAL = 15.0
# Before anything is known of how often a value changes by itself: as if it had changed this often
# in so many seconds. Somebody who presses at once gets an answer, and an uncertain one.
EARLIER, IN_SECONDS = 0.3, 3.0
# A number that jumps so many times further than it ever did by itself did not do it by itself.
FAR = 4.0


@dataclass(frozen=True, slots=True)
class Change:
    """One value that is another than before.

    `field` is where it stands in a document, () for a payload that is none. `before` is None
    where nothing was heard there before. `kept`: the broker had it from before.
    """

    at: float
    topic: str
    field: Route
    before: Scalar | None
    after: Scalar
    kept: bool = False


@dataclass(frozen=True, slots=True)
class Answer:
    """One value that changed because of a press, as it seems.

    `odds` is how unlikely it is that it would have changed by itself just then: 1 is never, 0
    always. `device` and `point` are what it was recognised as.
    """

    change: Change
    odds: float
    device: str | None = None
    point: Point | None = None


@dataclass(frozen=True, slots=True)
class Press:
    """One press and what it singled out, the surest first."""

    at: float
    what: Deed
    answers: tuple[Answer, ...] = ()


@dataclass(slots=True)
class Spot:
    """One value in one place: all that is remembered of it."""

    place: Place
    first_at: float
    last_at: float
    last: Scalar
    count: int = 0
    kept: int = 0
    changes: int = 0
    # changes by itself, and the furthest it jumped then
    own: int = 0
    step: float = 0.0
    low: float | None = None
    high: float | None = None
    whole: bool = True
    # each word and how often; a key says whether it is a yes or no of its own, as 1 is not true
    words: dict[tuple[bool, Scalar], int] = field(default_factory=dict)
    many: bool = False
    text: int = 0  # how often it was no number
    turns: deque[tuple[float, Scalar]] = field(default_factory=lambda: deque(maxlen=MOST_TURNS))

    def take(self, value: Scalar, at: float, kept: bool) -> bool:
        """One more report; is it another value than before?"""
        key = (isinstance(value, bool), value)
        changed = self.count > 0 and key != (isinstance(self.last, bool), self.last)
        figure = figure_of(value)
        if figure is None:
            self.text += 1
        else:
            self.low = figure if self.low is None else min(self.low, figure)
            self.high = figure if self.high is None else max(self.high, figure)
            self.whole = self.whole and figure == int(figure)
        if key in self.words:
            self.words[key] += 1
        elif len(self.words) < MOST_WORDS:
            self.words[key] = 1
        else:
            self.many = True
        if changed or not self.count:
            self.turns.append((at, value))
        self.changes += changed
        self.count += 1
        self.kept += kept
        self.last, self.last_at = value, at
        return changed

    @property
    def numeric(self) -> bool:
        """Was it a number each time?"""
        return self.count > 0 and not self.text

    @property
    def values(self) -> list[Scalar]:
        """Its words, the most frequent first; only some where there are many."""
        return [word for (_, word), _ in sorted(self.words.items(), key=lambda w: -w[1])]


# Everything one device says on a topic: None where the topic is its own, else the field (and
# what it holds) that says whose the message is.
Sign = tuple[Place, Scalar] | None


@dataclass(slots=True)
class Topic:
    """One topic: how often it spoke, and its values."""

    name: str
    first_at: float
    last_at: float
    count: int = 0
    kept: int = 0
    last: bytes = b""
    size: int = 0
    forms: dict[str, int] = field(default_factory=dict)
    spots: dict[Sign, dict[Place, Spot]] = field(default_factory=dict)
    signs: dict[Place, bool] = field(default_factory=dict)  # False: tried, and it is none
    held: int = 0  # all its spots

    @property
    def mine(self) -> dict[Place, Spot]:
        """Its values, whoever they are of."""
        return self.spots.get(None, {})


@dataclass(slots=True)
class Touch:
    """A value that changed right after a press."""

    topic: str
    sign: Sign
    spot: Spot
    before: Scalar | None
    at: float
    last_at: float
    after: Scalar
    # what was usual of it until then
    own: int
    quiet: float
    step: float
    jump: float = 0.0  # the furthest it went in one go since

    @property
    def odds(self) -> float:
        """How unlikely it was to change by itself just then, or to go so far."""
        rate = (self.own + EARLIER) / (self.quiet + IN_SECONDS)
        odds = 1.0 - min(1.0, rate * AT_ONCE)
        if self.own >= 2 and self.jump > 0:
            if self.step > 0 and self.jump > FAR * self.step:
                odds = max(odds, 1.0 - self.step / self.jump)
            elif self.jump <= self.step:
                odds = min(odds, 0.3)  # no further than it goes by itself
        return odds


@dataclass(slots=True)
class Pressed:
    """A press as it is remembered: everything it may have touched."""

    at: float
    what: Deed
    touched: dict[tuple[str, Sign, Place], Touch] = field(default_factory=dict)


class Overheard:
    """Every topic with its values, and every press with what followed."""

    def __init__(self) -> None:
        self.topics: dict[str, Topic] = {}
        self.presses: deque[Pressed] = deque(maxlen=MOST_PRESSES)
        self.began: float | None = None
        self.now = 0.0
        self.messages = 0
        # messages on topics there was no room for, or that no profile could name
        self.left_out = 0
        self._changes: deque[Change] = deque(maxlen=MOST_CHANGES)
        self._spots = 0
        # topics heard once and live: the first to make room when a flood comes
        self._once: dict[str, None] = {}

    # ---- in -------------------------------------------------------------------------------

    def heard(self, message: Message, at: float) -> tuple[Change, ...]:
        """Take in one message; what changed by it."""
        self.began = at if self.began is None else self.began
        self.now = at = max(at, self.now)
        name = message.topic
        if name.startswith(("$", "studiobridge/")) or name == "studiobridge":
            return ()
        self.messages += 1
        if not _nameable(name):
            self.left_out += 1
            return ()
        topic = self.topics.get(name)
        if topic is None:
            if not self._room():
                self.left_out += 1
                return ()
            topic = self.topics[name] = Topic(name, at, at)
            if not message.retain:
                self._once[name] = None
        else:
            self._once.pop(name, None)
        topic.count += 1
        topic.kept += message.retain
        topic.last_at = at
        topic.last, topic.size = bytes(message.payload[:SHOWN_BYTES]), len(message.payload)
        # who describes itself is read elsewhere, whole
        parts = Parts("document") if described(name) else parts_of(message.payload)
        topic.forms[parts.form] = topic.forms.get(parts.form, 0) + 1
        changes = []
        for place, value in parts.values:
            found = self._take(topic, None, place, value, at, message.retain)
            if found is not None:
                changes.append(found)
        for sign in self._signs(topic, parts.values):
            for place, value in parts.values:
                if place != sign[0]:
                    self._take(topic, sign, place, value, at, message.retain)
        self._changes.extend(changes)
        return tuple(changes)

    def pressed(self, at: float, what: Deed) -> None:
        """A person does this to the gear now."""
        self.began = at if self.began is None else self.began
        self.now = at = max(at, self.now)
        self.presses.append(Pressed(at, what))

    def changed_since(self, at: float) -> list[Change]:
        return [change for change in self._changes if change.at > at]

    # ---- room -----------------------------------------------------------------------------

    def _room(self) -> bool:
        """Make room for one more topic: who spoke once, and not to stay, goes first."""
        if len(self.topics) < MOST_TOPICS and self._spots < MOST_SPOTS:
            return True
        for oldest in self._once:
            del self._once[oldest]
            self._spots -= self.topics.pop(oldest).held
            return True
        return False

    def _take(
        self, topic: Topic, sign: Sign, place: Place, value: Scalar, at: float, kept: bool
    ) -> Change | None:
        stream = topic.spots.get(sign)
        if stream is None:
            stream = topic.spots[sign] = {}
        spot = stream.get(place)
        new = spot is None
        if spot is None:
            if self._spots >= MOST_SPOTS or topic.held >= MOST_SPOTS_A_TOPIC:
                return None
            spot = stream[place] = Spot(place, at, at, value)
            self._spots += 1
            topic.held += 1
        before = None if new else spot.last
        was_step, was_own = spot.step, spot.own
        since = spot.first_at if not new or self.began is None else self.began
        quiet = at - since
        changed = spot.take(value, at, kept)
        if not (changed or new):
            return None
        if not kept:
            self._touch(topic, sign, spot, before, at, (was_own, quiet, was_step), new)
        return Change(at, topic.name, place.route, before, value, kept) if sign is None else None

    def _touch(
        self,
        topic: Topic,
        sign: Sign,
        spot: Spot,
        before: Scalar | None,
        at: float,
        usual: tuple[int, float, float],
        new: bool,
    ) -> None:
        """Note a change with the press it may come of, else as one it made by itself."""
        press = self.presses[-1] if self.presses else None
        earlier, later = figure_of(before) if before is not None else None, figure_of(spot.last)
        jump = abs(later - earlier) if earlier is not None and later is not None else 0.0
        since = at - press.at if press is not None else UNUSUAL
        if press is not None and since <= LONGEST_MOVE:
            key = (topic.name, sign, spot.place)
            touch = press.touched.get(key)
            if touch is not None and (since <= AT_ONCE or at - touch.last_at <= PAUSE):
                touch.after, touch.last_at = spot.last, at
                touch.jump = max(touch.jump, jump)
                return
            if touch is None and since <= AT_ONCE and len(press.touched) < MOST_TOUCHED:
                press.touched[key] = Touch(
                    topic.name, sign, spot, before, at, at, spot.last, *usual, jump
                )
                return
        if new:
            return
        spot.own += 1
        if since >= UNUSUAL:
            spot.step = max(spot.step, jump)

    # ---- who shares a topic ---------------------------------------------------------------

    def _signs(
        self, topic: Topic, values: tuple[tuple[Place, Scalar], ...]
    ) -> Iterator[tuple[Place, Scalar]]:
        """The values that may say whose this message is."""
        if len(values) < 2:
            return
        for place, value in values:
            known = topic.signs.get(place)
            if known is False or not _may_say_whose(place, value):
                continue
            if known is None:
                named = place.route and str(place.route[-1]).lower() in IDS
                spot = topic.mine.get(place)
                if not named and (spot is None or len(spot.words) < 2):
                    continue  # the same each time so far: it tells nobody apart
                if sum(topic.signs.values()) >= MOST_SIGNS:
                    continue
                topic.signs[place] = True
            sharers = sum(1 for sign in topic.spots if sign is not None and sign[0] == place)
            sign = (place, value)
            if sign not in topic.spots and sharers >= MOST_SHARERS:
                # different each time: a counter or a text, and no name
                topic.signs[place] = False
                for other in [s for s in topic.spots if s is not None and s[0] == place]:
                    gone = len(topic.spots.pop(other))
                    self._spots, topic.held = self._spots - gone, topic.held - gone
                continue
            yield sign


def described(topic: str) -> bool:
    """Is this where a device of Homie 5 says what it is?"""
    return topic.startswith("homie/5/") and topic.endswith("/$description")


def _nameable(topic: str) -> bool:
    """May a profile name this topic?"""
    if not 0 < len(topic) <= LONGEST_TOPIC or not topic.isprintable():
        return False
    return bool(topic.strip("/")) and not any(c in topic for c in "{}+#")


def _may_say_whose(place: Place, value: Scalar) -> bool:
    if len(place.route) > 2 or isinstance(value, bool | float):
        return False
    if place.around is not None:  # in a text: the first of several, a small whole number
        if place.route or place.index or len(place.around) < 3:
            return False
        return isinstance(value, str) and value.isdigit() and len(value) <= 4
    if not place.route:
        return False
    named = str(place.route[-1]).lower() in IDS
    if isinstance(value, int):
        return named and 0 <= value < 100_000
    if not 0 < len(value) <= 40 or "{" in value or "}" in value:
        return False
    if figure_of(value) is not None:
        return named
    return value.lower() not in IN_TEXTS
