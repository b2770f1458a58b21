"""Dialects at work: one device's topics filled in, its values encoded and decoded.

`MappedDevice` is both ends of one device's talk: the bridge tells and hears with it, a
simulated device is told and reports with it.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass

from studiobridge.craft.chroma import Colour, ColourSteps
from studiobridge.craft.grid import Grid
from studiobridge.profile.model import Device, Dialect, HearMap, Point, TellMap, Value
from studiobridge.profile.said import Described
from studiobridge.speech import colours
from studiobridge.speech.encode import (
    MISSING,
    CannotRead,
    Scalar,
    as_text,
    decoder,
    encoder,
    grid_of,
    json_of,
    put_field,
    text_of,
)
from studiobridge.speech.message import Message

FADE_FACTOR = {"s": 1.0, "ms": 1000.0, "ds": 10.0}


def fill(topic: str, device: Device) -> str:
    """A topic with the device's own blanks filled in."""
    topic = topic.replace("{at}", device.at)
    for name, value in device.blanks.items():
        topic = topic.replace("{" + name + "}", value)
    return topic


@dataclass(frozen=True, slots=True)
class Listener:
    """One point heard on a topic: how to get at it and how to read it."""

    device: str
    point: Point
    path: tuple[str, ...] | None
    # None: this message says nothing of it
    decode: Callable[[object], Value | None]


@dataclass(frozen=True, slots=True)
class _Teller:
    point: Point
    topic: str
    rule: TellMap
    encode: Callable[[Value], Scalar] | None


def _in_template(template: object, value: Scalar, fade: Scalar) -> object:
    """A JSON template with its placeholders filled in; an exact one takes the scalar itself."""
    if isinstance(template, dict):
        return {key: _in_template(part, value, fade) for key, part in template.items()}
    if isinstance(template, list):
        return [_in_template(part, value, fade) for part in template]
    if template == "{value}":
        return value
    if template == "{fade}":
        return fade
    if isinstance(template, str):
        return template.replace("{value}", as_text(value)).replace("{fade}", as_text(fade))
    return template


def _merge(into: dict[str, object], more: dict[str, object]) -> None:
    for key, value in more.items():
        below = into.get(key)
        if isinstance(below, dict) and isinstance(value, dict):
            _merge(below, value)
        else:
            into[key] = value


def _find(template: object, document: object, wanted: str) -> object:
    """What stands in the document where the template has this placeholder; MISSING if nowhere."""
    if template == wanted:
        return document
    if isinstance(template, dict) and isinstance(document, dict):
        for key, part in template.items():
            if key in document:
                found = _find(part, document[key], wanted)
                if found is not MISSING:
                    return found
    if isinstance(template, list) and isinstance(document, list):
        for part, below in zip(template, document, strict=False):
            found = _find(part, below, wanted)
            if found is not MISSING:
                return found
    return MISSING


