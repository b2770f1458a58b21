"""One evening from one seed: controller, mock broker and gear in one thread, in virtual time.

What may happen: people ask (also at the worst moments), touch lights, unplug, start takes;
the network loses, delays, repeats and reorders; the broker restarts with or without what it
kept; devices are deaf, late, restart, flap, lie, and speak on another's topic; contacts weld,
meters fall silent, plugs are dead, descriptions are nonsense, cameras cannot say that they
roll; the record
cannot be written for a while, or its disk is slow; the bridge is killed at any event and started
again from what was on the disk. The laws are watched after everything that leaves or reaches the bridge.

Everything that happens to the evening has dice of its own, so that any part of it can be left
out (`without`) and the rest stays as it was: that is how a failing evening is made short.

The end of every evening: the trouble stops, people put everything back, and then a run-up has
to reach `ready` and a run-down `dark` (liveness).
"""

from __future__ import annotations

import contextlib
import heapq
import json
import random
from collections import deque
from dataclasses import dataclass, field, replace

from studiobridge.bridge.core import Core
from studiobridge.bridge.outs import Ending, Out, Publish, Restrain, Walk, Write
from studiobridge.bridge.topics import answer_topic, ask_topic, device_topic, state_topic
from studiobridge.control.acts import Active, Run
from studiobridge.control.controller import Controller
from studiobridge.control.effects import (
    ByHand,
    DriftNote,
    HandNote,
    Lockout,
    LockoutNote,
    MadeQuiet,
    Memory,
    Note,
    QuietNote,
    RequestNote,
    RollingNote,
    RunNote,
    Save,
    SessionNote,
    StateNote,
    StepNote,
    TakeNote,
    Tick,
    TickNote,
    Wake,
)
from studiobridge.control.states import Turn
from studiobridge.control.steps import Happening
from studiobridge.profile.model import HOMIE5, Point, Preset, SetProfile, Value
from studiobridge.profile.said import Report
from studiobridge.rehearsal import MockBroker, Room, Trouble
from studiobridge.rehearsal.devices import Happening as GearDid
from studiobridge.speech import FarEnd, Speech
from studiobridge.speech.message import Message
from tests.simulate.anew import the_bridge_starts_anew
from tests.simulate.frames import FrameLaws, Network
from tests.simulate.gear import somebody_wakes_a_computer
from tests.simulate.laws import Laws

BRIDGE = "the bridge"
PEOPLE = "people"
WALL = 1_800_000_000.0
# What the network may do to an evening, each on its own dice.
NETWORK = {
    "jitter": [0.0, 0.02, 0.3],
    "loss": [0.0, 0.0, 0.05],
    "duplicate": [0.0, 0.0, 0.1],
    "reorder": [0.0, 0.0, 0.05],
    "slow": [0.0, 0.0, 0.01],
}
DISK_FULL = "the record cannot be written: the disk is full"
# One evening act in so many is one of those that gear and people do more seldom.
SELDOM = 0.35
# After one act in so many somebody tries a device, or a few of them.
TRIES = 0.3
# One meter in so many speaks by its own clock, every so often (s).
METERS_THAT_REPEAT = 0.3
METER_EVERY = (2.0, 10.0)
# What meters and lamps err by (common practice): a share that stays, the smallest difference a meter
# shows, what it calls nothing (W), and what a lamp has aged since it was metered.
GAINS, METER_STEPS, BLIND, AGES = (
    (0.985, 1.015),
    (0.1, 0.1, 0.5, 1.0),
    (0.0, 0.0, 2.0),
    (0.97, 1.03),
)
# What asks for nothing and is answered: so many of them, and an answer is long ago.
OTHERS = 300
# A device that answers when it is asked has to be asked again by itself within (s).
HEARD_AGAIN = 90.0
# Formats and units that no description should say, and some do; None: the unit stays.
NONSENSE = (
    ("-5:0:1", "MK⁻¹"),
    ("-100:0:50", "MK⁻¹"),
    ("0:0.001:0.001", "MK⁻¹"),
    ("-5:0:1", None),
    ("0:100:0", None),
    ("0:100:-1", None),
    ("100:0:1", None),
    ("a:b:c", None),
    (":::", None),
    ("0:1e999:1", None),
    ("nan:nan:nan", None),
    ("0:100:1", "lx"),
    ("-9:-1:1", "MK⁻¹"),
)
# Where answers may be asked to go: below the set's own topic, and not a topic at all.
NO_TOPICS = ("/#", "/+", "/+/here", "/a/#", "/#/b")
# One disk in so many is slow, and takes so long (s) for what is written together. The bridge
# waits a second for a note and no longer.
SLOW_DISKS = 0.3
DISK_TAKES = (0.0, 0.0, 0.01, 0.3, 0.9)
# An evening of these lengths takes some hundred events; a busy loop takes all there are.
MOST_EVENTS = 100_000


