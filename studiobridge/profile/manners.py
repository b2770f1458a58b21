"""What a device does that no report tells.

It runs on without its mains, it rolls or has charged and cannot say so, it comes back lit or dark.
"""

from __future__ import annotations

from collections.abc import Mapping

from studiobridge.profile.findings import Part
from studiobridge.profile.model import FIXTURES, ComesBack, Device, Point, Rolls
from studiobridge.profile.shape import DeviceShape
from studiobridge.profile.text import Path

# What feeds a device that nothing feeds.
BATTERY = "battery"
# Meters of plugs often say 0 for less than so much (W): 1 to 2 W is common practice.
BLIND_BELOW = 2.0


class Manners(Part):
    """The keys `own_battery`, `rolls`, `done_below` and `comes_back` of a device."""

    def own_battery(self, name: str, shape: DeviceShape) -> bool:
        """A computer that its plug charges and does not power."""
        at: Path = ("devices", name, "own_battery")
        if not shape.own_battery:
            return False
        if shape.kind != "computer":
            self.wrong(
                at,
                f"'{name}' is a {shape.kind}: only a computer has a battery of its own here",
                "what runs on battery is 'fed_by: battery'",
                key=True,
            )
        elif shape.fed_by == BATTERY:
            self.wrong(
                at,
                f"'{name}' is fed by its battery already",
                "name the plug that charges it in 'fed_by', or leave this out",
                key=True,
            )
        if shape.idle_below is not None:
            self.wrong(
                ("devices", name, "idle_below"),
                f"what charges '{name}' draws says nothing of whether it runs",
                "leave 'idle_below' out",
                key=True,
            )
        return True

    def comes_back(self, name: str, shape: DeviceShape) -> ComesBack | None:
        """What a light does when its mains come; `forgets_level` said half of it once."""
        at: Path = ("devices", name, "forgets_level" if shape.forgets_level else "comes_back")
        said: ComesBack | None = shape.comes_back
        if shape.forgets_level:
            self.doubt(
                at,
                "'forgets_level: yes' is read as 'comes_back: full'",
                "write that instead: it counts in the load, and people are told",
                key=True,
            )
            if said not in (None, "full"):
                self.wrong(at, f"'{name}' forgets its level and comes back '{said}'", key=True)
            said = "full"
        if said is not None and shape.kind == "plug":
            if said not in ("last", "off"):
                what = f"'{name}' is a plug: it comes back as it was last, or stays off"
                self.wrong(at, what, "write last or off")
        elif said is not None and shape.kind not in FIXTURES:
            what = f"'{name}' is a {shape.kind}: only lights, backdrops and plugs come back"
            self.wrong(at, what, "leave it out", key=True)
            return None
        elif said == "off":
            what = f"'{name}' is a {shape.kind}: only a plug stays off"
            self.wrong(at, what, "write dark where it stays dark")
        return said

    def rolls(self, name: str, shape: DeviceShape, hears: set[Point]) -> Rolls | None:
        """How it is known that a camera rolls. Whether its meter can tell: `check_meters`."""
        at: Path = ("devices", name, "rolls")
        rolls = shape.rolls
        if rolls is None:
            return None
        if shape.kind != "camera":
            what = f"'{name}' is a {shape.kind}: only a camera rolls"
            self.wrong(at, what, "leave it out", key=True)
            return None
        if rolls.by == "report" and "rolling" not in hears:
            self.wrong(
                (*at, "by"),
                f"'{name}' reports nothing of the kind: its dialect hears no 'rolling'",
                "add it to the dialect, or say 'by: watts' or 'by: hand'",
            )
        if rolls.by == "watts" and not rolls.from_:
            self.wrong(
                at,
                f"it is not said from how many watts '{name}' rolls",
                "like {by: watts, from: 8.5 W}, half way between waiting and rolling",
                key=True,
            )
        if rolls.by != "watts" and rolls.from_ is not None:
            what = f"'{name}' is not known to roll by its watts, so 'from' says nothing"
            self.wrong((*at, "from"), what, "leave it out", key=True)
        if rolls.by == "watts" and rolls.from_ and 0 < shape.draws < rolls.from_:
            self.doubt(
                (*at, "from"),
                f"'{name}' draws {shape.draws:g} W at most and rolls from {rolls.from_:g} W: by"
                " these figures never",
                "'draws' is what it takes while it rolls",
            )
        return Rolls(rolls.by, rolls.from_ or 0.0)

    def done_below(self, name: str, shape: DeviceShape) -> float | None:
        """Below how many watts a charger is done. Whether its meter can tell: `check_meters`."""
        below = shape.done_below
        if below is None or shape.kind != "charger":  # of anything else: `unused.py`
            return None
        at: Path = ("devices", name, "done_below")
        if below <= 0:
            what = f"no meter says less than {below:g} W, so '{name}' would never be done"
            self.wrong(at, what, "half way between its watts when done and while it charges")
        elif 0 < shape.draws <= below:
            self.wrong(
                at,
                f"'{name}' draws {shape.draws:g} W at most: below {below:g} W it always is",
                "half way between its watts when done and while it charges",
            )
        elif below < BLIND_BELOW:
            self.doubt(
                at,
                f"many meters say 0 for anything below {BLIND_BELOW:g} W: '{name}' may be shown as"
                f" done while it still draws more than {below:g} W",
                "see what its plug says while it charges its last",
            )
        return below

    def check_meters(self, devices: Mapping[str, Device]) -> None:
        """Watts tell of a camera or a charger only where nothing else is in them."""
        for device in devices.values():
            at: Path
            if device.rolls is not None and device.rolls.by == "watts":
                at = ("devices", device.name, "rolls", "by")
                todo = "give the camera a metering plug of its own, or say 'by: hand'"
            elif device.done_below is not None:
                at = ("devices", device.name, "done_below")
                todo = "give the charger a metering plug of its own, or leave this out"
            else:
                continue
            meter = meter_of(devices, device)
            if meter is None:
                self.wrong(
                    at,
                    f"nothing meters '{device.name}', so '{at[2]}' cannot be told by watts",
                    "feed it from a plug of its own whose dialect hears 'watts'",
                )
                continue
            others = others_on(devices, meter, device)
            if others:
                self.wrong(
                    at,
                    f"'{meter}' meters {', '.join(others)} too, so its watts say nothing sure of"
                    f" '{device.name}'",
                    todo,
                )


def meter_of(devices: Mapping[str, Device], camera: Device) -> str | None:
    """Who meters this device: itself, or the nearest plug above it that does."""
    for name in (camera.name, *camera.feeds):
        if name in devices and "watts" in devices[name].hears:
            return name
    return None


def others_on(devices: Mapping[str, Device], meter: str, camera: Device) -> list[str]:
    """What draws through this meter besides the camera: strips that speak nothing do not."""
    return [
        d.name
        for d in devices.values()
        if meter in d.feeds
        and d.name != camera.name
        and not (d.kind == "plug" and d.speaks is None)
    ]
