"""Topics into likely devices: where in a topic its device's own name stands, and who shares one.

The two questions, and what answers them:

- Which piece of a topic is the device's? One beside which others stand in the same place and say
  the same kind of thing (`a/lamp1/out`, `a/lamp2/out`), or one that looks like a name. Beside a
  piece that says what is meant (`a/lamp1/out`, `a/lamp1/meter`) the others say something else.
- Is a topic one device's? Not where a field says whose each message is, and the other values
  stand still once it is looked at by that field.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from functools import lru_cache

from studiobridge.meeting.overheard import Sign, Spot, Topic
from studiobridge.meeting.parts import Place
from studiobridge.meeting.vocabulary import IDS, NO, ORDINARY, YES
from studiobridge.profile.model import Scalar

# From this score on a piece is taken for a device's name, the rightmost first.
GOOD = 1.5
# So many messages of each on a topic before a field that is not called like one may say whose
# they are; and so much less must change by itself then.
OFTEN, STILLER = 3, 0.5
# No device speaks on more topics: what has more is no device, and only so much of it is looked at.
MOST_PARTS = 40
_END = re.compile(r"[0-9]+\Z")
_HEXADECIMAL = re.compile(r"[0-9a-fA-F]{6,}\Z")


@dataclass(frozen=True, slots=True)
class Part:
    """What one device says on one topic. `template` is the topic with `{at}` and its blanks in
    it; `sign` says which of the messages are its own, None where all are."""

    template: str
    topic: Topic
    sign: Sign = None

    @property
    def spots(self) -> Mapping[Place, Spot]:
        return self.topic.spots.get(self.sign, {})


@dataclass(slots=True)
class Group:
    """One likely device: what fills its blanks, and where it speaks."""

    at: str
    parts: list[Part]
    blanks: dict[str, Scalar] = field(default_factory=dict)

    @property
    def head(self) -> str:
        """What its place has in common with its sisters'."""
        return self.at.rpartition("/")[0]


def groups_of(topics: Iterable[Topic]) -> list[Group]:
    """The likely devices behind these topics, in the order they were first heard."""
    # what there was no room for, or what only describes itself, is nobody's here
    listed = [t for t in topics if t.mine or t.forms.keys() & {"bytes", "long"}]
    pieces = {topic.name: topic.name.split("/") for topic in listed}
    index = _Index(listed, pieces)
    keyed: dict[tuple[tuple[str, ...], str], list[tuple[Topic, int]]] = {}
    for topic in listed:
        tokens = pieces[topic.name]
        where = index.place_of(topic)
        before = tuple(t for t in tokens[:where] if not ordinary(t))
        keyed.setdefault((before, tokens[where]), []).append((topic, where))
    _join_apart(keyed, index)
    groups = [_group(members, pieces) for members in keyed.values()]
    _join_outlets(groups)
    return [one for group in groups for one in _sharers(group)]


# ---- which piece is the device's ------------------------------------------------------------


@lru_cache(8192)
def ordinary(token: str) -> bool:
    """Is this a word that says what is meant, and not who?"""
    words = [word for word in re.split(r"[-_.]|(?<=[a-z])(?=[A-Z])", token) if word]
    small = [word.lower() for word in words]
    return bool(small) and all(word in ORDINARY for word in small)


def _looks(token: str) -> float:
    """How much it looks like a name of a device: -4 for a word that means something."""
    if not token:
        return -9.0
    if ordinary(token):
        return -4.0
    if token.isdigit():
        return 0.5
    base = _END.sub("", token).rstrip("-_")
    if base != token and (not base or ordinary(base)):
        return 0.5  # out1, ch2: a part of a device
    if any(c.isdigit() for c in token) or _HEXADECIMAL.fullmatch(token):
        return 2.0
    return 0.0


