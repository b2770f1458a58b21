"""What a look asks of the mains: load and inrush by circuit, leads, batteries, energy.

A calculation from the profile's figures, not an inspection: local code and a licensed
electrician decide.

A fixture's draw is read off its table (`draws_at`). Without one it is taken in proportion to its
level: about right for a linear dimmer, an upper estimate for one that gives less light at the same
level; many drivers take up to a tenth of full more when dimmed. What is not in the profile (a
heater on the same circuit) is not in the sum.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Literal

from studiobridge.craft import mains
from studiobridge.figures.watts import usual_draw
from studiobridge.profile.model import Circuit, Device, Preset, SetProfile

CAUTION = (
    "A calculation from your figures, not an inspection: local code and a licensed electrician"
    " decide."
)
# From here on a circuit is called near its limit: nine tenths of what it carries for long.
NEAR = 0.9

Weight = Literal["over", "near", "missing"]


@dataclass(frozen=True, slots=True)
class Finding:
    """One sentence about the mains, its weight, and the part of the profile it is about."""

    weight: Weight
    text: str
    where: tuple[str | int, ...]


@dataclass(frozen=True, slots=True)
class SwitchOn:
    """One switch-on: its inrush (A) on top of what runs (A), and what the breaker says to it."""

    device: str
    inrush: float
    running: float
    trips: Literal["no", "may", "will"]


@dataclass(frozen=True, slots=True)
class Load:
    """One circuit under one look: W and A at most, what it carries for long (W)."""

    circuit: str
    breaker: float
    curve: str
    watts: float
    amps: float
    limit: float
    # A at which its breaker may trip at once
    band: float
    devices: tuple[tuple[str, float], ...]
    worst: SwitchOn | None
    # the greatest that it comes to where plugs below another come back on with their mains
    cascade: SwitchOn | None

    @property
    def share(self) -> float:
        """Of what the circuit carries for long; above 1 is too much."""
        return self.watts / self.limit


@dataclass(frozen=True, slots=True)
class LeadDrop:
    """A lead: the current through it (A), and what it loses (V and share of the voltage)."""

    device: str
    length: float
    section: str
    amps: float
    drop: float
    share: float


@dataclass(frozen=True, slots=True)
class Through:
    """A plug or strip that says what it is rated for: W and A through it, and what may be (A)."""

    device: str
    watts: float
    amps: float
    rated: float


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


def draw(device: Device, preset: Preset | None) -> float:
    """Watts of one device when the set is up: a fixture at its level, by its table if it has one.

    One that comes back at full takes all it can until it is set.
    """
    if not device.fixture:
        return device.draws
    if device.comes_back == "full" or preset is None or preset.level is None:
        return usual_draw(device, 100.0)
    return usual_draw(device, preset.level)


def inrush_of(profile: SetProfile, name: str, whole: bool = False) -> float:
    """Peak current (A) when this is switched on: its own and all that it reaches at once.

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


def load_of(profile: SetProfile, circuit: Circuit, presets: Mapping[str, Preset]) -> Load:
    """One circuit with everything on it up in these presets."""
    devices = [d for d in profile.devices.values() if d.circuit == circuit.name]
    draws = [(d.name, draw(d, presets.get(d.name))) for d in devices]
    watts = sum(w for _, w in draws)
    worst: SwitchOn | None = None
    cascade: SwitchOn | None = None
    for name in switch_ons(profile, circuit.name):
        inrush = inrush_of(profile, name)
        # everything else may be running already when this one comes on (a restore, say)
        own = {name} | {d.name for d in devices if name in d.feeds}
        running = sum(w for other, w in draws if other not in own) / profile.voltage
        said = mains.trips(inrush, running, circuit.breaker, circuit.curve)
        if inrush > 0 and (worst is None or inrush + running > worst.inrush + worst.running):
            worst = SwitchOn(name, inrush, running, said)
        whole = inrush_of(profile, name, whole=True)
        if whole > inrush and (
            cascade is None or whole + running > cascade.inrush + cascade.running
        ):
            said = mains.trips(whole, running, circuit.breaker, circuit.curve)
            cascade = SwitchOn(name, whole, running, said)
    return Load(
        circuit.name,
        circuit.breaker,
        circuit.curve,
        watts,
        watts / profile.voltage,
        mains.running_limit(circuit.breaker, profile.voltage),
        mains.instant_trip(circuit.breaker, circuit.curve)[0],
        tuple((n, w) for n, w in sorted(draws, key=lambda item: -item[1]) if w > 0),
        worst,
        cascade,
    )


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


