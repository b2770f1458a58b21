"""One set behind its topics, without I/O: messages in, messages and notes out.

The core joins the controller to the speech, to the request channel (channel.py), to the buttons
on the wall (buttons.py) and to what is shown (showing.py). The daemon feeds it from a real link
and a real clock, the simulator from a mock broker and a virtual clock, and both carry out what
comes back (outs.py) in the order it comes back:

- `Publish`  send this message now, or not at all; with a token it is part of a command: say with
             `left` whether it left, and with `acknowledged` when the broker has it
- `Present`  of the set as a Homie 5 device (presence.py): on the connection that has its will
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

from collections.abc import Callable, Iterable, Sequence
from dataclasses import replace

from studiobridge.bridge.buttons import Buttons
from studiobridge.bridge.channel import OUTLASTS, Channel
from studiobridge.bridge.clock import STEP
from studiobridge.bridge.delivery import Delivery
from studiobridge.bridge.misheard import Misheard, tried
from studiobridge.bridge.outs import Ending, Out, Publish, Restrain, Walk, Write
from studiobridge.bridge.ownership import Cut
from studiobridge.bridge.presence import Presence
from studiobridge.bridge.saying import Saying
from studiobridge.bridge.showing import Showing
from studiobridge.bridge.sighted import Sightings
from studiobridge.bridge.trials import Trials
from studiobridge.control.controller import Controller
from studiobridge.control.desk import Attempt, Tried
from studiobridge.control.effects import (
    Announce,
    Ask,
    Effect,
    FaultNote,
    LockoutNote,
    MadeQuiet,
    Memory,
    Note,
    QuietNote,
    RequestNote,
    RollingNote,
    RunNote,
    Save,
    Says,
    StepNote,
    TakeNote,
    Tell,
    Wake,
)
from studiobridge.control.events import (
    Due,
    Event,
    LinkDown,
    LinkUp,
    Noted,
    QuietNoted,
    Request,
    Rival,
    Room,
    Saved,
    Unsent,
)
from studiobridge.profile.model import Preset, SetProfile, figure
from studiobridge.profile.plain import plain
from studiobridge.profile.said import Answer, Said, Unreadable
from studiobridge.speech import Speech
from studiobridge.speech.message import Message
from studiobridge.speech.slots import values_of

# What may put power on something or change it: not before it is known what is locked out.
SWITCHES_ON = ("up", "toggle", "restore", "try", "match", "adjust")


def energises(tell: Tell) -> bool:
    """Does this command bring something on, or leave it on?"""
    return any(
        value is True if point == "switch" else point == "level" and figure(value) > 0.0
        for point, value in tell.values
    )


def counted_on(was: MadeQuiet, offset: float, now: float) -> MadeQuiet:
    """What the record has by the wall clock, on the controller's, where the clock may be trusted.

    One that stands before the moment it went off was set back, or is that of a machine without one:
    how long it has been off is not known, so it comes back at once, after all of its rest.
    """
    if was.noted_at > now + offset + STEP:
        return replace(was, off_at=now, back_at=now)
    return replace(was, off_at=was.off_at - offset, back_at=was.back_at - offset)


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
                takes=tuple(replace(x, at=x.at - offset) for x in memory.takes),
                ticks=tuple(replace(x, at=x.at - offset) for x in memory.ticks),
                opened=None if memory.opened is None else memory.opened - offset,
                closed=None if memory.closed is None else memory.closed - offset,
                rolling_since={n: at - offset for n, at in memory.rolling_since.items()},
                quiet=tuple(counted_on(x, offset, now) for x in memory.quiet),
            )
        self.misheard = Misheard()
        # what left last to each device, and when
        self._told_last: dict[str, tuple[float, Sequence[Message]]] = {}
        self.controller = Controller(profile, memory, now, self._tried)
        self.now = now
        self.trials = Trials()
        self.buttons = Buttons(profile, instance, now)
        self.presence = Presence(profile, instance, wall, now)
        self.sightings = Sightings(profile, wall, now)
        self.showing = Showing(self.controller, self.misheard, instance, wall, self.presence)
        self.saying = Saying(self.controller, memory or Memory(), wall, now)
        self._link = False
        # what was free last where the record is kept (bytes)
        self._free: float | None = None
        self._misheard_due: float | None = None
        # lacks that are in the record: each once
        self._lacks_noted: set[tuple[str, str]] = set()
        # why what the record holds is not known, if it is not
        self._unread: str | None = None
        self.delivery = Delivery()
        self._delivery_due: float | None = None
        self._more_out = False  # what is out has changed: ask Delivery when it must be woken
        self._outlasting = False  # what is being handled must be on disk before it is answered
        self.channel = Channel(profile, self.delivery, self.controller.gates.live_with, wall, now)
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
        """A fault of the program in this set: it says so once, and nothing after that."""
        self.now = at
        self.controller.failure = why
        self._outs.clear()
        return [self.showing.failed(why), *self.presence.failed(why, at)]

    def subscriptions(self) -> list[tuple[str, int]]:
        """Every topic filter this set listens to, with its QoS."""
        filters = dict(self.speech.subscriptions())
        for topic in self.buttons.topics:
            if not self.speech.hears_topic(topic):
                filters[topic] = 1
        # at QoS 0, and clean sessions lose nothing by it: a flood of requests then never fills
        # the few messages a broker keeps in flight, through which a cut and the reports come
        filters[self.channel.ask_topic] = 0
        filters[self.channel.cut_topic] = 1
        filters.update(self.presence.subscriptions())
        filters.update(self.sightings.topics)
        return list(filters.items())

    def link_up(self, at: float, epoch: int = 0) -> list[Out]:
        """The link came. `epoch`: under which the set is run; 0 where nobody else could run it."""
        self.now = at
        self._link = True
        self.showing.epoch = epoch
        self.showing.all_anew()
        self.sightings.link_up(at)
        self._handle(LinkUp(at))
        return self._done()

    def link_down(self, at: float) -> list[Out]:
        self.now = at
        self._link = False
        self.presence.down()
        self.delivery.link_down(at)
        self._handle(LinkDown(at))
        return self._done()

    def message(self, message: Message, at: float) -> list[Out]:
        """A message came in. Whatever it holds, this does not raise."""
        self.now = at
        if self.channel.hears(message.topic):
            for came in self.channel.hear(message, at):
                if isinstance(came, Publish):
                    self._outs.append(came)
                elif isinstance(came, Request):
                    self._asked(came)
                else:
                    self._handle(came)
            return self._done()
        if self.sightings.hears(message.topic):
            for looked in self.sightings.hear(message, at):
                self._handle(looked)
            return self._done()
        if self.presence.asks(message.topic):
            self._set(message)
            return self._done()
        if self.presence.hears(message.topic):
            anew, outs = self.presence.hear(message, at)
            self._outs += outs
            self.showing.changed(state=anew)
        follow = None
        found = self._said(message)
        self.trials.heard(message, found, at)
        for said in found:
            if follow is not None:
                self._handle(follow, more=True)
            follow = said
        if follow is not None:
            self._handle(follow)
        if self.speech.lacking.changed:
            self._lacking(message.topic)
        for request in self.buttons.hear(message, at):
            self._ask(request)
        return self._done()

    def presence_up(self, at: float) -> list[Out]:
        """The broker has the will of the set as a Homie 5 device, and hears what it says."""
        self.now = at
        self._outs += self.presence.up(at)
        return self._done()

    def presence_down(self, at: float) -> list[Out]:
        """It has not any more; it says `lost` of the device."""
        self.now = at
        self.presence.down()
        return self._done()

    def _set(self, message: Message) -> None:
        """A property of the set was set: a request like any other, let in by the same lane."""
        dropped = self.channel.floods(message, self.now)
        if dropped is not None:
            for said in dropped:
                self._handle(said)
            return
        asked = self.presence.request(message, self.now)
        if isinstance(asked, Request):
            self._ask(asked)
            self.showing.changed(state=True)
        elif asked is not None:
            self._handle(asked)
            self._outs += self.presence.log(asked.why, self.now)

    def _said(self, message: Message) -> Sequence[Said]:
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
        if (slow is None) != (self.showing.slow is None):
            self.showing.slow = slow
            self.showing.changed(state=True)
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
        if self.showing.due(name):
            pass
        elif name == "delivery":
            self._delivery_due = None
            self._more_out = True
            why = self.delivery.overdue(at)
            if why is not None:
                self._outs.append(Cut(why))
        elif name == "misheard":
            self._misheard_due = None
            for of in self.misheard.due(at):
                self._show_misheard(of)
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
            elif isinstance(note, QuietNote):
                self._handle(QuietNoted(at, note.device, note.action, on_disk))
            else:
                self.channel.noted(note, on_disk)
        self._outs += self.channel.waited(at)
        return self._done()

    def record_fault(self, fault: str | None, at: float, lost: int = 0) -> list[Out]:
        """The record cannot be written (or can again: None), and has lost so many notes.

        Shown, and nothing else.
        """
        self.now = at
        self.channel.record_fault = self.showing.record_fault = fault
        self.showing.record_lost = lost
        self.showing.changed(state=True)
        self._handle(Room(at, self._free, fault))
        return self._done()

    def room(self, free: float | None, at: float) -> list[Out]:
        """So many bytes are free where the record is kept; None: nobody can say."""
        self.now, self._free = at, free
        self._handle(Room(at, free, self.channel.record_fault))
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
            self.channel.here(request.id)
        self._ask(request)
        return self._done()

    # ---- what is asked --------------------------------------------------------------------

    def _asked(self, request: Request) -> None:
        """Asked by message: what must outlast this bridge is on disk before it is answered."""
        self._outlasting = request.what in OUTLASTS
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

    # ---- out ----------------------------------------------------------------------------------

    def _handle(self, event: Event, more: bool = False) -> None:
        if self.controller.failed:
            return
        if isinstance(event, Unreadable):
            self._show_misheard(event.device, self.misheard.unreadable(event))
        for effect in self.controller.handle(event, more):
            self.saying.happened(effect, self.now)
            self._carry_out(effect)

    def _show_misheard(self, name: str | None, now: bool = True) -> None:
        """What is wrong with what was said has changed: show it, now or when its time comes."""
        if not now:
            pass
        elif name is None:
            self.showing.changed(state=True)
        else:
            self.showing.changed(devices=(name,))
        due = self.misheard.next_due()
        if due != self._misheard_due:
            self._misheard_due = due
            self._outs.append(Wake("misheard", due))

    def _carry_out(self, effect: Effect) -> None:
        kind = type(effect)
        if kind is Announce:
            assert isinstance(effect, Announce)
            self.showing.changed(effect.state, effect.drift, effect.devices)
            if effect.state and self.controller.desk.listened:
                self.saying.look(self.now)
        elif isinstance(effect, Says):
            pass  # said already
        elif isinstance(effect, Tell):
            messages = self.speech.tell(effect.device, effect.values, effect.fade)
            self._told_last[effect.device] = (self.now, messages)
            self.trials.told(effect.device, effect.values, messages, effect.expires_in, self.now)
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
            self.trials.asked(effect.device, self.speech.ask(effect.device), expiry, self.now)
            for message in self.speech.ask(effect.device):
                self._outs.append(Publish(replace(message, expiry=expiry)))
        elif isinstance(effect, Wake | Save):
            self._outs.append(effect)
        elif isinstance(effect, Answer):
            self._answered(effect)
        elif isinstance(effect, StepNote | QuietNote):
            self._outs.append(Write(effect, back=effect.phase == "intended"))
        elif self._outlasting and isinstance(effect, LockoutNote | RollingNote | TakeNote):
            # who is told that nothing will be energised may reach in: it is on disk before that
            self.channel.wait_for(effect)
            self._outs.append(Write(effect, back=True))
        else:
            assert not isinstance(effect, Announce)
            self._outs.append(Write(effect))
            if isinstance(effect, RunNote):
                self._run_noted(effect)
                if effect.phase == "begun" and effect.what == "try":
                    # by its note: a run that turns it around may have begun with the same event
                    device = effect.text.partition(" ")[0]
                    self.trials.begins(device, self.controller.desk.feeds.line, self.now)

    def _run_noted(self, note: RunNote) -> None:
        down = note.what in ("down", "cut") and note.phase in ("done", "stalled")
        if down and self._on_slots:
            self._outs.append(Ending())

    def _answered(self, answer: Answer) -> None:
        if answer.final:
            self._coded(answer)
            answer = self.trials.shown_in(answer, self.speech.lacking)
        said = self.presence.answer(answer, self.now)
        self._outs += self.channel.answer(answer, self.now) if said is None else said

    def _coded(self, answer: Answer) -> None:
        """The code of an answer goes into the record with it: asked again, it is the same."""
        for i in range(len(self._outs) - 1, -1, -1):
            out = self._outs[i]
            if isinstance(out, Write) and isinstance(out.note, RequestNote):
                if out.note.id == answer.request_id:
                    self._outs[i] = replace(out, note=replace(out.note, code=answer.code))
                return

    def _done(self) -> list[Out]:
        if self.controller.failed:
            return []
        if self._on_slots:
            self._restrain()
        if self._link:
            self._outs += self.showing.announce(self.now)
        self._outs += self.saying.take(self.now, self._link)
        if self._more_out:
            self._more_out = False
            due = self.delivery.next_due()
            if due is not None and (self._delivery_due is None or due < self._delivery_due):
                self._delivery_due = due
                self._outs.append(Wake("delivery", due))
        outs, self._outs = self._outs, []
        return outs

    # ---- views ----------------------------------------------------------------------------------

    def state(self) -> dict[str, object]:
        return self.showing.state(self.now)

    def devices(self) -> dict[str, dict[str, object]]:
        return {name: self.device(name) for name in self.profile.devices}

    def device(self, name: str) -> dict[str, object]:
        return self.showing.device(name, self.now)

    def drift(self) -> list[dict[str, object]]:
        return self.showing.drift(self.now)

    def run(self) -> dict[str, object] | None:
        return self.showing.run(self.now)

    def status(self) -> dict[str, object]:
        """The shape of `status --json`."""
        return {**self.state(), "devices": self.devices()}
