"""Homie 5: devices that describe themselves. https://homieiot.github.io/ (convention.md, version 5)

What this file keeps to:

- `homie/5/<device>/$state` is init, ready, disconnected, sleeping or lost. Only ready is
  online. A root that is lost takes its whole tree with it.
- `$description` is JSON; properties, units, formats and settable come from there.
- A property is set with a non-retained message to `<property>/set`. `$target` is where it is
  going and never a report.
- Booleans are `true` and `false`; integers are whole; a float has a dot or an exponent.

A value may arrive before the description that explains it. It waits, with the retain flag it
came with, so that waiting makes nothing fresh.
"""

from __future__ import annotations

import json
import re
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass

from studiobridge.craft.chroma import Colour, ColourSteps
from studiobridge.craft.grid import LARGEST_WIDTH, SMALLEST_WIDTH, Grid, GridUnit
from studiobridge.profile.model import (
    HOMIE_ROOT,
    TOLD,
    YES_NO,
    Device,
    Point,
    SetProfile,
    Value,
    figure,
)
from studiobridge.profile.said import Described, Report, Said, Unreadable
from studiobridge.speech.colours import homie_colour, homie_formats, homie_payload, homie_steps
from studiobridge.speech.encode import (
    KELVIN,
    MIRED,
    WATTS,
    CannotRead,
    json_of,
    number,
    shown,
    text_of,
)
from studiobridge.speech.lacking import MOST_LEAVES, Lacking
from studiobridge.speech.message import Message
from studiobridge.speech.readings import READINGS, Scale, to_house

ROOT = HOMIE_ROOT
STATES = frozenset({"init", "ready", "disconnected", "sleeping", "lost"})
IDENTIFIER = re.compile(r"[a-z0-9]([a-z0-9-]*[a-z0-9])?\Z")
INTEGER = re.compile(r"-?[0-9]{1,19}\Z")
MIRED_UNITS = frozenset({"MK⁻¹", "MK-1"})
# A description is larger than a report, and still not a flood.
MAX_NODES = 1000

# What a property is called where a device's owner did not say (`properties:` in the profile).
USUAL_ID: dict[Point, str] = {
    "switch": "switch",
    "level": "level",
    "cct": "cct",
    "colour": "color",
    "watts": "watts",
    "rolling": "rolling",
    "down": "down",
    "shut_down": "shut-down",
    "lux": "lux",
    "temperature": "temperature",
    "battery": "battery",
    "battery_low": "battery-low",
    "card": "card",
}


