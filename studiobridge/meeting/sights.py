"""One value of one device as it is looked at to guess its meaning: names, words, ends, presses."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from functools import cached_property, lru_cache

from studiobridge.meeting.grouping import Group, Part
from studiobridge.meeting.overheard import Deed, Pressed, Spot, Touch
from studiobridge.meeting.parts import Place, figure_of
from studiobridge.meeting.vocabulary import COMMANDS, NAMES, NO, NOISE, YES
from studiobridge.profile.model import Point, Scalar

# From these odds on a press is taken for what changed a value.
SURE = 0.7
_PIECES = re.compile(r"[A-Z]?[a-z]+|[A-Z]+(?![a-z])|[0-9]+")
# Every word that a name may hint with.
_MEANT = NOISE.union(*NAMES.values()) | COMMANDS
# What is told comes before what is reported of it, by no more than this (s).
ECHO = 1.5


@lru_cache(4096)
def pieces_of(text: str) -> tuple[str, ...]:
    """A name in its pieces, in small letters: `lowBattery` is low and battery."""
    return tuple(piece.lower() for piece in _PIECES.findall(text))


@dataclass
class Sight:
    """A value in one place of one device's speech, with its sisters' of the same make."""

    part: Part
    place: Place
    own: Spot
    blank: str = "n"
    spots: list[Spot] = field(default_factory=list)
    touches: list[tuple[Deed, Touch]] = field(default_factory=list)
    # it is what the device is told, and no report
    told: bool = False

    # ---- what it was ----------------------------------------------------------------------

    @cached_property
    def numeric(self) -> bool:
        return all(spot.numeric for spot in self.spots)

    @cached_property
    def whole(self) -> bool:
        return all(spot.whole for spot in self.spots)

    @cached_property
    def low(self) -> float:
        return min((s.low for s in self.spots if s.low is not None), default=0.0)

    @cached_property
    def high(self) -> float:
        return max((s.high for s in self.spots if s.high is not None), default=0.0)

    @cached_property
    def kept(self) -> bool:
        return any(spot.kept for spot in self.spots)

    @cached_property
    def many(self) -> bool:
        return any(spot.many for spot in self.spots)

    @cached_property
    def words(self) -> list[Scalar]:
        """Every word it was, the most frequent first."""
        found: Counter[tuple[bool, Scalar]] = Counter()
        for spot in self.spots:
            found.update(spot.words)
        return [word for (_, word), _ in found.most_common()]

    @cached_property
    def two_valued(self) -> bool:
        """May it be a yes and a no, by what was heard?"""
        words = self.words
        if self.many or not words or len(words) > 6:
            return False
        if self.numeric:
            return all(figure_of(word) in (0.0, 1.0) for word in words) and self.whole
        return all(isinstance(word, bool) or len(str(word)) <= 24 for word in words)

    @cached_property
    def beside_others(self) -> bool:
        """Does a whole number stand in the same text and vary, which may say whose it is?"""
        if self.place.around is None:
            return False
        sign = self.part.sign
        return any(
            len(spot.words) > 1 and all(str(word).isdigit() for word in spot.values)
            for place, spot in self.part.spots.items()
            if place.around == self.place.around and place != self.place
            and place.route == self.place.route and (sign is None or place != sign[0])
        )  # fmt: skip

    # ---- what it is called ----------------------------------------------------------------

    @cached_property
    def own_names(self) -> tuple[str, ...]:
        """The pieces of the name right beside it: its field, else the end of its topic."""
        if self.place.around is not None:
            literals = self.place.around
            beside = literals[self.place.index] + " " + literals[self.place.index + 1]
            found = pieces_of(beside)
            if found:
                return found
        keys = [part for part in self.place.route if isinstance(part, str)]
        if keys:
            return pieces_of(keys[-1])
        tokens = [t for t in self.part.template.split("/") if "{" not in t]
        said = [pieces for token in reversed(tokens) if (pieces := pieces_of(token))]
        # `meter/now`: what means something, else the last
        return next((p for p in said if not _MEANT.isdisjoint(p)), said[0] if said else ())

    @cached_property
    def other_names(self) -> list[str]:
        """Those further off."""
        keys = [str(part) for part in self.place.route if isinstance(part, str)]
        tokens = [t for t in self.part.template.split("/") if "{" not in t]
        return [piece for token in (*keys, *tokens) for piece in pieces_of(token)]

    @cached_property
    def noise(self) -> bool:
        """Is it called like something that is nobody's level: an uptime, a voltage?"""
        return any(piece in NOISE for piece in self.own_names)

    def named(self, point: Point) -> float:
        """How much its name hints at a point: 3 in so many words, 0 not at all."""
        own, names = self.own_names, NAMES.get(point, frozenset())
        if point == "battery_low":
            every = {*own, *self.other_names}
            return (
                3.0 if ("low" in own and every & NAMES["battery"]) or "batterylow" in own else 0.0
            )
        if (
            point == "card"
            and "card" in self.other_names
            and {"minutes", "seconds", "left"} & {*own}
        ):
            return 3.0
        if self.place.around is not None:  # a unit right behind a number in a text
            after = self.place.around[self.place.index + 1].lstrip()[:1]
            if point == "cct" and after == "K" and own[:1] == ("k",):
                return 3.0
            if point == "level" and after == "%" and not {*self.other_names} & NAMES["battery"]:
                return 2.0
        if own == ("w",) and self.place.around is None:
            return 1.0  # of a document it is as well the white of a coloured lamp
        if "".join(own) in names:
            return 3.0
        if any(piece in names for piece in own):
            return 2.0
        return 1.0 if any(piece in names for piece in self.other_names) else 0.0

    # ---- what a press did to it -----------------------------------------------------------

    def answered(self, *deeds: Deed) -> list[tuple[Deed, Touch]]:
        """The presses that changed it, as far as can be told; only those of these deeds."""
        return [
            (deed, touch)
            for deed, touch in self.touches
            if touch.odds >= SURE and (not deeds or deed in deeds)
        ]

    # ---- where it is ----------------------------------------------------------------------

    def where(self) -> dict[str, object]:
        """The rule that hears this value, without what it means."""
        rule: dict[str, object] = {"topic": self.part.template}
        if self.place.route:
            rule["field"] = _field(self.place.route)
        sign = self.part.sign
        if sign is not None and sign[0].around is None:
            rule["where"] = {_dotted(sign[0].route): f"{{{self.blank}}}"}
        around = self.place.around
        if around is not None:
            text = around[0]
            for i, literal in enumerate(around[1:]):
                name = "value" if i == self.place.index else "any"
                if sign is not None and sign[0].around == around and sign[0].index == i:
                    name = self.blank
                text += f"{{{name}}}{literal}"
            rule["pattern"] = text
        return rule

    def shown(self) -> str:
        """Where it is, for a sentence."""
        if self.place.route:
            return f"'{_dotted(self.place.route)}' of {self.part.topic.name}"
        return self.part.topic.name


