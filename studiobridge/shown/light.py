"""The light of a look in words: the same lines for the terminal, the sheet and the page."""

from __future__ import annotations

import math
from dataclasses import replace

from studiobridge.figures.backdrops import Backdrop
from studiobridge.figures.calibration import Calibration
from studiobridge.figures.known import Known
from studiobridge.figures.light import LightReading
from studiobridge.figures.sure import COVERAGE, WHITE, WIDEST, digits, dimming, rounded, within
from studiobridge.profile.model import Device, Picture, SetProfile
from studiobridge.shown import words
from studiobridge.shown.keying import keying_lines
from studiobridge.shown.shutters import banding_lines, shutter

# What a line is about, and what it says.
Line = tuple[str, str]
# Stops: a band that a meter would not make much narrower.
NARROW = 0.15
LUX_A_FOOTCANDLE = 10.764  # by definition
# What no figure of the light has in it.
UNSEEN = "what walls and ceiling bounce back, and without shadows of people and stands"


def light_lines(profile: SetProfile, reading: LightReading) -> list[Line]:
    """Everything there is to say of a look's light, a line a subject."""
    return [
        *face_lines(reading, dome=profile.picture.receptor == "dome", feet=profile.feet),
        *white_lines(reading),
        *exposure_lines(profile.picture, reading),
        *(line for found in backdrops_of(reading) for line in backdrop_lines(found, reading.sure)),
        *(line for found in reading.keying for line in keying_lines(profile, found)),
        *sure_lines(profile, reading),
        *banding_lines(reading, profile.picture.frames),
    ]


def backdrops_of(reading: LightReading) -> list[Backdrop]:
    """Every backdrop; of a screen whose key is judged evenness and spill are said there, in the
    key's own light, and not once more of what else falls on it."""
    judged = {(made.device, point.about) for made in reading.keying for point in made.points}
    return [
        replace(
            found,
            spread=None if (found.device, "evenness") in judged else found.spread,
            spill=None if (found.device, "spill") in judged else found.spill,
        )
        for found in reading.backdrops
    ]


def face_lines(
    reading: LightReading, brief: bool = False, dome: bool = False, feet: bool = False
) -> list[Line]:
    """The light on the face, and the ratio of key to fill.

    `brief`: for a sheet on the wall; `dome`: also what a dome reads, as the meter has one; `feet`:
    who measures in feet has a meter in foot-candles.
    """
    lines: list[Line] = []
    whole, known = reading.whole, reading.sure
    if whole is not None:
        sure = known.lux if known is not None else None
        also = f" ({whole.lux / LUX_A_FOOTCANDLE:.2g} fc)" if feet else ""
        text = f"{lux(whole.lux, sure)}{also} on the face"
        if dome:
            read = known.aperture if known is not None else None
            text += f", flat to the camera; a dome reads {lux(whole.dome, read)}"
        lines.append(("together", text))
        if whole.ratio is not None:
            sure = known.ratio if known is not None else None
            over = math.log2(whole.ratio)
            stops = f"{words.signed(over, 1)} stop{'s' if abs(over) >= 1.05 else ''}"
            text = f"{ratio(whole.ratio, sure)} ({stops}), key alone over fill"
            if not brief:
                text += ", on the plane that faces the camera"
            if not brief and known is not None and known.both_over_fill is not None:
                text += f"; key and fill over fill {ratio(known.both_over_fill, known.both)}"
            lines.append(("key to fill", text))
    return lines


