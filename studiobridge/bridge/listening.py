"""Listening to a broker without ever saying a word there: subscriptions and nothing else.

A `Listening` has no will, publishes nothing and hands its link to nobody. It comes back by
itself when the link was lost; who cannot connect at all is told so at once.
"""

from __future__ import annotations

import asyncio
import contextlib
import secrets
import time
from collections.abc import Callable, Sequence
from types import TracebackType

from studiobridge.bridge.asking import NoBroker
from studiobridge.bridge.link import CannotConnect, Link
from studiobridge.bridge.settings import BrokerSettings
from studiobridge.speech.message import Message

# A topic that a user may not read is told in the answer to the subscription, or never.
REFUSED_WITHIN = 3.0


class Listening:
    """Everything that is published under some topic filters, as it comes. Use as an async
    context manager; entering raises NoBroker.

    `on_message` gets each message with the time (s, monotonic) it came at; `on_word` a sentence
    where the link was lost, came back, or a filter was refused.
    """

    def __init__(
        self,
        broker: BrokerSettings,
        filters: Sequence[str],
        on_message: Callable[[Message, float], None],
        on_word: Callable[[str], None],
    ) -> None:
        self._broker = broker
        self._filters = list(filters)
        self._on_message = on_message
        self._on_word = on_word
        self._task: asyncio.Task[None] | None = None
        self._first = True
        self._answered = asyncio.Event()
        # the broker refused every filter: nothing will ever come
        self.deaf = False
        # why it will not come back; None while it may
        self.ended: str | None = None

    async def __aenter__(self) -> Listening:
        self._link = Link(
            self._broker,
            f"studiobridge-listen-{secrets.token_hex(5)}",
            will=None,
            subscriptions=lambda: [(f, 0) for f in self._filters],
            on_up=self._came,
            on_down=lambda why: self._on_word(f"the link to the broker is gone ({why})"),
            on_message=lambda message: self._on_message(message, time.monotonic()),
            on_subscribed=self._subscribed,
            on_fault=self._on_word,
        )
        try:
            await self._link.connect()
        except CannotConnect as error:
            await self._link.close()
            raise NoBroker(str(error)) from None
        self._task = asyncio.create_task(self._keep())
        with contextlib.suppress(TimeoutError):
            async with asyncio.timeout(REFUSED_WITHIN):
                await self._answered.wait()
        return self

    async def __aexit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        await self._link.close()
        if self._task is not None:
            self._task.cancel()
            with contextlib.suppress(asyncio.CancelledError):
                await self._task

    async def _keep(self) -> None:
        await self._link.stay()
        try:
            await self._link.run()
        except CannotConnect as error:
            self.ended = str(error)  # trying again will not help; what was heard stays heard

    def _came(self) -> None:
        if not self._first:
            self._on_word("the link to the broker is back")
        self._first = False

    def _subscribed(self) -> None:
        self.deaf = self._link.refused >= len(self._filters)
        self._answered.set()
