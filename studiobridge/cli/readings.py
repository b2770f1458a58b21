"""What `light`, `mains` and `room` print: the arithmetic of a set in words and bars."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import fields, is_dataclass
from datetime import UTC, datetime
from fractions import Fraction
from typing import Any

from studiobridge.cli import show
from studiobridge.figures.light import LightReading
from studiobridge.figures.mains import CAUTION, Load, MainsReading
from studiobridge.figures.meter import Predicted
from studiobridge.figures.room import RoomReading
from studiobridge.profile.model import Picture, SetProfile
from studiobridge.shown import words
from studiobridge.shown.lengths import Lengths
from studiobridge.shown.order import by_feed

FLICKER_CAUTION = (
    "Flicker can hurt people who never see it. The figures are a calculation: look at the picture,"
    " and ask how anybody in the room feels."
)
STANDS_CAUTION = (
    "Stands and arms over people: weigh them down, tie a safety line, leave a way out of the room."
)


def plain(value: Any) -> Any:
    """A reading as JSON: dataclasses to mappings, exact lengths to numbers."""
    if is_dataclass(value) and not isinstance(value, type):
        return {f.name: plain(getattr(value, f.name)) for f in fields(value)}
    if isinstance(value, tuple | list):
        return [plain(item) for item in value]
    if isinstance(value, Fraction | float):
        return round(float(value), 5)
    return value


def percent(share: float) -> str:
    return f"{share * 100:.0f} %"


def bar(share: float, columns: int) -> str:
    """A bar of eighths of a character; a share above 1 ends in `»`."""
    eighths = " ▏▎▍▌▋▊▉"
    full = max(0.0, min(1.0, share)) * columns
    text = "█" * int(full) + eighths[int((full % 1) * 8)].strip()
    return text[: columns - 1] + "»" if share > 1.0 else text


def stops_of(value: float, above: str, below: str) -> str:
    size = abs(value)
    if size < 0.05:
        return f"level with {above.split(' ', 1)[1]}"
    return f"{size:.1f} stop{'s' if size >= 1.05 else ''} {above if value > 0 else below}"


def white(kelvin: float, duv: float | None) -> str:
    off_locus = duv is not None and abs(duv) >= 0.0001
    return f"{kelvin:.0f} K" + (f", Duv {duv:+.4f}" if off_locus else "")


def not_computed(missing: Sequence[str]) -> None:
    if missing:
        show.out()
        for text in missing:
            show.out(f"missing: {text}")


# ---- light -------------------------------------------------------------------------------


def sensor_lines(
    profile: SetProfile, sensors: Sequence[Predicted], read: Sequence[words.Json] | None
) -> list[tuple[str, str]]:
    """What each light sensor should read of the look, and what it reads now where that is asked."""
    lines = []
    for sensor in sensors:
        if sensor.lux is None:
            lines.append((sensor.device, f"not predicted: {words.listed(sensor.missing, 3)}"))
        else:
            text = f"should read {sensor.lux:.0f} lx"
            text += f", {sensor.cct:.0f} K" if sensor.cct is not None else ""
            lines.append((sensor.device, f"{text}, facing {sensor.faces}"))
    for entry in read or ():
        said = words.sensor(entry, datetime.now(UTC)) or "has not been heard"
        lines.append((str(entry["device"]), f"now: {said}"))
        change = words.number(entry.get("since_ready"))
        if change is not None:
            lines.append((str(entry["device"]), words.unexplained(entry, change)))
    return lines


def print_light(
    profile: SetProfile,
    reading: LightReading,
    sensors: Sequence[Predicted] = (),
    read: Sequence[words.Json] | None = None,
) -> None:
    """Light at the mark, ratio, white, exposure, backdrop, banding."""
    lengths = Lengths(profile.feet)
    show.out(f"{profile.title or profile.name}, look {reading.look or '(none)'}: light at the mark")
    show.out()
    most = max([f.lux for f in reading.fixtures], default=0.0)
    rows = []
    columns = max(8, min(30, show.width() - 70))
    for fixture in reading.fixtures:
        where = f"{lengths.one(fixture.distance)}, {fixture.angle:.0f}°"
        behind = ""
        if fixture.angle >= 90.0:
            behind = "from behind"
            if fixture.straight is not None:
                behind += f": {fixture.straight:.0f} lx"
        device = profile.devices[fixture.device]
        hand = "by hand" if device.hand_set else ""
        level = words.preset({"level": fixture.level, "cct": fixture.cct})
        drawn = bar(fixture.lux / most, columns) if most > 0 else ""
        rows.append(
            (
                fixture.device,
                f"{fixture.lux:.0f} lx",
                drawn,
                level,
                where,
                fixture.role or "",
                "; ".join(filter(None, (behind, hand))),
            )
        )
    if rows:
        show.print_table(
            ("light", "face", "beside the brightest", "set to", "to the mark", "role", ""), rows
        )
        show.out()
    whole = reading.whole
    lines: list[tuple[str, str]] = []
    if whole is not None:
        lines.append(("together", f"{whole.lux:.0f} lx on the face"))
        if whole.ratio is not None:
            stop = math.log2(whole.ratio)
            lines.append(
                ("key to fill", f"{words.ratio(whole.ratio)} ({words.signed(stop, 1)} stop)")
            )
        if whole.cct is not None:
            text = white(whole.cct, whole.duv)
            if reading.off_balance is not None:
                off = reading.off_balance
                side = "as the camera is set"
                if abs(off) >= 0.5:
                    side = (
                        f"{abs(off):.0f} mired {'warmer' if off > 0 else 'cooler'} than the camera"
                    )
                text += f"; {side}"
            lines.append(("white", text))
    if reading.whites_apart is not None and reading.whites_apart[0] >= 0.5:
        apart, coolest, warmest = reading.whites_apart
        lines.append(("whites", f"{apart:.0f} mired from {coolest} to {warmest}"))
    if reading.exposure is not None:
        lines.append(("exposure", exposure_text(profile.picture, reading)))
    for backdrop in reading.backdrops:
        parts = []
        if backdrop.against_grey is not None:
            parts.append(stops_of(backdrop.against_grey, "above a grey card", "below a grey card"))
        if backdrop.incident is not None:
            parts.append(
                stops_of(backdrop.incident, "above the subject", "below the subject")
                + " (incident)"
            )
        if backdrop.spread is not None:
            parts.append(f"even within {backdrop.spread:.1f} stop edge to edge")
        if backdrop.spill is not None:
            parts.append(f"throws {backdrop.spill:.0f} lx on the subject's back")
        if parts:
            lines.append((backdrop.device, "; ".join(parts)))
    lines.extend(sensor_lines(profile, sensors, read))
    if reading.banding:
        shown = [b for b in reading.banding if b.bands]
        text = "none expected at this shutter"
        if shown:
            text = "; ".join(
                f"{b.source} at {b.frequency:g} Hz may show bands, ripple {b.ripple:.0f} %"
                for b in shown
            )
        lines.append(("banding", text))
    risky = [b.source for b in reading.banding if b.risk == "not low"]
    if risky:
        lines.append(("flicker", f"{words.listed(risky)}: not of low risk by IEEE 1789"))
    label = max((len(name) for name, _ in lines), default=0)
    for name, text in lines:
        show.out(f"{words.clean(name).ljust(label)}  {words.clean(text)}")
    not_computed(reading.missing)
    show.out()
    show.out(
        "Without what walls and ceiling bounce back: where a meter differs, the meter is right."
    )
    show.out(FLICKER_CAUTION)


def exposure_text(picture: Picture, reading: LightReading) -> str:
    """`f/2.9 at 1/50 s, ISO 250; set to f/2.8: 0.1 stop over`."""
    made = reading.exposure
    if made is None or picture.shutter is None:
        return ""
    text = f"f/{made.aperture:.1f} at {shutter(picture.shutter)}, ISO {picture.iso:g}"
    if made.over is not None:
        off = abs(made.over)
        side = "over" if made.over > 0 else "under"
        judged = "right" if off < 0.05 else f"{off:.1f} stop{'s' if off >= 1.05 else ''} {side}"
        text += f"; set to f/{picture.aperture:g}: {judged}"
    return text


def shutter(seconds: float) -> str:
    return f"1/{1 / seconds:.0f} s" if seconds < 0.5 else f"{seconds:g} s"


# ---- mains -------------------------------------------------------------------------------


def print_mains(profile: SetProfile, reading: MainsReading) -> None:
    """Loads, inrush, leads, batteries, energy, each with what is over or near."""
    show.out(f"{profile.title or profile.name}, look {reading.look or '(none)'}: on the mains")
    columns = max(10, min(40, show.width() - 50))
    for load in reading.loads:
        show.out()
        show.out(
            f"{load.circuit}: {load.watts:.0f} W of the {load.limit:.0f} W that {load.breaker:g} A"
            f" at {profile.voltage:g} V carries for long"
        )
        show.out(
            f"  {bar(load.share, columns).ljust(columns)}│ {percent(load.share)}, {load.amps:.1f} A"
        )
        _print_draws(profile, load)
        if load.worst is not None:
            show.out(
                f"  greatest switch-on: {load.worst.device} {load.worst.inrush:.0f} A on top of"
                f" {load.worst.running:.1f} A; a curve {load.curve} breaker may trip from"
                f" {load.band:.0f} A"
            )
    if reading.leads or reading.batteries or reading.plugs:
        show.out()
    for plug in reading.plugs:
        show.out(
            f"plug {plug.device}: {plug.watts:.0f} W, {plug.amps:.1f} A of the {plug.rated:g} A it"
            " is rated"
        )
    for lead in reading.leads:
        show.out(
            f"lead of {lead.device}: {lead.length:g} m of {lead.section} at {lead.amps:.1f} A loses"
            f" {lead.drop:.2f} V ({lead.share * 100:.1f} %)"
        )
    for battery in reading.batteries:
        show.out(
            f"battery of {battery.device}: about {words.duration(battery.hours * 3600)} at"
            f" {battery.watts:g} W, a fifth held back"
        )
    show.out()
    cost = ""
    if reading.cost is not None:
        cost = f", {reading.cost[0]:.2f} {reading.cost[1]}"
    show.out(
        f"energy: {reading.watts:.0f} W for {reading.hours:g} h is {reading.kwh:.2f} kWh{cost}"
    )
    for finding in reading.findings:
        weight = {"over": "TOO MUCH", "near": "near the limit", "missing": "missing"}
        show.out(f"{weight[finding.weight]}: {finding.text}")
    show.out()
    show.out(CAUTION)


def _print_draws(profile: SetProfile, load: Load) -> None:
    """What hangs on a circuit and what it draws: each behind its plug, in the profile's order."""
    draws = dict(load.devices)
    feeds = {name: device.fed_by for name, device in profile.devices.items()}
    rows = []
    for circuit, below in by_feed(feeds, profile.circuits):
        for depth, name in below if circuit == load.circuit else ():
            watts = f"{draws[name]:.3g} W" if name in draws else ""
            device = profile.devices[name]
            if watts or device.kind == "plug":
                rows.append((f"  {'  ' * depth}{name}", watts, device.title))
    if rows:
        show.print_table(("  device", "draws", "title"), rows, spare=("title",))


