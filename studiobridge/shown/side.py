"""The room from the side as SVG, to scale with the room from above: back wall on the left.

Looked at from the wall on the left as the camera sees it. Heights and tilts are read here: every
lamp as it is tilted, with the line down to the floor that its height is measured along and its
beam's middle dashed; the face and its height; what the picture shows between top and bottom.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace
from xml.sax.saxutils import quoteattr

from studiobridge.figures.framing import view_of
from studiobridge.figures.rays import Point3, aim_point, at
from studiobridge.figures.setup import aim_of
from studiobridge.profile.model import Device, Place, Preset, SetProfile
from studiobridge.shown import glyphs
from studiobridge.shown.floor import MARK_LABEL, lit_face
from studiobridge.shown.lengths import Lengths
from studiobridge.shown.paper import (
    LEFT,
    TOP,
    Label,
    Paper,
    fill_of,
    scale_of,
    size,
    svg,
    text_at,
)
from studiobridge.shown.setup import tilt

RIGHT, BELOW = 24.0, 46.0
# m above the highest thing where no ceiling is given, and a room that is at least so high
ABOVE, LEAST = 0.3, 2.2
# half the height of a head (m): a grown one is about 23 cm from chin to crown (common practice)
HEAD = 0.12


@dataclass(slots=True)
class _Side(Paper):
    """Out from the back wall, and up."""

    def x(self, from_back: float) -> float:
        return LEFT + from_back * self.scale

    def y(self, height: float) -> float:
        return TOP + (self.high - height) * self.scale


def side(
    profile: SetProfile,
    presets: Mapping[str, Preset],
    standalone: bool = False,
    title: str = "",
) -> str:
    """The room from the side as one SVG element; `standalone`: a file of its own."""
    _, deep = size(profile)
    paper = _Side(deep, _height(profile), scale_of(profile), Lengths(profile.feet))
    paper.out.append(f'<rect class="ground" {paper.room()}/>')
    paper.out.append('<g clip-path="url(#side-room)">')
    _view(paper, profile)
    placed = [d for d in profile.devices.values() if d.place is not None]
    # what is farther, on the right, first: what is nearer is drawn over it
    placed.sort(key=lambda d: (d.kind != "backdrop", -d.place.across if d.place else 0.0))
    for device in placed:
        _plumb(paper, profile, device, presets.get(device.name))
    paper.out.append("</g>")
    _walls(paper, profile)
    labels: list[Label] = []
    if profile.room.mark is not None:
        labels.append(_mark(paper, profile.room.mark))
    things = [_device(paper, profile, d, presets.get(d.name)) for d in placed]
    paper.put([*labels, *_together(things)])
    _, _, x1, y1 = paper.inside
    more = paper.write_rows(LEFT, y1 + BELOW - 6)
    described = title or f"{profile.title or profile.name}, the room from the side"
    said = "From the side: " + ", ".join(d.name for d in placed)
    return svg("side", paper, (x1 + RIGHT, y1 + BELOW + more), described, said, standalone)


def _height(profile: SetProfile) -> float:
    """How high a room to draw (m): its own height, or what stands in it."""
    tops = [d.place.height + _half(d) for d in profile.devices.values() if d.place is not None]
    if profile.room.mark is not None:
        tops.append(profile.room.mark.height + HEAD)
    return profile.room.height or max(LEAST, *(top + ABOVE for top in tops or [0.0]))


def _half(device: Device) -> float:
    return device.size[1] / 2 if device.size is not None else 0.0


# ---- parts --------------------------------------------------------------------------------------


def _walls(paper: _Side, profile: SetProfile) -> None:
    """Floor and back wall; ceiling and front wall thick where the profile gives them."""
    x0, y0, x1, y1 = paper.inside
    paper.out.append(f'<path class="wall" d="M{x0:.1f} {y0:.1f}V{y1:.1f}H{x1:.1f}"/>')
    ceiling = "wall" if profile.room.height is not None else "edge"
    front = "wall" if profile.room.depth is not None else "edge"
    paper.out.append(f'<path class="{ceiling}" d="M{x0:.1f} {y0:.1f}H{x1:.1f}"/>')
    paper.out.append(f'<path class="{front}" d="M{x1:.1f} {y0:.1f}V{y1:.1f}"/>')
    tick = paper.lengths.tick
    for i in range(int(paper.wide / tick) + 1):
        x = paper.x(i * tick)
        paper.out.append(f'<path class="tick" d="M{x:.1f} {y1 + 2:.1f}v6"/>')
        if i % 2 == 0:
            paper.out.append(text_at(x, y1 + 20, paper.lengths.scale(i), "soft", "middle"))
    for i in range(int(paper.high / tick) + 1):
        y = paper.y(i * tick)
        paper.out.append(f'<path class="tick" d="M{x0 - 8:.1f} {y:.1f}h6"/>')
        if i % 2 == 0 and i:
            paper.out.append(text_at(x0 - 12, y + 4, paper.lengths.scale(i), "soft", "end"))
    above = "back wall"
    if profile.room.height is not None:
        above += f"; ceiling {paper.lengths.one(profile.room.height)} up"
    paper.out.append(text_at(x0, y0 - 10, above, "soft"))
    foot = "from the left wall, as the camera sees it"
    paper.out.append(text_at((x0 + x1) / 2, y1 + 38, foot, "soft", "middle"))


def _view(paper: _Side, profile: SetProfile) -> None:
    """Top and bottom of the picture, from the lens to the first cloth, or to the back wall."""
    view, mark = view_of(profile), profile.room.mark
    if view is None:
        return
    behind = mark.from_back if mark is not None else view.stands[1]
    ends = [
        d.place.from_back
        for d in profile.devices.values()
        if d.kind == "backdrop" and d.place is not None and d.place.from_back < behind
    ]
    end = max(ends, default=0.0)
    _, y, z = view.stands
    for edge in (-1.0, 1.0):
        _, out, up = view.ray(0.0, edge)
        if out >= -1e-6:
            continue
        reach = (end - y) / out
        paper.line(paper.x(y), paper.y(z), paper.x(end), paper.y(z + reach * up))
        paper.out.append(
            f'<path class="view" d="M{paper.x(y):.1f} {paper.y(z):.1f}'
            f'L{paper.x(end):.1f} {paper.y(z + reach * up):.1f}"/>'
        )


def _plumb(paper: _Side, profile: SetProfile, device: Device, preset: Preset | None) -> None:
    """Down to the floor, and along the middle of its beam."""
    place = device.place
    assert place is not None
    if device.kind == "backdrop":
        return
    x, y = paper.x(place.from_back), paper.y(place.height)
    if place.height > 0:
        paper.out.append(f'<path class="lead" d="M{x:.1f} {y:.1f}V{paper.y(0):.1f}"/>')
    target = aim_point(profile, device)
    lit = preset is not None and bool(preset.level)
    if target is not None and device.kind == "light" and lit:
        paper.line(x, y, paper.x(target[1]), paper.y(target[2]))
        paper.out.append(
            f'<path data-beam={quoteattr(device.name)} class="middle" d="M{x:.1f} {y:.1f}'
            f'L{paper.x(target[1]):.1f} {paper.y(target[2]):.1f}"/>'
        )


def _mark(paper: _Side, mark: Place) -> Label:
    """The face that everything is about, and how high it is."""
    x, y = paper.x(mark.from_back), paper.y(mark.height)
    high = HEAD * paper.scale
    paper.out.append(
        f'<path class="tick" d="M{x:.1f} {y + high:.1f}V{paper.y(0):.1f}" stroke-dasharray="2 3"/>'
        f'<ellipse class="mark" cx="{x:.1f}" cy="{y:.1f}" rx="{0.8 * high:.1f}" ry="{high:.1f}"/>'
        f'<path class="mark" d="M{x - 6:.1f} {y:.1f}h12M{x:.1f} {y - 6:.1f}v12"/>'
    )
    paper.taken.append((x - high, y - high, x + high, y + high))
    lines = ("the mark", f"{paper.lengths.one(mark.height)} up")
    return Label((x, y), lines, MARK_LABEL, reach=high)


def _device(
    paper: _Side, profile: SetProfile, device: Device, preset: Preset | None
) -> tuple[float, float, Label]:
    """Draw one device as it is tilted; its label is put down when everything is drawn."""
    place = device.place
    assert place is not None
    x, y = paper.x(place.from_back), paper.y(place.height)
    target = aim_point(profile, device)
    lines = [device.name, f"{paper.lengths.one(place.height)} up"]
    aim = aim_of(at(place), target, place.aim or "") if target is not None else None
    if aim is not None:
        lines[1] += f", {tilt(aim.tilt)}"
    turn = _turned(at(place), target) if target is not None else 180.0
    name = quoteattr(device.name)
    if device.kind == "backdrop":
        high = (device.size[1] if device.size is not None else 1.5) * paper.scale
        box = f'x="{x - 4:.1f}" y="{y - high / 2:.1f}" width="8" height="{high:.1f}" rx="2"'
        paper.out.append(
            f'<rect data-device={name} class="cloth" {box} fill="{fill_of(preset)}"/>'
            f'<rect {box} fill="url(#side-weave)" pointer-events="none"/>'
        )
        paper.taken.append((x - 4, y - high / 2, x + 4, y + high / 2))
        if device.size is not None:
            top, foot = place.height + _half(device), place.height - _half(device)
            one = paper.lengths.one
            lines[1] = f"from {one(max(0.0, foot))} to {one(top)} up"
        around = (x - 4, y - high / 2, x + 4, y + high / 2)
        return x, y, Label((x, y), tuple(lines), device.name, around=around, towards=(1.0, 0.0))
    shape, reach = _shape(paper, device, preset)
    paper.out.append(
        f'<g data-device={name} transform="translate({x:.1f} {y:.1f}) rotate({turn:.1f})">'
        f"{shape}</g>"
    )
    paper.taken.append((x - reach, y - reach, x + reach, y + reach))
    return x, y, Label((x, y), tuple(lines), device.name, device.hand_set, reach)


def _turned(source: Point3, target: Point3) -> float:
    """How far a glyph that looks to the right is turned on the paper (degrees, clockwise)."""
    out, up = target[1] - source[1], target[2] - source[2]
    return math.degrees(math.atan2(-up, out))


def _shape(paper: _Side, device: Device, preset: Preset | None) -> tuple[str, float]:
    """A thing that looks to the right, and how far it reaches (px)."""
    if device.kind == "light":
        half = min(max(8.0, _half(device) * paper.scale), 40.0)
        lit = lit_face(device, preset)
        lamp = f'<path class="lamp" d="{glyphs.HOOD}"/>{lit}'
        return (
            f'<g transform="scale({min(1.0, half / 11):.2f} {half / 11:.2f})">{lamp}</g>',
            half + 4,
        )
    if device.kind == "camera":
        return f'<path class="lamp solid" d="{glyphs.CAMERA}"/>', 20.0
    return '<path class="lamp solid" d="M-7 -7h14v14h-14z"/>', 9.0


def _together(things: list[tuple[float, float, Label]]) -> list[Label]:
    """Things that stand one behind the other from here, and the same way, share a label."""
    found: list[tuple[float, float, Label]] = []
    for x, y, label in things:
        for i, (ox, oy, other) in enumerate(found):
            if math.hypot(x - ox, y - oy) < 6 and other.lines[1:] == label.lines[1:]:
                names = f"{label.lines[0]}, {other.lines[0]}"
                both = replace(
                    other, lines=(names, *other.lines[1:]), hand=other.hand and label.hand
                )
                found[i] = (ox, oy, both)
                break
        else:
            found.append((x, y, label))
    return [label for _, _, label in found]
