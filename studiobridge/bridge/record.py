"""The record: requests, runs, steps, drift, faults, lockouts, sessions, in one SQLite file a set.

One thread writes, off the event loop, in batches. Write-ahead and fully synchronous: what was
noted as intended is on the disk before the command leaves (law 9). When the disk is full or
the file locked, the set goes on: `fault` says so, notes wait in memory up to a bound, and the
writer tries again.

Times are kept as seconds since the epoch. `tables.py` has what stands where, `lasting.py` what has
to outlast the bridge, `reading.py` the side that reads while the daemon runs.
"""

from __future__ import annotations

import asyncio
import contextlib
import shutil
import threading
import time
from collections import deque
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

import sqlalchemy as sa

from studiobridge.bridge.faults import whole
from studiobridge.bridge.lasting import (
    Lasting,
    memory_of,
    prune,
)
from studiobridge.bridge.rights import make_private_folder, open_to_others
from studiobridge.bridge.tables import (
    SESSIONS,
    STATES,
    TAKES,
    Place,
    RecordAway,
    RecordError,
    check,
    connect,
    row_of,
    said_by,
    unusable,
)
from studiobridge.control.effects import (
    FaultNote,
    HandNote,
    LockoutNote,
    Memory,
    Note,
    QuietNote,
    RollingNote,
    RunNote,
    SessionNote,
    StateNote,
    TakeNote,
    TickNote,
)

# Notes that wait in memory while the disk does not take them; the oldest go first.
MOST_WAITING = 20_000
# Waits (s) between tries while the disk does not take notes, and between looks at an idle file.
TRY_AGAIN = 2.0
# One try that takes longer than this (s) hangs: longer than any lock is waited for.
STUCK_AFTER = 8.0
LOCKOUTS_UNKNOWN = "; what was locked out before is not known"
# How long (s) the end of the bridge waits for the last notes: one try, and less than a service
# is given to stop.
END_WITHIN = 6.0
# What has to outlast the bridge: dropped last of all.
OUTLASTING = (
    *(LockoutNote, QuietNote, RollingNote, HandNote, SessionNote, RunNote, StateNote),
    *(TakeNote, TickNote),
)
# A data folder that fails like this stays wrong until somebody mends the settings.
BAD_FOLDER = (FileExistsError, NotADirectoryError, PermissionError)
DAY = 86400.0
# How often (s) it is looked how much is free beside the file. What a look says is old after
# ROOM_HOLDS (control/items.py): a disk that hangs does not answer for itself.
ROOM_EVERY = 10.0


@dataclass(slots=True)
class _Handed:
    """Notes on their way to the disk, each with its wall time as it was when it was made."""

    notes: Sequence[tuple[Note, float]]
    done: Callable[[bool], None] | None
    # numbered by a bridge that could not read what the record holds
    unread: bool


