"""The key `quiet` of a device: what is off during takes only, and comes back.

What is switched is a plug: the device itself, or the one that feeds it. Nothing may hang on that
plug that would mind.
"""

from __future__ import annotations

from dataclasses import replace

from studiobridge.profile.findings import Part
from studiobridge.profile.model import LONGEST_QUIET, Device, ToldQuiet
from studiobridge.profile.shape import DeviceShape
from studiobridge.profile.text import Path

# What may lose its mains in the middle of a take without harm to it or to the picture.
MAY_BE_QUIET = ("plug", "charger", "display")


class QuietGear(Part):
    """Devices that are told quiet, and the plugs by which that is done."""

    def told(self, name: str, shape: DeviceShape) -> ToldQuiet | None:
        """What its own entry says of it."""
        said, at = shape.quiet, ("devices", name, "quiet")
        if said is None:
            return None
        if shape.kind not in MAY_BE_QUIET:
            what = f"'{name}' is a {shape.kind}: its mains are not taken in the middle of a take"
            self.wrong(at, what, "leave 'quiet' out", key=True)
        if said.for_ > LONGEST_QUIET:
            self.wrong(
                (*at, "for"),
                f"'{name}' would be off for {said.for_ / 3600:.3g} h, and what cools or heats does"
                " harm when it is forgotten so long",
                f"at most {LONGEST_QUIET / 3600:.0f} h, like 'for: 40 min'",
            )
        elif said.for_ <= 0:
            self.wrong((*at, "for"), "it would come back at once", "write it like 'for: 40 min'")
        if shape.essential:
            what = f"'{name}' is off during takes: the set is ready without it"
            self.wrong(("devices", name, "essential"), what, "leave 'essential' out", key=True)
        if shape.stays_on is False:
            what = f"'{name}' is off during takes only: `down` leaves it on"
            self.wrong(("devices", name, "stays_on"), what, "leave 'stays_on' out", key=True)
        return ToldQuiet(said.when, said.for_, said.rests)

    def settled(self, made: dict[str, Device]) -> dict[str, Device]:
        """Nothing of it waits for `ready` or goes down with the set."""
        gear: set[str] = set()
        for device in made.values():
            if device.quiet is None or device.kind not in MAY_BE_QUIET:
                continue
            plug = self._plug(device, made)
            if plug is not None:
                gear |= {plug, device.name}
        return {
            name: replace(device, essential=False, stays_on=True, restores=0)
            if name in gear
            else device
            for name, device in made.items()
        }

    def _plug(self, device: Device, made: dict[str, Device]) -> str | None:
        """The plug that is switched for it; None where what is wrong with it has been said."""
        at: Path = ("devices", device.name, "quiet")
        line = [n for n in (device.name, *device.feeds) if made[n].kind == "plug"]
        switches = [n for n in line if "switch" in made[n].tells]
        if not switches and any(made[n].speaks is not None for n in line):
            return None  # that its dialect tells no switch has been said
        if not switches:
            self.wrong(
                at,
                f"'{device.name}' has no plug that can be told off",
                "feed it from a plug that speaks, or leave 'quiet' out",
                key=True,
            )
            return None
        plug = switches[0]
        if switches[1:]:
            self.wrong(
                at,
                f"'{plug}' hangs on '{switches[1]}', which goes off too: it might not come back",
                "feed it straight from its circuit",
                key=True,
            )
            return None
        for other in made.values():
            if plug not in other.feeds or other.name == device.name:
                continue
            if other.quiet is None and other.kind not in MAY_BE_QUIET:
                self.wrong(
                    at,
                    f"'{plug}' feeds '{other.name}' too, which would go off with it",
                    f"give '{device.name}' a plug of its own",
                    key=True,
                )
                return None
            if other.quiet is not None:
                self.wrong(
                    at,
                    f"'{plug}' would be told quiet twice, for '{other.name}' too",
                    f"write 'quiet' at '{plug}', once",
                    key=True,
                )
                return None
        return plug
