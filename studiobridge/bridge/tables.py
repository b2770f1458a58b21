"""The tables of the record, where it is kept, and how an older one is brought to today's schema.

A note's fields are the columns of its table; `row_of` has the few that are spelled otherwise.
"""

from __future__ import annotations

import json
import math
import sqlite3
from collections.abc import Mapping
from dataclasses import dataclass, fields
from pathlib import Path
from typing import Any
from urllib.parse import quote

import sqlalchemy as sa

from studiobridge.bridge.rights import make_private_file
from studiobridge.bridge.settings import Settings
from studiobridge.control.effects import (
    BeforeNote,
    DriftNote,
    FaultNote,
    HandNote,
    LightNote,
    LockoutNote,
    MadeQuiet,
    Note,
    QuietNote,
    RequestNote,
    RollingNote,
    RunNote,
    SessionNote,
    StateNote,
    StepNote,
    TakeNote,
    TickNote,
)
from studiobridge.craft.chroma import Colour

# 1: the first. 2: dials set by hand. 3: the code a request ended with; the session of each entry.
# 4: the colour of a dial. 5: light that no light explains. 6: takes, ticks and what is told quiet.
SCHEMA_VERSION = 6
# A lock on the file, or a server that is not there, is waited for so long (s) within one try.
WITHIN_A_TRY = 5.0
# The phases of a request that answer it.
ENDS = ("done", "failed", "refused")

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
TAKES = _table(
    "takes",
    sa.Column("take", sa.Integer, nullable=False, index=True),
    sa.Column("phase", sa.String, nullable=False),
    sa.Column("device", sa.String),
    sa.Column("seconds", sa.Float, nullable=False),
    sa.Column("by", sa.String, nullable=False),
    sa.Column("off", sa.Float),
    sa.Column("text", sa.String),
    sa.Column("mark", sa.String),
    sa.Column("detail", sa.String, nullable=False),
)
QUIET = _table(
    "quiet",
    sa.Column("device", sa.String, nullable=False, index=True),
    sa.Column("action", sa.String, nullable=False),
    sa.Column("phase", sa.String, nullable=False),
    sa.Column("left", sa.Float, nullable=False),
    sa.Column("off_for", sa.Float, nullable=False),
    sa.Column("cut", sa.Boolean, nullable=False),
    sa.Column("rolling", sa.Boolean, nullable=False),
    sa.Column("by", sa.String, nullable=False),
    sa.Column("text", sa.String, nullable=False),
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
# of the session that was open when they were made, or of the last one before
TICKS = _table(
    "ticks",
    sa.Column("item", sa.String, nullable=False),
    sa.Column("phase", sa.String, nullable=False),
    sa.Column("by", sa.String, nullable=False),
    sa.Column("text", sa.String, nullable=False),
)
# what was not so when a camera began to roll
BEFORES = _table(
    "befores",
    sa.Column("device", sa.String, nullable=False),
    sa.Column("missing", sa.String, nullable=False),
)
PRUNED = (
    *(REQUESTS, RUNS, STEPS, DRIFTS, FAULTS, ROLLING, HANDS, LIGHTS, STATES),
    *(TICKS, BEFORES, TAKES),
)


# No time and no length in a record is larger than this (s): some 3,000 years.
FARTHEST = 1e11


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


def connect(path: Place, read_only: bool = False) -> sa.Engine:
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


def said_by(error: Exception) -> str:
    """What the database said, in one line."""
    return " ".join(str(getattr(error, "orig", None) or error).split())


def unusable(path: Place, error: sa.exc.SQLAlchemyError) -> str:
    text = f"the record {path} cannot be used: {said_by(error)}"
    if "not a database" in text or "malformed" in text:
        text += "; move the file away, and a new one is made"
    return text


def check(engine: sa.Engine, path: Place, create: bool) -> bool:
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
        raise RecordAway(unusable(path, error)) from None
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
        if version < 6:
            TAKES.create(connection, checkfirst=True)
            TICKS.create(connection, checkfirst=True)
            BEFORES.create(connection, checkfirst=True)
            QUIET.create(connection, checkfirst=True)
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


def code_of(phase: str, code: int | None) -> int | None:
    """The exit code a request ended with; older records, and some notes, do not say it."""
    if code is not None or phase not in ENDS:
        return code
    return 0 if phase == "done" else 1


# Where each kind of note is kept: its fields are the table's columns, with what row_of changes.
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
    TakeNote: TAKES,
    QuietNote: QUIET,
    SessionNote: SESSIONS,
    StateNote: STATES,
    TickNote: TICKS,
    BeforeNote: BEFORES,
}