@dataclass(frozen=True, slots=True)
class Property:
    """What a description says of one property."""

    name: str
    datatype: str
    settable: bool
    unit: str
    low: float | None
    high: float | None
    step: float
    choices: tuple[str, ...] = ()
    form: str = ""  # its format as it wrote it
    colours: tuple[str, ...] = ()  # of a color: rgb, hsv, xyz, as it prefers them

    @property
    def own_scale(self) -> bool:
        """A level from its lowest number to its highest: neither in percent nor a fraction."""
        return self.unit != "%" and not (self.high == 1.0 and self.datatype == "float")

    def steps(self, point: Point) -> Grid | ColourSteps | None:
        """What it can tell apart. Raises ValueError where its steps make no sense."""
        return homie_steps(self.colours) if point == "colour" else self.grid(point)

    def grid(self, point: Point) -> Grid | None:
        """Its steps, in the unit it speaks. Raises ValueError where they make no sense."""
        if point == "level":
            if self.unit == "%":
                return self._between("percent", 0.0, 100.0)
            if not self.own_scale:
                return self._between("fraction", 0.0, 1.0)
            low, high = self._ends()
            if not SMALLEST_WIDTH <= high - low <= LARGEST_WIDTH:
                raise ValueError(f"it goes from {low:g} to {high:g}, which is no range for a level")
            return Grid(0.0, 100.0, self.step * 100.0 / (high - low), "percent")
        if point == "cct":
            if self.unit in MIRED_UNITS:
                return self._between("mired", MIRED.low, MIRED.high)
            return self._between("kelvin", KELVIN.low, KELVIN.high)
        return None

    def _between(self, unit: GridUnit, low: float, high: float) -> Grid:
        """Its own ends, and these where it leaves one open."""
        return Grid(
            low if self.low is None else self.low,
            high if self.high is None else self.high,
            self.step,
            unit,
        )

    def _ends(self) -> tuple[float, float]:
        low = 0.0 if self.low is None else self.low
        high = 100.0 if self.high is None else self.high
        return low, high

    def encode(self, point: Point, value: Value) -> str:
        """A house value as this property's payload."""
        if isinstance(value, Colour):
            return homie_payload(self.colours, value)
        if self.datatype == "boolean" or point in YES_NO or point == "shut_down":
            if self.datatype == "enum" and self.choices:
                return self.choices[0]
            return "true" if value else "false"
        if point == "watts":
            raw = figure(value)
        elif point in READINGS:
            raw = self.scale(point).raw(figure(value))
        else:
            grid = self.grid(point)
            assert grid is not None
            held = grid.nearest(figure(value))
            if point == "level" and self.own_scale:
                low, high = self._ends()
                raw = low + held / 100.0 * (high - low)
            else:
                raw = grid.to_raw(held)
        if self.datatype == "integer":
            return str(round(raw))
        return repr(round(raw, 9))

    def decode(self, point: Point, text: str) -> Value | None:
        """This property's payload as a house value; None for the colour of black. CannotRead."""
        if point == "colour":
            return homie_colour(self.colours, text)
        if point in YES_NO:
            if text not in ("true", "false"):
                raise CannotRead(f"{point} is {shown(text)}, neither 'true' nor 'false'")
            return text == "true"
        if self.datatype == "integer" and not INTEGER.match(text):
            raise CannotRead(f"{point} is {shown(text)}, not a whole number")
        raw = number(text, point)
        if point in READINGS:
            return self._reading(point, raw, text)
        grid = self.grid(point)
        mapped = point == "level" and self.own_scale
        if grid is None:
            low = WATTS.low if self.low is None else max(WATTS.low, self.low)
            high = WATTS.high if self.high is None else min(WATTS.high, self.high)
        else:
            low, high = self._ends() if mapped else (grid.low, grid.high)
        if not low <= raw <= high:
            raise CannotRead(f"{point} {shown(text)} is outside {low:g}..{high:g}")
        if grid is None:
            return raw
        if mapped:
            # the last bit of a float may lie past the end of the scale
            return min(100.0, max(0.0, (raw - low) * 100.0 / (high - low)))
        return grid.from_raw(raw)

    # ---- instruments and supplies --------------------------------------------------------

    def unit_fits(self, point: Point) -> bool:
        """May this point be in its unit? One without a unit is taken to be in the house's own."""
        return not self.unit or self.unit in READINGS[point].homie

    def scale(self, point: Point) -> Scale:
        row = READINGS[point]
        return row.units[row.homie.get(self.unit, next(iter(row.units)))]

    def _reading(self, point: Point, raw: float, text: str) -> Value:
        scale, limits = self.scale(point), READINGS[point].limits
        low, high = scale.raw(limits.low), scale.raw(limits.high)
        low = low if self.low is None else max(low, self.low)
        high = high if self.high is None else min(high, self.high)
        if not low <= raw <= high:
            raise CannotRead(f"{point} {shown(text)} is outside {low:g}..{high:g}")
        return to_house(point, scale)(raw)


