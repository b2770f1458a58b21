"""Files of the witness: put whole or not at all, and read as if a stranger had written them.

A file is written beside its place and then put there. Pictures are for the user alone (mode 0600;
the folder 0700): somebody may be in one after all. Nothing is unpickled, no more is unpacked than
a picture can have, and what does not fit is a `CannotRead` that names the file.
"""

from __future__ import annotations

import hashlib
import io
import json
import math
import os
import secrets
import zipfile
from collections.abc import Mapping
from pathlib import Path
from typing import Any, NoReturn

import numpy as np
from numpy.typing import NDArray

from studiobridge.profile.names import NAME

# Of what is written: a file of another version is not read.
VERSION = 1
# The most that is ever read. Shares are pictures of one lamp alone.
MOST_SHARES = 64
MOST_TOGETHER = 1_000_000_000  # bytes of arrays once unpacked
MOST_TEXT = 1_000_000  # bytes of a readable file
MOST_FILE = 400_000_000  # bytes of any other


class CannotRead(Exception):
    """What is kept cannot be used: which file, why, what to do."""


class CannotWrite(Exception):
    """It cannot be kept: which file and why."""


AGAIN = "learn anew: `studiobridge witness learn`"


def as_text(said: Mapping[str, Any]) -> bytes:
    return (json.dumps(said, indent=1, ensure_ascii=False) + "\n").encode()


def make_folder(folder: Path) -> None:
    try:
        folder.mkdir(mode=0o700, exist_ok=True)
    except OSError as error:
        raise CannotWrite(f"{folder} cannot be made: {error.strerror or error}") from None


def put(path: Path, content: bytes) -> None:
    """Whole, or not at all."""
    beside = path.with_name(f".{path.name}.{secrets.token_hex(4)}")
    try:
        handle = os.open(beside, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600)
        try:
            with os.fdopen(handle, "wb") as file:
                file.write(content)
                file.flush()
                os.fsync(file.fileno())
            beside.replace(path)
        except BaseException:
            beside.unlink(missing_ok=True)
            raise
        folder = os.open(path.parent, os.O_RDONLY)
        try:
            os.fsync(folder)
        finally:
            os.close(folder)
    except OSError as error:
        raise CannotWrite(f"{path} cannot be written: {error.strerror or error}") from None


def files_in(folder: Path) -> list[Path]:
    try:
        return [path for path in folder.iterdir() if path.is_file()]
    except OSError:
        return []


def _bytes(path: Path, most: int) -> bytes:
    try:
        with path.open("rb") as file:
            content = file.read(most + 1)
    except FileNotFoundError:
        raise
    except OSError as error:
        raise CannotRead(f"{path} cannot be read: {error.strerror or error}") from None
    if len(content) > most:
        raise CannotRead(f"{path} is larger than anything that is kept there")
    return content


def said_in(path: Path) -> dict[str, Any]:
    try:
        said = json.loads(_bytes(path, MOST_TEXT))
    except (ValueError, RecursionError):
        raise CannotRead(f"{path} is damaged: no JSON; {AGAIN}") from None
    if not isinstance(said, dict):
        raise CannotRead(f"{path} is damaged: not what was written there; {AGAIN}")
    if said.get("version") != VERSION:
        raise CannotRead(
            f"{path} is of another version of studiobridge (this one reads {VERSION}); {AGAIN}"
        )
    return said


def content_of(path: Path, digest: str) -> bytes:
    try:
        content = _bytes(path, MOST_FILE)
    except FileNotFoundError:
        raise CannotRead(f"{path} is gone; {AGAIN}") from None
    if hashlib.sha256(content).hexdigest() != digest:
        raise CannotRead(f"{path} is damaged: it is not what was written there; {AGAIN}")
    return content


