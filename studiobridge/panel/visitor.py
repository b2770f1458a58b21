"""A visitor that stays: reads a set's topics, comes back when the broker does, tells who waits."""

from __future__ import annotations

import asyncio
import contextlib
import time
from types import TracebackType

from studiobridge.bridge.asking import Asker, Shown
from studiobridge.bridge.link import CannotConnect
from studiobridge.bridge.settings import Settings
from studiobridge.profile.model import SetProfile
from studiobridge.wire.message import Message


class Visitor(Asker):
    """One set as it shows itself, for as long as the page is served."""

    def __init__(self, settings: Settings, profile: SetProfile) -> None:
        super().__init__(settings, profile.name)
        self.profile = profile
        self.up = False
        self.why = "not connected yet"
        self.heard_at = time.monotonic()
        self.version = 0
        self._news = asyncio.Event()

    async def __aenter__(self) -> Visitor:
        self.link = self._visit(f"studiobridge-page-{self._id}", self._came, self._fault)
        self._task = asyncio.create_task(self._keep())
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
            with contextlib.suppress(asyncio.CancelledError, CannotConnect):
                await self._task

    async def _keep(self) -> None:
        """Stay connected. A refusal that is final for others is tried again: keys are changed."""
        while True:
            try:
                await self.link.run()
                return
            except CannotConnect as error:
                self._fault(str(error))
                await asyncio.sleep(5.0)

    # ---- what changes ------------------------------------------------------------------

    def _came(self) -> None:
        # what the broker kept from before is told again now; nothing older is believed
        self.shown = Shown()
        self.up = True
        self.why = ""
        self._tell()

    def _down(self, why: str) -> None:
        super()._down(why)
        self.up = False
        self.why = f"the link to the broker is gone ({why})"
        self._tell()

    def _fault(self, text: str) -> None:
        if not self.up:
            self.why = text
            self._tell()

    def _message(self, message: Message) -> None:
        super()._message(message)
        if "/answer" not in message.topic:
            self.heard_at = time.monotonic()
            self._tell()

    def _tell(self) -> None:
        self.version += 1
        news, self._news = self._news, asyncio.Event()
        news.set()

    async def after(self, version: int, within: float) -> int:
        """Wait until there is something newer than `version`, or the time (s) is over."""
        if self.version == version:
            with contextlib.suppress(TimeoutError):
                async with asyncio.timeout(within):
                    await self._news.wait()
        return self.version

    @property
    def sure(self) -> bool:
        """Is there a bridge, and a way to it, so that what is shown is so now?"""
        return self.up and self.shown.bridge_alive
