"""The light of a look in words: the same lines for the terminal, the sheet and the page."""

from __future__ import annotations

import math

from studiobridge.figures.backdrops import Backdrop
from studiobridge.figures.exposing import Banding
from studiobridge.figures.light import LightReading
from studiobridge.profile.model import Picture, SetProfile
from studiobridge.shown import words

# What a line is about, and what it says.
Line = tuple[str, str]


def light_lines(profile: SetProfile, reading: LightReading) -> list[Line]:
    """Everything there is to say of a look's light, a line a subject."""
    return [
        *face_lines(reading),
        *white_lines(reading),
        *exposure_lines(profile.picture, reading),
        *(line for backdrop in reading.backdrops for line in backdrop_lines(backdrop)),
        *banding_lines(reading.banding),
    ]


def face_lines(reading: LightReading) -> list[Line]:
    """The light on the face, and the ratio of key to fill."""
    lines: list[Line] = []
    whole = reading.whole
    if whole is not None:
        lines.append(("together", f"{whole.lux:.0f} lx on the face"))
        if whole.ratio is not None:
            stop = math.log2(whole.ratio)
            lines.append(
                ("key to fill", f"{words.ratio(whole.ratio)} ({words.signed(stop, 1)} stop)")
            )
    return lines


def white_lines(reading: LightReading) -> list[Line]:
    """The mixed white beside the camera's, and how far the fixtures' whites are apart."""
    lines: list[Line] = []
    whole = reading.whole
    if whole is not None and whole.cct is not None:
        text = white(whole.cct, whole.duv)
        if reading.off_balance is not None:
            off = words.white_shift(reading.off_balance, reading.off_tint)
            text += f"; {words.listed(off)} than the camera" if off else "; as the camera is set"
        lines.append(("white", text))
    if reading.whites_apart is not None and reading.whites_apart[0] >= 0.5:
        apart, coolest, warmest = reading.whites_apart
        lines.append(("whites", f"{apart:.0f} mired from {coolest} to {warmest}"))
    if reading.tints_apart is not None and reading.tints_apart[0] >= words.NOT_SEEN["duv"]:
        apart, magenta, green = reading.tints_apart
        lines.append(("tints", f"Duv {apart:.4f} from {magenta} (magenta) to {green} (green)"))
    return lines


def white(kelvin: float, duv: float | None) -> str:
    """`4123 K, Duv −0.0061 (magenta side)`; the side by the sign of ANSI C78.377."""
    text = f"{kelvin:.0f} K"
    if duv is not None and abs(duv) >= 0.0001:
        text += f", Duv {words.signed(duv, 4)} ({'green' if duv > 0 else 'magenta'} side)"
    return text


def exposure_lines(picture: Picture, reading: LightReading) -> list[Line]:
    """`f/2.9 at 1/50 s, ISO 250; set to f/2.8: 0.1 stop over`."""
    made = reading.exposure
    if made is None or picture.shutter is None:
        return []
    text = f"f/{made.aperture:.1f} at {shutter(picture.shutter)}, ISO {picture.iso:g}"
    if made.over is not None:
        off = abs(made.over)
        side = "over" if made.over > 0 else "under"
        judged = "right" if off < 0.05 else f"{off:.1f} stop{'s' if off >= 1.05 else ''} {side}"
        text += f"; set to f/{picture.aperture:g}: {judged}"
    return [("exposure", text)]


def shutter(seconds: float) -> str:
    return f"1/{1 / seconds:.0f} s" if seconds < 0.5 else f"{seconds:g} s"


def backdrop_lines(backdrop: Backdrop) -> list[Line]:
    """A backdrop against a grey card and the subject, its evenness, what it throws forward."""
    parts = []
    if backdrop.against_grey is not None:
        parts.append(stops_of(backdrop.against_grey, "above a grey card", "below a grey card"))
    if backdrop.incident is not None:
        text = stops_of(backdrop.incident, "above the subject", "below the subject")
        parts.append(f"{text} (incident)")
    if backdrop.spread is not None:
        parts.append(f"even within {backdrop.spread:.1f} stop edge to edge")
    if backdrop.spill is not None:
        parts.append(f"throws {backdrop.spill:.0f} lx on the subject's back")
    return [(backdrop.device, "; ".join(parts))] if parts else []


def stops_of(value: float, above: str, below: str) -> str:
    size = abs(value)
    if size < 0.05:
        return f"level with {above.split(' ', 1)[1]}"
    return f"{size:.1f} stop{'s' if size >= 1.05 else ''} {above if value > 0 else below}"


def banding_lines(banding: tuple[Banding, ...]) -> list[Line]:
    """Which light may show bands at the shutter, and which is not of low risk to people."""
    lines: list[Line] = []
    if banding:
        text = "none expected at this shutter"
        if any(b.bands for b in banding):
            text = "; ".join(
                f"{b.source} at {b.frequency:g} Hz may show bands, ripple {b.ripple:.0f} %"
                for b in banding
                if b.bands
            )
        lines.append(("banding", text))
    risky = [b.source for b in banding if b.risk == "not low"]
    if risky:
        lines.append(("flicker", f"{words.listed(risky)}: not of low risk by IEEE 1789"))
    return lines
