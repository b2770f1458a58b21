"""Which lamps a lesson learns, and at which levels each is seen. No I/O.

Full and half first; then, as far as the time of the lesson goes, the levels that put most of the
picture at codes of which little was seen so far: there the curve is known least.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from studiobridge.profile.model import Device, SetProfile
from studiobridge.witness.response import SHADOW, srgb_light

# Of each lamp (%): full, and what all are together at; then of the others those that put most of
# the picture at codes of which little was seen so far.
LEVELS = (100.0, 50.0)
OTHERS = (75.0, 35.0, 25.0, 18.0, 12.0, 8.0, 5.0)
# So many of each lamp, by how many lamps there are: a lesson should not last longer than this (s).
FEWEST, MOST, LONGEST = 3, 6, 176.0
# Codes alike to the curve: classes that are narrow in the dark, where a code is a larger part of a
# stop; blocks of one class beyond so many tell nothing more (JPEG rounds them alike).
CLASSES, ENOUGH = 24, 20
# Of a lamp at its other white, and where a person turns the dial, which they do not do four times.
FEW = (100.0,)
# A lamp that is never off is left out where its least (%) is more than this: that little stays in
# the dark picture, and is less than any band.
LOWEST = 3.0
# How long one state takes (s), for the plan: told, settled, looked at.
STATE_TAKES = 4.0


@dataclass(frozen=True, slots=True)
class Pupil:
    """A lamp to be learned: its whites (K; None: it has but one), whether a hand turns it."""

    device: Device
    whites: tuple[float | None, ...]
    by_hand: bool


def pupils(profile: SetProfile, without: Mapping[str, str]) -> tuple[list[Pupil], dict[str, str]]:
    """Which lamps are learned, and which are not and why."""
    found, out = [], dict(without)
    for name, device in profile.devices.items():
        if not device.fixture or name in out:
            continue
        told = device.tells & {"level", "switch"}
        lowest = device.level_range[0] if device.level_range is not None else 0.0
        if told and "switch" not in told and lowest > LOWEST:
            out[name] = f"it goes no lower than {lowest:g} %, so never dark"
            continue
        if "colour" in device.tells and "cct" not in device.tells and "level" not in device.tells:
            out[name] = "it has only colours"
            continue
        whites: tuple[float | None, ...] = (None,)
        if "cct" in device.tells and device.cct_range is not None:
            warm, cool = device.cct_range
            whites = (warm, cool)
        found.append(Pupil(device, whites, not told))
    return found, out


@dataclass(slots=True)
class Levels:
    """At which levels (%) each lamp is seen; `only`: at these and none else."""

    only: tuple[float, ...] | None = None
    # of each class of codes how many blocks were seen so far
    _known: NDArray[np.float64] = field(default_factory=lambda: np.zeros(CLASSES))
    # the lamp that is being learned: how it looks at full, and at which levels it was seen
    _full: NDArray[np.float32] | None = None
    _tried: list[float] = field(default_factory=list)

    def fixed(self, pupil: Pupil, n: int) -> tuple[float, ...]:
        """At which levels it is seen at its white number `n`: all at the last one."""
        if pupil.by_hand or "level" not in pupil.device.tells:
            return FEW
        low, high = pupil.device.level_range or (0.0, 100.0)
        levels = LEVELS if self.only is None else self.only
        levels = levels if n in (-1, len(pupil.whites) - 1) else FEW
        return tuple(level for level in levels if low <= level <= high)

    def count(self, pupil: Pupil, n: int, together: Sequence[Pupil]) -> int:
        """At how many levels it is seen at its white number `n`; `together`: all to be learned."""
        fixed = len(self.fixed(pupil, n))
        if self.only is not None or fixed < 2:
            return fixed
        dimmed = [p for p in together if len(self.fixed(p, -1)) > 1]
        # one look a lamp and white that has no levels
        other = sum(len(p.whites) for p in together) - len(dimmed)
        spare = (LONGEST / STATE_TAKES - 4 - other) // max(1, len(dimmed))
        low, high = pupil.device.level_range or (0.0, 100.0)
        there = fixed + sum(low <= level <= high for level in OTHERS)
        return int(min(there, max(FEWEST, min(MOST, spare))))

    def next(self, pupil: Pupil, n: int, done: int) -> float:
        """At which level it is seen now, after so many at its white number `n`."""
        fixed = self.fixed(pupil, n)
        return fixed[done] if done < len(fixed) else self._weakest(pupil)

    def seen(self, level: float, at_it: NDArray[np.float32]) -> None:
        """It was seen at this level: its blocks."""
        self._known += _classes(at_it.astype(np.float64).ravel())
        if level == 100.0:
            self._full, self._tried = at_it, []
        self._tried.append(level)

    def _weakest(self, pupil: Pupil) -> float:
        """The level that puts most blocks at codes of which little was seen so far.

        What the codes would be is guessed by sRGB; it only has to be right to a class.
        """
        assert self._full is not None
        low, high = pupil.device.level_range or (0.0, 100.0)
        light = srgb_light(self._full.astype(np.float64).ravel())
        left = [v for v in OTHERS if low <= v <= high and v not in self._tried]
        codes = np.arange(256.0)

        def worth(level: float) -> float:
            share = pupil.device.dimmer.output(level)
            seen = _classes(np.interp(share * light, srgb_light(codes), codes))
            return float((np.log1p(self._known + seen) - np.log1p(self._known)).sum())

        return max(left, key=worth)


def _classes(codes: NDArray[np.float64]) -> NDArray[np.float64]:
    """Of each class how many blocks have such codes, of black and clipped ones none."""
    good = codes[(codes > 6.0) & (codes < 245.0)]
    place = np.log1p(good / SHADOW) / np.log1p(255.0 / SHADOW)
    counts = np.bincount((place * CLASSES).astype(int), minlength=CLASSES)[:CLASSES]
    return np.minimum(counts, ENOUGH).astype(np.float64)
