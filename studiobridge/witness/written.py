"""A file or a folder that a camera or a phone writes into. Nothing in it is ever changed.

A picture counts when it is whole, and is as old as its own time says: when it was written. A time
in the future says nothing: then it is as old as the last look at the file before it, and one that
was there from the beginning is not taken at all.
"""

from __future__ import annotations

import os
import stat
import time
from pathlib import Path

from studiobridge.witness.frames import now
from studiobridge.witness.given import Got, Nothing, ago, decodable, reason_of
from studiobridge.witness.pictures import MOST_BYTES, NotAPicture, NotWhole

# A file that is written over where it stands is whole when nothing came for so long (s): until then
# it may be half of one picture and half of another, and look whole.
STOOD = 0.05
# A file or folder is looked at so often (s), and a folder no more than a tenth of the time.
LOOK_EVERY = 0.1
# A folder that takes longer (s) to list has very many files in it, or lies on a slow card.
SLOW = 0.1
# In a folder whose own time stands still files may be written anew: looked at so often (s).
LOOK_AGAIN = 1.0
# So many files in a folder are looked at.
MOST_FILES = 50_000
# Clocks that agree differ by this (s): file systems of memory cards count in two seconds.
AGREE = 2.5

Identity = tuple[int, int, int, int]


def _identity(found: os.stat_result) -> Identity:
    return found.st_dev, found.st_ino, found.st_size, found.st_mtime_ns


def whole_file(path: str, follow: bool) -> tuple[bytes, Identity] | None:
    """All of a file, if it stood still meanwhile. Raises OSError, NotAPicture."""
    # what is no file is not even opened: with a device that may do something
    if not stat.S_ISREG(Path(path).stat(follow_symlinks=follow).st_mode):
        raise NotAPicture("it is no file")
    flags = os.O_RDONLY | os.O_NONBLOCK | os.O_CLOEXEC | (0 if follow else os.O_NOFOLLOW)
    handle = os.open(path, flags)
    with os.fdopen(handle, "rb", buffering=0) as file:
        before = os.fstat(handle)
        if not stat.S_ISREG(before.st_mode):
            raise NotAPicture("it is no file")
        if before.st_size > MOST_BYTES:
            raise NotAPicture(f"it has more than {MOST_BYTES // 1_000_000} MB")
        data = bytearray()
        while chunk := file.read(min(1 << 20, MOST_BYTES + 1 - len(data))):
            data += chunk
        after = os.fstat(handle)
    if _identity(before) != _identity(after) or len(data) != after.st_size:
        return None
    return bytes(data), _identity(after)


class Written:
    """When files were written, by their times and by when they were seen to change."""

    def __init__(self) -> None:
        self._looked: float | None = None  # the look before this one

    def looked(self, at: float) -> None:
        self._looked = at

    def taken(self, mtime: float, fresh: bool) -> float | None:
        """When (`now()`) it was written; `fresh`: it was not so at the last look. None: unknown."""
        age = time.time() - mtime
        if age >= -AGREE:
            return now() - max(age, 0.0)
        return self._looked if fresh else None


class File:
    """A file that is written anew."""

    def __init__(self, path: str) -> None:
        self._path = path
        self._seen: Identity | None = None  # how it stood at the last look
        self._given: Identity | None = None
        self._written = Written()
        # was there at the first look, with a time of the future
        self._ahead: Identity | None = None

    def next(self, until: float, after: float) -> Got:
        why, final = "", False
        while True:
            at = now()
            try:
                got, why = self._look(after)
                final = False
            except OSError as error:
                got, why = None, f"{self._path}: {reason_of(error)}"
                final = not isinstance(error, FileNotFoundError)
            except NotAPicture as error:
                got, why, final = None, f"{self._path}: {error}", True
            self._written.looked(at)
            if got is not None:
                return got
            if now() >= until:
                raise Nothing(why, final)
            time.sleep(LOOK_EVERY)

    def _look(self, after: float) -> tuple[Got | None, str]:
        found = Path(self._path).stat()
        identity = _identity(found)
        fresh = self._seen is not None and identity != self._seen
        if identity == self._given:
            return None, f"{self._path} was not written anew for {ago(self._age(found))}"
        if self._seen is None or fresh:
            self._ahead = None
        taken = self._written.taken(found.st_mtime, fresh)
        if taken is None or identity == self._ahead:
            self._seen = self._ahead = identity
            ahead = ago(found.st_mtime - time.time())
            return None, (
                f"{self._path} is written {ahead} in the future, by this computer's clock, and so"
                " nothing is known of how old it is: set the clock of what writes it"
            )
        if taken <= after:
            return None, f"{self._path} was not written anew for {ago(now() - taken)}"
        in_place = self._seen is None or found.st_ino == self._seen[1]
        if in_place and 0 <= time.time() - found.st_mtime < STOOD:
            return None, f"{self._path} is being written"
        try:
            read = whole_file(self._path, follow=True)
            if read is None or read[1] != identity:
                return None, f"{self._path} is being written"
            picture = Got(read[0], taken)
            decodable(picture)
        except NotWhole as error:
            # as long as it is not whole it is as new as ever
            return None, f"{self._path} is not whole: {error}"
        self._seen = self._given = identity
        return picture, ""

    @staticmethod
    def _age(found: os.stat_result) -> float:
        return max(0.0, time.time() - found.st_mtime)