def _property(name: str, said: object) -> Property:
    if not isinstance(said, dict):
        raise CannotRead(f"property {shown(name)} is not an object")
    datatype = said.get("datatype")
    if not isinstance(datatype, str):
        raise CannotRead(f"property {shown(name)} has no datatype")
    settable = said.get("settable", False)
    unit = said.get("unit", "")
    format_ = said.get("format", "")
    if not isinstance(settable, bool) or not isinstance(unit, str) or not isinstance(format_, str):
        raise CannotRead(f"property {shown(name)} is described wrongly")
    low = high = None
    step = 1.0 if datatype == "integer" else 0.0
    choices: tuple[str, ...] = ()
    if datatype in ("integer", "float") and format_:
        parts = format_.split(":")
        if len(parts) not in (2, 3):
            raise CannotRead(f"format {shown(format_)} of {shown(name)} is not min:max:step")
        try:
            ends = [number(part, "format") if part else None for part in parts]
        except CannotRead:
            raise CannotRead(
                f"format {shown(format_)} of {shown(name)} is not min:max:step"
            ) from None
        low, high = ends[0], ends[1]
        if len(ends) == 3 and ends[2] is not None:
            step = ends[2]
            if step <= 0:
                raise CannotRead(f"format {shown(format_)} of {shown(name)} has no step")
        if low is not None and high is not None and low >= high:
            raise CannotRead(f"format {shown(format_)} of {shown(name)} has no range")
        whole = all(end is None or end == int(end) for end in ends)
        if datatype == "integer" and not whole:
            raise CannotRead(f"format {shown(format_)} of {shown(name)} is not in whole numbers")
    elif datatype == "enum":
        choices = tuple(format_.split(","))
    colours: tuple[str, ...] = ()
    if datatype == "color":
        try:
            colours = homie_formats(format_)
        except CannotRead as error:
            raise CannotRead(f"{error} ({shown(name)})") from None
    return Property(name, datatype, settable, unit, low, high, step, choices, format_, colours)


def _make_sense(point: Point, found: Property) -> None:
    """Raises CannotRead where the steps of a level or a white cannot be those of a light."""
    try:
        found.grid(point)
    except ValueError as error:
        raise CannotRead(
            f"format {shown(found.form)} of {shown(found.name)} ({point}): {error}"
        ) from None


