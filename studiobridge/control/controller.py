"""The controller of one set: events in, effects out, no I/O.

    Controller(profile, memory).handle(event) -> list[Effect]

Where things stand in this room:

- states.py     the states and the table of transitions: every change of state goes through it
- standing.py   where the set stands by that table; its session, what is contested or by hand
- requests.py   what is asked for; answers.py has what was answered
- runs.py       how a run begins, and what it means when it ends
- sequence.py   the order: steps, what each waits for, whose turn it is on a circuit
- runner.py     carrying out a run step by step
- watcher.py    holding: drift opens, closes
- desk.py       shared state, and the interlocks in front of every Tell
- known.py      what the reports say, and what can be trusted
- views.py      what a controller shows of itself, as plain dictionaries

What stands here: the link, listening at the start, reports and wake-ups on their way to those
parts.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping

from studiobridge.control.answers import Answers
from studiobridge.control.desk import Desk
from studiobridge.control.effects import Announce, Effect, Memory
from studiobridge.control.events import (
    Acknowledged,
    Described,
    Due,
    Event,
    Kept,
    LinkDown,
    LinkUp,
    Noted,
    Report,
    Request,
    Unreadable,
)
from studiobridge.control.known import NEVER, Known
from studiobridge.control.requests import Requests
from studiobridge.control.runner import Run, What
from studiobridge.control.runs import Runs
from studiobridge.control.standing import Standing
from studiobridge.control.states import State
from studiobridge.control.watcher import Watcher
from studiobridge.profile.model import SetProfile

# A plug that says off while what it feeds speaks is asked again so often (s), no more.
ASK_AGAIN = 2.0
# A lamp below this level (%) is out as far as its heat goes.
OUT_LEVEL = 1.0


class Controller:
    """Runs one set. Not thread-safe; `handle` returns at once."""

    def __init__(self, profile: SetProfile, memory: Memory | None = None, now: float = 0.0) -> None:
        self.profile = profile
        self.memory = memory if memory is not None else Memory()
        self.desk = Desk(profile)
        self.truth = self.desk.truth
        self.standing = Standing(self.desk, self.memory, now)
        self.answers = Answers(self.desk, self.memory)
        self.runs = Runs(self.desk, self.standing, self.answers, self.memory)
        self.requests = Requests(
            self.desk, self.standing, self.answers, self.runs, self._stop_listening
        )
        self._resume: What | None = self.memory.run
        self._resume_everything = self.memory.everything
        self._was: str = self.memory.state
        self._expected: set[str] = set()
        if self.standing.session is not None:
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
        for name in self.memory.stopped:
            camera = self.truth.devices.get(name)
            if camera is not None:
                # it may have stopped a moment before the bridge did: its file is still closing
                camera.closing_until = now + camera.device.closes_in
                self.desk.wake(f"closing {name}", camera.closing_until)
        # meters that have no meter above them: what they say adds up to the whole
        self._meters = frozenset(
            d.name
            for d in profile.devices.values()
            if "watts" in d.hears and not any("watts" in profile.devices[f].hears for f in d.feeds)
        )
        self._handlers: Mapping[type, Callable[..., None]] = {
            Report: self._on_report,
            Request: self.requests.asked,
            Due: self._on_due,
            Described: self._on_described,
            Unreadable: self._on_unreadable,
            LinkUp: self._on_link_up,
            LinkDown: self._on_link_down,
            Kept: self.requests.kept,
            Acknowledged: self._on_acknowledged,
            Noted: self._on_noted,
        }

    @property
    def state(self) -> State:
        return self.standing.state

    @property
    def why(self) -> str:
        return self.standing.why

    @property
    def look(self) -> str | None:
        return self.desk.look

    @property
    def run(self) -> Run | None:
        """The run under way."""
        return self.runs.runner.run

    @property
    def last_run(self) -> Run | None:
        """The run under way, or the one before."""
        return self.runs.last_run

    @property
    def watcher(self) -> Watcher:
        return self.runs.watcher

    def handle(self, event: Event) -> list[Effect]:
        """Take in one event; return what is to be done, in order."""
        self.truth.now = event.at
        self._handlers[type(event)](event)
        if self.desk.changed:
            self.desk.emit(Announce(devices=frozenset(self.desk.changed)))
            self.desk.changed.clear()
        return self.desk.collect()

    # ---- the link ------------------------------------------------------------------------

    def _on_link_up(self, event: LinkUp) -> None:
        at = event.at
        self.desk.link = True
        self.truth.link_up(at)
        self.standing.heard = False
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
        self.standing.heard = False
        self.desk.wake("listen", None)
        if self.standing.state != "unheard":
            self._was = self.standing.state
        self.standing.turn("link lost", event.at, "no link to the broker")

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
        if self.standing.heard or not self.desk.link:
            return
        self.standing.heard = True
        self.desk.wake("listen", None)
        run = self.runs.runner.run
        if run is not None:
            if not self.runs.begin_again(run, at):
                self._hold_on(at)
        elif self._resume in ("down", "cut"):
            self.desk.look = None
            self.runs.begin(self._resume, None, at, [], everything=self._resume_everything)
        elif self.standing.session is not None and self._was in ("ready", "adrift"):
            self._hold_on(at)
        elif self.standing.session is not None:
            why = "a run was cut short when the bridge stopped"
            if self._was == "stalled":
                why = "it was stalled when the bridge stopped"
            self.standing.turn("heard: cut short", at, f"{why}; ask for up or down")
        elif self._was == "stalled":
            self.standing.turn("heard: cut short", at, "the last run did not get there")
        else:
            self.standing.turn("heard: nothing was up", at)
        self._resume = None
        self.requests.listened(at)

    def _stop_listening(self) -> None:
        self.standing.heard = True
        self._resume = None
        self._expected.clear()
        self.desk.wake("listen", None)

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
        self.standing.state = "unheard"
        self.watcher.judge_now(at, unheard)
        if self.watcher.drifts:
            self.standing.turn("heard: drifting", at)
        else:
            self.standing.turn("heard: holding", at)
        self.standing.watch_left_on(at)

    # ---- reports -------------------------------------------------------------------------

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
        if point == "switch" and value is False:
            known.off_at = at
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
            against = self.truth.against(name)
            if against is not None:
                plug = self.truth.devices[against]
                if plug.asked_at <= max(plug.value_at.get("switch", NEVER), at - ASK_AGAIN):
                    self.desk.ask(at, against)
        if before != value:
            self.desk.changed.add(name)
        if point == "rolling":
            self.desk.camera_rolls(known, before is True, value is True, at, "report")
        elif not event.retained:
            # what the broker kept says nothing about how long a lamp is out or a computer idle
            if point == "watts":
                self._on_watts(known, float(value), at)
            elif known.device.fixture and point in ("switch", "level"):
                self._lamp_reported(known, at)
        if not self.standing.heard:
            if not event.retained or not known.device.can_ask:
                self._heard_from(name, at)
            return
        run = self.runs.runner.run
        if run is not None:
            if not event.retained:
                self.runs.runner.reported(name, at)
                if name in self.desk.sole_computer:
                    self.runs.runner.reported(self.desk.sole_computer[name], at)
            self.runs.move_on(at)
        if name in self.watcher.wanted:
            self.watcher.reported(name, point, value, at)

    def _mains_reported(self, name: str, on: bool, at: float) -> None:
        """A mains switch changed: what hangs on it has to be heard anew."""
        if name not in self.desk.feeds.switches:
            return
        off_at, link_since = self.truth.devices[name].off_at, self.truth.link_since
        for below in self.desk.feeds.below[name]:
            known = self.truth.devices[below]
            if on and known.mains_since > off_at:
                continue  # forgotten when it was told to go on: what was reported since is so
            if on and off_at < link_since:
                # forgotten when the link came; only how long a lamp is out was not
                if known.out_since is not None and known.out_since < link_since:
                    known.out_since = None
                continue
            (known.mains_came if on else known.mains_went)(at)
            self.desk.changed.add(below)

    def _lamp_reported(self, known: Known, at: float) -> None:
        # what the broker kept is from before: a lamp may have been lit since
        lit = "switch" not in known.value_at or known.values["switch"] is not False
        if "level" in known.value_at and float(known.values["level"]) <= OUT_LEVEL:
            lit = False
        if lit:
            known.out_since = None
        elif known.out_since is None:
            known.out_since = at

    def _on_watts(self, known: Known, watts: float, at: float) -> None:
        name = known.device.name
        if name in self._meters:
            last = self.standing.metered.get(name)
            if last is not None and self.standing.session is not None:
                kwh = last[0] * (at - last[1]) / 3.6e6
                self.standing.session_kwh = (self.standing.session_kwh or 0.0) + kwh
            self.standing.metered[name] = (watts, at)
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
        self.standing.fault(event.device, event.topic, event.why, event.at)

    def _on_acknowledged(self, event: Acknowledged) -> None:
        """The broker has it. Says nothing about the device: only a report confirms."""

    def _on_noted(self, event: Noted) -> None:
        run = self.runs.runner.run
        if run is not None and run.number == event.run and self.standing.heard:
            self.runs.runner.noted(event.n - 1, event.at)
            self.runs.move_on(event.at)

    # ---- wake-ups -----------------------------------------------------------------------------

    def _on_due(self, event: Due) -> None:
        at = event.at
        kind, _, name = event.name.partition(" ")
        if kind == "listen":
            self._heard_all(at)
        elif kind == "step" and not self.standing.heard:
            # what is under way begins again when everything has been listened to
            self.desk.wake(event.name, at + self.profile.patience.listen)
        elif kind == "step":
            self.runs.runner.due(int(name), at)
            self.runs.move_on(at)
        elif kind == "turn":
            self.runs.move_on(at)
        elif kind == "idle":
            self.runs.runner.reported(name, at)
            self.runs.move_on(at)
        elif kind == "closing":
            self.desk.emit(Announce(state=True))
            self.runs.move_on(at)
            self.runs.restore_by_itself(at)
        elif kind == "left-on":
            self._look_left_on(at)
        elif kind == "warm":
            self.desk.emit(Announce(state=True))
        elif not self.standing.heard:
            # nothing is judged before everything has been listened to
            self.desk.wake(event.name, at + self.profile.patience.listen)
        elif kind == "judge":
            self.watcher.judge(name, at)
        elif kind == "quiet":
            self.watcher.quiet(name, at)
        elif kind == "poll":
            self.watcher.poll(name, at)

    def _look_left_on(self, at: float) -> None:
        guard = self.profile.left_on
        if (
            guard is None
            or self.standing.session is None
            or self.standing.state not in ("ready", "adrift")
        ):
            return
        due = self.standing.last_asked + guard.after
        if at + 1e-6 < due:
            self.desk.wake("left-on", due)
            return
        held = self.desk.held_by(at)
        if held is not None:
            self.desk.wake("left-on", at + 60.0)
            return
        if not self.standing.left_on:
            self.standing.left_on = True
            hours = guard.after / 3600.0
            self.standing.fault(
                None, "", f"left on: nobody asked for anything for {hours:.3g} h", at
            )
            self.desk.emit(Announce(state=True))
        if guard.then == "down":
            self.answers.note(
                Request(at, "", "down", by="the left-on guard", source="profile"), "taken", ""
            )
            self.runs.begin("down", None, at, [])
