"""A look before it is set: the sum of the pictures its lamps make alone, by the camera's curve.

A picture is the sum of the pictures each light makes alone, in linear light (Nimeroff, Simoncelli
and Dorsey 1994), and daylight that was there when the lamps were learned is in it too. What it
cannot know: who stands in the picture now, and a lamp that was turned or moved since.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from studiobridge.craft.light import LINEAR, Dimmer
from studiobridge.craft.monotone import Monotone
from studiobridge.witness.learned import Codes, Curve, Learned, Picture
from studiobridge.witness.mixing import parts

# Light is looked up in steps this fine: a twentieth of a code where the steepest curve is steepest.
STEPS = 1 << 16
# More than this much of its full light is a mistake in what is asked, not a lamp.
MOST = 100.0


@dataclass(frozen=True, slots=True)
class At:
    """One light as it would be: a level of its dial or fader (%) or a share of its full light,
    and its white (K) where it has two. One of the two is given; none is dark."""

    level: float | None = None
    amount: float | None = None
    cct: float | None = None


def amount_at(learned: Learned, device: str, level: float, dimmer: Dimmer | None = None) -> float:
    """The share of its full light that a lamp gives at a level (%): as it was seen at its levels.

    A lamp that was seen at full only follows the dimmer given, else a straight line. Raises
    ValueError outside 0-100 %.
    """
    if not 0.0 <= level <= 100.0:
        raise ValueError(f"{device}: a level is from 0 to 100 %, not {level:g}")
    seen = [(at, share) for at, share in learned.dimmers.get(device, ()) if at > 0.0]
    if len(seen) < 2:
        return (dimmer or LINEAR).output(level)
    highest, most = seen[-1]
    if level >= highest:
        return most * level / highest
    return max(0.0, float(Monotone(((0.0, 0.0), *seen))(level)))


def light_of(
    learned: Learned, lights: Mapping[str, At], dimmers: Mapping[str, Dimmer] | None = None
) -> Picture:
    """The picture of these lights in linear light; those that are not named are dark.

    Raises ValueError for a light that was not seen alone, and for nonsense in a figure.
    """
    total = learned.dark.copy()
    for device, at in lights.items():
        if at.level is not None:
            amount = amount_at(learned, device, at.level, (dimmers or {}).get(device))
        else:
            amount = at.amount or 0.0
        if not (math.isfinite(amount) and 0.0 <= amount <= MOST):
            raise ValueError(f"{device}: {amount:g} of its full light is none that a lamp gives")
        for share, part in parts(learned, device, at.cct):
            if amount * part > 0.0:
                total += share.light * np.float32(amount * part)
    return total


def preview(
    learned: Learned, lights: Mapping[str, At], dimmers: Mapping[str, Dimmer] | None = None
) -> Codes:
    """The picture as the camera would write it; see `light_of`."""
    return developed(learned.curve, light_of(learned, lights, dimmers))


def developed(curve: Curve, light: Picture) -> Codes:
    """Linear light through the camera's curve: `Curve.codes`, by table for it is wanted at once."""
    found = np.empty(light.shape, np.uint8)
    codes = np.arange(256, dtype=np.float32)
    for channel in range(3):
        row = curve.light[channel]
        low, high = float(row[0]), float(row[-1])
        steps = np.linspace(low, high, STEPS)
        table = np.rint(np.interp(steps, row, codes)).astype(np.uint8)
        place = (light[..., channel] - low) * ((STEPS - 1) / (high - low))
        np.nan_to_num(place, copy=False, nan=0.0)
        np.clip(place, 0, STEPS - 1, out=place)
        found[..., channel] = table[np.rint(place).astype(np.int32)]
    return found
