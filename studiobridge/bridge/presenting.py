"""The connection of a set that shows itself as a Homie 5 device (presence.py says what it shows).

A connection of its own, because it has a will of its own: `$state` is `lost`. It is up as long
as this bridge runs the set, and is reset the moment it does not, so that the broker says `lost`
at once; also when the process is killed. A bridge that hangs, or a link that is held open, is
given up by the broker after 1.5 x `keep_alive`. Every bridge of a set uses the same client id:
whoever takes over ends the connection of the one before, whose will and words then come first.
"""

from __future__ import annotations

import asyncio
from collections.abc import Callable

from studiobridge.bridge.link import FIRST_WAIT, LONGEST_WAIT, CannotConnect, Link
from studiobridge.bridge.settings import BrokerSettings
from studiobridge.speech.message import Message

# A reset throws away what the broker has not read yet: it gets so long (s) for the last words.
FAREWELL = 0.2


class Presenting:
    """Keeps that connection while the set is run here. Lives in one asyncio loop."""

    def __init__(
        self,
        set_name: str,
        broker: BrokerSettings,
        state_topic: str,
        on_up: Callable[[], None],
        on_down: Callable[[], None],
        say: Callable[[str], None],
    ) -> None:
        self._state_topic = state_topic
        self._on_up = on_up
        self._say = say
        self._wanted = asyncio.Event()
        self._link = Link(
            broker,
            f"studiobridge-{set_name}-homie",
            will=Message(state_topic, b"lost", qos=1, retain=True),
            subscriptions=list,
            on_up=self._up,
            on_down=lambda why: on_down(),
            on_message=lambda message: None,
            on_fault=say,
        )

    @property
    def up(self) -> bool:
        return self._link.connected and self._wanted.is_set()

    def begin(self) -> None:
        """The set is run here."""
        self._wanted.set()

    def end(self) -> None:
        """It is not run here now."""
        self._wanted.clear()
        self._link.cut("the set is not run here now")

    def publish(self, message: Message) -> None:
        if self.up:
            self._link.publish(message)

    async def keep(self) -> None:
        """Connect, and connect again, until cancelled. A set is run without it as well."""
        wait, said = FIRST_WAIT, ""
        while True:
            await self._wanted.wait()
            try:
                await self._link.connect()
            except CannotConnect as error:
                if str(error) != said:
                    self._say(f"not shown as a Homie device: {error}")
                said = str(error)
                await asyncio.sleep(wait)
                wait = min(wait * 2, LONGEST_WAIT)
                continue
            wait, said = FIRST_WAIT, ""
            if self._wanted.is_set():
                await self._link.stay()
                # not faster: somebody may use the same client id
                await asyncio.sleep(FIRST_WAIT)
            else:  # it was lost while this connected
                self._link.cut("the set is not run here now")

    def _up(self) -> None:
        if self._wanted.is_set():
            self._on_up()

    async def leave(self, ours: bool, failed: bool) -> None:
        """A goodbye. One that failed says none; one that stood down does not say a word."""
        was_up = self.up
        self._wanted.clear()
        if failed or not was_up:
            # that it failed is said first; then the broker says `lost`
            await self._link.drained()
            await asyncio.sleep(FAREWELL)
            self._link.cut("the set is not run here any more")
        elif ours:
            self._link.publish(Message(self._state_topic, b"disconnected", qos=1, retain=True))
            await self._link.close()
        else:
            await self._link.withdraw()
