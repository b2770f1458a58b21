"""Where the profiles of a machine lie: single files, and folders in which they may appear later.

A file that is named has to be good, or nothing starts. In a folder every file is looked at by
itself: a good one is a set that runs, a bad one is said and stands in nobody's way, and an empty
folder is a machine whose set is not described yet.
"""

from __future__ import annotations

import contextlib
import re
from collections.abc import Iterable, Sequence
from pathlib import Path

from studiobridge.bridge.log import Say, to_stderr
from studiobridge.profile.model import SetProfile

# A folder is looked at this often (s): as long as a person waits who has just written a profile.
LOOK_EVERY = 2.0
NOTHING_YET = (
    "no set is described yet: `studiobridge listen` shows what speaks on the broker, `studiobridge"
    " meet` gets to know it, `studiobridge draft NAME` makes the profile"
)
# the book of `meet` lies beside profiles and is none; see Book in the file's own first key
_BOOK = re.compile(rb"^met\s*:", re.MULTILINE)


def _is_book(path: Path) -> bool:
    with contextlib.suppress(OSError), path.open("rb") as file:
        return _BOOK.search(file.read(65536)) is not None
    return False


def files_in(folder: Path) -> list[Path]:
    """The profiles in a folder, by name. None where the folder cannot be read."""
    try:
        found = sorted(folder.iterdir())
    except OSError:
        return []
    return [
        path
        for path in found
        if path.suffix in (".yaml", ".yml")
        and not path.name.startswith(".")
        and path.is_file()
        and not _is_book(path)
    ]


def all_files(paths: Iterable[Path]) -> list[Path]:
    """Named files as they are, and what lies in named folders."""
    return [file for path in paths for file in (files_in(path) if path.is_dir() else [path])]


class Shelf:
    """Folders of profiles, and which of their files have been looked at as they are now."""

    def __init__(self, folders: Sequence[Path]) -> None:
        self.folders = tuple(folders)
        self._seen: dict[Path, tuple[int, int, int]] = {}

    def __bool__(self) -> bool:
        return bool(self.folders)

    def fresh(self) -> list[Path]:
        """What is new or has changed since it was last looked at."""
        found = []
        for path in all_files(self.folders):
            try:
                stat = path.stat()
            except OSError:
                continue  # gone between the two looks
            # ctime: also when it has become readable
            stamp = stat.st_ctime_ns, stat.st_size, stat.st_ino
            if self._seen.get(path) != stamp:
                self._seen[path] = stamp
                found.append(path)
        return found


def load(path: Path, say: Say = to_stderr) -> SetProfile | None:
    """A profile ready to run, or None after saying what is wrong with it."""
    from studiobridge.control.plan import order_problems
    from studiobridge.profile import ProfileError, read_profile

    try:
        reading = read_profile(path)
    except ProfileError as error:
        say(str(error))
        return None
    if reading.old_words is not None:
        say(str(reading.old_words))
    problems = order_problems(reading.profile)
    for problem in problems:
        say(f"{path}: {problem}")
    return None if problems else reading.profile
