"""Measuring one device: a machine of events and wishes, without I/O.

    Measuring(subject).begin(at) -> Wish, then answered / heard / due, until a Wish is Over

- `Try(device, value)`  ask the set for this try (None: it is only asked to report), and say with
                        `answered` what came of it
- `Wait(until)`         nothing to do until then; `due` says that it is over. A report may end it
                        sooner: `heard` then returns the next wish
- `Over(...)`           all that was measured, or how far it came and why no further

Everything it has told goes through a try of its set, so every gate stands before it. What the set
refuses, a link that is lost, a camera that rolls: it stops there, and `back` says what would leave
the device as it was found.

Times of answers are by the clock of the bridge that told it (`sent` and `heard` of the answer to a
try); boots are counted from that moment too, by reports as they arrive here. Only live reports
count: what the broker kept says nothing of now.
"""

from __future__ import annotations

from collections.abc import Generator, Mapping
from dataclasses import dataclass, field
from typing import Any

from studiobridge.meeting.subject import BOOTS_WITHIN, CYCLES, RESTS, Subject
from studiobridge.profile.model import Point, Value, figure

# The levels at which watts are metered, up and down again: a driver bends most near its ends.
LEVELS = (0.0, 5.0, 10.0, 25.0, 50.0, 75.0, 100.0)
# Levels told to see which steps it makes of them: no two of them on a coarse step together.
FINE = (50.0, 50.3, 50.7, 51.1, 51.4, 51.8, 52.2, 52.7, 53.1, 53.6, 54.0)
# A light that comes no nearer than this (%) to a level it is told does something else.
COARSEST = 3.0
# What it is set to before its mains go, to see whether it comes back so: none of the levels that a
# lamp comes back at by itself.
REMEMBERS = 37.0
# A meter is settled when two samples, taken at least so long (s) after what was told has arrived,
# agree; one that has said nothing new within SILENT (s) is asked, and then believed.
SETTLES = 1.5
SILENT = 11.0
SAMPLES_WITHIN = 30.0
# What is put back as it was found, in this order: its level before it is switched off.
FOUND: tuple[Point, ...] = ("level", "cct", "switch")
# Between two tries of one device (s): the set itself takes no two within half a second.
BETWEEN = 0.6


@dataclass(frozen=True, slots=True)
class Try:
    device: str
    value: str | None


@dataclass(frozen=True, slots=True)
class Wait:
    until: float


@dataclass(frozen=True, slots=True)
class Over:
    """`why` is None when all was done; else what ended it, and `did` says how far it came."""

    why: str | None
    did: str


Wish = Try | Wait | Over


@dataclass(frozen=True, slots=True)
class Metered:
    """One settled reading (W) with the level (%) it was told; None: nothing settled in time."""

    level: float
    watts: float | None
    at: float


@dataclass(slots=True)
class Measured:
    """Raw figures as they were measured. conclusions.py says what they are worth."""

    boots: list[float] = field(default_factory=list)
    answers: list[float] = field(default_factory=list)
    plug_answers: list[float] = field(default_factory=list)
    came_back: list[float] = field(default_factory=list)
    left_at: float = REMEMBERS  # before its mains went
    metered: list[Metered] = field(default_factory=list)
    dark: list[float] = field(default_factory=list)
    # what it reported when it was told each of FINE
    steps: list[tuple[float, float]] = field(default_factory=list)
    samples: list[float] = field(default_factory=list)  # everything the meter said
    # others on the meter: whether any of them spoke of a change meanwhile
    disturbed: list[str] = field(default_factory=list)
    # what they take meanwhile (W); None where that is not known
    others_take: float | None = None
    silent_boots: int = 0


@dataclass(frozen=True, slots=True)
class _Said:
    at: float
    value: Value


@dataclass(frozen=True, slots=True)
class _Sample:
    at: float
    watts: float


class Stopped(Exception):
    """It goes no further: why."""


Script = Generator[Wish, Any, None]


