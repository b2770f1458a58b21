"""The record: requests, runs, steps, drift, faults, lockouts, sessions, in one SQLite file a set.

One thread writes, off the event loop, in batches. Write-ahead and fully synchronous: what was
noted as intended is on the disk before the command leaves (law 9). When the disk is full or
the file locked, the set goes on: `fault` says so, notes wait in memory up to a bound, and the
writer tries again.

Times are kept as seconds since the epoch. Reading opens the file read-only, so `record` works
while the daemon runs.
"""

from __future__ import annotations

import asyncio
import contextlib
import json
import sqlite3
import threading
import time
from collections import deque
from collections.abc import Callable, Iterable, Mapping, Sequence
from contextlib import closing
from dataclasses import dataclass, fields
from datetime import UTC, datetime
from pathlib import Path
from typing import Any
from urllib.parse import quote

import sqlalchemy as sa

from studiobridge.bridge.faults import whole
from studiobridge.bridge.rights import make_private_file, make_private_folder, open_to_others
from studiobridge.bridge.settings import Settings
from studiobridge.control.effects import (
    ByHand,
    DriftNote,
    FaultNote,
    HandNote,
    LightNote,
    Lockout,
    LockoutNote,
    Memory,
    Note,
    RequestNote,
    RollingNote,
    RunNote,
    SessionNote,
    StateNote,
    StepNote,
)
from studiobridge.control.standing import ANSWERS_KEPT
from studiobridge.craft.chroma import Colour, spelled
from studiobridge.profile.model import LIGHT, Preset
from studiobridge.profile.said import FORMER_WORDS

# 1: the first. 2: dials set by hand. 3: the code a request ended with; the session of each entry.
# 4: the colour of a dial.
SCHEMA_VERSION = 5
# Notes that wait in memory while the disk does not take them; the oldest go first.
MOST_WAITING = 20_000
# Waits (s) between tries while the disk does not take notes, and between looks at an idle file.
TRY_AGAIN = 2.0
# A lock on the file, or a server that is not there, is waited for so long (s) within one try.
WITHIN_A_TRY = 5.0
# One try that takes longer than this (s) hangs: longer than any lock is waited for.
STUCK_AFTER = 8.0
LOCKOUTS_UNKNOWN = "; what was locked out before is not known"
# How long (s) the end of the bridge waits for the last notes: one try, and less than a service
# is given to stop.
END_WITHIN = 6.0
# The phases of a request that answer it.
ENDS = ("done", "failed", "refused")
# Rows of these tables are of the open session alone.
DIES_WITH_SESSION = ("sessions", "hands")
# What has to outlast the bridge: dropped last of all.
OUTLASTING = (LockoutNote, RollingNote, HandNote, SessionNote, RunNote, StateNote)
# A data folder that fails like this stays wrong until somebody mends the settings.
BAD_FOLDER = (FileExistsError, NotADirectoryError, PermissionError)
DAY = 86400.0

META = sa.MetaData()


def _table(name: str, *columns: sa.Column[Any]) -> sa.Table:
    if name != "sessions":
        # the session that was open, if one was: times alone do not tell when a clock has stepped
        columns = (*columns, sa.Column("session", sa.Integer))
    return sa.Table(
        name,
        META,
        sa.Column("id", sa.Integer, primary_key=True),
        sa.Column("at", sa.Float, nullable=False, index=True),
        *columns,
    )


