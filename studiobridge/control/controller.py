"""The controller of one set: events in, effects out, no I/O.

    Controller(profile, memory).handle(event) -> list[Effect]

Where things stand in this room:

- states.py     the states and the table of transitions: every change of state goes through it
- sequence.py   the order: steps, what each waits for, whose turn it is on a circuit
- runner.py     carrying out a run step by step
- watcher.py    holding: drift opens, closes
- desk.py       shared state, and the interlocks in front of every Tell
- known.py      what the reports say, and what can be trusted

What stands here: requests, the link, listening at the start, reports on their way to those
parts, and what the end of a run means.
"""

from __future__ import annotations

from collections import OrderedDict
from collections.abc import Callable, Mapping
from typing import Literal

from studiobridge.control import views
from studiobridge.control.desk import Desk
from studiobridge.control.effects import (
    Announce,
    Answer,
    ByHand,
    Effect,
    FaultNote,
    HandNote,
    Keep,
    Lockout,
    LockoutNote,
    Memory,
    RequestNote,
    RollingNote,
    RunNote,
    SessionNote,
    StateNote,
)
from studiobridge.control.events import (
    Acknowledged,
    Described,
    Due,
    Event,
    Kept,
    LinkDown,
    LinkUp,
    Report,
    Request,
    Unreadable,
)
from studiobridge.control.holding import Drift, matches
from studiobridge.control.known import NEVER, Known, wanted_points
from studiobridge.control.plan import (
    OrderProblem,
    UnknownLook,
    in_order,
    presets_of,
)
from studiobridge.control.runner import Run, Runner, What
from studiobridge.control.sequence import (
    Sequencer,
    Step,
    build_cut,
    build_down,
    build_up,
    feeds_of,
)
from studiobridge.control.states import State, Turn
from studiobridge.control.states import step as state_after
from studiobridge.control.watcher import Watcher
from studiobridge.profile.model import Point, Preset, SetProfile, Value

# A fault that goes on (a garbled payload each second) is noted again this often (s), no more.
FAULT_AGAIN_AFTER = 300.0
# How many answers are remembered, so that a repeated request is answered and not repeated.
ANSWERS_KEPT = 256
# A lamp below this level (%) is out as far as its heat goes.
OUT_LEVEL = 1.0


