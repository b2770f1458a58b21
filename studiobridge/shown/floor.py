"""The room from above as SVG, to scale: back wall on top, the camera below looking up at it.

Every device stands where its place says, with its name, height and distance beside it. A beam
is drawn as wide as it is given, as strong as its level and as warm as its CCT; its outline is
dashed, so that it is there in black and white too.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from xml.sax.saxutils import escape, quoteattr

from studiobridge.craft.chroma import name_of, on_screen
from studiobridge.craft.colour import planckian_uv, srgb_of
from studiobridge.figures.framing import edges_of_view
from studiobridge.figures.rays import aim_point, at
from studiobridge.profile.model import Device, Place, Preset, SetProfile
from studiobridge.profile.plain import plain
from studiobridge.shown.lengths import Lengths

# px a metre, and the margins around the room for its dimensions
SCALE = 190.0
LEFT, TOP, BOTTOM = 54.0, 40.0, 44.0
LINE = 14.5
LETTER = 7.0
WARMEST, COOLEST = 2000.0, 10000.0
# how far (m) a beam is drawn beyond what it is aimed at
BEYOND = 0.15


@dataclass(slots=True)
class Label:
    """Lines of words beside something, placed where nothing else stands."""

    x: float
    y: float
    lines: tuple[str, ...]
    device: str
    hand: bool = False
    note: bool = False

    @property
    def width(self) -> float:
        return max(len(line) for line in self.lines) * LETTER + 6

    @property
    def height(self) -> float:
        return LINE * len(self.lines) + 4


@dataclass(slots=True)
class _Paper:
    wide: float
    deep: float
    lengths: Lengths
    out: list[str] = field(default_factory=list)
    taken: list[tuple[float, float, float, float]] = field(default_factory=list)

    def x(self, across: float) -> float:
        return LEFT + (across + self.wide / 2) * SCALE

    def y(self, from_back: float) -> float:
        return TOP + from_back * SCALE


STYLE = """
.floor{font:12.5px ui-sans-serif,system-ui,sans-serif}
.floor .wall{fill:none;stroke:var(--ink,#1c1917);stroke-width:4}
.floor .ground{fill:var(--ground,#fff)}
.floor .tick{stroke:var(--soft,#57534e);stroke-width:1}
.floor .soft{fill:var(--soft,#57534e)}.floor .ink{fill:var(--ink,#1c1917)}
.floor .name{font-weight:650}
.floor .hand{font-weight:650;text-decoration:underline}
.floor .lamp{fill:var(--lamp,#1c1917);stroke:var(--ground,#fff);stroke-width:1.5}
.floor .cloth{stroke:var(--ink,#1c1917);stroke-width:1.5}
.floor .edge{fill:none;stroke:var(--soft,#57534e);stroke-width:1;stroke-dasharray:5 4}
.floor .view{fill:none;stroke:var(--soft,#57534e);stroke-width:1.2;stroke-dasharray:1.5 4}
.floor .aim{stroke:var(--ink,#1c1917);stroke-width:.9;stroke-opacity:.55}
.floor .mark{fill:none;stroke:var(--ink,#1c1917);stroke-width:2}
.floor .lead{stroke:var(--soft,#57534e);stroke-width:.8}
.floor .dim{stroke:var(--ink,#1c1917);stroke-width:1}
.floor .behind{fill:var(--ground,#fff);fill-opacity:.82}
"""


def size(profile: SetProfile) -> tuple[float, float]:
    """How wide and deep a room to draw (m): its own figures, or what its devices take up."""
    places = [d.place for d in profile.devices.values() if d.place is not None]
    if profile.room.mark is not None:
        places.append(profile.room.mark)
    chain = float(sum(profile.room.chain.values()))
    deep = float(profile.room.depth) if profile.room.depth is not None else 0.0
    wide = profile.room.width or 0.0
    deep = deep or max([p.from_back + 0.5 for p in places] + [chain, 1.0])
    wide = wide or max([2 * abs(p.across) + 1.0 for p in places] + [2.0])
    return wide, deep


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
    paper = _Paper(wide, deep, Lengths(profile.feet))
    paper.out.append(
        f'<rect class="ground" x="{paper.x(-wide / 2):.1f}" y="{paper.y(0):.1f}"'
        f' width="{wide * SCALE:.1f}" height="{deep * SCALE:.1f}"/>'
    )
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
    for label in sorted(labels, key=lambda label: (label.y, label.x)):
        _put(paper, label)
    right = 24.0
    if profile.room.chain:
        right = 34.0 + max(22, *(len(name) for name in profile.room.chain)) * LETTER
    width, height = LEFT + wide * SCALE + right, TOP + deep * SCALE + BOTTOM
    names = ", ".join(d.name for d in profile.devices.values() if d.place is not None)
    described = title or f"{profile.title or profile.name}, the room from above"
    head = (
        f'<svg class="floor" viewBox="0 0 {width:.0f} {height:.0f}" role="img"'
        f' aria-label={quoteattr(described)} xmlns="http://www.w3.org/2000/svg"'
    )
    if standalone:
        head += f' width="{width:.0f}" height="{height:.0f}"'
    body = [
        head + ">",
        f"<title>{escape(described)}</title><desc>{escape('From above: ' + names)}</desc>",
        f"<style>{STYLE}</style>" if standalone else "",
        '<rect width="100%" height="100%" fill="#fff"/>' if standalone else "",
        f'<clipPath id="floor-room"><rect x="{paper.x(-wide / 2):.1f}" y="{paper.y(0):.1f}"'
        f' width="{wide * SCALE:.1f}" height="{deep * SCALE:.1f}"/></clipPath>',
        '<pattern id="floor-weave" width="6" height="6" patternUnits="userSpaceOnUse"'
        ' patternTransform="rotate(45)"><path d="M0 0V6" stroke="var(--ink,#1c1917)"'
        ' stroke-opacity=".45" stroke-width="1.4"/></pattern>',
        *paper.out,
        "</svg>",
    ]
    return "\n".join(part for part in body if part)


# ---- parts -------------------------------------------------------------------------------


def shade(kelvin: float | None) -> str:
    """The colour a white is drawn in."""
    if kelvin is None:
        return "#d9d4cc"
    red, green, blue = srgb_of(*planckian_uv(min(max(kelvin, WARMEST), COOLEST)))
    return f"#{red:02x}{green:02x}{blue:02x}"


def fill_of(preset: Preset | None) -> str:
    """What a light or a cloth is drawn in: about its colour, else its white."""
    if preset is not None and preset.colour is not None:
        return on_screen(preset.colour)
    return shade(preset.cct if preset is not None else None)


def _walls(paper: _Paper) -> None:
    x0, x1 = paper.x(-paper.wide / 2), paper.x(paper.wide / 2)
    y0, y1 = paper.y(0), paper.y(paper.deep)
    paper.out.append(
        f'<rect class="wall" x="{x0:.1f}" y="{y0:.1f}" width="{x1 - x0:.1f}"'
        f' height="{y1 - y0:.1f}"/>'
    )
    paper.out.append(_words((x0 + x1) / 2, y0 - 24, "back wall", "soft", "middle"))
    tick = paper.lengths.tick
    for i in range(int(paper.deep / tick) + 1):
        y = paper.y(i * tick)
        paper.out.append(f'<path class="tick" d="M{x0 - 8:.1f} {y:.1f}h6"/>')
        if i % 2 == 0:
            paper.out.append(_words(x0 - 12, y + 4, paper.lengths.scale(i), "soft", "end"))
    most = int(paper.wide / 2 / tick)
    for i in range(-most, most + 1):
        if abs(i * tick) <= paper.wide / 2:
            x = paper.x(i * tick)
            paper.out.append(f'<path class="tick" d="M{x:.1f} {y0 - 8:.1f}v6"/>')
            if i % 2 == 0:
                paper.out.append(
                    _words(x, y0 - 11, paper.lengths.scale(abs(i)).split(" ")[0], "soft", "middle")
                )
    paper.out.append(
        _words((x0 + x1) / 2, y1 + 32, "left and right as the camera sees them", "soft", "middle")
    )


def _chain(paper: _Paper, profile: SetProfile) -> None:
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
        paper.out.append(_words(x + 10, middle + (1 if y1 - y0 < 30 else -3), name, "ink"))
        if y1 - y0 >= 30:
            text = paper.lengths.short(depth)
            paper.out.append(_words(x + 10, middle + 12, text, "soft"))


def _beam(paper: _Paper, profile: SetProfile, device: Device, preset: Preset | None) -> None:
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
    radius = far * SCALE
    fill = fill_of(preset)
    # light to the eye, not to a meter: half the light still looks bright
    strength = 0.85 * math.sqrt(share)
    name = quoteattr(device.name)
    path = (
        f"M{x0:.1f} {y0:.1f}L{x1:.1f} {y1:.1f}A{radius:.1f} {radius:.1f} 0 0 1 {x2:.1f} {y2:.1f}Z"
    )
    if share <= 0:
        return
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


def _view(paper: _Paper, profile: SetProfile) -> None:
    """What the lens sees, out to the back wall."""
    far = 2 * (paper.deep + paper.wide)
    for (x, y), (to_x, to_y) in edges_of_view(profile, far):
        paper.out.append(
            f'<path class="view" d="M{paper.x(x):.1f} {paper.y(y):.1f}'
            f'L{paper.x(to_x):.1f} {paper.y(to_y):.1f}"/>'
        )


def _mark(paper: _Paper, mark: Place) -> Label:
    x, y = paper.x(mark.across), paper.y(mark.from_back)
    paper.out.append(
        f'<circle class="mark" cx="{x:.1f}" cy="{y:.1f}" r="15"/>'
        f'<path class="mark" d="M{x - 21:.1f} {y:.1f}h42M{x:.1f} {y - 21:.1f}v42"/>'
    )
    paper.taken.append((x - 21, y - 21, x + 21, y + 21))
    return Label(x + 24, y - 6, ("the mark", f"{paper.lengths.one(mark.height)} up"), "mark")


def _device(
    paper: _Paper,
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
        wide = (device.size[0] if device.size is not None else 1.5) * SCALE
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
        label_at = (x + 22, y + 14)
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
    away = f", {paper.lengths.one(math.dist(at(place), target))} away" if target is not None else ""
    lines.append(f"{paper.lengths.one(place.height)} up{away}")
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
        tuple(line for line in lines if line),
        device.name,
        device.hand_set,
        bool(notes.get(device.name)),
    )


def _put(paper: _Paper, label: Label) -> None:
    """Put a label down where it covers nothing, as near as can be to where it belongs."""
    best: tuple[float, float, float] | None = None
    low_x, high_x = paper.x(-paper.wide / 2) + 4, paper.x(paper.wide / 2) - label.width - 4
    low_y, high_y = paper.y(0) + 4, paper.y(paper.deep) - label.height - 2
    for dy in range(-120, 130, 8):
        for dx in range(-160, 170, 16):
            x = min(max(label.x + dx, low_x), max(low_x, high_x))
            y = min(max(label.y + dy, low_y), max(low_y, high_y))
            box = (x, y, x + label.width, y + label.height)
            cost = sum(_overlap(box, taken) for taken in paper.taken) * 50
            cost += math.hypot(x - label.x, (y - label.y) * 1.2)
            if best is None or cost < best[0]:
                best = (cost, x, y)
    assert best is not None
    _, x, y = best
    paper.taken.append((x, y, x + label.width, y + label.height))
    if math.hypot(x - label.x, y - label.y) > 40:
        end = x if x > label.x else x + label.width
        paper.out.append(
            f'<path class="lead" d="M{label.x:.1f} {label.y + 6:.1f}L{end:.1f} {y + 8:.1f}"/>'
        )
    paper.out.append(
        f'<g data-label={quoteattr(label.device)}><rect class="behind" x="{x:.1f}" y="{y:.1f}"'
        f' width="{label.width:.1f}" height="{label.height:.1f}" rx="3"/>'
    )
    for i, line in enumerate(label.lines):
        style = "ink"
        if i == 0:
            style = "ink hand" if label.hand else "ink name"
        paper.out.append(_words(x + 3, y + LINE * (i + 1) - 2, line, style))
    paper.out.append("</g>")


def _overlap(a: tuple[float, float, float, float], b: tuple[float, float, float, float]) -> float:
    wide = min(a[2], b[2]) - max(a[0], b[0])
    high = min(a[3], b[3]) - max(a[1], b[1])
    return math.sqrt(wide * high) if wide > 0 and high > 0 else 0.0


def _words(x: float, y: float, text: str, style: str, anchor: str = "start") -> str:
    place = f' text-anchor="{anchor}"' if anchor != "start" else ""
    return f'<text class="{style}" x="{x:.1f}" y="{y:.1f}"{place}>{escape(plain(text))}</text>'
