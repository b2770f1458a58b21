"""The timeline a request will follow, predicted from the figures of the profile.

The same rules that run the set (`sequence.Sequencer`) are played through with the typical
times of the devices. Only a prediction: on the day, reports move the steps on.
"""

from __future__ import annotations

import heapq
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from typing import Literal

from studiobridge.control.feeds import Feeds
from studiobridge.control.people import on_the_way_down, on_the_way_up
from studiobridge.control.sequence import (
    NothingKnown,
    Sequencer,
    Step,
    build_down,
    build_up,
    energised_with,
    feeds_of,
    phases_up,
)
from studiobridge.craft.chroma import spelled
from studiobridge.profile.model import Preset, SetProfile
from studiobridge.profile.near import near


class UnknownLook(ValueError):
    """The profile has no look of that name, or needs one and has none."""


class OrderProblem(ValueError):
    """The profile asks for an order that cannot be. One sentence a problem in `problems`."""

    def __init__(self, problems: tuple[str, ...]) -> None:
        super().__init__("; ".join(problems))
        self.problems = problems


@dataclass(frozen=True, slots=True)
class PlannedStep:
    """One step with its predicted start and end (s from the request)."""

    n: int
    at: float
    until: float
    device: str
    action: str
    value: str
    waits_for: tuple[str, ...]
    why: str
    circuit: str | None


@dataclass(frozen=True, slots=True)
class Plan:
    """What `up` or `down` would do, from a set in which nothing is known to be on (or off)."""

    set: str
    request: Literal["up", "down"]
    look: str | None
    ready_in: float
    steps: tuple[PlannedStep, ...]
    hand_set: tuple[tuple[str, Preset], ...]
    # what it asks of people, in sentences
    people: tuple[str, ...]
    cautions: tuple[str, ...]


CAUTIONS_UP = (
    "Lights come on and sound comes up: nobody's hands or eyes near them.",
    "A sequence, not a safety device: lockouts, breakers and local code decide.",
)
CAUTIONS_DOWN = (
    "Lamps and supplies stay hot for a while after they are off.",
    "Off by a plug is not isolated: pull the plug before you open or move anything.",
)


def presets_of(profile: SetProfile, look: str | None) -> Mapping[str, Preset]:
    """The presets of a look (None: the default look). Raises UnknownLook."""
    if look is None:
        look = profile.default_look
    if look is None:
        return {}
    if look not in profile.looks:
        raise UnknownLook(no_such_look(look, profile.looks))
    return profile.looks[look].presets


def no_such_look(look: str, looks: Iterable[str]) -> str:
    names = list(looks)
    meant = "".join(f"did you mean {one!r}? " for one in near(look, names))
    return f"no look {look!r} in this set; {meant}it has: {', '.join(names) or 'none'}"


def order_problems(profile: SetProfile) -> tuple[str, ...]:
    """Orders that cannot be kept: an amp on its source's plug, or a circle through the feeds."""
    feeds = Feeds(profile)
    problems: list[str] = []
    sources = [d for d in profile.devices.values() if d.kind == "audio"]
    for amp in profile.devices.values():
        if amp.kind != "amp":
            continue
        switch = feeds.energiser(amp.name)
        if switch is None:
            continue
        names = dict.fromkeys([d.name for d in sources] + list(amp.after))
        for name in names:
            above = feeds_of(feeds, name) | ({name} if name in feeds.switches else set())
            if switch in above:
                problems.append(
                    f"{amp.name} and {name} are both powered by {switch}, so the amp cannot come on"
                    f" last and go off first; feed {amp.name} from a plug of its own"
                )
    phases = phases_up(profile, feeds)
    if any(device.kind == "amp" for device in profile.devices.values()):
        problems.extend(
            f"{source.name} would come on after the amps, because of what its plug waits for;"
            " amps come on last and go off first"
            for source in sources
            if phases[source.name] == 2 and not problems
        )
    for device in profile.devices.values():
        for name in device.after:
            if energised_with(feeds, device.name, [name]) != device.name:
                continue
            own = {"switch", "level", "cct", "colour"} & device.tells and device.kind != "plug"
            if feeds.energiser(device.name) is not None and not own and device.kind != "amp":
                problems.append(
                    f"{device.name} is to come after {name}, but one plug powers both and"
                    f" {device.name} has no switch of its own; feed it from another plug"
                )
    if problems:
        return tuple(problems)
    for what in ("up", "down"):
        try:
            plan(profile, "up" if what == "up" else "down")
        except OrderProblem as problem:
            return problem.problems
    return ()


