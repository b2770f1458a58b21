"""What the gear of a set does now: is a computer down, does a camera roll, is a lamp still hot?

Each asks for the careful answer: what nothing says is down may run, what nothing says stands
still may roll, and a lamp that may have been lit was.
"""

from __future__ import annotations

from studiobridge.control.feeds import Feeds
from studiobridge.control.mains import Mains
from studiobridge.profile.manners import meter_of
from studiobridge.profile.model import RollsBy, SetProfile, figure

# The last idle sample of a computer proves so long (s) that it is down: some periods of a slow
# meter, and shorter than anybody needs to wake it and have work to lose.
IDLE_HOLDS = 60.0
# What a computer says within so long (s) of its word that it is down was said on its way there:
# the rest of one message, or one that was overtaken.
FAREWELL = 2.0


class Gear(Mains):
    """The same devices by what they do: computers, cameras, lamps."""

    def __init__(self, profile: SetProfile, feeds: Feeds) -> None:
        super().__init__(profile, feeds)
        # each mains switch that meters exactly one computer, and that computer
        self.sole_computer = {
            switch: reached[0]
            for switch, reached in feeds.reach.items()
            if len(reached) == 1
            and profile.devices[reached[0]].kind == "computer"
            and not profile.devices[reached[0]].own_battery
            and "watts" in profile.devices[switch].hears
        }
        # the meter of each camera that is known to roll by its watts; and the other way round
        self.camera_meter = {
            d.name: meter
            for d in profile.devices.values()
            if d.kind == "camera" and d.rolls_by == "watts"
            for meter in (meter_of(profile.devices, d),)
            if meter is not None
        }
        self.metered_camera = {meter: camera for camera, meter in self.camera_meter.items()}
        self._meter_of = {computer: switch for switch, computer in self.sole_computer.items()}

    def is_down(self, name: str) -> bool:
        """A computer said it is down, or two samples in a row span its idle time (law 5)."""
        belief = self.of[name]
        down = belief.word("is it there", "down")
        if down is not None and down.value is True and belief.alive_at <= down.at + FAREWELL:
            return True
        if belief.idle_to is not None and self.now > belief.idle_to + IDLE_HOLDS:
            return False  # its meter fell silent: somebody may have woken it since
        return belief.idle_for > 0 and belief.idle_for >= belief.device.idle_for - 1e-6

    def going_down(self, name: str) -> bool:
        return self.of[name].shutting or self.is_down(name)

    def to_close(self) -> dict[str, str]:
        """Computers with a battery of their own that are not known to be down, each with why."""
        return {
            name: self.why_to_close(name)
            for name in self.of
            if name in self.feeds.own_battery and not self.is_down(name)
        }

    def why_to_close(self, name: str) -> str:
        """What speaks against such a computer being down, for who is asked to close it."""
        belief = self.of[name]
        if belief.gone:
            return f"{name} has left the network and never said that it is down"
        if "down" in belief.hears:
            return f"{name} has not said that it is down"
        if "shut_down" in belief.tells:
            return f"{name} was told to shut down, and nothing says that it did"
        return f"{name} runs on its own battery, and nothing tells it"

    def draws_now(self, computer: str) -> float | None:
        """What a computer's own meter or its plug last metered in this epoch (W)."""
        for name in (computer, self._meter_of.get(computer)):
            watts = None if name is None else self.of[name].said("is it there", "watts")
            if watts is not None:
                return figure(watts)
        return None

    def meter_of(self, computer: str) -> str:
        """Who meters a computer: its plug where it feeds nothing else, or itself."""
        return self._meter_of.get(computer, computer)

    def rolling(self, name: str) -> tuple[bool | None, RollsBy | None]:
        """Does this camera roll, and who says so? (None, None): nobody knows."""
        belief = self.of[name]
        take = belief.rolling
        if belief.said("was it so", "rolling") is True:
            return True, "report"
        if take.rolls:
            return True, "watts" if take.watts is True else "hand"
        if take.stopped_by_watts(self.now):
            return False, "watts"
        if take.spoken_since(self.now):
            return False, "hand"
        said = belief.said("is it there", "rolling") is False and not belief.gone
        if belief.rolls_by == "report" and said and self.powered(name):
            return False, "report"
        # what has no mains does not roll, by the word of its plug
        off = self.surely_off(name) and not belief.device.battery
        return (False, "report") if off else (None, None)

    def still_hot(self, name: str) -> float:
        """Seconds of cool-down left (0 when none). A lamp that may be lit needs all of it."""
        belief = self.of[name]
        cools_in = belief.device.cools_in
        if cools_in <= 0:
            return 0.0
        if belief.out_since is None:
            lit = self.powered(name) or self.against(name) is not None
            return cools_in if lit else 0.0
        return max(0.0, belief.out_since + cools_in - self.now)
