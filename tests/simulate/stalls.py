"""Two bridges on one set, and everything that stalls: one evening from one seed.

A bridge is stopped and goes on, its way to the broker holds what it is given for up to a minute
and then delivers it all, the broker freezes, a bridge is killed and another started. The gear,
the broker and the cores are those of every other evening; here each bridge also has the machines
that the daemon puts around a core: ownership and delivery.

(What lay in the broker's own buffer when it froze is thrown away here with the link, which a real
broker need not do: see the bound in DEVELOPERS.md.)

Watched: a command that reaches the broker late (law 10), a command of a bridge when another of
a higher epoch runs (law 13), a plain yes to a lockout with something still on its way (law 15),
and how many messages it takes.
"""

from __future__ import annotations

import heapq
import itertools
import json
import random
from collections import deque
from dataclasses import dataclass, field

from studiobridge.bridge.core import Core
from studiobridge.bridge.outs import Out, Publish, Write
from studiobridge.bridge.ownership import (
    BEAT_EVERY,
    Alive,
    Beat,
    Cut,
    Do,
    Ownership,
    Run,
    SendAlive,
    SendBeat,
    StandDown,
)
from studiobridge.bridge.topics import alive_topic, answer_topic, ask_topic, beat_topic
from studiobridge.control.effects import Save, Wake
from studiobridge.profile.model import SetProfile
from studiobridge.rehearsal import MockBroker, Room
from studiobridge.rehearsal.devices import Happening
from studiobridge.speech import FarEnd
from studiobridge.speech.message import Message
from tests.simulate.evening import WALL, Notebook

PEOPLE = "people"
TRIP = 0.005
# Nobody is told anything later than this (s) after its life: the second that law 10 gives.
LATE = 1.0
# One and a half keep-alives (s): then the broker ends a connection that says nothing.
GIVEN_UP = 7.5


@dataclass(slots=True)
class Sent:
    """A message between a bridge and the broker, or back."""

    at: float
    n: int
    message: Message
    token: int | None = None
    told_at: float = 0.0

    def __lt__(self, other: Sent) -> bool:
        return (self.at, self.n) < (other.at, other.n)


