"""The daemon of a set: link, core, record and clock, put together.

What happens where: the link, the core and all timers live in one event loop; the record has
its own thread. What the core wants done is carried out in its order by one task, so that a
note that has to be on disk first holds back the publish behind it (law 9), and nothing else.
"""

from __future__ import annotations

import asyncio
import contextlib
import json
import os
import secrets
import signal
import socket
import sys
import time
import zoneinfo
from collections import deque
from collections.abc import Callable, Coroutine, Sequence
from dataclasses import replace
from datetime import UTC, datetime, tzinfo
from functools import partial
from pathlib import Path
from typing import Protocol

from studiobridge.bridge.calls import CallTimes, Due
from studiobridge.bridge.claim import ANSWER_WITHIN, LISTEN, SETTLE, Alive, Claim, Do
from studiobridge.bridge.clock import Clock, SystemZone, spoken
from studiobridge.bridge.core import Core, Out, Publish, Reply, Wake, Write, plain
from studiobridge.bridge.faults import whole
from studiobridge.bridge.link import CannotConnect, Link
from studiobridge.bridge.metrics import Counted
from studiobridge.bridge.record import Record, RecordAway, RecordError, record_place
from studiobridge.bridge.saving import Saves
from studiobridge.bridge.settings import Settings
from studiobridge.bridge.topics import alive_topic, answer_topic, ask_topic
from studiobridge.control.effects import (
    FaultNote,
    Memory,
    Note,
    RequestNote,
    RunNote,
    Save,
    StepNote,
)
from studiobridge.control.events import Request
from studiobridge.control.plan import UnknownLook, order_problems, plan
from studiobridge.profile import ProfileError, read_profile
from studiobridge.profile.model import CallTime, SetProfile
from studiobridge.wire.message import Message

# How often (s) the bridge looks at its clock, at what came due and at its record; and a day.
TICK = 1.0
PRUNE_EVERY = 86400.0
# A note that is not on disk after so long (s) does not hold the set up any longer; who relies on
# it is told that it is not there yet.
NOTE_WITHIN = 1.0
# How long (s) an interrupted daemon takes to leave properly.
LEAVE_WITHIN = 3.0

Say = Callable[[str], None]


class Log(Protocol):
    """Where a set writes down what it does, for who runs the machine."""

    def __call__(self, set_name: str, text: str, **more: object) -> None: ...


def no_log(set_name: str, text: str, **more: object) -> None:
    pass


def to_stderr(text: str) -> None:
    with contextlib.suppress(OSError, ValueError):  # a terminal that went away ends no set
        print(text, file=sys.stderr, flush=True)


def text_log(set_name: str, text: str, **more: object) -> None:
    """A line a thing: `wheel-corner: up taken (request r-7)`."""
    known = ", ".join(f"{k} {v}" for k, v in more.items() if v not in (None, ""))
    to_stderr(plain(f"{set_name}: {text}" + (f" ({known})" if known else "")))


def json_log(set_name: str, text: str, **more: object) -> None:
    """A JSON object a line, for programs that collect logs."""
    said = {"at": datetime.now(UTC).isoformat(timespec="milliseconds"), "set": set_name}
    more = {k: v for k, v in more.items() if v not in (None, "")}
    to_stderr(json.dumps({**said, "text": text, **more}, ensure_ascii=False))


