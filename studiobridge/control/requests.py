"""What people, switches and call times ask for, and the answer each of them gets.

A request is refused with a reason, done at once, or begins a run whose end answers it. The same
request again is answered again and not repeated; one that the broker kept, or that comes too
late, asks for nothing (law 8).
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Literal

from studiobridge.control.answers import Answers
from studiobridge.control.desk import Desk
from studiobridge.control.effects import (
    Announce,
    Answer,
    ByHand,
    HandNote,
    Keep,
    Lockout,
    LockoutNote,
)
from studiobridge.control.events import Kept, Request
from studiobridge.control.known import wanted_points
from studiobridge.control.plan import OrderProblem, UnknownLook, presets_of
from studiobridge.control.runner import Run
from studiobridge.control.runs import Runs
from studiobridge.control.standing import Standing
from studiobridge.control.states import State
from studiobridge.profile.model import Point, Preset, Value


class Requests:
    """`stop_listening` ends the listening after a start at once: an emergency does not wait."""

    def __init__(
        self,
        desk: Desk,
        standing: Standing,
        answers: Answers,
        runs: Runs,
        stop_listening: Callable[[], None],
    ) -> None:
        self.profile = desk.profile
        self.desk = desk
        self.truth = desk.truth
        self.standing = standing
        self.answers = answers
        self.runs = runs
        self._stop_listening = stop_listening
        self._refuse = answers.refuse
        self._done = answers.done
        self._deferred: list[Request] = []
        # presets on their way to the file: by request, the look and the presets
        self._keeping: dict[str, tuple[str, dict[str, Preset]]] = {}

    @property
    def state(self) -> State:
        return self.standing.state

    def asked(self, request: Request) -> None:
        at = request.at
        if request.retained or request.expired:
            why = "kept by the broker from before" if request.retained else "too late"
            self.answers.note(request, "ignored", f"{why}: asks for nothing")
            if request.expired and request.id:
                self.desk.emit(Answer(request.id, True, 1, f"{why}: asks for nothing"))
            return
        if request.what == "ping":
            self.desk.emit(Answer(request.id, True, 0, f"{self.profile.name} is {self.state}"))
            return
        if request.id and request.id in self.answers.given:
            before = self.answers.given[request.id]
            if before is None:
                self.desk.emit(Answer(request.id, False, 0, "asked already; under way"))
            else:
                self.desk.emit(Answer(request.id, True, before[0], before[1]))
            return
        for name in request.targets:
            if name not in self.profile.devices and name not in self.profile.circuits:
                self._refuse(request, 2, f"this set has no device or circuit {name!r}")
                return
        self.standing.last_asked = at
        self.standing.left_on = False
        if not self.standing.heard and request.what in ("up", "down", "toggle", "restore", "keep"):
            if not self.desk.link:
                self._refuse(request, 3, "the bridge has no link to the broker")
                return
            if request.id:
                self.answers.given[request.id] = None
            self.answers.note(request, "taken", "listening first")
            self._deferred.append(request)
            self.desk.emit(Answer(request.id, False, 0, "hearing from the devices first"))
            return
        self._dispatch(request, at)

    def listened(self, at: float) -> None:
        """Every device was heard from: what was asked meanwhile is taken up."""
        deferred, self._deferred = self._deferred, []
        for request in deferred:
            self._dispatch(request, at)

    def _dispatch(self, request: Request, at: float) -> None:
        what = request.what
        if what == "toggle":
            what = self._toggled()
        if what == "up":
            self._ask_up(request, at)
        elif what == "down":
            self._ask_down(request, at)
        elif what == "restore":
            self._ask_restore(request, at)
        elif what == "keep":
            self._ask_keep(request, at)
        elif what == "cut":
            self._ask_cut(request, at)
        elif what == "lockout":
            self._ask_lockout(request, at)
        elif what == "release":
            self._ask_release(request, at)
        elif what in ("rolling_on", "rolling_off"):
            self._ask_rolling(request, what == "rolling_on", at)
        elif what == "set_by_hand":
            self._ask_set_by_hand(request, at)
        self.standing.watch_left_on(at)

    def _toggled(self) -> Literal["up", "down"]:
        if self.state in ("rising", "ready", "adrift"):
            return "down"
        if (
            self.state == "stalled"
            and self.runs.last_run is not None
            and self.runs.last_run.what != "up"
        ):
            return "down"
        return "up"

    def _ask_up(self, request: Request, at: float) -> None:
        look = request.look
        if look is None:
            look = self.desk.look if self.standing.session is not None else None
        try:
            presets_of(self.profile, look)
        except UnknownLook as error:
            self._refuse(request, 2, str(error))
            return
        look = look if look is not None else self.profile.default_look
        run = self.runs.runner.run
        if run is not None and run.what == "up" and run.look == look:
            self._join(run, request, at)
            return
        held = self.desk.held_by(at)
        if held is not None and not request.force:
            self._refuse(request, 1, self._held_text(held))
            return
        try:
            self.runs.begin("up", look, at, [request.id], forced=request.force, request=request)
        except OrderProblem as problem:
            self._refuse(request, 2, str(problem))

    def _held_text(self, camera: str) -> str:
        known = self.truth.devices[camera]
        doing = "closing its file"
        if known.rolling_said or known.values.get("rolling") is True:
            doing = "rolling"
        return f"{camera} is {doing}: nothing is changed now"

    def _join(self, run: Run, request: Request, at: float) -> None:
        """The same request again: answered with the run under way, not repeated."""
        if request.id:
            self.answers.given[request.id] = None
            run.requests.append(request.id)
        self.answers.note(request, "taken", "the same is under way")
        left = max(0.0, run.began + run.ready_in - at)
        self.desk.emit(Answer(request.id, False, 0, f"already under way, about {left:.0f} s left"))

    def _ask_down(self, request: Request, at: float) -> None:
        run = self.runs.runner.run
        if run is not None and run.what in ("down", "cut"):
            self._join(run, request, at)
            return
        self.runs.begin(
            "down", None, at, [request.id], everything=request.everything, request=request
        )

    def _ask_restore(self, request: Request, at: float) -> None:
        if self.state not in ("ready", "adrift"):
            self._refuse(request, 1, f"the set is {self.state}: there is nothing to restore")
            return
        if self.runs.runner.run is not None:
            self._refuse(request, 1, "another run is under way; ask again when it is done")
            return
        held = self.desk.held_by(at)
        if held is not None and not request.force:
            self._refuse(request, 1, self._held_text(held) + "; force it if you must")
            return
        targets = request.targets or tuple(self.profile.devices)
        locked = [name for name in targets if name in self.desk.locked and request.targets]
        if locked:
            why = self.desk.why_locked(locked[0], energise=False)
            self._refuse(request, 1, str(why))
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

    def _ask_keep(self, request: Request, at: float) -> None:
        if self.state not in ("ready", "adrift") or self.desk.look is None:
            self._refuse(request, 1, f"the set is {self.state}: no look is up to keep")
            return
        names = request.targets or tuple(
            dict.fromkeys(
                d.device for d in self.runs.watcher.drifts.values() if d.point in ("level", "cct")
            )
        )
        presets: dict[str, Preset] = {}
        for name in names:
            known = self.truth.devices.get(name)
            old = self.desk.presets.get(name)
            if known is None or not known.device.fixture or old is None or not known.hears:
                self._refuse(request, 1, f"{name} has no preset in the look {self.desk.look}")
                return
            if self.runs.busy(name):
                self._refuse(request, 1, f"{name} is being set just now; ask again")
                return
            level, cct = known.fresh("level"), known.fresh("cct")
            if (old.level is not None and level is None) or (
                old.cct is not None and cct is None and "cct" in known.hears
            ):
                self._refuse(request, 1, f"{name} has not reported: nothing to keep")
                return
            new_level = old.level if old.level is None or level is None else round(float(level), 1)
            new_cct = old.cct if old.cct is None or cct is None else float(round(float(cct)))
            presets[name] = Preset(new_level, new_cct)
        if not presets:
            self._done(request, "nothing has drifted: nothing to keep")
            return
        if request.id:
            self.answers.given[request.id] = None
        self.answers.note(request, "taken", ", ".join(presets))
        self._keeping[request.id] = (self.desk.look, presets)
        self.desk.emit(Keep(request.id, self.desk.look, presets))

    def kept(self, event: Kept) -> None:
        kept = self._keeping.pop(event.request_id, None)
        if kept is None:
            return
        look, presets = kept
        request = Request(event.at, event.request_id, "keep", look=look, targets=tuple(presets))
        if event.error is not None:
            self.answers.note(request, "failed", event.error)
            self.answers.answer(event.request_id, 1, event.error)
            return
        self.desk.looks[look].update(presets)
        if look == self.desk.look:
            for name, preset in presets.items():
                self.standing.tried.pop(name, None)
                self.standing.contested.pop(name, None)
                if name in self.runs.watcher.wanted:
                    points: dict[Point, Value] = dict(
                        wanted_points(self.truth.devices[name], preset)
                    )
                    self.runs.watcher.hold(name, points, event.at)
                for key in [k for k in self.runs.watcher.drifts if k[0] == name]:
                    if key[1] in ("level", "cct"):
                        self.runs.watcher.close(key, event.at, "kept")
        self.desk.changed.update(presets)
        self._done(request, f"kept in {look}: {', '.join(presets)}")

    def _ask_cut(self, request: Request, at: float) -> None:
        if not request.yes:
            self._refuse(request, 2, "a cut takes everything off at once: confirm it with yes")
            return
        if not self.desk.link:
            self._refuse(request, 3, "no link to the broker: nothing can be cut; use the breaker")
            return
        if not self.standing.heard:
            # an emergency does not wait until everything has been listened to
            self._stop_listening()
            deferred, self._deferred = self._deferred, []
            for waiting in deferred:
                self._refuse(waiting, 1, "a cut came in between")
        text = ""
        held = self.desk.held_by(at)
        if held is not None:
            text = f"{held} was rolling or closing its file"
        self.runs.begin("cut", None, at, [request.id], request=request, text=text)

    def _ask_lockout(self, request: Request, at: float) -> None:
        if len(request.targets) != 1 or not request.by.strip() or not request.why.strip():
            self._refuse(request, 2, "a lockout names one device or circuit, who and why")
            return
        target = request.targets[0]
        lockout = Lockout(target, request.by.strip(), request.why.strip(), at)
        self.desk.lockouts[target] = lockout
        self.desk.relock()
        self.desk.emit(LockoutNote(at, target, "set", lockout.by, lockout.why))
        self._lockouts_changed(target)
        on = [
            name
            for name in self.desk.locked
            if self.truth.may_be_on(name)
            and (name in self.desk.feeds.switches or "switch" in self.truth.devices[name].tells)
            and self.truth.devices[name].values.get("switch") is True
        ]
        text = f"{target} is locked out: it will not be energised from here"
        if on:
            text += f". CAREFUL: {', '.join(on)} is on now; a lockout here switches nothing off"
        text += ". Pull the plug or open the breaker before you put your hands in"
        self._done(request, text, {"on": on})

    def _ask_release(self, request: Request, at: float) -> None:
        if len(request.targets) != 1:
            self._refuse(request, 2, "a release names one device or circuit")
            return
        target = request.targets[0]
        if target not in self.desk.lockouts:
            self._done(request, f"{target} was not locked out")
            return
        was = self.desk.lockouts.pop(target)
        self.desk.relock()
        self.desk.emit(LockoutNote(at, target, "released", request.by, was.why))
        self._lockouts_changed(target)
        self._done(request, f"{target} is released; nothing is switched on by that")

    def _lockouts_changed(self, target: str) -> None:
        self.desk.changed.update(
            name for name in (target, *self.profile.fed_from(target)) if name in self.truth.devices
        )
        self.desk.emit(Announce(state=True))

    def _ask_rolling(self, request: Request, rolling: bool, at: float) -> None:
        names = request.targets or self.desk.cameras
        if not names:
            self._refuse(request, 2, "this set has no camera")
            return
        for name in names:
            if name not in self.desk.cameras:
                self._refuse(request, 2, f"{name} is not a camera")
                return
        for name in names:
            known = self.truth.devices[name]
            before = known.rolling_said or known.values.get("rolling") is True
            known.rolling_said = rolling
            if not rolling:
                known.values["rolling"] = False
            self.desk.camera_rolls(known, before, rolling, at, request.by or "a person")
        self._done(request, f"{', '.join(names)}: {'rolling' if rolling else 'stopped'}")
        self.runs.move_on(at)

    def _ask_set_by_hand(self, request: Request, at: float) -> None:
        """Somebody turned these dials (all of the look, when none is named) to their presets."""
        dials = {n: p for n, p in self.desk.presets.items() if self.profile.devices[n].hand_set}
        if not dials:
            look = f"the look '{self.desk.look}'" if self.desk.look else "this set as it is"
            self._refuse(request, 2, f"no light of {look} is set by hand")
            return
        for name in request.targets:
            if name not in dials:
                known = ", ".join(dials)
                self._refuse(request, 2, f"{name} is not set by hand; these are: {known}")
                return
        by = request.by or "a person"
        for name in request.targets or tuple(dials):
            preset = dials[name]
            self.standing.by_hand[name] = ByHand(preset, by, at)
            self.desk.emit(HandNote(at, name, preset.level, preset.cct, by))
            self.desk.changed.add(name)
        self.desk.emit(Announce(state=True))
        self._done(request, f"set by hand: {', '.join(request.targets or dials)}")
