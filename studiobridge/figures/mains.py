"""What a look asks of the mains: load and inrush by circuit, leads, batteries, energy.

A calculation from the profile's figures, not an inspection: local code and a licensed
electrician decide.

A fixture's draw is read off its table (`draws_at`), else estimated from above (`draws.py`). Amperes
are by its power factor. What is not in the profile (a heater on the same circuit) is not in the
sum.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Literal

from studiobridge.craft import mains
from studiobridge.figures.draws import (
    ANYTHING_FROM,
    CORRECTED,
    LIGHTING_FROM,
    LIMITED,
    UNCORRECTED,
    apparent,
    at_full,
    draw,
)
from studiobridge.profile.model import Circuit, Device, Preset, SetProfile

CAUTION = (
    "A calculation from your figures, not an inspection: local code and a licensed electrician"
    " decide."
)
TURNED_UP = "a dial turned up is one hand away"
THICKER = "a thicker lead, or less behind it"
# From here on a circuit is called near its limit: nine tenths of what it carries for long.
NEAR = 0.9

Weight = Literal["over", "near", "missing"]


@dataclass(frozen=True, slots=True)
class Finding:
    """One sentence about the mains, its weight, and the part of the profile it is about."""

    weight: Weight
    text: str
    where: tuple[str | int, ...]
    todo: str = "less on it, another circuit, or a look that asks for less"


@dataclass(frozen=True, slots=True)
class SwitchOn:
    """One switch-on: its inrush (A) on top of what runs (A), and what the breaker says to it."""

    device: str
    inrush: float
    running: float
    trips: Literal["no", "may", "will"]


@dataclass(frozen=True, slots=True)
class Load:
    """One circuit under one look: W and A at most, and what it carries for long (W, at a power
    factor of 1, and A)."""

    circuit: str
    breaker: float
    curve: str
    watts: float
    amps: float
    limit: float
    limit_amps: float
    # with every dial on it turned up: W and A
    full: float
    full_amps: float
    # A at which its breaker may trip at once, and must
    band: float
    band_end: float
    devices: tuple[tuple[str, float], ...]
    worst: SwitchOn | None
    # the greatest that it comes to where plugs below another come back on with their mains
    cascade: SwitchOn | None
    # when the mains come back after an outage: all that comes on at once by itself
    returns: SwitchOn | None

    @property
    def share(self) -> float:
        """Of the amperes that the circuit carries for long; above 1 is too much."""
        return self.amps / self.limit_amps


@dataclass(frozen=True, slots=True)
class LeadDrop:
    """A lead: the current through it (A), and what it loses (V and share of the voltage).

    `carries`: A for long; `full_amps` with every dial behind it turned up.
    """

    device: str
    length: float
    section: str
    amps: float
    drop: float
    share: float
    carries: float
    full_amps: float


@dataclass(frozen=True, slots=True)
class Through:
    """A plug or strip that says what it is rated for: W and A through it, and what may be (A).

    `full_amps` is with every dial behind it turned up.
    """

    device: str
    watts: float
    amps: float
    rated: float
    full_amps: float


@dataclass(frozen=True, slots=True)
class OnBattery:
    """A device on battery: how long it honestly lasts at its draw (h)."""

    device: str
    watts: float
    hours: float


@dataclass(frozen=True, slots=True)
class MainsReading:
    look: str | None
    loads: tuple[Load, ...]
    leads: tuple[LeadDrop, ...]
    batteries: tuple[OnBattery, ...]
    # W of everything on the mains at once
    watts: float
    # what a session of `hours` takes
    hours: float
    kwh: float
    cost: tuple[float, str] | None
    findings: tuple[Finding, ...]
    plugs: tuple[Through, ...] = ()

    @property
    def over(self) -> tuple[Finding, ...]:
        return tuple(f for f in self.findings if f.weight == "over")


def inrush_of(profile: SetProfile, name: str, whole: bool = False) -> float:
    """Peak current (A) when this is switched on: its own and all that it reaches at once.

    The most it can be: peaks of less than a millisecond seldom fall on each other to the end.
    Reached is what hangs on it without another plug that is switched in between; `whole` counts
    what is behind those too, as when they come back on by themselves with their mains.
    """
    total = profile.devices[name].inrush
    for device in profile.devices.values():
        if name not in device.feeds:
            continue
        between = device.feeds[: device.feeds.index(name)]
        if whole or not any("switch" in profile.devices[feed].tells for feed in between):
            total += device.inrush
    return total


def switch_ons(profile: SetProfile, circuit: str) -> list[str]:
    """What the bridge energises on this circuit, each with one inrush of its own."""
    found = []
    for device in profile.devices.values():
        if device.circuit != circuit or "switch" not in device.tells:
            continue
        above = any("switch" in profile.devices[feed].tells for feed in device.feeds)
        if device.kind == "plug" or not above:
            found.append(device.name)
    return found


def amps_of(profile: SetProfile, watts: Mapping[str, float]) -> float:
    """A that so many watts of these devices come to at most, each by its power factor."""
    volt_amperes = sum(apparent(profile.devices[name], taken) for name, taken in watts.items())
    return volt_amperes / profile.voltage


def load_of(profile: SetProfile, circuit: Circuit, presets: Mapping[str, Preset]) -> Load:
    """One circuit with everything on it up in these presets."""
    devices = [d for d in profile.devices.values() if d.circuit == circuit.name]
    draws = {d.name: draw(d, presets.get(d.name)) for d in devices}
    full = {d.name: at_full(d) for d in devices}
    worst: SwitchOn | None = None
    cascade: SwitchOn | None = None
    for name in switch_ons(profile, circuit.name):
        inrush = inrush_of(profile, name)
        # everything else may be running already when this one comes on (a restore, say)
        own = {name} | {d.name for d in devices if name in d.feeds}
        running = amps_of(profile, {n: w for n, w in draws.items() if n not in own})
        said = mains.trips(inrush, running, circuit.breaker, circuit.curve)
        if inrush > 0 and (worst is None or inrush + running > worst.inrush + worst.running):
            worst = SwitchOn(name, inrush, running, said)
        whole = inrush_of(profile, name, whole=True)
        if whole > inrush and (
            cascade is None or whole + running > cascade.inrush + cascade.running
        ):
            said = mains.trips(whole, running, circuit.breaker, circuit.curve)
            cascade = SwitchOn(name, whole, running, said)
    limit = mains.running_limit(circuit.breaker, profile.voltage)
    band, band_end = mains.instant_trip(circuit.breaker, circuit.curve)
    return Load(
        circuit.name,
        circuit.breaker,
        circuit.curve,
        sum(draws.values()),
        amps_of(profile, draws),
        limit,
        limit / profile.voltage,
        sum(full.values()),
        amps_of(profile, full),
        band,
        band_end,
        tuple((n, w) for n, w in sorted(draws.items(), key=lambda item: -item[1]) if w > 0),
        worst,
        cascade,
        _returning(profile, circuit),
    )


def _returning(profile: SetProfile, circuit: Circuit) -> SwitchOn | None:
    """All that comes on at once when the mains of a circuit come back; None for no inrush.

    A plug that says `comes_back: off` holds back what is behind it. Of any other it is not known:
    most come back as they were.
    """
    devices = [d for d in profile.devices.values() if d.circuit == circuit.name]
    held = {d.name for d in devices if d.kind == "plug" and d.comes_back == "off"}
    total = sum(d.inrush for d in devices if not held & {d.name, *d.feeds})
    if total <= 0:
        return None
    said = mains.trips(total, 0.0, circuit.breaker, circuit.curve)
    return SwitchOn(circuit.name, total, 0.0, said)


def mains_of(
    profile: SetProfile, look: str | None, presets: Mapping[str, Preset], hours: float = 1.0
) -> MainsReading:
    """Everything the mains are asked for in a look, with what is over, near or missing.

    `hours`: how long the session is for energy and cost, above 0.
    """
    if not hours > 0:
        raise ValueError(f"a session takes longer than {hours:g} h")
    loads = tuple(load_of(profile, c, presets) for c in profile.circuits.values())
    leads = tuple(
        _lead(profile, d, presets) for d in profile.devices.values() if d.lead is not None
    )
    batteries: list[OnBattery] = []
    findings = [f for load in loads for f in _about(load, look)]
    plugs = tuple(_through(profile, d, presets) for d in profile.devices.values() if d.rated)
    findings.extend(found for plug in plugs if (found := _about_plug(plug, look)) is not None)
    findings.extend(found for drop in leads if (found := _about_lead(drop, look)) is not None)
    for drop in leads:
        if drop.share > mains.DROP_ADVICE:
            findings.append(
                Finding(
                    "near",
                    f"the lead of {drop.device} loses {drop.drop:.1f} V, {drop.share:.1%} of the"
                    f" voltage; {mains.DROP_ADVICE:.0%} is the usual advice: a shorter or thicker"
                    " one",
                    ("devices", drop.device, "lead"),
                )
            )
    for device in profile.devices.values():
        where = ("devices", device.name)
        watts = draw(device, presets.get(device.name))
        if device.battery and device.holds is not None and watts > 0:
            hours_left = mains.battery_hours(device.holds, watts)
            batteries.append(OnBattery(device.name, watts, hours_left))
        elif device.battery and watts > 0:
            findings.append(
                Finding("missing", f"no battery size given for {device.name}: run time", where)
            )
        elif device.battery and device.holds is not None:
            findings.append(Finding("missing", f"no draw given for {device.name}: run time", where))
    findings.extend(not_given(profile))
    findings.extend(factors_taken(profile))
    if profile.price is None:
        findings.append(Finding("missing", "no price given: cost", ("mains",)))
    total = sum(load.watts for load in loads)
    kwh = total * hours / 1000.0
    cost = None
    if profile.price is not None:
        cost = (mains.energy_cost(kwh, profile.price.per_kwh), profile.price.currency)
    return MainsReading(
        look, loads, leads, tuple(batteries), total, hours, kwh, cost, tuple(findings), plugs
    )


def not_given(profile: SetProfile) -> list[Finding]:
    """What is not in the sums because the profile does not say it, a sentence for all alike."""
    found: list[Finding] = []
    fed = [d for d in profile.devices.values() if not d.battery and d.kind != "plug"]
    without = [d.name for d in fed if d.draws <= 0]
    if without:
        it = "it is" if len(without) == 1 else "they are"
        text = f"no draw given for {_all(without)}: {it} missing in the load"
        found.append(Finding("missing", text, ("devices", without[0])))
    without = [d.name for d in fed if d.inrush <= 0 and not d.inrush_said]
    if without:
        it = "its" if len(without) == 1 else "their"
        text = f"no inrush given for {_all(without)}: {it} switching on is counted as nothing"
        found.append(Finding("missing", text, ("devices", without[0])))
    bare = [c for c in profile.circuits.values() if not c.curve_said]
    if bare:
        low, high = (mains.instant_trip(1.0, bare[0].curve)[i] for i in (0, 1))
        text = (
            f"no curve given for the breaker of {_all([c.name for c in bare])}: {bare[0].curve} is"
            f" taken for granted, which may trip at once from {low:g} times its current and will"
            f" from {high:g}"
        )
        found.append(Finding("missing", text, ("mains", "circuits", bare[0].name)))
    return found


def factors_taken(profile: SetProfile) -> list[Finding]:
    """Which power factors are taken for granted, and how they are."""
    fed = [d for d in profile.devices.values() if not d.battery and at_full(d) > 0]
    without = [d.name for d in fed if d.power_factor is None]
    if not without:
        return []
    text = (
        f"no power factor given for {_all(without)}: taken as {CORRECTED:g} for a light above"
        f" {LIGHTING_FROM:g} W, {LIMITED:g} for anything else above {ANYTHING_FROM:g} W,"
        f" {UNCORRECTED:g} below"
    )
    return [Finding("missing", text, ("devices", without[0]))]


def _all(names: list[str]) -> str:
    """`a`, `a and b`, `a, b and c`: every one of them, for none may be overlooked."""
    return names[0] if len(names) == 1 else f"{', '.join(names[:-1])} and {names[-1]}"


def _through(profile: SetProfile, plug: Device, presets: Mapping[str, Preset]) -> Through:
    """What passes through a plug or a strip: all that hangs on it, however far below."""
    behind = [plug, *(d for d in profile.devices.values() if plug.name in d.feeds)]
    draws = {d.name: draw(d, presets.get(d.name)) for d in behind}
    return Through(
        plug.name,
        sum(draws.values()),
        amps_of(profile, draws),
        plug.rated or 0.0,
        amps_of(profile, {d.name: at_full(d) for d in behind}),
    )


def _about_plug(plug: Through, look: str | None) -> Finding | None:
    """A plug is rated for all it may carry: there is no trip curve that helps it."""
    said = f"plug {plug.device}" + (f" in the look '{look}'" if look else "")
    where = ("devices", plug.device, "rated")
    load = f"{plug.watts:.0f} W is {plug.amps:.1f} A"
    if plug.amps > plug.rated:
        return Finding("over", f"{said}: {load}, more than the {plug.rated:g} A it is rated", where)
    if plug.amps >= NEAR * plug.rated:
        return Finding("near", f"{said}: {load}, close to the {plug.rated:g} A it is rated", where)
    if plug.full_amps > plug.rated:
        text = (
            f"plug {plug.device}: with every light behind it at full it is"
            f" {plug.full_amps:.1f} A, more than the {plug.rated:g} A it is rated: {TURNED_UP}"
        )
        return Finding("near", text, where)
    return None


def _about_lead(lead: LeadDrop, look: str | None) -> Finding | None:
    """A breaker guards the wires in the wall: a thinner lead gets hot long before it trips."""
    where = ("devices", lead.device, "lead")
    said = f"lead of {lead.device}" + (f" in the look '{look}'" if look else "")
    most = f"the {lead.carries:g} A that {lead.section} carries: it gets hot, and no breaker trips"
    if lead.amps > lead.carries:
        return Finding("over", f"{said}: {lead.amps:.1f} A, more than {most}", where, THICKER)
    if lead.full_amps > lead.carries:
        text = f"lead of {lead.device}: with every light behind it at full it is"
        text += f" {lead.full_amps:.1f} A, more than {most}"
        return Finding("near", text, where, THICKER)
    return None


def _about(load: Load, look: str | None) -> list[Finding]:
    """What there is to say about one circuit."""
    found: list[Finding] = []
    where = ("mains", "circuits", load.circuit)
    said = f"circuit {load.circuit}" + (f" in the look '{look}'" if look else "")
    asked = f"{load.watts:.0f} W is {load.amps:.1f} A"
    carries = f"the {load.limit_amps:.1f} A that its {load.breaker:g} A breaker carries for long"
    if load.share > 1:
        found.append(Finding("over", f"{said}: {asked}, more than {carries}", where))
    elif load.share >= NEAR:
        found.append(Finding("near", f"{said}: {asked}, close to {carries}", where))
    if load.share <= 1 < load.full_amps / load.limit_amps:
        text = f"circuit {load.circuit}: with every light at full it is {load.full:.0f} W"
        text += f", {load.full_amps:.1f} A, more than {carries}: {TURNED_UP}"
        found.append(Finding("near", text, where))
    worst = load.worst
    if worst is not None and worst.trips != "no":
        found.append(
            Finding(
                "over",
                f"{said}: switching {worst.device} on asks up to {worst.inrush:.0f} A on top of"
                f" {worst.running:.1f} A; a {load.curve} {load.breaker:g} A breaker"
                f" {worst.trips} trip at once from {load.band:.0f} A",
                where,
            )
        )
    cascade = load.cascade
    if cascade is not None and cascade.trips != "no":
        found.append(
            Finding(
                "near",
                f"{said}: switching {cascade.device} on asks up to {cascade.inrush:.0f} A on top of"
                f" {cascade.running:.1f} A if the plugs below it come back on by themselves; a"
                f" {load.curve} {load.breaker:g} A breaker {cascade.trips} trip at once from"
                f" {load.band:.0f} A: have them stay off after a power cut",
                where,
            )
        )
    returns = load.returns
    if returns is not None and returns.trips != "no":
        found.append(
            Finding(
                "near",
                f"circuit {load.circuit}: when its power comes back after an outage, all that was"
                f" on comes on at once and asks up to {returns.inrush:.0f} A; a {load.curve}"
                f" {load.breaker:g} A breaker {returns.trips} trip at once ({load.band:.0f} to"
                f" {load.band_end:.0f} A)",
                where,
                "have its plugs stay off after a power cut and say 'comes_back: off' of them, or"
                " pull them before the power is back",
            )
        )
    return found


def _lead(profile: SetProfile, device: Device, presets: Mapping[str, Preset]) -> LeadDrop:
    lead = device.lead
    assert lead is not None
    behind = [device, *(d for d in profile.devices.values() if device.name in d.feeds)]
    amps = amps_of(profile, {d.name: draw(d, presets.get(d.name)) for d in behind})
    ohm = mains.resistance(lead.length, square_mm=lead.square_mm, awg=lead.awg)
    drop = mains.voltage_drop(amps, ohm)
    section = f"{lead.square_mm:g} mm²" if lead.square_mm is not None else f"{lead.awg} AWG"
    full = amps_of(profile, {d.name: at_full(d) for d in behind})
    most = mains.carries(square_mm=lead.square_mm, awg=lead.awg)
    share = drop / profile.voltage
    return LeadDrop(device.name, lead.length, section, amps, drop, share, most, full)
