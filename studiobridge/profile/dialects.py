"""Dialects, and where every device is spoken to and heard."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from types import MappingProxyType

from studiobridge.craft.grid import ENDS, LARGEST_WIDTH, SMALLEST_WIDTH
from studiobridge.profile.colour_points import Colours
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
    Of,
    Point,
    Preset,
    Scalar,
    Span,
    TellMap,
    Unit,
    Words,
)
from studiobridge.profile.shape import (
    DeviceShape,
    DialectShape,
    HearShape,
    PointShape,
    ProfileShape,
    TellShape,
)
from studiobridge.profile.sharing import Sharing, spelt
from studiobridge.profile.template import (
    ANY,
    AT,
    FADE,
    PARTS,
    PLACE,
    VALUE,
    Text,
    as_text,
    fill_text,
    leaves_of,
    names_in,
    points_in,
    why_not_told_apart,
)
from studiobridge.profile.text import Path


class Dialects(Part):
    """The dialects of a profile, and who has which topic: nobody shares one."""

    def __init__(self, shape: ProfileShape, findings: Findings) -> None:
        super().__init__(shape, findings)
        self.sharing = Sharing()
        self.homie: dict[str, str] = {}

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
                tells[point] = self._tell(point, said.tell, (*at, "tell"))
                if point != "shut_down" and said.hear is None:
                    self._never_heard(name, point, at)
            if said.hear is not None:
                if point == "shut_down":
                    self.wrong((*at, "hear"), "'shut_down' is told, never heard", "use 'down'")
                hears[point] = self._hear(point, said.hear, (*at, "hear"))
        Colours(self.shape, self.findings).put(name, shape, tells, hears)
        self._texts(name, tells, hears)
        level = tells.get("level")
        for point, tell in tells.items():
            if tell.fade_unit is not None and (level is None or level.fade_unit is None):
                self.wrong(
                    ("dialects", name, point, "tell", "fade_unit"),
                    "only a level is faded, and here it is told without {fade}",
                    "put {fade} where 'level' is told, or take it away here",
                    key=True,
                )
        for point, tell in tells.items():
            others = [p for p in ("switch", "shut_down") if p in tells and p != point]
            if tell.retain and any(tells[p].topic == tell.topic for p in others):
                self.wrong(
                    ("dialects", name, point, "tell", "retain"),
                    f"'{others[0]}' is told on the same topic, and would be done again later",
                    "leave 'retain' out",
                )
        dialect = Dialect(
            name,
            MappingProxyType(tells),
            MappingProxyType(hears),
            self._asks(name, shape),
            self._together(name, shape, tells),
        )
        Colours(self.shape, self.findings).white_or_coloured(name, hears, dialect.either)
        return dialect

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
        # who says 'proof: report' is told so there
        silent = [n for n, d in speakers.items() if d.proof is None]
        if silent or not speakers:
            who = f"'{silent[0]}'" if silent else "each device that speaks it"
            self.wrong(
                at,
                f"'{point}' is told but never heard, so nothing could be confirmed",
                f"add 'hear' to '{point}', or say at {who} how else it is known:"
                " 'proof: watts', 'picture' or 'hand', or 'none' where nothing tells",
                key=True,
            )

    def _tell(self, point: Point, tell: TellShape, at: Path) -> TellMap:
        payload = tell.payload
        if tell.json_ is not None and payload is not None:
            self.wrong(at, "a tell has a payload or a json, not both", key=True)
        if tell.json_ is None and payload is None:
            payload = "{value}"
        template: object = tell.json_ if tell.json_ is not None else payload or ""
        names = names_in(template)
        if point != "shut_down" and VALUE not in names and point not in names:
            self.wrong(at, "the value has no place in it", 'put "{value}" where it goes', True)
        if FADE in names and tell.fade_unit is None:
            self.wrong(at, "{fade} has no unit", "add 'fade_unit: s' (or ms, or ds)", key=True)
        if FADE not in names and tell.fade_unit is not None:
            self.wrong((*at, "fade_unit"), "there is no {fade} for this unit", key=True)
        if tell.retain and point in ("switch", "shut_down"):
            self.wrong(
                (*at, "retain"),
                f"a kept '{point}' would be done again later with nobody asking",
                "leave 'retain' out",
            )
        self._scaled(point, tell, at)
        return TellMap(
            tell.topic,
            payload,
            tell.json_,
            self._words(point, tell.words, (*at, "words")),
            self._span(point, tell, (*at, "span")),
            self._unit(point, tell.unit, (*at, "unit")),
            tell.fade_unit,
            tell.qos,
            tell.retain,
            _of(tell),
            self._step(point, tell, (*at, "step")),
        )

    def _hear(self, point: Point, hear: HearShape, at: Path) -> HearMap:
        if hear.where is not None and hear.field is None:
            self.wrong(
                (*at, "where"),
                "'where' looks into a document, and without 'field' there is none",
                "add 'field:', or put what is constant into a 'pattern:'",
                key=True,
            )
        if hear.pattern in ("{value}", "{" + point + "}"):
            what = "a pattern that is only the value changes nothing"
            self.wrong((*at, "pattern"), what, "leave it out", key=True)
        self._scaled(point, hear, at)
        return HearMap(
            hear.topic,
            hear.field,
            self._words(point, hear.words, (*at, "words")),
            self._span(point, hear, (*at, "span")),
            self._unit(point, hear.unit, (*at, "unit")),
            hear.qos,
            hear.pattern,
            MappingProxyType(dict(hear.where or {})),
            _of(hear),
            self._step(point, hear, (*at, "step")),
            hear.scale or 1.0,
        )

    def _asks(self, name: str, shape: DialectShape) -> tuple[AskMap, ...]:
        asks = tuple(AskMap(a.topic, a.payload, a.qos, a.every or None) for a in shape.ask or ())
        clocks = {ask.every for ask in asks if ask.every is not None}
        if len(clocks) > 1:
            self.wrong(
                ("dialects", name, "ask"),
                "a device is asked everything by one clock, and here are two",
                "say 'every' once",
                key=True,
            )
        return asks

    # ---- together --------------------------------------------------------------------------

    def _together(
        self, name: str, shape: DialectShape, tells: dict[Point, TellMap]
    ) -> tuple[frozenset[Point], ...]:
        """The points a device takes only all at once: by its forms, or because it is said so."""
        groups: list[set[Point]] = []
        for point, tell in tells.items():
            places = points_in(names_in(tell.json or tell.payload or "")) & set(tells)
            if places - {point}:
                groups.append(places | {point})
        at: Path = ("dialects", name, "together")
        if shape.together:
            told = [p for p in tells if p != "shut_down"]
            said = told if shape.together is True else list(shape.together)
            strange = [p for p in said if p not in told]
            if strange or len(set(said)) < 2:
                what = f"'{strange[0]}' is not told" if strange else "it takes two points or more"
                self.wrong(at, f"nothing is sent together here: {what}", key=True)
                return ()
            forms = [(tells[p].topic, isinstance(tells[p].json, dict)) for p in said]
            if any(set(said) <= group for group in _merged(groups)):
                self.wrong(
                    at,
                    "'together' does nothing here: the form carries all of them already",
                    "leave it out",
                    key=True,
                )
            groups.append(set(said))
            in_one = [g for g in groups[:-1] if set(said) <= g]
            if not in_one and (len(set(forms)) > 1 or not forms[0][1]):
                self.wrong(
                    at,
                    "what is sent together is one 'json' on one topic, or one text with a place"
                    " for each",
                    'like payload: "{level},{cct}"',
                    key=True,
                )
        return tuple(frozenset(group) for group in _merged(groups))

    # ---- places in a text ------------------------------------------------------------------

    def _texts(self, name: str, tells: dict[Point, TellMap], hears: dict[Point, HearMap]) -> None:
        """Every text with places in it can be read in one way only."""
        for point, tell in tells.items():
            at: Path = ("dialects", name, point, "tell")
            for other in names_in(tell.json if tell.json is not None else tell.payload or ""):
                if other in PARTS and "colour" not in tells:
                    what = f"{{{other}}} is a part of a colour, and no colour is told here"
                    self.wrong(at, what, "say how 'colour' is told, or take it away", key=True)
                elif other in POINTS and (other not in tells or other in ("shut_down", "colour")):
                    self.wrong(
                        at,
                        f"{{{other}}} has no value here: '{other}' is never told",
                        f"say how '{other}' is told, or write the value it always has",
                        key=True,
                    )
            if tell.json is None:
                self._text(point, tell.payload or "", tells, (*at, "payload"))
                continue
            for _, leaf in leaves_of(tell.json):
                if isinstance(leaf, str):
                    self._text(point, leaf, tells, (*at, "json"))
            if any(PLACE_NAMES & set(names_in(key)) for key in _keys_of(tell.json)):
                what = "a value has no place in a key: only blanks are filled there"
                self.wrong((*at, "json"), what, key=True)
        for point, hear in hears.items():
            if hear.pattern is None:
                continue
            at = ("dialects", name, point, "hear", "pattern")
            names = names_in(hear.pattern)
            if point != "colour" and (VALUE in names) + (point in names) != 1:
                what = "the value has no place in it" if VALUE not in names else "it is there twice"
                self.wrong(at, what, 'put "{value}" where it stands', key=True)
            self._text(point, hear.pattern, hears, at)

    def _text(
        self,
        point: Point,
        text: str,
        rules: Mapping[Point, TellMap] | Mapping[Point, HearMap],
        at: Path,
    ) -> None:
        # a blank is text of the device's own; what it is, is looked at once it is filled
        form = Text.of(PLACE.sub(lambda m: m[0] if m[1] in PLACE_NAMES else "\0", text))
        names = [point if n == VALUE else n for n in form.names if n != ANY]
        if len(set(names)) < len(names):
            self.wrong(at, f"'{text}' has a value in it twice", "say it once", key=True)
            return
        why = why_not_told_apart(form, spelt(point, form, rules))
        if why is not None:
            self.wrong(at, why, "put something between that can be part of neither", key=True)

    # ---- words and scales ------------------------------------------------------------------

    def _scaled(self, point: Point, said: TellShape | HearShape, at: Path) -> None:
        """What says how a number is spelt, where there is none or it is spelt otherwise."""
        scale = said.scale if isinstance(said, HearShape) else None
        given: dict[str, object] = {
            "span": said.span,
            "of": said.of,
            "unit": said.unit,
            "step": said.step,
        }
        given["scale"] = scale
        useless: tuple[str, ...] = ()
        todo = ""
        if point in YES_NO or point == "shut_down":
            useless, todo = tuple(given), "use 'words'"
        elif point == "level":
            useless, todo = ("of", "scale"), "use 'span', like 0..1000 for tenths of a percent"
        elif point == "cct":
            useless, todo = ("scale",), "use 'span' and 'of', like 0..255 of 2700..6500 K"
        elif point == "watts":
            useless, todo = ("span", "of", "step"), "use 'unit' or 'scale', like scale: 0.1"
        else:
            useless, todo = ("of", "step"), "use 'unit', 'span' or 'scale', like scale: 0.1"
            if point == "battery" and said.span is not None:
                useless, todo = (*useless, "scale", "unit"), "the span says it"
        for key in useless:
            if given[key] is not None:
                what = f"'{key}' does nothing for '{point}'"
                self.wrong((*at, key), what, todo, key=True)
        if point == "cct" and said.of is not None:
            if said.span is None:
                what = "'of' says what the ends of a span stand for, and there is no 'span'"
                self.wrong((*at, "of"), what, "add 'span: 0..255', or as the device has it", True)
            if said.unit is not None:
                what = "'unit' does nothing beside 'of', which has its own"
                self.wrong((*at, "unit"), what, "leave it out", key=True)
        if point == "level" and said.span is not None and said.unit is not None:
            most = 100.0 if said.unit == "percent" else 1.0
            if min(said.span) < 0 or max(said.span) > most:
                what = f"{said.span[0]:g}..{said.span[1]:g} is not in {said.unit}"
                self.wrong((*at, "unit"), what, "leave it out: a span stands for 0 to 100 %", True)

    def _words(
        self, point: Point, words: Mapping[str, list[Scalar]] | None, at: Path
    ) -> Words | None:
        if words is None:
            return None
        if point == "shut_down":
            self.wrong(at, "'shut_down' has no words", "write what is told into 'payload'", True)
            return None
        if point not in YES_NO:
            self.wrong(at, f"'{point}' is a number and has no words", "use 'span' and 'unit'", True)
            return None
        found: dict[str, list[Scalar]] = {}
        for word, spelt_so in words.items():
            which = {"on": "yes", "yes": "yes", "true": "yes", "off": "no", "no": "no"}.get(word)
            which = "no" if word == "false" else which
            if which is None or which in found:
                self.wrong((*at, word), f"'{word}' is not one of on, off, yes, no", key=True)
                return None
            found[which] = spelt_so
        texts = {which: {as_text(w) for w in spelt_so} for which, spelt_so in found.items()}
        if set(found) != {"yes", "no"} or texts["yes"] & texts["no"]:
            self.wrong(at, "words need two different ones", 'like {on: "1", off: "0"}', key=True)
            return None
        (yes, *more_yes), (no, *more_no) = found["yes"], found["no"]
        return Words(yes, no, tuple(more_yes), tuple(more_no))

    def _span(self, point: Point, said: TellShape | HearShape, at: Path) -> Span | None:
        if said.span is None:
            return None
        low, high = said.span
        first, last = ENDS["kelvin"]  # mired have the same ends: each is the other's reciprocal
        wide = SMALLEST_WIDTH <= abs(high - low) <= LARGEST_WIDTH
        if point == "cct" and said.of is None:
            if low > high:
                what = f"whites in {said.unit or 'kelvin'} from {low:g} down to {high:g}"
                todo = "write the lower end first, or say what the ends stand for with 'of'"
                self.wrong(at, what, todo)
                return Span(high, low)
            if not (wide and first <= low and high <= last):
                what = f"no white lies between {low:g} and {high:g}: a span is within"
                self.wrong(
                    at, f"{what} {first:.0f} to {last:.0f}", "like 2700..6500, or 153..370 mired"
                )
        elif point in ("level", "cct", "battery") and not wide:
            self.wrong(at, f"{low:g} to {high:g} is no scale for a {point}", "like 0..255")
        return Span(low, high)

    def _unit(self, point: Point, unit: Unit | None, at: Path) -> Unit | None:
        fits = {
            "level": ("percent", "fraction"),
            "cct": ("kelvin", "mired"),
            "watts": ("watt", "milliwatt", "kilowatt"),
            "lux": ("lux", "footcandle"),
            "temperature": ("celsius", "fahrenheit"),
            "battery": ("percent", "fraction"),
            "card": ("minute", "second", "hour"),
        }.get(point, ())
        if unit is not None and fits and unit not in fits:
            known = " or ".join(fits) or "none"
            self.wrong(at, f"'{point}' is not in {unit}", f"its units: {known}")
            return None
        return unit

    def _step(self, point: Point, said: TellShape | HearShape, at: Path) -> float:
        """A step of its own: in the unit its scale is linear in, coarser than that scale."""
        if said.step is None or point not in ("level", "cct"):
            return 0.0
        step, unit = said.step
        if point == "level":
            fits, width = "%", 100.0
        elif said.of is not None:
            fits, width = _STEP_UNITS[said.of[2]], abs(said.of[1] - said.of[0])
        else:
            fits = _STEP_UNITS[said.unit or "kelvin"] if said.unit in _STEP_UNITS else "K"
            width = 1e6 if said.span is None else abs(said.span[1] - said.span[0])
        if unit != fits:
            self.wrong(at, f"a step of '{point}' is in {fits} here, not in {unit}", key=True)
            return 0.0
        own = 0.0
        whole = said.span is not None and all(end == int(end) for end in said.span)
        if said.span is not None and whole and said.unit != "fraction":
            own = width / abs(said.span[1] - said.span[0])
        if step > width / 2:
            self.wrong(at, f"a step of {step:g} {unit} leaves nothing to set", key=True)
            return 0.0
        if step <= own:
            what = f"a step of {step:g} {unit} changes nothing: the span has steps of {own:.3g}"
            self.wrong(at, what, "leave it out", key=True)
            return 0.0
        return step

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
        owner = self.homie.setdefault(at, name)
        if owner != name:
            what = f"'{name}' and '{owner}' both use '{at}'"
            self.wrong(("devices", name, "at"), what, "give each its own place ('at:')")

    # ---- topics --------------------------------------------------------------------------

    def topics(self, name: str, shape: DeviceShape, dialect: Dialect) -> None:
        """Where this device is told and heard, and that nobody else is."""
        for wrong in self.sharing.take(name, shape, dialect):
            at: Path = ("devices", name, "at") if wrong.at else ("devices", name)
            self.wrong(at, wrong.what, wrong.todo, key=not wrong.at)
            return
        blanks: dict[str, Scalar] = {**shape.blanks, AT: shape.at or ""}
        rules: list[tuple[Point, str, Mapping[Point, TellMap] | Mapping[Point, HearMap]]] = []
        for point, tell in dialect.tell.items():
            if tell.json is None:
                rules.append((point, tell.payload or "", dialect.tell))
            else:
                leaves = [leaf for _, leaf in leaves_of(tell.json) if isinstance(leaf, str)]
                rules += [(point, leaf, dialect.tell) for leaf in leaves]
        for point, hear in dialect.hear.items():
            rules.append((point, hear.pattern or "", dialect.hear))
        for point, text, all_rules in rules:
            filled = fill_text(text, blanks)
            if filled == text:
                continue  # looked at already, with the dialect
            form = Text.of(filled)
            why = why_not_told_apart(form, spelt(point, form, all_rules))
            if why is not None:
                self.wrong(
                    ("devices", name),
                    f"filled in, '{filled}' can be read in two ways: {why}",
                    f"put something between in '{dialect.name}'",
                    key=True,
                )
                return


# What may stand in braces and is no blank of a device.
PLACE_NAMES = frozenset({VALUE, FADE, ANY, *POINTS, *PARTS})
_STEP_UNITS = {"kelvin": "K", "mired": "mired"}


def _of(said: TellShape | HearShape) -> Of | None:
    if said.of is None:
        return None
    first, last, unit = said.of
    return Of(first, last, "mired" if unit == "mired" else "kelvin")


def _keys_of(template: object) -> list[str]:
    """Every key of a JSON template."""
    if isinstance(template, dict):
        return [k for key, part in template.items() for k in (str(key), *_keys_of(part))]
    if isinstance(template, list):
        return [key for part in template for key in _keys_of(part)]
    return []


def _merged(groups: Iterable[set[Point]]) -> list[set[Point]]:
    """Groups that share a point are one."""
    merged: list[set[Point]] = []
    for group in groups:
        whole = set(group)
        for other in [m for m in merged if m & whole]:
            merged.remove(other)
            whole |= other
        merged.append(whole)
    return merged
