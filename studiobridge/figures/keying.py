"""A screen that is keyed out of the picture: how clean the key will be, point by point.

Its light (`screen.py`) is judged in the channel of the camera in which the key is cut. The limits
are common practice, unless something else stands beside them; none of them is a standard, and a
monitor beside the set knows better.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Literal

from studiobridge.craft import mark
from studiobridge.craft.rectangle import unit
from studiobridge.figures.backdrops import patches
from studiobridge.figures.face import DARK, Face, Whole
from studiobridge.figures.framing import Seen, seen_on, view_of
from studiobridge.figures.rays import Point3, at, facing
from studiobridge.figures.screen import Rgb, Screen, balanced, plus, white_rgb
from studiobridge.figures.shadow import HEAD, shadow_of
from studiobridge.profile.model import Device, Preset, SetProfile

Verdict = Literal["good", "clean by hand", "move"]
About = Literal["level", "evenness", "colour", "spill", "shadow", "cover"]
# The worse, the later: a screen is as good as the worst that is known of it.
WORSE: tuple[Verdict, ...] = ("good", "clean by hand", "move")

# The screen's channel over that of a grey card at the face, in stops: from one stop under to 50 on
# the waveform, which is half a stop above a grey card by the curve of ITU-R BT.709 (a grey card of
# 18 % is 41 on it). A stop more on either side can be keyed with work; our own limit.
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
    screen = Screen(profile, device, presets, whole, missing)
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
        total = plus(own, other)
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
    screen: Screen,
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
    middle = plus(own, other)
    points = []
    grey = 0.0
    if whole is not None and whole.lux >= DARK:
        of_face = white_rgb(whole.cct, profile.picture, whole.duv) if whole.cct else screen.balance
        card = mark.luminance_of(whole.lux, mark.GREY_CARD)
        grey = card * balanced(of_face, screen.balance)[channel]
    if grey <= 0:
        what = "light" if whole is None or whole.lux < DARK else str(screen.device.keys)
        missing.append(f"no {what} on the face: the level of {name} is not judged")
    else:
        stops = mark.stops(middle[channel], grey)
        clipped = stops > math.log2(1 / mark.GREY_CARD)
        verdict = "move" if clipped else _within(stops, LEVEL, LEVEL_AT_MOST)
        why: Literal["clipped", ""] = "clipped" if clipped else ""
        within = screen.within(own, other)
        points.append(KeyPoint("level", verdict, stops, within=within, why=why))
    if not screen.has_shape or screen.own_light_alone:
        missing.append(f"nothing says how even {name} is: look at it on a monitor")
    else:
        values = [screen.at(p)[channel] for p in screen.grid(seen)]
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
    screen: Screen,
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
    middle, grid = at(place), screen.grid()
    spots = [(middle[0] + across, middle[1], middle[2] + up) for across, up in grid]
    x, y, z = facing(profile)
    # patch by patch, for the screen is brightest in its middle, which is nearest to the back of a
    # head; each is matt, so that a luminance of 1 throws pi times its share
    seen = patches(spots, at(where), unit((-x, -y, -z)))
    bright = (screen.at(p)[screen.channel] for p in grid)
    thrown_back = math.pi * sum(a * b for a, b in zip(seen, bright, strict=True))
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
    profile: SetProfile, screen: Screen, seen: Seen | None, presets: Mapping[str, Preset]
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
