"""What the parts of the controller share, and the one place where anything is told to the gear.

Every interlock that forbids telling a device something stands in this file, so that no path
through the controller can get round it: lockouts (law 1), rolling (law 2), what a circuit may
be asked for (law 3), amps (law 4), a computer that is not down (law 5), a fan (law 6).
"""

from __future__ import annotations

from collections.abc import Collection, Mapping

from studiobridge.control.effects import Announce, Ask, Effect, Lockout, RollingNote, Tell, Wake
from studiobridge.control.feeds import Feeds
from studiobridge.control.known import NEVER, Known, Truth
from studiobridge.craft.mains import instant_trip, running_limit, trips
from studiobridge.profile.model import Point, Preset, SetProfile, Value


class Desk:
    """Shared state of one controller, and the gates to the gear."""

    def __init__(self, profile: SetProfile) -> None:
        self.profile = profile
        self.feeds = Feeds(profile)
        self.truth = Truth(profile, self.feeds)
        self.looks: dict[str, dict[str, Preset]] = {
            name: dict(look.presets) for name, look in profile.looks.items()
        }
        self.look: str | None = None
        self.link = False
        # drift is opened in this state of the set; else what differs is not yet, or no more, wanted
        self.drift_opens = False
        self.lockouts: dict[str, Lockout] = {}
        self.locked: dict[str, Lockout] = {}
        self.blocked_switches: dict[str, str] = {}
        self.cameras = tuple(d.name for d in profile.devices.values() if d.kind == "camera")
        # each mains switch that meters exactly one computer, and that computer
        self.sole_computer = {
            switch: reached[0]
            for switch, reached in self.feeds.reach.items()
            if len(reached) == 1
            and profile.devices[reached[0]].kind == "computer"
            and "watts" in profile.devices[switch].hears
        }
        self.amps = tuple(
            d.name for d in profile.devices.values() if d.kind == "amp" and not d.stays_on
        )
        self.changed: set[str] = set()
        self.free_at: dict[str, float] = {}
        self._out: list[Effect] = []
        self._token = 0

    # ---- effects ------------------------------------------------------------------------

    def emit(self, effect: Effect) -> None:
        self._out.append(effect)

    def collect(self) -> list[Effect]:
        out, self._out = self._out, []
        return out

    def wake(self, name: str, at: float | None) -> None:
        self.emit(Wake(name, at))

    @property
    def presets(self) -> dict[str, Preset]:
        """The presets of the look in force."""
        return self.looks.get(self.look, {}) if self.look is not None else {}

    # ---- gates --------------------------------------------------------------------------

    def relock(self) -> None:
        """Work out again what may not be energised."""
        self.locked = {}
        self.blocked_switches = {}
        for target, lockout in self.lockouts.items():
            names = [target, *self.profile.fed_from(target)]
            for name in names:
                if name not in self.profile.devices:
                    continue
                self.locked[name] = lockout
                if name in self.feeds.switches:
                    self.blocked_switches.setdefault(name, target)
                above = self.feeds.above[name]
                while above is not None:
                    self.blocked_switches.setdefault(above, target)
                    above = self.feeds.above[above]

    def held_by(self, at: float) -> str | None:
        """The camera that is rolling or closing its file; None when nothing is held."""
        for name in self.cameras:
            known = self.truth.devices[name]
            if known.rolling_said or known.values.get("rolling") is True:
                return name
            if known.closing_until > at:
                return name
        return None

    def still_on(self) -> list[str]:
        """Mains switches that are on, as far as is known."""
        return [
            name
            for name in sorted(self.feeds.switches)
            if self.truth.devices[name].values.get("switch") is True and self.truth.powered(name)
        ]

    def why_locked(self, name: str, energise: bool) -> str | None:
        """Why this device may not be told to come on or be changed; None when it may."""
        if energise and name in self.blocked_switches:
            target = self.blocked_switches[name]
            lockout = self.lockouts[target]
            return f"{target} is locked out by {lockout.by}: {lockout.why}"
        lockout_here = self.locked.get(name)
        if lockout_here is not None:
            return f"{lockout_here.target} is locked out by {lockout_here.by}: {lockout_here.why}"
        return None

    def why_too_much(self, name: str, presets: Mapping[str, Preset]) -> str | None:
        """Why switching this on would ask too much of its circuit; None when it would not.

        By the numbers: the load for long against 80 % of the breaker, and its inrush on top of
        what runs against the lower end of the band in which the breaker may trip at once.
        """
        device = self.profile.devices[name]
        if device.circuit is None:
            return None
        circuit = self.profile.circuits[device.circuit]
        limit = running_limit(circuit.breaker, self.profile.voltage)
        mine = dict(presets)
        asked = self.truth.asked_of(device.circuit, mine)
        if "switch" in device.tells and not self.truth.surely_on(name):
            # a plug last reported on may come on again as soon as it has mains
            known = self.truth.devices
            inrush = self.feeds.inrush(
                self.profile, name, lambda plug: known[plug].values.get("switch") is True
            )
            # if it is off, nothing that it feeds is running
            fed = {name, *self.feeds.below.get(name, ())}
            others = asked - sum(
                self.truth.draw(other, mine) for other in fed if self.truth.may_be_on(other)
            )
            running = max(0.0, others) / self.profile.voltage
            if inrush > 0 and trips(inrush, running, circuit.breaker, circuit.curve) != "no":
                band, _ = instant_trip(circuit.breaker, circuit.curve)
                return (
                    f"switching {name} on asks {inrush:.0f} A of circuit {circuit.name} on top of"
                    f" {running:.1f} A; its {circuit.curve} {circuit.breaker:g} A breaker may trip"
                    f" at once from {band:.0f} A"
                )
        if not self.truth.may_be_on(name):
            joining: set[str] = {name, *self.feeds.reach.get(name, ())}
            asked += sum(
                self.truth.draw(other, mine) for other in joining if not self.truth.may_be_on(other)
            )
        if asked <= limit:
            return None
        return (
            f"circuit {circuit.name} would be asked for {asked:.0f} W; its {circuit.breaker:g} A"
            f" breaker carries {limit:.0f} W for long"
        )

    def why_not_cut(self, switch: str) -> str | None:
        """Why this mains switch may not go off now (laws 4, 5, 6); None when it may."""
        pops = self.why_pops(switch)
        if pops is not None:
            return pops
        for name in (switch, *self.feeds.below[switch]):
            device = self.profile.devices[name]
            powered = self.truth.powered(name)
            if not powered and not device.fixture:
                continue
            if device.kind == "computer" and not self.truth.is_down(name):
                return f"{name} has not said it is down and is not idle; shut it down first"
            if device.fixture and device.wire is not None:
                hot = self.truth.still_hot(name)
                if hot > 0:
                    return f"{name} cools down for another {hot:.0f} s"
        return None

    def why_pops(self, name: str) -> str | None:
        """Why cutting this source, or what feeds it, would pop in an amp (law 4)."""
        names = (name, *self.feeds.below.get(name, ()))
        if not any(self.profile.devices[other].kind == "audio" for other in names):
            return None
        for amp in self.amps:
            switch = self.feeds.energiser(amp)
            if switch == name:
                continue
            on = switch is not None and not self.truth.surely_off(switch)
            if on and not self.truth.surely_off(amp):
                return f"{amp} may still be on, and cutting its source pops; switch {amp} off first"
        return None

    def camera_rolls(
        self, known: Known, before: bool, rolling: bool, at: float, source: str
    ) -> None:
        """A camera starts or stops; afterwards it closes its file for a while."""
        name = known.device.name
        if rolling == before:
            return
        if rolling:
            known.closing_until = NEVER
        else:
            known.closing_until = at + known.device.closes_in
            self.wake(f"closing {name}", known.closing_until)
        self.emit(RollingNote(at, name, rolling, source))
        self.changed.add(name)
        self.emit(Announce(state=True))

    # ---- to the gear --------------------------------------------------------------------

    def tell(
        self,
        at: float,
        name: str,
        values: Collection[tuple[Point, Value]],
        fade: float | None = None,
    ) -> None:
        """Tell a device something. Callers have asked the gates; a lockout is checked again."""
        known = self.truth.devices[name]
        energising = any(point == "switch" and value is True for point, value in values)
        if self.why_locked(name, energise=energising) is not None and not all(
            point == "switch" and value is False for point, value in values
        ):
            raise AssertionError(f"{name} is locked out and was to be told {values}")
        device = known.device
        for point, value in values:
            known.told_at[point] = at
            known.told_value[point] = value
        known.quiet_until = max(
            known.quiet_until, at + (fade or 0.0) + device.answers_in + device.tolerance.settle
        )
        if name in self.feeds.switches:
            for point, value in values:
                if point == "switch" and value is True:
                    self._mains_told(at, name)
        self._token += 1
        expires = max(1.0, self.profile.patience.reply)
        self.emit(Tell(name, tuple(values), fade, expires, self._token))
        self.changed.add(name)

    def _mains_told(self, at: float, switch: str) -> None:
        if self.truth.devices[switch].values.get("switch") is True:
            return  # it says it is on already: its devices keep what is known of them
        for below in self.feeds.below[switch]:
            self.truth.devices[below].mains_came(at)
            self.changed.add(below)

    def ask(self, at: float, name: str) -> None:
        """Ask a device for a report, where it can be asked."""
        known = self.truth.devices[name]
        if known.device.can_ask:
            known.asked_at = at
            self.emit(Ask(name))
