"""What the pages show of one set, as parts: an id on the page and the HTML inside it.

The server draws every part, the page only puts it where it belongs. A view is what is drawn for
one kind of page: the parts of its subjects, each a file `parts_SUBJECT.py` with the template
`pages/parts_SUBJECT.html`. A view is drawn when something was heard, once for all pages of it;
each page is sent what changed since it last listened. What nobody looks at is not drawn.

Anybody on the broker may write anything on a topic of the set. A subject that cannot be drawn of
it is empty, and the page says that what it shows is not confirmed; the others go on.
"""

from __future__ import annotations

import asyncio
import time
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from typing import Any, TypeVar

import jinja2

from studiobridge.bridge.asking import Asker
from studiobridge.bridge.log import to_stderr
from studiobridge.bridge.reading import Reader
from studiobridge.bridge.settings import Settings
from studiobridge.bridge.tables import RecordError, record_place
from studiobridge.control.plan import OrderProblem, UnknownLook, plan
from studiobridge.panel import (
    parts_after,
    parts_before,
    parts_below,
    parts_hand,
    parts_mark,
    parts_picture,
    parts_quiet,
    parts_room,
    parts_stand,
    parts_takes,
    parts_truth,
)
from studiobridge.panel.saying import shown, teach
from studiobridge.profile.model import SetProfile
from studiobridge.shown import words
from studiobridge.shown.tongue import figure, in_force, say, with_languages

View = Mapping[str, Any]
NOTHING: View = {}
Subject = Callable[["Board"], dict[str, str]]
Read = TypeVar("Read")
# So many kinds of what could not be shown are said on standard error.
MOST_FAULTS_SAID = 20

# What a page of each view is sent: a line a subject.
VIEWS: dict[str, tuple[Subject, ...]] = {
    "hand": (
        parts_truth.parts,
        parts_hand.parts,
        parts_takes.line,
        parts_room.parts,
        parts_below.parts,
        parts_before.line,
        parts_after.at_hand,
        parts_quiet.at_hand,
    ),
    "stand": (
        parts_truth.parts,
        parts_stand.parts,
        parts_before.line,
    ),
    "mark": (
        parts_truth.parts,
        parts_mark.parts,
        parts_before.line,
        parts_picture.can_see,
    ),
    "takes": (
        parts_truth.parts,
        parts_takes.parts,
    ),
    "before": (
        parts_truth.parts,
        parts_before.parts,
    ),
    "after": (
        parts_truth.parts,
        parts_after.parts,
        parts_quiet.after,
    ),
    "picture": (
        parts_truth.parts,
        parts_picture.parts,
    ),
}
# Views that look into the record: it may hang, be locked, or be on another machine.
READS_THE_RECORD = ("takes",)


@dataclass(slots=True)
class Drawn:
    """The parts of one view in one language, and in which version each last changed."""

    version: int = -1
    parts: dict[str, str] = field(default_factory=dict)
    changed_at: dict[str, int] = field(default_factory=dict)


def environment() -> jinja2.Environment:
    made = jinja2.Environment(
        loader=jinja2.PackageLoader("studiobridge.panel", "pages"),
        autoescape=True,
        trim_blocks=True,
        lstrip_blocks=True,
        undefined=jinja2.StrictUndefined,
    )
    filters: dict[str, Callable[..., str]] = {
        "clean": shown,
        "kwh": lambda value: f"{figure(value, '.3f')} kWh",
        "moment": words.moment,
        "day": lambda text: words.moment(text, date=True),
        "listed": words.listed,
        "preset": words.preset,
        "watts": words.watts,
        "about": lambda seconds: words.about(words.number(seconds) or 0.0),
        "level": words.level,
        "cct": words.cct,
    }
    made.filters.update(filters)
    teach(made)
    return made