class Record:
    """The writing side, for the daemon. `wall` turns a note's time into seconds since the epoch.

    `on_fault` is told that the record cannot be written, or can again (None); `on_said` what
    happened once and is worth a line in the log. Both are called in the writer's thread.
    """

    def __init__(
        self,
        path: Place,
        keep_days: int,
        wall: Callable[[float], float],
        on_fault: Callable[[str | None], None] = lambda fault: None,
        on_said: Callable[[str], None] = lambda text: None,
    ) -> None:
        self.path = path
        self.keep_days = keep_days
        self.fault: str | None = None
        # notes that will never be written: too many waited, or the bridge ended before
        self.lost = 0
        self._on_fault, self._on_said = on_fault, on_said
        self._on_memory: Callable[[Memory, int], None] | None = None
        # how much is free where the file lies (bytes), and when that was looked up
        self._room: tuple[float, float] | None = None
        # how often notes were handed over
        self.handed = 0
        self._wall = wall
        self._session: int | None = None
        # what is handed over, and what the writer has taken in hand; `_size` counts both
        self._lock = threading.Condition()
        self._pending: deque[_Handed] = deque()
        self._in_hand: list[_Handed] = []
        self._size = 0
        self._prune_wanted = False
        self._ending = threading.Event()
        self._busy_since: float | None = None
        self._thread: threading.Thread | None = None
        self._engine: sa.Engine | None = None
        self._files: _Files = ()
        self._lasting = Lasting()
        # the file went away, and what must last does not stand in the one that is there now
        self._gone = False
        self._unread = False
        self._shift: Mapping[str, int] = {}
        # no entry is taken for older than the record itself shows (see _prune_before)
        self._newest: tuple[float, float] | None = None

    def open(self) -> Memory:
        """Open or make the file; return what the controller has to know.

        Raises RecordAway when it cannot be used now but may be later, RecordError when somebody
        has to mend it first.
        """
        if isinstance(self.path, Path):
            folder = self.path.parent
            try:
                make_private_folder(folder)
            except OSError as error:
                why = error.strerror or str(error)
                kind = RecordError if isinstance(error, BAD_FOLDER) else RecordAway
                raise kind(f"the data folder {folder} cannot be made: {why}") from None
        memory, _ = self._open()
        self._start()
        return memory

    def open_later(self, why: RecordAway, on_memory: Callable[[Memory, int], None]) -> None:
        """Begin without the record: notes wait, and it is tried again until it can be used.

        Then what waited is written, and `on_memory` is called in the writer's thread with what
        the controller has to know, and how much of what was `handed` over is in it. Until
        `read_by_now` notes count as numbered without knowledge of the record: their sessions,
        runs and drifts are numbered on from what it holds.
        """
        self._unread = True
        self._on_memory = on_memory
        self._now_faulty(str(why) + LOCKOUTS_UNKNOWN)
        self._start()

    def read_again(self, on_memory: Callable[[Memory, int], None]) -> None:
        """Call `on_memory` once more, as soon as what waits is written."""
        with self._lock:
            self._on_memory = on_memory
            self._lock.notify()

    def read_by_now(self) -> None:
        """From here on notes are numbered by a bridge that knows the record."""
        self._unread = False

    def write(self, notes: Sequence[Note], done: Callable[[bool], None] | None = None) -> None:
        """Hand notes to the writer, which never waits for the disk.

        `done` is called in the writer's thread: True once they are on disk, False when they will
        never be.
        """
        # by the clock as it is now: it may step while they wait for the disk
        timed = [(note, self._wall(note.at)) for note in notes]
        with self._lock:
            self.handed += 1
            self._pending.append(_Handed(timed, done, self._unread))
            self._size += len(timed)
            dropped = self._bound() if self._size > MOST_WAITING else []
            self._lock.notify()
        for handed in dropped:
            _say_done(handed, False)

    def writing(self, notes: Sequence[Note]) -> asyncio.Future[bool]:
        """Hand notes to the writer; the future is True once they are on disk, False if never."""
        loop = asyncio.get_running_loop()
        future: asyncio.Future[bool] = loop.create_future()

        def done(ok: bool) -> None:
            def settle() -> None:
                if not future.done():
                    future.set_result(ok)

            with contextlib.suppress(RuntimeError):  # the loop has ended: nobody waits any more
                loop.call_soon_threadsafe(settle)

        self.write(notes, done)
        return future

    def prune(self) -> None:
        """Forget what is older than the setting says; what is open stays."""
        with self._lock:
            self._prune_wanted = True
            self._lock.notify()

    def look(self) -> None:
        """To be called now and then: a disk that says nothing at all is a fault as well."""
        since = self._busy_since
        if self.fault is None and since is not None and time.monotonic() - since > STUCK_AFTER:
            self._now_faulty(
                "the record cannot be written: its disk or server has not answered for"
                f" {STUCK_AFTER:.0f} s"
            )

    def room(self) -> float | None:
        """Bytes that were free a moment ago beside the file; None: nobody has looked, or can."""
        if self._room is None or time.monotonic() - self._room[1] > 2 * ROOM_EVERY:
            return None
        return self._room[0]

    def _look_for_room(self) -> None:
        """In the writer's thread: a disk that hangs holds up nobody else."""
        now = time.monotonic()
        if not isinstance(self.path, Path) or (self._room and now - self._room[1] < ROOM_EVERY):
            return
        with contextlib.suppress(OSError):
            self._room = (float(shutil.disk_usage(self.path.parent).free), now)

    def warnings(self) -> list[str]:
        """What is not right with the file's rights, for who runs this."""
        if not isinstance(self.path, Path):
            return []
        found = open_to_others(self.path, "the record of a set")
        return [found] if found is not None else []

    def close(self) -> None:
        """Write what waits and end the writer. What could not be written is in `lost`."""
        if self._thread is not None:
            self._ending.set()
            with self._lock:
                self._lock.notify()
            self._thread.join(timeout=END_WITHIN)
            if self._thread.is_alive():  # its disk hangs: what it holds ends with the process
                self.lost += self._size
            self._thread = None
        if self._engine is not None:
            self._engine.dispose()
            self._engine = None

    # ---- what waits -----------------------------------------------------------------------------

    def _bound(self) -> list[_Handed]:
        """Drop the oldest of what waits; what has to outlast the bridge last of all."""
        dropped: list[_Handed] = []
        for lasting_too in (False, True):
            for handed in list(self._pending):
                if self._size <= MOST_WAITING:
                    return dropped
                lasting = any(isinstance(note, OUTLASTING) for note, _ in handed.notes)
                if lasting_too or not lasting:
                    self._pending.remove(handed)
                    self._size -= len(handed.notes)
                    self.lost += len(handed.notes)
                    dropped.append(handed)
        return dropped

    # ---- the writer's thread --------------------------------------------------------------------

    def _start(self) -> None:
        self._thread = threading.Thread(target=self._work, name="record", daemon=True)
        self._thread.start()

    def _work(self) -> None:
        while True:
            try:
                self._write_all()
                return
            except Exception as error:
                # nobody planned this one: said with where it came from, and the writer goes on
                self._busy_since = None
                self._now_faulty(
                    "the record cannot be written: a fault of the bridge itself"
                    f" ({type(error).__name__}: {error})"
                )
                self._say(whole(error))
                if self._ending.is_set():
                    self._give_up()
                    return
                self._ending.wait(TRY_AGAIN)

    def _write_all(self) -> None:
        while True:
            with self._lock:
                idle = not (self._pending or self._in_hand or self._prune_wanted)
                if idle and not self._ending.is_set():
                    self._lock.wait(TRY_AGAIN)
                # what failed before stays in front: the order of the notes is the record's
                self._in_hand.extend(self._pending)
                self._pending.clear()
                ending = self._ending.is_set()
            if ending and not self._in_hand and not self._prune_wanted:
                return
            self._busy_since = time.monotonic()
            self._look_for_room()
            stored = self._store()
            self._busy_since = None
            if stored:
                continue
            if self._ending.is_set():
                self._give_up()
                return
            with self._lock:
                # what waits is bounded in one place: hand it back
                self._pending.extendleft(reversed(self._in_hand))
                self._in_hand = []
            self._ending.wait(TRY_AGAIN)

    def _give_up(self) -> None:
        with self._lock:
            left = [*self._in_hand, *self._pending]
            self._in_hand = []
            self._pending.clear()
            self._size = 0
        self.lost += sum(len(handed.notes) for handed in left)
        for handed in left:
            _say_done(handed, False)

    def _store(self) -> bool:
        """Put what is in hand on disk. False when the disk does not take it now."""
        try:
            self._be_ready()
            self._insert(self._in_hand)
            self._prune()
            if self._be_ready():
                # the file went away beneath what was just written
                self._insert(self._in_hand)
        except _CannotBeKept as error:
            return self._one_by_one(str(error))
        except RecordError as error:
            self._now_faulty(str(error) + (LOCKOUTS_UNKNOWN if self._on_memory else ""))
            return False
        except (sa.exc.SQLAlchemyError, OSError) as error:
            if isinstance(error, sa.exc.ProgrammingError) or "no such table" in str(error):
                self._let_go()  # its tables are gone: looked at afresh next time
            self._now_faulty(f"the record cannot be written: {said_by(error)}")
            return False
        # before anybody hears that it is on disk: who looks then must not find it faulty
        self._now_faulty(None)
        self._stored(self._in_hand)
        self._in_hand = []
        if self._on_memory is not None and self._engine is not None:
            with self._lock:
                written = self.handed - len(self._pending)
            with self._engine.connect() as connection:
                memory = memory_of(connection)
            tell, self._on_memory = self._on_memory, None
            tell(memory, written)
        return True

    def _one_by_one(self, why: str) -> bool:
        """One note cannot be written for what is in it: the others are, and it is told of."""
        if len(self._in_hand) == 1 and len(self._in_hand[0].notes) == 1:
            handed = self._in_hand[0]
            kind = type(handed.notes[0][0]).__name__
            self._say(f"a note of the record is lost ({kind}): {why}")
            with self._lock:
                self.lost += 1
                self._size -= 1
                self._in_hand = []
            _say_done(handed, False)
            return True
        batch, self._in_hand = self._in_hand, []
        singles = []
        for handed in batch:
            last = len(handed.notes) - 1
            for i, note in enumerate(handed.notes):
                done = handed.done if i == last else None
                singles.append(_Handed([note], done, handed.unread))
        try:
            while singles:
                self._in_hand = singles[:1]
                if not self._store():
                    return False
                singles.pop(0)
        finally:
            self._in_hand = singles
        return True

    def _rows(self, batch: Sequence[_Handed]) -> list[tuple[sa.Table, dict[str, object]]]:
        found = []
        session = self._session
        for handed in batch:
            for note, at in handed.notes:
                table, row = row_of(note, at)
                if handed.unread:
                    for key, by in self._shift.items():
                        if row.get(key) is not None:
                            row[key] = int(str(row[key])) + by
                if table is SESSIONS:
                    session = None if row["phase"] == "closed" else int(str(row["session"]))
                elif row.get("session") is None:  # a tick says itself which session it is of
                    row["session"] = session
                found.append((table, row))
        return found

    def _insert(self, batch: Sequence[_Handed]) -> None:
        assert self._engine is not None
        rows: dict[sa.Table, list[dict[str, object]]] = {}
        try:
            for table, row in self._rows(batch):
                rows.setdefault(table, []).append(row)
            if rows:
                with self._engine.begin() as connection:
                    for table, values in rows.items():
                        put(connection, table, values)
        except Exception as error:
            if _for_what_is_in_it(error):
                raise _CannotBeKept(f"{type(error).__name__}: {error}") from error
            raise

    def _stored(self, batch: Sequence[_Handed]) -> None:
        for table, row in self._rows(batch):
            self._lasting.fold(table, row)
            if table is SESSIONS:
                self._session = self._lasting.session
        with self._lock:
            self._size -= sum(len(handed.notes) for handed in batch)
        for handed in batch:
            _say_done(handed, True)

    # ---- the file, and what may happen to it ----------------------------------------------------

    def _open(self) -> tuple[Memory, bool]:
        """Connect and read; also: were its tables made just now?"""
        engine = connect(self.path)
        try:
            fresh = check(engine, self.path, create=True)
            with engine.connect() as connection:
                memory, lasting = memory_of(connection), Lasting.read(connection)
                newest = connection.scalar(sa.select(sa.func.max(STATES.c.at)))
        except sa.exc.SQLAlchemyError as error:
            engine.dispose()
            raise RecordAway(unusable(self.path, error)) from None
        except BaseException:
            engine.dispose()
            raise
        self._engine = engine
        if not fresh:
            self._lasting, self._session = lasting, memory.session
        if self._newest is None and newest is not None:
            self._newest = (float(newest), time.monotonic())
        self._files = _files(self.path)
        return memory, fresh

    def _be_ready(self) -> bool:
        """Have a record that is open and in its place. True when what it held was lost."""
        if self._engine is not None:
            now = _files(self.path)
            if not _same(self._files, now):
                # what the log beside the file still holds goes into it, if it is still there
                saved = self._files[:1] == now[:1] and self._checkpoint()
                self._let_go()
                if saved:
                    self._open()
                    self._said_fault(
                        f"a file beside the record {self.path} was removed while the bridge ran;"
                        " nothing is lost by it"
                    )
                    return False
                self._gone = True
            self._files = now
        if self._engine is None:
            before, session = self._lasting, self._session
            memory, fresh = self._open()
            if self._unread and not self._shift:
                self._shift = {
                    "session": memory.next_session - 1,
                    "run": memory.next_run - 1,
                    "drift": memory.next_drift - 1,
                    "take": memory.next_take - 1,
                }
            self._gone = self._gone or (fresh and any(before.rows()))
            if self._gone:
                self._lasting, self._session = before, session
        if not self._gone:
            return False
        self._write_anew()
        self._gone = False
        return True

    def _checkpoint(self) -> bool:
        assert self._engine is not None
        try:
            with self._engine.connect() as connection:
                busy = connection.exec_driver_sql("PRAGMA wal_checkpoint(TRUNCATE)").scalar()
        except sa.exc.SQLAlchemyError:
            return False
        return busy == 0

    def _write_anew(self) -> None:
        assert self._engine is not None
        with self._engine.begin() as connection:
            for table, row in self._lasting.rows():
                connection.execute(sa.insert(table), [row])
        self._said_fault(
            f"the record {self.path} is not the one it was: it was removed, replaced or emptied"
            " while the bridge ran. What it held is lost; lockouts, what rolls, and the open"
            " session and run were written anew"
        )

    def _said_fault(self, text: str) -> None:
        assert self._engine is not None
        note = FaultNote(0.0, None, "", text)
        table, row = row_of(note, time.time())
        row["session"] = self._session
        with self._engine.begin() as connection:
            connection.execute(sa.insert(table), [row])
        self._say(text)

    def _let_go(self) -> None:
        engine, self._engine = self._engine, None
        if engine is not None:
            with contextlib.suppress(sa.exc.SQLAlchemyError):
                engine.dispose()

    def _now_faulty(self, fault: str | None) -> None:
        if fault != self.fault:
            self.fault = fault
            with contextlib.suppress(Exception):  # whoever listens must not stop the writing
                self._on_fault(fault)

    def _say(self, text: str) -> None:
        with contextlib.suppress(Exception):
            self._on_said(text)

    def _prune(self) -> None:
        with self._lock:
            wanted, self._prune_wanted = self._prune_wanted, False
        if not wanted or self._newest is None:
            return
        # a clock that is years ahead must not make everything look old: at most as much time
        # has passed since the newest entry as this bridge has run
        newest, then = self._newest
        now = min(time.time(), newest + time.monotonic() - then)
        assert self._engine is not None
        with self._engine.begin() as connection:
            prune(connection, now - self.keep_days * DAY)


