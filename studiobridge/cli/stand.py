"""Whoever runs a set, to be asked one thing after another: its bridge, or one in this process.

`up` and its like show a run as it goes (running.py). What asks many small things in a row, as
`try` and `measure` do, stands here as long as it takes.
"""

from __future__ import annotations

import asyncio
import contextlib
import secrets
from collections.abc import AsyncIterator
from pathlib import Path
from typing import TYPE_CHECKING, Any, Protocol

from studiobridge.cli import show
from studiobridge.cli.base import NOT_THERE, Stop, read_or_stop

if TYPE_CHECKING:
    from studiobridge.bridge.asking import Asker
    from studiobridge.bridge.daemon import SetRunner
    from studiobridge.bridge.settings import Settings
    from studiobridge.profile.said import Answer

# A bridge in this process says within (s) that it runs the set, or why not: it may have to wait
# out the lease of one that was killed a moment ago, and to listen.
BEGINS_WITHIN = 30.0


class Stand(Protocol):
    """Takes requests, one at a time, and gives the final answer of each."""

    async def ask(self, what: str, **more: Any) -> Answer: ...


class AtTheBridge:
    """A bridge runs the set: asked as everybody asks it. Raises NoBridge, NoBroker."""

    def __init__(self, asker: Asker) -> None:
        self.asker = asker

    async def ask(self, what: str, **more: Any) -> Answer:
        final: Answer | None = None
        async for answer in self.asker.ask(what, **more):
            final = answer
        assert final is not None
        return final


class Here:
    """No bridge runs: the set runs in this process for as long as this is open."""

    def __init__(self, path: Path, settings: Settings) -> None:
        self.path = path
        self.settings = settings
        self._waiting: dict[str, asyncio.Future[Answer]] = {}
        self._problems: list[str] = []
        self._runner: SetRunner
        self._task: asyncio.Task[int]

    async def __aenter__(self) -> Here:
        from studiobridge.bridge.daemon import SetRunner

        show.fail(
            "no bridge is running: this command runs the set itself, and stops watching it;"
            f" with `studiobridge run {self.path}` in another terminal the next command knows"
            " what this one heard"
        )
        self._runner = SetRunner(
            self.path,
            read_or_stop(self.path).profile,
            self.settings,
            say=self._problems.append,
            on_answer=self._answered,
        )
        self._task = asyncio.create_task(self._runner.run())
        ready = asyncio.create_task(self._runner.ready.wait())
        waiting: list[asyncio.Task[Any]] = [self._task, ready]
        await asyncio.wait(waiting, timeout=BEGINS_WITHIN, return_when=asyncio.FIRST_COMPLETED)
        if not self._runner.ready.is_set():
            ready.cancel()
            code = self._task.result() if self._task.done() else NOT_THERE
            await self.__aexit__()
            raise Stop(code or NOT_THERE, "\n".join(self._problems))
        return self

    async def __aexit__(self, *_: object) -> None:
        self._runner.stop()
        with contextlib.suppress(asyncio.CancelledError):
            await self._task

    def _answered(self, answer: Answer) -> None:
        waiting = self._waiting.get(answer.request_id)
        if waiting is not None and answer.final and not waiting.done():
            waiting.set_result(answer)

    async def ask(self, what: str, **more: Any) -> Answer:
        from studiobridge.bridge.asking import who
        from studiobridge.control.events import Request
        from studiobridge.profile.wish import read_value

        id_ = f"here-{secrets.token_hex(5)}"
        value = more.pop("value", None)
        request = Request(
            at=0.0,
            id=id_,
            what=what,  # type: ignore[arg-type]
            by=who(),
            source="command",
            targets=tuple(more.pop("targets", None) or ()),
            wish=None if value is None else read_value(value),
            **more,
        )
        final = self._waiting[id_] = asyncio.get_running_loop().create_future()
        self._runner.ask(request)
        try:
            waiting: list[asyncio.Future[Any]] = [final, self._task]
            await asyncio.wait(waiting, return_when=asyncio.FIRST_COMPLETED)
            if not final.done():
                raise Stop(self._task.result() or NOT_THERE, "\n".join(self._problems))
            answer: Answer = final.result()
            return answer
        finally:
            del self._waiting[id_]


@contextlib.asynccontextmanager
async def stand(settings: Settings, name: str, path: Path | None) -> AsyncIterator[Stand]:
    """Whoever runs this set. Raises NoBridge where nobody does and no profile is at hand."""
    from studiobridge.bridge.asking import Asker

    async with Asker(settings, name, devices=False) as asker:
        shown = await asker.settled()
        if shown.bridge_alive or path is None:
            await asker.need_bridge()
            yield AtTheBridge(asker)
            return
    async with Here(path, settings) as here:
        yield here
