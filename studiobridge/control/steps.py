"""The steps of a run under way: what happens to each, by the stage it is in.

`TABLE` has every stage and everything that can happen to it, and names what is done then. The
rules behind it:

- Only a report from after the command confirms. None in time: it is asked, every half second;
  still none: told again, so often and no more; then the step has failed.
- What hangs on a switch that is proven off is out, whether it answers or not.
- While a camera rolls or closes its file nothing is told (law 2). Steps under way come later.
- A computer with a battery of its own is told once to shut down and waited for once. Then its step
  ends as waited out, with what a person has to do: no run-down stalls on what keeps its power.
- What is locked out meanwhile is left as it is (law 1). Switching off is never locked.
- Without a link nothing comes here: the controller holds wake-ups back until it has listened
  anew, and what was under way begins again then.
- Before a mains switch goes off, what hangs on it is checked afresh (laws 5 and 6), each time
  it is told.
- A step that only lets time pass (a lamp cools) ends when that time is over, whether or not a
  camera rolls or the device was locked out meanwhile.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Literal

from studiobridge.control.acts import (
    ASK_EVERY,
    METER_EVERY,
    OF_ONE,
    RAMP_EVERY,
    Active,
    Acts,
    Run,
    Stage,
)
from studiobridge.control.desk import Attempt, Desk
from studiobridge.control.gates import Gates
from studiobridge.control.rolling import SAMPLE_HOLDS
from studiobridge.control.sequence import ENERGISING, OFF, Step
from studiobridge.craft.chroma import Colour, spelled
from studiobridge.profile.model import Point, Value, figure

Happening = Literal[
    "noted",  # its intention is on disk
    "report",  # it, or what feeds or meters it, reported
    "due",  # its deadline has come
    "held",  # ... while a camera rolls, closes its file, or cannot say
    "locked",  # ... and it has been locked out
]
Act = Literal[
    "begin",
    "check",
    "insist",
    "listen",
    "walk",
    "arrive",
    "look",
    "pass on",
    "stay",
    "later",
    "give way",
]

_TOLD: dict[Happening, Act] = {
    "report": "check",
    "due": "insist",
    "held": "later",
    "locked": "give way",
}
TABLE: dict[Stage, dict[Happening, Act]] = {
    "intended": {
        "noted": "begin",
        "report": "stay",
        "due": "begin",
        "held": "later",
        "locked": "begin",  # which asks the gates, and ends there
    },
    "switching": _TOLD,
    "energising": _TOLD,
    "setting": _TOLD,
    "telling": {**_TOLD, "due": "pass on"},
    "putting out": _TOLD,
    "shutting down": _TOLD,
    "walking": {**_TOLD, "report": "stay", "due": "walk"},
    "arriving": {**_TOLD, "report": "stay", "due": "arrive"},
    "hearing": {**_TOLD, "due": "listen"},
    "waiting": {**_TOLD, "report": "stay", "due": "look", "held": "look", "locked": "look"},
}


class Steps(Acts):
    """Starts, follows and ends the steps of the run. Each call returns the steps it confirmed."""

    # ---- moving on -----------------------------------------------------------------------

    def pump(self, at: float) -> list[Step]:
        """Start whatever may start now. The caller looks at `run.over` afterwards."""
        run = self.run
        if run is None or run.over:
            return self._take_confirmed()
        held = self.held_by(run, at)
        if held is not None and run.what in OF_ONE:
            for left in run.steps:
                if run.phase[left.n] == "waiting":
                    self._end(run, left, at, "skipped", f"{held} has begun to roll")
            return self._take_confirmed()
        if held is not None:
            self._ask_meter(held, at)
            return self._take_confirmed()
        while (step := run.sequencer.next(at)) is not None:
            self._start(run, step, at)
        soonest = run.sequencer.next_at()
        if soonest is not None and soonest > at:
            self.desk.wake("turn", soonest)
        return self._take_confirmed()

    def held_by(self, run: Run, at: float) -> str | None:
        """The camera this run must wait for now: one that rolls, or that cannot say so."""
        if run.what == "cut" or run.forced:
            return None
        held = self.gates.held_by(at)
        if held is None and run.what == "down" and run.steps:
            return self.gates.unsure(run.began)
        return held

    def _ask_meter(self, camera: str, at: float) -> None:
        """A run waits for a camera: what meters it may know, as long as it is asked."""
        meter = self.beliefs.camera_meter.get(camera)
        if meter is None or not self.beliefs.of[meter].device.can_ask:
            return
        if self.beliefs.of[meter].asked_at <= at - METER_EVERY + 1e-6:
            self.desk.ask(at, meter)
        self.desk.wake("turn", at + METER_EVERY)

    def meter_may_answer(self, run: Run, camera: str, at: float) -> bool:
        """Is it too soon to ask a person: may what meters this camera still answer?"""
        meter = self.beliefs.camera_meter.get(camera)
        if meter is None or not self.beliefs.of[meter].device.can_ask:
            return False
        known = self.beliefs.of[camera].rolling.sample_at + SAMPLE_HOLDS
        return at < max(run.began, known) + 2 * METER_EVERY + self.desk.profile.patience.reply

    def abandon(self, at: float) -> None:
        """The run is turned around: steps under way are left to what comes next."""
        run = self.run
        if run is None:
            return
        for n, active in run.active.items():
            self.desk.wake(f"step {n}", None)
            circuit = active.step.circuit
            if circuit is not None:
                # its switch-on may still happen until the command has expired
                until = at + self.desk.profile.patience.reply
                until += self.desk.profile.circuits[circuit].gap
                self.desk.free_at[circuit] = max(self.desk.free_at.get(circuit, until), until)
        self.desk.wake("turn", None)
        run.active.clear()
        self.desk.busy.clear()
        run.outcome = "turned"
        run.ended_at = at
        self.run = None

    def _start(self, run: Run, step: Step, at: float) -> None:
        if self._turned_away(run, step, at):
            return
        active = Active(step, at)
        run.active[step.n] = active
        self.desk.busy[step.device] = step.n
        run.phase[step.n] = "sent"
        self.desk.changed.add(step.device)
        heard = step.action == "wait for its report" and self.beliefs.surely_heard(step.device)
        if heard and run.what != "try":
            self._end(run, step, at, "confirmed", "heard already")
            return
        self._note(run, step, at, "intended")

    # ---- what happens --------------------------------------------------------------------

    def noted(self, n: int, at: float) -> list[Step]:
        """That this step (counted from 0) is intended is on disk: from now on it may be told."""
        run = self.run
        if run is not None and n in run.active and run.active[n].stage == "intended":
            self._happens(run, run.active[n], "noted", at)
        return self._take_confirmed()

    def reported(self, name: str, at: float) -> list[Step]:
        """A fresh report came in: of a device, of what feeds it, or of what meters it."""
        run = self.run
        if run is not None and run.active:
            computer = self.beliefs.sole_computer.get(name)
            names = [name] if computer is None else [name, computer]
            if self.beliefs.said_off(name):
                names += self.desk.feeds.below.get(name, ())
            for other in names:
                n = self.desk.busy.get(other)
                if n is not None and n in run.active:
                    self._happens(run, run.active[n], "report", at)
        return self._take_confirmed()

    def due(self, n: int, at: float) -> list[Step]:
        """The deadline of a step has come."""
        run = self.run
        if run is not None and n in run.active:
            self._happens(run, run.active[n], "due", at)
        return self._take_confirmed()

    def _take_confirmed(self) -> list[Step]:
        confirmed, self._confirmed = self._confirmed, []
        return confirmed

    def _happens(self, run: Run, active: Active, what: Happening, at: float) -> None:
        if what in ("noted", "due"):
            what = self._in_the_way(run, active, at) or what
        if what == "held" and run.what in OF_ONE:
            # who tries something does not stand there until a take is over
            self._end(run, active.step, at, "failed", f"{self.held_by(run, at)} has begun to roll")
            return
        act = TABLE[active.stage][what]
        if act == "begin":
            self._begin(run, active, at)
        elif act == "check":
            self._check(run, active, at)
        elif act == "insist":
            self._insist(run, active, at)
        elif act == "listen":
            self._listen(run, active, at)
        elif act == "walk":
            self.gates.tell(at, active.step.device, (("level", active.ramp.pop(0)),))
            self._deadline(active, at + RAMP_EVERY)
            if not active.ramp:
                active.stage = "arriving"
        elif act == "arrive":
            active.stage = "setting"
            self._send(run, active, at)
        elif act == "pass on":
            self._pass_on(run, active, at)
        elif act == "look":
            self._look_at_the_time(run, active, at)
        elif act == "later":
            # what it waits for could not come in this time, so it waits for that much longer
            reply = self.desk.profile.patience.reply
            active.until += reply
            self._deadline(active, at + reply)
        elif act == "give way":
            locked = self.gates.why_locked(active.step.device, active.step.action in ENERGISING)
            self._end(run, active.step, at, "skipped", str(locked))

    def _in_the_way(self, run: Run, active: Active, at: float) -> Happening | None:
        """What keeps a step from going on that was noted or is due; None when nothing does."""
        if self.held_by(run, at) is not None:
            return "held"
        step = active.step
        if step.action in ("power off", "switch off"):
            return None
        if run.what != "cut" and self.gates.why_locked(step.device, step.action in ENERGISING):
            return "locked"
        return None

    def _look_at_the_time(self, run: Run, active: Active, at: float) -> None:
        step = active.step
        left = self.beliefs.still_hot(step.device) if step.action == "cool down" else 0.0
        if left > 1e-6:
            self._deadline(active, at + left)
        else:
            self._end(run, step, at, "waited out")

    # ---- has it got what it waits for ----------------------------------------------------

    def _check(self, run: Run, active: Active, at: float) -> None:
        step, stage = active.step, active.stage
        name = step.device
        belief = self.beliefs.of[name]
        if step.action in OFF and self._off_at_its_feed(name):
            self._end(run, step, at, "confirmed", "off at its feed")
        elif stage == "hearing" and step.action == "set":
            if self.gates.why_half(name, active.expects, at) is None and not self.held_by(run, at):
                self._begin(run, active, at)
        elif stage == "hearing":
            # who tries it wants to hear it now, not that it was heard before
            fresh = run.what != "try" or belief.spoke_at > active.since
            if fresh and self.beliefs.surely_heard(name):
                self._end(run, step, at, "confirmed")
        elif stage == "shutting down":
            if self.beliefs.is_down(name):
                self._end(run, step, at, "confirmed")
            else:
                self._wake_for_idle(active, at)
        elif stage == "energising":
            if belief.said("is it so", "switch") is True and self.held_by(run, at) is None:
                self._begin_fade(run, active, at)
        elif stage == "telling":
            return  # it has nothing to say; its plug has
        elif belief.is_so(active.expects, run.within) and self._draws_nothing(active):
            if step.action == "fade out" and stage == "setting" and "switch" in belief.tells:
                if self.held_by(run, at) is None:
                    self._switch_out(run, active, at)
            else:
                self._end(run, step, at, "confirmed")

    def _off_at_its_feed(self, name: str) -> bool:
        return any(self.beliefs.surely_off(above) for above in self.desk.feeds.line[name][:1])

    def _draws_nothing(self, active: Active) -> bool:
        """Proof that it is off: what it meters since it was told is under its residual."""
        if active.step.action != "power off":
            return True
        belief = self.beliefs.of[active.step.device]
        if "watts" not in belief.hears:
            return True
        watts = belief.word("is it there", "watts")
        if watts is None or watts.at < belief.told_at("switch"):
            return False
        return figure(watts.value) <= belief.device.residual

    # ---- it has not ----------------------------------------------------------------------

    def _ask(self, active: Active, at: float) -> None:
        """Ask for a report; the first time what feeds it too."""
        name = active.step.device
        self._ask_feed(active, at)
        self.desk.ask(at, name)
        again = at + ASK_EVERY if self.beliefs.of[name].device.can_ask else active.until
        self._deadline(active, min(again, active.until))

    def _ask_feed(self, active: Active, at: float) -> None:
        if not active.asked:
            active.asked = True
            for above in self.desk.feeds.line[active.step.device][:1]:
                self.desk.ask(at, above)

    def _listen(self, run: Run, active: Active, at: float) -> None:
        """It should have spoken by now."""
        self._check(run, active, at)
        if active.step.n not in run.active:
            return
        if at < active.until - 1e-6:
            self._ask(active, at)
        else:
            self._ask_feed(active, at)
            half = self.gates.why_half(active.step.device, active.expects, at)
            why = half or why_failed(active, self.desk, self.gates)
            self._end(run, active.step, at, "failed", why)

    def _insist(self, run: Run, active: Active, at: float) -> None:
        """No report in time: ask, tell again, give up."""
        step = active.step
        # while a camera rolled nothing was told: a report of that time may be all it waits for
        before = active.stage
        self._check(run, active, at)
        if step.n not in run.active or active.stage != before:
            return
        belief = self.beliefs.of[step.device]
        if active.stage == "shutting down" and belief.device.own_battery:
            self._end(run, step, at, "waited out", self.beliefs.why_to_close(step.device))
            return
        self._ask_feed(active, at)
        if belief.device.can_ask and at < active.until - 1e-6:
            self._ask(active, at)
            return
        # a small step is told once: who sees that nothing happens presses again
        tries = 1 if run.what == "adjust" else self.desk.profile.patience.tries
        if active.tries < tries and active.values:
            # what was safe to tell a while ago need not be safe to tell again
            refused = self.gates.why_refused(step.action, step.device, run.what == "cut")
            if refused is not None:
                self._end(run, step, at, "failed", refused)
                return
            self._send(run, active, at)
            if active.stage == "shutting down":
                self._patient(active, at + belief.device.shuts_in)
            return
        if active.stage == "shutting down":
            belief.shutting = False
        self._end(run, step, at, "failed", why_failed(active, self.desk, self.gates))


def why_failed(active: Active, desk: Desk, gates: Gates) -> str:
    """Why a step was given up, for the person who has to look after it."""
    step = active.step
    name = step.device
    belief = desk.beliefs.of[name]
    feed = belief.device.fed_by or "its battery"
    if not belief.described:
        points = sorted(belief.hears - {"online"})
        what = f"{name} has not said what it is"
        return _in_vain(desk, active, what, points, f"check {feed}, then its network")
    if step.action == "wait for its report":
        if belief.said("was it so", "online") is True and not belief.device.can_ask:
            # the look in force leaves it alone: one that does not makes it speak
            looks = [look for look, presets in desk.looks.items() if name in presets]
            other = f", or ask for a look that tells it something ({looks[0]})" if looks else ""
            how = "turn it once by hand" if belief.device.fixture else "make it speak"
            return (
                f"{name} has not spoken since, only the broker kept its word from before;"
                f" {how}{other}; an `ask` in its dialect would spare that"
            )
        if belief.device.own_battery:
            return f"{name} did not report; open it and wake it, then check its network"
        button = ", press its power button," if belief.device.kind == "computer" else ","
        check = f"check that {feed} powers it{button} then its network"
        if not belief.device.can_ask:
            check += "; if it speaks only when it changes, turn it once by hand, and `up` again"
        return _in_vain(desk, active, f"{name} did not report", sorted(belief.hears), check)
    if step.action == "shut down":
        return f"{name} {gates.why_not_down(name)}; shut it down by hand, then ask again"
    if step.action == "power off" and belief.is_so(active.expects):
        watts = belief.word("is it there", "watts")
        if watts is None or watts.at < belief.told_at("switch"):
            return f"{name} says it is off but not what it draws; look at it"
        return f"{name} says it is off but {watts.value:.0f} W still flow; switch it by hand"
    for point, wanted in active.expects.items():
        said = belief.said("is it so", point)
        if said is not None and not belief.same(point, wanted, said):
            return f"{name} was told {say(point, wanted)} and reports {say(point, said)}"
    unanswered = [p for p in active.expects if belief.said("is it so", p) is None]
    check = f"check its power ({feed}) and its network"
    return _in_vain(desk, active, f"{name} did not confirm", unanswered, check)


def _in_vain(desk: Desk, active: Active, what: str, points: Sequence[Point], check: str) -> str:
    """Nothing answered: on which topics what was told, and where it was waited for."""
    tried = desk.tried(Attempt(active.step.device, active.tries, points, active.since))
    said = f"{what}: {tried.text}" if tried.text else what
    return f"{said}; check its dialect" if tried.misspelt else f"{said}; {check}"


def say(point: str, value: Value) -> str:
    """A value with its unit, in words."""
    if isinstance(value, Colour):
        return spelled(value)
    if point == "level":
        return f"{float(value):.4g} %"
    if point == "colour":  # of a fixture that is either white or coloured
        return f"white at {value:.0f} K"
    if point == "cct":
        return f"{float(value):.0f} K"
    if point == "watts":
        return f"{float(value):.1f} W"
    if point == "switch":
        return "on" if value else "off"
    return "yes" if value else "no"
