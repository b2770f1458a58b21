"""Who else on this machine can get at a file that is nobody else's business."""

from __future__ import annotations

import contextlib
import errno
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
    except (OSError, ValueError):
        return None
    if mode & stat.S_IWOTH:
        return f"{path} holds {holds} and anybody can change it: chmod 600 {path}"
    if mode & stat.S_IROTH:
        return f"{path} holds {holds} and others can read it: chmod 600 {path}"
    return None


def give_to_who_owns(folder: Path, handle: int, mode: int | None = None) -> None:
    """What root makes in somebody's folder belongs to them. Raises OSError.

    Only a file that has no other name and was not reached by a link (open it with O_NOFOLLOW):
    else whoever may write there could have any file of root's given to them.
    """
    if os.geteuid() != 0:
        return
    found, owner = os.fstat(handle), folder.stat()
    if not stat.S_ISREG(found.st_mode) or found.st_nlink != 1:
        raise OSError(errno.EPERM, "a file there has another name, or is none: look what it is")
    os.fchown(handle, owner.st_uid, owner.st_gid)
    if mode is not None:
        os.fchmod(handle, mode)