def _dotted(route: Iterable[str | int]) -> str:
    return ".".join(str(part).replace(".", "\\.") for part in route)


def _field(route: tuple[str | int, ...]) -> object:
    """A field as a profile has it: dotted where that says it, else key by key."""
    if any(isinstance(part, int) or "." in part or "\\" in part for part in route):
        return list(route)
    return ".".join(str(part) for part in route)


# Whatever a press touched, by the value it touched.
Touched = Mapping[int, list[tuple[Deed, Touch]]]


def touched_by(presses: Iterable[Pressed]) -> Touched:
    """Every value that any press touched, with the press."""
    found: dict[int, list[tuple[Deed, Touch]]] = {}
    for press in presses:
        for touch in press.touched.values():
            found.setdefault(id(touch.spot), []).append((press.what, touch))
    return found


def sights_of(group: Group, sisters: Iterable[Group], touched: Touched) -> list[Sight]:
    """Every value of a device; where its sisters say the same thing, with what they said."""
    templates: dict[str, list[Mapping[Place, Spot]]] = {part.template: [] for part in group.parts}
    for sister in sisters:
        for part in sister.parts:
            if part.template in templates:
                templates[part.template].append(part.spots)
    blank = next((b for b in ("id", "n") if b in group.blanks), "n")
    found = []
    for part in group.parts:
        told = _is_told(part.template.replace("{at}", ""))
        others = templates[part.template]
        for place, spot in part.spots.items():
            more = [s for spots in others if (s := spots.get(place)) is not None and s is not spot]
            sight = Sight(part, place, spot, blank, [spot, *more], told=told)
            if place.around is not None:
                sight.told = told or _is_told(" ".join(place.around))
            for one in sight.spots:
                sight.touches += touched.get(id(one), [])
            found.append(sight)
    moving = [sight for sight in found if len(sight.own.turns) > 1]
    for sight in moving:
        if not sight.told and not sight.kept:
            sight.told = any(_leads(sight, other) for other in moving if other is not sight)
    return found


