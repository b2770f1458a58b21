"""Each part of a look in a sentence: a light, the backdrop, white, framing, what hinders.

What something hinders is not said: no figure would be the light's own.
"""

from __future__ import annotations

from collections.abc import Mapping

from studiobridge.control.pictured import EVEN, SOFTER, TINT
from studiobridge.profile.sighting import Band
from studiobridge.shown.seen_figures import (
    digits_of,
    looks_elsewhere,
    none_to,
    one_side,
    outwards,
    percent,
    sizes,
    span,
    stops_against,
)
from studiobridge.shown.seen_look import HINDERS, Json, band, each_light, hinders, part_of, within
from studiobridge.shown.tongue import figure, later, say
from studiobridge.shown.words import by_mired, clean

# Clipped shares that somebody wants to hear of (common practice: highlights in skin).
CLIPPED = 0.005
# Less of its light than this share is no light any more.
DARK = 0.01

# Where light from nowhere comes in, and what that usually is.
WHERE: Mapping[str, tuple[str, str]] = {
    "left": (later("from the left edge"), later("a window or a door")),
    "right": (later("from the right edge"), later("a window or a door")),
    "top": (later("from above"), later("a window, or the lamp of the room")),
    "bottom": (later("from below"), later("something that reflects, or a screen")),
    "middle": (later("in the middle of the picture"), later("another lamp, or a screen")),
    "everywhere": (later("all over the picture"), later("daylight, or the lamp of the room")),
}

CORNERS: Mapping[str, str] = {
    "upper left": later("its upper left corner"),
    "upper right": later("its upper right corner"),
    "lower left": later("its lower left corner"),
    "lower right": later("its lower right corner"),
    "left": later("its left side"),
    "right": later("its right side"),
    "top": later("its upper edge"),
    "bottom": later("its lower edge"),
    "upper": later("its upper edge"),
    "lower": later("its lower edge"),
    "middle": later("its middle"),
}

AT: Mapping[str, str] = {
    "card": later("at the card"),
    "face": later("at the face"),
    "screen": later("at the backdrop"),
}


def light(name: str, one: Json) -> str:
    """What the picture says of one light; empty where it says nothing."""
    if one.get("tells") is False:
        return say("{name}: too little of it in the picture to tell", name=name)
    amount = band(one.get("amount"))
    if amount is not None and amount.high <= DARK:
        return say("{name}: dark, by the picture", name=name)
    parts: list[str] = []
    against = band(one.get("stops"))
    if against is not None:
        parts.append(stops_against(against))
        if one_side(against) and one.get("moved") is not True:
            parts.append(say("within its tolerance"))
    level = band(one.get("level"))
    if level is not None and against is None:
        low, high = span(level, 0)
        parts.append(say("{low} to {high} %", low=f"{low:.0f}", high=f"{high:.0f}"))
    elif amount is not None and not parts:
        low, high = span(Band(100 * amount.low, 100 * amount.value, 100 * amount.high), 0)
        parts.append(
            say("{low} to {high} % of its full light", low=f"{low:.0f}", high=f"{high:.0f}")
        )
    white = band(one.get("cct"))
    if white is not None:
        low, high = (
            outwards(white.low / 10, 0, up=False) * 10,
            outwards(white.high / 10, 0, up=True) * 10,
        )
        parts.append(say("{low} to {high} K", low=f"{low:.0f}", high=f"{high:.0f}"))
    if not parts:
        return ""
    return say("{name}: {what}, by the picture", name=name, what=", ".join(parts))


def lights(seen: Json) -> list[str]:
    """A line a light. Nothing where something hinders: no figure would be the lights' own."""
    if hinders(seen):
        return []
    return [line for name, one in each_light(seen) if (line := light(name, one))]