def describe(step: Step) -> str:
    """The value a step sets, in words."""
    if step.preset is None:
        return ""
    parts = []
    if step.preset.level is not None:
        parts.append(f"{step.preset.level:g} %")
    if step.preset.cct is not None:
        parts.append(f"{step.preset.cct:.0f} K")
    if step.preset.colour is not None:
        parts.append(spelled(step.preset.colour))
    return ", ".join(parts)


def timeline(
    profile: SetProfile, steps: list[Step], free_at: dict[str, float] | None = None
) -> tuple[list[tuple[float, float]], float]:
    """Predicted (start, end) of every step by number, and when the last one ends.

    Raises OrderProblem when the steps wait for each other in a circle.
    """
    gaps = {name: circuit.gap for name, circuit in profile.circuits.items()}
    try:
        sequencer = Sequencer(steps, gaps, dict(free_at or {}))
    except ValueError as error:
        raise OrderProblem((f"{error}: look at `after:` and at which plug feeds what",)) from error
    times = [(0.0, 0.0)] * len(steps)
    ending: list[tuple[float, int]] = []
    now = 0.0
    while sequencer.left:
        while (step := sequencer.next(now)) is not None:
            times[step.n] = (now, now + step.takes)
            heapq.heappush(ending, (now + step.takes, step.n))
        soonest = sequencer.next_at()
        if ending and (soonest is None or ending[0][0] <= soonest):
            now, n = heapq.heappop(ending)
            sequencer.end(n, True, now)
        elif soonest is not None:
            now = max(now, soonest)
        else:
            raise OrderProblem(("the order of the set goes round in a circle",))
    return times, max((end for _, end in times), default=0.0)


def in_order(
    profile: SetProfile, steps: list[Step], free_at: dict[str, float] | None = None
) -> tuple[list[Step], list[tuple[float, float]], float]:
    """The steps renumbered by their predicted start, with their times."""
    times, ready = timeline(profile, steps, free_at)
    order = sorted(range(len(steps)), key=lambda n: (times[n][0], times[n][1], n))
    number = {old: new for new, old in enumerate(order)}
    renumbered = [
        replace(
            steps[old],
            n=number[old],
            needs=tuple(sorted(number[n] for n in steps[old].needs)),
            after=tuple(sorted(number[n] for n in steps[old].after)),
        )
        for old in order
    ]
    return renumbered, [times[old] for old in order], ready


def waits_for(step: Step, steps: list[Step]) -> tuple[str, ...]:
    """What a step waits for, in words: `bench-plug: power on`."""
    names = [f"{steps[n].device}: {steps[n].action}" for n in (*step.needs, *step.after)]
    if step.rest > 0:
        names.append(f"{step.rest:g} s with its power off")
    return tuple(dict.fromkeys(names))


def plan(
    profile: SetProfile,
    request: Literal["up", "down"],
    look: str | None = None,
    everything: bool = False,
) -> Plan:
    """The predicted timeline. Raises UnknownLook or OrderProblem."""
    feeds = Feeds(profile)
    presets = presets_of(profile, look)
    if request == "up":
        steps = build_up(profile, feeds, presets, NothingKnown())
    else:
        steps = build_down(profile, feeds, NothingKnown(), everything)
    ordered, times, ready = in_order(profile, steps)
    phase_names = {2: "every other device", 1: "network gear"}
    if request == "down":
        phase_names = {2: "every other device", 1: "the amps"}
    has_earlier = {p: any(s.phase < p for s in ordered) for p in (1, 2)}
    planned = tuple(
        PlannedStep(
            n=step.n + 1,
            at=round(start, 3),
            until=round(end, 3),
            device=step.device,
            action=step.action,
            value=describe(step),
            waits_for=waits_for(step, ordered)
            + ((phase_names[step.phase],) if has_earlier.get(step.phase) else ()),
            why=step.why,
            circuit=profile.devices[step.device].circuit,
        )
        for step, (start, end) in zip(ordered, times, strict=True)
    )
    return Plan(
        set=profile.name,
        request=request,
        look=(look or profile.default_look) if request == "up" else None,
        ready_in=round(ready, 3),
        steps=planned,
        hand_set=tuple(
            (name, preset) for name, preset in presets.items() if profile.devices[name].hand_set
        )
        if request == "up"
        else (),
        people=on_the_way_up(profile, presets) if request == "up" else on_the_way_down(profile),
        cautions=CAUTIONS_UP if request == "up" else CAUTIONS_DOWN,
    )
