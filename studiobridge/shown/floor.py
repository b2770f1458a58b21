"""The room from above as SVG, to scale: back wall on top, the camera below looking up at it.

Every device stands where its place says, with its name and its distance beside it; heights are in
the room from the side (`side.py`). A beam is drawn as wide as it is given, as strong as its level
and as warm as its CCT; its outline is dashed, so that it is there in black and white too.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from xml.sax.saxutils import quoteattr

from studiobridge.craft.chroma import name_of
from studiobridge.figures.framing import edges_of_view
from studiobridge.figures.rays import aim_point, at
from studiobridge.profile.model import Device, Place, Preset, SetProfile
from studiobridge.shown import glyphs
from studiobridge.shown.ground import reaching
from studiobridge.shown.lengths import Lengths
from studiobridge.shown.paper import (
    BOTTOM,
    LEFT,
    LETTER,
    TOP,
    Label,
    Paper,
    fill_of,
    scale_of,
    size,
    svg,
    text_at,
)

# what no device can be called: it stands beside them
MARK_LABEL = "the mark"


@dataclass(slots=True)
class _Floor(Paper):
    """Across and out from the back wall."""

    def x(self, across: float) -> float:
        return LEFT + (across + self.wide / 2) * self.scale

    def y(self, from_back: float) -> float:
        return TOP + from_back * self.scale


def floor(
    profile: SetProfile,
    presets: Mapping[str, Preset],
    notes: Mapping[str, str] | None = None,
    standalone: bool = False,
    title: str = "",
) -> str:
    """The room from above as one SVG element. `presets` is what each fixture is set to.

    `notes` adds a line of words to a device's label. `standalone` makes it a file of its own.
    """
    notes = notes or {}
    wide, deep = size(profile)
    paper = _Floor(wide, deep, scale_of(profile), Lengths(profile.feet))
    paper.out.append(f'<rect class="ground" {paper.room()}/>')
    paper.out.append('<g clip-path="url(#floor-room)">')
    reaches = reaching(profile)
    for device in profile.devices.values():
        if device.kind == "light":
            preset = presets.get(device.name)
            _beam(paper, profile, device, preset, reaches.get(device.name, 1.0))
    _view(paper, profile)
    paper.out.append("</g>")
    _walls(paper)
    _chain(paper, profile)
    labels: list[Label] = []
    if profile.room.mark is not None:
        labels.append(_mark(paper, profile.room.mark))
    for device in profile.devices.values():
        if device.place is not None:
            labels.append(_device(paper, profile, device, presets.get(device.name), notes))
    paper.put(labels)
    right = 24.0
    if profile.room.chain:
        right = 34.0 + max(22, *(len(name) for name in profile.room.chain)) * LETTER
    _, _, x1, y1 = paper.inside
    more = paper.write_rows(LEFT, y1 + BOTTOM - 8)
    names = ", ".join(d.name for d in profile.devices.values() if d.place is not None)
    described = title or f"{profile.title or profile.name}, the room from above"
    return svg(
        "floor",
        paper,
        (x1 + right, y1 + BOTTOM + more),
        described,
        "From above: " + names,
        standalone,
    )


# ---- parts -------------------------------------------------------------------------------


def _walls(paper: _Floor) -> None:
    x0, x1 = paper.x(-paper.wide / 2), paper.x(paper.wide / 2)
    y0, y1 = paper.y(0), paper.y(paper.high)
    paper.out.append(
        f'<rect class="wall" x="{x0:.1f}" y="{y0:.1f}" width="{x1 - x0:.1f}"'
        f' height="{y1 - y0:.1f}"/>'
    )
    paper.out.append(text_at((x0 + x1) / 2, y0 - 24, "back wall", "soft", "middle"))
    tick = paper.lengths.tick
    for i in range(int(paper.high / tick) + 1):
        y = paper.y(i * tick)
        paper.out.append(f'<path class="tick" d="M{x0 - 8:.1f} {y:.1f}h6"/>')
        if i % 2 == 0:
            paper.out.append(text_at(x0 - 12, y + 4, paper.lengths.scale(i), "soft", "end"))
    most = int(paper.wide / 2 / tick)
    for i in range(-most, most + 1):
        if abs(i * tick) <= paper.wide / 2:
            x = paper.x(i * tick)
            paper.out.append(f'<path class="tick" d="M{x:.1f} {y0 - 8:.1f}v6"/>')
            if i % 2 == 0:
                paper.out.append(
                    text_at(x, y0 - 11, paper.lengths.scale(abs(i)).split(" ")[0], "soft", "middle")
                )
    paper.out.append(
        text_at((x0 + x1) / 2, y1 + 32, "left and right as the camera sees them", "soft", "middle")
    )


def _chain(paper: _Floor, profile: SetProfile) -> None:
    """The depth budget along the right wall, each link between its ends."""
    x = paper.x(paper.wide / 2) + 16
    total = 0.0
    for name, depth in profile.room.chain.items():
        first, total = total, total + float(depth)
        y0, y1 = paper.y(first), paper.y(total)
        paper.out.append(
            f'<path class="dim" d="M{x - 5:.1f} {y0:.1f}h10M{x:.1f} {y0:.1f}V{y1:.1f}'
            f'M{x - 5:.1f} {y1:.1f}h10"/>'
        )
        middle = (y0 + y1) / 2
        paper.out.append(text_at(x + 10, middle + (1 if y1 - y0 < 30 else -3), name, "ink"))
        if y1 - y0 >= 30:
            text = paper.lengths.short(depth)
            paper.out.append(text_at(x + 10, middle + 12, text, "soft"))


def _beam(
    paper: _Floor, profile: SetProfile, device: Device, preset: Preset | None, reaches: float
) -> None:
    target = aim_point(profile, device)
    if device.place is None or target is None:
        return
    source = at(device.place)
    dx, dy = target[0] - source[0], target[1] - source[1]
    reach = math.hypot(dx, dy)
    share = 0.0
    if preset is not None and preset.level is not None:
        share = device.dimmer.output(preset.level)
    if reach < 0.01 or share <= 0:
        return
    x0, y0 = paper.x(source[0]), paper.y(source[1])
    x1, y1 = paper.x(target[0]), paper.y(target[1])
    paper.line(x0, y0, x1, y1)
    radius, half = reach * glyphs.BEYOND * paper.scale, glyphs.half_angle(device.beam)
    name = f"floor-beam-{device.name}"
    at_aim = glyphs.reaching(share * reaches, 1.0)
    side_x, side_y = radius * math.cos(half), radius * math.sin(half)
    paper.out.append(
        f'<g data-beam={quoteattr(device.name)} transform="translate({x0:.1f} {y0:.1f})'
        f' rotate({math.degrees(math.atan2(dy, dx)):.1f})">'
        f'<radialGradient id="{name}" gradientUnits="userSpaceOnUse" cx="0" cy="0"'
        f' r="{radius:.1f}">{glyphs.stops(fill_of(preset), at_aim)}</radialGradient>'
        f"{glyphs.wedges(name, radius, half)}"
        # on paper without colour the light is told by its edges
        f'<path class="edge" d="M{side_x:.1f} {-side_y:.1f}L0 0L{side_x:.1f} {side_y:.1f}"/></g>'
        f'<path class="aim" d="M{x0:.1f} {y0:.1f}L{x1:.1f} {y1:.1f}"/>'
    )


def _view(paper: _Floor, profile: SetProfile) -> None:
    """What the lens sees, out to the back wall."""
    far = 2 * (paper.high + paper.wide)
    for (x, y), (to_x, to_y) in edges_of_view(profile, far):
        paper.line(paper.x(x), paper.y(y), paper.x(to_x), paper.y(to_y))
        paper.out.append(
            f'<path class="view" d="M{paper.x(x):.1f} {paper.y(y):.1f}'
            f'L{paper.x(to_x):.1f} {paper.y(to_y):.1f}"/>'
        )


def _mark(paper: _Floor, mark: Place) -> Label:
    x, y = paper.x(mark.across), paper.y(mark.from_back)
    paper.out.append(
        f'<circle class="mark" cx="{x:.1f}" cy="{y:.1f}" r="15"/>'
        f'<path class="mark" d="M{x - 21:.1f} {y:.1f}h42M{x:.1f} {y - 21:.1f}v42"/>'
    )
    paper.taken.append((x - 21, y - 21, x + 21, y + 21))
    return Label((x, y), ("the mark",), MARK_LABEL, reach=21.0)


def _device(
    paper: _Floor,
    profile: SetProfile,
    device: Device,
    preset: Preset | None,
    notes: Mapping[str, str],
) -> Label:
    """Draw one device; its label is put down later, when everything that stands is known."""
    place = device.place
    assert place is not None
    x, y = paper.x(place.across), paper.y(place.from_back)
    turn = 0.0
    target = aim_point(profile, device)
    if target is not None:
        turn = math.degrees(math.atan2(target[1] - place.from_back, target[0] - place.across))
    name = quoteattr(device.name)
    reach, around = 14.0, None
    if device.kind == "backdrop":
        wide = (device.size[0] if device.size is not None else 1.5) * paper.scale
        fill = fill_of(preset)
        share = device.dimmer.output(preset.level) if preset and preset.level else 0.0
        box = f'x="{x - wide / 2:.1f}" y="{y - 7:.1f}" width="{wide:.1f}" height="14" rx="2"'
        paper.out.append(
            f'<rect data-device={name} class="cloth" {box} fill="{fill}"'
            f' fill-opacity="{0.25 + 0.75 * math.sqrt(share):.2f}"/>'
            f'<rect {box} fill="url(#floor-weave)" pointer-events="none"/>'
        )
        around = (x - wide / 2, y - 7, x + wide / 2, y + 7)
        paper.taken.append(around)
    elif device.kind == "light":
        paper.out.append(
            f'<g data-device={name} transform="translate({x:.1f} {y:.1f}) rotate({turn:.1f})">'
            f'<path class="lamp" d="{glyphs.HOOD}"/>{lit_face(device, preset)}</g>'
        )
    elif device.kind == "camera":
        paper.out.append(
            f'<g data-device={name} transform="translate({x:.1f} {y:.1f}) rotate({turn:.1f})">'
            f'<path class="lamp solid" d="{glyphs.CAMERA}"/></g>'
        )
        reach = 20.0
    else:
        paper.out.append(
            f'<rect data-device={name} class="lamp solid" x="{x - 7:.1f}" y="{y - 7:.1f}"'
            ' width="14" height="14" rx="3"/>'
        )
    if device.kind != "backdrop":
        paper.taken.append((x - reach, y - reach, x + reach, y + reach))
    lines = [device.name]
    if preset is not None and device.fixture:
        level = f"{preset.level:g} %" if preset.level is not None else ""
        cct = f"{preset.cct:.0f} K" if preset.cct is not None else ""
        colour = name_of(preset.colour) if preset.colour is not None else ""
        lines.append(
            ", ".join(filter(None, (level, cct, colour))) + (", by hand" if device.hand_set else "")
        )
    if target is not None:
        lines.append(f"{paper.lengths.one(math.dist(at(place), target))} away")
    if notes.get(device.name):
        lines.append(notes[device.name])
    # towards the nearer wall, where the beams are not
    aside = 0.0 if device.kind == "backdrop" else max(-1.0, min(1.0, 3 * place.across / paper.wide))
    return Label(
        (x, y),
        tuple(line for line in lines if line),
        device.name,
        device.hand_set,
        reach,
        around,
        (aside, 0.0),
    )


def lit_face(device: Device, preset: Preset | None) -> str:
    """How much light comes out of a lamp, and in which white; and that it is on a dial."""
    out = f'<path class="knob" d="{glyphs.KNOB}"/>' if device.hand_set else ""
    if preset is None or not preset.level:
        return out
    share = device.dimmer.output(preset.level)
    return glyphs.face(share, f'class="face" fill="{fill_of(preset)}"') + out