class HomieDevice:
    """The bridge's end of one Homie device: one device of the set on one node."""

    def __init__(self, device: Device, lacking: Lacking) -> None:
        self.device = device
        self.lacking = lacking
        self.id, _, self.node = device.at.partition("/")
        self.base = f"{ROOT}/{self.id}/{self.node}"
        self.root = self.id
        self.parents: tuple[str, ...] = ()
        self.points: dict[Point, Property] = {}
        self.by_topic: dict[str, Point] = {}
        self.described = False
        self._waiting: dict[str, tuple[bytes, bool]] = {}

    # ---- what it says of itself ---------------------------------------------------------------

    def describe(self, payload: bytes, at: float) -> list[Said]:
        """Read a $description; then the values that waited for it."""
        topic = f"{ROOT}/{self.id}/$description"
        try:
            if not payload:
                raise CannotRead("the description was taken back")
            document = json_of(payload)
            properties = self._properties(document)
            points = self._choose(properties)
            for point, chosen in points.items():
                _make_sense(point, chosen)
        except CannotRead as error:
            return [Unreadable(at, self.device.name, topic, f"$description: {error}")]
        assert isinstance(document, dict)
        root = document.get("root")
        parent = document.get("parent")
        self.root = root if isinstance(root, str) else self.id
        self.parents = tuple(p for p in (root, parent) if isinstance(p, str))
        self.points = points
        self.by_topic = {f"{self.base}/{p.name}": point for point, p in self.points.items()}
        self.described = True
        out: list[Said] = []
        needed = (self.device.tells | self.device.hears) - {"online"}
        for point in sorted(needed | set(self.points)):
            found = self.points.get(point)
            told = found is not None and found.settable and point in TOLD
            out.append(
                Described(
                    at,
                    self.device.name,
                    point,
                    told,
                    found is not None and point != "shut_down",
                    found.steps(point) if found is not None else None,
                )
            )
            unsuited = self._unsuited(point, document) if found is None else ""
            if unsuited:
                why = f"$description: node {shown(self.node)} has no property for {point}{unsuited}"
                out.append(Unreadable(at, self.device.name, topic, why))
            if found is not None and point in self.device.tells and not told:
                why = f"$description: {shown(found.name)} ({point}) cannot be set"
                out.append(Unreadable(at, self.device.name, topic, why))
        without = sorted(needed - set(self.points))
        self.lacking.described(self.device.name, topic, without, list(properties)[:MOST_LEAVES])
        waiting, self._waiting = self._waiting, {}
        for where, (value, retained) in waiting.items():
            out.extend(self.value(where, value, retained, at))
        return out

    def _unsuited(self, point: Point, document: object) -> str:
        """Why the property that the profile names for a reading is not taken; "" elsewhere."""
        said = self._properties(document).get(self.device.properties.get(point, ""))
        if said is None or (point not in READINGS and point != "battery_low"):
            return ""
        wanted = "a boolean"
        if point in READINGS:
            units = " or ".join(READINGS[point].homie)
            wanted = f"a number in {units}"
        unit = f" in {shown(said.unit)}" if said.unit else ""
        return f": {shown(said.name)} is {shown(said.datatype)}{unit}, and it has to be {wanted}"

    def _properties(self, document: object) -> dict[str, Property]:
        if not isinstance(document, dict):
            raise CannotRead("not a JSON object")
        version = document.get("homie")
        if not isinstance(version, str) or not version.startswith("5"):
            raise CannotRead(f"it follows Homie {shown(version)}, and this needs 5")
        nodes = document.get("nodes")
        if not isinstance(nodes, dict) or len(nodes) > MAX_NODES:
            raise CannotRead("it has no nodes")
        node = nodes.get(self.node)
        if not isinstance(node, dict):
            raise CannotRead(f"it has no node {shown(self.node)}")
        properties = node.get("properties")
        if not isinstance(properties, dict) or len(properties) > MAX_NODES:
            raise CannotRead(f"node {shown(self.node)} has no properties")
        return {
            name: _property(name, said)
            for name, said in properties.items()
            if isinstance(name, str) and IDENTIFIER.match(name)
        }

    def _choose(self, properties: dict[str, Property]) -> dict[Point, Property]:
        """Which property is which point: as the profile says, by its usual name, by its unit."""
        chosen: dict[Point, Property] = {}
        wanted: set[Point] = {"switch", *self.device.tells, *self.device.hears} - {"online"}
        for point in sorted(wanted):
            said = self.device.properties.get(point)
            named = properties.get(said if said is not None else USUAL_ID[point])
            if named is not None and self._suits(point, named):
                chosen[point] = named
            elif said is None:
                suited = [
                    p
                    for p in properties.values()
                    if self._looks_like(point, p) and p not in chosen.values()
                ]
                if len(suited) == 1:
                    chosen[point] = suited[0]
        return chosen

    def _suits(self, point: Point, found: Property) -> bool:
        if point in YES_NO:
            return found.datatype == "boolean"
        if point == "shut_down":
            return found.datatype in ("boolean", "enum")
        if point == "colour":
            return found.datatype == "color"
        number_ = found.datatype in ("integer", "float")
        return number_ and (point not in READINGS or found.unit_fits(point))

    def _looks_like(self, point: Point, found: Property) -> bool:
        number_ = found.datatype in ("integer", "float")
        if point == "level":
            return number_ and found.settable and found.unit == "%"
        if point == "cct":
            return number_ and found.settable and (found.unit == "K" or found.unit in MIRED_UNITS)
        if point == "colour":
            return found.datatype == "color" and found.settable
        if point == "watts":
            return number_ and found.unit == "W"
        if point == "switch":
            return found.datatype == "boolean" and found.settable
        return False

    # ---- what it reports ------------------------------------------------------------------------

    def heard_on(self, point: Point) -> str:
        """The topic this point is heard on: its description's, as long as that is not known."""
        if point == "online":
            return f"{ROOT}/{self.id}/$state"
        found = self.points.get(point)
        return f"{self.base}/{found.name}" if found else f"{ROOT}/{self.id}/$description"

    def value(self, topic: str, payload: bytes, retained: bool, at: float) -> list[Said]:
        """A message on a property's own topic."""
        point = self.by_topic.get(topic)
        if point is None:
            if not self.described and len(self._waiting) < 64:
                self._waiting[topic] = (payload[:1024], retained)
            return []
        if point == "shut_down":
            return []
        try:
            value = self.points[point].decode(point, text_of(payload))
        except CannotRead as error:
            return [Unreadable(at, self.device.name, topic, str(error))]
        if value is None:
            return []
        return [Report(at, self.device.name, point, value, retained)]

    def tell(self, values: Sequence[tuple[Point, Value]]) -> list[Message]:
        """Non-retained messages to the `set` topics of its properties."""
        messages = []
        for point, value in values:
            found = self.points.get(point)
            if found is not None and found.settable and point in TOLD:
                payload = found.encode(point, value).encode()
                messages.append(Message(f"{self.base}/{found.name}/set", payload))
        return messages


