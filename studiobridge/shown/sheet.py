"""The set sheet: one file, no network, for the wall. HTML, or the drawing alone as SVG."""

from __future__ import annotations

import textwrap
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from xml.sax.saxutils import escape, quoteattr

import jinja2

from studiobridge.control.plan import plan
from studiobridge.craft.chroma import spelled
from studiobridge.figures.light import LightReading, light_of
from studiobridge.figures.mains import CAUTION as MAINS_CAUTION
from studiobridge.figures.mains import MainsReading, mains_of
from studiobridge.figures.meter import AS_GOOD_AS, Predicted, predicted
from studiobridge.figures.room import RoomReading, room_of
from studiobridge.figures.setup import Spot, setup_of
from studiobridge.profile.model import Device, Place, Preset, SetProfile
from studiobridge.shown.floor import floor
from studiobridge.shown.keying import keying_lines
from studiobridge.shown.lengths import Lengths
from studiobridge.shown.light import (
    backdrop_lines,
    backdrops_of,
    exposure_lines,
    face_lines,
    lux,
    white_lines,
)
from studiobridge.shown.paper import LETTER, LINE, STYLE, px_of
from studiobridge.shown.setup import camera_lines, packed, tilt, turned
from studiobridge.shown.side import side

# What both drawings may take of the first page (mm): what A4 and Letter have in common, less what
# stands above and below; and how large they are where there is room, so that words stay words.
PAPER_WIDE, PAPER_HIGH, MM_A_PX = 184.0, 200.0, 0.21

CAUTIONS = (
    "Not a safety device. Pull the plug before you open or move anything.",
    "Lamps and supplies stay hot for a while after they are off.",
    "Stands and arms over people: weigh them down, tie a safety line, keep the way out free.",
    "Flicker can hurt people who never see it: look at the picture, and ask in the room.",
    MAINS_CAUTION,
)


@dataclass(frozen=True, slots=True)
class Row:
    """One line of the table from which things are put back."""

    device: str
    title: str
    kind: str
    level: str
    cct: str
    hand: bool
    back: tuple[str, str]
    across: tuple[str, str]
    up: tuple[str, str]
    aim: tuple[str, str]
    feed: str
    # from the back wall's left and right end along the floor, where tapes find it
    tapes: tuple[str, str] = ("", "")


NOWHERE = ("", "")


def _across(place: Place, lengths: Lengths) -> tuple[str, str]:
    if place.across == 0:
        return ("middle", "")
    first, other = lengths.pair(abs(place.across))
    return f"{first} {'left' if place.across < 0 else 'right'}", other


def _row(
    device: Device,
    preset: Preset | None,
    reading: RoomReading,
    lengths: Lengths,
    spot: Spot | None = None,
) -> Row:
    place = device.place
    aim = tilted = ""
    standing = next((s for s in reading.standing if s.device == device.name), None)
    if standing is not None and standing.distance is not None:
        aim = f"{standing.aim}, {lengths.one(standing.distance)}"
        if spot is not None and spot.aim is not None:
            tilted = tilt(spot.aim.tilt)
            if abs(spot.aim.turn) >= 0.5:
                tilted += f", {turned(spot.aim.turn, brief=True)}"
    white = f"{preset.cct:.0f} K" if preset and preset.cct is not None else ""
    if preset and preset.colour is not None:
        white = spelled(preset.colour)
    level = f"{preset.level:g} %" if preset and preset.level is not None else ""
    return Row(
        device.name,
        device.title,
        device.kind,
        level,
        white,
        device.hand_set,
        lengths.pair(place.from_back) if place else NOWHERE,
        _across(place, lengths) if place else NOWHERE,
        lengths.pair(place.height) if place else NOWHERE,
        (aim, tilted),
        "battery" if device.battery and device.kind != "backdrop" else device.fed_by or "",
        _tapes(spot, lengths),
    )


def _tapes(spot: Spot | None, lengths: Lengths) -> tuple[str, str]:
    if spot is None or spot.tapes is None or not spot.tapes.good:
        return NOWHERE
    return f"left {lengths.tape(spot.tapes.left)}", f"right {lengths.tape(spot.tapes.right)}"


def light_lines(profile: SetProfile, reading: LightReading) -> list[tuple[str, str]]:
    """What is looked for on a wall; all there is to say of the light is what `light` prints."""
    return [
        *face_lines(reading, brief=True, feet=profile.feet),
        *white_lines(reading, brief=True),
        *exposure_lines(profile.picture, reading, brief=True),
        *(line for found in backdrops_of(reading) for line in backdrop_lines(found, reading.sure)),
        *(line for made in reading.keying for line in keying_lines(profile, made, brief=True)),
    ]


def sensor_lines(sensors: Sequence[Predicted]) -> list[tuple[str, str]]:
    """What each light sensor should read of the look: the way to see that all is put back."""
    return [
        (
            f"{sensor.device} should read",
            lux(sensor.lux, AS_GOOD_AS)
            + (f", {sensor.cct:.0f} K" if sensor.cct is not None else ""),
        )
        for sensor in sensors
        if sensor.lux is not None
    ]


def supply_lines(profile: SetProfile) -> list[str]:
    """What to have enough of before it begins: as far as the profile warns of it."""
    lines = []
    for device in profile.devices.values():
        warn = device.warn
        parts = []
        if warn.battery is not None:
            parts.append(f"battery above {warn.battery:g} %")
        if warn.card is not None:
            parts.append(f"more than {warn.card:g} min left on its card")
        if warn.temperature is not None:
            parts.append(f"below {warn.temperature:.0f} °C")
        if parts:
            lines.append(f"{device.name}: {', '.join(parts)}")
    return lines


