"""Values to the slots of a fixture that only listens, and back (ANSI E1.31).

A level goes in a straight line from 0 (0 %) to the largest number of its slots (100 %): it is the
level as set on the fixture, and what light comes of it is the fixture's own affair (`dimmer`). A
white goes in a straight line of kelvin from one end of its span to the other. One slot holds 8
bits; a slot and its `fine` hold 16, the higher byte first. Halves go up: 50 % is 128 of 255.

A fixture that was told no white yet, or is told to leave it, has its lowest one in its slot:
there is no way to say nothing.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, MutableSequence, Sequence

from studiobridge.craft.grid import Grid
from studiobridge.profile.model import Device, Point, Slots, Span, Value, figure
from studiobridge.profile.said import Described

# The slots of a whole universe: receivers of any age take a frame of all of them.
WHOLE = 512
_LEVEL = Span(0.0, 100.0)


def put(
    slots: Slots, level: float, cct: float | None, frame: MutableSequence[int], dark: bool = False
) -> None:
    """Write a fixture's slots into a whole frame. Level in %, CCT in K; clamped to their spans.

    `dark`: every slot of it is 0, those that are kept too.
    """
    before = slots.first - 1
    for at in range(before, before + slots.count):
        frame[at] = 0
    if dark:
        return
    before -= 1  # the fixture counts its slots from 1
    for slot, value in slots.keep.items():
        frame[before + slot] = value
    _number(frame, before, slots.level, slots.level_fine, _LEVEL, level)
    if slots.cct is not None and slots.cct_span is not None and cct is not None:
        _number(frame, before, slots.cct, slots.cct_fine, slots.cct_span, cct)


def _number(
    frame: MutableSequence[int], before: int, slot: int, fine: int | None, span: Span, value: float
) -> None:
    share = (min(max(value, span.low), span.high) - span.low) / (span.high - span.low)
    if fine is None:
        frame[before + slot] = _whole(share * 255)
        return
    number = _whole(share * 65535)
    frame[before + slot] = number >> 8
    frame[before + fine] = number & 255


def _whole(number: float) -> int:
    """The nearest whole number; `round` would take the even one of two, now up and now down."""
    return math.floor(number + 0.5)


def read(slots: Slots, frame: Sequence[int]) -> tuple[float, float | None]:
    """What a fixture takes from a frame: level (%), and CCT (K) where it has a slot for it.

    A frame may be shorter than a universe: slots that are not there count as 0.
    """
    before = slots.first - 2
    level = _share(frame, before, slots.level, slots.level_fine) * 100.0
    if slots.cct is None or slots.cct_span is None:
        return level, None
    span = slots.cct_span
    return level, span.low + _share(frame, before, slots.cct, slots.cct_fine) * (
        span.high - span.low
    )


def _share(frame: Sequence[int], before: int, slot: int, fine: int | None) -> float:
    def at(n: int) -> int:
        return frame[before + n] if before + n < len(frame) else 0

    return at(slot) / 255 if fine is None else (at(slot) * 256 + at(fine)) / 65535


def described(device: Device, at: float) -> list[Described]:
    """The steps of what it can be told: nothing of it is ever heard."""
    slots = device.slots
    assert slots is not None
    steps = 255 if slots.level_fine is None else 65535
    found = [
        Described(at, device.name, "level", True, False, Grid(0.0, 100.0, 100.0 / steps, "percent"))
    ]
    if slots.cct_span is not None:
        low, high = slots.cct_span.low, slots.cct_span.high
        steps = 255 if slots.cct_fine is None else 65535
        grid = Grid(low, high, (high - low) / steps, "kelvin")
        found.append(Described(at, device.name, "cct", True, False, grid))
    return found


def values_of(told: Sequence[tuple[Point, Value]]) -> Mapping[Point, float]:
    """The numbers among what a device is told."""
    return {point: figure(value) for point, value in told if point in ("level", "cct")}
