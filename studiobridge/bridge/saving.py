"""Presets on their way into a profile: one save after the other, in the order they were asked."""

from __future__ import annotations

import asyncio
from collections.abc import Mapping
from pathlib import Path

from studiobridge.profile import keep_presets
from studiobridge.profile.keep import CannotKeep
from studiobridge.profile.model import Preset


class Saves:
    """The queue in front of one set's file. Off the event loop: a disk may take its time."""

    def __init__(self) -> None:
        # asyncio's lock is given to who has waited longest
        self._turn = asyncio.Lock()

    async def save(self, path: Path, look: str, presets: Mapping[str, Preset]) -> str | None:
        """Write these presets. Returns why that cannot be, for a person; None when it is done."""
        async with self._turn:
            try:
                await asyncio.to_thread(keep_presets, path, look, presets)
            except CannotKeep as cannot:
                return str(cannot)
            except OSError as cannot:
                return f"{path} cannot be written: {cannot.strerror or cannot}"
        return None