class Notebook:
    """The record, as far as the bridge needs it to start again."""

    def __init__(self) -> None:
        self.notes: list[Note] = []
        self.ahead = 0.0  # by how much the machine's clock was set forward, now
        self.quiet: dict[str, MadeQuiet] = {}
        self.failing = False
        self.waiting: list[Note] = []  # in the bridge's memory, until the disk takes them

    def write(self, note: Note) -> None:
        (self.waiting if self.failing else self.notes).append(note)
        if isinstance(note, QuietNote) and not self.failing:
            self._quietly(note)

    def _quietly(self, note: QuietNote) -> None:
        at = WALL + note.at + self.ahead
        self.quiet.pop(note.device, None)
        if note.phase != "over":
            self.quiet[note.device] = MadeQuiet(
                note.device,
                at - note.off_for,
                at + note.left,
                note.cut,
                note.rolling,
                note.by,
                at,
            )

    def works_again(self) -> None:
        self.failing = False
        for note in self.waiting:
            if isinstance(note, QuietNote):
                self._quietly(note)
        self.notes += self.waiting
        self.waiting.clear()

    def memory(self) -> Memory:
        state, look = "dark", None
        session: int | None = None
        sessions = runs = drifts = 0
        run: RunNote | None = None
        lockouts: dict[str, Lockout] = {}
        rolling: dict[str, bool] = {}
        by_hand: dict[str, ByHand] = {}
        answered: dict[str, tuple[int, str]] = {}
        takes: list[TakeNote] = []
        of = _Past()
        for note in self.notes:
            of.note(note)
            if isinstance(note, StateNote):
                state, look = note.state, note.look
            elif isinstance(note, SessionNote):
                sessions = max(sessions, note.session)
                session = None if note.phase == "closed" else note.session
                if note.phase in ("opened", "closed"):
                    by_hand.clear()
            elif isinstance(note, HandNote):
                preset = Preset(note.level, note.cct, note.colour)
                by_hand[note.device] = ByHand(preset, note.by, WALL + note.at)
            elif isinstance(note, RunNote):
                runs = max(runs, note.run)
                run = note
            elif isinstance(note, DriftNote):
                drifts = max(drifts, note.drift)
            elif isinstance(note, LockoutNote):
                if note.phase == "set":
                    lockouts[note.target] = Lockout(note.target, note.by, note.why, WALL + note.at)
                else:
                    lockouts.pop(note.target, None)
            elif isinstance(note, RollingNote):
                rolling[note.device] = note.rolling
            elif isinstance(note, TakeNote):
                takes.append(replace(note, at=WALL + note.at))
            elif isinstance(note, RequestNote) and note.phase in ("done", "failed", "refused"):
                code = int(note.phase != "done") if note.code is None else note.code
                answered[note.id] = (code, note.text)
        begun = run is not None and run.phase == "begun"
        return Memory(
            state=state,
            look=look,
            session=session,
            next_session=sessions + 1,
            next_run=runs + 1,
            next_drift=drifts + 1,
            run=run.what if run is not None and begun else None,
            everything=run is not None and begun and run.text == "everything",
            lockouts=tuple(lockouts.values()),
            by_hand=dict(by_hand) if session is not None else {},
            rolling=frozenset(n for n, on in rolling.items() if on),
            stopped=frozenset(n for n, on in rolling.items() if session is not None and not on),
            quiet=tuple(self.quiet.values()),
            takes=tuple(takes),
            next_take=max((note.take for note in takes), default=0) + 1,
            answered=tuple((id_, code, text) for id_, (code, text) in answered.items()),
            last_session=of.session,
            last_kwh=of.kwh,
            opened=of.opened,
            closed=of.closed,
            ticks=tuple(of.ticks.values()),
            rolled=frozenset(of.rolled),
            rolling_since={n: of.moved[n] for n, on in rolling.items() if on},
        )


@dataclass(slots=True)
class _Past:
    """Of the session that is open, or was last: when, its ticks, who rolled in it."""

    session: int | None = None
    kwh: float | None = None
    opened: float | None = None
    closed: float | None = None
    ticks: dict[str, Tick] = field(default_factory=dict)
    rolled: set[str] = field(default_factory=set)
    moved: dict[str, float] = field(default_factory=dict)

    def note(self, note: Note) -> None:
        at = WALL + note.at
        if isinstance(note, SessionNote):
            if note.session != self.session:
                self.session, self.kwh, self.opened, self.closed = note.session, None, None, None
                self.ticks.clear()
                self.rolled.clear()
            if note.phase == "opened":
                self.opened = at
            elif note.phase == "closed":
                self.closed = at
            self.kwh = note.kwh if note.kwh is not None else self.kwh
        elif isinstance(note, TickNote) and note.session == self.session:
            self.ticks.pop(note.item, None)
            if note.phase == "on":
                self.ticks[note.item] = Tick(note.item, note.by, at)
        elif isinstance(note, RollingNote):
            self.moved[note.device] = at
            if note.rolling and self.session is not None and self.closed is None:
                self.rolled.add(note.device)


@dataclass(slots=True)
class Outcome:
    """How an evening went."""

    seed: int
    breaches: list[str]
    kinds: set[str] = field(default_factory=set)
    events: int = 0
    told: int = 0
    states: set[str] = field(default_factory=set)
    turns: set[tuple[str, str]] = field(default_factory=set)
    steps: set[tuple[str, str]] = field(default_factory=set)
    end: str = ""
    did: list[str] = field(default_factory=list)
    trace: list[str] = field(default_factory=list)


