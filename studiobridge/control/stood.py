"""How a set stood at a moment, as plain data that a record keeps, and what differs between two.

- Of each fixture: level, white or colour, on what evidence (the rules are those of looks.py), or
  why it is not known. What it was only told is there and named so (`told`): it goes into a look
  that is made of this, and it proves no difference.
- A difference is named where both are known by evidence and are further apart than the fixture's
  own tolerance; where one is not known, that is said instead. What it does to the picture is
  computed only where every light on the face is known on both sides.
- Numbers that are none (a report may hold anything) count as not known.
"""

from __future__ import annotations

import math
from collections.abc import Mapping

from studiobridge.control.drift import Watcher
from studiobridge.control.holding import Holding
from studiobridge.control.looks import Looks, Stands
from studiobridge.control.standing import Standing
from studiobridge.craft.chroma import Colour, apart
from studiobridge.craft.grid import mired
from studiobridge.craft.light import level_stops
from studiobridge.figures.face import Change, Face
from studiobridge.profile.model import Device, Preset, SetProfile

Light = Mapping[str, object]
Lights = Mapping[str, Light]
NOT_SAID = "nothing is known of it"
# Whites (K) that a lamp without ends of its own may be told: those a profile may have.
ANY_WHITE = (1000.0, 25000.0)


# ---- how it stands -----------------------------------------------------------------------------


def lights_of(looks: Looks, at: float) -> dict[str, Light]:
    """Every fixture of the set as it stands now; what no look could say is left out."""
    found: dict[str, Light] = {}
    for device in looks.desk.profile.devices.values():
        if device.fixture:
            stands = looks.stands(device.name, at)
            if stands is not None:
                found[device.name] = light(stands)
    return found


def light(stands: Stands | str) -> Light:
    if isinstance(stands, str):
        return {"why": stands}
    preset = stands.preset
    return {
        "level": preset.level,
        "cct": preset.cct,
        "colour": spelled(preset.colour),
        "by": stands.by,
        "told": stands.told,
    }


def spelled(colour: Colour | None) -> dict[str, float] | None:
    return None if colour is None else {"x": colour.x, "y": colour.y}


def preset_of(one: Light) -> Preset | None:
    """A fixture as it stood, as a preset; None where that is not known."""
    if "why" in one:
        return None
    colour = one.get("colour")
    made: Colour | None = None
    if isinstance(colour, Mapping):
        x, y = _number(colour.get("x")), _number(colour.get("y"))
        if x is None or y is None:
            return None
        try:
            made = Colour(x, y)
        except ValueError:
            return None
    return Preset(_number(one.get("level")), _number(one.get("cct")), made)


def presets_of(lights: Lights) -> dict[str, Preset]:
    found = {name: preset_of(one) for name, one in lights.items()}
    return {name: preset for name, preset in found.items() if preset is not None}


def fitting(profile: SetProfile, lights: Lights) -> dict[str, Light]:
    """What the set can be told of this as it is made now; of the rest, why not.

    A profile may have lost a light since, or say other ends of it, and a row of a record may say
    anything.
    """
    return {
        name: one if why is None else {"why": why}
        for name, one in lights.items()
        for why in [_why_unfit(profile.devices.get(name), preset_of(one))]
    }


def _why_unfit(device: Device | None, preset: Preset | None) -> str | None:
    if device is None or not device.fixture:
        return "is no light of this set any more"
    if preset is None:
        return None
    for value, span, unit in (
        (preset.level, device.level_range or (0.0, 100.0), "%"),
        (preset.cct, device.cct_range or ANY_WHITE, "K"),
    ):
        if value is not None and not span[0] <= value <= span[1]:
            return f"stood at {value:.6g} {unit}, and does {span[0]:g} to {span[1]:g} {unit}"
    return None


def left_out(lights: Lights) -> list[dict[str, str]]:
    """What is not known of a set as it stood, each with why."""
    return [
        {"device": name, "why": str(one.get("why") or NOT_SAID)}
        for name, one in lights.items()
        if preset_of(one) is None
    ]


def only_told(lights: Lights) -> list[str]:
    return [name for name, one in lights.items() if one.get("told") is True]


def _number(value: object) -> float | None:
    if isinstance(value, bool) or not isinstance(value, int | float) or not math.isfinite(value):
        return None
    return float(value)


def whole(
    looks: Looks, standing: Standing, holding: Holding, before: str | None, at: float
) -> dict[str, object]:
    """How the set stands now, for the record; `before`: the line of what has to be true."""
    drifts = [
        {
            "device": drift.device,
            "point": drift.point,
            "stops": None if drift.by.stops is None else round(drift.by.stops, 3),
            "mired": None if drift.by.mired is None else round(drift.by.mired, 1),
        }
        for drift in holding.watcher.drifts.values()
    ]
    low = [
        {"device": low.device, "point": low.point, "said": low.said(at, False)}
        for low in holding.supplies.low(at)
    ]
    return {
        "session": standing.session.number,
        "look": looks.desk.look,
        "state": standing.state,
        "lights": lights_of(looks, at),
        "drift": drifts,
        "picture": _picture(holding.watcher),
        "supplies": low,
        "before": before,
    }