class _Index:
    """Topics by their shape with one piece left open."""

    def __init__(self, topics: list[Topic], pieces: Mapping[str, list[str]]) -> None:
        self.pieces = pieces
        self.kinds = {topic.name: _kind(topic) for topic in topics}
        self.shapes: dict[tuple[int, str, str], list[str]] = {}
        for topic in topics:
            for shape in self._shapes(pieces[topic.name]):
                peers = self.shapes.setdefault(shape, [])
                if len(peers) < 40:  # as good as any number
                    peers.append(topic.name)

    @staticmethod
    def _shapes(tokens: list[str]) -> list[tuple[int, str, str]]:
        return [(i, "/".join(tokens[:i]), "/".join(tokens[i + 1 :])) for i in range(len(tokens))]

    def place_of(self, topic: Topic) -> int:
        tokens = self.pieces[topic.name]
        scores = [
            _looks(token) + (self._beside(topic.name, i, shape) if not ordinary(token) else 0.0)
            for i, (token, shape) in enumerate(zip(tokens, self._shapes(tokens), strict=True))
        ]
        good = [i for i, score in enumerate(scores) if score >= GOOD]
        if good:
            return good[-1]
        best = max(scores)
        return max(i for i, score in enumerate(scores) if score == best)

    def _beside(self, name: str, i: int, shape: tuple[int, str, str]) -> float:
        """What stands in the same place, and whether it says the same kind of thing."""
        mine = self.kinds[name]
        alike, unlike = 0.0, 0
        for other in self.shapes[shape]:
            if other == name:
                continue
            if ordinary(self.pieces[other][i]):
                unlike += 1
                continue
            how = mine.alike(self.kinds[other])
            alike, unlike = max(alike, how), unlike + (how == 0.0)
        if alike:
            return alike
        return -1.5 if unlike else 0.0

    def alike(self, one: str, other: str) -> bool:
        return self.kinds[one].alike(self.kinds[other]) > 0


@dataclass(frozen=True, slots=True)
class _Kind:
    """What kind of thing a topic says, to compare it with another."""

    form: str
    fields: frozenset[object]
    words: frozenset[str]

    def alike(self, other: _Kind) -> float:
        """2 and more for the same kind of thing, 0 for another; two numbers are a weak sign."""
        if self.form != other.form:
            return 0.0
        if self.form in ("number", "bytes", "long"):
            return 1.0
        if self.form == "document" or self.form == "text":
            both, either = self.fields & other.fields, self.fields | other.fields
            return 2.5 if either and len(both) * 2 >= len(either) else 0.0
        if self.words & other.words:
            return 2.5
        mine, others = _families(self.words), _families(other.words)
        return 2.0 if mine & others else 0.0


def _families(words: frozenset[str]) -> set[str]:
    if not words:
        return set()
    return {p for p in YES if words <= YES[p] | NO[p]}


def _kind(topic: Topic) -> _Kind:
    form = max(topic.forms, key=lambda f: topic.forms[f], default="empty")
    if form == "empty" and len(topic.forms) > 1:
        form = next(f for f in topic.forms if f != "empty")
    if form == "document":
        return _Kind(form, frozenset(place.route for place in topic.mine), frozenset())
    if form == "text":
        return _Kind(form, frozenset(place.around for place in topic.mine), frozenset())
    words: set[str] = set()
    for spot in topic.mine.values():
        words |= {str(word).lower() for word in spot.values}
    if form == "number" and words <= {"0", "1"}:
        form = "word"
    return _Kind(form, frozenset(), frozenset(words))


# ---- topics of one device --------------------------------------------------------------------


def _join_apart(
    keyed: dict[tuple[tuple[str, ...], str], list[tuple[Topic, int]]], index: _Index
) -> None:
    """`ist/lamp7` and `watt/lamp7`: the name stands last, and before it what is meant, in words
    nobody knows. What says the same kind of thing is two devices in two places instead."""
    by_name: dict[str, list[tuple[tuple[str, ...], str]]] = {}
    for key in keyed:
        if _looks(key[1]) >= 2.0 and len(key[0]) >= 1:
            by_name.setdefault(key[1], []).append(key)
    for keys in by_name.values():
        for key in keys[1:]:
            first = keys[0]
            if len(first[0]) != len(key[0]) or first[0][:-1] != key[0][:-1]:
                continue
            if any(
                index.alike(one.name, other.name)
                for one, _ in keyed[first]
                for other, _ in keyed[key]
            ):
                continue
            keyed[first] += keyed.pop(key)


