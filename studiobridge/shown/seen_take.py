"""What the camera's picture said of a take, and what differs in two, in words: for all who show it.

What comes in is of a record, or of a state (`control/seen_then.py` made it): it may hold anything.
What surely differs is said with its band, rounded outwards; what has nothing in its band is the
same as far as the picture can tell; what one of the two does not say is named. A picture is of when
it was taken, and where there is none that is said, with why.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import Any

from studiobridge.control import seen_then
from studiobridge.control.pictured import HINDERS
from studiobridge.control.seen_then import band, figure
from studiobridge.profile.sighting import Band
from studiobridge.shown import seen, words
from studiobridge.shown.seen_figures import looks_elsewhere
from studiobridge.shown.tongue import figure as written
from studiobridge.shown.tongue import later, say
from studiobridge.shown.words import bridge_says, clean, duration

Json = Mapping[str, Any]
NOTHING: Json = {}
FRAMED = ("right", "down", "turn", "zoom")

# Why there is no picture, as the bridge writes it down.
WHYS: Mapping[str, str] = {
    seen_then.NOBODY: later("nobody has looked at the picture"),
    seen_then.LEFT: later("the witness had left"),
    seen_then.OLD: later("the picture was not looked at lately"),
    seen_then.NO_CLOCK: later("nobody knows when the picture was looked at"),
    seen_then.NOT_UP: later("the set did not stand in its look"),
    seen_then.CHANGED_SINCE: later("it was not looked at since the light was changed"),
    seen_then.NOT_WRITTEN: later("no picture was written down with it"),
    seen_then.NOT_IN_IT: later("it was not looked at in this take"),
    seen_then.NO_LIGHTS: later("it says nothing of the lights"),
    **{text: seen.HINDERS[code][0] for code, text in HINDERS.items() if code in seen.HINDERS},
}

# The parts of a picture.
PARTS: Mapping[str, str] = {
    "light": later("light", sense="part of a picture"),
    "lights": later("the lights", sense="part of a picture"),
    "others": later("the other lights", sense="part of a picture"),
    "white": later("white", sense="part of a picture"),
    "tint": later("tint", sense="part of a picture"),
    "exposure": later("exposure", sense="part of a picture"),
    "evenness": later("how even the backdrop is", sense="part of a picture"),
    "stray": later("light from nowhere", sense="part of a picture"),
    "framing": later("where the camera looks", sense="part of a picture"),
    "focus": later("focus", sense="part of a picture"),
}
VERDICTS: Mapping[str, str] = {
    "same": later("as then", sense="a picture"),
    "nearly": later("nearly", sense="a picture"),
    "differs": later("differs", sense="a picture"),
}
MOST_LINES = 30


def why_none(value: object) -> str:
    """Why there is no picture."""
    text = value if isinstance(value, str) else seen_then.NOT_WRITTEN
    return say(WHYS[text]) if text in WHYS else bridge_says(text, 160)


# ---- one picture ----------------------------------------------------------------------------


def stood_lines(picture: object) -> list[tuple[str, str]]:
    """How a take's picture was, a row a part; one row that there is none, and why.

    Empty where nothing was ever written down, as by a bridge of before or without a witness.
    """
    if not isinstance(picture, Mapping):
        return []
    head = say("by the picture")
    looked = seen_then.read(picture)
    if isinstance(looked, str):
        return [(head, say("none: {why}", why=why_none(looked)))]
    shown = _sighting(picture)
    held = say("no picture was kept to hold it against")
    if looked.kept is not None:
        held = say("held against the picture of {look}", look=clean(looked.kept[0], 40))
    rows = [(head, f"{when(picture)}, {held}")]
    for hinder in seen.hindrances(shown):
        rows.append((head, hinder))
    if text := seen.white(shown):
        rows.append((_part("white"), text))
    if looked.exposure is not None:
        rows.append((_part("exposure"), _against_kept(looked.exposure)))
    if lines := seen.screen(shown):
        rows.append((_part("evenness"), "; ".join(lines)))
    if text := seen.stray(shown):
        rows.append((_part("stray"), text))
    if text := seen.framing(shown):
        rows.append((_part("framing"), text))
    if text := seen.focus(shown):
        rows.append((_part("focus"), text))
    return rows


def when(picture: Json) -> str:
    """`looked 1.8 s before it began`, `looked at 0:06 in it`; and of how many frames."""
    second, age = figure(picture.get("at_s")), figure(picture.get("age_s"))
    if second is not None:
        text = say("looked at {time}: there was none as it began", time=_clock(second))
    elif age is not None and age >= 0.0:
        text = say("looked {time} before it began", time=duration(age))
    else:
        text = say("looked, and nobody knows when")
    oldest = figure(picture.get("oldest_s"))
    if oldest is not None and age is not None and oldest > age + 0.5:
        text = say("{what}, of frames over {time}", what=text, time=duration(oldest - age))
    return text


def _sighting(picture: Json) -> Json:
    found = picture.get("sighting")
    return found if isinstance(found, Mapping) else NOTHING


def _part(what: object) -> str:
    text = PARTS.get(str(what))
    return clean(what, 40) if text is None else say(text, sense="part of a picture")


def _clock(seconds: float) -> str:
    whole = max(0, int(seconds))
    return f"{whole // 60}:{whole % 60:02d}"


# ---- two pictures ---------------------------------------------------------------------------


def _out(value: float, digits: int, up: bool) -> float:
    """Rounded outwards; what is a digit but for the last bits of a float stays there."""
    much = value * 10.0**digits
    near = round(much)
    if abs(much - near) > 1e-4:
        near = math.ceil(much) if up else math.floor(much)
    return float(near / 10.0**digits)


def _ends(low: float, high: float, digits: int) -> dict[str, str]:
    near, far = sorted((abs(low), abs(high)))
    form = f".{digits}f"
    return {
        "near": written(_out(near, digits, up=False), form),
        "far": written(_out(far, digits, up=True), form),
    }


def _stops(value: float, low: float, high: float) -> dict[str, str]:
    digits = 1 if high - low >= 0.1 else 2
    return {"much": written(abs(value), f".{digits}f"), **_ends(low, high, digits)}


def _against_kept(found: Band) -> str:
    """The exposure of one picture against the kept one."""
    if found.low <= 0.0 <= found.high:
        return say("no change to tell against the picture kept")
    values = _stops(found.value, found.low, found.high)
    if found.value < 0:
        return say("{much} stop less than kept ({near} to {far})", **values)
    return say("{much} stop more than kept ({near} to {far})", **values)


def difference(entry: object) -> str:
    """One entry of `differs` in a line; empty for what is none."""
    if not isinstance(entry, Mapping):
        return ""
    ends = entry.get("band")
    low, high = (
        (figure(end) for end in ends)
        if isinstance(ends, Sequence) and not isinstance(ends, str) and len(ends) == 2
        else (None, None)
    )
    by = figure(entry.get("by"))
    found = band({"low": low, "value": by, "high": high})
    if found is None:
        return ""
    text = _difference(str(entry.get("what")), entry, found)
    if text and entry.get("past") is not True:
        return say("{what}: it may be within what is allowed", what=text)
    return text


def _difference(what: str, entry: Json, found: Band) -> str:
    by, more = found.value, found.value > 0
    if what == "white":
        ends = _ends(found.low, found.high, 0)
        return say("white {by} ({near} to {far})", by=words.by_mired(by), **ends)
    if what == "tint":
        values = {"much": written(abs(by), ".4f"), **_ends(found.low, found.high, 4)}
        if more:
            return say("white greener by {much} Duv ({near} to {far})", **values)
        return say("white more magenta by {much} Duv ({near} to {far})", **values)
    if what == "exposure":
        values = _stops(by, found.low, found.high)
        if more:
            return say("exposure {much} stop more ({near} to {far})", **values)
        return say("exposure {much} stop less ({near} to {far})", **values)
    if what == "light":
        values = {"name": clean(entry.get("device"), 40), **_stops(by, found.low, found.high)}
        if more:
            return say("{name} {much} stop more ({near} to {far})", **values)
        return say("{name} {much} stop less ({near} to {far})", **values)
    if what == "evenness":
        values = _stops(by, found.low, found.high)
        if more:
            return say("the backdrop {much} stop less even ({near} to {far})", **values)
        return say("the backdrop {much} stop more even ({near} to {far})", **values)
    if what == "stray":
        values = {"much": f"{100 * abs(by):.0f}", **_ends(100 * found.low, 100 * found.high, 0)}
        if more:
            return say("{much} % more light from nowhere ({near} to {far} %)", **values)
        return say("{much} % less light from nowhere ({near} to {far} %)", **values)
    if what == "framing":
        return looks_elsewhere(*(figure(entry.get(key)) for key in FRAMED))
    if what == "focus":
        if more:
            return say("softer: {much} % less fine detail", much=f"{100 * min(by, 1.0):.0f}")
        return say("sharper: {much} % more fine detail", much=f"{-100 * by:.0f}")
    return ""


def differences(found: object, without: Sequence[str] = ()) -> list[str]:
    """What surely differs, the greatest first; but for lights of which more is said elsewhere."""
    told = found.get("differs") if isinstance(found, Mapping) else None
    lines = []
    for entry in told if isinstance(told, list) else ():
        if isinstance(entry, Mapping) and entry.get("device") in without:
            continue
        if text := difference(entry):
            lines.append(text)
    return lines[:MOST_LINES]


def against_lines(found: object, then: str, now: str, without: Sequence[str] = ()) -> list[str]:
    """Two pictures against each other; `then` and `now` are what they are of (`take 3`, `now`)."""
    if not isinstance(found, Mapping):
        return []
    lines = []
    for side, name in (("then", then), ("now", now)):
        one = found.get(side)
        if isinstance(one, Mapping) and "why" in one:
            lines.append(say("{what}: no picture ({why})", what=name, why=why_none(one["why"])))
    if lines:
        return lines
    lines += [say("by the picture, {what}", what=one) for one in differences(found, without)]
    told = found.get("differs")
    moved = isinstance(told, list) and any(
        isinstance(one, Mapping) and one.get("device") for one in told
    )
    if alike := _listed(found.get("alike"), moved):
        lines.append(say("the same as far as the picture can tell: {what}", what=alike))
    lines += _unknown(found.get("unknown"), then, now)
    if lines:
        lines.append(say(seen.NO_METER))
    return lines


def _listed(value: object, some_moved: bool = False) -> str:
    found = [one for one in value if isinstance(one, str)] if isinstance(value, list) else []
    names = [_part("others" if some_moved and one == "lights" else one) for one in found]
    return ", ".join(dict.fromkeys(names[:12]))


def _unknown(value: object, then: str, now: str) -> list[str]:
    sides: dict[str, list[str]] = {"then": [], "now": [], "both": []}
    for one in value if isinstance(value, list) else ():
        if isinstance(one, Mapping) and isinstance(one.get("what"), str):
            sides.setdefault(str(one.get("of")), []).append(one["what"])
    lines = []
    for side, name in (("then", then), ("now", now)):
        if what := _listed(sides[side]):
            lines.append(say("not in the picture of {which}: {what}", which=name, what=what))
    if what := _listed(sides.get("neither")):
        lines.append(say("too little in the picture to tell: {what}", what=what))
    if what := _listed(sides["both"]):
        text = say("not comparable, held against different pictures: {what}", what=what)
        lines.append(text)
    return lines


def verdict(found: object) -> str:
    """In a word, for a list; empty where nobody can tell."""
    said = found.get("verdict") if isinstance(found, Mapping) else None
    text = VERDICTS.get(str(said))
    return "" if text is None else say(text, sense="a picture")


def beside_the_good_one(found: object) -> str:
    """The same with what it is held against, where it stands alone: `picture as in take 3`."""
    said = found.get("verdict") if isinstance(found, Mapping) else None
    n = found.get("good") if isinstance(found, Mapping) else None
    if said == "same":
        return say("picture as in take {n}", n=n)
    if said == "nearly":
        return say("picture nearly as in take {n}", n=n)
    return say("picture not as in take {n}", n=n) if said == "differs" else ""


# ---- within a take --------------------------------------------------------------------------


def change(detail: Json, text: str, off: float | None) -> str:
    """What the picture showed within a take, in a line without its second."""
    phase = detail.get("phase")
    if phase == "lost":
        return say("the picture was not seen from here on: {why}", why=why_none(text))
    if phase == "back":
        return say("the picture is seen again")
    lines = differences(detail)
    if not lines:
        return say("the picture changed")
    said = say("by the picture, {what}", what="; ".join(lines))
    if off is None:
        return say("{what}, since when is not known", what=said)
    if off >= 1.0:
        return say("{what}, up to {far} earlier", what=said, far=duration(off))
    return said


def looked_lines(ended: Json) -> list[str]:
    """How far a take was looked at; empty where nothing was written down of that."""
    looks, gap = figure(ended.get("looks")), figure(ended.get("gap_s"))
    if looks is None:
        return []
    if looks < 1:
        return [say("the picture was not looked at in it")]
    first, last = figure(ended.get("from_s")), figure(ended.get("to_s"))
    values = {"n": f"{looks:.0f}", "first": _clock(first or 0.0), "last": _clock(last or 0.0)}
    text = say("the picture was looked at {n} times in it, from {first} to {last}", **values)
    if gap is not None:
        text = say("{what}, at most {gap} apart", what=text, gap=duration(gap))
    if ended.get("anew") is True:
        text = say("{what}; what the bridge before saw in it is not counted", what=text)
    return [text]
