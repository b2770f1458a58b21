"""The white of each light for a wanted white of all of them together on the face.

Where every light can have the wanted white, all have it. Where one is fixed, or its range ends
short of it, those that can move make up for it: least squares in CIE 1960 u, v, as near to the
wanted white as that takes. What is left across the locus (Duv) is said.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace

from studiobridge.craft import bounded
from studiobridge.craft.colour import cct_and_duv, is_white
from studiobridge.craft.grid import Grid, mired
from studiobridge.figures.face import DARK, Face, white_of
from studiobridge.profile.model import Device, Preset, SetProfile

# Two whites this near (mired) are one white: what was set alike is set alike again.
ALIKE = 5.0
# A white is moved a little (mired) to see what that does to the mix.
NUDGE = 1.0
ROUNDS = 6
# What a mired away from the wanted white counts beside a mired that the mix is off: only enough to
# choose among lights that could do it.
PULL = 0.02
# In u, v of CIE 1960 a mired near 4000 K is so much (craft/locus.py).
MIRED_UV = 4.3e-4


@dataclass(frozen=True, slots=True)
class Whites:
    """The wanted white (K) and the one got, with its Duv; `presets` are those that change.

    `fixed`: lights on the face whose white cannot be told; `at_end`: those whose range ends short
    of what is asked of them. `kept`: lights off the face whose white differs on purpose.
    """

    wanted: float
    got: float | None
    duv: float | None
    presets: Mapping[str, Preset]
    fixed: tuple[str, ...]
    at_end: tuple[str, ...]
    kept: tuple[str, ...]

    @property
    def off(self) -> float | None:
        """Mired from the wanted white to the one got (positive: warmer)."""
        return None if self.got is None else mired(self.got) - mired(self.wanted)


def whites_for(
    profile: SetProfile,
    face: Face,
    presets: Mapping[str, Preset],
    wanted: float,
    steps: Mapping[str, Grid],
) -> Whites:
    """The whites for a wanted one (K). `steps`: what each light can tell apart of its white."""
    before = face.whole(presets)
    old = before.cct if before is not None else None
    made: dict[str, Preset] = {}
    ends: dict[str, tuple[float, float]] = {}
    fixed, kept = [], []
    for name, preset in presets.items():
        if preset.cct is None or not is_white(preset.cct):
            continue
        device = profile.devices[name]
        lit = name in face.rays and (face.lux(name, preset.level or 0.0) or 0.0) >= DARK
        range_ = _range(device, steps.get(name))
        if not lit and (old is None or abs(mired(preset.cct) - mired(old)) > ALIKE):
            if preset.cct != wanted:
                kept.append(name)
        elif range_ is None:
            fixed.append(name)
        else:
            low, high = mired(range_[1]), mired(range_[0])
            at = min(max(mired(wanted), low), high)
            made[name] = replace(preset, cct=_held(1e6 / at, range_, steps.get(name)))
            if lit:
                ends[name] = (low, high)
    now = {**presets, **made}
    short = [n for n, (low, high) in ends.items() if not low <= mired(wanted) <= high]
    odd = [n for n in fixed if abs(mired(presets[n].cct or wanted) - mired(wanted)) > 0.5]
    if ends and (short or odd):
        now = _made_up_for(profile, face, now, wanted, ends)
        for name in ends:
            range_ = _range(profile.devices[name], steps.get(name))
            cct = now[name].cct
            if range_ is not None and cct is not None:
                now[name] = replace(now[name], cct=_held(cct, range_, steps.get(name)))
    whole = face.whole(now)
    got = whole.cct if whole is not None else None
    duv = whole.duv if whole is not None else None
    if whole is not None and whole.white is not None and got is None:
        got, duv = _nearest(whole.white.u, whole.white.v)
    changed = {n: p for n, p in now.items() if p != presets[n]}
    return Whites(wanted, got, duv, changed, tuple(fixed), tuple(short), tuple(kept))


def _range(device: Device, grid: Grid | None) -> tuple[float, float] | None:
    """The whites (K) it can have; None where its white is what it is."""
    if device.hand_set:
        return device.cct_range  # a dial for its white is said by its range
    if "cct" not in device.tells:
        return None
    low, high = device.cct_range or (1000.0, 25000.0)
    if grid is not None:
        ends = sorted((grid.from_raw(grid.low), grid.from_raw(grid.high)))
        low, high = max(low, ends[0]), min(high, ends[1])
    return (low, high) if low <= high else None


def _held(kelvin: float, range_: tuple[float, float], grid: Grid | None) -> float:
    """A white as it is written: whole kelvin, within its range."""
    low, high = math.ceil(range_[0] - 1e-9), math.floor(range_[1] + 1e-9)
    return float(min(max(round(kelvin), low), high))


def _made_up_for(
    profile: SetProfile,
    face: Face,
    presets: Mapping[str, Preset],
    wanted: float,
    ends: Mapping[str, tuple[float, float]],
) -> dict[str, Preset]:
    """The whites of those that can move for which the mix comes nearest to the wanted white."""
    target = white_of(wanted, 1.0, profile.picture.daylight)
    names = list(ends)
    low, high = zip(*ends.values(), strict=True)
    at = [mired(presets[n].cct or wanted) for n in names]

    def mix(values: list[float]) -> tuple[float, float] | None:
        cct = {n: replace(presets[n], cct=1e6 / v) for n, v in zip(names, values, strict=True)}
        whole = face.whole({**presets, **cct})
        return (whole.white.u, whole.white.v) if whole is not None and whole.white else None

    for _ in range(ROUNDS):
        here = mix(at)
        if here is None:
            break
        slopes = []
        for i in range(len(names)):
            by = NUDGE if at[i] + NUDGE <= high[i] else -NUDGE
            there = mix([v + by if j == i else v for j, v in enumerate(at)])
            if there is None:
                return dict(presets)
            slopes.append([(b - a) / by / MIRED_UV for a, b in zip(here, there, strict=True)])
        rows = [[slope[axis] for slope in slopes] for axis in (0, 1)]
        goal = ((target.u - here[0]) / MIRED_UV, (target.v - here[1]) / MIRED_UV)
        wants = [
            off + sum(s * v for s, v in zip(row, at, strict=True))
            for off, row in zip(goal, rows, strict=True)
        ]
        for i in range(len(names)):
            rows.append([PULL if j == i else 0.0 for j in range(len(names))])
            wants.append(PULL * mired(wanted))
        to = list(bounded.solve(rows, wants, low, high, start=at))
        moved = max(abs(a - b) for a, b in zip(at, to, strict=True))
        at = to
        if moved < 0.05:
            break
    return {
        **presets,
        **{n: replace(presets[n], cct=1e6 / v) for n, v in zip(names, at, strict=True)},
    }


def _nearest(u: float, v: float) -> tuple[float | None, float | None]:
    try:
        return cct_and_duv(u, v)
    except ValueError:
        return None, None
