"""Events in, effects out: a controller, a clock that only moves when told, and obedient gear.

The gear here is a stand-in that answers what it is told after `delay` seconds, so that a test
says only what is different: who stays silent, who answers late, who refuses.
"""

from __future__ import annotations

import heapq
import itertools
from dataclasses import dataclass, field, replace

from studiobridge.control import Controller
from studiobridge.control.effects import (
    Answer,
    Ask,
    DriftNote,
    Memory,
    RunNote,
    Save,
    StateNote,
    StepNote,
    Tell,
    Wake,
)
from studiobridge.control.events import Due, Event, LinkDown, LinkUp, Noted, Report, Request
from studiobridge.profile.model import (
    Circuit,
    Device,
    Look,
    Preset,
    SetProfile,
    Tolerance,
    Value,
)

SWITCH = frozenset({"switch"})
FIXTURE = frozenset({"switch", "level", "cct"})


def plug(name: str, circuit: str = "wall", **more: object) -> Device:
    figures: dict[str, object] = {
        "speaks": "w",
        "tells": SWITCH,
        "hears": frozenset({"switch", "online"}),
        "circuit": circuit,
        "fed_by": circuit,
        "can_ask": True,
    }
    return Device(name, "plug", **{**figures, **more})  # type: ignore[arg-type]


def on_plug(name: str, kind: str, feed: str, circuit: str = "wall", **more: object) -> Device:
    return Device(name, kind, fed_by=feed, feeds=(feed,), circuit=circuit, **more)  # type: ignore[arg-type]


def fixture(name: str, feed: str, circuit: str = "wall", **more: object) -> Device:
    figures: dict[str, object] = {
        "speaks": "d",
        "tells": FIXTURE,
        "hears": FIXTURE | {"online"},
        "can_ask": True,
        "draws": 72.0,
        "inrush": 18.0,
        "boots_in": 4.0,
        "fade": 1.0,
        "knows_fade": True,
    }
    return on_plug(name, "light", feed, circuit, **{**figures, **more})


def profile(*devices: Device, looks: dict[str, dict[str, Preset]] | None = None) -> SetProfile:
    circuits = {d.circuit: Circuit(d.circuit, 16.0, "B", 0.5) for d in devices if d.circuit}
    made = {name: Look(name, presets) for name, presets in (looks or {"day": {}}).items()}
    return SetProfile(
        name="kiln-shelf",
        title="Kiln shelf",
        voltage=230.0,
        circuits=circuits,
        dialects={},
        devices={d.name: d for d in devices},
        looks=made,
        default_look=next(iter(made)),
    )


