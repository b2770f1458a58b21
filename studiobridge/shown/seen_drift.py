"""A picture that is as kept beside a light that has drifted: which of the two is newer."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime

from studiobridge.profile.model import LIGHT
from studiobridge.shown.seen_look import each_light
from studiobridge.shown.tongue import say
from studiobridge.shown.words import Json, listed, names, number


def beside(seen: Json, drift: Sequence[Json], when: str, concluded: bool = True) -> str:
    """The line in place of `the picture is as kept`; empty where nothing speaks against that.

    A drift that the picture itself told is in what differs; and of a light that it cannot tell it
    says nothing, so a look after such a drift contradicts nothing; nor does one that the bridge
    has not `concluded` from, as when something was put back a moment ago.
    """
    taken = number(seen.get("taken"))
    told = {name for name, one in each_light(seen) if one.get("tells") is not False}
    before, against = {}, {}
    for entry in drift:
        if entry.get("point") not in (*LIGHT, "switch") or entry.get("by") == "picture":
            continue
        began = _seconds(entry.get("since"))
        for name in names(entry.get("perhaps")) or [str(entry.get("device", "?"))]:
            if taken is None or began is None or began > taken:
                before[name] = True
            elif name in told:
                against[name] = True
    if before:
        return say(
            "the picture was as kept ({when}): that was before {names} drifted",
            when=when,
            names=listed(list(before), 4),
        )
    if against and concluded:
        return say(
            "the picture shows no change ({when}), after {names} drifted: the two disagree, look",
            when=when,
            names=listed(list(against), 4),
        )
    return ""


def _seconds(since: object) -> float | None:
    """An ISO time as seconds since 1970; None where it is none."""
    try:
        return datetime.fromisoformat(str(since).replace("Z", "+00:00")).timestamp()
    except (ValueError, OverflowError, OSError):
        return None
