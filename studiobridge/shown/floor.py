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

# how far (m) a beam is drawn beyond what it is aimed at
BEYOND = 0.15


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
    for device in profile.devices.values():
        if device.kind == "light":
            _beam(paper, profile, device, presets.get(device.name))
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
    names = ", ".join(d.name for d in profile.devices.values() if d.place is not None)
    described = title or f"{profile.title or profile.name}, the room from above"
    return svg(
        "floor", paper, (x1 + right, y1 + BOTTOM), described, "From above: " + names, standalone
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


def _beam(paper: _Floor, profile: SetProfile, device: Device, preset: Preset | None) -> None:
    target = aim_point(profile, device)
    if device.place is None or target is None:
        return
    source = at(device.place)
    dx, dy = target[0] - source[0], target[1] - source[1]
    reach = math.hypot(dx, dy)
    if reach < 0.01:
        return
    share = 0.0
    if preset is not None and preset.level is not None:
        share = device.dimmer.output(preset.level)
    half = math.radians(min(device.beam or 40.0, 140.0) / 2)
    towards = math.atan2(dy, dx)
    far = reach + BEYOND
    x0, y0 = paper.x(source[0]), paper.y(source[1])
    ends = []
    for turn in (-half, half):
        ends.append(
            (
                paper.x(source[0] + far * math.cos(towards + turn)),
                paper.y(source[1] + far * math.sin(towards + turn)),
            )
        )
    (x1, y1), (x2, y2) = ends
    radius = far * paper.scale
    fill = fill_of(preset)
    # light to the eye, not to a meter: half the light still looks bright
    strength = 0.85 * math.sqrt(share)
    name = quoteattr(device.name)
    path = (
        f"M{x0:.1f} {y0:.1f}L{x1:.1f} {y1:.1f}A{radius:.1f} {radius:.1f} 0 0 1 {x2:.1f} {y2:.1f}Z"
    )
    if share <= 0:
        return
    paper.line(x0, y0, paper.x(target[0]), paper.y(target[1]))
    fades = f"floor-beam-{device.name}"
    paper.out.append(
        f'<radialGradient id="{fades}" gradientUnits="userSpaceOnUse" cx="{x0:.1f}" cy="{y0:.1f}"'
        f' r="{radius:.1f}"><stop offset="0" stop-color="{fill}"/><stop offset="1"'
        f' stop-color="{fill}" stop-opacity=".12"/></radialGradient>'
        f'<path data-beam={name} class="beam" d="{path}" fill="url(#{fades})"'
        f' fill-opacity="{strength:.2f}"/>'
        f'<path class="edge" d="M{x1:.1f} {y1:.1f}L{x0:.1f} {y0:.1f}L{x2:.1f} {y2:.1f}"/>'
        f'<path class="aim" d="M{x0:.1f} {y0:.1f}L{paper.x(target[0]):.1f}'
        f' {paper.y(target[1]):.1f}"/>'
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
    return Label(x + 24, y - 6, (x, y), ("the mark",), "mark", reach=21.0)


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
    reach = 14.0
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
        paper.taken.append((x - wide / 2, y - 7, x + wide / 2, y + 7))
        label_at = (x - 60, y + 24)
    elif device.kind == "light":
        paper.out.append(
            f'<g data-device={name} transform="translate({x:.1f} {y:.1f}) rotate({turn:.1f})">'
            '<path class="lamp" d="M-7 -13h9v26h-9a6 13 0 0 1 0 -26z"/></g>'
        )
        label_at = (x + 18, y - 8)
    elif device.kind == "camera":
        paper.out.append(
            f'<g data-device={name} transform="translate({x:.1f} {y:.1f}) rotate({turn:.1f})">'
            '<path class="lamp" d="M-22 -11h22v5l9 -4v20l-9 -4v5h-22z"/></g>'
        )
        reach = 22.0
        label_at = (x + 24, y + 10)
    else:
        paper.out.append(
            f'<rect data-device={name} class="lamp" x="{x - 7:.1f}" y="{y - 7:.1f}"'
            ' width="14" height="14" rx="3"/>'
        )
        label_at = (x + 18, y - 4)
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
    if place.across > 0.3 and device.kind != "backdrop":
        width = max(len(line) for line in lines) * LETTER + 6
        room_right = paper.x(paper.wide / 2) - x
        if room_right < width + 20:
            label_at = (x - 18 - width, label_at[1])
    return Label(
        label_at[0],
        label_at[1],
        (x, y),
        tuple(line for line in lines if line),
        device.name,
        device.hand_set,
        bool(notes.get(device.name)),
        reach,
    )
