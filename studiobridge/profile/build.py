"""From the shape of a file to a SetProfile: every name resolved, every contradiction found.

All problems are collected; nothing stops at the first.
"""

from __future__ import annotations

import difflib
import zoneinfo
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from pathlib import Path as FilePath
from types import MappingProxyType

from pydantic import BaseModel, ValidationError

from studiobridge.craft.exposure import C_DOME, C_FLAT, shutter_of_angle
from studiobridge.craft.mains import resistance
from studiobridge.profile.model import (
    FIXTURES,
    HOMIE5,
    POINTS,
    TOLD,
    YES_NO,
    AskMap,
    CallTime,
    Circuit,
    Device,
    HearMap,
    Lead,
    LeftOn,
    Look,
    Output,
    Patience,
    Picture,
    PictureTolerance,
    Place,
    Point,
    Preset,
    Price,
    Room,
    SetProfile,
    Span,
    SwitchRule,
    TellMap,
    Tolerance,
    Unit,
    Variation,
    WireMap,
    Words,
)
from studiobridge.profile.shape import (
    DeviceShape,
    LeadShape,
    LookShape,
    PlaceShape,
    PointShape,
    PresetShape,
    ProfileShape,
    RoomShape,
    ToleranceShape,
    WireShape,
)
from studiobridge.profile.text import Document, Path, Problem, ProfileError, read_document

DAYS = ("mon", "tue", "wed", "thu", "fri", "sat", "sun")
DAY_WORDS = {
    "daily": frozenset(range(7)),
    "weekdays": frozenset(range(5)),
    "weekends": frozenset({5, 6}),
}
BATTERY = "battery"
# Plugs behind plugs: more than a few is bad practice, more than this is a mistake in the file.
DEEPEST_FEED = 20
MARK = "mark"


@dataclass(frozen=True, slots=True)
class Reading:
    """A profile that can be run, and what was doubtful in its file."""

    profile: SetProfile
    warnings: tuple[Problem, ...]
    path: FilePath | None = None
    document: Document | None = None

    def problem(self, where: Path, what: str, todo: str = "") -> Problem:
        """What others found out about this profile, with the line and column it is about."""
        if self.document is None:
            return Problem(str(self.path or self.profile.name), 1, 1, what, todo)
        return self.document.problem(where, what, todo, key=True)


def read_profile(path: FilePath) -> Reading:
    """Read a set profile. Raises ProfileError with everything that is wrong in it."""
    try:
        data = path.read_bytes()
    except FileNotFoundError:
        raise ProfileError([Problem(str(path), 1, 1, "there is no such file")]) from None
    except OSError as error:
        what = f"it cannot be read: {error.strerror or error}"
        raise ProfileError([Problem(str(path), 1, 1, what)]) from None
    reading = read_profile_text(data, str(path))
    return Reading(reading.profile, reading.warnings, path, reading.document)


def read_profile_text(text: str | bytes, name: str = "profile.yaml") -> Reading:
    """Read a set profile from text. Raises ProfileError."""
    document = read_document(text, name)
    problems = list(document.problems)
    shape = None
    try:
        shape = ProfileShape.model_validate(document.root.value())
    except ValidationError as error:
        problems.extend(_from_validation(document, error))
    if shape is None:
        raise ProfileError(problems)
    builder = _Builder(document, shape, problems)
    profile = builder.build()
    if problems:
        raise ProfileError(problems)
    assert profile is not None
    warnings = sorted(builder.warnings, key=lambda p: (p.line, p.column))
    return Reading(profile, tuple(warnings), None, document)


# ---- pydantic's words to ours ------------------------------------------------------------


def nearest(name: str, known: Iterable[str]) -> str:
    """What to do about an unknown name: the nearest known one, or all of them."""
    names = list(known)
    close = difflib.get_close_matches(name, names, n=1, cutoff=0.6)
    if close:
        return f"did you mean '{close[0]}'?"
    if not names:
        return "there are none"
    some = ", ".join(names[:12])
    return f"known: {some}{', …' if len(names) > 12 else ''}"