def stray(seen: Json, face: bool = True) -> str:
    """`light from nowhere: about 4 % of the face's (3 to 5 %), from the left edge: …`."""
    share = _stray_share(seen)
    if share is None:
        return ""
    low, high = span(share, 0)
    where, why = _stray_place(seen)
    values = {
        "many": f"{high:.0f}",
        "of": say("of the face's") if face else say("of the picture's"),
    }
    if not surely_stray(seen):
        text = say("perhaps light from nowhere: up to {many} % {of}", **values)
    else:
        much = f"{share.value:.0f}"
        text = say(
            "light from nowhere: about {much} % {of} ({few} to {many} %)",
            **values,
            much=much,
            few=f"{low:.0f}",
        )
    if where:
        text = say("{what}, {where}: {why}", what=text, where=say(where), why=say(why))
    return text


def surely_stray(seen: Json) -> bool:
    """Is light from nowhere said without a perhaps?"""
    share = _stray_share(seen)
    return share is not None and span(share, 0)[0] > 0


def stray_has_place(seen: Json) -> bool:
    """Does it say, too, where it comes in?"""
    return bool(_stray_place(seen)[0])


def _stray_share(seen: Json) -> Band | None:
    """How much of it (%); None where nothing is said of it."""
    share = band(part_of(seen, "stray").get("share"))
    if share is None or hinders(seen) or share.high <= 0:
        return None
    return Band(100 * share.low, 100 * share.value, 100 * share.high)


def _stray_place(seen: Json) -> tuple[str, str]:
    """Where it comes in, and what that usually is; where somebody writes nonsense for a place,
    no place is named."""
    return WHERE.get(str(part_of(seen, "stray").get("where")), ("", ""))


def screen(seen: Json, name: str = "") -> list[str]:
    """`the cloth is even to 0.4 stop (0.3 to 0.5); its upper left corner is 0.3 stop darker`."""
    part = part_of(seen, "screen")
    even = band(part.get("even"))
    if even is None or even.low < 0 or not_one_picture(seen):
        return []
    digits = digits_of(even, 1, 2, 0.1)
    much, low, high = sizes(even, digits)
    what = clean(name, 40) or say("the backdrop")
    text = say(
        "{what} is even to {much} stop ({low} to {high})", what=what, much=much, low=low, high=high
    )
    corner, off = CORNERS.get(str(part.get("worst"))), within(part.get("worst_stops"), -20, 20)
    if corner is not None and off is not None and abs(off) >= 0.05:
        values = {"corner": say(corner), "much": figure(abs(off), ".1f")}
        text += "; " + (
            say("{corner} is {much} stop darker", **values)
            if off < 0
            else say("{corner} is {much} stop brighter", **values)
        )
    lines = [text]
    change = within(part.get("change"), -20, 20)
    if change is not None and abs(change) >= EVEN:
        by = figure(abs(change), ".1f")
        if change > 0:
            lines.append(say("{what} is {by} stop less even than kept", what=what, by=by))
        else:
            lines.append(say("{what} is {by} stop more even than kept", what=what, by=by))
    against = within(part.get("against_face"), -20, 20)
    if against is not None:
        by = figure(abs(against), ".1f")
        if against <= 0:
            lines.append(say("{what} is {by} stop below the face", what=what, by=by))
        else:
            lines.append(say("{what} is {by} stop above the face", what=what, by=by))
    hidden = within(part.get("covered"), 0, 1)
    if hidden is not None and hidden >= 0.05:
        lines.append(say("{share} of {what} is hidden", what=what, share=percent(hidden)))
    return lines


def not_one_picture(seen: Json) -> bool:
    """Is what hinders one that no figure of the picture itself outlives?"""
    blind = {"standing still", "too dark", "moved", "?"}
    return any(one in blind or one not in HINDERS for one in hinders(seen))


def no_white(seen: Json) -> bool:
    return not_one_picture(seen) or "auto white" in hinders(seen)


