"""Hearing gear that nobody has described: messages with their times in, acquaintances out.

    hearing = Hearing()
    hearing.heard(message, at)      # each message, with the time (s, monotonic) it came at
    hearing.pressed(at, "on")       # a person does something to the gear now
    hearing.acquaintances()         # what speaks here, and what each of it seems to say

Nothing here ever sends anything. Whatever comes, memory stays bounded and nothing is raised.
"""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace

from studiobridge.meeting import book
from studiobridge.meeting.described import Described, kind_of
from studiobridge.meeting.grouping import Group, groups_of, ordinary
from studiobridge.meeting.guessing import Guessed, guess
from studiobridge.meeting.met import Acquaintance, Half
from studiobridge.meeting.overheard import (
    Answer,
    Change,
    Deed,
    Overheard,
    Press,
    Pressed,
    Sign,
    Touch,
)
from studiobridge.meeting.parts import Place
from studiobridge.meeting.sights import Sight, sights_of, touched_by
from studiobridge.profile.model import Point
from studiobridge.profile.text import ProfileError
from studiobridge.speech.message import Message

# Sisters whose words are taken together: more of them teach nothing more.
MOST_SISTERS = 12
# What is less likely than this to come of a press is not named with it.
LEAST_ODDS = 0.35
# Of one press, so many values are named: a lamp has a handful.
MOST_ANSWERS = 12
# Of so many kinds of speech at a time it is tried whether a profile would take them (5 ms each):
# a broker has some tens of makes, and a flood of nonsense as many as it has topics.
MOST_TRIALS = 200
# A group from one look to the next: its place, its blanks, its topics.
_Who = tuple[str, str, tuple[tuple[str, Sign], ...]]


@dataclass(slots=True)
class Met:
    """One device with everything behind it: what was guessed, from which values."""

    acquaintance: Acquaintance
    group: Group
    sights: list[Sight]
    guessed: Guessed


