"""Holding a set that is up: when it is ready, when it is adrift, what is put back by itself.

The rules:

- `settle` is the only way to `ready` (laws 7 and 14): nothing has drifted, and every essential
  device is proven to be as wanted, now. Not the end of a run, not a drift that closes, not a
  restart leads there by itself.
- While a run is under way the state is the run's; it is settled when the run is over.
- Once ready, a device that differs is drift after its settle time, and no sooner.
"""

from __future__ import annotations

from studiobridge.control.acts import OF_ONE, Run
from studiobridge.control.chargers import Chargers
from studiobridge.control.desk import Desk
from studiobridge.control.drift import Watcher
from studiobridge.control.effects import Announce, Memory
from studiobridge.control.gates import Gates
from studiobridge.control.metering import Metering
from studiobridge.control.sequence import Step
from studiobridge.control.sight import Sight
from studiobridge.control.standing import Standing
from studiobridge.control.states import State, Turn
from studiobridge.control.stepping import exactly_wanted
from studiobridge.control.supplies import Supplies
from studiobridge.profile.model import LIGHT, Point, Value

# How the state turns when a set is up: when all is proven to be as wanted, and when it is not.
PROVEN: dict[State, Turn] = {
    "unheard": "heard: holding",
    "rising": "all confirmed",
    "adrift": "last drift closes",
}
UNPROVEN: dict[State, Turn] = {
    "unheard": "heard: drifting",
    "rising": "confirmed, drifting",
    "ready": "drift opens",
}