def white(seen: Json) -> str:
    """`6 mired warmer than kept (4 to 8), at the card`."""
    part = part_of(seen, "white")
    mired = band(part.get("mired"))
    if mired is None or no_white(seen):
        return ""
    where = say(AT.get(str(part.get("at")), later("in the picture")))
    if one_side(mired):
        _, near, far = sizes(mired, 0)
        text = say("{by} than kept ({near} to {far})", by=by_mired(mired.value), near=near, far=far)
    else:
        how = none_to(mired, 0, "mired", say("cooler"), say("warmer"))
        text = say("white: no change to tell ({band})", band=how)
    text = say("{what}, {where}", what=text, where=where)
    duv = band(part.get("duv"))
    if duv is not None and one_side(duv) and abs(duv.value) >= TINT / 2:
        way = say("greener") if duv.value > 0 else say("more magenta")
        text += f"; Duv {figure(abs(duv.value), '.3f')} {way}"
    return text


def exposure(seen: Json) -> str:
    """The whole picture, beyond what the lights explain."""
    found = band(seen.get("exposure"))
    if found is None or hinders(seen):
        return ""
    digits = digits_of(found, 1, 2, 0.1)
    if not one_side(found):
        how = none_to(found, digits, say("stop"), say("darker"), say("brighter"))
        return say("exposure: no change to tell ({band})", band=how)
    much, near, far = sizes(found, digits)
    values = {"much": much, "near": near, "far": far}
    if found.value < 0:
        return say("the whole picture is {much} stop darker than kept ({near} to {far})", **values)
    return say("the whole picture is {much} stop brighter than kept ({near} to {far})", **values)


def by_hand(seen: Json) -> str:
    """Is the camera set by hand? What nothing has shown is not known yet."""
    known = seen.get("by_hand")
    if (
        not isinstance(known, list | tuple)
        or hinders(seen)
        or not isinstance(seen.get("kept"), str)
    ):
        return ""
    if "exposure" in known and "white" in known:
        return say("the camera's exposure and white are set by hand: the light changed, they stood")
    if "exposure" in known:
        return say("the camera's exposure is set by hand; of its white that is not known yet")
    if "white" in known:
        return say("the camera's white is set by hand; of its exposure that is not known yet")
    return say("whether the camera is set by hand is not known until the light changes")


def clipped(seen: Json) -> list[str]:
    """How much of face and backdrop is burnt out."""
    if not_one_picture(seen):
        return []
    lines = []
    face, back = (within(seen.get(key), 0, 1) for key in ("clipped_face", "clipped_screen"))
    if face is not None and face >= CLIPPED:
        lines.append(say("{share} of the face is clipped", share=percent(face)))
    if back is not None and back >= CLIPPED:
        lines.append(say("{share} of the backdrop is clipped", share=percent(back)))
    return lines


def framing(seen: Json) -> str:
    """`the camera looks 14 px further left, turned 1.2°: the tripod was touched`."""
    part = part_of(seen, "framing")
    if not part or {"standing still", "too dark"} & set(hinders(seen)):
        return ""
    if part.get("moved") is not True:
        return say("the camera looks where it did") if part.get("moved") is False else ""
    turn, zoom = within(part.get("turn"), -180, 180), within(part.get("zoom"), 0.05, 20)
    text = looks_elsewhere(within(part.get("right")), within(part.get("down")), turn, zoom)
    return say("{what}: the tripod was touched", what=text)


def focus(seen: Json) -> str:
    """Less fine detail than in the kept picture."""
    softer = within(part_of(seen, "framing").get("softer"), -1, 1)
    if softer is None or softer <= SOFTER or not_one_picture(seen):
        return ""
    return say("softer than kept: {share} less fine detail", share=percent(softer))


def covered(seen: Json) -> str:
    """What was left out."""
    share = within(seen.get("covered"), 0, 1)
    if share is None or share < 0.01:
        return ""
    return say(
        "{share} of the picture left out: somebody, or something moved", share=percent(share)
    )


def hindrances(seen: Json) -> list[str]:
    """What stands in the way, what to do, and that nothing is concluded meanwhile."""
    lines = []
    for code in hinders(seen):
        found = HINDERS.get(code)
        if found is None:
            what = say("the picture cannot be used ({why})", why=clean(code, 40))
            lines.append(say("{what}; nothing is concluded meanwhile", what=what))
            continue
        what, todo = say(found[0]), say(found[1])
        lines.append(say("{what}: {todo}; nothing is concluded meanwhile", what=what, todo=todo))
    return lines
