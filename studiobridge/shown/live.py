"""The room from above, alive: a still drawing, and small parts that change in it.

`skeleton` is drawn once; `part_of` is what stands inside the two groups of a device (`beam-key`
below everything, `lamp-key` above) as it reports itself now. A device is drawn where it stands;
its beam is as wide as it is given, and as bright and as warm as it is *reported*; what is not
confirmed is dashed, and every condition has a word.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any
from xml.sax.saxutils import escape, quoteattr

from studiobridge.craft.chroma import on_screen
from studiobridge.figures.framing import edges_of_view
from studiobridge.figures.rays import aim_point
from studiobridge.profile.model import Device, SetProfile
from studiobridge.shown import words
from studiobridge.shown.paper import shade, size

# Drawn for a phone in the hand: big letters, few of them. px a metre of a drawing 600 wide.
SCALE = 200.0
EDGE = 14.0
View = Mapping[str, Any]


@dataclass(frozen=True, slots=True)
class Ground:
    """From metres in the room to the drawing."""

    wide: float
    deep: float

    def x(self, across: float) -> float:
        return EDGE + (across + self.wide / 2) * SCALE

    def y(self, from_back: float) -> float:
        return EDGE + from_back * SCALE

    @property
    def width(self) -> float:
        return self.wide * SCALE + 2 * EDGE

    @property
    def height(self) -> float:
        return self.deep * SCALE + 2 * EDGE


def ground(profile: SetProfile) -> Ground:
    return Ground(*size(profile))


def placed(profile: SetProfile) -> list[Device]:
    """What has a place to be drawn at, backdrops first so that nothing hides behind them."""
    found = [d for d in profile.devices.values() if d.place is not None]
    return sorted(found, key=lambda d: d.kind != "backdrop")


def skeleton(profile: SetProfile) -> str:
    """The still part: walls, mark, what the lens sees, and an empty group for every device."""
    paper = ground(profile)
    x0, y0 = paper.x(-paper.wide / 2), paper.y(0)
    wide, deep = paper.wide * SCALE, paper.deep * SCALE
    out = [
        f'<svg class="room" viewBox="0 0 {paper.width:.0f} {paper.height:.0f}" role="group"'
        ' aria-label="The room from above" xmlns="http://www.w3.org/2000/svg">',
        f'<clipPath id="within"><rect x="{x0:.0f}" y="{y0:.0f}" width="{wide:.0f}"'
        f' height="{deep:.0f}"/></clipPath>',
        f'<rect class="ground" x="{x0:.0f}" y="{y0:.0f}" width="{wide:.0f}" height="{deep:.0f}"/>',
        '<g clip-path="url(#within)">',
    ]
    out.extend(f'<g id="beam-{d.name}"></g>' for d in placed(profile))
    out.append(_lens(profile, paper))
    out.append("</g>")
    mark = profile.room.mark
    if mark is not None:
        x, y = paper.x(mark.across), paper.y(mark.from_back)
        out.append(f'<path class="mark" d="M{x - 16:.0f} {y:.0f}h32M{x:.0f} {y - 16:.0f}v32"/>')
    out.append(
        f'<rect class="wall" x="{x0:.0f}" y="{y0:.0f}" width="{wide:.0f}" height="{deep:.0f}"/>'
    )
    for device in placed(profile):
        name = quoteattr(device.name)
        out.append(f'<a class="thing" href="#d" data-device={name} id="lamp-{device.name}"></a>')
    out.append("</svg>")
    return "".join(out)


def _lens(profile: SetProfile, paper: Ground) -> str:
    edges = edges_of_view(profile, 2 * (paper.deep + paper.wide))
    if not edges:
        return ""
    lines = [
        f"M{paper.x(x):.0f} {paper.y(y):.0f}L{paper.x(to_x):.0f} {paper.y(to_y):.0f}"
        for (x, y), (to_x, to_y) in edges
    ]
    return f'<path class="lens" d="{"".join(lines)}"/>'


# ---- what changes ------------------------------------------------------------------------


def level_of(device: Device, view: View) -> float | None:
    """The level (%) a fixture shows: as reported, by hand as its preset, 0 where it is off."""
    if view.get("switch") is False or view.get("online") is False:
        return 0.0
    if device.hand_set:
        preset = view.get("preset")
        return words.number(preset.get("level")) if isinstance(preset, Mapping) else None
    if not device.speaks:
        return None
    return words.number(view.get("level"))


def cct_of(device: Device, view: View) -> float | None:
    preset = view.get("preset")
    if device.hand_set and isinstance(preset, Mapping):
        return words.number(preset.get("cct"))
    return words.number(view.get("cct"))


def fill_of(device: Device, view: View) -> str:
    """What a light or a cloth is drawn in: about its colour, else its white."""
    found = view.get("preset") if device.hand_set else view
    colour = words.chroma(found.get("colour")) if isinstance(found, Mapping) else None
    return shade(cct_of(device, view)) if colour is None else on_screen(colour)


@dataclass(frozen=True, slots=True)
class Condition:
    """How a device stands: a short code for drawing, and its words for a person."""

    code: str
    words: str


def condition(device: Device, view: View, sure: bool, up: bool) -> Condition:
    """What there is to say of one device. `sure`: bridge and broker are there to say it."""
    if not sure:
        return Condition("unsure", "not confirmed now")
    lockout = words.lockout(view.get("lockout"))
    if lockout:
        return Condition("locked", lockout)
    moved = words.drifted(view.get("drift"))
    if moved:
        return Condition("moved", moved)
    if view.get("step"):
        return Condition("busy", words.doing(str(view["step"])))
    evidence = words.evidence(view)
    gauged = words.gauged(view)
    if device.hand_set:
        text = "on its dial, set by hand" if evidence == "hand" else "on its dial"
        if up and evidence in ("watts", "picture"):
            # the band names what it is known by: not said twice
            text = "on its dial, as it should be"
            return Condition("hand", f"{text}, {gauged or words.EVIDENCE[evidence][1]}")
        return Condition("hand", f"{text} ({gauged})" if gauged else text)
    if view.get("switch") is False:
        return Condition("off", "off")
    if up and evidence == "told" and not words.can_speak(view):
        asked = words.preset(view.get("preset"))
        told = f"only told {asked}: nothing confirms it" if asked else words.ONLY_TOLD
        return Condition("told", f"{told} ({gauged})" if gauged else told)
    proven = "as it should be"
    if evidence in words.EVIDENCE and evidence != "report":
        proven += f", {words.EVIDENCE[evidence][1]}"
    if not device.hears:
        if up and evidence:
            return Condition("set", proven)
        return Condition("plain", gauged if up and gauged else "says nothing itself")
    heard = words.hearing(view)
    if view.get("online") is False:
        return Condition("off", "off" if not up else heard)
    if heard in ("silent", "never heard"):
        return Condition("unsure", heard)
    if view.get("online") is None:
        return Condition("unsure", "never heard")
    if up and evidence in ("", "told"):
        return Condition("unsure", "not confirmed yet")
    return Condition("set", proven if up else "on")


def beam_part(profile: SetProfile, device: Device, view: View, sure: bool) -> str:
    """What lies inside `beam-NAME`."""
    paper = ground(profile)
    target = aim_point(profile, device)
    level = level_of(device, view)
    if device.kind != "light" or device.place is None or target is None or not level:
        return ""
    x, y = device.place.across, device.place.from_back
    reach = math.dist((x, y), (target[0], target[1])) + 0.15
    towards = math.atan2(target[1] - y, target[0] - x)
    half = math.radians(min(device.beam or 40.0, 140.0) / 2)
    ends = [
        (paper.x(x + reach * math.cos(towards + t)), paper.y(y + reach * math.sin(towards + t)))
        for t in (-half, half)
    ]
    (x1, y1), (x2, y2) = ends
    radius = reach * SCALE
    share = device.dimmer.output(min(100.0, max(0.0, level)))
    dashed = "" if sure and not device.hand_set else " loose"
    colour = fill_of(device, view)
    edge = f"M{x1:.0f} {y1:.0f}L{paper.x(x):.0f} {paper.y(y):.0f}L{x2:.0f} {y2:.0f}"
    return (
        f'<radialGradient id="glow-{device.name}" gradientUnits="userSpaceOnUse"'
        f' cx="{paper.x(x):.0f}" cy="{paper.y(y):.0f}" r="{radius:.0f}">'
        f'<stop offset="0" stop-color="{colour}"/>'
        f'<stop offset="1" stop-color="{colour}" stop-opacity=".1"/></radialGradient>'
        f'<path class="beam" fill="url(#glow-{device.name})"'
        f' fill-opacity="{0.9 * math.sqrt(share):.2f}"'
        f' d="M{paper.x(x):.0f} {paper.y(y):.0f}L{x1:.0f} {y1:.0f}'
        f'A{radius:.0f} {radius:.0f} 0 0 1 {x2:.0f} {y2:.0f}Z"/>'
        f'<path class="edge{dashed}" d="{edge}"/>'
    )


def lamp_part(profile: SetProfile, device: Device, view: View, sure: bool, up: bool) -> str:
    """What lies inside `lamp-NAME`: its shape, its name, and its condition in a word or two."""
    place = device.place
    assert place is not None
    paper = ground(profile)
    x, y = paper.x(place.across), paper.y(place.from_back)
    how = condition(device, view, sure, up)
    level = level_of(device, view)
    lit = level is not None and level > 0
    target = aim_point(profile, device)
    turn = 0.0
    if target is not None:
        turn = math.degrees(math.atan2(target[1] - place.from_back, target[0] - place.across))
    out = [f"<title>{escape(f'{device.name}: {how.words}')}</title>"]
    if device.kind == "backdrop":
        wide = (device.size[0] if device.size is not None else 1.5) * SCALE
        share = device.dimmer.output(min(100.0, level)) if level else 0.0
        out.append(
            f'<rect class="cloth" x="{x - wide / 2:.0f}" y="{y - 10:.0f}" width="{wide:.0f}"'
            f' height="20" rx="3" fill="{fill_of(device, view)}"'
            f' fill-opacity="{math.sqrt(share):.2f}"/>'
        )
        middle, below = x, y + 34
        anchor = "middle"
    else:
        shape = "M-9 -17h12v34h-12a8 17 0 0 1 0 -34z"
        if device.kind == "camera":
            shape = "M-26 -14h26v6l12 -5v26l-12 -5v6h-26z"
        elif device.kind != "light":
            shape, turn = "M-10 -10h20v20h-20z", 0.0
        out.append(
            f'<g transform="translate({x:.0f} {y:.0f}) rotate({turn:.0f})">'
            f'<path class="body{" lit" if lit else ""}" d="{shape}"/></g>'
        )
        middle, below = x, y + 54
        anchor = "middle"
        if place.across < -0.2:
            middle, anchor = max(EDGE + 6, x - 30), "start"
        elif place.across > 0.2:
            middle, anchor = min(paper.width - EDGE - 6, x + 30), "end"
    # a touch of 48 px and more around everything
    out.append(f'<rect class="touch" x="{x - 46:.0f}" y="{y - 46:.0f}" width="92" height="92"/>')
    if how.code in ("moved", "locked", "unsure", "told") and device.kind != "backdrop":
        out.append(f'<circle class="ring {how.code}" cx="{x:.0f}" cy="{y:.0f}" r="30"/>')
    if device.kind == "camera" and view.get("rolling"):
        out.append(f'<circle class="ring rolling" cx="{x:.0f}" cy="{y:.0f}" r="34"/>')
    if _crowded(profile, device):
        return "".join(out)
    said = tag(device, view, how)
    if below + 26 > paper.height - EDGE:
        below = y - 62
    out.append(
        f'<text class="name" x="{middle:.0f}" y="{below:.0f}" text-anchor="{anchor}">'
        f"{escape(words.clean(device.name, 24))}</text>"
    )
    if said:
        out.append(
            f'<text class="tag {how.code}" x="{middle:.0f}" y="{below + 23:.0f}"'
            f' text-anchor="{anchor}">{escape(said)}</text>'
        )
    return "".join(out)


def _crowded(profile: SetProfile, device: Device) -> bool:
    """Does a lamp or the camera stand so near that this one's name would lie over its own?"""
    if device.fixture or device.kind == "camera" or device.place is None:
        return False
    x, y = device.place.across, device.place.from_back
    return any(
        other.place is not None
        and other is not device
        and math.dist((x, y), (other.place.across, other.place.from_back)) < 0.4
        for other in profile.devices.values()
    )


def tag(device: Device, view: View, how: Condition) -> str:
    """The short words under a name in the drawing."""
    short = {
        "moved": how.words.split(",")[0],
        "locked": "locked out",
        "busy": how.words,
        "hand": "by hand",
        "unsure": "?",
        "told": "only told",
        "off": "off",
    }
    if how.code == "set" and device.fixture:
        level = words.number(view.get("level"))
        colour = words.colour(view.get("colour"))
        return ", ".join(filter(None, (f"{level:.3g} %" if level is not None else "", colour)))
    if device.kind == "camera" and view.get("rolling"):
        return "rolling"
    return words.clean(short.get(how.code, ""), 26)