class SetRunner:
    """One set, run in this process until `stop`."""

    def __init__(
        self,
        path: Path,
        profile: SetProfile,
        settings: Settings,
        say: Say = to_stderr,
        on_reply: Callable[[Reply], None] | None = None,
        on_change: Callable[[], None] | None = None,
        log: Log = no_log,
    ) -> None:
        self.path = path
        self.profile = profile
        self.settings = settings
        self.say = say
        self.log: Callable[..., None] = partial(log, profile.name)
        self.instance = f"{socket.gethostname()[:24]}-{os.getpid()}-{secrets.token_hex(3)}"
        self.claim = Claim(self.instance)
        self.exit_code = 0
        self.ready = asyncio.Event()
        self.stopped = asyncio.Event()
        self._on_reply = on_reply
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
        self._ping: str | None = None
        self._tasks: set[asyncio.Task[None]] = set()
        self.record_fault: str | None = None
        self.record_lost = 0
        self.counted = Counted()
        # nothing is called before the set is ours
        self._calls: CallTimes | None = None
        self._pruned_at = float("-inf")
        # what the record holds, read only after the start, until the set is quiet enough to take it
        self._remembered: tuple[Memory, int] | None = None
        self.core: Core
        self.link: Link

    # ---- clocks -------------------------------------------------------------------------------

    def now(self) -> float:
        return self._loop.time()

    def wall(self, at: float) -> float:
        """The controller's time as seconds since the epoch, by the machine's clock as it is now."""
        return self.clock.wall(at)

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
        for device in self.profile.devices.values():
            device.dimmer.make_ready()
        self.core = Core(self.profile, memory, self.instance, self.wall, self.now())
        if unread is not None:
            self.core.without_memory(unread)
            self._record.open_later(
                RecordAway(unread), partial(self._from_thread, self._record_read)
            )
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
            on_fault=self._fault,
        )
        for warning in (*self.settings.warnings, *self._record.warnings()):
            self.say(f"warning: {warning}")
        link_task = asyncio.create_task(self.link.run())
        carry_task = asyncio.create_task(self._carry_out())
        stop_task: asyncio.Task[object] = asyncio.create_task(self.stopped.wait())
        self._tick()
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

    def stop(self, code: int | None = None) -> None:
        """End without touching the gear."""
        if code is not None:
            self.exit_code = code
        self.stopped.set()

    async def _leave(self) -> None:
        for timer in self._timers.values():
            timer.cancel()
        with contextlib.suppress(TimeoutError):
            async with asyncio.timeout(LEAVE_WITHIN):
                while self._outs:
                    await asyncio.sleep(0.01)
                ours = self.claim.stage in ("claimed", "running")
                # from here on our own 'not alive', read back, must not be answered
                self.claim.stage = "down"
                if ours:
                    self.link.publish(
                        Message(
                            alive_topic(self.profile.name),
                            Alive(False, self.instance).payload(),
                            retain=True,
                        )
                    )
                await self.link.close()

    # ---- the claim ------------------------------------------------------------------------------

    def _subscriptions(self) -> list[tuple[str, int]]:
        if self.claim.stage == "running":
            return [*self.core.subscriptions(), (answer_topic(self.profile.name), 1)]
        name = self.profile.name
        return [(alive_topic(name), 1), (answer_topic(name), 1)]

    def _later(self, after: float, call: Callable[[], None]) -> None:
        self._loop.call_later(after, call)

    def _act(self, do: Do) -> None:
        name = self.profile.name
        if do == "ask":
            self._ping = f"ping-{secrets.token_hex(4)}"
            body = f'{{"id": "{self._ping}", "what": "ping"}}'.encode()
            self.link.publish(Message(ask_topic(name), body, expiry=ANSWER_WITHIN))
            self._later(ANSWER_WITHIN, lambda: self._act(self.claim.unanswered()))
        elif do == "claim":
            if self.claim.other is not None and self.claim.stage == "claimed":
                self.say(f"{name}: the bridge before did not answer; taking over")
            payload = Alive(True, self.instance).payload()
            self.link.publish(Message(alive_topic(name), payload, retain=True))
            self._later(SETTLE, lambda: self._act(self.claim.settled()))
        elif do == "run":
            self._run_set()
        elif do == "stand down":
            self.say(f"another bridge runs {name} ({self.claim.other}); this one stands down")
            self.stop(1)

    def _run_set(self) -> None:
        """The set is ours: listen to everything."""
        self.link.subscribe(self._subscriptions())
        self._feed(self.core.link_up(self.now()))
        if not self.ready.is_set():
            self.ready.set()
            self.say(f"{self.profile.name}: running on {self.settings.broker.shown}")
            notify("READY=1")
            self._start_clock()

    # ---- the link -------------------------------------------------------------------------------

    def _link_up(self) -> None:
        if self.claim.stage == "running":
            payload = Alive(True, self.instance).payload()
            self._later(LISTEN, lambda: self._back(payload))
            self._feed(self.core.link_up(self.now()))
        elif self.claim.stage in ("listening", "asking", "claimed"):
            self.claim = Claim(self.instance)
            self._later(LISTEN, lambda: self._act(self.claim.listened()))

    def _back(self, payload: bytes) -> None:
        """The link is back and nobody took over meanwhile: say that we are alive."""
        if self.claim.stage == "running":
            self.link.publish(Message(alive_topic(self.profile.name), payload, retain=True))

    def _link_down(self, why: str) -> None:
        self.claim.link_lost()
        if self.claim.stage == "running":
            self.say(f"{self.profile.name}: the link to the broker was lost ({why})")
            self._feed(self.core.link_down(self.now()))

    def _message(self, message: Message) -> None:
        if message.topic == alive_topic(self.profile.name):
            said = Alive.read(message.payload)
            if said is not None:
                self._act(self.claim.heard(said))
            return
        if message.topic == answer_topic(self.profile.name):
            if self._ping is not None and self._ping.encode() in message.payload:
                self._act(self.claim.answered())
            return
        if self.claim.stage == "running":
            self.counted.messages_heard += 1
            outs = self.core.message(message, self.now())
            if outs:
                self._feed(outs)

    def _acked(self, token: int) -> None:
        self._feed(self.core.acknowledged(token, self.now()))

    def _fault(self, text: str) -> None:
        self.say(text)

    # ---- carrying out ---------------------------------------------------------------------------

    def ask(self, request: Request) -> None:
        """A request from this process."""
        self._feed(self.core.request(replace(request, at=self.now())))

    def _feed(self, outs: list[Out]) -> None:
        if not outs:
            return
        for out in outs:
            if isinstance(out, Wake):
                self._wake(out)  # a timer changes nothing outside: at once
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
        self._feed(self.core.due(name, self.now()))

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
                if isinstance(out, Publish):
                    self.counted.messages_sent += 1
                    self.link.publish(out.message, out.token)
                elif isinstance(out, Save):
                    self._in_background(self._save(out))
                elif isinstance(out, Reply) and self._on_reply is not None:
                    self._on_reply(out)
            if notes:
                self._write(notes)

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
        self._feed(self.core.noted(notes, self.now(), on_disk))
        # a step has gone on by now; who relies on the rest wants to know when it is there
        lasting = [note for note in notes if not isinstance(note, StepNote)]
        if not on_disk and lasting and await written:
            self._feed(self.core.noted(lasting, self.now()))

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
            self._feed(self.core.record_fault(fault, self.now(), self.record_lost))

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
        self.core = Core(self.profile, memory, self.instance, self.wall, self.now())
        self.say(f"{self.profile.name}: the record was read; beginning with what it holds")
        if self.claim.stage == "running" and self.link.connected:
            self._feed(self.core.link_up(self.now()))

    async def _save(self, save: Save) -> None:
        try:
            error = await self._saves.save(self.path, save.look, save.presets)
        except Exception as fault:  # a keep that nobody planned to fail is answered all the same
            self.say(f"a fault of the bridge itself: {whole(fault)}")
            error = f"a fault of the bridge itself: {type(fault).__name__}: {fault}"
        self._feed(self.core.saved(save.request_id, error, self.now()))

    # ---- once a second --------------------------------------------------------------------------

    def _tick(self) -> None:
        """What no event brings about: the clock, call times, the record's chores."""
        if self.stopped.is_set():
            return
        self._loop.call_later(TICK, self._tick)
        by = self.clock.stepped()
        if by is not None:
            way = "forward" if by > 0 else "back"
            self._note_fault(f"this machine's clock was put {way} by {spoken(by)} (or it slept)")
        if self._calls is not None:
            for due in self._calls.look(self.clock.now(), self.now()):
                self._called(due)
        self._record.look()
        self._record_said(self._record.fault)
        self._remember()
        if self.now() - self._pruned_at >= PRUNE_EVERY:
            self._pruned_at = self.now()
            self._record.prune()

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


