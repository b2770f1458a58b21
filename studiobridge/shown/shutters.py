"""Shutters in words: which light may show bands at the set one, and which shutters are safe."""

from __future__ import annotations

import math
from collections.abc import Sequence

from studiobridge.craft.exposure import ANGLES, SAME_SHUTTER, VISIBLE
from studiobridge.figures.exposing import MAINS_LAMPS, NO_SHUTTER, NOT_JUDGED, Shutter
from studiobridge.figures.light import LightReading
from studiobridge.shown import words

# So many safe shutters stand in a line about something else.
IN_A_LINE = 3
HEAD = ("shutter", "angle", "ripple up to", "by", "against the set one")


def source(name: str) -> str:
    """What may show bands: a light of the set, or what no set describes, which is said."""
    return f"{name} (a ceiling light left on)" if name == MAINS_LAMPS else name


def shutter(seconds: float) -> str:
    return f"1/{1 / seconds:.0f} s" if seconds < 0.5 else f"{seconds:g} s"


def angle(degrees: float) -> str:
    """`172.8°`: by its usual name, where it is one but for the frame rate's own digits."""
    for name in ANGLES:
        if math.isclose(degrees, name, rel_tol=SAME_SHUTTER):
            return f"{name:g}°"
    return f"{degrees:.1f}".removesuffix(".0") + "°"


def named(one: Shutter, frames: float | None = None) -> str:
    """`1/50 s (180° at 25 fps)`; without the frame rate `1/50 s (180°)`."""
    if one.angle is None:
        return shutter(one.seconds)
    at = f" at {frames:.5g} fps" if frames is not None else ""
    return f"{shutter(one.seconds)} ({angle(one.angle)}{at})"


def safe(
    shutters: Sequence[Shutter],
    frames: float | None,
    missing: Sequence[str] = (),
    most: int = IN_A_LINE,
) -> str:
    """`safe: 1/50 s (180° at 25 fps), 1/100 s (90°)`; empty where nothing is known.

    `missing`: what is not known; where a light is among it, it may yet show bands, which is said.
    """
    if not shutters:
        return ""
    found = [one for one in shutters if one.safe]
    if not found:
        return "no usual shutter is safe"
    shown = [named(one, frames if i == 0 else None) for i, one in enumerate(found[:most])]
    left = len(found) - len(shown)
    known = " by what is known" if unjudged(missing) else ""
    return f"safe{known}: {', '.join(shown)}" + (f" and {left} more" if left else "")


def unjudged(missing: Sequence[str]) -> list[str]:
    """What is missing of a light, so that no shutter is judged by it."""
    return [text for text in missing if text.endswith(NOT_JUDGED) and text != NO_SHUTTER]


def banding_lines(reading: LightReading, frames: float | None = None) -> list[tuple[str, str]]:
    """Which light may show bands at the shutter, which shutters are safe, and risk to people."""
    lines: list[tuple[str, str]] = []
    banding = reading.banding
    said = [safe(reading.shutters, frames, reading.missing)]
    if banding:
        text = "none expected at this shutter"
        if any(b.bands for b in banding):
            text = "; ".join(
                f"{source(b.source)} at {b.frequency:g} Hz may show bands,"
                f" ripple up to {ripple(b.ripple)}"
                for b in banding
                if b.bands
            )
        said.insert(0, text)
    if any(said):
        lines.append(("banding", "; ".join(filter(None, said))))
    risky = [b.source for b in banding if b.risk == "not low"]
    if risky:
        lines.append(("flicker", f"{words.listed(risky)}: not of low risk by IEEE 1789"))
    return lines


def ripple(percent: float) -> str:
    """`0.2 %`, `12 %`: a part of what is seen in full, and nothing where it is nothing."""
    if percent < 0.005:
        return "none"
    return f"{percent:.0f} %" if percent >= 9.95 else f"{percent:.2g} %"


def row(one: Shutter) -> tuple[str, str, str, str, str]:
    """One shutter as a row beside `HEAD`."""
    return (
        shutter(one.seconds),
        "" if one.angle is None else angle(one.angle),
        ripple(one.ripple),
        one.source if one.ripple >= 0.005 else "",
        "" if one.stops is None else cost(one.stops),
    )


def cost(stops: float) -> str:
    """`the same`, `1.0 stop less light`."""
    if abs(stops) < 0.05:
        return "the same"
    plural = "s" if abs(stops) >= 1.05 else ""
    return f"{abs(stops):.1f} stop{plural} {'more' if stops > 0 else 'less'} light"


CAUTION = (
    f"Safe: no exposure differs by more than {VISIBLE:g} % (common practice), by a calculation from"
    " the frequencies given: mains that are 0.5 % off make it 0.5 % for lamps straight on them, and"
    " a generator may be further off. Film a grey wall before you trust it."
)
