"""Steps, what each waits for, and which of those that may start goes first.

The rules of the order, up:

- A device's steps follow its feed's; what `after:` names comes first.
- Network gear first (phase 0), everything else (1), amps last (2). A phase opens when every
  step of the phases before it that energises or hears a device has ended.
- On one circuit one switch-on at a time: the next starts when the one before has been
  confirmed, plus the circuit's gap. Circuits do not wait for each other.
- Among those that may start, the one with the longest remaining chain goes first, so that
  what boots slowly starts early.

Down: amps first (0), everything else (1), network gear last (2); a plug goes off after all
that hangs on it; plugs on one circuit go off one by one.

A computer with a battery of its own waits for no plug and no plug for it: up, somebody opens it
and it is heard; down, it is asked to shut down while the rest goes on.

`Sequencer` holds these rules and nothing else. The plan feeds it predicted durations, the
controller feeds it confirmations: one set of rules, so a plan is what will be done.
"""

from __future__ import annotations

import heapq
from collections.abc import Collection, Mapping
from dataclasses import dataclass, replace
from typing import Literal, Protocol

from studiobridge.control.feeds import Feeds
from studiobridge.profile.model import Device, Preset, SetProfile

Action = Literal[
    "power on",
    "wait for its report",
    "boots",
    "switch on",
    "set",
    "fade out",
    "cool down",
    "shut down",
    "switch off",
    "power off",
]

ENERGISING: tuple[Action, ...] = ("power on", "switch on", "set")
OFF: tuple[Action, ...] = ("power off", "switch off", "fade out")

# What a person is told to do with a computer that has a battery of its own.
CLOSE_IT = "close it by hand: it has a battery of its own, and nothing tells it"

# A computer's supply needs its capacitors empty before mains returns, or it does not see the
# interruption and stays off. Common practice, no source: wait a few seconds.
REST_BETWEEN_OFF_AND_ON = 5.0


@dataclass(frozen=True, slots=True)
class Step:
    """One device, one action.

    `needs` must have succeeded, `after` must only have ended. `takes` is the predicted time
    (s) from start to confirmation, `rest` a wait (s) before it may start once all it waits
    for has ended. `circuit` is set when it takes that circuit's turn.
    """

    n: int
    device: str
    action: Action
    needs: tuple[int, ...] = ()
    after: tuple[int, ...] = ()
    preset: Preset | None = None
    circuit: str | None = None
    inrush: float = 0.0
    takes: float = 0.0
    rest: float = 0.0
    phase: int = 1
    counts: bool = True
    essential: bool = True
    why: str = ""


class Knowledge(Protocol):
    """What is surely true now. The plan knows nothing; the controller asks its reports."""

    def surely_on(self, name: str) -> bool: ...
    def surely_off(self, name: str) -> bool: ...
    def surely_heard(self, name: str) -> bool: ...
    def surely_set(self, name: str, preset: Preset) -> bool: ...
    def surely_out(self, name: str) -> bool: ...
    def going_down(self, name: str) -> bool: ...
    def booting(self, name: str) -> bool: ...
    def still_hot(self, name: str) -> float: ...


class NothingKnown:
    """The set as it is before anything was heard: everything has to be done."""

    def surely_on(self, name: str) -> bool:
        return False

    surely_off = surely_heard = surely_out = going_down = booting = surely_on

    def surely_set(self, name: str, preset: Preset) -> bool:
        return False

    def still_hot(self, name: str) -> float:
        return 0.0


