"""The order of steps: properties that hold for every set, and the plan that shows it."""

from __future__ import annotations

import itertools

import networkx
import pytest

from studiobridge.control.feeds import Feeds
from studiobridge.control.plan import OrderProblem, UnknownLook, order_problems, plan, timeline
from studiobridge.control.sequence import NothingKnown, Step, build_down, build_up
from studiobridge.profile.model import SetProfile
from tests.control.play import corner, fixture, on_plug, plug, profile
from tests.control.sets import random_profile, with_orders

SEEDS = range(150)


def steps_and_times(
    made: SetProfile, what: str
) -> tuple[list[Step], list[tuple[float, float]], Feeds]:
    feeds = Feeds(made)
    if what == "up":
        steps = build_up(made, feeds, made.looks["day"].presets, NothingKnown())
    else:
        steps = build_down(made, feeds, NothingKnown())
    times, _ = timeline(made, steps)
    return steps, times, feeds


def possible(seed: int) -> SetProfile | None:
    made = with_orders(random_profile(seed), seed)
    return None if order_problems(made) else made


@pytest.mark.parametrize("what", ["up", "down"])
def test_nothing_starts_before_what_it_waits_for(what: str) -> None:
    checked = 0
    for seed in SEEDS:
        made = possible(seed)
        if made is None:
            continue
        steps, times, _ = steps_and_times(made, what)
        for step in steps:
            for n in (*step.needs, *step.after):
                assert times[step.n][0] >= times[n][1] - 1e-9, (seed, step)
                checked += 1
    assert checked > 250


@pytest.mark.parametrize("what", ["up", "down"])
def test_turns_on_a_circuit_never_overlap_and_keep_their_gap(what: str) -> None:
    pairs = 0
    for seed in SEEDS:
        made = possible(seed)
        if made is None:
            continue
        steps, times, _ = steps_and_times(made, what)
        for name, circuit in made.circuits.items():
            turns = sorted(times[s.n] for s in steps if s.circuit == name)
            for (_, end), (start, _) in itertools.pairwise(turns):
                assert start >= end + circuit.gap - 1e-9, seed
                pairs += 1
    assert pairs > 200


def test_the_order_is_one_networkx_accepts() -> None:
    """Outside check: a topological order of the constraint graph, by networkx.

    The graph is built here from the profile alone: feeds, `after:`, amps last.
    """
    for seed in SEEDS:
        made = possible(seed)
        if made is None:
            continue
        steps, times, feeds = steps_and_times(made, "up")
        switched_on = {s.device: times[s.n][0] for s in steps if s.action == "power on"}
        done = {}
        for s in steps:
            done[s.device] = max(done.get(s.device, 0.0), times[s.n][1])
        graph = networkx.DiGraph()
        for name in made.devices:
            graph.add_node(name)
            above = feeds.above[name]
            if above is not None:
                graph.add_edge(above, name)
        assert networkx.is_directed_acyclic_graph(graph)
        rank = {name: i for i, name in enumerate(networkx.topological_sort(graph))}
        by_time = sorted(switched_on, key=lambda name: (switched_on[name], rank[name]))
        for first, second in graph.edges:
            if first in switched_on and second in switched_on:
                assert by_time.index(first) < by_time.index(second), seed
        for device in made.devices.values():
            for early in device.after:
                target = feeds.energiser(device.name)
                if (
                    target in switched_on
                    and early in done
                    and target not in (feeds.energiser(early), *made.devices[early].feeds)
                ):
                    assert switched_on[target] >= done[early] - 1e-9, (seed, device.name)


def test_amps_are_last_up_and_first_down_in_every_set() -> None:
    amps = 0
    for seed in SEEDS:
        made = possible(seed)
        if made is None:
            continue
        for what in ("up", "down"):
            steps, times, feeds = steps_and_times(made, what)
            sources = [d.name for d in made.devices.values() if d.kind == "audio"]
            for amp in (d for d in made.devices.values() if d.kind == "amp"):
                switch = feeds.energiser(amp.name)
                mine = [times[s.n] for s in steps if s.device == switch and s.circuit]
                for source in sources:
                    theirs = [
                        times[s.n]
                        for s in steps
                        if s.device == feeds.energiser(source) and s.circuit
                    ]
                    if not mine or not theirs:
                        continue
                    amps += 1
                    if what == "up":
                        assert mine[0][0] >= theirs[0][1] - 1e-9, (seed, amp.name, source)
                    else:
                        assert mine[0][1] <= theirs[0][0] + 1e-9, (seed, amp.name, source)
    assert amps > 50


def test_an_amp_on_its_sources_plug_is_a_problem() -> None:
    made = profile(plug("p"), on_plug("mixer", "audio", "p"), on_plug("monitors", "amp", "p"))
    (problem,) = order_problems(made)
    assert "monitors" in problem
    assert "plug of its own" in problem


def test_a_circle_through_the_feeds_is_a_problem() -> None:
    made = profile(
        plug("p"),
        plug("q"),
        on_plug("a", "light", "p", boots_in=1.0, after=("b",)),
        on_plug("b", "light", "q", boots_in=1.0, after=("c",)),
        on_plug("c", "light", "p", boots_in=1.0),
    )
    assert order_problems(made)
    with pytest.raises(OrderProblem):
        plan(made, "up")


def test_the_plan_is_numbered_in_the_order_of_its_times() -> None:
    made = plan(corner(), "up")
    assert [step.n for step in made.steps] == list(range(1, len(made.steps) + 1))
    starts = [step.at for step in made.steps]
    assert starts == sorted(starts)
    assert made.ready_in == max(step.until for step in made.steps)


def test_the_plan_of_a_small_set_by_hand() -> None:
    """Worked by hand: two plugs in turn, the slower lamp first, then each boots and fades."""
    made = profile(
        plug("p", answers_in=0.5),
        plug("q", answers_in=0.5),
        fixture("slow", "p", boots_in=6.0, answers_in=0.25, fade=1.0, tells=frozenset({"level"})),
        fixture("quick", "q", boots_in=2.0, answers_in=0.25, fade=1.0, tells=frozenset({"level"})),
    )
    from studiobridge.profile.model import Look, Preset

    looks = {"day": Look("day", {"slow": Preset(50.0), "quick": Preset(50.0)})}
    from dataclasses import replace

    timed = plan(replace(made, looks=looks), "up")
    at = {(s.device, s.action): (s.at, s.until) for s in timed.steps}
    assert at[("p", "power on")] == (0.0, 0.5)
    assert at[("q", "power on")] == (1.0, 1.5)  # after 0.5 s of confirming and 0.5 s of gap
    assert at[("slow", "wait for its report")] == (0.5, 6.75)
    assert at[("slow", "set")] == (6.75, 8.0)
    assert at[("quick", "set")] == (3.75, 5.0)
    assert timed.ready_in == 8.0


def test_an_unknown_look_names_the_known_ones() -> None:
    with pytest.raises(UnknownLook, match="day, dusk"):
        plan(corner(), "up", "noon")
