"""Gear as people have it: laptops, cameras known by their watts or by hand, lights with remotes.

A function of its own, with dice of its own, so that the sets of old seeds stay what they were.
"""

from __future__ import annotations

import random
from collections.abc import Mapping
from dataclasses import replace
from typing import TYPE_CHECKING

from studiobridge.profile.model import ComesBack, Device, Point, Preset, Rolls, SetProfile

if TYPE_CHECKING:
    from tests.simulate.evening import Evening

NOTHING: frozenset[Point] = frozenset()
COMES_BACK: tuple[ComesBack, ...] = ("last", "full", "preset", "dark")


def with_gear(
    profile: SetProfile,
    devices: Mapping[str, Device],
    presets: Mapping[str, Mapping[str, Preset]],
) -> SetProfile:
    """The same set with these devices, and in each look these presets."""
    looks = {name: replace(look, presets=presets[name]) for name, look in profile.looks.items()}
    return replace(profile, devices=devices, looks=looks)


def as_they_are(profile: SetProfile, dice: random.Random) -> SetProfile:
    """The same set with some of its gear as it is in a room with one person in it."""
    devices: dict[str, Device] = {}
    for name, device in profile.devices.items():
        if device.kind == "computer" and dice.random() < 0.4:
            device = _laptop(device, dice)
        elif device.kind == "camera" and dice.random() < 0.6:
            device = replace(device, speaks=None, at="", hears=NOTHING, can_ask=False)
            if dice.random() < 0.6:
                assert device.circuit is not None
                own = meter(f"own-{name}", device.circuit)
                devices[own.name] = own
                device = replace(
                    device,
                    fed_by=own.name,
                    feeds=(own.name,),
                    draws=9.1,
                    closes_in=min(device.closes_in, 4.0),
                    rolls=Rolls("watts", 8.5),
                )
            else:
                device = replace(device, rolls=Rolls("hand"))
        elif device.fixture and device.hand_set and dice.random() < 0.5:
            device = replace(device, comes_back=dice.choice(COMES_BACK))
        devices[name] = device
    return replace(profile, devices=devices)


def _laptop(device: Device, dice: random.Random) -> Device:
    """It runs on without its plug; some can be told and some can say that they are down."""
    device = replace(device, own_battery=True, idle_below=None)
    how = dice.choice(["speaks", "told", "mute"])
    if how == "told":
        return replace(device, hears=frozenset({"online"}))
    if how == "mute":
        mute = {"tells": NOTHING, "hears": NOTHING}
        return replace(device, speaks=None, at="", can_ask=False, **mute)  # type: ignore[arg-type]
    return device


def meter(name: str, circuit: str) -> Device:
    """A plug that switches and meters what hangs on it, straight on its circuit."""
    return Device(
        name,
        "plug",
        fed_by=circuit,
        circuit=circuit,
        speaks="relay",
        at=f"gear/{name}",
        tells=frozenset({"switch"}),
        hears=frozenset({"switch", "online", "watts"}),
        can_ask=True,
        meters=True,
        answers_in=0.2,
    )


def somebody_wakes_a_computer(evening: Evening, dice: random.Random) -> None:
    """It is shut down by its button while the set is up, and woken before the set goes down."""
    devices = evening.profile.devices
    computers = [n for n, d in devices.items() if d.kind == "computer" and "down" in d.hears]
    if not computers or dice.random() > 0.4:
        return
    name = dice.choice(computers)
    evening.note(f"somebody shuts {name} down and wakes it again")
    evening.room.devices[name].only_down = dice.random() < 0.7
    evening.gear(evening.room.press_power(name, evening.now))
    evening.run(devices[name].shuts_in + 5.0)
    evening.gear(evening.room.press_power(name, evening.now))
    evening.run(devices[name].boots_in + 5.0)