class Measuring:
    """One measurement of one subject. Not thread-safe; never waits."""

    def __init__(self, subject: Subject, cycles: int = CYCLES) -> None:
        self.subject = subject
        self.cycles = cycles
        self.measured = Measured()
        self.now = 0.0
        self.did = "nothing was told yet"
        self.over: Over | None = None
        # the last live word of every point of everything heard
        self._said: dict[tuple[str, Point], _Said] = {}
        self._first: dict[str, float] = {}  # of each device, its first live word since forgotten
        self._watts: list[_Sample] = []
        # how it was found, and what may stand otherwise now
        self._found: dict[tuple[str, Point], Value] = {}
        self._touched: set[tuple[str, Point]] = set()
        # what was told and is so, until it is told otherwise
        self._ours: dict[tuple[str, Point], Value] = {}
        self._awaits: str | None = None  # a device whose first word ends a Wait
        self._script = self._run()

    # ---- events ----------------------------------------------------------------------------

    def begin(self, at: float) -> Wish:
        self.now = at
        return self._go(None)

    def answered(
        self, at: float, code: int, text: str, detail: Mapping[str, Any] | None = None
    ) -> Wish:
        """What came of the try that was wished for."""
        self.now = at
        return self._go((code, text, detail or {}))

    def due(self, at: float) -> Wish:
        """The time that was waited for is over."""
        self.now = at
        return self._go(None)

    def heard(self, at: float, device: str, point: Point, value: Value, kept: bool) -> Wish | None:
        """A report. Returns the next wish where it ends what is waited for."""
        if kept or self.over is not None:
            return None
        self.now = at
        before = self._said.get((device, point))
        self._said[device, point] = _Said(at, value)
        if device == self.subject.meter and point == "watts" and isinstance(value, int | float):
            self._watts.append(_Sample(at, float(value)))
            self.measured.samples.append(float(value))
        moved = before is not None and before.value != value and point not in ("online", "watts")
        if moved and any(device in (other.name, *other.plugs) for other in self.subject.others):
            self.measured.disturbed.append(device)
        leaves = point == "online" and value is False
        if not leaves:
            self._first.setdefault(device, at)
        if self._awaits == device and not leaves:
            self._awaits = None
            return self._go(None)
        return None

    def stop(self, at: float, why: str) -> Over:
        """A person ends it, or the link is lost."""
        self.now = at
        if self.over is None:
            self._script.close()
            self.over = Over(why, self.did)
        return self.over

    def back(self) -> list[Try]:
        """What leaves the device as it was found, in order; [] where nothing was changed."""
        tries: list[Try] = []
        subject = self.subject
        name, plug = subject.name, subject.plug
        was_on = self._found.get((plug, "switch")) if plug is not None else True
        for point in FOUND:
            key = (name, point)
            if key in self._touched and name != plug and key in self._found:
                tries.append(Try(name, _words(point, self._found[key])))
        if plug is not None and (plug, "switch") in self._touched:
            on = bool(was_on)
            end = Try(plug, "on" if on else "off")
            if not on and subject.device.cools_in > 0:
                tries = [Try(name, self._low)]  # it has to cool down first
            # on first: a light that has no mains cannot be told where it stood
            tries = [end, *tries] if on else [*tries, end]
        return tries

    def _go(self, result: object) -> Wish:
        if self.over is not None:
            return self.over
        try:
            return self._script.send(result)
        except StopIteration:
            self.over = Over(None, self.did)
        except Stopped as stopped:
            self.over = Over(str(stopped), self.did)
        return self.over

    # ---- the script ------------------------------------------------------------------------

    def _run(self) -> Script:
        subject = self.subject
        yield from self._look()
        if subject.plug is not None:
            yield from self._cycles(subject.plug)
        if subject.dims and subject.name != subject.plug:
            yield from self._answers()
            yield from self._steps()
            if subject.meter is not None:
                yield from self._levels()
        elif "switch" in subject.device.tells and subject.name != subject.plug:
            yield from self._switches()
        for back in self.back():
            cools = subject.device.cools_in
            if cools > 0 and back == Try(str(subject.plug), "off") and subject.name != subject.plug:
                yield from self._wait(cools + 1.0)
            yield from self._try(back.device, back.value, touch=False)
            yield from self._wait(BETWEEN)
        self.did = "all of it"

    def _look(self) -> Script:
        """How it is found. What has no mains gets them, by its plug, through the gates."""
        name, plug = self.subject.name, self.subject.plug
        if plug is not None:
            yield from self._try(plug, None)
            on = self._word(plug, "switch")
            if on is None:
                raise Stopped(f"{plug} has not said whether it is on")
            self._found[plug, "switch"] = on
            if not on:
                yield from self._on(plug)
                yield from self._await_word(name)
                yield from self._wait(BETWEEN)
        if name != plug and self.subject.device.hears - {"watts"}:
            yield from self._try(name, None, may_fail=True)
            for point in FOUND:
                said = self._word(name, point)
                if said is not None:
                    self._found[name, point] = said

    def _cycles(self, plug: str) -> Script:
        subject = self.subject
        name, device = subject.name, subject.device
        for n in range(self.cycles):
            self.did = f"{n} of {self.cycles} times off and on"
            remembers = subject.dims and name != plug and "level" in device.hears
            if remembers:
                yield from self._near(REMEMBERS)
                yield from self._wait(BETWEEN)
                self.measured.left_at = self._stands(REMEMBERS) or REMEMBERS
            if device.cools_in > 0 and name != plug:
                yield from self._out()
                yield from self._wait(device.cools_in + 1.0)
            yield from self._try(plug, "off", timed=self.measured.plug_answers)
            yield from self._wait(max(RESTS, BETWEEN))
            self._first.clear()
            began = self.now
            yield from self._on(plug)
            told_at = max(began, self._told_at)
            if name == plug:
                yield from self._wait(BETWEEN)
                continue
            if not device.hears - {"watts"}:
                yield from self._wait(max(1.5 * device.boots_in + 1.0, BETWEEN))
                continue
            yield from self._await_word(name)
            first = self._first.get(name)
            if first is None:
                self.measured.silent_boots += 1
                continue
            self.measured.boots.append(first - told_at)
            yield from self._wait(SETTLES)
            level = self._since(name, "level", told_at)
            if remembers and device.cools_in <= 0 and level is not None:
                self.measured.came_back.append(figure(level))
        self.did = f"{self.cycles} of {self.cycles} times off and on"

    def _answers(self) -> Script:
        for level in (60.0, 30.0, 60.0, 30.0):
            yield from self._near(level)
            yield from self._wait(BETWEEN)

    def _steps(self) -> Script:
        if "level" not in self.subject.device.hears:
            return
        for level in FINE:
            yield from self._near(level)
            told_at = self._told_at
            yield from self._wait(BETWEEN)
            said = self._since(self.subject.name, "level", told_at)
            if said is not None and abs(figure(said) - level) <= COARSEST:
                self.measured.steps.append((level, figure(said)))

    def _levels(self) -> Script:
        """Up, and down again: what it takes on both ways tells how warm it became meanwhile."""
        low, high = self.subject.device.level_range or (0.0, 100.0)
        yield from self._look_at_others()
        levels = [level for level in LEVELS if low <= level <= high]
        # at full once more at the end: there a lamp that warms up shows it most
        for level in (*levels, *reversed(levels[:-1]), levels[-1]):
            self.did = f"its watts at {level:g} %"
            yield from self._near(level)
            told_at = self._told_at
            watts = yield from self._settled()
            self._still_ours("level", "switch")
            # only now: a report of the way there is near enough to confirm it
            self._told_at = told_at
            stands = self._stands(level)
            stands = level if stands is None else stands
            self.measured.metered.append(Metered(stands, watts, self.now))

    def _near(self, level: float) -> Script:
        """Tell it a level: that, or one as near as its own steps come."""
        text = yield from self._try(
            self.subject.name, f"{level:g} %", timed=self.measured.answers, near=True
        )
        if text is not None and self._stands(level) is None:
            raise Stopped(text)

    def _stands(self, level: float) -> float | None:
        """Where it says that it stands, by steps of its own; None where that is not near."""
        said = self._since(self.subject.name, "level", self._told_at)
        near = said is not None and abs(figure(said) - level) <= COARSEST
        return round(figure(said), 1) if near and said is not None else None

    def _switches(self) -> Script:
        """A light without a level: on and off, and what it takes either way."""
        name = self.subject.name
        yield from self._look_at_others()
        for value, level in (("on", 100.0), ("off", 0.0)) * 3:
            yield from self._try(name, value, timed=self.measured.answers)
            if self.subject.meter is not None:
                watts = yield from self._settled()
                self.measured.metered.append(Metered(level, watts, self.now))
            else:
                yield from self._wait(BETWEEN)

    def _look_at_others(self) -> Script:
        """Others on the same meter: known to take nothing, or what they take when they are off."""
        takes: float | None = 0.0
        for other in self.subject.others:
            for plug in other.plugs:
                yield from self._try(plug, None, may_fail=True)
            yield from self._try(other.name, None, may_fail=True)
            if any(self._word(plug, "switch") is False for plug in other.plugs):
                continue
            off = self._word(other.name, "switch") is False
            known = other.standby if off else None
            takes = None if takes is None or known is None else takes + known
        self.measured.others_take = takes

    # ---- its parts -------------------------------------------------------------------------

    _told_at = 0.0

    def _try(
        self,
        device: str,
        value: str | None,
        *,
        timed: list[float] | None = None,
        touch: bool = True,
        may_fail: bool = False,
        near: bool = False,
    ) -> Generator[Wish, Any, str | None]:
        """Ask for a try. Returns None, or why it failed where that may be."""
        began = self.now
        self._still_ours("switch")
        if touch and value is not None:
            # whatever comes of it: what was told may have been done
            self._touched.add((device, _point(value)))
        code, text, detail = yield Try(device, value)
        self._told_at = began
        # told, and not quite there: what was refused says nothing of an outcome
        almost = near and detail.get("outcome") == "failed"
        if code != 0 and not (may_fail or almost):
            self._ours.clear()
            raise Stopped(str(text))
        if value is None:
            yield from self._wait(BETWEEN)  # the rest of what it says, on other topics
        sent = [s for s in detail.get("sent", ()) if s.get("device") == device and s.get("values")]
        if sent:
            # by the bridge's clock: how long ago it was told
            left = float(detail.get("took_s", 0.0)) - float(sent[0]["after_s"])
            self._told_at = max(began, self.now - max(0.0, left))
        point = _point(value) if value is not None else None
        took = _took(device, point, detail) if point is not None else None
        self._now_ours(device, point, value if code == 0 else None)
        if timed is not None and took is not None:
            timed.append(took)
        return None if code == 0 else str(text)

    def _now_ours(self, device: str, point: Point | None, value: str | None) -> None:
        if point is None:
            return
        self._ours.pop((device, point), None)
        if device == self.subject.plug and device != self.subject.name:
            # its mains come or go: it may come back as it likes
            self._ours.pop((self.subject.name, "level"), None)
            self._ours.pop((self.subject.name, "switch"), None)
        if value is not None and point == "switch":
            self._ours[device, point] = value == "on"
        elif value is not None and point == "level":
            self._ours[device, point] = float(value[:-1])

    def _still_ours(self, *points: Point) -> None:
        """Raises Stopped where something says otherwise than it was told, and nothing here did."""
        for (device, point), ours in self._ours.items():
            said = self._word(device, point)
            if point not in points or said is None:
                continue
            if point == "level" and abs(figure(said) - figure(ours)) <= COARSEST:
                continue
            if said != ours:
                raise Stopped(f"somebody else changed {device} meanwhile")

    def _on(self, plug: str) -> Script:
        yield from self._try(plug, "on", timed=self.measured.plug_answers)

    def _out(self) -> Script:
        yield from self._try(self.subject.name, self._low)

    @property
    def _low(self) -> str:
        """What puts its lamp out."""
        device = self.subject.device
        return "off" if "switch" in device.tells else f"{(device.level_range or (0.0, 0.0))[0]:g} %"

    def _wait(self, seconds: float) -> Script:
        until = self.now + seconds
        while self.now < until - 1e-6:
            yield Wait(until)

    def _await_word(self, device: str) -> Script:
        """Until it speaks, or it does not."""
        until = self.now + BOOTS_WITHIN
        while device not in self._first and self.now < until - 1e-6:
            self._awaits = device
            yield Wait(until)
        self._awaits = None

    def _settled(self) -> Generator[Wish, Any, float | None]:
        """What the meter says once it has settled; None where it does not."""
        meter = self.subject.meter
        assert meter is not None
        begins = self.now + SETTLES
        until = self.now + SAMPLES_WITHIN
        asked = False
        yield from self._wait(SETTLES)
        while self.now < until:
            fresh = [s for s in self._watts if s.at >= begins]
            if len(fresh) >= 2 and _agree(fresh[-1].watts, fresh[-2].watts):
                return (fresh[-1].watts + fresh[-2].watts) / 2.0
            if self.now >= begins + SILENT and not asked:
                # one that says only what has changed: asked, its word is of now
                asked = True
                yield from self._try(meter, None, may_fail=True)
                if any(s.at >= begins for s in self._watts):
                    return self._watts[-1].watts
            yield from self._wait(0.5)
        fresh = [s for s in self._watts if s.at >= begins]
        return fresh[-1].watts if len(fresh) == 1 else None

    def _word(self, device: str, point: Point) -> Value | None:
        said = self._said.get((device, point))
        return None if said is None else said.value

    def _since(self, device: str, point: Point, at: float) -> Value | None:
        said = self._said.get((device, point))
        return None if said is None or said.at < at else said.value


def _agree(a: float, b: float) -> bool:
    """Two samples of one load: within a meter's own noise (1 %, and a few tenths of a watt)."""
    return abs(a - b) <= max(0.25, 0.01 * max(abs(a), abs(b)))


def _point(value: str) -> Point:
    if value in ("on", "off"):
        return "switch"
    return "level" if value.endswith("%") else "cct"


def _words(point: str, value: Value) -> str:
    if point == "switch":
        return "on" if value else "off"
    return f"{figure(value):.4g} %" if point == "level" else f"{figure(value):.0f} K"


def _took(device: str, point: Point, detail: Mapping[str, Any]) -> float | None:
    """From what was sent first to its first live word of this point, by the bridge's clock."""
    sent = [
        float(s["after_s"])
        for s in detail.get("sent", ())
        if s.get("device") == device and point in s.get("values", ())
    ]
    if not sent:
        return None
    heard = [
        float(h["after_s"])
        for h in detail.get("heard", ())
        if h.get("device") == device
        and not h.get("kept")
        and point in h.get("understood", ())
        and float(h["after_s"]) >= sent[0]
    ]
    return heard[0] - sent[0] if heard else None