class Controller:
    """Runs one set. Not thread-safe; `handle` returns at once."""

    def __init__(self, profile: SetProfile, memory: Memory | None = None, now: float = 0.0) -> None:
        self.profile = profile
        self.memory = memory if memory is not None else Memory()
        self.desk = Desk(profile)
        self.truth = self.desk.truth
        self.runner = Runner(self.desk, self._step_confirmed)
        self.watcher = Watcher(
            self.desk, self.memory.next_drift, self._busy, self._drift_opened, self._drift_emptied
        )
        self.state: State = "unheard"
        self.why = "listening"
        self.state_since = now
        self.last_run: Run | None = None
        self.session = self.memory.session
        self.session_kwh = self.memory.session_kwh
        self.contested: dict[str, str] = {}
        self.by_hand: dict[str, ByHand] = dict(self.memory.by_hand)
        self.left_on = False
        self.warm_at: float | None = None
        self.faults = 0
        self._next_session = self.memory.next_session
        self._next_run = self.memory.next_run
        self._resume: What | None = self.memory.run
        self._resume_everything = self.memory.everything
        self._was: str = self.memory.state
        self._heard = False
        self._expected: set[str] = set()
        self._deferred: list[Request] = []
        self._answered: OrderedDict[str, tuple[int, str] | None] = OrderedDict(
            (id_, (0, text)) for id_, text in self.memory.answered
        )
        self._keeping: dict[str, tuple[str, dict[str, Preset], bool]] = {}
        self._tried: dict[str, int] = {}
        self._to_restore: list[str] = []
        self._fault_at: dict[tuple[str | None, str], float] = {}
        self._metered: dict[str, tuple[float, float]] = {}
        self._last_asked = now
        self._asked_since_start = False
        if self.session is not None:
            self.desk.look = self.memory.look
        for lockout in self.memory.lockouts:
            self.desk.lockouts[lockout.target] = lockout
        self.desk.relock()
        for name in self.memory.rolling:
            rolling = self.truth.devices.get(name)
            if rolling is not None and "rolling" in rolling.hears:
                rolling.values["rolling"] = True
            elif rolling is not None:
                rolling.rolling_said = True
        # meters that have no meter above them: what they say adds up to the whole
        self._meters = frozenset(
            d.name
            for d in profile.devices.values()
            if "watts" in d.hears and not any("watts" in profile.devices[f].hears for f in d.feeds)
        )
        self._handlers: Mapping[type, Callable[..., None]] = {
            Report: self._on_report,
            Request: self._on_request,
            Due: self._on_due,
            Described: self._on_described,
            Unreadable: self._on_unreadable,
            LinkUp: self._on_link_up,
            LinkDown: self._on_link_down,
            Kept: self._on_kept,
            Acknowledged: self._on_acknowledged,
        }

    @property
    def look(self) -> str | None:
        return self.desk.look

    @property
    def run(self) -> Run | None:
        return self.runner.run

    def handle(self, event: Event) -> list[Effect]:
        """Take in one event; return what is to be done, in order."""
        self.truth.now = event.at
        self._handlers[type(event)](event)
        if self.desk.changed:
            self.desk.emit(Announce(devices=frozenset(self.desk.changed)))
            self.desk.changed.clear()
        return self.desk.collect()

    # ---- views (see views.py) ------------------------------------------------------------

    def state_view(self, at: float, wall: Callable[[float], float]) -> dict[str, object]:
        return views.state_view(self, at, wall)

    def device_view(
        self, name: str, at: float, wall: Callable[[float], float]
    ) -> dict[str, object]:
        return views.device_view(self, name, at, wall)

    def drift_view(self, at: float, wall: Callable[[float], float]) -> list[dict[str, object]]:
        return views.drift_view(self, at, wall)

    def run_view(self, at: float, wall: Callable[[float], float]) -> dict[str, object] | None:
        return views.run_view(self, at, wall)

    # ---- state ---------------------------------------------------------------------------

    def _turn(self, turn: Turn, at: float, why: str = "") -> None:
        before = self.state
        self.state = state_after(before, turn)
        self.why = why
        if self.state != before:
            self.state_since = at
        if self.state != "unheard":
            self.desk.emit(StateNote(at, self.state, self.desk.look, why))
        self.watcher.open_allowed = self.state in ("ready", "adrift", "stalled")
        self.desk.emit(Announce(state=True))

    # ---- the link ------------------------------------------------------------------------

    def _on_link_up(self, event: LinkUp) -> None:
        at = event.at
        self.desk.link = True
        self.truth.link_up(at)
        self._heard = False
        self._expected = {
            name
            for name, known in self.truth.devices.items()
            if known.device.wire is not None and known.hears
        }
        for name in self.truth.devices:
            if name in self._expected:
                self.desk.ask(at, name)
        self.desk.wake("listen", at + self.profile.patience.listen)
        self.desk.emit(Announce(state=True, drift=True, devices=frozenset(self.profile.devices)))
        if not self._expected:
            self._heard_all(at)

    def _on_link_down(self, event: LinkDown) -> None:
        if not self.desk.link:
            return
        self.desk.link = False
        self._heard = False
        self.desk.wake("listen", None)
        if self.state != "unheard":
            self._was = self.state
        self._turn("link lost", event.at, "no link to the broker")

    def _heard_from(self, name: str, at: float) -> None:
        """While listening: one device fewer to wait for."""
        self._expected.discard(name)
        if (
            name in self.desk.feeds.switches
            and self.truth.devices[name].values.get("switch") is False
        ):
            self._expected.difference_update(self.desk.feeds.below[name])
        if not self._expected:
            self._heard_all(at)

    def _heard_all(self, at: float) -> None:
        """Every device was heard from or given up on: say where things stand."""
        if self._heard or not self.desk.link:
            return
        self._heard = True
        self.desk.wake("listen", None)
        run = self.runner.run
        if run is not None:
            # the link was lost in the middle: the request still stands, the truth may not
            self.runner.abandon(at)
            self.desk.emit(
                RunNote(at, run.number, run.what, run.look, "turned", "the link was lost")
            )
            self._begin(
                run.what,
                run.look,
                at,
                run.requests,
                # who insisted did so before; a camera may have started since
                forced=False,
                everything=run.everything,
                targets=run.targets,
            )
        elif self._resume in ("down", "cut"):
            self.desk.look = None
            self._begin(self._resume, None, at, [], everything=self._resume_everything)
        elif self.session is not None and self._was in ("ready", "adrift"):
            self._hold_on(at)
        elif self.session is not None:
            why = "a run was cut short when the bridge stopped"
            if self._was == "stalled":
                why = "it was stalled when the bridge stopped"
            self._turn("heard: cut short", at, f"{why}; ask for up or down")
        elif self._was == "stalled":
            self._turn("heard: cut short", at, "the last run did not get there")
        else:
            self._turn("heard: nothing was up", at)
        self._resume = None
        deferred, self._deferred = self._deferred, []
        for request in deferred:
            self._dispatch(request, at)

    def _hold_on(self, at: float) -> None:
        """The set was up before: hold it, and do not claim more than was heard."""
        if not self.watcher.wanted:
            self.watcher.hold_whole_set(at, without=set(self.desk.locked))
        unheard = {
            name
            for name in self.watcher.wanted
            if self.truth.powered(name)
            and self.profile.devices[name].essential
            and self.truth.devices[name].heard_at < self.truth.link_since
        }
        self.state = "unheard"
        self.watcher.judge_now(at, unheard)
        if self.watcher.drifts:
            self._turn("heard: drifting", at)
        else:
            self._turn("heard: holding", at)
        self._watch_left_on(at)

    # ---- reports -------------------------------------------------------------------------

    def _busy(self, name: str) -> bool:
        run = self.runner.run
        return run is not None and name in run.by_device

    def _on_report(self, event: Report) -> None:
        name, point, value, at = event.device, event.point, event.value, event.at
        known = self.truth.devices.get(name)
        if known is None or not self.desk.link:
            return
        if event.retained and point in known.value_at:
            return  # older than what was heard since
        before = known.values.get(point)
        known.values[point] = value
        known.seen = True
        if event.retained:
            if not known.device.can_ask:
                known.kept.add(point)
            if point == "switch" and value is not before:
                self._mains_reported(name, bool(value), at)
        else:
            known.value_at[point] = at
            known.heard_at = at
            known.silent = False
            if point == "switch" and value is not before:
                self._mains_reported(name, bool(value), at)
        if before != value:
            self.desk.changed.add(name)
        if point == "rolling":
            self._on_rolling(known, before is True, value is True, at, "report")
        elif not event.retained:
            # what the broker kept says nothing about how long a lamp is out or a computer idle
            if point == "watts":
                self._on_watts(known, float(value), at)
            elif known.device.fixture:
                self._lamp_reported(known, at)
        if not self._heard:
            if not event.retained or not known.device.can_ask:
                self._heard_from(name, at)
            return
        run = self.runner.run
        if run is not None:
            if not event.retained:
                self.runner.reported(name, at)
                if name in self.desk.sole_computer:
                    self.runner.reported(self.desk.sole_computer[name], at)
            self._move_on(at)
        if name in self.watcher.wanted:
            self.watcher.reported(name, point, value, at)

    def _mains_reported(self, name: str, on: bool, at: float) -> None:
        """A mains switch changed: what hangs on it has to be heard anew."""
        if name not in self.desk.feeds.switches:
            return
        for below in self.desk.feeds.below[name]:
            known = self.truth.devices[below]
            if on and known.mains_since >= self.truth.devices[name].told_at.get("switch", NEVER):
                continue  # forgotten when it was told to go on; it may have reported since
            known.forget(at)
            if not on and known.out_since is None:
                known.out_since = at
            self.desk.changed.add(below)

    def _lamp_reported(self, known: Known, at: float) -> None:
        lit = known.values.get("switch") is not False
        level = known.values.get("level")
        if level is not None and float(level) <= OUT_LEVEL:
            lit = False
        if lit:
            known.out_since = None
        elif known.out_since is None:
            known.out_since = at

    def _on_watts(self, known: Known, watts: float, at: float) -> None:
        name = known.device.name
        if name in self._meters:
            last = self._metered.get(name)
            if last is not None and self.session is not None:
                kwh = last[0] * (at - last[1]) / 3.6e6
                self.session_kwh = (self.session_kwh or 0.0) + kwh
            self._metered[name] = (watts, at)
        computer = name if known.device.kind == "computer" else self.desk.sole_computer.get(name)
        if computer is None:
            return
        pc = self.truth.devices[computer]
        if pc.device.idle_below is None:
            return
        if watts >= pc.device.idle_below:
            pc.idle_since = None
        elif pc.idle_since is None:
            pc.idle_since = at

    def _on_rolling(
        self, known: Known, before: bool, rolling: bool, at: float, source: str
    ) -> None:
        name = known.device.name
        if rolling == before:
            return
        if rolling:
            known.closing_until = NEVER
        else:
            known.closing_until = at + known.device.closes_in
            self.desk.wake("closing", known.closing_until)
        self.desk.emit(RollingNote(at, name, rolling, source))
        self.desk.changed.add(name)
        self.desk.emit(Announce(state=True))

    def _on_described(self, event: Described) -> None:
        known = self.truth.devices[event.device]
        known.described = True
        tells, hears = set(known.tells), set(known.hears)
        (tells.add if event.told else tells.discard)(event.point)
        (hears.add if event.heard else hears.discard)(event.point)
        known.tells, known.hears = frozenset(tells), frozenset(hears)
        if event.grid is not None:
            known.grids[event.point] = event.grid

    def _on_unreadable(self, event: Unreadable) -> None:
        self._fault(event.device, event.topic, event.why, event.at)

    def _fault(self, device: str | None, topic: str, text: str, at: float) -> None:
        last = self._fault_at.get((device, topic), NEVER)
        if at - last < FAULT_AGAIN_AFTER:
            return
        self._fault_at[(device, topic)] = at
        self.faults += 1
        self.desk.emit(FaultNote(at, device, topic, text))
        self.desk.emit(Announce(state=True))

    def _on_acknowledged(self, event: Acknowledged) -> None:
        """The broker has it. Says nothing about the device: only a report confirms."""

    # ---- wake-ups -----------------------------------------------------------------------------

    def _on_due(self, event: Due) -> None:
        at = event.at
        kind, _, name = event.name.partition(" ")
        if kind == "listen":
            self._heard_all(at)
        elif kind == "step":
            self.runner.due(int(name), at)
            self._move_on(at)
        elif kind == "turn":
            self._move_on(at)
        elif kind == "idle":
            self.runner.reported(name, at)
            self._move_on(at)
        elif kind == "closing":
            self.desk.emit(Announce(state=True))
            self._move_on(at)
            self._restore_by_itself(at)
        elif kind == "left-on":
            self._look_left_on(at)
        elif kind == "warm":
            self.desk.emit(Announce(state=True))
        elif not self._heard:
            # nothing is judged before everything has been listened to
            self.desk.wake(event.name, at + self.profile.patience.listen)
        elif kind == "judge":
            self.watcher.judge(name, at)
        elif kind == "quiet":
            self.watcher.quiet(name, at)
        elif kind == "poll":
            self.watcher.poll(name, at)

    def _watch_left_on(self, at: float) -> None:
        if self.profile.left_on is not None and self.session is not None:
            self.desk.wake("left-on", max(at, self._last_asked + self.profile.left_on.after))

    def _look_left_on(self, at: float) -> None:
        guard = self.profile.left_on
        if guard is None or self.session is None or self.state not in ("ready", "adrift"):
            return
        due = self._last_asked + guard.after
        if at + 1e-6 < due:
            self.desk.wake("left-on", due)
            return
        held = self.desk.held_by(at)
        if held is not None:
            self.desk.wake("left-on", at + 60.0)
            return
        if not self.left_on:
            self.left_on = True
            hours = guard.after / 3600.0
            self._fault(None, "", f"left on: nobody asked for anything for {hours:.3g} h", at)
            self.desk.emit(Announce(state=True))
        if guard.then == "down":
            self._note_request(
                Request(at, "", "down", by="the left-on guard", source="profile"), "taken", ""
            )
            self._begin("down", None, at, [])

    # ---- requests ------------------------------------------------------------------------

    def _note_request(
        self,
        request: Request,
        phase: Literal["taken", "refused", "ignored", "done", "failed"],
        text: str,
    ) -> None:
        self.desk.emit(
            RequestNote(
                request.at,
                request.id,
                request.what,
                request.by,
                request.source,
                request.look,
                request.targets,
                request.force,
                phase,
                text,
            )
        )

    def _refuse(self, request: Request, code: int, text: str) -> None:
        self._note_request(request, "refused", text)
        self._answer(request.id, code, text)

    def _done(
        self, request: Request, text: str, detail: Mapping[str, object] | None = None
    ) -> None:
        self._note_request(request, "done", text)
        self._answer(request.id, 0, text, detail)

    def _answer(
        self, request_id: str, code: int, text: str, detail: Mapping[str, object] | None = None
    ) -> None:
        if not request_id:
            return
        self._answered[request_id] = (code, text)
        while len(self._answered) > ANSWERS_KEPT:
            self._answered.popitem(last=False)
        self.desk.emit(Answer(request_id, True, code, text, detail or {}))

    def _on_request(self, request: Request) -> None:
        at = request.at
        if request.retained or request.expired:
            why = "kept by the broker from before" if request.retained else "too late"
            self._note_request(request, "ignored", f"{why}: asks for nothing")
            if request.expired and request.id:
                self.desk.emit(Answer(request.id, True, 1, f"{why}: asks for nothing"))
            return
        if request.what == "ping":
            self.desk.emit(Answer(request.id, True, 0, f"{self.profile.name} is {self.state}"))
            return
        if request.id and request.id in self._answered:
            before = self._answered[request.id]
            if before is None:
                self.desk.emit(Answer(request.id, False, 0, "asked already; under way"))
            else:
                self.desk.emit(Answer(request.id, True, before[0], before[1]))
            return
        for name in request.targets:
            if name not in self.profile.devices and name not in self.profile.circuits:
                self._refuse(request, 2, f"this set has no device or circuit {name!r}")
                return
        self._last_asked = at
        self.left_on = False
        if not self._heard and request.what in ("up", "down", "toggle", "restore", "keep"):
            if not self.desk.link:
                self._refuse(request, 3, "the bridge has no link to the broker")
                return
            if request.id:
                self._answered[request.id] = None
            self._note_request(request, "taken", "listening first")
            self._deferred.append(request)
            self.desk.emit(Answer(request.id, False, 0, "hearing from the devices first"))
            return
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
        self._watch_left_on(at)

    def _toggled(self) -> Literal["up", "down"]:
        if self.state in ("rising", "ready", "adrift"):
            return "down"
        if self.state == "stalled" and self.last_run is not None and self.last_run.what != "up":
            return "down"
        return "up"

    def _ask_up(self, request: Request, at: float) -> None:
        look = request.look
        if look is None:
            look = self.desk.look if self.session is not None else None
        try:
            presets_of(self.profile, look)
        except UnknownLook as error:
            self._refuse(request, 2, str(error))
            return
        look = look if look is not None else self.profile.default_look
        run = self.runner.run
        if run is not None and run.what == "up" and run.look == look:
            self._join(run, request, at)
            return
        held = self.desk.held_by(at)
        if held is not None and not request.force:
            self._refuse(request, 1, self._held_text(held))
            return
        try:
            self._begin("up", look, at, [request.id], forced=request.force, request=request)
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
            self._answered[request.id] = None
            run.requests.append(request.id)
        self._note_request(request, "taken", "the same is under way")
        left = max(0.0, run.began + run.ready_in - at)
        self.desk.emit(Answer(request.id, False, 0, f"already under way, about {left:.0f} s left"))

    def _ask_down(self, request: Request, at: float) -> None:
        run = self.runner.run
        if run is not None and run.what in ("down", "cut"):
            self._join(run, request, at)
            return
        self._begin("down", None, at, [request.id], everything=request.everything, request=request)

    def _ask_restore(self, request: Request, at: float) -> None:
        if self.state not in ("ready", "adrift"):
            self._refuse(request, 1, f"the set is {self.state}: there is nothing to restore")
            return
        if self.runner.run is not None:
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
            self._tried.pop(name, None)
            self.contested.pop(name, None)
        self._begin(
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
                d.device for d in self.watcher.drifts.values() if d.point in ("level", "cct")
            )
        )
        presets: dict[str, Preset] = {}
        for name in names:
            known = self.truth.devices.get(name)
            old = self.desk.presets.get(name)
            if known is None or not known.device.fixture or old is None or not known.hears:
                self._refuse(request, 1, f"{name} has no preset in the look {self.desk.look}")
                return
            if self._busy(name):
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
            self._answered[request.id] = None
        self._note_request(request, "taken", ", ".join(presets))
        self._keeping[request.id] = (self.desk.look, presets, True)
        self.desk.emit(Keep(request.id, self.desk.look, presets))

    def _on_kept(self, event: Kept) -> None:
        kept = self._keeping.pop(event.request_id, None)
        if kept is None:
            return
        look, presets, _ = kept
        request = Request(event.at, event.request_id, "keep", look=look, targets=tuple(presets))
        if event.error is not None:
            self._note_request(request, "failed", event.error)
            self._answer(event.request_id, 1, event.error)
            return
        self.desk.looks[look].update(presets)
        if look == self.desk.look:
            for name, preset in presets.items():
                self._tried.pop(name, None)
                self.contested.pop(name, None)
                if name in self.watcher.wanted:
                    points: dict[Point, Value] = dict(
                        wanted_points(self.truth.devices[name], preset)
                    )
                    self.watcher.hold(name, points, event.at)
                for key in [k for k in self.watcher.drifts if k[0] == name]:
                    if key[1] in ("level", "cct"):
                        self.watcher.close(key, event.at, "kept")
        self.desk.changed.update(presets)
        self._done(request, f"kept in {look}: {', '.join(presets)}")

    def _ask_cut(self, request: Request, at: float) -> None:
        if not request.yes:
            self._refuse(request, 2, "a cut takes everything off at once: confirm it with yes")
            return
        if not self.desk.link:
            self._refuse(request, 3, "no link to the broker: nothing can be cut; use the breaker")
            return
        if not self._heard:
            # an emergency does not wait until everything has been listened to
            self._heard = True
            self._resume = None
            self._expected.clear()
            self.desk.wake("listen", None)
            deferred, self._deferred = self._deferred, []
            for waiting in deferred:
                self._refuse(waiting, 1, "a cut came in between")
        text = ""
        held = self.desk.held_by(at)
        if held is not None:
            text = f"{held} was rolling or closing its file"
        self._begin("cut", None, at, [request.id], request=request, text=text)

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
            self._on_rolling(known, before, rolling, at, request.by or "a person")
        self._done(request, f"{', '.join(names)}: {'rolling' if rolling else 'stopped'}")
        self._move_on(at)

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
            self.by_hand[name] = ByHand(preset, by, at)
            self.desk.emit(HandNote(at, name, preset.level, preset.cct, by))
            self.desk.changed.add(name)
        self.desk.emit(Announce(state=True))
        self._done(request, f"set by hand: {', '.join(request.targets or dials)}")

    # ---- runs ----------------------------------------------------------------------------

    def _begin(
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
        self._turn_around(at, what)
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
            self._answered[id_] = None
        if request is not None:
            self._note_request(request, "taken", text)
            if what in ("up", "restore") and request.source != "profile":
                self._asked_since_start = True
        if what == "up" and self.session is None:
            self.session = self._next_session
            self._next_session += 1
            self.session_kwh = None
            self._metered.clear()
            self.desk.emit(SessionNote(at, self.session, "opened", look, None))
        self.desk.emit(RunNote(at, number, what, look, "begun", "everything" if everything else ""))
        self._let_go_for(run, at)
        if what in ("up", "restore"):
            self.desk.look = look
        self.runner.run = run
        self.last_run = run
        if what == "up" and (steps or self.state not in ("ready", "adrift")):
            self._turn("run-up begins", at)
        elif what in ("down", "cut"):
            self._turn("run-down begins", at)
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
        self._move_on(at)

    def _turn_around(self, at: float, to: str) -> None:
        run = self.runner.run
        if run is None:
            return
        self.runner.abandon(at)
        self.desk.emit(RunNote(at, run.number, run.what, run.look, "turned", f"turned to {to}"))
        for id_ in run.requests:
            self._answer(id_, 1, f"turned around: {to} was asked for")

    def _let_go_for(self, run: Run, at: float) -> None:
        """What a run is going to change is not held while it does."""
        if run.what in ("down", "cut"):
            self.watcher.let_go(at, "powered down")
            self._to_restore.clear()
            self.contested.clear()
            self.left_on = False
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
        if self.state == "adrift" and not self.watcher.drifts and not run.steps:
            self._turn("last drift closes", at)
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

    def _move_on(self, at: float) -> None:
        """Start what may start; look whether the run has come to its end."""
        run = self.runner.run
        if run is None or not self._heard:
            return
        self.runner.pump(at)
        if run.over and not self.runner.holds(run, at):
            self._run_over(run, at)
        elif run.over:
            self.desk.wake("turn", at + self.profile.patience.reply)

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
            if self.state != "rising":
                # nothing had to be sent, and yet not all of it is heard
                self._turn("run-up begins", at)
            self._turn("did not get there", at, text)
            self.watcher.judge_now(at, set())
            return
        up = len(self.profile.devices) - len(missing)
        text = f"ready in {took:.1f} s, {up} of {len(self.profile.devices)} devices"
        if missing:
            text += f"; without {', '.join(missing)}: " + "; ".join(run.reasons)
        if self.state == "rising":
            # drift that is there already is opened at once: `ready` would not be true
            self.watcher.open_allowed = True
            self.watcher.judge_now(at, set())
            if self.watcher.drifts:
                self._turn("confirmed, drifting", at)
                text += f"; but {len(self.watcher.drifts)} drifted meanwhile"
            else:
                self._turn("all confirmed", at)
        else:
            text = f"already {self.state}: nothing to do"
        if self.session is not None and self.warm_at is None:
            self.warm_at = at + self.profile.warm_up
            self.desk.emit(SessionNote(at, self.session, "ready", run.look, None))
            if self.profile.warm_up > 0:
                self.desk.wake("warm", self.warm_at)
        self._finish(run, at, "done", 0, text)
        self._watch_left_on(at)
        self._restore_by_itself(at)

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
        self._restore_by_itself(at)

    def _down_over(self, run: Run, at: float) -> None:
        took = at - run.began
        missing = dict(run.missing)
        if missing:
            text = f"stalled after {took:.1f} s: " + "; ".join(run.reasons)
            self._finish(run, at, "stalled", 1, text)
            self._turn("did not get there", at, text)
            return
        self.desk.look = None
        left = views.still_on(self)
        text = f"dark in {took:.1f} s"
        if left:
            names = ", ".join(str(entry["device"]) for entry in left)
            text += f"; still on, as the profile says: {names}"
        self._turn("all off", at, "" if not left else text)
        if self.session is not None:
            kwh = self.session_kwh
            self.desk.emit(SessionNote(at, self.session, "closed", None, kwh))
            if kwh is not None:
                energy = f"{kwh:.2f} kWh" if kwh >= 1 else f"{kwh * 1000:.3g} Wh"
                text += f"; {energy} this session"
        self.session = None
        self.by_hand.clear()
        self.warm_at = None
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
            self._answer(id_, code, text, {"run": run.number, "missing": missing})

    # ---- drift ---------------------------------------------------------------------------

    def _drift_opened(self, drift: Drift, at: float) -> None:
        if self.state == "ready":
            self._turn("drift opens", at)
        restores = self.profile.devices[drift.device].restores
        if restores > 0 and drift.point in ("switch", "level", "cct"):
            self._to_restore.append(drift.device)
            self._restore_by_itself(at)

    def _drift_emptied(self, at: float) -> None:
        if self.state == "adrift":
            self._turn("last drift closes", at)

    def _surely_energised(self, name: str) -> bool:
        """Would putting this back switch nothing on: neither itself nor a plug above it?"""
        switches = feeds_of(self.desk.feeds, name)
        if "switch" in self.truth.devices[name].tells:
            switches.add(name)
        return all(self.truth.surely_on(switch) for switch in switches)

    def _restore_by_itself(self, at: float) -> None:
        """Put back what the profile says restores by itself, a bounded number of times (law 12)."""
        if self.state not in ("ready", "adrift") or self.runner.run is not None:
            return
        if self.desk.held_by(at) is not None:
            return
        waiting, self._to_restore = self._to_restore, []
        names: list[str] = []
        for name in dict.fromkeys(waiting):
            if not self._asked_since_start and not self._surely_energised(name):
                continue  # after a restart nothing is energised before somebody asks (law 8)
            if not any(key[0] == name for key in self.watcher.drifts) or name in self.desk.locked:
                continue
            tried = self._tried.get(name, 0)
            if tried < self.profile.devices[name].restores:
                self._tried[name] = tried + 1
                names.append(name)
            elif name not in self.contested:
                times = "once" if tried == 1 else f"{tried} times"
                self.contested[name] = f"put back {times} and changed again"
                self._fault(name, "contested", f"{name} is contested: put back {times}", at)
                self.desk.changed.add(name)
        if names:
            request = Request(
                at, "", "restore", by="the profile", source="profile", targets=tuple(names)
            )
            self._begin("restore", self.desk.look, at, [], targets=tuple(names), request=request)


def is_preset(known: Known, preset: Preset) -> bool:
    """Does the last fresh report match this preset?"""
    for point, wanted in wanted_points(known, preset).items():
        said = known.fresh(point)
        if said is None or not matches(known.device, known.grids.get(point), point, wanted, said):
            return False
    return True
