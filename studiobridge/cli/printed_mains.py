"""What `mains` prints: loads, inrush, leads, batteries and energy, in words and bars."""

from __future__ import annotations

from studiobridge.cli import show
from studiobridge.cli.readings import bar, percent
from studiobridge.craft import supply
from studiobridge.figures.mains import CAUTION, Load, MainsReading
from studiobridge.profile.model import SetProfile
from studiobridge.shown.lengths import Lengths
from studiobridge.shown.order import by_feed


def print_mains(profile: SetProfile, reading: MainsReading) -> None:
    """Loads, inrush, leads, batteries, energy, each with what is over or near."""
    show.out(f"{profile.title or profile.name}, look {reading.look or '(none)'}: on the mains")
    lengths = Lengths(profile.feet)
    columns = max(10, min(40, show.width() - 50))
    for load in reading.loads:
        show.out()
        show.out(
            f"{load.circuit}: {load.watts:.0f} W, {load.amps:.1f} A of the {load.limit_amps:.3g} A"
            f" that a {load.breaker:g} A breaker carries for long"
        )
        show.out(
            f"  {bar(load.share, columns).ljust(columns)}│ {percent(load.share)};"
            f" every dial up: {load.full:.0f} W, {load.full_amps:.1f} A"
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
            f"lead of {lead.device}: {lengths.one(lead.length)} of {lead.section} at"
            f" {lead.amps:.1f} A loses {lead.drop:.2f} V ({lead.share * 100:.1f} %)"
        )
    for battery in reading.batteries:
        show.out(
            f"battery of {battery.device}: {supply.about(battery.hours * 3600)} at"
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
        todo = "" if finding.weight == "missing" else f": {finding.todo}"
        show.out(f"{weight[finding.weight]}: {finding.text}{todo}")
    show.out()
    show.out(CAUTION)


def _print_draws(profile: SetProfile, load: Load) -> None:
    """What hangs on a circuit and what it draws: each behind its plug, in the profile's order."""
    draws = dict(load.devices)
    feeds = {name: device.fed_by for name, device in profile.devices.items()}
    rows = []
    for circuit, below in by_feed(feeds, profile.circuits):
        for depth, name in below if circuit == load.circuit else ():
            much = draws.get(name, 0.0)
            # three digits, and thousands as they are
            watts = f"{much:.0f} W" if much >= 1000.0 else f"{much:.3g} W"
            watts = watts if name in draws else ""
            device = profile.devices[name]
            if watts or device.kind == "plug":
                rows.append((f"  {'  ' * depth}{name}", watts, device.title))
    if rows:
        show.print_table(("  device", "draws", "title"), rows, spare=("title",))
