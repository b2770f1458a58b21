"""The real panel over real HTTP, without a bridge: a test says what it heard, and pages follow at once.

Cheap where only what is drawn is looked at: no broker, no gear, no process of its own, any state.
"""

from __future__ import annotations

import asyncio
import contextlib
import threading
import time
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from studiobridge.bridge.asking import NoWitness, Shown
from studiobridge.bridge.ownership import Alive
from studiobridge.bridge.settings import PanelSettings, Settings
from studiobridge.panel.board import Board
from studiobridge.panel.serve import PanelServer
from studiobridge.profile.model import SetProfile
from studiobridge.profile.said import Answer

HERE = b'{"alive": true, "bridge": "x"}'


@dataclass
class Heard:
    """What a visitor of a set has heard: what an Asker is to a board."""

    shown: Shown = field(default_factory=Shown)
    up: bool = True
    why: str = "the link to the broker is gone"
    version: int = 0
    asked: list[dict[str, Any]] = field(default_factory=list)
    # what a witness says of itself, and what it answers: (what, look, lights) to a detail
    witness: dict[str, Any] | None = None
    sees: Callable[[str, str | None, Mapping[str, Any]], Answer] | None = None
    seen: list[tuple[str, str | None, Mapping[str, Any]]] = field(default_factory=list)

    async def ask_witness(
        self, what: str, look: str | None = None, lights: Mapping[str, Any] | None = None
    ) -> Answer:
        self.seen.append((what, look, dict(lights or {})))
        if self.sees is None:
            raise NoWitness("the witness does not answer")
        # off the loop: one that takes its time holds up nobody
        return await asyncio.to_thread(self.sees, what, look, lights or {})

    @property
    def sure(self) -> bool:
        return self.up and self.shown.bridge_alive and not self.shown.old

    async def after(self, version: int, within: float | None = None) -> int:
        end = time.monotonic() + (within or 60.0)
        while self.version == version and time.monotonic() < end:
            await asyncio.sleep(0.02)
        return self.version


@dataclass
class Served:
    url: str
    server: PanelServer
    heard: Heard

    def say(
        self,
        state: dict[str, Any],
        drift: list[dict[str, Any]] | None = None,
        run: dict[str, Any] | None = None,
        devices: dict[str, dict[str, Any]] | None = None,
        bridge: bool = True,
        way: bool = True,
    ) -> None:
        """The set is so from now on. `bridge`: one runs; `way`: there is one to the broker."""
        self.heard.shown = Shown(
            alive=Alive.read(HERE if bridge else HERE.replace(b"true", b"false")),
            state=state,
            run=run,
            drift=drift or [],
            devices=devices or {},
            beat_at=time.monotonic() + 3600,
            clock=0.0,
            witness=self.heard.witness,
        )
        self.heard.up = way
        self.heard.version += 1

    def code(self, role: Any = "operator") -> str:
        return self.server.panel.house.keys.new_code(role)


@contextlib.contextmanager
def served(folder: Path, profile: SetProfile) -> Iterator[Served]:
    """A panel on a free port, that believes what it is told."""
    settings = Settings(data=folder, panel=PanelSettings(port=0))
    heard = Heard()
    made: list[PanelServer] = []
    ready, ending = threading.Event(), asyncio.Event()

    async def live() -> None:
        server = PanelServer(settings, [])
        house = server.panel.house
        made.append(server)
        await server.start()
        # only now: when it began it would have gone to a broker for each of its sets
        house.profiles = [profile]
        house.boards[profile.name] = Board(settings, profile, heard)  # type: ignore[arg-type]
        loops.append(asyncio.get_running_loop())
        ready.set()
        await ending.wait()
        await server.stop()

    loops: list[asyncio.AbstractEventLoop] = []
    thread = threading.Thread(target=lambda: asyncio.run(live()), daemon=True)
    thread.start()
    assert ready.wait(20), "the panel did not begin"
    found = Served(made[0].url, made[0], heard)
    found.say({"state": "unheard"})
    try:
        yield found
    finally:
        loops[0].call_soon_threadsafe(ending.set)
        thread.join(10)
