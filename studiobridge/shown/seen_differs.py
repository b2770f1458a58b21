"""What differs from the kept picture, the greatest first, and what to do about each."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

from studiobridge.control.pictured import EVEN, STRAY, TINT, WHITE, WHOLE, beyond
from studiobridge.profile.sighting import Band
from studiobridge.shown.proof_words import known_by
from studiobridge.shown.seen_figures import one_side, sizes, stops_against, stops_asked
from studiobridge.shown.seen_look import Json, band, each_light, hinders, part_of, within
from studiobridge.shown.seen_parts import (
    CLIPPED,
    clipped,
    exposure,
    focus,
    framing,
    no_white,
    not_one_picture,
    screen,
    stray,
    white,
)
from studiobridge.shown.tongue import say
from studiobridge.shown.words import bridge_says, clean, number


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


def differences(seen: Json, screen_name: str = "", face: bool = True) -> list[Difference]:
    """All that differs from the kept picture, the greatest first. What hinders lets no light in."""
    found: list[Difference] = []
    if not hinders(seen):
        for name, one in each_light(seen):
            against = band(one.get("stops"))
            if one.get("moved") is not True or one.get("tells") is False:
                continue
            if against is None or not one_side(against):
                continue
            text = say("{name}: {what}", name=name, what=stops_against(against))
            found.append(Difference(name, text, _wants(against), abs(against.value)))
        share = band(part_of(seen, "stray").get("share"))
        if share is not None and share.low > STRAY:
            weight = 2 * math.log2(1 + share.value)
            found.append(Difference("stray", stray(seen, face), say("shut it out"), weight))
        over = band(seen.get("exposure"))
        if over is not None and beyond(over, WHOLE) is not None:
            todo = say("set aperture, shutter and gain as they were")
            found.append(Difference("exposure", exposure(seen), todo, abs(over.value)))
    mired, duv = (band(part_of(seen, "white").get(key)) for key in ("mired", "duv"))
    off = mired is not None and beyond(mired, WHITE) is not None
    tint = duv is not None and beyond(duv, TINT) is not None
    if mired is not None and not no_white(seen) and (off or tint):
        todo = say("look at the lamps' whites and the camera's")
        found.append(Difference("white", white(seen), todo, abs(mired.value) / 25))
    change = within(part_of(seen, "screen").get("change"), -20, 20)
    lines = screen(seen, screen_name)
    if change is not None and change > EVEN and len(lines) > 1:
        found.append(
            Difference("screen", lines[1], say("look at its lights, and at wrinkles"), change)
        )
    part = part_of(seen, "framing")
    if part.get("moved") is True and (text := framing(seen)):
        share_moved = within(part.get("share"), 0, 10) or 0.0
        found.append(Difference("framing", text, say("turn it back"), 0.3 + 20 * share_moved))
    if text := focus(seen):
        softer = within(part.get("softer"), 0, 1) or 0.0
        found.append(Difference("focus", text, say("focus anew"), softer))
    burnt = within(seen.get("clipped_face"), 0, 1)
    if burnt is not None and burnt >= CLIPPED and not not_one_picture(seen):
        text = clipped(seen)[0]
        found.append(
            Difference("clipped", text, say("close the aperture, or lower its lamp"), 10 * burnt)
        )
    return sorted(found, key=lambda one: -one.weight)


def untold(seen: Json) -> list[str]:
    """The lights of which the picture cannot tell a stop against the kept one."""
    return [
        name
        for name, one in each_light(seen)
        if one.get("tells") is False or band(one.get("stops")) is None
    ]


def from_bridge(view: Json, seen: Json, screen_name: str, face: bool) -> list[Difference] | None:
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
            one = _light_differs(device, entry, part_of(seen, "lights").get(device))
        elif what in names and what in ours:
            one = ours[what]
        else:
            one = Difference(what, bridge_says(entry.get("text") or "?", 200), "", 0.0)
        if one not in found:
            found.append(one)
    return found


def _light_differs(device: str, entry: Json, seen_light: object) -> Difference:
    name = clean(device, 40)
    ends, by = entry.get("band"), within(entry.get("by"), -20, 20)
    low, high = (
        (number(end) for end in ends) if isinstance(ends, list) and len(ends) == 2 else (None, None)
    )
    against = band({"low": low, "value": by, "high": high})
    if against is None or not one_side(against):
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


def moved_by(seen: Json, name: str) -> str:
    """`rim: 0.4 stop more`, to stand in a picture; empty where that light has not surely moved."""
    one = part_of(part_of(seen, "lights"), name)
    against = band(one.get("stops"))
    if hinders(seen) or one.get("moved") is not True or one.get("tells") is False:
        return ""
    if against is None or not one_side(against):
        return ""
    values = {"name": clean(name, 40), "much": sizes(against, 1)[0]}
    if against.value < 0:
        return say("{name}: {much} stop less", **values)
    return say("{name}: {much} stop more", **values)


def _wants(against: Band) -> str:
    return say("it wants more") if against.value < 0 else say("it wants less")