def row_of(note: Note, at: float) -> tuple[sa.Table, dict[str, object]]:
    row: dict[str, object] = {f.name: getattr(note, f.name) for f in fields(note)}
    row["at"] = at
    if isinstance(note, RequestNote):
        row["request"] = row.pop("id")
        row["targets"] = json.dumps(list(note.targets))
        row["code"] = code_of(note.phase, note.code)
    elif isinstance(note, DriftNote):
        row["wanted"], row["reported"] = _scalar(note.wanted), _scalar(note.reported)
    elif isinstance(note, HandNote):
        row["colour"] = _scalar(note.colour)
    elif isinstance(note, LightNote):
        row["could"] = json.dumps(list(note.could))
    elif isinstance(note, TakeNote):
        row["detail"] = json.dumps(note.detail, ensure_ascii=False)
    elif isinstance(note, BeforeNote):
        row["missing"] = json.dumps(list(note.missing))
    return TABLES[type(note)], row


def colour_in(value: object) -> Colour | None:
    if not isinstance(value, dict) or set(value) != {"x", "y"}:
        return None
    try:
        return Colour(float(value["x"]), float(value["y"]))
    except (TypeError, ValueError):
        return None


def figure_in(value: object) -> float | None:
    """A figure of a row; None for what is none, or is of no time that anybody lives in."""
    if isinstance(value, bool) or not isinstance(value, int | float):
        return None
    return float(value) if -FARTHEST <= value <= FARTHEST else None


def words_in(value: object) -> str | None:
    return value if isinstance(value, str) else None


def _finite(text: str) -> float | None:
    found = float(text)
    return found if math.isfinite(found) else None


_OF_A_TAKE = tuple(f.name for f in fields(TakeNote) if f.name != "detail")


def take_note(row: Mapping[str, Any]) -> TakeNote:
    """A row of the takes as the note it was made of; what cannot be read in it is empty."""
    detail: Any = {}
    if row["detail"] != "{}":  # as most have it
        try:
            # what is no number is none: not in what is shown, and not in what is reckoned with it
            detail = json.loads(row["detail"], parse_float=_finite, parse_constant=lambda _: None)
        except (TypeError, ValueError, RecursionError):
            detail = {}
    detail = detail if isinstance(detail, dict) else {}
    lights = detail.get("lights")
    if isinstance(lights, dict):
        named = {name: one if isinstance(one, dict) else {} for name, one in lights.items()}
        detail["lights"] = named
    said = {name: row[name] for name in _OF_A_TAKE}
    said |= {name: figure_in(said[name]) or 0.0 for name in ("at", "seconds")}
    said |= {"off": figure_in(said["off"]), "by": words_in(said["by"]) or ""}
    said |= {name: words_in(said[name]) for name in ("device", "text", "mark")}
    return TakeNote(**said, detail=detail)


def made_quiet(row: Any) -> MadeQuiet:
    """What a row says of gear made quiet. Where its times cannot be read it is due at once."""
    at, left, off_for = (figure_in(value) for value in (row.at, row.left, row.off_for))
    by, flags = words_in(row.by) or "", (bool(row.cut), bool(row.rolling))
    if at is None or left is None or off_for is None:
        # as of a clock that cannot be trusted: how long it has been off is not known
        return MadeQuiet(row.device, 0.0, 0.0, *flags, by, float("inf"))
    return MadeQuiet(row.device, at - off_for, at + left, *flags, by, at)


def good_ones(most: int) -> sa.Select[Any]:
    """The numbers of the latest takes whose last mark is good."""
    last_mark = (
        sa.select(sa.func.max(TAKES.c.id))
        .where(TAKES.c.phase == "marked", TAKES.c.mark.is_not(None))
        .group_by(TAKES.c.take)
    )
    return (
        sa.select(TAKES.c.take)
        .where(TAKES.c.id.in_(last_mark), TAKES.c.mark == "good")
        .order_by(TAKES.c.take.desc())
        .limit(most)
    )


def value_in(text: str | None) -> object:
    return None if text is None else json.loads(text)