class Seat:
    """One bridge, as the daemon would put it together."""

    def __init__(self, world: Stalls, name: str) -> None:
        self.world, self.name = world, name
        self.core = Core(
            world.profile, world.notebook.memory(), name, lambda at: WALL + at, world.now
        )
        self.ownership = Ownership(name)
        self.linked = False
        self.again: float | None = world.now
        self.still_until = 0.0
        self.held_until = 0.0  # its way up, and the way down too if `held_both`
        self.held_both = False
        self.wakes: dict[str, float] = {}
        self.up: deque[Sent] = deque()
        self.down: list[Sent] = []
        self.ran = False

    # ---- the link ----------------------------------------------------------------------------

    def connect(self) -> None:
        world, name = self.world, self.name
        self.again = None
        if self.ownership.stage == "down":
            return
        self.linked = True
        will = Message(alive_topic(world.profile.name), Alive(False, name).payload(), retain=True)
        world.broker.connect(name, world.now, will, 5.0)
        own = [(alive_topic(world.profile.name), 1), (beat_topic(world.profile.name), 0)]
        world.broker.subscribe(name, own, world.now)
        self.core.delivery.link_up()
        self.act(self.ownership.subscribed(world.now))

    def cut(self, again_in: float = 0.3) -> None:
        """A reset: what has not left is thrown away."""
        if not self.linked:
            return
        self.linked = False
        self.up.clear()
        self.down.clear()
        self.world.broker.drop(self.name, self.world.now)
        self.again = self.world.now + again_in
        self.ownership.link_lost()
        if self.core.linked:
            self.outs(self.core.link_down(self.world.now))

    def publish(self, message: Message, token: int | None = None) -> None:
        at = max(self.world.now + TRIP, self.held_until, self.world.frozen_until)
        self.up.append(Sent(at, next(self.world.count), message, token, self.world.now))

    # ---- carrying out ------------------------------------------------------------------------

    def act(self, dos: list[Do]) -> None:
        world, name = self.world, self.world.profile.name
        for do in dos:
            if isinstance(do, SendBeat):
                world.said += 1
                own = self.ownership
                beat = Beat(self.name, own.epoch, do.n, WALL + world.now, own.holds)
                self.publish(Message(beat_topic(name), beat.payload(), retain=True))
                self.outs(self.core.beat_sent(do.n, world.now))
            elif isinstance(do, SendAlive):
                world.said += 1
                alive = Alive(True, self.name).payload()
                self.publish(Message(alive_topic(name), alive, retain=True))
            elif isinstance(do, Run):
                self.ran = True
                world.broker.subscribe(self.name, self.core.subscriptions(), world.now)
                self.outs(self.core.link_up(world.now))
            elif isinstance(do, Cut):
                self.cut()
            else:
                assert isinstance(do, StandDown)
                self.up.clear()
                self.cut()
                self.again = None
                self.wakes.clear()

    def outs(self, outs: list[Out]) -> None:
        world = self.world
        back = []
        for out in outs:
            if isinstance(out, Write):
                world.notebook.write(out.note)
                if out.back:
                    back.append(out.note)
            elif isinstance(out, Wake):
                if out.at is None:
                    self.wakes.pop(out.name, None)
                else:
                    self.wakes[out.name] = max(out.at, world.now)
            elif isinstance(out, Publish):
                if out.message.topic.startswith(answer_topic(world.profile.name)):
                    world.answered(self, json.loads(out.message.payload))
                if out.token is not None:
                    may = self.linked and self.ownership.may_tell(world.now)
                    self.core.left(out.token, may, world.now)
                    if not may:
                        continue
                    world.told(self)
                if self.linked:
                    self.publish(out.message, out.token)
            elif isinstance(out, Save):
                self.outs(self.core.saved(out.request_id, None, world.now))
            elif isinstance(out, Cut):
                self.cut()
        if back:
            self.outs(self.core.noted(back, world.now))

    # ---- time ----------------------------------------------------------------------------------

    def heard(self, message: Message) -> None:
        world, now = self.world, self.world.now
        if message.topic == beat_topic(world.profile.name):
            beat = Beat.read(message.payload)
            assert beat is not None
            if beat.bridge == self.name and not message.retain:
                self.outs(self.core.beat_back(beat.n, now))
                self.ownership.round_trip = self.core.delivery.round_trip or 0.0
            self.act(self.ownership.beat_heard(beat, message.retain, now))
        elif message.topic == alive_topic(world.profile.name):
            said = Alive.read(message.payload)
            assert said is not None
            self.act(self.ownership.alive_heard(said, now))
        elif self.ownership.stage == "running":
            still = self.ownership.stood_still(now)
            if still:
                self.act(still)
            else:
                self.outs(self.core.message(message, now))

    def next_wake(self) -> float | None:
        times = [*self.wakes.values(), *(s.at for s in self.down[:1])]
        tick = self.ownership.next_tick()
        times += [t for t in (tick, self.again) if t is not None]
        return max(self.still_until, min(times)) if times else None

    def go(self) -> None:
        """All that is due, if it does not stand still; timers or messages first, as it comes."""
        now = self.world.now
        if now < self.still_until:
            return
        if self.again is not None and self.again <= now:
            self.connect()
        parts = [self._messages, self._timers]
        if self.world.dice.random() < 0.5:
            parts.reverse()
        for part in parts:
            part()

    def _messages(self) -> None:
        while self.down and self.down[0].at <= self.world.now and self.linked:
            self.heard(heapq.heappop(self.down).message)

    def _timers(self) -> None:
        now = self.world.now
        tick = self.ownership.next_tick()
        if self.linked and tick is not None and tick <= now:
            self.act(self.ownership.tick(now))
        for name, at in sorted(self.wakes.items(), key=lambda item: item[1]):
            if at <= now and self.wakes.get(name) == at:
                del self.wakes[name]
                self.outs(self.core.due(name, now))


@dataclass(slots=True)
class Outcome:
    seed: int
    breaches: list[str] = field(default_factory=list)
    told: int = 0
    cuts: int = 0
    epochs: int = 0
    careful: int = 0


