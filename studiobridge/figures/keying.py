"""A screen that is keyed out of the picture: how clean the key will be, point by point.

All light is added up in red, green and blue as a camera sees it that is balanced to its white, and
judged in the channel in which the key is cut. The screen is a matt surface (Lambert) of the colour
its `dye` says, and gives its own light evenly. The limits are common practice, unless something
else stands beside them; none of them is a standard, and a monitor beside the set knows better.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Literal

from studiobridge.craft import mark
from studiobridge.craft import rectangle as faces
from studiobridge.craft.chroma import Colour, linear_of
from studiobridge.craft.colour import is_white, xy_of_uv
from studiobridge.figures import sure
from studiobridge.figures.face import DARK, Face, Whole, share_of, white_of
from studiobridge.figures.framing import Seen, seen_on, view_of
from studiobridge.figures.rays import OUT_OF_THE_WALL, Point3, Source, at, source_of
from studiobridge.figures.shadow import HEAD, shadow_of
from studiobridge.profile.model import Device, Picture, Preset, SetProfile

Rgb = tuple[float, float, float]
Verdict = Literal["good", "clean by hand", "move"]
About = Literal["level", "evenness", "colour", "spill", "shadow", "cover"]
# The worse, the later: a screen is as good as the worst that is known of it.
WORSE: tuple[Verdict, ...] = ("good", "clean by hand", "move")

# The screen's channel over that of a grey card at the face, in stops: from one stop under to 50 on
# the waveform, which is half a stop above a grey card by the curve of ITU-R BT.709 (a grey card of
# 18 % is 41 on it). As much again on either side can be keyed with work; our own limit.
LEVEL, LEVEL_AT_MOST = (-1.0, 0.5), (-2.0, 1.5)
# Over the part in the picture, in stops. A third is good, a half will do.
EVEN, EVEN_AT_MOST = 0.5, 1.0
# The screen's light on who stands before it, in stops over the key: two stops under is clean.
# Above one under, no cleaning brings the edge back; our own limit.
SPILL, SPILL_AT_MOST = -2.0, -1.0
# How far the other two channels stay under the screen's own, in stops; our own limits, after what
# sound cloths send back in white light (from memory: a cloth of sRGB 47, 158, 76 has 2.3).
PURE, PURE_AT_LEAST = 1.5, 0.75
# A shadow on the screen, in stops: as uneven as what it falls on may be.
SHADOW, SHADOW_AT_MOST = 1 / 3, 1.0
# More of the picture beside the screen (0-1) has to be masked by hand.
BESIDE = 0.005

# Stops: deeper than this is black, and nothing else says so much of it.
DEEPEST = 10.0
# So many points along each side of the screen.
POINTS = 7


@dataclass(frozen=True, slots=True)
class KeyPoint:
    """One thing a key depends on: its verdict, and the figure it comes from.

    `value` is in stops, `within` how well it is known; of `cover` the share (0-1) of the picture
    that is screen. `light` throws the shadow. `why` says what a figure does not.
    """

    about: About
    verdict: Verdict
    value: float
    light: str | None = None
    within: float | None = None
    why: Literal["", "clipped", "head beside it"] = ""


@dataclass(frozen=True, slots=True)
class Keying:
    """How clean a key of one screen will be in one look.

    `lit`: is it lit in the colour that is keyed? `verdict` is the worst of the points that are
    known, None where nothing is; `missing` what is not, and why. `gap` from the subject to the
    screen (m). `foreign` how much of what the screen sends in the key's channel is other light
    that falls on it (0-1), None where it has no light of its own.
    """

    device: str
    keys: Literal["green", "blue"]
    lit: bool
    verdict: Verdict | None
    points: tuple[KeyPoint, ...]
    gap: float | None
    foreign: float | None
    missing: tuple[str, ...]
    # coloured light is in it, reckoned from its white: as red, green and blue that add up to that
    from_white: bool = False


def keying_of(
    profile: SetProfile,
    device: Device,
    presets: Mapping[str, Preset],
    whole: Whole | None,
    face: Face,
) -> Keying | None:
    """How clean a key of this backdrop will be; None where it is not keyed."""
    if device.keys is None:
        return None
    missing: list[str] = []
    screen = _Screen(profile, device, presets, whole, missing)
    where = profile.room.mark
    gap = None
    if where is not None and device.place is not None:
        gap = where.from_back - device.place.from_back
    points: list[KeyPoint] = []
    foreign = None
    lit = True
    seen = seen_on(profile, device)
    middle = screen.middle(seen)
    if middle is not None:
        own, other = middle
        total = _plus(own, other)
        channel = total[screen.channel]
        if channel <= 0:
            missing.append(f"nothing lights {device.name} in this look: its key is not judged")
        elif not screen.coloured(total):
            lit = False
        else:
            if max(own) > 0:
                foreign = other[screen.channel] / channel
            points = _points(profile, screen, seen, middle, whole, presets, face, gap)
    if not lit:
        return Keying(device.name, device.keys, False, None, (), gap, None, ())
    cover = _cover(profile, device, seen, missing)
    if cover is not None:
        points.append(cover)
    verdict = max((p.verdict for p in points), key=WORSE.index, default=None)
    found = tuple(dict.fromkeys(missing))
    return Keying(
        device.name,
        device.keys,
        True,
        verdict,
        tuple(points),
        gap,
        foreign,
        found,
        screen.from_white,
    )


def _points(
    profile: SetProfile,
    screen: _Screen,
    seen: Seen | None,
    light: tuple[Rgb, Rgb],
    whole: Whole | None,
    presets: Mapping[str, Preset],
    face: Face,
    gap: float | None,
) -> list[KeyPoint]:
    """Level, evenness, colour, spill and shadow, as far as the figures are given."""
    name, channel, missing = screen.device.name, screen.channel, screen.missing
    own, other = light
    middle = _plus(own, other)
    points = []
    if whole is None or whole.lux < DARK:
        missing.append(f"no light on the face: the level of {name} is not judged")
    else:
        card = mark.luminance_of(whole.lux, mark.GREY_CARD)
        of_face = _white_rgb(whole.cct, profile.picture) if whole.cct else (1.0, 1.0, 1.0)
        grey = card * _balanced(of_face, screen.balance)[channel]
        stops = mark.stops(middle[channel], grey)
        clipped = stops > math.log2(1 / mark.GREY_CARD)
        verdict = "move" if clipped else _within(stops, LEVEL, LEVEL_AT_MOST)
        why: Literal["clipped", ""] = "clipped" if clipped else ""
        points.append(KeyPoint("level", verdict, stops, within=screen.within(own, other), why=why))
    if not screen.has_shape or screen.own_light_alone:
        missing.append(f"nothing says how even {name} is: look at it on a monitor")
    else:
        part = seen if seen is not None and seen.part else None
        values = [screen.at(p)[channel] for p in screen.grid(part)]
        if values and min(values) > 0:
            spread = mark.evenness(values)
            points.append(KeyPoint("evenness", _at_most(spread, EVEN, EVEN_AT_MOST), spread))
    if screen.knows_colour:
        others = max(value for i, value in enumerate(middle) if i != channel)
        pure = math.log2(middle[channel] / others) if others > 0 else DEEPEST
        pure = min(DEEPEST, pure)
        points.append(KeyPoint("colour", _at_most(-pure, -PURE, -PURE_AT_LEAST), pure))
    spill = _spill(profile, screen, presets, whole, face, gap)
    if spill is not None:
        points.append(KeyPoint("spill", _at_most(spill, SPILL, SPILL_AT_MOST), spill))
    shadow = _shadow(profile, screen, seen, presets)
    if shadow is not None:
        points.append(shadow)
    return points


def _spill(
    profile: SetProfile,
    screen: _Screen,
    presets: Mapping[str, Preset],
    whole: Whole | None,
    face: Face,
    gap: float | None,
) -> float | None:
    """What the screen throws on what faces it at the mark, over the key on the face (stops)."""
    if whole is None or gap is None or gap <= 0 or not screen.has_shape:
        return None
    place, where = screen.device.place, profile.room.mark
    assert screen.device.size is not None and place is not None and where is not None
    values = [screen.at(p)[screen.channel] for p in screen.grid()]
    shines = faces.rectangle(at(place), OUT_OF_THE_WALL, *screen.device.size)
    # of a matt surface that looks at it, as the back of a head does
    thrown_back = faces.on_plane(shines, 1.0, at(where), (0.0, -1.0, 0.0))
    thrown_back *= sum(values) / len(values)
    key = sum(
        face.lux(name, preset.level) or 0.0
        for name, preset in presets.items()
        if preset.level and name in face.rays and profile.devices[name].role == "key"
    )
    key = key or whole.lux
    if key < DARK or thrown_back <= 0:
        return None
    return mark.stops(thrown_back, key)


def _shadow(
    profile: SetProfile, screen: _Screen, seen: Seen | None, presets: Mapping[str, Preset]
) -> KeyPoint | None:
    """The deepest shadow of who stands at the mark that the picture shows on the screen (stops).

    As deep as where all of the light is taken away: a large light throws a softer one.
    """
    where, place = profile.room.mark, screen.device.place
    if where is None or view_of(profile) is None or place is None or seen is None:
        return None
    worst: KeyPoint | None = None
    for name in screen.lights:
        cast = shadow_of(profile, profile.devices[name], screen.device)
        if cast is None or not cast.seen:
            continue
        for left, low, right, high in (cast.head, cast.shoulders):
            for across in (left, (left + right) / 2, right):
                point = (across, (low + high) / 2)
                if not seen.shows(point):
                    continue
                total = screen.at(point)[screen.channel]
                lost = screen.from_light(name, point)[screen.channel]
                if not 0 < lost <= total:
                    continue
                deep = min(DEEPEST, math.log2(total / (total - lost)) if lost < total else DEEPEST)
                if worst is None or deep > worst.value:
                    verdict = _at_most(deep, SHADOW, SHADOW_AT_MOST)
                    worst = KeyPoint("shadow", verdict, deep, name)
    return worst or KeyPoint("shadow", "good", 0.0)


def _cover(
    profile: SetProfile, device: Device, seen: Seen | None, missing: list[str]
) -> KeyPoint | None:
    """Is there screen wherever the picture is, and behind the head above all?"""
    view, where = view_of(profile), profile.room.mark
    if seen is None or view is None:
        missing.append(f"no lens, or no place or size of {device.name}: what it covers is not said")
        return None
    assert device.place is not None and device.size is not None
    if where is not None:
        left, _, right, top = HEAD
        for across, up in ((0.0, top), (left, 0.0), (right, 0.0)):
            head = (where.across + across, where.from_back, where.height + up)
            if view.stands[1] <= where.from_back:
                break
            x, _, z = _on(view.stands, head, device.place.from_back)
            off = abs(x - device.place.across), abs(z - device.place.height)
            if off[0] > device.size[0] / 2 or off[1] > device.size[1] / 2:
                return KeyPoint("cover", "move", seen.covered, why="head beside it")
    verdict: Verdict = "good" if seen.covered >= 1 - BESIDE else "clean by hand"
    return KeyPoint("cover", verdict, seen.covered)


def _on(source: Point3, through: Point3, from_back: float) -> Point3:
    """Where the line from a point through another one meets the plane so far out."""
    far = (from_back - source[1]) / (through[1] - source[1])
    return (
        source[0] + far * (through[0] - source[0]),
        from_back,
        source[2] + far * (through[2] - source[2]),
    )


def _within(value: float, good: tuple[float, float], most: tuple[float, float]) -> Verdict:
    if good[0] <= value <= good[1]:
        return "good"
    return "clean by hand" if most[0] <= value <= most[1] else "move"


def _at_most(value: float, good: float, most: float) -> Verdict:
    return _within(value, (-math.inf, good), (-math.inf, most))


# ---- the screen's light ------------------------------------------------------------------------


class _Screen:
    """The light a screen sends in red, green and blue (cd/m², a white of 1 is 1, 1, 1)."""

    def __init__(
        self,
        profile: SetProfile,
        device: Device,
        presets: Mapping[str, Preset],
        whole: Whole | None,
        missing: list[str],
    ) -> None:
        self.profile, self.device, self.presets, self.missing = profile, device, presets, missing
        self.channel = 1 if device.keys == "green" else 2
        picture = profile.picture
        kelvin = picture.white or (whole.cct if whole is not None else None)
        self.balance = _white_rgb(kelvin, picture) if kelvin else (1.0, 1.0, 1.0)
        self.dye: Rgb = (1.0, 1.0, 1.0)
        if device.dye is not None:
            self.dye = linear_of(device.dye.x, device.dye.y)
        self.from_white = False
        self.own = self._own_light()
        # of each lit light that reaches it: what one lux of it is in red, green and blue
        self.lights: dict[str, Rgb] = {}
        self.shares: dict[str, float] = {}
        self.sources: dict[str, Source] = {}
        self.lux: dict[tuple[str, float, float], float] = {}
        self.reaches = self._lights()
        self.own_light_alone = max(self.own) > 0 and not self.lights
        self.has_shape = device.place is not None and device.size is not None
        self.knows_colour = device.dye is not None or max(self.own) > 0
        if not self.knows_colour:
            text = f"no dye given for {device.name}: how pure its {device.keys} is is not judged"
            if device.keys == "green":
                text += "; its level is that of its brightness, its green up to half a stop more"
            self.missing.append(text)

    def coloured(self, total: Rgb) -> bool:
        """Is the key's channel above the other two? Nothing is known of a cloth without a dye."""
        if not self.knows_colour:
            return self.device.keys == "green"
        return total[self.channel] > max(v for i, v in enumerate(total) if i != self.channel)

    def middle(self, seen: Seen | None) -> tuple[Rgb, Rgb] | None:
        """Its own light and what it reflects, in the middle of what the picture shows of it."""
        if not self.reaches:
            return None
        if not self.has_shape:
            if self.lights:
                self.missing.append(f"no size or place given for {self.device.name}: not judged")
                return None
            return self.own, (0.0, 0.0, 0.0)
        point = (0.0, 0.0)
        if seen is not None and seen.part and not seen.shows(point):
            count = len(seen.part)
            point = (sum(x for x, _ in seen.part) / count, sum(y for _, y in seen.part) / count)
        other: Rgb = (0.0, 0.0, 0.0)
        for name in self.lights:
            other = _plus(other, self.from_light(name, point))
        return self.own, other

    def at(self, point: tuple[float, float]) -> Rgb:
        """What it sends at a point of it (m right of and above its middle)."""
        total = self.own
        for name in self.lights:
            total = _plus(total, self.from_light(name, point))
        return total

    def from_light(self, name: str, point: tuple[float, float]) -> Rgb:
        """What it sends at a point of what one light throws on it."""
        place, reflects = self.device.place, self.device.reflects
        if name not in self.lights or place is None or reflects is None:
            return (0.0, 0.0, 0.0)
        key = (name, *point)
        if key not in self.lux:
            where = (place.across + point[0], place.from_back, place.height + point[1])
            full = self.sources[name].on_plane(where, OUT_OF_THE_WALL)
            self.lux[key] = full * self.shares[name]
        return _scaled(self.lights[name], mark.luminance_of(self.lux[key], reflects))

    def within(self, own: Rgb, other: Rgb) -> float:
        """How well its level over the face is known (stops): makers' figures, glow, reflectance.

        As if nothing of the screen and the face came from the same lamp, which is the careful side.
        """
        whole = own[self.channel] + other[self.channel]
        mine, theirs = own[self.channel] / whole, other[self.channel] / whole
        share = math.hypot(sure.GLOW * mine, sure.MAKER * theirs, sure.REFLECTS * theirs)
        return math.hypot(share, sure.MAKER) / math.log(2.0)

    def grid(self, seen: Seen | None = None) -> list[tuple[float, float]]:
        """Points all over the screen, or over what is seen of it, edges included."""
        assert self.device.size is not None
        wide, high = self.device.size[0] / 2, self.device.size[1] / 2
        corners = seen.part if seen is not None else ((-wide, -high), (wide, high))
        across, up = zip(*corners, strict=True)
        steps = [i / (POINTS - 1) for i in range(POINTS)]
        points = [
            (min(across) + x * (max(across) - min(across)), min(up) + y * (max(up) - min(up)))
            for x in steps
            for y in steps
        ]
        if seen is None:
            return points
        return [*seen.part, *(point for point in points if seen.shows(point))]

    def _own_light(self) -> Rgb:
        preset, device = self.presets.get(self.device.name), self.device
        if preset is None or not preset.level:
            return (0.0, 0.0, 0.0)
        share = share_of(device, preset.level)
        if device.glow is None or share is None:
            self.missing.append(f"no glow given for {device.name}: its own light is not reckoned")
            return (0.0, 0.0, 0.0)
        if preset.colour is not None:
            self.from_white = True
            rgb = linear_of(preset.colour.x, preset.colour.y)
            return _scaled(_balanced(rgb, self.balance), device.glow * share * _part(preset.colour))
        white = _white_rgb(preset.cct, self.profile.picture) if preset.cct else self.balance
        sent = _filtered(_balanced(white, self.balance), self.dye)
        return _scaled(sent, device.glow * share)

    def _lights(self) -> bool:
        """Find every light that reaches it. False, and why, where one that is aimed at it is not
        known; any other is left out, and said.
        """
        place = self.device.place
        for name, preset in self.presets.items():
            light = self.profile.devices[name]
            if light.kind != "light" or not preset.level:
                continue
            if place is None:
                continue
            source, share = source_of(self.profile, light), share_of(light, preset.level)
            why = f"no place given for {name}" if source is None else ""
            if source is not None and source.from_behind(at(place), OUT_OF_THE_WALL):
                continue
            if source is not None:
                why = source.lacks(at(place))
            if share is None:
                why = f"{preset.level:g} % is no level"
            if why or source is None or share is None:
                aimed = light.place is not None and light.place.aim == self.device.name
                what = f"the key of {self.device.name} is not judged"
                if not aimed:
                    what = f"left out of the light on {self.device.name}"
                self.missing.append(f"{why}: {what}")
                if aimed:
                    return False
                continue
            if self.device.reflects is None:
                text = f"no reflectance given for {self.device.name}: light on it is not reckoned"
                self.missing.append(text)
                continue
            self.sources[name], self.shares[name] = source, share
            if preset.colour is not None:
                self.from_white = True
                self.shares[name] = share * _part(preset.colour)
                rgb = linear_of(preset.colour.x, preset.colour.y)
            else:
                kelvin = preset.cct
                rgb = _white_rgb(kelvin, self.profile.picture) if kelvin else self.balance
            self.lights[name] = _times(_balanced(rgb, self.balance), self.dye)
        return True


