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
import json
import queue
import sqlite3
import threading
import time
from collections.abc import Callable, Iterable, Sequence
from contextlib import closing
from dataclasses import dataclass, fields
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import sqlalchemy as sa

from studiobridge.bridge.settings import Settings
from studiobridge.control.effects import (
    ByHand,
    DriftNote,
    FaultNote,
    HandNote,
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
from studiobridge.profile.model import Preset

# 1: the first. 2: dials set by hand.
SCHEMA_VERSION = 2
# Notes that wait in memory while the disk does not take them; the oldest go first.
MOST_WAITING = 20_000
# Waits (s) between tries while the disk does not take notes.
TRY_AGAIN = 2.0
DAY = 86400.0

META = sa.MetaData()


def _table(name: str, *columns: sa.Column[Any]) -> sa.Table:
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
)
RUNS = _table(
    "runs",
    sa.Column("run", sa.Integer, nullable=False, index=True),
    sa.Column("session", sa.Integer),
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
    sa.Column("by", sa.String, nullable=False),
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
PRUNED = (REQUESTS, RUNS, STEPS, DRIFTS, FAULTS, ROLLING, HANDS, STATES)


class RecordError(Exception):
    """The record cannot be opened; the text says why and what to do."""


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
            engine = sa.create_engine(path.url, pool_pre_ping=True)
        except ImportError:
            raise RecordError(
                "a record on PostgreSQL needs more: pip install 'studiobridge[postgresql]'"
            ) from None
        return engine.execution_options(schema_translate_map={None: path.schema})
    mode = "ro" if read_only else "rwc"
    engine = sa.create_engine(
        f"sqlite:///file:{path}?mode={mode}&uri=true",
        connect_args={"timeout": 5.0, "check_same_thread": False},
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


def _check(engine: sa.Engine, path: Place, create: bool) -> None:
    schema = path.schema if isinstance(path, Elsewhere) else None
    try:
        with engine.begin() as connection:
            if schema is not None and create:
                connection.execute(sa.schema.CreateSchema(schema, if_not_exists=True))
            if sa.inspect(connection).has_table("schema_version", schema=schema):
                version = connection.scalar(sa.select(VERSION.c.version))
            elif create:
                META.create_all(connection)
                connection.execute(sa.insert(VERSION).values(version=SCHEMA_VERSION))
                version = SCHEMA_VERSION
            else:
                raise RecordError(f"{path} is not a record of this program")
    except sa.exc.DatabaseError as error:
        why = error.orig if error.orig is not None else error
        raise RecordError(f"the record {path} cannot be used: {why}") from None
    if create and version is not None and version < SCHEMA_VERSION:
        _upgrade(engine, version)
        version = SCHEMA_VERSION
    if version == 1:
        return  # read as it is: only what was added later is missing
    if version != SCHEMA_VERSION:
        raise RecordError(
            f"the record {path} was made by another version (its schema is {version}, this program"
            f" knows {SCHEMA_VERSION}); use that version, or move the file away"
        )


def _upgrade(engine: sa.Engine, version: int) -> None:
    """Bring an older record to today's schema, one version after the other, in one transaction."""
    with engine.begin() as connection:
        if version < 2:
            HANDS.create(connection, checkfirst=True)
        connection.execute(sa.update(VERSION).values(version=SCHEMA_VERSION))


def _scalar(value: object) -> str | None:
    return None if value is None else json.dumps(value)


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
    SessionNote: SESSIONS,
    StateNote: STATES,
}


def _row(note: Note, at: float, session: int | None) -> tuple[sa.Table, dict[str, object]]:
    row: dict[str, object] = {f.name: getattr(note, f.name) for f in fields(note)}
    row["at"] = at
    if isinstance(note, RequestNote):
        row["request"] = row.pop("id")
        row["targets"] = json.dumps(list(note.targets))
    elif isinstance(note, RunNote):
        row["session"] = session
    elif isinstance(note, DriftNote):
        row["wanted"], row["reported"] = _scalar(note.wanted), _scalar(note.reported)
    return TABLES[type(note)], row


class Record:
    """The writing side, for the daemon. `wall` turns a note's time into seconds since the epoch."""

    def __init__(
        self,
        path: Place,
        keep_days: int,
        wall: Callable[[float], float],
        on_fault: Callable[[str | None], None] = lambda fault: None,
    ) -> None:
        self.path = path
        # called in the writer's thread when the record cannot be written, or can again (None)
        self._on_fault = on_fault
        self.keep_days = keep_days
        self.fault: str | None = None
        self.lost = 0
        self._wall = wall
        self._session: int | None = None
        self._queue: queue.SimpleQueue[tuple[Sequence[Note], Callable[[bool], None] | None] | None]
        self._queue = queue.SimpleQueue()
        self._waiting = 0
        self._thread: threading.Thread | None = None
        self._engine: sa.Engine | None = None

    def open(self) -> Memory:
        """Open or make the file; return what the controller has to know. Raises RecordError."""
        if isinstance(self.path, Path):
            folder = self.path.parent
            try:
                folder.mkdir(parents=True, exist_ok=True)
            except OSError as error:
                why = error.strerror or str(error)
                raise RecordError(f"the data folder {folder} cannot be made: {why}") from None
        self._engine = _connect(self.path)
        _check(self._engine, self.path, create=True)
        with self._engine.connect() as connection:
            memory = _memory(connection)
        self._session = memory.session
        self._thread = threading.Thread(target=self._work, name="record", daemon=True)
        self._thread.start()
        return memory

    def write(self, notes: Sequence[Note], done: Callable[[bool], None] | None = None) -> None:
        """Hand notes to the writer. `done` is called in its thread: True once they are on disk."""
        self._waiting += len(notes)
        self._queue.put((notes, done))

    def writing(self, notes: Sequence[Note]) -> asyncio.Future[bool]:
        """Hand notes to the writer; the future is True once they are on disk, False if not."""
        loop = asyncio.get_running_loop()
        future: asyncio.Future[bool] = loop.create_future()

        def done(ok: bool) -> None:
            def settle() -> None:
                if not future.done():
                    future.set_result(ok)

            loop.call_soon_threadsafe(settle)

        self.write(notes, done)
        return future

    def prune(self) -> None:
        """Forget what is older than the setting says; what is open stays."""
        self._queue.put(((), self._prune))

    def close(self) -> None:
        """Write what waits and end the writer."""
        if self._thread is not None:
            self._queue.put(None)
            self._thread.join(timeout=10.0)
            self._thread = None
        if self._engine is not None:
            self._engine.dispose()
            self._engine = None

    # ---- the writer's thread ------------------------------------------------------------------

    def _work(self) -> None:
        batch: list[tuple[Sequence[Note], Callable[[bool], None] | None]] = []
        ending = False
        while not ending or batch:
            if not batch:
                item = self._queue.get()
                if item is None:
                    ending = True
                    continue
                batch.append(item)
            while True:
                try:
                    item = self._queue.get_nowait()
                except queue.Empty:
                    break
                if item is None:
                    ending = True
                else:
                    batch.append(item)
            if self._store(batch):
                batch = []
            elif ending:
                break
            else:
                for _, done in batch:
                    if done is not None and done != self._prune:
                        done(False)
                batch = [(notes, None) for notes, done in batch if notes]
                self._bound(batch)
                time.sleep(TRY_AGAIN)

    def _bound(self, batch: list[tuple[Sequence[Note], Callable[[bool], None] | None]]) -> None:
        size = sum(len(notes) for notes, _ in batch)
        while batch and size > MOST_WAITING:
            dropped, _ = batch.pop(0)
            size -= len(dropped)
            self.lost += len(dropped)

    def _store(self, batch: list[tuple[Sequence[Note], Callable[[bool], None] | None]]) -> bool:
        assert self._engine is not None
        rows: dict[sa.Table, list[dict[str, object]]] = {}
        for notes, _ in batch:
            for note in notes:
                if isinstance(note, SessionNote):
                    self._session = None if note.phase == "closed" else note.session
                table, row = _row(note, self._wall(note.at), self._session)
                rows.setdefault(table, []).append(row)
        prune = any(done == self._prune for _, done in batch)
        try:
            with self._engine.begin() as connection:
                for table, values in rows.items():
                    connection.execute(sa.insert(table), values)
                if prune:
                    _prune(connection, time.time() - self.keep_days * DAY)
        except (sa.exc.SQLAlchemyError, OSError) as error:
            why = getattr(error, "orig", None) or error
            self._now_faulty(f"the record cannot be written: {why}")
            return False
        self._now_faulty(None)
        for notes, done in batch:
            self._waiting -= len(notes)
            if done is not None:
                done(True)
        return True

    def _now_faulty(self, fault: str | None) -> None:
        if fault != self.fault:
            self.fault = fault
            self._on_fault(fault)

    def _prune(self, ok: bool) -> None:
        """A mark in the queue, not a call: see _store."""


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
    if session is not None and session.phase != "closed":
        opened = sa.select(sa.func.min(SESSIONS.c.at)).where(SESSIONS.c.session == session.session)
        since = connection.scalar(opened) or 0.0
        for row in connection.execute(
            sa.select(HANDS).where(HANDS.c.at >= since).order_by(HANDS.c.id)
        ):
            by_hand[row.device] = ByHand(Preset(row.level, row.cct), row.by, row.at)
    rolling: dict[str, bool] = {}
    for row in connection.execute(sa.select(ROLLING).order_by(ROLLING.c.id)):
        rolling[row.device] = row.rolling
    answered = connection.execute(
        sa.select(REQUESTS.c.request, REQUESTS.c.phase, REQUESTS.c.text)
        .where(REQUESTS.c.phase.in_(("done", "failed", "refused")), REQUESTS.c.request != "")
        .order_by(REQUESTS.c.id.desc())
        .limit(256)
    ).all()
    is_open = session is not None and session.phase != "closed"
    return Memory(
        state=state.state if state is not None else "dark",
        look=state.look if state is not None else None,
        session=session.session if session is not None and is_open else None,
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
            (row.request, 0 if row.phase == "done" else 1, row.text) for row in reversed(answered)
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
        source = sqlite3.connect(f"file:{path}?mode=ro", uri=True)
        with closing(source), closing(sqlite3.connect(copy)) as target:
            source.backup(target)
            # one file, without the log of the original beside it
            target.execute("PRAGMA journal_mode=DELETE")
            if target.execute("PRAGMA integrity_check").fetchone() != ("ok",):
                raise RecordError(f"the copy {copy} is not sound: keep the original")
    except sqlite3.Error as error:
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
        self._tables = set(sa.inspect(self._engine).get_table_names(schema=schema))

    def close(self) -> None:
        self._engine.dispose()

    def _all(self, statement: sa.Select[Any]) -> list[dict[str, Any]]:
        with self._engine.connect() as connection:
            return [dict(row._mapping) for row in connection.execute(statement)]

    def sessions(self) -> list[dict[str, Any]]:
        """Every session: when it opened, was ready and closed, its look and energy."""
        found: dict[int, dict[str, Any]] = {}
        for row in self._all(sa.select(SESSIONS).order_by(SESSIONS.c.id)):
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
            ("state", STATES),
        )
        for order, (kind, table) in enumerate(tables):
            if table.name not in self._tables:
                continue
            statement = sa.select(table).where(table.c.at >= begin - 0.001)
            if end != float("inf"):
                statement = statement.where(table.c.at <= end + 1.0)
            for row in self._all(statement.order_by(table.c.id)):
                number = row.pop("id")
                entries.append({"kind": kind, "order": (row["at"], order, number), **row})
        entries.sort(key=lambda entry: entry["order"])
        for entry in entries:
            del entry["order"]
        return entries

    def drifts(self, device: str | None = None) -> list[dict[str, Any]]:
        """Every drift with when it opened and closed, and how far it went at its worst."""
        statement = sa.select(DRIFTS).order_by(DRIFTS.c.id)
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
            sa.select(STEPS)
            .where(STEPS.c.device == device, STEPS.c.phase.in_(("confirmed", "failed")))
            .order_by(STEPS.c.id.desc())
            .limit(most)
        )
        for row in self._all(steps):
            value = f" to {row['value']}" if row["value"] else ""
            found.append((row["at"], row["id"], f"{row['action']}{value}, {row['phase']}"))
        drifts = (
            sa.select(DRIFTS)
            .where(DRIFTS.c.device == device)
            .order_by(DRIFTS.c.id.desc())
            .limit(most)
        )
        for row in self._all(drifts):
            unit = {"level": " %", "cct": " K"}.get(row["point"], "")
            reported = _value(row["reported"])
            shown = f"{reported:.4g}{unit}" if isinstance(reported, float | int) else str(reported)
            said = f"{row['point']} {row['phase']}"
            if row["phase"] != "closed":
                said += f": {shown}"
            elif row["how"]:
                said += f": {row['how']}"
            found.append((row["at"], row["id"], said))
        if HANDS.name in self._tables:
            hands = (
                sa.select(HANDS).where(HANDS.c.device == device).order_by(HANDS.c.id.desc())
            ).limit(most)
            for row in self._all(hands):
                found.append((row["at"], row["id"], f"set by hand by {row['by']}"))
        found.sort(reverse=True)
        return [{"at": _iso(at), "said": said} for at, _, said in found[:most]]

    def moment(self, at: float) -> dict[str, dict[str, Any]]:
        """How every device stood at a moment (s since the epoch), as far as the record tells.

        From what was confirmed and what was reported as drift: `level` (%), `cct` (K), `switch`.
        What was never set or heard before is absent.
        """
        found: dict[str, dict[str, Any]] = {}
        steps = sa.select(STEPS).where(STEPS.c.at <= at, STEPS.c.phase == "confirmed")
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
        for row in self._all(sa.select(DRIFTS).where(DRIFTS.c.at <= at)):
            if row["point"] not in ("level", "cct", "switch"):
                continue
            value = _value(row["reported"])
            if row["phase"] == "closed" and row["how"] in ("returned", "restored"):
                value = _value(row["wanted"])
            elif row["phase"] == "closed" and row["how"] != "kept":
                continue
            if value is not None:
                changes.append((row["at"], 1, row["device"], {row["point"]: value}))
        if HANDS.name in self._tables:
            for row in self._all(sa.select(HANDS).where(HANDS.c.at <= at)):
                dial = {"level": row["level"], "cct": row["cct"]}
                changes.append((row["at"], 0, row["device"], dial))
        for _, _, device, said in sorted(changes, key=lambda change: change[:2]):
            found.setdefault(device, {}).update(said)
        return found

    def requests(self) -> list[dict[str, Any]]:
        return self._all(sa.select(REQUESTS).order_by(REQUESTS.c.id))

    def faults(self) -> list[dict[str, Any]]:
        return self._all(sa.select(FAULTS).order_by(FAULTS.c.id))

    def steps(self, run: int | None = None) -> list[dict[str, Any]]:
        statement = sa.select(STEPS).order_by(STEPS.c.id)
        return self._all(statement if run is None else statement.where(STEPS.c.run == run))

    def runs(self) -> list[dict[str, Any]]:
        return self._all(sa.select(RUNS).order_by(RUNS.c.id))

    def lockouts(self) -> list[dict[str, Any]]:
        return self._all(sa.select(LOCKOUTS).order_by(LOCKOUTS.c.id))


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
    return found


def _value(text: str | None) -> object:
    return None if text is None else json.loads(text)