class Stalls:
    """One set, its gear, one broker, and the bridges that think they run it."""

    def __init__(self, profile: SetProfile, seed: int) -> None:
        self.profile = profile
        self.dice = random.Random(f"stalls {seed}")
        self.now = 0.0
        self.frozen_until = 0.0
        self.outcome = Outcome(seed)
        self.broker = MockBroker(seed)
        self.room = Room(profile, seed, keep_alive=4.0)
        self.notebook = Notebook()
        self.seats: dict[str, Seat] = {}
        self.count = itertools.count()
        self.said = 0
        self.asked = 0
        self.starts = 0
        # lockouts answered with a plain yes, and what each covers
        self.sure: dict[str, frozenset[str]] = {}
        self._locking: dict[str, str] = {}
        self._to_broker: list[tuple[float, int, str]] = []
        ends = {
            n: FarEnd(profile, n)
            for n, d in profile.devices.items()
            if d.speaks is not None and d.slots is None
        }
        self._by_topic: dict[str, list[FarEnd]] = {}
        self._name_of = {id(end): name for name, end in ends.items()}
        for end in ends.values():
            for topic, _ in end.subscriptions():
                self._by_topic.setdefault(topic, []).append(end)

    def breach(self, law: int, text: str) -> None:
        self.outcome.breaches.append(f"law {law} at {self.now:.2f} s: {text}")

    def start(self) -> Seat:
        self.starts += 1
        seat = Seat(self, f"{self.dice.choice('abyz')}{self.starts}")
        self.seats[seat.name] = seat
        return seat

    # ---- watched -------------------------------------------------------------------------------

    def told(self, seat: Seat) -> None:
        """A command leaves a bridge."""
        self.outcome.told += 1
        for other in self.seats.values():
            if other is not seat and other.ran and other.ownership.stage == "running":
                mine, theirs = seat.ownership, other.ownership
                if (theirs.epoch, theirs.bridge) > (mine.epoch, mine.bridge):
                    self.breach(13, f"{seat.name} tells while {other.name} runs the set")

    def _energises(self, message: Message) -> list[str]:
        names = []
        for end in self._by_topic.get(message.topic, ()):
            told = end.told(message)
            if told is not None and dict(told.values).get("switch") is True:
                names.append(self._name_of[id(end)])
        return names

    def arrived(self, seat: Seat, sent: Sent) -> None:
        """A command reaches the broker: from here its expiry counts."""
        life = sent.message.expiry or 0.0
        # a bridge that is stopped while its link is held cuts nothing: then the broker has to
        bound = GIVEN_UP if seat.still_until > sent.told_at else life + LATE
        if self.now > sent.told_at + bound + 1e-6:
            self.breach(
                10, f"{sent.message.topic} reached the broker {self.now - sent.told_at:.1f} s late"
            )
        for name in self._energises(sent.message):
            for target, covered in self.sure.items():
                if name in covered:
                    self.breach(15, f"{name} is told on after a plain yes to a lockout of {target}")

    def covered(self, target: str) -> frozenset[str]:
        return frozenset((target, *self.profile.fed_from(target)))

    def answered(self, seat: Seat, answer: dict[str, object]) -> None:
        target = self._locking.get(str(answer["id"]))
        if target is None or not answer["final"] or answer["code"] != 0:
            return
        if "CAREFUL" in str(answer["text"]):
            self.outcome.careful += 1
            return
        covered = self.covered(target)
        for sent in seat.up:
            for name in self._energises(sent.message) if sent.token is not None else ():
                if name in covered:
                    self.breach(15, f"a plain yes for {target}, and {name} is on its way on")
        self.sure[target] = covered

    # ---- time ------------------------------------------------------------------------------------

    def gear(self, happenings: list[tuple[str, Happening]]) -> None:
        self.broker.carry(happenings, self.now)

    def run(self, seconds: float) -> None:
        end = self.now + seconds
        while self.now < end and not self.outcome.breaches:
            times = [end, self.broker.next_wake(), self.room.next_wake()]
            for seat in self.seats.values():
                times.append(seat.next_wake())
                if seat.up:
                    times.append(seat.up[0].at)
            due = min(t for t in times if t is not None)
            self.now = min(end, max(self.now + 1e-4, due))
            for seat in list(self.seats.values()):
                while seat.up and seat.up[0].at <= self.now:
                    self._up(seat, seat.up.popleft())
            if self.now >= self.frozen_until:
                self.gear(self.room.tick(self.now))
            for _, client, message in self.broker.due(self.now):
                if client in self.seats:
                    seat = self.seats[client]
                    held = seat.held_until if seat.held_both else 0.0
                    at = max(self.now + TRIP, held, self.frozen_until)
                    heapq.heappush(seat.down, Sent(at, next(self.count), message))
                elif client != PEOPLE:
                    self.gear(self.room.handle(client, message, self.now))
            for seat in list(self.seats.values()):
                seat.go()

    def _up(self, seat: Seat, sent: Sent) -> None:
        if self.now - sent.told_at > GIVEN_UP:
            return  # the broker has given up this silent connection, and what was held of it
        if sent.token is not None:
            self.arrived(seat, sent)
        self.broker.publish(seat.name, sent.message, self.now)
        if sent.token is not None and sent.message.qos > 0 and self.now >= seat.still_until:
            seat.outs(seat.core.acknowledged(sent.token, self.now))

    # ---- what happens ------------------------------------------------------------------------------

    def ask(self, what: str, **more: object) -> str:
        self.asked += 1
        id_ = f"p{self.asked}"
        if not self.broker.connected(PEOPLE):
            self.broker.connect(PEOPLE, self.now, None, 60.0)
        body = {"id": id_, "what": what, "by": "somebody", **more}
        message = Message(ask_topic(self.profile.name), json.dumps(body).encode(), expiry=3.0)
        self.broker.publish(PEOPLE, message, self.now)
        return id_

    def lock_out(self) -> None:
        plugs = [n for n, d in self.profile.devices.items() if d.kind == "plug"]
        target = self.dice.choice([*plugs, *self.profile.circuits])
        self._locking[self.ask("lockout", targets=[target], by="Ana", why="a cable")] = target

    def something_happens(self) -> None:
        dice = self.dice
        seats = [s for s in self.seats.values() if s.ownership.stage != "down"]
        seat = dice.choice(seats) if seats else self.start()
        long = dice.choice([0.5, 1.5, 2.0, 3.0, 6.0, dice.uniform(0.1, 60.0)])
        what = dice.choice(
            [
                "up",
                "up",
                "down",
                "lockout",
                "still",
                "still",
                "held",
                "held",
                "frozen",
                "second",
                "kill",
                "cut",
                "lie",
            ]
        )
        if what in ("up", "down"):
            self.ask(what)
        elif what == "lockout":
            self.lock_out()
        elif what == "still":
            seat.still_until = self.now + long
        elif what == "held":
            seat.held_until = self.now + long
            seat.held_both = dice.random() < 0.3
            if dice.random() < 0.8:
                # the request still gets through, and what follows from it does not
                running = seat.core.controller.standing.session is not None
                self.ask("down" if running else "up")
                self.run(dice.choice([0.05, 0.3, 1.0]))
                if dice.random() < 0.7:
                    self.lock_out()
        elif what == "frozen":
            self.frozen_until = self.now + long
        elif what == "second" and len(seats) < 3:
            self.start()
        elif what == "kill":
            seat.ownership.stage = "down"
            seat.up.clear()
            self.broker.drop(seat.name, self.now)
            del self.seats[seat.name]
            self.start()
        elif what == "cut":
            seat.cut(dice.uniform(0.1, 5.0))
        elif what == "lie":
            lie = Alive(dice.random() < 0.5, "a stranger").payload()
            self.broker.publish(
                None, Message(alive_topic(self.profile.name), lie, retain=True), self.now
            )


