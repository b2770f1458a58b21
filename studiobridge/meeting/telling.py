"""How a device may be told each point: candidates, the likeliest first, and not many of them.

In this order: as the device describes itself (nothing to guess); as somebody else was overheard
to tell it; as another device of the same make is told (the book knows it); and last, common
shapes. Nothing here is ever sent: `trying.py` shows a candidate to a person first.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace

from studiobridge.meeting.described import Described
from studiobridge.meeting.followed import MOVED, Heard, followed, leaves_in, own_topics
from studiobridge.meeting.met import Acquaintance, Half
from studiobridge.meeting.shapes import ASK_WORDS, Form, Place, forms, places, route_in
from studiobridge.meeting.sketch import (
    IT,
    filled,
    sketch_or_none,
    templated,
)
from studiobridge.profile.model import Point
from studiobridge.profile.said import Report
from studiobridge.profile.template import Route, names_in
from studiobridge.speech.encode import CannotRead, json_of

# What a person is asked about, and tried, of one point: more is no guess but a search, and each
# one costs a few seconds with somebody watching the lamp.
MOST = 28
# Where one of the device's other points was found to be told, that much (in steps of how
# far-fetched a shape is) speaks for the same place, and for the same way there.
SAME_TOPIC, SAME_SHAPE, SAME_WORD, SAME_FORM = 6.0, 4.0, 3.0, 1.0
# It moved there, in another form or on another scale: nowhere else, before that is tried out.
HOT = 12.0
# Somebody was heard to speak on that topic, whatever it was: that is no empty guess.
SPOKEN_ON = 3.0
# How many sketches are made to find MOST of them: reading one takes a few milliseconds.
MOST_READ = 240
# A device that is asked answers within (s).
ANSWERED_AFTER = 1.0
# The points that are told, in the order they are tried.
TRIED: tuple[Point, ...] = ("switch", "level", "cct", "colour")


@dataclass(frozen=True, slots=True)
class Candidate:
    """One way to tell a point: its half, and the halves that come with it.

    A form that carries several points (`{"on": .., "dim": ..}`) tells them all, so they are
    learned together.
    """

    half: Half
    along: tuple[Half, ...] = ()

    def on(self, who: Acquaintance) -> Acquaintance:
        """The acquaintance with this for its tell half."""
        along = []
        for half in self.along:
            told = who.half(half.point, "tell")
            same = told is not None and dict(told.rule) == dict(half.rule)
            along.append(told if same and told is not None else half)  # on the ground it has
        new = {half.point for half in (self.half, *along)}
        kept = [h for h in who.halves if h.half == "hear" or h.point not in new]
        return replace(who, halves=(*kept, self.half, *along))


def tellable(who: Acquaintance) -> list[Point]:
    """The points that are heard of it, could be told, and are not known to be, in order."""
    return [
        point
        for point in TRIED
        if who.half(point, "hear") is not None and not _proven(who.half(point, "tell"))
    ]


def _proven(half: Half | None) -> bool:
    return half is not None and half.ground == "seen"


def candidates(
    who: Acquaintance,
    point: Point,
    log: Sequence[Heard] = (),
    known: Sequence[Acquaintance] = (),
    theirs: Collection[str] = (),
    hot: Collection[object] = (),
) -> list[Candidate]:
    """How this point may be told, the most plausible first; at most `MOST`.

    `log`: what was heard on the broker, with its times. `known`: other devices, of which some
    may be of the same make. `theirs`: topics of other devices, on which nothing is guessed. `hot`:
    topics where something came of a message, if not what was told. Only what a set profile would
    take is in the list.
    """
    hear = who.half(point, "hear")
    if hear is None:
        return []
    if who.homie is not None:
        return _described(who, point)
    found: list[Candidate] = []
    seen: set[str] = set()

    def take(half: Half, keep_going: int = MOST) -> bool:
        """Into the list, where a profile takes it and it is not there; False: enough of them."""
        candidate = _whole(who, half)
        mark = repr((half.rule, [h.rule for h in candidate.along]))
        if mark not in seen and sketch_or_none(candidate.on(who)) is not None:
            found.append(candidate)
        seen.add(mark)
        return len(found) < keep_going and len(seen) < MOST_READ

    told = who.half(point, "tell")
    if told is not None:
        take(told)
    bare = sketch_or_none(who)
    if bare is not None:
        for half, _ in followed(who, bare, log, point):
            take(half)
    for half in _of_its_make(who, point, known):
        take(half)
    # what the broker keeps is how something stands, and no place for a guess
    taken = {*theirs, *(h.message.topic for h in log if h.message.retain)}
    for half in _shapes(who, point, log, hot):
        if filled(half.rule["topic"], who.at, who.blanks) not in taken and not take(half):
            break
    return found[:MOST]


def described(who: Acquaintance, log: Sequence[Heard]) -> Acquaintance:
    """A device of Homie 5 with the halves that its description says it has."""
    if who.homie is None or who.halves:
        return who
    book = Described()
    for heard in log:
        book.heard(heard.message)
    device, _, node = who.homie.partition("/")
    found = book.devices.get(device)
    halves: list[Half] = []
    for point, (name, settable) in (found.nodes.get(node, {}) if found else {}).items():
        if point not in TRIED:
            continue
        rule, why = {"property": name}, "it describes itself"
        halves.append(Half(point, "hear", rule, "described", why))
        if settable:
            halves.append(Half(point, "tell", rule, "described", why))
    return replace(who, halves=tuple(halves))


def _described(who: Acquaintance, point: Point) -> list[Candidate]:
    """A device that describes itself says by itself what can be set: nothing is guessed."""
    told = who.half(point, "tell")
    if told is not None:
        return [Candidate(told)]
    return []


def _whole(who: Acquaintance, half: Half) -> Candidate:
    """A half with those its form carries besides: told in the same message, as they are heard."""
    names = set(names_in(half.rule.get("json") or half.rule.get("payload") or ""))
    along = []
    for other in MOVED:
        hear = who.half(other, "hear")
        if other == half.point or other not in names or hear is None:
            continue
        scale = {k: v for k, v in hear.rule.items() if k in ("words", "span", "of", "unit", "step")}
        form = _renamed(half, half.point, other)
        rule = {"topic": half.rule["topic"], **form, **scale}
        why = f"it goes along with {half.point}, in the scale it is heard in"
        along.append(Half(other, "tell", rule, "likely", why))
    return Candidate(half, tuple(along))


def _renamed(half: Half, mine: str, other: str) -> dict[str, object]:
    """The form of a half as another of its points writes it."""
    key = "json" if "json" in half.rule else "payload"

    def renamed(part: object) -> object:
        if isinstance(part, Mapping):
            return {k: renamed(v) for k, v in part.items()}
        if isinstance(part, list):
            return [renamed(v) for v in part]
        if isinstance(part, str):
            return part.replace("{value}", "{" + mine + "}").replace("{" + other + "}", "{value}")
        return part

    return {key: renamed(half.rule[key])}


def _of_its_make(who: Acquaintance, point: Point, known: Sequence[Acquaintance]) -> Iterable[Half]:
    """As a device is told that is heard in the very same way: of the same make, it seems."""
    hear = who.half(point, "hear")
    for other in known:
        theirs, told = other.half(point, "hear"), other.half(point, "tell")
        if hear is None or theirs is None or told is None or other.homie is not None:
            continue
        own = names_in(theirs.rule["topic"]) and not names_in(told.rule["topic"])
        if own and other.at != who.at:
            continue  # it is told where only that one is
        if dict(theirs.rule) == dict(hear.rule) and told.ground != "shape":
            why = f"'{other.name}' is heard in the same way, and is told like this"
            yield Half(point, "tell", told.rule, "likely", why)


def _shapes(
    who: Acquaintance, point: Point, log: Sequence[Heard], hot: Collection[object]
) -> Iterable[Half]:
    """Common shapes, those that follow what is known already first."""
    hear = who.half(point, "hear")
    assert hear is not None
    topic = filled(hear.rule["topic"], who.at, who.blanks)
    steady, last = steady_of(topic, log)
    texts = list(dict.fromkeys(h.message.payload for h in log if h.message.topic == topic))[-40:]
    field = hear.rule.get("field")
    keys = [str(part) for part in route_in(field, last)] if field is not None else []
    keys = [key for key in keys[-1:] if not key.isdigit() and "/" not in key]
    spoken = {h.message.topic for h in log} - own_topics(who)
    told = [h for h in who.halves if h.half == "tell" and h.ground in ("seen", "overheard")]
    topics, shapes, kinds = _found_so_far(who, told, log)
    ranked: list[tuple[float, Place, Form]] = []
    for place in places(topic, keys):
        near = place.far
        near -= SAME_TOPIC if place.topic in topics else 0.0
        same = SAME_WORD if place.shape[-1] in {shape[-1] for shape in shapes} else 0.0
        near -= SAME_SHAPE if place.shape in shapes else same
        near -= HOT if templated(place.topic, who.at) in hot else 0.0
        near -= SPOKEN_ON if place.topic in spoken else 0.0
        for form in forms(who, point, steady, last, texts):
            far = near + form.far - (SAME_FORM if form.kind in kinds else 0.0)
            ranked.append((far, place, form))
    for told_topic in topics - {place.topic for _, place, _ in ranked}:
        place = Place(told_topic, 0.0, ("known",), "where another point of it is told")
        for form in forms(who, point, steady, last, texts):
            far = form.far - SAME_TOPIC - (SAME_FORM if form.kind in kinds else 0.0)
            ranked.append((far, place, form))
    for _, place, form in sorted(ranked, key=lambda r: r[0]):
        rule = {"topic": templated(place.topic, who.at), **form.rule}
        yield Half(point, "tell", rule, "shape", f"a common shape: {place.why}, {form.why}")


def _found_so_far(
    who: Acquaintance, told: Sequence[Half], log: Sequence[Heard]
) -> tuple[set[str], set[tuple[str, ...]], set[str]]:
    """Topics, ways there and forms in which other points of this device are told."""
    topics: set[str] = set()
    shapes: set[tuple[str, ...]] = set()
    kinds: set[str] = set()
    for half in told:
        hear = who.half(half.point, "hear")
        if hear is None:
            continue
        topic = filled(half.rule["topic"], who.at, who.blanks)
        topics.add(topic)
        heard_on = filled(hear.rule["topic"], who.at, who.blanks)
        shapes |= {place.shape for place in places(heard_on) if place.topic == topic}
        kinds.add("field" if "json" in half.rule else "text" if "payload" in half.rule else "plain")
    return topics, shapes, kinds


def steady_of(topic: str, log: Sequence[Heard]) -> tuple[dict[Route, object], object]:
    """What never changed in the documents on a topic, by its place; and the last document.

    With one document nothing is known to stay: counters and uptimes look like anything else.
    """
    steady: dict[Route, object] | None = None
    last: object = None
    count = 0
    for heard in log:
        if heard.message.topic != topic:
            continue
        try:
            document = json_of(heard.message.payload)
        except CannotRead:
            continue
        if not isinstance(document, dict | list):
            continue
        last = document
        count += 1
        leaves = {r: v for r, v in leaves_in(document) if isinstance(v, str | int | float | bool)}
        if steady is None:
            steady = dict(leaves)
        else:
            steady = {r: v for r, v in steady.items() if r in leaves and repr(leaves[r]) == repr(v)}
        if len(steady) > 12:
            steady = {}
    return (steady or {}) if count > 1 else {}, last


def asks(who: Acquaintance, log: Sequence[Heard] = ()) -> list[tuple[Mapping[str, object], str]]:
    """How it may be asked to say how it stands: each with why, the likeliest first."""
    if who.homie is not None:
        return []
    if who.ask:
        first = who.ask if isinstance(who.ask, Mapping) else who.ask[0]
        return [(first, "as it is known to be asked")]
    found = list(asked_before(who, log))
    for half in who.halves:
        if half.half != "hear" or half.point not in TRIED:
            continue
        parts = str(half.rule["topic"]).split("/")
        for word in ASK_WORDS:
            for made in ([*parts, word], [*parts[:-1], word]):
                rule = {"topic": "/".join(made)}
                if len(made) > 1 and rule not in [r for r, _ in found]:
                    found.append((rule, f"a common shape: '{word}' beside where it is heard"))
        break
    # whoever was overheard to ask is tried before shapes
    return [(r, w) for r, w in found if sketch_or_none(replace(who, ask=r)) is not None][:8]


def asked_before(who: Acquaintance, log: Sequence[Heard]) -> list[tuple[Mapping[str, object], str]]:
    """What somebody else said just before the device said anything, each time that it did.

    One and the same message before two different values is no command, or it turns the device
    over: `Trying` sees to that when it asks.
    """
    sketch = sketch_or_none(who)
    if sketch is None:
        return []
    own = own_topics(who)
    values: dict[tuple[str, bytes], list[str]] = {}
    count = 0
    for i, heard in enumerate(log):
        if heard.message.topic not in own or heard.message.retain:
            continue
        said = [s for s in sketch.speech.hear(heard.message, heard.at) if isinstance(s, Report)]
        if not said:
            continue
        count += 1
        before: dict[tuple[str, bytes], None] = {}
        for n in range(i - 1, -1, -1):
            other = log[n]
            if heard.at - other.at > ANSWERED_AFTER:
                break
            if other.message.topic not in own and not other.message.retain:
                before[other.message.topic, other.message.payload] = None
        for mark in before:
            values.setdefault(mark, []).append(repr([s.value for s in said if s.device == IT]))
    found: list[tuple[Mapping[str, object], str]] = []
    for (topic, payload), said_then in values.items():
        if len(said_then) < 2 or len(said_then) < count or len(payload) > 40:
            continue
        if not payload.decode("utf-8", "replace").isprintable():
            continue
        rule: dict[str, object] = {"topic": templated(topic, who.at)}
        if payload:
            rule["payload"] = payload.decode("utf-8", "replace")
        found.append((rule, f"somebody else said it, and {len(said_then)} times it answered"))
    return found
