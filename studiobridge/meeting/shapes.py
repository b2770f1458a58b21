"""Common shapes: where gear is told, seen from where it is heard, and in what form.

Nobody's layout: words that people choose for "told" and "heard", and the few places in a topic
where such a word stands. What is guessed here is told to a device only after a person's yes.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

from studiobridge.meeting.followed import MOVED, PAIRS, SCALES, scale_of, words_of
from studiobridge.meeting.met import Acquaintance
from studiobridge.profile.model import YES_NO, Point
from studiobridge.profile.template import Route, Text, route_of

# Words for "this is told", the usual ones first (common practice).
TOLD_WORDS = ("set", "cmd", "command", "do", "in", "put", "tell", "control", "to", "write", "want")
# So many of them are looked for at the beginning and in the middle of a topic, too.
USUAL = 4
# A word for what is heard, and the words that stand for its other half.
OPPOSITES: Mapping[str, tuple[str, ...]] = {
    "is": ("do", "be", "set"),
    "out": ("in",),
    "output": ("input",),
    "state": ("set", "cmd", "command", "do"),
    "status": ("set", "cmd", "command", "control"),
    "report": ("command", "set", "do"),
    "actual": ("target",),
    "current": ("target",),
    "now": ("want", "set"),
    "says": ("tell", "do"),
    "said": ("say", "told"),
    "heard": ("told", "tell"),
    "from": ("to",),
    "up": ("down",),
    "tx": ("rx",),
    "get": ("set",),
    "read": ("write",),
    "pub": ("sub",),
    "event": ("command",),
    "events": ("commands",),
    "reply": ("request",),
    "answer": ("ask", "request"),
    "feedback": ("control", "command"),
    "outbox": ("inbox",),
    # the same in other languages
    "ist": ("soll",),
    "est": ("faire",),
}
# The words by which a device is asked to say how it stands.
ASK_WORDS = ("get", "ask", "report", "query", "read")
# A list that is told has no more places than this.
MOST_PLACES = 64


@dataclass(frozen=True, slots=True)
class Place:
    """A topic where it may be told: how far-fetched that is, what was done to the heard one."""

    topic: str
    far: float
    shape: tuple[str, ...]
    why: str


@dataclass(frozen=True, slots=True)
class Form:
    """What may be told: a rule without its topic, how far-fetched, its kind, and in words."""

    rule: Mapping[str, object]
    far: float
    kind: str
    why: str


# ---- where ------------------------------------------------------------------------------------


def places(topic: str, keys: Sequence[str] = ()) -> list[Place]:
    """The topics where what is heard on this one may be told, the least far-fetched first.

    `keys`: the names of the field it is heard in, which may be a part of the topic.
    """
    parts = topic.split("/")
    last, before = parts[-1], parts[:-1]
    found: dict[str, Place] = {}

    def add(made: Sequence[str], far: float, shape: tuple[str, ...], why: str) -> None:
        to = "/".join(made)
        if to and (to not in found or found[to].far > far):
            found[to] = Place(to, far, shape, why)

    for i, part in enumerate(parts):
        # the nearer to the end, the likelier it is the part that says which half this is
        far = 0.0 if i == len(parts) - 1 else 1.5
        for word, others in _opposites(part):
            for n, other in enumerate(others):
                made = [*parts[:i], other, *parts[i + 1 :]]
                add(made, far + 0.4 * n, ("turn", word, other), f"'{word}' turned to '{other}'")
    for n, word in enumerate(TOLD_WORDS):
        less = 0.35 * n
        add([*parts, word], 1.0 + less, ("after", word), f"'{word}' after where it is heard")
        if before:
            add([*before, word], 1.3 + less, ("last", word), f"'{word}' for the last part")
        if n >= USUAL:
            continue  # elsewhere in a topic only the usual words
        if before:
            why = f"'{word}' before the last part"
            add([*before, word, last], 2.0 + less, ("before", word), why)
        add([word, *parts], 2.0 + less, ("front", word), f"'{word}' in front")
        if len(parts) > 1:
            add([word, *parts[1:]], 2.6 + less, ("first", word), f"'{word}' for the first part")
        for key in keys:
            add([*before, key, word], 2.6 + less, ("key", word), f"'{key}/{word}' beside it")
            add([*before, word, key], 3.0 + less, ("key2", word), f"'{word}/{key}' beside it")
    for key in keys:
        add([*before, key], 4.0, ("key",), f"'{key}' beside where it is heard")
    if before:
        add(before, 3.6, ("parent",), "one part less than where it is heard")
    add(parts, 2.0, ("same",), "where it is heard, in a form of its own")
    return sorted(found.values(), key=lambda p: p.far)


def _opposites(part: str) -> Iterable[tuple[str, tuple[str, ...]]]:
    """What a part of a topic would be called in the other direction; inside it, too: '1-out'."""
    tokens = re.split(r"([-_.:])", part)
    for i, token in enumerate(tokens):
        others = OPPOSITES.get(token.lower())
        if others:
            turned = (
                "".join([*tokens[:i], _cased(other, token), *tokens[i + 1 :]]) for other in others
            )
            yield part, tuple(turned)


def _cased(word: str, like: str) -> str:
    return word.upper() if like.isupper() else word.title() if like.istitle() else word


# ---- in what form -----------------------------------------------------------------------------


def forms(
    who: Acquaintance,
    point: Point,
    steady: Mapping[Route, object],
    last: object,
    texts: Sequence[bytes] = (),
) -> list[Form]:
    """The forms in which a point may be told that is heard like this.

    `steady`: what never changed in the documents it is heard in, by its place; `last`: the last
    of them; `texts`: the different payloads on its topic.
    """
    hear = who.half(point, "hear")
    assert hear is not None
    rule = hear.rule
    own = scale_of(rule)
    field, pattern = rule.get("field"), rule.get("pattern")
    if field is None and pattern is None:
        found = [Form(own, 0.0, "plain", "in the words it is heard in")]
    elif field is None:
        found = _text_forms(who, point, str(pattern), own, texts)
    else:
        found = _document_forms(who, point, rule, steady, last)
    return found + _otherwise(found[0], point, own)


def _text_forms(
    who: Acquaintance, point: Point, pattern: str, own: dict[str, object], texts: Sequence[bytes]
) -> list[Form]:
    whole = _without_any(_with_others(who, point, pattern), texts)
    found = []
    if whole is not None:
        text = whole.replace("{" + point + "}", "{value}")
        found.append(Form({"payload": text, **own}, 0.0, "text", "in the form it is heard in"))
    found.append(Form(own, 0.8, "plain", "the bare value"))
    return found


def _with_others(who: Acquaintance, point: Point, pattern: str) -> str:
    """A pattern with the other points of the device where only `{any}` stands in this one's."""
    hear = who.half(point, "hear")
    form = Text.of(pattern)
    names = list(form.names)
    for half in who.halves:
        if half.half != "hear" or half.point == point or half.point not in MOVED or hear is None:
            continue
        other = half.rule.get("pattern")
        if not isinstance(other, str) or half.rule.get("topic") != hear.rule.get("topic"):
            continue
        theirs = Text.of(other)
        if theirs.literals != form.literals or half.rule.get("field") != hear.rule.get("field"):
            continue
        for i, name in enumerate(theirs.names):
            if names[i] == "any" and name in ("value", half.point):
                names[i] = half.point
    return str(Text(form.literals, tuple(names)))