class Board:
    """One set, drawn for its pages."""

    def __init__(self, settings: Settings, profile: SetProfile, visitor: Asker) -> None:
        self.settings = settings
        self.profile = profile
        self.visitor = visitor
        self.pages = environment()
        self._drawn: dict[tuple[str, str], Drawn] = {}
        self._takes: dict[str | None, float | None] = {}
        # the names of the parts of each subject, as far as it was ever drawn
        self._names: dict[Subject, frozenset[str]] = {}
        self._said_of_faults: set[str] = set()
        self._one_reads = asyncio.Lock()

    # ---- parts -------------------------------------------------------------------------

    def draw(self, view: str) -> Drawn:
        """What is to be seen now in this view (one of VIEWS), in the language in force."""
        drawn = self._drawn.setdefault((view, in_force().code), Drawn())
        version = self.visitor.version
        if version == drawn.version:
            return drawn
        said_of: dict[str, str] = {}
        whole = True
        for subject in VIEWS[view]:
            try:
                found = subject(self)
            except Exception as error:  # what a stranger wrote must not end a page
                whole = False
                self._cannot_show(subject.__module__, error)
                # what was said before is not so any more, for all that anybody here can tell
                found = dict.fromkeys(self._names.get(subject, ()), "")
            else:
                known = self._names.get(subject, frozenset())
                self._names[subject] = known | found.keys()
            said_of.update(found)
        if not whole:
            said_of.update(parts_truth.of(self, self.unreadable()))
        for name, said in said_of.items():
            text = with_languages(said)
            if drawn.parts.get(name) != text:
                drawn.parts[name] = text
                drawn.changed_at[name] = version
        drawn.version = version
        return drawn

    def read(self, of: Callable[[Board], Read], otherwise: Read) -> tuple[Read, bool]:
        """What a page that is made anew each time says of it, and whether it could be read."""
        try:
            return of(self), True
        except Exception as error:  # as in `draw`
            self._cannot_show(of.__module__, error)
            return otherwise, False

    def _cannot_show(self, where: str, error: Exception) -> None:
        """Said once for each kind of fault: it comes again with every message."""
        kind = f"{where}: {type(error).__name__}: {words.clean(error, 100)}"
        if kind not in self._said_of_faults and len(self._said_of_faults) < MOST_FAULTS_SAID:
            self._said_of_faults.add(kind)
            to_stderr(f"{self.profile.name}: what was heard cannot be shown: {kind}")

    def unreadable(self) -> str:
        """What is said where what was heard is none of what a bridge says."""
        return say(
            "What was heard of {set} cannot be shown here. What you see is not confirmed.",
            set=self.profile.name,
        )

    def since(self, version: int, view: str) -> dict[str, str]:
        """The parts that changed after this version; all of them for a new page."""
        drawn = self.draw(view)
        return {name: drawn.parts[name] for name, at in drawn.changed_at.items() if at > version}

    async def follows(self, version: int, view: str) -> tuple[dict[str, str], int]:
        """The parts that changed after this version, and the version they are of.

        A view that reads the record is drawn beside all else: a disk that hangs, or a record that
        is locked or away, holds up its own pages, and no others.
        """

        def drawn() -> tuple[dict[str, str], int]:
            parts = self.since(version, view)
            return parts, self.draw(view).version

        if view not in READS_THE_RECORD:
            return drawn()
        async with self._one_reads:
            return await asyncio.to_thread(drawn)

    def shows(self, view: str) -> dict[str, str]:
        """Every part of this view as it is now."""
        return dict(self.draw(view).parts)

    def macros(self, template: str) -> Any:
        """The macros of a template of parts."""
        return self.pages.get_template(template).module

    def view(self, name: str) -> View:
        return self.visitor.shown.devices.get(name, NOTHING)

    # ---- what is so --------------------------------------------------------------------

    def clock(self) -> float | None:
        """The bridge's wall clock now (s), by its beat; None where it is not there to be heard."""
        ahead = self.visitor.shown.clock
        if ahead is None or not self.visitor.sure:
            return None
        return round(time.time() + ahead, 3)

    def cannot_ask(self) -> str:
        """Why nothing can be asked of the set now; empty when it can, if only for a cut."""
        visitor, name = self.visitor, self.profile.name
        if not visitor.up:
            return say("No way to the set: {why}.", why=words.bridge_says(visitor.why))
        alive = visitor.shown.alive
        if alive is not None and alive.alive and visitor.shown.silent:
            return say("The bridge of {set} is silent: it hangs, or its link does.", set=name)
        if not visitor.shown.bridge_alive:
            return say(
                "No bridge runs {set}: nothing is watched and nothing can be switched from here.",
                set=name,
            )
        return ""

    def truth(self) -> str:
        """What is wrong between this page and the gear, in a sentence; empty when nothing is."""
        why = self.cannot_ask()
        if why:
            return f"{why} {say('What you see is not confirmed.')}"
        if self.visitor.shown.old:
            return say(
                "The bridge of {set} has just begun and has not said yet how the set stands. What"
                " you see is as it was last seen, not confirmed.",
                set=self.profile.name,
            )
        fault = (self.visitor.shown.state or NOTHING).get("record_fault")
        return say("The record: {fault}", fault=words.bridge_says(fault)) if fault else ""

    def breakers(self) -> str:
        """What to go to when nothing can be cut from here."""
        found = [
            f"{c.name}, {c.breaker:g} A{f', {c.where}' if c.where else ''}"
            for c in self.profile.circuits.values()
        ]
        if not found:
            return say("Use the breaker.")
        return say("Use the breaker: {breakers}.", breakers="; ".join(found))

    def held(self) -> str:
        """Why nothing may be changed now; empty when it may."""
        state = self.visitor.shown.state or NOTHING
        rolling = words.names(state.get("rolling"))
        if rolling:
            return say("held: {names} rolls", names=words.listed(rolling))
        closing = words.names(state.get("closing"))
        if closing:
            return say("held: {names} closes its file", names=words.listed(closing))
        return ""

    def state_words(self) -> str:
        """The state in a word, and what has moved: what is read out when it changes."""
        state = self.visitor.shown.state or NOTHING
        if not self.visitor.sure:
            return say("not confirmed")
        if state.get("state") == "ready" and not self.of_one_moment():
            return say("not confirmed: its parts do not fit together yet")
        said = words.state(state.get("state"))
        if state.get("state") == "lowering" and isinstance(state.get("goes_down"), Mapping):
            said = say("goes down when the take ends")  # nothing is lowered yet
        moved = words.names(state.get("drifting"))
        if state.get("state") == "adrift" and moved:
            return say("{state}: {names}", state=said, names=words.listed(moved, 3))
        return say("{state}, cut", state=said) if state.get("cut") is True else said

    def of_one_moment(self) -> bool:
        """Do state, drift and run belong together? Each comes in a message of its own.

        Between the first and the last of them, and for as long as one was lost on the way, the
        state may still be that of the moment before.
        """
        shown = self.visitor.shown
        state = shown.state or NOTHING
        drifting = state.get("drifting")
        if isinstance(drifting, list) and set(words.names(drifting)) != {
            name
            for entry in shown.drift
            # an entry that may be one of several names them all
            for name in words.names(entry.get("perhaps")) or [str(entry.get("device"))]
        }:
            return False
        return (shown.latest_run or NOTHING).get("state") != "under way"

    def takes(self, look: str | None) -> float | None:
        """Predicted seconds to ready; None where the order cannot be."""
        if look not in self._takes:
            try:
                self._takes[look] = plan(self.profile, "up", look).ready_in
            except (OrderProblem, UnknownLook):
                self._takes[look] = None
        return self._takes[look]

    def reader(self) -> Reader | None:
        """The record, if it is on this machine."""
        try:
            return Reader(record_place(self.settings, self.profile.name))
        except RecordError:
            return None
