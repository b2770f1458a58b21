"""Presets on their way into a profile: one save after the other, in the order they were asked."""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Mapping
from functools import partial
from pathlib import Path

from studiobridge.control.effects import Save
from studiobridge.profile import keep_presets
from studiobridge.profile.adding import save_look
from studiobridge.profile.keep import CannotKeep
from studiobridge.profile.model import Preset


class Saves:
    """The queue in front of one set's file. Off the event loop: a disk may take its time."""

    def __init__(self) -> None:
        # asyncio's lock is given to who has waited longest
        self._turn = asyncio.Lock()

    async def save(self, path: Path, look: str, presets: Mapping[str, Preset]) -> str | None:
        """Write these presets. Returns why that cannot be, for a person; None when it is done."""
        return await self._write(path, partial(keep_presets, path, look, presets))

    async def carry_out(self, path: Path, save: Save) -> str | None:
        """What the controller wants saved: presets of a look that is there, or a whole look."""
        if save.whole is None:
            return await self.save(path, save.look, save.presets)
        anew = save.whole == "anew"
        whole = partial(save_look, path, save.look, save.presets, save.title, anew)
        return await self._write(path, whole)

    async def _write(self, path: Path, write: Callable[[], None]) -> str | None:
        async with self._turn:
            try:
                await asyncio.to_thread(write)
            except CannotKeep as cannot:
                return str(cannot)
            except OSError as cannot:
                return f"{path} cannot be written: {cannot.strerror or cannot}"
        return None
