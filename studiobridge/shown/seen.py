"""What the camera's picture shows, in words: for terminal and page alike.

What comes in is a `Sighting` (`profile/sighting.py`) as JSON, or the key `picture_seen` of a state,
which has one: whoever may write there may write nonsense, so every figure is looked at first. What
is no figure is not said. Bands are rounded outwards, so that none is told narrower than it is. A
look that is old, or that something hinders, confirms nothing: what it says of the lights is not
said at all, and `line` is `unknown`, never `so`.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Any, Literal

from studiobridge.control.pictured import (
    EVEN,
    SOFTER,
    STRAY,
    TINT,
    WHITE,
    WHOLE,
    beyond,
)
from studiobridge.control.pictured import (
    LOOKS_HOLD as LOOKS_HOLD,
)
from studiobridge.control.pictured import (
    MORE as MORE,
)
from studiobridge.profile.sighting import Band
from studiobridge.shown.tongue import figure, later, say
from studiobridge.shown.words import (
    bridge_says,
    by_mired,
    clean,
    known_by,
    listed,
    moment,
    number,
)

Json = Mapping[str, Any]
NOTHING: Json = {}
Code = Literal["so", "not", "unknown"]

# How often (s) a picture is looked at where nobody says.
EVERY = 10.0
# A figure beyond this is none of a picture: stops, mired, shares, px, degrees.
BEYOND = 1e5
# Clipped shares that somebody wants to hear of (common practice: highlights in skin).
CLIPPED = 0.005
# Less of its light than this share is no light any more.
DARK = 0.01
MOST_DIFFERENCES = 3
MOST_LIGHTS = 200

NO_METER = later(
    "A picture is no meter: every figure is a band, right 95 times in 100, against the picture that"
    " was kept."
)
NOTHING_KEPT = later(
    "Nothing of this picture is stored. It was taken for you, and goes when you go."
)


@dataclass(frozen=True, slots=True)
class Said:
    """One line about the picture: is it so, and is it of now. `differs`: its parts, one by one, and
    `when` it was looked at, and the `head` over them, where a page has a line for each."""

    code: Code
    text: str
    differs: tuple[str, ...] = ()
    when: str = ""
    head: str = ""


@dataclass(frozen=True, slots=True)
class Difference:
    """What differs from the kept picture, and what to do. `what`: a light, or of the picture which
    part; `weight`: about so many stops."""

    what: str
    text: str
    todo: str
    weight: float

    @property
    def whole(self) -> str:
        if not self.todo:
            return self.text
        if ":" in self.text:
            return say("{what}, {todo}", what=self.text, todo=self.todo)
        return say("{what}: {todo}", what=self.text, todo=self.todo)


# What stands between the picture and a word on the lights: what it is, and what to do.
HINDERS: Mapping[str, tuple[str, str]] = {
    "not learned": (
        later("no lamp has been seen alone yet"),
        later("run `studiobridge witness learn`"),
    ),
    "stale": (
        later("what was learned does not explain the picture any more"),
        later("something stands elsewhere: learn it anew"),
    ),
    "auto exposure": (
        later("the camera sets its exposure by itself"),
        later("switch it to manual"),
    ),
    "auto white": (
        later("the camera sets its white by itself"),
        later("switch it to manual"),
    ),
    "moved": (
        later("the camera looks elsewhere than it did"),
        later("turn it back, or learn it anew"),
    ),
    "standing still": (
        later("the same picture comes again and again"),
        later("the stream hangs: look at camera and cable"),
    ),
    "too dark": (
        later("the picture is too dark to tell"),
        later("is the lens covered, is the set up?"),
    ),
    "too bright": (
        later("too much of the picture is clipped to tell"),
        later("close the aperture, or lower the gain"),
    ),
    "hidden": (
        later("more of the picture is hidden than can be left out"),
        later("look again when it is free"),
    ),
}

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

# How the witness itself goes: what its `alive` says.
GOES: Mapping[str, str] = {
    "looking": later("the picture is looked at"),
    "waiting": later("the picture is looked at when the set is up, or when asked"),
    "no frames": later("no frame of the camera comes in"),
    "not learned": later("the lamps have not been learned: run `studiobridge witness learn`"),
    "failed": later("what looks at the picture has failed"),
}


# ---- what came in -----------------------------------------------------------------------


def sighting(value: object) -> Json | None:
    """The Sighting in what a state or the witness says; None where there is none."""
    if not isinstance(value, Mapping):
        return None
    inner = value.get("sighting")
    if "sighting" in value:
        return inner if isinstance(inner, Mapping) else None
    return value if value.get("run") is not None or "lights" in value else None


def band(value: object) -> Band | None:
    """A band from outside; None where it is no band of a picture."""
    if not isinstance(value, Mapping):
        return None
    low, mid, high = (number(value.get(key)) for key in ("low", "value", "high"))
    if low is None or mid is None or high is None or not -BEYOND <= low <= mid <= high <= BEYOND:
        return None
    return Band(low, mid, high)


def _part(seen: Json, key: str) -> Json:
    found = seen.get(key)
    return found if isinstance(found, Mapping) else NOTHING


def _within(value: object, least: float = -BEYOND, most: float = BEYOND) -> float | None:
    found = number(value)
    return found if found is not None and least <= found <= most else None


def hinders(seen: Json) -> list[str]:
    """The codes of what hinders; a word nobody knows hinders too."""
    found = seen.get("hinders")
    if found is None:
        return []
    if not isinstance(found, list | tuple):
        return ["?"]
    return [one if isinstance(one, str) else "?" for one in found]


def age(seen: Json, now: float | None) -> float | None:
    """How old (s) the look is by the bridge's clock; None where nobody can tell."""
    taken = number(seen.get("taken"))
    if taken is None or now is None:
        return None
    old = now - taken
    # two readings of one clock on two ways: a moment ahead is now, more is another clock
    return max(old, 0.0) if old > -MORE else None