def load_lines(reading: MainsReading) -> list[tuple[str, str, str, float, str]]:
    """Circuit, breaker, load in words, its share of what it carries, what hangs on it."""
    return [
        (
            load.circuit,
            f"{load.breaker:g} A, curve {load.curve}",
            f"{load.watts:.0f} W, {load.amps:.1f} A of {load.limit_amps:g} A",
            load.share,
            ", ".join(name for name, _ in load.devices),
        )
        for load in reading.loads
    ]


def page(
    profile: SetProfile, look: str | None, presets: Mapping[str, Preset], pack: bool = False
) -> str:
    """The whole sheet as HTML: prints on A4 and Letter, in black and white too.

    `pack`: with the list of what is brought.
    """
    room = room_of(profile)
    light = light_of(profile, look, presets)
    mains = mains_of(profile, look, presets)
    sensors = predicted(profile, presets)
    order = plan(profile, "up", look)
    made = setup_of(profile, look, presets, light)
    spots = {spot.device: spot for spot in made.spots}
    rows = [
        _row(
            device,
            presets.get(device.name),
            room,
            Lengths(profile.feet),
            spots.get(device.name),
        )
        for device in profile.devices.values()
        if device.fixture or device.place is not None
    ]
    described = profile.looks[look].title if look is not None else ""
    environment = jinja2.Environment(
        loader=jinja2.PackageLoader("studiobridge", "shown"),
        autoescape=True,
        trim_blocks=True,
        lstrip_blocks=True,
        undefined=jinja2.StrictUndefined,
    )
    return environment.get_template("sheet.html").render(
        profile=profile,
        look=look,
        described=described,
        drawings=_drawings(profile, presets),
        style=STYLE,
        rows=rows,
        light=[*light_lines(profile, light), *camera_lines(profile), *sensor_lines(sensors)],
        supplies=supply_lines(profile),
        missing=[*light.missing, *(m for s in sensors for m in s.missing), *room.missing],
        loads=load_lines(mains),
        over=[f.text for f in mains.findings if f.weight != "missing"],
        budget=room.budget,
        length=Lengths(profile.feet).pair,
        steps=order.steps,
        people=order.people,
        leaving=plan(profile, "down").people,
        ready_in=order.ready_in,
        cautions=CAUTIONS,
        pack=packed(made.pack, Lengths(profile.feet)) if pack else {},
    )


def _drawings(profile: SetProfile, presets: Mapping[str, Preset]) -> list[tuple[str, float]]:
    """The room from above and from the side, each with its width on the paper (mm): one scale."""
    if all(d.place is None for d in profile.devices.values()):
        return []
    drawn = [floor(profile, presets), side(profile, presets)]
    sizes = [px_of(text) for text in drawn]
    mm = min(MM_A_PX, PAPER_WIDE / max(w for w, _ in sizes), PAPER_HIGH / sum(h for _, h in sizes))
    return [(text, wide * mm) for text, (wide, _) in zip(drawn, sizes, strict=True)]


def from_the_side(profile: SetProfile, look: str | None, presets: Mapping[str, Preset]) -> str:
    """The room from the side alone, as an SVG file."""
    title = f"{profile.title or profile.name}" + (f", look {look}" if look else "")
    return side(profile, presets, standalone=True, title=f"{title}, from the side") + "\n"


def picture(profile: SetProfile, look: str | None, presets: Mapping[str, Preset]) -> str:
    """Both drawings as one SVG file, with light, camera and cautions in words below them."""
    light = light_of(profile, look, presets)
    title = f"{profile.title or profile.name}" + (f", look {look}" if look else "")
    drawn = [floor(profile, presets), side(profile, presets)]
    wide = max(px_of(text)[0] for text in drawn)
    down = 0.0
    parts = []
    for text in drawn:
        own_wide, own_high = px_of(text)
        where = f'<svg y="{down:.0f}" width="{own_wide:.0f}" height="{own_high:.0f}" '
        parts.append(text.replace("<svg ", where, 1))
        down += own_high
    said = [
        f"{name}: {text}" for name, text in [*light_lines(profile, light), *camera_lines(profile)]
    ]
    said += [f"missing: {text}" for text in light.missing]
    down += LINE
    columns = int((wide - 48) / LETTER)
    lines = [part for text in [*said, *CAUTIONS] for part in textwrap.wrap(text, columns)]
    parts.append(
        f'<text class="ink name" x="24" y="{down + LINE:.0f}" font-size="16">{escape(title)}</text>'
    )
    for i, line in enumerate(lines):
        y = down + LINE * (i + 2.4)
        parts.append(f'<text class="ink" x="24" y="{y:.0f}">{escape(line)}</text>')
    tall = down + LINE * (len(lines) + 3)
    return (
        f'<svg class="floor" viewBox="0 0 {wide:.0f} {tall:.0f}" width="{wide:.0f}"'
        f' height="{tall:.0f}" role="img" aria-label={quoteattr(title)}'
        f' xmlns="http://www.w3.org/2000/svg">\n<title>{escape(title)}</title>\n'
        f"<style>{STYLE}</style>\n"
        '<rect width="100%" height="100%" fill="#fff"/>\n' + "\n".join(parts) + "\n</svg>\n"
    )