def arrays_in(
    path: Path, digest: str, shapes: Mapping[str, tuple[int, ...]]
) -> dict[str, NDArray[np.floating]]:
    """The arrays of these names and shapes, and nothing else that a file may say it has."""
    if sum(4 * math.prod(shape) for shape in shapes.values()) > MOST_TOGETHER:
        raise CannotRead(f"{path}: more pictures than this reads; {AGAIN}")
    content = content_of(path, digest)
    found: dict[str, NDArray[np.floating]] = {}
    try:
        with zipfile.ZipFile(io.BytesIO(content)) as packed:
            for name, shape in shapes.items():
                with packed.open(f"{name}.npy") as file:
                    found[name] = _array(file, shape)
    except (KeyError, ValueError, EOFError, OSError, zipfile.BadZipFile, NotImplementedError):
        raise CannotRead(f"{path} is damaged; {AGAIN}") from None
    except (zipfile.LargeZipFile, MemoryError, RuntimeError):
        raise CannotRead(f"{path} cannot be unpacked; {AGAIN}") from None
    return found


def _array(file: Any, shape: tuple[int, ...]) -> NDArray[np.floating]:
    # the header first: it is read before a byte of what it promises is unpacked
    version = np.lib.format.read_magic(file)
    if version != (1, 0):
        raise ValueError("another form of array")
    found, fortran, kind = np.lib.format.read_array_header_1_0(file)
    if found != shape or fortran or kind not in (np.dtype("<f2"), np.dtype("<f4")):
        raise ValueError("another shape")
    size = math.prod(shape) * kind.itemsize
    content = file.read(size)
    if len(content) != size:
        raise ValueError("cut off")
    array: NDArray[np.floating] = np.frombuffer(content, kind).reshape(shape)
    if not np.isfinite(array).all():
        raise ValueError("no light")
    return array


def finite(value: object) -> bool:
    return (
        isinstance(value, int | float)
        and not isinstance(value, bool)
        and abs(value) < 1e12  # NaN is not
    )


class Reader:
    """Takes figures out of what was read, and says where one is not what it should be."""

    def __init__(self, path: Path, said: Mapping[str, Any]) -> None:
        self.path = path
        self.said = said

    def wrong(self, what: str) -> NoReturn:
        raise CannotRead(f"{self.path} is damaged: {what}; {AGAIN}")

    def _at(self, *keys: str) -> Any:
        at: Any = self.said
        for key in keys:
            at = at.get(key) if isinstance(at, dict) else None
        return at

    def text(self, *keys: str, most: int) -> str:
        found = self._at(*keys)
        if not isinstance(found, str) or len(found) > most or not found.isprintable():
            self.wrong(f"'{'.'.join(keys)}' is not what was written there")
        return found

    def name(self, *keys: str) -> str:
        found = self.text(*keys, most=40)
        if not NAME.match(found):
            self.wrong(f"'{'.'.join(keys)}' is no name")
        return found

    def number(self, *keys: str, low: float, high: float) -> float:
        found = self._at(*keys)
        if not finite(found) or not low <= found <= high:
            self.wrong(f"'{'.'.join(keys)}' is no number of its kind")
        return float(found)

    def whole(self, *keys: str, low: int, high: int) -> int:
        found = self.number(*keys, low=low, high=high)
        if found != int(found):
            self.wrong(f"'{'.'.join(keys)}' is no whole number")
        return int(found)

    def list(self, *keys: str, most: int) -> list[Any]:
        found = self._at(*keys)
        if not isinstance(found, list) or len(found) > most:
            self.wrong(f"'{'.'.join(keys)}' is not what was written there")
        return found

    def figures(self, key: str, low: float, high: float) -> dict[str, float]:
        found = self._at(key)
        if not isinstance(found, dict) or len(found) > MOST_SHARES:
            self.wrong(f"'{key}' is not what was written there")
        for name, figure in found.items():
            if not NAME.match(name) or not finite(figure) or not low <= figure <= high:
                self.wrong(f"'{key}' is not what was written there")
        return {name: float(figure) for name, figure in found.items()}
