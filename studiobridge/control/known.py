"""What the reports say about every device, and how far that can be trusted.

Fresh is: received after the command was sent and not kept by the broker from before. A
device that lost its power leaves its last report behind, so a kept report is evidence of
nothing; nor is anything that was heard before the mains last came back.
"""

from __future__ import annotations

from studiobridge.control.feeds import Feeds
from studiobridge.control.holding import matches
from studiobridge.craft.grid import Grid
from studiobridge.profile.model import HOMIE5, Device, Point, Preset, SetProfile, Value

NEVER = float("-inf")


class Known:
    """One device as its reports tell it. Times are of the controller's clock."""

    __slots__ = (
        "asked_at",
        "closing_until",
        "described",
        "device",
        "grids",
        "heard_at",
        "hears",
        "idle_since",
        "kept",
        "mains_since",
        "off_at",
        "out_since",
        "quiet_until",
        "rolling_said",
        "seen",
        "shutting",
        "silent",
        "tells",
        "told_at",
        "told_value",
        "value_at",
        "values",
    )

    def __init__(self, device: Device) -> None:
        self.device = device
        self.tells: frozenset[Point] = device.tells
        self.hears: frozenset[Point] = device.hears
        self.grids: dict[Point, Grid] = {}
        # a device of this convention cannot be told anything before it has said what it is
        self.described = device.wire != HOMIE5
        self.values: dict[Point, Value] = {}
        self.value_at: dict[Point, float] = {}  # of fresh reports only
        self.told_at: dict[Point, float] = {}
        self.told_value: dict[Point, Value] = {}
        self.seen = False  # anything at all since the link came up, kept or fresh
        self.heard_at = NEVER  # the last fresh report
        self.asked_at = NEVER
        self.mains_since = NEVER
        self.off_at = NEVER  # of a switch: when it last said off
        self.quiet_until = NEVER  # own commands are still taking effect
        self.out_since: float | None = None  # the lamp has been out since then
        self.idle_since: float | None = None
        self.shutting = False
        # points whose last value the broker kept, from a device that cannot be asked
        self.kept: set[Point] = set()
        self.silent = False
        self.rolling_said = False
        self.closing_until = NEVER

    def fresh(self, point: Point) -> Value | None:
        """The value of the last report that was heard after the last command of this point."""
        at = self.value_at.get(point, NEVER)
        if at == NEVER or at < self.told_at.get(point, NEVER):
            return None
        return self.values[point]

    def mains_came(self, at: float) -> None:
        """It boots, and a lamp may be lit: it is out when it says so, not since it was last."""
        self.forget(at)
        self.out_since = None

    def mains_went(self, at: float) -> None:
        """It has no power: a lamp is out from now on, if it was not already."""
        self.forget(at)
        if self.out_since is None:
            self.out_since = at

    def forget(self, at: float) -> None:
        """Nothing heard before now says anything about it."""
        self.value_at.clear()
        self.values.pop("online", None)
        self.heard_at = NEVER
        self.kept.clear()
        self.silent = False
        self.mains_since = at
        self.idle_since = None
        self.shutting = False