def _keys_of(path: Path) -> list[str]:
    """The keys that may stand at a path of the profile."""
    model: object = ProfileShape
    for part in path:
        if not (isinstance(model, type) and issubclass(model, BaseModel)):
            break
        fields = {f.alias or n: f.annotation for n, f in model.model_fields.items()}
        # a look's own keys are the names of devices, each with a preset
        unknown = PresetShape if model is LookShape else None
        model = fields.get(str(part), unknown)
        model = _inner(model)
    if isinstance(model, type) and issubclass(model, BaseModel):
        return [f.alias or n for n, f in model.model_fields.items()]
    return []


def _inner(annotation: object) -> object:
    """The model inside Optional, list or dict of it; a dict's or list's next part is skipped."""
    seen = [annotation]
    while seen:
        current = seen.pop()
        if isinstance(current, type) and issubclass(current, BaseModel):
            return current
        seen.extend(getattr(current, "__args__", ()))
    return annotation


def _model_path(path: Path) -> Path:
    """A path without the parts that are names a person made up or places in a list."""
    named = {"circuits", "wires", "devices", "looks", "switches", "variations"}
    out: list[str | int] = []
    skip = False
    for part in path:
        if skip or isinstance(part, int):
            skip = False
            continue
        out.append(part)
        skip = part in named
    return tuple(out)


def _from_validation(document: Document, error: ValidationError) -> list[Problem]:
    problems = []
    for item in error.errors(include_url=False):
        path: Path = tuple(p for p in item["loc"] if p not in ("[key]",))
        kind = item["type"]
        last = str(path[-1]) if path else ""
        if kind == "extra_forbidden":
            todo = nearest(last, _keys_of(_model_path(path[:-1])))
            problems.append(document.problem(path, f"unknown key '{last}'", todo, key=True))
        elif kind == "missing":
            where = path[:-1]
            problems.append(document.problem(where, f"'{last}' is missing", "add it", key=True))
        elif kind == "literal_error":
            expected = str(item.get("ctx", {}).get("expected", ""))
            what = f"'{item['input']}' is not one of {expected}"
            known = [word.strip(" '") for word in expected.replace(" or ", ",").split(",")]
            todo = nearest(str(item["input"]), known)
            if last == "format":
                what, todo = f"format {item['input']} is not known here", "write 'format: 1'"
            problems.append(
                document.problem(path, what, todo if todo.startswith(("did", "write")) else "")
            )
        elif kind == "value_error":
            text = str(item["msg"]).removeprefix("Value error, ")
            what, _, todo = text.partition("; ")
            key = "[key]" in item["loc"]
            problems.append(document.problem(path, what, todo, key=key))
        elif kind in ("model_type", "dict_type", "model_attributes_type"):
            problems.append(document.problem(path, f"'{last}' is a mapping of keys to values"))
        elif kind == "list_type":
            problems.append(document.problem(path, f"'{last}' is a list", "write it like [a, b]"))
        elif kind == "too_short":
            problems.append(document.problem(path, f"'{last}' is empty", key=True))
        else:
            what = f"'{last}': {str(item['msg'])[0].lower()}{str(item['msg'])[1:]}"
            problems.append(document.problem(path, what))
    unique = {(p.line, p.column, p.what): p for p in problems}
    return list(unique.values())


# ---- building ----------------------------------------------------------------------------


