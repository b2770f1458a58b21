"""All the gear of a set together: who powers whom, and what physically happened.

Sans-I/O. Every device that speaks is an MQTT client of its own, named after it. What the gear
does comes out as (client, happening); whoever carries it to a broker, mock or real, brings
back what the broker delivers with `handle` and drops with `dropped`.
"""

from __future__ import annotations

import heapq
from collections.abc import Sequence
from dataclasses import dataclass

from studiobridge.craft.chroma import Colour
from studiobridge.figures.draws import apparent
from studiobridge.figures.face import Face
from studiobridge.figures.meter import sensors
from studiobridge.profile.model import Preset, SetProfile
from studiobridge.rehearsal.devices import Cause, Happening, Harm, SimulatedDevice
from studiobridge.speech.message import Message

# How long (s) a switch-on pulls its peak: a few half-cycles. Common practice, no source.
INRUSH_LASTS = 0.02


@dataclass(frozen=True, slots=True)
class Inrush:
    """Something on a circuit was switched on: its peak (A) from `at` for INRUSH_LASTS."""

    at: float
    circuit: str
    device: str
    amps: float
    cause: Cause
    # what the circuit carried just before (A)
    running: float = 0.0


@dataclass(frozen=True, slots=True)
class Switched:
    """A device got or lost its mains."""

    at: float
    device: str
    on: bool
    cause: Cause


