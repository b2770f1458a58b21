"""One simulated device: what it does with mains, messages, hands and time.

The rules of a simulated device:

- It speaks only through its own end (speech.FarEnd), as the real one would.
- Mains arriving starts it; it is heard only after its boot time. Mains gone, it is silent at
  once: it says no goodbye, and what the broker kept of it stays as it was.
- Told something, it answers after its answering time, with a report of the values it then has:
  what was told, or, when it refuses, what it had.
- A light comes back with its mains as its profile says (`comes_back`); where that says nothing,
  as it was. A computer with a battery of its own runs on without its mains, and whoever brings
  the set up opens it: closed, it starts when its mains come.
- It fades only where its dialect knows a fade. Some that follow Homie 5 walk to their `$target`
  of their own accord; the rest jump.
- A fixture on slots listens and says nothing. Where no frame comes for 2.5 s, or its source says
  that the stream ends, it goes dark, unless it is one that holds.
- Harm done to it is written down as a physical fact, whoever did it.

Sans-I/O: time comes in with every call, dice come from its own seed.
"""

from __future__ import annotations

import heapq
import itertools
import random
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Literal

from studiobridge.craft.chroma import Colour, white_at
from studiobridge.profile.model import (
    HOMIE5,
    ComesBack,
    Device,
    Point,
    Preset,
    SetProfile,
    Value,
    figure,
)
from studiobridge.rehearsal.supplies import SimulatedSupplies
from studiobridge.speech import FarEnd, Told
from studiobridge.speech.message import Message
from studiobridge.speech.slots import read

Cause = Literal["told", "hand", "mains", "woke", "start"]
Run = Literal["off", "starting", "up", "shutting", "down"]

# What a supply draws (W) when the device is off or dark but has mains. Common practice, no
# source: modern standby supplies take well under a watt.
STANDBY = 0.4
# A lamp draws what its table says, less what it has aged by (share; common practice, no source).
AGED = (0.98, 1.0)
# A meter of lamps that cannot speak says every so often (s) what it meters.
METERS_EVERY = (1.0, 2.0)
# A fade is reported this often (s) by the device that does it.
RAMP_EVERY = 0.25
# How long (s) a fixture takes that walks to its target unasked.
WALK = 0.6
# A meter reports a change so long (s) after it, and only a change worth reporting (W, share).
METER_LAG = (0.15, 0.6)
METER_STEP = 0.5
METER_SHARE = 0.01
# What a dial or button reports comes so long (s) after the hand.
HAND_LAG = (0.05, 0.25)
# What runs out is said again so often (s), and so is what a light sensor reads.
SUPPLIES_EVERY = 30.0
LUX_EVERY = 2.0
# A client whose connection broke tries again after so long (s).
REJOIN = (0.5, 2.0)
# A computer whose mains was away for less (s) never noticed: its supply was still charged.
# Common practice, no source: supplies hold up for well under a second, then empty in seconds.
CHARGED_FOR = 2.0
# What closes within (s) after its mains came shares their inrush: a cycle of 50 Hz. Common
# practice, no source.
AT_ONCE = 0.02
# Real times scatter about the figures of the profile (factors of those figures).
BOOT_SCATTER = (0.85, 1.02)
ANSWER_SCATTER = (0.4, 1.0)
SHUT_SCATTER = (0.6, 1.0)
CLOSE_SCATTER = (0.5, 0.95)
COOL_SCATTER = (0.7, 0.95)
# A fixture on slots gives its source up after so long (s): ANSI E1.31-2018, 6.7.1, from memory.
GIVEN_UP_AFTER = 2.5
# A camera takes so much more (W) while it rolls: 0.5 to 2 W is common practice, no source.
ROLLING_TAKES = 1.2
# A computer that is shutting down or only just down (shares of its draw and idle threshold)
SHUTTING_SHARE = 0.6
IDLE_SHARE = 0.5


@dataclass(frozen=True, slots=True)
class Joined:
    """The device's client connects: clean session, this will, then these subscriptions."""

    will: Message | None
    subscriptions: tuple[tuple[str, int], ...]
    keep_alive: float


@dataclass(frozen=True, slots=True)
class Left:
    """The device's client disconnects as it should: no will."""