VERSION = sa.Table("schema_version", META, sa.Column("version", sa.Integer, nullable=False))
REQUESTS = _table(
    "requests",
    sa.Column("request", sa.String, nullable=False, index=True),
    sa.Column("what", sa.String, nullable=False),
    sa.Column("by", sa.String, nullable=False),
    sa.Column("source", sa.String, nullable=False),
    sa.Column("look", sa.String),
    sa.Column("targets", sa.String, nullable=False),
    sa.Column("force", sa.Boolean, nullable=False),
    sa.Column("phase", sa.String, nullable=False),
    sa.Column("text", sa.String, nullable=False),
    sa.Column("code", sa.Integer),
)
RUNS = _table(
    "runs",
    sa.Column("run", sa.Integer, nullable=False, index=True),
    sa.Column("what", sa.String, nullable=False),
    sa.Column("look", sa.String),
    sa.Column("phase", sa.String, nullable=False),
    sa.Column("text", sa.String, nullable=False),
)
STEPS = _table(
    "steps",
    sa.Column("run", sa.Integer, nullable=False, index=True),
    sa.Column("n", sa.Integer, nullable=False),
    sa.Column("device", sa.String, nullable=False),
    sa.Column("action", sa.String, nullable=False),
    sa.Column("value", sa.String, nullable=False),
    sa.Column("phase", sa.String, nullable=False),
    sa.Column("text", sa.String, nullable=False),
)
DRIFTS = _table(
    "drifts",
    sa.Column("drift", sa.Integer, nullable=False, index=True),
    sa.Column("phase", sa.String, nullable=False),
    sa.Column("device", sa.String, nullable=False, index=True),
    sa.Column("point", sa.String, nullable=False),
    sa.Column("wanted", sa.String),
    sa.Column("reported", sa.String),
    sa.Column("stops", sa.Float),
    sa.Column("mired", sa.Float),
    sa.Column("percent", sa.Float),
    sa.Column("how", sa.String, nullable=False),
)
FAULTS = _table(
    "faults",
    sa.Column("device", sa.String),
    sa.Column("topic", sa.String, nullable=False),
    sa.Column("text", sa.String, nullable=False),
)
LOCKOUTS = _table(
    "lockouts",
    sa.Column("target", sa.String, nullable=False),
    sa.Column("phase", sa.String, nullable=False),
    sa.Column("by", sa.String, nullable=False),
    sa.Column("why", sa.String, nullable=False),
)
ROLLING = _table(
    "rolling",
    sa.Column("device", sa.String, nullable=False),
    sa.Column("rolling", sa.Boolean, nullable=False),
    sa.Column("source", sa.String, nullable=False),
)
HANDS = _table(
    "hands",
    sa.Column("device", sa.String, nullable=False, index=True),
    sa.Column("level", sa.Float),
    sa.Column("cct", sa.Float),
    sa.Column("colour", sa.String),
    sa.Column("by", sa.String, nullable=False),
)
LIGHTS = _table(
    "lights",
    sa.Column("device", sa.String, nullable=False, index=True),
    sa.Column("phase", sa.String, nullable=False),
    sa.Column("stops", sa.Float),
    sa.Column("could", sa.String, nullable=False),
    sa.Column("how", sa.String, nullable=False),
)
SESSIONS = _table(
    "sessions",
    sa.Column("session", sa.Integer, nullable=False, index=True),
    sa.Column("phase", sa.String, nullable=False),
    sa.Column("look", sa.String),
    sa.Column("kwh", sa.Float),
)
STATES = _table(
    "states",
    sa.Column("state", sa.String, nullable=False),
    sa.Column("look", sa.String),
    sa.Column("why", sa.String, nullable=False),
)
PRUNED = (REQUESTS, RUNS, STEPS, DRIFTS, FAULTS, ROLLING, HANDS, LIGHTS, STATES)


class RecordError(Exception):
    """The record cannot be opened; the text says why and what to do."""


class RecordAway(RecordError):
    """The record cannot be used now, and may be later, by itself or when somebody mends it."""


def record_path(data: Path, set_name: str) -> Path:
    return data / f"{set_name}.sqlite"


@dataclass(frozen=True, slots=True)
class Elsewhere:
    """A record on a database server: its URL, and the schema that is this set's own."""

    url: str
    schema: str

    def __str__(self) -> str:
        return f"{self.schema} on {sa.make_url(self.url).render_as_string(hide_password=True)}"


Place = Path | Elsewhere


def record_place(settings: Settings, set_name: str) -> Place:
    """Where the record of a set is: a file in the data folder, or the server of the settings."""
    if settings.record is not None:
        return Elsewhere(settings.record, set_name)
    return record_path(settings.data, set_name)


