"""One device as a profile of its own: what is tried on it is what a set would really send.

Nothing else in this room spells a payload or reads one: a candidate is put into a small set
profile, read by the same rules as any other, and the speech does the rest. What such a profile
refuses (a topic on which the bridge would hear its own word, a text that can be read two ways)
is never tried.
"""

from __future__ import annotations

import json
from collections.abc import Mapping

from studiobridge.meeting.met import Acquaintance
from studiobridge.profile import ProfileError, read_profile_text
from studiobridge.profile.model import HOMIE5, Kind, Point, Scalar, SetProfile, Value
from studiobridge.profile.template import fill_text, names_in
from studiobridge.speech import Speech
from studiobridge.speech.encode import grid_of
from studiobridge.speech.message import Message

# what the one device of a sketch is called
IT = "it"
# Points that only a light or a backdrop has.
_LIGHT = frozenset({"level", "cct", "colour"})


def dialect_of(who: Acquaintance) -> dict[str, object]:
    """Its halves as they stand below a dialect's name in a profile."""
    dialect: dict[str, object] = {}
    for half in who.halves:
        point = dialect.setdefault(half.point, {})
        assert isinstance(point, dict)
        point[half.half] = dict(half.rule)
    if who.ask:
        asks = [who.ask] if isinstance(who.ask, Mapping) else list(who.ask)
        dialect["ask"] = [dict(ask) for ask in asks]
    if who.together:
        dialect["together"] = True if who.together is True else list(who.together)
    return dialect


def kind_of(who: Acquaintance) -> Kind:
    """What it is: as somebody said, else by what it can do."""
    if who.kind is not None:
        return who.kind
    points = {half.point for half in who.halves}
    if points & _LIGHT:
        return "light"
    return "plug" if "switch" in points else "sensor"


def profile_of(who: Acquaintance) -> SetProfile:
    """A set of this one device, called `IT`. Raises ProfileError where no profile may say so."""
    told = {half.point for half in who.halves if half.half == "tell"}
    device: dict[str, object] = {"kind": kind_of(who), "fed_by": "wall"}
    document: dict[str, object] = {
        "format": 1,
        "set": "sketch",
        "mains": {"voltage": "230 V", "circuits": {"wall": {"breaker": "16 A"}}},
    }
    if who.homie is not None:
        device.update(speaks=HOMIE5, at=who.homie)
        properties = {
            h.point: h.rule["property"]
            for h in who.halves
            if isinstance(h.rule.get("property"), str)
        }
        if properties:
            device["properties"] = properties
        if kind_of(who) not in ("light", "backdrop", "plug"):
            device["kind"] = "light" if {h.point for h in who.halves} & _LIGHT else "plug"
    else:
        # a plug whose switch cannot be told yet is no plug to a profile, but is heard like one
        if device["kind"] == "plug" and "switch" not in told:
            device["kind"] = "light"
        if device["kind"] not in ("light", "backdrop", "plug") and told & _LIGHT:
            device["kind"] = "light"
        dialect = dialect_of(who)
        device["speaks"] = "drafted"
        if who.at and "at" in names_in(_plain(dialect)):
            device["at"] = who.at
        if who.blanks:
            named = set(names_in(_plain(dialect)))
            device["blanks"] = {k: v for k, v in who.blanks.items() if k in named}
        document["dialects"] = {"drafted": dialect}
    document["devices"] = {IT: device}
    # JSON is YAML as far as this goes, and needs no rules about quotes
    return read_profile_text(json.dumps(document, ensure_ascii=False), "sketch").profile


def _plain(value: object) -> object:
    """The same with every field written as a list in it, so that all names in it are found."""
    if isinstance(value, Mapping):
        return {k: _plain(v) for k, v in value.items()}
    return [_plain(v) for v in value] if isinstance(value, list | tuple) else value


class Sketch:
    """One device as it is known so far: what a message says of it, and what would tell it."""

    def __init__(self, who: Acquaintance) -> None:
        """Raises ProfileError where what is known of it can not stand in a profile."""
        self.who = who
        self.profile = profile_of(who)
        self.device = self.profile.devices[IT]
        self.speech = Speech(self.profile)

    def tell(self, values: Mapping[Point, Value]) -> list[Message]:
        """The messages that tell it these values; [] where they cannot be said."""
        return self.speech.tell(IT, list(values.items()), None)

    def together(self, point: Point) -> frozenset[Point]:
        """The points that go along whenever this one is told, itself among them."""
        for group in self.device.together:
            if point in group:
                return group
        return frozenset({point})

    def asks(self) -> list[Message]:
        return self.speech.ask(IT)

    def coarse(self, point: Point) -> float:
        """The step (percent or mired) within which a value is as told."""
        steps = [1.0 if point == "level" else 4.0]
        dialect = self.profile.dialects.get(self.device.speaks or "")
        rules = [] if dialect is None else [dialect.tell.get(point), dialect.hear.get(point)]
        for rule in rules:
            grid = (
                None if rule is None else grid_of(point, rule.span, rule.unit, rule.of, rule.step)
            )
            if grid is not None and point == "level":
                steps.append(grid.step * (100.0 if grid.unit == "fraction" else 1.0))
            elif grid is not None and grid.unit == "mired":
                steps.append(grid.step)
        return max(steps)


def sketch_or_none(who: Acquaintance) -> Sketch | None:
    """A sketch of it, or None where no profile may say what is known of it."""
    try:
        return Sketch(who)
    except (ProfileError, ValueError):
        return None


def filled(topic: object, at: str, blanks: Mapping[str, Scalar]) -> str:
    """A topic of a rule with this device's own parts in it."""
    return fill_text(str(topic), {**blanks, "at": at})


def templated(topic: str, at: str) -> str:
    """A topic as a dialect writes it: `{at}` for the device's own part, wherever it stands."""
    if not at:
        return topic
    before, found, after = f"/{topic}/".partition(f"/{at}/")
    if not found or f"/{at}/" in f"/{after}":
        return topic  # it is not there, or nobody knows which of the two is meant
    return f"{before}/{{at}}/{after}"[1:-1]
