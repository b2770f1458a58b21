"""A visitor of a set: what the command line and the page use, from any machine.

Reads the retained topics of a set and asks over the same channel as everybody else. A bridge
that runs beats; one that does not is known within `SILENT_AFTER`, whatever `alive` says. What
another bridge than the one that beats has left there is old, and is never taken for now.
"""

from __future__ import annotations

import asyncio
import contextlib
import getpass
import json
import math
import re
import secrets
import socket
import time
from collections.abc import AsyncIterator, Mapping
from dataclasses import dataclass, field
from types import TracebackType
from typing import Any

from studiobridge.bridge.link import CannotConnect, Link
from studiobridge.bridge.ownership import SILENT_AFTER, Alive, Beat
from studiobridge.bridge.settings import Settings
from studiobridge.bridge.topics import (
    ROOT,
    answer_topic,
    ask_topic,
    cut_topic,
    witness_alive_topic,
    witness_answer_topic,
    witness_ask_topic,
)
from studiobridge.profile.said import Answer
from studiobridge.speech.message import Message

# How long (s) to wait for what the broker keeps, and for the first answer of a bridge.
KEPT_WITHIN = 3.0
ANSWER_WITHIN = 3.0
# Retained messages come in one burst; it is over when nothing came for so long (s).
QUIET = 0.15
# When all of it has come, what is still on its way of the same burst is here within (s).
AT_ONCE = 0.01
# A request asks for nothing so long (s) after it was made, by the bridge's own clock: longer than
# it is repeated for, with the way there and back on a slow link.
REQUEST_LIVES = 8.0
# What is asked of the witness has one end (`picture_within`): whoever asks waits until then, the
# broker drops it then, and the witness leaves undone what it has not begun and answers no more.
# What is reckoned is there this soon (s), or the hand is at another step already.
RECKONED_WITHIN = 3.0
# A picture of now may have to begin the camera first: a process that imports OpenCV, ten seconds on
# a small computer from its memory card. After that a camera gives one as often as it is looked at.
CAMERA_WITHIN = 12.0
LONGEST_WITHIN = 60.0
# An answer with a picture is no larger (bytes): 150 kB of JPEG are 200 kB in base64, and lines over
# it are some thousands of numbers.
LARGEST_ANSWER = 400_000
# Who stays tries again so long (s) after a refusal that is final for others: keys are changed.
REFUSED_AGAIN = 5.0


class NoBroker(Exception):
    """The broker cannot be used. Exit code 3."""


class NoBridge(Exception):
    """No bridge runs this set, or it does not answer. Exit code 3."""


class NothingCut(NoBridge):
    """A cut was asked for and nobody is there to do it: whoever asks must not wait for it."""

    def __init__(self, why: str) -> None:
        super().__init__(f"NOTHING WAS CUT: {why}. Open the breaker, now")


class NoWitness(Exception):
    """Nobody looks at the picture of this set, or whoever does gives no answer that is one."""


class NoAnswer(NoWitness):
    """It was asked, and may well have done it: nothing was heard of it in time."""


def picture_within(what: str, every: object) -> float:
    """How long (s) what is asked of the witness is waited for; `every`: from look to look (s)."""
    if what == "preview":
        return RECKONED_WITHIN
    if isinstance(every, bool) or not isinstance(every, int | float) or not every > 0:
        return CAMERA_WITHIN
    return min(CAMERA_WITHIN + min(every, LONGEST_WITHIN), LONGEST_WITHIN)