def _part(colour: Colour) -> float:
    """How bright a colour is at most, over the white of the same three lights in it: as red, green
    and blue that add up to that white. A light with a white of its own may differ.
    """
    return 1.0 / max(linear_of(colour.x, colour.y))


def _white_rgb(kelvin: float | None, picture: Picture) -> Rgb:
    """A white in red, green and blue, as bright as 1; that of the primaries where there is none."""
    if kelvin is None or not is_white(kelvin):
        return (1.0, 1.0, 1.0)
    made = white_of(kelvin, 1.0, picture.daylight)
    return linear_of(*xy_of_uv(made.u, made.v))


def _balanced(rgb: Rgb, white: Rgb) -> Rgb:
    """As a camera sees it that is set to this white."""
    return (
        rgb[0] / max(white[0], 1e-3),
        rgb[1] / max(white[1], 1e-3),
        rgb[2] / max(white[2], 1e-3),
    )


def _filtered(rgb: Rgb, dye: Rgb) -> Rgb:
    """Light through or from a dye, as bright as before."""
    sent = _times(rgb, dye)
    before, after = _bright(rgb), _bright(sent)
    return _scaled(sent, before / after) if after > 0 else sent


def _bright(rgb: Rgb) -> float:
    # the luminances of red, green and blue at 1: IEC 61966-2-1
    return 0.2126 * rgb[0] + 0.7152 * rgb[1] + 0.0722 * rgb[2]


def _plus(a: Rgb, b: Rgb) -> Rgb:
    return (a[0] + b[0], a[1] + b[1], a[2] + b[2])


def _times(a: Rgb, b: Rgb) -> Rgb:
    return (a[0] * b[0], a[1] * b[1], a[2] * b[2])


def _scaled(rgb: Rgb, by: float) -> Rgb:
    return (rgb[0] * by, rgb[1] * by, rgb[2] * by)
