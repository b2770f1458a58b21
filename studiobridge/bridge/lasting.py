"""What has to outlast the bridge: read from the record at the start, written anew if it goes."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
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
    TAKES,
    TICKS,
    code_of,
    colour_in,
    good_ones,
    made_quiet,
    take_note,
    value_in,
)
from studiobridge.control.effects import ByHand, Lockout, MadeQuiet, Memory, Tick
from studiobridge.control.standing import ANSWERS_KEPT
from studiobridge.control.taken import KEPT
from studiobridge.profile.model import Preset

# Rows of these tables are of one session alone.
DIES_WITH_SESSION = ("sessions", "hands", "ticks")


class Lasting:
    """What has to outlast the bridge, as rows: it is written anew when the file has gone.

    Folded from every row that is on disk: the lockouts in force, which cameras roll, the open
    session with its dials, the latest run, state and drift, and the latest take.
    """

    def __init__(self) -> None:
        self._rows: dict[tuple[str, object], tuple[sa.Table, dict[str, object]]] = {}
        self._take: object = None

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
        newest = connection.scalar(sa.select(sa.func.max(TAKES.c.take)))
        if newest is not None:
            rows = sa.select(TAKES).where(TAKES.c.take == newest).order_by(TAKES.c.id)
            found._fold_all(connection, TAKES, rows)
        found._fold_all(connection, QUIET, latest_of_each(QUIET))
        session = found.session
        if session is not None:
            dials = sa.select(HANDS).where(HANDS.c.session == session).order_by(HANDS.c.id)
            found._fold_all(connection, HANDS, dials)
        last = connection.scalar(sa.select(sa.func.max(SESSIONS.c.session)))
        ticks = sa.select(TICKS).where(TICKS.c.session == last).order_by(TICKS.c.id)
        found._fold_all(connection, TICKS, ticks)
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
        elif table is TICKS:
            key = row["item"]
        elif table is SESSIONS:
            key = row["phase"]
            if key == "opened":
                self._rows = {k: v for k, v in self._rows.items() if k[0] not in DIES_WITH_SESSION}
        elif table is TAKES:
            if row["phase"] == "begun":
                self._rows = {k: v for k, v in self._rows.items() if k[0] != TAKES.name}
                self._take = row["take"]
            elif row["take"] != self._take:
                return  # something is said of an earlier one
            # of what happens again and again in a take the latest is enough
            key = (row["phase"], row["device"])
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
        if table is TAKES:
            # numbers go on for ever, and what rolled goes on with its own
            newest = sa.select(sa.func.max(TAKES.c.take)).scalar_subquery()
            statement = statement.where(TAKES.c.take != newest)
        connection.execute(statement)
    latest = sa.select(sa.func.max(QUIET.c.id)).group_by(QUIET.c.device)
    connection.execute(sa.delete(QUIET).where(QUIET.c.at < before, QUIET.c.id.not_in(latest)))
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
    of = _Past()
    if session is not None:
        of = _past(connection, session.session)
        metered = sa.select(SESSIONS.c.kwh).where(
            SESSIONS.c.session == session.session, SESSIONS.c.kwh.is_not(None)
        )
        kwh = connection.scalar(metered.order_by(SESSIONS.c.id.desc()).limit(1))
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
    rolling: dict[str, bool] = {}
    moved: dict[str, float] = {}
    for row in connection.execute(sa.select(ROLLING).order_by(ROLLING.c.id)):
        rolling[row.device] = row.rolling
        moved[row.device] = row.at
    quiet: dict[str, MadeQuiet] = {}
    for row in connection.execute(latest_of_each(QUIET)):
        if row.phase != "over":
            quiet[row.device] = made_quiet(row)
    answered = connection.execute(
        sa.select(REQUESTS.c.request, REQUESTS.c.phase, REQUESTS.c.code, REQUESTS.c.text)
        .where(REQUESTS.c.phase.in_(ENDS), REQUESTS.c.request != "")
        .order_by(REQUESTS.c.id.desc())
        .limit(ANSWERS_KEPT)
    ).all()
    takes = [take_note(dict(row._mapping)) for row in connection.execute(_latest_takes(connection))]
    is_open = session is not None and session.phase != "closed"
    return Memory(
        state=state.state if state is not None else "dark",
        look=state.look if state is not None else None,
        session=session.session if session is not None and is_open else None,
        session_kwh=kwh if is_open else None,
        next_session=biggest(SESSIONS.c.session) + 1,
        next_run=max(biggest(RUNS.c.run), biggest(STEPS.c.run)) + 1,
        next_drift=biggest(DRIFTS.c.drift) + 1,
        run=run.what if run is not None and run.phase == "begun" else None,
        everything=run is not None and run.phase == "begun" and run.text == "everything",
        lockouts=tuple(lockouts.values()),
        by_hand=by_hand,
        rolling=frozenset(name for name, on in rolling.items() if on),
        stopped=frozenset(name for name, on in rolling.items() if is_open and not on),
        takes=tuple(takes),
        next_take=biggest(TAKES.c.take) + 1,
        quiet=tuple(quiet.values()),
        answered=tuple(
            (row.request, code_of(row.phase, row.code) or 0, row.text) for row in reversed(answered)
        ),
        last_session=session.session if session is not None else None,
        last_kwh=kwh,
        opened=of.opened,
        closed=of.closed,
        ticks=of.ticks,
        rolled=of.rolled,
        rolling_since={name: moved[name] for name, on in rolling.items() if on},
    )


@dataclass(frozen=True, slots=True)
class _Past:
    """Of the session that is open, or else of the last one: when, its ticks, who rolled in it."""

    opened: float | None = None
    closed: float | None = None
    ticks: tuple[Tick, ...] = ()
    rolled: frozenset[str] = frozenset()


def _past(connection: sa.Connection, session: int) -> _Past:
    phases: dict[str, float] = {}
    for row in connection.execute(
        sa.select(SESSIONS).where(SESSIONS.c.session == session).order_by(SESSIONS.c.id)
    ):
        phases.setdefault(row.phase, row.at)
    ticks: dict[str, Tick] = {}
    for row in connection.execute(
        sa.select(TICKS).where(TICKS.c.session == session).order_by(TICKS.c.id)
    ):
        ticks.pop(row.item, None)
        if row.phase == "on":
            ticks[row.item] = Tick(row.item, row.by, row.at)
    rolled = connection.scalars(
        sa.select(ROLLING.c.device).where(ROLLING.c.session == session, ROLLING.c.rolling)
    )
    return _Past(
        phases.get("opened"), phases.get("closed"), tuple(ticks.values()), frozenset(rolled)
    )


def _latest_takes(connection: sa.Connection) -> sa.Select[Any]:
    """What the bridge has to know of takes: the latest, the good ones, and looks made of them.

    What changed in the light of each is for who reads the record, but for the latest: the bridge
    may still be in it, and counts.
    """
    newest = int(connection.scalar(sa.select(sa.func.max(TAKES.c.take))) or 0)
    wanted = (TAKES.c.take > newest - KEPT) | TAKES.c.take.in_(good_ones(KEPT))
    said = TAKES.c.phase.not_in(("changed", "unsure")) | (TAKES.c.take == newest)
    made = sa.select(TAKES.c.id).where(TAKES.c.phase == "matched").order_by(TAKES.c.id.desc())
    matched = TAKES.c.id.in_(made.limit(KEPT))
    return sa.select(TAKES).where(said & wanted | matched).order_by(TAKES.c.id)
