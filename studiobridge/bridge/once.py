"""A link that is made once: for a command that listens, or tells one thing, and then ends.

Who needs it to come back asks with an `Asker` (asking.py) or listens with a `Listening`.
"""

from __future__ import annotations

import asyncio
import contextlib
import secrets
from collections.abc import AsyncIterator, Callable

from studiobridge.bridge.asking import NoBroker
from studiobridge.bridge.link import CannotConnect, Link
from studiobridge.bridge.settings import BrokerSettings
from studiobridge.speech.message import Message

# The broker says within (s) what may be read, or never.
ANSWERS_WITHIN = 3.0


@contextlib.asynccontextmanager
async def once(
    broker: BrokerSettings,
    name: str,
    subscriptions: Callable[[], list[tuple[str, int]]],
    on_message: Callable[[Message], None],
    on_down: Callable[[str], None] = lambda why: None,
) -> AsyncIterator[Link]:
    """Connected, subscribed, and closed at the end; without a will. Raises NoBroker."""
    answered = asyncio.Event()
    link = Link(
        broker,
        f"studiobridge-{name}-{secrets.token_hex(5)}",
        will=None,
        subscriptions=subscriptions,
        on_up=lambda: None,
        on_down=on_down,
        on_message=on_message,
        on_subscribed=answered.set,
    )
    try:
        await link.connect()
    except CannotConnect as error:
        await link.close()
        raise NoBroker(str(error)) from None
    staying = asyncio.create_task(link.stay())
    try:
        with contextlib.suppress(TimeoutError):
            async with asyncio.timeout(ANSWERS_WITHIN):
                await answered.wait()
        yield link
    finally:
        await link.close()
        staying.cancel()
        with contextlib.suppress(asyncio.CancelledError):
            await staying
