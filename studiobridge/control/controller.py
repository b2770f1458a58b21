"""The controller of one set: events in, effects out, no I/O.

    Controller(profile, memory).handle(event) -> list[Effect]

The floors of this room, each importing only from below, are listed in DEVELOPERS.md under "The
controller", with what each file does; tests/test_house.py holds them.

views.py reads a controller and shows it as plain dictionaries.

An event that fails leaves nothing behind: its effects are thrown away, the controller counts as
failed and does nothing more. Half of what an event leads to is worse than a bridge that is
started again.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping

from studiobridge.control.acts import Run, What
from studiobridge.control.alone import Alone
from studiobridge.control.desk import Attempt, Desk, Tried
from studiobridge.control.doubts import Doubts
from studiobridge.control.drift import Watcher
from studiobridge.control.effects import Announce, Effect, Memory
from studiobridge.control.events import (
    Described,
    Due,
    Event,
    Gauge,
    LinkDown,
    LinkUp,
    Noted,
    QuietNoted,
    Report,
    Request,
    Rival,
    Room,
    Saved,
    Sighted,
    SightedLate,
    Unreadable,
    Unsent,
    WitnessHeard,
)
from studiobridge.control.evidence import NEVER, Gauged, Word
from studiobridge.control.gates import Gates
from studiobridge.control.gauges import DOUBT_HOLDS, Gauges
from studiobridge.control.holding import Holding
from studiobridge.control.requests import Requests
from studiobridge.control.rolling import SAMPLE_HOLDS
from studiobridge.control.runs import Runs
from studiobridge.control.standing import Answers, Listening, Standing
from studiobridge.control.states import State
from studiobridge.craft.chroma import ColourSteps
from studiobridge.profile.model import SetProfile, figure

# A plug that says off while what it feeds speaks is asked again so often (s), no more.
ASK_AGAIN = 2.0


class Controller:
    """Runs one set. Not thread-safe; `handle` returns at once."""

    def __init__(
        self,
        profile: SetProfile,
        memory: Memory | None = None,
        now: float = 0.0,
        tried: Callable[[Attempt], Tried] = lambda attempt: Tried(),
    ) -> None:
        memory = memory if memory is not None else Memory()
        self.profile = profile
        self.memory = memory
        # why this set has failed: a fault of the program, here or in who holds this controller
        self.failure: str | None = None
        self.desk = Desk(profile, tried)
        self.beliefs = self.desk.beliefs
        self.gates = Gates(self.desk)
        self.standing = Standing(self.desk, memory, now)
        self.answers = Answers(self.desk, memory)
        self.holding = Holding(self.desk, self.gates, self.standing, memory)
        self.runs = Runs(self.desk, self.gates, self.standing, self.answers, self.holding, memory)
        self.gauges = Gauges(self.desk)
        self.alone = Alone(self.desk)
        self.doubts = Doubts(self.desk, self.holding.watcher.entries)
        self.requests = Requests(
            self.desk, self.gates, self.standing, self.answers, self.runs, memory, now
        )
        self.listening = Listening(self.desk)
        # the run that the bridge before was in when it stopped, and the state it showed
        self._resume: What | None = memory.run
        self._was: str = memory.state
        self._link_lost_at = now
        # reports that are believed and not yet followed up
        self._believed: list[Report] = []
        self._outlived: set[str] = set()
        # lights of which light sensors have said between which levels they are
        self._sensors = bool(self.holding.metering.of)
        self._by_sensor: dict[str, tuple[float, float]] = {}
        self._gauged: set[str] = set()
        # a set that is ready and of which something is not proven any more, since when
        self._unproven_since: float | None = None
        self._remember(memory, now)
        self._handlers: Mapping[type, Callable[..., None]] = {
            Report: self._on_report,
            Request: self._on_request,
            Due: self._on_due,
            Described: self._on_described,
            Unreadable: self._on_unreadable,
            Gauge: self._on_gauge,
            Sighted: self._on_sighted,
            SightedLate: self._on_sighted_late,
            WitnessHeard: self._on_witness,
            Unsent: self._on_unsent,
            Rival: self._on_rival,
            LinkUp: self._on_link_up,
            LinkDown: self._on_link_down,
            Saved: self.requests.saved,
            Noted: self._on_noted,
            Room: self.requests.before.room,
            QuietNoted: self.requests.quiet.kept,
        }

    def _remember(self, memory: Memory, now: float) -> None:
        """What the record still knows. It proves nothing of how any device is now."""
        if self.standing.session.open:
            self.desk.look = memory.look
        for lockout in memory.lockouts:
            self.desk.lockouts[lockout.target] = lockout
        self.gates.relock()
        self.requests.quiet.remember(memory, now)
        for name, by_hand in memory.by_hand.items():
            if name in self.beliefs.of:
                self.beliefs.of[name].ticked = by_hand
        for name in memory.rolling & set(self.beliefs.of):
            belief = self.beliefs.of[name]
            if belief.rolls_by == "report":
                belief.last["rolling"] = Word(True, now, True, belief.epoch)
            else:
                belief.rolling.remembered(belief.rolls_by)
        for name in sorted(memory.stopped & set(self.beliefs.of)):
            # it may have stopped a moment before the bridge did: its file is still closing
            self.standing.close_file(self.beliefs.of[name], now)

    @property
    def state(self) -> State:
        return self.standing.state

    @property
    def why(self) -> str:
        return self.standing.why

    @property
    def failed(self) -> bool:
        return self.failure is not None

    @property
    def look(self) -> str | None:
        return self.desk.look

    @property
    def run(self) -> Run | None:
        """The run under way."""
        return self.runs.run

    @property
    def last_run(self) -> Run | None:
        """The run under way, or the one before."""
        return self.runs.last_run

    @property
    def watcher(self) -> Watcher:
        return self.holding.watcher

    def handle(self, event: Event, more: bool = False) -> list[Effect]:
        """Take in one event; return what is to be done, in order. Nothing once it has failed.

        `more`: another report of the same message follows. A message is believed whole before
        anything is judged: "on" from it and a level from the one before make no confirmation.
        """
        if self.failure is not None:
            return []
        self.beliefs.now = event.at
        try:
            self._handlers[type(event)](event)
            if more:
                return self.desk.collect()
            if self._believed:
                self._follow_reports(event.at)
            if self._sensors and self.desk.listened:
                self._look_at_sensors(event)
            self._follow_gauges(event.at)
            if self.desk.listened and self.standing.state != "dark":
                self._watched(event.at)
            self.requests.takes.follow(event.at)
            self.requests.quiet.tend(event.at)
            self.requests.before.look(event.at)
            self.requests.adjusting.follow(event.at)
        except Exception as error:
            self.failure = f"{type(error).__name__}: {error}"
            self.desk.collect()
            raise
        if self.desk.changed:
            self.desk.emit(Announce(devices=frozenset(self.desk.changed)))
            self.desk.changed.clear()
        return self.desk.collect()

    # ---- the link ------------------------------------------------------------------------

    def _on_link_up(self, event: LinkUp) -> None:
        self.listening.begin(event.at)
        self.gauges.look_at_all(event.at)
        self.holding.chargers.say(event.at)
        if self.listening.complete:
            self._listened(event.at)

    def _on_link_down(self, event: LinkDown) -> None:
        if not self.desk.link:
            return
        if self.desk.listened:
            self._link_lost_at = event.at
        self.listening.lost()
        self._gauged |= self.holding.sight.link_lost()
        self.requests.link_lost(event.at)
        self.standing.session.link_lost()
        if self.standing.state != "unheard":
            self._was = self.standing.state
        self.standing.turn("link lost", event.at, "no link to the broker")

    def _listened(self, at: float) -> None:
        """Every device was heard from or given up on: say where things stand."""
        if self.desk.listened or not self.desk.link:
            return
        unheard = self.listening.end()
        self.runs.end_try(at, "the link was lost in the middle; ask again")
        run, was, resume = self.run, self._was, self._resume
        self._resume = None
        session = self.standing.session.open
        late = None if run is None else self.runs.too_late(run, at - self._link_lost_at, at)
        if run is not None and late is not None and run.what == "up":
            self.standing.turn("heard: cut short", at, late)
        elif run is not None:
            if late is not None or not self.runs.begin_again(run, at):
                self.holding.hold_on(at)
        elif resume in ("down", "cut"):
            self.desk.look = None
            self.runs.begin(resume, None, at, [], everything=self.memory.everything)
        elif session and self.desk.look is not None and self.desk.look not in self.desk.looks:
            # with the look unknown no light has a preset to be held to: it cannot be ready
            why = f"nobody knows the look {self.desk.look} any more; ask for up or down"
            self.standing.turn("heard: cut short", at, why)
        elif session and was in ("ready", "adrift"):
            self.holding.hold_on(at)
        elif was == "stalled":
            why = "it was stalled before; ask for up or down" if session else "the last run stalled"
            self.standing.turn("heard: cut short", at, why)
        elif session:
            why = "a run was cut short when the bridge stopped; ask for up or down"
            self.standing.turn("heard: cut short", at, why)
        else:
            self.standing.turn("heard: nothing was up", at)
        self.watcher.silence.seek_soon(unheard, at)
        self.requests.listened(at)

    # ---- requests and notes --------------------------------------------------------------

    def _on_request(self, request: Request) -> None:
        if not self.desk.listened and self.requests.is_a_cut(request):
            self.listening.end()
            self._resume = None
            self.requests.a_cut_came()
        self.requests.asked(request)
        if request.what in ("set_by_hand", "turning"):
            self.gauges.hands(request.at)
        if request.what == "set_by_hand":
            for name in sorted(self.beliefs.of):
                ticked = self.beliefs.of[name].ticked
                if ticked is not None and ticked.at == request.at:
                    self.gauges.stands(name, ticked.preset.level, request.at)
            self.doubts.review(request.at)

    def _on_noted(self, event: Noted) -> None:
        run = self.run
        if run is not None and run.number == event.run and self.desk.listened:
            self.runs.confirmed(self.runs.steps.noted(event.n - 1, event.at), event.at)

    def _on_described(self, event: Described) -> None:
        belief = self.beliefs.of[event.device]
        belief.described = True
        tells, hears = set(belief.tells), set(belief.hears)
        (tells.add if event.told else tells.discard)(event.point)
        (hears.add if event.heard else hears.discard)(event.point)
        belief.tells, belief.hears = frozenset(tells), frozenset(hears)
        if isinstance(event.grid, ColourSteps):
            belief.colours = event.grid
        elif event.grid is not None:
            belief.grids[event.point] = event.grid

    def _on_unreadable(self, event: Unreadable) -> None:
        self.standing.fault(event.device, event.topic, event.why, event.at)

    # ---- fixtures on slots ---------------------------------------------------------------

    def _on_unsent(self, event: Unsent) -> None:
        """Nothing they are told is told on: what was up is not as asked, and it is said."""
        for name in event.devices:
            self.beliefs.of[name].unsent = event.why
        self.desk.changed.update(event.devices)
        if event.why is not None:
            self.standing.fault(None, " ".join(event.devices), event.why, event.at)
        if self.desk.listened and self.run is None:
            self.holding.settle(event.at, after_a_run=True)

    def _on_rival(self, event: Rival) -> None:
        """The bridge never fights: it goes on as it was, and says so."""
        for name in event.devices:
            self.standing.rivals.pop(name, None)
            if event.who is not None:
                self.standing.rivals[name] = event.who
        if event.who is not None:
            names = ", ".join(event.devices)
            self.standing.fault(None, "contested", f"{names}: contested: {event.who}", event.at)
        self.desk.changed.update(event.devices)
        self.desk.emit(Announce(state=True))

    # ---- reports -------------------------------------------------------------------------

    def _on_report(self, event: Report) -> None:
        name, at = event.device, event.at
        belief = self.beliefs.of.get(name)
        if belief is None or not self.desk.link:
            return
        if not event.retained and name not in self.desk.heard:
            self.desk.heard.add(name)
            self.desk.changed.add(name)
        bears = event.point in ("rolling", "watts", "switch")
        rolled = {n: self.beliefs.of[n].rolls for n in self.desk.cameras} if bears else {}
        left_before = None if self.standing.session.open else self.runs.endings.left_on()
        changed = self.beliefs.hear(name, event.point, event.value, event.retained, at)
        if changed:
            self.desk.changed |= changed
        self.holding.supplies.hear(name, event.point, event.value, event.retained, at)
        self.holding.metering.hear(name, event.point, event.value, event.retained, at)
        self.holding.chargers.hear(name, event.point, event.value, event.retained, at)
        for film, before in rolled.items():
            source = "watts" if event.point == "watts" else "report"
            self.standing.camera(self.beliefs.of[film], before, at, source)
            if self.beliefs.camera_meter.get(film) == name and event.point == "watts":
                # what a sample says does not hold for long, and then it is shown as not known
                booting = self.beliefs.booting_now(film, at)
                booted = self.beliefs.of[film].mains_since + self.profile.devices[film].boots_in
                self.standing.look_at_camera(film, booted if booting else at + SAMPLE_HOLDS)
        if event.point == "watts" and not event.retained:
            self.gauges.metered(name, figure(event.value), event.retained, at)
            self._gauged |= {n for n in [self.alone.metered(name, figure(event.value), at)] if n}
            self.standing.session.metered(name, figure(event.value), at)
        if left_before is not None and self.runs.endings.left_on() != left_before:
            self.desk.emit(Announce(state=True))
        if changed and belief.device.own_battery and not self.standing.session.open:
            self.desk.emit(Announce(state=True))  # `to_close` names laptops that are not down
        if not event.retained and self.desk.feeds.above[name] is not None:
            self._ask_who_is_wrong(name, at)
        if len(changed) > 1:
            self._outlived |= changed - {name}
        self._believed.append(event)

    def _follow_reports(self, at: float) -> None:
        """What was reported is believed: see what follows for listening, the run, and drift."""
        reports, self._believed = self._believed, []
        if not self.desk.listened:
            self._outlived.clear()
            for report in reports:
                if not report.retained or not self.beliefs.of[report.device].device.can_ask:
                    self.listening.heard_from(report.device)
            if self.listening.complete:
                self._listened(at)
            return
        if self.run is not None:
            for name in dict.fromkeys(r.device for r in reports if not r.retained):
                self.runs.confirmed(self.runs.steps.reported(name, at), at)
            self.runs.move_on(at)
        if self._outlived:
            self.watcher.outlived(self._outlived, at)
            self._outlived.clear()
        for report in reports:
            if report.device in self.watcher.wanted:
                self.watcher.reported(report.device, report.point, report.value, at)

    def _ask_who_is_wrong(self, name: str, at: float) -> None:
        """A device speaks whose plug says off: the plug is asked again."""
        against = self.beliefs.against(name)
        if against is None:
            return
        plug = self.beliefs.of[against]
        said = plug.word("is it there", "switch")
        if plug.asked_at <= max(NEVER if said is None else said.at, at - ASK_AGAIN):
            self.desk.ask(at, against)

    def _watched(self, at: float) -> None:
        """Drift may have opened or closed: the state follows, and what restores by itself."""
        names = self.holding.watched(at, under_way=self.run is not None)
        self.runs.restore_by_itself(names, at)

    def _on_gauge(self, event: Gauge) -> None:
        """What an instrument makes of a point that its device cannot say: believed and judged."""
        name, at = event.device, event.at
        belief = self.beliefs.of.get(name)
        if belief is None or not self.desk.link:
            return
        unit = {"cct": "K", "switch": ""}.get(event.point, "%")
        band = Gauged(event.low, event.high, at, belief.epoch, event.by, unit)
        if belief.gauge(event.point, band):
            self._gauged.add(name)

    def _on_sighted(self, event: Sighted) -> None:
        """The camera's picture was looked at: believed and judged like any instrument."""
        self._gauged |= self.holding.sight.sighted(event)

    def _on_sighted_late(self, event: SightedLate) -> None:
        self.holding.sight.sighted_late(event)

    def _on_witness(self, event: WitnessHeard) -> None:
        self._gauged |= self.holding.sight.witness(event)

    def _follow_gauges(self, at: float) -> None:
        """What instruments make of what cannot speak is believed: see what follows."""
        if not self.gauges.plugs and not self._gauged:
            return
        self.gauges.follow(self.desk.changed, at)
        news, changes = self.gauges.take_news()
        news |= self._gauged
        self._gauged = set()
        self.desk.changed |= news
        if not self.desk.listened:
            return
        for plug, change, told in changes:
            self.doubts.changed(plug, self.gauges.plugs[plug].it.lamps, change, told, at)
        for name in sorted(news):
            if name in self.watcher.wanted:
                self.watcher.judge(name, at)
        if self.gauges.plugs and self.watcher.drifts:
            self.doubts.watch(self.gauges.lamps)
            self.doubts.review(at)
        if news and self.run is not None:
            self.runs.move_on(at)
        if news:
            if self.standing.state != "ready" or not self.holding.doubted():
                self._unproven_since = None
            elif self._unproven_since is None:
                self._unproven_since = at
                self.desk.wake("unproven", at + DOUBT_HOLDS)

    def _look_at_sensors(self, event: Event) -> None:
        """Light sensors may explain a light that says nothing: told to belief, or taken back."""
        metering, standing, at = self.holding.metering, self.standing, event.at
        if not (isinstance(event, Report) and event.device in metering.of) and not (
            isinstance(event, Due) and event.name == "metering"
        ):
            return
        found = metering.look(at, standing.state, standing.session.number, standing.warm_at)
        if found is None:
            return  # nothing new is known: what was concluded stands
        # explained, or back: the sensors cannot tell any more, and a drift of theirs closes
        bands = dict.fromkeys(self._by_sensor, (0.0, 100.0))
        bands |= {finding.device: (finding.low, finding.high) for finding in found}
        for name, (low, high) in sorted(bands.items()):
            band = self.beliefs.of[name].band("is it so", "level")
            ours = self._by_sensor.get(name)
            if band is not None and (band.by != "sensor" or (band.low, band.high) != ours):
                continue  # a plug or the camera sees more of it than a sensor does
            self._by_sensor[name] = (low, high)
            self._on_gauge(Gauge(at, name, "level", low, high, "sensor"))

    def _look_at_camera(self, name: str, at: float) -> None:
        """What was known of it holds no longer. What meters it may know, as long as it matters."""
        self.desk.changed.add(name)
        meter = self.beliefs.camera_meter.get(name)
        matters = self.standing.session.open or self.beliefs.of[name].rolls
        if meter is not None and matters:
            if self.desk.link:
                self.desk.ask(at, meter)
            self.desk.wake(f"rolling {name}", at + SAMPLE_HOLDS)
        self.runs.move_on(at)

    # ---- wake-ups ------------------------------------------------------------------------

    def _on_due(self, event: Due) -> None:
        at = event.at
        kind, _, name = event.name.partition(" ")
        if kind == "listen":
            self._listened(at)
        elif kind == "closing":
            self.desk.emit(Announce(state=True))
            self.runs.move_on(at)
        elif kind == "rolling":
            self._look_at_camera(name, at)
        elif kind == "left-on":
            self.requests.look_left_on(at)
        elif kind == "back":
            self.requests.quiet.due(name)
        elif kind == "quiet-anew":
            self.requests.quiet.counts_on(at)
        elif kind == "warm":
            self.desk.emit(Announce(state=True))
        elif kind == "supplies":
            self.holding.supplies.look(at)
        elif kind == "hands":
            self.gauges.hands(at)
        elif kind == "before":
            self.requests.before.due()  # looked at when this event is over
        elif kind == "sight":
            self._gauged |= self.holding.sight.look(at)
        elif kind in ("metering", "take", "adjusting"):
            pass  # looked at when this event is over
        elif kind == "turn":
            self.runs.move_on(at)
        elif not self.desk.listened:
            # nothing is judged, and nothing under way goes on, before all was listened to
            self.desk.wake(event.name, at + self.profile.patience.listen)
        elif kind == "step":
            self.runs.confirmed(self.runs.steps.due(int(name), at), at)
        elif kind == "idle":
            self.desk.ask(at, self.beliefs.meter_of(name))
            self.runs.confirmed(self.runs.steps.reported(name, at), at)
        elif kind == "gauge":
            self.gauges.look(name, at)
            self._gauged |= {n for n in [self.alone.look(name, at)] if n}
        elif kind == "charger":
            self.holding.chargers.look(name, at)
        elif kind == "unproven":
            if self._unproven_since is not None and self.standing.state == "ready":
                self._unproven_since = None
                self.holding.doubt_lasts(at)
        elif kind == "judge":
            self.watcher.judge(name, at)
        elif kind == "poll":
            self.watcher.silence.poll(name, at)
        elif kind in ("quiet", "seek"):
            silence = self.watcher.silence
            if silence.quiet(name, at) if kind == "quiet" else silence.seek(name, at):
                self.watcher.judge(name, at)
