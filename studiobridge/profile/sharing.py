"""Who is told and heard where: blanks filled, and nobody takes a message for another's.

Several outlets may share a topic when something constant in each message says whose it is. And
what the bridge tells must never be heard by it as a report: its own word would prove itself.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field

from studiobridge.profile.model import (
    POINTS,
    TOLD,
    YES_NO,
    Dialect,
    HearMap,
    Point,
    Scalar,
    TellMap,
    Words,
)
from studiobridge.profile.shape import DeviceShape
from studiobridge.profile.template import (
    ANY,
    AT,
    FADE,
    NUMERIC,
    PARTS,
    PLACE,
    VALUE,
    Route,
    Text,
    as_text,
    fill_json,
    fill_route,
    fill_scalar,
    fill_text,
    leaves_of,
    names_in,
    route_of,
)

# what a dialect's own places are called; a blank of a device may not be called that
PLACES = frozenset({VALUE, FADE, ANY, AT, *POINTS, *PARTS})
# what somebody meant as a place or a blank, and is none: braces around a word
_MEANT = re.compile(r"\{[A-Za-z_][^{}\"']{0,40}\}")
# what a JSON document with fields in it begins with
_OPENS = frozenset("{[")
_PLACE_IN_LIST = re.compile(r"[0-9]{1,6}")


@dataclass(frozen=True, slots=True)
class Told:
    """What one device is told (or asked) on a topic: a text, or a document taken apart."""

    device: str
    topic: str
    text: Text | None
    signs: Mapping[Route, str] = field(default_factory=dict)
    places: frozenset[Route] = frozenset()
    # a text that begins or ends with a value: what that may be spelt with; None: anything
    first: frozenset[str] | None = None
    last: frozenset[str] | None = None

    @property
    def document(self) -> bool:
        """May this text be a JSON document? A word that is told may be a whole one."""
        if self.text is None:
            return True
        begins = self.text.literals[0].lstrip()
        if begins or not self.text.names:
            return begins[:1] in _OPENS
        return self.first is None or not _OPENS.isdisjoint(self.first)

    def apart(self, other: Told) -> bool:
        """Can a device tell a message to it from one to the other?"""
        if (self.text is None) != (other.text is None):
            return not (self.document and other.document)
        if self.text is not None and other.text is not None:
            return self.text.apart(other.text)
        return _differ(self.signs, other.signs) or not self.places & other.places


@dataclass(frozen=True, slots=True)
class Heard:
    """Where one point of a device is heard."""

    device: str
    point: Point
    topic: str
    route: Route | None
    text: Text | None
    place: int
    signs: Mapping[Route, str]
    words: bool

    def apart(self, other: Heard) -> bool:
        """Is no message about both, as long as they are not of one device?"""
        if self.route != other.route or _differ(self.signs, other.signs):
            return True
        if self.text is None or other.text is None:
            return False
        if self.text.literals == other.text.literals:
            return self.place != other.place  # one message about both, each in its place
        return self.text.apart(other.text)

    def same(self, other: Heard) -> bool:
        """Are two points of one device heard as the very same thing?"""
        if self.route != other.route or dict(self.signs) != dict(other.signs):
            return False
        if self.text is not None and other.text is not None:
            return self.text.literals == other.text.literals and self.place == other.place
        return self.text is other.text

    def takes(self, told: Told) -> bool:
        """Might this be read from what is told there?"""
        if told.text is None:
            if self.route is None:
                return True  # it could not be read, each time
            if _differ(self.signs, told.signs):
                return False
            mine, there = self.route, (*told.signs, *told.places)
            return any(r[: len(mine)] == mine or mine[: len(r)] == r for r in there)
        if self.route is not None:
            return told.document
        if self.text is None:
            return True
        begins, ends = self.text.literals[0][:1], self.text.literals[-1][-1:]
        if told.first is not None and begins and begins not in told.first:
            return False
        if told.last is not None and ends and ends not in told.last:
            return False
        return not self.text.apart(told.text)


def _differ(one: Mapping[Route, str], other: Mapping[Route, str]) -> bool:
    return any(other.get(route, word) != word for route, word in one.items())


@dataclass(slots=True)
class Wrong:
    """What is wrong with a device's place among the others, and what to do."""

    what: str
    todo: str = ""
    # at the device's `at:`, or at the device itself
    at: bool = False


