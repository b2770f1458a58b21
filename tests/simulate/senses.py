"""Light sensors and what runs out, in made-up sets; and what is shown of them (law 14).

A function of its own, with dice of its own, so that the sets of old seeds stay what they were.
"""

from __future__ import annotations

import math
import random
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace
from types import MappingProxyType

from studiobridge.profile.model import (
    AskMap,
    Device,
    Dialect,
    HearMap,
    Output,
    Place,
    Point,
    Room,
    SetProfile,
    Value,
    Warn,
    Words,
    figure,
)

# What is shown follows what is heard within so long (s), and a sensor's word is fresh for so long:
# a minute, and what the bridge may take to look again.
SHOWN_IN, FRESH_FOR = 2.0, 60.0 + 3.0
LIMITED: tuple[Point, ...] = ("battery", "card", "temperature")

SENSES = Dialect(
    "senses",
    tell={},
    hear=MappingProxyType(
        {
            "lux": HearMap("{at}/lux"),
            "cct": HearMap("{at}/white"),
            "battery": HearMap("{at}/battery"),
            "battery_low": HearMap("{at}/low", words=Words("yes", "no")),
            "temperature": HearMap("{at}/warmth"),
            "card": HearMap("{at}/card"),
            "online": HearMap("{at}/alive", words=Words("up", "gone")),
        }
    ),
    ask=AskMap("{at}/report"),
)
SAYS: tuple[tuple[Point, ...], ...] = (
    ("battery", "online"),
    ("battery", "battery_low", "temperature", "online"),
    ("battery_low", "card", "online"),
    ("temperature", "card", "online"),
)


def with_senses(profile: SetProfile, dice: random.Random) -> SetProfile:
    """The same set with one or two light sensors and some things that run out."""
    devices: dict[str, Device] = {}
    mark = profile.room.mark or Place(1.0, 0.0, 1.3)
    for name, device in profile.devices.items():
        if device.fixture and device.place is None and device.kind == "light":
            # every lamp has its figures, or no sensor could be compared with anything
            place = Place(dice.uniform(1.5, 3.5), dice.uniform(-1.4, 1.4), 1.9, "mark")
            device = replace(device, place=place, output=Output(dice.uniform(300, 2000), 1.0))
        devices[name] = device
    for n in range(dice.choice([1, 1, 2])):
        place = Place(mark.from_back, dice.uniform(-0.3, 0.3), mark.height, "looker")
        hears = frozenset[Point]({"lux", "cct", "online", "battery"})
        warn = Warn(battery=dice.choice([None, 60.0]))
        devices[f"cell-{n}"] = _thing(f"cell-{n}", "sensor", hears, warn, place=place)
    at = Place(mark.from_back + 2.5, 0.0, 1.2)
    devices["looker"] = Device("looker", "display", battery=True, essential=False, place=at)
    for n in range(dice.choice([1, 2, 3])):
        points = dice.choice(SAYS)
        warn = Warn(
            battery=dice.uniform(30.0, 95.0) if "battery" in points else None,
            card=dice.uniform(30.0, 170.0) if "card" in points else None,
            temperature=dice.uniform(22.0, 34.0) if "temperature" in points else None,
        )
        devices[f"pack-{n}"] = _thing(f"pack-{n}", "audio", frozenset(points), warn)
    room = replace(profile.room, mark=mark) if profile.room != Room() else Room(mark=mark)
    dialects = {**profile.dialects, "senses": SENSES}
    return replace(profile, devices=devices, room=room, dialects=dialects)


def _thing(name: str, kind: str, hears: frozenset[Point], warn: Warn, **more: object) -> Device:
    figures = {"battery": True, "speaks": "senses", "at": f"gear/{name}", "can_ask": True}
    figures |= {"essential": False, "holds": 4.0, "draws": 12.0, "answers_in": 0.2}
    return Device(name, kind, hears=hears, warn=warn, **{**figures, **more})  # type: ignore[arg-type]


@dataclass(slots=True)
class _Heard:
    value: Value
    at: float
    fresh: bool
    # since when its last words are all past the limit, or all well away from it
    past_since: float | None = None
    well_since: float | None = None


class SenseLaws:
    """What runs out is named as it was last said, and no old reading is shown as one of now."""

    def __init__(self, profile: SetProfile) -> None:
        self.profile = profile
        self.heard_of: dict[tuple[str, Point], _Heard] = {}
        self.lux_at: dict[str, float] = {}
        self.checked = 0

    def restarted(self) -> None:
        self.heard_of.clear()
        self.lux_at.clear()

    def heard(self, at: float, name: str, point: Point, value: Value, kept: bool) -> None:
        if point == "lux" and not kept:
            self.lux_at[name] = at
        if point not in (*LIMITED, "battery_low", "lux"):
            return
        if point != "battery_low" and not math.isfinite(figure(value)):
            return
        before = self.heard_of.get((name, point))
        now = _Heard(value, at, not kept or (before is not None and before.value == value))
        if before is not None and kept and before.value == value:
            now.fresh = before.fresh
        past, well = self._past(name, point, value)
        if past:
            now.past_since = (
                at if before is None or before.past_since is None else before.past_since
            )
        if well:
            now.well_since = (
                at if before is None or before.well_since is None else before.well_since
            )
        self.heard_of[name, point] = now

    def _past(self, name: str, point: Point, value: Value) -> tuple[bool, bool]:
        """Is it past its limit for certain, and is it well away from it? Between: either."""
        if point == "battery_low":
            return value is True, value is False
        limit = None if point == "lux" else getattr(self.profile.devices[name].warn, point)
        if limit is None:
            return False, True
        number = figure(value)
        if point == "temperature":
            return number >= limit, number < limit - 2.0
        return number <= limit, number > limit + (2.0 if point == "battery" else 1.0)

    def showing(self, at: float, shows: Mapping[str, object]) -> Iterator[str]:
        """What is wrong with what is shown now, in words."""
        named = {(e["device"], e["point"]): e for e in shows.get("supplies", ())}  # type: ignore[attr-defined]
        for (name, point), heard in self.heard_of.items():
            if point == "lux":
                continue
            self.checked += 1
            entry = named.get((name, point))
            past, well = heard.past_since, heard.well_since
            said = point == "battery_low" and (name, "battery") in named
            if entry is None and not said and past is not None and at > past + SHOWN_IN:
                yield f"{name} says {point} {heard.value}: not named as low"
            if entry is not None and well is not None and at > well + SHOWN_IN:
                yield f"{name} says {point} {heard.value}, and is named as low"
            if entry is not None and at > heard.at + SHOWN_IN:
                # said in whole numbers, and shown anew when one of these changes
                if f"{entry['value']:.0f}" != f"{heard.value:.0f}":
                    yield f"{name} says {point} {heard.value}, shown is {entry['value']}"
                if entry["kept"] is False and not heard.fresh:
                    yield f"{name}: a kept word of {point} is shown as one of now"
        for entry in shows.get("sensors", ()):  # type: ignore[attr-defined]
            name = entry["device"]
            self.checked += 1
            if entry["fresh"] is True and at > self.lux_at.get(name, -math.inf) + FRESH_FOR:
                yield f"{name} was not heard for {FRESH_FOR:.0f} s, and is shown as of now"
            lux = self.heard_of.get((name, "lux"))
            if lux is None and entry["lux"] is not None:
                yield f"{name} never said what it reads, and {entry['lux']} lx is shown"
