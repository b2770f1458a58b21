"""The other end of the request channel: what the command line uses, from any machine.

Reads the retained topics of a set and asks over the same channel as everybody else.
"""

from __future__ import annotations

import asyncio
import contextlib
import getpass
import json
import secrets
import socket
import time
from collections.abc import AsyncIterator, Callable
from dataclasses import dataclass, field
from types import TracebackType
from typing import Any

from studiobridge.bridge.claim import Alive
from studiobridge.bridge.link import CannotConnect, Link
from studiobridge.bridge.settings import Settings
from studiobridge.bridge.topics import ROOT, answer_topic, ask_topic
from studiobridge.wire.message import Message

# How long (s) to wait for what the broker keeps, and for the first answer of a bridge.
KEPT_WITHIN = 3.0
ANSWER_WITHIN = 3.0
# Retained messages come in one burst; it is over when nothing came for so long (s).
QUIET = 0.15
# When all of it has come, what is still on its way of the same burst is here within (s).
AT_ONCE = 0.01


class NoBroker(Exception):
    """The broker cannot be used. Exit code 3."""


class NoBridge(Exception):
    """No bridge runs this set, or it does not answer. Exit code 3."""


@dataclass(slots=True)
class Shown:
    """Everything a set shows of itself on its retained topics."""

    alive: Alive | None = None
    state: dict[str, Any] | None = None
    run: dict[str, Any] | None = None
    drift: list[dict[str, Any]] = field(default_factory=list)
    devices: dict[str, dict[str, Any]] = field(default_factory=dict)

    @property
    def bridge_alive(self) -> bool:
        return self.alive is not None and self.alive.alive

    def status(self) -> dict[str, Any]:
        """The shape of `status --json`."""
        return {**(self.state or {}), "devices": self.devices}


@dataclass(frozen=True, slots=True)
class Answered:
    """One answer to a request; `final` when no other follows."""

    final: bool
    code: int
    text: str
    detail: dict[str, Any]


def who() -> str:
    """Who asks, for the record: user and machine."""
    with contextlib.suppress(OSError, KeyError):
        return f"{getpass.getuser()}@{socket.gethostname()}"
    return socket.gethostname()


