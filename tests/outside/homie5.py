"""What a Homie 5 device may publish, checked by the convention's own text and by nothing of ours.

homieiot/convention, convention.md, version 5 (the text with "homie" / "5" in every topic). Each
breach names the heading it is under. The payload rules are read from there anew: nothing is imported
from studiobridge.
"""

from __future__ import annotations

import json
import math
import re
from dataclasses import dataclass, field

ID = re.compile(r"[a-z0-9-]+\Z")
INTEGER = re.compile(r"-?[0-9]+\Z")
FLOAT = re.compile(r"-?([0-9]+(\.[0-9]*)?|\.[0-9]+)([eE]-?[0-9]+)?\Z")
DATATYPES = {
    "integer",
    "float",
    "boolean",
    "string",
    "enum",
    "color",
    "datetime",
    "duration",
    "json",
}
STATES = {"init", "ready", "disconnected", "sleeping", "lost"}
LEVELS = {"debug", "info", "warn", "error", "fatal"}
DESCRIBED_IN = {"init", "disconnected", "lost", ""}


def fits(text: str, datatype: str, format_: str) -> bool:
    """Payloads, and Formats: is this a value of a property of this type?"""
    if datatype == "string":
        return text != ""  # the empty one is a single zero byte
    if datatype == "boolean":
        return text in ("true", "false")
    if datatype == "enum":
        return text in format_.split(",")
    if datatype == "integer":
        if not INTEGER.match(text) or not -(2**63) <= int(text) < 2**63:
            return False
    elif datatype == "float":
        if not FLOAT.match(text) or not math.isfinite(float(text)):
            return False
    else:
        raise NotImplementedError(datatype)
    ends = (format_ or ":").split(":")
    low = float(ends[0]) if ends[0] else -math.inf
    high = float(ends[1]) if ends[1] else math.inf
    return low <= float(text) <= high


