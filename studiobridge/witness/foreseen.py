"""A look as it would be, for people: which lamps of it are in the picture, and which cannot be."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

import cv2
import numpy as np

from studiobridge.craft.grid import kelvin_of_mired, mired
from studiobridge.craft.light import Dimmer
from studiobridge.profile import quantity
from studiobridge.profile.model import Preset, SetProfile
from studiobridge.profile.plain import quoted
from studiobridge.profile.wish import read_step
from studiobridge.witness.learned import Codes, Learned
from studiobridge.witness.preview import At, amount_at, preview

# A picture is no meter, and this one was not even taken.
CAUTION = "as it would be, from what was learned: a picture is no meter"


@dataclass(frozen=True, slots=True, eq=False)
class Foreseen:
    """The picture, each light in it with its share of full light and white (K), and what is not
    in it and why, a line each."""

    codes: Codes
    lights: Mapping[str, At]
    missing: tuple[str, ...]


def foreseen(
    learned: Learned,
    profile: SetProfile,
    presets: Mapping[str, Preset],
    changes: Mapping[str, str] | None = None,
) -> Foreseen:
    """A look with some of its lights otherwise: `50 %`, `50 % 4300 K`, `4300 K`, `+0.3 stop`,
    `-5 mired`. Raises ValueError for a change that names no such light or cannot be read.
    """
    known = {share.device for share in learned.shares}
    dimmers = {name: device.dimmer for name, device in profile.devices.items()}
    lights: dict[str, At] = {}
    missing: list[str] = []
    for name, preset in presets.items():
        if name not in known:
            if preset.level != 0.0:
                missing.append(f"{name} was not learned: it is not in the picture")
            continue
        if preset.colour is not None:
            missing.append(f"{name} is coloured in this look; it was learned white: left dark")
        elif preset.level is None:
            missing.append(f"{name} has no level in this look: left dark")
        else:
            amount = amount_at(learned, name, preset.level, dimmers.get(name))
            lights[name] = At(amount=amount, cct=preset.cct)
    for name, text in (changes or {}).items():
        if name not in profile.devices or not profile.devices[name].fixture:
            raise ValueError(f"{quoted(name)} is no light of this set")
        if name not in known:
            raise ValueError(f"{name} was not learned: nothing says what it does to the picture")
        was = lights.get(name, At(amount=0.0))
        now = _changed(learned, name, was, text, dimmers)
        lights[name] = now
        line = f"{name} has no level in this look: left dark"
        missing = [m for m in missing if m != line or not now.amount]
    for name in sorted(known - set(lights) - set(presets)):
        missing.append(f"{name} is not in this look: it is dark in the picture")
    for name, at in lights.items():
        if at.cct is None and len([s for s in learned.shares_of(name) if s.cct]) > 1:
            missing.append(f"{name} has no white in this look: half way between its whites")
    return Foreseen(preview(learned, lights), lights, tuple(missing))


def _changed(learned: Learned, name: str, was: At, text: str, dimmers: Mapping[str, Dimmer]) -> At:
    said = text.strip()
    try:
        point, by = read_step(said)
    except ValueError:
        return _set_to(learned, name, was, said, dimmers)
    if point == "level":
        if not was.amount:
            raise ValueError(f"{name} is dark in this look: nothing to be {by:+g} stop from")
        return replace(was, amount=min(1.0, was.amount * 2.0**by))
    if was.cct is None:
        raise ValueError(f"{name} has no white in this look: nothing to be {by:+g} mired from")
    wanted = mired(was.cct) + by
    return replace(was, cct=kelvin_of_mired(min(1000.0, max(40.0, wanted))))


def _set_to(learned: Learned, name: str, was: At, said: str, dimmers: Mapping[str, Dimmer]) -> At:
    level, white = said, ""
    if "%" in said:
        level, _, white = said.partition("%")
        level, white = level + "%", white.strip(" ,")
    elif said.endswith("K"):
        level, white = "", said
    try:
        if level:
            percent = quantity.parse(level, quantity.LEVEL)
            dimmer = dimmers.get(name)
            was = replace(was, amount=amount_at(learned, name, percent, dimmer))
        if white:
            was = replace(was, cct=quantity.parse(white, quantity.CCT))
    except ValueError as error:
        raise ValueError(f"{name}: {error}, '4300 K', '+0.3 stop' or '-5 mired'") from None
    return was


def written(codes: Codes, ending: str) -> bytes:
    """The picture as a file of this ending (.png, .jpg). Raises ValueError for another."""
    if ending.lower() not in (".png", ".jpg", ".jpeg"):
        raise ValueError(f"a picture is written as .png or .jpg, not {quoted(ending or 'nothing')}")
    _, data = cv2.imencode(ending.lower(), codes)
    return np.asarray(data, np.uint8).tobytes()