class HomieBook:
    """All Homie devices of a set, found by topic, with the states of their trees."""

    def __init__(self, devices: Sequence[Device], lacking: Lacking) -> None:
        self.devices = {device.name: HomieDevice(device, lacking) for device in devices}
        self._by_node: dict[str, HomieDevice] = {d.base: d for d in self.devices.values()}
        self._by_id: dict[str, list[HomieDevice]] = {}
        for found in self.devices.values():
            self._by_id.setdefault(found.id, []).append(found)
        self._states: dict[str, str] = {}
        self._online: dict[str, bool] = {}

    def subscriptions(self) -> list[tuple[str, int]]:
        """One filter for all states, so that a root's is heard, and two for each node."""
        if not self.devices:
            return []
        filters = [(f"{ROOT}/+/$state", 1)]
        filters.extend((f"{ROOT}/{id_}/$description", 1) for id_ in sorted(self._by_id))
        filters.extend((f"{base}/+", 1) for base in sorted(self._by_node))
        return filters

    def ours(self, topic: str) -> bool:
        """Is this topic one of those subscribed to here?"""
        parts = topic.split("/")
        if len(parts) == 4 and topic.startswith(ROOT + "/"):
            return parts[3] == "$state" or (parts[3] == "$description" and parts[2] in self._by_id)
        return len(parts) == 5 and "/".join(parts[:4]) in self._by_node

    def hear(self, message: Message, at: float) -> list[Said]:
        """A message below homie/5. [] when it is not about a device of this set."""
        parts = message.topic.split("/")
        if len(parts) == 5:
            device = self._by_node.get(message.topic.rpartition("/")[0])
            if device is None or not IDENTIFIER.match(parts[4]):
                return []
            return device.value(message.topic, message.payload, message.retain, at)
        if len(parts) != 4:
            return []
        if parts[3] == "$description":
            out: list[Said] = []
            for device in self._by_id.get(parts[2], ()):
                out.extend(device.describe(message.payload, at))
            out.extend(self._say_online(self._by_id.get(parts[2], ()), message.retain, at))
            return out
        if parts[3] == "$state":
            return self._state(parts[2], message, at)
        return []

    def _state(self, id_: str, message: Message, at: float) -> list[Said]:
        about = self._by_id.get(id_, [])
        related = [d for d in self.devices.values() if id_ in d.parents and d.id != id_]
        if not about and not related and len(self._states) > 10_000:
            return []
        try:
            state = text_of(message.payload)
            if state and state not in STATES:
                raise CannotRead(f"$state is {shown(state)}, which Homie 5 does not know")
        except CannotRead as error:
            return [Unreadable(at, d.device.name, message.topic, str(error)) for d in about]
        self._states[id_] = state or "disconnected"
        # its own state is a report of it every time; a parent's only when it changes something
        out: list[Said] = [
            Report(at, d.device.name, "online", self._is_online(d), message.retain) for d in about
        ]
        for d in about:
            self._online[d.device.name] = self._is_online(d)
        out.extend(self._say_online(related, message.retain, at))
        return out

    def _is_online(self, device: HomieDevice) -> bool:
        if self._states.get(device.id) != "ready":
            return False
        return not any(self._states.get(p) == "lost" for p in device.parents if p != device.id)

    def _say_online(self, devices: Sequence[HomieDevice], retained: bool, at: float) -> list[Said]:
        out: list[Said] = []
        for device in devices:
            name = device.device.name
            if device.id not in self._states:
                continue
            online = self._is_online(device)
            if self._online.get(name) != online:
                self._online[name] = online
                # nothing the device itself said: never fresh evidence of its being there
                out.append(Report(at, name, "online", online, True if online else retained))
        return out