def white_lines(reading: LightReading, brief: bool = False) -> list[Line]:
    """The mixed white beside the camera's, and how far the fixtures' whites are apart."""
    lines: list[Line] = []
    whole, known = reading.whole, reading.sure
    if whole is not None and whole.cct is not None:
        text = white(whole.cct, whole.duv, known)
        if reading.off_balance is not None:
            off = words.white_shift(reading.off_balance, reading.off_tint, 3)
            text += f"; {words.listed(off)} than the camera" if off else "; as the camera is set"
        lines.append(("white", text))
    if reading.whites_apart is not None and reading.whites_apart[0] >= 0.5:
        apart, coolest, warmest = reading.whites_apart
        text = f"{apart:.0f} mired from {coolest} to {warmest} as they are set"
        if not brief and known is not None and known.whites_apart is not None:
            text += f", ± {known.whites_apart:.0f} by how true such lamps are"
        lines.append(("whites", text))
    if reading.tints_apart is not None and reading.tints_apart[0] >= words.NOT_SEEN["duv"]:
        apart, magenta, green = reading.tints_apart
        lines.append(("tints", f"Duv {apart:.3f} from {magenta} (magenta) to {green} (green)"))
    return lines


def white(kelvin: float, duv: float | None, known: Known | None = None) -> str:
    """`4300 K ± 11 mired, Duv −0.006 ± 0.005, magenta side (ANSI C78.377)`.

    No digit that nobody knows; the side is the sign's.
    """
    text, give = f"{kelvin:.0f} K", ""
    if known is not None and known.white is not None and known.duv is not None:
        in_kelvin = known.white * kelvin * kelvin / 1e6
        text = f"{rounded(kelvin, in_kelvin):.0f} K ± {known.white:.0f} mired"
        give = f" ± {known.duv:.3f}"
    if duv is not None and abs(duv) >= words.NOT_SEEN["duv"]:
        side = "green" if duv > 0 else "magenta"
        text += f", Duv {words.signed(duv, 3)}{give}, {side} side (ANSI C78.377)"
    return text


def exposure_lines(picture: Picture, reading: LightReading, brief: bool = False) -> list[Line]:
    """`f/2.9 ± 0.3 stop at 1/50 s, ISO 250 (meter standard ISO 2720); set to f/2.8: right`."""
    made, known = reading.exposure, reading.sure
    if made is None or picture.shutter is None:
        return []
    sure = known.aperture if known is not None else None
    # an f-number is said to one digit after the point, however well it is known
    aperture = made.aperture
    if sure is not None:
        aperture = rounded(aperture, within(sure / 2.0, aperture))
    text = f"f/{aperture:.{_after(aperture, made.aperture)}f}{give_or_take(sure)}"
    text += f" at {shutter(picture.shutter)}, ISO {picture.iso:.0f}"
    if not brief:
        read = ", read with a dome" if picture.receptor == "dome" else ""
        text += f" (meter standard ISO 2720{read})"
    if made.over is not None:
        off = abs(made.over)
        side = "over" if made.over > 0 else "under"
        judged = "right" if off < 0.05 else f"{words.stops(off)} {side}"
        if not brief and sure is not None and 0.05 <= off <= sure:
            judged += ", which is within that"
        text += f"; set to f/{picture.aperture:g}: {judged}"
    return [("exposure", text)]


def _after(value: float, exact: float) -> int:
    return 1 if exact < 10.0 or value != int(value) else 0


def backdrop_lines(backdrop: Backdrop, known: Known | None = None) -> list[Line]:
    """A backdrop against a grey card and the subject, its evenness, what it throws forward."""
    sure = known.backdrop(backdrop.device) if known is not None else None
    parts = []
    if backdrop.against_grey is not None:
        band = sure.against_grey if sure is not None else None
        parts.append(
            stops_of(backdrop.against_grey, "above a grey card", "below a grey card", band)
        )
    if backdrop.incident is not None:
        band = sure.incident if sure is not None else None
        text = stops_of(backdrop.incident, "above the subject", "below the subject", band)
        parts.append(f"{text} (incident)")
    if backdrop.spread is not None:
        parts.append(evenness(backdrop, sure.spread if sure is not None else None))
    if backdrop.spill is not None:
        band = sure.spill if sure is not None else None
        parts.append(f"throws {spill(backdrop, band)} on the subject's back")
    return [(backdrop.device, "; ".join(parts))] if parts else []