@dataclass(frozen=True, slots=True)
class Vanished:
    """The device's client is gone without a word: the broker finds out by keep-alive."""


Happening = Message | Joined | Left | Vanished


@dataclass(frozen=True, slots=True)
class Harm:
    """Something that should never be done to gear, and was. `cause` says by whom."""

    at: float
    device: str
    what: Literal[
        "computer cut while running",
        "camera cut while rolling",
        "camera cut while closing its file",
        "light cut while hot",
        "pop in an amp",
    ]
    cause: Cause
    detail: str = ""


_LEVEL: tuple[Point, ...] = ("level",)
_DOWN: tuple[Point, ...] = ("down",)
_WATTS: tuple[Point, ...] = ("watts",)


class SimulatedDevice:
    """One device of the profile, simulated. The Room gives it mains and carries its messages."""

    def __init__(
        self,
        profile: SetProfile,
        name: str,
        seed: int | str = 0,
        keep_alive: float = 5.0,
        wakes: Literal["off", "last", "on"] | None = None,
    ) -> None:
        device = profile.devices[name]
        self.device: Device = device
        self.name = name
        self.kind = device.kind
        self._dice = random.Random(f"{seed} {name}")
        dice = self._dice
        speaks = device.speaks is not None and device.slots is None
        self._end: FarEnd | None = FarEnd(profile, name) if speaks else None
        self._keep_alive = keep_alive
        # where it has a switch: in which state it comes back when mains does
        at_random: Literal["off", "last"] = "off" if dice.random() < 0.5 else "last"
        by_profile: dict[ComesBack | None, Literal["off", "last", "on"]]
        by_profile = {"dark": "off", "off": "off", "last": "last", "preset": "on", "full": "on"}
        self.wakes: Literal["off", "last", "on"] = (
            by_profile.get(device.comes_back, at_random) if wakes is None else wakes
        )
        self.walks = WALK if device.speaks == HOMIE5 and dice.random() < 0.5 else 0.0
        self.has_switch = "switch" in device.tells or "switch" in device.hears
        self.low, self.high = device.level_range or (0.0, 100.0)
        preset = _a_preset(profile, device, dice)
        # what has become of a lamp since somebody metered it: dice of their own, so that an
        # evening without such a table is what it was
        self.age = 1.0
        if device.draws_at:
            self.age = random.Random(f"{seed} {name} age").uniform(*AGED)
        # physical truth
        self.mains = device.battery
        self.plugged = True
        self.switch = not self.has_switch
        self.level: float = 100.0 if preset.level is None else preset.level
        look = profile.looks.get(profile.default_look or "")
        stored = None if look is None else look.presets.get(name)
        # the preset it has stored, where it comes back at one
        self._stored = self.level if stored is None or stored.level is None else stored.level
        self.cct: float = _middle(device) if preset.cct is None else preset.cct
        # None while it is white
        self.colour: Colour | None = preset.colour
        self.run: Run = "off"
        self.booted = False
        self.joined = False
        self.rolling = False
        self.closing_until = float("-inf")
        self.hot_until = float("-inf")
        self.metered_watts = 0.0
        self.harms: list[Harm] = []
        # who made it do what it did last: it closes by itself for whoever gave it mains
        self.cause: Cause = "told"
        self._mains_cause: Cause = "mains"
        self._mains_at = float("-inf")
        # what it has left; what it reads, where it is a light sensor (lx)
        self.supplies = SimulatedSupplies(device, seed)
        self.lux = 0.0
        self._says_again = False
        # a fixture on slots: when the last frame came, and whether it holds what it has without
        self._frame_at = float("-inf")
        self._listens = False
        self.holds = False
        self.loss_after = GIVEN_UP_AFTER
        # manners
        self.silent = False
        self.deaf = False
        self.rejects: frozenset[Point] = frozenset()
        self.late = 0.0
        self.only_down = False  # a computer that says when it is down, and never that it is not
        self.welded = False  # a plug whose contact stays closed, whatever it says of itself
        # a meter says again every so often (s) what it meters; None: only what has changed
        self.meter_every: float | None = None
        if "watts" in device.hears and any(
            other.draws_at and "level" not in other.hears and name in other.feeds
            for other in profile.devices.values()
        ):
            self.meter_every = random.Random(f"{seed} {name} meter").uniform(*METERS_EVERY)
        # how many samples a meter has left before it falls silent; None: it does not
        self.samples_left: int | None = None
        # a meter: its share of error, the smallest difference it shows and what it does not see (W)
        self.meter_gain = 1.0
        self.meter_step = 0.1
        self.meter_blind = 0.0
        self._sampling = False
        self._away_until = float("-inf")  # no network before then
        self._mains_lost_at = float("-inf")
        self._remembered = self.switch
        self._was_lit = False
        self._busy_until = float("-inf")
        self._ramp: tuple[float, float, float, float] | None = None
        self._ramp_n = 0
        self._meter_due = False
        self._said_watts: float | None = None
        self._count = 0
        self._pending: list[tuple[float, int, str, object]] = []

    # ---- physical truth -----------------------------------------------------------------

    @property
    def energised(self) -> bool:
        """Has mains (or its battery) at its socket."""
        return self.mains and self.plugged

    @property
    def live(self) -> bool:
        """Energised and switched on."""
        return self.mains and self.plugged and self.switch

    @property
    def contact(self) -> bool:
        """Passes mains on to what hangs on it."""
        closed = self.switch or self.welded
        return self.mains and self.plugged and closed and self.kind == "plug"

    @property
    def lit(self) -> bool:
        """A fixture that gives light."""
        if not (self.device.fixture and self.live and self.level > self.low):
            return False
        return self.booted or (self._end is None and self.device.slots is None)

    def closing(self, now: float) -> bool:
        """A camera that has stopped rolling and still writes."""
        return now < self.closing_until

    def hot(self, now: float) -> bool:
        """A light whose fan has to run."""
        return self.device.cools_in > 0 and (self.lit or now < self.hot_until)

    def watts(self) -> float:
        """What it takes from the mains itself, without what hangs on it (W)."""
        device = self.device
        if not self.energised or device.battery or self.kind == "plug":
            return 0.0
        standby = min(STANDBY, device.draws) if device.standby is None else device.standby
        if device.draws_at:
            return self.age * drawn(device.draws_at, self.level if self.lit else 0.0)
        if not self.switch:
            return standby
        if device.fixture:
            return max(standby, device.draws * self.level / 100.0) if self.lit else standby
        if self.kind == "computer":
            if self.run in ("off", "down"):
                if device.idle_below is not None:
                    return min(standby, IDLE_SHARE * device.idle_below)
                return standby
            return device.draws * (SHUTTING_SHARE if self.run == "shutting" else 1.0)
        if device.rolls_by == "watts" and self.kind == "camera" and device.rolls is not None:
            waiting = max(0.0, device.rolls.threshold - ROLLING_TAKES / 2)
            return waiting + (ROLLING_TAKES if self.rolling else 0.0)
        return device.draws

    def state(self) -> dict[Point, Value]:
        """What it would report of itself now, in house units."""
        values: dict[Point, Value] = self.supplies.state()
        for point in sorted(self.device.hears):
            if point == "switch":
                values[point] = self.switch
            elif point == "level":
                values[point] = self.level
            elif point == "cct":
                if self.colour is None or not self.device.either:
                    values[point] = self.cct
            elif point == "colour":
                if self.colour is not None:
                    values[point] = self.colour
                elif not self.device.either:
                    values[point] = white_at(self.cct)
            elif point == "watts":
                values[point] = self._meter_shows()
            elif point == "rolling":
                values[point] = self.rolling
            elif point == "online":
                values[point] = True
            elif point == "down" and (self.run == "down" or not self.only_down):
                values[point] = self.run == "down"
            elif point == "lux":
                values[point] = round(self.lux, 1)
        return values

    def _meter_shows(self) -> float:
        """What its meter makes of the watts that flow: its gain, its step, nothing when blind."""
        watts = self.metered_watts * self.meter_gain
        if watts < self.meter_blind:
            return 0.0
        return round(round(watts / self.meter_step) * self.meter_step, 3)

    # ---- mains --------------------------------------------------------------------------

    def begin(self, now: float, mains: bool, on: bool) -> list[Happening]:
        """The evening begins: it has had mains (or not) for long, and is on (or not)."""
        self.mains = mains or self.device.battery
        if self.has_switch:
            self.switch = on and self.energised
            self._remembered = on
        if self.device.slots is not None:
            self.level = self.level if on and self.holds else self.low
        elif self.device.fixture and not on and not self.has_switch and self.energised:
            self.level = self.low
        self._was_lit = False
        if not self.energised and not self.device.own_battery:
            return []
        if self.kind == "computer":
            self.run = "up"
        return self._boot_over(now)

    def power(self, on: bool, now: float, cause: Cause = "mains") -> list[Happening]:
        """Mains arrives at, or goes from, its feed."""
        was = self.energised
        self.mains = on or self.device.battery
        return self._mains_changed(was, now, cause)

    def unplug(self, now: float) -> list[Happening]:
        """A person pulls its plug."""
        was = self.energised
        self.plugged = False
        return self._mains_changed(was, now, "hand")

    def plug_in(self, now: float) -> list[Happening]:
        was = self.energised
        self.plugged = True
        return self._mains_changed(was, now, "hand")

    def _mains_changed(self, was: bool, now: float, cause: Cause) -> list[Happening]:
        if self.energised == was:
            return []
        if self.device.own_battery:
            if self.energised and self.run in ("off", "down"):
                self._start(now)
            return []
        self._mains_cause = cause
        self._mains_at = now
        if self.energised:
            self._arrived(now)
            return []
        return self._lost_mains(now, cause)

    def _arrived(self, now: float) -> None:
        if self.kind == "computer":
            if self.run == "down" and now - self._mains_lost_at < CHARGED_FOR:
                return
            self.run = "starting"
        if self.has_switch:
            self.switch = False
        if self.device.slots is not None:
            self.level = self.low  # it waits for a frame
        self._come_back()
        self._later(now + self.device.boots_in * self._dice.uniform(*BOOT_SCATTER), "booted")

    def _come_back(self) -> None:
        """At which level a light is when its mains have come."""
        how = self.device.comes_back
        if how == "full":
            self.level = self.high
        elif how == "dark" and not self.has_switch:
            self.level = self.low
        elif how == "preset":
            self.level = self._stored

    def _start(self, now: float) -> None:
        self.run = "starting"
        self._later(now + self.device.boots_in * self._dice.uniform(*BOOT_SCATTER), "booted")

    def _lost_mains(self, now: float, cause: Cause) -> list[Happening]:
        if self.kind == "computer":
            if self.run not in ("off", "down"):
                self._harm(now, "computer cut while running", cause, self.run)
                self.run = "off"
        elif self.kind == "camera":
            if self.rolling:
                self._harm(now, "camera cut while rolling", cause)
            elif self.closing(now):
                self._harm(now, "camera cut while closing its file", cause)
            self.rolling = False
            self.closing_until = float("-inf")
        elif self.device.cools_in > 0 and (self._was_lit or now < self.hot_until):
            left = self.device.cools_in if self._was_lit else self.hot_until - now
            self._harm(now, "light cut while hot", cause, f"{left:.1f} s of cool-down left")
        self._stop_ramp()
        self._was_lit = False
        self._mains_lost_at = now
        self.booted = False
        if self.has_switch:
            self._remembered = self.switch
            self.switch = False
        self._pending.clear()
        self._meter_due = self._sampling = self._says_again = self._listens = False
        self._said_watts = None
        self._busy_until = float("-inf")
        if not self.joined:
            return []
        self.joined = False
        return [Vanished()]

    def _harm(
        self,
        now: float,
        what: Literal[
            "computer cut while running",
            "camera cut while rolling",
            "camera cut while closing its file",
            "light cut while hot",
        ],
        cause: Cause,
        detail: str = "",
    ) -> None:
        self.harms.append(Harm(now, self.name, what, cause, detail))

    # ---- its client ---------------------------------------------------------------------

    def connect(self, now: float) -> list[Happening]:
        """Its client connects, says hello and where it stands."""
        if self._end is None or self.joined or not self.booted:
            return []
        if now < self._away_until:
            self._later(self._away_until, "join")
            return []
        self.joined = True
        self._said_watts = self.metered_watts
        if self.meter_every is not None and "watts" in self.device.hears and not self._sampling:
            self._sampling = True
            self._later(now + self.meter_every, "sample")
        self._say_again(now)
        joined = Joined(self._end.will(), tuple(self._end.subscriptions()), self._keep_alive)
        return [joined, *self._end.hello(self.state())]

    def dropped(self, now: float) -> list[Happening]:
        """The broker, or the network, ended its connection: it tries again shortly."""
        if self.joined:
            self.joined = False
            self._later(now + self._dice.uniform(*REJOIN), "join")
        return []

    def lose_network(self, now: float, seconds: float) -> list[Happening]:
        """Out of reach for a while, with its mains on."""
        self._away_until = now + seconds
        self._later(self._away_until, "join")
        if not self.joined:
            return []
        self.joined = False
        return [Vanished()]

    def leave(self, now: float) -> list[Happening]:
        """It says goodbye and disconnects."""
        if self._end is None or not self.joined:
            return []
        self.joined = False
        return [*self._end.goodbye(), Left()]

    def handle(self, message: Message, now: float) -> list[Happening]:
        """The broker delivers a message to it."""
        if self._end is None or not self.joined or self.deaf:
            return []
        told = self._end.told(message)
        if told is None:
            return []
        after = self.device.answers_in * self._dice.uniform(*ANSWER_SCATTER) + self.late
        self._busy_until = max(self._busy_until, now + after)
        self._later(self._busy_until, "obey", told)
        return []

    def frame(self, slots: Sequence[int], last: bool, now: float) -> None:
        """A frame of its universe comes in. `last`: its source says that the stream ends."""
        if self.device.slots is None or not self.energised or not self.booted or self.deaf:
            return
        if last:
            self._data_lost()
        else:
            level, cct = read(self.device.slots, slots)
            self.level = self._clamp(level)
            self.cct = self.cct if cct is None else self._clamp_cct(cct)
            self._frame_at = now
            if not self._listens:
                self._listens = True
                self._later(now + self.loss_after, "data lost")
        self._look_at_lamp(now)

    def _data_lost(self) -> None:
        if not self.holds:
            self.level = self.low

    # ---- time ---------------------------------------------------------------------------

    def wake_at(self) -> float | None:
        """When it wants to be ticked next; None when it waits for nothing."""
        return self._pending[0][0] if self._pending else None

    def tick(self, now: float) -> list[Happening]:
        """Do everything that is due."""
        self.cause = "told"
        out: list[Happening] = []
        while self._pending and self._pending[0][0] <= now:
            at, _, what, detail = heapq.heappop(self._pending)
            if what == "obey":
                assert isinstance(detail, Told)
                out += self._obey(detail, at)
            elif what == "ramp":
                out += self._ramp_step(detail, at)
            elif what == "meter":
                out += self._say_watts()
            elif what == "sample":
                out += self._sample(at)
            elif what == "again":
                out += self._again(at)
            elif what == "say":
                assert isinstance(detail, frozenset)
                out += self._report(detail)
            elif what == "booted":
                out += self._boot_over(at)
            elif what == "join":
                out += self.connect(at)
            elif what == "data lost":
                again = self._frame_at + self.loss_after
                if again > at + 1e-9:
                    self._later(again, "data lost")
                else:
                    self._listens = False
                    self._data_lost()
            elif what == "down":
                out += self._is_down(at)
            self._look_at_lamp(at)
        return out

    def _later(self, at: float, what: str, detail: object = None) -> None:
        self._count += 1
        heapq.heappush(self._pending, (at, self._count, what, detail))

    def _boot_over(self, now: float) -> list[Happening]:
        self.booted = True
        if self.kind == "computer":
            self.run = "up"
        if self.has_switch and self.wakes != "off":
            self.switch = self.wakes == "on" or self._remembered
            # at once, it is part of what gave it mains; later, it comes on by itself
            self.cause = self._mains_cause if now <= self._mains_at + AT_ONCE else "woke"
        self._look_at_lamp(now)
        return self.connect(now)

    def _look_at_lamp(self, now: float) -> None:
        """Notice the lamp going out: its fan runs on from here."""
        if self.device.cools_in > 0:
            lit = self.lit
            if self._was_lit and not lit:
                cools = self.device.cools_in * self._dice.uniform(*COOL_SCATTER)
                self.hot_until = now + cools
            self._was_lit = lit

    # ---- doing as told ------------------------------------------------------------------

    def _obey(self, told: Told, now: float) -> list[Happening]:
        changed: set[Point] = set(self.device.hears) if told.asked else set()
        target: dict[Point, Value] = {}
        # its switch first: a device told to come on at a level does not come on at another
        for point, value in sorted(told.values, key=lambda item: item[0] != "switch"):
            changed.add(point)
            if point in self.rejects:
                continue
            if point == "switch":
                self._switch_to(bool(value), changed)
            elif point == "level":
                self._level_to(figure(value), told.fade, now)
                target["level"] = self._clamp(figure(value))
            elif point == "cct":
                self.cct = self._clamp_cct(figure(value))
                self.colour = None
                target["cct"] = self.cct
                changed.add("colour")
            elif isinstance(value, Colour):
                self.colour = value
                target["colour"] = value
            elif point == "shut_down":
                self._shut_down(now)
        return self._report(changed, target)

    def _switch_to(self, on: bool, changed: set[Point]) -> None:
        if on and not self.switch and self.device.comes_back == "full":
            self._stop_ramp()
            self.level = self.high
            changed.add("level")
        if not on:
            self._stop_ramp()
        self.switch = on

    def _level_to(self, goal: float, fade: float | None, now: float) -> None:
        goal = self._clamp(goal)
        takes = fade if fade is not None and self.device.knows_fade else self.walks
        self._stop_ramp()
        if takes <= 0 or goal == self.level or not self.switch:
            self.level = goal
            return
        self._ramp = (self.level, goal, now, takes)
        self._later(now + min(RAMP_EVERY, takes), "ramp", self._ramp_n)

    def _ramp_step(self, detail: object, now: float) -> list[Happening]:
        if self._ramp is None or detail != self._ramp_n:
            return []
        start, goal, began, takes = self._ramp
        left = began + takes - now
        if left <= 1e-9:
            self._stop_ramp()
            self.level = goal
        else:
            self.level = goal - (goal - start) * left / takes
            self._later(min(now + RAMP_EVERY, began + takes), "ramp", self._ramp_n)
        return self._report(_LEVEL, {"level": goal})

    def _stop_ramp(self) -> None:
        self._ramp = None
        self._ramp_n += 1

    def _clamp(self, level: float) -> float:
        return min(max(level, self.low), self.high)

    def _clamp_cct(self, cct: float) -> float:
        if self.device.cct_range is None:
            return cct
        return min(max(cct, self.device.cct_range[0]), self.device.cct_range[1])

    def _shut_down(self, now: float) -> None:
        if self.kind != "computer" or self.run != "up":
            return
        self.run = "shutting"
        self._later(now + self.device.shuts_in * self._dice.uniform(*SHUT_SCATTER), "down")

    def _is_down(self, now: float) -> list[Happening]:
        self.run = "down"
        said = self._report(_DOWN)
        self.booted = False
        return [*said, *self.leave(now)]

    # ---- saying so ----------------------------------------------------------------------

    def _report(
        self, changed: Iterable[Point], target: dict[Point, Value] | None = None
    ) -> list[Happening]:
        if self._end is None or not self.joined or self.silent:
            return []
        heard = sorted(point for point in changed if point in self.device.hears)
        if "watts" in heard and self.samples_left is not None:
            if self.samples_left == 0:
                heard.remove("watts")
            else:
                self.samples_left -= 1
        if not heard:
            return []
        return list(self._end.report(self.state(), heard, target))

    def metered(self, watts: float, now: float) -> None:
        """What it meters has changed (W): reported a little later, if worth reporting."""
        self.metered_watts = watts
        if "watts" not in self.device.hears or self._meter_due or not self.joined:
            return
        before = self._said_watts
        if before is None or abs(watts - before) > max(METER_STEP, METER_SHARE * before):
            self._meter_due = True
            self._later(now + self._dice.uniform(*METER_LAG), "meter")

    def _say_watts(self) -> list[Happening]:
        self._meter_due = False
        self._said_watts = self.metered_watts
        return self._report(_WATTS)

    def _sample(self, now: float) -> list[Happening]:
        """The meter's own clock: said again, changed or not."""
        if self.meter_every is None or not self.joined:
            self._sampling = False
            return []
        self._later(now + self.meter_every, "sample")
        return self._say_watts()

    def _say_again(self, now: float) -> None:
        """A light sensor and a supply have a clock of their own."""
        self.supplies.pass_time(now, self.live, self.rolling)
        if self._says_again or not (self.supplies.points or "lux" in self.device.hears):
            return
        self._says_again = True
        every = LUX_EVERY if "lux" in self.device.hears else SUPPLIES_EVERY
        self._later(now + every, "again")

    def _again(self, now: float) -> list[Happening]:
        self._says_again = False
        if not self.joined:
            return []
        self._say_again(now)
        light: tuple[Point, ...] = ("lux", "cct") if "lux" in self.device.hears else ()
        return self._report((*self.supplies.points, *light))

    # ---- people's hands -----------------------------------------------------------------

    def touch(
        self,
        now: float,
        level: float | None = None,
        cct: float | None = None,
        switch: bool | None = None,
        colour: Colour | None = None,
    ) -> None:
        """A person turns its dials or presses its button. Level in %, CCT in kelvin.

        Turned to a white it is coloured no more, and the other way round.
        """
        changed: set[Point] = set()
        if switch is not None and self.has_switch and self.energised:
            self._switch_to(switch, changed)
            changed.add("switch")
        if level is not None:
            self._stop_ramp()
            self.level = self._clamp(level)
            changed.add("level")
        if cct is not None:
            self.cct = self._clamp_cct(cct)
            self.colour = None
            changed |= {"cct", "colour"}
        if colour is not None:
            self.colour = colour
            changed.add("colour")
        self._look_at_lamp(now)
        self._hand_said(now, changed)

    def roll(self, now: float, rolling: bool) -> None:
        """A person starts or stops the camera. It closes its file for a while after."""
        if self.kind != "camera" or not self.energised or not self.booted:
            return
        if self.rolling and not rolling:
            closes = self.device.closes_in * self._dice.uniform(*CLOSE_SCATTER)
            self.closing_until = now + closes
        self.rolling = rolling
        self._hand_said(now, {"rolling"})

    def press_power(self, now: float) -> None:
        """A person presses the computer's power button: it shuts down, or starts."""
        if self.kind != "computer" or not (self.energised or self.device.own_battery):
            return
        if self.run == "up":
            self._shut_down(now)
        elif self.run in ("off", "down"):
            self._start(now)

    def _hand_said(self, now: float, changed: Iterable[Point]) -> None:
        self._later(now + self._dice.uniform(*HAND_LAG), "say", frozenset(changed))


