"""Dialects at work: one device's topics filled in, its values encoded and decoded.

`MappedDevice` is both ends of one device's talk: the bridge tells and hears with it, a
simulated device is told and reports with it. All templates are taken apart once, here.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass

from studiobridge.craft.chroma import Colour, ColourSteps
from studiobridge.craft.grid import Grid
from studiobridge.profile.model import (
    POINTS,
    YES_NO,
    Device,
    Dialect,
    HearMap,
    Point,
    Scalar,
    TellMap,
    Value,
)
from studiobridge.profile.said import Described
from studiobridge.profile.template import (
    FADE,
    PARTS,
    VALUE,
    Route,
    Text,
    fill_json,
    fill_route,
    fill_scalar,
    fill_text,
    leaves_of,
    points_in,
)
from studiobridge.speech import colours
from studiobridge.speech.encode import (
    MISSING,
    CannotRead,
    as_text,
    decoder,
    encoder,
    field_of,
    grid_of,
    is_said,
    json_of,
    number,
    put_field,
    text_of,
)
from studiobridge.speech.message import Message

FADE_FACTOR = {"s": 1.0, "ms": 1000.0, "ds": 10.0}
# A field that says whose message it is: where it is, what it holds, and that spelt as text.
Sign = tuple[Route, Scalar, str]


def blanks_of(device: Device) -> dict[str, Scalar]:
    """What fills the blanks of a dialect for this device."""
    return {"at": device.at, **device.blanks}


@dataclass(frozen=True, slots=True)
class Listener:
    """One point heard on a topic: whether a message is about it, and how to get at its value.

    `route` into a JSON document, `place` in the text found there or in the payload; None where
    there is nothing to look for.
    """

    device: str
    point: Point
    route: Route | None
    # None: the message says nothing of it (a colour that is black, or is not in it)
    decode: Callable[[object], Value | None]
    signs: tuple[Sign, ...] = ()
    text: Text | None = None
    # None: all places of the text together make the value
    place: int | None = 0

    def of_text(self, raw: object) -> object:
        """The value inside a text; MISSING where the text is of another form."""
        if self.text is None or not isinstance(raw, str):
            return MISSING
        if self.place is None:
            parts = self.text.read(raw)
            return MISSING if parts is None else parts
        found = self.text.read_one(raw, self.place)
        return MISSING if found is None else found


class _Form:
    """One template that is told, with the blanks of its device filled in."""

    def __init__(self, point: Point, rule: TellMap, blanks: Mapping[str, Scalar]) -> None:
        self.rule = rule
        self.topic = fill_text(rule.topic, blanks)
        own = {VALUE: point}
        self.text: Text | None = None
        self.json: object = None
        self.body: object = None
        # a JSON template taken apart: what stands where, once for reading it back
        self.signs: list[Sign] = []
        self.texts: list[tuple[Route, Text]] = []
        if rule.json is None:
            self.text = _named(Text.of(fill_text(rule.payload or "", blanks)), own)
            names: list[str] = list(self.text.names)
        else:
            self.json = _named_json(fill_json(rule.json, blanks), own)
            self.body = _taken_apart(self.json)
            names = []
            for route, leaf in leaves_of(self.json):
                text = Text.of(leaf) if isinstance(leaf, str) else None
                if text is not None and text.names:
                    self.texts.append((route, text))
                    names += text.names
                elif isinstance(leaf, str | int | float | bool):
                    self.signs.append((route, leaf, as_text(leaf)))
        # the points it carries, the one it was written for among them
        carried = points_in(names)
        self.points: list[Point] = [p for p in POINTS if p in carried]

    def same(self, other: _Form) -> bool:
        return (self.topic, self.text, self.json) == (other.topic, other.text, other.json)

    def read(self, payload: bytes) -> dict[str, object] | None:
        """What stands in each place of a message; None where it is not of this form."""
        try:
            if self.text is not None:
                found = self.text.read(text_of(payload))
                return None if found is None else dict(found)
            document = json_of(payload)
        except CannotRead:
            return None
        if self.texts and self.texts[0][0] == ():
            return _read_leaf(self.texts[0][1], document)
        if not isinstance(document, dict | list):
            return None
        for route, word, text in self.signs:
            if not is_said(field_of(document, route), word, text):
                return None
        values: dict[str, object] = {}
        for route, leaf in self.texts:
            raw = field_of(document, route)
            if raw is not MISSING:  # a document may carry only some of them
                read = _read_leaf(leaf, raw)
                if read is None:
                    return None
                values.update(read)
        return values


def _read_leaf(text: Text, raw: object) -> dict[str, object] | None:
    """What stands in the places of one scalar of a document."""
    if text.literals == ("", ""):
        return {text.names[0]: raw}
    found = text.read(raw) if isinstance(raw, str) else None
    return None if found is None else dict(found)


def _named(text: Text, names: Mapping[str, str]) -> Text:
    """The same text with some of its places under another name."""
    return Text(text.literals, tuple(names.get(name, name) for name in text.names))


def _named_json(template: object, names: Mapping[str, str]) -> object:
    if isinstance(template, dict):
        return {key: _named_json(part, names) for key, part in template.items()}
    if isinstance(template, list):
        return [_named_json(part, names) for part in template]
    return str(_named(Text.of(template), names)) if isinstance(template, str) else template


@dataclass(frozen=True, slots=True)
class _Teller:
    """One point told: its form, what goes into its places there, and how that is read back."""

    point: Point
    form: _Form
    encode: Callable[[Value], Mapping[str, Scalar]]
    decode: Callable[[Mapping[str, object]], Value | None]

    @property
    def topic(self) -> str:
        return self.form.topic

    @property
    def rule(self) -> TellMap:
        return self.form.rule


@dataclass(slots=True)
class _Draft:
    """A message in the making: a text, or a document that other points may still join."""

    form: _Form
    points: set[Point]
    body: object
    text: bool = False
    qos: int = 0
    retain: bool = False

    def message(self) -> Message:
        payload = str(self.body) if self.text else json.dumps(self.body, ensure_ascii=False)
        return Message(self.form.topic, payload.encode(), self.qos, self.retain)


class _Clash(Exception):
    """Two documents say different things in one place."""


def _merged(one: object, other: object) -> object:
    """Two documents in one. Raises _Clash where both say something else in the same place."""
    if isinstance(one, dict) and isinstance(other, dict):
        return {
            key: _merged(one[key], other[key])
            if key in one and key in other
            else one.get(key, other.get(key))
            for key in (*one, *(key for key in other if key not in one))
        }
    if isinstance(one, list) and isinstance(other, list) and len(one) == len(other):
        return [_merged(a, b) for a, b in zip(one, other, strict=True)]
    if type(one) is type(other) and one == other:
        return one
    raise _Clash


class MappedDevice:
    """One device on a dialect."""

    def __init__(self, device: Device, dialect: Dialect) -> None:
        self.device = device
        self.dialect = dialect
        blanks = blanks_of(device)
        self.tellers: dict[Point, _Teller] = {}
        for point, rule in dialect.tell.items():
            if point in device.tells:
                form = _Form(point, rule, blanks)
                self.tellers[point] = _Teller(point, form, *_told(point, rule))
        self._hears: dict[Point, _Heard] = {
            point: _Heard(point, rule, dialect, blanks)
            for point, rule in dialect.hear.items()
            if point in device.hears
        }
        self._asks = [
            Message(fill_text(a.topic, blanks), fill_text(a.payload, blanks).encode(), a.qos)
            for a in dialect.asks
        ]
        # points that this device takes only all at once
        self.together = [
            group & frozenset(self.tellers) for group in dialect.together if group & device.tells
        ]

    # ---- the bridge's end -------------------------------------------------------------------

    def listeners(self) -> Iterable[tuple[str, int, Listener]]:
        """Every topic this device reports on, with QoS and the point heard there."""
        for point, heard in self._hears.items():
            form = heard.rule.colour
            decode: Callable[[object], Value | None] = (
                decoder(point, heard.rule)
                if form is None
                else colours.reader(form, heard.parts if heard.text is None else None)
            )
            listener = Listener(
                self.device.name,
                point,
                heard.route,
                decode,
                heard.signs,
                heard.text,
                heard.place,
            )
            yield heard.topic, heard.rule.qos, listener

    def heard_on(self, point: Point) -> tuple[str, str | None] | None:
        """The topic this point is heard on, and its field there."""
        heard = self._hears.get(point)
        if heard is None:
            return None
        routes = [heard.route] if not heard.parts else heard.parts
        named = [".".join(str(part) for part in route) for route in routes if route]
        return heard.topic, ", ".join(named) or None

    def told_topics(self) -> set[str]:
        """The topics on which the bridge speaks to this device."""
        return {t.topic for t in self.tellers.values()} | {ask.topic for ask in self._asks}

    def described(self, at: float) -> list[Described]:
        """The steps of its level and CCT, as its dialect spells them."""
        found = []
        for point in sorted(set(self.tellers) | set(self._hears)):
            found.append(
                Described(
                    at,
                    self.device.name,
                    point,
                    point in self.tellers,
                    point in self._hears,
                    self._grid(point),
                )
            )
        return found

    def _grid(self, point: Point) -> Grid | ColourSteps | None:
        """The coarser of what is told and what is heard: no finer step can be confirmed."""
        if point == "colour":
            tell, hear = self.dialect.tell.get(point), self.dialect.hear.get(point)
            return colours.steps_of(
                tell.colour if tell is not None else None, hear.colour if hear is not None else None
            )
        rules: list[TellMap | HearMap] = []
        if point in self.tellers:
            rules.append(self.tellers[point].rule)
        if point in self._hears:
            rules.append(self._hears[point].rule)
        grids = [
            g
            for g in (grid_of(point, r.span, r.unit, r.of, r.step) for r in rules)
            if g is not None
        ]
        return max(grids, key=_coarseness, default=None)

    def tell(self, values: Sequence[tuple[Point, Value]], fade: float | None) -> list[Message]:
        """The messages that tell these values, in as few as their forms allow.

        A form that carries a point whose value is not given is left out: it cannot be said.
        """
        given = {
            p: self.tellers[p].encode(v)
            for p, v in values
            if p in self.tellers and isinstance(v, Colour) == (p == "colour")
        }
        drafts: list[_Draft] = []
        for point in given:
            form = self.tellers[point].form
            if any(form.same(draft.form) for draft in drafts):
                continue  # said already, together with another point
            if any(p not in given for p in form.points):
                continue
            rule = form.rule
            said: dict[str, Scalar] = {FADE: _fade(rule, fade)}
            for carried in form.points:
                said.update(given[carried])
            if form.text is not None:
                body: object = form.text.write(said)
                drafts.append(_Draft(form, {point}, body, True, rule.qos, rule.retain))
                continue
            body = _filled(form.body, said)
            for draft in drafts:
                if not draft.text and draft.form.topic == form.topic and isinstance(body, dict):
                    try:
                        draft.body = _merged(draft.body, body)
                    except _Clash:
                        continue
                    draft.points.add(point)
                    draft.qos = max(draft.qos, rule.qos)
                    break
            else:
                drafts.append(_Draft(form, {point}, body, False, rule.qos, rule.retain))
        return [draft.message() for draft in drafts]

    def ask(self) -> list[Message]:
        return list(self._asks)

    # ---- the device's end -------------------------------------------------------------------

    def commands(self) -> list[tuple[str, int]]:
        """The topics the device itself listens to."""
        topics = {teller.topic: teller.rule.qos for teller in self.tellers.values()}
        for ask in self._asks:
            topics[ask.topic] = 1
        return list(topics.items())

    def told(self, message: Message) -> tuple[list[tuple[Point, Value]], float | None, bool] | None:
        """What a message tells this device: values, fade, whether it is asked for a report.

        None where it tells it nothing, or not all that this device wants told at once.
        """
        tellers = [t for t in self.tellers.values() if t.topic == message.topic]
        if any((ask.topic, ask.payload) == (message.topic, message.payload) for ask in self._asks):
            return [], None, True
        values: dict[Point, Value] = {}
        fade = None
        try:
            for teller in tellers:
                found = teller.form.read(message.payload)
                if found is None:
                    continue
                if teller.point == "shut_down":
                    if _says_shut_down(teller, found):
                        values["shut_down"] = True
                    continue
                for point in teller.form.points:
                    value = self.tellers[point].decode(found) if point in self.tellers else None
                    if value is not None:
                        values[point] = value
                over = _fade_told(teller.rule, found)
                fade = over if over is not None else fade
        except CannotRead:
            return None
        for group in self.together:
            if group & set(values) and not group <= set(values):
                return None
        return (list(values.items()), fade, False) if values else None

    def report(self, state: Mapping[Point, Value], changed: Collection[Point]) -> list[Message]:
        """The reports of the changed points; a JSON topic says all it knows."""
        forms: dict[object, list[_Heard]] = {}
        for heard in self._hears.values():
            forms.setdefault(heard.form, []).append(heard)
        messages = []
        for together in forms.values():
            known = [h for h in together if h.point in state and h.can_say(state[h.point])]
            if not any(h.point in changed for h in known):
                continue
            first = known[0]
            if first.route is None:
                text = self._text(known, [h for h in known if h.point in changed], state)
                if text is not None:
                    payload = text.encode()
                    messages.append(Message(first.topic, payload, first.rule.qos, retain=True))
                continue
            document: dict[str, object] = {}
            for route, word, _ in first.signs:
                put_field(document, route, word)
            for heard in known:
                if heard.parts:
                    parts = heard.words(state[heard.point])
                    for name, part_route in zip(parts, heard.parts, strict=True):
                        put_field(document, part_route, parts[name])
                    continue
                assert heard.route is not None
                said: object = self._word(heard, together, state)
                if heard.text is not None:
                    said = self._text([heard], [heard], state)
                if said is not None:
                    put_field(document, heard.route, said)
            messages.append(Message(first.topic, json.dumps(document).encode(), 1, retain=True))
        return messages

    def _word(self, heard: _Heard, others: list[_Heard], state: Mapping[Point, Value]) -> Scalar:
        """A value as it is said; where other points stand in the same place, one word for all."""
        (said,) = heard.words(state[heard.point]).values()
        words = heard.rule.words
        sharing = [h for h in others if h is not heard and h.place_key == heard.place_key]
        if words is None or not sharing:
            return said
        for word in words.all_yes if state[heard.point] else words.all_no:
            if all(_agrees(other, word, state) for other in sharing):
                return word
        return said

    def _text(
        self, known: list[_Heard], news: list[_Heard], state: Mapping[Point, Value]
    ) -> str | None:
        """A text report; None where a place has no value."""
        first = news[0]
        if first.text is None:
            return as_text(self._word(first, known, state))
        said: dict[str, Scalar] = {}
        for name in first.text.names:
            point = "colour" if name in PARTS else name
            heard = self._hears.get(point)  # type: ignore[call-overload]
            if heard is None or not heard.can_say(state.get(heard.point)):
                said[name] = "0"  # nobody listens for it
            elif heard.rule.colour is not None:
                said[name] = heard.words(state[heard.point])[name]
            else:
                said[name] = self._word(heard, known, state)
        return first.text.write(said)


class _Heard:
    """One point heard, with the blanks of its device filled in."""

    def __init__(
        self, point: Point, rule: HearMap, dialect: Dialect, blanks: Mapping[str, Scalar]
    ) -> None:
        self.point = point
        self.rule = rule
        self.topic = fill_text(rule.topic, blanks)
        self.route = None if rule.field is None else fill_route(rule.field, blanks)
        self.signs: tuple[Sign, ...] = tuple(
            (fill_route(where, blanks), is_, as_text(is_))
            for where, is_ in ((w, fill_scalar(v, blanks)) for w, v in rule.where.items())
        )
        # of a colour in a document: where each of its parts is
        self.parts: tuple[Route, ...] = ()
        if rule.colour is not None and rule.colour.fields is not None:
            self.route = ()
            self.parts = tuple(fill_route(field, blanks) for field in rule.colour.fields)
        self.text: Text | None = None
        self.place: int | None = 0
        if rule.pattern is not None:
            self.text = _named(Text.of(fill_text(rule.pattern, blanks)), {VALUE: point})
            self.place = None if rule.colour is not None else self.text.names.index(point)
        self.words = _said(point, rule)
        # points of one form are said in one message
        plain = self.route is None
        self.form: object = (self.topic, plain, self.signs, self.text if plain else None)
        if plain and self.text is None and point not in YES_NO:
            self.form = (self.topic, point)
        # and points of one place in one word
        self.place_key: object = (self.form, self.route, self.text, self.parts)

    def can_say(self, value: Value | None) -> bool:
        """Is this a value that this point says? A white is no colour, and a colour no white."""
        return value is not None and isinstance(value, Colour) == (self.rule.colour is not None)


def _agrees(other: _Heard, word: Scalar, state: Mapping[Point, Value]) -> bool:
    """Does another point that stands in the same place mean the same by this word?"""
    if other.point not in state:
        return True
    try:
        return decoder(other.point, other.rule)(word) == state[other.point]
    except CannotRead:
        return False


def _said(point: Point, rule: TellMap | HearMap) -> Callable[[Value], Mapping[str, Scalar]]:
    """What goes into each place of this point: one scalar, or the parts of a colour."""
    form = rule.colour
    if form is None:
        encode = encoder(point, rule)
        return lambda value: {point: encode(value)}

    def parts(value: Value) -> Mapping[str, Scalar]:
        assert isinstance(value, Colour)
        return colours.scalars(form, value)

    return parts


def _told(
    point: Point, rule: TellMap
) -> tuple[Callable[[Value], Mapping[str, Scalar]], Callable[[Mapping[str, object]], Value | None]]:
    """How a point is told, and how the device reads it back from what is in its places."""
    form = rule.colour
    if form is not None:
        return _said(point, rule), colours.reader(form, None)
    if point == "shut_down":
        return _said(point, rule), lambda found: True
    decode = decoder(point, rule)
    return _said(point, rule), lambda found: decode(found[point]) if point in found else None


def _taken_apart(template: object) -> object:
    """A JSON template with a Text for each of its strings that has places in it."""
    if isinstance(template, dict):
        return {key: _taken_apart(part) for key, part in template.items()}
    if isinstance(template, list):
        return [_taken_apart(part) for part in template]
    text = Text.of(template) if isinstance(template, str) else None
    return text if text is not None and text.names else template


def _filled(body: object, said: Mapping[str, Scalar]) -> object:
    """A JSON template with its places filled in; one that is only a place takes the scalar."""
    if isinstance(body, dict):
        return {key: _filled(part, said) for key, part in body.items()}
    if isinstance(body, list):
        return [_filled(part, said) for part in body]
    if not isinstance(body, Text):
        return body
    return said[body.names[0]] if body.literals == ("", "") else body.write(said)


def _fade(rule: TellMap, fade: float | None) -> Scalar:
    """A fade as this rule spells it: 0 where there is none."""
    if rule.fade_unit is None or fade is None:
        return 0
    over = round(fade * FADE_FACTOR[rule.fade_unit], 3)
    return int(over) if over == int(over) else over


def _fade_told(rule: TellMap, found: Mapping[str, object]) -> float | None:
    """The fade in a message (s); None where it has none, or one of no time. Raises CannotRead."""
    raw = found.get(FADE)
    if rule.fade_unit is None or raw is None:
        return None
    over = number(raw, FADE) if isinstance(raw, str) else raw
    if isinstance(over, bool) or not isinstance(over, int | float) or not over > 0:
        return None
    return float(over) / FADE_FACTOR[rule.fade_unit]


def _says_shut_down(teller: _Teller, found: Mapping[str, object]) -> bool:
    """Is this what is sent to shut a computer down? Other points may be in the message too."""
    if not teller.form.points:
        return True  # it is told in words of its own, and these are they
    if teller.point not in found:
        return False
    word = teller.encode(True)[teller.point]
    return is_said(found[teller.point], word, as_text(word))


def _coarseness(grid: Grid) -> float:
    width = grid.high - grid.low
    return grid.step / width if width > 0 else 0.0
