"""Messages that a state followed: somebody used another switch, or a phone.

What stood on another topic just before the device said something new is taken apart against what
it then said: the place that went along with the value, the words or the scale it was spelt in,
and everything else that never changed. One message that was not followed as it should have been
speaks against all the others on its topic.
"""

from __future__ import annotations

import json
import re
from bisect import bisect_left, bisect_right
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace

from studiobridge.meeting.met import Acquaintance, Half
from studiobridge.meeting.sketch import IT, Sketch, filled, templated
from studiobridge.profile.model import (
    YES_NO,
    HearMap,
    Of,
    Point,
    Scalar,
    Span,
    Value,
    Words,
    figure,
)
from studiobridge.profile.quantity import parse_span, parse_whites
from studiobridge.profile.said import Report
from studiobridge.profile.template import Route
from studiobridge.speech.encode import CannotRead, as_text, decoder, json_of, text_of
from studiobridge.speech.message import Message

# How long (s) after a message a state may still have followed it: an answer that is late by a
# second or two, and a short fade.
FOLLOWS_WITHIN = 3.0
# The latest changes of a point are enough to learn from.
MOST_CHANGES = 60
# What a device says of several points after one message, it says within (s).
SAID_WITHIN = 0.6
# A template from a larger document than this would be anybody's guess.
LARGEST_DOCUMENT = 40
# The scales gear spells a level or a white in when it is not told as it is heard.
SCALES: Mapping[str, tuple[dict[str, object], ...]] = {
    "level": (
        {},
        {"span": "0..255"},
        {"span": "0..254"},
        {"span": "1..254"},
        {"span": "0..1000"},
        {"span": "0..65535"},
        {"unit": "fraction"},
        {"span": "255..0"},
        {"span": "100..0"},
    ),
    "cct": ({}, {"unit": "mired"}),
}
# The points that one message may carry together.
MOVED: tuple[Point, ...] = ("switch", "level", "cct")
# Words for on and off that are told where another pair was heard.
PAIRS: tuple[tuple[Scalar, Scalar], ...] = (
    ("on", "off"),
    ("ON", "OFF"),
    (1, 0),
    ("1", "0"),
    (True, False),
    ("true", "false"),
)


@dataclass(frozen=True, slots=True)
class Heard:
    """A message with the time (s) it came at."""

    at: float
    message: Message


@dataclass(frozen=True, slots=True)
class Pair:
    """What was said on another topic, and what the device then said of itself."""

    message: Message
    value: Value
    # its other points at that moment, as it had said them
    beside: Mapping[Point, Value]


def own_topics(who: Acquaintance) -> set[str]:
    """The topics on which it is heard."""
    return {filled(h.rule.get("topic"), who.at, who.blanks) for h in who.halves if h.half == "hear"}


def scale_of(rule: Mapping[str, object]) -> dict[str, object]:
    """What a rule says of how a value is spelt."""
    return {key: rule[key] for key in ("words", "span", "of", "unit", "step") if key in rule}


def followed(
    who: Acquaintance, sketch: Sketch, log: Sequence[Heard], point: Point
) -> list[tuple[Half, int]]:
    """How this point was told by somebody else, each with how often; the most often first."""
    hear = who.half(point, "hear")
    if hear is None or who.homie is not None:
        return []
    found = []
    for topic, pairs in _pairs(sketch, own_topics(who), log, point).items():
        for rule in _generalised(pairs, point, hear.rule, who):
            times = len(pairs)
            half = Half(
                point,
                "tell",
                {"topic": templated(topic, who.at), **rule},
                "overheard",
                f"somebody else said it there, and {_often(times)} the device followed",
            )
            found.append((half, times))
    return sorted(found, key=lambda f: -f[1])


def _often(times: int) -> str:
    return "once" if times == 1 else f"{times} times"