def is_old(seen: Json, now: float | None, every: float = EVERY) -> bool:
    """Is it of another time than now? Also where its age is not known."""
    found = age(seen, now)
    return found is None or found > LOOKS_HOLD * every + MORE


def looked(
    seen: Json,
    now: float | None,
    every: float = EVERY,
    surely_old: bool = False,
    by_time: bool = False,
) -> str:
    """`looked 8 s ago`; `looked at 12:03:10, 4 min ago: not how it is now`. `by_time`: no ages,
    which are wrong when they are read later."""
    found, at = age(seen, now), number(seen.get("taken"))
    if at is None:
        return say("looked, and nobody knows when: not how it is now")
    if not surely_old and found is not None and not is_old(seen, now, every):
        if by_time:
            return say("looked at {time}", time=_time(at))
        return say("looked {n} s ago", n=f"{found:.0f}")
    if found is None or by_time:
        return say("looked at {time}: not how it is now", time=_time(at))
    ago = f"{found:.0f} s" if found < 90 else f"{found / 60:.0f} min"
    if found >= 5400:
        ago = f"{found / 3600:.0f} h"
    return say("looked at {time}, {ago} ago: not how it is now", time=_time(at), ago=ago)


def taken(seen: Json) -> str:
    """When it was taken, in ISO 8601; empty where nobody knows."""
    found = number(seen.get("taken"))
    try:
        return "" if found is None else datetime.fromtimestamp(found, UTC).isoformat()
    except (ValueError, OverflowError, OSError):
        return ""


def _time(seconds: float) -> str:
    at = taken({"taken": seconds})
    return moment(at) if at else "?"


def kept(seen: Json) -> str:
    """Which picture it is held against."""
    name = seen.get("kept")
    if not isinstance(name, str) or not name:
        return say("no picture has been kept to hold it against: save a look with one")
    at = seen.get("kept_at")
    when = moment(at, date=True) if isinstance(at, str) else ""
    if when:
        return say(
            "held against the picture of {look}, kept {time}", look=clean(name, 40), time=when
        )
    return say("held against the picture of {look}", look=clean(name, 40))


# ---- figures ------------------------------------------------------------------------------


def _digits(found: Band, coarse: int, fine: int, wide: float) -> int:
    """No finer than its band."""
    return coarse if found.high - found.low >= wide else fine


