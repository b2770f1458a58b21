"""Notes handed to a record, and waited for."""

from __future__ import annotations

import asyncio
from collections.abc import Sequence

from studiobridge.bridge.record import Record
from studiobridge.control.effects import Note


async def on_disk(record: Record, notes: Sequence[Note], within: float) -> bool:
    """Write and wait until they are on disk; False when they are not after `within` s."""
    try:
        async with asyncio.timeout(within):
            return await record.writing(notes)
    except TimeoutError:
        return False
