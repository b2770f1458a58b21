"""Runs as a whole: how one begins, and what it means when it ends.

Carrying out the steps of a run is for steps.py, holding what it confirmed for holding.py.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Literal

from studiobridge.control import stepping
from studiobridge.control.acts import OF_ONE, Run, What
from studiobridge.control.belief import NO_NARROWER
from studiobridge.control.desk import Desk
from studiobridge.control.effects import (
    Announce,
    HandNote,
    Memory,
    RequestNote,
    RunNote,
    SessionNote,
)
from studiobridge.control.events import Request
from studiobridge.control.evidence import BY, GAUGES
from studiobridge.control.gates import Gates
from studiobridge.control.holding import Holding
from studiobridge.control.manners import GOES_DOWN, GOES_DOWN_KNOWN
from studiobridge.control.plan import in_order
from studiobridge.control.rolling import ASKED_AGAIN, NEVER
from studiobridge.control.sequence import (
    Sequencer,
    Step,
    build_cut,
    build_down,
    build_up,
    staying_on,
)
from studiobridge.control.standing import Answers, Standing
from studiobridge.control.steps import Steps
from studiobridge.control.trial import outcome
from studiobridge.profile.model import Point, Preset, figure
from studiobridge.profile.said import Answer

# A run-up whose steps are done waits so long (s) for what only a meter can prove: two samples of a
# slow one (every 10 s, common practice) and what they take to settle. Longer, and somebody has to
# turn a dial: then the set is up and not ready, and says why.
GAUGE_WITHIN = 25.0
# What was to come up or be put back when the link was lost goes on where it is back within (s):
# about as long as whoever asked stands and waits. Later it has to be asked for again.
RESUMES_WITHIN = 120.0
# Behind "it is rolling", where that is known by nothing but a person's word of now.
SAID = ", as was said"


class Endings:
    """What it means that a run is over."""

    def __init__(
        self, desk: Desk, gates: Gates, standing: Standing, answers: Answers, holding: Holding
    ) -> None:
        self.profile = desk.profile
        self.desk = desk
        self.gates = gates
        self.standing = standing
        self.answers = answers
        self.holding = holding

    def over(self, run: Run, at: float) -> None:
        """A run is over: say what came of it, and how the set stands now."""
        for name in list(run.missing):
            if name in self.desk.feeds.switches and run.what in ("up", "restore"):
                for below in self.desk.feeds.powers[name]:
                    run.missing.setdefault(
                        below, f"not tried, it needs {name}: {run.missing[name]}"
                    )
        if run.what == "up":
            self._up_over(run, at)
        elif run.what == "restore":
            self._restore_over(run, at)
        elif run.what in OF_ONE:
            self._try_over(run, at)
        else:
            self._down_over(run, at)

    def _up_over(self, run: Run, at: float) -> None:
        watcher, standing = self.holding.watcher, self.standing
        watcher.hold_whole_set(at, without=self.holding.let_off(run))
        missing = dict(run.missing)
        for name, text in watcher.unproven(differing=False, gauged=False).items():
            if missing.setdefault(name, text) == text:
                run.reasons.append(text)
        for name in self.gates.locked:
            if name not in missing and self.profile.devices[name].speaks is not None:
                missing[name] = str(self.gates.why_locked(name, energise=True))
                if missing[name] not in run.reasons:
                    run.reasons.append(missing[name])
        run.missing = missing
        took = at - run.began
        if any(self.profile.devices[name].essential for name in missing):
            text = f"stalled after {took:.1f} s: " + "; ".join(run.reasons)
            self._finish(run, at, "stalled", 1, text)
            if standing.state != "rising":
                # nothing had to be sent, and yet not all of it is heard
                standing.turn("run-up begins", at)
            standing.turn("did not get there", at, text)
            watcher.judge_now(at)
            return
        rising = standing.state == "rising"
        if rising:
            # what differs already is drift at once: it must not be called `ready` first
            self.desk.drift_opens = True
        watcher.judge_now(at)
        self.holding.settle(at)
        code = 0 if standing.state == "ready" else 1
        text = f"ready in {took:.1f} s, {self._count_heard(at)}"
        if code != 0:
            text = f"up in {took:.1f} s and not ready: {self._lacks()}"
        elif not rising:
            text = "already ready: nothing to do"
        if missing:
            text += f"; without {', '.join(missing)}: " + "; ".join(run.reasons)
        only_told = self.only_told()
        if only_told:
            text += f"; only told or left to a hand, not proven: {', '.join(only_told)}"
        text += self._supplies(at, over=False)
        if standing.session.open and standing.warm_at is None:
            standing.warm_at = at + self.profile.warm_up
            self.desk.emit(SessionNote(at, standing.session.number or 0, "ready", run.look, None))
            if self.profile.warm_up > 0:
                self.desk.wake("warm", standing.warm_at)
        self._finish(run, at, "done", code, text)
        standing.watch_left_on(at)

    def _lacks(self) -> str:
        """What a set that is up and not ready lacks: what is not proven, and what has drifted."""
        watcher = self.holding.watcher
        waits = watcher.ungauged()
        lacks = list(waits.values())
        moved = [d for d in watcher.drifts.values() if d.devices.isdisjoint(waits)]
        if moved:
            names = sorted({name for drift in moved for name in drift.devices})
            more = f" and {len(names) - 4} more" if len(names) > 4 else ""
            lacks.append(f"not as asked: {', '.join(names[:4])}{more}")
        return "; ".join(lacks) or self.standing.why

    def _count_heard(self, at: float) -> str:
        """`19 of 20 heard, not cloth; 4 cannot speak`: what nothing confirms is not counted."""
        hearing = {name: self.desk.hearing(name, at) for name in self.profile.devices}
        able = {name: how for name, how in hearing.items() if how is not None}
        mute = len(hearing) - len(able)
        away = [name for name, how in able.items() if how != "answers"]
        text = f"{len(able) - len(away)} of {len(able)} heard"
        if away:
            text += f", not {', '.join(away[:3])}" + (" …" if len(away) > 3 else "")
        return f"{text}; {mute} cannot speak" if mute else text

    def only_told(self) -> list[str]:
        """Lights of the look of which nothing proves that they are as it says (law 7)."""
        beliefs, desk = self.desk.beliefs, self.desk
        return [
            name
            for name, preset in desk.presets.items()
            if beliefs.only_told(name, desk.wanted_of(name), preset)
        ]

    def _restore_over(self, run: Run, at: float) -> None:
        watcher = self.holding.watcher
        for drift in list(watcher.drifts.values()):
            if not drift.perhaps and (drift.restoring or drift.device in run.missing):
                watcher.judge(drift.device, at)
        dials = self._to_turn(run)
        # told again, and by another instrument it is still elsewhere, or it has not said anything
        set_again = {step.device for step in run.steps if step.action == "set"}
        again = sorted(
            {d.device for d in watcher.drifts.values() if d.band is not None} & set_again
        )
        if run.missing:
            self._finish(run, at, "stalled", 1, "not restored: " + "; ".join(run.reasons))
        elif dials:
            self._finish(run, at, "done", 1, f"cannot be told, turn by hand: {'; '.join(dials)}")
        elif again:
            text = "told again, and not there yet by what is known: " + ", ".join(again)
            self._finish(run, at, "done", 1, text)
        elif run.steps:
            names = dict.fromkeys(s.device for s in run.steps if s.action in ("set", "power on"))
            # what only listens was told again: nothing says that it is restored
            told = [name for name in self.only_told() if name in names]
            # nor is it where the instrument of its profile cannot tell
            open_yet = {n: why for n, why in watcher.ungauged().items() if n in names}
            sure = [name for name in names if name not in told and name not in open_yet]
            took, parts = at - run.began, []
            if sure or not (told or open_yet):
                parts.append(f"restored in {took:.1f} s: {', '.join(sure) or 'heard again'}")
            if told:
                parts.append(f"told again, nothing confirms it: {', '.join(told)}")
            if open_yet:
                parts.append(f"told again, not proven: {'; '.join(open_yet.values())}")
            self._restored(run, at, bool(open_yet), parts)
        else:
            self._restored(run, at, False, ["nothing was sent"])
        self.holding.settle(at, after_a_run=True)

    def _restored(self, run: Run, at: float, lacks: bool, parts: list[str]) -> None:
        """What else has drifted is said; who asked for it too has not got what was asked for."""
        ours = {step.device for step in run.steps}
        drifts = self.holding.watcher.drifts.values()
        others = sorted({drift.device for drift in drifts if not drift.devices & ours})
        if others:
            parts.append(f"the set is still adrift: {', '.join(others)}")
        elif not run.steps:
            parts = ["nothing differs: nothing was sent"]
        asked_too = any(name in run.targets for name in others)
        self._finish(run, at, "done", 1 if lacks or asked_too else 0, "; ".join(parts))

    def _try_over(self, run: Run, at: float) -> None:
        """As if a hand had touched it: what differs is drift, and nothing is put back unasked."""
        name = run.targets[0]
        self.desk.trying.clear()
        said = stepping.outcome if run.what == "adjust" else outcome
        code, text, detail = said(run, self.desk)
        self._finish(run, at, "done" if code == 0 else "stalled", code, text, detail)
        for other in (name, *self.desk.feeds.below.get(name, ())):
            if other in self.holding.watcher.wanted:
                self.holding.watcher.judge(other, at)
        self.holding.settle(at, after_a_run=True)
        if self.standing.state == "adrift":
            # it is being tried no more; what differs by its own word is in the list of drifts
            self.standing.why = "; ".join(self.holding.tried_otherwise().values())
            self.desk.emit(Announce(state=True))
        self.standing.watch_left_on(at)

    def _to_turn(self, run: Run) -> list[str]:
        """What a person has to turn, and to what: dials that have drifted, as far as is known."""
        devices, presets = self.profile.devices, self.desk.presets
        turns: list[str] = []
        for drift in self.holding.watcher.drifts.values():
            for name in sorted(drift.devices):
                preset = presets.get(name)
                if name not in run.targets or not devices[name].hand_set or preset is None:
                    continue
                perhaps = "perhaps " if drift.perhaps else ""
                now = (
                    f", it is at {drift.band} by {BY[drift.band.by]}"
                    if drift.band is not None
                    else ""
                )
                level = "?" if preset.level is None else f"{preset.level:.4g} %"
                turns.append(f"{perhaps}{name} to {level}{now}")
        return turns

    def _down_over(self, run: Run, at: float) -> None:
        took = at - run.began
        if run.missing:
            text = f"stalled after {took:.1f} s: " + "; ".join(run.reasons)
            text += self._supplies(at, over=True)
            self._finish(run, at, "stalled", 1, text)
            self.standing.turn("did not get there", at, text)
            return
        self.desk.look = None
        text = f"{'cut' if run.what == 'cut' else 'dark'} in {took:.1f} s"
        left = self.left_on()
        if left:
            text += f"; still on: {', '.join(f'{name} ({why})' for name, why in left.items())}"
        to_close = self.desk.beliefs.to_close()
        if to_close:
            text += f"; close the laptop: {', '.join(to_close.values())}"
        self.standing.turn("all off", at, text if left or to_close or run.what == "cut" else "")
        session = self.standing.session
        if session.open and session.kwh is not None:
            kwh = session.kwh
            text += f"; {f'{kwh:.2f} kWh' if kwh >= 1 else f'{kwh * 1000:.3g} Wh'} this session"
        text += self._supplies(at, over=True)
        session.close(at)
        for belief in self.desk.beliefs.of.values():
            belief.ticked = None
        self.standing.warm_at = None
        self._finish(run, at, "done", 0, text)

    def _supplies(self, at: float, over: bool) -> str:
        """What is low, to be said beside how a run ended. It changes nothing about that."""
        said = self.holding.supplies.sentences(at, over)
        if over:
            said += self.holding.chargers.sentences(at)
        return "".join(f"; {text}" for text in said)

    def left_on(self) -> dict[str, str]:
        """Mains switches believed on, each with why: as reported, as metered, never as told."""
        beliefs = self.desk.beliefs
        stays = staying_on(self.profile, self.desk.feeds, False)
        found: dict[str, str] = {}
        for name in sorted(self.desk.feeds.switches):
            drawing = beliefs.still_drawing(name)
            if drawing is not None:
                found[name] = f"it says off and {drawing:.0f} W still flow"
            elif beliefs.said_on(name) and beliefs.powered(name):
                found[name] = "stays on, as the profile says" if name in stays else "it says on"
        return found

    def _finish(
        self,
        run: Run,
        at: float,
        outcome: Literal["done", "stalled"],
        code: int,
        text: str,
        more: Mapping[str, object] | None = None,
    ) -> None:
        run.outcome = outcome
        self.desk.emit(RunNote(at, run.number, run.what, run.look, outcome, text))
        phase: Literal["done", "failed"] = "done" if code == 0 else "failed"
        for id_ in run.requests:
            self.desk.emit(
                RequestNote(at, id_, run.what, "", "", run.look, (), run.forced, phase, text)
            )
            detail = {"run": run.number, "missing": dict(run.missing), **(more or {})}
            self.answers.answer(id_, code, text, detail)


class Runs:
    """The run under way, if any, and the one before."""

    def __init__(
        self,
        desk: Desk,
        gates: Gates,
        standing: Standing,
        answers: Answers,
        holding: Holding,
        memory: Memory,
    ) -> None:
        self.profile = desk.profile
        self.desk = desk
        self.gates = gates
        self.standing = standing
        self.answers = answers
        self.holding = holding
        self.steps = Steps(desk, gates)
        self.endings = Endings(desk, gates, standing, answers, holding)
        self.last_run: Run | None = None
        # the last that was of the whole set
        self.last_whole: Run | None = None
        # when each device was last tried
        self.tried_at: dict[str, float] = {}
        self._next_run = memory.next_run
        self._gauged = any(d.proof in GAUGES for d in desk.profile.devices.values())

    @property
    def run(self) -> Run | None:
        return self.steps.run

    # ---- a run begins --------------------------------------------------------------------

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
        tries: list[Step] | None = None,
        within: Mapping[Point, float] = NO_NARROWER,
    ) -> None:
        """Begin a run in place of the one under way. After an OrderProblem that one goes on.

        `tries`: the steps of a try, or of an adjustment, which are confirmed `within` so much.
        """
        beliefs, feeds = self.desk.beliefs, self.desk.feeds
        presets = self.desk.looks.get(look, {}) if look is not None else {}
        if tries is not None:
            steps = tries
        elif what == "up":
            steps = build_up(self.profile, feeds, presets, beliefs)
        elif what == "restore":
            steps = build_up(self.profile, feeds, presets, beliefs, only=targets)
        elif what == "down":
            steps = build_down(self.profile, feeds, beliefs, everything)
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
            within=within,
            phase=["waiting"] * len(steps),
            text=[""] * len(steps),
        )
        run.by = "" if request is None else request.by or request.source
        run.was = self.standing.state
        run.holds_on = what == "down" and bool(steps) and self.steps.held_by(run, at) is not None
        for id_ in run.requests:
            self.answers.under_way(id_)
        if request is not None:
            self.answers.note(request, "taken", text)
            if what in ("up", "restore") and request.source != "profile":
                self.holding.asked_since_start = True
        if what == "up":
            self.standing.session.begin(look, at)
            for camera in self.desk.cameras:
                # that it had stopped was said of the evening before
                self.desk.beliefs.of[camera].rolling.forget_stopped()
        if what not in OF_ONE and not run.holds_on:
            self.desk.tried_out.clear()
            # they are told anew, or are no more what is held
            stepped = self.desk.beliefs.stepped
            stepped -= set(targets) if what == "restore" else set(stepped)
        begun = "everything" if everything else text if what in OF_ONE else ""
        self.desk.emit(RunNote(at, number, what, look, "begun", begun))
        another = what == "up" and look != self.desk.look
        if what in ("up", "restore"):
            before, self.desk.look = self.desk.presets, look
            after = self.desk.presets
            # shown with the new look at once: what it asks of them, and whether that is proven
            self.desk.changed |= {
                n for n in before.keys() | after.keys() if before.get(n) != after.get(n)
            }
            self._end_words(after, at)
        if not run.holds_on:
            self.holding.let_go_for(run, at)
        self.steps.run = run
        self.last_run = run
        if what not in OF_ONE:
            self.last_whole = run
        stands = self.standing.state in ("ready", "adrift") and not another
        if what == "up" and (steps or not stands or self.holding.unproven_in_look()):
            # nothing to tell is no proof: dials, and what only an instrument sees, may differ
            self.standing.turn("run-up begins", at)
        elif what in ("down", "cut"):
            waits = self.waits_to_go_down(at)
            why = "" if waits is None else f"{waits}: {self.why_held(run, at)}"
            self.standing.turn("run-down begins", at, why)
            # what moves while it waits is seen as ever
            self.desk.drift_opens = run.holds_on
        elif what in OF_ONE:
            self._try_begins(run, at)
        elif steps and self.standing.state == "ready":
            # something has to be put back: a camera may hold that up for long, and until it is
            # done the set is not as it should be
            self.standing.turn("drift opens", at, "being put back")
        if what != "restore" and what not in OF_ONE:
            self.standing.was_cut = what == "cut"
        self._say_under_way(run, at)
        self.desk.emit(Announce(state=True))
        if what == "cut":
            # told at once: no order, no turns, nothing waited for
            self.desk.free_at.clear()
        self.move_on(at)

    def _end_words(self, after: Mapping[str, Preset], at: float) -> None:
        """Dials that are to be turned elsewhere now: that they stood as asked was said of before.

        Somebody may turn them and say nothing: of the look before it has to be said anew.
        """
        for name, preset in after.items():
            belief = self.desk.beliefs.of[name]
            if belief.ticked is not None and belief.ticked.preset != preset:
                belief.ticked = None
                self.desk.emit(HandNote(at, name, None, None, "another look"))

    def _try_begins(self, run: Run, at: float) -> None:
        """What is about to be told otherwise is not as asked from now on."""
        name = run.targets[0]
        if run.steps[0].action == "wait for its report":
            return
        names = {name, *self.desk.feeds.below.get(name, ())}
        self.desk.tried_out |= names
        if self.standing.state == "ready" and names & self.holding.watcher.wanted.keys():
            doing = "adjusted" if run.what == "adjust" else "tried"
            self.standing.turn("drift opens", at, f"{name} is being {doing}")

    def end_try(self, at: float, why: str) -> None:
        """A try that is under way ends here, unanswered by its device."""
        run = self.run
        if run is None or run.what not in OF_ONE:
            return
        self.steps.abandon(at)
        self.desk.trying.clear()
        self.desk.emit(RunNote(at, run.number, run.what, run.look, "turned", why))
        for id_ in run.requests:
            detail = {"run": run.number, "device": run.targets[0], "outcome": "turned"}
            self.answers.answer(id_, 1, f"{run.targets[0]}: {why}", detail)

    def _say_under_way(self, run: Run, at: float) -> None:
        text = f"under way: {len(run.steps)} steps, about {run.ready_in:.0f} s"
        held = self.why_held(run, at)
        waits = self.waits_to_go_down(at)
        if waits == GOES_DOWN:
            text = f"{waits}: {held}. `down --withdraw` takes that back; then {text[11:]}"
        elif held is not None:
            text += f"; waits: {held}"
        detail = {
            "run": run.number,
            "steps": len(run.steps),
            "ready_in_s": round(run.ready_in, 2),
            "waits": held,
            "asks": self.asked_about(run, at),
        }
        for id_ in run.requests:
            self.desk.emit(Answer(id_, False, 0, text, detail))

    def waits_to_go_down(self, at: float) -> str | None:
        """What a run-down waits for that has told nothing yet, in words."""
        run = self.run
        if run is None or not run.holds_on:
            return None
        camera = self.steps.held_by(run, at)
        if camera is None:
            return None
        return GOES_DOWN if camera == self.gates.held_by(at) else GOES_DOWN_KNOWN

    def take_back(self, run: Run, by: str, at: float) -> str:
        """As if this run-down had not been asked for: nothing of it was told."""
        self.steps.abandon(at)
        text = f"down is taken back by {by}" if by else "down is taken back"
        self.desk.emit(RunNote(at, run.number, run.what, run.look, "turned", text))
        for id_ in run.requests:
            self.answers.answer(id_, 1, text)
        self.standing.turn("taken back", at, text)
        self.holding.hold_on(at)
        self.desk.emit(Announce(state=True, drift=True))
        return text

    def asked_about(self, run: Run, at: float) -> str | None:
        """The camera of which only a person can say whether it still rolls; None: nobody has to."""
        camera = self.steps.held_by(run, at)
        if camera is None:
            return None
        if camera == self.gates.held_by(at):
            belief = self.desk.beliefs.of[camera]
            # rolling by a word from long ago: who said so may have forgotten to take it back
            down = run.what == "down" and belief.rolls_by != "report"
            return camera if down and belief.rolling.worth_asking(at) else None
        if self.steps.meter_may_answer(run, camera, at):
            return None
        return camera

    def why_held(self, run: Run, at: float) -> str | None:
        """What a run waits for at a camera, in words; None when nothing holds it."""
        camera = self.steps.held_by(run, at)
        if camera is None:
            return None
        belief = self.desk.beliefs.of[camera]
        if belief.rolls:
            by = self.by_whom(camera, at)
            by += "; `rolling off` says when it has stopped" if by == SAID else ""
            return f"{camera} is rolling{by}"
        if belief.closing_until > at:
            return f"{camera} is closing its file"
        meter = self.desk.beliefs.camera_meter.get(camera)
        if meter is None:
            return f"does {camera} still roll? It cannot say so itself; `rolling off` says no"
        if self.steps.meter_may_answer(run, camera, at):
            return f"{meter} is asked what {camera} draws"
        return (
            f"does {camera} still roll? {meter} does not say what it draws now;"
            " `rolling off` says no"
        )

    def by_whom(self, camera: str, at: float) -> str:
        """Behind "it is rolling": who says so where the camera cannot, and how to say otherwise."""
        belief = self.desk.beliefs.of[camera]
        by = self.desk.beliefs.rolling(camera)[1]
        if by == "watts":
            word = self.desk.beliefs.of[self.desk.beliefs.camera_meter[camera]].last.get("watts")
            drawn = f" ({figure(word.value):.1f} W)" if word is not None else ""
            return f" by what it draws{drawn}"
        if by != "hand" or belief.rolling.word is None:
            return ""
        ago = at - belief.rolling.word[1]
        if ago < ASKED_AGAIN:
            return SAID
        before = belief.rolling.word[1] == NEVER
        since = "before the bridge was started" if before else f"{ago / 3600.0:.1f} h ago"
        return f", as was said {since}; does it still? `rolling off` says no"

    def begin_again(self, run: Run, at: float) -> bool:
        """The link was lost in the middle: the request still stands, the beliefs may not.

        False when nothing of it is left to do: what was put back with nobody asking may have
        lost its mains meanwhile, and is not energised (law 8).
        """
        self.steps.abandon(at)
        self.desk.emit(RunNote(at, run.number, run.what, run.look, "turned", "the link was lost"))
        targets = run.targets
        if run.what == "restore" and not self.holding.asked_since_start:
            surely = self.desk.beliefs.surely_energised
            targets = tuple(name for name in targets if surely(name))
            if not targets:
                return False
        self.begin(
            run.what,
            run.look,
            at,
            run.requests,
            # it was forced before the link was lost; a camera may have begun to roll since
            forced=False,
            everything=run.everything,
            targets=targets,
        )
        if self.run is not None:
            self.run.was, self.run.by = run.was, run.by
        return True

    def too_late(self, run: Run, away: float, at: float) -> str | None:
        """The link was away for so long (s) that who asked for this may have left: it ends here.

        Returns what to say of it; None where it goes on. A run-down always does: it energises
        nothing, and what it has left half done is hot, loud or awake.
        """
        if run.what not in ("up", "restore") or away <= RESUMES_WITHIN:
            return None
        text = f"the link was away for {away / 60.0:.0f} min in the middle of it; ask for it again"
        self.steps.abandon(at)
        self.desk.emit(RunNote(at, run.number, run.what, run.look, "turned", text))
        for id_ in run.requests:
            self.answers.answer(id_, 1, text)
        return text

    def turn_around(self, at: float, to: str) -> None:
        run = self.run
        if run is None:
            return
        if run.what in OF_ONE:
            self.end_try(at, f"turned around: {to} was asked for")
            return
        self.steps.abandon(at)
        self.desk.emit(RunNote(at, run.number, run.what, run.look, "turned", f"turned to {to}"))
        for id_ in run.requests:
            self.answers.answer(id_, 1, f"turned around: {to} was asked for")

    def restore_by_itself(self, names: tuple[str, ...], at: float) -> None:
        """Put these back with nobody asking, as the profile says."""
        if names:
            request = Request(at, "", "restore", by="the profile", source="profile", targets=names)
            self.begin("restore", self.desk.look, at, [], targets=names, request=request)

    # ---- a run goes on -------------------------------------------------------------------

    def confirmed(self, steps: list[Step], at: float) -> None:
        """The steps that were just confirmed are held; what may start now starts."""
        run = self.run
        if run is not None and steps:
            self.holding.confirmed(run, steps, at)
            self.desk.emit(Announce(state=True))
        self.move_on(at)

    def move_on(self, at: float) -> None:
        """Start what may start; look whether the run has come to its end."""
        run = self.run
        if run is None or not self.desk.listened:
            return
        if run.holds_on and self.steps.held_by(run, at) is None:
            # the take is over: from here on it goes down
            run.holds_on = False
            self.desk.tried_out.clear()
            self.desk.beliefs.stepped.clear()
            self.holding.let_go_for(run, at)
            self.desk.drift_opens, self.standing.why = False, ""
            self.desk.emit(Announce(state=True, drift=True))
        self.holding.confirmed(run, self.steps.pump(at), at)
        if not run.over:
            return
        if self.waits_for_gauge(run, at):
            return
        if run.what in OF_ONE or self.steps.held_by(run, at) is None:
            self.steps.run = None
            run.ended_at = at
            if run.what in OF_ONE:
                self.tried_at[run.targets[0]] = at
            self.desk.wake("turn", None)
            self.endings.over(run, at)
            self.desk.emit(Announce(state=True, devices=frozenset(self.profile.devices)))
        else:
            self.desk.wake("turn", at + self.profile.patience.reply)

    def waits_for_gauge(self, run: Run, at: float) -> list[str]:
        """Devices of which a meter should say soon whether they came up as asked."""
        if run.what not in ("up", "restore") or not self._gauged:
            return []
        if run.done_at is None:
            run.done_at = at
            if run.what == "up":
                self.holding.watcher.hold_whole_set(at, self.holding.let_off(run))
        left = run.done_at + GAUGE_WITHIN - at
        names = {step.device for step in run.steps} if run.what == "restore" else None
        found = self.holding.watcher.awaits_gauge(names) if left > 0 and not run.missing else []
        if found:
            self.desk.wake("turn", run.done_at + GAUGE_WITHIN)
        return found