class Hearing:
    """All that was heard on a broker, and what it comes to."""

    def __init__(self) -> None:
        self.overheard = Overheard()
        self.described = Described()
        self._state: tuple[int, int, float] | None = None
        self._met: list[Met] = []
        self._looked: dict[_Who, tuple[int, Met]] = {}
        self._holds: dict[str, bool] = {}
        self._trials = MOST_TRIALS

    def heard(self, message: Message, at: float) -> tuple[Change, ...]:
        """Take in one message; what is different now on its topic.

        `at` in s by a clock that never runs back. `message.retain` says that the broker kept it
        from before. Topics below `$` and `studiobridge/` are left out.
        """
        self.described.heard(message)
        return self.overheard.heard(message, at)

    def pressed(self, at: float, what: Deed = "press") -> None:
        """Somebody does `what` to the gear at this moment: what changes next is held against it.

        `press` where it is not known what comes of it; `on`, `off`, `full`, `dark`, `warm`,
        `cold` where it is, which teaches the words and the ends of the scales.
        """
        self.overheard.pressed(at, what)

    def presses(self) -> tuple[Press, ...]:
        """What each press so far singled out, the surest first, with the points by name."""
        owners = self._owners()
        return tuple(_press(pressed, owners) for pressed in self.overheard.presses)

    def changed_since(self, at: float) -> list[Change]:
        """What changed after this moment, oldest first, as far as it is still remembered."""
        return self.overheard.changed_since(at)

    def acquaintances(self) -> list[Acquaintance]:
        """The devices that speak here: those of which something is understood first, then in the
        order they were heard. Each half has its ground and its reason."""
        heard = [met.acquaintance for met in self.met()]
        understood = [one for one in heard if one.halves]
        rest = [one for one in heard if not one.halves]
        return _named_apart(self.described.acquaintances() + understood + rest)

    def met(self) -> list[Met]:
        """The devices that speak no Homie, each with the values behind its guesses."""
        state = (self.overheard.messages, len(self.overheard.presses), self.overheard.now)
        if state != self._state:
            self._met = self._look()
            self._state = state
        return self._met

    def _look(self) -> list[Met]:
        topics = [t for t in self.overheard.topics.values() if not t.name.startswith("homie/5/")]
        groups = groups_of(topics)
        sisters, touched = _Sisters(groups), touched_by(self.overheard.presses)
        pressed = sum(len(press.touched) for press in self.overheard.presses)
        looked: dict[_Who, tuple[int, Met]] = {}
        found = []
        self._trials = MOST_TRIALS
        for group in groups:
            others = sisters(group)
            who = (group.at, str(group.blanks), tuple((p.template, p.sign) for p in group.parts))
            # what speaks no more, nor its sisters, is as it was looked at before
            spoken = pressed + sum(p.topic.count for g in (group, *others) for p in g.parts)
            before = self._looked.get(who)
            if before is not None and before[0] == spoken:
                found.append(before[1])
                looked[who] = before
                continue
            sights = sights_of(group, others, touched)
            guessed = guess(sights)
            self._keep_what_holds(group, guessed)
            met = Met(_acquaintance(group, sights, guessed), group, sights, guessed)
            found.append(met)
            if self._trials > 0:
                looked[who] = (spoken, met)
        self._looked = looked
        names = _named_apart([met.acquaintance for met in found])
        for met, named in zip(found, names, strict=True):
            met.acquaintance = named
        return found

    def _keep_what_holds(self, group: Group, guessed: Guessed) -> None:
        """Only what a profile would take, alone and together, is a guess worth having."""
        if not guessed.halves or self._hold(group, guessed.halves):
            return
        kept: list[Half] = []
        for half in guessed.halves:
            if self._hold(group, [*kept, half]):
                kept.append(half)
                continue
            where = guessed.sights.pop(half.point).shown()
            guessed.missing.append(
                f"{where} seems to be its {half.point}, and no dialect can say so"
                if self._trials > 0
                else f"{where} seems to be its {half.point}; too much speaks here at once to be"
                " sure: listen to fewer topics"
            )
        guessed.halves = kept

    def _hold(self, group: Group, halves: list[Half]) -> bool:
        # wherever it is, it would be taken alike
        one = Acquaintance("x", "x", None, tuple(halves), blanks=_used(group, halves))
        text = book.text_of([one])
        if len(self._holds) > 4000:
            self._holds.clear()
        # whether it holds does not depend on why
        key = "\n".join(line for line in text.split("\n") if not line.lstrip().startswith("#"))
        if key not in self._holds:
            if self._trials <= 0:
                return False
            self._trials -= 1
            try:
                book.read(text)
                self._holds[key] = True
            except ProfileError:
                self._holds[key] = False
        return self._holds[key]

    # ---- what a press came to -----------------------------------------------------------------

    def _owners(self) -> Mapping[int, tuple[str, Point | None, bool]]:
        """Each value that was heard: whose it is, as what, and whether it is only told."""
        owners: dict[int, tuple[str, Point | None, bool]] = {}
        for met in self.met():
            points = {id(s.own): p for p, s in met.guessed.sights.items()}
            for sight in met.sights:
                whose = (met.acquaintance.name, points.get(id(sight.own)), sight.told)
                before = owners.get(id(sight.own))
                if before is None or before[1] is None:
                    owners[id(sight.own)] = whose
        return owners


def _press(pressed: Pressed, owners: Mapping[int, tuple[str, Point | None, bool]]) -> Press:
    found: list[tuple[float, Answer]] = []
    for touch in pressed.touched.values():
        whose = owners.get(id(touch.spot))
        if whose is None or touch.odds < LEAST_ODDS:
            continue  # of a topic that several share, seen through another's eyes
        name, point, told = whose
        answer = Answer(_change(touch), touch.odds, name, point)
        # at the same odds: what is understood first, what only told it last
        found.append((touch.odds + (0.2 if point else 0.0) - (0.5 if told else 0.0), answer))
    # a device of which several things answered did not do so by chance
    of = Counter(answer.device for _, answer in found)
    ranked = [(rank + (0.25 if of[a.device] > 1 else 0.0), a) for rank, a in found]
    ranked.sort(key=lambda item: -item[0])
    return Press(pressed.at, pressed.what, tuple(a for _, a in ranked[:MOST_ANSWERS]))