class _CannotBeKept(Exception):
    """A note cannot be written for what is in it, however often it is tried."""


def _for_what_is_in_it(error: Exception) -> bool:
    """Does the database refuse this very note, rather than not working now?"""
    if isinstance(error, sa.exc.DataError | sa.exc.IntegrityError):
        return True
    if isinstance(error, sa.exc.ProgrammingError | sa.exc.InterfaceError):
        return "inding parameter" in str(error)  # SQLite's words for a type it does not know
    return not isinstance(error, sa.exc.DBAPIError | OSError)


def _say_done(handed: _Handed, on_disk: bool) -> None:
    if handed.done is not None:
        with contextlib.suppress(Exception):  # whoever waits must not stop the writing
            handed.done(on_disk)


def put(connection: sa.Connection, table: sa.Table, values: list[dict[str, object]]) -> None:
    if table is SESSIONS:
        # what a session has metered so far: the latest figure alone is of use
        for row in values:
            if row["phase"] == "metered":
                connection.execute(
                    sa.delete(table).where(
                        table.c.session == row["session"], table.c.phase == "metered"
                    )
                )
            connection.execute(sa.insert(table), [row])
        return
    if table is TAKES:
        # that a take goes on: the last time alone is of use
        going = {row["take"]: i for i, row in enumerate(values) if row["phase"] == "going"}
        if going:
            connection.execute(
                sa.delete(table).where(table.c.take.in_(list(going)), table.c.phase == "going")
            )
            last = set(going.values())
            values = [r for i, r in enumerate(values) if r["phase"] != "going" or i in last]
    connection.execute(sa.insert(table), values)


# A file and what SQLite keeps beside it (-wal, -shm), each by device and inode; None: not there.
_Files = tuple[tuple[int, int] | None, ...]


def _files(place: Place) -> _Files:
    if not isinstance(place, Path):
        return ()
    found: list[tuple[int, int] | None] = []
    for end in ("", "-wal", "-shm"):
        try:
            stat = Path(f"{place}{end}").stat()
            # an empty file is none: somebody emptied it in its place
            there = stat.st_size > 0 or bool(end)
            found.append((stat.st_dev, stat.st_ino) if there else None)
        except OSError:
            found.append(None)
    return tuple(found)


def _same(before: _Files, now: _Files) -> bool:
    """Nothing that was there has gone or been replaced."""
    return all(a is None or a == b for a, b in zip(before, now, strict=True))