class _Builder:
    def __init__(self, document: Document, shape: ProfileShape, problems: list[Problem]) -> None:
        self.document = document
        self.shape = shape
        self.problems = problems
        self.warnings: list[Problem] = []
        self.told: dict[tuple[str, str], str] = {}
        self.heard: dict[tuple[str, str], str] = {}
        # whatever can feed a device, in the order of the file
        self.feeders = dict.fromkeys((*shape.mains.circuits, *shape.devices, BATTERY))

    def wrong(self, path: Path, what: str, todo: str = "", key: bool = False) -> None:
        self.problems.append(self.document.problem(path, what, todo, key))

    def doubt(self, path: Path, what: str, todo: str = "", key: bool = False) -> None:
        self.warnings.append(self.document.problem(path, what, todo, key))

    def build(self) -> SetProfile | None:
        shape = self.shape
        circuits = {
            name: Circuit(name, c.breaker, c.curve, c.gap)
            for name, c in shape.mains.circuits.items()
        }
        for name, circuit in circuits.items():
            if circuit.breaker <= 0:
                self.wrong(("mains", "circuits", name, "breaker"), "a breaker is above 0 A")
            if name in shape.devices or name == BATTERY:
                self.wrong(
                    ("mains", "circuits", name),
                    f"'{name}' names a circuit and something else",
                    "give one of them another name",
                    key=True,
                )
        wires = {name: self._wire(name, wire) for name, wire in shape.wires.items()}
        looks = self._looks()
        feeds = self._feeds()
        devices: dict[str, Device] = {}
        for name, device in shape.devices.items():
            devices[name] = self._device(name, device, wires, looks, feeds)
        self._after()
        room = self._room()
        for name, made in devices.items():
            self._check_place(name, made, room, devices)
        picture = self._picture(devices)
        for look in looks.values():
            self._check_look(look, devices)
        if shape.default_look is not None and shape.default_look not in looks:
            todo = nearest(shape.default_look, looks)
            self.wrong(("default_look",), f"there is no look '{shape.default_look}'", todo)
        if self.problems:
            return None
        return (
            SetProfile(
                name=shape.set,
                title=shape.title,
                voltage=shape.mains.voltage,
                circuits=MappingProxyType(circuits),
                wires=MappingProxyType(wires),
                devices=MappingProxyType(devices),
                looks=MappingProxyType(looks),
                default_look=shape.default_look or next(iter(looks), None),
                switches=tuple(self._switches(looks)),
                call_times=tuple(self._call_times(looks)),
                time_zone=self._time_zone(),
                warm_up=shape.warm_up,
                left_on=LeftOn(shape.left_on.after, shape.left_on.then) if shape.left_on else None,
                patience=Patience(
                    max(0.1, shape.patience.reply), shape.patience.tries, shape.patience.listen
                ),
                frequency=float(shape.mains.frequency.split(" ")[0])
                if shape.mains.frequency
                else None,
                price=Price(*shape.mains.price) if shape.mains.price else None,
                room=room,
                picture=picture,
            )
            if not self.problems
            else None
        )

    # ---- wires ---------------------------------------------------------------------------

    def _wire(self, name: str, shape: WireShape) -> WireMap:
        tells: dict[Point, TellMap] = {}
        hears: dict[Point, HearMap] = {}
        if name == HOMIE5:
            self.wrong(("wires", name), f"'{HOMIE5}' is built in", "give yours another name", True)
        for point in POINTS:
            said: PointShape | None = getattr(shape, point)
            if said is None:
                continue
            at: Path = ("wires", name, point)
            if said.tell is None and said.hear is None:
                self.wrong(at, f"'{point}' says neither tell nor hear", key=True)
            if said.tell is not None:
                if point not in TOLD:
                    self.wrong((*at, "tell"), f"'{point}' is heard, never told", key=True)
                tells[point] = self._tell(point, said, (*at, "tell"))
                if point != "shut_down" and said.hear is None:
                    self.wrong(
                        at,
                        f"'{point}' is told but never heard, so nothing could be confirmed",
                        f"add 'hear' to '{point}'",
                        key=True,
                    )
            if said.hear is not None:
                if point == "shut_down":
                    self.wrong((*at, "hear"), "'shut_down' is told, never heard", "use 'down'")
                hear = said.hear
                hears[point] = HearMap(
                    hear.topic,
                    hear.field,
                    self._words(point, hear.words, (*at, "hear", "words")),
                    Span(*hear.span) if hear.span is not None else None,
                    self._unit(point, hear.unit, (*at, "hear", "unit")),
                    hear.qos,
                )
        ask = AskMap(shape.ask.topic, shape.ask.payload, shape.ask.qos) if shape.ask else None
        return WireMap(name, MappingProxyType(tells), MappingProxyType(hears), ask)

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
            Span(*tell.span) if tell.span is not None else None,
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

    def _unit(self, point: Point, unit: Unit | None, at: Path) -> Unit | None:
        fits = {
            "level": ("percent", "fraction"),
            "cct": ("kelvin", "mired"),
            "watts": ("watt",),
        }.get(point, ())
        if unit is not None and unit not in fits:
            known = " or ".join(fits) or "none"
            self.wrong(at, f"'{point}' is not in {unit}", f"its units: {known}")
            return None
        return unit

    # ---- feeds ---------------------------------------------------------------------------

    def _feeds(self) -> dict[str, tuple[tuple[str, ...], str | None]]:
        """For every device: all that is upstream, nearest first, and the circuit at the root."""
        shape = self.shape
        known: dict[str, tuple[tuple[str, ...], str | None]] = {}
        too_deep = False
        for name in shape.devices:
            trail: list[str] = []
            at: str | None = name
            deep = DEEPEST_FEED + 1
            while at is not None and at not in known and at in shape.devices and len(trail) < deep:
                if at in trail:
                    circle = " → ".join([*trail[trail.index(at) :], at])
                    if at == min(trail[trail.index(at) :]):
                        self.wrong(("devices", at, "fed_by"), f"a circle of feeds: {circle}")
                    at = None
                    break
                trail.append(at)
                at = shape.devices[at].fed_by
            ups: tuple[str, ...] = ()
            circuit: str | None = None
            if at is not None and at in known:
                ups, circuit = (at, *known[at][0]), known[at][1]
            elif at is not None and at in shape.mains.circuits:
                circuit = at
            if len(ups) + len(trail) > DEEPEST_FEED:
                if not too_deep:
                    what = (
                        f"'{trail[0]}' hangs on more than {DEEPEST_FEED} plugs one behind another"
                    )
                    self.wrong(
                        ("devices", trail[0], "fed_by"), what, "feed it from nearer the wall"
                    )
                too_deep = True
                known[trail[0]] = ((), circuit)
                continue
            for member in reversed(trail):
                known[member] = (ups, circuit)
                ups = (member, *ups)
        return known

    def _device(
        self,
        name: str,
        shape: DeviceShape,
        wires: dict[str, WireMap],
        looks: dict[str, Look],
        feeds: dict[str, tuple[tuple[str, ...], str | None]],
    ) -> Device:
        at: Path = ("devices", name)
        document_names = self.feeders
        battery = shape.fed_by == BATTERY
        if name in ("title", "from", "whites", MARK, BATTERY):
            self.wrong(at, f"'{name}' is a word of this file", "give it another name", key=True)
        if shape.fed_by is None:
            self.wrong(
                at,
                f"'{name}' does not say what feeds it",
                "add 'fed_by:' with a circuit, a plug or 'battery'",
                key=True,
            )
        elif shape.fed_by not in document_names:
            todo = nearest(shape.fed_by, document_names)
            self.wrong((*at, "fed_by"), f"nothing is called '{shape.fed_by}'", todo)
        elif not battery and shape.fed_by in self.shape.devices:
            feeder = self.shape.devices[shape.fed_by]
            if feeder.kind != "plug":
                self.wrong(
                    (*at, "fed_by"),
                    f"'{shape.fed_by}' is a {feeder.kind} and feeds nothing",
                    "a plug or a strip (a plug without a wire) does",
                )
        presets = {n: look.presets[name] for n, look in looks.items() if name in look.presets}
        tells: set[Point] = set()
        hears: set[Point] = set()
        can_ask = knows_fade = False
        if shape.wire == HOMIE5:
            tells, hears = self._homie_points(shape, presets)
            self._homie_at(name, shape)
        elif shape.wire is not None:
            wire = wires.get(shape.wire)
            if wire is None:
                todo = nearest(shape.wire, [*wires, HOMIE5])
                self.wrong((*at, "wire"), f"there is no wire map '{shape.wire}'", todo)
            else:
                tells, hears = set(wire.tell), set(wire.hear)
                can_ask = wire.ask is not None
                knows_fade = any(t.fade_unit is not None for t in wire.tell.values())
                self._topics(name, shape, wire)
        elif shape.at is not None:
            self.wrong((*at, "at"), "'at' is for a device with a wire", "add 'wire:'", key=True)
        if shape.kind == "plug" and shape.wire is not None and "switch" not in tells:
            self.wrong((*at, "wire"), f"'{name}' is a plug and its wire tells no switch")
        if shape.meters and "watts" not in hears and shape.wire is not None:
            self.wrong((*at, "meters"), "its wire hears no watts", "add 'watts' to the wire map")
        fixture = shape.kind in FIXTURES
        if fixture and shape.wire is None and shape.fed_by is None:
            self.wrong(at, f"'{name}' has neither a wire nor a feed: nothing reaches it", key=True)
        if shape.restores and not fixture and shape.kind != "plug":
            self.doubt((*at, "restores"), "only lights, backdrops and plugs are put back")
        ups, circuit = feeds.get(name, ((), None))
        if shape.kind == "computer" and ups and shape.wire is None and shape.idle_below is None:
            self.doubt(
                at,
                f"'{name}' cannot say it is down, so a run-down will stop before its plug",
                "give it a wire with 'down', or 'idle_below' and a metering plug",
                key=True,
            )
        if shape.wire is not None and shape.wire != HOMIE5 and hears and not tells and not can_ask:
            self.doubt(
                at,
                f"'{name}' speaks only when it wants to: after a restart of the bridge it stays"
                " unconfirmed until it does",
                f"add 'ask' to the wire map '{shape.wire}'",
                key=True,
            )
        essential = shape.essential
        if essential is None:
            essential = shape.kind not in ("sensor", "charger")
        stays = shape.stays_on
        if stays is None:
            stays = shape.kind in ("charger", "network")
        for point in shape.properties:
            if point not in POINTS:
                todo = nearest(point, POINTS)
                self.wrong((*at, "properties", point), f"'{point}' is no point", todo, key=True)
        return Device(
            name=name,
            kind=shape.kind,
            title=shape.title,
            fed_by=None if battery else shape.fed_by,
            battery=battery,
            feeds=tuple(u for u in ups if u in self.shape.devices),
            circuit=circuit,
            wire=shape.wire,
            at=shape.at or "",
            blanks=MappingProxyType(dict(shape.blanks)),
            properties=MappingProxyType(dict(shape.properties)),
            tells=frozenset(tells),
            hears=frozenset(hears),
            can_ask=can_ask,
            knows_fade=knows_fade,
            after=tuple(dict.fromkeys(shape.after)),
            essential=essential,
            stays_on=stays,
            hand_set=fixture and shape.wire is None and bool(presets),
            meters=shape.meters,
            draws=shape.draws,
            inrush=shape.inrush,
            boots_in=shape.boots_in,
            answers_in=shape.answers_in,
            fade=shape.fade,
            cools_in=shape.cools_in,
            idle_below=shape.idle_below,
            idle_for=shape.idle_for,
            shuts_in=shape.shuts_in,
            closes_in=shape.closes_in,
            residual=shape.residual,
            forgets_level=shape.forgets_level,
            level_range=shape.level,
            cct_range=shape.cct,
            dimmer=shape.dimmer,
            role=shape.role,
            place=_place(shape.place),
            output=Output(*shape.output) if shape.output else None,
            beam=shape.beam,
            size=(float(shape.size.width), float(shape.size.height)) if shape.size else None,
            glow=shape.glow,
            reflects=shape.reflects / 100.0 if shape.reflects is not None else None,
            pwm=shape.pwm,
            flicker=shape.flicker,
            lead=self._lead(shape.lead, (*at, "lead", "section")),
            holds=shape.holds,
            tolerance=self._tolerance(shape.tolerance),
            poll=shape.poll or None,
            silent_after=shape.silent_after or None,
            restores=shape.restores,
        )

    # ---- room, picture -------------------------------------------------------------------

    def _lead(self, shape: LeadShape | None, at: Path) -> Lead | None:
        if shape is None:
            return None
        lead = Lead(float(shape.length), *shape.section)
        try:
            resistance(lead.length, square_mm=lead.square_mm, awg=lead.awg)
        except ValueError as error:
            what, _, todo = str(error).partition("; ")
            self.wrong(at, what, todo)
        return lead

    def _room(self) -> Room:
        shape = self.shape.room
        for name, variation in shape.variations.items():
            for link in variation.__pydantic_extra__ or {}:
                if link not in shape.chain:
                    at: Path = ("room", "variations", name, link)
                    what = f"the chain has no '{link}' to vary"
                    self.wrong(at, what, nearest(link, shape.chain), key=True)
        mark = None
        if shape.mark is not None:
            mark = Place(float(shape.mark.from_back), shape.mark.across, float(shape.mark.height))
            self._inside(mark, shape, ("room", "mark"), "the mark")
        return Room(
            depth=shape.depth,
            width=float(shape.width) if shape.width is not None else None,
            height=float(shape.height) if shape.height is not None else None,
            mark=mark,
            chain=MappingProxyType(dict(shape.chain)),
            variations=tuple(
                Variation(name, v.title, MappingProxyType(dict(v.__pydantic_extra__ or {})))
                for name, v in shape.variations.items()
            ),
        )

    def _inside(self, place: Place, room: RoomShape, at: Path, what: str) -> None:
        """Nothing stands outside the room it is in."""
        if room.depth is not None and place.from_back > room.depth:
            self.wrong(
                (*at, "from_back"),
                f"{what} is {place.from_back:g} m from the back wall of a room"
                f" {float(room.depth):g} m deep",
            )
        if room.width is not None and abs(place.across) > float(room.width) / 2:
            self.wrong(
                (*at, "across"),
                f"{what} is {abs(place.across):g} m from the middle of a room"
                f" {float(room.width):g} m wide",
                "across is 0 in the middle, negative to the left as the camera sees it",
            )
        if room.height is not None and place.height > room.height:
            self.wrong(
                (*at, "height"),
                f"{what} is {place.height:g} m up in a room {float(room.height):g} m high",
            )

    def _check_place(
        self, name: str, device: Device, room: Room, devices: Mapping[str, Device]
    ) -> None:
        at: Path = ("devices", name)
        only: list[tuple[str, bool, object]] = [
            ("role", device.fixture, device.role),
            ("output", device.fixture, device.output),
            ("beam", device.fixture, device.beam),
            ("pwm", device.fixture or device.kind == "display", device.pwm),
            ("flicker", device.fixture or device.kind == "display", device.flicker),
            ("size", device.kind == "backdrop", device.size),
            ("glow", device.kind == "backdrop", device.glow),
            ("reflects", device.kind == "backdrop", device.reflects),
            ("holds", device.battery, device.holds),
        ]
        for key, fits, value in only:
            if value is not None and not fits:
                what = f"'{name}' is a {device.kind} and has no '{key}'"
                if key == "holds":
                    what = f"'{name}' is not on battery, so it holds nothing"
                self.wrong((*at, key), what, key=True)
        place = device.place
        if place is None:
            return
        self._inside(place, self.shape.room, (*at, "place"), f"'{name}'")
        aim = place.aim
        if aim is None:
            return
        where: Path = (*at, "place", "aim")
        if aim == MARK:
            if room.mark is None:
                self.wrong(where, "there is no mark to aim at", "add 'mark:' to 'room:'")
                return
            target = room.mark
        elif aim not in devices or aim == name:
            self.wrong(where, f"there is no '{aim}' to aim at", nearest(aim, [MARK, *devices]))
            return
        else:
            found = devices[aim].place
            if found is None:
                self.wrong(where, f"'{aim}' has no place to aim at", f"give '{aim}' a place")
                return
            target = found
        if (place.from_back, place.across, place.height) == (
            target.from_back,
            target.across,
            target.height,
        ):
            self.wrong((*at, "place"), f"'{name}' stands exactly where it aims", key=True)

    def _picture(self, devices: Mapping[str, Device]) -> Picture:
        shape = self.shape.picture
        if shape.camera is not None:
            camera = devices.get(shape.camera)
            cameras = [d.name for d in devices.values() if d.kind == "camera"]
            if camera is None or camera.kind != "camera":
                what = f"there is no camera '{shape.camera}'"
                self.wrong(("picture", "camera"), what, nearest(shape.camera, cameras))
        shutter, angle = shape.shutter or (None, None)
        if angle is not None:
            if shape.frames is None:
                what = "a shutter in degrees needs the frame rate"
                self.wrong(("picture", "shutter"), what, "add 'frames: 25 fps'")
            else:
                shutter = shutter_of_angle(angle, shape.frames)
        if shutter is not None and shape.frames is not None and shutter * shape.frames > 1 + 1e-9:
            self.wrong(
                ("picture", "shutter"),
                f"{shutter:g} s is longer than a frame at {shape.frames:g} fps",
            )
        return Picture(
            camera=shape.camera,
            focal=shape.focal,
            sensor=shape.sensor,
            frames=shape.frames,
            shutter=shutter,
            iso=float(shape.iso) if shape.iso is not None else None,
            aperture=shape.aperture,
            white=shape.white,
            constant=C_DOME if shape.meter == "dome" else C_FLAT,
            daylight=shape.locus == "daylight",
            whites_within=shape.whites_within,
            fits=shape.fits,
            hold=PictureTolerance(shape.hold.face, shape.hold.ratio, shape.hold.white),
        )

    def _tolerance(self, own: ToleranceShape | None) -> Tolerance:
        usual, whole = Tolerance(), self.shape.tolerance

        def pick(name: str) -> float:
            for shape in (own, whole):
                value = getattr(shape, name, None)
                if value is not None:
                    return float(value)
            return float(getattr(usual, name))

        return Tolerance(pick("level"), pick("cct"), pick("settle"))

    def _homie_points(
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
        elif shape.kind == "computer":
            tells.add("shut_down")
            hears.add("down")
        elif shape.kind == "camera":
            hears.add("rolling")
        if shape.meters:
            hears.add("watts")
        for point in POINTS:
            if point in shape.properties:
                if point in TOLD:
                    tells.add(point)
                if point != "shut_down":
                    hears.add(point)
        return tells, hears | (tells - {"shut_down"})

    def _homie_at(self, name: str, shape: DeviceShape) -> None:
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

    def _topics(self, name: str, shape: DeviceShape, wire: WireMap) -> None:
        at: Path = ("devices", name, "at")
        rules: list[tuple[str, str, dict[tuple[str, str], str]]] = []
        for tell in wire.tell.values():
            key = "" if tell.json is None else f"json:{sorted(_leaves(tell.json))}"
            rules.append((tell.topic, key, self.told))
        for hear in wire.hear.values():
            rules.append((hear.topic, hear.field or "", self.heard))
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

    # ---- order ---------------------------------------------------------------------------

    def _after(self) -> None:
        devices = self.shape.devices
        for name, device in devices.items():
            for i, other in enumerate(device.after):
                if other not in devices:
                    todo = nearest(other, devices)
                    self.wrong(("devices", name, "after", i), f"no device '{other}'", todo)
                elif other == name:
                    self.wrong(("devices", name, "after", i), f"'{name}' comes after itself")
        state: dict[str, int] = {}
        for name in devices:
            trail: list[tuple[str, int]] = [(name, 0)]
            while trail:
                at, i = trail.pop()
                after = [a for a in devices[at].after if a in devices and a != at]
                if i == 0:
                    if state.get(at) == 2:
                        continue
                    state[at] = 1
                if i < len(after):
                    trail.append((at, i + 1))
                    below = after[i]
                    if state.get(below) == 1:
                        names = [n for n, _ in trail]
                        circle = " → ".join([*names[names.index(below) :], below])
                        self.wrong(("devices", at, "after"), f"a circle of 'after': {circle}")
                        return
                    if state.get(below) is None:
                        trail.append((below, 0))
                else:
                    state[at] = 2

    # ---- looks ---------------------------------------------------------------------------

    def _looks(self) -> dict[str, Look]:
        shapes = self.shape.looks
        done: dict[str, Look] = {}

        def build(name: str, trail: tuple[str, ...]) -> Look:
            if name in done:
                return done[name]
            shape = shapes[name]
            presets: dict[str, Preset] = {}
            if shape.from_ is not None:
                at: Path = ("looks", name, "from")
                if shape.from_ not in shapes:
                    todo = nearest(shape.from_, shapes)
                    self.wrong(at, f"there is no look '{shape.from_}'", todo)
                elif shape.from_ in (*trail, name):
                    self.wrong(at, f"a circle of looks: {' → '.join((*trail, name, shape.from_))}")
                else:
                    presets.update(build(shape.from_, (*trail, name)).presets)
            for device, said in _presets_in(shape).items():
                before = presets.get(device, Preset())
                presets[device] = Preset(
                    said.level if said.level is not None else before.level,
                    said.cct if said.cct is not None else before.cct,
                )
            meant = shape.whites == "meant"
            if shape.from_ in done:
                meant = meant or done[shape.from_].whites_meant
            done[name] = Look(name, MappingProxyType(presets), shape.title, meant)
            return done[name]

        for name in shapes:
            build(name, ())
        return {name: done[name] for name in shapes}

    def _check_look(self, look: Look, devices: dict[str, Device]) -> None:
        own = _presets_in(self.shape.looks[look.name])
        for name, preset in own.items():
            at: Path = ("looks", look.name, name)
            device = devices.get(name)
            if device is None:
                self.wrong(at, f"there is no device '{name}'", nearest(name, devices), key=True)
                continue
            if not device.fixture:
                self.wrong(at, f"'{name}' is a {device.kind} and has no preset", key=True)
                continue
            if preset.level is None and preset.cct is None:
                self.wrong(
                    at, f"the preset of '{name}' says nothing", "like {level: 64 %}", key=True
                )
            if device.wire is not None:
                for point in ("level", "cct"):
                    if getattr(preset, point) is not None and point not in device.tells:
                        self.wrong(
                            (*at, point),
                            f"'{name}' cannot be told a {point}: its wire has none",
                            "add it to the wire map, or leave it out here",
                            key=True,
                        )
            if preset.level is not None and device.level_range is not None:
                low, high = device.level_range
                if not low <= preset.level <= high:
                    what = f"{preset.level:g} % is outside the {low:g}..{high:g} % of '{name}'"
                    self.wrong((*at, "level"), what)
            if preset.cct is not None and device.cct_range is not None:
                low, high = device.cct_range
                if not low <= preset.cct <= high:
                    what = f"{preset.cct:g} K is outside the {low:g}..{high:g} K of '{name}'"
                    self.wrong((*at, "cct"), what)
        for name, device in devices.items():
            if device.fixture and device.wire is not None and name not in look.presets:
                self.doubt(
                    ("looks", look.name),
                    f"the look '{look.name}' says nothing of '{name}', so it is left as it is",
                    key=True,
                )

    # ---- who asks, and when --------------------------------------------------------------

    def _switches(self, looks: dict[str, Look]) -> Iterable[SwitchRule]:
        for name, shape in self.shape.switches.items():
            if shape.look is not None and shape.look not in looks:
                todo = nearest(shape.look, looks)
                self.wrong(("switches", name, "look"), f"there is no look '{shape.look}'", todo)
            yield SwitchRule(
                name,
                shape.topic,
                MappingProxyType(dict(shape.words)),
                shape.field,
                shape.look,
                shape.debounce,
            )

    def _call_times(self, looks: dict[str, Look]) -> Iterable[CallTime]:
        for i, shape in enumerate(self.shape.call_times):
            if shape.look is not None and shape.look not in looks:
                todo = nearest(shape.look, looks)
                self.wrong(("call_times", i, "look"), f"there is no look '{shape.look}'", todo)
            hour, minute = shape.ready_by.split(":")
            days = (
                DAY_WORDS[shape.days]
                if isinstance(shape.days, str)
                else frozenset(DAYS.index(day) for day in shape.days)
            )
            yield CallTime(int(hour), int(minute), days, shape.look, shape.grace)

    def _time_zone(self) -> str | None:
        name = self.shape.time_zone
        if name is None:
            return None
        try:
            zoneinfo.ZoneInfo(name)
        except (zoneinfo.ZoneInfoNotFoundError, ValueError, OSError):
            what = f"there is no time zone '{name}'"
            self.wrong(("time_zone",), what, "write it like 'Europe/Lisbon'")
        return name


def _place(shape: PlaceShape | None) -> Place | None:
    if shape is None:
        return None
    return Place(float(shape.from_back), shape.across, float(shape.height), shape.aim)


def _presets_in(shape: LookShape) -> dict[str, Preset]:
    extra = shape.__pydantic_extra__ or {}
    return {name: Preset(said.level, said.cct) for name, said in extra.items()}


def _leaves(template: object, path: str = "") -> list[str]:
    """Where in a JSON template the value stands."""
    if isinstance(template, dict):
        return [leaf for k, v in template.items() for leaf in _leaves(v, f"{path}.{k}")]
    if isinstance(template, list):
        return [leaf for i, v in enumerate(template) for leaf in _leaves(v, f"{path}.{i}")]
    return [path] if isinstance(template, str) and "{value}" in template else []
