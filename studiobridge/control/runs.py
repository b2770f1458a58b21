"""Runs as a whole: how one begins, what it means when it ends, what is put back by itself.

Carrying out the steps of a run is the runner's (runner.py), holding what it confirmed the
watcher's (watcher.py).
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Literal

from studiobridge.control.answers import Answers
from studiobridge.control.desk import Desk
from studiobridge.control.effects import (
    Announce,
    Answer,
    Memory,
    RequestNote,
    RunNote,
    SessionNote,
)
from studiobridge.control.events import Request
from studiobridge.control.holding import Drift
from studiobridge.control.known import wanted_points
from studiobridge.control.plan import in_order
from studiobridge.control.runner import Run, Runner, What
from studiobridge.control.sequence import (
    Sequencer,
    Step,
    build_cut,
    build_down,
    build_up,
    feeds_of,
)
from studiobridge.control.standing import Standing
from studiobridge.control.watcher import Watcher
from studiobridge.profile.model import Point, Value


class Runs:
    """The run under way, if any, and the one before."""

    def __init__(self, desk: Desk, standing: Standing, answers: Answers, memory: Memory) -> None:
        self.profile = desk.profile
        self.desk = desk
        self.truth = desk.truth
        self.standing = standing
        self.answers = answers
        self.runner = Runner(desk, self._step_confirmed)
        self.watcher = Watcher(
            desk, memory.next_drift, self.busy, self._drift_opened, self._drift_emptied
        )
        self.last_run: Run | None = None
        # somebody asked for light since the bridge started (law 8)
        self.asked_since_start = False
        self._next_run = memory.next_run
        self._to_restore: list[str] = []

    # ---- a run begins --------------------------------------------------------------------

    def busy(self, name: str) -> bool:
        run = self.runner.run
        return run is not None and name in run.by_device

    def begin(
        self,
        what: What,
        look: str | None,
        at: float,
        requests: list[str],
        *,
        forced: bool = False,
        everything: bool = False,
        targets: tuple[str, ...] = (),
        request: Request | None = None,
        text: str = "",
    ) -> None:
        """Begin a run, turning around the one under way. Raises OrderProblem before it does."""
        feeds = self.desk.feeds
        presets = self.desk.looks.get(look, {}) if look is not None else {}
        if what == "up":
            steps = build_up(self.profile, feeds, presets, self.truth)
        elif what == "restore":
            steps = build_up(self.profile, feeds, presets, self.truth, only=targets)
        elif what == "down":
            steps = build_down(self.profile, feeds, self.truth, everything)
        else:
            steps = build_cut(self.profile, feeds)
        free = {name: max(0.0, when - at) for name, when in self.desk.free_at.items()}
        steps, times, ready_in = in_order(self.profile, steps, free)
        self.turn_around(at, what)
        number = self._next_run
        self._next_run += 1
        gaps = {name: circuit.gap for name, circuit in self.profile.circuits.items()}
        run = Run(
            number=number,
            what=what,
            look=look,
            steps=steps,
            times=times,
            ready_in=ready_in,
            began=at,
            sequencer=Sequencer(steps, gaps, self.desk.free_at),
            requests=[id_ for id_ in requests if id_],
            forced=forced,
            everything=everything,
            targets=targets,
            phase=["waiting"] * len(steps),
            text=[""] * len(steps),
        )
        for id_ in run.requests:
            self.answers.given[id_] = None
        if request is not None:
            self.answers.note(request, "taken", text)
            if what in ("up", "restore") and request.source != "profile":
                self.asked_since_start = True
        if what == "up" and self.standing.session is None:
            self.standing.session = self.standing.next_session
            self.standing.next_session += 1
            self.standing.session_kwh = None
            self.standing.metered.clear()
            self.desk.emit(SessionNote(at, self.standing.session, "opened", look, None))
        self.desk.emit(RunNote(at, number, what, look, "begun", "everything" if everything else ""))
        self._let_go_for(run, at)
        if what in ("up", "restore"):
            self.desk.look = look
        self.runner.run = run
        self.last_run = run
        if what == "up" and (steps or self.standing.state not in ("ready", "adrift")):
            self.standing.turn("run-up begins", at)
        elif what in ("down", "cut"):
            self.standing.turn("run-down begins", at)
        for id_ in run.requests:
            self.desk.emit(
                Answer(
                    id_,
                    False,
                    0,
                    f"under way: {len(steps)} steps, about {ready_in:.0f} s",
                    {"run": number, "steps": len(steps), "ready_in_s": round(ready_in, 2)},
                )
            )
        self.desk.emit(Announce(state=True))
        if what == "cut":
            # told at once: no order, no turns, nothing waited for
            self.desk.free_at.clear()
        self.move_on(at)

    def begin_again(self, run: Run, at: float) -> bool:
        """The link was lost in the middle: the request still stands, the truth may not.

        False when nothing of it is left to do: what was put back with nobody asking may have
        lost its mains meanwhile, and is not energised (law 8).
        """
        self.runner.abandon(at)
        self.desk.emit(RunNote(at, run.number, run.what, run.look, "turned", "the link was lost"))
        targets = run.targets
        if run.what == "restore" and not self.asked_since_start:
            targets = tuple(name for name in targets if self._surely_energised(name))
            if not targets:
                return False
        self.begin(
            run.what,
            run.look,
            at,
            run.requests,
            # who insisted did so before; a camera may have started since
            forced=False,
            everything=run.everything,
            targets=targets,
        )
        return True

    def turn_around(self, at: float, to: str) -> None:
        run = self.runner.run
        if run is None:
            return
        self.runner.abandon(at)
        self.desk.emit(RunNote(at, run.number, run.what, run.look, "turned", f"turned to {to}"))
        for id_ in run.requests:
            self.answers.answer(id_, 1, f"turned around: {to} was asked for")

    def _let_go_for(self, run: Run, at: float) -> None:
        """What a run is going to change is not held while it does."""
        if run.what in ("down", "cut"):
            self.watcher.let_go(at, "powered down")
            self._to_restore.clear()
            self.standing.contested.clear()
            self.standing.left_on = False
            return
        changes = {step.device: step for step in run.steps if step.action == "set"}
        for key in list(self.watcher.drifts):
            drift = self.watcher.drifts[key]
            step = changes.get(drift.device)
            preset = step.preset if step is not None else None
            new = None
            if preset is not None:
                new = {"level": preset.level, "cct": preset.cct}.get(drift.point)
            if run.what == "up" and new is not None and new != drift.wanted:
                self.watcher.close(key, at, "changed look", quietly=True)
            elif any(step.device == drift.device for step in run.steps):
                drift.restoring = True
        if self.standing.state == "adrift" and not self.watcher.drifts and not run.steps:
            self.standing.turn("last drift closes", at)
        for name in changes:
            if run.what == "up":
                self.watcher.let_go_of(name, {"level", "cct", "switch"})

    def _step_confirmed(self, run: Run, step: Step, at: float) -> None:
        """A confirmed step of a run-up or restore is held from then on."""
        name = step.device
        if run.what == "up" or run.what == "restore":
            known = self.truth.devices[name]
            points: dict[Point, Value] = {}
            if step.action in ("power on", "switch on"):
                points["switch"] = True
            elif step.action == "set" and step.preset is not None:
                points.update(wanted_points(known, step.preset))
                if "switch" in known.tells:
                    points["switch"] = True
            if known.device.wire is not None and "online" in known.hears:
                points["online"] = True
            if points:
                self.watcher.hold(name, points, at)
                for key in [k for k in self.watcher.drifts if k[0] == name and k[1] in points]:
                    self.watcher.close(key, at, "restored")
        self.desk.emit(Announce(state=True))

    def move_on(self, at: float) -> None:
        """Start what may start; look whether the run has come to its end."""
        run = self.runner.run
        if run is None or not self.standing.heard:
            return
        self.runner.pump(at)
        if run.over and not self.runner.holds(run, at):
            self._run_over(run, at)
        elif run.over:
            self.desk.wake("turn", at + self.profile.patience.reply)

    # ---- a run ends ----------------------------------------------------------------------

    def _run_over(self, run: Run, at: float) -> None:
        self.runner.run = None
        run.ended_at = at
        self.desk.wake("turn", None)
        if run.what == "up":
            self._up_over(run, at)
        elif run.what == "restore":
            self._restore_over(run, at)
        else:
            self._down_over(run, at)
        self.desk.emit(Announce(state=True, devices=frozenset(self.profile.devices)))

    def _essential(self, names: Mapping[str, str]) -> dict[str, str]:
        return {n: text for n, text in names.items() if self.profile.devices[n].essential}

    def _up_over(self, run: Run, at: float) -> None:
        missing = dict(run.missing)
        if not run.halted:
            self.watcher.hold_whole_set(at, without=set(missing) | set(self.desk.locked))
            for name, text in self._unconfirmed().items():
                if missing.setdefault(name, text) == text:
                    run.reasons.append(text)
            for name in self.desk.locked:
                if name not in missing and not self._is_plain(name):
                    missing[name] = str(self.desk.why_locked(name, energise=True))
                    if missing[name] not in run.reasons:
                        run.reasons.append(missing[name])
        run.missing = missing
        essential = self._essential(missing)
        took = at - run.began
        if essential:
            text = f"stalled after {took:.1f} s: " + "; ".join(run.reasons)
            self._finish(run, at, "stalled", 1, text)
            if self.standing.state != "rising":
                # nothing had to be sent, and yet not all of it is heard
                self.standing.turn("run-up begins", at)
            self.standing.turn("did not get there", at, text)
            self.watcher.judge_now(at, set())
            return
        up = len(self.profile.devices) - len(missing)
        text = f"ready in {took:.1f} s, {up} of {len(self.profile.devices)} devices"
        if missing:
            text += f"; without {', '.join(missing)}: " + "; ".join(run.reasons)
        if self.standing.state == "rising":
            # drift that is there already is opened at once: `ready` would not be true
            self.desk.drift_opens = True
            self.watcher.judge_now(at, set())
            if self.watcher.drifts:
                self.standing.turn("confirmed, drifting", at)
                text += f"; but {len(self.watcher.drifts)} drifted meanwhile"
            else:
                self.standing.turn("all confirmed", at)
        else:
            text = f"already {self.standing.state}: nothing to do"
        if self.standing.session is not None and self.standing.warm_at is None:
            self.standing.warm_at = at + self.profile.warm_up
            self.desk.emit(SessionNote(at, self.standing.session, "ready", run.look, None))
            if self.profile.warm_up > 0:
                self.desk.wake("warm", self.standing.warm_at)
        self._finish(run, at, "done", 0, text)
        self.standing.watch_left_on(at)
        self.restore_by_itself(at)

    def _is_plain(self, name: str) -> bool:
        """Neither told nor heard: nothing could be missing about it."""
        known = self.truth.devices[name]
        return not known.tells and not known.hears

    def _unconfirmed(self) -> dict[str, str]:
        """Essential devices that no fresh report confirms (law 7), each with a sentence."""
        found: dict[str, str] = {}
        for name, points in self.watcher.wanted.items():
            known = self.truth.devices[name]
            if not known.device.essential:
                continue
            if not self.truth.surely_heard(name):
                found[name] = f"{name} is not heard from"
                continue
            for point in points:
                if point != "online" and known.fresh(point) is None:
                    found[name] = f"{name} has not confirmed its {point}"
                    break
        return found

    def _restore_over(self, run: Run, at: float) -> None:
        for drift in list(self.watcher.drifts.values()):
            if drift.restoring:
                self.watcher.judge(drift.device, at)
        took = at - run.began
        if run.missing:
            text = "not restored: " + "; ".join(run.reasons)
            self._finish(run, at, "stalled", 1, text)
        elif run.steps:
            names = dict.fromkeys(s.device for s in run.steps if s.action in ("set", "power on"))
            text = f"restored in {took:.1f} s: {', '.join(names) or 'heard again'}"
            self._finish(run, at, "done", 0, text)
        else:
            self._finish(run, at, "done", 0, "nothing differs: nothing was sent")
        for name in list(run.missing):
            self.watcher.judge(name, at)
        self.restore_by_itself(at)

    def _down_over(self, run: Run, at: float) -> None:
        took = at - run.began
        missing = dict(run.missing)
        if missing:
            text = f"stalled after {took:.1f} s: " + "; ".join(run.reasons)
            self._finish(run, at, "stalled", 1, text)
            self.standing.turn("did not get there", at, text)
            return
        self.desk.look = None
        left = self.desk.still_on()
        text = f"dark in {took:.1f} s"
        if left:
            text += f"; still on, as the profile says: {', '.join(left)}"
        self.standing.turn("all off", at, "" if not left else text)
        if self.standing.session is not None:
            kwh = self.standing.session_kwh
            self.desk.emit(SessionNote(at, self.standing.session, "closed", None, kwh))
            if kwh is not None:
                energy = f"{kwh:.2f} kWh" if kwh >= 1 else f"{kwh * 1000:.3g} Wh"
                text += f"; {energy} this session"
        self.standing.session = None
        self.standing.by_hand.clear()
        self.standing.warm_at = None
        self._finish(run, at, "done", 0, text)

    def _finish(
        self, run: Run, at: float, outcome: Literal["done", "stalled"], code: int, text: str
    ) -> None:
        run.outcome = outcome
        self.desk.emit(RunNote(at, run.number, run.what, run.look, outcome, text))
        missing = dict(run.missing)
        for id_ in run.requests:
            self.desk.emit(
                RequestNote(
                    at,
                    id_,
                    run.what,
                    "",
                    "",
                    run.look,
                    (),
                    run.forced,
                    "done" if code == 0 else "failed",
                    text,
                )
            )
            self.answers.answer(id_, code, text, {"run": run.number, "missing": missing})

    # ---- drift ---------------------------------------------------------------------------

    def _drift_opened(self, drift: Drift, at: float) -> None:
        if self.standing.state == "ready":
            self.standing.turn("drift opens", at)
        restores = self.profile.devices[drift.device].restores
        if restores > 0 and drift.point in ("switch", "level", "cct"):
            self._to_restore.append(drift.device)
            self.restore_by_itself(at)

    def _drift_emptied(self, at: float) -> None:
        if self.standing.state == "adrift":
            self.standing.turn("last drift closes", at)

    def _surely_energised(self, name: str) -> bool:
        """Would putting this back switch nothing on: neither itself nor a plug above it?"""
        switches = feeds_of(self.desk.feeds, name)
        if "switch" in self.truth.devices[name].tells:
            switches.add(name)
        return all(self.truth.surely_on(switch) for switch in switches)

    def restore_by_itself(self, at: float) -> None:
        """Put back what the profile says restores by itself, a bounded number of times (law 12)."""
        if self.standing.state not in ("ready", "adrift") or self.runner.run is not None:
            return
        if self.desk.held_by(at) is not None:
            return
        waiting, self._to_restore = self._to_restore, []
        names: list[str] = []
        for name in dict.fromkeys(waiting):
            if not self.asked_since_start and not self._surely_energised(name):
                continue  # after a restart nothing is energised before somebody asks (law 8)
            if not any(key[0] == name for key in self.watcher.drifts) or name in self.desk.locked:
                continue
            tried = self.standing.tried.get(name, 0)
            if tried < self.profile.devices[name].restores:
                self.standing.tried[name] = tried + 1
                names.append(name)
            elif name not in self.standing.contested:
                times = "once" if tried == 1 else f"{tried} times"
                self.standing.contested[name] = f"put back {times} and changed again"
                self.standing.fault(name, "contested", f"{name} is contested: put back {times}", at)
                self.desk.changed.add(name)
        if names:
            request = Request(
                at, "", "restore", by="the profile", source="profile", targets=tuple(names)
            )
            self.begin("restore", self.desk.look, at, [], targets=tuple(names), request=request)
