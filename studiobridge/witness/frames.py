"""Frames of the camera's picture, wherever they come from: asked one by one, never stored.

    async with open_frames(profile.witness, settings, near=folder_of_the_profile) as frames:
        frame = await frames.next(5.0)

The rules:

- Reading and decoding happen in a process of its own (`sources.py`): what hangs, eats memory or
  falls over a hostile picture is ended from here and begun anew, and costs that frame. It can write
  no file, and gets names and passwords by its input, where no list of processes shows them.
- `Frame.taken` is when the picture was taken or written, as far as can be known, and never when it
  was read. It is by `now()`, a clock that also counts while a machine is suspended or a process
  stopped, so an old picture that comes out of some buffer late is old.
- The same bytes again are the same picture: `taken` stays that of the first, and `same` counts.
  (An all but black picture may well come the same twice: it is taken for a new one.)
- `next` gives what it did not give before, and the newest there is. Who set a lamp and wants a
  picture after that says so: `next(within, after=now())`.
- Nothing is opened before the first `next`, and `close` lets go of the camera.
"""

from __future__ import annotations

import asyncio
import contextlib
import json
import os
import resource
import sys
import time
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from types import TracebackType
from typing import Any, Protocol
from urllib.parse import urlsplit

import numpy as np

from studiobridge.profile.model import Witness
from studiobridge.witness.learned import Codes

# The reading process gets so long (s) to be there: it imports OpenCV, on a small computer from a
# memory card.
BEGINS_WITHIN = 30.0
# It answers when the time it was given is over; one that does not answer so much later (s) hangs.
GRACE = 3.0
# The longer side of a frame (px): more shows no lamp any better, and costs time.
WIDEST = 960


class FramesError(Exception):
    """There is no frame; the text says where, why and what to do.

    `final`: it stays so until a person does something.
    """

    def __init__(self, text: str, final: bool = False) -> None:
        super().__init__(text)
        self.final = final


class Settings(Protocol):
    """What is needed of the settings: who we are at a camera of that host."""

    def camera(self, host: str) -> tuple[str | None, str | None, Path | None]:
        """User, password, and the certificate of who signed the camera's. Raises an error."""
        ...


@dataclass(frozen=True, slots=True, eq=False)
class Frame:
    """One picture: `codes` at most 960 wide, `size` (columns, rows) as it came from the source.

    `taken` by `now()`; `same`: so many times in a row these very bytes came before.
    """

    codes: Codes
    taken: float
    size: tuple[int, int]
    same: int = 0


def now() -> float:
    """Seconds that also pass while this machine is suspended, where the system counts them."""
    if hasattr(time, "CLOCK_BOOTTIME"):
        return time.clock_gettime(time.CLOCK_BOOTTIME)
    return time.monotonic()


def open_frames(witness: Witness, settings: Settings, near: Path) -> Frames:
    """The frames of a profile's `witness:`; paths are relative to `near`, its folder.

    Reads a camera's password where there is one; that may raise what the settings raise. From here
    on this process leaves no core behind, if it falls over: there would be a picture in it.
    """
    with contextlib.suppress(OSError, ValueError):
        resource.setrlimit(resource.RLIMIT_CORE, (0, resource.getrlimit(resource.RLIMIT_CORE)[1]))
    said: dict[str, Any] = {"kind": witness.kind, "where": witness.where, "widest": WIDEST}
    if witness.kind in ("file", "folder"):
        said["where"] = str(near / Path(witness.where).expanduser())
    shown = f"{witness.kind} {said['where']}" if witness.kind != "address" else witness.where
    if witness.kind == "address":
        user, password, ca = settings.camera(urlsplit(witness.where).hostname or "")
        said |= {"user": user, "password": password, "ca": None if ca is None else str(ca)}
    return Frames(said, shown)


