"""What people, switches and call times ask for, and the answer each of them gets.

A request is refused with a reason, done at once (words.py), or begins a run whose end answers
it. The same request again is answered again and not repeated; one that the broker kept, or that
comes too late, asks for nothing (law 8).
"""

from __future__ import annotations

from dataclasses import replace
from typing import Literal, assert_never

from studiobridge.control.acts import Run
from studiobridge.control.adjusting import Adjusting
from studiobridge.control.before import Before
from studiobridge.control.desk import Desk
from studiobridge.control.effects import Announce, Memory
from studiobridge.control.events import Request, Saved
from studiobridge.control.gates import Gates
from studiobridge.control.looks import Looks
from studiobridge.control.manners import locked, why_not_up
from studiobridge.control.plan import OrderProblem, no_such_look
from studiobridge.control.quiet import Quiet
from studiobridge.control.runs import Runs
from studiobridge.control.standing import Answers, Standing
from studiobridge.control.takes import Takes
from studiobridge.control.trial import CannotTry, steps_for, too_soon, wish_in_words
from studiobridge.control.words import Words
from studiobridge.profile.near import nearest
from studiobridge.profile.said import Answer

# What is taken up only when every device was heard from or given up on.
AFTER_LISTENING = (
    "up",
    "down",
    "toggle",
    "restore",
    "keep",
    "save_look",
    "try",
    "adjust",
    "match",
    "quiet_on",
    "withdraw",
)