def _all(names: list[str]) -> str:
    """`a`, `a and b`, `a, b and c`: every one of them, for none may be overlooked."""
    return names[0] if len(names) == 1 else f"{', '.join(names[:-1])} and {names[-1]}"


def _through(profile: SetProfile, plug: Device, presets: Mapping[str, Preset]) -> Through:
    """What passes through a plug or a strip: all that hangs on it, however far below."""
    behind = [plug, *(d for d in profile.devices.values() if plug.name in d.feeds)]
    watts = sum(draw(d, presets.get(d.name)) for d in behind)
    return Through(plug.name, watts, watts / profile.voltage, plug.rated or 0.0)


def _about_plug(plug: Through, look: str | None) -> Finding | None:
    """A plug is rated for all it may carry: there is no trip curve that helps it."""
    said = f"plug {plug.device}" + (f" in the look '{look}'" if look else "")
    where = ("devices", plug.device, "rated")
    load = f"{plug.watts:.0f} W is {plug.amps:.1f} A"
    if plug.amps > plug.rated:
        return Finding("over", f"{said}: {load}, more than the {plug.rated:g} A it is rated", where)
    if plug.amps >= NEAR * plug.rated:
        return Finding("near", f"{said}: {load}, close to the {plug.rated:g} A it is rated", where)
    return None


def _about(load: Load, look: str | None) -> list[Finding]:
    """What there is to say about one circuit."""
    found: list[Finding] = []
    where = ("mains", "circuits", load.circuit)
    said = f"circuit {load.circuit}" + (f" in the look '{look}'" if look else "")
    if load.watts > load.limit:
        found.append(
            Finding(
                "over",
                f"{said}: {load.watts:.0f} W is more than the {load.limit:.0f} W that its"
                f" {load.breaker:g} A breaker carries for long",
                where,
            )
        )
    elif load.share >= NEAR:
        found.append(
            Finding(
                "near",
                f"{said}: {load.watts:.0f} W is close to the {load.limit:.0f} W that its"
                f" {load.breaker:g} A breaker carries for long",
                where,
            )
        )
    worst = load.worst
    if worst is not None and worst.trips != "no":
        found.append(
            Finding(
                "over",
                f"{said}: switching {worst.device} on asks {worst.inrush:.0f} A on top of"
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
                f"{said}: switching {cascade.device} on asks {cascade.inrush:.0f} A on top of"
                f" {cascade.running:.1f} A if the plugs below it come back on by themselves; a"
                f" {load.curve} {load.breaker:g} A breaker {cascade.trips} trip at once from"
                f" {load.band:.0f} A: have them stay off after a power cut",
                where,
            )
        )
    return found


def _lead(profile: SetProfile, device: Device, presets: Mapping[str, Preset]) -> LeadDrop:
    lead = device.lead
    assert lead is not None
    behind = [device, *(d for d in profile.devices.values() if device.name in d.feeds)]
    amps = sum(draw(d, presets.get(d.name)) for d in behind) / profile.voltage
    ohm = mains.resistance(lead.length, square_mm=lead.square_mm, awg=lead.awg)
    drop = mains.voltage_drop(amps, ohm)
    section = f"{lead.square_mm:g} mm²" if lead.square_mm is not None else f"{lead.awg} AWG"
    return LeadDrop(device.name, lead.length, section, amps, drop, drop / profile.voltage)
