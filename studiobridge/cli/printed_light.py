"""What `light` prints: each fixture at the mark, and what all of them make of the picture."""

from __future__ import annotations

import sys
from collections.abc import Sequence
from datetime import UTC, datetime

from studiobridge.cli import show
from studiobridge.cli.readings import bar, not_computed
from studiobridge.figures.balance import stands
from studiobridge.figures.calibration import Calibration
from studiobridge.figures.known import FixtureKnown
from studiobridge.figures.light import FixtureLight, LightReading
from studiobridge.figures.meter import AS_GOOD_AS, Predicted
from studiobridge.figures.sure import rounded, within
from studiobridge.profile.model import SetProfile
from studiobridge.shown import sensor_words, words
from studiobridge.shown.balance import wants_lines
from studiobridge.shown.lengths import Lengths
from studiobridge.shown.light import bounced, light_lines, lux, meter_lines

# In less than this (columns) a light is a row without its bar, and what more is said of it a line.
NARROW = 110
FLICKER_CAUTION = (
    "Flicker can hurt people who never see it. The figures are a calculation: look at the picture,"
    " and ask how anybody in the room feels."
)


def sensor_lines(
    profile: SetProfile, sensors: Sequence[Predicted], read: Sequence[words.Json] | None
) -> list[tuple[str, str]]:
    """What each light sensor should read of the look, and what it reads now where that is asked."""
    lines = []
    for sensor in sensors:
        if sensor.lux is None:
            lines.append((sensor.device, f"not predicted: {words.listed(sensor.missing, 3)}"))
        else:
            text = f"should read {lux(sensor.lux, AS_GOOD_AS)}"
            text += f", {sensor.cct:.0f} K" if sensor.cct is not None else ""
            lines.append((sensor.device, f"{text}, facing {sensor.faces}"))
    for entry in read or ():
        said = sensor_words.sensor(entry, datetime.now(UTC)) or "has not been heard"
        lines.append((str(entry["device"]), f"now: {said}"))
        change = words.number(entry.get("since_ready"))
        if change is not None:
            lines.append((str(entry["device"]), sensor_words.unexplained(entry, change)))
    return lines


def on_face(fixture: FixtureLight, known: FixtureKnown | None) -> str:
    """`277 lx`; a light from the side or behind gives the plane that faces the camera nothing, and
    lights the cheek all the same."""
    if fixture.lux < 0.5 and fixture.angle >= 89.5:
        return "-"
    return lux(fixture.lux, known.lux if known else None)


def cheek(fixture: FixtureLight, known: FixtureKnown | None) -> str:
    """What it gives the cheek that is turned to it, and which that is to the camera: as well known
    as its light on a plane turned to it."""
    if fixture.cheek is None or fixture.cheek < 0.5:
        return "" if fixture.cheek is None else "-"
    value = fixture.cheek
    if known is not None and known.straight is not None:
        value = rounded(value, within(known.straight, value))
    return f"{value:.0f} lx {fixture.side}"


def _meant(profile: SetProfile, reading: LightReading) -> list[tuple[str, str]]:
    """How far the look is from what it says it is for."""
    if reading.look is None or reading.look not in profile.looks:
        return []
    wants = profile.looks[reading.look].wants
    got = reading.whole.cct if reading.whole is not None else None
    return wants_lines(stands(profile, reading.look), wants.white, got)


def print_light(
    profile: SetProfile,
    reading: LightReading,
    sensors: Sequence[Predicted] = (),
    read: Sequence[words.Json] | None = None,
    metered: Calibration | None = None,
) -> None:
    """Light at the mark, ratio, white, exposure, backdrop, banding."""
    lengths = Lengths(profile.feet)
    show.out(f"{profile.title or profile.name}, look {reading.look or '(none)'}: light at the mark")
    show.out()
    most = max([f.lux for f in reading.fixtures], default=0.0)
    rows: list[Sequence[str] | str] = []
    wide = show.columns(sys.stdout)
    narrow = wide is not None and wide < NARROW
    by_dome = profile.picture.receptor == "dome"
    columns = max(8, min(30, show.width() - 94))
    for fixture in reading.fixtures:
        known = reading.sure.fixture(fixture.device) if reading.sure is not None else None
        where = f"{lengths.one(fixture.distance)}, {fixture.angle:.0f}°"
        behind = ""
        if fixture.angle >= 89.5:
            behind = "from behind" if fixture.angle >= 90.5 else "from the side"
            if fixture.straight is not None:
                behind += f": {lux(fixture.straight, known.straight if known else None)}"
        device = profile.devices[fixture.device]
        hand = "by hand" if device.hand_set else ""
        meter = "by your meter" if known is not None and known.by == "meter" else ""
        level = words.preset({"level": fixture.level, "cct": fixture.cct})
        drawn = bar(fixture.lux / most, columns) if most > 0 and not narrow else ""
        face = on_face(fixture, known)
        domed = ""
        if by_dome and not behind and fixture.dome is not None:
            domed = f"a dome reads {lux(fixture.dome, known.lux if known else None)}"
        more = "; ".join(filter(None, (behind, domed, hand, meter)))
        rows.append(
            (
                fixture.device,
                face.removesuffix("s").removesuffix(" stop") if narrow else face,
                cheek(fixture, known),
                drawn,
                level,
                where,
                fixture.role or "",
                "" if narrow else more,
            )
        )
        if narrow and more:
            rows.append(f"  {more}")
    if rows:
        show.print_table(
            (
                *("light", "face ± stop" if narrow else "face", "cheek", "beside the brightest"),
                *("set to", "to the mark", "role", ""),
            ),
            rows,
        )
        show.out()
    lines = [
        *light_lines(profile, reading),
        *_meant(profile, reading),
        *(meter_lines(metered, profile.feet) if metered is not None else ()),
        *sensor_lines(profile, sensors, read),
    ]
    label = max((len(name) for name, _ in lines), default=0)
    for name, text in lines:
        show.out(f"{words.clean(name).ljust(label)}  {words.clean(text)}")
    not_computed(reading.missing)
    show.out()
    show.out(bounced(reading.sure))
    show.out(FLICKER_CAUTION)