def _out(value: float, digits: int, up: bool) -> float:
    """Rounded outwards; what is a digit but for the last bit of a float stays there."""
    scale = 10.0**digits
    much = value * scale
    near = round(much)
    if abs(much - near) > 1e-6:
        near = math.ceil(much) if up else math.floor(much)
    return near / scale + 0.0


def _span(found: Band, digits: int) -> tuple[float, float]:
    return _out(found.low, digits, up=False), _out(found.high, digits, up=True)


def _none_to(found: Band, digits: int, unit: str, less: str, more: str) -> str:
    """`0.1 stop less to 0.2 more`, of a band with nothing in it."""
    low, high = _span(found, digits)
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


def _sizes(found: Band, digits: int) -> tuple[str, str, str]:
    """What a band that is all on one side comes to: value, and its ends, the nearer one first."""
    low, high = _span(found, digits)
    near, far = sorted((abs(low), abs(high)))
    form = f".{digits}f"
    return figure(abs(found.value), form), figure(near, form), figure(far, form)


def _one_side(found: Band) -> bool:
    return found.low > 0 or found.high < 0


def stops_asked(found: Band) -> str:
    """`0.4 stop less than the look asks (0.3 to 0.5)`: where no picture of it was kept."""
    much, near, far = _sizes(found, _digits(found, 1, 2, 0.1))
    values = {"much": much, "near": near, "far": far}
    if found.value < 0:
        return say("{much} stop less than the look asks ({near} to {far})", **values)
    return say("{much} stop more than the look asks ({near} to {far})", **values)


def stops_against(found: Band) -> str:
    """`0.4 stop less than kept (0.3 to 0.5)`, `no change to tell (0.1 less to 0.2 more)`."""
    digits = _digits(found, 1, 2, 0.1)
    if not _one_side(found):
        how = _none_to(found, digits, say("stop"), say("less"), say("more"))
        return say("no change to tell ({band})", band=how)
    much, near, far = _sizes(found, digits)
    values = {"much": much, "near": near, "far": far}
    if found.value < 0:
        return say("{much} stop less than kept ({near} to {far})", **values)
    return say("{much} stop more than kept ({near} to {far})", **values)


def _percent(share: float) -> str:
    much = 100 * share
    return f"{figure(much, '.0f' if much >= 9.95 else '.1f')} %"


# ---- the parts of a look ------------------------------------------------------------------


def _lights(seen: Json) -> Iterable[tuple[str, Json]]:
    for count, (name, one) in enumerate(_part(seen, "lights").items()):
        if count >= MOST_LIGHTS:
            return
        if isinstance(one, Mapping):
            yield clean(name, 40), one


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
        if _one_side(against) and one.get("moved") is not True:
            parts.append(say("within its tolerance"))
    level = band(one.get("level"))
    if level is not None and against is None:
        low, high = _span(level, 0)
        parts.append(say("{low} to {high} %", low=f"{low:.0f}", high=f"{high:.0f}"))
    elif amount is not None and not parts:
        low, high = _span(Band(100 * amount.low, 100 * amount.value, 100 * amount.high), 0)
        parts.append(
            say("{low} to {high} % of its full light", low=f"{low:.0f}", high=f"{high:.0f}")
        )
    white = band(one.get("cct"))
    if white is not None:
        low, high = _out(white.low / 10, 0, up=False) * 10, _out(white.high / 10, 0, up=True) * 10
        parts.append(say("{low} to {high} K", low=f"{low:.0f}", high=f"{high:.0f}"))
    if not parts:
        return ""
    return say("{name}: {what}, by the picture", name=name, what=", ".join(parts))


def lights(seen: Json) -> list[str]:
    """A line a light. Nothing where something hinders: no figure would be the lights' own."""
    if hinders(seen):
        return []
    return [line for name, one in _lights(seen) if (line := light(name, one))]