class Frames:
    """A source of frames. Lives in one asyncio loop."""

    def __init__(self, said: Mapping[str, Any], shown: str) -> None:
        self.shown = shown  # where they come from, for a person: no secrets in it
        self.notes: tuple[str, ...] = ()  # what the camera does not let be set from here
        self._said = dict(said)
        self._process: asyncio.subprocess.Process | None = None
        self._one = asyncio.Lock()

    async def __aenter__(self) -> Frames:
        return self

    async def __aexit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        await self.close()

    @property
    def pid(self) -> int | None:
        """Of the process that reads, while there is one."""
        return None if self._process is None else self._process.pid

    async def next(self, within: float = 5.0, after: float | None = None) -> Frame:
        """The newest frame that was not given before; taken after `after` (`now()`), if said.

        Waits at most `within` (s) for it, where the reading process is there. Raises FramesError.
        """
        async with self._one:
            try:
                process = await self._there()
                async with asyncio.timeout(within + GRACE):
                    return await self._ask(process, within, after)
            except (TimeoutError, EOFError, OSError, ValueError) as error:
                await self._end()
                how = "hangs" if isinstance(error, TimeoutError) else "ended"
                text = f"{self.shown}: what reads it {how}; it is begun anew"
                raise FramesError(text) from None
            except FramesError:
                raise
            except BaseException:
                # whoever asked is gone, and the answer would be taken for that to another question
                await self._end()
                raise

    async def close(self) -> None:
        """Let go of the camera. The next `next` opens it anew."""
        async with self._one:
            await self._end()

    # ---- the process that reads ---------------------------------------------------------------

    async def _there(self) -> asyncio.subprocess.Process:
        if self._process is not None and self._process.returncode is None:
            return self._process
        threads = {"OPENBLAS_NUM_THREADS": "1", "OMP_NUM_THREADS": "1"}
        process = await asyncio.create_subprocess_exec(
            *(sys.executable, "-P", "-m", "studiobridge.witness.sources"),
            stdin=asyncio.subprocess.PIPE,
            stdout=asyncio.subprocess.PIPE,
            # libraries write addresses there, with the password in them
            stderr=asyncio.subprocess.DEVNULL,
            # who reads what strangers write knows nothing of the broker
            env={k: v for k, v in os.environ.items() if not k.startswith("STUDIOBRIDGE")} | threads,
            limit=2**22,
        )
        self._process = process
        async with asyncio.timeout(BEGINS_WITHIN):
            await self._tell(process, self._said)
            first = await self._heard(process)
        self._noted(first)
        return process

    async def _ask(
        self, process: asyncio.subprocess.Process, within: float, after: float | None
    ) -> Frame:
        await self._tell(process, {"within": within, "after": after})
        said = await self._heard(process)
        self._noted(said)
        if "nothing" in said:
            raise FramesError(str(said["nothing"]), bool(said.get("final")))
        rows, columns = (int(n) for n in said["shape"])
        if not (0 < rows <= WIDEST and 0 < columns <= WIDEST):
            raise ValueError("no frame of ours")
        assert process.stdout is not None
        data = await process.stdout.readexactly(rows * columns * 3)
        codes = np.frombuffer(data, np.uint8).reshape(rows, columns, 3)
        wide, high = said["size"]
        # a clock that runs ahead at the source makes no picture younger than now
        taken = min(float(said["taken"]), now())
        return Frame(codes, taken, (int(wide), int(high)), int(said["same"]))

    def _noted(self, said: Mapping[str, Any]) -> None:
        if "notes" in said:
            self.notes = tuple(str(note) for note in said["notes"])

    @staticmethod
    async def _tell(process: asyncio.subprocess.Process, said: Mapping[str, Any]) -> None:
        assert process.stdin is not None
        process.stdin.write(json.dumps(said).encode() + b"\n")
        await process.stdin.drain()

    @staticmethod
    async def _heard(process: asyncio.subprocess.Process) -> dict[str, Any]:
        assert process.stdout is not None
        line = await process.stdout.readline()
        if not line:
            raise EOFError
        said = json.loads(line)
        if not isinstance(said, dict):
            raise ValueError("no word of ours")
        return said

    async def _end(self) -> None:
        process, self._process = self._process, None
        if process is None:
            return
        with contextlib.suppress(ProcessLookupError):
            process.kill()
        await process.wait()