class Sharing:
    """Every topic of a set and who has it."""

    def __init__(self) -> None:
        self._told: dict[str, list[Told]] = {}
        self._heard: dict[str, list[Heard]] = {}

    def take(self, name: str, shape: DeviceShape, dialect: Dialect) -> Iterable[Wrong]:
        """Fill the blanks of a device and find its place. What is wrong stops it there."""
        blanks: dict[str, Scalar] = dict(shape.blanks)
        if shape.at is not None:
            blanks[AT] = shape.at
        found = _unfilled(name, dialect, blanks) or _badly_filled(dialect, blanks)
        if found is not None:
            yield found
            return
        told, heard = _told_by(name, dialect, blanks), _heard_by(name, dialect, blanks)
        for topic in dict.fromkeys([t.topic for t in told] + [h.topic for h in heard]):
            if "+" in topic or "#" in topic or topic.split("/")[0] == "studiobridge":
                yield Wrong(f"the topic '{topic}' cannot be used", at=True)
                return
        unused = set(shape.blanks) - set(_names(dialect))
        for blank in sorted(unused & set(shape.blanks)):
            yield Wrong(
                f"'{name}' fills a blank '{blank}' that its dialect does not have",
                f"write {{{blank}}} in '{dialect.name}' where it goes, or leave it out",
            )
            return
        yield from self._among(name, told, heard)

    def on(self, root: str) -> tuple[str, str] | None:
        """A device that is told or heard below this topic, and where; None when none is."""
        for topics in (self._told, self._heard):
            for topic, users in topics.items():
                if users and topic.startswith(root + "/"):
                    return users[0].device, topic
        return None

    def _among(self, name: str, told: list[Told], heard: list[Heard]) -> Iterable[Wrong]:
        for i, one in enumerate(heard):
            for other in heard[:i]:
                worded = one.words and other.words  # each takes its own words from it
                if one.topic == other.topic and one.same(other) and not worded:
                    yield Wrong(
                        f"two points of '{name}' are heard as the same thing: '{other.point}'"
                        f" and '{one.point}'",
                        "give each 'words' of its own, or its own place",
                    )
                    return
        for command in told:
            for before in self._told.get(command.topic, ()):
                if not command.apart(before):
                    yield _shared(name, before.device, command.topic)
                    return
        for one in heard:
            for other in self._heard.get(one.topic, ()):
                if not one.apart(other):
                    yield _shared(name, other.device, one.topic)
                    return
        for command in told:
            self._told.setdefault(command.topic, []).append(command)
        for one in heard:
            self._heard.setdefault(one.topic, []).append(one)
        for command in told:
            for hearing in self._heard.get(command.topic, ()):
                if hearing.takes(command):
                    yield _echo(name, hearing.device, command.topic)
                    return
        for hearing in heard:
            for command in self._told.get(hearing.topic, ()):
                if hearing.takes(command):
                    yield _echo(command.device, name, hearing.topic)
                    return


def _shared(name: str, other: str, topic: str) -> Wrong:
    return Wrong(
        f"'{name}' and '{other}' both use '{topic}'",
        "give each its own place ('at:'), or something constant in each message that says whose"
        " it is ('where:' in what is heard)",
        at=True,
    )


def _echo(told: str, heard: str, topic: str) -> Wrong:
    return Wrong(
        f"what '{told}' is told on '{topic}' would be heard as a report of '{heard}': the bridge's"
        " own word proves nothing",
        "hear it on another topic, or by a 'pattern' or 'where' that no command fits",
        at=True,
    )


# ---- blanks --------------------------------------------------------------------------------


def _templates(dialect: Dialect) -> Iterable[tuple[str, object, frozenset[str]]]:
    """Everything in a dialect that may have braces in it, with the places it may have."""
    none: frozenset[str] = frozenset()
    values = frozenset({VALUE, FADE}) | PARTS | (TOLD - {"shut_down", "colour"})
    for tell in dialect.tell.values():
        yield "topic", tell.topic, none
        if tell.json is not None:
            yield "json", tell.json, values
        else:
            yield "payload", tell.payload or "", values
    for hear in dialect.hear.values():
        yield "topic", hear.topic, none
        for field_ in _fields(hear):
            yield "field", [part for part in route_of(field_) if isinstance(part, str)], none
        if hear.pattern is not None:
            yield "pattern", hear.pattern, frozenset({VALUE, ANY, *POINTS, *PARTS})
        yield "where", dict(hear.where), none
    for ask in dialect.asks:
        yield "topic", ask.topic, none
        yield "payload", ask.payload, none


def _names(dialect: Dialect) -> Iterable[str]:
    for _, template, _ in _templates(dialect):
        yield from names_in(template)


def _unfilled(name: str, dialect: Dialect, blanks: Mapping[str, Scalar]) -> Wrong | None:
    """A name in braces that is neither a place nor filled."""
    for what, template, places in _templates(dialect):
        shown = str(template if isinstance(template, str) else names_in(template))
        for blank in names_in(template):
            if blank in places or (blank in blanks and blank not in PLACES - {AT}):
                continue
            if blank == AT:
                return Wrong(f"'{name}' does not say where it is", "add 'at:'")
            if blank in PLACES:
                return Wrong(
                    f"{{{blank}}} has no place in the {what} '{shown}'", "take the braces away"
                )
            return Wrong(
                f"the {what} '{shown}' has a blank '{blank}' that '{name}' does not fill",
                f"add 'blanks: {{{blank}: ...}}'",
            )
        for text in _texts(template):
            meant = _MEANT.search(PLACE.sub("", text))
            if meant is not None:
                return Wrong(
                    f"{meant[0]} in the {what} is neither a place nor a blank",
                    "names in braces are a-z, 0-9, hyphens and underscores",
                )
    return None


