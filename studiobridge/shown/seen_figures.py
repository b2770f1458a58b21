"""Figures of a picture in words: bands, and where the camera looks.

Rounded outwards, so that none is told narrower than it is, and with no more digits than it has.
"""

from __future__ import annotations

import math

from studiobridge.profile.sighting import Band
from studiobridge.shown.tongue import figure, say


def digits_of(found: Band, coarse: int, fine: int, wide: float) -> int:
    """No finer than its band."""
    return coarse if found.high - found.low >= wide else fine


def outwards(value: float, digits: int, up: bool) -> float:
    """Rounded outwards; what is a digit but for the last bit of a float stays there."""
    scale = 10.0**digits
    much = value * scale
    near = round(much)
    if abs(much - near) > 1e-6:
        near = math.ceil(much) if up else math.floor(much)
    return near / scale + 0.0


def span(found: Band, digits: int) -> tuple[float, float]:
    return outwards(found.low, digits, up=False), outwards(found.high, digits, up=True)


def none_to(found: Band, digits: int, unit: str, less: str, more: str) -> str:
    """`0.1 stop less to 0.2 more`, of a band with nothing in it."""
    low, high = span(found, digits)
    few, many = figure(abs(low), f".{digits}f"), figure(abs(high), f".{digits}f")
    if low == 0 and high == 0:
        return f"{few} {unit}"
    if low == 0:
        return say("0 to {many} {more}", many=f"{many} {unit}", more=more)
    if high == 0:
        return say("{few} {less} to 0", few=f"{few} {unit}", less=less)
    return say(
        "{few} {less} to {many} {more}", few=f"{few} {unit}", many=many, less=less, more=more
    )


def sizes(found: Band, digits: int) -> tuple[str, str, str]:
    """What a band that is all on one side comes to: value, and its ends, the nearer one first."""
    low, high = span(found, digits)
    near, far = sorted((abs(low), abs(high)))
    form = f".{digits}f"
    return figure(abs(found.value), form), figure(near, form), figure(far, form)


def one_side(found: Band) -> bool:
    return found.low > 0 or found.high < 0


def stops_asked(found: Band) -> str:
    """`0.4 stop less than the look asks (0.3 to 0.5)`: where no picture of it was kept."""
    much, near, far = sizes(found, digits_of(found, 1, 2, 0.1))
    values = {"much": much, "near": near, "far": far}
    if found.value < 0:
        return say("{much} stop less than the look asks ({near} to {far})", **values)
    return say("{much} stop more than the look asks ({near} to {far})", **values)


def stops_against(found: Band) -> str:
    """`0.4 stop less than kept (0.3 to 0.5)`, `no change to tell (0.1 less to 0.2 more)`."""
    digits = digits_of(found, 1, 2, 0.1)
    if not one_side(found):
        how = none_to(found, digits, say("stop"), say("less"), say("more"))
        return say("no change to tell ({band})", band=how)
    much, near, far = sizes(found, digits)
    values = {"much": much, "near": near, "far": far}
    if found.value < 0:
        return say("{much} stop less than kept ({near} to {far})", **values)
    return say("{much} stop more than kept ({near} to {far})", **values)


def percent(share: float) -> str:
    much = 100 * share
    return f"{figure(much, '.0f' if much >= 9.95 else '.1f')} %"


def looks_elsewhere(
    right: float | None, down: float | None, turn: float | None, zoom: float | None
) -> str:
    """`the camera looks 14 px further left, leaning 1.2° to its left`: px, degrees, a factor.

    What is too little to be seen is not named.
    """
    parts = []
    if right is not None and abs(right) >= 0.5:
        n = f"{abs(right):.0f}"
        parts.append(
            say("{n} px further right", n=n) if right > 0 else say("{n} px further left", n=n)
        )
    if down is not None and abs(down) >= 0.5:
        n = f"{abs(down):.0f}"
        parts.append(say("{n} px further down", n=n) if down > 0 else say("{n} px further up", n=n))
    how = ", ".join(parts)
    text = say("the camera looks {how}", how=how) if how else say("the camera looks elsewhere")
    if turn is not None and abs(turn) >= 0.05:
        much = figure(abs(turn), ".1f")
        text += ", " + (
            say("leaning {much}° to its right", much=much)
            if turn > 0
            else say("leaning {much}° to its left", much=much)
        )
    if zoom is not None and abs(zoom - 1.0) >= 0.002:
        much = figure(100 * abs(zoom - 1.0), ".1f")
        text += ", " + (
            say("{much} % closer", much=much) if zoom > 1.0 else say("{much} % wider", much=much)
        )
    return text
