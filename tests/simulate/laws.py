"""The laws of the house, watched from outside the controller.

The watcher sees what the bridge published, what was delivered to it, what it wrote down, and
what happened physically in the room. It works out everything for itself from those: it never
looks into the controller. A breach is a sentence with the time and the law's number.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, field
from typing import Literal

from studiobridge.control.effects import (
    DriftNote,
    FaultNote,
    HandNote,
    LockoutNote,
    Memory,
    Note,
    QuietNote,
    RequestNote,
    RollingNote,
    RunNote,
    StateNote,
    StepNote,
)
from studiobridge.craft.light import level_stops
from studiobridge.profile.model import Point, Preset, SetProfile, Value
from studiobridge.rehearsal.room import INRUSH_LASTS, Inrush
from tests.simulate.mutes import Mutes
from tests.simulate.senses import SenseLaws

NEVER = float("-inf")
# A request waits for its expiry (3 s) at most, and for the bridge to listen at its start (3 s).
LATE = 8.0
# A button's message has no expiry: the slowest network of the simulator holds it for 30 s.
LATE_PRESS = 45.0
# Steps that tell a device something; the others only wait or listen.
TOLD_BY = ("power on", "power off", "switch on", "switch off", "set", "fade out")
# A contrary report is looked into, and shown, within (s) beyond the settling of its device:
# asked once, asked again, and a little.
LOOKED_INTO = 10.0
# Behind a request that joins the run under way: that was forced, or was not, before it.
JOINED = "the same is under way"
# What is heard is shown within (s).
SHOWN_IN = 2.0
# A plug that says off and meters more than (W), twice, passes current all the same.
PASSES = 5.0
# A meter's last word on a camera holds for (s); what a computer says within (s) of its word that
# it is down is its farewell.
SAMPLE_HOLDS, FAREWELL = 12.0, 2.0
# How far a report is surely not the preset, whatever steps a device makes: beyond its own
# tolerance by stops, mired and points of level (%).
FAR_STOPS, FAR_MIRED, FAR_PERCENT = 0.3, 15.0, 3.0


@dataclass(slots=True)
class Seen:
    """What was told to and heard from one device, as it crossed the bridge's doorstep."""

    told_at: dict[Point, float] = field(default_factory=dict)
    told: dict[Point, Value] = field(default_factory=dict)
    fresh_at: dict[Point, float] = field(default_factory=dict)
    value: dict[Point, Value] = field(default_factory=dict)
    heard_at: float = NEVER
    idle_since: float | None = None
    said_down: bool = False
    down_at: float = NEVER
    out_since: float | None = None
    off_at: float = NEVER
    # why nothing it said counts now: the link was new, or its mains were; "" since it spoke
    unheard: Literal["", "link", "mains"] = "link"
    idle_last: float = NEVER
    on_at: float | None = None  # a switch: says on since then, fresh, and was not told off
    passing: int = 0  # a meter: samples that say current flows although the switch says off
    other_since: float | None = None  # reports other than its preset since then


