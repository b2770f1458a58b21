"""What the camera's picture shows, in words: for terminal and page alike.

The whole of a look: the one line, and all sentences. Its parts have files of their own: what came
in (`seen_look.py`), figures (`seen_figures.py`), a sentence a part (`seen_parts.py`), what differs
(`seen_differs.py`), beside what has drifted (`seen_drift.py`), the witness itself
(`seen_alive.py`); whoever shows a picture imports this one.
A look that is old, or that something hinders, confirms nothing: what it says of the lights is not
said at all, and the one line is `unknown`, never `so`.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from studiobridge.control.pictured import LOOKS_HOLD as LOOKS_HOLD
from studiobridge.control.pictured import MORE as MORE
from studiobridge.shown.seen_alive import GOES as GOES
from studiobridge.shown.seen_alive import goes as goes
from studiobridge.shown.seen_alive import picture_kept as picture_kept
from studiobridge.shown.seen_differs import Difference as Difference
from studiobridge.shown.seen_differs import differences as differences
from studiobridge.shown.seen_differs import from_bridge, untold
from studiobridge.shown.seen_differs import moved_by as moved_by
from studiobridge.shown.seen_drift import beside
from studiobridge.shown.seen_figures import stops_against as stops_against
from studiobridge.shown.seen_look import EVERY as EVERY
from studiobridge.shown.seen_look import HINDERS as HINDERS
from studiobridge.shown.seen_look import NOTHING, Code, each_light, kept, looked
from studiobridge.shown.seen_look import Said as Said
from studiobridge.shown.seen_look import band as band
from studiobridge.shown.seen_look import every_of as every_of
from studiobridge.shown.seen_look import hinders as hinders
from studiobridge.shown.seen_look import is_old as is_old
from studiobridge.shown.seen_look import sighting as sighting
from studiobridge.shown.seen_look import taken as taken
from studiobridge.shown.seen_parts import by_hand, clipped, covered, exposure
from studiobridge.shown.seen_parts import focus as focus
from studiobridge.shown.seen_parts import framing as framing
from studiobridge.shown.seen_parts import hindrances as hindrances
from studiobridge.shown.seen_parts import light as light
from studiobridge.shown.seen_parts import lights as lights
from studiobridge.shown.seen_parts import screen as screen
from studiobridge.shown.seen_parts import stray as stray
from studiobridge.shown.seen_parts import stray_has_place as stray_has_place
from studiobridge.shown.seen_parts import surely_stray as surely_stray
from studiobridge.shown.seen_parts import white as white
from studiobridge.shown.tongue import later, say
from studiobridge.shown.words import Json, bridge_says, listed, number

MOST_DIFFERENCES = 3

NO_METER = later(
    "A picture is no meter: every figure is a band, meant to hold 95 times in 100 and tried on"
    " rendered rooms only. It is against the picture that was kept."
)
NOTHING_KEPT = later(
    "Nothing of this picture is stored. It was taken for you, and goes when you go."
)


def never_came(value: object) -> bool:
    """Has the set, by what it says, not heard of any witness yet? Then there is nothing to say."""
    return isinstance(value, Mapping) and value.get("witness", "?") is None and not sighting(value)


def as_kept(
    value: object,
    now: float | None,
    every: float = EVERY,
    screen_name: str = "",
    face: bool = True,
    by_time: bool = False,
    drift: Sequence[Json] = (),
) -> Said:
    """The one line: `the picture is as kept`, or the three greatest differences, or why not known.

    `so` only of a look of now that nothing hinders, against a kept picture, of lights it can tell
    all; and where the bridge has judged it (`picture_seen` of a state), only if it says so too.
    Beside what has drifted (`drift`) it says which of the two is newer, and is never `so`.
    """
    view = value if isinstance(value, Mapping) else NOTHING
    judged = "as_kept" in view
    if judged and view.get("trust") == "gone":
        return goes(None)
    seen = sighting(value)
    if seen is None:
        if never_came(value):
            text = say("nobody has looked at the picture yet: `studiobridge witness serve` does")
            return Said("unknown", text)
        text, why = say("the picture has not been looked at"), view.get("witness_why")
        if isinstance(why, str) and why:
            text = say("{what} ({why})", what=text, why=bridge_says(why, 200))
        return Said("unknown", _late(view, text))
    if is_old(seen, now, every) or (judged and view.get("trust") in ("old", "no clock")):
        text = say("the picture: {what}", what=looked(seen, now, every, True, by_time))
        return Said("unknown", _late(view, text))
    stands = hindrances(seen)
    if stands:
        return Said("unknown", stands[0])
    found = from_bridge(view, seen, screen_name, face) if judged else None
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
        of_a_take = view.get("why")
        if isinstance(of_a_take, str) and of_a_take.startswith("no picture is kept of "):
            return Said("unknown", say("the picture: {what}", what=bridge_says(of_a_take, 200)))
        return Said("unknown", kept(seen))
    if judged and view.get("as_kept") is None and differences(seen, screen_name, face):
        # the look shows a change that the bridge concludes nothing from yet: so it is not "none"
        return Said("unknown", _why(view))
    lost = untold(seen)
    if len(lost) == sum(1 for _ in each_light(seen)):
        return Said("unknown", say("no light can be told in the picture"))
    concluded = not judged or view.get("as_kept") is True or bool(lost)
    if text := beside(seen, drift, when, concluded):
        return Said("unknown", text)
    if lost:
        text = say("the picture shows no change ({when})", when=when)
        text = say("{what}; it cannot tell {names}", what=text, names=listed(lost, 4))
        return Said("unknown", text)
    if judged and view.get("as_kept") is not True:
        code: Code = "not" if view.get("as_kept") is False else "unknown"
        return Said(code, _why(view))
    return Said("so", say("the picture is as kept ({when})", when=when))


def _why(view: Mapping[str, object]) -> str:
    return say("the picture: {what}", what=bridge_says(view.get("why") or "?", 200))


def _late(view: Mapping[str, object], text: str) -> str:
    """With it where the newest look came of a frame too old: whoever looks is behind, no more."""
    late = number(view.get("late_s"))
    if late is None or not 0 < late < 1e9:
        return text
    late_text = say(
        "the newest frame was {n} s old when it came: what looks at the picture is behind",
        n=f"{late:.0f}",
    )
    return f"{text}; {late_text}"


def line(
    value: object,
    now: float | None,
    every: float = EVERY,
    screen_name: str = "",
    face: bool = True,
    by_time: bool = False,
    drift: Sequence[Json] = (),
) -> str:
    """The line for a terminal, or for another view; empty where no picture is ever looked at."""
    if not isinstance(value, Mapping) or not value:
        return ""
    if sighting(value) is None and "as_kept" not in value:
        return ""
    return as_kept(value, now, every, screen_name, face, by_time, drift).text


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
    lines += [exposure(seen), by_hand(seen), *clipped(seen), framing(seen)]
    lines += [focus(seen), covered(seen)]
    if isinstance(seen.get("kept"), str):
        lines.append(kept(seen))
    lines.append(say(NO_METER))
    return [text for text in lines if text]
