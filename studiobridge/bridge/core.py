"""One set behind its topics, without I/O: messages in, messages and notes out.

The core joins the controller to the speech and to the request channel. The daemon feeds it
from a real link and a real clock, the simulator from a mock broker and a virtual clock, and
both carry out what comes back in the order it comes back:

- `Publish`  send this message now, or not at all; with a token it is part of a command: say with
             `left` whether it left, and with `acknowledged` when the broker has it
- `Walk`     a command too, to a fixture on slots: it goes to its universe, by the same rules
- `Restrain` nothing raises these fixtures on slots (law 1), and nothing changes any (law 2)
- `Ending`   the universes may end their streams, once all on them are dark
- `Cut`      cut the link at once: something told on it is overdue (law 10)
- `Write`    put this note into the record; with `back`, say with `noted` when it is on disk: only
             then is the step told whose intention it is (law 9)
- `Wake`     call `due(name)` at this time
- `Save`     write these presets into the profile file, then call `saved`
- `Answer`   an answer to a request that was made in this process
"""

from __future__ import annotations

import json
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace

import pydantic_core
from pydantic import BaseModel, ConfigDict, Field, ValidationError

from studiobridge.bridge.delivery import Delivery
from studiobridge.bridge.misheard import Misheard, tried
from studiobridge.bridge.ownership import Cut
from studiobridge.bridge.topics import (
    answer_topic,
    ask_topic,
    cut_topic,
    device_topic,
    drift_topic,
    run_topic,
    state_topic,
)
from studiobridge.control import views
from studiobridge.control.controller import Controller
from studiobridge.control.desk import Attempt, Tried
from studiobridge.control.effects import (
    Announce,
    Ask,
    Effect,
    FaultNote,
    LockoutNote,
    Memory,
    Note,
    RequestNote,
    RollingNote,
    RunNote,
    Save,
    StepNote,
    Tell,
    Wake,
)
from studiobridge.control.events import (
    Asked,
    Due,
    Event,
    LinkDown,
    LinkUp,
    Noted,
    Request,
    Rival,
    Saved,
    Unsent,
)
from studiobridge.profile.model import Point, Preset, SetProfile, SwitchAsks, SwitchRule, figure
from studiobridge.profile.said import Answer, Said, Unreadable
from studiobridge.profile.template import route_of
from studiobridge.speech import Speech
from studiobridge.speech.encode import field_of
from studiobridge.speech.message import Message
from studiobridge.speech.slots import values_of

# The largest request (bytes): a few names and a sentence fit, a flood does not.
MAX_REQUEST = 4096
# The longest topic an answer goes to (bytes): the answers' own, and a name below it.
LONGEST_ROUTE = 512
# How many requests are taken a second, and twice as many at once: enough for ten people who press
# again and again, and for their pages. What comes faster is no person: it is dropped and counted
# before it is read.
ASKS_A_SECOND = 40.0
CUTS_A_SECOND = 10.0
DROPPED_SAID_EVERY = 60.0
# What is shown is published at most this often (s): ten times a second is as live as an eye needs.
ANNOUNCE_EVERY = 0.1
# A large set shows itself less often, so that showing never crowds out running it: this many
# topics a second at most.
SHOWN_A_SECOND = 500
# The steps of a large run are long: they are shown no faster than this many bytes a second.
RUN_BYTES_A_SECOND = 200_000
# While a run is under way its count goes on even when nothing is reported.
COUNT_EVERY = 1.0
# What may put power on something: not before it is known what is locked out.
SWITCHES_ON = ("up", "toggle", "restore")
# What the words of a button ask for.
PRESSES: dict[SwitchAsks, Asked] = {
    "up": "up",
    "down": "down",
    "restore": "restore",
    "toggle": "toggle",
    "rolling on": "rolling_on",
    "rolling off": "rolling_off",
    "rolling toggle": "rolling_toggle",
}


@dataclass(frozen=True, slots=True)
class Publish:
    message: Message
    token: int | None = None


@dataclass(frozen=True, slots=True)
class Write:
    """A note for the record. `back`: say with `Core.noted` when it is on disk, or will not be."""

    note: Note
    back: bool = False