class HomieEnd:
    """A simulated device's own end: it describes itself by its kind and its presets."""

    def __init__(self, profile: SetProfile, device: Device) -> None:
        self.device = device
        self.id, _, self.node = device.at.partition("/")
        self.base = f"{ROOT}/{self.id}/{self.node}"
        self.points: dict[Point, Property] = {}
        for point in sorted((device.tells | device.hears) - {"online"}):
            self.points[point] = self._make(point)

    def _make(self, point: Point) -> Property:
        name = self.device.properties.get(point, USUAL_ID[point])
        settable = point in self.device.tells
        if point == "level":
            return Property(name, "integer", settable, "%", 0.0, 100.0, 1.0)
        if point == "cct":
            low, high = self.device.cct_range or (2000.0, 10000.0)
            return Property(name, "integer", settable, "K", low, high, 10.0)
        if point == "colour":
            return Property(name, "color", settable, "", None, None, 0.0, (), "hsv", ("hsv",))
        if point == "watts":
            return Property(name, "float", False, "W", None, None, 0.0)
        if point in READINGS:
            return Property(name, "float", False, next(iter(READINGS[point].homie)), None, None, 0)
        return Property(name, "boolean", settable, "", None, None, 0.0)

    def description(self) -> bytes:
        """Its $description (JSON)."""
        properties: dict[str, object] = {}
        for found in self.points.values():
            said: dict[str, object] = {"name": found.name, "datatype": found.datatype}
            if found.unit:
                said["unit"] = found.unit
            if found.low is not None and found.high is not None:
                said["format"] = f"{found.low:g}:{found.high:g}:{found.step:g}"
            if found.colours:
                said["format"] = ",".join(found.colours)
            if found.settable:
                said["settable"] = True
            properties[found.name] = said
        node = {"name": self.node, "properties": properties}
        document = {
            "homie": "5.0",
            "version": 1,
            "name": self.device.title or self.device.name,
            "nodes": {self.node: node},
        }
        return json.dumps(document, ensure_ascii=False).encode()

    def subscriptions(self) -> list[tuple[str, int]]:
        return [(f"{self.base}/{p.name}/set", 1) for p in self.points.values() if p.settable]

    def told(self, message: Message) -> list[tuple[Point, Value]] | None:
        """What a message on a `set` topic asks for; None when it cannot be read."""
        for point, found in self.points.items():
            if message.topic == f"{self.base}/{found.name}/set" and found.settable:
                try:
                    text = text_of(message.payload)
                    if point == "shut_down":
                        return [(point, text == "true")] if text == "true" else None
                    value = found.decode(point, text)
                    return None if value is None else [(point, value)]
                except CannotRead:
                    return None
        return None

    def report(
        self,
        state: Mapping[Point, Value],
        changed: Collection[Point],
        target: Mapping[Point, Value] | None,
    ) -> list[Message]:
        """Values retained on their topics; where one is still going, its $target first."""
        messages = []
        for point, found in self.points.items():
            topic = f"{self.base}/{found.name}"
            if target is not None and point in target and found.settable:
                goal = found.encode(point, target[point]).encode()
                messages.append(Message(f"{topic}/$target", goal, retain=True))
            if point in changed and point in state and point != "shut_down":
                messages.append(
                    Message(topic, found.encode(point, state[point]).encode(), retain=True)
                )
        if "online" in changed:
            messages.append(self.state("ready"))
        return messages

    def state(self, state: str) -> Message:
        return Message(f"{ROOT}/{self.id}/$state", state.encode(), retain=True)

    def hello(self, state: Mapping[Point, Value]) -> list[Message]:
        """init, what it is, where it stands, ready."""
        return [
            self.state("init"),
            Message(f"{ROOT}/{self.id}/$description", self.description(), retain=True),
            *self.report(state, [p for p in self.points if p != "shut_down"], None),
            self.state("ready"),
        ]