@dataclass(slots=True)
class Shown:
    """Everything a set shows of itself on its retained topics."""

    alive: Alive | None = None
    beat: Beat | None = None
    # when (s, monotonic) the bridge last showed that it is running; None when it has not
    beat_at: float | None = None
    # the bridge's wall clock less ours (s), by its beat; None before the first live one
    clock: float | None = None
    state: dict[str, Any] | None = None
    run: dict[str, Any] | None = None
    drift: list[dict[str, Any]] = field(default_factory=list)
    devices: dict[str, dict[str, Any]] = field(default_factory=dict)
    # what looks at the camera's picture says of itself
    witness: dict[str, Any] | None = None

    @property
    def bridge_alive(self) -> bool:
        """Does a bridge run the set, by its own word and by its beat?"""
        if self.alive is None or self.silent:
            return False
        # the late will of another than the one that beats says nothing of it
        beats = self.beat is not None and self.beat.bridge != self.alive.bridge
        return self.alive.alive or beats

    @property
    def silent(self) -> bool:
        """Has nothing been heard of a bridge for longer than one that runs is ever silent?"""
        return self.beat_at is None or time.monotonic() - self.beat_at > SILENT_AFTER

    @property
    def old(self) -> bool:
        """Is what is kept of the set that of a bridge, or of a time, before the one that beats?

        The state is published last, so where it is of now the devices and the drift are too.
        """
        if self.beat is None or self.state is None:
            return False
        of = (self.state.get("bridge"), self.state.get("epoch"))
        return of != (self.beat.bridge, self.beat.epoch)

    @property
    def latest_run(self) -> dict[str, Any] | None:
        """The run as shown, unless it is of another bridge than the one that beats."""
        if self.run is None or self.beat is None or self.run.get("bridge") == self.beat.bridge:
            return self.run
        return None

    def hear(self, parts: list[str], payload: bytes) -> bool:
        """What came in on a topic below the set's own; False for what is none of JSON.

        Whoever may write on the broker may write anything: what has the wrong shape is nothing.
        """
        try:
            said = read_said(payload) if payload else None
        except (ValueError, RecursionError):
            return False
        found = said if isinstance(said, dict) else None
        if parts == ["witness", "alive"]:
            self.witness = found
        elif parts == ["state"]:
            self.state = found
        elif parts == ["run"]:
            self.run = found
        elif parts == ["drift"]:
            entries = said if isinstance(said, list) else []
            self.drift = [entry for entry in entries if isinstance(entry, dict)]
        elif parts[0] == "devices" and len(parts) == 2:
            if found is not None:
                self.devices[parts[1]] = found
            else:
                self.devices.pop(parts[1], None)
        return True

    def state_now(self) -> dict[str, Any]:
        """The state; where that is an old one, what it was is named and is not claimed."""
        state = self.state or {}
        if not self.old:
            return state
        why = "as it was last seen: the bridge that runs now has not said yet how the set stands"
        return {**state, "state": "unheard", "why": why, "last_seen": state.get("state")}

    def status(self) -> dict[str, Any]:
        """The shape of `status --json`."""
        devices = self.devices
        if self.old:
            # whom that bridge heard, this one may not have
            devices = {
                name: {
                    **device,
                    "confirmed": False,
                    "by": None,
                    "heard": None if device.get("heard") is None else "never heard",
                }
                for name, device in devices.items()
            }
        return {**self.state_now(), "devices": devices}


def read_said(payload: bytes) -> Any:
    """JSON as it came in. What is no number there is none here (`NaN`, `1e999`, a whole one that
    is as large), and half of a pair is no character (RFC 8259, 6 and 8.2): what is heard is shown
    again, as JSON and as UTF-8.

    Raises ValueError, RecursionError.
    """

    def finite(text: str) -> float | None:
        found = float(text)
        return found if math.isfinite(found) else None

    def whole_number(text: str) -> int | None:
        return None if finite(text) is None else int(text)

    text = payload.decode("utf-8")
    said = json.loads(
        text, parse_constant=lambda name: None, parse_float=finite, parse_int=whole_number
    )
    if re.search(r"\\u[dD][89a-fA-F]", text):
        whole = json.dumps(said, ensure_ascii=False).encode("utf-8", "replace")
        said = json.loads(whole)
    return said


def read_answer(said: object, id_: str) -> Answer | None:
    """An answer to the request of this id; None for anything that is none.

    Who may write there may write nonsense.
    """
    if not isinstance(said, dict):
        return None
    final, code, text = said.get("final"), said.get("code"), said.get("text")
    if not isinstance(final, bool) or not isinstance(text, str):
        return None
    # a code is what a command ends with
    if isinstance(code, bool) or not isinstance(code, int) or not 0 <= code <= 255:
        return None
    detail = said.get("detail")
    return Answer(id_, final, code, text, detail if isinstance(detail, dict) else {})


def who() -> str:
    """Who asks, for the record: user and machine."""
    with contextlib.suppress(OSError, KeyError):
        return f"{getpass.getuser()}@{socket.gethostname()}"
    return socket.gethostname()