def play(profile: SetProfile, seed: int, most: int = 12) -> Outcome:
    """The evening of this seed."""
    world = Stalls(profile, seed)
    dice = world.dice
    world.gear(world.room.begin(0.0, up=False))
    world.start()
    world.run(8.0)
    if dice.random() < 0.5:
        world.ask("up")
        world.run(dice.uniform(0.0, 20.0))
    for _ in range(dice.randint(3, most)):
        world.something_happens()
        world.run(dice.choice([0.0, 0.05, 0.5, 2.0, 8.0]))
        if world.outcome.breaches:
            return world.outcome
    # the stalls end, and one bridge is left that runs the set
    world.run(75.0)
    if not [s for s in world.seats.values() if s.ownership.stage != "down"]:
        world.start()
    world.run(15.0)
    running = [s for s in world.seats.values() if s.ownership.stage == "running"]
    if not world.outcome.breaches and len(running) != 1:
        stages = {s.name: (s.ownership.stage, s.ownership.epoch) for s in world.seats.values()}
        world.breach(13, f"in the end {stages}")
    if world.said > 3.0 * world.now / BEAT_EVERY + 50:
        world.breach(13, f"{world.said} beats and claims in {world.now:.0f} s")
    world.outcome.epochs = max((s.ownership.epoch for s in world.seats.values()), default=0)
    return world.outcome
