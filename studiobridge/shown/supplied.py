"""What batteries, cards and chargers say, as `craft/supply.py` has it, in the language in force."""

from __future__ import annotations

from studiobridge.craft import supply
from studiobridge.shown.tongue import figure, later, say, say_many

POINTS = {
    "battery": later("battery"),
    "battery_low": later("battery"),
    "card": later("card"),
    "temperature": later("temperature"),
}


def point_name(point: str) -> str:
    return say(POINTS.get(point, point))


def kept() -> str:
    return say("as the broker kept it, nobody knows for how long")


def about(seconds: float) -> str:
    """A predicted time, rounded down as in `supply.about`."""
    minutes = seconds / 60.0
    if minutes < 5:
        return say("less than 5 min")
    if minutes < 20:
        return say("about {time}", time=f"{int(minutes)} min")
    if minutes < 120:
        return say("about {time}", time=f"{int(minutes // 5) * 5} min")
    return say("about {time}", time=f"{figure(int(minutes // 30) / 2, 'g')} h")


def age(seconds: float) -> str:
    """How long ago: `6 min`, `3 h`, `2 days`."""
    if seconds < 2 * 86400:
        return supply.age(seconds)
    return say_many("{n} day", "{n} days", round(seconds / 86400))


def stands(point: str, value: float | bool) -> str:
    """What a supply says, after the name of its device: `at 12 %`, `at 71 °C`."""
    if point == "battery_low":
        return say("says its battery is low") if value else say("says its battery is not low")
    if point == "card":
        return say("has {minutes} min left on its card", minutes=f"{value:.0f}")
    unit = "°C" if point == "temperature" else "%"
    return say("at {value}", value=f"{value:.0f} {unit}")


TO_DO = {
    "battery": later("charge it"),
    "battery_low": later("charge it"),
    "card": later("empty its card"),
    "temperature": later("let it cool"),
}


def sentence(
    device: str, point: str, value: float | bool, how_old: str, left: float | None, over: bool
) -> str:
    """`clip at 12 %, heard 40 min ago: charge it`. `over`: the session is, there is time for it."""
    text = f"{device} {stands(point, value)}"
    if how_old:
        text += f", {how_old}"
    elif left is not None and not over:
        text += ", " + say("{time} at this rate", time=about(left))
    return f"{text}: {say(TO_DO[point])}" if over else text


def charger(device: str, charge: supply.Charge) -> str:
    """What to say of a charger once the set is down; empty where there is nothing to say."""
    if charge == "done":
        return say("{device} is done", device=device)
    if charge == "charging":
        return say("{device} is still charging: leave it on or switch it off", device=device)
    if charge == "off, not done":
        return say("{device} is off, and was still charging when last metered", device=device)
    if charge == "not known":
        return say("not known whether {device} is done: look at it", device=device)
    return ""