def _pairs(
    sketch: Sketch, own: set[str], log: Sequence[Heard], point: Point
) -> dict[str, list[Pair]]:
    """By topic: what was said there shortly before the device changed, and to what.

    A topic on which as much was said without anything following is left out.
    """
    state: dict[Point, Value] = {}
    said_at: list[tuple[float, Point, Value]] = []
    changes: list[tuple[float, Value]] = []
    for heard in log:
        for said in sketch.speech.hear(heard.message, heard.at):
            if not isinstance(said, Report) or said.device != IT:
                continue
            before = state.get(said.point)
            state[said.point] = said.value
            said_at.append((heard.at, said.point, said.value))
            fresh = not said.retained and before is not None and before != said.value
            if said.point == point and fresh:
                changes.append((heard.at, said.value))
    times = [heard.at for heard in log]
    pairs: dict[str, list[Pair]] = {}
    used: set[int] = set()
    said_times = [said[0] for said in said_at]
    for at, value in changes[-MOST_CHANGES:]:
        # what goes along with it may be said a moment later, on a topic of its own
        beside = {p: v for _, p, v in said_at[: bisect_right(said_times, at + SAID_WITHIN)][-20:]}
        last: dict[str, int] = {}
        for i in range(bisect_left(times, at - FOLLOWS_WITHIN), bisect_right(times, at)):
            message = log[i].message
            if message.topic not in own and not message.retain:
                last[message.topic] = i
        for topic, i in last.items():
            used.add(i)
            pairs.setdefault(topic, []).append(Pair(log[i].message, value, beside))
    idle: dict[str, int] = {}
    for i, heard in enumerate(log):
        if i not in used and not heard.message.retain:
            idle[heard.message.topic] = idle.get(heard.message.topic, 0) + 1
    # a wish repeated, or for what it is already, changes nothing: as many again are allowed
    return {t: p for t, p in pairs.items() if idle.get(t, 0) <= len(p)}


def _generalised(
    pairs: list[Pair], point: Point, hear: Mapping[str, object], who: Acquaintance
) -> list[dict[str, object]]:
    """The template behind these messages, with its words or scale."""
    documents: list[object] = []
    for pair in pairs:
        try:
            document = json_of(pair.message.payload)
        except CannotRead:
            break
        if not isinstance(document, dict | list):
            break
        documents.append(document)
    if len(documents) == len(pairs):
        return _of_documents(documents, pairs, point, hear, who)
    try:
        texts = [text_of(pair.message.payload) for pair in pairs]
    except CannotRead:
        return []
    return _of_texts(texts, pairs, point, hear)


def _of_documents(
    documents: list[object],
    pairs: list[Pair],
    point: Point,
    hear: Mapping[str, object],
    who: Acquaintance,
) -> list[dict[str, object]]:
    leaves = [dict(leaves_in(document)) for document in documents]
    if any(len(found) > LARGEST_DOCUMENT for found in leaves):
        return []
    rules = []
    for route in leaves[0]:
        column = [found.get(route) for found in leaves]
        scale = _spelt(point, column, [p.value for p in pairs], hear)
        if scale is None:
            continue
        body: dict[Route, object] = {route: "{value}"}
        for other, word in leaves[0].items():
            if other == route:
                continue
            along = [found.get(other) for found in leaves]
            carried = _carried(point, along, pairs, who)
            if carried is not None:
                body[other] = "{" + carried + "}"
            elif all(w == word for w in along) and isinstance(word, str | int | float | bool):
                body[other] = word  # what never changes is part of the form
        template = _built(body)
        if template is not None:
            rules.append({"json": template, **scale})
    return rules


def _carried(
    point: Point, along: Sequence[object], pairs: list[Pair], who: Acquaintance
) -> Point | None:
    """Another point of the device that stands in this place, as it was each time."""
    for half in who.halves:
        if (
            half.half != "hear"
            or half.point == point
            or half.point not in ("switch", "level", "cct")
        ):
            continue
        values = [pair.beside.get(half.point) for pair in pairs]
        if any(v is None for v in values):
            continue
        whole = [v for v in values if v is not None]
        if _reads(half.point, scale_of(half.rule), along, whole):
            return half.point
    return None


_TOKEN = re.compile(r"[^\s:;,=/|&?()<>\[\]{}\"]+")


def _of_texts(
    texts: list[str], pairs: list[Pair], point: Point, hear: Mapping[str, object]
) -> list[dict[str, object]]:
    split = [(_TOKEN.findall(text), _TOKEN.split(text)) for text in texts]
    tokens, between = split[0]
    if any(len(t) != len(tokens) or b != between for t, b in split):
        return []
    rules = []
    for i in range(len(tokens)):
        column: list[object] = [t[i] for t, _ in split]
        scale = _spelt(point, column, [p.value for p in pairs], hear)
        rest = [[w for j, w in enumerate(t) if j != i] for t, _ in split]
        if scale is None or any(r != rest[0] for r in rest) or "{" in "".join(between):
            continue
        parts = [between[0]]
        for j, token in enumerate(tokens):
            parts += ["{value}" if j == i else token, between[j + 1]]
        text = "".join(parts)
        rules.append(scale if text == "{value}" else {"payload": text, **scale})
    return rules


