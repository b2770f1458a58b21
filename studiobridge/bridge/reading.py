"""Reading a record while its bridge writes on: sessions, what happened in one, a moment of it."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterable
from contextlib import closing
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import sqlalchemy as sa

from studiobridge.bridge.rights import make_private_file
from studiobridge.bridge.tables import (
    BEFORES,
    DRIFTS,
    FAULTS,
    HANDS,
    LIGHTS,
    LOCKOUTS,
    QUIET,
    REQUESTS,
    ROLLING,
    RUNS,
    SESSIONS,
    STATES,
    STEPS,
    TAKES,
    TICKS,
    Elsewhere,
    Place,
    RecordError,
    check,
    colour_in,
    connect,
    good_ones,
    sqlite_url,
    take_note,
    value_in,
)
from studiobridge.control.taken import KEPT, Taken, Tally
from studiobridge.craft.chroma import spelled
from studiobridge.profile.model import LIGHT
from studiobridge.profile.said import FORMER_WORDS


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
        self._engine = connect(path, read_only=True)
        check(self._engine, path, create=False)
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
            ("quiet", QUIET),
            ("state", STATES),
            ("tick", TICKS),
            ("before", BEFORES),
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
                    "wanted": value_in(row["wanted"]),
                    "opened": None,
                    "closed": None,
                    "how": "",
                },
            )
            if row["phase"] == "opened":
                entry["opened"] = row["at"]
            if row["phase"] == "closed":
                entry["closed"], entry["how"] = row["at"], row["how"]
            entry["worst"] = value_in(row["reported"])
            for key in ("stops", "mired", "percent"):
                entry[key] = row[key]
        return list(found.values())

    def changes(self, device: str, most: int) -> list[dict[str, Any]]:
        """The last changes of one device, newest first: `at` (ISO), `said`, and its `entry`."""
        found: list[tuple[float, int, str, dict[str, Any]]] = []
        steps = (
            self._rows_of(STEPS)
            .where(STEPS.c.device == device, STEPS.c.phase.in_(("confirmed", "failed")))
            .order_by(STEPS.c.id.desc())
            .limit(most)
        )
        for row in self._all(steps):
            value = f" to {row['value']}" if row["value"] else ""
            action = FORMER_WORDS.get(row["action"], row["action"])
            said = f"{action}{value}, {row['phase']}"
            found.append((row["at"], row["id"], said, {"kind": "step", **row}))
        drifts = (
            self._rows_of(DRIFTS)
            .where(DRIFTS.c.device == device)
            .order_by(DRIFTS.c.id.desc())
            .limit(most)
        )
        for row in self._all(drifts):
            unit = {"level": " %", "cct": " K"}.get(row["point"], "")
            reported = value_in(row["reported"])
            shown = f"{reported:.4g}{unit}" if isinstance(reported, float | int) else str(reported)
            colour = colour_in(reported)
            shown = shown if colour is None else spelled(colour)
            said = f"{row['point']} {row['phase']}"
            if row["phase"] != "closed":
                said += f": {shown}"
            elif row["how"]:
                said += f": {row['how']}"
            found.append((row["at"], row["id"], said, {"kind": "drift", **row}))
        if HANDS.name in self._tables:
            hands = (
                self._rows_of(HANDS).where(HANDS.c.device == device).order_by(HANDS.c.id.desc())
            ).limit(most)
            for row in self._all(hands):
                over = row["level"] is None and row["cct"] is None
                said = "no longer as set by hand," if over else "set by hand"
                said = f"{said} by {row['by']}"
                found.append((row["at"], row["id"], said, {"kind": "by hand", **row}))
        found.sort(key=lambda change: change[:2], reverse=True)
        return [{"at": _iso(at), "said": said, "entry": row} for at, _, said, row in found[:most]]

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
            value = value_in(row["reported"])
            if isinstance(value, str):
                continue  # somewhere in a band: it was not there for sure, nor is it back for sure
            if row["phase"] == "closed" and row["how"] in ("returned", "restored"):
                value = value_in(row["wanted"])
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
                    dial = {"level": row["level"], "colour": value_in(row["colour"])}
                changes.append((row["at"], 0, row["device"], dial))
        for _, _, device, said in sorted(changes, key=lambda change: change[:2]):
            known = found.setdefault(device, {})
            for one, other in (("cct", "colour"), ("colour", "cct")):
                if said.get(one) is not None:
                    known.pop(other, None)
            known.update(said)
        return found

    def takes(self, first: int = 1, last: int | None = None) -> list[Taken]:
        """Takes by their numbers, oldest first; times in seconds since the epoch."""
        if TAKES.name not in self._tables:
            return []
        wanted = self._rows_of(TAKES).where(TAKES.c.take >= first).order_by(TAKES.c.id)
        if last is not None:
            wanted = wanted.where(TAKES.c.take <= last)
        tally = Tally(take_note(row) for row in self._all(wanted))
        return [tally.takes[number] for number in sorted(tally.takes)]

    def good_takes(self, most: int = KEPT) -> list[Taken]:
        """The latest that were marked good, as many as the bridge itself compares with."""
        if TAKES.name not in self._tables:
            return []
        wanted = self._rows_of(TAKES).where(TAKES.c.take.in_(good_ones(most)))
        tally = Tally(take_note(row) for row in self._all(wanted.order_by(TAKES.c.id)))
        return [tally.takes[number] for number in sorted(tally.takes)]

    def last_take(self) -> int:
        """The number of the latest take; 0 where there was none."""
        if TAKES.name not in self._tables:
            return 0
        return int(self._all(sa.select(sa.func.max(TAKES.c.take).label("n")))[0]["n"] or 0)

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
