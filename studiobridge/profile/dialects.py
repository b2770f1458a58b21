"""Dialects, and where every device is spoken to and heard."""

from __future__ import annotations

from collections.abc import Mapping
from types import MappingProxyType

from studiobridge.craft.grid import ENDS, LARGEST_WIDTH, SMALLEST_WIDTH
from studiobridge.profile.colour_points import COLOUR_PLACES, Colours
from studiobridge.profile.findings import Findings, Part
from studiobridge.profile.model import (
    E131,
    FIXTURES,
    HOMIE5,
    POINTS,
    TOLD,
    YES_NO,
    AskMap,
    Dialect,
    HearMap,
    Point,
    Preset,
    Span,
    TellMap,
    Unit,
    Words,
)
from studiobridge.profile.shape import DeviceShape, DialectShape, PointShape, ProfileShape
from studiobridge.profile.text import Path


class Dialects(Part):
    """The dialects of a profile, and who has which topic: nobody shares one."""

    def __init__(self, shape: ProfileShape, findings: Findings) -> None:
        super().__init__(shape, findings)
        self.told: dict[tuple[str, str], str] = {}
        self.heard: dict[tuple[str, str], str] = {}

    # ---- maps ----------------------------------------------------------------------------

    def maps(self) -> dict[str, Dialect]:
        return {name: self._dialect(name, dialect) for name, dialect in self.shape.dialects.items()}

    def _dialect(self, name: str, shape: DialectShape) -> Dialect:
        tells: dict[Point, TellMap] = {}
        hears: dict[Point, HearMap] = {}
        if name in (HOMIE5, E131):
            self.wrong(("dialects", name), f"'{name}' is built in", "give yours another name", True)
        for point in POINTS:
            said: PointShape | None = getattr(shape, point)
            if said is None or point == "colour":
                continue
            at: Path = ("dialects", name, point)
            if said.tell is None and said.hear is None:
                self.wrong(at, f"'{point}' says neither tell nor hear", key=True)
            if said.tell is not None:
                if point not in TOLD:
                    self.wrong((*at, "tell"), f"'{point}' is heard, never told", key=True)
                tells[point] = self._tell(point, said, (*at, "tell"))
                if point != "shut_down" and said.hear is None:
                    self._never_heard(name, point, at)
            if said.hear is not None:
                if point == "shut_down":
                    self.wrong((*at, "hear"), "'shut_down' is told, never heard", "use 'down'")
                hear = said.hear
                hears[point] = HearMap(
                    hear.topic,
                    hear.field,
                    self._words(point, hear.words, (*at, "hear", "words")),
                    self._span(point, hear.span, (*at, "hear", "span")),
                    self._unit(point, hear.unit, (*at, "hear", "unit")),
                    hear.qos,
                )
        Colours(self.shape, self.findings).put(name, shape, tells, hears)
        ask = AskMap(shape.ask.topic, shape.ask.payload, shape.ask.qos) if shape.ask else None
        return Dialect(name, MappingProxyType(tells), MappingProxyType(hears), ask)

    def _never_heard(self, name: str, point: Point, at: Path) -> None:
        """A point that is only told: allowed where its devices say how else it is known."""
        speakers = {n: d for n, d in self.shape.devices.items() if d.speaks == name}
        others = [n for n, d in speakers.items() if d.kind not in FIXTURES]
        if others:
            self.wrong(
                at,
                f"'{point}' is told but never heard, so nothing could be confirmed",
                f"add 'hear' to '{point}': only lights and backdrops can do without, and"
                f" '{others[0]}' is a {speakers[others[0]].kind}",
                key=True,
            )
            return
        silent = [n for n, d in speakers.items() if d.proof in (None, "report")]
        if silent or not speakers:
            who = f"'{silent[0]}'" if silent else "each device that speaks it"
            self.wrong(
                at,
                f"'{point}' is told but never heard, so nothing could be confirmed",
                f"add 'hear' to '{point}', or say at {who} how else it is known:"
                " 'proof: watts', 'picture' or 'hand', or 'none' where nothing tells",
                key=True,
            )

    def _tell(self, point: Point, said: PointShape, at: Path) -> TellMap:
        tell = said.tell
        assert tell is not None
        payload = tell.payload
        if tell.json_ is not None and payload is not None:
            self.wrong(at, "a tell has a payload or a json, not both", key=True)
        if tell.json_ is None and payload is None:
            payload = "{value}"
        template = str(tell.json_) if tell.json_ is not None else payload or ""
        if point != "shut_down" and "{value}" not in template:
            self.wrong(at, "the value has no place in it", 'put "{value}" where it goes', True)
        if "{fade}" in template and tell.fade_unit is None:
            self.wrong(at, "{fade} has no unit", "add 'fade_unit: s' (or ms, or ds)", key=True)
        if "{fade}" not in template and tell.fade_unit is not None:
            self.wrong((*at, "fade_unit"), "there is no {fade} for this unit", key=True)
        if tell.retain and point in ("switch", "shut_down"):
            self.wrong(
                (*at, "retain"),
                f"a kept '{point}' would be done again later with nobody asking",
                "leave 'retain' out",
            )
        return TellMap(
            tell.topic,
            payload,
            tell.json_,
            self._words(point, tell.words, (*at, "words")),
            self._span(point, tell.span, (*at, "span")),
            self._unit(point, tell.unit, (*at, "unit")),
            tell.fade_unit,
            tell.qos,
            tell.retain,
        )

    def _words(self, point: Point, words: Mapping[str, object] | None, at: Path) -> Words | None:
        if words is None:
            return None
        if point not in YES_NO:
            self.wrong(at, f"'{point}' is a number and has no words", "use 'span' and 'unit'", True)
            return None
        found: dict[str, object] = {}
        for word, spelt in words.items():
            which = {"on": "yes", "yes": "yes", "true": "yes", "off": "no", "no": "no"}.get(word)
            which = "no" if word == "false" else which
            if which is None or which in found:
                self.wrong((*at, word), f"'{word}' is not one of on, off, yes, no", key=True)
                return None
            found[which] = spelt
        if set(found) != {"yes", "no"} or found["yes"] == found["no"]:
            self.wrong(at, "words need two different ones", 'like {on: "1", off: "0"}', key=True)
            return None
        return Words(found["yes"], found["no"])  # type: ignore[arg-type]

    def _span(self, point: Point, span: tuple[float, float] | None, at: Path) -> Span | None:
        if span is None:
            return None
        low, high = span
        first, last = ENDS["kelvin"]  # mired have the same ends: each is the other's reciprocal
        wide = SMALLEST_WIDTH <= high - low <= LARGEST_WIDTH
        if point == "cct" and not (wide and first <= low and high <= last):
            what = f"no white lies between {low:g} and {high:g}: a span is within"
            self.wrong(
                at, f"{what} {first:.0f} to {last:.0f}", "like 2700..6500, or 153..370 mired"
            )
        elif point == "level" and not wide:
            self.wrong(at, f"{low:g} to {high:g} is no scale for a level", "like 0..255")
        elif point == "battery" and not wide:
            self.wrong(at, f"{low:g} to {high:g} is no scale for a battery", "like 0..255")
        return Span(low, high)

    def _unit(self, point: Point, unit: Unit | None, at: Path) -> Unit | None:
        fits = {
            "level": ("percent", "fraction"),
            "cct": ("kelvin", "mired"),
            "watts": ("watt",),
            "lux": ("lux", "footcandle"),
            "temperature": ("celsius", "fahrenheit"),
            "battery": ("percent", "fraction"),
            "card": ("minute", "second", "hour"),
        }.get(point, ())
        if unit is not None and unit not in fits:
            known = " or ".join(fits) or "none"
            self.wrong(at, f"'{point}' is not in {unit}", f"its units: {known}")
            return None
        return unit

    # ---- Homie ---------------------------------------------------------------------------

    def homie_points(
        self, shape: DeviceShape, presets: dict[str, Preset]
    ) -> tuple[set[Point], set[Point]]:
        tells: set[Point] = set()
        hears: set[Point] = {"online"}
        if shape.kind == "plug":
            tells.add("switch")
        elif shape.kind in FIXTURES:
            tells.add("level")
            if any(p.cct is not None for p in presets.values()):
                tells.add("cct")
            if any(p.colour is not None for p in presets.values()):
                tells.add("colour")
        elif shape.kind == "computer":
            tells.add("shut_down")
            hears.add("down")
        elif shape.kind == "camera":
            hears.add("rolling")
        if shape.meters:
            hears.add("watts")
        for point in POINTS:
            if point in shape.properties:
                if point in TOLD and shape.kind != "sensor":
                    tells.add(point)  # a sensor is heard: its white is what it measures
                if point != "shut_down":
                    hears.add(point)
        return tells, hears | (tells - {"shut_down"})

    def homie_at(self, name: str, shape: DeviceShape) -> None:
        at = shape.at or ""
        parts = at.split("/")
        fine = len(parts) == 2 and all(
            p
            and all(c.isascii() and (c.islower() or c.isdigit() or c == "-") for c in p)
            and not p.startswith("-")
            and not p.endswith("-")
            for p in parts
        )
        if not fine:
            self.wrong(
                ("devices", name, "at"),
                f"'{at}' is not a Homie device and node",
                "write it like 'key-panel/light' (a-z, 0-9 and hyphens)",
                key=shape.at is None,
            )
            return
        self._claim(self.heard, ("homie:" + at, ""), name, ("devices", name, "at"))

    # ---- topics --------------------------------------------------------------------------

    def topics(self, name: str, shape: DeviceShape, dialect: Dialect) -> None:
        at: Path = ("devices", name, "at")
        rules: list[tuple[str, str, dict[tuple[str, str], str]]] = []
        for tell in dialect.tell.values():
            key = "" if tell.json is None else f"json:{sorted(_leaves(tell.json))}"
            rules.append((tell.topic, key, self.told))
        for hear in dialect.hear.values():
            fields = hear.colour.fields if hear.colour is not None else None
            rules.append((hear.topic, hear.field or ",".join(fields or ()), self.heard))
        mine: set[tuple[int, str, str]] = set()
        for template, field, taken in rules:
            topic = template.replace("{at}", shape.at or "")
            for blank, value in shape.blanks.items():
                topic = topic.replace("{" + blank + "}", value)
            if "{at}" in template and shape.at is None:
                self.wrong(at[:-1], f"'{name}' does not say where it is", "add 'at:'", key=True)
                return
            left = [part for part in topic.split("{")[1:] if "}" in part]
            if left:
                blank = left[0].split("}")[0]
                self.wrong(
                    at[:-1],
                    f"the topic '{template}' has a blank '{blank}' that '{name}' does not fill",
                    f"add 'blanks: {{{blank}: ...}}'",
                    key=True,
                )
                return
            if "+" in topic or "#" in topic or topic.split("/")[0] == "studiobridge":
                self.wrong(at, f"the topic '{topic}' cannot be used")
                return
            entry = (id(taken), topic, field)
            if entry in mine and taken is self.heard:
                self.wrong(at[:-1], f"two points of '{name}' are heard as the same thing", key=True)
                return
            mine.add(entry)
            if not self._claim(taken, (topic, field), name, at):
                return

    def _claim(
        self, taken: dict[tuple[str, str], str], place: tuple[str, str], name: str, at: Path
    ) -> bool:
        owner = taken.setdefault(place, name)
        if owner == name:
            return True
        topic = place[0].removeprefix("homie:")
        self.wrong(
            at, f"'{name}' and '{owner}' both use '{topic}'", "give each its own place ('at:')"
        )
        return False


def _leaves(template: object, path: str = "") -> list[str]:
    """Where in a JSON template the value stands."""
    if isinstance(template, dict):
        return [leaf for k, v in template.items() for leaf in _leaves(v, f"{path}.{k}")]
    if isinstance(template, list):
        return [leaf for i, v in enumerate(template) for leaf in _leaves(v, f"{path}.{i}")]
    places = ("{value}", *COLOUR_PLACES)
    return [path] if isinstance(template, str) and any(p in template for p in places) else []
