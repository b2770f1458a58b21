"""A look as it came in: is it one, of when is it, what hinders it, what is it held against.

What comes in is a `Sighting` (`profile/sighting.py`) as JSON, or the key `picture_seen` of a state,
which has one: whoever may write there may write nonsense, so every figure is looked at first. What
is no figure is not said.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Any, Literal

from studiobridge.control.pictured import LOOKS_HOLD, MORE
from studiobridge.profile.sighting import Band
from studiobridge.shown.tongue import later, say
from studiobridge.shown.words import clean, moment, number

Json = Mapping[str, Any]
NOTHING: Json = {}
Code = Literal["so", "not", "unknown"]

# How often (s) a picture is looked at where nobody says.
EVERY = 10.0
# A figure beyond this is none of a picture: stops, mired, shares, px, degrees.
BEYOND = 1e5
MOST_LIGHTS = 200


@dataclass(frozen=True, slots=True)
class Said:
    """One line about the picture: is it so, and is it of now. `differs`: its parts, one by one, and
    `when` it was looked at, and the `head` over them, where a page has a line for each."""

    code: Code
    text: str
    differs: tuple[str, ...] = ()
    when: str = ""
    head: str = ""


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


def sighting(value: object) -> Json | None:
    """The Sighting in what a state or the witness says; None where there is none."""
    if not isinstance(value, Mapping):
        return None
    inner = value.get("sighting")
    if "sighting" in value:
        return inner if isinstance(inner, Mapping) else None
    return value if value.get("run") is not None or "lights" in value else None


def part_of(seen: Json, key: str) -> Json:
    found = seen.get(key)
    return found if isinstance(found, Mapping) else NOTHING


def within(value: object, least: float = -BEYOND, most: float = BEYOND) -> float | None:
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


def band(value: object) -> Band | None:
    """A band from outside; None where it is no band of a picture."""
    if not isinstance(value, Mapping):
        return None
    low, mid, high = (number(value.get(key)) for key in ("low", "value", "high"))
    if low is None or mid is None or high is None or not -BEYOND <= low <= mid <= high <= BEYOND:
        return None
    return Band(low, mid, high)


def each_light(seen: Json) -> Iterable[tuple[str, Json]]:
    for count, (name, one) in enumerate(part_of(seen, "lights").items()):
        if count >= MOST_LIGHTS:
            return
        if isinstance(one, Mapping):
            yield clean(name, 40), one


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


def every_of(view: object) -> float:
    """How often (s) a picture is looked at, by what a state says of how long a look holds."""
    holds = number(view.get("holds_s")) if isinstance(view, Mapping) else None
    if holds is None or not MORE < holds < BEYOND:
        return EVERY
    return (holds - MORE) / LOOKS_HOLD