@dataclass(frozen=True, slots=True)
class Walk:
    """Take a fixture on slots to these values within `fade` s."""

    device: str
    values: Mapping[Point, float]
    fade: float
    token: int


@dataclass(frozen=True, slots=True)
class Restrain:
    """Exactly these fixtures on slots are locked out; `held`: a camera rolls."""

    locked: frozenset[str]
    held: bool


@dataclass(frozen=True, slots=True)
class Ending:
    """A run-down or a cut is over: streams end once every level on them is 0."""


Out = Publish | Write | Wake | Save | Answer | Cut | Walk | Restrain | Ending


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


def energises(tell: Tell) -> bool:
    """Does this command bring something on, or leave it on?"""
    return any(
        value is True if point == "switch" else point == "level" and figure(value) > 0.0
        for point, value in tell.values
    )


def plain(text: str) -> str:
    """Text from outside without control characters, safe in a terminal and in a log."""
    return "".join(c if c.isprintable() else "�" for c in text)


class Core:
    """One set: controller, speech and request channel. Not thread-safe, never blocks."""

    def __init__(
        self,
        profile: SetProfile,
        memory: Memory | None,
        instance: str,
        wall: Callable[[float], float],
        now: float = 0.0,
    ) -> None:
        self.profile = profile
        self.instance = instance
        self.wall = wall
        self.speech = Speech(profile)
        if memory is not None:
            # the record keeps wall time, the controller knows only its own
            offset = wall(now) - now
            memory = replace(
                memory,
                lockouts=tuple(replace(x, since=x.since - offset) for x in memory.lockouts),
                by_hand={n: replace(x, at=x.at - offset) for n, x in memory.by_hand.items()},
            )
        self.misheard = Misheard()
        # what left last to each device, and when
        self._told_last: dict[str, tuple[float, Sequence[Message]]] = {}
        self.controller = Controller(profile, memory, now, self._tried)
        self.now = now
        self._routes: dict[str, tuple[str, bytes | None] | None] = {}
        self._asks: dict[str, list[SwitchRule]] = {}
        for rule in profile.switches:
            self._asks.setdefault(rule.topic, []).append(rule)
        self._pressed: dict[str, float] = {}
        self._presses = 0
        self._dirty_state = True
        self._dirty_run = False
        self._run_shown_until = float("-inf")
        self._run_waits = False
        self._dirty_drift = True
        self._dirty: set[str] = set(profile.devices)
        self._announced_at = float("-inf")
        self._announce_gap = ANNOUNCE_EVERY
        self._announcing = False
        self._counting = False
        self._shown: dict[str, bytes] = {}
        self._link = False
        # the number of the ownership this set is run under; 0 where nobody else could run it
        self.epoch = 0
        self._record_fault: str | None = None
        self._record_lost = 0
        self._misheard_due: float | None = None
        # lacks that are in the record: each once
        self._lacks_noted: set[tuple[str, str]] = set()
        # why what the record holds is not known, if it is not
        self._unread: str | None = None
        self.delivery = Delivery()
        self._delivery_due: float | None = None
        self._more_out = False  # what is out has changed: ask Delivery when it must be woken
        self._slow: str | None = None
        # lockouts asked for and not answered yet, and what each of them covers
        self._locking: dict[str, frozenset[str]] = {}
        # requests under way that must still hold after a restart, as a lockout: on disk, or lost
        self._to_outlast: set[str] = set()
        self._outlasting = False  # such a request is being handled just now
        # notes of such requests that are not on disk yet, by `id()`; and those that took too long
        self._unwritten: dict[int, Note] = {}
        self._late: set[int] = set()
        # answers that wait for them, each with what it waits for
        self._held_back: list[tuple[Answer, frozenset[int]]] = []
        self._ask_topic = ask_topic(profile.name)
        self._cut_topic = cut_topic(profile.name)
        self._asks_lane = Lane(ASKS_A_SECOND, now)
        self._cut_lane = Lane(CUTS_A_SECOND, now)
        self.dropped = 0  # requests that came faster than any set of people asks
        self._dropped_said = float("-inf")
        self._answers = answer_topic(profile.name)
        self._outs: list[Out] = []
        # fixtures on slots, by their universe; and what restrains them now
        self._universes: dict[int, tuple[str, ...]] = {}
        for device in profile.devices.values():
            if device.slots is not None:
                number = device.slots.universe
                self._universes[number] = (*self._universes.get(number, ()), device.name)
        self._on_slots = frozenset(name for names in self._universes.values() for name in names)
        self._restrained: Restrain | None = None
        for described in self.speech.described(now):
            self._handle(described)

    # ---- in -------------------------------------------------------------------------------

    def failed(self, why: str, at: float) -> list[Out]:
        """A fault of the program in this set: it says so once, and nothing after that.

        What is believed may be half written, so nothing is worked out anew: the state shown
        last is shown again, with `failed`, and without a word of being ready.
        """
        self.now = at
        self.controller.failure = why
        self._outs.clear()
        topic = state_topic(self.profile.name)
        shown = json.loads(self._shown.get(topic, b"{}"))
        shown.update(state="stalled", why=f"the bridge failed: {why}", failed=why)
        shown.update(bridge=self.instance, epoch=self.epoch)
        return [Publish(Message(topic, to_json(shown), qos=1, retain=True))]

    def subscriptions(self) -> list[tuple[str, int]]:
        """Every topic filter this set listens to, with its QoS."""
        filters = dict(self.speech.subscriptions())
        for topic in self._asks:
            if not self.speech.hears_topic(topic):
                filters[topic] = 1
        # at QoS 0, and clean sessions lose nothing by it: a flood of requests then never fills
        # the few messages a broker keeps in flight, through which a cut and the reports come
        filters[self._ask_topic] = 0
        filters[self._cut_topic] = 1
        return list(filters.items())

    def link_up(self, at: float, epoch: int = 0) -> list[Out]:
        self.now = at
        self._link = True
        self.epoch = epoch
        self._shown.clear()
        self._dirty_state = self._dirty_drift = True
        self._dirty.update(self.profile.devices)
        self._handle(LinkUp(at))
        return self._done()

    def link_down(self, at: float) -> list[Out]:
        self.now = at
        self._link = False
        self.delivery.link_down(at)
        self._handle(LinkDown(at))
        return self._done()

    def message(self, message: Message, at: float) -> list[Out]:
        """A message came in. Whatever it holds, this does not raise."""
        self.now = at
        if message.topic == self._ask_topic or message.topic == self._cut_topic:
            if self._let_in(message, at):
                self._asked(message, at)
            return self._done()
        follow = None
        for said in self._said(message):
            if follow is not None:
                self._handle(follow, more=True)
            follow = said
        if follow is not None:
            self._handle(follow)
        if self.speech.lacking.changed:
            self._lacking(message.topic)
        rules = self._asks.get(message.topic)
        if rules is not None:
            for rule in rules:
                self._press(rule, message, at)
        return self._done()

    def _said(self, message: Message) -> Iterable[Said]:
        """What the speech makes of it. A payload they stumble over costs that payload only.

        Anybody may publish anything, and a kept message comes again at every start: it must
        not be able to end the set.
        """
        try:
            return self.speech.hear(message, self.now)
        except Exception as error:
            why = f"cannot be read ({type(error).__name__}: {plain(str(error))[:200]})"
            self._handle(Unreadable(self.now, None, message.topic, why))
            return ()

    def _tried(self, attempt: Attempt) -> Tried:
        """What was tried with a device in vain, with its topics."""
        at, messages = self._told_last.get(attempt.device, (float("-inf"), ()))
        told = messages if attempt.times and at >= attempt.since else ()
        return tried(self.speech, self.misheard, told, attempt)

    def _lacking(self, topic: str) -> None:
        """Devices speak without something they should say: shown, and noted once."""
        changed = self.speech.lacking.changed
        for name in sorted(changed):
            lacks = self.speech.lacking.of(name)
            self._show_misheard(name, self.misheard.lacks(name, lacks, self.now))
            for text in lacks:
                # what it has instead may change with each message: what is lacking does not
                what = (name, text.partition("; it has ")[0])
                if what not in self._lacks_noted:
                    self._lacks_noted.add(what)
                    self._outs.append(Write(FaultNote(self.now, name, topic, text)))
        changed.clear()

    def acknowledged(self, token: int, at: float) -> list[Out]:
        """The broker has a part of the command with this token."""
        self.now = at
        self.delivery.acknowledged(token, at)
        return self._done()

    def left(self, token: int, sent: bool, at: float) -> list[Out]:
        """The link took a part of this command, or did not (then it will never leave)."""
        self.now = at
        if sent:
            self.delivery.sent(token, at)
        else:
            self.delivery.not_sent(token)
        return self._done()

    def beat_sent(self, n: int, at: float) -> list[Out]:
        """A beat of this bridge left."""
        self.now = at
        self.delivery.beat_sent(n, at)
        self._more_out = True
        return self._done()

    def beat_back(self, n: int, at: float) -> list[Out]:
        """A beat of this bridge came back: all that was sent before it has arrived."""
        self.now = at
        self.delivery.beat_back(n, at)
        slow = self.delivery.slow(self._life)
        if (slow is None) != (self._slow is None):
            self._slow = slow
            self._dirty_state = True
            if slow is not None:
                self._outs.append(Write(FaultNote(at, None, "", slow)))
        return self._done()

    # ---- fixtures on slots --------------------------------------------------------------------

    def unsent(self, universe: int, why: str | None, at: float) -> list[Out]:
        """The frames of a universe do not leave this machine, or do again (None)."""
        self.now = at
        self._handle(Unsent(at, self._universes.get(universe, ()), why))
        return self._done()

    def rival(self, universe: int, who: str | None, at: float) -> list[Out]:
        """Somebody else sends on a universe too, or does no more (None)."""
        self.now = at
        self._handle(Rival(at, self._universes.get(universe, ()), plain(who) if who else None))
        return self._done()

    def supposed(self) -> dict[str, Preset]:
        """What fixtures on slots may hold from before this bridge started: nothing proves it."""
        if not self.controller.standing.session.open:
            return {}
        presets = self.controller.desk.presets
        names = self._on_slots
        locked = self.controller.gates.locked
        return {name: presets[name] for name in names if name in presets and name not in locked}

    def _restrain(self) -> None:
        """Laws 1 and 2 hold for every frame, not only for what is told."""
        gates, run = self.controller.gates, self.controller.run
        free = run is not None and (run.what == "cut" or run.forced)
        now = Restrain(
            self._on_slots.intersection(gates.locked),
            not free and gates.held_by(self.now) is not None,
        )
        if now != self._restrained:
            self._restrained = now
            self._outs.append(now)

    @property
    def linked(self) -> bool:
        """Was the last the core heard of the link that it is up?"""
        return self._link

    @property
    def _life(self) -> float:
        """How long (s) a command lives."""
        return max(1.0, self.profile.patience.reply)

    def due(self, name: str, at: float) -> list[Out]:
        """A wake-up is due."""
        self.now = at
        if name == "announce":
            self._announcing = False
        elif name == "delivery":
            self._delivery_due = None
            self._more_out = True
            why = self.delivery.overdue(at)
            if why is not None:
                self._outs.append(Cut(why))
        elif name == "announce run":
            self._run_waits = False
        elif name == "misheard":
            self._misheard_due = None
            for of in self.misheard.due(at):
                self._show_misheard(of)
        elif name == "count":
            self._counting = False
            if self.controller.run is not None:
                self._dirty_state = True
        else:
            self._handle(Due(at, name))
        return self._done()

    def saved(self, request_id: str, error: str | None, at: float) -> list[Out]:
        """The profile was rewritten, or `error` says why not."""
        self.now = at
        self._handle(Saved(at, request_id, error))
        return self._done()

    def noted(self, notes: Iterable[Note], at: float, on_disk: bool = True) -> list[Out]:
        """These notes, whose Write said `back`, are on disk, or are not in time.

        What is on disk later after all may be said once more. A step goes on either way; who
        relies on a lockout is told which of the two it is (law 15).
        """
        self.now = at
        for note in notes:
            if isinstance(note, StepNote):
                self._handle(Noted(at, note.run, note.n))
            elif on_disk:
                self._unwritten.pop(id(note), None)
                self._late.discard(id(note))
            elif id(note) in self._unwritten:
                self._late.add(id(note))
        held_back, self._held_back = self._held_back, []
        for answer, waits_for in held_back:
            if any(one in self._unwritten and one not in self._late for one in waits_for):
                self._held_back.append((answer, waits_for))
            else:
                self._say_answer(answer, waits_for)
        return self._done()

    def record_fault(self, fault: str | None, at: float, lost: int = 0) -> list[Out]:
        """The record cannot be written (or can again: None), and has lost so many notes.

        Shown, and nothing else.
        """
        self.now = at
        self._record_fault = fault
        self._record_lost = lost
        self._dirty_state = True
        return self._done()

    def without_memory(self, why: str) -> None:
        """The record cannot be read: what is locked out is not known.

        Until a core that knows it takes over, nothing is switched on unless somebody forces it,
        who has looked. Taking down, cutting and locking out work as ever.
        """
        self._unread = why

    def request(self, request: Request) -> list[Out]:
        """A request from this process (a call time, the command line without a bridge)."""
        self.now = request.at
        if request.id:
            self._routes[request.id] = None
        self._ask(request)
        return self._done()

    # ---- the request channel ----------------------------------------------------------------

    def _let_in(self, message: Message, at: float) -> bool:
        """Is there room for this request? Decided before it is read, so that a flood is cheap.

        What asks for a cut has a lane of its own, on whichever topic it comes.
        """
        lane = self._asks_lane
        if message.topic == self._cut_topic or b'"cut"' in message.payload[:MAX_REQUEST]:
            lane = self._cut_lane
        if lane.takes(at):
            return True
        self.dropped += 1
        if at - self._dropped_said >= DROPPED_SAID_EVERY:
            self._dropped_said = at
            why = (
                f"requests come faster than {lane.rate:.0f} a second; {self.dropped} dropped so far"
            )
            self._handle(Unreadable(at, None, message.topic, why))
        return False

    def _asked(self, message: Message, at: float) -> None:
        if not message.payload:
            return  # a cleared retained message
        try:
            if len(message.payload) > MAX_REQUEST:
                raise ValueError(f"larger than {MAX_REQUEST} bytes")
            body = RequestBody.model_validate_json(message.payload)
        except ValidationError as error:
            first = error.errors(include_url=False)[0]
            where = ".".join(str(part) for part in first["loc"]) or "request"
            self._refused(message, f"{plain(where)}: {plain(first['msg'])}", at)
            return
        except Exception as error:  # what a stranger wrote must not be able to end the set
            self._refused(message, plain(str(error))[:200], at)
            return
        if message.topic == self._cut_topic and body.what != "cut":
            self._refused(message, f"only a cut is asked for here; ask on {self._ask_topic}", at)
            return
        route = self._route(message)
        if body.id not in self._routes and not message.retain:
            self._routes[body.id] = (route, message.correlation)
            while len(self._routes) > 1024:
                self._routes.pop(next(iter(self._routes)))
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
            expired=body.until is not None and body.until < self.wall(at),
        )
        if body.what in ("lockout", "release", "rolling_on", "rolling_toggle"):
            self._to_outlast.add(body.id)
            self._outlasting = True
        if body.what == "lockout" and not message.retain:
            while len(self._locking) >= 1024:
                self._locking.pop(next(iter(self._locking)))
            known = [
                t for t in body.targets if t in self.profile.devices or t in self.profile.circuits
            ]
            live_with = self.controller.gates.live_with
            self._locking[body.id] = frozenset(name for t in known for name in live_with(t))
        try:
            self._ask(request)
        finally:
            self._outlasting = False

    def _ask(self, request: Request) -> None:
        live = not (request.retained or request.expired or request.force)
        if self._unread is None or request.what not in SWITCHES_ON or not live:
            self._handle(request)
            return
        text = (
            f"{self._unread}: what is locked out is not known, so nothing is switched on. Ask again"
            " when it can be read, or look that nobody works on the set and force it"
        )
        self._outs.append(Write(RequestNote.of(request, "refused", text)))
        if request.id:
            self._answered(Answer(request.id, True, 1, text))

    def _route(self, message: Message) -> str:
        """Where to answer: only at or below the answers' own topic, else nobody could be sure
        that an answer is never a command to some device; and only where one can publish to."""
        asked = message.response_topic
        if (
            asked is None
            or not asked.startswith(self._answers + "/")
            or len(asked.encode()) > LONGEST_ROUTE
            or not asked.isprintable()
            or "+" in asked
            or "#" in asked
        ):
            return self._answers
        return asked

    def _refused(self, message: Message, why: str, at: float) -> None:
        answered = not message.retain and message.response_topic is not None
        # on MQTT 3.1.1 there is no place for an answer: it is shown and noted
        untold = "" if answered else ", and nobody was told (it names no response topic)"
        self._handle(Unreadable(at, None, message.topic, f"request refused{untold}: {why}"))
        if not answered:
            return
        route = self._route(message)
        self._answer(route, message.correlation, Answer("", True, 2, f"request refused: {why}"))

    def _press(self, rule: SwitchRule, message: Message, at: float) -> None:
        """A button was pressed. Kept and repeated messages ask for nothing; bounces are one."""
        if message.retain or message.dup or len(message.payload) > MAX_REQUEST:
            return
        try:
            word: object = message.payload.decode("utf-8")
            if rule.field is not None:
                word = field_of(json.loads(str(word)), route_of(rule.field))
        except (ValueError, KeyError, RecursionError):
            return
        if isinstance(word, bool):
            word = "true" if word else "false"
        asks = rule.asks.get(str(word).strip()) if word is not None else None
        if asks is None:
            return
        last = self._pressed.get(rule.name)
        self._pressed[rule.name] = at
        if last is not None and at - last < rule.debounce:
            return
        self._presses += 1
        rolls = asks.startswith("rolling")
        self._ask(
            Request(
                at=at,
                id=f"{self.instance}-{rule.name}-{self._presses}",
                what=PRESSES[asks],
                by=rule.name,
                source="switch",
                look=rule.look if asks in ("up", "toggle") else None,
                targets=(rule.camera,) if rolls and rule.camera is not None else (),
            )
        )

    # ---- out ----------------------------------------------------------------------------------

    def _handle(self, event: Event, more: bool = False) -> None:
        if self.controller.failed:
            return
        if isinstance(event, Unreadable):
            self._show_misheard(event.device, self.misheard.unreadable(event))
        for effect in self.controller.handle(event, more):
            self._carry_out(effect)

    def _show_misheard(self, name: str | None, now: bool = True) -> None:
        """What is wrong with what was said has changed: show it, now or when its time comes."""
        if not now:
            pass
        elif name is None:
            self._dirty_state = True
        else:
            self._dirty.add(name)
        due = self.misheard.next_due()
        if due != self._misheard_due:
            self._misheard_due = due
            self._outs.append(Wake("misheard", due))

    def _carry_out(self, effect: Effect) -> None:
        kind = type(effect)
        if kind is Announce:
            assert isinstance(effect, Announce)
            self._dirty_state |= effect.state
            self._dirty_drift |= effect.drift
            self._dirty |= effect.devices
        elif isinstance(effect, Tell):
            messages = self.speech.tell(effect.device, effect.values, effect.fade)
            self._told_last[effect.device] = (self.now, messages)
            on = energises(effect)
            self._more_out = True
            self.delivery.told(
                effect.token, effect.device, on, self.now, effect.expires_in, len(messages)
            )
            if effect.device in self._on_slots:
                values = values_of(effect.values)
                self._outs.append(Walk(effect.device, values, effect.fade or 0.0, effect.token))
            for message in messages:
                told = replace(message, expiry=effect.expires_in)
                if on:
                    # A broker may give a device that hung and came back with its session what it
                    # had begun to deliver at QoS 1, after its life. At QoS 0 it keeps nothing.
                    told = replace(told, qos=0)
                self._outs.append(Publish(told, effect.token))
        elif isinstance(effect, Ask):
            expiry = self.profile.patience.reply
            for message in self.speech.ask(effect.device):
                self._outs.append(Publish(replace(message, expiry=expiry)))
        elif isinstance(effect, Wake | Save):
            self._outs.append(effect)
        elif isinstance(effect, Answer):
            self._answered(effect)
        elif isinstance(effect, StepNote):
            self._outs.append(Write(effect, back=effect.phase == "intended"))
        elif self._outlasting and isinstance(effect, LockoutNote | RollingNote):
            # who is told that nothing will be energised may reach in: it is on disk before that
            self._unwritten[id(effect)] = effect
            self._outs.append(Write(effect, back=True))
        else:
            assert not isinstance(effect, Announce)
            self._outs.append(Write(effect))
            if isinstance(effect, RunNote):
                self._run_noted(effect)

    def _run_noted(self, note: RunNote) -> None:
        down = note.what in ("down", "cut") and note.phase in ("done", "stalled")
        if down and self._on_slots:
            self._outs.append(Ending())

    def _answered(self, answer: Answer) -> None:
        if answer.final:
            self._coded(answer)
        waits_for: frozenset[int] = frozenset()
        if answer.request_id in self._to_outlast:
            # for all such notes: the same lockout may have been asked for twice, and the note of
            # the first request may not be on disk yet either
            waits_for = frozenset(self._unwritten)
            if waits_for - self._late:
                self._held_back.append((answer, waits_for))
                return
        self._say_answer(answer, waits_for)

    def _coded(self, answer: Answer) -> None:
        """The code of an answer goes into the record with it: asked again, it is the same."""
        for i in range(len(self._outs) - 1, -1, -1):
            out = self._outs[i]
            if isinstance(out, Write) and isinstance(out.note, RequestNote):
                if out.note.id == answer.request_id:
                    self._outs[i] = replace(out, note=replace(out.note, code=answer.code))
                return

    def _say_answer(self, answer: Answer, waited_for: frozenset[int]) -> None:
        if waited_for & self._late:
            why = self._record_fault or "the record has not taken it"
            text = f"{answer.text}. CAREFUL: {why}; a bridge that starts again knows nothing of"
            answer = replace(answer, text=f"{text} this")
        covered = self._locking.get(answer.request_id)
        if covered is not None and answer.final and answer.code == 0:
            answer = self._careful(answer, covered)
        route = self._routes.get(answer.request_id, (self._answers, None))
        if answer.final:
            self._locking.pop(answer.request_id, None)
            # should the same request come again, the answer goes where that one was asked from
            self._to_outlast.discard(answer.request_id)
            self._routes.pop(answer.request_id, None)
        if route is None:
            self._outs.append(answer)
        else:
            self._answer(route[0], route[1], answer)

    def _careful(self, answer: Answer, covered: frozenset[str]) -> Answer:
        """Law 15: what was told on and may still be on its way is named before a hand goes in."""
        # the controller has said of these already that they were told on and have not answered
        unanswered = answer.detail.get("unanswered")
        named = unanswered if isinstance(unanswered, list) else []
        out = [
            still
            for still in self.delivery.out(covered, self.now)
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
            since = self.now - still.since
            said.append(f"{still.device} was told on {since:.1f} s ago, {how} acknowledged it")
        text = f"{answer.text}. CAREFUL: {'; '.join(said)}; treat it as live until it says off"
        return replace(answer, text=text)

    def _answer(self, route: str, correlation: bytes | None, answer: Answer) -> None:
        body = {
            "id": answer.request_id,
            "final": answer.final,
            "code": answer.code,
            "text": answer.text,
            "detail": dict(answer.detail),
        }
        self._outs.append(
            Publish(Message(route, to_json(body), qos=1, expiry=60.0, correlation=correlation))
        )

    def _done(self) -> list[Out]:
        if self.controller.failed:
            return []
        if self._on_slots:
            self._restrain()
        if self._dirty or self._dirty_state or self._dirty_drift or self._dirty_run:
            self._announce()
        if self._more_out:
            self._more_out = False
            due = self.delivery.next_due()
            if due is not None and (self._delivery_due is None or due < self._delivery_due):
                self._delivery_due = due
                self._outs.append(Wake("delivery", due))
        outs, self._outs = self._outs, []
        return outs

    def _announce(self) -> None:
        """Publish what has changed, now or a little later."""
        if not self._link:
            return
        at = self.now
        if at - self._announced_at + 1e-9 < self._announce_gap:
            if not self._announcing:
                self._announcing = True
                self._outs.append(Wake("announce", self._announced_at + self._announce_gap))
            return
        self._announced_at = at
        self._announce_gap = max(ANNOUNCE_EVERY, len(self._dirty) / SHOWN_A_SECOND)
        name = self.profile.name
        # the state comes last: who reads "ready" has read everything it rests on
        for device in sorted(self._dirty):
            self._show(device_topic(name, device), to_json(self.device(device)))
        if self._dirty_drift:
            self._show(drift_topic(name), to_json(self.drift()))
        self._dirty_run = self._dirty_run or self._dirty_state
        if self._dirty_run:
            self._show_run(at)
        if self._dirty_state:
            self._show(state_topic(name), to_json(self.state()))
        self._dirty_state = self._dirty_drift = False
        self._dirty.clear()
        if self._dirty_run and not self._run_waits:
            self._run_waits = True
            self._outs.append(Wake("announce run", self._run_shown_until))
        if self.controller.run is not None and not self._counting:
            self._counting = True
            self._outs.append(Wake("count", at + COUNT_EVERY))

    def _show_run(self, at: float) -> None:
        """The steps of the latest run, as often as their length allows; its end at once."""
        run = self.controller.last_run
        if run is None:
            self._dirty_run = False
            return
        over = self.controller.run is None
        if at + 1e-9 < self._run_shown_until and not over:
            return
        payload = to_json(self.run())
        self._dirty_run = False
        self._run_shown_until = at + len(payload) / RUN_BYTES_A_SECOND
        self._show(run_topic(self.profile.name), payload)

    def _show(self, topic: str, payload: bytes) -> None:
        if self._shown.get(topic) == payload:
            return
        self._shown[topic] = payload
        # QoS 0: between bridge and broker only a lost link loses it, and then all is shown anew
        self._outs.append(Publish(Message(topic, payload, qos=0, retain=True)))

    # ---- views ----------------------------------------------------------------------------------

    def state(self) -> dict[str, object]:
        view = views.state_view(self.controller, self.now, self.wall)
        view["record_fault"] = self._record_fault
        view["unreadable"] = self._unreadable(None)
        # a visitor counts the devices it was sent: when all have come it need not wait for more
        view["device_count"] = len(self.profile.devices)
        view["record_lost"] = self._record_lost
        view["failed"] = None
        view["link_slow"] = self._slow
        # whose word this is: what a bridge before left at the broker is not taken for now
        view["bridge"] = self.instance
        view["epoch"] = self.epoch
        return view

    def devices(self) -> dict[str, dict[str, object]]:
        return {name: self.device(name) for name in self.profile.devices}

    def device(self, name: str) -> dict[str, object]:
        view = views.device_view(self.controller, name, self.now, self.wall)
        view["unreadable"] = self._unreadable(name)
        view["lacks"] = list(self.misheard.shown(name).lacks)
        return view

    def _unreadable(self, name: str | None) -> dict[str, object] | None:
        """The last that could not be read: of this device, or of nobody's."""
        heard = self.misheard.shown(name).unreadable
        if heard is None:
            return None
        at = views.iso(heard.at, self.wall)
        return {"topic": heard.topic, "why": heard.why, "at": at, "count": heard.count}

    def drift(self) -> list[dict[str, object]]:
        return views.drift_view(self.controller, self.now, self.wall)

    def run(self) -> dict[str, object] | None:
        view = views.run_view(self.controller, self.now, self.wall)
        return view if view is None else {**view, "bridge": self.instance}

    def status(self) -> dict[str, object]:
        """The shape of `status --json`."""
        return {**self.state(), "devices": self.devices()}


def to_json(value: object) -> bytes:
    """Compact JSON in UTF-8; what is no number becomes null."""
    return pydantic_core.to_json(value, inf_nan_mode="null")