@dataclass
class Play:
    """A controller being played, with everything it did so far."""

    profile: SetProfile
    memory: Memory | None = None
    delay: float = 0.05
    obedient: bool = True
    meters_itself: bool = False
    now: float = 0.0
    effects: list[tuple[float, object]] = field(default_factory=list)
    deaf: set[str] = field(default_factory=set)
    # off: the disk takes its time, until the test gives Noted itself
    writes: bool = True

    def __post_init__(self) -> None:
        self.controller = Controller(self.profile, self.memory, self.now)
        self._queue: list[tuple[float, int, object]] = []
        self._count = itertools.count()
        self._wakes: dict[str, float] = {}
        self.on: dict[str, bool] = {}
        self.booted: set[str] = set()

    # -- in

    def give(self, event: Event) -> list[object]:
        """An event, and what the record says at once of what is intended."""
        done = self._give(event)
        for effect in list(done):
            if isinstance(effect, StepNote) and effect.phase == "intended" and self.writes:
                done += self.give(Noted(self.now, effect.run, effect.n))
        return done

    def _give(self, event: Event) -> list[object]:
        done = self.controller.handle(event)
        for effect in done:
            self.effects.append((event.at, effect))
            if isinstance(effect, Wake):
                if effect.at is None:
                    self._wakes.pop(effect.name, None)
                else:
                    self._wakes[effect.name] = max(effect.at, event.at)
            elif isinstance(effect, Tell) and self.obedient:
                self._obey(effect)
            elif isinstance(effect, Ask) and self.obedient:
                self._tell_all(effect.device)
        return list(done)

    def _obey(self, tell: Tell) -> None:
        if tell.device in self.deaf:
            return
        after = self.delay + (tell.fade or 0.0)
        for point, value in tell.values:
            if point == "shut_down":
                self.later(after, tell.device, "down", True)
            else:
                self.later(after if point == "level" else self.delay, tell.device, point, value)
            if point == "switch":
                self.on[tell.device] = bool(value)
                if self.meters_itself and "watts" in self.profile.devices[tell.device].hears:
                    self.later(self.delay * 1.5, tell.device, "watts", 40.0 if value else 0.3)
                if value and tell.device in self.controller.desk.feeds.switches:
                    self._boot(tell.device)

    def _boot(self, switch: str) -> None:
        for name in self.controller.desk.feeds.reach[switch]:
            device = self.profile.devices[name]
            if device.speaks is None or name in self.deaf:
                continue
            self.booted.add(name)
            self.later(self.delay + device.boots_in, name, "online", True)

    def _tell_all(self, name: str) -> None:
        belief = self.controller.beliefs.of[name]
        above = self.controller.desk.feeds.above[name]
        if name in self.deaf or (above is not None and not self.on.get(above)):
            return
        for point in ("switch", "level", "cct", "colour"):
            if point in belief.hears and point in belief.last:
                self.later(self.delay, name, point, belief.last[point].value)
        if "online" in belief.hears and name in self.booted:
            self.later(self.delay, name, "online", True)
        if "switch" in belief.hears and "switch" not in belief.last:
            self.later(self.delay, name, "switch", self.on.get(name, False))

    def later(self, after: float, device: str, point: str, value: Value) -> None:
        entry = (self.now + after, next(self._count), (device, point, value))
        heapq.heappush(self._queue, entry)

    def link_up(self) -> None:
        self.give(LinkUp(self.now))
        self.run(self.profile.patience.listen + 0.1)

    def link_down(self) -> None:
        self.give(LinkDown(self.now))

    def report(self, device: str, point: str, value: Value, retained: bool = False) -> None:
        self.give(Report(self.now, device, point, value, retained))  # type: ignore[arg-type]

    def ask(self, what: str, **more: object) -> list[object]:
        id_ = str(more.pop("id", f"r{next(self._count)}"))
        return self.give(Request(self.now, id_, what, **more))  # type: ignore[arg-type]

    def run(self, seconds: float) -> None:
        """Let time pass: wake-ups and answers of the gear come as they are due."""
        end = self.now + seconds
        while True:
            wake = min(self._wakes.items(), key=lambda item: item[1], default=None)
            when = wake[1] if wake is not None else float("inf")
            if self._queue and self._queue[0][0] <= when:
                if self._queue[0][0] > end:
                    break
                at, _, what = heapq.heappop(self._queue)
                self.now = max(self.now, at)
                device, point, value = what  # type: ignore[misc]
                if device not in self.deaf:
                    self.report(device, point, value)
            elif wake is not None and when <= end:
                del self._wakes[wake[0]]
                self.now = max(self.now, when)
                self.give(Due(self.now, wake[0]))
            else:
                break
        self.now = end

    # -- out

    @property
    def state(self) -> str:
        return self.controller.state

    def tells(self, device: str | None = None) -> list[tuple[float, str, tuple[object, ...]]]:
        return [
            (at, e.device, e.values)
            for at, e in self.effects
            if isinstance(e, Tell) and device in (None, e.device)
        ]

    def answers(self, final: bool = True) -> list[Answer]:
        return [e for _, e in self.effects if isinstance(e, Answer) and e.final == final]

    def states(self) -> list[str]:
        return [e.state for _, e in self.effects if isinstance(e, StateNote)]

    def steps(self, phase: str) -> list[tuple[str, str]]:
        return [
            (e.device, e.action)
            for _, e in self.effects
            if isinstance(e, StepNote) and e.phase == phase
        ]

    def drifts(self, phase: str) -> list[DriftNote]:
        return [e for _, e in self.effects if isinstance(e, DriftNote) and e.phase == phase]

    def runs(self) -> list[tuple[str, str]]:
        return [(e.what, e.phase) for _, e in self.effects if isinstance(e, RunNote)]

    def saves(self) -> list[Save]:
        return [e for _, e in self.effects if isinstance(e, Save)]

    def forget(self) -> None:
        self.effects.clear()


def corner(**more: object) -> SetProfile:
    """Three plugs, two lights, a computer, a camera, sound: a corner of our own."""
    made = profile(
        plug("lamp-plug"),
        plug("pc-plug", hears=frozenset({"switch", "watts", "online"})),
        plug("desk-plug"),
        plug("amp-plug"),
        fixture("key", "lamp-plug"),
        fixture("fill", "lamp-plug", cools_in=20.0),
        on_plug(
            "lesson-pc",
            "computer",
            "pc-plug",
            speaks="c",
            can_ask=True,
            tells=frozenset({"shut_down"}),
            hears=frozenset({"online", "down"}),
            boots_in=10.0,
            idle_below=4.0,
            idle_for=5.0,
            shuts_in=20.0,
        ),
        on_plug(
            "camera",
            "camera",
            "desk-plug",
            speaks="c",
            can_ask=True,
            hears=frozenset({"online", "rolling"}),
            closes_in=4.0,
        ),
        on_plug("mixer", "audio", "desk-plug"),
        on_plug("monitors", "amp", "amp-plug"),
        looks={
            "day": {"key": Preset(64.0, 4300.0), "fill": Preset(32.0, 4300.0)},
            "dusk": {"key": Preset(20.0, 3200.0), "fill": Preset(32.0, 4300.0)},
        },
    )
    return replace(made, **more)  # type: ignore[arg-type]


__all__ = [
    "FIXTURE",
    "SWITCH",
    "Play",
    "Tolerance",
    "corner",
    "fixture",
    "on_plug",
    "plug",
    "profile",
]
