"""What has to be true before it rolls, in words: the one line, and a row for each thing.

A row is true, not, or not known, by a mark and a word as well as by its colour.
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Literal

from studiobridge.shown.tongue import later, say
from studiobridge.shown.words import bridge_says, clean, listed, moment, names

Json = Mapping[str, Any]
Code = Literal["so", "not", "unknown"]

CODES: Mapping[object, Code] = {True: "so", False: "not", None: "unknown"}
MARKS: Mapping[Code, str] = {"so": "✓", "not": "✗", "unknown": "?"}
WORDS: Mapping[Code, str] = {
    "so": later("so"),
    "not": later("not so"),
    "unknown": later("not known"),
}
MEASURED: Mapping[str, str] = {
    "proven": later("everything proven"),
    "warm": later("warm"),
    "drift": later("no drift"),
    "batteries": later("batteries"),
    "record": later("record has room"),
    "quiet": later("quiet"),
    "picture": later("picture as kept"),
    "even": later("{device} is even"),
    "card": later("the card of {device} has room"),
    "off": later("{device} is off"),
}
NOT_UP: Mapping[str, str] = {
    "dark": later("the set is dark"),
    "rising": later("the set is rising"),
    "lowering": later("the set is lowering"),
    "stalled": later("the set is stalled"),
}


@dataclass(frozen=True, slots=True)
class Row:
    """One thing: what, whether it is so, by what, since when, and who ticked it."""

    item: str
    text: str
    code: Code
    evidence: str
    since: str
    # a person's tick, and who gave it; False: it is measured
    ticks: bool
    by: str
    lasts: str
    # how it is measured
    kind: str = ""

    @property
    def mark(self) -> str:
        return MARKS[self.code]

    @property
    def word(self) -> str:
        if self.ticks:
            return say("ticked") if self.code == "so" else say("not ticked")
        return say(WORDS[self.code])


@dataclass(frozen=True, slots=True)
class Line:
    """`good to roll`, or the first thing that is not, or is not known."""

    code: Code
    text: str
    # the set is not up: nobody expects it to be good, and it is no warning
    calm: bool = False


def _items(view: object) -> list[Json]:
    found = view.get("items") if isinstance(view, Mapping) else None
    if not isinstance(found, list):
        return []
    return [i for i in found if isinstance(i, Mapping) and isinstance(i.get("item"), str)]


def _code(state: object) -> Code:
    """Anything but a clear yes or no is not known."""
    return CODES[state] if state is True or state is False else "unknown"


def rows(view: object) -> list[Row]:
    """Every row of `before` or `after` of a state."""
    return [_row(item) for item in _items(view)]


def _row(item: Json) -> Row:
    kind = str(item.get("kind"))
    code, ticks = _code(item.get("state")), kind == "tick"
    text = clean(item.get("text") or item["item"], 200)
    if kind in MEASURED:
        text = say(MEASURED[kind], device=clean(item.get("device") or "", 40))
    since = item.get("since")
    return Row(
        clean(item["item"], 80),
        text,
        code,
        "" if ticks else bridge_says(item.get("evidence") or "", 200),
        moment(since) if isinstance(since, str) else "",
        ticks,
        clean(item.get("by") or "", 60),
        clean(item.get("lasts") or "", 20),
        "" if ticks else kind,
    )


def to_roll(state: Json) -> Line | None:
    """The line that stands on every view; None where the profile asks for nothing."""
    before = state.get("before")
    if not isinstance(before, Mapping):
        return None
    good, found = before.get("good"), rows(before)
    # both have to say so: a line that contradicts its rows is no ground to roll on
    if good is True and state.get("state") in ("ready", "adrift"):
        if found and all(row.code == "so" for row in found):
            return Line("so", say("good to roll"))
        return Line("unknown", say("not known: its rows do not say so"))
    now = str(state.get("state"))
    rolls = bool(names(state.get("rolling")))
    if now in NOT_UP:
        return Line("not", say("not yet: {what}", what=say(NOT_UP[now])), calm=now != "stalled")
    if now == "unheard":
        why = say("the gear is still being heard from")
        return Line("unknown", say("not known: {what}", what=why))
    moved = names(state.get("drifting"))
    for code in ("not", "unknown"):
        for row in found:
            if row.code == code:
                what = row.text
                if row.ticks:
                    what = say("{what} (not ticked)", what=what)
                elif code == "not" and row.kind == "warm":
                    what = say("the lamps are warming up")
                elif code == "not" and row.kind in ("proven", "drift") and moved:
                    what = say("moved: {names}", names=listed(moved, 3))
                elif row.evidence:
                    what = say("{what} ({why})", what=what, why=row.evidence)
                said = say("not yet: {what}", what=what)
                if rolls:
                    said = say("it rolls, and is not so: {what}", what=what)
                if code == "unknown":
                    said = say("not known: {what}", what=what)
                return Line("not" if code == "not" else "unknown", said)
    return Line("unknown", say("not known: the bridge says nothing of it"))


def silent() -> Line:
    """The line of whoever does not hear the set now."""
    return Line("unknown", say("not known: no connection to the set"))


def unfitting() -> Line:
    """The line while state, drift and run are of two moments."""
    return Line("unknown", say("not known: its parts do not fit together yet"))


def noted(row: Json) -> str:
    """An entry of the record: what was ticked by whom, or what was not so when a camera rolled."""
    if row.get("kind") == "before":
        missing = row.get("missing")
        try:
            found = json.loads(missing) if isinstance(missing, str) else missing
        except ValueError:
            found = []
        what = "; ".join(bridge_says(text, 120) for text in names(found))
        device = clean(row.get("device") or "", 40)
        return say("{device} rolled before it was so: {what}", device=device, what=what)
    item, by = clean(row.get("item") or "", 80), clean(row.get("by") or "", 60)
    if row.get("phase") == "on":
        return say("{by} ticks {item}", by=by, item=item)
    if row.get("phase") == "off":
        return say("{by} takes the tick off {item}", by=by, item=item)
    return say("the tick of {item} is over", item=item)


def evidence(row: Row) -> str:
    """`Ada (page), 20:14:05`, or what was measured."""
    if row.ticks:
        return ", ".join(filter(None, (row.by, row.since)))
    since = say("since {time}", time=row.since) if row.since else ""
    return ", ".join(filter(None, (row.evidence, since)))


def break_due(state: Json) -> str:
    """That a break is due, where one is."""
    timer = state.get("timer")
    since = timer.get("break_since") if isinstance(timer, Mapping) else None
    return say("a break is due, since {time}", time=moment(since)) if isinstance(since, str) else ""
