"""What the drawings of a room share: paper to scale, labels that cover nothing, colours, style."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from xml.sax.saxutils import escape, quoteattr

from studiobridge.craft.chroma import on_screen
from studiobridge.craft.colour import planckian_uv, srgb_of
from studiobridge.profile.model import Preset, SetProfile
from studiobridge.profile.plain import plain
from studiobridge.shown.lengths import Lengths
from studiobridge.shown.placing import Box, Form, Point, Put, Raster, Wish, put, wide

# px a metre at most, and how large a drawn room may become (px): letters stay as they are, so a
# hall is drawn smaller and not its words.
SCALE, WIDEST, DEEPEST = 160.0, 640.0, 600.0
# the margins around the room for its dimensions
LEFT, TOP, BOTTOM = 54.0, 40.0, 44.0
LINE = 14.5
# px of the letters, and a letter on the whole, for columns of running text
TYPE, LETTER = 12.5, 6.6
# px that a label may stand off from what it is about, tied to it, before it becomes a number
ROAMS = 200.0
WARMEST, COOLEST = 2000.0, 10000.0


STYLE = """
.floor{font:12.5px ui-sans-serif,system-ui,sans-serif}
.floor .wall{fill:none;stroke:var(--ink,#1c1917);stroke-width:4}
.floor .ground{fill:var(--ground,#fff)}
.floor .tick{stroke:var(--soft,#57534e);stroke-width:1}
.floor .soft{fill:var(--soft,#57534e)}.floor .ink{fill:var(--ink,#1c1917)}
.floor .name{font-weight:650}
.floor .hand{font-weight:650;text-decoration:underline}
.floor .lamp{fill:var(--ground,#fff);stroke:var(--ink,#1c1917);stroke-width:1.8}
.floor .lamp,.floor .face{vector-effect:non-scaling-stroke}
.floor .solid{fill:var(--ink,#1c1917)}
.floor .face{stroke:var(--ink,#1c1917);stroke-width:.7}
.floor .knob{fill:none;stroke:var(--ink,#1c1917);stroke-width:2}
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
    """Lines of words beside something."""

    # what it is about
    point: Point
    lines: tuple[str, ...]
    device: str
    hand: bool = False
    # how far what it is about reaches from its point (px), or the box it takes
    reach: float = 14.0
    around: Box | None = None
    # which way there is most quiet
    towards: Point = (0.0, 0.0)

    @property
    def forms(self) -> tuple[Form, ...]:
        """With every line, with its name alone, as a number."""
        name = wide(self.lines[0], TYPE, bold=True)
        most = max(name, *(wide(line, TYPE) for line in self.lines[1:]), 0.0)
        number = wide("88", TYPE, bold=True)
        forms = [Form("whole", most + 6, LINE * len(self.lines) + 4)]
        if len(self.lines) > 1:
            forms.append(Form("name", name + 6, LINE + 4))
        return (*forms, Form("number", number + 6, LINE + 4))


@dataclass(slots=True)
class Paper:
    """A drawing in the making: `wide` by `high` m of a room inside the margins, px out."""

    wide: float
    high: float
    scale: float
    lengths: Lengths
    out: list[str] = field(default_factory=list)
    taken: list[Box] = field(default_factory=list)
    lined: list[tuple[Point, Point]] = field(default_factory=list)
    rows: list[str] = field(default_factory=list)

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
        self.lined.append(((x0, y0), (x1, y1)))

    def put(self, labels: Iterable[Label]) -> None:
        """Put labels down where they cover nothing, each as near as can be to where it belongs.

        One that had to move away is tied to its place by a line. What there is no room for stands
        in `rows`, under the drawing, and one without room for its name has a number.
        """
        x0, y0, x1, y1 = self.inside
        raster = Raster(x1, y1)
        for outside in ((0.0, 0.0, x0 + 3, y1), (0.0, 0.0, x1, y0 + 3), (x1 - 3, 0.0, x1, y1)):
            raster.take(outside)
        for box in self.taken:
            raster.take(box)
        for a, b in self.lined:
            raster.line(a, b)
        known = {label.device: label for label in labels}
        wishes = []
        for name, label in known.items():
            x, y = label.point
            around = label.around or (
                x - label.reach,
                y - label.reach,
                x + label.reach,
                y + label.reach,
            )
            wishes.append(Wish(name, around, label.forms, label.towards, ROAMS))
        found = put(raster, wishes)
        for put_down in found.values():
            if put_down.tie is not None:
                (ax, ay), (bx, by) = put_down.tie
                self.out.append(f'<path class="lead" d="M{ax:.1f} {ay:.1f}L{bx:.1f} {by:.1f}"/>')
        number = 0
        for name, label in known.items():
            where = found.get(name)
            lines = label.lines
            if where is None or where.form.name == "number":
                number += 1
                self.rows.append(f"{number}  {', '.join(lines)}")
                lines = (str(number),)
            elif where.form.name == "name":
                self.rows.append(f"{lines[0]}: {', '.join(lines[1:])}")
                lines = lines[:1]
            if where is not None:
                self._write(label, lines, where)

    def _write(self, label: Label, lines: Sequence[str], where: Put) -> None:
        x, y, wide_, high = where.x, where.y, where.form.wide, where.form.high
        self.out.append(
            f'<g data-label={quoteattr(label.device)}><rect class="behind" x="{x:.1f}" y="{y:.1f}"'
            f' width="{wide_:.1f}" height="{high:.1f}" rx="3"/>'
        )
        # flush with what it is about
        left = where.x + wide_ <= label.point[0]
        anchor, at = ("end", x + wide_ - 3) if left else ("start", x + 3)
        for i, line in enumerate(lines):
            style = "ink"
            if i == 0:
                style = "ink hand" if label.hand else "ink name"
            self.out.append(text_at(at, y + LINE * (i + 1) - 2, line, style, anchor))
        self.out.append("</g>")

    def write_rows(self, x: float, y: float) -> float:
        """The rows of what has only a number, below the drawing; how much they take (px)."""
        for i, row in enumerate(self.rows):
            self.out.append(text_at(x, y + LINE * (i + 1), row, "ink"))
        return LINE * len(self.rows) + (6.0 if self.rows else 0.0)


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


def text_at(x: float, y: float, text: str, style: str, anchor: str = "start") -> str:
    place = f' text-anchor="{anchor}"' if anchor != "start" else ""
    return f'<text class="{style}" x="{x:.1f}" y="{y:.1f}"{place}>{escape(plain(text))}</text>'