def _picture(watcher: Watcher) -> dict[str, object] | None:
    """What the open drift does to the picture; None where nothing has drifted."""
    names = {drift.device for drift in watcher.drifts.values() if not drift.perhaps}
    if not names:
        return None
    watch = watcher.picture
    names |= {below for name in names for below in watcher.desk.feeds.below.get(name, ())}
    change = watch.change(names)
    return {"missing": list(watch.missing(names))} if change is None else picture_json(change)


# ---- what differs ------------------------------------------------------------------------------


def differences(profile: SetProfile, then: Lights, now: Lights) -> list[dict[str, object]]:
    """Each fixture that stands otherwise now than then, or of which that is not known."""
    found: list[dict[str, object]] = []
    for name, device in profile.devices.items():
        if not device.fixture or (name not in then and name not in now):
            continue
        before, after = then.get(name, {"why": NOT_SAID}), now.get(name, {"why": NOT_SAID})
        why = _unknown(before)
        if why is not None:
            found.append({"device": name, "unknown": why, "of": "then"})
            continue
        why = _unknown(after)
        if why is not None:
            found.append({"device": name, "unknown": why, "of": "now"})
            continue
        was, is_ = preset_of(before), preset_of(after)
        if was is not None and is_ is not None:
            differs = _differs(device, was, is_)
            if differs:
                found.append({"device": name, **differs})
    return found


def _unknown(one: Light) -> str | None:
    """Why how it stands is not known by evidence; None where it is."""
    if preset_of(one) is None:
        return str(one.get("why") or NOT_SAID)
    return "only told, nothing proves it" if one.get("told") is True else None


def _differs(device: Device, was: Preset, now: Preset) -> dict[str, object]:
    """What is further apart than this fixture's own tolerance."""
    found: dict[str, object] = {}
    both_dark = not was.level and not now.level
    if was.level is not None and now.level is not None and not both_dark:
        stops = level_stops(device.dimmer, was.level, now.level)
        if stops is None or abs(stops) > device.tolerance.level + 1e-9:
            found["level"] = [was.level, now.level]
            found["stops"] = None if stops is None else round(stops, 3) + 0.0
    if was.level == 0.0 or now.level == 0.0:
        return found  # a lamp that is out has no white to compare
    if was.colour is not None and now.colour is not None:
        shift = apart(was.colour, now.colour)
        if shift > device.tolerance.colour + 1e-9:
            found["shift"] = round(shift, 4)
    elif (was.colour is None) != (now.colour is None):
        found["white"] = "coloured" if now.colour is not None else "white again"
    elif was.cct and now.cct and was.cct > 0.0 and now.cct > 0.0:
        moved = mired(now.cct) - mired(was.cct)
        if abs(moved) > device.tolerance.cct + 1e-9:
            found["cct"] = [was.cct, now.cct]
            found["mired"] = round(moved, 1) + 0.0
    return found


def picture_between(face: Face, then: Lights, now: Lights) -> dict[str, object] | None:
    """What that does to the picture; why not where a light on the face is not known.

    None where nothing lights the face at either moment.
    """
    names = [name for name in (*face.rays, *face.missing) if name in then or name in now]
    if not names:
        return None
    unknown = [
        f"{name} {why}"
        for name in names
        for side in (then, now)
        if (why := _unknown(side.get(name, {"why": NOT_SAID}))) is not None
    ]
    if unknown:
        return {"missing": list(dict.fromkeys(unknown))}
    before = {n: p for n, p in presets_of(then).items() if n in names}
    after = {n: p for n, p in presets_of(now).items() if n in names}
    change = face.change(before, after)
    if change is not None:
        return picture_json(change)
    missing = dict.fromkeys([*face.sentences(before), *face.sentences(after)])
    return {"missing": list(missing) or ["no light on the face"]}


def picture_json(change: Change) -> dict[str, object]:
    """The same shape as the set's own `picture`."""
    return {
        "face": rounded(change.face),
        "ratio_wanted": rounded(change.ratio_wanted),
        "ratio": rounded(change.ratio_now),
        "mired": rounded(change.mired, 1),
        "duv_prime": rounded(change.duv_prime, 5),
        "duv": rounded(change.duv, 5),
    }


def rounded(value: float | None, digits: int = 3) -> float | None:
    """A figure for a record or a view; None for what is no number."""
    return None if value is None or not math.isfinite(value) else round(float(value), digits) + 0.0
