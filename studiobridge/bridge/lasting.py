"""What has to outlast the bridge: read from the record at the start, written anew if it goes."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

import sqlalchemy as sa

from studiobridge.bridge.tables import (
    DRIFTS,
    ENDS,
    HANDS,
    LOCKOUTS,
    PRUNED,
    QUIET,
    REQUESTS,
    ROLLING,
    RUNS,
    SESSIONS,
    STATES,
    STEPS,
    code_of,
    colour_in,
    value_in,
)
from studiobridge.control.effects import ByHand, Lockout, MadeQuiet, Memory
from studiobridge.control.standing import ANSWERS_KEPT
from studiobridge.profile.model import Preset

# Rows of these tables are of the open session alone.
DIES_WITH_SESSION = ("sessions", "hands")


class Lasting:
    """What has to outlast the bridge, as rows: it is written anew when the file has gone.

    Folded from every row that is on disk: the lockouts in force, which cameras roll, the open
    session with its dials, the latest run, state and drift.
    """

    def __init__(self) -> None:
        self._rows: dict[tuple[str, object], tuple[sa.Table, dict[str, object]]] = {}

    @classmethod
    def read(cls, connection: sa.Connection) -> Lasting:
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
        found._fold_all(connection, QUIET, latest_of_each(QUIET))
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
        elif table is QUIET:
            key = row["device"]
            if row["phase"] == "over":
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


def latest_of_each(table: sa.Table) -> sa.Select[Any]:
    """The last row of each device."""
    last = sa.select(sa.func.max(table.c.id)).group_by(table.c.device)
    return sa.select(table).where(table.c.id.in_(last)).order_by(table.c.id)


def prune(connection: sa.Connection, before: float) -> None:
    for table in PRUNED:
        statement = sa.delete(table).where(table.c.at < before)
        if table is STATES:
            last = sa.select(sa.func.max(STATES.c.id)).scalar_subquery()
            statement = statement.where(STATES.c.id != last)
        connection.execute(statement)
    newest = sa.select(sa.func.max(QUIET.c.id)).group_by(QUIET.c.device)
    connection.execute(sa.delete(QUIET).where(QUIET.c.at < before, QUIET.c.id.not_in(newest)))
    open_sessions = (
        sa.select(SESSIONS.c.session)
        .group_by(SESSIONS.c.session)
        .having(sa.func.sum(sa.case((SESSIONS.c.phase == "closed", 1), else_=0)) == 0)
    )
    connection.execute(
        sa.delete(SESSIONS).where(SESSIONS.c.at < before, SESSIONS.c.session.not_in(open_sessions))
    )


def memory_of(connection: sa.Connection) -> Memory:
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
            preset = Preset(row.level, row.cct, colour_in(value_in(row.colour)))
            by_hand[row.device] = ByHand(preset, row.by, row.at)
        metered = sa.select(SESSIONS.c.kwh).where(
            SESSIONS.c.session == session.session, SESSIONS.c.kwh.is_not(None)
        )
        kwh = connection.scalar(metered.order_by(SESSIONS.c.id.desc()).limit(1))
    rolling: dict[str, bool] = {}
    for row in connection.execute(sa.select(ROLLING).order_by(ROLLING.c.id)):
        rolling[row.device] = row.rolling
    quiet: dict[str, MadeQuiet] = {}
    for row in connection.execute(latest_of_each(QUIET)):
        if row.phase != "over":
            quiet[row.device] = MadeQuiet(
                row.device,
                row.at - row.off_for,
                row.at + row.left,
                row.cut,
                row.rolling,
                row.by,
                row.at,
            )
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
        quiet=tuple(quiet.values()),
        answered=tuple(
            (row.request, code_of(row.phase, row.code) or 0, row.text) for row in reversed(answered)
        ),
    )
