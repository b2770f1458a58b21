"""Colours in a profile: how a person writes one, and how `keep` writes it back in their own way.

colour: {hue: 120 deg, saturation: 90 %}     HSV on sRGB (IEC 61966-2-1), white D65
colour: {rgb: "#20ff40"}                     sRGB; the level says how bright
colour: {x: 0.30, y: 0.60}                   CIE 1931
colour: {xy: [0.30, 0.60]}
"""

from __future__ import annotations

import math
import re
from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any

from studiobridge.craft.chroma import (
    Colour,
    apart,
    fits,
    hs_of,
    name_of,
    of_hs,
    of_rgb,
    on_screen,
    rgb_of,
)
from studiobridge.profile import quantity
from studiobridge.profile.plain import quoted

if TYPE_CHECKING:
    from studiobridge.profile.model import Preset

EXAMPLE = "{hue: 120 deg, saturation: 90 %}"
WAYS = f"write it like {EXAMPLE}, {{x: 0.30, y: 0.60}} or {{rgb: '#20ff40'}}"
# Finer than this (Δu′v′) nothing reports a colour, and no eye sees it.
SMALLEST_SHIFT = 0.0005
# Two colours of a file are the same when no more apart than what `keep` rounds off (Δu′v′).
ROUNDED = 0.004
_HEX = re.compile(r"#([0-9a-fA-F]{2})([0-9a-fA-F]{2})([0-9a-fA-F]{2})\Z")

_TEXT = {"type": "string"}
_NUMBER = {"type": "number", "minimum": 0, "maximum": 1}


def _object(**properties: object) -> dict[str, object]:
    return {
        "type": "object",
        "properties": properties,
        "required": list(properties),
        "additionalProperties": False,
    }


JSON_SCHEMA: dict[str, Any] = {
    "anyOf": [
        _object(
            hue={**_TEXT, "pattern": quantity.HUE.pattern},
            saturation={**_TEXT, "pattern": quantity.SATURATION.pattern},
        ),
        _object(rgb={**_TEXT, "pattern": "^#[0-9a-fA-F]{6}$"}),
        _object(x=_NUMBER, y=_NUMBER),
        _object(xy={"type": "array", "items": _NUMBER, "minItems": 2, "maxItems": 2}),
    ]
}


def parse(value: object) -> Colour:
    """A colour as a person writes it. Raises ValueError with what to write instead."""
    if not isinstance(value, Mapping):
        raise ValueError(f"{quoted(value)} is not a colour; {WAYS}")
    keys = set(value)
    if keys == {"hue", "saturation"}:
        hue = quantity.parse(value["hue"], quantity.HUE)
        return of_hs(hue, quantity.parse(value["saturation"], quantity.SATURATION) / 100.0)
    if keys == {"rgb"}:
        return _rgb(value["rgb"])
    if keys == {"x", "y"}:
        return _xy(value["x"], value["y"])
    if keys == {"xy"}:
        both = value["xy"]
        if not isinstance(both, Sequence) or isinstance(both, str) or len(both) != 2:
            raise ValueError(f"{quoted(both)} is not x and y; write it like [0.30, 0.60]")
        return _xy(*both)
    if keys and keys < {"hue", "saturation"}:
        raise ValueError(f"a colour by hue has a saturation too; write it like {EXAMPLE}")
    said = ", ".join(str(key)[:20] for key in value) or "nothing"
    raise ValueError(f"a colour is not made of {said}; {WAYS}")


def _xy(x: object, y: object) -> Colour:
    for name, part in (("x", x), ("y", y)):
        if isinstance(part, bool) or not isinstance(part, int | float):
            shown = quoted(part)
            raise ValueError(f"{name} is {shown}, not a number; write it like {{x: 0.30, y: 0.60}}")
    return Colour(float(x), float(y))  # type: ignore[arg-type]


def _rgb(text: object) -> Colour:
    found = _HEX.match(text) if isinstance(text, str) else None
    if found is None:
        raise ValueError(f"{quoted(text)} is not a colour; write it like '#20ff40'")
    red, green, blue = (int(part, 16) / 255.0 for part in found.groups())
    colour = of_rgb(red, green, blue)
    if colour is None:
        raise ValueError("black is no colour of light; write 'level: 0 %' instead of a colour")
    return colour


def parse_shift(value: object) -> float:
    """How far a colour may be off, CIE 1976 Δu′v′: a bare number. Raises ValueError."""
    if isinstance(value, bool) or not isinstance(value, int | float):
        raise ValueError(
            f"{quoted(value)} is not a shift of colour; write Δu′v′ as a number, like 0.01"
        )
    shift = float(value)
    if not (math.isfinite(shift) and SMALLEST_SHIFT <= shift <= 1.0):
        raise ValueError(f"{quoted(value)} is outside {SMALLEST_SHIFT} to 1 Δu′v′")
    return shift


def colour_json(colour: Colour | None) -> dict[str, object] | None:
    """CIE 1931 x and y, a word for it, and about how it looks on a screen."""
    if colour is None:
        return None
    return {
        "x": round(colour.x, 4),
        "y": round(colour.y, 4),
        "name": name_of(colour),
        "screen": on_screen(colour),
    }


def preset_json(preset: Preset) -> dict[str, object]:
    """A preset as it is shown: level (%), CCT (K) and colour."""
    return {
        "level": preset.level,
        "cct": preset.cct,
        "colour": colour_json(preset.colour),
    }


# ---- written back ----------------------------------------------------------------------------


def parts_written(colour: Colour, keys: Sequence[str]) -> dict[str, str]:
    """The text of each part of a colour, by the keys a file has. Raises ValueError.

    `keys` as `parse` knows them; for `xy` the parts are `x` and `y`.
    """
    wanted = set(keys)
    if wanted == {"hue", "saturation"}:
        _must_fit(colour, "hue and saturation")
        hue, saturation = hs_of(colour)
        return {
            "hue": f"{round(hue, 1) % 360.0:g} deg",
            "saturation": f"{round(saturation * 100.0, 1):g} %",
        }
    if wanted == {"rgb"}:
        _must_fit(colour, "red, green and blue")
        red, green, blue = (round(part * 255.0) for part in rgb_of(colour))
        return {"rgb": f"#{red:02x}{green:02x}{blue:02x}"}
    return {"x": f"{colour.x:.4f}", "y": f"{colour.y:.4f}"}


def _must_fit(colour: Colour, how: str) -> None:
    if not fits(colour, "rgb"):
        raise ValueError(
            f"x {colour.x:.4f}, y {colour.y:.4f} is too pure a colour for {how}; write x and y"
        )


def agree(a: Colour | None, b: Colour | None) -> bool:
    """Is this the same colour, but for what rounding in a file costs?"""
    if a is None or b is None:
        return a is b
    return apart(a, b) <= ROUNDED
