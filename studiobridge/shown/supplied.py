"""What batteries, cards and chargers say, as `craft/supply.py` has it, in the language in force.

First of one supply, then of all that a state or a device's view names. No I/O.
"""

from __future__ import annotations

from collections.abc import Mapping
from datetime import datetime

from studiobridge.craft import supply
from studiobridge.shown.proof_words import known_by
from studiobridge.shown.tongue import figure, later, say, say_many
from studiobridge.shown.words import Json, clean, entries, moment, number

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


def charges(view: Json) -> str:
    """`done, by its watts`, or that nobody knows; empty for what is no charger with a meter."""
    charge = view.get("charge")
    if charge == "charging":
        return f"{say('charging')}, {known_by('watts')}"
    if charge == "done":
        return f"{say('done', sense='a charger')}, {known_by('watts')}"
    if charge == "not known":
        return say("not known whether it is done")
    return say("was still charging when last metered") if charge == "off, not done" else ""


def chargers(state: Json) -> list[str]:
    """What a dark set says of its chargers, a sentence each: `charger is done`."""
    if state.get("state") not in ("dark", "stalled"):
        return []
    return [
        text
        for entry in entries(state.get("chargers"))
        if (charge := entry.get("charge")) in supply.CHARGES
        and (text := charger(clean(entry["device"], 40), charge))
    ]


def supplies(state: Json, now: datetime | None = None) -> list[str]:
    """What is low, a sentence each: `clip at 12 %, about 50 min at this rate`.

    A dark set says what to do about it. What was not heard lately says when it was: how long
    ago, where `now` is given, else at which time.
    """
    over = state.get("state") == "dark"
    lines = []
    for entry in entries(state.get("supplies")):
        point, value = str(entry.get("point")), entry.get("value")
        if point not in supply.TO_DO:
            continue
        said = value if isinstance(value, bool) else number(value)
        if said is None:
            continue
        how_old = kept() if entry.get("kept") is True else heard_at(entry.get("at"), now)
        left = number(entry.get("left_s"))
        device = clean(entry["device"], 40)
        lines.append(sentence(device, point, said, how_old, left, over))
    return lines


def readings(device: Json) -> list[tuple[str, str]]:
    """What a device says of its supplies, by name, with when it was heard: for its own page."""
    found = device.get("supplies")
    if not isinstance(found, Mapping):
        return []
    lines = []
    for point, entry in found.items():
        if point not in supply.TO_DO or not isinstance(entry, Mapping):
            continue
        value = entry.get("value")
        said = value if isinstance(value, bool) else number(value)
        if said is None:
            continue
        how_old = kept() if entry.get("kept") is True else heard_at(entry.get("at"), None)
        left = number(entry.get("left_s"))
        text = ", ".join(filter(None, (stands(point, said), how_old)))
        if left is not None:
            text += "; " + say("{time} at this rate", time=about(left))
        lines.append((point_name(point), text))
    return lines


def heard_at(at: object, now: datetime | None) -> str:
    """`heard 40 min ago`; empty for a word of now."""
    if not isinstance(at, str):
        return ""
    if now is None:
        return say("heard {time}", time=moment(at, date=True))
    try:
        ago = (now - datetime.fromisoformat(at.replace("Z", "+00:00"))).total_seconds()
    except (ValueError, TypeError):
        return ""
    return say("heard {time} ago", time=age(ago)) if ago >= supply.OLD else ""