@dataclass
class Witness:
    """Told of everything one device publishes, in order; `breaches` are what it did wrong."""

    device: str
    breaches: list[str] = field(default_factory=list)
    kept: dict[str, str] = field(default_factory=dict)
    document: dict[str, object] | None = None
    versions: list[int] = field(default_factory=list)
    # properties that had a value before they had a $target
    aimless: set[str] = field(default_factory=set)

    def breach(self, rule: str, text: str) -> None:
        self.breaches.append(f"{rule}: {text}")

    @property
    def properties(self) -> dict[tuple[str, str], dict[str, object]]:
        nodes = self.document["nodes"] if self.document is not None else {}
        assert isinstance(nodes, dict)
        return {(n, p): said for n, node in nodes.items() for p, said in node["properties"].items()}

    def will(self, topic: str, payload: bytes, retain: bool) -> None:
        if (topic, payload, retain) != (f"homie/5/{self.device}/$state", b"lost", True):
            self.breach("Last Will", f"{topic} {payload!r} retain={retain}")

    def published(self, topic: str, payload: bytes, qos: int, retain: bool) -> None:
        levels = topic.split("/")
        if levels[:3] != ["homie", "5", self.device] or len(levels) < 4:
            self.breach("Base Topic", topic)
            return
        for level in levels:
            if not ID.match(level.removeprefix("$")):
                self.breach("Topic IDs", topic)
        try:
            text = payload.decode("utf-8")
        except UnicodeDecodeError:
            self.breach("Payloads", f"{topic} is not UTF-8")
            return
        if text.startswith("\ufeff"):
            self.breach("Payloads", f"{topic} begins with a BOM")
        below = levels[3:]
        if below[0] == "$log":
            if len(below) != 2 or below[1] not in LEVELS or retain or not text:
                self.breach("Logging", f"{topic} {text!r} retain={retain}")
            return
        momentary = False
        if len(below) == 2 and not below[0].startswith("$"):
            said = self.properties.get((below[0], below[1]))
            momentary = said is not None and said.get("retained") is False
        if momentary and (retain or qos != 0):
            self.breach("QoS and retained messages", f"{topic} is not retained: QoS 0, no retain")
        if not momentary and not retain:
            self.breach("QoS and retained messages", f"{topic} is not sent as retained")
        if not momentary and qos not in (1, 2):
            self.breach("QoS and retained messages", f"{topic} at QoS {qos}")
        if not payload:  # deletes the topic
            self.kept.pop(topic, None)
            return
        if below == ["$state"]:
            self._state(topic, text)
        elif below == ["$description"]:
            self._description(topic, text)
        elif below[0] == "$alert":
            if len(below) != 2:
                self.breach("Alert topic", topic)
        elif len(below) == 2 and not below[0].startswith("$"):
            self._value(topic, below, text)
        elif len(below) == 3 and below[2] == "$target":
            self._value(topic, below[:2], text)
        else:
            self.breach("Devices", f"{topic} is not of the convention")
        if retain:
            self.kept[topic] = text

    def _state(self, topic: str, text: str) -> None:
        if text not in STATES:
            self.breach("Device Lifecycle", f"$state {text!r}")
        if text != "ready":
            return
        if self.document is None:
            self.breach("Device Attributes", "ready without a $description")
        for (node, name), said in self.properties.items():
            if said.get("retained", True):
                where = f"homie/5/{self.device}/{node}/{name}"
                if where not in self.kept:
                    self.breach("Device Lifecycle", f"ready, and {name} has no value")

    def _description(self, topic: str, text: str) -> None:
        state = self.kept.get(f"homie/5/{self.device}/$state", "")
        if text != self.kept.get(topic) and state not in DESCRIBED_IN:
            self.breach("Device Attributes", f"$description changes while {state}")
        try:
            document = json.loads(text)
            assert isinstance(document, dict)
        except (ValueError, AssertionError):
            self.breach("Device Attributes", "$description is no JSON object")
            return
        if not re.match(r"5\.[0-9]+\Z", str(document.get("homie"))):
            self.breach("Device Attributes", f"homie {document.get('homie')!r}")
        version = document.get("version")
        if not isinstance(version, int) or isinstance(version, bool):
            self.breach("Device Attributes", f"version {version!r}")
        elif self.document not in (None, document) and version <= self.versions[-1]:
            self.breach("Device Attributes", f"version {version} after {self.versions[-1]}")
        if isinstance(version, int):
            self.versions.append(version)
        if not isinstance(document.get("name"), str) or not document["name"]:
            self.breach("Device Attributes", "no name")
        for key in ("root", "parent"):
            if key in document:
                self.breach("Device hierarchy", f"a root device has no {key}")
        for id_, node in document.get("nodes", {}).items():
            if not ID.match(id_) or not isinstance(node, dict):
                self.breach("Node Attributes", id_)
            for name, said in node.get("properties", {}).items():
                self._property(name, said)
        self.document = document

    def _property(self, name: str, said: dict[str, object]) -> None:
        rule = "Property Attributes"
        if not ID.match(name) or said.get("datatype") not in DATATYPES:
            self.breach(rule, f"{name}: {said}")
            return
        for key, kind in (("name", str), ("settable", bool), ("retained", bool), ("unit", str)):
            if key in said and not isinstance(said[key], kind):
                self.breach(rule, f"{name}: {key} {said[key]!r}")
        format_, datatype = said.get("format"), said["datatype"]
        if format_ is None:
            if datatype in ("enum", "color"):
                self.breach("Formats", f"{name} needs a format")
            return
        values = str(format_).split(",")
        if datatype == "enum" and (not all(values) or len(set(values)) != len(values)):
            self.breach("Formats", f"{name}: {format_!r}")
        if datatype == "boolean" and (len(values) != 2 or not all(values)):
            self.breach("Formats", f"{name}: {format_!r} names both")
        if datatype in ("integer", "float"):
            number = INTEGER if datatype == "integer" else FLOAT
            ends = str(format_).split(":")
            if len(ends) not in (2, 3) or not all(number.match(e) for e in ends if e):
                self.breach("Formats", f"{name}: {format_!r}")
        if datatype == "string":
            self.breach("Formats", f"{name}: a string has none")

    def _value(self, topic: str, below: list[str], text: str) -> None:
        said = self.properties.get((below[0], below[1]))
        if said is None:
            self.breach("Properties", f"{topic} is not described")
            return
        if not fits(text, str(said["datatype"]), str(said.get("format", ""))):
            self.breach(
                "Payloads", f"{topic} {text!r} is no {said['datatype']} {said.get('format')}"
            )
        # for every value, the first one too, or never; and the target first
        if topic.endswith("/$target"):
            if topic.removesuffix("/$target") in self.aimless:
                self.breach("Target attribute", f"{topic} comes after a value without it")
        elif f"{topic}/$target" not in self.kept:
            self.aimless.add(topic)

    def removed(self, topics: list[str]) -> None:
        """These were deleted, in this order, to remove the device."""
        if not topics or topics[0] != f"homie/5/{self.device}/$state":
            self.breach("Device Lifecycle", f"removed, and not $state first: {topics[:1]}")
        left = sorted(set(self.kept) - set(topics))
        if left:
            self.breach("Device Lifecycle", f"removed, and still there: {left}")