def _a_preset(profile: SetProfile, device: Device, dice: random.Random) -> Preset:
    """Where the dials stand from the last evening: mostly where the default look has them."""
    if profile.default_look is None or not device.fixture:
        return Preset()
    preset = profile.looks[profile.default_look].presets.get(device.name)
    if preset is None:
        return Preset()
    if device.hand_set or dice.random() < 0.6:
        return preset
    low, high = device.level_range or (0.0, 100.0)
    level = None if preset.level is None else float(dice.randint(int(low) + 1, int(high)))
    return Preset(
        level, preset.cct if device.cct_range is None else dice.uniform(*device.cct_range)
    )  # white, whatever it was: a colour has to be told


def drawn(table: tuple[tuple[float, float], ...], level: float) -> float:
    """Watts at a level (%), by what was metered; straight between two points.

    Gear reckons for itself and not with `figures/watts.py`, which it is there to try.
    """
    for (low, less), (high, more) in itertools.pairwise(table):
        if level <= high:
            return less + (more - less) * (level - low) / (high - low)
    return table[-1][1]


def _middle(device: Device) -> float:
    """Half way through its CCT range in mired (K); 4300 K where none is stated."""
    if device.cct_range is None:
        return 4300.0
    low, high = device.cct_range
    return 2e6 / (1e6 / low + 1e6 / high)