def _without_any(pattern: str, texts: Sequence[bytes]) -> str | None:
    """A pattern with what always stood in its `{any}`; None where that was not always the same."""
    if "{any}" not in pattern:
        return pattern
    form = Text.of(pattern)
    stood: list[set[str]] = [set() for _ in form.names]
    for text in texts:
        for i in range(len(form.names)):
            found = form.read_one(text.decode("utf-8", "replace"), i)
            if found is not None:
                stood[i].add(found)
    out = [form.literals[0]]
    for name, words, literal in zip(form.names, stood, form.literals[1:], strict=True):
        if name != "any":
            out += ["{" + name + "}", literal]
        elif len(words) == 1:
            out += [words.pop(), literal]
        else:
            return None
    return "".join(out)


def _document_forms(
    who: Acquaintance,
    point: Point,
    rule: Mapping[str, object],
    steady: Mapping[Route, object],
    last: object,
) -> list[Form]:
    own = scale_of(rule)
    route = route_in(rule["field"], last)
    leaf = str(rule.get("pattern") or "{value}").replace("{" + point + "}", "{value}")
    signs: dict[Route, object] = {}
    where = rule.get("where")
    if isinstance(where, Mapping):
        signs = {route_in(str(k), last): v for k, v in where.items()}
    found = []
    alone = _document({**signs, route: leaf})
    if alone is not None:
        found.append(Form({"json": alone, **own}, 0.0, "field", "only the field that changes"))
    others = _in_the_same(who, point, rule, last)
    if others:
        whole = {**signs, **{r: "{" + p + "}" for p, r in others.items()}, route: leaf}
        made = _document(whole)
        if made is not None:
            why = "the document it is heard in, with " + " and ".join(sorted(others))
            found.append(Form({"json": made, **own}, 1.4, "all", why))
    rest = {r: v for r, v in steady.items() if r != route and r not in others.values()}
    if rest and rest.keys() - signs.keys():
        made = _document(
            {**rest, **signs, **{r: "{" + p + "}" for p, r in others.items()}, route: leaf}
        )
        if made is not None:
            why = "the document it is heard in, with what never changes in it"
            found.append(Form({"json": made, **own}, 1.8, "whole", why))
    if not signs:
        found.append(Form(own, 2.0, "plain", "the bare value"))
    if not found:
        found.append(Form(own, 1.5, "plain", "the bare value"))
    return found