def _connect(path: Place, read_only: bool = False) -> sa.Engine:
    if isinstance(path, Elsewhere):
        try:
            # a server that is away, or hangs half-open, must not hold the writer for minutes
            patience = {
                "connect_timeout": int(WITHIN_A_TRY),
                "tcp_user_timeout": int(WITHIN_A_TRY * 1000),
                "options": f"-c lock_timeout={int(WITHIN_A_TRY * 1000)}",
            }
            engine = sa.create_engine(path.url, pool_pre_ping=True, connect_args=patience)
        except ImportError:
            raise RecordError(
                "a record on PostgreSQL needs more: pip install 'studiobridge[postgresql]'"
            ) from None
        except (sa.exc.ArgumentError, ValueError) as error:
            raise RecordError(f"record: {path.url} is not a usable URL: {error}") from None
        return engine.execution_options(schema_translate_map={None: path.schema})
    if not read_only:
        try:
            make_private_file(path)
        except OSError as error:
            why = error.strerror or str(error)
            raise RecordAway(f"the record {path} cannot be used: {why}") from None
    engine = sa.create_engine(
        "sqlite://",
        creator=lambda: sqlite3.connect(
            sqlite_url(path, "ro" if read_only else "rwc"),
            uri=True,
            timeout=WITHIN_A_TRY,
            check_same_thread=False,
        ),
        poolclass=sa.StaticPool,
    )

    @sa.event.listens_for(engine, "connect")
    def settle(connection: Any, _record: object) -> None:
        cursor = connection.cursor()
        if not read_only:
            cursor.execute("PRAGMA journal_mode=WAL")
            cursor.execute("PRAGMA synchronous=FULL")
        cursor.close()

    return engine


def sqlite_url(path: Path, mode: str) -> str:
    """A file for SQLite by URL: a `#` or `?` in a folder's name is a part of the name."""
    return f"file:{quote(str(path))}?mode={mode}"


def _why(error: Exception) -> str:
    """What the database said, in one line."""
    return " ".join(str(getattr(error, "orig", None) or error).split())


def _unusable(path: Place, error: sa.exc.SQLAlchemyError) -> str:
    text = f"the record {path} cannot be used: {_why(error)}"
    if "not a database" in text or "malformed" in text:
        text += "; move the file away, and a new one is made"
    return text


def _check(engine: sa.Engine, path: Place, create: bool) -> bool:
    """Is this a record of ours? With `create`, make or upgrade it; True when it was just made."""
    schema = path.schema if isinstance(path, Elsewhere) else None
    fresh = False
    try:
        with engine.begin() as connection:
            if schema is not None and create:
                connection.execute(sa.schema.CreateSchema(schema, if_not_exists=True))
            if sa.inspect(connection).has_table("schema_version", schema=schema):
                version = connection.scalar(sa.select(VERSION.c.version))
            elif create:
                META.create_all(connection)
                connection.execute(sa.insert(VERSION).values(version=SCHEMA_VERSION))
                version, fresh = SCHEMA_VERSION, True
            else:
                raise RecordError(f"{path} is not a record of this program")
        if create and version is not None and version < SCHEMA_VERSION:
            _upgrade(engine, path, version)
            version = SCHEMA_VERSION
    except sa.exc.SQLAlchemyError as error:
        raise RecordAway(_unusable(path, error)) from None
    if version is not None and not 1 <= version <= SCHEMA_VERSION:
        raise RecordError(
            f"the record {path} was made by another version (its schema is {version}, this program"
            f" knows {SCHEMA_VERSION}); use that version, or move the file away"
        )
    return fresh


def _upgrade(engine: sa.Engine, path: Place, version: int) -> None:
    """Bring an older record to today's schema, one version after the other, in one transaction."""
    with engine.begin() as connection:
        if version < 2:
            HANDS.create(connection, checkfirst=True)
        if version < 5:
            LIGHTS.create(connection, checkfirst=True)
        if version < 3:
            for table in PRUNED:
                _add(connection, path, table.c.session, "INTEGER")
            _add(connection, path, LOCKOUTS.c.session, "INTEGER")
            _add(connection, path, REQUESTS.c.code, "INTEGER")
        if version < 4:
            _add(connection, path, HANDS.c.colour, "VARCHAR")
        connection.execute(sa.update(VERSION).values(version=SCHEMA_VERSION))


def _add(connection: sa.Connection, path: Place, column: sa.Column[Any], kind: str) -> None:
    """Add a column that a later version has, where it is not there yet."""
    schema = path.schema if isinstance(path, Elsewhere) else None
    has = sa.inspect(connection).get_columns(column.table.name, schema=schema)
    if column.name in {c["name"] for c in has}:
        return
    quoted = connection.dialect.identifier_preparer.quote
    table = quoted(column.table.name)
    if schema is not None:
        table = f"{quoted(schema)}.{table}"
    connection.exec_driver_sql(f"ALTER TABLE {table} ADD COLUMN {quoted(column.name)} {kind}")


