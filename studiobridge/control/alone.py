"""A thing with a button of its own, alone on a plug that meters: is it on, by its watts?

An amp, a display or a mixer that nobody can ask. It is on when its plug meters clearly more than
its standby, off when it meters no more than that, and in between nobody can tell. One sample may
be of the moment its mains came: two in a row have to say the same.
"""

from __future__ import annotations

from studiobridge.control.desk import Desk
from studiobridge.control.evidence import Gauged
from studiobridge.profile.model import Device

# Off up to this share of its standby and this much (W) more, on from the second pair: meters are
# good to 2 %, and a standby wanders (common practice).
OFF_SHARE, OFF_MORE = 1.1, 0.3
ON_SHARE, ON_MORE = 1.5, 1.0
# A meter that says only what has changed is asked again after so long (s); and well before its last
# sample is old, which it is after this.
ASK_AGAIN, ASK_STILL, OLD = 2.0, 12.0, 30.0


class Alone:
    """Every device of a set that is proven on by the watts of a plug it has for itself."""

    def __init__(self, desk: Desk) -> None:
        self.desk = desk
        self.by_plug = {
            device.feeds[0]: device
            for device in desk.profile.devices.values()
            if device.proof == "watts" and not device.fixture and device.feeds
        }
        self._said: dict[str, tuple[float, float, float] | None] = {}

    def metered(self, plug: str, watts: float, at: float) -> str | None:
        """A sample. Returns the device of which something else is believed now."""
        device = self.by_plug.get(plug)
        if device is None:
            return None
        belief = self.desk.beliefs.of[device.name]
        before = self._said.get(plug)
        low, high = verdict(device, watts)
        self._said[plug] = (low, high, at)
        since = belief.epoch_since
        agree = before is not None and before[:2] == (low, high) and before[2] >= since
        self.desk.wake(f"gauge {plug}", at + (ASK_STILL if agree else ASK_AGAIN))
        if not agree:
            return device.name if belief.lose_gauge("watts") else None
        band = Gauged(low, high, at, belief.epoch, "watts", "")
        return device.name if belief.gauge("switch", band) else None

    def look(self, plug: str, at: float) -> str | None:
        """Time has passed: ask its meter again, and see whether it has fallen silent."""
        device = self.by_plug.get(plug)
        if device is None:
            return None
        desk, said = self.desk, self._said.get(plug)
        if desk.listened and desk.look is not None and desk.beliefs.surely_on(plug):
            desk.ask(at, plug)
            desk.wake(f"gauge {plug}", at + ASK_AGAIN)
        if said is not None and at - said[2] > OLD:
            self._said[plug] = None
            return device.name if desk.beliefs.of[device.name].lose_gauge("watts") else None
        return None


def verdict(device: Device, watts: float) -> tuple[float, float]:
    """On is 1 to 1, off 0 to 0; 0 to 1 where so many watts may be either."""
    standby = device.standby or 0.0
    if watts <= OFF_SHARE * standby + OFF_MORE:
        return 0.0, 0.0
    if watts >= ON_SHARE * standby + ON_MORE:
        return 1.0, 1.0
    return 0.0, 1.0