def _in_the_same(
    who: Acquaintance, point: Point, rule: Mapping[str, object], last: object
) -> dict[Point, Route]:
    """The other points that can be told and are heard in the same document."""
    return {
        half.point: route_in(half.rule["field"], last)
        for half in who.halves
        if half.half == "hear"
        and half.point != point
        and half.point in MOVED
        and half.rule.get("topic") == rule.get("topic")
        and half.rule.get("field") is not None
        and half.rule.get("pattern") is None
        and half.rule.get("where") == rule.get("where")
    }


def _otherwise(first: Form, point: Point, own: Mapping[str, object]) -> list[Form]:
    """The same form in other words, or on another scale, than it is heard in."""
    bare = {k: v for k, v in first.rule.items() if k not in ("words", "span", "of", "unit", "step")}
    found = []
    if point in YES_NO:
        heard = words_of(own)
        in_json = "json" in first.rule
        for on, off in PAIRS:
            told_as = {"words": {"on": on, "off": off}}
            same = (on, off) == heard and type(on) is type(heard[0])
            plain_twin = not in_json and not isinstance(on, str)  # 1 and "1" are one text
            if not same and not plain_twin:
                why = f"{first.why}, with '{on}' and '{off}'"
                found.append(Form({**bare, **told_as}, 3.0, f"{first.kind} {on}", why))
        return found
    for scale in SCALES.get(point, ()):
        if dict(scale) != dict(own):
            spelt = ", ".join(f"{k} {v}" for k, v in scale.items()) or "percent"
            if point == "cct":
                spelt = str(scale.get("unit", "kelvin"))
            found.append(Form({**bare, **scale}, 2.6, f"{first.kind} {spelt}", f"in {spelt}"))
    return found


def route_in(field: object, last: object) -> Route:
    """Where a field is; a number is a place in a list where the last document had a list there."""
    route = route_of(field if isinstance(field, str) else tuple(field))  # type: ignore[arg-type]
    found: list[str | int] = []
    for part in route:
        if isinstance(last, list) and str(part).isdigit():
            found.append(int(part))
            last = last[int(part)] if int(part) < len(last) else None
        else:
            found.append(part)
            last = last.get(part) if isinstance(last, dict) else None
    return tuple(found)


def _document(leaves: Mapping[Route, object]) -> object:
    """A JSON template with these leaves; None where it cannot be made.

    A place in a list that nothing is known of stays empty (`null`).
    """
    root: object = None
    for route, value in leaves.items():
        if not route:
            return None
        root = _put(root, route, value)
        if root is None:
            return None
    return root


def _put(root: object, route: Route, value: object) -> object:
    part, rest = route[0], route[1:]
    if isinstance(part, int):
        if root is None:
            root = []
        if not isinstance(root, list) or part > MOST_PLACES:
            return None
        root = [*root, *([None] * (part + 1 - len(root)))]
        root[part] = _put(root[part], rest, value) if rest else value
        return root
    if root is None:
        root = {}
    if not isinstance(root, dict):
        return None
    key = str(part)
    return {**root, key: _put(root.get(key), rest, value) if rest else value}