class Evening:
    """The bridge, the broker and the room, one clock, one seed."""

    def __init__(
        self,
        profile: SetProfile,
        seed: int,
        trouble: Trouble,
        calm: bool,
        trace: bool = False,
        seldom: bool = True,
    ) -> None:
        self.profile = profile
        self.seed = seed
        self.now = 0.0
        self.jumped = 0.0
        self.calm = calm
        self.laws = Laws(profile, calm)
        self.broker = MockBroker(seed, trouble)
        self.room = Room(profile, seed, keep_alive=4.0)
        self.notebook = Notebook()
        self.outcome = Outcome(seed, self.laws.breaches)
        self.tracing = trace
        self.dice = random.Random(f"people {seed}")  # of the act that happens now
        self.asked = 0
        self.starts = 0
        self.wakes: dict[str, float] = {}
        self._wake_heap: list[tuple[float, str]] = []
        self.linked = False
        self.link_again: float | None = None
        self.record_again: float | None = None
        # a disk of its own speed, with dice of its own; what is on its way to it, in order
        self._disk_dice = random.Random(f"storage {seed}")
        self.slow_disk = self._disk_dice.random() < SLOW_DISKS
        self._to_disk: deque[tuple[float, Write]] = deque()
        self._told_late: list[Note] = []  # the bridge knows that these are not on disk
        self.core: Core
        self._ends = {
            name: FarEnd(profile, name)
            for name, d in profile.devices.items()
            if d.speaks is not None and d.slots is None
        }
        self.network = Network(profile, FrameLaws(profile, self.laws))
        self._by_topic: dict[str, list[str]] = {}
        for name, end in self._ends.items():
            for topic, _ in end.subscriptions():
                self._by_topic.setdefault(topic, []).append(name)
        self._reader = Speech(profile)
        self._answers = answer_topic(profile.name)
        self._state = state_topic(profile.name)
        self.laws.mutes.truth = self._truly_at
        self.laws.mutes.metered = self._is_metered
        self._devices = device_topic(profile.name, "")
        self.laws.truly_rolling = lambda name: self.room.devices[name].rolling
        self.mute = [
            d.name
            for d in profile.devices.values()
            if d.kind == "camera" and "rolling" not in d.hears
        ]
        self.nonsense: set[str] = set()  # described itself so, and has not joined again since
        gear = random.Random(f"gear {seed}")
        for device in self.room.devices.values() if seldom else ():
            if "watts" in device.device.hears and gear.random() < METERS_THAT_REPEAT:
                device.meter_every = gear.uniform(*METER_EVERY)
        more = random.Random(f"meters {seed}")
        for name in sorted(self.laws.mutes.of) if seldom else ():
            self.room.devices[name].age = more.uniform(*AGES)
            plug = self.room.devices.get(str(self.profile.devices[name].fed_by))
            if plug is None:
                continue  # straight on its circuit: nothing meters it
            # every second, every ten, or only what has changed
            plug.meter_every = more.choice([None, more.uniform(*METER_EVERY), plug.meter_every])
            plug.meter_gain = more.uniform(*GAINS)
            plug.meter_step = more.choice(METER_STEPS)
            plug.meter_blind = more.choice(BLIND)

    def note(self, text: str) -> None:
        if self.tracing:
            self.outcome.trace.append(f"{self.now:9.3f}  {text}")

    # ---- carrying things about ------------------------------------------------------------------

    def _watch_turns(self, controller: Controller) -> None:
        """Note every way of the two tables that is taken; nothing is judged by it."""
        turn_to = controller.standing.turn

        def watched(turn: Turn, at: float, why: str = "") -> None:
            self.outcome.turns.add((controller.state, turn))
            turn_to(turn, at, why)

        controller.standing.turn = watched  # type: ignore[method-assign]
        steps = controller.runs.steps
        happens = steps._happens

        def seen(run: Run, active: Active, what: Happening, at: float) -> None:
            if what in ("noted", "due"):
                what = steps._in_the_way(run, active, at) or what
            self.outcome.steps.add((active.stage, what))
            happens(run, active, what, at)

        steps._happens = seen  # type: ignore[method-assign]

    def start_bridge(self) -> None:
        """The bridge starts (again) from what is written down."""
        self.starts += 1
        self.wakes.clear()
        self._wake_heap.clear()
        offset = self.now
        # what waited for the disk died with the bridge
        self.notebook.waiting.clear()
        self._to_disk.clear()
        self.notebook.failing = False
        self.record_again = None
        memory = self.notebook.memory()
        self.core = Core(
            self.profile,
            memory,
            f"b{self.starts}",
            lambda at: WALL + at + self.jumped,
            offset,
        )
        self._watch_turns(self.core.controller)
        self.laws.restarted(memory)
        self.network.restarted(self.core.supposed())
        self._reader = Speech(self.profile)
        self.note(f"the bridge starts ({self.starts})")
        self.link_bridge()

    def kill_bridge(self) -> None:
        self.note("the bridge is killed")
        self._to_disk.clear()
        self.broker.drop(BRIDGE, self.now)
        self.linked = False
        self.network.link(False, self.now)

    def link_bridge(self) -> None:
        self.broker.connect(BRIDGE, self.now, None, 5.0)
        self.broker.subscribe(BRIDGE, self.core.subscriptions(), self.now)
        self.linked = True
        self.link_again = None
        self.laws.link_up(self.now)
        lost = self.network.link(True, self.now)
        self.outs(self.core.link_up(self.now))
        for number in lost:
            self.outs(self.core.unsent(number, f"universe {number} fell silent", self.now))

    def lose_link(self, seconds: float) -> None:
        if not self.linked:
            return
        self.note(f"the bridge loses its link for {seconds:.1f} s")
        self.broker.drop(BRIDGE, self.now)
        self.linked = False
        self.link_again = self.now + seconds
        self.network.link(False, self.now)
        self.outs(self.core.link_down(self.now))

    def outs(self, outs: list[Out]) -> None:
        """Carry out what the core wants, watched by the laws."""
        takes = self._disk_dice.choice(DISK_TAKES) if self.slow_disk else 0.0
        tokens: list[int] = []
        for out in outs:
            if isinstance(out, Write):
                self.laws.noted(out.note, self.linked)
                if isinstance(out.note, StateNote):
                    self.outcome.states.add(out.note.state)
                    if out.note.state == "ready":
                        self.network.laws.ready(self.now, out.note.look)
                if self.tracing:
                    self.note(f"noted {out.note}")
                before = self._to_disk[-1][0] if self._to_disk else self.now
                self._to_disk.append((max(before, self.now + takes), out))
            elif isinstance(out, Publish):
                if "#" in out.message.topic or "+" in out.message.topic:
                    # a client refuses it, with an exception
                    self.laws.breaches.append(
                        f"topic at {self.now:.2f} s: {out.message.topic} is no topic to publish on"
                    )
                if out.message.topic.startswith(self._answers):
                    self._answered(out.message)
                if out.token is not None:
                    self.core.left(out.token, self.linked, self.now)
                if not self.linked:
                    continue
                if out.token is not None:
                    tokens.append(out.token)
                self._told(out.message)
                if out.message.topic.startswith(self._devices) and out.message.payload:
                    view = json.loads(out.message.payload)
                    self.laws.mutes.views[view["device"]] = view
                if out.message.topic == self._state:
                    self.laws.shown(self.now, json.loads(out.message.payload))
                self.broker.publish(BRIDGE, out.message, self.now)
            elif isinstance(out, Wake):
                if out.at is None:
                    self.wakes.pop(out.name, None)
                else:
                    at = max(out.at, self.now)
                    self.wakes[out.name] = at
                    heapq.heappush(self._wake_heap, (at, out.name))
            elif isinstance(out, Walk | Restrain | Ending):
                self._to_universe(out)
            elif isinstance(out, Save):
                self.laws.saved(out.look, out.presets)
                self._save(out)
        # the way to the broker is short here; what holds it up has evenings of its own (stalls.py)
        for token in tokens:
            self.outs(self.core.acknowledged(token, self.now))
        if self._to_disk:
            self._write()

    def _to_universe(self, out: Walk | Restrain | Ending) -> None:
        network = self.network
        if isinstance(out, Walk):
            self.core.left(out.token, self.linked, self.now)
            if not self.linked:
                return
            self.outcome.told += 1
            self.note(f"told {out.device} {dict(out.values)} in {out.fade:g} s")
            self.laws.told(self.now, out.device, list(out.values.items()), 2.0)
            network.laws.walked(out.device, out.values)
            frames = network.of(out.device)
            frames.tell(out.device, out.values, out.fade, self.now)
            if self.core.controller.beliefs.of[out.device].unsent is not None:
                self.outs(self.core.unsent(frames.universe.number, None, self.now))
            return
        for frames in network.frames.values():
            if isinstance(out, Restrain):
                frames.lock(out.locked, self.now)
                frames.hold(out.held, self.now)
            else:
                frames.end(self.now)

    def _frames(self) -> None:
        for frame in self.network.due(self.now):
            self.gear(self.room.frame(frame.universe, frame.slots, frame.last, self.now))

    def _save(self, save: Save) -> None:
        """The profile is rewritten: a bridge that starts again reads it so."""
        look = self.profile.looks[save.look]
        look = replace(look, presets={**look.presets, **save.presets})
        self.profile = replace(self.profile, looks={**self.profile.looks, save.look: look})
        self.outs(self.core.saved(save.request_id, None, self.now))

    def _write(self) -> None:
        """What the disk has taken by now; the bridge is told of what it waits for."""
        back: list[Note] = []
        while self._to_disk and self._to_disk[0][0] <= self.now:
            _, write = self._to_disk.popleft()
            self.notebook.write(write.note)
            if write.back:
                self.laws.on_disk(write.note)
                back.append(write.note)
        if back:
            if self.notebook.failing:
                self._told_late += back
            self.outs(self.core.noted(back, self.now, on_disk=not self.notebook.failing))

    def _told(self, message: Message) -> None:
        for name in self._by_topic.get(message.topic, ()):
            told = self._ends[name].told(message)
            if told is not None and told.values:
                self.outcome.told += 1
                self.note(f"told {name} {dict(told.values)}")
                self.laws.told(self.now, name, list(told.values), message.expiry)

    def gear(self, happenings: list[tuple[str, GearDid]]) -> None:
        """What the gear does, on its way to the broker."""
        self.broker.carry(happenings, self.now)

    def run(self, seconds: float) -> None:
        """Let time pass."""
        end = self.now + seconds
        while True:
            at = end
            for when in (
                self.broker.next_wake(),
                self.room.next_wake(),
                self.link_again,
                self.record_again,
                self._to_disk[0][0] if self._to_disk else None,
                self.network.next_due(),
            ):
                if when is not None and when < at:
                    at = when
            while (
                self._wake_heap and self.wakes.get(self._wake_heap[0][1]) != self._wake_heap[0][0]
            ):
                heapq.heappop(self._wake_heap)
            if self._wake_heap and self._wake_heap[0][0] < at:
                at = self._wake_heap[0][0]
            if at >= end:
                self.now = end
                return
            self.now = max(self.now, at)
            self.outcome.events += 1
            if self.outcome.events > MOST_EVENTS:
                raise RuntimeError("this evening does not end: something wakes itself for ever")
            if self.link_again is not None and self.link_again <= self.now:
                self.link_bridge()
            if self.record_again is not None and self.record_again <= self.now:
                self.mend_record()
            self._write()
            self._frames()
            self.gear(self.room.tick(self.now))
            self.laws.mutes.passing(self.now)
            for when, client, message in self.broker.due(self.now):
                self.now = max(self.now, when)
                if client == BRIDGE:
                    self._deliver(message)
                elif client != PEOPLE:
                    self.gear(self.room.handle(client, message, self.now))
            while self._wake_heap and self._wake_heap[0][0] <= self.now:
                when, name = heapq.heappop(self._wake_heap)
                if self.wakes.get(name) == when and self.linked_or_alive():
                    del self.wakes[name]
                    self.outcome.events += 1
                    if self.outcome.events > MOST_EVENTS:
                        raise RuntimeError(f"this evening does not end: {name} wakes itself")
                    self.outs(self.core.due(name, self.now))

    def linked_or_alive(self) -> bool:
        return self.linked or self.link_again is not None

    def break_record(self, seconds: float) -> None:
        self.note(f"the record cannot be written for {seconds:.1f} s")
        self.notebook.failing = True
        self.record_again = self.now + seconds
        self.outs(self.core.record_fault(DISK_FULL, self.now))

    def mend_record(self) -> None:
        self.note("the record can be written again")
        self.notebook.works_again()
        self.record_again = None
        late = [note for note in self._told_late if not isinstance(note, StepNote)]
        self._told_late = []
        self.outs(self.core.noted(late, self.now))
        self.outs(self.core.record_fault(None, self.now))

    def _answered(self, message: Message) -> None:
        answer = json.loads(message.payload)
        if answer["final"]:
            self.laws.answered(answer["id"])
            self.laws.lockout_answered(self.now, answer, self.notebook.notes)

    def _deliver(self, message: Message) -> None:
        if not self.linked:
            return
        asked: str | None = None
        if message.topic == ask_topic(self.profile.name) and not message.retain:
            with contextlib.suppress(ValueError, TypeError, KeyError, RecursionError):
                asked = json.loads(message.payload)["id"]
        if asked is not None:
            self.laws.arrived(asked, self.now)
        for heard in self._reader.hear(message, self.now):
            if isinstance(heard, Report):
                self.laws.heard(self.now, heard.device, heard.point, heard.value, heard.retained)
                kept = " kept" if heard.retained else ""
                self.note(f"heard {heard.device} {heard.point} {heard.value}{kept}")
        dropped = self.core.channel.dropped
        self.outs(self.core.message(message, self.now))
        if asked is not None and self.core.channel.dropped > dropped:
            # a crowd that a slow network held came all at once: counted and said, not answered
            self.laws.answered(asked)

    # ---- people ---------------------------------------------------------------------------------

    def ask(
        self, what: str, retain: bool = False, back_to: str | None = None, **more: object
    ) -> str:
        self.asked += 1
        id_ = str(more.pop("id", f"p{self.asked}"))
        body = {"id": id_, "what": what, "by": "somebody", **more}
        if not self.broker.connected(PEOPLE):
            self.broker.connect(PEOPLE, self.now, None, 60.0)
        self.note(f"somebody asks {body}")
        # also one that is to be kept is a request now, and none when the broker gives it later
        self.laws.made[id_] = self.now
        # the same id again may ask for something else, and the lockout was perhaps never heard
        self.laws.locking.pop(id_, None)
        if what == "lockout":
            self.laws.locking[id_] = str(body["targets"][0])  # type: ignore[index]
        message = Message(
            ask_topic(self.profile.name),
            json.dumps(body).encode(),
            retain=retain,
            response_topic=back_to,
        )
        self.broker.publish(PEOPLE, replace(message, expiry=3.0), self.now)
        return id_

    def others_act(self, act: int) -> None:
        """Whoever else there is does something, with dice of their own."""

    def ask_for_light(self) -> None:
        """The trouble is over: somebody wants the set up."""
        self.ask("up")

    def press(self, word: str, retain: bool = False) -> None:
        if not self.broker.connected(PEOPLE):
            self.broker.connect(PEOPLE, self.now, None, 60.0)
        self.note(f"somebody presses the button: {word}")
        self.laws.pressed_at = self.now
        message = Message("gear/door", word.encode(), retain=retain)
        self.broker.publish(PEOPLE, message, self.now)

    def somebody_does_something(self) -> None:
        dice = self.dice
        names = list(self.profile.devices)
        name = dice.choice(names)
        device = self.profile.devices[name]
        cameras = [n for n in names if self.profile.devices[n].kind == "camera"]
        what = dice.choice(
            [
                "up",
                "up",
                "down",
                "restore",
                "restore",
                "keep",
                "cut",
                "by hand",
                "lockout",
                "release",
                "touch",
                "touch",
                "touch",
                "touch",
                "unplug",
                "plug",
                "roll",
                "roll",
                "stop",
                "button",
                "bounce",
                "network",
                "link",
                "kill",
                "broker",
                "stale",
                "deaf",
                "reject",
                "again",
                "junk",
                "retained",
                "insist",
                "clock",
                "record",
                "cross",
                "lie",
                "flap",
                "chatter",
                "late",
                "reboot",
            ]
        )
        self.outcome.kinds.add(what)
        self.outcome.did.append(f"{self.now:9.3f}  {what} ({name})")
        if what == "up":
            # with something locked out it is refused, and every other time somebody insists
            insists = bool(self.laws.lockouts) and self.asked % 2 == 0
            self.ask("up", look=dice.choice(["day", "dusk", None]), force=insists)
        elif what == "down":
            self.ask("down", everything=dice.random() < 0.2)
        elif what == "restore":
            self.ask("restore", force=dice.random() < 0.2)
        elif what == "keep":
            self.ask("keep")
        elif what == "cut":
            self.ask("cut", yes=dice.random() < 0.7)
        elif what == "by hand":
            self.ask("set_by_hand", by="Ana")
        elif what == "clock":
            # the machine's wall clock is set: by a second, an hour or a day, either way
            self.jumped += dice.choice([-86400.0, -3600.0, -1.0, 1.0, 3600.0, 86400.0])
        elif what == "lockout":
            target = dice.choice([*names, *self.profile.circuits])
            self.ask("lockout", targets=[target], by="Ana", why="a cable")
        elif what == "release":
            for target in sorted(self.laws.lockouts):
                self.ask("release", targets=[target], by="Ana")
        elif what == "touch" and device.kind != "computer":
            self.gear(
                self.room.touch(
                    name,
                    self.now,
                    level=dice.uniform(0, 100) if device.fixture else None,
                    cct=dice.choice([None, 3200.0, 6000.0]) if device.fixture else None,
                    switch=dice.choice([None, True, False]),
                )
            )
            self.note(f"somebody touches {name}")
        elif what == "unplug":
            self.note(f"somebody unplugs {name}")
            self.gear(self.room.unplug(name, self.now))
        elif what == "plug":
            self.gear(self.room.plug_in(name, self.now))
        elif what in ("roll", "stop") and cameras:
            self.note(f"somebody: camera {what}")
            self.gear(self.room.roll(dice.choice(cameras), self.now, what == "roll"))
        elif what == "button":
            self.press(dice.choice(["press", "hold", "twice", "nonsense"]))
        elif what == "bounce":
            for _ in range(dice.randint(2, 5)):
                self.press("press")
                self.run(0.03)
        elif what == "network" and device.speaks is not None:
            self.gear(self.room.lose_network(name, self.now, dice.uniform(0.5, 20)))
        elif what == "link":
            self.lose_link(dice.uniform(0.1, 20))
        elif what == "kill":
            self.kill_bridge()
            self.run(dice.choice([0.0, 0.5, 10.0]))
            self.start_bridge()
        elif what == "broker":
            self.restart_broker(memory=dice.random() < 0.6)
        elif what == "stale" and name in self._ends:
            for message in self._ends[name].report(
                {
                    p: dice.random() < 0.5 if p in ("switch", "online", "rolling", "down") else 50.0
                    for p in sorted(device.hears)
                    if p not in ("cct", "watts")
                },
                device.hears,
            ):
                self.broker.forget_or_keep(message.topic, message.payload)
        elif what == "deaf":
            self.room.devices[name].deaf = True
        elif what == "reject" and device.fixture:
            self.room.devices[name].rejects = frozenset({"level"})
        elif what == "again":
            self.ask(dice.choice(["up", "down"]), id=f"p{self.asked}")
        elif what == "junk":
            junk = Message(
                ask_topic(self.profile.name), dice.choice([b"{}", b"up", b"\xff", b"[" * 3000])
            )
            self.broker.publish(PEOPLE, junk, self.now)
        elif what == "retained":
            if dice.random() < 0.5:
                self.ask("up", retain=True)
            else:
                self.press("press", retain=True)
            if dice.random() < 0.3:
                self.run(20.0)
                self.ask("down")
                self.run(60.0)
                self.kill_bridge()
                self.run(1.0)
                self.start_bridge()
        elif what == "record":
            self.break_record(dice.choice([1.0, 20.0, 120.0]))
        elif what == "cross":
            alike = [
                n for n in names if n != name and self.profile.devices[n].speaks == device.speaks
            ]
            if device.speaks is not None and alike:
                other = dice.choice(alike)
                self.note(f"{name} speaks on {other}'s topics")
                self.say(name, other, self.room.devices[name].state())
        elif what == "lie" and device.speaks is not None:
            said: dict[Point, Value] = {}
            for point in sorted(device.hears):
                if point in ("switch", "online", "rolling", "down"):
                    said[point] = dice.random() < 0.5
                elif point == "level":
                    said[point] = dice.uniform(0, 100)
                elif point == "watts":
                    said[point] = dice.choice([0.0, 80.0])
            self.note(f"{name} lies: {said}")
            self.say(name, name, said)
        elif what == "flap" and device.speaks is not None:
            for _ in range(dice.randint(3, 8)):
                self.gear(self.room.lose_network(name, self.now, dice.uniform(0.1, 0.6)))
                self.run(1.0)
        elif what == "chatter" and device.kind == "plug":
            for _ in range(dice.randint(3, 9)):
                self.gear(self.room.touch(name, self.now, switch=dice.random() < 0.5))
                self.run(dice.choice([0.02, 0.3]))
        elif what == "late":
            self.room.devices[name].late = dice.choice([1.0, 5.0, 60.0])
        elif what == "reboot":
            self.note(f"{name} loses its mains for a moment")
            self.gear(self.room.unplug(name, self.now))
            self.run(dice.choice([0.1, 0.6, 3.0]))
            self.gear(self.room.plug_in(name, self.now))
        elif what == "insist":
            stubborn = [n for n in names if self.profile.devices[n].restores > 0]
            for _ in range(5 if stubborn else 0):
                self.gear(self.room.touch(stubborn[0], self.now, level=dice.uniform(0, 100)))
                self.run(12.0)

    def somebody_tries(self, dice: random.Random) -> None:
        """One device after another, what feeds it first or not, and something in the middle."""
        devices = self.profile.devices
        self.outcome.kinds.add("try")
        for _ in range(dice.choice([1, 1, 2, 4])):
            name = dice.choice(list(devices))
            feed = devices[name].fed_by
            if feed in devices and dice.random() < 0.5:
                # as the answer says: what feeds it first
                self.ask("try", targets=[feed], value="on")
                self.run(dice.choice([0.3, 3.0, 8.0]))
            level = f"{dice.uniform(0, 100):.1f} %"
            value = dice.choice(["on", "off", "off", level, level, "3200 K", "#20ff40", None])
            if dice.random() < 0.2:
                self.ask("try", targets=[name], blink=True)
            else:
                self.ask("try", targets=[name], value=value, retain=dice.random() < 0.05)
            self.outcome.did.append(f"{self.now:9.3f}  try {name} {value}")
            self._something_meanwhile(name, dice)
            self.run(dice.choice([0.0, 0.1, 0.6, 3.0, 10.0, 30.0]))

    def _something_meanwhile(self, name: str, dice: random.Random) -> None:
        what = dice.choice(["", "", "", "lockout", "roll", "link", "kill", "down", "up", "off"])
        self.run(dice.choice([0.0, 0.05, 0.2, 1.0]) if what else 0.0)
        cameras = [n for n, d in self.profile.devices.items() if d.kind == "camera"]
        plugs = [n for n, d in self.profile.devices.items() if d.kind == "plug"]
        if what == "lockout":
            self.ask("lockout", targets=[name], by="Ana", why="a bulb")
            if dice.random() < 0.7:
                self.run(dice.choice([0.5, 5.0]))
                self.ask("release", targets=[name], by="Ana")
        elif what == "roll" and cameras:
            camera = dice.choice(cameras)
            self.gear(self.room.roll(camera, self.now, True))
            self.run(dice.choice([0.2, 5.0]))
            self.gear(self.room.roll(camera, self.now, False))
        elif what == "link":
            self.lose_link(dice.uniform(0.1, 5.0))
        elif what == "kill":
            self.kill_bridge()
            self.run(dice.choice([0.0, 0.5, 3.0]))
            self.start_bridge()
        elif what in ("down", "up"):
            self.ask(what)
        elif what == "off":
            self._switch(dice.choice(plugs), dice.random() < 0.5)

    def something_seldom_happens(self) -> None:
        dice = self.dice
        devices = self.profile.devices
        plugs = [n for n, d in devices.items() if d.kind == "plug"]
        plug = dice.choice(plugs)
        what = dice.choice(
            [
                "off at restore",
                "off before restore",
                "on in the dark",
                "weld",
                "dead plug",
                "mute meter",
                "mute camera",
                "edge white",
                "nonsense",
                "no topic",
                "dial lockout",
                "old id",
                "slow ear",
                "dials",
                "dials",
                "dials",
            ]
        )
        self.outcome.kinds.add(what)
        self.outcome.did.append(f"{self.now:9.3f}  {what} ({plug})")
        if what == "off at restore":
            self.ask("restore")
            self.run(dice.choice([0.0, 0.05, 0.5, 2.0, 5.0]))
            self._switch(plug, False)
            self.run(dice.choice([0.5, 5.0, 30.0]))
        elif what == "off before restore":
            self._switch(plug, False)
            self.run(dice.choice([0.0, 0.5, 3.0, 20.0]))
            self.ask("restore")
            self.run(dice.choice([0.5, 5.0, 60.0]))
        elif what == "on in the dark":
            if dice.random() < 0.7:
                self.ask("down")
                self.say_it_stopped()
                self.run(120.0)
            self._switch(plug, True)
            self.run(5.0)
        elif what == "weld":
            self.note(f"the contact of {plug} welds")
            self.gear(self.room.weld(plug, self.now, True))
            if dice.random() < 0.6:
                self.ask("down")
                self.say_it_stopped()
                self.run(120.0)
            if dice.random() < 0.5:
                self.gear(self.room.weld(plug, self.now, False))
        elif what == "dead plug":
            if dice.random() < 0.5:
                self.ask("down")
                self.say_it_stopped()
                self.run(120.0)
            self.note(f"{plug} is dead")
            self.gear(self.room.unplug(plug, self.now))
            self.run(dice.choice([0.0, 10.0]))
            self.ask("up")
            self.run(120.0)
            if dice.random() < 0.5:
                self.gear(self.room.plug_in(plug, self.now))
        elif what == "mute meter":
            self.room.devices[plug].samples_left = dice.choice([0, 1, 1, 2])
            if dice.random() < 0.7:
                self.ask("down")
                self.say_it_stopped()
                self.run(60.0)
        elif what == "mute camera" and self.mute:
            name = dice.choice(self.mute)
            rolls = dice.random() < 0.7
            self.note(f"{name}, which cannot say so, {'rolls' if rolls else 'stops'}")
            self.gear(self.room.roll(name, self.now, rolls))
            if dice.random() < 0.5 and self.room.devices[name].rolling == rolls:
                self.ask("rolling_on" if rolls else "rolling_off", targets=[name])
            if dice.random() < 0.5:
                self.run(dice.choice([0.0, 5.0]))
                self.ask("down")
                self.run(30.0)
        elif what == "edge white":
            lights = [n for n, d in devices.items() if "cct" in d.hears]
            for name in dice.sample(lights, min(2, len(lights))):
                white = dice.uniform(1000.0, 2000.0)
                self.note(f"somebody turns {name} to {white:.0f} K")
                self.gear(self.room.touch(name, self.now, cct=white))
        elif what == "nonsense":
            self._describe_in_nonsense()
        elif what == "no topic":
            where = self._answers + dice.choice(NO_TOPICS)
            self.ask(dice.choice(["ping", "up", "restore", "keep"]), back_to=where)
        elif what == "dial lockout":
            dials = [n for n, d in devices.items() if d.hand_set]
            most = max(plugs, key=lambda n: len(self.laws.below(n)))
            deep = [n for n, d in devices.items() if len(set(d.feeds) & set(plugs)) > 1]
            target = dice.choice([*dials, most, most])
            dark = bool(deep) and dice.random() < 0.7
            if dark:
                # a plug below another: with all of it dark both stay off when it is asked up
                target = dice.choice(deep)
                self.ask("down")
                self.say_it_stopped()
                self.run(120.0)
            self.run(dice.choice([0.0, 0.3, 20.0]))
            self.ask("lockout", targets=[target], by="Ana", why="a bulb")
            self.run(5.0)
            if dark:
                self.ask("up")
                self.run(60.0)
            if dice.random() < 0.7:
                self.ask("release", targets=[target], by="Ana")
        elif what == "old id":
            what, old = dice.choice(["up", "down", "restore"]), f"old{self.asked}"
            self.ask(what, id=old)
            self.say_it_stopped()
            self.run(dice.choice([1.0, 60.0]))
            for _ in range(OTHERS):
                self.ask("release", targets=[plug])
                self.run(0.03)  # as fast as a crowd may ask without being dropped
            self.run(2.0)
            self.ask(what, id=old)
            self.run(2.0)
        elif what == "dials":
            self._a_hand_at_the_dials()
        elif what == "slow ear":
            self._one_is_slow_to_be_heard()

    def _a_hand_at_the_dials(self) -> None:
        """Somebody turns lamps that cannot say so, looks on, and perhaps turns them back."""
        dice = self.dice
        lamps = sorted(self.laws.mutes.of)
        if not lamps:
            return
        if dice.random() < 0.5:
            self.turn_dials()
        stood = {name: self.room.devices[name].level for name in lamps}
        for name in dice.sample(lamps, min(len(lamps), dice.choice([1, 1, 2]))):
            level = dice.uniform(0, 100)
            self.note(f"somebody turns {name} to {level:.0f} %")
            self.gear(self.room.touch(name, self.now, level=level))
            self.run(dice.choice([0.0, 2.0, 20.0]))
        if dice.random() < 0.3:
            self.ask("set_by_hand", by="Ana")
        self.run(dice.choice([2.0, 20.0, 90.0, 120.0]))
        self.look_at_what_is_shown()
        what = dice.choice(["back", "restore", "up", "leave"])
        if what == "back":
            for name, level in stood.items():
                self.gear(self.room.touch(name, self.now, level=level))
        elif what != "leave":
            self.ask(what)
        self.run(dice.choice([2.0, 30.0, 90.0]))

    def _switch(self, plug: str, on: bool) -> None:
        self.note(f"somebody switches {plug} {'on' if on else 'off'} by hand")
        self.gear(self.room.touch(plug, self.now, switch=on))

    def say_it_stopped(self) -> None:
        """Who looks at the cameras that cannot say it says so, when it is so."""
        for name in self.mute:
            self.run(2.0)
            if not self.room.devices[name].rolling:
                self.ask("rolling_off", targets=[name])

    def _describe_in_nonsense(self) -> None:
        """A device of the convention says what it can do in figures that mean nothing."""
        dice = self.dice
        own = f"homie/5/{self.profile.name}/$description"
        kept = sorted(self.broker.retained)
        topics = [t for t in kept if t.endswith("/$description") and t != own]
        if not topics:
            return
        topic = dice.choice(topics)
        document = json.loads(self.broker.retained[topic])
        properties = next(iter(document["nodes"].values()))["properties"]
        format_, unit = dice.choice(NONSENSE)
        whites = [n for n, said in properties.items() if said.get("unit") == "K"]
        found = properties[dice.choice(sorted(properties) if unit is None else whites or ["level"])]
        found["format"] = format_
        if unit is not None:
            found["unit"] = unit
        self.note(f"{topic} says {found}")
        message = Message(topic, json.dumps(document, ensure_ascii=False).encode(), retain=True)
        if not self.broker.connected(PEOPLE):
            self.broker.connect(PEOPLE, self.now, None, 60.0)
        self.broker.publish(PEOPLE, message, self.now)
        said_of = topic.split("/")[2]
        name = next(
            n
            for n, d in self.profile.devices.items()
            if d.speaks == HOMIE5 and d.at.split("/")[0] == said_of
        )
        self.nonsense.add(name)
        self.gear(self.room.touch(name, self.now, level=dice.uniform(0, 100), cct=6000.0))
        self.run(dice.choice([1.0, 5.0]))
        self.ask(dice.choice(["restore", "restore", "up"]))
        self.run(dice.choice([1.0, 30.0]))

    def _one_is_slow_to_be_heard(self) -> None:
        """The bridge starts anew, and a device that would answer did not hear the question."""
        dice = self.dice
        asked = [n for n, d in self.profile.devices.items() if d.can_ask and d.essential]
        slow = self.room.devices[dice.choice(asked)]
        was = self.core.controller.state
        self.kill_bridge()
        slow.deaf = True
        for topic in [t for t in sorted(self.broker.retained) if t.startswith("gear/")]:
            if slow.name in topic.split("/"):
                self.broker.forget_or_keep(topic, None)
        self.run(1.0)
        self.start_bridge()
        self.run(dice.choice([4.0, 20.0, 60.0]))
        slow.deaf = False
        self.note(f"{slow.name} listens again")
        links, starts = self.laws.link_at, self.starts
        self.run(HEARD_AGAIN)
        alone = links == self.laws.link_at and starts == self.starts and self.linked
        if alone and slow.joined and not slow.late and was in ("ready", "adrift"):
            self.laws.heard_again(self.now, slow.name)

    def say(self, client: str, of: str, values: dict[Point, Value]) -> None:
        """A device publishes, in good form, what is not so (or on another's topics)."""
        if client not in self._ends or of not in self._ends:
            return  # it has no voice to speak with
        self.laws.mutes.disturb(self.now)
        for message in self._ends[of].report(values, frozenset(values)):
            self.broker.publish(client, message, self.now)

    def turn_dials(self) -> None:
        """People turn every dial to where the look in force has it, look, and say that it is so.

        So too of what is only told, when it has done as it was told.
        """
        look = self.core.controller.look
        presets = self.profile.looks[look].presets if look is not None else {}
        said = []
        for name, preset in presets.items():
            device = self.room.devices[name]
            if device.device.hand_set and preset.level is not None:
                self.gear(self.room.touch(name, self.now, level=preset.level, cct=preset.cct))
            may = device.device.hand_set or (device.device.mute and device.device.proof != "none")
            if may and preset.level is not None and abs(device.level - preset.level) < 0.6:
                said.append(name)
        if said:
            self.note(f"somebody turns dials and looks at {', '.join(said)}")
            self.run(12.0)
            self.ask("set_by_hand", targets=said, by="Ana")
            self.run(12.0)
        # what may still be one of two, and one of them is only told: it is told anew
        if any(drift.perhaps for drift in self.core.controller.watcher.drifts.values()):
            self.ask("restore")
            self.run(30.0)

    def _truly_at(self, name: str) -> float | None:
        """The level of a lamp that cannot say it; 0 when it is dark, None without mains."""
        device = self.room.devices[name]
        if not device.energised:
            return None
        return device.level if device.lit else 0.0

    def _is_metered(self, name: str) -> bool:
        """Is there nothing in the way of its watts: mains, a plug that listens and speaks, a link?"""
        plug = self.room.devices.get(self.profile.devices[name].fed_by or "")
        return (
            plug is not None
            and self.linked
            and plug.joined
            and plug.contact
            and not plug.welded
            and not (plug.deaf or plug.silent or plug.late or plug.rejects)
            and plug.samples_left is None
            and self.room.devices[name].energised
        )

    def look_at_what_is_shown(self) -> None:
        self.laws.mutes.passing(self.now)
        if self.linked:
            self.laws.showing(self.now)

    def restart_broker(self, memory: bool) -> None:
        self.note(f"the broker restarts, {'with' if memory else 'without'} what it kept")
        dropped = self.broker.restart(self.now, memory)
        for client in dropped:
            if client == BRIDGE:
                self.linked = False
                self.link_again = self.now + self.dice.uniform(0.2, 3.0)
                self.outs(self.core.link_down(self.now))
            elif client in self.room.devices:
                self.gear(self.room.dropped(client, self.now))

    def press_power_buttons(self) -> None:
        """Of the computers that are off: as the set says when one does not report."""
        for name, device in self.room.devices.items():
            if device.kind == "computer" and device.run in ("off", "down"):
                self.gear(self.room.press_power(name, self.now))

    def everything_back(self) -> None:
        """The trouble stops and people put back what they did."""
        self.note("---- the trouble stops")
        self.broker.trouble.calm()
        if self.record_again is not None:
            self.mend_record()
        for name, device in self.room.devices.items():
            device.deaf = False
            device.rejects = frozenset()
            device.late = 0.0
            device.samples_left = None
            self.gear(self.room.weld(name, self.now, False))
            self.gear(self.room.plug_in(name, self.now))
            if device.kind == "camera":
                self.gear(self.room.roll(name, self.now, False))
        for name in sorted(self.nonsense):
            # joining again, it says anew what it is
            self.gear(self.room.lose_network(name, self.now, 1.0))
        self.run(40.0)
        self.press_power_buttons()
        self.run(30.0)
        for target in sorted(self.laws.lockouts):
            self.ask("release", targets=[target], by="Ana")
        self.ask("rolling_off")
        self.run(2.0)