def _scalar(value: object) -> str | None:
    """A value of a point. A colour is its CIE 1931 x and y, to the last digit."""
    if isinstance(value, Colour):
        value = {"x": value.x, "y": value.y}
    return None if value is None else json.dumps(value)


def _code(phase: str, code: int | None) -> int | None:
    """The exit code a request ended with; older records, and some notes, do not say it."""
    if code is not None or phase not in ENDS:
        return code
    return 0 if phase == "done" else 1


# Where each kind of note is kept: its fields are the table's columns, with what _row changes.
TABLES: dict[type, sa.Table] = {
    RequestNote: REQUESTS,
    RunNote: RUNS,
    StepNote: STEPS,
    DriftNote: DRIFTS,
    FaultNote: FAULTS,
    LockoutNote: LOCKOUTS,
    RollingNote: ROLLING,
    HandNote: HANDS,
    LightNote: LIGHTS,
    SessionNote: SESSIONS,
    StateNote: STATES,
}


def _row(note: Note, at: float) -> tuple[sa.Table, dict[str, object]]:
    row: dict[str, object] = {f.name: getattr(note, f.name) for f in fields(note)}
    row["at"] = at
    if isinstance(note, RequestNote):
        row["request"] = row.pop("id")
        row["targets"] = json.dumps(list(note.targets))
        row["code"] = _code(note.phase, note.code)
    elif isinstance(note, DriftNote):
        row["wanted"], row["reported"] = _scalar(note.wanted), _scalar(note.reported)
    elif isinstance(note, HandNote):
        row["colour"] = _scalar(note.colour)
    elif isinstance(note, LightNote):
        row["could"] = json.dumps(list(note.could))
    return TABLES[type(note)], row


class _Lasting:
    """What has to outlast the bridge, as rows: it is written anew when the file has gone.

    Folded from every row that is on disk: the lockouts in force, which cameras roll, the open
    session with its dials, the latest run, state and drift.
    """

    def __init__(self) -> None:
        self._rows: dict[tuple[str, object], tuple[sa.Table, dict[str, object]]] = {}

    @classmethod
    def read(cls, connection: sa.Connection) -> _Lasting:
        found = cls()
        for table in (SESSIONS, RUNS, STATES, DRIFTS):
            last = sa.select(table).order_by(table.c.id.desc()).limit(1)
            number = connection.execute(last).first()
            if number is None:
                continue
            statement = sa.select(table).where(table.c.id == number.id)
            if table is SESSIONS:
                statement = sa.select(table).where(table.c.session == number.session)
            found._fold_all(connection, table, statement.order_by(table.c.id))
        for table in (LOCKOUTS, ROLLING):
            found._fold_all(connection, table, sa.select(table).order_by(table.c.id))
        session = found.session
        if session is not None:
            dials = sa.select(HANDS).where(HANDS.c.session == session).order_by(HANDS.c.id)
            found._fold_all(connection, HANDS, dials)
        return found

    def _fold_all(
        self, connection: sa.Connection, table: sa.Table, statement: sa.Select[Any]
    ) -> None:
        for row in connection.execute(statement):
            self.fold(table, {k: v for k, v in row._mapping.items() if k != "id"})

    @property
    def session(self) -> int | None:
        opened = self._rows.get(("sessions", "opened"))
        closed = ("sessions", "closed") in self._rows
        return int(str(opened[1]["session"])) if opened is not None and not closed else None

    def fold(self, table: sa.Table, row: dict[str, object]) -> None:
        key: object = ""
        if table is LOCKOUTS:
            key = row["target"]
            if row["phase"] != "set":
                self._rows.pop((table.name, key), None)
                return
        elif table in (ROLLING, HANDS):
            key = row["device"]
        elif table is SESSIONS:
            key = row["phase"]
            if key == "opened":
                self._rows = {k: v for k, v in self._rows.items() if k[0] not in DIES_WITH_SESSION}
        elif table not in (RUNS, STATES, DRIFTS):
            return
        # the latest of its kind stands last, as it would in the file
        self._rows.pop((table.name, key), None)
        self._rows[(table.name, key)] = (table, row)

    def rows(self) -> Iterable[tuple[sa.Table, dict[str, object]]]:
        return self._rows.values()


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
        self._lasting = _Lasting()
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
            self._now_faulty(f"the record cannot be written: {_why(error)}")
            return False
        self._stored(self._in_hand)
        self._in_hand = []
        self._now_faulty(None)
        if self._on_memory is not None and self._engine is not None:
            with self._lock:
                written = self.handed - len(self._pending)
            with self._engine.connect() as connection:
                memory = _memory(connection)
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
                table, row = _row(note, at)
                if handed.unread:
                    for key, by in self._shift.items():
                        if row.get(key) is not None:
                            row[key] = int(str(row[key])) + by
                if table is SESSIONS:
                    session = None if row["phase"] == "closed" else int(str(row["session"]))
                else:
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
                        _put(connection, table, values)
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
        engine = _connect(self.path)
        try:
            fresh = _check(engine, self.path, create=True)
            with engine.connect() as connection:
                memory, lasting = _memory(connection), _Lasting.read(connection)
                newest = connection.scalar(sa.select(sa.func.max(STATES.c.at)))
        except sa.exc.SQLAlchemyError as error:
            engine.dispose()
            raise RecordAway(_unusable(self.path, error)) from None
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
        table, row = _row(note, time.time())
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
            _prune(connection, now - self.keep_days * DAY)


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


