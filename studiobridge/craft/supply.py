"""How long a battery lasts at the rate it falls, by what it says of itself; and how that is said.

Batteries say whole percent, some go back by one now and then, and none falls evenly from full to
empty. So only the moments count at which a value was reached for the first time, the rate is the
median of all pairs of them (Theil 1950, Sen 1968), and where that cannot be had nothing is said.

It is the time at this rate and no more. Percent of counted charge hold it well. Percent that are
made of volts stand still for most of the time and fall off at the end: from half way on they may
promise five to ten times what is left. `battery_low`, and a warning well above 0, are for those.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Sequence
from statistics import median
from typing import Literal, get_args

Sample = tuple[float, float]

# A battery that is this many points above the lowest it said was charged, or is another one.
JUMP_UP = 5.0
# One that fell by so many points from one word to the next is another one, or has been away.
JUMP_DOWN = 15.0
# Up by more than this and by less than JUMP_UP: it may be charging, so nothing is said.
JITTER = 2.0
# Silent for so long (s), it may have been off, and off it does not fall.
GAP = 20 * 60.0
# How far back a rate is looked for (s): the load of this look and not of the hour before.
WINDOW = 45 * 60.0
# No rate from less than this: seconds between the first and the last value reached, points
# fallen, values reached. With values read every minute the rate is then good to about a fifth.
SPAN = 10 * 60.0
FALL = 3.0
VALUES = 3
# No further ahead than so many times what it was seen to fall: on the flat part of a lithium or
# nickel cell volts fall by some points in an hour, and a line through them ends in hours that no
# battery has. Counted charge that lasts 5 h falls by 15 points in the window: heard from 90 % on.
AHEAD = 6.0
# So many values of the window are compared in pairs, evenly picked.
MOST = 24
# A word older than this (s) is said with its age.
OLD = 5 * 60.0


def last_stretch(heard: Sequence[Sample]) -> list[Sample]:
    """What was heard since the battery was last charged, changed, off, or the clock stepped."""
    found: list[Sample] = []
    lowest = math.inf
    for at, value in heard:
        if not (math.isfinite(at) and math.isfinite(value)):
            continue
        if found:
            before_at, before = found[-1]
            new = value - lowest >= JUMP_UP or before - value > JUMP_DOWN
            if new or at < before_at or at - before_at > GAP:
                found.clear()
                lowest = math.inf
            elif at == before_at:
                found.pop()
        found.append((at, value))
        lowest = min(lowest, value)
    return found


def time_left(heard: Sequence[Sample], now: float) -> float | None:
    """Seconds until the battery says 0 at the rate it falls; None where that cannot be said.

    `heard` are times (s) and percent, in the order they were heard.
    """
    stretch = last_stretch(heard)
    if not stretch or not math.isfinite(now):
        return None
    last_at, last = stretch[-1]
    if not 0.0 <= now - last_at <= GAP:
        return None
    reached: list[Sample] = []
    lowest = stretch[0][1]  # when the first was reached is not known: it was so before
    for at, value in stretch[1:]:
        if value < lowest:
            lowest = value
            reached.append((at, value))
    if last > lowest + JITTER:
        return None
    reached = [sample for sample in reached if sample[0] >= last_at - WINDOW]
    if len(reached) < VALUES or reached[-1][0] - reached[0][0] < SPAN:
        return None
    if reached[0][1] - reached[-1][1] < FALL:
        return None
    if last > AHEAD * (reached[0][1] - reached[-1][1]):
        return None
    step = max(1.0, median(a[1] - b[1] for a, b in itertools.pairwise(reached)))
    if len(reached) > MOST:
        reached = [reached[round(i * (len(reached) - 1) / (MOST - 1))] for i in range(MOST)]
    rate = median(
        (a[1] - b[1]) / (b[0] - a[0])
        for i, a in enumerate(reached)
        for b in reached[i + 1 :]
        if b[0] > a[0]
    )
    full = median(value + rate * at for at, value in reached)
    if full - rate * last_at < last - 2.0 * step:
        return None  # it should have fallen further by now: the load is another
    return max(0.0, full / rate - now)


# ---- in words ------------------------------------------------------------------------------


def about(seconds: float) -> str:
    """A predicted time, rounded down to what a prediction is good for: `50 min`, `1.5 h`."""
    minutes = seconds / 60.0
    if minutes < 5:
        return "less than 5 min"
    if minutes < 20:
        return f"about {int(minutes)} min"
    if minutes < 120:
        return f"about {int(minutes // 5) * 5} min"
    return f"about {int(minutes // 30) / 2:g} h"


def age(seconds: float) -> str:
    """How long ago: `6 min`, `3 h`, `2 days`."""
    if seconds < 5400:
        return f"{round(seconds / 60)} min"
    if seconds < 2 * 86400:
        return f"{round(seconds / 3600)} h"
    return f"{round(seconds / 86400)} days"


def stands(point: str, value: float | bool) -> str:
    """What a supply says, after the name of its device: `at 12 %`, `at 71 °C`."""
    if point == "battery_low":
        return "says its battery is low" if value else "says its battery is not low"
    if point == "card":
        return f"has {value:.0f} min left on its card"
    return f"at {value:.0f} {'°C' if point == 'temperature' else '%'}"


TO_DO = {
    "battery": "charge it",
    "battery_low": "charge it",
    "card": "empty its card",
    "temperature": "let it cool",
}
KEPT = "as the broker kept it, nobody knows for how long"


def sentence(
    device: str, point: str, value: float | bool, how_old: str, left: float | None, over: bool
) -> str:
    """`clip at 12 %, heard 40 min ago: charge it`. `over`: the session is, there is time for it.

    `how_old` is empty for a word of now.
    """
    text = f"{device} {stands(point, value)}"
    if how_old:
        text += f", {how_old}"
    elif left is not None and not over:
        text += f", {about(left)} at this rate"
    return f"{text}: {TO_DO[point]}" if over else text


# ---- what charges ----------------------------------------------------------------------------

# Of a charger, by the watts of its plug: `off, not done` was still charging when last metered.
Charge = Literal["charging", "done", "not known", "off", "off, not done"]
CHARGES: tuple[Charge, ...] = get_args(Charge)


def charger(device: str, charge: Charge) -> str:
    """What to say of a charger once the set is down; empty where there is nothing to say."""
    if charge == "done":
        return f"{device} is done"
    if charge == "charging":
        return f"{device} is still charging: leave it on or switch it off"
    if charge == "off, not done":
        return f"{device} is off, and was still charging when last metered"
    return f"not known whether {device} is done: look at it" if charge == "not known" else ""
