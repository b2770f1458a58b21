"""How clean a key will be, in words: good, to be cleaned by hand, or something has to move."""

from __future__ import annotations

from studiobridge.figures.keying import (
    EVEN,
    LEVEL,
    PURE,
    SHADOW,
    SPILL,
    Keying,
    KeyPoint,
)
from studiobridge.profile.model import SetProfile
from studiobridge.shown import words
from studiobridge.shown.lengths import Lengths

BY = "by common practice: look at it on a monitor"
# What to do about each point.
REMEDIES = {
    "level": "set the screen's light, or the face's, to another level",
    "evenness": "turn or move what lights the screen",
    "colour": "keep other light off the screen, or choose a deeper green or blue",
    "spill": "more room between subject and screen, or less light on the screen",
    "shadow": "move the light aside or higher, or the subject from the screen",
    "cover": "aim or move the camera, or hang the screen where the picture is",
}


def keying_lines(profile: SetProfile, made: Keying, brief: bool = False) -> list[tuple[str, str]]:
    """The verdict, then its points with their figures; `brief`: only what is not good, one line."""
    label = f"{made.device} keyed"
    if not made.lit:
        return [] if brief else [(label, f"not lit {made.keys} in this look: nothing to key")]
    lines = [(label, verdict_words(made))]
    said = [point_words(profile, made, p) for p in made.points if not brief or p.verdict != "good"]
    if brief:
        return [(label, "; ".join([verdict_words(made), *said]))]
    lines.extend(("", text) for text in said)
    if made.from_white:
        text = "coloured light is reckoned as red, green and blue that add up to its white"
        lines.append(("", f"{text}: a meter held to it is right"))
    lines.extend(("", f"not known: {text}") for text in made.missing)
    return lines


def verdict_words(made: Keying) -> str:
    """`clean by hand, by common practice: look at it on a monitor`."""
    if made.verdict is None:
        return "not judged"
    known = " as far as it is known" if made.missing else ""
    return f"{made.verdict}{known}, {BY}"


def point_words(profile: SetProfile, made: Keying, point: KeyPoint) -> str:
    """`good: 0.3 ± 0.4 stop above a grey card at the face (right: 1 stop under to 0.5 above)`."""
    return f"{point.verdict}: {_said(profile, made, point)}"


def doubt_words(profile: SetProfile, made: Keying) -> tuple[str, str] | None:
    """What `check` says of a screen that is not good, and what to do; None where it is."""
    worst = [p for p in made.points if p.verdict == made.verdict]
    if made.verdict in (None, "good") or not worst:
        return None
    what = "; ".join(_said(profile, made, p) for p in worst)
    will = "has to be cleaned by hand" if made.verdict == "clean by hand" else "will not be clean"
    return f"the key of {made.device} {will}: {what}", REMEDIES[worst[0].about]


def _said(profile: SetProfile, made: Keying, point: KeyPoint) -> str:
    lengths = Lengths(profile.feet)
    size = abs(point.value)
    if point.about == "level":
        give = f" ± {point.within:.1f}" if point.within is not None else ""
        side = "above" if point.value >= 0 else "under"
        text = f"{made.keys} {size:.1f}{give} {_stop(size)} {side} a grey card at the face"
        if point.why == "clipped":
            return f"{text}: it clips, and clipped {made.keys} is white"
        return f"{text} (right: {-LEVEL[0]:.0f} stop under to {LEVEL[1]:.1f} above)"
    if point.about == "evenness":
        return (
            f"even within {size:.1f} {_stop(size)} where the picture shows it"
            f" (a third is good, {EVEN:g} will do)"
            f"{', its own light taken for even' if made.foreign is not None else ''}"
        )
    if point.about == "colour":
        text = f"{made.keys} {size:.1f} {_stop(size)} over the rest of its light"
        if point.value < 0:
            text = f"{made.keys} {size:.1f} {_stop(size)} under other light on it"
        if made.foreign is not None and made.foreign >= 0.05:
            text += f", {made.foreign * 100:.0f} % of it by light that falls on it"
        return f"{text} (right from {PURE:g})"
    if point.about == "spill":
        side = "over" if point.value > 0 else "under"
        text = f"throws {made.keys} {size:.1f} {_stop(size)} {side} the key"
        if made.gap is not None:
            text += f" on what faces it {lengths.one(made.gap)} before it"
        return f"{text} (clean from {-SPILL:.0f} under)"
    if point.about == "shadow":
        if point.light is None:
            return "no shadow on it that the picture shows"
        name = words.clean(point.light)
        return (
            f"the shadow by {name} is in the picture, at most {size:.1f} {_stop(size)} deep"
            f" (no matter to {SHADOW:.1f})"
        )
    if point.why == "head beside it":
        return "the head is not all before the screen as the camera sees it"
    if point.verdict == "good":
        return "it fills the picture"
    beside = max(1.0, (1 - point.value) * 100)
    return f"{beside:.0f} % of the picture is beside it, to be masked"


def _stop(size: float) -> str:
    return "stops" if size >= 1.05 else "stop"