def evenness(backdrop: Backdrop, band: float | None = None) -> str:
    """`even within 0.9 stop in the picture; lower left 0.6 stop under the middle`."""
    assert backdrop.spread is not None
    where = "in the picture" if backdrop.in_picture else "edge to edge"
    text = f"even within {_stops(backdrop.spread, band)} {where}"
    if not backdrop.as_seen:
        text += " (incident)"
    if backdrop.worst is not None and backdrop.where is not None and abs(backdrop.worst) >= 0.05:
        side = "over" if backdrop.worst > 0 else "under"
        text += f", {backdrop.where} {_stops(abs(backdrop.worst), None)} {side} its middle"
    return text


def spill(backdrop: Backdrop, band: float | None = None) -> str:
    """`110 lx of 4100 K`, and of a screen that is keyed `90 lx of its green`."""
    assert backdrop.spill is not None
    text = lux(backdrop.spill, band)
    if backdrop.keys is not None:
        return f"{text} of its {backdrop.keys}"
    kelvin = backdrop.spill_cct
    if kelvin is None:
        return text
    return f"{text} of {rounded(kelvin, WHITE * kelvin * kelvin / 1e6):.0f} K"


def stops_of(value: float, above: str, below: str, band: float | None = None) -> str:
    """`3.1 ± 0.4 stops below the subject`; level where it is hardly off."""
    if abs(value) < 0.05:
        return f"level with {above.split(' ', 1)[1]}{give_or_take(band)}"
    return f"{_stops(abs(value), band)} {above if value > 0 else below}"


def _stops(value: float, band: float | None) -> str:
    """`1.1 ± 0.4 stop`."""
    places, give = 1, ""
    if band is not None:
        places, give = min(1, max(0, digits(band))), f" ± {_tenth(band):.1f}{_or_more(band)}"
    return f"{value:.{places}f}{give} stop{'s' if value >= 1.05 else ''}"


def sure_lines(profile: SetProfile, reading: LightReading) -> list[Line]:
    """What the ± means, what is in none of them, and which figure to find out first."""
    known = reading.sure
    if known is None or known.lux is None:
        return []
    text = f"± holds in {COVERAGE} (JCGM 100)"
    brightest = max(reading.fixtures, key=lambda fixture: fixture.lux, default=None)
    if not profile.readings and known.lux > NARROW and brightest is not None:
        text += "; a meter held to each light brings it to a tenth: "
        reads = brightest.lux
        if profile.picture.receptor == "dome" and brightest.dome is not None:
            reads = brightest.dome
        said = f"{reads / LUX_A_FOOTCANDLE:.3g} fc" if profile.feet else f"{reads:.0f} lx"
        text += f"--meter 'face {said} {brightest.device}' with what it says"
    lines = [("sure", text)]
    guessed = [
        fixture.device
        for fixture in reading.fixtures
        if _unknown_dimmer(profile.devices[fixture.device], fixture.level, known)
    ]
    if guessed:
        one = "its dimmer is" if len(guessed) == 1 else "their dimmers are"
        text = f"{words.listed(guessed)}: {one} not given, and linear is taken for granted"
        lines.append(("", f"{text}: add 'dimmer:', or hold a meter to it at this level"))
    return lines


def _unknown_dimmer(device: Device, level: float, known: Known) -> bool:
    """Is a curve that nobody named still in what is not known of this light?"""
    found = known.fixture(device.name)
    if device.dimmer_said or found is None:
        return False
    band = max(found.lux or 0.0, found.straight or 0.0)
    return 0.0 < dimming(device, level) / math.log(2.0) <= 1.5 * band


