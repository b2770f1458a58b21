"""Everything believed of a set: evidence comes in, and reaches every device it bears on.

The questions stand below, each file with those it knows: mains.py (has it mains), gear.py (what
does it do), proof.py (what is proven of it).
"""

from __future__ import annotations

from collections.abc import Collection

from studiobridge.control.proof import Proofs
from studiobridge.profile.model import Point, Value, figure


class Beliefs(Proofs):
    """Every device of a set: evidence comes in here, and every question is asked here."""

    def link_up(self, at: float) -> None:
        for belief in self.of.values():
            belief.link_came(at)

    def hear(self, name: str, point: Point, value: Value, kept: bool, at: float) -> set[str]:
        """A report. Returns the devices of which something else is believed now."""
        belief = self.of[name]
        before = belief.last.get(point)
        if not belief.hear(point, value, kept, at):
            return set()
        # the same value on other evidence is news too: what was kept is reported now
        now = belief.last[point]
        same = before is not None and before.value == value
        if same and before is not None:
            same = before.kept == now.kept and before.epoch == now.epoch
        changed = set() if same else {name}
        if point == "switch" and (before is None or before.value is not value):
            changed |= self._mains(name, bool(value), at)
        elif point == "switch" and value is False and not kept:
            for below in self.feeds.powers.get(name, ()):
                self.of[below].mains_still_off(at)
        elif point == "watts" and not kept:
            computer = name if belief.device.kind == "computer" else self.sole_computer.get(name)
            if computer is not None:
                self.of[computer].metered(figure(value), at)
            camera = self.metered_camera.get(name)
            # a camera that boots may draw as much as one that rolls: its watts do not count yet
            booted = camera is not None and not self.booting_now(camera, at)
            if camera is not None and booted:
                self.of[camera].rolling.sample(figure(value), at)
        return changed

    def _mains(self, switch: str, on: bool, at: float) -> set[str]:
        """A mains switch says something new: what hangs on it has to be heard anew."""
        off_at = self.of[switch].off_at
        below = self.feeds.powers.get(switch, ())
        for name in below:
            belief = self.of[name]
            if not on:
                belief.mains_went(at)
            elif belief.epoch_since > off_at:
                # The epoch of this device began after the switch last said off: when the switch
                # was told on, or when the link came. What it has reported since then still holds.
                belief.mains_were_on()
            else:
                belief.mains_came(at)
        return set(below)

    def told(
        self,
        name: str,
        values: Collection[tuple[Point, Value]],
        at: float,
        until: float,
        along: Collection[Point] = (),
    ) -> set[str]:
        """A command leaves. Returns the devices whose mains may come with it."""
        self.of[name].tell(values, at, until, along)
        if ("switch", True) not in values or name not in self.feeds.switches:
            return set()
        if self.said_on(name):
            return set()  # it says it is on already: its devices keep what is known of them
        for below in self.feeds.powers[name]:
            self.of[below].mains_came(at)
        return set(self.feeds.powers[name])
