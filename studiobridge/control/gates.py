"""The interlocks, and the one place where anything is told to the gear.

Every reason that forbids telling a device something stands in this file, so that no path through
the controller can get round it: lockouts (law 1), rolling (law 2), what a circuit may be asked
for (law 3), amps (law 4), a computer that is not down (law 5; not one whose own battery carries it
on), a fan (law 6). Each answers with a sentence for the person at the set, or None when the way is
free.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping

from studiobridge.control.desk import Desk
from studiobridge.control.effects import Lockout, Tell
from studiobridge.control.evidence import NEVER
from studiobridge.control.sequence import ENERGISING, Action
from studiobridge.craft.mains import instant_trip, running_limit, trips
from studiobridge.figures.draws import apparent
from studiobridge.figures.watts import most_draw
from studiobridge.profile.model import Point, Preset, Value, figure


class Gates:
    """Asked before each command, and again each time it is told anew."""

    def __init__(self, desk: Desk) -> None:
        self.desk = desk
        self.profile = desk.profile
        self.beliefs = desk.beliefs
        # by name: the lockout under which a device may not be changed; and of a switch that may
        # not go on, the target of the lockout that forbids it
        self.locked: dict[str, Lockout] = {}
        self.blocked: dict[str, str] = {}
        self._amps = tuple(
            d.name for d in desk.profile.devices.values() if d.kind == "amp" and not d.stays_on
        )
        self._token = 0

    # ---- lockouts (law 1) ----------------------------------------------------------------

    def relock(self) -> None:
        """Work out again what may not be changed or energised."""
        self.locked.clear()
        self.blocked.clear()
        feeds = self.desk.feeds
        for target, lockout in self.desk.lockouts.items():
            for name in self.covered(target):
                self.locked[name] = lockout
                for above in feeds.line[name]:
                    self.blocked.setdefault(above, target)

    def covered(self, target: str) -> list[str]:
        """The devices a lockout of this device or circuit protects: itself and what it feeds."""
        names = [target, *self.profile.fed_from(target)]
        return [name for name in names if name in self.profile.devices]

    def live_with(self, target: str) -> list[str]:
        """What a lockout protects, and the switches above it that could energise any of it."""
        lines = (n for name in self.covered(target) for n in (name, *self.desk.feeds.line[name]))
        return list(dict.fromkeys(lines))

    def why_locked(self, name: str, energise: bool) -> str | None:
        """Why this device may not be told to come on or be changed; None when it may."""
        lockout = self.locked.get(name)
        if lockout is None and energise and name in self.blocked:
            lockout = self.desk.lockouts[self.blocked[name]]
        if lockout is None:
            return None
        return f"{lockout.target} is locked out by {lockout.by}: {lockout.why}"

    # ---- cameras (law 2) -----------------------------------------------------------------

    def held_by(self, at: float) -> str | None:
        """The camera that is rolling or closing its file; None when nothing is held."""
        for name in self.desk.cameras:
            belief = self.beliefs.of[name]
            if belief.rolls or belief.closing_until > at:
                return name
        return None

    def held_until(self, at: float) -> float:
        """Until when cameras held every fixture as it was, as far as is known now; never: -inf."""
        cameras = [self.beliefs.of[name] for name in self.desk.cameras]
        return max((at if c.rolls else c.closing_until for c in cameras), default=NEVER)

    def unsure(self, since: float) -> str | None:
        """A camera that may be on and rolling: nothing says so now, and nobody has said for it.

        `since`: when the run-down was asked for. What a person said a little before that counts.
        """
        for name in self.desk.cameras:
            belief = self.beliefs.of[name]
            if belief.rolls_by == "report" or self.beliefs.surely_off(name):
                continue
            if not belief.device.battery and not self.beliefs.may_be_on(name):
                continue
            if belief.rolling.stopped_by_watts(self.beliefs.now):
                continue
            if not belief.rolling.spoken_since(since):
                return name
        return None

    # ---- circuits (law 3) ----------------------------------------------------------------

    def why_too_much(self, name: str, presets: Mapping[str, Preset]) -> str | None:
        """Why switching this on would ask too much of its circuit; None when it would not.

        By the numbers: the load for long against 80 % of the breaker, and its inrush on top of
        what runs against the lower end of the band in which the breaker may trip at once.
        """
        device = self.profile.devices[name]
        if device.circuit is None:
            return None
        beliefs, feeds = self.beliefs, self.desk.feeds
        circuit = self.profile.circuits[device.circuit]
        limit = running_limit(circuit.breaker, self.profile.voltage)
        asked = self.asked_of(device.circuit, presets)
        if "switch" in device.tells and not beliefs.surely_on(name):
            # a plug last reported on may come on again as soon as it has mains
            inrush = feeds.inrush(self.profile, name, beliefs.said_on)
            # if it is off, nothing that it feeds is running
            fed = {name, *feeds.below.get(name, ())}
            others = asked - sum(
                self.volt_amperes(other, presets) for other in fed if self._counts(other)
            )
            running = max(0.0, others) / self.profile.voltage
            if inrush > 0 and trips(inrush, running, circuit.breaker, circuit.curve) != "no":
                band, _ = instant_trip(circuit.breaker, circuit.curve)
                return (
                    f"switching {name} on asks up to {inrush:.0f} A of circuit {circuit.name}"
                    f" on top of {running:.1f} A; its {circuit.curve} {circuit.breaker:g} A breaker"
                    f" may trip at once from {band:.0f} A"
                )
        if not self._counts(name):
            joining: set[str] = {name, *feeds.reach.get(name, ())}
            asked += sum(
                self.volt_amperes(other, presets) for other in joining if not self._counts(other)
            )
        if asked <= limit:
            return None
        volts = self.profile.voltage
        return (
            f"circuit {circuit.name} would be asked for {asked / volts:.1f} A; its"
            f" {circuit.breaker:g} A breaker carries {limit / volts:.1f} A for long"
        )

    def volt_amperes(self, name: str, presets: Mapping[str, Preset]) -> float:
        """What a device may take by its power factor: what its breaker sees, times the volts."""
        return apparent(self.profile.devices[name], self.draw(name, presets))

    def draw(self, name: str, presets: Mapping[str, Preset]) -> float:
        """Watts a device may take: a fixture at the higher of what it is set to and shall be.

        By its table where it has one, and there by the most that it may take.
        """
        belief = self.beliefs.of[name]
        device = belief.device
        preset = presets.get(name)
        if not device.fixture:
            return device.draws
        if preset is None or preset.level is None:
            return most_draw(device, 100.0)
        # at full from when its mains come until it says otherwise, or a person does
        at_full = device.comes_back == "full" and not belief.by_hand(preset)
        if at_full and belief.said("is it there", "level") is None:
            return most_draw(device, 100.0)
        if device.hand_set or "level" not in belief.tells:
            return most_draw(device, preset.level)
        said = belief.said("was it so", "level")
        if "level" in device.mute:
            # it may stand anywhere until it was told: what it came back at is not known
            said = belief.told_now("level")
            said = 100.0 if said is None else said
        return most_draw(device, max(0.0 if said is None else figure(said), preset.level))

    def asked_of(self, circuit: str, presets: Mapping[str, Preset]) -> float:
        """Volt-amperes asked of a circuit by everything on it that may be on now."""
        return sum(
            self.volt_amperes(name, presets)
            for name in self.desk.feeds.on_circuit[circuit]
            if self._counts(name)
        )

    def _counts(self, name: str) -> bool:
        """Does its circuit have to bear it: it may be on, or is quiet and comes back by itself?"""
        return self.beliefs.may_be_on(name) or name in self.desk.coming_back

    # ---- what may not lose its power (laws 4, 5, 6) --------------------------------------

    def why_not_cut(self, switch: str) -> str | None:
        """Why this mains switch may not go off now; None when it may."""
        pops = self.why_pops(switch)
        if pops is not None:
            return pops
        for name in (switch, *self.desk.feeds.below[switch]):
            device = self.profile.devices[name]
            if not self.beliefs.powered(name) and not device.fixture:
                continue
            # one with a battery of its own is not cut by this: it runs on
            mains_only = device.kind == "computer" and not device.own_battery
            if mains_only and not self.beliefs.is_down(name):
                return f"{name} {self.why_not_down(name)}; shut it down first"
            if device.fixture and device.speaks is not None:
                hot = self.beliefs.still_hot(name)
                if hot > 0:
                    return f"{name} cools down for another {hot:.0f} s"
        return None

    def why_not_down(self, computer: str) -> str:
        """What speaks against this computer being down, with what is metered of it."""
        device = self.profile.devices[computer]
        watts = self.beliefs.draws_now(computer)
        if watts is None or device.idle_below is None:
            drawing = f", still drawing {watts:.0f} W" if watts is not None else ""
            return f"has not said it is down{drawing}"
        if watts >= device.idle_below:
            return (
                f"has not said it is down, still drawing {watts:.3g} W"
                f" (idle is under {device.idle_below:.3g} W)"
            )
        return (
            f"has not said it is down; it draws {watts:.3g} W, but not yet for"
            f" {device.idle_for:.0f} s by two samples"
        )

    def why_pops(self, name: str) -> str | None:
        """Why cutting this source, or what feeds it, would pop in an amp."""
        names = (name, *self.desk.feeds.below.get(name, ()))
        if not any(self.profile.devices[other].kind == "audio" for other in names):
            return None
        for amp in self._amps:
            switch = self.desk.feeds.energiser(amp)
            if switch is None or switch == name:
                continue
            if not self.beliefs.surely_off(switch) and not self.beliefs.surely_off(amp):
                return f"{amp} may still be on, and cutting its source pops; switch {amp} off first"
        return None

    def why_refused(self, action: Action, name: str, cut: bool) -> str | None:
        """Why this may not be told: too much for its circuit, or something would be hurt."""
        if action in ENERGISING:
            return self.why_too_much(name, {**self.desk.presets, **self.desk.trying})
        if cut:
            return None
        if action == "power off":
            return self.why_not_cut(name)
        return self.why_pops(name) if action == "switch off" else None

    # ---- to the gear ---------------------------------------------------------------------

    def whole(
        self, name: str, values: Collection[tuple[Point, Value]], at: float
    ) -> tuple[tuple[Point, Value], ...]:
        """These values, and those this device takes only together with them, as they are held.

        Told or heard last; where nothing is known yet, as the look in force has it. A light that
        is told out needs no more than its lowest level, and any white a look has for it.
        """
        given = dict(values)
        belief = self.beliefs.of[name]
        for group in belief.device.together:
            if not group & given.keys():
                continue
            for point in sorted(group - given.keys()):
                held = belief.held(point, at)
                preset = self.desk.presets.get(name)
                if held is None and preset is not None:
                    held = belief.points_of(preset).get(point)
                if held is None and point == "level" and given.get("switch") is False:
                    held = belief.lowest
                if held is None and point == "cct":
                    looks = self.desk.looks.values()
                    held = next((p[name].cct for p in looks if name in p and p[name].cct), None)
                if held is not None:
                    given[point] = held
        return tuple(given.items())

    def why_half(self, name: str, points: Collection[Point], at: float) -> str | None:
        """Why this device cannot be told these points: it takes others with them, not known.

        Nothing is made up where it would be seen: neither a level nor a white.
        """
        belief = self.beliefs.of[name]
        preset = self.desk.presets.get(name)
        known = set(points) | set(() if preset is None else belief.points_of(preset))
        for group in belief.device.together:
            for point in sorted(group - known) if group & set(points) else ():
                if belief.held(point, at) is None:
                    together = " and ".join(sorted(group))
                    return (
                        f"{name} takes {together} only together, and nothing is known of its"
                        f" {point}: give it one in this look, or make it report"
                    )
        return None

    def tell(
        self,
        at: float,
        name: str,
        values: Collection[tuple[Point, Value]],
        fade: float | None = None,
    ) -> None:
        """Tell a device something. Callers have asked the gates; a lockout is checked again."""
        asked, values = values, self.whole(name, values, at)
        energising = ("switch", True) in values
        # what it takes together with its "off" lights nothing
        only_off = all(point == "switch" and value is False for point, value in asked)
        if not only_off and self.why_locked(name, energise=energising) is not None:
            raise AssertionError(f"{name} is locked out and was to be told {values}")
        device = self.profile.devices[name]
        settles = at + (fade or 0.0) + device.answers_in + device.tolerance.settle
        along = dict(values).keys() - dict(asked).keys()
        self.desk.changed |= {name} | self.beliefs.told(name, values, at, settles, along)
        self._token += 1
        expires = max(1.0, self.profile.patience.reply)
        self.desk.emit(Tell(name, tuple(values), fade, expires, self._token))
