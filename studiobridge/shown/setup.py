"""Putting a set up and striking it in words: the same lines for the terminal and the page."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from studiobridge.control.plan import plan
from studiobridge.craft import supply
from studiobridge.figures.framing import framing
from studiobridge.figures.light import LightReading
from studiobridge.figures.mains import CAUTION as MAINS_CAUTION
from studiobridge.figures.packing import Packed
from studiobridge.figures.setup import Aim, Check, Dial, Setup, Spot
from studiobridge.figures.sure import rounded
from studiobridge.profile.model import Lead, SetProfile
from studiobridge.shown import words
from studiobridge.shown.lengths import Lengths
from studiobridge.shown.light import LUX_A_FOOTCANDLE, Line, backdrop_lines, exposure_lines, lux
from studiobridge.shown.shutters import shutter

CAUTIONS = (
    "Stands: weighed down, legs wide, a safety line on whatever is over people, the way out free.",
    "Cables: along the walls, taped or under mats where anybody walks, never pulled tight.",
    "Lamps and supplies stay hot for a while after they are off: gloves, and let them cool.",
    MAINS_CAUTION,
)


@dataclass(frozen=True, slots=True)
class Section:
    """A part of the work: what it is called, and its lines, each about something."""

    title: str
    lines: tuple[Line, ...]


def up(profile: SetProfile, setup: Setup, light: LightReading, each: bool = False) -> list[Section]:
    """From the car to the first take, in the look of this light.

    `each`: every thing to bring is a line of its own.
    """
    lengths = Lengths(profile.feet)
    bring = pack_lines(setup.pack, lengths)
    if each:
        bring = [(item.group, _packed(item, lengths)) for item in setup.pack]
    return _with_lines(
        Section("Bring", tuple(bring)),
        Section("Before anything stands", tuple(_before(setup, lengths))),
        Section(
            "From the back wall forward",
            tuple((s.device, spot_line(s, profile, lengths)) for s in setup.spots),
        ),
        Section("Power, one circuit at a time", tuple(_power(profile, setup))),
        Section("The light, with a meter", tuple(_light(profile, setup, light))),
        Section("The picture", tuple(_picture(profile, light, lengths))),
    )


def strike(profile: SetProfile, setup: Setup) -> list[Section]:
    """The way back: off, cold, down, into the car."""
    lengths = Lengths(profile.feet)
    return _with_lines(
        Section("Off, and cold", tuple(_off(profile, setup))),
        Section(
            "From the camera back to the wall",
            tuple((s.device, _taken_down(s)) for s in reversed(setup.spots) if not s.fixed),
        ),
        Section("Back into the car", tuple(_away(setup, lengths))),
    )


def _with_lines(*sections: Section) -> list[Section]:
    return [section for section in sections if section.lines]


# ---- bring --------------------------------------------------------------------------------------


def pack_lines(pack: Sequence[Packed], lengths: Lengths) -> list[Line]:
    """A line a group: `stands: 3 stands (key, fill, rim), 1 tripod (camera)`."""
    return [(group, "; ".join(items)) for group, items in packed(pack, lengths).items()]


def packed(pack: Sequence[Packed], lengths: Lengths) -> dict[str, list[str]]:
    """Every thing to bring in words, by group."""
    groups: dict[str, list[str]] = {}
    for item in pack:
        groups.setdefault(item.group, []).append(_packed(item, lengths))
    return groups


def _packed(item: Packed, lengths: Lengths) -> str:
    if item.lead is not None:
        return f"lead of {item.devices[0]}, {lead(item.lead, lengths)}"
    if item.group in ("light", "picture and sound"):
        return item.devices[0]
    if item.group == "batteries":
        lasts = f", one lasts {supply.about(item.hours * 3600)}" if item.hours else ""
        return f"{item.devices[0]}: {item.what}{lasts}"
    what = f"{item.count} {_many(item.what)}" if item.count > 1 else item.what
    listed = f" ({', '.join(item.devices)})" if item.devices else ""
    return what + listed


def _many(what: str) -> str:
    """`stands for a cloth's bar`: more than one of it."""
    for joint in (" on a ", " for a ", " of its "):
        if joint in what:
            first, _, rest = what.partition(joint)
            return f"{first}s{joint}{rest}"
    return f"{what}s"


def lead(made: Lead, lengths: Lengths) -> str:
    section = f"{made.square_mm:g} mm²" if made.square_mm is not None else f"{made.awg} AWG"
    return f"{lengths.one(made.length)} of {section}"


# ---- put up -------------------------------------------------------------------------------------


def _before(setup: Setup, lengths: Lengths) -> list[Line]:
    lines: list[Line] = []
    if any(s.tapes is not None for s in setup.spots):
        lines.append(
            (
                "tapes",
                f"hook one at each end of the back wall ({lengths.one(setup.width or 0)} apart), on"
                " the floor: a point is where both cross at the lengths below, left and right as"
                " the camera sees them",
            )
        )
    if setup.spots:
        lines.append(
            (
                "chalk",
                f"a cross at each of the {words.count(len(setup.spots), 'point')} below, before"
                " the first stand goes up; then walk it once: does a door, a pillar or the way"
                " out want one of them?",
            )
        )
    lines += [
        (
            run.device,
            f"lay its {lead(run.lead, lengths)} from {run.feed} along the wall, not plugged in",
        )
        for run in setup.runs
    ]
    return lines


def spot_line(spot: Spot, profile: SetProfile, lengths: Lengths) -> str:
    """Where one thing stands, how high, and how it is aimed."""
    parts = [where(spot, lengths)]
    if spot.fixed:
        parts.append("hangs or stands there for good: only look whether it was moved")
    if spot.ends is not None:
        left, right = (lengths.one(abs(end)) for end in spot.ends)
        sides = [
            f"{text} {'left' if end < 0 else 'right'}"
            for text, end in zip((left, right), spot.ends, strict=True)
        ]
        parts.append(f"its ends {sides[0]} and {sides[1]} of the middle")
    if spot.stands_on == "boom":
        parts.append(
            "on a boom with the cross below the lamp, for its stand would be in the picture or over"
            " the mark"
        )
    middle = {"camera": "the lens ", "mark": "the face "}
    if spot.kind in ("light", "backdrop"):
        middle[spot.kind] = "its middle "
    parts.append(f"{middle.get(spot.kind, '')}{lengths.one(spot.place.height)} up")
    size = profile.devices[spot.device].size if spot.kind == "backdrop" else None
    if size is not None:  # a bar is hung by the edge, and nobody sees a middle
        top, lower = (spot.place.height + side * size[1] / 2 for side in (1, -1))
        parts[-1] += f", its top edge {lengths.one(top)}"
        if lower >= 0.005:
            parts[-1] += f", its lower edge {lengths.one(lower)}"
    if spot.aim is not None:
        parts.append(aim_text(spot.aim, lengths))
    if spot.overhead and not spot.fixed:
        parts.append("weight and safety line before it goes up")
    return "; ".join(parts)


def where(spot: Spot, lengths: Lengths) -> str:
    """`tapes 9 ft 4 in left, 14 ft 7 3/4 in right`; else out from the wall and off the middle."""
    if spot.tapes is not None and spot.tapes.good:
        left, right = lengths.tape(spot.tapes.left), lengths.tape(spot.tapes.right)
        return f"tapes {left} left, {right} right"
    text = (
        f"{lengths.one(spot.place.from_back)} out from the back wall, {off_middle(spot, lengths)}"
    )
    if spot.tapes is None:
        return text
    return f"by the middle line and a square (tapes cross badly there): {text}"


def off_middle(spot: Spot, lengths: Lengths) -> str:
    across = spot.place.across
    if across == 0:
        return "on the middle line"
    return f"{lengths.one(abs(across))} {'left' if across < 0 else 'right'} of the middle line"


def aim_text(aim: Aim, lengths: Lengths) -> str:
    """`aimed at the mark, 5 ft 1 in up: 17° down, turned 49° right of straight at the wall`."""
    to = "the mark" if aim.to == "mark" else aim.to
    return f"aimed at {to}, {lengths.one(aim.height)} up: {tilt(aim.tilt)}, {turned(aim.turn)}"


def tilt(degrees: float) -> str:
    if abs(degrees) < 0.5:
        return "level"
    return f"{abs(degrees):.0f}° {'down' if degrees < 0 else 'up'}"


def turned(degrees: float, brief: bool = False) -> str:
    """To the back wall or away from it, as whoever stands at the camera sees it.

    Away from it a wall of the room says which way: whoever stands behind the lamp then has the
    camera's left at the right hand. `brief`: for a column of a table.
    """
    away = abs(degrees) > 90.0
    off = 180.0 - abs(degrees) if away else abs(degrees)
    straight = "out from the wall" if away else "at the wall"
    side = "left" if degrees < 0 else "right"
    if off < 0.5:
        return f"straight {straight}"
    if away:
        to = f"to the {side} wall"
        if brief:
            return f"facing out, {off:.0f}° {to}"
        return f"{off:.0f}° from straight {straight}, {to}"
    return f"{off:.0f}° {side}" if brief else f"{off:.0f}° {side} of straight {straight}"


# ---- power, light, picture ----------------------------------------------------------------------


def _power(profile: SetProfile, setup: Setup) -> list[Line]:
    look = f" --look {setup.look}" if setup.look and setup.look != profile.default_look else ""
    lines: list[Line] = []
    for circuit, watts, amps in setup.feeds:
        names = [
            d.name for d in profile.devices.values() if d.circuit == circuit and d.fed_by == circuit
        ]
        if names:
            carried = f"; {watts:.0f} W, {amps:.1f} A in this look" if watts else ""
            lines.append((circuit, f"plug in {words.listed(names)}, lamps turned away{carried}"))
    lines.append(
        (
            "test",
            f"`studiobridge up{look}` and wait for ready: it names whatever does not answer. What"
            " hums, smells or sparks comes out at the wall",
        )
    )
    lines += [("by hand", text) for text in plan(profile, "up", setup.look).people]
    lines += [(dial.device, dial_text(dial)) for dial in setup.dials]
    return lines


def dial_text(dial: Dial) -> str:
    """`dial to 60 %; its plug then meters about 15.4 W`."""
    text = f"dial to {words.preset({'level': dial.level, 'cct': dial.cct})}"
    if dial.watts is not None:
        text += f"; its plug then meters about {words.watts(dial.watts)}"
    return text


def _light(profile: SetProfile, setup: Setup, light: LightReading) -> list[Line]:
    if not setup.checks:
        return []
    dome = profile.picture.receptor == "dome"
    held = "the dome" if dome else "a flat receptor"
    lines: list[Line] = [
        (
            "hold it",
            f"at the face, {held} to the camera, yourself out of the light; keep what comes from"
            " behind off it with a hand",
        )
    ]
    for check in setup.checks:
        alone = f"{check.on[0]} alone" if len(check.on) == 1 else "all of these"
        lines.append((alone, reads(check, dome, profile.feet)))
    bounce = max((check.bounce for check in setup.checks), default=0.0)
    if bounce >= 0.05:
        allowed = f"{bounce:.1f} stop more by what walls bounce"
        lines.append(("right", f"is what ± says, and up to {allowed} onto the face"))
    for found in light.backdrops:
        lines += backdrop_lines(found, light.sure)
    lines.append(
        (
            "if not",
            "distance first, then aim, then level. Where all stands right and a meter differs, the"
            " meter is right: write what it read under `readings:`, and next time this is nearer",
        )
    )
    return lines


def reads(check: Check, dome: bool, feet: bool) -> str:
    """`210 lx ± 0.4 stop: anything from 150 to 350 is right (20 fc, 14 to 33)`."""
    value = check.dome if dome else check.flat
    low, high = check.band(value)
    off = value * math.log(2.0) * check.within
    least, most = rounded(low, off), rounded(high, off)
    text = f"{lux(value, check.within)}: {least:.0f} to {most:.0f} is right"
    if not feet:
        return text
    low, value, high = (each / LUX_A_FOOTCANDLE for each in (low, value, high))
    return text + f" (in fc about {value:.2g}, {low:.2g} to {high:.2g})"


def _picture(profile: SetProfile, light: LightReading, lengths: Lengths) -> list[Line]:
    lines = camera_lines(profile)
    lines += exposure_lines(profile.picture, light, brief=True)
    framed = framing(profile, [])
    if framed is not None:
        wide, high = framed.field
        lines.append(
            (
                "framing",
                f"a tape held across at the mark shows {lengths.one(wide)} from edge to edge,"
                f" {lengths.one(high)} from top to bottom",
            )
        )
    return lines


def camera_lines(profile: SetProfile) -> list[Line]:
    """What the camera is set to."""
    picture = profile.picture
    camera = []
    if picture.focal is not None:
        camera.append(f"{picture.focal:g} mm")
    if picture.shutter is not None:
        camera.append(shutter(picture.shutter))
    if picture.frames is not None:
        camera.append(f"{picture.frames:g} fps")
    if picture.iso is not None:
        camera.append(f"ISO {picture.iso:.0f}")
    if picture.aperture is not None:
        camera.append(f"f/{picture.aperture:g}")
    if picture.white is not None:
        tint = f", Duv {words.signed(picture.duv, 3)}" if picture.duv else ""
        camera.append(f"white {picture.white:.0f} K{tint}")
    return [("camera", ", ".join(camera))] if camera else []


# ---- strike -------------------------------------------------------------------------------------


def _off(profile: SetProfile, setup: Setup) -> list[Line]:
    lines: list[Line] = []
    if setup.amps:
        lines.append((words.listed(list(setup.amps)), "off first, before what they listen to"))
    down = "`studiobridge down`, and wait for dark: it keeps the order, and cools what has a fan"
    lines.append(("down", down))
    lines += [("by hand", text) for text in plan(profile, "down").people]
    by_time: dict[float, list[str]] = {}
    for device, seconds in setup.cooling:
        by_time.setdefault(seconds, []).append(device)
    for seconds, devices in sorted(by_time.items(), reverse=True):
        text = f"{words.about(seconds)} to cool, under power for the fan; a glove still"
        lines.append((words.listed(devices), text))
    lines.append(("unplug", "at the wall first, then at the device; by the plug, not the cable"))
    return lines


def _taken_down(spot: Spot) -> str:
    if spot.kind == "mark":
        return "chair and table out of the way"
    if spot.stands_on == "boom":
        return "lower the arm with the safety line still on; lamp off, line off, weight off last"
    if spot.stands_on == "stand":
        line = "safety line on until it is low; " if spot.overhead else ""
        return f"lower it; {line}lamp off, weight off last"
    if spot.stands_on == "tripod":
        return "card and battery out, cap on, off its tripod"
    if spot.stands_on == "bar":
        return "roll it, bar and stands last"
    return "off, its cable with it"


def _away(setup: Setup, lengths: Lengths) -> list[Line]:
    lines: list[Line] = []
    if setup.runs:
        leads = [f"{run.device} {lead(run.lead, lengths)}" for run in setup.runs]
        lines.append(("leads", f"last, from the camera's end to the wall: {', '.join(leads)}"))
    lines.append(("chalk", "wiped, tape off the floor, both tape measures rolled up"))
    lines += [
        (f"count {group}", text)
        for group, text in pack_lines(setup.pack, lengths)
        if group in ("light", "stands", "power", "picture and sound")
    ]
    return lines
