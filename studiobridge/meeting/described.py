"""Devices that follow Homie 5 describe themselves: they need no dialect, only to be named.

Of a description only what a profile needs is kept, so that a thousand of them stay small.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

from studiobridge.meeting.met import Acquaintance
from studiobridge.profile.model import OWN_NODE, Kind, Point
from studiobridge.speech.encode import CannotRead, json_of, text_of
from studiobridge.speech.homie import IDENTIFIER, MIRED_UNITS, ROOT, STATES, USUAL_ID
from studiobridge.speech.message import Message

# Described devices, their nodes and properties that are kept.
MOST_DEVICES, MOST_NODES, MOST_PROPERTIES = 300, 60, 60
_BOOLEANS: tuple[Point, ...] = ("switch", "rolling", "down", "battery_low")
_UNITS: Mapping[Point, frozenset[str]] = {
    "level": frozenset({"%"}),
    "cct": frozenset({"K"}) | MIRED_UNITS,
    "watts": frozenset({"W"}),
    "lux": frozenset({"lx"}),
    "temperature": frozenset({"°C", "°F"}),
}


@dataclass(slots=True)
class _Described:
    """One device: its nodes, each with its points and the properties that have them."""

    state: str | None = None
    nodes: dict[str, dict[Point, tuple[str, bool]]] = field(default_factory=dict)
    wrong: str | None = None


class Described:
    """Every device of Homie 5 on the broker."""

    def __init__(self) -> None:
        self.devices: dict[str, _Described] = {}

    def heard(self, message: Message) -> None:
        """Take in a `$description` or a `$state`; anything else is none of its business."""
        parts = message.topic.split("/")
        if len(parts) != 4 or "/".join(parts[:2]) != ROOT or not IDENTIFIER.match(parts[2]):
            return
        if parts[3] not in ("$description", "$state") or len(parts[2]) > 60:
            return
        found = self.devices.get(parts[2])
        if found is None:
            if len(self.devices) >= MOST_DEVICES:
                return
            found = self.devices[parts[2]] = _Described()
        try:
            if parts[3] == "$state":
                said = text_of(message.payload)
                found.state = said if said in STATES else None
                return
            found.nodes = _nodes(json_of(message.payload)) if message.payload else {}
            found.wrong = None
        except CannotRead as error:
            found.wrong = str(error)

    def acquaintances(self) -> list[Acquaintance]:
        """Each node of each device, by what its description says of it."""
        met = []
        for device, said in self.devices.items():
            for node, points in said.nodes.items():
                if node == OWN_NODE:
                    continue  # that of a set, which is no gear and is asked in its own ways
                name = device if len(said.nodes) == 1 else f"{device}-{node}"
                met.append(_acquaintance(name[:40].strip("-"), f"{device}/{node}", points, said))
        return met

    def points(self, at: str) -> list[str]:
        """The points a node describes, by its `device/node`."""
        device, _, node = at.partition("/")
        found = self.devices.get(device)
        return list(found.nodes.get(node, ())) if found is not None else []


def _acquaintance(
    name: str, at: str, points: Mapping[Point, tuple[str, bool]], said: _Described
) -> Acquaintance:
    measured: dict[str, object] = {}
    unusual = {p: id_ for p, (id_, _) in points.items() if id_ != USUAL_ID[p]}
    if unusual:
        measured["properties"] = unusual
    if "watts" in points:
        measured["meters"] = "yes"
    missing = []
    if said.wrong is not None:
        missing.append(f"its latest description cannot be read: {said.wrong}")
    if said.state not in ("ready", None):
        missing.append(f"it says that it is {said.state}: power it up")
    if not points:
        missing.append("nothing in its description is a light's, a plug's or a camera's")
    unset = [p for p in ("switch", "level") if p in points and not points[p][1]]
    if unset and not any(points[p][1] for p in points):
        missing.append(f"its {unset[0]} is only reported and cannot be set")
    return Acquaintance(
        name, at, _kind(points), homie=at, measured=measured, missing=tuple(missing)
    )


def _kind(points: Mapping[Point, tuple[str, bool]]) -> Kind | None:
    return kind_of(set(points))


def kind_of(points: set[Point]) -> Kind | None:
    """What a device with these points most likely is; None where they do not say."""
    if points & {"level", "cct", "colour"}:
        if not points & {"level", "switch", "colour"}:
            return "sensor" if "lux" in points else "light"
        return "light"
    if "rolling" in points:
        return "camera"
    if points & {"shut_down", "down"}:
        return "computer"
    if points & {"switch", "watts"}:
        return "plug"
    if points & {"lux", "temperature"}:
        return "sensor"
    return None


def _nodes(document: object) -> dict[str, dict[Point, tuple[str, bool]]]:
    """The nodes of a description. Raises CannotRead."""
    if not isinstance(document, dict) or not isinstance(document.get("nodes"), dict):
        raise CannotRead("it has no nodes")
    version = document.get("homie")
    if not isinstance(version, str) or not version.startswith("5"):
        raise CannotRead("it follows another version of Homie than 5")
    found = {}
    for node, said in list(document["nodes"].items())[:MOST_NODES]:
        properties = said.get("properties") if isinstance(said, dict) else None
        if not IDENTIFIER.match(node) or len(node) > 60 or not isinstance(properties, dict):
            continue
        found[node] = _points(properties)
    return found


def _points(properties: Mapping[str, object]) -> dict[Point, tuple[str, bool]]:
    """Which property is which point, and whether it can be set."""
    found: dict[Point, tuple[str, bool]] = {}
    usual = {id_: point for point, id_ in USUAL_ID.items()}
    for name, said in list(properties.items())[:MOST_PROPERTIES]:
        if not isinstance(said, dict) or not IDENTIFIER.match(name) or len(name) > 60:
            continue
        datatype, unit = said.get("datatype"), said.get("unit")
        settable = said.get("settable") is True
        number = datatype in ("integer", "float")
        point = usual.get(name)
        if point is not None:
            boolean = point in _BOOLEANS or (point == "shut_down" and datatype != "enum")
            if point == "colour":
                fits = datatype == "color"
            else:
                fits = datatype == "boolean" if boolean else number or datatype == "enum"
            if fits:
                found[point] = (name, settable)
            continue
        for other, units in _UNITS.items():
            if number and unit in units and (settable or other not in ("level", "cct")):
                found.setdefault(other, (name, settable))
        if datatype == "boolean" and settable:
            found.setdefault("switch", (name, settable))
        if datatype == "color" and settable:
            found.setdefault("colour", (name, settable))
    return found
