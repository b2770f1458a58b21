"""Is a charger done, by the watts of a plug it has for itself?

The rules:

- It charges at `done_below` or more, and is done below that by more than a meter errs; in between
  it is as it was. Two fresh samples in a row have to say the same, SAMPLES_APART of each other:
  where the last one says otherwise nothing is known until the next.
- While it boots nothing counts: many look at what lies in them first, and draw next to nothing.
- What was metered holds for HOLDS, and not beyond the mains or the link it was metered in. The
  meter is asked again before that, also when the set is dark: what charges usually stays on.
- Nothing is switched for it. Done by its watts is also one with nothing in it.
"""

from __future__ import annotations

from studiobridge.control.desk import Desk
from studiobridge.control.effects import Announce
from studiobridge.control.evidence import NEVER
from studiobridge.control.rolling import ERRS_SHARE, ERRS_WATTS, SAMPLES_APART
from studiobridge.craft.supply import Charge, charger
from studiobridge.profile.manners import meter_of
from studiobridge.profile.model import Device, Point, Value, figure

# Plugs report every 1 to 10 s (common practice); one that says only what has changed is asked.
ASK_AGAIN, ASK_STILL, HOLDS = 2.0, 12.0, 30.0


class _Charger:
    """One charger, and what its meter says of it."""

    def __init__(self, device: Device, meter: str) -> None:
        self.device = device
        self.meter = meter
        # by its last samples; None: they do not agree
        self.charging: bool | None = None
        self.at = NEVER
        # when two samples last said that it charges
        self.charged_at = NEVER
        self._side: bool | None = None
        self._side_from = NEVER

    def sample(self, watts: float, at: float) -> None:
        side = self._on_which_side(watts)
        self.at = at
        if side is not self._side:
            self._side, self._side_from = side, at
            if side is not None and side is not self.charging:
                self.charging = None
        elif side is not None and at - self._side_from >= SAMPLES_APART - 1e-6:
            self.charging = side
            self.charged_at = at if side else NEVER

    def _on_which_side(self, watts: float) -> bool | None:
        threshold = self.device.done_below or 0.0
        if watts >= threshold:
            return True
        return False if watts < threshold - max(ERRS_WATTS, ERRS_SHARE * threshold) else None

    def forget(self) -> None:
        self.charging = self._side = None


class Chargers:
    """Every charger of a set that says by its watts when it is done."""

    def __init__(self, desk: Desk) -> None:
        self.desk = desk
        self.beliefs = desk.beliefs
        devices = desk.profile.devices
        self._of = {
            device.name: _Charger(device, meter)
            for device in devices.values()
            if device.done_below is not None
            for meter in (meter_of(devices, device),)
            if meter is not None
        }
        self._on = {one.meter: one for one in self._of.values()}
        self._shown: dict[str, Charge] = {}

    @property
    def names(self) -> tuple[str, ...]:
        return tuple(self._of)

    # ---- what comes in -------------------------------------------------------------------

    def hear(self, name: str, point: Point, value: Value, kept: bool, at: float) -> None:
        """A report of any device, already believed."""
        one = self._on.get(name)
        if one is not None and point == "watts" and not kept:
            own = one.device.name
            if one.at < self.beliefs.of[own].epoch_since or at - one.at > HOLDS:
                one.forget()
            if not (self.beliefs.booting_now(own, at) or self.beliefs.surely_off(own)):
                one.sample(figure(value), at)
                self._wake(one, at, ASK_AGAIN if one.charging is None else ASK_STILL)
        elif one is not None and point == "switch":
            self.desk.wake(f"charger {one.device.name}", at + ASK_AGAIN)
        if point in ("switch", "watts"):
            self.say(at)

    def look(self, name: str, at: float) -> None:
        """Time has passed: what was known may hold no longer, and its meter is asked again."""
        one = self._of[name]
        self.say(at)
        if self.desk.link and not self.beliefs.surely_off(name):
            self.desk.ask(at, one.meter)
            self._wake(one, at, ASK_STILL)

    def _wake(self, one: _Charger, at: float, after: float) -> None:
        due = at + after
        if one.at <= at <= one.at + HOLDS:
            due = min(due, one.at + HOLDS + 0.1)
        self.desk.wake(f"charger {one.device.name}", due)

    def say(self, at: float) -> None:
        """Is anything else to be shown of them?"""
        for name in self._of:
            charge = self.charge(name, at)
            if self._shown.get(name) != charge:
                self._shown[name] = charge
                self.desk.emit(Announce(state=True, devices=frozenset({name})))

    # ---- questions -----------------------------------------------------------------------

    def charge(self, name: str, at: float) -> Charge:
        """Whether it charges, as far as its watts say so now."""
        one, since = self._of[name], self.beliefs.of[name].epoch_since
        if self.beliefs.surely_off(name):
            # its mains went while it was still at it
            unfinished = since - HOLDS <= one.charged_at <= since
            return "off, not done" if unfinished else "off"
        if one.charging is None or one.at < since or at > one.at + HOLDS:
            return "not known"
        return "charging" if one.charging else "done"

    def sentences(self, at: float) -> list[str]:
        """What to say of each once the set is down."""
        return [text for name in self._of if (text := charger(name, self.charge(name, at)))]
