"""Who powers whom: the mains side of a set, worked out once.

A mains switch is a plug that can be told on and off. Its `reach` is everything that has
mains the moment it closes: all that hangs on it without another mains switch in between.

A computer with a battery of its own hangs on a plug like the rest: its charger draws from it, and
whoever reaches into it has the plug's mains to fear. But the plug does not power it: it is in
`line`, `below` and `reach`, and not in `powers`.
"""

from __future__ import annotations

from collections.abc import Callable

from studiobridge.profile.model import Device, SetProfile


class Feeds:
    """The feed tree of a profile. Built in time linear in devices and depth."""

    def __init__(self, profile: SetProfile) -> None:
        devices = profile.devices
        self.by_depth: tuple[Device, ...] = tuple(
            sorted(devices.values(), key=lambda device: len(device.feeds))
        )
        self.switches: frozenset[str] = frozenset(
            d.name for d in devices.values() if d.kind == "plug" and "switch" in d.tells
        )
        self.children: dict[str, list[str]] = {name: [] for name in devices}
        # the nearest mains switch strictly above a device
        self.above: dict[str, str | None] = {}
        # every mains switch strictly above a device, nearest first
        self.line: dict[str, tuple[str, ...]] = {}
        self.reach: dict[str, list[str]] = {name: [] for name in self.switches}
        self.below: dict[str, list[str]] = {name: [] for name in self.switches}
        self.own_battery: frozenset[str] = frozenset(
            d.name for d in devices.values() if d.own_battery
        )
        # what is told quiet: the plug by which that is done, by device, and all that goes with it
        self.quiet: dict[str, str] = {
            d.name: next(n for n in (d.name, *d.feeds) if n in self.switches)
            for d in devices.values()
            if d.quiet is not None
        }
        self.quiet_gear: frozenset[str] = frozenset(
            name
            for plug in self.quiet.values()
            for name in (plug, *(d.name for d in devices.values() if plug in d.feeds))
        )
        # of what hangs below it: what is dark without it
        self.powers: dict[str, list[str]] = {name: [] for name in self.switches}
        self.on_circuit: dict[str, list[str]] = {name: [] for name in profile.circuits}
        for device in self.by_depth:
            if device.fed_by in self.children:
                self.children[device.fed_by].append(device.name)
            if device.circuit is not None:
                self.on_circuit[device.circuit].append(device.name)
            self.line[device.name] = tuple(n for n in device.feeds if n in self.switches)
            nearest = next(iter(self.line[device.name]), None)
            self.above[device.name] = nearest
            if nearest is not None:
                self.reach[nearest].append(device.name)
            for name in device.feeds:
                if name in self.switches:
                    self.below[name].append(device.name)
                    if not device.own_battery:
                        self.powers[name].append(device.name)

    def energiser(self, name: str) -> str | None:
        """The mains switch that energises this device: itself, or the nearest one above."""
        return name if name in self.switches else self.above[name]

    def inrush(
        self, profile: SetProfile, name: str, closed: Callable[[str], bool] = lambda plug: False
    ) -> float:
        """Peak current (A) when this is switched on, everything it reaches counted at once.

        `closed` says of a plug below it whether it would come on with it.
        """
        total = profile.devices[name].inrush
        for reached in self.reach.get(name, ()):
            if reached in self.switches and closed(reached):
                total += self.inrush(profile, reached, closed)
            else:
                total += profile.devices[reached].inrush
        return total