def stray(seen: Json, face: bool = True) -> str:
    """`light from nowhere: about 4 % of the face's (3 to 5 %), from the left edge: …`."""
    part = _part(seen, "stray")
    share = band(part.get("share"))
    if share is None or hinders(seen) or share.high <= 0:
        return ""
    low, high = _span(Band(100 * share.low, 100 * share.value, 100 * share.high), 0)
    # where somebody writes nonsense for a place, no place is named
    where, why = WHERE.get(str(part.get("where")), ("", ""))
    values = {
        "many": f"{high:.0f}",
        "of": say("of the face's") if face else say("of the picture's"),
    }
    if low <= 0:
        text = say("perhaps light from nowhere: up to {many} % {of}", **values)
    else:
        much = f"{100 * share.value:.0f}"
        text = say(
            "light from nowhere: about {much} % {of} ({few} to {many} %)",
            **values,
            much=much,
            few=f"{low:.0f}",
        )
    if where:
        text = say("{what}, {where}: {why}", what=text, where=say(where), why=say(why))
    return text


def screen(seen: Json, name: str = "") -> list[str]:
    """`the cloth is even to 0.4 stop (0.3 to 0.5); its upper left corner is 0.3 stop darker`."""
    part = _part(seen, "screen")
    even = band(part.get("even"))
    if even is None or even.low < 0 or _not_one_picture(seen):
        return []
    digits = _digits(even, 1, 2, 0.1)
    much, low, high = _sizes(even, digits)
    what = clean(name, 40) or say("the backdrop")
    text = say(
        "{what} is even to {much} stop ({low} to {high})", what=what, much=much, low=low, high=high
    )
    corner, off = CORNERS.get(str(part.get("worst"))), _within(part.get("worst_stops"), -20, 20)
    if corner is not None and off is not None and abs(off) >= 0.05:
        values = {"corner": say(corner), "much": figure(abs(off), ".1f")}
        text += "; " + (
            say("{corner} is {much} stop darker", **values)
            if off < 0
            else say("{corner} is {much} stop brighter", **values)
        )
    lines = [text]
    change = _within(part.get("change"), -20, 20)
    if change is not None and abs(change) >= EVEN:
        by = figure(abs(change), ".1f")
        if change > 0:
            lines.append(say("{what} is {by} stop less even than kept", what=what, by=by))
        else:
            lines.append(say("{what} is {by} stop more even than kept", what=what, by=by))
    against = _within(part.get("against_face"), -20, 20)
    if against is not None:
        by = figure(abs(against), ".1f")
        if against <= 0:
            lines.append(say("{what} is {by} stop below the face", what=what, by=by))
        else:
            lines.append(say("{what} is {by} stop above the face", what=what, by=by))
    hidden = _within(part.get("covered"), 0, 1)
    if hidden is not None and hidden >= 0.05:
        lines.append(say("{share} of {what} is hidden", what=what, share=_percent(hidden)))
    return lines


def _not_one_picture(seen: Json) -> bool:
    """Is what hinders one that no figure of the picture itself outlives?"""
    blind = {"standing still", "too dark", "moved", "?"}
    return any(one in blind or one not in HINDERS for one in hinders(seen))


def _no_white(seen: Json) -> bool:
    return _not_one_picture(seen) or "auto white" in hinders(seen)


def white(seen: Json) -> str:
    """`6 mired warmer than kept (4 to 8), at the card`."""
    part = _part(seen, "white")
    mired = band(part.get("mired"))
    if mired is None or _no_white(seen):
        return ""
    where = say(AT.get(str(part.get("at")), later("in the picture")))
    if _one_side(mired):
        _, near, far = _sizes(mired, 0)
        text = say("{by} than kept ({near} to {far})", by=by_mired(mired.value), near=near, far=far)
    else:
        how = _none_to(mired, 0, "mired", say("cooler"), say("warmer"))
        text = say("white: no change to tell ({band})", band=how)
    text = say("{what}, {where}", what=text, where=where)
    duv = band(part.get("duv"))
    if duv is not None and _one_side(duv) and abs(duv.value) >= TINT / 2:
        way = say("greener") if duv.value > 0 else say("more magenta")
        text += f"; Duv {figure(abs(duv.value), '.3f')} {way}"
    return text