class Truth:
    """Known devices, asked the questions that a sequence asks (see sequence.Knowledge)."""

    def __init__(self, profile: SetProfile, feeds: Feeds) -> None:
        self.profile = profile
        self.feeds = feeds
        self.devices = {name: Known(device) for name, device in profile.devices.items()}
        self.link_since = NEVER
        self.now = NEVER
        # fixtures with open drift: they are to be set again, whatever their own tolerance says
        self.adrift: set[str] = set()

    def link_up(self, at: float) -> None:
        """After a silence of unknown length only what is heard from now on counts."""
        self.link_since = at
        for known in self.devices.values():
            known.seen = False
            known.idle_since = None
            known.kept.clear()
            known.silent = False
            known.value_at.clear()
            known.heard_at = NEVER

    def online(self, name: str) -> bool | None:
        """True: heard and not gone since. False: said to be gone, or its feed is off."""
        known = self.devices[name]
        if known.device.wire is None:
            return None
        if not self.powered(name):
            return False
        said = known.values.get("online")
        if said is False:
            return False
        return True if said is True or known.seen else None

    def powered(self, name: str) -> bool:
        """Not known to be without mains: no switch above it was last reported off."""
        above = self.feeds.above[name]
        while above is not None:
            if self.devices[above].values.get("switch") is False:
                return False
            above = self.feeds.above[above]
        return True

    def against(self, name: str) -> str | None:
        """The switch above a device that said off, though the device has spoken since.

        One of the two is wrong, or late: whoever decides about heat takes the worse.
        """
        known = self.devices[name]
        if known.heard_at == NEVER or known.values.get("online") is False:
            return None
        above = self.feeds.above[name]
        while above is not None:
            switch = self.devices[above]
            if switch.values.get("switch") is False:
                said_at = switch.value_at.get("switch", NEVER)
                return above if known.heard_at > said_at else None
            above = self.feeds.above[above]
        return None

    def may_be_on(self, name: str) -> bool:
        """Could this device be energised? Anything but a clear no counts as yes."""
        return self.powered(name) and self.devices[name].values.get("switch") is not False

    def surely_on(self, name: str) -> bool:
        known = self.devices[name]
        above = self.feeds.above[name]
        return (
            known.fresh("switch") is True
            and known.values.get("online") is not False
            and (above is None or self.surely_on(above))
        )

    def surely_off(self, name: str) -> bool:
        known = self.devices[name]
        if known.fresh("switch") is False:
            return True
        above = self.feeds.above[name]
        return above is not None and self.surely_off(above)

    def surely_heard(self, name: str) -> bool:
        known = self.devices[name]
        above = self.feeds.above[name]
        return (
            known.heard_at >= max(known.mains_since, self.link_since)
            and known.heard_at != NEVER
            and known.described
            and not known.silent
            and known.values.get("online") is not False
            and (above is None or self.surely_on(above))
        )

    def surely_set(self, name: str, preset: Preset) -> bool:
        known = self.devices[name]
        if name in self.adrift or not self.surely_heard(name):
            return False
        if "switch" in known.tells and known.fresh("switch") is not True:
            return False
        for point, wanted in wanted_points(known, preset).items():
            said = known.fresh(point)
            if said is None or not matches(
                known.device, known.grids.get(point), point, wanted, said
            ):
                return False
        return True

    def surely_out(self, name: str) -> bool:
        known = self.devices[name]
        if known.fresh("switch") is False:
            return True
        if "switch" in known.tells:
            return False
        level = known.fresh("level")
        if level is None:
            return False
        low = known.device.level_range[0] if known.device.level_range else 0.0
        return matches(known.device, known.grids.get("level"), "level", low, level)

    def is_down(self, name: str) -> bool:
        """A computer said it is down, or drew too little for long enough (law 5)."""
        known = self.devices[name]
        if known.values.get("down") is True and "down" in known.value_at:
            return True
        return known.idle_since is not None and (
            self.now - known.idle_since >= known.device.idle_for - 1e-6
        )

    def going_down(self, name: str) -> bool:
        known = self.devices[name]
        return known.shutting or self.is_down(name)

    def booting(self, name: str) -> bool:
        """Its mains came a moment ago and it has not spoken yet."""
        known = self.devices[name]
        since = known.mains_since
        return since != NEVER and self.now < since + 1.5 * known.device.boots_in + 1.0

    def still_hot(self, name: str) -> float:
        """Seconds of cool-down left (0 when none). A lamp that may be lit needs all of it."""
        known = self.devices[name]
        if known.device.cools_in <= 0:
            return 0.0
        if known.out_since is None:
            lit = self.powered(name) or self.against(name) is not None
            return known.device.cools_in if lit else 0.0
        return max(0.0, known.out_since + known.device.cools_in - self.now)

    def draw(self, name: str, presets: dict[str, Preset]) -> float:
        """Watts a device may take: a fixture at the higher of what it is set to and shall be."""
        known = self.devices[name]
        device = known.device
        preset = presets.get(name)
        if not device.fixture or preset is None or preset.level is None:
            return device.draws
        said = known.values.get("level")
        now = float(said) if said is not None and not device.hand_set else 0.0
        if device.hand_set or "level" not in known.tells:
            return device.draws * preset.level / 100.0
        return device.draws * max(now, preset.level) / 100.0

    def asked_of(self, circuit: str, presets: dict[str, Preset]) -> float:
        """Watts asked of a circuit by everything on it that may be on now."""
        return sum(
            self.draw(name, presets)
            for name in self.feeds.on_circuit[circuit]
            if self.may_be_on(name)
        )


def wanted_points(known: Known, preset: Preset) -> dict[Point, float]:
    """The points of a preset that this device can be told."""
    points: dict[Point, float] = {}
    if preset.level is not None and "level" in known.tells:
        points["level"] = preset.level
    if preset.cct is not None and "cct" in known.tells:
        points["cct"] = preset.cct
    return points
