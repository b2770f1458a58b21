"""What is measured: one device, what feeds and meters it, and what hangs there besides.

Also why it may not be measured, or not all of it: that stands here, before anything is told.
"""

from __future__ import annotations

from dataclasses import dataclass

from studiobridge.profile.model import Device, SetProfile

# What is never switched off and on to see how long it takes: it would lose something, pop, or take
# the network with it.
NEVER = frozenset({"computer", "camera", "amp", "audio", "network", "charger"})
# A cycle is off for so long (s) before its mains come back: supplies empty in seconds (common
# practice, no source), and one that never noticed would seem to boot at once.
RESTS = 5.0
# A device that has not spoken so long (s) after its mains came is not waited for any longer.
BOOTS_WITHIN = 90.0
CYCLES = 6


@dataclass(frozen=True, slots=True)
class Other:
    """Something else that the same meter sees: the plugs between the two, and what it takes (W)
    when it is off by its own switch, where its profile says so."""

    name: str
    plugs: tuple[str, ...]
    standby: float | None


@dataclass(frozen=True, slots=True)
class Subject:
    """The device, and everything that bears on what can be measured of it."""

    device: Device
    # the plug that switches its mains, where one does and may be switched off and on
    plug: str | None
    # the plug whose meter sees it, and the devices that it sees besides
    meter: str | None
    others: tuple[Other, ...]
    voltage: float = 230.0
    # what is not measured, and why: sentences for a person
    without: tuple[str, ...] = ()

    @property
    def name(self) -> str:
        return self.device.name

    @property
    def dims(self) -> bool:
        return "level" in self.device.tells

    @property
    def lasts(self) -> float:
        """About how long it takes (s), for who is asked whether it may be done."""
        boots = max(self.device.boots_in, 5.0)
        cycles = CYCLES * (RESTS + boots + 3.0 + self.device.cools_in) if self.plug else 0.0
        return cycles + (60.0 if self.dims else 20.0) + (130.0 if self.meter and self.dims else 0.0)


def why_not(profile: SetProfile, name: str) -> str | None:
    """Why this device is not measured at all; None where it may be."""
    device = profile.devices[name]
    if device.kind in NEVER:
        article = "an" if device.kind.startswith("a") else "a"
        return f"{name} is {article} {device.kind}: it is never switched off and on to measure it"
    if device.stays_on:
        return f"{name} stays on, as its profile says: it is never switched off and on"
    if device.speaks is None:
        return f"{name} speaks nothing: it cannot be told anything; measure the plug that feeds it"
    if not {"switch", "level"} & device.tells:
        return f"{name} cannot be told on, off or a level: there is nothing to measure"
    return None


def subject_of(profile: SetProfile, name: str) -> Subject:
    """What there is to measure of this device, and what is left out, with reasons."""
    device = profile.devices[name]
    without: list[str] = []
    plug = _plug(profile, device, without)
    meters = [f for f in device.feeds if "watts" in profile.devices[f].hears]
    own = "watts" in device.hears
    meter = name if own else meters[0] if meters else None
    others: tuple[Other, ...] = ()
    if meter is None:
        without.append("its watts: no plug above it has a meter")
    else:
        found = [profile.devices[n] for n in profile.fed_from(meter)]
        others = tuple(
            Other(d.name, d.feeds[: d.feeds.index(meter)], d.standby)
            for d in found
            if d.name not in (name, *device.feeds) and d.kind != "plug" and not d.battery
        )
    without.append(
        "inrush: it is over in milliseconds, and a plug's meter shows seconds; its data sheet may"
        " say it"
    )
    return Subject(device, plug, meter, others, profile.voltage, tuple(without))


def _plug(profile: SetProfile, device: Device, without: list[str]) -> str | None:
    """The plug that may be switched off and on for this."""
    if device.kind == "plug":
        switching: str | None = device.name
    else:
        switching = next((f for f in device.feeds if "switch" in profile.devices[f].tells), None)
    if switching is None:
        without.append("its boot: no plug that can be told switches its mains")
        return None
    for other in profile.fed_from(switching):
        fed = profile.devices[other]
        if other == device.name:
            continue
        if fed.kind in NEVER or fed.stays_on:
            is_it = "stays on" if fed.stays_on else f"is a {fed.kind}"
            without.append(f"its boot: {switching} also feeds {other}, which {is_it}")
            return None
        if fed.cools_in > device.cools_in:
            without.append(f"its boot: {switching} also feeds {other}, which has to cool down")
            return None
    return switching