class Requests:
    """Takes what switches, commands, pages and call times ask for; all are treated alike."""

    def __init__(
        self,
        desk: Desk,
        gates: Gates,
        standing: Standing,
        answers: Answers,
        runs: Runs,
        memory: Memory,
        now: float,
    ) -> None:
        self.profile = desk.profile
        self.desk = desk
        self.gates = gates
        self.standing = standing
        self.answers = answers
        self.runs = runs
        self.looks = Looks(desk, gates, standing, answers, runs)
        self.words = Words(desk, gates, standing, answers, runs, self.looks)
        self.takes = Takes(desk, gates, standing, answers, runs, self.looks, memory, now)
        self.quiet = Quiet(desk, gates, standing, answers, runs)
        self.before = Before(desk, standing, answers, runs.holding, memory, now)
        self.takes.before = self.before.line
        self.adjusting = Adjusting(desk, gates, standing, answers, runs)
        self._deferred: list[Request] = []

    # ---- the channel ---------------------------------------------------------------------

    def asked(self, request: Request) -> None:
        if self._asks_for_nothing(request):
            return
        at = request.at
        self.standing.last_asked = at
        self.standing.left_on = False
        if not self.desk.listened and request.what in AFTER_LISTENING:
            if not self.desk.link:
                self.answers.refuse(request, 3, "the bridge has no link to the broker")
                return
            self.answers.under_way(request.id)
            self.answers.note(request, "taken", "listening first")
            self._deferred.append(request)
            self.desk.emit(Answer(request.id, False, 0, "hearing from the devices first"))
            return
        self._dispatch(request, at)

    def _asks_for_nothing(self, request: Request) -> bool:
        """Kept, late, asked already, or of something that is not there: answered, not done."""
        if request.retained or request.expired:
            why = "kept by the broker from before" if request.retained else "too late"
            self.answers.note(request, "ignored", f"{why}: asks for nothing")
            if request.expired and request.id:
                self.desk.emit(Answer(request.id, True, 1, f"{why}: asks for nothing"))
            return True
        if request.what == "ping":
            text = f"{self.profile.name} is {self.standing.state}"
            self.desk.emit(Answer(request.id, True, 0, text))
            return True
        if request.id and request.id in self.answers.given:
            before = self.answers.given[request.id]
            if before is None:
                self.desk.emit(Answer(request.id, False, 0, "asked already; under way"))
            else:
                self.desk.emit(Answer(request.id, True, before[0], before[1]))
            return True
        for name in request.targets:
            if name not in self.profile.devices and name not in self.profile.circuits:
                meant = nearest(name, (*self.profile.devices, *self.profile.circuits))
                text = f"this set has no device or circuit {name!r}; {meant}"
                self.answers.refuse(request, 2, text)
                return True
        return False

    def saved(self, event: Saved) -> None:
        """The profile file was rewritten, or could not be."""
        self.words.saved(event)
        self.looks.saved(event)

    def listened(self, at: float) -> None:
        """Every device was heard from: what was asked meanwhile is taken up."""
        deferred, self._deferred = self._deferred, []
        for request in deferred:
            self._dispatch(request, at)

    def link_lost(self, at: float) -> None:
        """What waited to be taken up is not done when the link is back: that may be hours later."""
        self.quiet.link_lost(at)
        deferred, self._deferred = self._deferred, []
        for waiting in deferred:
            self.answers.refuse(waiting, 3, "the link to the broker was lost; ask again")
        self.adjusting.link_lost()

    def is_a_cut(self, request: Request) -> bool:
        """A cut that will be done: an emergency does not wait until all was listened to."""
        return (
            request.what == "cut"
            and request.yes
            and self.desk.link
            and not request.retained
            and not request.expired
            and request.id not in self.answers.given
        )

    def a_cut_came(self) -> None:
        """What waited for the listening to end is not done after a cut."""
        deferred, self._deferred = self._deferred, []
        for waiting in deferred:
            self.answers.refuse(waiting, 1, "a cut came in between")

    def _dispatch(self, request: Request, at: float) -> None:
        what = self._toggled() if request.what == "toggle" else request.what
        if what == "up":
            self._ask_up(request, at)
        elif what == "down":
            self._ask_down(request, at)
        elif what == "restore":
            self._ask_restore(request, at)
        elif what == "keep":
            self.words.keep(request, at)
        elif what == "save_look":
            self.looks.save(request, at)
        elif what == "cut":
            self._ask_cut(request, at)
        elif what == "lockout":
            self.words.lockout(request, at)
        elif what == "release":
            self.words.release(request, at, self.quiet.after_release)
        elif what == "rolling_on":
            self.words.rolling(request, True, at)
        elif what == "rolling_off":
            self.words.rolling(request, False, at)
        elif what == "rolling_toggle":
            self.words.rolling(request, not self.words.any_rolls(request), at)
        elif what == "set_by_hand":
            self.words.set_by_hand(request, at)
        elif what == "turning":
            self.words.turning(request, at)
        elif what == "try":
            self._ask_try(request, at)
        elif what == "adjust":
            self.adjusting.ask(request, at)
        elif what == "withdraw":
            self._withdraw(request, at)
        elif what == "quiet_on" or what == "quiet_off":
            self.quiet.ask(request, what == "quiet_on", at)
        elif what == "tick" or what == "untick":
            self.before.tick(request, what == "tick", at)
        elif what == "mark":
            self.takes.mark(request, at)
        elif what == "match":
            look = self.takes.match(request, at)
            if look is not None:
                self._ask_up(replace(request, look=look, force=False), at)
        elif what != "ping":  # which is answered before it comes here
            assert_never(what)
        self.standing.watch_left_on(at)

    def _toggled(self) -> Literal["up", "down"]:
        state, last = self.standing.state, self.runs.last_whole
        if state in ("rising", "ready", "adrift"):
            return "down"
        return "down" if state == "stalled" and last is not None and last.what != "up" else "up"

    # ---- what begins a run ---------------------------------------------------------------

    def _ask_up(self, request: Request, at: float) -> None:
        look = request.look
        if look is None:
            look = self.desk.look if self.standing.session.open else None
            look = look if look in self.desk.looks else None
        if look is not None and look not in self.desk.looks:
            self.answers.refuse(request, 2, no_such_look(look, self.desk.looks))
            return
        look = look if look is not None else self.profile.default_look
        run = self.runs.run
        if run is not None and run.what == "up" and run.look == look:
            self._join(run, request, at)
            return
        held = self.gates.held_by(at)
        if held is not None and not request.force:
            self.answers.refuse(request, 1, self._held_text(held, at))
            return
        in_the_way = locked(self.desk, self.gates)
        if in_the_way and not request.force:
            self.answers.refuse(request, 1, why_not_up(in_the_way))
            return
        # `force` for a lockout is no force against a camera: what is locked out stays dark all the
        # same, and a camera that begins to roll meanwhile still stops the run
        forced = request.force and (held is not None or not in_the_way)
        try:
            self.runs.begin("up", look, at, [request.id], forced=forced, request=request)
        except OrderProblem as problem:
            self.answers.refuse(request, 2, str(problem))

    def _held_text(self, camera: str, at: float) -> str:
        rolls = self.desk.beliefs.of[camera].rolls
        doing = f"rolling{self.runs.by_whom(camera, at)}" if rolls else "closing its file"
        return f"{camera} is {doing}: nothing is changed now"

    def _join(self, run: Run, request: Request, at: float) -> None:
        """The same request again: answered with the run under way, not repeated."""
        if request.id:
            self.answers.under_way(request.id)
            run.requests.append(request.id)
        self.answers.note(request, "taken", "the same is under way")
        held = self.runs.why_held(run, at)
        left = max(0.0, run.began + run.ready_in - at)
        text = f"already under way, about {left:.0f} s left"
        if held is not None:
            text = f"already under way, and waits: {held}"
        detail = {"waits": held, "asks": self.runs.asked_about(run, at)}
        self.desk.emit(Answer(request.id, False, 0, text, detail))

    def _ask_down(self, request: Request, at: float) -> None:
        if request.yes:
            # with `yes` a person has looked: no camera rolls of those that cannot say so themselves
            for name in self.desk.cameras:
                if self.desk.beliefs.of[name].rolls_by != "report":
                    self.words.say_rolling(name, False, at, request.by or "a person")
        run = self.runs.run
        if run is not None and run.what in ("down", "cut"):
            self._join(run, request, at)
            self.runs.move_on(at)
            return
        self.runs.begin(
            "down", None, at, [request.id], everything=request.everything, request=request
        )

    def _ask_restore(self, request: Request, at: float) -> None:
        state = self.standing.state
        if state not in ("ready", "adrift"):
            text = f"the set is {state}: there is nothing to restore"
            self.answers.refuse(request, 1, text)
            return
        if self.runs.run is not None and self.runs.run.what != "adjust":
            text = "another run is under way; ask again when it is done"
            self.answers.refuse(request, 1, text)
            return
        held = self.gates.held_by(at)
        if held is not None and not request.force:
            self.answers.refuse(request, 1, self._held_text(held, at) + "; force it if you must")
            return
        targets = request.targets or tuple(self.profile.devices)
        kept = [name for name in request.targets if name in self.gates.locked]
        if kept:
            why = self.gates.why_locked(kept[0], energise=False)
            self.answers.refuse(request, 1, str(why))
            return
        for name in targets:
            self.standing.tried.pop(name, None)
            self.standing.contested.pop(name, None)
        self.runs.begin(
            "restore",
            self.desk.look,
            at,
            [request.id],
            forced=request.force,
            targets=tuple(targets),
            request=request,
        )

    def _ask_cut(self, request: Request, at: float) -> None:
        if not request.yes:
            text = "a cut takes everything off at once: confirm it with yes"
            self.answers.refuse(request, 2, text)
            return
        if not self.desk.link:
            text = "no link to the broker: nothing can be cut; use the breaker"
            self.answers.refuse(request, 3, text)
            return
        held = self.gates.held_by(at)
        text = f"{held} was rolling or closing its file" if held is not None else ""
        self.quiet.cut(at, request.by or request.source)
        self.runs.begin("cut", None, at, [request.id], request=request, text=text)

    def _withdraw(self, request: Request, at: float) -> None:
        """Take back a run-down that waits for a take to end, as if it had not been asked for."""
        run = self.runs.run
        if run is None or run.what != "down":
            self.answers.refuse(request, 1, "nothing waits that could be taken back")
        elif not run.holds_on:
            text = "too late: the set is going down already; `up` brings it back"
            self.answers.refuse(request, 1, text)
        elif run.was not in ("ready", "adrift"):
            text = f"the set was not up before, it was {run.was}: nothing to go back to"
            self.answers.refuse(request, 1, text)
        else:
            self.answers.done(request, self.runs.take_back(run, request.by, at))

    def _ask_try(self, request: Request, at: float) -> None:
        run = self.runs.run
        if run is not None:
            text = f"'{run.what}' is under way: try it when that is done"
            self.answers.refuse(request, 1, text)
            return
        held = self.gates.held_by(at)
        if held is not None:
            self.answers.refuse(request, 1, self._held_text(held, at))
            return
        try:
            steps = steps_for(request, self.desk, self.gates)
            name = request.targets[0]
            if request.wish is None and not request.blink:
                pass
            elif too_soon(self.runs.tried_at, name, at) > 0:
                raise CannotTry(f"{name} was tried a moment ago; nothing here flashes: ask again")
        except CannotTry as why:
            self.desk.trying.clear()
            self.answers.refuse(request, why.code, str(why))
            return
        self.runs.begin(
            "try",
            self.desk.look,
            at,
            [request.id],
            targets=(name,),
            request=request,
            text=wish_in_words(request),
            tries=steps,
        )

    # ---- nobody asks ---------------------------------------------------------------------

    def look_left_on(self, at: float) -> None:
        """Nobody asked for anything for long: say so, or power down, as the profile says."""
        guard, standing = self.profile.left_on, self.standing
        up = standing.session.open and standing.state in ("ready", "adrift")
        # what was tried in a dark set and is still on is left on too
        tried = not standing.session.open and self.runs.run is None and self._tried_and_on()
        if guard is None or not (up or tried):
            return
        due = standing.last_asked + guard.after
        if at + 1e-6 < due:
            self.desk.wake("left-on", due)
            return
        if self.gates.held_by(at) is not None:
            self.desk.wake("left-on", at + 60.0)
            return
        if not standing.left_on:
            standing.left_on = True
            hours = guard.after / 3600.0
            standing.fault(None, "", f"left on: nobody asked for anything for {hours:.3g} h", at)
            self.desk.emit(Announce(state=True))
        if guard.then == "down":
            request = Request(at, "", "down", by="the left-on guard", source="profile")
            self.answers.note(request, "taken", "")
            self.runs.begin("down", None, at, [])

    def _tried_and_on(self) -> bool:
        return not self.desk.tried_out.isdisjoint(self.runs.endings.left_on())