def play(
    profile: SetProfile,
    seed: int,
    calm: bool = False,
    most: int = 14,
    trace: bool = False,
    without: frozenset[str] = frozenset(),
    seldom: bool = True,
    evening_of: type[Evening] = Evening,
) -> Outcome:
    """Play the evening of this seed on this set, `without` some of NETWORK or "act N".

    Not `seldom`: with nothing of what gear and people do more seldom.
    """
    dice = random.Random(f"evening {seed}")
    trouble = Trouble()
    if not calm:
        for kind, rates in NETWORK.items():
            rate = dice.choice(rates)
            if kind not in without:
                setattr(trouble, kind, rate)
    evening = evening_of(profile, seed, trouble, calm, trace, seldom)
    laws = evening.laws
    evening.gear(evening.room.begin(0.0, up=not calm and dice.random() < 0.1))
    evening.run(0.5)
    evening.start_bridge()
    evening.run(5.0)
    evening.ask("up")
    evening.run(dice.uniform(1, 60) if not calm else 60.0)
    if calm:
        evening.turn_dials()
        _must(evening, "ready", "with nobody and nothing in the way")
        evening.ask("up", look="dusk")
        evening.run(30.0)
        evening.turn_dials()
        evening.run(200.0)
        _must(evening, "ready", "in another look")
        the_bridge_starts_anew(evening)
    else:
        for act in range(dice.randint(3, most)):
            evening.dice = random.Random(f"{seed} act {act}")
            more = random.Random(f"{seed} seldom {act}")
            if f"act {act}" not in without:
                if seldom and more.random() < SELDOM:
                    evening.dice = more
                    evening.something_seldom_happens()
                else:
                    evening.somebody_does_something()
                evening.others_act(act)
            evening.run(evening.dice.choice([0.0, 0.01, 0.3, 2.0, 10.0, 60.0]))
            tries = random.Random(f"{seed} try {act}")
            if seldom and tries.random() < TRIES and f"act {act}" not in without:
                evening.somebody_tries(tries)
            evening.look_at_what_is_shown()
            if laws.breaches:
                break
        evening.everything_back()
    for _ in range(3):
        if not laws.breaches and evening.core.controller.state != "ready":
            # a meter that errs takes a camera that waits for one that rolls: who looks says so
            evening.say_it_stopped()
            evening.ask_for_light()
            for _ in range(6):
                evening.run(20.0)
                if evening.core.controller.state == "rising":
                    evening.say_it_stopped()
            evening.press_power_buttons()
            evening.run(30.0)
            evening.turn_dials()
    if not laws.breaches and evening.core.controller.state != "ready":
        # a slow fade and a slow meter in one run-up take their time
        evening.run(240.0 if evening.core.controller.state == "rising" else 60.0)
    _must(evening, "ready", "once the trouble had stopped")
    evening.look_at_what_is_shown()
    if seldom and not calm:
        somebody_wakes_a_computer(evening, random.Random(f"{seed} woken"))
    evening.ask("down")
    evening.say_it_stopped()
    evening.run(200.0)
    if evening.core.controller.state != "dark":
        # a computer somebody else had kept up may need a second asking
        evening.ask("down")
        evening.say_it_stopped()
        evening.run(200.0)
    evening.look_at_what_is_shown()
    _must(evening, "dark", "at the end")
    if calm:
        for harm in evening.room.harms:
            laws.breaches.append(f"harm: {harm}")
    laws.inrushes(evening.room.inrushes)
    laws.over(evening.now)
    evening.outcome.end = evening.core.controller.state
    return evening.outcome


def _must(evening: Evening, state: str, when: str) -> None:
    if evening.laws.breaches:
        return
    found = evening.core.controller.state
    if found != state:
        why = evening.core.controller.why
        drifts = [(d.device, d.point) for d in evening.core.controller.watcher.drifts.values()]
        evening.laws.breaches.append(
            f"liveness: {found}, not {state}, {when}: {why} {drifts if drifts else ''}".rstrip()
        )
        return
    shown = json.loads(evening.broker.retained[state_topic(evening.profile.name)])
    if shown["state"] != state or shown["record_fault"] is not None:
        evening.laws.breaches.append(f"readout: {state}, and what is shown is {shown}")