def _put(connection: sa.Connection, table: sa.Table, values: list[dict[str, object]]) -> None:
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


def _prune(connection: sa.Connection, before: float) -> None:
    for table in PRUNED:
        statement = sa.delete(table).where(table.c.at < before)
        if table is STATES:
            last = sa.select(sa.func.max(STATES.c.id)).scalar_subquery()
            statement = statement.where(STATES.c.id != last)
        connection.execute(statement)
    open_sessions = (
        sa.select(SESSIONS.c.session)
        .group_by(SESSIONS.c.session)
        .having(sa.func.sum(sa.case((SESSIONS.c.phase == "closed", 1), else_=0)) == 0)
    )
    connection.execute(
        sa.delete(SESSIONS).where(SESSIONS.c.at < before, SESSIONS.c.session.not_in(open_sessions))
    )


def _memory(connection: sa.Connection) -> Memory:
    """What the controller has to know from before."""

    def biggest(column: sa.Column[Any]) -> int:
        return int(connection.scalar(sa.select(sa.func.max(column))) or 0)

    state = connection.execute(sa.select(STATES).order_by(STATES.c.id.desc()).limit(1)).first()
    session = connection.execute(
        sa.select(SESSIONS).order_by(SESSIONS.c.id.desc()).limit(1)
    ).first()
    run = connection.execute(sa.select(RUNS).order_by(RUNS.c.id.desc()).limit(1)).first()
    lockouts: dict[str, Lockout] = {}
    for row in connection.execute(sa.select(LOCKOUTS).order_by(LOCKOUTS.c.id)):
        if row.phase == "set":
            lockouts[row.target] = Lockout(row.target, row.by, row.why, row.at)
        else:
            lockouts.pop(row.target, None)
    by_hand: dict[str, ByHand] = {}
    kwh: float | None = None
    if session is not None and session.phase != "closed":
        opened = sa.select(sa.func.min(SESSIONS.c.at)).where(SESSIONS.c.session == session.session)
        since = connection.scalar(opened) or 0.0
        for row in connection.execute(
            sa.select(HANDS)
            # by the session's number where it is known: times are of a clock that may have stepped
            .where(
                (HANDS.c.session == session.session)
                | (HANDS.c.session.is_(None) & (HANDS.c.at >= since))
            )
            .order_by(HANDS.c.id)
        ):
            preset = Preset(row.level, row.cct, _colour(_value(row.colour)))
            by_hand[row.device] = ByHand(preset, row.by, row.at)
        metered = sa.select(SESSIONS.c.kwh).where(
            SESSIONS.c.session == session.session, SESSIONS.c.kwh.is_not(None)
        )
        kwh = connection.scalar(metered.order_by(SESSIONS.c.id.desc()).limit(1))
    rolling: dict[str, bool] = {}
    for row in connection.execute(sa.select(ROLLING).order_by(ROLLING.c.id)):
        rolling[row.device] = row.rolling
    answered = connection.execute(
        sa.select(REQUESTS.c.request, REQUESTS.c.phase, REQUESTS.c.code, REQUESTS.c.text)
        .where(REQUESTS.c.phase.in_(ENDS), REQUESTS.c.request != "")
        .order_by(REQUESTS.c.id.desc())
        .limit(ANSWERS_KEPT)
    ).all()
    is_open = session is not None and session.phase != "closed"
    return Memory(
        state=state.state if state is not None else "dark",
        look=state.look if state is not None else None,
        session=session.session if session is not None and is_open else None,
        session_kwh=kwh,
        next_session=biggest(SESSIONS.c.session) + 1,
        next_run=max(biggest(RUNS.c.run), biggest(STEPS.c.run)) + 1,
        next_drift=biggest(DRIFTS.c.drift) + 1,
        run=run.what if run is not None and run.phase == "begun" else None,
        everything=run is not None and run.phase == "begun" and run.text == "everything",
        lockouts=tuple(lockouts.values()),
        by_hand=by_hand,
        rolling=frozenset(name for name, on in rolling.items() if on),
        stopped=frozenset(name for name, on in rolling.items() if is_open and not on),
        answered=tuple(
            (row.request, _code(row.phase, row.code) or 0, row.text) for row in reversed(answered)
        ),
    )


