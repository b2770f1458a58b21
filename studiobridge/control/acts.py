"""What each action of a run tells the gear, and how a step ends.

Which of these is called when is the table's to say, in steps.py. The rules of telling:

- `intended` is noted, and when that note is on disk the gates are asked and it is told: `sent`,
  and then one of `confirmed`, `waited out`, `failed` or `skipped` (law 9). The gates are asked
  so late because a disk can take a second, and meanwhile a camera may have begun to roll, somebody
  may have locked the device out, or its circuit may have been taken.
- A light comes on low and is faded to its preset: by the device where it knows how to fade, else
  by the bridge, which sends one level after another.
- Time alone confirms nothing: a step that only waits ends as `waited out`. So does one that tells
  what the device never says (`telling`): it is told once, and given the time it takes.
- What needed a step that failed is not tried; everything else goes on.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Literal

from studiobridge.control.belief import Belief
from studiobridge.control.desk import Desk
from studiobridge.control.effects import StepNote, StepPhase
from studiobridge.control.gates import Gates
from studiobridge.control.plan import describe
from studiobridge.control.sequence import ENERGISING, Sequencer, Step
from studiobridge.control.states import State
from studiobridge.profile.model import Point, Value, figure

What = Literal["up", "down", "restore", "cut", "try", "adjust"]
# Runs of one device, for who stands there now: refused while a camera rolls, over when one begins
# to, never resumed, and what they leave otherwise is put back by nobody unasked.
OF_ONE: frozenset[What] = frozenset({"try", "adjust"})
Phase = Literal["waiting", "sent", "confirmed", "waited out", "failed", "skipped"]
ENDED: frozenset[Phase] = frozenset({"confirmed", "waited out", "failed", "skipped"})
Stage = Literal[
    "intended",
    "switching",
    "energising",
    "walking",
    "arriving",
    "setting",
    "telling",
    "putting out",
    "hearing",
    "waiting",
    "shutting down",
]

# A fade the device cannot do itself is walked by the bridge: one message each so many seconds.
# Four a second looks smooth on a face and no broker or fixture chokes on it (common practice).
RAMP_EVERY = 0.25
# Level (%) a fixture is energised at before it is faded up, where its dialect has a switch.
LOW_LEVEL = 1.0
# What can be asked and has not answered is asked again so often (s).
ASK_EVERY = 0.5
# A meter is asked for another sample no more often than this (s); many report every few seconds.
METER_EVERY = 2.0


@dataclass(slots=True)
class Active:
    """A step under way. Up to `until` it is asked for a report; then told again, or given up."""

    step: Step
    since: float
    stage: Stage = "intended"
    tries: int = 0
    asked: bool = False
    until: float = 0.0
    expects: dict[Point, Value] = field(default_factory=dict)
    values: tuple[tuple[Point, Value], ...] = ()
    ramp: list[float] = field(default_factory=list)
    # the stage it would be in, could it answer, while it is `telling`
    unanswered: Stage | None = None


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
    targets: tuple[str, ...] = ()
    # how near (stops, mired) a report has to be, where that is nearer than the tolerance
    within: Mapping[Point, float] = field(default_factory=dict)
    phase: list[Phase] = field(default_factory=list)
    text: list[str] = field(default_factory=list)
    ended_at: float | None = None
    # when its last step was done, and it waited only for what a meter proves
    done_at: float | None = None
    outcome: Literal["under way", "done", "stalled", "turned"] = "under way"
    by: str = ""
    # how the set stood when it began, and whether that is still held: a run-down that waits for a
    # take to end has told nothing yet, and can be taken back
    was: State = "unheard"
    holds_on: bool = False
    active: dict[int, Active] = field(default_factory=dict)
    missing: dict[str, str] = field(default_factory=dict)
    # what went wrong at the root, each once; `missing` has all that it cost
    reasons: list[str] = field(default_factory=list)

    @property
    def over(self) -> bool:
        return self.sequencer.left == 0


class Acts:
    """How the actions of the run under way begin, tell and end. `run` is None between runs."""

    def __init__(self, desk: Desk, gates: Gates) -> None:
        self.desk = desk
        self.gates = gates
        self.beliefs = desk.beliefs
        self.run: Run | None = None
        self._confirmed: list[Step] = []

    # ---- the record and the clock --------------------------------------------------------

    def _note(self, run: Run, step: Step, at: float, phase: StepPhase, text: str = "") -> None:
        self.desk.emit(
            StepNote(
                at, run.number, step.n + 1, step.device, step.action, describe(step), phase, text
            )
        )

    def _deadline(self, active: Active, at: float) -> None:
        self.desk.wake(f"step {active.step.n}", at)

    # ---- the gates -----------------------------------------------------------------------

    def _turned_away(self, run: Run, step: Step, at: float) -> bool:
        """Ask the gates. Where one is shut the step ends here, and nothing of it is told."""
        if run.what != "cut" and step.action not in ("power off", "switch off", "cool down"):
            locked = self.gates.why_locked(step.device, energise=step.action in ENERGISING)
            if locked is not None and self._held_dark(step):
                self._end(run, step, at, "waited out", "locked out, and held at 0 by that")
                return True
            if locked is not None:
                self._end(run, step, at, "skipped", locked)
                return True
        refused = self.gates.why_refused(step.action, step.device, run.what == "cut")
        if refused is not None:
            self._end(run, step, at, "failed", refused)
        return refused is not None

    def _held_dark(self, step: Step) -> bool:
        """Has a lockout put out already what this step would put out?"""
        device = self.desk.profile.devices[step.device]
        return step.action == "fade out" and device.slots is not None

    # ---- an action begins ----------------------------------------------------------------

    def _begin(self, run: Run, active: Active, at: float) -> None:
        if self._turned_away(run, active.step, at):
            return
        action = active.step.action
        if action in ("power on", "switch on", "power off", "switch off"):
            on = action in ("power on", "switch on")
            active.stage = "switching"
            active.expects = {"switch": on}
            active.values = (("switch", on),)
            self._send(run, active, at)
        elif action == "set":
            self._begin_set(run, active, at)
        elif action == "fade out":
            self._begin_fade_out(run, active, at)
        elif action == "wait for its report":
            self._begin_hear(run, active, at)
        elif action == "shut down":
            self._begin_shut_down(run, active, at)
        else:
            active.stage = "waiting"
            hot = action == "cool down"
            seconds = self.beliefs.still_hot(active.step.device) if hot else active.step.takes
            self._note(run, active.step, at, "sent")
            self._deadline(active, at + seconds)

    def _send(self, run: Run, active: Active, at: float, fade: float | None = None) -> None:
        """Tell what this step tells, and wait for the report."""
        belief = self.beliefs.of[active.step.device]
        device = belief.device
        active.tries += 1
        if belief.described:
            self.gates.tell(at, device.name, active.values, fade)
            self._note(run, active.step, at, "sent", "" if active.tries == 1 else "again")
        reply = self.desk.profile.patience.reply
        answers_at = at + (fade or 0.0) + device.answers_in
        if not {point for point, _ in active.values} - belief.device.mute:
            active.unanswered, active.stage = active.stage, "telling"
            self._deadline(active, answers_at)
            return
        active.asked = False
        active.until = answers_at + reply
        if device.can_ask:
            active.until += device.answers_in + reply
        self._deadline(
            active, answers_at + min(ASK_EVERY, reply) if device.can_ask else active.until
        )

    def _begin_hear(self, run: Run, active: Active, at: float) -> None:
        """Wait until it speaks: asked as soon as it may have booted, then every half second."""
        belief = self.beliefs.of[active.step.device]
        device, patience = belief.device, self.desk.profile.patience
        active.stage = "hearing"
        booted = max(at, belief.mains_since + device.boots_in)
        if active.step.takes <= device.answers_in:
            booted = at  # it has had its mains for long: no boot to wait for
        active.until = booted + device.answers_in + (patience.tries + 1) * patience.reply
        if not device.can_ask:
            active.until += device.boots_in
        self._note(run, active.step, at, "sent")
        if device.can_ask and booted <= at:
            self.desk.ask(at, device.name)
            booted = at + ASK_EVERY
        self._deadline(
            active, booted if device.can_ask else booted + device.answers_in + patience.reply
        )

    def _begin_shut_down(self, run: Run, active: Active, at: float) -> None:
        belief = self.beliefs.of[active.step.device]
        device = belief.device
        active.stage = "shutting down"
        if self.beliefs.is_down(device.name):
            self._end(run, active.step, at, "confirmed", "it is down")
            return
        if device.own_battery:
            self._ask_to_close(run, active, at)
            return
        if "shut_down" in belief.tells:
            active.values = (("shut_down", True),)
        if active.values and not belief.shutting:
            belief.shutting = True
            self._send(run, active, at)
        else:
            active.tries += 1
            self._note(run, active.step, at, "sent", "waiting for it to go down")
        self._patient(active, at + 1.5 * device.shuts_in)
        self._wake_for_idle(active, at)

    def _ask_to_close(self, run: Run, active: Active, at: float) -> None:
        """A computer that runs on without its mains: told if it can be, and then waited for once.

        A run-down never stalls on it: it keeps its power, so there is nothing to lose.
        """
        belief = self.beliefs.of[active.step.device]
        device = belief.device
        if "shut_down" in belief.tells and not belief.gone:
            active.values = (("shut_down", True),)
            self._send(run, active, at)
        else:
            self._note(run, active.step, at, "sent", "waiting for a person to close it")
        if "down" not in belief.hears or belief.gone:
            self._end(run, active.step, at, "waited out", self.beliefs.why_to_close(device.name))
            return
        told = belief.device.shuts_in if active.values else 0.0
        active.until = at + 1.5 * told + device.answers_in
        self._deadline(active, active.until)

    def _patient(self, active: Active, at: float) -> None:
        """Ask a computer at `at` whether it is down, and give it a little longer to answer."""
        device = self.beliefs.of[active.step.device].device
        active.until = at + device.answers_in + self.desk.profile.patience.reply
        self._deadline(active, at)

    def _wake_for_idle(self, active: Active, at: float) -> None:
        """Ask its meter when its idle time is over: two samples so far apart prove it idle."""
        belief = self.beliefs.of[active.step.device]
        if belief.idle_from is not None:
            due = max(belief.idle_from + belief.device.idle_for, at + METER_EVERY)
            self.desk.wake(f"idle {active.step.device}", due)

    def _begin_set(self, run: Run, active: Active, at: float) -> None:
        step = active.step
        belief = self.beliefs.of[step.device]
        assert step.preset is not None
        active.expects = belief.points_of(step.preset)
        if "switch" in belief.tells:
            active.expects["switch"] = True
        if self.gates.why_half(step.device, active.expects, at) is not None:
            # every message to it carries a point of which the look says nothing: it has to report
            # that one first, so that it is told again as it is
            active.stage = "hearing"
            patience = self.desk.profile.patience
            active.until = at + belief.device.answers_in + 2 * patience.reply
            self._note(run, step, at, "sent", "asked what it is set to")
            self.desk.ask(at, step.device)
            self._deadline(active, at + ASK_EVERY)
            return
        if "switch" in belief.tells and belief.said("is it so", "switch") is not True:
            if run.what == "adjust" and "switch" in belief.hears:
                text = "it is not on any more: a small step switches nothing on"
                self._end(run, step, at, "failed", text)
                return
            active.stage = "energising"
            low: list[tuple[Point, Value]] = []
            if "level" in active.expects:
                lowest = max(LOW_LEVEL, belief.lowest)
                low.append(("level", min(lowest, figure(active.expects["level"]))))
            low.extend((p, v) for p, v in active.expects.items() if p in ("cct", "colour"))
            active.values = (*low, ("switch", True))
            self._send(run, active, at)
            return
        self._begin_fade(run, active, at)

    def _begin_fade(self, run: Run, active: Active, at: float) -> None:
        """Fade to the level expected: by the device where it can, else in bounded steps."""
        step = active.step
        locked = self.gates.why_locked(step.device, energise=False)
        if locked is not None and self._held_dark(step):
            self._end(run, step, at, "waited out", "locked out, and held at 0 by that")
            return
        if locked is not None:
            self._end(run, step, at, "skipped", locked)
            return
        belief = self.beliefs.of[step.device]
        device = belief.device
        active.stage = "setting"
        active.tries = 0
        goal, start = active.expects.get("level"), belief.said("is it so", "level")
        if start is None:
            # a level it cannot report begins at what it was told; so does one that was energised a
            # moment ago and has said that it is on, but not yet its level
            mute = "level" in device.mute
            start = dict(active.values).get("level", belief.told_now("level") if mute else None)
        active.values = tuple((p, v) for p, v in active.expects.items() if p != "switch")
        if not active.values:
            if set(active.expects) - belief.device.mute:
                self._check(run, active, at)
            else:
                self._end(run, step, at, "waited out")
            return
        near = start is None or goal is None or abs(figure(start) - figure(goal)) < 2 * LOW_LEVEL
        if goal is None or device.fade <= 0 or run.what in ("cut", "adjust"):
            # a small step is too small to need a fade, and is wanted now
            self._send(run, active, at)
        elif device.knows_fade:
            self._send(run, active, at, device.fade)
        elif near or start is None:
            self._send(run, active, at)
        else:
            count = max(2, round(device.fade / RAMP_EVERY))
            span = figure(goal) - figure(start)
            active.ramp = [figure(start) + span * i / count for i in range(1, count)]
            first: list[tuple[Point, Value]] = [(p, v) for p, v in active.values if p != "level"]
            first.append(("level", active.ramp.pop(0)))
            self.gates.tell(at, device.name, first)
            self._note(run, step, at, "sent", "fading")
            active.stage = "walking" if active.ramp else "arriving"
            self._deadline(active, at + RAMP_EVERY)

    def _begin_fade_out(self, run: Run, active: Active, at: float) -> None:
        belief = self.beliefs.of[active.step.device]
        # Where a switch goes with every level, each step of a fade would say "on" to a lamp that
        # somebody may have switched off a moment ago: such a light goes out at once (law 8).
        at_once = any({"switch", "level"} <= group for group in belief.device.together)
        if "level" in belief.tells and not at_once:
            active.expects = {"level": belief.lowest}
            self._begin_fade(run, active, at)
        else:
            self._switch_out(run, active, at)

    def _switch_out(self, run: Run, active: Active, at: float) -> None:
        active.stage = "putting out"
        active.expects = {"switch": False}
        active.values = (("switch", False),)
        active.tries = 0
        self._send(run, active, at)

    def _pass_on(self, run: Run, active: Active, at: float) -> None:
        """The time is over that it takes what was told, and nothing could answer."""
        belief = self.beliefs.of[active.step.device]
        arrives = self._stood_still(run, belief, at)
        if arrives is not None:
            self._deadline(active, arrives)
            return
        if belief.unsent is not None:
            self._end(run, active.step, at, "failed", belief.unsent)
        elif active.unanswered == "energising":
            self._begin_fade(run, active, at)
        elif (
            active.step.action == "fade out"
            and active.unanswered == "setting"
            and "switch" in belief.tells
        ):
            self._switch_out(run, active, at)
        else:
            if active.step.action == "fade out":
                belief.told_out(at)
            self._end(run, active.step, at, "waited out")

    def _stood_still(self, run: Run, belief: Belief, at: float) -> float | None:
        """When a fade on slots arrives that has stood still for a camera; None: it has arrived."""
        device = belief.device
        if device.slots is None or device.fade <= 0 or run.what == "cut" or run.forced:
            return None
        told = belief.told.get("level")
        told_at = at if told is None else told.at
        arrives = self.gates.held_until(at) + device.fade + device.answers_in
        gone_by = told_at + device.fade + device.answers_in
        return arrives if arrives > max(gone_by, at) + 1e-6 else None

    def _check(self, run: Run, active: Active, at: float) -> None:
        """Has this step got what it waits for? (steps.py)"""
        raise NotImplementedError

    # ---- a step ends ---------------------------------------------------------------------

    def _end(
        self,
        run: Run,
        step: Step,
        at: float,
        phase: Literal["confirmed", "waited out", "failed", "skipped"],
        text: str = "",
    ) -> None:
        active = run.active.pop(step.n, None)
        if active is not None:
            self.desk.wake(f"step {step.n}", None)
            if self.desk.busy.get(step.device) == step.n:
                del self.desk.busy[step.device]
        run.phase[step.n] = phase
        run.text[step.n] = text
        self.desk.changed.add(step.device)
        self._note(run, step, at, phase, text)
        done = phase in ("confirmed", "waited out")
        quiet_from = None
        if phase == "failed" and active is not None and step.circuit is not None:
            quiet_from = at + self.desk.profile.patience.reply
        lost = run.sequencer.end(step.n, done, at, quiet_from)
        if done:
            if active is not None and active.expects:
                self.beliefs.of[step.device].is_there(at)
            self._confirmed.append(step)
            return
        run.missing.setdefault(step.device, text)
        if text not in run.reasons:
            run.reasons.append(text)
        for n in lost:
            other = run.steps[n]
            run.phase[n] = "skipped"
            run.text[n] = f"not tried, it needs {step.device}: {text}"
            self._note(run, other, at, "skipped", run.text[n])
            self.desk.changed.add(other.device)
            run.missing.setdefault(other.device, run.text[n])