def _change(touch: Touch) -> Change:
    return Change(touch.at, touch.topic, touch.spot.place.route, touch.before, touch.after)


# ---- devices ---------------------------------------------------------------------------------


def _acquaintance(group: Group, sights: list[Sight], guessed: Guessed) -> Acquaintance:
    points: set[Point] = {half.point for half in guessed.halves}
    points |= {"colour"} if guessed.coloured else set()
    missing = list(dict.fromkeys(guessed.missing))
    if not guessed.halves and not missing:
        if sights and all(sight.told for sight in sights):
            missing.append("only what others tell it was heard, and nothing of its own")
        else:
            missing.append("nothing of what it says is understood; press its button and see")
    if all(part.topic.count == part.topic.kept for part in group.parts):
        missing.append("only what the broker kept from before was heard of it: is it on?")
    blanks = _used(group, guessed.halves) if guessed.halves else dict(group.blanks)
    return Acquaintance(
        _name(group),
        group.at,
        kind_of(points),
        tuple(guessed.halves),
        missing=tuple(missing),
        blanks=blanks,
    )


def _used(group: Group, halves: Iterable[Half]) -> dict[str, str | int | float | bool]:
    """The blanks that are in these halves: a profile takes no others."""
    text = " ".join(book.flow(half.rule) for half in halves)
    return {name: value for name, value in group.blanks.items() if f"{{{name}}}" in text}


def _name(group: Group) -> str:
    """A name by what stands in its topics and says who."""
    parts = [part for part in group.at.split("/") if part]
    who = next((part for part in reversed(parts) if not ordinary(part)), group.at)
    blanks = [str(value) for value in group.blanks.values()]
    if blanks and not all(value.isdigit() for value in blanks):
        return _as_name("-".join(blanks))
    if who.isdigit() and len(parts) > 1:
        who = "-".join(parts[-2:])
    return _as_name("-".join([who, *blanks]))


def _as_name(text: str) -> str:
    """A text as a profile's name: a-z, 0-9 and hyphens."""
    found = re.sub(r"[^a-z0-9]+", "-", text.lower()).strip("-")[:40].strip("-")
    return found or "device"


def _named_apart(met: list[Acquaintance]) -> list[Acquaintance]:
    """The same with names that are each given once: with where it is, else with a number."""
    taken: set[str] = set()
    named = []
    for one in met:
        name = one.name
        if name in taken:
            name = _as_name("-".join([one.at, *map(str, one.blanks.values())]))
        n = 1
        while name in taken:
            n += 1
            name = f"{one.name[:35].rstrip('-')}-{n}"
        taken.add(name)
        named.append(one if name == one.name else replace(one, name=name))
    return named


class _Sisters:
    """Devices of one make, as far as their topics say: what one says explains the others."""

    def __init__(self, groups: list[Group]) -> None:
        self.by_template: dict[str, list[Group]] = {}
        for group in groups:
            for part in group.parts:
                who = self.by_template.setdefault(part.template, [])
                if len(who) < MOST_SISTERS * 4 and group not in who[-1:]:
                    who.append(group)

    def __call__(self, group: Group) -> list[Group]:
        found: dict[int, Group] = {}
        for part in group.parts:
            for other in self.by_template[part.template]:
                if other is not group and id(other) not in found and _kindred(group, other):
                    found[id(other)] = other
                    if len(found) >= MOST_SISTERS:
                        return list(found.values())
        return list(found.values())


def _kindred(one: Group, other: Group) -> bool:
    """Do two devices that share a template speak alike?"""
    if one.at == other.at:
        return True
    mine = {part.template: part for part in one.parts}
    theirs = {part.template: part for part in other.parts}
    both = [template for template in mine if template in theirs]
    if one.head and one.head == other.head:
        return True
    if any(not template.startswith("{at}") for template in both):
        return True
    if len(both) > 1 and set(mine) == set(theirs):
        return True
    fields: Iterable[tuple[set[Place], set[Place]]] = (
        (set(mine[t].spots), set(theirs[t].spots)) for t in both
    )
    return any(len(a & b) > 1 and len(a & b) * 2 >= len(a | b) for a, b in fields)