class Laws:
    """Watches one evening. `breaches` is empty when every law held."""

    def __init__(self, profile: SetProfile, calm: bool) -> None:
        self.profile = profile
        self.calm = calm  # no trouble and no hands: then nothing may drift at all
        self.breaches: list[str] = []
        self.seen = {name: Seen() for name in profile.devices}
        self.link_at = NEVER
        self.lockouts: set[str] = set()
        self.asked_up = False
        self.cutting = False
        self.forced_run = False
        self.run: int | None = None
        self.rolling: dict[str, bool] = {}
        self.closing_until: dict[str, float] = {}
        self.intended: dict[str, int] = {}
        self.state = "unheard"
        self.kinds = {name: device.kind for name, device in profile.devices.items()}
        self.restored: dict[str, int] = {}
        self.looks_level: dict[str, float] = {}
        self.faults = 0
        self.checked = 0
        # when somebody really made a request: what comes long after asks for nothing
        self.made: dict[str, float] = {}
        self.pressed_at = NEVER
        # what has begun and not ended: requests by id, the run by number, its steps
        self.unanswered: dict[str, float] = {}
        self.under_way: int | None = None
        self.steps: dict[tuple[int, str], str] = {}
        # the one device that is being tried, and that somebody really asked for that
        self.trying: str | None = None
        self.asked_try: str | None = None
        self.tried: set[str] = set()  # since the bridge started: they stay as they were tried
        self.looks = {name: dict(look.presets) for name, look in profile.looks.items()}
        # of the last state that was shown: what it was and when, and what it named as still on
        self.shows: Mapping[str, object] = {}
        self.shows_at = NEVER
        # lockouts asked for, by request
        self.locking: dict[str, str] = {}
        self.ended: set[str] = set()
        self.mutes = Mutes(profile, self)
        self.senses = SenseLaws(profile)
        self.truly_rolling: Callable[[str], bool] = lambda name: False
        self.down_at = NEVER
        self.said_stopped: dict[str, float] = {}
        # what meters said, fresh, of what hangs on them: when, and watts
        self.samples: dict[str, list[tuple[float, float]]] = {}
        self.begun: RunNote | None = None
        self.missed: set[str] = set()
        # gear told quiet, by its plug; what is owed of it as noted, and what of that a cut took
        self.plug_of = {
            d.name: next(n for n in (d.name, *d.feeds) if profile.devices[n].kind == "plug")
            for d in profile.devices.values()
            if d.quiet is not None
        }
        self.quiet = {plug: name for name, plug in self.plug_of.items()}
        self.quiet_noted: dict[str, QuietNote] = {}
        self.quiet_on_disk: set[str] = set()
        self.quiet_cut: set[str] = set()
        self.stays = {
            name for d in profile.devices.values() if d.stays_on for name in (d.name, *d.feeds)
        }

    def breach(self, law: int, at: float, text: str) -> None:
        self.breaches.append(f"law {law} at {at:.2f} s: {text}")

    # ---- who powers whom, worked out anew from the profile -------------------------------

    def switch_above(self, name: str) -> str | None:
        """The nearest plug that speaks above a device."""
        for feed in self.profile.devices[name].feeds:
            if self.profile.devices[feed].speaks is not None:
                return feed
        return None

    def below(self, plug: str) -> list[str]:
        return [d.name for d in self.profile.devices.values() if plug in d.feeds]

    def powers(self, plug: str) -> list[str]:
        """What is dark without this plug: all below it but what has a battery of its own."""
        return [name for name in self.below(plug) if not self.profile.devices[name].own_battery]

    def reached(self, plug: str) -> list[str]:
        return [name for name in self.below(plug) if self.switch_above(name) == plug]

    # ---- the bridge starts (again) -------------------------------------------------------

    def restarted(self, memory: Memory) -> None:
        """With what was on the disk: what was only in memory is known to nobody any more."""
        self.lockouts = {lockout.target for lockout in memory.lockouts}
        self.rolling = dict.fromkeys(memory.rolling, True)
        for name in set(self.closing_until) - memory.stopped:
            del self.closing_until[name]
        self.unanswered.clear()
        self.under_way = None
        self.steps.clear()
        self.asked_up = False
        self.trying = self.asked_try = None
        self.tried.clear()
        self.cutting = False
        self.forced_run = False
        self.intended.clear()
        self.restored.clear()
        self.ended = {id_ for id_, _, _ in memory.answered}
        self.begun = None
        self.missed.clear()
        self.quiet_noted.clear()
        self.quiet_on_disk = {self.plug_of[was.device] for was in memory.quiet}
        self.quiet_cut = {self.plug_of[was.device] for was in memory.quiet if was.cut}
        self.mutes.restarted()
        self.senses.restarted()
        self._nothing_heard()

    def link_up(self, at: float) -> None:
        self.link_at = at
        self._nothing_heard()

    def _nothing_heard(self) -> None:
        self.shows = {}
        self.samples.clear()
        for seen in self.seen.values():
            seen.fresh_at.clear()
            seen.heard_at = NEVER
            seen.on_at = seen.other_since = None
            seen.passing = 0
            if not seen.unheard:
                seen.unheard = "link"

    # ---- delivered to the bridge ---------------------------------------------------------

    def heard(self, at: float, name: str, point: Point, value: Value, retained: bool) -> None:
        self.senses.heard(at, name, point, value, retained)
        seen = self.seen[name]
        if retained and point in seen.fresh_at:
            return  # kept from before what was heard since
        was_off = seen.value.get(point) is False
        seen.value[point] = value
        if point == "switch" and value is True and was_off:
            self._mains_back(name)
        elif point == "switch" and value is False:
            seen.off_at = at
        if point == "rolling":
            was = self.rolling.get(name, False)
            self.rolling[name] = bool(value)
            if was and not value:
                self.closing_until[name] = at + self.profile.devices[name].closes_in
        if retained:
            if point == "switch" and value is False:
                self._mains_gone(name, at)
            return
        seen.fresh_at[point] = at
        seen.heard_at = at
        seen.unheard = ""
        if point == "switch":
            seen.passing = 0
            if value is False:
                seen.on_at = None
            elif seen.on_at is None:
                seen.on_at = at
        elif point == "watts":
            off = seen.value.get("switch") is False and "switch" in seen.fresh_at
            seen.passing = seen.passing + 1 if off and float(value) > PASSES else 0
        if self._otherwise(name) is None:
            seen.other_since = None
        elif seen.other_since is None:
            seen.other_since = at
        alive = point not in ("down", "watts") and not (point == "online" and value is False)
        if alive and at > seen.down_at + FAREWELL:
            seen.said_down = False  # it speaks: somebody woke it
        if point == "down":
            seen.said_down = bool(value)
            seen.down_at = at
        elif point == "watts":
            self._watts(name, float(value), at)
            for other in self.reached(name):
                self.samples.setdefault(other, []).append((at, float(value)))
        elif point == "switch" and value is False:
            self._mains_gone(name, at)
        if self.profile.devices[name].fixture and point in ("switch", "level"):
            out = seen.value.get("switch") is False or float(seen.value.get("level", 100.0)) <= 1.0
            if not out:
                seen.out_since = None
            elif seen.out_since is None:
                seen.out_since = at

    def _watts(self, name: str, watts: float, at: float) -> None:
        names = [name] if self.kinds[name] == "computer" else self.reached(name)
        if len(names) != 1 or self.kinds[names[0]] != "computer":
            return
        seen = self.seen[names[0]]
        seen.idle_last = at
        below = self.profile.devices[names[0]].idle_below
        if below is None or watts >= below:
            seen.idle_since = None
        elif seen.idle_since is None:
            seen.idle_since = at

    def _mains_gone(self, name: str, at: float) -> None:
        for other in self.powers(name):
            seen = self.seen[other]
            seen.said_down = False
            seen.idle_since = None
            seen.on_at = None
            seen.passing = 0
            self._mains_anew(seen)
            if seen.out_since is None:
                seen.out_since = at

    def _mains_anew(self, seen: Seen) -> None:
        """Whatever it said was said with other mains: it has to be heard anew."""
        seen.fresh_at.clear()
        seen.heard_at = NEVER
        seen.other_since = None
        seen.unheard = "mains"

    def _mains_back(self, name: str) -> None:
        """It came on: lamps may be lit, unless they said they are not since they were told to."""
        seen = self.seen[name]
        if seen.told.get("switch") is True and seen.told_at["switch"] > seen.off_at:
            return
        for other in self.powers(name):
            below = self.seen[other]
            if seen.off_at >= self.link_at:
                below.said_down, below.idle_since, below.out_since = False, None, None
            elif below.out_since is not None and below.out_since < self.link_at:
                below.out_since = None

    # ---- written down by the bridge ------------------------------------------------------

    def noted(self, note: Note, linked: bool = True) -> None:
        at = note.at
        if isinstance(note, StepNote):
            self._step(note, linked)
            if note.phase == "sent" and self.intended.get(note.device) != note.run:
                self.breach(9, at, f"{note.device} {note.action} was sent and never intended")
        elif isinstance(note, RunNote):
            self._run(note)
            self._tried(note, linked)
            self.trying = None
            if note.phase == "begun":
                self.cutting = note.what == "cut"
                self.run = note.run
                self.trying = self.asked_try if note.what == "try" else None
                self.tried |= {self.trying} if self.trying is not None else set()
                if note.what == "try" and self.trying is None:
                    self.breach(8, at, f"run {note.run} is a try that nobody asked for")
                self.asked_try = None
            else:
                self.cutting = False
                self.forced_run = False
        elif isinstance(note, QuietNote):
            self._quietly(note)
        elif isinstance(note, RequestNote):
            self._once(note)
            back = note.what == "quiet_off" and note.phase == "taken"
            if back and at - self.made.get(note.id, NEVER) < LATE:
                self.quiet_cut.clear()
            if note.what == "rolling_off" and note.phase == "done":
                for name in note.targets or self.profile.devices:
                    self.said_stopped[name] = at
            if note.phase == "taken":
                if note.what in ("down", "toggle"):
                    self.down_at = at
                made_at = self.made.get(note.id, NEVER)
                by_somebody = at - made_at < LATE
                if note.source == "switch":
                    by_somebody = at - self.pressed_at < LATE_PRESS
                if note.what in ("up", "toggle", "restore") and by_somebody:
                    self.asked_up = True
                if note.what == "try" and by_somebody:
                    self.asked_try = note.targets[0]
                if note.text != JOINED:
                    self.forced_run = note.force
                if note.what == "restore" and note.source == "profile":
                    for name in note.targets:
                        self.restored[name] = self.restored.get(name, 0) + 1
                        most = self.profile.devices[name].restores
                        if self.restored[name] > most:
                            self.breach(12, at, f"{name} was put back {self.restored[name]} times")
                elif note.what in ("restore", "up", "toggle"):
                    self.restored.clear()
        elif isinstance(note, LockoutNote):
            (self.lockouts.add if note.phase == "set" else self.lockouts.discard)(note.target)
        elif isinstance(note, RollingNote):
            was = self.rolling.get(note.device, False)
            self.rolling[note.device] = note.rolling
            if was and not note.rolling:
                closes = self.profile.devices[note.device].closes_in
                self.closing_until[note.device] = at + closes
        elif isinstance(note, HandNote):
            self.mutes.said(note)
        elif isinstance(note, DriftNote):
            mute = note.device in self.mutes.of
            if note.phase == "opened" and mute:
                self.mutes.drifted(note)
            elif note.phase == "opened" and self.calm and " or " not in note.device:
                self.breach(11, at, f"drift of {note.device} {note.point} with nobody there")
            if note.phase == "closed" and note.how == "kept":
                self.restored.pop(note.device, None)
        elif isinstance(note, StateNote):
            self.mutes.look = note.look  # in force from here on, and shown a moment later
            if note.state == "ready" and self.state == "rising":
                self._ready(note)
            if note.state == "ready" and self.state != "ready":
                self._proven(note)
                self.mutes.ready(at, note.look)
            if note.state in ("dark", "lowering"):
                self.restored.clear()
            self.state = note.state
        elif isinstance(note, FaultNote):
            self.faults += 1

    def _once(self, note: RequestNote) -> None:
        """Law 8: a request that has been answered asks for nothing when it comes again."""
        if note.source != "mqtt" or not note.id:
            return
        if note.phase == "taken" and note.id in self.ended:
            self.breach(8, note.at, f"request {note.id} was answered, and taken again")
        elif note.phase in ("done", "failed", "refused"):
            self.ended.add(note.id)

    def on_disk(self, note: Note) -> None:
        """What is intended may be told from now on (law 9)."""
        if isinstance(note, StepNote) and note.phase == "intended":
            self.intended[note.device] = note.run
        elif isinstance(note, QuietNote) and note.phase == "intended":
            self.quiet_on_disk.add(self.plug_of[note.device])

    def _quietly(self, note: QuietNote) -> None:
        """Law 16: what is told off is owed from before it is told until it says that it is on."""
        plug = self.plug_of[note.device]
        self.quiet_noted[plug] = note
        if note.cut:
            self.quiet_cut.add(plug)
        if note.phase == "over":
            self.quiet_noted.pop(plug)
            self.quiet_on_disk.discard(plug)
            self.quiet_cut.discard(plug)

    def _quiet_told(self, at: float, plug: str, on: bool) -> None:
        """Gear told quiet is switched by no run but a cut: off when that is on disk, on when owed."""
        if on and plug in self.quiet_cut:
            self.breach(8, at, f"{plug} was energised after a cut, and nobody asked")
        elif on and plug not in self.quiet_noted and plug not in self.quiet_on_disk:
            self.breach(8, at, f"{plug} was energised, and nobody had made it quiet")
        elif not on and plug not in self.quiet_on_disk:
            self.breach(16, at, f"{plug} was told quiet, and the record does not know of it")

    def _step(self, note: StepNote, linked: bool) -> None:
        """What is intended is told if it is said to be sent, and ends."""
        step = (note.run, f"{note.n} {note.device} {note.action}")
        if note.phase in ("failed", "skipped"):
            self.missed.add(note.device)
        if note.phase in ("intended", "sent"):
            self.steps[step] = note.phase
        else:
            self.steps.pop(step, None)
        if note.phase == "sent" and linked and not note.text and note.action in TOLD_BY:
            told_at = max(self.seen[note.device].told_at.values(), default=NEVER)
            if told_at < note.at - 1e-9:
                self.ending(note.at, f"{note.device} {note.action} was said to be sent and was not")

    def _run(self, note: RunNote) -> None:
        """Every run that begins ends, and says how, before another begins."""
        if note.phase == "begun":
            if self.under_way is not None:
                self.ending(note.at, f"run {note.run} began, run {self.under_way} never ended")
            self.under_way = note.run
            return
        if self.under_way != note.run:
            self.ending(note.at, f"run {note.run} ended, under way was {self.under_way}")
        self.under_way = None
        open_steps = [text for (run, text) in self.steps if run == note.run]
        if open_steps and note.phase != "turned":
            self.ending(note.at, f"run {note.run} is {note.phase}, but not step {open_steps[0]}")
        self.steps.clear()

    def ending(self, at: float, text: str) -> None:
        self.breaches.append(f"ending at {at:.2f} s: {text}")

    def arrived(self, request: str, at: float) -> None:
        """A request has reached the bridge."""
        self.unanswered.setdefault(request, at)

    def answered(self, request: str) -> None:
        self.unanswered.pop(request, None)

    def over(self, at: float) -> None:
        """The evening is over: nothing may be left open."""
        for request, since in self.unanswered.items():
            self.ending(at, f"request {request} of {since:.2f} s was never answered")
        if self.under_way is not None:
            self.ending(at, f"run {self.under_way} never ended")

    def _tried(self, note: RunNote, linked: bool) -> None:
        """A run-up that stalls has tried whatever does not depend on what failed."""
        if note.phase == "begun":
            self.begun = note
            self.missed.clear()
            return
        begun, self.begun = self.begun, None
        if note.phase != "stalled" or note.what != "up" or begun is None or not linked:
            return
        if not self.missed:
            return
        for plug in self.profile.devices.values():
            if plug.kind != "plug" or plug.speaks is None or plug.name in self.missed:
                continue
            if plug.name in self.quiet:
                continue  # no part of a run-up
            seen = self.seen[plug.name]
            told = seen.told.get("switch") is True and seen.told_at["switch"] >= begun.at
            if told or seen.value.get("switch") is True or seen.off_at >= begun.at:
                continue  # or it was on, and somebody switched it off meanwhile
            below = self.below(plug.name)
            if any(self.kinds[name] == "amp" for name in (plug.name, *below)):
                continue
            if any(n in self.lockouts for n in (plug.name, *plug.feeds, plug.circuit, *below)):
                continue
            if self.missed.isdisjoint(self._needs(plug.name)):
                failed = ", ".join(sorted(self.missed))
                self.ending(
                    note.at, f"run {note.run} stalled, {plug.name} needs no {failed}: not tried"
                )
                return

    def _needs(self, name: str) -> set[str]:
        """Everything that has to be up before this plug, and what hangs on it, can be."""
        found: set[str] = set()
        left = [name, *self.below(name)]
        while left:
            other = left.pop()
            if other in found:
                continue
            found.add(other)
            device = self.profile.devices[other]
            left += [n for n in (*device.feeds, *device.after) if n in self.profile.devices]
        return found

    def saved(self, look: str, presets: Mapping[str, Preset]) -> None:
        """The bridge keeps these presets from now on."""
        self.looks[look].update(presets)

    # ---- as heard, against as asked ------------------------------------------------------

    def _otherwise(self, name: str, look: str | None = None) -> str | None:
        """How a device's last word differs from what a set that is ready asks of it."""
        device = self.profile.devices[name]
        seen = self.seen[name]
        if device.speaks is None or not device.essential or not device.hears:
            return None
        if seen.value.get("switch") is False and (device.kind == "plug" or device.fixture):
            return "reports off"
        look = look if look is not None else str(self.shows.get("look"))
        preset = self.looks.get(look, {}).get(name)
        if not device.fixture or preset is None:
            return None
        level, cct = seen.value.get("level"), seen.value.get("cct")
        if preset.level is not None and level is not None and "level" in device.tells:
            stops = level_stops(device.dimmer, preset.level, float(level))
            far = stops is None or abs(stops) > device.tolerance.level + FAR_STOPS
            if far and abs(preset.level - float(level)) > FAR_PERCENT:
                return f"reports {float(level):.1f} %, not {preset.level:.1f}"
        if preset.cct is not None and cct is not None and "cct" in device.tells:
            shift = abs(1e6 / preset.cct - 1e6 / float(cct))
            if shift > device.tolerance.cct + FAR_MIRED:
                return f"reports {float(cct):.0f} K, not {preset.cct:.0f}"
        return None

    def _proven(self, note: StateNote) -> None:
        """Law 7 for every way to `ready`: nothing essential is otherwise, or unheard, as heard.

        What cannot be asked and has only been heard as kept, after a start, is let pass here.
        """
        for device in self.profile.devices.values():
            if device.speaks is None or not device.essential or not device.hears:
                continue
            seen = self.seen[device.name]
            other = self._otherwise(device.name, note.look)
            if other is not None:
                self.breach(7, note.at, f"ready from {self.state}, but {device.name} {other}")
            elif seen.unheard == "mains" or (seen.unheard and device.can_ask):
                why = f"has not spoken since its {seen.unheard} came"
                self.breach(7, note.at, f"ready from {self.state}, but {device.name} {why}")
            self.checked += 1

    def shown(self, at: float, state: Mapping[str, object]) -> None:
        """The bridge shows how the set stands."""
        self.mutes.look_is(state)
        if state["look"] != self.shows.get("look") or state["state"] != self.shows.get("state"):
            for seen in self.seen.values():
                seen.other_since = None if seen.other_since is None else at
        self.shows, self.shows_at = state, at
        self.showing(at)

    def showing(self, at: float) -> None:
        """Law 14: what is shown now agrees with what has been heard a little while ago."""
        if not self.shows or at < self.link_at + self.profile.patience.listen + SHOWN_IN:
            return
        self.checked += 1
        self.mutes.showing(at, self.shows)
        for text in self.senses.showing(at, self.shows):
            self.breach(14, at, text)
        if self.shows["state"] == "ready":
            for name, device in self.profile.devices.items():
                seen = self.seen[name]
                since = seen.other_since
                other = None if since is None else self._otherwise(name)
                if since is None or other is None:
                    continue
                since = max(since, *seen.told_at.values(), device.fade)
                if at > since + device.tolerance.settle + LOOKED_INTO:
                    self.breach(
                        14, at, f"shown as ready, and {name} {other} for {at - since:.1f} s"
                    )
        down = self.begun is None and self.shows["state"] in ("dark", "stalled")
        if down and self.shows["session"] is None:
            self._left_on(at)
        if self.shows["state"] == "dark" and self.shows["session"] is None:
            self._to_close(at)

    def _left_on(self, at: float) -> None:
        """What says on, or passes current, though the set is not up, is named."""
        named = {entry["device"] for entry in self.shows["still_on"]}  # type: ignore[attr-defined]
        for name, device in self.profile.devices.items():
            seen = self.seen[name]
            if device.kind != "plug" or name in named or name in self.stays:
                continue
            if any(self.seen[feed].value.get("switch") is False for feed in device.feeds):
                continue
            since = seen.on_at
            if since is not None and seen.told.get("switch") is False:
                since = max(since, seen.told_at["switch"] + LOOKED_INTO)
            if since is not None and at > since + SHOWN_IN:
                self.breach(14, at, f"{name} says on, and is not named as still on")
            elif seen.passing >= 2 and at > seen.fresh_at["watts"] + SHOWN_IN:
                watts = float(seen.value["watts"])
                self.breach(14, at, f"{name} says off and passes {watts:.0f} W: not named")

    def _to_close(self, at: float) -> None:
        """A laptop that never said it is down is named, for somebody to close it."""
        for name, device in self.profile.devices.items():
            down = self.seen[name].value.get("down") is True
            if device.own_battery and not down and name not in self.shows["to_close"]:  # type: ignore[operator]
                self.breach(14, at, f"{name} never said that it is down, and is not named")

    def heard_again(self, at: float, name: str) -> None:
        """A device that answers is asked until it does, unless its plug says it has no mains."""
        feeds = self.profile.devices[name].feeds
        if any(self.seen[feed].value.get("switch") is False for feed in feeds):
            return
        if self.seen[name].heard_at == NEVER:
            self.breach(14, at, f"{name} would answer, and was not asked again")

    # ---- lockouts, as they are answered --------------------------------------------------

    def lockout_answered(
        self, at: float, answer: Mapping[str, object], notes: Iterable[Note]
    ) -> None:
        """Law 15: a plain yes is on disk, and all that it covers is off; else it says which."""
        target = self.locking.pop(str(answer["id"]), None)
        if target is None or answer["code"] != 0:
            return
        text = str(answer["text"])
        careful = "CAREFUL" in text
        detail = answer["detail"]
        named = {*detail.get("on", ())} if isinstance(detail, dict) else set()
        if not careful and target in self.lockouts:
            kept = any(isinstance(n, LockoutNote) and n.target == target for n in notes)
            if not kept:
                self.breach(15, at, f"a plain yes, and the lockout of {target} is not on disk")
        for device in self.profile.devices.values():
            if target not in (device.name, device.circuit, *device.feeds):
                continue
            why = self._live(device.name, at)
            if why is None:
                continue
            if not careful:
                self.breach(15, at, f"a plain yes to a lockout of {target}: {device.name} {why}")
            elif device.name not in named and device.name not in text:
                self.breach(15, at, f"a lockout of {target} does not name {device.name}: {why}")

    def _live(self, name: str, at: float) -> str | None:
        """Why a person should keep their hands off this plug or lamp, as far as was heard."""
        device = self.profile.devices[name]
        if device.kind != "plug" and not device.fixture:
            return None
        chain = [n for n in (name, *device.feeds) if self.profile.devices[n].speaks is not None]
        switches = [n for n in chain if "switch" in self.profile.devices[n].hears]
        if not switches or any(self.seen[n].value.get("switch") is False for n in switches[1:]):
            return None
        first = self.seen[switches[0]]
        told_at = first.told_at.get("switch", NEVER)
        if first.told.get("switch") is True and first.fresh_at.get("switch", NEVER) < told_at:
            if switches[0] == name and at < told_at + self.profile.patience.reply:
                return "was told on, and has not answered"
            return None
        if not all(self.seen[n].on_at is not None for n in switches):
            return None
        if self.seen[name].value.get("level", 100.0) <= 1.0:
            return None
        return "is on"

    def _ready(self, note: StateNote) -> None:
        """Law 7: every essential device has been confirmed by a fresh report."""
        look = self.profile.looks[note.look].presets if note.look is not None else {}
        for device in self.profile.devices.values():
            if device.speaks is None or not device.essential or not device.hears:
                continue
            seen = self.seen[device.name]
            if seen.heard_at == NEVER:
                self.breach(7, note.at, f"ready, but {device.name} has not been heard")
                continue
            points: set[Point] = set()
            if device.kind == "plug":
                points = {"switch"}
            elif device.fixture and device.name in look:
                points = {p for p in ("switch", "level", "cct") if p in device.tells}
                if look[device.name].cct is None:
                    points.discard("cct")
            for point in points:
                at = seen.fresh_at.get(point, NEVER)
                if at == NEVER or at < seen.told_at.get(point, NEVER):
                    self.breach(7, note.at, f"ready, but no fresh {point} of {device.name}")
                elif point == "switch" and seen.value[point] is not True:
                    self.breach(7, note.at, f"ready, but {device.name} reports off")
            self.checked += 1

    # ---- told by the bridge --------------------------------------------------------------

    def told(
        self, at: float, name: str, values: list[tuple[Point, Value]], expiry: float | None
    ) -> None:
        """A command leaves the bridge."""
        self.checked += 1
        device = self.profile.devices[name]
        seen = self.seen[name]
        if expiry is None:
            self.breach(10, at, f"{name} was told {values} without an expiry")
        elif expiry > self.profile.patience.reply:
            self.breach(10, at, f"{name} was told {values}, good for {expiry:.1f} s")
        by_a_cut = self.cutting and ("switch", True) not in values
        quietly = name in self.quiet and not by_a_cut and name != self.trying
        if quietly:
            self._quiet_told(at, name, ("switch", True) in values)
        elif self.run is None or self.intended.get(name) != self.run:
            self.breach(9, at, f"{name} was told {values} and nothing was intended")
        if self.trying is not None and name != self.trying and not quietly:
            self.breach(8, at, f"{name} was told {values} while {self.trying} was tried")
        if self.trying is not None:
            self._tried_off(at, name, values)
        for point, value in values:
            on = point == "switch" and value is True
            off = point == "switch" and value is False
            if on:
                if not self.asked_up and name != self.trying and not quietly:
                    self.breach(8, at, f"{name} was energised and nobody asked")
                self._energised(at, name)
            # what goes with its "off" in one message lights nothing
            if not off and ("switch", False) not in values:
                self._locked(at, name)
            if not self.cutting and not quietly:
                self._held(at, name, point)
            if off and device.kind == "plug":
                self._cut(at, name)
            seen.told_at[point] = at
            seen.told[point] = value
            if point == "level" and not device.hears:
                # it never says that it is out: what it was told is all there is
                if float(value) > 1.0:
                    seen.out_since = None
                elif seen.out_since is None:
                    seen.out_since = at
        on = any(p == "switch" and v is True for p, v in values)
        if on and device.kind == "plug" and seen.value.get("switch") is not True:
            for other in self.powers(name):
                below = self.seen[other]
                self._mains_anew(below)
                below.said_down = False
                below.idle_since = None
                below.out_since = None

    def _tried_off(self, at: float, name: str, values: list[tuple[Point, Value]]) -> None:
        """A try takes no mains of a camera, nor of what stays on; and energises no amp too soon."""
        if ("switch", False) in values:
            for other in (name, *self.below(name)):
                if self.kinds[other] == "camera":
                    self.breach(2, at, f"{name} was tried off, and {other} is a camera")
        if ("switch", True) not in values:
            return
        for other in (name, *self.reached(name)):
            for source in self.profile.devices.values() if self.kinds[other] == "amp" else ():
                switch = self.switch_above(source.name) if source.kind == "audio" else None
                if switch is not None and self.seen[switch].value.get("switch") is False:
                    self.breach(4, at, f"{other} was tried on while {source.name} is off")

    def _locked(self, at: float, name: str) -> None:
        device = self.profile.devices[name]
        for target in self.lockouts:
            if target in (name, device.circuit) or target in device.feeds:
                self.breach(1, at, f"{name} was told something while {target} is locked out")

    def _energised(self, at: float, name: str) -> None:
        for other in self.below(name):
            if other in self.lockouts:
                self.breach(1, at, f"{name} was energised and feeds {other}, which is locked out")
        for other in (name, *self.reached(name)):
            if self.kinds[other] != "amp":
                continue
            for source in self.profile.devices.values():
                if source.kind != "audio":
                    continue
                switch = self.switch_above(source.name)
                if switch is None:
                    continue
                at_source = self.seen[switch].told_at.get("switch", NEVER)
                if self.seen[switch].told.get("switch") is True and at_source >= at - 1e-9:
                    self.breach(4, at, f"{other} came on with {source.name}, not after it")

    def _held(self, at: float, name: str, point: Point) -> None:
        if self.forced_run:
            return
        for camera, rolling in self.rolling.items():
            if rolling:
                self.breach(2, at, f"{name} {point} was changed while {camera} rolls")
            elif at < self.closing_until.get(camera, NEVER) - 1e-6:
                self.breach(2, at, f"{name} {point} was changed while {camera} closes its file")

    def _cut(self, at: float, name: str) -> None:
        """A plug is told to go off: computers down, fans cool, amps before their sources."""
        if self.cutting:
            return
        seen = self.seen[name]
        again = seen.told.get("switch") is False and seen.told_at["switch"] > seen.fresh_at.get(
            "switch", NEVER
        )
        if again or seen.value.get("switch") is False:
            return  # the same command once more; it was looked at the first time
        for other in self.below(name):
            device = self.profile.devices[other]
            near = self.switch_above(other)
            if near is not None and near != name and self.seen[near].value.get("switch") is False:
                continue
            below = self.seen[other]
            # one with a battery of its own is not cut by this
            if device.kind == "computer" and not device.own_battery and not below.said_down:
                idle = below.idle_since
                # two samples that span the time: one and silence prove nothing
                if idle is None or below.idle_last - idle < device.idle_for - 1e-6:
                    self.breach(5, at, f"{name} was cut and {other} had not said it was down")
            cools = device.cools_in if device.fixture and device.speaks is not None else 0.0
            out = below.out_since
            if cools > 0 and (out is None or at - out < cools - 1e-6):
                self.breach(6, at, f"{name} was cut before {other} had cooled down")
            if device.kind == "camera" and "rolling" not in device.hears:
                asked = self.said_stopped.get(other, NEVER) >= self.down_at
                known = asked or self._low_watts(other, at)
                if self.truly_rolling(other) and not known:
                    self.breach(2, at, f"{name} was cut; {other} rolls, and nobody said it stopped")
            if device.kind == "audio":
                for amp in self.profile.devices.values():
                    if amp.kind != "amp":
                        continue
                    switch = self.switch_above(amp.name)
                    if switch is None or switch == name:
                        continue
                    if self.seen[switch].value.get("switch") is True:
                        self.breach(4, at, f"{other} was cut while {amp.name} is on")

    def _low_watts(self, camera: str, at: float) -> bool:
        """Did two samples in a row, a second apart and the last of now, say that it waits?"""
        rolls = self.profile.devices[camera].rolls
        samples = self.samples.get(camera, [])
        if rolls is None or rolls.by != "watts" or not samples:
            return False
        low: list[float] = []
        for heard_at, watts in reversed(samples):
            if watts >= rolls.threshold:
                break
            low.append(heard_at)
        return bool(low) and at <= low[0] + SAMPLE_HOLDS and low[0] - low[-1] >= 1.0 - 1e-6

    # ---- physically in the room ----------------------------------------------------------

    def inrushes(self, inrushes: list[Inrush]) -> None:
        """Law 3, physically: what was switched on, when, on top of what.

        Everything at one moment on one circuit is one switch-on. Two of the bridge's own never
        overlap, and none of them, with what ran before it, reaches the breaker's band.
        """
        moments: dict[tuple[str, float], list[Inrush]] = {}
        for inrush in inrushes:
            moments.setdefault((inrush.circuit, inrush.at), []).append(inrush)
        last: dict[str, tuple[float, bool]] = {}
        for (circuit, start), together in sorted(moments.items(), key=lambda item: item[0][1]):
            ours = any(inrush.cause == "told" for inrush in together)
            end = start + INRUSH_LASTS
            before = last.get(circuit)
            if before is not None and start < before[0] - 1e-9 and ours and before[1]:
                self.breach(3, start, f"two inrushes overlap on {circuit}")
            last[circuit] = (max(end, before[0] if before else NEVER), ours)
            if not all(inrush.cause == "told" for inrush in together):
                continue
            amps = sum(inrush.amps for inrush in together) + together[0].running
            breaker = self.profile.circuits[circuit]
            # IEC 60898-1: the lower end of the band in which it may trip at once
            band = {"B": 3.0, "C": 5.0, "D": 10.0}[breaker.curve] * breaker.breaker
            self.checked += 1
            if amps > band:
                self.breach(3, start, f"{amps:.0f} A at once on {circuit}, band from {band:.0f} A")