def _badly_filled(dialect: Dialect, blanks: Mapping[str, Scalar]) -> Wrong | None:
    for blank, value in blanks.items():
        if blank in PLACES - {AT}:
            return Wrong(f"'{blank}' is a word of dialects", "call the blank something else")
        if isinstance(value, str) and ("{" in value or "}" in value):
            return Wrong(f"the blank '{blank}' has braces in it", "it is put in as it is")
    return None


def _texts(template: object) -> Iterable[str]:
    if isinstance(template, str):
        yield template
    elif isinstance(template, dict):
        for key, part in template.items():
            yield str(key)
            yield from _texts(part)
    elif isinstance(template, list):
        for part in template:
            yield from _texts(part)


def spelt(
    point: Point, form: Text, rules: Mapping[Point, TellMap] | Mapping[Point, HearMap]
) -> dict[str, frozenset[str] | None]:
    """What may stand in each place of a text that is no number."""
    found: dict[str, frozenset[str] | None] = {ANY: None}
    for name in form.names:
        other = point if name == VALUE else name
        if other in YES_NO:
            rule = rules.get(other)  # type: ignore[call-overload]
            words = Words(True, False) if rule is None or rule.words is None else rule.words
            every = (*words.all_yes, *words.all_no)
            found[name] = frozenset("".join(as_text(word) for word in every))
        elif other in POINTS and other not in rules and other != point:
            found[name] = None  # nobody has said how it is spelt
    return found


# ---- filled in -----------------------------------------------------------------------------


def _told_by(name: str, dialect: Dialect, blanks: Mapping[str, Scalar]) -> list[Told]:
    found = []
    for point, tell in dialect.tell.items():
        topic = fill_text(tell.topic, blanks)
        if tell.json is None:
            text = Text.of(fill_text(tell.payload or "", blanks))
            chars = spelt(point, text, dialect.tell)
            first = chars.get(text.names[0], NUMERIC) if text.names else None
            last = chars.get(text.names[-1], NUMERIC) if text.names else None
            found.append(
                Told(
                    name,
                    topic,
                    text,
                    first=None if text.literals[0] else first,
                    last=None if text.literals[-1] else last,
                )
            )
            continue
        signs, places = {}, set()
        for route, leaf in leaves_of(fill_json(tell.json, blanks)):
            if isinstance(leaf, str) and PLACE.search(leaf):
                places.add(_one_way(route))
            elif isinstance(leaf, str | int | float | bool):
                signs[_one_way(route)] = as_text(leaf)
        found.append(Told(name, topic, None, signs, frozenset(places)))
    for ask in dialect.asks:
        payload = fill_text(ask.payload, blanks)
        found.append(Told(name, fill_text(ask.topic, blanks), Text((payload,), ())))
    return found


def _fields(hear: HearMap) -> Iterable[str | tuple[str | int, ...]]:
    """Where in a document it is heard: in one place, or each part of a colour in its own."""
    if hear.field is not None:
        yield hear.field
    elif hear.colour is not None:
        yield from hear.colour.fields or ()


def _one_way(route: Route) -> Route:
    """A place spelt in one way: in a list, the text `0` and `00` are where the number 0 is."""
    return tuple(
        int(part) if isinstance(part, str) and _PLACE_IN_LIST.fullmatch(part) else part
        for part in route
    )


def _heard_by(name: str, dialect: Dialect, blanks: Mapping[str, Scalar]) -> list[Heard]:
    found = []
    for point, hear in dialect.hear.items():
        text, place = None, 0
        if hear.pattern is not None:
            text = Text.of(fill_text(hear.pattern, blanks))
            mine = PARTS if point == "colour" else {VALUE, point}
            own = [i for i, n in enumerate(text.names) if n in mine]
            place = own[0] if own else 0
        fields = tuple(_fields(hear))
        found += [
            Heard(
                name,
                point,
                fill_text(hear.topic, blanks),
                None if field_ is None else _one_way(fill_route(field_, blanks)),
                text,
                place,
                {
                    _one_way(fill_route(where, blanks)): as_text(fill_scalar(is_, blanks))
                    for where, is_ in hear.where.items()
                },
                hear.words is not None and point in YES_NO,
            )
            for field_ in (fields or (None,))
        ]
    return found