# ---- room --------------------------------------------------------------------------------


def print_room(profile: SetProfile, reading: RoomReading) -> None:
    """The depth from the back wall, what variations save, framing, where everything stands."""
    lengths = Lengths(profile.feet)
    show.out(f"{profile.title or profile.name}: the room")
    made = reading.budget
    if made is not None:
        show.out()
        show.out("from the back wall:")
        room = profile.room.depth
        whole = float(room) if room is not None else float(made.total)
        whole = max(whole, float(made.total))
        columns = max(12, min(44, show.width() - 66))
        rows = []
        for station in made.stations:
            first = round(float(station.total - station.depth) / whole * columns)
            last = max(first + 1, round(float(station.total) / whole * columns))
            drawn = " " * first + "▒" * (last - first)
            rows.append(
                (station.name, lengths.both(station.depth), drawn, lengths.both(station.total))
            )
        show.print_table(("", "deep", "where", "up to"), rows, spare=("where",))
        if made.left is not None:
            if made.left >= 0:
                show.out(f"left of the room: {lengths.both(made.left)}")
            else:
                show.out(f"TOO DEEP: {lengths.both(-made.left)} more than the room has")
        for varied in made.variations:
            show.out(
                f"{words.clean(varied.title or varied.name)}: saves {lengths.both(varied.saves)},"
                f" {lengths.both(varied.total)} in all"
            )
        if made.together is not None and len(made.variations) > 1:
            show.out(f"all of these together: {lengths.both(made.together)} in all")
    framed = reading.framing
    if framed is not None:
        show.out()
        show.out(
            f"{framed.focal:g} mm from {lengths.both(framed.distance)}: shows"
            f" {lengths.one(framed.field[0])} × {lengths.one(framed.field[1])} at the mark"
            f" ({framed.angle[0]:.0f}° × {framed.angle[1]:.0f}°)"
        )
        for fit in framed.fits:
            verb = "fits" if fit.fits else "does not fit"
            wish = " (what is asked for)" if fit.framing == profile.picture.fits else ""
            show.out(
                f"  {fit.framing}{wish} {verb}; it does from {lengths.both(fit.from_distance)}"
            )
        if framed.backdrop is not None:
            name, wide, high = framed.backdrop
            filled = "fills the picture" if min(wide, high) >= 1 else "does not fill the picture"
            show.out(
                f"  {words.clean(name)} {filled}: {percent(wide)} of its width,"
                f" {percent(high)} of its height"
            )
    for name, gap in reading.behind:
        show.out(f"from the mark back to {words.clean(name)}: {lengths.both(gap)}")
    if reading.standing:
        show.out()
        places: list[tuple[str, ...]] = []
        for item in reading.standing:
            side = "left" if item.place.across < 0 else "right"
            across = (
                "middle"
                if item.place.across == 0
                else f"{lengths.one(abs(item.place.across))} {side}"
            )
            bearing = ""
            if item.bearing is not None:
                turn = "left" if item.bearing < 0 else "right"
                bearing = f"{abs(item.bearing):.0f}° {turn} of the camera"
            away = (
                f"{lengths.one(item.distance)} from {item.aim}" if item.distance is not None else ""
            )
            places.append(
                (
                    item.device,
                    lengths.one(item.place.from_back),
                    across,
                    lengths.one(item.place.height),
                    away,
                    bearing,
                )
            )
        heads = ("device", "from the back wall", "across", "up", "aimed", "")
        show.print_table(heads, places)
        show.out(
            "Left and right are as the camera sees them; heights are to the middle of the lamp."
        )
    not_computed(reading.missing)
    show.out()
    show.out(STANDS_CAUTION)
