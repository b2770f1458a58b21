"""Fixtures that only listen, in an evening: their universes in virtual time, and the laws for frames.

As with the other laws: what is watched is what left the bridge, frame by frame.
"""

from __future__ import annotations

import random
from collections.abc import Mapping
from dataclasses import replace

from studiobridge.bridge.universe import GOES_ON_WITHIN, Frame, Frames, universes_of
from studiobridge.profile.manners import meter_of
from studiobridge.profile.model import Device, Point, Preset, SetProfile, Slots, Universe
from studiobridge.speech.slots import read
from tests.simulate.gear import with_gear
from tests.simulate.laws import Laws


class FrameLaws:
    """Laws 1, 2, 7 and 8 for every slot of every frame, and how a stream may end."""

    def __init__(self, profile: SetProfile, laws: Laws) -> None:
        self.laws = laws
        self.profile = profile
        self.devices = [d for d in profile.devices.values() if d.slots is not None]
        self.level: dict[str, float] = {}
        self.told: dict[str, float] = {}
        self.dark_times: dict[int, int] = {}
        self.frames = 0
        self.ended = 0

    def restarted(self) -> None:
        self.level.clear()
        self.told.clear()

    def locked(self, device: Device) -> bool:
        covered = {device.name, device.circuit, *device.feeds}
        return not self.laws.lockouts.isdisjoint(covered)

    def rolling(self, at: float) -> bool:
        laws = self.laws
        if laws.cutting or laws.forced_run:
            return False
        return any(laws.rolling.values()) or any(
            at < until - 1e-6 for until in laws.closing_until.values()
        )

    def walked(self, name: str, values: Mapping[Point, float]) -> None:
        if "level" in values:
            self.told[name] = values["level"]

    def frame(self, at: float, frame: Frame) -> None:
        self.frames += 1
        breach, rolling = self.laws.breach, self.rolling(at)
        dark = True
        for device in self.devices:
            slots = device.slots
            assert slots is not None
            if slots.universe != frame.universe:
                continue
            name = device.name
            level, _ = read(slots, frame.slots)
            dark = dark and level == 0
            before = self.level.get(name)
            own = frame.slots[slots.first - 1 : slots.first - 1 + slots.count]
            if self.locked(device):
                if not rolling and any(own):
                    breach(1, at, f"{name} is locked out and its slots say {own}")
                elif level > (before or 0.0):
                    breach(1, at, f"{name} is locked out and was raised to {level:.1f} %")
            elif rolling and before is not None and level != before:
                breach(2, at, f"{name} went from {before:.2f} to {level:.2f} % in a take")
            if level > 0 and not self.laws.asked_up and name not in self.laws.tried:
                breach(8, at, f"{name} is sent {level:.1f} % and nobody asked")
            if level > max(before or 0.0, self.told.get(name, 0.0)) + 0.2:
                breach(8, at, f"{name} is sent {level:.1f} %, told {self.told.get(name)}")
            self.level[name] = level
            seen = self.laws.seen[name]
            if level > 1.0:
                seen.out_since = None
            elif seen.out_since is None:
                seen.out_since = at
        times = self.dark_times.get(frame.universe, 0)
        if frame.last:
            self.ended += 1
            if times < 3:
                self.laws.ending(at, f"universe {frame.universe} ends, and 0 was not said thrice")
        self.dark_times[frame.universe] = times + 1 if dark else 0

    def ready(self, at: float, look: str | None) -> None:
        """Nothing proves them; but `ready` is not said of what was told otherwise."""
        presets = self.laws.looks.get(look or "", {})
        for device in self.devices:
            preset = presets.get(device.name)
            if not device.essential or preset is None or preset.level is None:
                continue
            told = self.told.get(device.name)
            if told is None or abs(told - preset.level) > 0.01:
                text = f"ready, and {device.name} was told {told}, not {preset.level:g} %"
                self.laws.breach(7, at, text)


class Network:
    """The universes of one bridge: a lease is a link here, and a kill is the end of them."""

    def __init__(self, profile: SetProfile, laws: FrameLaws) -> None:
        self.profile = profile
        self.laws = laws
        self.frames: dict[int, Frames] = {}
        self._silent_at: float | None = None

    def restarted(self, supposed: Mapping[str, Preset]) -> None:
        self.frames = universes_of(self.profile)
        self._silent_at = None
        self.laws.restarted()
        for name, preset in supposed.items():
            self.of(name).suppose(name, preset.level or 0.0, preset.cct)

    def of(self, name: str) -> Frames:
        return next(f for f in self.frames.values() if name in f.devices)

    def link(self, up: bool, at: float) -> list[int]:
        """Without a link no frame leaves. Returns the universes that fell silent for too long."""
        lost = []
        if up and self._silent_at is not None and at - self._silent_at > GOES_ON_WITHIN:
            for number, frames in self.frames.items():
                if frames.sends:
                    frames.lost()
                    lost.append(number)
        self._silent_at = None if up else at
        return lost

    def next_due(self) -> float | None:
        if self._silent_at is not None:
            return None
        dues = [due for f in self.frames.values() if (due := f.next_due()) is not None]
        return min(dues, default=None)

    def due(self, at: float) -> list[Frame]:
        if self._silent_at is not None:
            return []
        found = [frames.frame(at) for frames in self.frames.values()]
        sent = [frame for frame in found if frame is not None]
        for frame in sent:
            self.laws.frame(at, frame)
        return sent


def with_listeners(profile: SetProfile, dice: random.Random) -> SetProfile:
    """The same set with one to four fixtures on slots, on one or two universes."""
    devices = dict(profile.devices)
    looks = {name: dict(look.presets) for name, look in profile.looks.items()}
    # `check` refuses anything beside a camera that is known by the watts of its plug
    taken = {meter_of(devices, d) for d in devices.values() if d.rolls_by == "watts"}
    plugs = [
        d
        for d in devices.values()
        if d.kind == "plug" and d.speaks is not None and not taken & {d.name, *d.feeds}
    ]
    universes = {1: Universe(1), 2: Universe(2, priority=120)}
    first = {1: 1, 2: 1}
    for n in range(dice.randint(1, 4)):
        number = dice.choice((1, 1, 2))
        fine = dice.random() < 0.5
        slots = Slots(number, first[number], 1, 2 if fine else None, keep={4: 255} if n % 2 else {})
        first[number] += 5
        feed = dice.choice(plugs) if plugs and dice.random() < 0.8 else None
        circuit = feed.circuit if feed is not None else next(iter(profile.circuits))
        name = f"wash-{n}"
        devices[name] = Device(
            name,
            "light",
            fed_by=feed.name if feed is not None else circuit,
            feeds=(feed.name, *feed.feeds) if feed is not None else (),
            circuit=circuit,
            speaks="e131",
            at=f"{number}/{slots.first}",
            slots=slots,
            tells=frozenset({"level"}),
            knows_fade=True,
            proof="none",
            draws=float(dice.randint(5, 30)),
            boots_in=float(dice.randint(0, 3)),
            fade=dice.choice((0.0, 0.5, 2.0, 6.0, 30.0)),
            cools_in=dice.choice((0.0, 0.0, 8.0)),
            essential=dice.random() < 0.8,
        )
        for presets in looks.values():
            presets[name] = Preset(float(dice.randint(5, 100)))
    used = {d.slots.universe for d in devices.values() if d.slots is not None}
    dressed = with_gear(profile, devices, looks)
    return replace(dressed, universes={n: u for n, u in universes.items() if n in used})
