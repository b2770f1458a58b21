"""The daemon of a set: link, core, record and clock, put together.

What happens where: the link, the core and all timers live in one event loop; the record has
its own thread. What the core wants done is carried out in its order by one task, so that a
note that has to be on disk first holds back the publish behind it (law 9), and nothing else.
"""

from __future__ import annotations

import asyncio
import contextlib
import os
import secrets
import socket
import time
import traceback
import zoneinfo
from collections import deque
from collections.abc import Callable, Coroutine, Sequence
from dataclasses import replace
from datetime import tzinfo
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING

from studiobridge.bridge.calls import CallTimes, Due
from studiobridge.bridge.clock import Clock, SystemZone, spoken
from studiobridge.bridge.core import Core
from studiobridge.bridge.faults import whole
from studiobridge.bridge.link import CannotConnect, Link
from studiobridge.bridge.log import Log, Say, no_log, notify, to_stderr
from studiobridge.bridge.metrics import Counted
from studiobridge.bridge.outs import Ending, Out, Present, Publish, Restrain, Walk, Write
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
from studiobridge.bridge.presenting import Presenting
from studiobridge.bridge.record import ROOM_EVERY, Record
from studiobridge.bridge.saving import Saves
from studiobridge.bridge.settings import Settings
from studiobridge.bridge.tables import RecordAway, RecordError, record_place
from studiobridge.bridge.topics import alive_topic, beat_topic
from studiobridge.control.effects import (
    FaultNote,
    Memory,
    Note,
    RequestNote,
    RunNote,
    Save,
    StepNote,
    Wake,
)
from studiobridge.control.events import Request
from studiobridge.control.plan import UnknownLook, plan
from studiobridge.profile.model import CallTime, SetProfile
from studiobridge.profile.plain import plain
from studiobridge.profile.said import Answer
from studiobridge.speech.message import Message

if TYPE_CHECKING:  # only sets with fixtures on slots wait for it
    from studiobridge.bridge.stream import Stream

# How often (s) the bridge looks at its clock, at what came due and at its record; and how often it
# takes out of the record what is too old (s).
TICK = 1.0
PRUNE_EVERY = 86400.0
# A note that is not on disk after so long (s) does not hold the set up any longer; who relies on
# it is told that it is not there yet.
NOTE_WITHIN = 1.0
# How long (s) an interrupted daemon takes to leave properly.
LEAVE_WITHIN = 3.0
# What leaves this machine: what was decided on one connection may not leave over the next.
SENDS = (Publish, Present, Walk)


