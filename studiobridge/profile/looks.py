"""Looks and their presets; who asks for them and when."""

from __future__ import annotations

import zoneinfo
from collections.abc import Iterable
from dataclasses import fields, replace
from types import MappingProxyType

from studiobridge.craft.chroma import fits
from studiobridge.profile.findings import Part, near, nearest
from studiobridge.profile.model import LIGHT, CallTime, Device, Look, Preset, SwitchRule, Wants
from studiobridge.profile.shape import DAY_WORDS, DAYS, LookShape
from studiobridge.profile.text import Path


class Looks(Part):
    """What a set can look like."""

    def looks(self) -> dict[str, Look]:
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
                presets[device] = _over(before, said)
            meant = shape.whites == "meant"
            wants = Wants()
            if shape.from_ in done:
                meant = meant or done[shape.from_].whites_meant
                wants = done[shape.from_].wants
            wants = self._wants(name, shape, wants)
            done[name] = Look(name, MappingProxyType(presets), shape.title, meant, wants)
            return done[name]

        for name in shapes:
            build(name, ())
        return {name: done[name] for name in shapes}

    def _wants(self, name: str, shape: LookShape, before: Wants) -> Wants:
        """What it is for: what it says, over what the look it starts from says."""
        said = shape.wants
        if said is None:
            return before
        if said.aperture is not None and said.lux is not None:
            what = "the light on the face is wanted twice: as an aperture and in lux"
            self.wrong(("looks", name, "wants", "lux"), what, "write one of the two", key=True)
        if said.aperture is not None or said.lux is not None:
            before = replace(before, aperture=None, lux=None)  # one takes the other's place
        own = {f.name: getattr(said, f.name) for f in fields(Wants)}
        return replace(before, **{key: value for key, value in own.items() if value is not None})

    def check_look(self, look: Look, devices: dict[str, Device]) -> None:
        shape = self.shape.looks[look.name]
        if shape.wants is not None and shape.wants == type(shape.wants)():
            where: Path = ("looks", look.name, "wants")
            self.wrong(
                where, "'wants' says nothing", "like {aperture: f/2.8, ratio: 2:1}", key=True
            )
        own = _presets_in(shape)
        for name, preset in own.items():
            at: Path = ("looks", look.name, name)
            device = devices.get(name)
            if device is None:
                self.wrong(at, f"there is no device '{name}'", nearest(name, devices), key=True)
                continue
            if not device.fixture:
                self.wrong(at, f"'{name}' is a {device.kind} and has no preset", key=True)
                continue
            if preset == Preset():
                self.wrong(
                    at, f"the preset of '{name}' says nothing", "like {level: 64 %}", key=True
                )
            if device.speaks is not None:
                for point in LIGHT:
                    if getattr(preset, point) is not None and point not in device.tells:
                        self.wrong(
                            (*at, point),
                            f"'{name}' cannot be told a {point}: its dialect has none",
                            "add it to the dialect, or leave it out here",
                            key=True,
                        )
            self._check_colour(at, name, preset, device)
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
            if device.fixture and device.speaks is not None and name not in look.presets:
                self.doubt(
                    ("looks", look.name),
                    f"the look '{look.name}' says nothing of '{name}', so it is left as it is",
                    key=True,
                )

    def _check_colour(self, at: Path, name: str, preset: Preset, device: Device) -> None:
        """White or coloured, lit, and within what it can be told."""
        if preset.colour is None:
            return
        where = (*at, "colour")
        if preset.cct is not None:
            what = f"'{name}' is to be white and coloured at once"
            self.wrong(where, what, "write cct or colour, not both", key=True)
        if preset.level == 0:
            self.wrong(where, f"'{name}' is dark here: black has no colour", "leave it out", True)
        dialect = self.shape.dialects.get(device.speaks or "")
        told = None if dialect is None or dialect.colour is None else dialect.colour.tell
        if told is None:
            return
        template = f"{told.json_} {told.payload}"
        if "{x}" not in template and not fits(preset.colour, "rgb"):
            self.wrong(
                where,
                f"x {preset.colour.x:.3f}, y {preset.colour.y:.3f} is purer than '{name}' can be"
                " told: its dialect has no {x} and {y}",
                "write a paler one",
            )

    # ---- who asks, and when --------------------------------------------------------------

    def switches(self, looks: dict[str, Look]) -> Iterable[SwitchRule]:
        for name, shape in self.shape.switches.items():
            if shape.look is not None and shape.look not in looks:
                todo = nearest(shape.look, looks)
                self.wrong(("switches", name, "look"), f"there is no look '{shape.look}'", todo)
            cameras = [n for n, d in self.shape.devices.items() if d.kind == "camera"]
            if shape.camera is not None and shape.camera not in cameras:
                todo = nearest(shape.camera, cameras)
                what = f"there is no camera '{shape.camera}'"
                self.wrong(("switches", name, "camera"), what, todo)
            says = [word for word, asks in shape.words.items() if asks.startswith("rolling")]
            of_takes = [word for word, asks in shape.words.items() if asks in ("good", "again")]
            if (says or of_takes) and not cameras:
                what = "this set has no camera that could roll"
                self.wrong(("switches", name, "words", [*says, *of_takes][0]), what)
            if shape.camera is not None and not says:
                what = f"nothing that '{name}' asks is about a camera"
                todo = "'rolling on', 'rolling off' and 'rolling toggle' are"
                self.wrong(("switches", name, "camera"), what, todo, key=True)
            if shape.look is not None and not {"up", "toggle"} & set(shape.words.values()):
                what = "'look' does nothing: no word of it asks for 'up' or 'toggle'"
                self.wrong(("switches", name, "look"), what, "leave it out", key=True)
            yield SwitchRule(
                name,
                shape.topic,
                MappingProxyType(dict(shape.words)),
                shape.field,
                shape.look,
                shape.debounce,
                shape.camera,
            )

    def call_times(self, looks: dict[str, Look]) -> Iterable[CallTime]:
        for i, shape in enumerate(self.shape.call_times):
            if shape.look is not None and shape.look not in looks:
                todo = nearest(shape.look, looks)
                self.wrong(("call_times", i, "look"), f"there is no look '{shape.look}'", todo)
            hour, minute = shape.ready_by.split(":")
            named = DAY_WORDS[shape.days] if isinstance(shape.days, str) else shape.days
            days = frozenset(DAYS.index(day) for day in named)
            yield CallTime(int(hour), int(minute), days, shape.look, shape.grace)

    def time_zone(self) -> str | None:
        name = self.shape.time_zone
        if name is None:
            return None
        try:
            zoneinfo.ZoneInfo(name)
        except (zoneinfo.ZoneInfoNotFoundError, ValueError, OSError):
            what = f"there is no time zone '{name}'"
            self.wrong(("time_zone",), what, _zone_meant(name))
        return name