def notify(text: str) -> None:
    """Tell the service manager (sd_notify), where there is one."""
    address = os.environ.get("NOTIFY_SOCKET")
    if not address:
        return
    if address.startswith("@"):
        address = "\0" + address[1:]
    with contextlib.suppress(OSError), socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as sock:
        sock.sendto(text.encode(), address)


def load(path: Path, say: Say = to_stderr) -> SetProfile | None:
    """A profile ready to run, or None after saying what is wrong with it."""
    try:
        reading = read_profile(path)
    except ProfileError as error:
        say(str(error))
        return None
    problems = order_problems(reading.profile)
    for problem in problems:
        say(f"{path}: {problem}")
    return None if problems else reading.profile


async def run_sets(paths: Sequence[Path], settings: Settings, say: Say = to_stderr) -> int:
    """Run one or more sets until interrupted. Returns an exit code."""
    profiles = [(path, load(path, say)) for path in paths]
    if any(profile is None for _, profile in profiles):
        return 2
    names = [profile.name for _, profile in profiles if profile is not None]
    if len(set(names)) != len(names):
        say("two of these profiles describe a set of the same name")
        return 2
    log: Log = json_log if settings.log == "json" else text_log
    if settings.log == "json":
        plainly = say

        def say(text: str) -> None:  # one form for everything that is written down
            log("", text) if plainly is to_stderr else plainly(text)

    runners = [
        SetRunner(path, profile, settings, say, log=log)
        for path, profile in profiles
        if profile is not None
    ]
    stop_measuring: Callable[[], None] | None = None
    if settings.metrics is not None:
        from studiobridge.bridge.metrics import CannotMeasure, serve_metrics

        try:
            stop_measuring = serve_metrics(settings.metrics, runners)
        except CannotMeasure as error:
            say(str(error))
            return 2
    loop = asyncio.get_running_loop()

    def stop() -> None:
        notify("STOPPING=1")
        for runner in runners:
            runner.stop()

    for number in (signal.SIGTERM, signal.SIGINT):
        loop.add_signal_handler(number, stop)
    # a terminal that goes away, or who expects settings to be read anew: nothing ends by it
    loop.add_signal_handler(
        signal.SIGHUP, say, "settings and profiles are read at the start alone: start again"
    )

    def fault(_loop: asyncio.AbstractEventLoop, context: dict[str, object]) -> None:
        error = context.get("exception")
        where = f"\n{whole(error)}" if isinstance(error, BaseException) else ""
        say(f"a fault of the bridge itself: {context.get('message')}{where}")

    loop.set_exception_handler(fault)
    watchdog = asyncio.create_task(_watchdog())
    try:
        codes = await asyncio.gather(*(runner.run() for runner in runners))
    finally:
        watchdog.cancel()
        if stop_measuring is not None:
            await asyncio.to_thread(stop_measuring)
    return max(codes)


async def _watchdog() -> None:
    period = int(os.environ.get("WATCHDOG_USEC", "0")) / 1e6
    while period > 0:
        notify("WATCHDOG=1")
        await asyncio.sleep(period / 2)