# ---- the reading side -------------------------------------------------------------------------


def back_up(path: Place, copy: Path) -> int:
    """A whole copy of a record, while its bridge writes on. Returns its size in bytes.

    To restore it: stop the bridge, put the copy where the record was, remove what lies beside it
    with -wal and -shm at its end, start the bridge. Raises RecordError.
    """
    if isinstance(path, Elsewhere):
        raise RecordError(f"the record is {path}: back it up with pg_dump --schema={path.schema}")
    Reader(path).close()  # is it one of ours at all
    if copy.exists():
        raise RecordError(f"{copy} is there already; name a file that is not")
    try:
        make_private_file(copy)
        source = sqlite3.connect(sqlite_url(path, "ro"), uri=True)
        with closing(source), closing(sqlite3.connect(copy)) as target:
            source.backup(target)
            # one file, without the log of the original beside it
            target.execute("PRAGMA journal_mode=DELETE")
            if target.execute("PRAGMA integrity_check").fetchone() != ("ok",):
                raise RecordError(f"the copy {copy} is not sound: keep the original")
    except (sqlite3.Error, OSError) as error:
        raise RecordError(f"{copy} cannot be written: {error}") from None
    return copy.stat().st_size


class Reader:
    """The reading side, for `record`. Raises RecordError when there is none."""

    def __init__(self, path: Place) -> None:
        if isinstance(path, Path) and not path.exists():
            raise RecordError(f"there is no record at {path}")
        self._engine = _connect(path, read_only=True)
        _check(self._engine, path, create=False)
        # an older record, not yet upgraded by its bridge, lacks what was added since
        schema = path.schema if isinstance(path, Elsewhere) else None
        look = sa.inspect(self._engine)
        self._tables = set(look.get_table_names(schema=schema))
        self._columns = {
            name: {column["name"] for column in look.get_columns(name, schema=schema)}
            for name in self._tables
        }

    def close(self) -> None:
        self._engine.dispose()

    def _rows_of(self, table: sa.Table) -> sa.Select[Any]:
        return sa.select(*(c for c in table.c if c.name in self._columns[table.name]))

    def _all(self, statement: sa.Select[Any]) -> list[dict[str, Any]]:
        with self._engine.connect() as connection:
            return [dict(row._mapping) for row in connection.execute(statement)]

    def sessions(self) -> list[dict[str, Any]]:
        """Every session: when it opened, was ready and closed, its look and energy."""
        found: dict[int, dict[str, Any]] = {}
        for row in self._all(self._rows_of(SESSIONS).order_by(SESSIONS.c.id)):
            entry = found.setdefault(
                row["session"],
                {
                    "session": row["session"],
                    "opened": None,
                    "ready": None,
                    "closed": None,
                    "look": row["look"],
                    "kwh": None,
                },
            )
            if row["phase"] != "metered":
                entry[row["phase"]] = row["at"]
            entry["look"] = row["look"] or entry["look"]
            entry["kwh"] = row["kwh"] if row["kwh"] is not None else entry["kwh"]
        return list(found.values())

    def timeline(self, session: int) -> list[dict[str, Any]]:
        """Everything that happened in a session, in order."""
        found = next((s for s in self.sessions() if s["session"] == session), None)
        if found is None:
            return []
        begin = found["opened"] or 0.0
        end = found["closed"] if found["closed"] is not None else float("inf")
        entries: list[dict[str, Any]] = []
        tables: Iterable[tuple[str, sa.Table]] = (
            ("request", REQUESTS),
            ("run", RUNS),
            ("step", STEPS),
            ("drift", DRIFTS),
            ("fault", FAULTS),
            ("lockout", LOCKOUTS),
            ("rolling", ROLLING),
            ("by hand", HANDS),
            ("light", LIGHTS),
            ("state", STATES),
        )
        for order, (kind, table) in enumerate(tables):
            if table.name not in self._tables:
                continue
            within = table.c.at >= begin - 0.001
            if end != float("inf"):
                within &= table.c.at <= end + 1.0
            if "session" in self._columns[table.name]:
                # the time alone is asked only of what happened just before it opened or after
                within = (table.c.session == session) | (table.c.session.is_(None) & within)
            statement = self._rows_of(table).where(within)
            for row in self._all(statement.order_by(table.c.id)):
                number = row.pop("id")
                for key in ("action", "phase") if kind == "step" else ():
                    row[key] = FORMER_WORDS.get(row[key], row[key])
                entries.append({"kind": kind, "order": (row["at"], order, number), **row})
        entries.sort(key=lambda entry: entry["order"])
        for entry in entries:
            del entry["order"]
        return entries

    def drifts(self, device: str | None = None) -> list[dict[str, Any]]:
        """Every drift with when it opened and closed, and how far it went at its worst."""
        statement = self._rows_of(DRIFTS).order_by(DRIFTS.c.id)
        if device is not None:
            statement = statement.where(DRIFTS.c.device == device)
        found: dict[int, dict[str, Any]] = {}
        for row in self._all(statement):
            entry = found.setdefault(
                row["drift"],
                {
                    "drift": row["drift"],
                    "device": row["device"],
                    "point": row["point"],
                    "wanted": _value(row["wanted"]),
                    "opened": None,
                    "closed": None,
                    "how": "",
                },
            )
            if row["phase"] == "opened":
                entry["opened"] = row["at"]
            if row["phase"] == "closed":
                entry["closed"], entry["how"] = row["at"], row["how"]
            entry["worst"] = _value(row["reported"])
            for key in ("stops", "mired", "percent"):
                entry[key] = row[key]
        return list(found.values())

    def changes(self, device: str, most: int) -> list[dict[str, Any]]:
        """The last changes of one device, newest first: `at` (ISO) and `said`."""
        found: list[tuple[float, int, str]] = []
        steps = (
            self._rows_of(STEPS)
            .where(STEPS.c.device == device, STEPS.c.phase.in_(("confirmed", "failed")))
            .order_by(STEPS.c.id.desc())
            .limit(most)
        )
        for row in self._all(steps):
            value = f" to {row['value']}" if row["value"] else ""
            action = FORMER_WORDS.get(row["action"], row["action"])
            found.append((row["at"], row["id"], f"{action}{value}, {row['phase']}"))
        drifts = (
            self._rows_of(DRIFTS)
            .where(DRIFTS.c.device == device)
            .order_by(DRIFTS.c.id.desc())
            .limit(most)
        )
        for row in self._all(drifts):
            unit = {"level": " %", "cct": " K"}.get(row["point"], "")
            reported = _value(row["reported"])
            shown = f"{reported:.4g}{unit}" if isinstance(reported, float | int) else str(reported)
            colour = _colour(reported)
            shown = shown if colour is None else spelled(colour)
            said = f"{row['point']} {row['phase']}"
            if row["phase"] != "closed":
                said += f": {shown}"
            elif row["how"]:
                said += f": {row['how']}"
            found.append((row["at"], row["id"], said))
        if HANDS.name in self._tables:
            hands = (
                self._rows_of(HANDS).where(HANDS.c.device == device).order_by(HANDS.c.id.desc())
            ).limit(most)
            for row in self._all(hands):
                over = row["level"] is None and row["cct"] is None
                said = "no longer as set by hand," if over else "set by hand"
                found.append((row["at"], row["id"], f"{said} by {row['by']}"))
        found.sort(reverse=True)
        return [{"at": _iso(at), "said": said} for at, _, said in found[:most]]

    def moment(self, at: float) -> dict[str, dict[str, Any]]:
        """How every device stood at a moment (s since the epoch), as far as the record tells.

        From what was confirmed and what was reported as drift: `level` (%), `cct` (K), `colour`
        (x and y), `switch`.
        What was never set or heard before is absent.
        """
        found: dict[str, dict[str, Any]] = {}
        steps = self._rows_of(STEPS).where(STEPS.c.at <= at, STEPS.c.phase == "confirmed")
        changes: list[tuple[float, int, str, dict[str, Any]]] = []
        for row in self._all(steps):
            said: dict[str, Any] = {}
            if row["action"] == "set":
                said = {"switch": True, **_preset(row["value"])}
            elif row["action"] == "fade out":
                said = {"level": 0.0}
            elif row["action"] in ("power on", "switch on"):
                said = {"switch": True}
            elif row["action"] in ("power off", "switch off"):
                said = {"switch": False}
            if said:
                changes.append((row["at"], 0, row["device"], said))
        for row in self._all(self._rows_of(DRIFTS).where(DRIFTS.c.at <= at)):
            if row["point"] not in (*LIGHT, "switch"):
                continue
            value = _value(row["reported"])
            if isinstance(value, str):
                continue  # somewhere in a band: it was not there for sure, nor is it back for sure
            if row["phase"] == "closed" and row["how"] in ("returned", "restored"):
                value = _value(row["wanted"])
            elif row["phase"] == "closed" and row["how"] != "kept":
                continue
            if value is not None:
                point = row["point"]
                if point in ("cct", "colour"):  # white or coloured, whichever was asked for
                    point = "cct" if isinstance(value, int | float) else "colour"
                changes.append((row["at"], 1, row["device"], {point: value}))
        if HANDS.name in self._tables:
            for row in self._all(self._rows_of(HANDS).where(HANDS.c.at <= at)):
                dial = {"level": row["level"], "cct": row["cct"]}
                if row.get("colour") is not None:
                    dial = {"level": row["level"], "colour": _value(row["colour"])}
                changes.append((row["at"], 0, row["device"], dial))
        for _, _, device, said in sorted(changes, key=lambda change: change[:2]):
            known = found.setdefault(device, {})
            for one, other in (("cct", "colour"), ("colour", "cct")):
                if said.get(one) is not None:
                    known.pop(other, None)
            known.update(said)
        return found

    def requests(self) -> list[dict[str, Any]]:
        return self._all(self._rows_of(REQUESTS).order_by(REQUESTS.c.id))

    def faults(self) -> list[dict[str, Any]]:
        return self._all(self._rows_of(FAULTS).order_by(FAULTS.c.id))

    def steps(self, run: int | None = None) -> list[dict[str, Any]]:
        statement = self._rows_of(STEPS).order_by(STEPS.c.id)
        return self._all(statement if run is None else statement.where(STEPS.c.run == run))

    def runs(self) -> list[dict[str, Any]]:
        return self._all(self._rows_of(RUNS).order_by(RUNS.c.id))

    def lockouts(self) -> list[dict[str, Any]]:
        return self._all(self._rows_of(LOCKOUTS).order_by(LOCKOUTS.c.id))


def _iso(at: float) -> str:
    moment = datetime.fromtimestamp(at, UTC).isoformat(timespec="milliseconds")
    return moment.replace("+00:00", "Z")


def _preset(text: str) -> dict[str, Any]:
    """`64 %, 4300 K` as the record has it."""
    found: dict[str, Any] = {}
    for part in text.split(", "):
        number, _, unit = part.partition(" ")
        if unit in ("%", "K"):
            found["level" if unit == "%" else "cct"] = float(number)
        _, colour, places = part.partition(" xy ")
        if colour:
            x, _, y = places.partition(" ")
            found["colour"] = {"x": float(x), "y": float(y)}
    return found


def _colour(value: object) -> Colour | None:
    if not isinstance(value, dict) or set(value) != {"x", "y"}:
        return None
    try:
        return Colour(float(value["x"]), float(value["y"]))
    except (TypeError, ValueError):
        return None


def _value(text: str | None) -> object:
    return None if text is None else json.loads(text)