class Folder:
    """A folder that a camera or a phone writes into. Nothing in it is ever changed."""

    def __init__(self, path: str) -> None:
        self._path = path
        self._known: dict[str, tuple[int, int]] | None = (
            None  # name: time and size, at the last look
        )
        self._times: dict[str, float | None] = {}  # of those whose own time is of the future
        self._written = Written()
        self._folder: int | None = None
        self._listed = -1e9
        self._took = 0.0
        self._newest: list[tuple[float, str]] = []
        self._given: tuple[float, str, int] | None = None
        self._too_many = False

    def next(self, until: float, after: float) -> Got:
        while True:
            why, final = "", False
            try:
                self._list()
                got, why = self._look(after)
                if got is not None:
                    return got
            except OSError as error:
                why, final = f"{self._path}: {reason_of(error)}", True
            if now() >= until:
                raise Nothing(why, final)
            time.sleep(min(LOOK_EVERY, max(0.0, until - now())))

    def _list(self) -> None:
        began = now()
        if self._took > SLOW and began - self._listed < 10 * self._took:
            return
        folder = Path(self._path).stat().st_mtime_ns
        if folder == self._folder and began - self._listed < LOOK_AGAIN:
            return
        known: dict[str, tuple[int, int]] = {}
        times: dict[str, float | None] = {}
        newest: list[tuple[float, str]] = []
        too_many = False
        with os.scandir(self._path) as entries:
            for count, entry in enumerate(entries):
                if count >= MOST_FILES:
                    too_many = True
                    break
                if not entry.name.lower().endswith((".jpg", ".jpeg", ".png")):
                    continue
                try:
                    if entry.name.startswith(".") or not entry.is_file(follow_symlinks=False):
                        continue
                    found = entry.stat(follow_symlinks=False)
                except OSError:
                    continue
                mark = (found.st_mtime_ns, found.st_size)
                known[entry.name] = mark
                before = None if self._known is None else self._known.get(entry.name)
                fresh = self._known is not None and before != mark
                taken = self._written.taken(found.st_mtime, fresh)
                if found.st_mtime - time.time() > AGREE:
                    if not fresh and entry.name in self._times:
                        taken = self._times[entry.name]
                    times[entry.name] = taken
                if taken is not None:
                    newest.append((taken, entry.name))
        newest.sort(key=lambda one: (round(one[0], 3), one[1]), reverse=True)
        self._known, self._times = known, times
        self._newest, self._too_many = newest[:5], too_many
        self._folder, self._listed = folder, now()
        self._took = now() - began
        self._written.looked(began)

    def _look(self, after: float) -> tuple[Got | None, str]:
        if self._too_many:
            raise Nothing(
                f"{self._path} has more than {MOST_FILES} files in it, so which is the newest is"
                " not known: move the old ones elsewhere",
                True,
            )
        if not self._newest:
            if self._times:
                return None, (
                    f"{self._path}: its pictures are of the future by this computer's clock: set"
                    " the clock of what writes them"
                )
            return None, f"{self._path} has no JPEG and no PNG in it yet"
        why = ""
        for taken, name in self._newest:
            path = str(Path(self._path, name))
            old = f"{self._path}: nothing new for {ago(now() - taken)}, since {name}"
            if taken <= after:
                return None, why or old
            try:
                found = Path(path).lstat()
                mark = (round(taken, 3), name, found.st_mtime_ns)
                # several may be of one second: these in the order of names, and never one before
                # that which was given last
                if self._given is not None and (mark == self._given or mark[:2] < self._given[:2]):
                    return None, why or old
                read = whole_file(path, follow=False)
                if read is None:
                    why = why or f"{path} is being written"
                    continue
                picture = Got(read[0], taken)
                decodable(picture)
            except FileNotFoundError:
                continue
            except OSError as error:
                why = why or f"{path}: {reason_of(error)}"
                continue
            except NotWhole as error:
                why = why or f"{path} is not whole: {error}"
                continue
            except NotAPicture as error:
                why = why or f"{path}: {error}"
                continue
            self._given = mark
            return picture, ""
        return None, why