class _Draft:
    """Steps under construction, so that edges can be added after both ends exist."""

    def __init__(self) -> None:
        self.steps: list[Step] = []
        self.needs: list[list[int]] = []
        self.after: list[list[int]] = []
        self.first: dict[str, int] = {}
        self.last: dict[str, int] = {}
        self.power: dict[str, int] = {}

    def add(self, step: Step, needs: Collection[int] = (), after: Collection[int] = ()) -> int:
        n = len(self.steps)
        self.steps.append(replace(step, n=n))
        self.needs.append(list(needs))
        self.after.append(list(after))
        self.first.setdefault(step.device, n)
        self.last[step.device] = n
        return n

    def own_end(self, name: str) -> list[int]:
        return [self.last[name]] if name in self.last else []

    def ends(self, feeds: Feeds, name: str) -> list[int]:
        """The step after which a device is done: its own last, else its mains switch's."""
        switch = feeds.energiser(name)
        if name in feeds.own_battery:
            return self.own_end(name)
        if name not in self.last and switch in self.power:
            return [self.power[switch]]
        return self.own_end(name)

    def finish(self) -> list[Step]:
        return [
            replace(step, needs=tuple(dict.fromkeys(needs)), after=tuple(dict.fromkeys(after)))
            for step, needs, after in zip(self.steps, self.needs, self.after, strict=True)
        ]


def _fade_time(device: Device) -> float:
    return device.fade + device.answers_in


def phases_up(profile: SetProfile, feeds: Feeds) -> dict[str, int]:
    """The phase of every device on the way up (see the rules above)."""
    phase: dict[str, int] = {}
    for device in feeds.by_depth:
        own = 1
        if device.kind == "amp":
            own = 2
        elif device.kind == "network":
            own = 0
        reached = feeds.reach.get(device.name, ())
        if any(profile.devices[name].kind == "amp" for name in reached):
            own = 2
        elif any(
            profile.devices[name].kind == "network" for name in feeds.below.get(device.name, ())
        ):
            own = 0
        above = feeds.above[device.name]
        if above is not None:
            own = max(own, phase[above]) if own != 0 or phase[above] == 2 else phase[above]
        phase[device.name] = own
    # `after:` never leads back into an earlier phase
    waiting = [d for d in feeds.by_depth if d.after]
    changed = True
    while changed:
        changed = False
        for device in waiting:
            wanted = max(phase[name] for name in device.after)
            target = energised_with(feeds, device.name, device.after)
            for name in [target, *feeds.below.get(target, ())]:
                if phase[name] < wanted:
                    phase[name] = wanted
                    changed = True
    return phase


def energised_with(feeds: Feeds, name: str, before: Collection[str]) -> str:
    """Whose switching-on must wait when `name` comes after `before`.

    The mains switch that energises it, unless one of `before` hangs on that same switch:
    then only the device's own steps can wait.
    """
    switch = feeds.energiser(name)
    if switch is None:
        return name
    for other in before:
        if other == switch or feeds.above[other] == switch or switch in feeds_of(feeds, other):
            return name
    return switch


def feeds_of(feeds: Feeds, name: str) -> set[str]:
    """All mains switches above a device."""
    found: set[str] = set()
    above = feeds.above[name]
    while above is not None and above not in found:
        found.add(above)
        above = feeds.above[above]
    return found


def build_up(
    profile: SetProfile,
    feeds: Feeds,
    presets: Mapping[str, Preset],
    known: Knowledge,
    only: Collection[str] | None = None,
) -> list[Step]:
    """The steps of a run-up to these presets, without what is already so.

    `only`: these devices and what powers them (a restore); None: the whole set.
    """
    draft = _Draft()
    wanted = None
    if only is not None:
        wanted = set(only)
        for name in only:
            wanted.update(feeds_of(feeds, name))
    phases = phases_up(profile, feeds)
    for device in feeds.by_depth:
        if wanted is not None and device.name not in wanted:
            continue
        if device.name in feeds.quiet_gear:
            continue  # on all day but for takes: what was off before stays off
        _device_up(draft, profile, feeds, presets, known, device, phases[device.name])
    for device in feeds.by_depth:
        if not device.after or (wanted is not None and device.name not in wanted):
            continue
        target = energised_with(feeds, device.name, device.after)
        first = draft.power.get(target, draft.first.get(device.name))
        if first is None:
            continue
        for name in device.after:
            draft.after[first].extend(end for end in draft.ends(feeds, name) if end != first)
    _amps_need_their_sources(draft, profile, feeds)
    return draft.finish()