class Asker:
    """A visitor of one set. Use as an async context manager.

    Who only asks has no use for each of a thousand devices: `devices` False leaves them out.
    """

    def __init__(self, settings: Settings, set_name: str, devices: bool = True) -> None:
        self.settings = settings
        self.set_name = set_name
        self._devices = devices
        self.shown = Shown()
        self._id = secrets.token_hex(5)
        self._drift_heard = False
        self._answers: dict[str, asyncio.Queue[Answered]] = {}
        self._changed = asyncio.Event()
        self._last = 0.0
        self._task: asyncio.Task[None] | None = None
        self._why_down = ""
        self.link: Link

    def _visit(
        self,
        client_id: str,
        on_up: Callable[[], None] = lambda: None,
        on_fault: Callable[[str], None] = lambda text: None,
    ) -> Link:
        """A link that hears what the set shows and answers; not connected yet."""
        return Link(
            self.settings.broker,
            client_id,
            will=None,
            subscriptions=self._subscriptions,
            on_up=on_up,
            on_down=self._down,
            on_message=self._message,
            on_fault=on_fault,
        )

    async def __aenter__(self) -> Asker:
        self.link = self._visit(f"studiobridge-ask-{self._id}")
        try:
            try:
                await self.link.connect()
            except CannotConnect as error:
                if error.final or self.link.protocol5:
                    raise
                await self.link.connect()  # the broker knows no MQTT 5
        except CannotConnect as error:
            raise NoBroker(str(error)) from None
        self._last = time.monotonic()
        self._task = asyncio.create_task(self.link._stay())
        return self

    async def __aexit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        await self.link.close()
        if self._task is not None:
            self._task.cancel()
            with contextlib.suppress(asyncio.CancelledError):
                await self._task

    @property
    def connected(self) -> bool:
        return self.link.connected

    def _subscriptions(self) -> list[tuple[str, int]]:
        name = self.set_name
        own = f"{ROOT}/{name}"
        return [
            (f"{own}/alive", 1),
            (f"{own}/state", 1),
            (f"{own}/run", 1),
            (f"{own}/drift", 1),
            *([(f"{own}/devices/+", 1)] if self._devices else []),
            (answer_topic(name), 1),
            (f"{answer_topic(name)}/{self._id}", 1),
        ]

    def _down(self, why: str) -> None:
        self._why_down = why
        self._changed.set()

    def _message(self, message: Message) -> None:
        self._last = time.monotonic()
        parts = message.topic.split("/")[2:]
        if parts == ["alive"]:
            self.shown.alive = Alive.read(message.payload)
        elif parts[0] == "answer":
            self._answered(message)
            return
        else:
            try:
                said = json.loads(message.payload) if message.payload else None
            except (ValueError, RecursionError):
                return
            if parts == ["state"]:
                self.shown.state = said if isinstance(said, dict) else None
            elif parts == ["run"]:
                self.shown.run = said if isinstance(said, dict) else None
            elif parts == ["drift"]:
                self._drift_heard = True
                self.shown.drift = said if isinstance(said, list) else []
            elif parts[0] == "devices" and len(parts) == 2:
                if isinstance(said, dict):
                    self.shown.devices[parts[1]] = said
                else:
                    self.shown.devices.pop(parts[1], None)
        self._changed.set()

    def _answered(self, message: Message) -> None:
        try:
            said = json.loads(message.payload)
        except (ValueError, RecursionError):
            return
        if not isinstance(said, dict):
            return
        id_ = said.get("id") or (message.correlation or b"").decode("ascii", "replace")
        waiting = self._answers.get(str(id_))
        if waiting is not None:
            detail = said.get("detail")
            waiting.put_nowait(
                Answered(
                    bool(said.get("final")),
                    int(said.get("code", 1)),
                    str(said.get("text", "")),
                    detail if isinstance(detail, dict) else {},
                )
            )

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
        if not shown.bridge_alive:
            raise NoBridge(
                f"no bridge runs '{self.set_name}' on {self.settings.broker.shown};"
                " start one with `studiobridge run PROFILE`"
            )
        return shown

    async def changed(self, within: float | None = None) -> bool:
        """Wait for the next change; False when none came within the time (s)."""
        try:
            async with asyncio.timeout(within):
                await self._changed.wait()
        except TimeoutError:
            return False
        finally:
            self._changed.clear()
        return True

    # ---- asking ---------------------------------------------------------------------------------

    async def ask(self, what: str, **more: Any) -> AsyncIterator[Answered]:
        """Ask, and yield answers until the final one. Raises NoBridge, NoBroker."""
        id_ = f"{self._id}-{secrets.token_hex(4)}"
        waiting: asyncio.Queue[Answered] = asyncio.Queue()
        self._answers[id_] = waiting
        body = {"id": id_, "what": what, "by": who(), **{k: v for k, v in more.items() if v}}
        message = Message(
            ask_topic(self.set_name),
            json.dumps(body, ensure_ascii=False).encode(),
            qos=1,
            expiry=ANSWER_WITHIN,
            response_topic=f"{answer_topic(self.set_name)}/{self._id}",
            correlation=id_.encode(),
        )
        if not self.link.publish(message):
            raise NoBroker(f"the link to {self.settings.broker.shown} was lost")
        first = True
        until = time.monotonic() + ANSWER_WITHIN
        try:
            while True:
                try:
                    async with asyncio.timeout(1.0):
                        answer = await waiting.get()
                except TimeoutError:
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
                        raise NoBroker(f"the link was lost: {self._why_down}") from None
                    if not self.shown.bridge_alive:
                        raise NoBridge(f"the bridge of '{self.set_name}' is gone") from None
                    continue
                first = False
                yield answer
                if answer.final:
                    return
        finally:
            del self._answers[id_]
