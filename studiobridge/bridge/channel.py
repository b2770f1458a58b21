"""The request channel of a set, without I/O: what is let in and read, and how it is answered.

- Requests come on `ask`, and a cut also in a lane of its own. What comes faster than any set of
  people asks is dropped and counted before it is read.
- An answer goes to where its request asked for it, at or below the answers' own topic.
- What must still hold after a restart (a lockout, what rolls) is answered when it is on disk, or
  with CAREFUL when it is not in time (law 15). So is a lockout of something that was told on and
  may still be on its way.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import replace
from typing import Literal

from pydantic import BaseModel, ConfigDict, Field, ValidationError

from studiobridge.bridge.delivery import Delivery
from studiobridge.bridge.outs import Out, Publish, to_json
from studiobridge.bridge.topics import answer_topic, answered_at, ask_topic, cut_topic
from studiobridge.control.effects import Note
from studiobridge.control.events import Asked, Request
from studiobridge.profile.model import SetProfile
from studiobridge.profile.plain import plain
from studiobridge.profile.said import Answer, Unreadable
from studiobridge.profile.wish import read_step, read_time, read_value
from studiobridge.speech.message import Message

# The largest request (bytes): a few names and a sentence fit, a flood does not.
MAX_REQUEST = 4096
# The longest name of a line that is ticked (characters).
LONGEST_ITEM = 200
# How many requests are taken a second, and twice as many at once: enough for ten people who press
# again and again, and for their pages. What comes faster is no person: it is dropped and counted
# before it is read.
ASKS_A_SECOND = 40.0
CUTS_A_SECOND = 10.0
DROPPED_SAID_EVERY = 60.0
# What must still hold after a restart: it is on disk before it is answered.
OUTLASTS = ("lockout", "release", "rolling_on", "rolling_toggle", "mark")


class Lane:
    """So many a second, and twice as many at once (a token bucket)."""

    def __init__(self, rate: float, now: float) -> None:
        self.rate = rate
        self._room = 2 * rate
        self._at = now

    def takes(self, at: float) -> bool:
        self._room = min(2 * self.rate, self._room + max(0.0, at - self._at) * self.rate)
        self._at = at
        if self._room < 1.0:
            return False
        self._room -= 1.0
        return True


class RequestBody(BaseModel):
    """The JSON of a request on the ask topic. Unknown keys are refused."""

    model_config = ConfigDict(extra="forbid", strict=True)

    id: str = Field(min_length=1, max_length=64, pattern=r"^[A-Za-z0-9._:-]+$")
    what: Asked
    look: str | None = Field(default=None, max_length=64)
    targets: list[str] = Field(default_factory=list, max_length=1000)
    by: str = Field(default="", max_length=100)
    why: str = Field(default="", max_length=300)
    force: bool = False
    yes: bool = False
    everything: bool = False
    until: float | None = None
    title: str = Field(default="", max_length=200)
    replace: bool = False
    strict: bool = False
    # of a try: the value as a person writes it, and whether to show which device it is
    value: str | None = Field(default=None, max_length=64)
    blink: bool = False
    # of an adjustment: `+0.1 stop`, `-5 mired`
    step: str | None = Field(default=None, max_length=64)
    take: int | None = Field(default=None, ge=1, le=10**9)
    mark: Literal["", "good", "again"] = ""
    items: list[str] = Field(default_factory=list, max_length=200)
    # of gear told quiet: for how long at most, as a person writes it: `20 min`
    for_: str | None = Field(default=None, max_length=64, alias="for")


class Channel:
    """Requests in, answers out.

    `live_with`: what could energise this target, and what it protects (for a lockout).
    """

    def __init__(
        self,
        profile: SetProfile,
        delivery: Delivery,
        live_with: Callable[[str], Iterable[str]],
        wall: Callable[[float], float],
        now: float,
    ) -> None:
        self.ask_topic = ask_topic(profile.name)
        self.cut_topic = cut_topic(profile.name)
        self._answers = answer_topic(profile.name)
        self._known = frozenset(profile.devices) | frozenset(profile.circuits)
        self._delivery = delivery
        self._live_with = live_with
        self._wall = wall
        self._asks_lane = Lane(ASKS_A_SECOND, now)
        self._cut_lane = Lane(CUTS_A_SECOND, now)
        self.dropped = 0  # requests that came faster than any set of people asks
        self._dropped_said = float("-inf")
        # where each request is answered; None: in this process
        self._routes: dict[str, tuple[str, bytes | None] | None] = {}
        # lockouts asked for and not answered yet, and what each of them covers
        self._locking: dict[str, frozenset[str]] = {}
        # requests under way that must still hold after a restart, as a lockout: on disk, or lost
        self._to_outlast: set[str] = set()
        # notes of such requests that are not on disk yet, by `id()`; and those that took too long
        self._unwritten: dict[int, Note] = {}
        self._late: set[int] = set()
        # answers that wait for them, each with what it waits for
        self._held_back: list[tuple[Answer, frozenset[int]]] = []
        self.record_fault: str | None = None

    # ---- in -------------------------------------------------------------------------------

    def hears(self, topic: str) -> bool:
        return topic == self.ask_topic or topic == self.cut_topic

    def hear(self, message: Message, at: float) -> list[Request | Unreadable | Publish]:
        """What somebody asked, or what is said of it if it cannot be taken or read."""
        lane = self._asks_lane
        # what asks for a cut has a lane of its own, on whichever topic it comes
        if message.topic == self.cut_topic or b'"cut"' in message.payload[:MAX_REQUEST]:
            lane = self._cut_lane
        if not lane.takes(at):
            return list(self._drop(lane, message.topic, at))
        return self._read(message, at) if message.payload else []  # [] a cleared retained message

    def floods(self, message: Message, at: float) -> list[Unreadable] | None:
        """Is there no room for a request that came another way? What is said of it, if anything."""
        lane = self._asks_lane
        return None if lane.takes(at) else self._drop(lane, message.topic, at)

    def here(self, request_id: str) -> None:
        """A request of this process: it is answered here."""
        self._routes[request_id] = None

    def _drop(self, lane: Lane, topic: str, at: float) -> list[Unreadable]:
        """No room for this one. Said seldom, so that a flood is cheap."""
        self.dropped += 1
        if at - self._dropped_said < DROPPED_SAID_EVERY:
            return []
        self._dropped_said = at
        why = f"requests come faster than {lane.rate:.0f} a second; {self.dropped} dropped so far"
        return [Unreadable(at, None, topic, why)]

    def _read(self, message: Message, at: float) -> list[Request | Unreadable | Publish]:
        try:
            if len(message.payload) > MAX_REQUEST:
                raise ValueError(f"larger than {MAX_REQUEST} bytes")
            body = RequestBody.model_validate_json(message.payload)
        except ValidationError as error:
            first = error.errors(include_url=False)[0]
            where = ".".join(str(part) for part in first["loc"]) or "request"
            return self._refused(message, f"{plain(where)}: {plain(first['msg'])}", at)
        except Exception as error:  # what a stranger wrote must not be able to end the set
            return self._refused(message, plain(str(error))[:200], at)
        wish = step = lasts = None
        if body.value is not None or body.step is not None or body.for_ is not None:
            try:
                lasts = None if body.for_ is None else read_time(plain(body.for_))
                wish = None if body.value is None else read_value(plain(body.value))
                step = None if body.step is None else read_step(plain(body.step))
            except ValueError as error:
                return self._refused(message, plain(str(error))[:300], at, body.id)
        if message.topic == self.cut_topic and body.what != "cut":
            why = f"only a cut is asked for here; ask on {self.ask_topic}"
            return self._refused(message, why, at)
        route = self._route(message)
        if body.id not in self._routes and not message.retain:
            self._routes[body.id] = (route, message.correlation)
            while len(self._routes) > 1024:
                self._routes.pop(next(iter(self._routes)))
        if body.what in OUTLASTS:
            self._to_outlast.add(body.id)
        if body.what == "lockout" and not message.retain:
            while len(self._locking) >= 1024:
                self._locking.pop(next(iter(self._locking)))
            known = [t for t in body.targets if t in self._known]
            self._locking[body.id] = frozenset(n for t in known for n in self._live_with(t))
        request = Request(
            at=at,
            id=body.id,
            what=body.what,
            by=plain(body.by),
            source="mqtt",
            look=plain(body.look) if body.look is not None else None,
            targets=tuple(plain(t) for t in body.targets),
            why=plain(body.why),
            force=body.force,
            yes=body.yes,
            everything=body.everything,
            retained=message.retain,
            expired=body.until is not None and body.until < self._wall(at),
            title=plain(body.title),
            replace=body.replace,
            strict=body.strict,
            wish=wish,
            blink=body.blink,
            step=step,
            take=body.take,
            mark=body.mark,
            lasts=lasts,
            items=tuple(plain(item)[:LONGEST_ITEM] for item in body.items),
        )
        return [request]

    def _route(self, message: Message) -> str:
        return answered_at(message.response_topic, self._answers)

    def _refused(
        self, message: Message, why: str, at: float, id_: str = ""
    ) -> list[Request | Unreadable | Publish]:
        # one that could be read but for its value is answered like any other, by its id
        answered = not message.retain and bool(message.response_topic is not None or id_)
        # on MQTT 3.1.1 there is no place for an answer: it is shown and noted
        untold = "" if answered else ", and nobody was told (it names no response topic)"
        shown = Unreadable(at, None, message.topic, f"request refused{untold}: {why}")
        if not answered:
            return [shown]
        answer = Answer(id_, True, 2, f"request refused: {why}")
        return [shown, _published(self._route(message), message.correlation, answer)]

    # ---- what must be on disk before it is answered ---------------------------------------------

    def wait_for(self, note: Note) -> None:
        """This note is of such a request, and goes to the disk now."""
        self._unwritten[id(note)] = note

    def noted(self, note: Note, on_disk: bool) -> None:
        """Such a note is on disk, or is not in time."""
        if on_disk:
            self._unwritten.pop(id(note), None)
            self._late.discard(id(note))
        elif id(note) in self._unwritten:
            self._late.add(id(note))

    def waited(self, at: float) -> list[Out]:
        """Answers that wait for no note any more."""
        outs = []
        held_back, self._held_back = self._held_back, []
        for answer, waits_for in held_back:
            if any(one in self._unwritten and one not in self._late for one in waits_for):
                self._held_back.append((answer, waits_for))
            else:
                outs.append(self._say(answer, waits_for, at))
        return outs

    # ---- answers --------------------------------------------------------------------------------

    def answer(self, answer: Answer, at: float) -> list[Out]:
        """This answer, to whoever asked: now, or when what it promises is on disk."""
        waits_for: frozenset[int] = frozenset()
        if answer.request_id in self._to_outlast:
            # for all such notes: the same lockout may have been asked for twice, and the note of
            # the first request may not be on disk yet either
            waits_for = frozenset(self._unwritten)
            if waits_for - self._late:
                self._held_back.append((answer, waits_for))
                return []
        return [self._say(answer, waits_for, at)]

    def _say(self, answer: Answer, waited_for: frozenset[int], at: float) -> Out:
        if waited_for & self._late:
            why = self.record_fault or "the record has not taken it"
            text = f"{answer.text}. CAREFUL: {why}; a bridge that starts again knows nothing of"
            answer = replace(answer, text=f"{text} this")
        covered = self._locking.get(answer.request_id)
        if covered is not None and answer.final and answer.code == 0:
            answer = self._careful(answer, covered, at)
        route = self._routes.get(answer.request_id, (self._answers, None))
        if answer.final:
            self._locking.pop(answer.request_id, None)
            # should the same request come again, the answer goes where that one was asked from
            self._to_outlast.discard(answer.request_id)
            self._routes.pop(answer.request_id, None)
        return answer if route is None else _published(*route, answer)

    def _careful(self, answer: Answer, covered: frozenset[str], at: float) -> Answer:
        """Law 15: what was told on and may still be on its way is named before a hand goes in."""
        # the controller has said of these already that they were told on and have not answered
        unanswered = answer.detail.get("unanswered")
        named = unanswered if isinstance(unanswered, list) else []
        out = [
            still
            for still in self._delivery.out(covered, at)
            if still.on and (still.lost or still.device not in named)
        ]
        if not out:
            return answer
        said = []
        for still in {still.device: still for still in reversed(out)}.values():
            how = (
                "and the link was lost before the broker"
                if still.lost
                else "and the broker has not"
            )
            since = at - still.since
            said.append(f"{still.device} was told on {since:.1f} s ago, {how} acknowledged it")
        text = f"{answer.text}. CAREFUL: {'; '.join(said)}; treat it as live until it says off"
        return replace(answer, text=text)


def _published(route: str, correlation: bytes | None, answer: Answer) -> Publish:
    body = {
        "id": answer.request_id,
        "final": answer.final,
        "code": answer.code,
        "text": answer.text,
        "detail": dict(answer.detail),
    }
    return Publish(Message(route, to_json(body), qos=1, expiry=60.0, correlation=correlation))
