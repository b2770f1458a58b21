"""What the lens shows, in words: the framing, where the face is, what is not backdrop.

How near a limit is, is said beside it: places are good to a few centimetres, people differ.
"""

from __future__ import annotations

from studiobridge.figures.framing import PLACED, Fit, Framing, InPicture, Seen
from studiobridge.profile.model import SetProfile
from studiobridge.shown import words
from studiobridge.shown.lengths import Lengths

# Less than this of the picture (0-1) goes without saying.
SLIGHT = 0.02
# An eye line this far (share of the picture) from a third is still about a third.
ABOUT = 0.06

EDGES = {
    "left": "on the left",
    "right": "on the right",
    "top": "at the top",
    "bottom": "at the bottom",
}


def framing_lines(profile: SetProfile, made: Framing) -> list[str]:
    """The lens first, then a line for each thing to be said of what it shows."""
    lengths = Lengths(profile.feet)
    lines = [
        f"{made.focal:g} mm from {lengths.both(made.distance)}: shows"
        f" {lengths.one(made.field[0])} × {lengths.one(made.field[1])} at the mark"
        f" ({made.angle[0]:.0f}° × {made.angle[1]:.0f}°)"
    ]
    if made.closer >= SLIGHT:
        lines.append(
            f"focused this near it shows {percent(made.closer)} less than its angle of view says"
            " (a thin lens; yours may differ)"
        )
    lines.append(f"the picture is {made.shows}")
    for fit in made.fits:
        wish = " (what is asked for)" if fit.framing == profile.picture.fits else ""
        lines.append(fit_words(profile, fit, wish))
    if made.face is not None:
        lines.append(face_words(profile, made.face))
    alone = len(made.seen) == 1
    lines.extend(seen_words(profile, seen, alone) for seen in made.seen)
    if made.seen:
        lines.append("people and things before a backdrop are not reckoned with")
    lines.append("framings are common practice: people differ by a tenth and more")
    return lines


def fit_words(profile: SetProfile, fit: Fit, wish: str = "") -> str:
    """`half-length just fits: 1 cm to spare, and places are good to 5 cm`."""
    lengths = Lengths(profile.feet)
    text = f"{fit.framing}{wish} {'is ' if fit.judged == 'too loose' else ''}{fit.judged}"
    if fit.judged == "too loose":
        return f"{text}: {fit.size:.1f} times what it needs; it is not up to" + (
            f" {lengths.both(fit.to_distance)}"
        )
    if fit.judged in ("just fits", "just does not fit"):
        side = "to spare" if fit.fits else "too near"
        return (
            f"{text}: {lengths.small(abs(fit.margin))} {side},"
            f" and places are good to {lengths.small(PLACED)}"
        )
    if fit.fits:
        return f"{text}: {lengths.small(fit.margin)} to spare"
    return f"{text}: it does from {lengths.both(fit.from_distance)}"


def face_words(profile: SetProfile, face: InPicture) -> str:
    """Where the face is in the picture's height, and what is above the head."""
    lengths = Lengths(profile.feet)
    if not face.in_picture:
        return "the face is not in the picture"
    air = lengths.small(abs(face.headroom))
    above = f"the head is cut by {air}" if face.cut else f"{air} above the head"
    where = f"the face is {percent(face.from_top)} from the top"
    eyes = ""
    off = face.from_top - 1 / 3
    if abs(off) > ABOUT:
        way = "lower" if off > 0 else "higher"
        eyes = f" (about a third is common practice: aim {lengths.small(abs(face.lower))} {way})"
    return f"{above}; {where}{eyes}"


def seen_words(profile: SetProfile, seen: Seen, alone: bool = True) -> str:
    """`cloth lacks 31 cm on the left and 4 cm at the top: 12 % of the picture is not backdrop`."""
    lengths = Lengths(profile.feet)
    name = words.clean(seen.device)
    if not seen.part:
        return f"{name} is not in the picture"
    if not seen.lacks:
        if seen.spare is None:
            return f"{name} fills the picture"
        edge, spare = seen.spare
        where = f"{lengths.small(spare)} to spare {EDGES[edge]}"
        if spare > PLACED:
            return f"{name} fills the picture: {where}"
        return f"{name} just fills the picture: {where}, and places are good to" + (
            f" {lengths.small(PLACED)}"
        )
    lacks = words.listed(
        [
            (f"{lengths.small(lack.by)} " if lack.by is not None else "") + EDGES[lack.edge]
            for lack in seen.lacks
        ],
        4,
    )
    what = "backdrop" if alone else name
    text = f"{name} lacks {lacks}: {percent(1 - seen.covered)} of the picture is not {what}"
    if seen.floor and any(lack.edge == "bottom" for lack in seen.lacks):
        text += "; at the bottom the picture shows the floor"
    return text


def percent(share: float) -> str:
    """`12 %`, `under 1 %`: what is there is never shown as nothing."""
    return "under 1 %" if 0 < share < 0.01 else f"{share * 100:.0f} %"