def _amps_need_their_sources(draft: _Draft, profile: SetProfile, feeds: Feeds) -> None:
    """An amp whose source did not come on stays off (law 4); no other failure holds it back."""
    sources = [device.name for device in profile.devices.values() if device.kind == "audio"]
    for amp in profile.devices.values():
        if amp.kind != "amp":
            continue
        first = draft.power.get(feeds.energiser(amp.name) or "", draft.first.get(amp.name))
        if first is None:
            continue
        for name in dict.fromkeys([*sources, *amp.after]):
            draft.needs[first].extend(end for end in draft.ends(feeds, name) if end != first)


def _device_up(
    draft: _Draft,
    profile: SetProfile,
    feeds: Feeds,
    presets: Mapping[str, Preset],
    known: Knowledge,
    device: Device,
    phase: int,
) -> None:
    name = device.name
    above = feeds.above[name]
    feed_step = [draft.power[above]] if above in draft.power and not device.own_battery else []
    essential = device.essential
    speaks = device.speaks is not None
    mains_switch = name in feeds.switches

    def hear(why: str) -> None:
        draft.add(
            Step(
                0,
                name,
                "wait for its report",
                takes=(device.boots_in if feed_step or device.own_battery else 0.0)
                + device.answers_in,
                phase=phase,
                essential=essential,
                why=why,
            ),
            needs=feed_step,
        )

    def let_boot() -> None:
        if feed_step and device.boots_in > 0:
            # what is told once and never answers must surely be up to hear it
            takes = 1.5 * device.boots_in + 1.0 if device.tells else device.boots_in
            # what is told once and never answers must surely be up to hear it
            takes = 1.5 * device.boots_in + 1.0 if device.tells else device.boots_in
            draft.add(
                Step(
                    0,
                    name,
                    "boots",
                    takes=takes,
                    phase=phase,
                    essential=essential,
                    why="it says nothing itself, so its boot time is waited for",
                ),
                needs=feed_step,
            )

    if mains_switch:
        if not known.surely_heard(name) and (feed_step or known.booting(name)):
            hear(f"it boots once {above} is on")
        if not known.surely_on(name) or above in draft.power:
            n = draft.add(
                Step(
                    0,
                    name,
                    "power on",
                    circuit=device.circuit,
                    inrush=feeds.inrush(profile, name),
                    takes=device.answers_in,
                    phase=phase,
                    essential=essential,
                    why="amps come on last" if phase == 2 else "one switch-on at a time",
                ),
                needs=draft.own_end(name) or feed_step,
            )
            draft.power[name] = n
        elif (
            len(feeds.reach[name]) == 1
            and profile.devices[feeds.reach[name][0]].kind == "computer"
            and feeds.reach[name][0] not in feeds.own_battery
            and known.going_down(feeds.reach[name][0])
        ):
            _power_cycle(draft, profile, feeds, device, feeds.reach[name][0], phase)
        return
    if not speaks:
        let_boot()
        return
    preset = presets.get(name)
    own_switch = "switch" in device.tells
    told = (
        device.fixture
        and preset is not None
        and bool({"level", "cct", "colour", "switch"} & device.tells)
    )
    heard = known.surely_heard(name) and not feed_step
    # what answers when it is told need not be heard before, once it has booted
    if not device.hears:
        let_boot()
    elif not heard and (feed_step or known.booting(name) or not (told or own_switch)):
        why = "it boots and reports" if feed_step else "it has to be heard before it is trusted"
        hear("somebody opens it: it has a battery of its own" if device.own_battery else why)
    turn = device.circuit if above is None and own_switch and not known.surely_on(name) else None
    if told and preset is not None:
        if (heard or not device.hears) and not feed_step and known.surely_set(name, preset):
            return
        draft.add(
            Step(
                0,
                name,
                "set",
                preset=preset,
                circuit=turn,
                inrush=device.inrush if turn else 0.0,
                takes=_fade_time(device) + (device.answers_in if own_switch else 0.0),
                phase=phase,
                counts=False,
                essential=essential,
                why="energised low, then faded to its preset" if own_switch else "its preset",
            ),
            needs=draft.own_end(name) or feed_step,
        )
    elif own_switch and not device.fixture and not (heard and known.surely_on(name)):
        draft.add(
            Step(
                0,
                name,
                "switch on",
                circuit=turn,
                inrush=device.inrush if turn else 0.0,
                takes=device.answers_in,
                phase=phase,
                essential=essential,
                why="amps come on last" if device.kind == "amp" else "its own switch",
            ),
            needs=draft.own_end(name) or feed_step,
        )