def exposure(seen: Json) -> str:
    """The whole picture, beyond what the lights explain."""
    found = band(seen.get("exposure"))
    if found is None or hinders(seen):
        return ""
    digits = _digits(found, 1, 2, 0.1)
    if not _one_side(found):
        how = _none_to(found, digits, say("stop"), say("darker"), say("brighter"))
        return say("exposure: no change to tell ({band})", band=how)
    much, near, far = _sizes(found, digits)
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
    if _not_one_picture(seen):
        return []
    lines = []
    face, back = (_within(seen.get(key), 0, 1) for key in ("clipped_face", "clipped_screen"))
    if face is not None and face >= CLIPPED:
        lines.append(say("{share} of the face is clipped", share=_percent(face)))
    if back is not None and back >= CLIPPED:
        lines.append(say("{share} of the backdrop is clipped", share=_percent(back)))
    return lines


def framing(seen: Json) -> str:
    """`the camera looks 14 px further left, turned 1.2°: the tripod was touched`."""
    part = _part(seen, "framing")
    if not part or {"standing still", "too dark"} & set(hinders(seen)):
        return ""
    if part.get("moved") is not True:
        return say("the camera looks where it did") if part.get("moved") is False else ""
    right, down = _within(part.get("right")), _within(part.get("down"))
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
    turn, zoom = _within(part.get("turn"), -180, 180), _within(part.get("zoom"), 0.05, 20)
    if turn is not None and abs(turn) >= 0.05:
        much = figure(abs(turn), ".1f")
        text += ", " + (
            say("leaning {much}° to its right", much=much)
            if turn > 0
            else say("leaning {much}° to its left", much=much)
        )
    if zoom is not None and abs(zoom - 1) >= 0.002:
        much = figure(100 * abs(zoom - 1), ".1f")
        text += ", " + (
            say("{much} % closer", much=much) if zoom > 1 else say("{much} % wider", much=much)
        )
    return say("{what}: the tripod was touched", what=text)


def focus(seen: Json) -> str:
    """Less fine detail than in the kept picture."""
    softer = _within(_part(seen, "framing").get("softer"), -1, 1)
    if softer is None or softer <= SOFTER or _not_one_picture(seen):
        return ""
    return say("softer than kept: {share} less fine detail", share=_percent(softer))