def bounced(known: Known | None) -> str:
    """What walls and ceiling add: it is never in a band, for it only ever adds."""
    if known is None or known.bounce is None:
        return f"Without {UNSEEN}: where a meter differs, it is right."
    if known.bounce < 0.05:
        return "What walls and ceiling bounce back at the face is in your meter's readings."
    return (
        f"Without {UNSEEN}; what bounces adds up to {known.bounce:.1f} stop on the face in a small"
        " room painted white, about half of that in a grey one: where a meter differs, the meter is"
        " right."
    )


def meter_lines(made: Calibration, feet: bool = False) -> list[Line]:
    """What your meter made of the makers' figures, and how each reading goes with the others.

    `feet`: who measures in feet reads foot-candles.
    """

    def read_as(value: float, places: int) -> str:
        unit, as_read = ("fc", value / LUX_A_FOOTCANDLE) if feet else ("lx", value)
        return f"{as_read:.0f} {unit}" if as_read >= 1000.0 else f"{as_read:.{places}g} {unit}"

    lines: list[Line] = []
    for scale in made.scales:
        share = f"{rounded(scale.scale, scale.scale * scale.within):.3g}"
        count = f"{scale.readings} reading{'s' if scale.readings != 1 else ''}"
        percent = max(1.0, scale.within * 100.0)
        text = f"{scale.device} {share} × its maker's figure (from {count}, ± {percent:.0f} %)"
        lines.append(("by your meter", text))
    if made.makers:
        lines.append(("by the maker", words.listed(list(made.makers), 99)))
    for place, light in made.around.items():
        lines.append(
            ("no light on", f"{read_as(light, 3)} at {_the(place)}, taken off what is read there")
        )
    once = {scale.device for scale in made.scales if scale.readings == 1}
    for read in made.readings:
        lit = words.listed(list(read.on), 99) or "no light on"
        what = f"{read_as(read.lux, 4)} at {_the(read.at)}, {lit}"
        if read.stops is not None and not read.why:
            off = abs(read.stops)
            if off >= 0.05:
                what += f": {words.stops(off)} {'over' if read.stops > 0 else 'under'}"
            elif once & set(read.on):  # it sets the figure, and so cannot but go with it
                what += ": taken as it is, with none to compare it with"
            else:
                what += ": as the others say"
        if read.why:
            what += f": {read.why}"
        lines.append((f"reading {read.n}", what))
    lines.extend(("dimmer", text) for text in made.dimmers)
    return lines


def _the(place: str) -> str:
    return "the face" if place == "face" else f"the middle of {place}"


def lux(value: float, stops: float | None) -> str:
    """`420 lx ± 0.3 stop`: no digit that nobody knows."""
    if stops is None:
        return f"{value:.0f} lx"
    known = rounded(value, within(stops, value))
    return f"{known:.{_places(value, stops)}f} lx{give_or_take(stops)}"


def _places(value: float, stops: float) -> int:
    """Digits after the point: none, but for light of a few lux."""
    return min(1, max(0, digits(within(stops, value)))) if value < 10.0 else 0


def ratio(value: float, stops: float | None) -> str:
    """`2.0:1 ± 0.4 stop`."""
    if stops is not None:
        least = min(value, 1.0 / value)
        coarse = digits(within(stops, 1.0 / least)) < 1
        if coarse:
            text = f"{value:.0f}:1" if value >= 0.95 else f"1:{1.0 / value:.0f}"
            return text + give_or_take(stops)
    return words.ratio(value) + give_or_take(stops)


def give_or_take(stops: float | None) -> str:
    if stops is None:
        return ""
    return f" ± {_tenth(stops):.1f}{_or_more(stops)} stop{'s' if stops >= 1.05 else ''}"


def _or_more(stops: float) -> str:
    return " or more" if stops >= WIDEST else ""


def _tenth(stops: float) -> float:
    """Up to the next tenth, for a band is not to be narrower than it is; never none."""
    return max(0.1, math.ceil(stops * 10.0 - 0.2) / 10.0)