def _power_cycle(
    draft: _Draft, profile: SetProfile, feeds: Feeds, plug: Device, computer: str, phase: int
) -> None:
    """A computer that is shutting down starts again only when its mains comes back."""
    going = profile.devices[computer]
    shut = draft.add(
        Step(
            0,
            computer,
            "shut down",
            takes=going.shuts_in,
            phase=phase,
            essential=going.essential,
            why="it is shutting down already; cutting it now could lose work",
        )
    )
    off = draft.add(
        Step(
            0,
            plug.name,
            "power off",
            circuit=plug.circuit,
            takes=plug.answers_in,
            phase=phase,
            essential=plug.essential,
            why="it starts again when its mains returns",
        ),
        needs=[shut],
    )
    draft.power[plug.name] = draft.add(
        Step(
            0,
            plug.name,
            "power on",
            circuit=plug.circuit,
            inrush=feeds.inrush(profile, plug.name),
            takes=plug.answers_in,
            rest=REST_BETWEEN_OFF_AND_ON,
            phase=phase,
            essential=plug.essential,
            why="one switch-on at a time",
        ),
        needs=[off],
    )


def staying_on(profile: SetProfile, feeds: Feeds, everything: bool) -> set[str]:
    """What a run-down leaves on: what the profile says stays, and all that feeds it."""
    if everything:
        return set()
    stays: set[str] = set()
    for device in feeds.by_depth:
        if device.stays_on:
            stays.add(device.name)
            stays.update(device.feeds)
    return stays


def build_down(
    profile: SetProfile,
    feeds: Feeds,
    known: Knowledge,
    everything: bool = False,
) -> list[Step]:
    """The steps of a run-down, without what is already off."""
    draft = _Draft()
    stays = staying_on(profile, feeds, everything)
    phases = phases_up(profile, feeds)
    for device in reversed(feeds.by_depth):
        if device.name in stays or device.name in feeds.quiet_gear:
            continue
        # the mirror of the way up
        phase = 2 - phases[device.name]
        _device_down(draft, profile, feeds, known, device, phase, stays)
    for device in feeds.by_depth:
        if not device.after:
            continue
        target = energised_with(feeds, device.name, device.after)
        mine = [draft.power[target]] if target in draft.power else draft.own_end(device.name)
        for name in device.after:
            # what came up after another goes down before it
            first = draft.first.get(name)
            if first is None:
                switch = feeds.energiser(name)
                first = draft.power.get(switch) if switch and switch != target else None
            if first is None or first in mine:
                continue
            (draft.needs if device.kind == "amp" else draft.after)[first].extend(mine)
    return draft.finish()


def _device_down(
    draft: _Draft,
    profile: SetProfile,
    feeds: Feeds,
    known: Knowledge,
    device: Device,
    phase: int,
    stays: set[str],
) -> None:
    name = device.name
    above = feeds.above[name]
    powered = above is None or device.own_battery or not known.surely_off(above)

    def add(action: Action, takes: float, why: str, needs: Collection[int] = ()) -> int:
        return draft.add(
            Step(
                0,
                name,
                action,
                takes=takes,
                phase=phase,
                essential=device.essential,
                why=why,
            ),
            needs=needs,
        )

    if name in feeds.switches:
        if known.surely_off(name) or not powered:
            return
        needs: list[int] = []
        after: list[int] = []
        for child in feeds.reach[name]:
            end = draft.last.get(child)
            if end is None or child in feeds.own_battery:
                continue
            step = draft.steps[end]
            must = (
                step.action in ("shut down", "cool down") or profile.devices[child].kind == "plug"
            )
            (needs if must else after).append(end)
        draft.power[name] = draft.add(
            Step(
                0,
                name,
                "power off",
                circuit=device.circuit,
                takes=device.answers_in,
                phase=phase,
                essential=device.essential,
                why="amps go off first" if phase == 0 else "after all that hangs on it",
            ),
            needs=needs,
            after=after,
        )
        return
    if device.own_battery:
        told = "shut_down" in device.tells
        why = "its plug does not wait: it has a battery of its own" if told else CLOSE_IT
        add("shut down", device.shuts_in if told or "down" in device.hears else 0.0, why)
        return
    if device.speaks is None or not powered:
        return
    if device.fixture:
        if not {"level", "switch"} & device.tells:
            return
        hot = known.still_hot(name)
        last: list[int] = []
        if not known.surely_out(name):
            last = [add("fade out", _fade_time(device), "lights go out before their power")]
            hot = device.cools_in
        if hot > 0 and above is not None and above not in stays:
            add("cool down", hot, "its fan runs on after the lamp is out", needs=last)
        return
    if device.kind == "computer":
        proof = "shut_down" in device.tells or "down" in device.hears
        if proof or device.idle_below is not None:
            add("shut down", device.shuts_in, "its power goes only once it is down")
        return
    if "switch" in device.tells and not known.surely_off(name):
        why = "amps go off first" if device.kind == "amp" else "its own switch"
        add("switch off", device.answers_in, why)


