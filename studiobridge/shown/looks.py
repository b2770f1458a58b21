"""The looks of a profile in words and as JSON: what each light is set to, and what it comes to."""

from __future__ import annotations

from typing import Any

from studiobridge.figures.light import light_of
from studiobridge.profile.colours import preset_json
from studiobridge.profile.model import Device, Look, SetProfile
from studiobridge.shown import words
from studiobridge.shown.light import lux, ratio, white


def looks_json(profile: SetProfile) -> dict[str, Any]:
    """The shape of `look list --json`."""
    return {
        "set": profile.name,
        "default": profile.default_look,
        "looks": [
            {"look": look.name, "title": look.title, "lights": list(look.presets)}
            for look in profile.looks.values()
        ],
    }


def looks_rows(profile: SetProfile) -> list[tuple[str, str, str, str]]:
    """A row a look: its name, its title, its lights, and whether `up` takes it by itself."""
    return [
        (
            look.name,
            look.title,
            words.listed(list(look.presets), most=3) or "no lights",
            "what `up` takes" if look.name == profile.default_look else "",
        )
        for look in profile.looks.values()
    ]


def look_json(profile: SetProfile, look: Look) -> dict[str, Any]:
    """The shape of `look show --json`."""
    lights = []
    for name, preset in look.presets.items():
        device = profile.devices[name]
        by_hand = device.hand_set
        lights.append(
            {"device": name, "title": device.title, **preset_json(preset), "by_hand": by_hand}
        )
    found = light_of(profile, look.name, look.presets)
    whole = found.whole
    mark: dict[str, Any] | None = None
    if whole is not None:
        mark = {
            "lux": round(whole.lux, 1),
            "sure": None if found.sure is None else _rounded(found.sure.lux),
            "ratio": None if whole.ratio is None else round(whole.ratio, 2),
            "cct": None if whole.cct is None else round(whole.cct),
            "duv": None if whole.duv is None else round(whole.duv, 4),
        }
    return {
        "set": profile.name,
        "look": look.name,
        "title": look.title,
        "lights": lights,
        "left_alone": [d.name for d in left_alone(profile, look)],
        "at_the_mark": mark,
        "missing": list(found.missing),
    }


def left_alone(profile: SetProfile, look: Look) -> list[Device]:
    """The lights of which a look says nothing."""
    return [d for d in profile.devices.values() if d.fixture and d.name not in look.presets]


def look_rows(profile: SetProfile, look: Look) -> list[tuple[str, str, str, str]]:
    """A row a light: its name, its level, its white or colour, and who sets it."""
    rows = []
    for name, preset in look.presets.items():
        said = preset_json(preset)
        rows.append(
            (
                name,
                words.level(said["level"]),
                words.cct(said["cct"]) or words.colour(said["colour"]),
                "by hand" if profile.devices[name].hand_set else "",
            )
        )
    return rows


def look_lines(profile: SetProfile, look: Look) -> list[str]:
    """What is to be said below the lights: who is left alone, and the light at the mark."""
    lines = []
    alone = left_alone(profile, look)
    if alone:
        lines.append(f"left as they are: {words.listed([d.name for d in alone])}")
    found = light_of(profile, look.name, look.presets)
    whole, sure = found.whole, found.sure
    if whole is not None:
        parts = [lux(whole.lux, sure.lux if sure is not None else None)]
        if whole.ratio is not None:
            parts.append(
                f"key to fill {ratio(whole.ratio, sure.ratio if sure is not None else None)}"
            )
        if whole.cct is not None:
            parts.append(white(whole.cct, whole.duv))
        lines.append(f"at the mark: {', '.join(parts)} (`studiobridge light` has the rest)")
    return lines


def _rounded(stops: float | None) -> float | None:
    return None if stops is None else round(stops, 2)
