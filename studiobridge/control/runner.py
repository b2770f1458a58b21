"""Carrying out the steps of a run: tell, wait for the report, tell again, give up.

The rules of a step:

- `intended` is noted, and when that note is on disk the gates are asked and it is told: `sent`,
  and then one of `confirmed`, `failed` or `passed over` (law 9). A disk may take its time, and
  whatever was heard meanwhile counts: a camera that rolls, a lockout, a circuit in use.
- Only a fresh report confirms. None in time: ask; still none: tell again, so often and no
  more; then the step has failed.
- On the way up an essential failure stops the run where it stands; an optional one is named
  and passed over. On the way down a failure stops only what needed it.
- While a camera rolls or closes its file nothing is told (law 2). Steps under way wait.
- Before a mains switch goes off, what hangs on it is checked afresh (laws 5 and 6), each time
  it is told.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Literal

from studiobridge.control.desk import Desk
from studiobridge.control.effects import StepNote
from studiobridge.control.holding import matches
from studiobridge.control.known import wanted_points
from studiobridge.control.plan import describe
from studiobridge.control.sequence import Sequencer, Step
from studiobridge.profile.model import Point, Value

What = Literal["up", "down", "restore", "cut"]
Phase = Literal["waiting", "sent", "confirmed", "failed", "passed over"]

# A fade the device cannot do itself is walked by the bridge: one message each so many seconds.
# Four a second looks smooth on a face and no broker or fixture chokes on it (common practice).
RAMP_EVERY = 0.25
# Level (%) a fixture is energised at before it is faded up, where its wire has a switch.
LOW_LEVEL = 1.0


@dataclass(slots=True)
class Active:
    """A step under way."""

    step: Step
    since: float
    stage: str = ""
    tries: int = 0
    asked: bool = False
    expects: dict[Point, Value] = field(default_factory=dict)
    values: tuple[tuple[Point, Value], ...] = ()
    ramp: list[float] = field(default_factory=list)


@dataclass(slots=True)
class Run:
    """A run-up, run-down, restore or cut under way."""

    number: int
    what: What
    look: str | None
    steps: list[Step]
    times: list[tuple[float, float]]
    ready_in: float
    began: float
    sequencer: Sequencer
    requests: list[str]
    forced: bool = False
    everything: bool = False
    by: str = ""
    targets: tuple[str, ...] = ()
    phase: list[Phase] = field(default_factory=list)
    text: list[str] = field(default_factory=list)
    ended_at: float | None = None
    outcome: Literal["under way", "done", "stalled", "turned"] = "under way"
    active: dict[int, Active] = field(default_factory=dict)
    by_device: dict[str, int] = field(default_factory=dict)
    halted: bool = False
    missing: dict[str, str] = field(default_factory=dict)
    # what went wrong at the root, each once; `missing` has all that it cost
    reasons: list[str] = field(default_factory=list)

    @property
    def over(self) -> bool:
        return self.sequencer.left == 0 or (self.halted and not self.active)


class Runner:
    """Starts, follows and ends the steps of the run on the desk."""

    def __init__(self, desk: Desk, confirmed: Callable[[Run, Step, float], None]) -> None:
        self.desk = desk
        self.run: Run | None = None
        self._confirmed = confirmed

    # ---- moving on ----------------------------------------------------------------------

    def pump(self, at: float) -> None:
        """Start whatever may start now. The caller looks at `run.over` afterwards."""
        run = self.run
        if run is None or not self.desk.link or run.over:
            return
        if self.holds(run, at):
            return
        while not run.halted:
            step = run.sequencer.next(at)
            if step is None:
                break
            self._start(run, step, at)
        soonest = run.sequencer.next_at()
        if soonest is not None and soonest > at:
            self.desk.wake("turn", soonest)

    def holds(self, run: Run, at: float) -> bool:
        """Must this run wait for a camera now?"""
        if run.what == "cut" or run.forced:
            return False
        return self.desk.held_by(at) is not None

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
        run.by_device.clear()
        run.outcome = "turned"
        run.ended_at = at
        self.run = None

    # ---- a step begins ------------------------------------------------------------------

    def _note(
        self,
        run: Run,
        step: Step,
        at: float,
        phase: Literal["intended", "sent", "confirmed", "failed", "passed over"],
        text: str = "",
    ) -> None:
        self.desk.emit(
            StepNote(
                at,
                run.number,
                step.n + 1,
                step.device,
                step.action,
                describe(step),
                phase,
                text,
            )
        )

    def _start(self, run: Run, step: Step, at: float) -> None:
        desk = self.desk
        name = step.device
        if self._turned_away(run, step, at):
            return
        active = Active(step, at)
        run.active[step.n] = active
        run.by_device[name] = step.n
        run.phase[step.n] = "sent"
        desk.changed.add(name)
        if step.action == "hear from" and self._is_heard(active):
            self._end(run, step, at, "confirmed", "heard already")
            return
        self._note(run, step, at, "intended")
        active.stage = "intended"

    def noted(self, n: int, at: float) -> None:
        """That this step (counted from 0) is intended is on disk: from now on it may be told."""
        run = self.run
        if run is not None and n in run.active and run.active[n].stage == "intended":
            self.due(n, at)

    def _begin(self, run: Run, active: Active, at: float) -> None:
        step = active.step
        if self._turned_away(run, step, at):
            return
        begin = {
            "power on": self._begin_switch,
            "switch on": self._begin_switch,
            "power off": self._begin_switch,
            "switch off": self._begin_switch,
            "set": self._begin_set,
            "fade out": self._begin_fade_out,
            "hear from": self._begin_hear,
            "let boot": self._begin_wait,
            "cool down": self._begin_wait,
            "shut down": self._begin_shut_down,
        }[step.action]
        begin(run, active, at)

    def _turned_away(self, run: Run, step: Step, at: float) -> bool:
        """Ask the gates. Where one is shut the step ends here, and nothing of it is told."""
        changes = step.action not in ("power off", "switch off", "cool down")
        if run.what != "cut" and changes:
            mains = step.action in ("power on", "switch on", "set")
            locked = self.desk.why_locked(step.device, energise=mains)
            if locked is not None:
                self._end(run, step, at, "passed over", locked)
                return True
        refused = self._why_refused(run, step)
        if refused is not None:
            self._end(run, step, at, "failed", refused)
        return refused is not None

    def _why_refused(self, run: Run, step: Step) -> str | None:
        """Why this step may not be told: too much for its circuit, or something would be hurt."""
        desk, name = self.desk, step.device
        if step.action in ("power on", "switch on", "set"):
            return desk.why_too_much(name, desk.presets)
        if run.what == "cut":
            return None
        if step.action == "power off":
            return desk.why_not_cut(name)
        return desk.why_pops(name) if step.action == "switch off" else None

    def _send(self, run: Run, active: Active, at: float, fade: float | None = None) -> None:
        """Tell what this step tells, and wait for the report."""
        known = self.desk.truth.devices[active.step.device]
        device = known.device
        active.asked = False
        active.tries += 1
        if known.described:
            self.desk.tell(at, device.name, active.values, fade)
            self._note(run, active.step, at, "sent", "" if active.tries == 1 else "again")
        patience = self.desk.profile.patience.reply
        self._deadline(active, at + (fade or 0.0) + device.answers_in + patience)

    def _deadline(self, active: Active, at: float) -> None:
        self.desk.wake(f"step {active.step.n}", at)

    def _begin_switch(self, run: Run, active: Active, at: float) -> None:
        on = active.step.action in ("power on", "switch on")
        active.stage = "switch"
        active.expects = {"switch": on}
        active.values = (("switch", on),)
        self._send(run, active, at)

    def _begin_hear(self, run: Run, active: Active, at: float) -> None:
        known = self.desk.truth.devices[active.step.device]
        active.stage = "hear"
        booted = max(at, known.mains_since) + known.device.boots_in + known.device.answers_in
        if active.step.takes <= known.device.answers_in:
            # it has had its mains for long: no boot to wait for
            booted = at + known.device.answers_in
            self.desk.ask(at, active.step.device)
        self._note(run, active.step, at, "sent")
        self._deadline(active, booted + self.desk.profile.patience.reply)

    def _begin_wait(self, run: Run, active: Active, at: float) -> None:
        active.stage = "wait"
        seconds = active.step.takes
        if active.step.action == "cool down":
            seconds = self.desk.truth.still_hot(active.step.device)
        self._note(run, active.step, at, "sent")
        self._deadline(active, at + seconds)

    def _begin_shut_down(self, run: Run, active: Active, at: float) -> None:
        known = self.desk.truth.devices[active.step.device]
        active.stage = "shut down"
        if self.desk.truth.is_down(active.step.device):
            self._end(run, active.step, at, "confirmed", "it is down")
            return
        if "shut_down" in known.tells:
            active.values = (("shut_down", True),)
        if active.values and not known.shutting:
            known.shutting = True
            self._send(run, active, at)
        else:
            active.tries += 1
            self._note(run, active.step, at, "sent", "waiting for it to go down")
        self._deadline(active, at + 1.5 * known.device.shuts_in)
        self._wake_for_idle(active)

    def _wake_for_idle(self, active: Active) -> None:
        known = self.desk.truth.devices[active.step.device]
        if known.idle_since is not None:
            self.desk.wake(f"idle {active.step.device}", known.idle_since + known.device.idle_for)

    def _begin_set(self, run: Run, active: Active, at: float) -> None:
        step = active.step
        known = self.desk.truth.devices[step.device]
        assert step.preset is not None
        active.expects = dict(wanted_points(known, step.preset))
        if "switch" in known.tells:
            active.expects["switch"] = True
            if known.fresh("switch") is not True:
                active.stage = "energise"
                low: list[tuple[Point, Value]] = []
                if "level" in active.expects:
                    low.append(("level", min(self._low(step.device), active.expects["level"])))
                if "cct" in active.expects:
                    low.append(("cct", active.expects["cct"]))
                active.values = (*low, ("switch", True))
                self._send(run, active, at)
                return
        self._begin_fade(run, active, at)

    def _low(self, name: str) -> float:
        level_range = self.desk.profile.devices[name].level_range
        return max(LOW_LEVEL, level_range[0]) if level_range is not None else LOW_LEVEL

    def _begin_fade(self, run: Run, active: Active, at: float) -> None:
        """Fade to the level expected: by the device where it can, else in bounded steps."""
        locked = self.desk.why_locked(active.step.device, energise=False)
        if locked is not None:
            self._end(run, active.step, at, "passed over", locked)
            return
        known = self.desk.truth.devices[active.step.device]
        device = known.device
        active.stage = "set"
        active.tries = 0
        active.values = tuple(
            (point, value) for point, value in active.expects.items() if point != "switch"
        )
        if not active.values:
            self.progress(run, active, at)
            return
        goal = active.expects.get("level")
        start = known.fresh("level")
        if goal is None or device.fade <= 0:
            self._send(run, active, at)
        elif device.knows_fade:
            self._send(run, active, at, device.fade)
        elif start is None or abs(float(start) - float(goal)) < 2 * LOW_LEVEL:
            self._send(run, active, at)
        else:
            count = max(2, round(device.fade / RAMP_EVERY))
            span = float(goal) - float(start)
            active.ramp = [float(start) + span * i / count for i in range(1, count)]
            first: list[tuple[Point, Value]] = []
            first.extend((p, v) for p, v in active.values if p == "cct")
            first.append(("level", active.ramp.pop(0)))
            self.desk.tell(at, device.name, first)
            self._note(run, active.step, at, "sent", "fading")
            active.stage = "ramp" if active.ramp else "last"
            self._deadline(active, at + RAMP_EVERY)

    def _begin_fade_out(self, run: Run, active: Active, at: float) -> None:
        known = self.desk.truth.devices[active.step.device]
        level_range = known.device.level_range
        if "level" in known.tells:
            active.expects = {"level": level_range[0] if level_range is not None else 0.0}
            self._begin_fade(run, active, at)
        else:
            self._switch_out(run, active, at)

    def _switch_out(self, run: Run, active: Active, at: float) -> None:
        active.stage = "out"
        active.expects = {"switch": False}
        active.values = (("switch", False),)
        active.tries = 0
        self._send(run, active, at)

    # ---- a step moves on ----------------------------------------------------------------

    def reported(self, name: str, at: float) -> None:
        """A fresh report of this device came in."""
        run = self.run
        if run is None:
            return
        n = run.by_device.get(name)
        if n is not None and n in run.active:
            self.progress(run, run.active[n], at)

    def progress(self, run: Run, active: Active, at: float) -> None:
        """Has this step got what it waits for?"""
        step = active.step
        stage = active.stage
        truth = self.desk.truth
        known = truth.devices[step.device]
        if stage == "hear":
            if self._is_heard(active):
                self._end(run, step, at, "confirmed")
        elif stage == "shut down":
            if truth.is_down(step.device):
                self._end(run, step, at, "confirmed")
            else:
                self._wake_for_idle(active)
        elif stage == "energise":
            if known.fresh("switch") is True and not self._waits_for_camera(run, at):
                self._begin_fade(run, active, at)
        elif stage in ("intended", "wait", "ramp", "last"):
            return
        elif self._is_as_expected(active) and self._draws_nothing(active):
            if step.action == "fade out" and stage == "set" and "switch" in known.tells:
                if not self._waits_for_camera(run, at):
                    self._switch_out(run, active, at)
            else:
                self._end(run, step, at, "confirmed")

    def _waits_for_camera(self, run: Run, at: float) -> bool:
        return self.holds(run, at)

    def _is_heard(self, active: Active) -> bool:
        return self.desk.truth.surely_heard(active.step.device)

    def _is_as_expected(self, active: Active) -> bool:
        known = self.desk.truth.devices[active.step.device]
        for point, wanted in active.expects.items():
            said = known.fresh(point)
            grid = known.grids.get(point)
            if said is None or not matches(known.device, grid, point, wanted, said):
                return False
        return True

    def _draws_nothing(self, active: Active) -> bool:
        """Proof that it is off: what it meters is under its residual."""
        if active.step.action != "power off":
            return True
        known = self.desk.truth.devices[active.step.device]
        if "watts" not in known.hears:
            return True
        if known.value_at.get("watts", float("-inf")) < known.told_at["switch"]:
            return False
        return float(known.values["watts"]) <= known.device.residual

    def due(self, n: int, at: float) -> None:
        """The deadline of a step has come."""
        run = self.run
        if run is None or n not in run.active:
            return
        active = run.active[n]
        step = active.step
        desk = self.desk
        known = desk.truth.devices[step.device]
        reply = desk.profile.patience.reply
        if not desk.link:
            self._deadline(active, at + reply)
            return
        if active.stage == "wait":
            remaining = desk.truth.still_hot(step.device) if step.action == "cool down" else 0.0
            if remaining > 1e-6:
                self._deadline(active, at + remaining)
            else:
                self._end(run, step, at, "confirmed")
            return
        if self.holds(run, at):
            self._deadline(active, at + reply)
            return
        if active.stage == "intended":
            self._begin(run, active, at)
            return
        energising = step.action in ("power on", "switch on", "set")
        locked = desk.why_locked(step.device, energise=energising)
        if locked is not None and step.action not in ("power off", "switch off"):
            self._end(run, step, at, "passed over", locked)
            return
        if active.stage == "ramp":
            level = active.ramp.pop(0)
            desk.tell(at, step.device, (("level", level),))
            self._deadline(active, at + RAMP_EVERY)
            if not active.ramp:
                active.stage = "last"
            return
        if active.stage == "last":
            active.stage = "set"
            self._send(run, active, at)
            return
        # the camera may have let go, or the report may have come while nothing could be told
        before = active.stage
        self.progress(run, active, at)
        if n not in run.active or active.stage != before:
            return
        if not active.asked:
            active.asked = True
            above = desk.feeds.above[step.device]
            if above is not None:
                # what does not answer may have no mains, whatever its plug said last
                desk.ask(at, above)
            if known.device.can_ask:
                desk.ask(at, step.device)
                self._deadline(active, at + known.device.answers_in + reply)
                return
            if active.stage == "hear":
                self._deadline(active, at + known.device.boots_in + reply)
                return
        if active.stage == "hear":
            active.tries += 1
            if active.tries < desk.profile.patience.tries:
                desk.ask(at, step.device)
                self._deadline(active, at + reply)
                return
        elif active.tries < desk.profile.patience.tries and active.values:
            # what was safe to tell a while ago need not be safe to tell again
            refused = self._why_refused(run, step)
            if refused is not None:
                self._end(run, step, at, "failed", refused)
                return
            self._send(run, active, at)
            if active.stage == "shut down":
                self._deadline(active, at + known.device.shuts_in)
            return
        if active.stage == "shut down":
            known.shutting = False
        self._end(run, step, at, "failed", self._why_failed(active))

    def _why_failed(self, active: Active) -> str:
        step = active.step
        name = step.device
        known = self.desk.truth.devices[name]
        feed = known.device.fed_by or "its battery"
        if not known.described:
            return f"{name} has not said what it is; check {feed}, then its network"
        if step.action == "hear from":
            if known.values.get("online") is True and not known.device.can_ask:
                return (
                    f"{name} has not spoken since, only the broker kept its word from before;"
                    " give its wire an `ask`, or make it speak"
                )
            button = ", press its power button," if known.device.kind == "computer" else ","
            return f"{name} did not report; check that {feed} powers it{button} then its network"
        if step.action == "shut down":
            watts = known.values.get("watts")
            drawing = f", still drawing {float(watts):.0f} W" if watts is not None else ""
            return f"{name} has not said it is down{drawing}; shut it down by hand, then ask again"
        if step.action == "power off" and self._is_as_expected(active):
            watts = float(known.values.get("watts", 0.0))
            if "watts" not in known.value_at:
                return f"{name} says it is off but not what it draws; look at it"
            return f"{name} says it is off but {watts:.0f} W still flow; switch it by hand"
        for point, wanted in active.expects.items():
            said = known.fresh(point)
            if said is not None and not matches(
                known.device, known.grids.get(point), point, wanted, said
            ):
                return f"{name} was told {say(point, wanted)} and reports {say(point, said)}"
        return f"{name} did not confirm; check its power ({feed}) and its network"

    # ---- a step ends --------------------------------------------------------------------

    def _end(
        self,
        run: Run,
        step: Step,
        at: float,
        phase: Literal["confirmed", "failed", "passed over"],
        text: str = "",
    ) -> None:
        active = run.active.pop(step.n, None)
        if active is not None:
            self.desk.wake(f"step {step.n}", None)
            if run.by_device.get(step.device) == step.n:
                del run.by_device[step.device]
        run.phase[step.n] = phase
        run.text[step.n] = text
        self.desk.changed.add(step.device)
        self._note(run, step, at, phase, text)
        quiet_from = None
        if phase == "failed" and active is not None and step.circuit is not None:
            quiet_from = at + self.desk.profile.patience.reply
        lost = run.sequencer.end(step.n, phase == "confirmed", at, quiet_from)
        if phase == "confirmed":
            known = self.desk.truth.devices[step.device]
            if active is not None and active.expects and known.values.get("online") is False:
                # it did as it was told, so it is there, whatever was said of it before
                known.values["online"] = True
            self._confirmed(run, step, at)
            return
        self._missed(run, step, text)
        if text not in run.reasons:
            run.reasons.append(text)
        if phase == "failed" and step.essential and run.what == "up":
            run.halted = True
        for n in lost:
            other = run.steps[n]
            run.phase[n] = "passed over"
            run.text[n] = f"{other.device} needs {step.device}: {text}"
            self._note(run, other, at, "passed over", run.text[n])
            self.desk.changed.add(other.device)
            self._missed(run, other, run.text[n])
            if phase == "failed" and other.essential and run.what == "up":
                run.halted = True

    def _missed(self, run: Run, step: Step, text: str) -> None:
        run.missing.setdefault(step.device, text)


def say(point: str, value: Value) -> str:
    """A value with its unit, in words."""
    if point == "level":
        return f"{float(value):.4g} %"
    if point == "cct":
        return f"{float(value):.0f} K"
    if point == "watts":
        return f"{float(value):.1f} W"
    if point == "switch":
        return "on" if value else "off"
    return "yes" if value else "no"