class MappedDevice:
    """One device on a dialect."""

    def __init__(self, device: Device, dialect: Dialect) -> None:
        self.device = device
        self.dialect = dialect
        self.tellers: dict[Point, _Teller] = {
            point: _Teller(
                point,
                fill(rule.topic, device),
                rule,
                encoder(point, rule) if rule.colour is None else None,
            )
            for point, rule in dialect.tell.items()
            if point in device.tells
        }
        self._hears: dict[Point, tuple[str, HearMap]] = {
            point: (fill(rule.topic, device), rule)
            for point, rule in dialect.hear.items()
            if point in device.hears
        }
        self.ask_topic = fill(dialect.ask.topic, device) if dialect.ask is not None else None
        self._says = {
            point: encoder(point, rule)
            for point, (_, rule) in self._hears.items()
            if rule.colour is None
        }

    # ---- the bridge's end -------------------------------------------------------------------

    def listeners(self) -> Iterable[tuple[str, int, Listener]]:
        """Every topic this device reports on, with QoS and the point heard there."""
        for point, (topic, rule) in self._hears.items():
            if colours.listens_apart(rule):
                yield (
                    topic,
                    rule.qos,
                    Listener(self.device.name, point, *colours.reader(point, rule)),
                )
                continue
            path = None if rule.field is None else tuple(rule.field.split("."))
            yield topic, rule.qos, Listener(self.device.name, point, path, decoder(point, rule))

    def heard_on(self, point: Point) -> tuple[str, str | None] | None:
        """The topic this point is heard on, and its field there."""
        found = self._hears.get(point)
        return None if found is None else (found[0], found[1].field)

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
            rules.append(self._hears[point][1])
        grids = [g for g in (grid_of(point, r.span, r.unit) for r in rules) if g is not None]
        return max(grids, key=_coarseness, default=None)

    def tell(self, values: Sequence[tuple[Point, Value]], fade: float | None) -> list[Message]:
        """The messages that tell these values, those of one JSON topic in one message."""
        messages: list[Message] = []
        documents: dict[str, tuple[dict[str, object], _Teller]] = {}
        order: list[str | Message] = []
        for point, value in values:
            teller = self.tellers.get(point)
            if teller is None:
                continue
            rule = teller.rule
            scalar: Scalar = ""
            if isinstance(value, Colour):
                rule = colours.filled(rule, value)
            elif teller.encode is not None:
                scalar = teller.encode(value)
            over: Scalar = 0
            if rule.fade_unit is not None and fade is not None:
                over = round(fade * FADE_FACTOR[rule.fade_unit], 3)
                over = int(over) if over == int(over) else over
            if rule.json is None:
                text = (rule.payload or "").replace("{value}", as_text(scalar))
                payload = text.replace("{fade}", as_text(over)).encode()
                order.append(Message(teller.topic, payload, rule.qos, rule.retain))
                continue
            filled = _in_template(rule.json, scalar, over)
            if isinstance(filled, dict):
                if teller.topic not in documents:
                    documents[teller.topic] = ({}, teller)
                    order.append(teller.topic)
                _merge(documents[teller.topic][0], filled)
            else:
                payload = json.dumps(filled, ensure_ascii=False).encode()
                order.append(Message(teller.topic, payload, rule.qos, rule.retain))
        for entry in order:
            if isinstance(entry, Message):
                messages.append(entry)
            else:
                document, teller = documents[entry]
                payload = json.dumps(document, ensure_ascii=False).encode()
                messages.append(Message(entry, payload, teller.rule.qos, teller.rule.retain))
        return messages

    def ask(self) -> list[Message]:
        if self.dialect.ask is None or self.ask_topic is None:
            return []
        return [Message(self.ask_topic, self.dialect.ask.payload.encode(), self.dialect.ask.qos)]

    # ---- the device's end -------------------------------------------------------------------

    def commands(self) -> list[tuple[str, int]]:
        """The topics the device itself listens to."""
        topics = {teller.topic: teller.rule.qos for teller in self.tellers.values()}
        if self.ask_topic is not None:
            topics[self.ask_topic] = 1
        return list(topics.items())

    def told(self, message: Message) -> tuple[list[tuple[Point, Value]], float | None, bool] | None:
        """What a message tells this device: values, fade, whether it is asked for a report."""
        values: list[tuple[Point, Value]] = []
        fade = None
        asked = message.topic == self.ask_topic
        try:
            for teller in self.tellers.values():
                if teller.topic != message.topic:
                    continue
                rule = teller.rule
                if teller.point == "shut_down":
                    if _says_shut_down(teller, message.payload):
                        values.append(("shut_down", True))
                    continue
                raw: object
                if rule.colour is not None:
                    colour = colours.told(rule, message.payload, _find)
                    if colour is not None:
                        values.append((teller.point, colour))
                    continue
                if rule.json is None:
                    raw = _between(rule.payload or "", text_of(message.payload))
                else:
                    document = json_of(message.payload)
                    raw = _find(rule.json, document, "{value}")
                    over = _find(rule.json, document, "{fade}")
                    if isinstance(over, int | float) and rule.fade_unit is not None and over > 0:
                        fade = float(over) / FADE_FACTOR[rule.fade_unit]
                if raw is not MISSING:
                    values.append((teller.point, decoder(teller.point, rule)(raw)))
        except CannotRead:
            return None
        return (values, fade, asked) if values or asked else None

    def report(self, state: Mapping[Point, Value], changed: Collection[Point]) -> list[Message]:
        """The reports of the changed points; a JSON topic says all it knows."""
        topics: dict[str, list[Point]] = {}
        for point, (topic, _) in self._hears.items():
            topics.setdefault(topic, []).append(point)
        messages = []
        for topic, points in topics.items():
            if not any(point in changed for point in points):
                continue
            document: dict[str, object] = {}
            for point in points:
                if point not in state:
                    continue
                rule, value = self._hears[point][1], state[point]
                if isinstance(value, Colour) != (rule.colour is not None):
                    continue  # it is either: while it is the one, it says nothing of the other
                if isinstance(value, Colour) and rule.payload is not None:
                    if point in changed:
                        payload = colours.plain(rule, value)
                        messages.append(Message(topic, payload, rule.qos, retain=True))
                    continue
                scalar = None if isinstance(value, Colour) else self._says[point](value)
                if scalar is None or rule.when is not None:
                    colours.put(document, rule, value, scalar)
                elif rule.field is None:
                    if point in changed:
                        payload = as_text(scalar).encode()
                        messages.append(Message(topic, payload, rule.qos, retain=True))
                else:
                    put_field(document, tuple(rule.field.split(".")), scalar)
            if document:
                messages.append(Message(topic, json.dumps(document).encode(), 1, retain=True))
        return messages


def _says_shut_down(teller: _Teller, payload: bytes) -> bool:
    """Is this what is sent to shut a computer down? Raises CannotRead."""
    assert teller.encode is not None
    rule, word = teller.rule, teller.encode(True)
    if rule.json is None:
        return text_of(payload) == (rule.payload or "").replace("{value}", as_text(word))
    wanted, said = _in_template(rule.json, word, 0), json_of(payload)
    if isinstance(wanted, dict) and isinstance(said, dict):  # other points may be in it too
        return all(key in said and said[key] == value for key, value in wanted.items())
    return said == wanted


def _coarseness(grid: Grid) -> float:
    width = grid.high - grid.low
    return grid.step / width if width > 0 else 0.0


def _between(template: str, text: str) -> object:
    """What stands for {value} in a plain payload; MISSING when the rest does not fit."""
    before, found, after = template.partition("{value}")
    if not found:
        return MISSING
    after = after.partition("{fade}")[0]
    if not text.startswith(before) or after not in text[len(before) :]:
        return MISSING
    rest = text[len(before) :]
    return rest.partition(after)[0] if after else rest
