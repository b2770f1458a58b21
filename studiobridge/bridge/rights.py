"""Who else on this machine can get at a file that is nobody else's business."""

from __future__ import annotations

import contextlib
import os
import stat
from pathlib import Path


def make_private_folder(folder: Path) -> None:
    """Make a folder, and what is missing above it, for its owner alone. Raises OSError.

    What is there already keeps the rights that somebody gave it.
    """
    for missing in reversed([p for p in (folder, *folder.parents) if not p.exists()]):
        missing.mkdir(mode=0o700, exist_ok=True)
    folder.mkdir(exist_ok=True)  # says so when something else stands in its place


def make_private_file(path: Path) -> None:
    """Make an empty file for its owner alone, unless there is one. Raises OSError."""
    with contextlib.suppress(FileExistsError):
        os.close(os.open(path, os.O_CREAT | os.O_EXCL | os.O_WRONLY, 0o600))


def open_to_others(path: Path, holds: str) -> str | None:
    """A warning when anybody on this machine can read or change this file, else None.

    `holds` says what is in it: 'a password'.
    """
    try:
        mode = path.stat().st_mode
    except OSError:
        return None
    if mode & stat.S_IWOTH:
        return f"{path} holds {holds} and anybody can change it: chmod 600 {path}"
    if mode & stat.S_IROTH:
        return f"{path} holds {holds} and others can read it: chmod 600 {path}"
    return None