class Room:
    """The gear of a profile. `clients` are the names of devices that speak."""

    def __init__(self, profile: SetProfile, seed: int = 0, keep_alive: float = 5.0) -> None:
        self.profile = profile
        self.devices = {
            name: SimulatedDevice(profile, name, seed, keep_alive) for name in profile.devices
        }
        # light sensors, and what comes to them besides the lamps of the set (lx)
        self._cells = {d.name: Face(profile, sensor=d) for d in sensors(profile)}
        self.daylight = 0.0
        self.inrushes: list[Inrush] = []
        self.switched: list[Switched] = []
        self.pops: list[Harm] = []
        self._children: dict[str, list[str]] = {name: [] for name in profile.devices}
        for device in profile.devices.values():
            if device.fed_by in self._children:
                self._children[device.fed_by].append(device.name)
        self._on_universe: dict[int, list[str]] = {}
        for device in profile.devices.values():
            if device.slots is not None:
                self._on_universe.setdefault(device.slots.universe, []).append(device.name)
        self._contact = dict.fromkeys(profile.devices, False)
        self._energised = dict.fromkeys(profile.devices, False)
        self._watts = dict.fromkeys(profile.devices, 0.0)
        self._through = dict.fromkeys(profile.devices, 0.0)
        self.circuit_amps = dict.fromkeys(profile.circuits, 0.0)
        self._amps = [d.name for d in profile.devices.values() if d.kind == "amp"]
        # each entry once: a device that is told much would stand there a hundred times
        self._wakes: list[tuple[float, str]] = []
        self._queued: set[tuple[float, str]] = set()
        self._out: list[tuple[str, Happening]] = []

    @property
    def harms(self) -> list[Harm]:
        """Everything done to gear that should not have been, in order."""
        found = [harm for device in self.devices.values() for harm in device.harms]
        return sorted([*found, *self.pops], key=lambda harm: harm.at)

    # ---- the evening ---------------------------------------------------------------------

    def begin(self, now: float, up: bool = False) -> list[tuple[str, Happening]]:
        """The room as found: circuits on, switches off except for what stays on (or all, `up`)."""
        order = sorted(self.profile.devices.values(), key=lambda device: len(device.feeds))
        stays = {d.name for d in order if d.stays_on}
        for device in list(order):
            if device.stays_on:
                stays.update(device.feeds)
        for device in order:
            feed = device.fed_by
            mains = feed is not None and (feed not in self.devices or self.devices[feed].contact)
            simulated = self.devices[device.name]
            self._do(device.name, simulated.begin(now, mains, up or device.name in stays))
            self._contact[device.name] = simulated.contact
            self._energised[device.name] = simulated.energised
        for name in self.devices:
            self._meter(name, now)
            self._see(name)
        return self._collect()

    def handle(self, client: str, message: Message, now: float) -> list[tuple[str, Happening]]:
        """The broker delivers a message to a device."""
        device = self.devices.get(client)
        if device is not None:
            self._do(client, device.handle(message, now))
        return self._collect()

    def frame(
        self, universe: int, slots: Sequence[int], last: bool, now: float
    ) -> list[tuple[str, Happening]]:
        """A frame comes to every fixture on this universe."""
        for name in self._on_universe.get(universe, ()):
            self.devices[name].frame(slots, last, now)
            self._queue(name)
            self._settle(name, now, "told")
        return self._collect()

    def dropped(self, client: str, now: float) -> list[tuple[str, Happening]]:
        """The broker ended a device's connection."""
        device = self.devices.get(client)
        if device is not None:
            self._do(client, device.dropped(now))
        return self._collect()

    def next_wake(self) -> float | None:
        """When something in the room is due next."""
        while self._wakes:
            at, name = self._wakes[0]
            due = self.devices[name].wake_at()
            if due is not None and due <= at:
                return due
            self._queued.discard(heapq.heappop(self._wakes))
            self._queue(name)
        return None

    def tick(self, now: float) -> list[tuple[str, Happening]]:
        """Do everything that is due."""
        while True:
            at = self.next_wake()
            if at is None or at > now:
                return self._collect()
            entry = heapq.heappop(self._wakes)
            self._queued.discard(entry)
            name = entry[1]
            self._see(name)
            self._do(name, self.devices[name].tick(at))
            self._settle(name, at, self.devices[name].cause)

    # ---- people's hands ------------------------------------------------------------------

    def touch(
        self,
        name: str,
        now: float,
        level: float | None = None,
        cct: float | None = None,
        switch: bool | None = None,
        colour: Colour | None = None,
    ) -> list[tuple[str, Happening]]:
        """Somebody turns a dial or presses a device's own button."""
        self.devices[name].touch(now, level, cct, switch, colour)
        self._queue(name)
        self._settle(name, now, "hand")
        return self._collect()

    def roll(self, name: str, now: float, rolling: bool) -> list[tuple[str, Happening]]:
        """Somebody starts or stops a camera."""
        self.devices[name].roll(now, rolling)
        self._queue(name)
        self._settle(name, now, "hand")
        return self._collect()

    def press_power(self, name: str, now: float) -> list[tuple[str, Happening]]:
        """Somebody presses a computer's power button."""
        self.devices[name].press_power(now)
        self._queue(name)
        self._settle(name, now, "hand")
        return self._collect()

    def weld(self, name: str, now: float, welded: bool) -> list[tuple[str, Happening]]:
        """A plug's contact sticks (or is free again): it stays closed when it is switched off."""
        self.devices[name].welded = welded
        self._settle(name, now, "hand")
        return self._collect()

    def unplug(self, name: str, now: float) -> list[tuple[str, Happening]]:
        self._do(name, self.devices[name].unplug(now))
        self._settle(name, now, "hand")
        return self._collect()

    def plug_in(self, name: str, now: float) -> list[tuple[str, Happening]]:
        self._do(name, self.devices[name].plug_in(now))
        self._settle(name, now, "hand")
        return self._collect()

    def lose_network(self, name: str, now: float, seconds: float) -> list[tuple[str, Happening]]:
        self._do(name, self.devices[name].lose_network(now, seconds))
        return self._collect()

    # ---- light ---------------------------------------------------------------------------

    def _see(self, name: str) -> None:
        """A light sensor sees the lamps as they truly are, by the figures of the profile."""
        face = self._cells.get(name)
        if face is None:
            return
        lamps = {n: self.devices[n] for n in face.rays}
        whole = face.whole({n: Preset(d.level if d.lit else 0.0, d.cct) for n, d in lamps.items()})
        assert whole is not None  # none of these lacks a figure
        self.devices[name].lux = whole.lux + self.daylight
        if whole.cct is not None:
            self.devices[name].cct = whole.cct

    # ---- mains ---------------------------------------------------------------------------

    def _do(self, name: str, happenings: list[Happening]) -> None:
        self._out.extend((name, happening) for happening in happenings)
        self._queue(name)

    def _queue(self, name: str) -> None:
        due = self.devices[name].wake_at()
        if due is not None and (due, name) not in self._queued:
            self._queued.add((due, name))
            heapq.heappush(self._wakes, (due, name))

    def _collect(self) -> list[tuple[str, Happening]]:
        out, self._out = self._out, []
        return out

    def _settle(self, name: str, now: float, cause: Cause) -> None:
        """After a device did something: pass mains on, count inrush, meter, listen for pops."""
        device = self.devices[name]
        self._note_energised(name, now, cause)
        if device.kind == "plug" and device.contact != self._contact[name]:
            on = device.contact
            self._contact[name] = on
            for child in self._children[name]:
                self._do(child, self.devices[child].power(on, now, cause))
                self._settle(child, now, cause)
        self._meter(name, now)

    def _note_energised(self, name: str, now: float, cause: Cause) -> None:
        device = self.devices[name]
        if device.energised == self._energised[name]:
            return
        self._energised[name] = device.energised
        self.switched.append(Switched(now, name, device.energised, cause))
        circuit = self.profile.devices[name].circuit
        if device.energised and circuit is not None and not device.device.battery:
            running = self.circuit_amps[circuit]
            self.inrushes.append(Inrush(now, circuit, name, device.device.inrush, cause, running))
        if device.kind == "audio" and any(self.devices[amp].live for amp in self._amps):
            self.pops.append(Harm(now, name, "pop in an amp", cause))

    def _meter(self, name: str, now: float) -> None:
        """What a device draws has changed: tell every meter above it."""
        device = self.devices[name]
        watts = device.watts()
        change = watts - self._watts[name]
        if abs(change) > 1e-9:
            self._watts[name] = watts
            for feed in (name, *self.profile.devices[name].feeds):
                self._through[feed] += change
                self.devices[feed].metered(max(0.0, self._through[feed]), now)
                self._queue(feed)
            circuit = self.profile.devices[name].circuit
            if circuit is not None:
                taken = apparent(self.profile.devices[name], change)
                self.circuit_amps[circuit] += taken / self.profile.voltage