def build_cut(profile: SetProfile, feeds: Feeds) -> list[Step]:
    """Everything off at once, without order. Network gear is told last, so the rest is reached."""
    network = {
        name
        for device in feeds.by_depth
        if device.kind == "network"
        for name in [device.name, *device.feeds]
    }
    names = [d.name for d in feeds.by_depth if "switch" in d.tells]
    names.sort(key=lambda name: (name in network, name not in feeds.switches))
    # fixtures on slots: no message of theirs waits in a broker, and one may have no plug
    slots = [d for d in feeds.by_depth if d.slots is not None]
    return [
        Step(
            n,
            d.name,
            "fade out",
            takes=d.answers_in,
            essential=False,
            why="its slots to 0, at once",
        )
        for n, d in enumerate(slots)
    ] + [
        Step(
            n,
            name,
            "power off" if name in feeds.switches else "switch off",
            takes=profile.devices[name].answers_in,
            essential=name in feeds.switches,
            why="everything off at once",
        )
        for n, name in enumerate(names, len(slots))
    ]


class Sequencer:
    """Which step may start now. Knows order, phases and turns on a circuit; not the gear."""

    def __init__(
        self,
        steps: list[Step],
        gaps: Mapping[str, float],
        free_at: dict[str, float],
    ) -> None:
        self.steps = steps
        self._gaps = gaps
        self._free_at = free_at
        self._waits: list[int] = []
        self._dependents: list[list[int]] = [[] for _ in steps]
        self._phase_open: dict[int, int] = {0: 0, 1: 0, 2: 0}
        self._parked: dict[int, list[int]] = {0: [], 1: [], 2: []}
        self._open: list[tuple[float, int]] = []
        self._turns: dict[str, list[tuple[float, int]]] = {}
        self._busy: set[str] = set()
        self._circuits: list[tuple[float, str]] = []
        self._resting: list[tuple[float, int]] = []
        self._ended: list[bool] = [False] * len(steps)
        self.left = len(steps)
        for step in steps:
            before = set(step.needs) | set(step.after)
            self._waits.append(len(before))
            for n in before:
                self._dependents[n].append(step.n)
            if step.counts:
                self._phase_open[step.phase] += 1
        self.tail = self._tails()
        for step in steps:
            if self._waits[step.n] == 0:
                self._released(step.n, None)

    def _tails(self) -> list[float]:
        """Predicted time (s) from the start of each step to the end of all that waits for it.

        Later phases wait for it too. Raises ValueError when steps wait for each other in a circle.
        """
        order = [n for n, count in enumerate(self._waits) if count == 0]
        counts = list(self._waits)
        for n in order:
            for dependent in self._dependents[n]:
                counts[dependent] -= 1
                if counts[dependent] == 0:
                    order.append(dependent)
        if len(order) != len(self.steps):
            raise ValueError("the order of the set goes round in a circle")
        tail = [0.0] * len(self.steps)
        longest = {0: 0.0, 1: 0.0, 2: 0.0}
        for phase in (2, 1, 0):
            beyond = max((longest[p] for p in range(phase + 1, 3)), default=0.0)
            for n in reversed(order):
                step = self.steps[n]
                if step.phase != phase:
                    continue
                further = max((tail[d] for d in self._dependents[n]), default=0.0)
                if step.counts:
                    further = max(further, beyond)
                tail[n] = step.rest + step.takes + further
                longest[phase] = max(longest[phase], tail[n])
        return tail

    def _released(self, n: int, now: float | None) -> None:
        step = self.steps[n]
        if any(self._phase_open[p] for p in range(step.phase)):
            self._parked[step.phase].append(n)
        elif step.rest > 0 and now is not None:
            heapq.heappush(self._resting, (now + step.rest, n))
        else:
            self._queue(n)

    def _queue(self, n: int) -> None:
        step = self.steps[n]
        entry = (-self.tail[n], n)
        if step.circuit is None:
            heapq.heappush(self._open, entry)
            return
        turns = self._turns.setdefault(step.circuit, [])
        heapq.heappush(turns, entry)
        if len(turns) == 1 and step.circuit not in self._busy:
            free = self._free_at.get(step.circuit, float("-inf"))
            heapq.heappush(self._circuits, (free, step.circuit))

    def next(self, now: float) -> Step | None:
        """Take the next step that may start; None when none may start yet."""
        while self._resting and self._resting[0][0] <= now:
            self._queue(heapq.heappop(self._resting)[1])
        while self._open:
            n = heapq.heappop(self._open)[1]
            if not self._ended[n]:
                return self.steps[n]
        while self._circuits and self._circuits[0][0] <= now:
            _, circuit = heapq.heappop(self._circuits)
            free = self._free_at.get(circuit, float("-inf"))
            if free > now and circuit not in self._busy:
                # something else was switched on meanwhile: what comes back after a take
                heapq.heappush(self._circuits, (free, circuit))
                continue
            turns = self._turns[circuit]
            while turns and self._ended[turns[0][1]]:
                heapq.heappop(turns)
            if turns and circuit not in self._busy:
                self._busy.add(circuit)
                return self.steps[heapq.heappop(turns)[1]]
        return None

    def next_at(self) -> float | None:
        """When the next step may start for which only time has to pass; None if there is none."""
        times = [heap[0][0] for heap in (self._resting, self._circuits) if heap]
        return min(times) if times else None

    def end(self, n: int, ok: bool, now: float, quiet_from: float | None = None) -> list[int]:
        """A step ended. Returns the steps that can no longer be done because they needed it.

        `quiet_from`: the circuit's gap counts from here, not from now: a switch-on nobody
        confirmed may still happen until its command has expired.
        """
        lost: list[int] = []
        pending = [(n, ok)]
        while pending:
            current, good = pending.pop()
            if self._ended[current]:
                continue
            self._ended[current] = True
            self.left -= 1
            step = self.steps[current]
            if current != n:
                lost.append(current)
            elif step.circuit is not None and step.circuit in self._busy:
                self._busy.discard(step.circuit)
                self._free_at[step.circuit] = max(
                    self._free_at.get(step.circuit, float("-inf")),
                    (now if quiet_from is None else quiet_from) + self._gaps.get(step.circuit, 0.0),
                )
                if self._turns.get(step.circuit):
                    heapq.heappush(self._circuits, (self._free_at[step.circuit], step.circuit))
            for dependent in self._dependents[current]:
                if self._ended[dependent]:
                    continue
                if not good and current in self.steps[dependent].needs:
                    pending.append((dependent, False))
                    continue
                self._waits[dependent] -= 1
                if self._waits[dependent] == 0:
                    self._released(dependent, now)
            if step.counts:
                self._phase_open[step.phase] -= 1
                if self._phase_open[step.phase] == 0:
                    self._open_phases(now)
        return lost

    def _open_phases(self, now: float) -> None:
        for phase in (1, 2):
            if any(self._phase_open[p] for p in range(phase)):
                return
            parked, self._parked[phase] = self._parked[phase], []
            for n in parked:
                if not self._ended[n]:
                    self._released(n, now)
