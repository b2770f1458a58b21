"""A set small enough to work out by hand, in the model's own units."""

from __future__ import annotations

from dataclasses import replace
from fractions import Fraction

from studiobridge.profile.model import (
    Circuit,
    Device,
    Lead,
    Look,
    Output,
    Picture,
    Place,
    Preset,
    Price,
    Room,
    SetProfile,
)

# Key and fill 3-4-5 triangles from the mark, seen from above, at the height of the mark: 5 m and
# cosine 4/5 and 3/5.
MARK = Place(1.0, 0.0, 1.5)
KEY = Device(
    "key",
    "light",
    fed_by="plug",
    feeds=("plug",),
    circuit="wall",
    speaks="d",
    tells=frozenset({"level", "cct"}),
    hears=frozenset({"level", "cct"}),
    draws=100.0,
    power_factor=1.0,
    inrush=20.0,
    role="key",
    place=Place(5.0, -3.0, 1.5, "mark"),
    output=Output(25_000.0, 1.0),
    beam=90.0,
)
FILL = replace(
    KEY, name="fill", role="fill", place=Place(4.0, 4.0, 1.5, "mark"), output=Output(25_000.0, 1.0)
)
PLUG = Device(
    "plug",
    "plug",
    fed_by="wall",
    circuit="wall",
    speaks="w",
    tells=frozenset({"switch"}),
    hears=frozenset({"switch"}),
    lead=Lead(20.0, square_mm=1.5),
)
CAMERA = Device(
    "camera", "camera", battery=True, draws=20.0, holds=100.0, place=Place(4.0, 0.0, 1.5, "mark")
)


def small(*devices: Device, presets: dict[str, Preset] | None = None, **more: object) -> SetProfile:
    made = devices or (PLUG, KEY, FILL, CAMERA)
    look = Look("day", presets or {"key": Preset(50.0, 4000.0), "fill": Preset(40.0, 4000.0)})
    figures: dict[str, object] = {
        "name": "bench",
        "title": "",
        "voltage": 230.0,
        "circuits": {"wall": Circuit("wall", 10.0, "B", 0.5)},
        "dialects": {},
        "devices": {d.name: d for d in made},
        "looks": {"day": look},
        "default_look": "day",
        "frequency": 50.0,
        "price": Price(0.5, "EUR"),
        "room": Room(Fraction(6), 9.0, 3.0, MARK),
        "picture": Picture(shutter=1 / 50, iso=100.0, aperture=2.8, white=4000.0),
    }
    return SetProfile(**{**figures, **more})  # type: ignore[arg-type]
