"""The room from above, alive: a still drawing, and small parts that change in it.

For any view that wants the room (`ground.SHEETS` has them; or bring a `Sheet` of your own):

    drawn = drawing(profile, "stand")     decided once: where all is, and how large
    drawn.still()                         the figure for the page: SVG, and rows under it
    drawn.parts(view_of, sure, up)        id on the page → what stands in it now; send what changed

`skeleton(profile, view)` is `drawing(profile, view).still()`. Of each device there are `beam-NAME`
(a gradient: its light, below everything), `lamp-NAME` (a link: itself, its name, its condition)
and, where the drawing has no room for its name or a finger, a row `row-NAME` below. It is drawn
where it stands; its face is as large as its light and in the white that is *reported*, its beam as
strong as what reaches its aim; what is not confirmed is no closed line, and every condition is a
shape and a word (`condition.py`).
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from xml.sax.saxutils import escape, quoteattr

from studiobridge.figures.framing import edges_of_view
from studiobridge.profile.model import SetProfile
from studiobridge.shown import glyphs, words
from studiobridge.shown.condition import (
    ARROWS,
    Condition,
    View,
    condition,
    fill_of,
    level_of,
    spoken,
    tags,
    way_words,
    ways,
)
from studiobridge.shown.ground import PAD, Ground, Sheet, Thing, ground_of
from studiobridge.shown.lengths import Lengths
from studiobridge.shown.placing import Point, Put, fitted, wide
from studiobridge.shown.tongue import bare, say


@dataclass(frozen=True, slots=True)
class Drawing:
    """One set's room in one view."""

    profile: SetProfile
    ground: Ground

    # ---- what is still

    def still(self) -> str:
        """The figure: walls, mark, what the lens sees, an empty group and a cell for every device,
        and an empty row for each that has one."""
        ground = self.ground
        left, top, right, bottom = ground.inside
        box = f'x="{left:.0f}" y="{top:.0f}" width="{right - left:.0f}" height="{bottom - top:.0f}"'
        title, names = say("The room from above"), ", ".join(ground.things)
        out = [
            # larger than any page: the style says how much of it there is room for
            f'<figure class="plan"><svg class="room" width="{4 * ground.width:.0f}"'
            f' height="{4 * ground.height:.0f}" viewBox="0 0 {ground.width:.0f}'
            f' {ground.height:.0f}" role="group" aria-labelledby="room-title"'
            ' aria-describedby="room-desc" xmlns="http://www.w3.org/2000/svg">'
            f'<title id="room-title">{escape(title)}</title>'
            f'<desc id="room-desc">{escape(self._described(names))}</desc>',
            f'<clipPath id="within"><rect {box}/></clipPath>',
            f'<rect class="ground" width="{ground.width:.0f}" height="{ground.height:.0f}"/>'
            f'<rect class="floor-in" {box}/>',
            '<g clip-path="url(#within)">',
        ]
        out.extend(self._wedges(thing) for thing in ground.things.values())
        out.append(self._lens())
        out.append("</g>")
        out.append(self._mark())
        out.append(self._walls())
        if ground.sheet.touch:
            # cloths first: what hangs behind is hit where nothing stands before it
            out.append('<g class="cells">')
            for thing in self._by_depth():
                corners = "L".join(f"{x:.1f} {y:.1f}" for x, y in thing.cell)
                name = quoteattr(thing.device.name)
                out.append(f'<path class="thing cell" data-device={name} d="M{corners}Z"/>')
            out.append("</g>")
        for name in ground.things:
            out.append(
                # an engine may take a drawing's title for hidden: it is named as the link's own
                f'<a class="thing" href="#d" data-device={quoteattr(name)} id="lamp-{name}"'
                f' aria-labelledby="says-{name}"></a>'
            )
        out.append("</svg>")
        if ground.rows:
            out.append('<ul class="plan-rows">')
            for thing in ground.rows:
                name = quoteattr(thing.device.name)
                out.append(
                    f'<li><a class="thing plan-row" href="#d" data-device={name}'
                    f' id="row-{thing.device.name}"></a></li>'
                )
            out.append("</ul>")
        beyond = self._beyond()
        if beyond:
            out.append(f'<figcaption class="soft">{escape(beyond)}</figcaption>')
        out.append("</figure>")
        return "".join(out)

    def _wedges(self, thing: Thing) -> str:
        """Where the light of a lamp goes; whether there is any is in `beam-NAME`."""
        device = thing.device
        if device.kind != "light" or thing.aim is None:
            return ""
        radius = math.dist(thing.at, thing.aim) * glyphs.BEYOND
        if radius < 1:
            return ""
        x, y = thing.at
        name = f"beam-{device.name}"
        return (
            f'<g transform="translate({x:.1f} {y:.1f}) rotate({thing.turn:.1f})">'
            f'<radialGradient id="{name}" gradientUnits="userSpaceOnUse" cx="0" cy="0"'
            f' r="{radius:.1f}"></radialGradient>'
            f"{glyphs.wedges(name, radius, glyphs.half_angle(device.beam))}</g>"
        )

    def _by_depth(self) -> list[Thing]:
        return sorted(self.ground.things.values(), key=lambda t: t.device.kind != "backdrop")

    def _described(self, names: str) -> str:
        said = say("Back wall above, front wall below. In it: {names}.", names=names)
        beyond = self._beyond()
        return f"{said} {beyond}" if beyond else said

    def _beyond(self) -> str:
        """Which walls are out of the picture, and how far."""
        one = Lengths(self.profile.feet).one
        found = []
        for beyond in self.ground.beyond:
            far = one(beyond.far)
            if beyond.side == "left":
                found.append(say("left wall {far} further", far=far))
            elif beyond.side == "right":
                found.append(say("right wall {far} further", far=far))
            elif beyond.side == "back":
                found.append(say("back wall {far} further", far=far))
            else:
                found.append(say("front wall {far} further", far=far))
        return say("Not in the picture: {walls}.", walls=", ".join(found)) if found else ""

    def _lens(self) -> str:
        ground = self.ground
        far = 2 * (ground.part[2] - ground.part[0] + ground.part[3] - ground.part[1])
        lines = [
            f"M{ground.x(x):.0f} {ground.y(y):.0f}L{ground.x(to_x):.0f} {ground.y(to_y):.0f}"
            for (x, y), (to_x, to_y) in edges_of_view(self.profile, far)
        ]
        return f'<path class="lens" d="{"".join(lines)}"/>' if lines else ""

    def _mark(self) -> str:
        mark = self.profile.room.mark
        if mark is None:
            return ""
        x, y = self.ground.x(mark.across), self.ground.y(mark.from_back)
        n = self.ground.sheet.glyph - 1
        path = f"M{x - n:.0f} {y:.0f}h{2 * n:.0f}M{x:.0f} {y - n:.0f}v{2 * n:.0f}"
        return f'<path class="halo" d="{path}"/><path class="mark" d="{path}"/>'

    def _walls(self) -> str:
        """A wall thick; where there is none in the picture, a broken line with two strokes."""
        left, top, right, bottom = self.ground.inside
        ends = {
            "left": (left, top, left, bottom),
            "back": (left, top, right, top),
            "right": (right, top, right, bottom),
            "front": (left, bottom, right, bottom),
        }
        solid = "".join(
            f"M{x0:.0f} {y0:.0f}L{x1:.0f} {y1:.0f}"
            for x0, y0, x1, y1 in (ends[side] for side in self.ground.walls)
        )
        out = [f'<path class="wall" d="{solid}"/>'] if solid else []
        for beyond in self.ground.beyond:
            x0, y0, x1, y1 = ends[beyond.side]
            x, y = (x0 + x1) / 2, (y0 + y1) / 2
            lying = y0 == y1
            gap = (7.0, 0.0) if lying else (0.0, 7.0)
            out.append(
                f'<path class="torn" d="M{x0:.0f} {y0:.0f}L{x - gap[0]:.0f} {y - gap[1]:.0f}'
                f'M{x + gap[0]:.0f} {y + gap[1]:.0f}L{x1:.0f} {y1:.0f}"/>'
            )
            slash = "m3 -5l-6 10" if lying else "m5 -3l-10 6"
            out.append(
                f'<path class="off-sheet" d="M{x - gap[0] / 2:.0f} {y - gap[1] / 2:.0f}{slash}'
                f'M{x + gap[0] / 2:.0f} {y + gap[1] / 2:.0f}{slash}"/>'
            )
        return "".join(out)

    # ---- what changes

    def parts(
        self,
        view_of: Callable[[str], View],
        sure: bool,
        up: bool,
    ) -> dict[str, str]:
        """What stands in every group and row now. `sure`: bridge and broker are there to say it."""
        views = {name: view_of(name) for name in self.ground.things}
        stands = {
            name: condition(thing.device, views[name], sure, up)
            for name, thing in self.ground.things.items()
        }
        # what moved says how far beside its lamp, also where the lamp has only a number
        bare_ = [
            name
            for name, thing in self.ground.things.items()
            if stands[name].code == "moved"
            and (thing.label is None or thing.label.form.name == "number")
        ]
        for_now = self.ground.for_now(bare_) if bare_ else {}
        found: dict[str, str] = {}
        for name, thing in self.ground.things.items():
            view, how = views[name], stands[name]
            if thing.device.kind == "light" and thing.aim is not None:
                found[f"beam-{name}"] = self.beam(thing, view)
            found[f"lamp-{name}"] = self.lamp(thing, view, how, for_now.get(name))
            if thing.row:
                found[f"row-{name}"] = self.row(thing, view, how)
        return found

    def beam(self, thing: Thing, view: View) -> str:
        """What lies inside `beam-NAME`: how strong its light is along its way, in its white."""
        device = thing.device
        level = level_of(device, view)
        if device.kind != "light" or thing.aim is None or not level:
            return ""
        share = device.dimmer.output(min(100.0, max(0.0, level)))
        at_aim = glyphs.reaching(share * thing.reaches, 1.0)
        return glyphs.stops(fill_of(device, view), at_aim) if at_aim > 0 else ""

    def lamp(self, thing: Thing, view: View, how: Condition, tag: Put | None = None) -> str:
        """What lies inside `lamp-NAME`: its shape, its name, and its condition in a word or two."""
        device = thing.device
        said = escape(bare(f"{words.clean(device.name, 60)}: {spoken(device, view, how)}"))
        body = self._cloth(thing, view, how) if device.kind == "backdrop" else ""
        return (
            f'<title id="says-{device.name}">{said}</title>'
            f'{body or self._glyph(thing, view, how)}<g aria-hidden="true">'
            f"{self._label(thing, view, how)}{self._tag(tag, view, how, thing)}</g>"
        )

    def _cloth(self, thing: Thing, view: View, how: Condition) -> str:
        x0, y0, x1, y1 = thing.box
        level = level_of(thing.device, view)
        share = thing.device.dimmer.output(min(100.0, level)) if level else 0.0
        box = f'x="{x0:.1f}" y="{y0:.1f}" width="{x1 - x0:.1f}" height="{y1 - y0:.1f}" rx="3"'
        out = [f'<rect class="focus" {box}/><rect class="cloth {how.code}" {box}/>']
        if share > 0:
            # as high as it is bright: a line of light that fills it at full
            high = (y1 - y0 - 4) * (glyphs.LEAST + (1 - glyphs.LEAST) * math.sqrt(share))
            out.append(
                f'<rect class="face" x="{x0 + 2:.1f}" y="{(y0 + y1 - high) / 2:.1f}"'
                f' width="{x1 - x0 - 4:.1f}" height="{high:.1f}" rx="1.5"'
                f' fill="{fill_of(thing.device, view)}"/>'
            )
        out.append(self._badges(((x0 + x1) / 2, (y0 + y1) / 2), view, how, 0.0))
        return "".join(out)

    def _glyph(self, thing: Thing, view: View, how: Condition) -> str:
        device, (x, y) = thing.device, thing.at
        scale = self.ground.sheet.glyph / glyphs.HALF
        level = level_of(device, view)
        turn = thing.turn if device.kind in ("light", "camera") else 0.0
        out = [
            f'<g transform="translate({x:.1f} {y:.1f}) scale({scale:.2f})">',
            f'<circle class="focus" r="{glyphs.HALF + 6}"/>',
        ]
        rolling = device.kind == "camera" and bool(view.get("rolling"))
        if how.code == "moved" or rolling:
            out.append(f'<circle class="ring {"rolling" if rolling else "moved"}" r="14.5"/>')
        path = glyphs.outline(device)
        out.append(f'<g transform="rotate({turn:.0f})">')
        out.append(f'<path class="body {how.code}" d="{path}"/>')
        if device.kind == "light" and level:
            share = device.dimmer.output(min(100.0, max(0.0, level)))
            known = "" if how.code not in ("told", "unsure") else " hollow"
            colour = fill_of(device, view)
            out.append(glyphs.face(share, f'class="face{known}" fill="{colour}"'))
        if device.hand_set:
            out.append(f'<path class="knob" d="{glyphs.KNOB}"/>')
        out.append("</g>")
        if how.code == "unsure":
            out.append('<text class="sign" y="4.5" aria-hidden="true">?</text>')
        if how.code == "locked":
            out.append(
                '<path class="bar halo" d="M-11 11L11 -11"/><path class="bar" d="M-11 11L11 -11"/>'
            )
        if how.code in ("busy", "adjusting"):
            out.append(
                '<path class="turning" d="M-14 -4A14.5 14.5 0 0 1 -4 -14'
                'M14 4A14.5 14.5 0 0 1 4 14"/>'
            )
        out.append("</g>")
        out.append(self._badges((x, y), view, how, 8.6 * scale))
        return "".join(out)

    def _badges(self, at: Point, view: View, how: Condition, off: float) -> str:
        """Which way it moved: an arrow each at the corners of what moved."""
        if how.code != "moved":
            return ""
        scale = self.ground.sheet.glyph / glyphs.HALF
        out: list[str] = []
        for way, (dx, dy) in zip(
            ways(view.get("drift")), ((1, -1), (1, 1), (-1, -1)), strict=False
        ):
            x, y = at[0] + dx * off, at[1] + dy * off
            if not off:
                x += 14.0 * scale * (len(out) - 0.5)
            out.append(
                f'<g class="badge" transform="translate({x:.1f} {y:.1f}) scale({scale:.2f})">'
                f'<circle r="6.2"/><path d="{ARROWS[way]}"/></g>'
            )
        return "".join(out)

    def _label(self, thing: Thing, view: View, how: Condition) -> str:
        put, sheet = thing.label, self.ground.sheet
        if put is None:
            return ""
        form, room = put.form, put.form.wide - 2 * PAD
        said = tags(thing.device, view, how)
        name, number = words.clean(thing.device.name, 60), str(thing.number or "")
        if form.name == "number":
            return self._plate(put, thing, how, [("name", number, 0.0)])
        if form.name == "counted":
            off = wide("88", sheet.name, True) + 4.0
            tag = _fitting(said, sheet.tag, room - off, how.code)
            lines = [("name", number, 0.0), (f"tag {how.code}", tag, off)]
            return self._plate(put, thing, how, lines)
        if number:
            name = f"{number} {name}"
        lines = [("name", fitted(name, sheet.name, room, bold=True), 0.0)]
        lines.append((f"tag {how.code}", _fitting(said, sheet.tag, room, how.code), 0.0))
        return self._plate(put, thing, how, lines)

    def _tag(self, put: Put | None, view: View, how: Condition, thing: Thing) -> str:
        """How far something moved, beside a lamp that else has only a number."""
        if put is None:
            return ""
        room = put.form.wide - 2 * PAD
        said = _fitting(tags(thing.device, view, how), self.ground.sheet.tag, room, how.code)
        return self._plate(put, thing, how, [(f"tag {how.code}", said, 0.0)])

    def _plate(
        self, put: Put, thing: Thing, how: Condition, lines: list[tuple[str, str, float]]
    ) -> str:
        """Words on their plate, which is as large as they are and lies at its thing.

        Each line is its style, its words, and how far it is moved in, in which case it stays on the
        line before it.
        """
        sheet, moved = self.ground.sheet, " moved" if how.code == "moved" else ""
        lines = [line for line in lines if line[1]]
        sizes = [sheet.name if style == "name" else sheet.tag for style, _, _ in lines]
        ends = [
            off + wide(text, size, True) for (_, text, off), size in zip(lines, sizes, strict=True)
        ]
        used = min(put.form.wide, max(ends) + 2 * PAD)
        high = min(put.form.high, sum(not off for _, _, off in lines) * sheet.line + 3.0)
        left, top = put.x, put.y
        if put.x + put.form.wide <= thing.at[0]:
            left += put.form.wide - used
        if put.y + put.form.high <= thing.box[1] + 3.0:
            top += put.form.high - high
        out = []
        if put.tie is not None:
            (x0, y0), (x1, y1) = put.tie
            out.append(f'<path class="tie" d="M{x0:.1f} {y0:.1f}L{x1:.1f} {y1:.1f}"/>')
        out.append(
            f'<rect class="plate{moved}" x="{left:.1f}" y="{top:.1f}" width="{used:.1f}"'
            f' height="{high:.1f}" rx="3"/>'
        )
        down = top - 2.0
        for (style, text, off), size in zip(lines, sizes, strict=True):
            down += 0.0 if off else sheet.line
            out.append(
                f'<text class="{style}{moved if style == "name" else ""}"'
                f' x="{left + PAD + off:.1f}" y="{down:.1f}" font-size="{size:g}">'
                f"{escape(text)}</text>"
            )
        return "".join(out)

    def row(self, thing: Thing, view: View, how: Condition) -> str:
        """What stands in the row of a device below the drawing: its number, name and condition."""
        number = f'<b class="no {how.code}">{thing.number}</b>' if thing.number is not None else ""
        said = tags(thing.device, view, how)
        text = said[0] if said else how.words
        arrows = ""
        if how.code == "moved":
            found = ways(view.get("drift"))
            arrows = "".join(
                '<svg class="way" viewBox="-5 -5 10 10" aria-hidden="true">'
                f'<path d="{ARROWS[way]}"/></svg>'
                for way in found
            )
            more = [way_words(way) for way in found]
            text = ", ".join([*(word for word in more if word and word not in text), text])
        name = escape(words.clean(thing.device.name, 60))
        return (
            f'{number}<span class="who">{name}</span>'
            f'<span class="how {how.code}">{arrows}{escape(text)}</span>'
        )


def _fitting(texts: Sequence[str], size: float, room: float, code: str) -> str:
    """The longest of these that has room."""
    bold = code in ("moved", "locked")
    for text in texts:
        if wide(text, size, bold) <= room:
            return text
    return fitted(texts[-1], size, room, bold) if texts else ""


# What was decided of the last few sets: a page that is opened does not decide it anew.
_decided: dict[tuple[int, str], Drawing] = {}
REMEMBERED = 16


def drawing(profile: SetProfile, view: str = "hand", sheet: Sheet | None = None) -> Drawing:
    """The drawing of a set's room in this view (a key of `ground.SHEETS`), or on your own sheet."""
    if sheet is not None:
        return Drawing(profile, ground_of(profile, view, sheet))
    found = _decided.get((id(profile), view))
    if found is None or found.profile is not profile:
        while len(_decided) >= REMEMBERED:
            _decided.pop(next(iter(_decided)))
        found = _decided[id(profile), view] = Drawing(profile, ground_of(profile, view))
    return found


def skeleton(profile: SetProfile, view: str = "hand") -> str:
    """The still part of the drawing, for a page of this view."""
    return drawing(profile, view).still()
