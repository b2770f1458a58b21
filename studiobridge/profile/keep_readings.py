"""Readings of a meter, as a person says them in one line, and written into a profile's file."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from types import MappingProxyType

from studiobridge.profile import quantity
from studiobridge.profile.build import read_profile_text
from studiobridge.profile.findings import nearest
from studiobridge.profile.insert import CannotInsert, inserted, into_list
from studiobridge.profile.keep import BOM, CannotKeep, change_file
from studiobridge.profile.metered import FACE
from studiobridge.profile.model import MeterReading, Preset, SetProfile
from studiobridge.profile.quantity import format_level, parse
from studiobridge.profile.text import ProfileError, read_document

# A place, what was read, and which lights were on: none said is the whole look.
_SAID = re.compile(r"\s*(\S+)\s+([0-9.,+eE-]+\s*[A-Za-z]+)\s*(.*?)\s*\Z", re.ASCII)
_LIGHT = re.compile(r"([a-z0-9][a-z0-9-]*)(?:[ =:]\s*([0-9.,]+\s*%))?(?:\s*,\s*|\s+|\Z)", re.ASCII)
# what is said where no light was on
DARK = "dark"


@dataclass(frozen=True, slots=True)
class Taken:
    """A reading, and what the meter said in the words it was told in: `38 fc`."""

    reading: MeterReading
    read: str


def taken(profile: SetProfile, look: str | None, text: str) -> Taken:
    """What `face 402 lx key` says: where, how much, which lights. Raises ValueError, in a sentence.

    Lights are at the levels of the look, or at one that is said (`key 50 %`); none named is the
    whole look, and `dark` is none.
    """
    found = _SAID.match(text)
    if found is None:
        raise ValueError("write where, how much and which lights, like 'face 402 lx key'")
    at, read, rest = found.groups()
    backdrops = [d.name for d in profile.devices.values() if d.kind == "backdrop"]
    if at != FACE and at not in backdrops:
        raise ValueError(f"a meter is not held at '{at}'; {nearest(at, [FACE, *backdrops])}")
    lux = parse(read, quantity.LUX)
    presets = profile.looks[look].presets if look is not None else {}
    levels: dict[str, float | None] = {}
    if not rest:
        levels = {name: None for name, preset in presets.items() if preset.level}
    elif rest != DARK or DARK in profile.devices:
        levels = _lights(profile, rest)
    on = {}
    for name, said in levels.items():
        preset = presets.get(name, Preset())
        level = said if said is not None else preset.level
        if level is None:
            raise ValueError(
                f"the look does not set '{name}': say at what level it was, like '{name} 100 %'"
            )
        if preset.colour is not None and level > 0:
            raise ValueError(f"'{name}' is coloured in this look, and figures hold for white light")
        on[name] = Preset(round(level, 1), preset.cct)
    return Taken(MeterReading(lux, at, MappingProxyType(on), look), read)


def _lights(profile: SetProfile, rest: str) -> dict[str, float | None]:
    found: dict[str, float | None] = {}
    at = 0
    while at < len(rest):
        light = _LIGHT.match(rest, at)
        if light is None:
            raise ValueError(f"'{rest[at:]}' is not a light's name; write them like 'key fill'")
        name, level = light.groups()
        device = profile.devices.get(name)
        if device is None or not device.fixture:
            lights = [d.name for d in profile.devices.values() if d.fixture]
            raise ValueError(f"there is no light '{name}'; {nearest(name, lights)}")
        found[name] = parse(level, quantity.LEVEL) if level is not None else None
        at = light.end()
    return found


def with_readings(profile: SetProfile, readings: Sequence[Taken]) -> SetProfile:
    """The same set with these readings besides those that its profile has."""
    return replace(profile, readings=(*profile.readings, *(taken.reading for taken in readings)))


def keep_readings(path: Path, readings: Sequence[Taken]) -> None:
    """Write them into the file's `readings:`. Raises CannotKeep; then nothing was changed.

    Each is written with the levels its lights had: a look that is changed later changes no
    reading. Comments and layout stay.
    """
    change_file(path, lambda data: _written(data, str(path), readings))


def _written(data: bytes, name: str, readings: Sequence[Taken]) -> bytes:
    try:
        before = read_profile_text(data, name).profile
    except ProfileError as error:
        raise CannotKeep(f"{name} has mistakes now, so nothing is written: {error}") from None
    text = data.decode("utf-8-sig")
    entries = [_entry(before, taken) for taken in readings]
    try:
        text = inserted(text, [into_list(read_document(text, name), "readings", entries)])
    except CannotInsert as error:
        raise CannotKeep(f"nothing is written into {name}: {error}; write them by hand") from None
    try:
        after = read_profile_text(text, name).profile
    except ProfileError as error:
        raise CannotKeep(f"the readings do not fit the profile: {error}") from None
    if after != with_readings(before, readings):
        raise CannotKeep(f"nothing is written into {name}: it would say more than these readings")
    made = text.encode("utf-8")
    return BOM + made if data.startswith(BOM) else made


def _entry(profile: SetProfile, taken: Taken) -> Mapping[str, object]:
    """`{read: 402 lx, on: {key: 64 %}}`"""
    reading = taken.reading
    entry: dict[str, object] = {"read": taken.read}
    if reading.at != FACE:
        entry["at"] = reading.at
    if reading.look is not None and reading.look != (
        profile.default_look or next(iter(profile.looks), None)
    ):
        entry["look"] = reading.look
    levels = {n: format_level(p.level) for n, p in reading.on.items() if p.level is not None}
    entry["on"] = levels or []
    return entry