class Asker:
    """A visitor of one set. Use as an async context manager.

    Who only asks has no use for each of a thousand devices: `devices` False leaves them out.
    One that `stays` comes back when the broker does; any other raises NoBroker at once when there
    is none, and ends with its link.
    """

    def __init__(
        self,
        settings: Settings,
        set_name: str,
        devices: bool = True,
        stays: bool = False,
        will: Message | None = None,
    ) -> None:
        self.settings = settings
        self.set_name = set_name
        self._devices = devices
        self._stays = stays
        self._will = will
        self.shown = Shown()
        self.up = False
        self.why = "not connected yet"  # while it is not up
        self.version = 0  # one higher with everything that changes
        self._news = asyncio.Event()
        self._id = secrets.token_hex(5)
        self._drift_heard = False
        self._answers: dict[str, asyncio.Queue[Answer]] = {}
        self._pictures: dict[str, asyncio.Queue[Answer]] = {}
        self._last = 0.0
        self._seen = 0
        self._task: asyncio.Task[None] | None = None
        self._silence: asyncio.TimerHandle | None = None
        self.link: Link

    async def __aenter__(self) -> Asker:
        self.link = Link(
            self.settings.broker,
            f"studiobridge-{'page' if self._stays else 'ask'}-{self._id}",
            will=self._will,
            subscriptions=self._subscriptions,
            on_up=self._came,
            on_down=self._went,
            on_message=self._message,
            on_fault=self._fault,
        )
        if self._stays:
            self._task = asyncio.create_task(self._keep())
            return self
        try:
            await self.link.connect()
        except CannotConnect as error:
            raise NoBroker(str(error)) from None
        self._last = time.monotonic()
        self._task = asyncio.create_task(self.link.stay())
        return self

    async def __aexit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        if self._silence is not None:
            self._silence.cancel()
        await self.link.close()
        if self._task is not None:
            self._task.cancel()
            with contextlib.suppress(asyncio.CancelledError, CannotConnect):
                await self._task

    async def _keep(self) -> None:
        while True:
            try:
                await self.link.run()
                return
            except CannotConnect as error:
                self._fault(str(error))
                await asyncio.sleep(REFUSED_AGAIN)

    @property
    def connected(self) -> bool:
        return self.link.connected

    @property
    def sure(self) -> bool:
        """Is there a bridge, and a way to it, so that what is shown is so now?"""
        return self.up and self.shown.bridge_alive and not self.shown.old

    def _subscriptions(self) -> list[tuple[str, int]]:
        name = self.set_name
        own = f"{ROOT}/{name}"
        return [
            (f"{own}/alive", 1),
            (f"{own}/beat", 0),
            (f"{own}/state", 1),
            (f"{own}/run", 1),
            (f"{own}/drift", 1),
            *([(f"{own}/devices/+", 1)] if self._devices else []),
            (answer_topic(name), 1),
            (f"{answer_topic(name)}/{self._id}", 1),
            (witness_alive_topic(name), 1),
            (f"{witness_answer_topic(name)}/{self._id}", 1),
        ]

    # ---- what changes --------------------------------------------------------------------

    def _came(self) -> None:
        # what the broker kept from before is told again now; nothing older is believed
        self.shown = Shown()
        self.up = True
        self.why = ""
        self._changed()

    def _went(self, why: str) -> None:
        self.up = False
        self.why = f"the link to the broker is gone ({why})"
        self._changed()

    def _fault(self, text: str) -> None:
        if not self.up:
            self.why = text
            self._changed()

    def _changed(self) -> None:
        self.version += 1
        news, self._news = self._news, asyncio.Event()
        news.set()

    async def after(self, version: int, within: float | None = None) -> int:
        """Wait until there is something newer than `version`, or the time (s) is over."""
        if self.version == version:
            with contextlib.suppress(TimeoutError):
                async with asyncio.timeout(within):
                    await self._news.wait()
        return self.version

    async def changed(self, within: float | None = None) -> bool:
        """Wait for the next change; False when none came within the time (s)."""
        before, self._seen = self._seen, await self.after(self._seen, within)
        return self._seen != before

    def _message(self, message: Message) -> None:
        parts = message.topic.split("/")[2:]
        if parts == ["beat"]:
            self._beat(message)
            return
        self._last = time.monotonic()
        if parts == ["alive"]:
            self.shown.alive = Alive.read(message.payload)
        elif parts[0] == "answer":
            self._answered(message, self._answers)
            return
        elif parts[:2] == ["witness", "answer"]:
            if len(message.payload) <= LARGEST_ANSWER:
                self._answered(message, self._pictures)
            return
        else:
            if not self.shown.hear(parts, message.payload):
                return
            self._drift_heard = self._drift_heard or parts == ["drift"]
        self._changed()

    def _beat(self, message: Message) -> None:
        beat = Beat.read(message.payload)
        if beat is None:
            return
        shown = self.shown
        was = shown.silent, shown.old
        shown.beat = beat
        if message.retain:
            # kept from before: how old it is, only two clocks that agree can tell
            self._last = time.monotonic()
            age = time.time() - beat.at
            if 0 <= age <= SILENT_AFTER:
                shown.beat_at = time.monotonic() - age
        else:
            shown.beat_at = time.monotonic()
            shown.clock = beat.at - time.time()
        if was != (shown.silent, shown.old):
            self._changed()
        if self._silence is not None:
            self._silence.cancel()
        loop = asyncio.get_running_loop()
        self._silence = loop.call_later(SILENT_AFTER + 0.02, self._fell_silent)

    def _fell_silent(self) -> None:
        """No beat came in time: what is shown is not confirmed any more."""
        self._silence = None
        self._changed()

    def _answered(self, message: Message, asked: dict[str, asyncio.Queue[Answer]]) -> None:
        try:
            said = read_said(message.payload)
        except (ValueError, RecursionError):
            return
        if not isinstance(said, dict):
            return
        id_ = said.get("id") or (message.correlation or b"").decode("ascii", "replace")
        waiting = asked.get(id_) if isinstance(id_, str) else None
        if asked is self._pictures:
            said = {**said, "final": True}  # a look is answered once
        answer = read_answer(said, str(id_))
        if waiting is not None and answer is not None and not waiting.full():
            waiting.put_nowait(answer)

    # ---- reading --------------------------------------------------------------------------------

    async def settled(self) -> Shown:
        """Wait until what the broker keeps has come in; NoBridge when there is nothing."""
        until = time.monotonic() + KEPT_WITHIN
        while time.monotonic() < until:
            await asyncio.sleep(0.005)
            enough = 3 * QUIET if self.shown.alive is None else QUIET
            if time.monotonic() - self._last > (AT_ONCE if self._all_here() else enough):
                break
        return self.shown

    def _all_here(self) -> bool:
        """Has everything come that a set keeps at its broker? It says how many devices it has."""
        shown = self.shown
        if shown.alive is None or shown.state is None or not self._drift_heard:
            return False
        count = shown.state.get("device_count")
        return not self._devices or (isinstance(count, int) and len(shown.devices) >= count)

    async def need_bridge(self) -> Shown:
        """As settled, and a bridge must be alive. Raises NoBridge."""
        shown = await self.settled()
        if shown.alive is not None and shown.alive.alive and shown.silent:
            # what the broker kept does not say how old it is: one that runs is heard by now
            with contextlib.suppress(TimeoutError):
                async with asyncio.timeout(SILENT_AFTER):
                    while shown.silent and self.link.connected:
                        await self.after(self.version)
                        shown = self.shown
        if not shown.bridge_alive:
            if shown.alive is not None and shown.alive.alive:
                raise NoBridge(
                    f"the bridge of '{self.set_name}' ({shown.alive.bridge}) is silent: it says"
                    " that it runs and has not been heard from; it hangs, or its link does"
                )
            raise NoBridge(
                f"no bridge runs '{self.set_name}' on {self.settings.broker.shown};"
                " start one with `studiobridge run PROFILE`"
            )
        if shown.old:
            # one that has just begun: it says within a moment how the set stands
            with contextlib.suppress(TimeoutError):
                async with asyncio.timeout(SILENT_AFTER):
                    while self.shown.old and self.link.connected:
                        await self.after(self.version)
        return self.shown

    # ---- asking ---------------------------------------------------------------------------------

    def _somebody_cuts(self) -> None:
        """Raises NothingCut where no bridge is heard, or there is no way to one."""
        if not self.link.connected:
            raise NothingCut(f"{self.settings.broker.shown} is not reached")
        if not self.shown.bridge_alive:
            alive = self.shown.alive
            says = "is silent" if alive is not None and alive.alive else "does not run"
            raise NothingCut(f"the bridge of '{self.set_name}' {says}")

    async def ask(self, what: str, **more: Any) -> AsyncIterator[Answer]:
        """Ask, and yield answers until the final one. Raises NoBridge, NoBroker.

        A cut is never waited for in vain: NothingCut as soon as the beat is not heard.
        """
        cut = what == "cut"
        if cut:
            self._somebody_cuts()
        id_ = f"{self._id}-{secrets.token_hex(4)}"
        waiting: asyncio.Queue[Answer] = asyncio.Queue()
        self._answers[id_] = waiting
        body = {"id": id_, "what": what, "by": who(), **{k: v for k, v in more.items() if v}}
        if self.shown.clock is not None:
            # by the clock that will judge it: ours may be hours off
            body.setdefault("until", round(time.time() + self.shown.clock + REQUEST_LIVES, 3))
        message = Message(
            cut_topic(self.set_name) if what == "cut" else ask_topic(self.set_name),
            json.dumps(body, ensure_ascii=False).encode(),
            qos=1,
            expiry=ANSWER_WITHIN,
            response_topic=f"{answer_topic(self.set_name)}/{self._id}",
            correlation=id_.encode(),
        )
        if not self.link.publish(message):
            if self.link.connected:
                raise NoBroker(f"{self.settings.broker.shown} takes no request as large as this")
            raise NoBroker(f"the link to {self.settings.broker.shown} was lost")
        first = True
        until = time.monotonic() + ANSWER_WITHIN
        try:
            while True:
                try:
                    async with asyncio.timeout(0.1 if cut else 1.0):
                        answer = await waiting.get()
                except TimeoutError:
                    if cut:
                        self._somebody_cuts()
                        if first and time.monotonic() >= until:
                            raise NothingCut("the bridge runs and does not answer") from None
                        continue
                    if first and time.monotonic() < until:
                        # a bridge that just starts may have missed it; the id makes it one request
                        self.link.publish(message)
                        continue
                    if first:
                        raise NoBridge(
                            f"the bridge of '{self.set_name}' does not answer (not running, or this"
                            " user may not ask)"
                        ) from None
                    if not self.link.connected:
                        raise NoBroker(f"{self.why}") from None
                    if not self.shown.bridge_alive:
                        how = "fell silent" if self.shown.silent else "is gone"
                        raise NoBridge(f"the bridge of '{self.set_name}' {how}") from None
                    continue
                first = False
                yield answer
                if answer.final:
                    return
        finally:
            del self._answers[id_]

    async def ask_witness(
        self, what: str, look: str | None = None, lights: Mapping[str, Any] | None = None
    ) -> Answer:
        """Ask what looks at the picture: `look`, `still`, `preview` or `keep`. Raises NoWitness.

        One question, one answer before its end (`picture_within`); whatever comes later, or with
        another id, is nobody's. One that goes away meanwhile is not waited for. What is in the
        answer comes from outside: whoever shows it looks at it first.
        """
        if not self.link.connected:
            raise NoWitness(f"the link to {self.settings.broker.shown} was lost")
        alive = self.shown.witness
        if alive is None or alive.get("alive") is not True:
            raise NoWitness("nobody looks at the picture now")
        within = picture_within(what, alive.get("every"))
        id_ = f"{self._id}-{secrets.token_hex(8)}"
        body: dict[str, Any] = {"id": id_, "what": what, "look": look, "lights": lights or {}}
        if self.shown.clock is not None:
            body["until"] = round(time.time() + self.shown.clock + within, 3)
        waiting: asyncio.Queue[Answer] = asyncio.Queue(1)
        self._pictures[id_] = waiting
        try:
            sent = self.link.publish(
                Message(
                    witness_ask_topic(self.set_name),
                    json.dumps(body, ensure_ascii=False).encode(),
                    qos=1,
                    expiry=within,
                    response_topic=f"{witness_answer_topic(self.set_name)}/{self._id}",
                    correlation=id_.encode(),
                )
            )
            if not sent:
                raise NoWitness(f"{self.settings.broker.shown} takes no request as large as this")
            return await self._from_witness(waiting, alive.get("run"), within)
        finally:
            del self._pictures[id_]

    async def _from_witness(
        self, waiting: asyncio.Queue[Answer], run: object, within: float
    ) -> Answer:
        """The answer of the witness that was asked, while there is that one. Raises NoAnswer."""
        answered = asyncio.create_task(waiting.get())
        until = time.monotonic() + within
        try:
            while not answered.done():
                left = until - time.monotonic()
                if left <= 0:
                    raise NoAnswer(f"the witness does not answer (waited {within:.0f} s)")
                if not self.link.connected:
                    raise NoAnswer(f"the link to {self.settings.broker.shown} was lost")
                alive = self.shown.witness
                # after a link that came back nothing is known of it for a moment
                if alive is not None and (
                    alive.get("alive") is not True or alive.get("run") != run
                ):
                    raise NoAnswer("the witness went away before it had answered")
                news = asyncio.create_task(self.after(self.version, left))
                try:
                    await asyncio.wait((answered, news), return_when=asyncio.FIRST_COMPLETED)
                finally:
                    news.cancel()
            return answered.result()
        finally:
            answered.cancel()