class Holding:
    """What was brought up, watched."""

    def __init__(self, desk: Desk, gates: Gates, standing: Standing, memory: Memory) -> None:
        self.desk = desk
        self.gates = gates
        self.beliefs = desk.beliefs
        self.standing = standing
        self.watcher = Watcher(desk, memory.next_drift)
        self.supplies = Supplies(desk)
        self.metering = Metering(desk)
        self.sight = Sight(desk)
        self.chargers = Chargers(desk)
        # somebody asked for light since the bridge started (law 8)
        self.asked_since_start = False
        self._to_restore: list[str] = []

    def confirmed(self, run: Run, steps: list[Step], at: float) -> None:
        """Confirmed steps of a run-up or restore are held from then on."""
        for step in steps if run.what in ("up", "restore") else ():
            belief = self.beliefs.of[step.device]
            points: dict[Point, Value] = {}
            if step.action in ("power on", "switch on"):
                points["switch"] = True
            elif step.action == "set" and step.preset is not None:
                points.update(belief.points_of(step.preset))
                if "switch" in belief.tells:
                    points["switch"] = True
            if belief.device.speaks is not None and "online" in belief.hears:
                points["online"] = True
            if points:
                self.watcher.hold(step.device, points, at)
                # what it never says is not back before an instrument says so
                heard = points.keys() - belief.device.mute
                self.watcher.entries.close_of(step.device, heard, at, "restored")

    def let_off(self, run: Run) -> set[str]:
        """What a run-up holds nothing of: what it could not bring up, and what is locked out.

        A dial that the set is nothing without stands where it stands, locked out or not: what its
        instrument says of it counts as ever (law 7).
        """
        devices = self.desk.profile.devices
        dials = {n for n in self.gates.locked if devices[n].hand_set and devices[n].essential}
        return set(run.missing) | (set(self.gates.locked) - dials)

    def hold_on(self, at: float) -> None:
        """The set was up before the link was lost or the bridge stopped: hold it."""
        if not self.watcher.wanted:
            # what is locked out is watched like the rest, where the set is nothing without it
            devices = self.desk.profile.devices
            optional = [name for name in self.gates.locked if not devices[name].essential]
            self.watcher.hold_whole_set(at, without=optional)
        for name in self.watcher.wanted:
            essential = self.desk.profile.devices[name].essential
            unheard = self.beliefs.powered(name) and not self.beliefs.of[name].spoke
            # it was asked while the bridge listened; what nobody can ask is not silent for that
            if essential and unheard and not self.beliefs.only_kept(name):
                self.watcher.silence.give_up_on(name, at)
        self.watcher.judge_now(at)
        self.settle(at)
        self.standing.watch_left_on(at)

    def settle(self, at: float, after_a_run: bool = False) -> None:
        """Say how a set that is up stands. The only way to `ready`.

        `after_a_run`: what was told and has not answered is not ready any more either.
        """
        state = self.standing.state
        if self.watcher.drifts:
            why = self._lacks_beside_drift() if state == "unheard" or self.standing.why else ""
            if state in UNPROVEN:
                self.standing.turn(UNPROVEN[state], at, why)
            elif state == "adrift":
                self._say_why(why)
            return
        if state == "ready" and after_a_run:
            unproven = self.watcher.unproven(differing=False)
            if unproven:
                self.standing.turn("drift opens", at, "; ".join(unproven.values()))
                self.watcher.silence.seek_soon(unproven, at)
            return
        if state not in PROVEN:
            return
        unproven = {**self.tried_otherwise(), **self.watcher.unproven()}
        if not unproven:
            self.standing.turn(PROVEN[state], at)
            return
        why = "; ".join(unproven.values())
        if state in UNPROVEN:
            self.standing.turn(UNPROVEN[state], at, why)
        else:
            self._say_why(why)
        self.watcher.silence.seek_soon(self.watcher.unproven(differing=False), at)

    def doubted(self) -> dict[str, str]:
        """What of a set that is ready nothing proves now, each with why.

        Also what an instrument contradicts: one look alone opens no drift, and looks that say
        otherwise and such that say nothing, by turns, prove nothing however long it goes on.
        """
        return {**self.watcher.unproven(differing=False), **self.watcher.ungauged()}

    def doubt_lasts(self, at: float) -> None:
        """For as long as a doubt may last nothing has proven it: it is not ready any more."""
        doubted = self.doubted()
        if self.standing.state == "ready" and doubted:
            self.standing.turn("drift opens", at, "; ".join(doubted.values()))
            self.watcher.silence.seek_soon(doubted, at)

    def _say_why(self, why: str) -> None:
        """What a set that is adrift lacks now; what it lacked first may be proven since."""
        if why != self.standing.why:
            self.standing.why = why
            self.desk.emit(Announce(state=True))

    def _lacks_beside_drift(self) -> str:
        """What is not proven of devices that are in no drift entry."""
        named = {name for drift in self.watcher.drifts.values() for name in drift.devices}
        lacks = {**self.tried_otherwise(), **self.watcher.unproven(differing=False)}
        return "; ".join(why for name, why in lacks.items() if name not in named)

    def unproven_in_look(self) -> bool:
        """Is anything essential not proven to be as the look in force asks, held or not (law 7)?"""
        for name, device in self.desk.profile.devices.items():
            points = self.desk.wanted_of(name) if device.essential else {}
            preset = self.desk.presets.get(name)
            if points and self.beliefs.why_unproven(name, points, preset=preset) is not None:
                return True
        return False

    def tried_otherwise(self) -> dict[str, str]:
        """What never says how it stands, and was told otherwise in a try: it is not as asked."""
        found: dict[str, str] = {}
        for name in sorted(self.desk.tried_out & self.watcher.wanted.keys()):
            belief = self.beliefs.of[name]
            for point in sorted(belief.device.mute & self.watcher.wanted[name].keys()):
                told = belief.told.get(point)
                if told is None or belief.same(point, self.watcher.wanted[name][point], told.value):
                    continue
                found[name] = f"{name} was tried otherwise than asked: `restore` puts it back"
        for name in sorted(self.beliefs.stepped & self.watcher.wanted.keys()):
            if not exactly_wanted(name, self.desk):
                found[name] = f"{name} is adjusted: `keep` keeps it so, `restore` puts it back"
        return found

    # ---- put back by itself --------------------------------------------------------------

    def watched(self, at: float, under_way: bool) -> tuple[str, ...]:
        """Something was judged. Returns what is to be put back now, with nobody asking."""
        if self.standing.state == "ready" and not self.watcher.drifts and not self._to_restore:
            return ()  # as most reports find it
        for drift in self.watcher.entries.take_opened():
            if drift.perhaps or not self.beliefs.of[drift.device].tells:
                continue  # only a hand can put it back
            restores = self.desk.profile.devices[drift.device].restores
            if restores > 0 and drift.point in ("switch", *LIGHT):
                self._to_restore.append(drift.device)
        # drift ends `ready` at once; only the way back to it waits for the end of a run
        if self.standing.state == "ready" or (self.standing.state == "adrift" and not under_way):
            self.settle(at)
        if under_way:
            return ()
        return self._put_back(at) if self._to_restore else ()

    def _put_back(self, at: float) -> tuple[str, ...]:
        """What the profile says restores by itself, a bounded number of times (law 12)."""
        standing = self.standing
        if standing.state not in ("ready", "adrift") or self.gates.held_by(at) is not None:
            return ()
        waiting, self._to_restore = self._to_restore, []
        names: list[str] = []
        for name in dict.fromkeys(waiting):
            if not self.asked_since_start and not self.beliefs.surely_energised(name):
                continue  # after a restart nothing is energised before somebody asks (law 8)
            if not self.watcher.entries.has(name) or name in self.gates.locked:
                continue
            if name in self.desk.tried_out or name in self.beliefs.stepped:
                continue  # somebody has just tried it: seen and said, and left to them
            tried = standing.tried.get(name, 0)
            if tried < self.desk.profile.devices[name].restores:
                standing.tried[name] = tried + 1
                names.append(name)
            elif name not in standing.contested:
                times = "once" if tried == 1 else f"{tried} times"
                standing.contested[name] = f"put back {times} and changed again"
                standing.fault(name, "contested", f"{name} is contested: put back {times}", at)
                self.desk.changed.add(name)
        return tuple(names)

    # ---- what a run is going to change is not held while it does --------------------------

    def let_go_for(self, run: Run, at: float) -> None:
        if run.what in OF_ONE:
            return  # as if a hand had touched it: what was held is held
        if run.what in ("down", "cut"):
            self.watcher.let_go(at, "powered down")
            self._to_restore.clear()
            self.standing.contested.clear()
            self.standing.left_on = False
            return
        changes = {step.device: step.preset for step in run.steps if step.action == "set"}
        anew = self._asked_anew() if run.what == "up" else set()
        stepped = {step.device for step in run.steps}
        for key, drift in list(self.watcher.drifts.items()):
            preset = changes.get(drift.device)
            # a look that leaves a point alone, or is coloured where the last was white, holds it
            # no more
            other = False
            if preset is not None and drift.point in LIGHT:
                other = getattr(preset, drift.point) != drift.wanted
            # ... and a dial is told nothing: of it the look alone says what is asked
            other |= any((name, drift.point) in anew for name in drift.devices)
            if run.what == "up" and other:
                self.watcher.entries.close(key, at, "changed look")
            elif drift.device in stepped:
                drift.restoring = True
        for name, point in anew:
            self.watcher.let_go_of(name, (point,))
        for name in changes if run.what == "up" else ():
            self.watcher.let_go_of(name, (*LIGHT, "switch"))

    def _asked_anew(self) -> set[tuple[str, Point]]:
        """Points of light held so far that the look in force asks otherwise, or no more."""
        asked = {name: self.desk.wanted_of(name) for name in self.watcher.wanted}
        return {
            (name, point)
            for name, held in self.watcher.wanted.items()
            for point, value in held.items()
            if point in LIGHT and asked[name].get(point) != value
        }