def _spelt(
    point: Point, column: Sequence[object], values: Sequence[Value], hear: Mapping[str, object]
) -> dict[str, object] | None:
    """The words or the scale in which these words are these values; None where there is none."""
    if not all(isinstance(word, str | int | float) for word in column):
        return None
    if point in YES_NO:
        return _words(column, values, hear)
    own = scale_of(hear)
    distinct = {as_text(word) for word in column if isinstance(word, str | int | float)}
    for scale in [own, *(s for s in SCALES.get(point, ()) if s != own)]:
        # one number fits many scales: only the one that is heard is believed for it
        if (len(distinct) > 1 or scale == own) and _reads(point, scale, column, values):
            return scale
    return None


def _words(
    column: Sequence[object], values: Sequence[Value], hear: Mapping[str, object]
) -> dict[str, object] | None:
    yes = [w for w, v in zip(column, values, strict=True) if v is True]
    no = [w for w, v in zip(column, values, strict=True) if v is False]
    if len({repr(w) for w in yes}) > 1 or len({repr(w) for w in no}) > 1:
        return None
    heard = words_of(hear)
    if yes and no:
        return None if as_text(yes[0]) == as_text(no[0]) else _worded(yes[0], no[0])  # type: ignore[arg-type]
    for on, off in [heard, *PAIRS]:
        if (yes and repr(yes[0]) == repr(on)) or (no and repr(no[0]) == repr(off)):
            return _worded(on, off)
        if (yes and as_text(on) == yes[0]) or (no and as_text(off) == no[0]):
            return _worded(as_text(on), as_text(off))
    return None


def _worded(on: Scalar, off: Scalar) -> dict[str, object]:
    return {} if on is True and off is False else {"words": {"on": on, "off": off}}


def words_of(rule: Mapping[str, object]) -> tuple[Scalar, Scalar]:
    """The words for on and off that a rule tells, the first of several."""
    words = rule.get("words")
    if not isinstance(words, Mapping):
        return True, False
    said: list[Scalar] = [True, False]
    for key, word in words.items():
        first = word[0] if isinstance(word, list | tuple) and word else word
        if isinstance(first, str | int | float):
            said[0 if str(key).lower() in ("on", "yes", "true") else 1] = first
    return said[0], said[1]


def _reads(
    point: Point, scale: Mapping[str, object], column: Sequence[object], values: Sequence[Value]
) -> bool:
    """Does this scale make these values of these words, within a step or so?"""
    decode = decoder(point, _rule(scale))
    for raw, value in zip(column, values, strict=True):
        if isinstance(raw, bool) and point not in YES_NO:
            return False
        try:
            read = decode(raw)
        except CannotRead:
            return False
        if isinstance(value, bool) or isinstance(read, bool):
            if read is not value:
                return False
        elif point == "cct":
            if abs(1e6 / figure(read) - 1e6 / max(figure(value), 1.0)) > 3.0:
                return False
        elif abs(figure(read) - figure(value)) > 1.0:
            return False
    return True


def _rule(scale: Mapping[str, object]) -> HearMap:
    """A scale as it is written, in the model's own words."""
    rule = HearMap("")
    if isinstance(scale.get("span"), str):
        rule = replace(rule, span=Span(*parse_span(scale["span"])))
    if scale.get("unit") is not None:
        rule = replace(rule, unit=scale["unit"])  # type: ignore[arg-type]
    if isinstance(scale.get("of"), str):
        first, last, unit = parse_whites(str(scale["of"]))
        rule = replace(rule, of=Of(first, last, "mired" if unit == "mired" else "kelvin"))
    if "words" in scale:
        rule = replace(rule, words=Words(*words_of(scale)))
    return rule


def leaves_in(document: object, at: Route = ()) -> Iterable[tuple[Route, Scalar | None]]:
    if isinstance(document, dict):
        for key, part in document.items():
            yield from leaves_in(part, (*at, str(key)))
    elif isinstance(document, list):
        for i, part in enumerate(document):
            yield from leaves_in(part, (*at, i))
    elif document is None or isinstance(document, str | int | float | bool):
        yield at, document


def _built(body: Mapping[Route, object]) -> object:
    """A document with these leaves; None where their places contradict each other."""
    root: object = [] if isinstance(next(iter(body))[0], int) else {}
    for route, value in sorted(body.items(), key=lambda item: json.dumps(item[0])):
        place = root
        for part, then in zip(route, (*route[1:], None), strict=True):
            below: object = value if then is None else ([] if isinstance(then, int) else {})
            if isinstance(place, list) and isinstance(part, int):
                place.extend([None] * (part + 1 - len(place)))
                if then is None or place[part] is None:
                    place[part] = below
                place = place[part]
            elif isinstance(place, dict):
                if then is None:
                    place[str(part)] = below
                place = place.setdefault(str(part), below)
            else:
                return None
    return root