def _group(members: list[tuple[Topic, int]], pieces: Mapping[str, list[str]]) -> Group:
    """Its topics with `{at}` in them: all up to its name where that is the same each time."""
    fronts = {tuple(pieces[topic.name][: where + 1]) for topic, where in members}
    front = next(iter(fronts))
    whole = len(fronts) == 1 and not any(ordinary(token) for token in front[:-1])
    parts = []
    for topic, where in members[:MOST_PARTS]:
        tokens = pieces[topic.name]
        start = 0 if whole else where
        template = "/".join([*tokens[:start], "{at}", *tokens[where + 1 :]])
        parts.append(Part(template, topic))
    return Group("/".join(front) if whole else front[-1], parts)


def _join_outlets(groups: list[Group]) -> None:
    """`box/1/out`, `box/2/out` and `box/alive`: what the box says is said of each outlet."""
    by_at = {group.at: group for group in groups}
    children: dict[str, list[Group]] = {}
    for group in groups:
        token = group.at.rpartition("/")[2]
        # an outlet is a number or a part of a device by its looks: out1, ch2
        if group.head in by_at and not ordinary(token) and _looks(token) == 0.5:
            children.setdefault(group.head, []).append(group)
    for at, outlets in children.items():
        box = by_at[at]
        groups.remove(box)
        for outlet in outlets:
            token = outlet.at.rpartition("/")[2]
            outlet.at = at
            outlet.blanks["n"] = int(token) if _plain_number(token) else token
            outlet.parts = [
                Part(p.template.replace("{at}", "{at}/{n}", 1), p.topic, p.sign)
                for p in outlet.parts
            ] + list(box.parts)


def _plain_number(token: str) -> bool:
    return token.isdigit() and len(token) <= 6 and str(int(token)) == token


# ---- devices of one topic --------------------------------------------------------------------


def _sharers(group: Group) -> list[Group]:
    """A group on whose topics a field says whose each message is, as its several devices."""
    shared = {part.topic.name: _sign_of(part.topic) for part in group.parts}
    if not any(shared.values()):
        return [group]
    blank = "n" if "n" not in group.blanks else "id"
    owners: dict[str, list[Part]] = {}
    values: dict[str, Scalar] = {}
    common = []
    for part in group.parts:
        place = shared[part.topic.name]
        if place is None:
            common.append(part)
            continue
        for sign in part.topic.spots:
            if sign is not None and sign[0] == place:
                owners.setdefault(str(sign[1]), []).append(Part(part.template, part.topic, sign))
                values.setdefault(str(sign[1]), sign[1])
    return [
        Group(group.at, (parts + common)[:MOST_PARTS], {**group.blanks, blank: _blank(values[who])})
        for who, parts in sorted(owners.items(), key=lambda o: _counted(values[o[0]]))
    ]


def _counted(value: Scalar) -> tuple[bool, int, str]:
    """Where it stands among its sharers: numbers as they count, names as they are spelt."""
    text = str(value)
    return (not text.isdigit(), int(text) if _plain_number(text) else 0, text)


def _blank(value: Scalar) -> Scalar:
    """A number of a text is one: `{n}` stands there as it is spelt."""
    if isinstance(value, str) and _plain_number(value):
        return int(value)
    return value


def _sign_of(topic: Topic) -> Place | None:
    """The field that says whose each message on this topic is; None where all are of one."""
    best: tuple[float, Place] | None = None
    for place, tried in topic.signs.items():
        streams = {s: spots for s, spots in topic.spots.items() if s is not None and s[0] == place}
        if not tried or len(streams) < 2:
            continue
        named = place.route and str(place.route[-1]).lower() in IDS
        others = [spot for p, spot in topic.mine.items() if p != place]
        together = sum(spot.changes for spot in others)
        apart = sum(spot.changes for spots in streams.values() for spot in spots.values())
        still = 1.0 - apart / together if together else 0.0
        sign = topic.mine.get(place)
        turns = sign.changes if sign is not None else 0
        often = OFTEN if place.around is None else OFTEN - 1
        heard = [max((s.count for s in spots.values()), default=0) for spots in streams.values()]
        steady = sum(count >= often for count in heard)
        if named:
            # some of its fields may differ only now and then: what stands still must not move more
            if still < 0.0 or (turns < 1):
                continue
            score = 1.0 + still
        else:
            if steady < max(2, 0.7 * len(heard)) or turns < 2 * often - 1 or still < STILLER:
                continue
            score = still
        if best is None or score > best[0]:
            best = (score, place)
    return best[1] if best is not None else None