def _zone_meant(name: str) -> str:
    """`Chicago` is America/Chicago: a city alone, or one that is spelt nearly so."""
    zones = sorted(zone for zone in zoneinfo.available_timezones() if "/" in zone)
    city = name.split("/")[-1].replace(" ", "_").casefold()
    # `posix/…` and the like are the same zones once more; a region is written with a capital
    own = [z for z in zones if z[0].isupper() and not z.startswith("Etc/")]
    exact = [z for z in own if z.split("/")[-1].casefold() == city]
    alike = [z for z in own if z[0] == name[:1].upper()]
    found = exact or near(name, alike) or _by_city(city, own)
    if not found:
        return "write a region and a city, like 'Europe/Lisbon'"
    return "did you mean " + " or ".join(f"'{zone}'" for zone in found[:3]) + "?"


def _by_city(city: str, zones: list[str]) -> list[str]:
    cities = {zone.split("/")[-1].casefold(): zone for zone in zones}
    cities = {name: zone for name, zone in cities.items() if name[0] == city[:1]}
    return [cities[found] for found in near(city, cities)]


def _presets_in(shape: LookShape) -> dict[str, Preset]:
    extra = shape.__pydantic_extra__ or {}
    return {name: Preset(said.level, said.cct, said.colour) for name, said in extra.items()}


def _over(before: Preset, said: Preset) -> Preset:
    """A preset that says a part anew. White and coloured take each other's place; dark has none."""
    level = said.level if said.level is not None else before.level
    cct = said.cct if said.cct is not None else before.cct
    colour = said.colour if said.colour is not None else before.colour
    if said.colour is not None and said.cct is None:
        cct = None
    elif said.cct is not None and said.colour is None:
        colour = None
    if level == 0 and said.colour is None:
        colour = None
    return Preset(level, cct, colour)