def covered(seen: Json) -> str:
    """What was left out."""
    share = _within(seen.get("covered"), 0, 1)
    if share is None or share < 0.01:
        return ""
    return say(
        "{share} of the picture left out: somebody, or something moved", share=_percent(share)
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


# ---- against the kept picture -------------------------------------------------------------


def differences(seen: Json, screen_name: str = "", face: bool = True) -> list[Difference]:
    """All that differs from the kept picture, the greatest first. What hinders lets no light in."""
    found: list[Difference] = []
    if not hinders(seen):
        for name, one in _lights(seen):
            against = band(one.get("stops"))
            if one.get("moved") is not True or one.get("tells") is False:
                continue
            if against is None or not _one_side(against):
                continue
            text = say("{name}: {what}", name=name, what=stops_against(against))
            found.append(Difference(name, text, _wants(against), abs(against.value)))
        share = band(_part(seen, "stray").get("share"))
        if share is not None and share.low > STRAY:
            weight = 2 * math.log2(1 + share.value)
            found.append(Difference("stray", stray(seen, face), say("shut it out"), weight))
        over = band(seen.get("exposure"))
        if over is not None and beyond(over, WHOLE) is not None:
            todo = say("set aperture, shutter and gain as they were")
            found.append(Difference("exposure", exposure(seen), todo, abs(over.value)))
    mired, duv = (band(_part(seen, "white").get(key)) for key in ("mired", "duv"))
    off = mired is not None and beyond(mired, WHITE) is not None
    tint = duv is not None and beyond(duv, TINT) is not None
    if mired is not None and not _no_white(seen) and (off or tint):
        todo = say("look at the lamps' whites and the camera's")
        found.append(Difference("white", white(seen), todo, abs(mired.value) / 25))
    change = _within(_part(seen, "screen").get("change"), -20, 20)
    lines = screen(seen, screen_name)
    if change is not None and change > EVEN and len(lines) > 1:
        found.append(
            Difference("screen", lines[1], say("look at its lights, and at wrinkles"), change)
        )
    part = _part(seen, "framing")
    if part.get("moved") is True and (text := framing(seen)):
        share_moved = _within(part.get("share"), 0, 10) or 0.0
        found.append(Difference("framing", text, say("turn it back"), 0.3 + 20 * share_moved))
    if text := focus(seen):
        softer = _within(part.get("softer"), 0, 1) or 0.0
        found.append(Difference("focus", text, say("focus anew"), softer))
    burnt = _within(seen.get("clipped_face"), 0, 1)
    if burnt is not None and burnt >= CLIPPED and not _not_one_picture(seen):
        text = clipped(seen)[0]
        found.append(
            Difference("clipped", text, say("close the aperture, or lower its lamp"), 10 * burnt)
        )
    return sorted(found, key=lambda one: -one.weight)


def untold(seen: Json) -> list[str]:
    """The lights of which the picture cannot tell a stop against the kept one."""
    return [
        name
        for name, one in _lights(seen)
        if one.get("tells") is False or band(one.get("stops")) is None
    ]


def _of_bridge(view: Json, seen: Json, screen_name: str, face: bool) -> list[Difference] | None:
    """The differences that the bridge found, in its order; None where it judged nothing here."""
    told = view.get("differs")
    if not isinstance(told, list):
        return None
    names = ("stray", "white", "exposure", "screen", "framing", "focus")
    ours = {one.what: one for one in differences(seen, screen_name, face)}
    found = []
    for entry in told:
        if not isinstance(entry, Mapping):
            continue
        device, what = entry.get("device"), str(entry.get("what"))
        if what == "tint":
            what = "white"
        if isinstance(device, str):
            one = _light_differs(device, entry, _part(seen, "lights").get(device))
        elif what in names and what in ours:
            one = ours[what]
        else:
            one = Difference(what, bridge_says(entry.get("text") or "?", 200), "", 0.0)
        if one not in found:
            found.append(one)
    return found


def _light_differs(device: str, entry: Json, seen_light: object) -> Difference:
    name = clean(device, 40)
    ends, by = entry.get("band"), _within(entry.get("by"), -20, 20)
    low, high = (
        (number(end) for end in ends) if isinstance(ends, list) and len(ends) == 2 else (None, None)
    )
    against = band({"low": low, "value": by, "high": high})
    if against is None or not _one_side(against):
        return Difference(name, bridge_says(entry.get("text") or name, 200), "", 0.0)
    # the bridge holds it against the kept picture where that is of the look, else against the look
    kept_one = band(seen_light.get("stops")) if isinstance(seen_light, Mapping) else None
    of_kept = kept_one is not None and abs(kept_one.value - against.value) < 1e-3
    how = stops_against(against) if of_kept else stops_asked(against)
    text = say("{name}: {what}", name=name, what=how)
    though = entry.get("though")
    if isinstance(though, str) and (known := known_by(though)):
        text = say("{what} (as it should be, {known})", what=text, known=known)
    return Difference(name, text, _wants(against), abs(against.value))


def _wants(against: Band) -> str:
    return say("it wants more") if against.value < 0 else say("it wants less")


def as_kept(
    value: object,
    now: float | None,
    every: float = EVERY,
    screen_name: str = "",
    face: bool = True,
    by_time: bool = False,
) -> Said:
    """The one line: `the picture is as kept`, or the three greatest differences, or why not known.

    `so` only of a look of now that nothing hinders, against a kept picture, of lights it can tell
    all; and where the bridge has judged it (`picture_seen` of a state), only if it says so too.
    """
    view = value if isinstance(value, Mapping) else NOTHING
    judged = "as_kept" in view
    if judged and view.get("trust") == "gone":
        return goes(None)
    seen = sighting(value)
    if seen is None:
        text, why = say("the picture has not been looked at"), view.get("witness_why")
        if isinstance(why, str) and why:
            text = say("{what} ({why})", what=text, why=bridge_says(why, 200))
        return Said("unknown", text)
    if is_old(seen, now, every) or (judged and view.get("trust") in ("old", "no clock")):
        return Said(
            "unknown", say("the picture: {what}", what=looked(seen, now, every, True, by_time))
        )
    stands = hindrances(seen)
    if stands:
        return Said("unknown", stands[0])
    found = _of_bridge(view, seen, screen_name, face) if judged else None
    if found is None:
        found = differences(seen, screen_name, face)
    when = looked(seen, now, every, by_time=by_time)
    if found:
        each = [one.whole for one in found[:MOST_DIFFERENCES]]
        if len(found) > MOST_DIFFERENCES:
            each.append(say("{n} more", n=len(found) - MOST_DIFFERENCES))
        text = say("by the picture, {what} ({when})", what="; ".join(each), when=when)
        head = say("not as the look asks ({when})", when=when)
        if seen.get("kept"):
            head = say("not as kept ({when})", when=when)
        return Said("not", text, tuple(each), when, head)
    if not isinstance(seen.get("kept"), str) or not seen["kept"]:
        return Said("unknown", kept(seen))
    lost = untold(seen)
    if len(lost) == sum(1 for _ in _lights(seen)):
        return Said("unknown", say("no light can be told in the picture"))
    if lost:
        text = say("the picture shows no change ({when})", when=when)
        text = say("{what}; it cannot tell {names}", what=text, names=listed(lost, 4))
        return Said("unknown", text)
    if judged and view.get("as_kept") is not True:
        why = bridge_says(view.get("why") or "?", 200)
        code: Code = "not" if view.get("as_kept") is False else "unknown"
        return Said(code, say("the picture: {what}", what=why))
    return Said("so", say("the picture is as kept ({when})", when=when))


def line(
    value: object,
    now: float | None,
    every: float = EVERY,
    screen_name: str = "",
    face: bool = True,
    by_time: bool = False,
) -> str:
    """The line for a terminal, or for another view; empty where no picture is ever looked at."""
    if not isinstance(value, Mapping) or not value:
        return ""
    if sighting(value) is None and "as_kept" not in value:
        return ""
    return as_kept(value, now, every, screen_name, face, by_time).text


def sentences(
    value: object,
    now: float | None,
    every: float = EVERY,
    screen_name: str = "",
    face: bool = True,
    by_time: bool = False,
) -> list[str]:
    """All that a look says, the one line first. An old look says when it was, and no more."""
    first = as_kept(value, now, every, screen_name, face, by_time)
    seen = sighting(value)
    trust = value.get("trust") if isinstance(value, Mapping) else None
    if seen is None or is_old(seen, now, every) or trust in ("gone", "old", "no clock"):
        return [first.text]
    # what the first line already says in full is not said twice
    lines = [first.text, *[one for one in hindrances(seen) if one != first.text]]
    lines += [*lights(seen), stray(seen, face), *screen(seen, screen_name), white(seen)]
    lines += [
        exposure(seen),
        by_hand(seen),
        *clipped(seen),
        framing(seen),
        focus(seen),
        covered(seen),
    ]
    if isinstance(seen.get("kept"), str):
        lines.append(kept(seen))
    lines.append(say(NO_METER))
    return [text for text in lines if text]


def every_of(view: object) -> float:
    """How often (s) a picture is looked at, by what a state says of how long a look holds."""
    holds = number(view.get("holds_s")) if isinstance(view, Mapping) else None
    if holds is None or not MORE < holds < BEYOND:
        return EVERY
    return (holds - MORE) / LOOKS_HOLD


# ---- the witness itself -------------------------------------------------------------------


def goes(alive: object, has_witness: bool = True) -> Said:
    """How it goes with what looks at the picture, by its own word (`witness/alive`)."""
    if not has_witness:
        return Said(
            "unknown",
            say(
                "No picture is looked at: write `witness:` into the profile and run"
                " `studiobridge witness serve`."
            ),
        )
    if not isinstance(alive, Mapping) or alive.get("alive") is not True:
        return Said(
            "unknown",
            say("Nobody looks at the picture now: run `studiobridge witness serve`."),
        )
    what, why = str(alive.get("what")), alive.get("why")
    text = say(GOES[what]) if what in GOES else say("the picture is looked at")
    if isinstance(why, str) and why:
        text = say("{what} ({why})", what=text, why=bridge_says(why, 200))
    return Said("so" if what in ("looking", "waiting") else "unknown", text)


def picture_kept(kept: bool, text: str) -> str:
    """What came of keeping a picture with a look; the witness says itself for how long it stays."""
    said = bridge_says(text, 500)
    if not kept:
        return say("no picture of it was kept: {why}", why=said or "?")
    return said or say(
        "a picture of it was kept; it stays beside the profile until one is kept for it again"
    )