@lru_cache(4096)
def _is_told(text: str) -> bool:
    """Is this a place where gear is told, by its words?"""
    return any(piece in COMMANDS for token in re.split(r"[/ ]", text) for piece in pieces_of(token))


def _canonical(value: Scalar) -> object:
    """The same for what means the same on two topics."""
    text = str(value).lower()
    if text in YES["switch"]:
        return True
    if text in NO["switch"]:
        return False
    figure = figure_of(value)
    return text if figure is None else figure


def _leads(one: Sight, other: Sight) -> bool:
    """Is one always followed by the other, which says the same a moment later, if in words of its
    own? Then it is what the device is told, and no report of it."""
    if one.part.topic is other.part.topic or len(one.own.turns) < 2:
        return False
    words = one.two_valued and other.two_valued
    numbers = one.numeric and other.numeric and not (one.two_valued or other.two_valued)
    if not (words or numbers):
        return False
    named = bool(set(one.own_names) & set(other.own_names))
    said = list(other.own.turns)
    means: dict[object, set[object]] = {}
    for at, value in one.own.turns:
        after = next((what for then, what in said if 0.0 < then - at <= ECHO), None)
        if after is None:
            return False
        means.setdefault(_canonical(value), set()).add(_canonical(after))
    if all(after == {value} for value, after in means.items()):
        return True
    # a level that watts follow is no command: they are called otherwise, and say other numbers
    apart = len(means) > 1 and len(set().union(*means.values())) == len(means)
    return apart and all(len(m) == 1 for m in means.values()) and (named or one.two_valued)


def moves_with(
    number: Sight, switch: Mapping[str, bool], turns: Iterable[tuple[float, Scalar]]
) -> int:
    """Does a number go with a switch? 1: it is high while on, -1: while off, 0: it does not.

    What it was last before each turn of the switch counts: by then it has settled.
    """
    changes = sorted(turns, key=lambda turn: turn[0])
    on: list[float] = []
    off: list[float] = []
    said = [(at, figure_of(value)) for at, value in number.own.turns]
    for i, (start, word) in enumerate(changes):
        end = changes[i + 1][0] if i + 1 < len(changes) else float("inf")
        yes = switch.get(str(word).lower())
        last = [figure for at, figure in said if at < end and figure is not None]
        after = [figure for at, figure in said if start <= at < end and figure is not None]
        if yes is None or not last or (not after and i + 1 == len(changes)):
            continue
        (on if yes else off).append(after[-1] if after else last[-1])
    if not on or not off:
        return 0
    if min(on) > max(off) + 0.5 and max(off) <= 0.25 * min(on):
        return 1
    if min(off) > max(on) + 0.5 and max(on) <= 0.25 * min(off):
        return -1
    return 0