class SetRunner:
    """One set, run in this process until `stop`."""

    def __init__(
        self,
        path: Path,
        profile: SetProfile,
        settings: Settings,
        say: Say = to_stderr,
        on_answer: Callable[[Answer], None] | None = None,
        on_change: Callable[[], None] | None = None,
        log: Log = no_log,
    ) -> None:
        self.path = path
        self.profile = profile
        self.settings = settings
        self.say = say
        self.log: Callable[..., None] = partial(log, profile.name)
        self.instance = f"{socket.gethostname()[:24]}-{os.getpid()}-{secrets.token_hex(3)}"
        self.ownership = Ownership(self.instance)
        self.exit_code = 0
        self.ready = asyncio.Event()
        self.stopped = asyncio.Event()
        self._on_answer = on_answer
        self._on_change = on_change
        self._loop = asyncio.get_running_loop()
        self.clock = Clock(self._loop.time)
        self._record = Record(
            record_place(settings, profile.name),
            settings.keep_days,
            self.wall,
            self._record_told,
            partial(self._from_thread, self.say),
        )
        self._saves = Saves()
        self._timers: dict[str, asyncio.TimerHandle] = {}
        self._outs: deque[Out] = deque()
        self._has_outs = asyncio.Event()
        self._tick: asyncio.TimerHandle | None = None
        # set when a command that waited for the lease may go on, or must be given up
        self._released = asyncio.Event()
        self._tasks: set[asyncio.Task[None]] = set()
        self.record_fault: str | None = None
        self.record_lost = 0
        self.counted = Counted()
        # None until the set is ours: no call time starts anything before that
        self._calls: CallTimes | None = None
        self._pruned_at = float("-inf")
        self._room_at = float("-inf")
        # what the record holds, read only after the start, until the set is quiet enough to take it
        self._remembered: tuple[Memory, int] | None = None
        # the universes of fixtures on slots, where the set has any
        self.stream: Stream | None = None
        # the set as a Homie 5 device, where it shows itself as one
        self.presenting: Presenting | None = None
        self.core: Core
        self.link: Link

    # ---- clocks -------------------------------------------------------------------------------

    def now(self) -> float:
        return self._loop.time()

    def wall(self, at: float) -> float:
        """The controller's time as seconds since the epoch, by the machine's clock as it is now."""
        return self.clock.wall(at)

    @staticmethod
    def awake() -> float:
        """Seconds that also pass while this machine is suspended, where the system counts them."""
        if hasattr(time, "CLOCK_BOOTTIME"):
            return time.clock_gettime(time.CLOCK_BOOTTIME)
        return time.monotonic()

    # ---- life ---------------------------------------------------------------------------------

    async def run(self) -> int:
        """Claim the set and run it until stopped. Returns an exit code."""
        unread: str | None = None
        try:
            memory = await asyncio.to_thread(self._record.open)
        except RecordAway as away:
            memory, unread = Memory(), str(away)
        except RecordError as error:
            self.say(str(error))
            return 2
        self.core = Core(self.profile, memory, self.instance, self.wall, self.now())
        if unread is not None:
            self.core.without_memory(unread)
            self._record.open_later(
                RecordAway(unread), partial(self._from_thread, self._record_read)
            )
        self._open_stream()
        will = Message(
            alive_topic(self.profile.name),
            Alive(False, self.instance).payload(),
            qos=1,
            retain=True,
        )
        client_id = self.settings.broker.client_id or f"studiobridge-{secrets.token_hex(6)}"
        self.link = Link(
            self.settings.broker,
            client_id,
            will=will,
            subscriptions=self._subscriptions,
            on_up=self._link_up,
            on_down=self._link_down,
            on_message=self._message,
            on_ack=self._acked,
            on_subscribed=self._subscribed,
            on_fault=self._fault,
        )
        if self.profile.homie:
            self._present()
        for warning in (*self.settings.warnings, *self._record.warnings()):
            self.say(f"warning: {warning}")
        if self.stream is not None:
            self.stream.start()
        link_task = asyncio.create_task(self.link.run())
        carry_task = asyncio.create_task(self._carry_out())
        stop_task: asyncio.Task[object] = asyncio.create_task(self.stopped.wait())
        self._each_second()
        try:
            await asyncio.wait(
                {link_task, stop_task, carry_task}, return_when=asyncio.FIRST_COMPLETED
            )
            for task in (link_task, carry_task):
                if task.done() and not task.cancelled():
                    fault = task.exception()
                    if isinstance(fault, CannotConnect):
                        self.say(str(fault))
                        self.exit_code = 3
                    elif fault is not None:
                        self.say(f"a fault of the bridge itself: {whole(fault)}")
                        self.exit_code = 1
        finally:
            await self._leave()
            ending: list[asyncio.Task[object]] = [link_task, carry_task, stop_task]
            for ended in [*ending, *self._tasks]:
                ended.cancel()
                with contextlib.suppress(asyncio.CancelledError, Exception):
                    await ended
            await asyncio.to_thread(self._record.close)
            if self._record.lost:
                self.say(f"{self.profile.name}: {self._record.lost} notes of the record are lost")
        return self.exit_code

    @property
    def failure(self) -> str | None:
        """Why this set has failed, a fault of the program; None while it has not."""
        core = getattr(self, "core", None)
        return None if core is None else core.controller.failure

    @property
    def busy(self) -> bool:
        """Is a run under way that would be cut short?"""
        core = getattr(self, "core", None)
        return core is not None and not self.stopped.is_set() and core.controller.run is not None

    def stop(self, code: int | None = None) -> None:
        """End without touching the gear."""
        if code is not None:
            self.exit_code = code
        if not self.stopped.is_set():
            self._say_what_is_quiet()
        self.stopped.set()

    def _say_what_is_quiet(self) -> None:
        """Nobody brings it back while no bridge runs: who stops this one has to know."""
        core: Core | None = getattr(self, "core", None)  # it may be stopped before it has begun
        off = [] if core is None else list(core.controller.requests.quiet.entries)
        if off:
            self.say(
                f"{self.profile.name}: {', '.join(off)} was told quiet and is off: it comes back"
                " only when a bridge runs again. Switch it on by hand if that may take long"
            )

    def _open_stream(self) -> None:
        """Universes are ready to be sent; nothing of them is before somebody asks."""
        if not self.profile.universes:
            return
        from studiobridge.bridge.stream import Stream, source_of

        source, why = source_of(self.settings.data)
        if why is not None:
            self.say(f"warning: {why}")
        self.stream = Stream(
            self.profile,
            source,
            partial(self._from_thread, self._unsent),
            partial(self._from_thread, self._rival),
        )
        for name, preset in self.core.supposed().items():
            self.stream.suppose(name, preset.level or 0.0, preset.cct)

    def _present(self) -> None:
        """It shows itself as a Homie 5 device, as long as it is run here."""
        name = self.profile.name
        self.presenting = Presenting(
            name,
            self.settings.broker,
            self.core.presence.state_topic,
            lambda: self._do(self.core.presence_up, self.now()),
            lambda: self._do(self.core.presence_down, self.now()),
            lambda text: self._fault(f"{name}: {text}"),
        )
        self._in_background(self.presenting.keep())

    def _unsent(self, universe: int, why: str | None) -> None:
        self.say(f"{self.profile.name}: {why or f'universe {universe} is sent again'}")
        self._do(self.core.unsent, universe, why, self.now())

    def _rival(self, universe: int, who: str | None) -> None:
        self.say(f"{self.profile.name}: {who or f'universe {universe} is ours alone again'}")
        self._do(self.core.rival, universe, who, self.now())

    def _lease(self) -> None:
        """Frames leave under the same lease as commands do (law 13)."""
        if self.stream is not None:
            self.stream.lease(self.ownership.may_until)

    async def _leave(self) -> None:
        if self.stream is not None:
            # without a word: the set is left as it is, and fixtures hold what they have
            self.stream.lease(None)
            await asyncio.to_thread(self.stream.stop)
        for timer in self._timers.values():
            timer.cancel()
        if self._tick is not None:
            self._tick.cancel()
        ours = self.ownership.stage == "running"
        stood_down = self.ownership.stage == "down"
        with contextlib.suppress(TimeoutError):
            async with asyncio.timeout(LEAVE_WITHIN):
                while self._outs and not stood_down:
                    await asyncio.sleep(0.01)
                # from here on our own 'not alive', read back, must not be put right
                self.ownership.stage = "down"
                if stood_down and self.ownership.epoch:
                    # it ran the set: a goodbye would first flush what still waits in the client
                    self.link.cut("stood down")
                if ours:
                    self._publish_alive(False)
                leaving: list[Coroutine[object, object, None]] = [self.link.close()]
                if self.presenting is not None:
                    leaving.append(self.presenting.leave(ours, self.failure is not None))
                await asyncio.gather(*leaving)

    # ---- who runs the set -----------------------------------------------------------------------

    def _subscriptions(self) -> list[tuple[str, int]]:
        """First only what says who runs the set; the rest when it is ours."""
        return [(alive_topic(self.profile.name), 1), (beat_topic(self.profile.name), 0)]

    def _publish_alive(self, alive: bool) -> None:
        payload = Alive(alive, self.instance).payload()
        self.link.publish(Message(alive_topic(self.profile.name), payload, retain=True))

    def _act(self, dos: Sequence[Do]) -> None:
        name = self.profile.name
        for do in dos:
            if isinstance(do, SendBeat):
                own = self.ownership
                beat = Beat(self.instance, own.epoch, do.n, self.wall(self.now()), own.holds)
                # QoS 1, so that it never overtakes a command that waits in the client
                self.link.publish(Message(beat_topic(name), beat.payload(), retain=True))
                self._do(self.core.beat_sent, do.n, self.now())
            elif isinstance(do, SendAlive):
                self._publish_alive(True)
            elif isinstance(do, Run):
                if do.took_over is not None:
                    self.say(f"{name}: the bridge before fell silent ({do.took_over}); taking over")
                self._run_set()
            elif isinstance(do, StandDown):
                self.say(f"another bridge runs {name} ({do.why}); this one stands down")
                # nothing that still waits is told; the notes are written
                self._outs = deque(out for out in self._outs if not isinstance(out, SENDS))
                self.stop(1)
            else:
                self._cut(do.why)
        self._lease()
        self._released.set()
        self._tick_later()

    def _tick_later(self) -> None:
        """The machine is woken when it wants to be; measured on the clock that never stops."""
        if self._tick is not None:
            self._tick.cancel()
            self._tick = None
        due = self.ownership.next_tick()
        if due is not None:
            self._tick = self._loop.call_later(max(0.0, due - self.awake()), self._ticked)

    def _ticked(self) -> None:
        self._act(self.ownership.tick(self.awake()))

    def _cut(self, why: str) -> None:
        self.say(f"{self.profile.name}: the link is cut: {why}")
        self._record.write([FaultNote(self.now(), None, "", f"the link was cut: {why}")])
        self.link.cut(why)

    def _run_set(self) -> None:
        """The set is ours: listen to everything."""
        self.link.subscribe(self.core.subscriptions())
        self._do(self.core.link_up, self.now(), self.ownership.epoch)
        if self.presenting is not None:
            self.presenting.begin()
        if not self.ready.is_set():
            self.ready.set()
            self.say(f"{self.profile.name}: running on {self.settings.broker.shown}")
            notify("READY=1")
            self._start_clock()

    # ---- the link -------------------------------------------------------------------------------

    def _link_up(self) -> None:
        """Connected; the broker has not taken the subscriptions yet."""

    def _subscribed(self) -> None:
        self.core.delivery.link_up()
        self._act(self.ownership.subscribed(self.awake()))

    def _link_down(self, why: str) -> None:
        ran = self.core.linked
        self.ownership.link_lost()
        if self.presenting is not None:
            self.presenting.end()
        self._act([])
        # decided on what was known then: none of it may leave over the next connection
        self._outs = deque(out for out in self._outs if not isinstance(out, SENDS))
        if ran:
            self.say(f"{self.profile.name}: the link to the broker was lost ({why})")
            self._do(self.core.link_down, self.now())

    def _message(self, message: Message) -> None:
        if message.topic == beat_topic(self.profile.name):
            self._beat(message)
            return
        if message.topic == alive_topic(self.profile.name):
            said = Alive.read(message.payload) or Alive(False, "")
            self._act(self.ownership.alive_heard(said, self.awake()))
            return
        if self.ownership.stage == "running":
            still = self.ownership.stood_still(self.awake())
            if still:  # it may have lain in a buffer for as long as this bridge stood still
                self._act(still)
                return
            self.counted.messages_heard += 1
            self._do(self.core.message, message, self.now())

    def _beat(self, message: Message) -> None:
        beat = Beat.read(message.payload)
        if beat is None:
            return
        if beat.bridge == self.instance and not message.retain:
            self._do(self.core.beat_back, beat.n, self.now())
            self.ownership.round_trip = self.core.delivery.round_trip or 0.0
        self._act(self.ownership.beat_heard(beat, message.retain, self.awake()))

    def _acked(self, token: int) -> None:
        self._do(self.core.acknowledged, token, self.now())

    def _fault(self, text: str) -> None:
        self.say(text)

    # ---- carrying out ---------------------------------------------------------------------------

    def ask(self, request: Request) -> None:
        """A request from this process."""
        self._do(self.core.request, replace(request, at=self.now()))

    def _do(self, part: Callable[..., list[Out]], *values: object) -> None:
        """Let the core handle something. What it throws is the end of this set, said aloud."""
        if self.failure is not None:
            return
        try:
            outs = part(*values)
        except Exception as error:
            self._failed(error)
        else:
            self._feed(outs)

    def _failed(self, error: Exception) -> None:
        """The core threw: what it believes may be half written, so it does nothing more.

        The set says so, and `failure` tells whoever runs this process to end it in its time:
        the service starts it again, from what is on the disk.
        """
        why = plain(f"{type(error).__name__}: {error}")
        self.exit_code = 1
        if self.stream is not None:
            self.stream.lease(None)  # nobody follows lockouts and cameras any more
        self.say(f"{self.profile.name}: failed: {why}")
        self._trace(error)
        self._outs = deque(out for out in self._outs if not isinstance(out, SENDS))
        self._feed(self.core.failed(why, self.now()))
        self.stopped.set()

    def _trace(self, error: Exception) -> None:
        """Where it happened, into the log, for whoever mends the program."""
        for line in "".join(traceback.format_exception(error)).splitlines():
            self.log(line)

    def _feed(self, outs: list[Out]) -> None:
        if not outs:
            return
        for out in outs:
            if isinstance(out, Wake):
                self._wake(out)  # a timer changes nothing outside: at once
            elif isinstance(out, Cut):
                self._cut(out.why)
            elif isinstance(out, Restrain):
                if self.stream is not None:  # before anything that still waits
                    self.stream.lock(out.locked)
                    self.stream.hold(out.held)
            else:
                self._outs.append(out)
        if self._outs:
            self._has_outs.set()
        if self._on_change is not None:
            self._on_change()

    def _wake(self, wake: Wake) -> None:
        old = self._timers.pop(wake.name, None)
        if old is not None:
            old.cancel()
        if wake.at is not None:
            self._timers[wake.name] = self._loop.call_at(wake.at, self._due, wake.name)

    def _due(self, name: str) -> None:
        self._timers.pop(name, None)
        self._do(self.core.due, name, self.now())

    async def _carry_out(self) -> None:
        """One after the other, in the core's order."""
        while True:
            await self._has_outs.wait()
            self._has_outs.clear()
            notes: list[Write] = []
            while self._outs:
                out = self._outs.popleft()
                if isinstance(out, Write):
                    notes.append(out)
                    self.counted.notes[type(out.note).__name__.removesuffix("Note").lower()] += 1
                    self._tell(out.note)
                    continue
                if isinstance(out, Publish | Walk) and out.token is not None:
                    if notes:
                        self.link.flush()  # no command before waits while the record is handed on
                        self._write(notes)
                        notes = []
                    if not await self._allowed():
                        self._do(self.core.left, out.token, False, self.now())
                        continue
                try:
                    self._carry(out)
                except Exception as error:  # it costs this effect, and none behind it
                    what = out.message.topic if isinstance(out, Publish) else type(out).__name__
                    self.say(f"{self.profile.name}: {plain(what)}: not done: {plain(str(error))}")
                    self._trace(error)
            if notes:
                self.link.flush()
                self._write(notes)

    async def _allowed(self) -> bool:
        """Wait until a command may leave; False when the link is lost, and with it the command."""
        while not self.ownership.may_tell(self.awake()):
            self._act(self.ownership.stood_still(self.awake()))
            if not self.link.connected or self.ownership.stage != "running":
                return False
            self._released.clear()
            with contextlib.suppress(TimeoutError):
                async with asyncio.timeout(BEAT_EVERY):
                    await self._released.wait()
        return True

    def _carry(self, out: Out) -> None:
        if isinstance(out, Publish):
            self.counted.messages_sent += 1
            sent = self.link.publish(out.message, out.token)
            if out.token is not None:
                self._do(self.core.left, out.token, sent, self.now())
        elif isinstance(out, Present) and self.presenting is not None:
            self.presenting.publish(out.message)
        elif isinstance(out, Walk) and self.stream is not None:
            self.stream.tell(out.device, out.values, out.fade)
        elif isinstance(out, Ending) and self.stream is not None:
            self.stream.end()
        elif isinstance(out, Save):
            self._in_background(self._save(out))
        elif isinstance(out, Answer) and self._on_answer is not None:
            self._on_answer(out)

    def _tell(self, note: Note) -> None:
        """What the log says of a note: requests by their ids, runs, faults. Never a payload."""
        if isinstance(note, RequestNote):
            who = note.by or note.source
            text = f"{note.what} {note.phase}" + (f": {note.text}" if note.text else "")
            self.log(f"{who} asks {text}" if note.phase == "taken" else text, request=note.id)
        elif isinstance(note, RunNote):
            text = f": {note.text}" if note.text else ""
            self.log(f"{note.what} {note.phase}{text}", run=note.run)
        elif isinstance(note, FaultNote):
            self.log(f"fault: {note.text}", device=note.device)

    def _write(self, writes: Sequence[Write]) -> None:
        notes = [write.note for write in writes]
        waited_for = [write.note for write in writes if write.back]
        if not waited_for:
            self._record.write(notes)
            return
        patience = NOTE_WITHIN if self._record.fault is None else 0.0
        written = self._record.writing(notes)
        self._in_background(self._when_written(written, waited_for, patience))

    async def _when_written(
        self, written: asyncio.Future[bool], notes: Sequence[Note], patience: float
    ) -> None:
        """Say when notes are on disk; also, once, that they are not in time."""
        on_disk = False
        with contextlib.suppress(TimeoutError):
            async with asyncio.timeout(patience):
                on_disk = await asyncio.shield(written)
        self._do(self.core.noted, notes, self.now(), on_disk)
        # a step has gone on by now; for the rest it matters to know when it is on disk after all
        lasting = [note for note in notes if not isinstance(note, StepNote)]
        if not on_disk and lasting and await written:
            self._do(self.core.noted, lasting, self.now())

    def _in_background(self, work: Coroutine[object, object, None]) -> None:
        task = asyncio.create_task(work)
        self._tasks.add(task)
        task.add_done_callback(self._tasks.discard)

    def _from_thread(self, call: Callable[..., None], *args: object) -> None:
        with contextlib.suppress(RuntimeError):  # the loop has ended: nobody is left to be told
            self._loop.call_soon_threadsafe(call, *args)

    def _record_told(self, fault: str | None) -> None:
        """Called in the record's thread."""
        self._from_thread(self._record_said, fault)

    def _record_said(self, fault: str | None) -> None:
        """The record cannot be written, or can again: shown, and nothing else."""
        if fault != self.record_fault:
            self.say(f"{self.profile.name}: {fault or 'the record is written again'}")
        if (fault, self._record.lost) != (self.record_fault, self.record_lost):
            self.record_fault, self.record_lost = fault, self._record.lost
            self._do(self.core.record_fault, fault, self.now(), self.record_lost)

    def _record_read(self, memory: Memory, written: int) -> None:
        """What the record holds is known at last. Taken over between two runs."""
        self._remembered = (memory, written)

    def _remember(self) -> None:
        """Begin anew with what the record holds, as a bridge does that starts: nothing is told."""
        if self._remembered is None or self._outs or self.core.controller.run is not None:
            return
        (memory, written), self._remembered = self._remembered, None
        if written != self._record.handed:
            # more has happened since it was read: a lockout may be among it
            self._record.read_again(partial(self._from_thread, self._record_read))
            return
        for timer in self._timers.values():
            timer.cancel()
        self._timers.clear()
        self._record.read_by_now()
        # what was kept and saved since the profile was read stands in the file
        looks = self.core.controller.desk.looks
        self.core = Core(self.profile, memory, self.instance, self.wall, self.now())
        self.core.controller.desk.looks.update(looks)
        self.say(f"{self.profile.name}: the record was read; beginning with what it holds")
        if self.ownership.stage == "running" and self.link.connected:
            self._do(self.core.link_up, self.now(), self.ownership.epoch)
            if self.presenting is not None and self.presenting.up:
                self._do(self.core.presence_up, self.now())

    async def _save(self, save: Save) -> None:
        try:
            error = await self._saves.carry_out(self.path, save)
        except Exception as fault:  # whatever happens, who asked to keep gets an answer
            self.say(f"a fault of the bridge itself: {whole(fault)}")
            error = f"a fault of the bridge itself: {type(fault).__name__}: {fault}"
        self._do(self.core.saved, save.request_id, error, self.now())

    # ---- once a second --------------------------------------------------------------------------

    def _each_second(self) -> None:
        """What has to be looked at because no event tells of it: clock, call times, record."""
        if self.stopped.is_set():
            return
        self._loop.call_later(TICK, self._each_second)
        by = self.clock.stepped()
        if by is not None:
            way = "forward" if by > 0 else "back"
            self._note_fault(f"this machine's clock was put {way} by {spoken(by)} (or it slept)")
            self._do(self.core.due, "quiet-anew", self.now())
        if self._calls is not None:
            for due in self._calls.look(self.clock.now(), self.now()):
                self._called(due)
        self._record.look()
        self._record_said(self._record.fault)
        self._look_for_room()
        self._remember()
        if self.now() - self._pruned_at >= PRUNE_EVERY:
            self._pruned_at = self.now()
            self._record.prune()

    def _look_for_room(self) -> None:
        """Tell the core how much the disk of the record still takes, where a line asks for it."""
        if not any(item.kind == "record" for item in self.profile.before):
            return
        free = self._record.room()
        # what could not be said is looked for again at once: a disk that has just been mounted
        if free is None or self.now() - self._room_at >= ROOM_EVERY:
            self._room_at = self.now()
            self._do(self.core.room, free, self.now())

    def _note_fault(self, text: str) -> None:
        """A fault that no device brought about: said, and in the record."""
        self.say(f"{self.profile.name}: {text}")
        self._feed([Write(FaultNote(self.now(), None, "", text))])

    # ---- call times -----------------------------------------------------------------------------

    def _start_clock(self) -> None:
        self._calls = CallTimes(self.profile.call_times, self.zone, self.lead, self.clock.now())

    def zone(self) -> tzinfo:
        """The profile's zone, else this machine's, through its changes of clocks."""
        if self.profile.time_zone is not None:
            return zoneinfo.ZoneInfo(self.profile.time_zone)
        time.tzset()  # somebody may have moved the machine to another zone
        return SystemZone()

    def lead(self, call: CallTime) -> float:
        """Seconds to start before a call time: predicted time to ready, and the warm-up."""
        try:
            predicted = plan(self.profile, "up", call.look).ready_in
        except UnknownLook:
            predicted = 0.0
        return predicted + self.profile.warm_up

    def _called(self, due: Due) -> None:
        local = due.ready.astimezone(self.zone())
        if due.why_not:
            self._note_fault(f"the call for {local:%H:%M} is not started: {due.why_not}")
            return
        self.say(f"{self.profile.name}: call time, to be ready by {local:%H:%M}")
        self.ask(
            Request(
                at=self.now(),
                id=f"call-{int(due.start.timestamp())}-{due.call.look or ''}",
                what="up",
                by=f"call time {local:%H:%M}",
                source="call time",
                look=due.call.look,
            )
        )
