"""What the drawings of a room share: paper to scale, labels that cover nothing, colours, style."""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass, field
from xml.sax.saxutils import escape, quoteattr

from studiobridge.craft.chroma import on_screen
from studiobridge.craft.colour import planckian_uv, srgb_of
from studiobridge.profile.model import Preset, SetProfile
from studiobridge.profile.plain import plain
from studiobridge.shown.lengths import Lengths

# px a metre at most, and how large a drawn room may become (px): letters stay as they are, so a
# hall is drawn smaller and not its words.
SCALE, WIDEST, DEEPEST = 160.0, 640.0, 600.0
# the margins around the room for its dimensions
LEFT, TOP, BOTTOM = 54.0, 40.0, 44.0
LINE = 14.5
# px a letter takes at most on the whole, in a font that runs wide
LETTER, BOLD = 6.6, 7.6
# px beyond a thing's own reach from which its label is tied to it
TIED_FROM = 9.0
# px between the ends of two labels' lines, that they be not read as one
AIR = 4.0
WARMEST, COOLEST = 2000.0, 10000.0

Box = tuple[float, float, float, float]


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
.floor .middle{fill:none;stroke:var(--ink,#1c1917);stroke-width:1.1;stroke-dasharray:7 4}
.floor .mark{fill:none;stroke:var(--ink,#1c1917);stroke-width:2}
.floor .lead{stroke:var(--soft,#57534e);stroke-width:.8}
.floor .dim{stroke:var(--ink,#1c1917);stroke-width:1}
.floor .behind{fill:var(--ground,#fff);fill-opacity:.82}
"""


@dataclass(slots=True)
class Label:
    """Lines of words beside something: best at `x`, `y`, and where nothing else stands."""

    x: float
    y: float
    # what it is about
    point: tuple[float, float]
    lines: tuple[str, ...]
    device: str
    hand: bool = False
    note: bool = False
    # how far what it is about reaches from its point (px)
    reach: float = 14.0

    @property
    def width(self) -> float:
        name, *others = self.lines
        return max(len(name) * BOLD, *(len(line) * LETTER for line in others), 0.0) + 6

    @property
    def height(self) -> float:
        return LINE * len(self.lines) + 4


@dataclass(slots=True)
class Paper:
    """A drawing in the making: `wide` by `high` m of a room inside the margins, px out."""

    wide: float
    high: float
    scale: float
    lengths: Lengths
    out: list[str] = field(default_factory=list)
    taken: list[Box] = field(default_factory=list)
    lined: list[tuple[float, float]] = field(default_factory=list)

    @property
    def inside(self) -> Box:
        """The room on the paper: left, top, right, bottom."""
        return (LEFT, TOP, LEFT + self.wide * self.scale, TOP + self.high * self.scale)

    def room(self) -> str:
        """The inside as the attributes of a rectangle."""
        x0, y0, x1, y1 = self.inside
        return f'x="{x0:.1f}" y="{y0:.1f}" width="{x1 - x0:.1f}" height="{y1 - y0:.1f}"'

    def line(self, x0: float, y0: float, x1: float, y1: float) -> None:
        """A line that words had better not stand on: it is remembered, not drawn."""
        steps = max(1, int(math.hypot(x1 - x0, y1 - y0) / 15.0))
        shares = (i / steps for i in range(steps + 1))
        self.lined.extend((x0 + (x1 - x0) * share, y0 + (y1 - y0) * share) for share in shares)

    def put(self, labels: Iterable[Label]) -> None:
        """Put labels down where they cover nothing, each as near as can be to where it belongs.

        One that had to move away is tied to its place by a line.
        """
        placed = []
        for label in sorted(labels, key=lambda label: (label.y, label.x)):
            x, y = self._room_for(label)
            self.taken.append((x, y, x + label.width, y + label.height))
            placed.append((label, x, y))
        for label, x, y in placed:
            near_x = min(max(label.point[0], x), x + label.width)
            near_y = min(max(label.point[1], y), y + label.height)
            if math.dist(label.point, (near_x, near_y)) > label.reach + TIED_FROM:
                self.out.append(
                    f'<path class="lead" d="M{label.point[0]:.1f} {label.point[1]:.1f}'
                    f'L{near_x:.1f} {near_y:.1f}"/>'
                )
        for label, x, y in placed:
            self._write(label, x, y)

    def _room_for(self, label: Label) -> tuple[float, float]:
        x0, y0, x1, y1 = self.inside
        low_x, high_x = x0 + 4, x1 - label.width - 4
        low_y, high_y = y0 + 4, y1 - label.height - 2
        tries = set[tuple[float, float, float]]()
        for dy in range(-152, 153, 8):
            for dx in range(-240, 241, 12):
                x = min(max(label.x + dx, low_x), max(low_x, high_x))
                y = min(max(label.y + dy, low_y), max(low_y, high_y))
                gap = math.hypot(
                    max(x - label.point[0], 0.0, label.point[0] - x - label.width),
                    max(y - label.point[1], 0.0, label.point[1] - y - label.height),
                )
                tries.add((gap + 0.15 * math.hypot(x - label.x, y - label.y), x, y))
        best = (math.inf, label.x, label.y)
        for far, x, y in sorted(tries):
            if far >= best[0]:
                break
            box = (x, y, x + label.width, y + label.height)
            aired = (x - AIR, y, box[2] + AIR, box[3])
            cost = far + 50 * sum(overlap(aired, taken) for taken in self.taken)
            cost += sum(2.0 for px, py in self.lined if x <= px <= box[2] and y <= py <= box[3])
            best = min(best, (cost, x, y))
        return best[1], best[2]

    def _write(self, label: Label, x: float, y: float) -> None:
        self.out.append(
            f'<g data-label={quoteattr(label.device)}><rect class="behind" x="{x:.1f}" y="{y:.1f}"'
            f' width="{label.width:.1f}" height="{label.height:.1f}" rx="3"/>'
        )
        for i, line in enumerate(label.lines):
            style = "ink"
            if i == 0:
                style = "ink hand" if label.hand else "ink name"
            self.out.append(text_at(x + 3, y + LINE * (i + 1) - 2, line, style))
        self.out.append("</g>")


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


def scale_of(profile: SetProfile) -> float:
    """px a metre for every drawing of this set, so that they can be held against each other."""
    wide, deep = size(profile)
    return min(SCALE, WIDEST / wide, DEEPEST / deep)


def svg(
    name: str, paper: Paper, size: tuple[float, float], title: str, described: str, standalone: bool
) -> str:
    """One SVG element of `size` px with what is on the paper; `standalone`: a file of its own."""
    width, height = size
    head = (
        f'<svg class="floor" viewBox="0 0 {width:.0f} {height:.0f}" role="img"'
        f' aria-label={quoteattr(title)} xmlns="http://www.w3.org/2000/svg"'
    )
    if standalone:
        head += f' width="{width:.0f}" height="{height:.0f}"'
    body = [
        head + ">",
        f"<title>{escape(title)}</title><desc>{escape(described)}</desc>",
        f"<style>{STYLE}</style>" if standalone else "",
        '<rect width="100%" height="100%" fill="#fff"/>' if standalone else "",
        f'<clipPath id="{name}-room"><rect {paper.room()}/></clipPath>',
        f'<pattern id="{name}-weave" width="6" height="6" patternUnits="userSpaceOnUse"'
        ' patternTransform="rotate(45)"><path d="M0 0V6" stroke="var(--ink,#1c1917)"'
        ' stroke-opacity=".45" stroke-width="1.4"/></pattern>',
        *paper.out,
        "</svg>",
    ]
    return "\n".join(part for part in body if part)


def px_of(drawn: str) -> tuple[float, float]:
    """Width and height (px) of a drawing made by `svg`."""
    wide, high = drawn.partition('viewBox="0 0 ')[2].partition('"')[0].split(" ")
    return float(wide), float(high)


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


def overlap(a: Box, b: Box) -> float:
    wide = min(a[2], b[2]) - max(a[0], b[0])
    high = min(a[3], b[3]) - max(a[1], b[1])
    return math.sqrt(wide * high) if wide > 0 and high > 0 else 0.0


def text_at(x: float, y: float, text: str, style: str, anchor: str = "start") -> str:
    place = f' text-anchor="{anchor}"' if anchor != "start" else ""
    return f'<text class="{style}" x="{x:.1f}" y="{y:.1f}"{place}>{escape(plain(text))}</text>'
