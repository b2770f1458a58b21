"""How far is the sequence from the shortest there is? Against OR-tools CP-SAT.

    python -m tests.outside.shortest --sets 500

For each made-up set the same steps, waits and turns are given to the solver, which finds (and
proves) the smallest possible time to ready. The house's own rule runs without any solver.
"""

from __future__ import annotations

import argparse
from collections.abc import Iterator
from dataclasses import dataclass

from studiobridge.control.feeds import Feeds
from studiobridge.control.plan import order_problems, timeline
from studiobridge.control.sequence import NothingKnown, Step, build_up
from studiobridge.profile.model import SetProfile
from tests.control.sets import random_profile, with_orders

MILLI = 1000


@dataclass(frozen=True, slots=True)
class Compared:
    seed: int
    steps: int
    ours: float
    best: float
    in_file_order: float
    proven: bool

    @property
    def over(self) -> float:
        """How much longer ours is than the best, as a share of the best."""
        return self.ours / self.best - 1.0 if self.best > 0 else 0.0


def optimum(profile: SetProfile, steps: list[Step], seconds: float) -> tuple[float, bool]:
    """The smallest time to ready (s) and whether that is proven."""
    from ortools.sat.python import cp_model

    model = cp_model.CpModel()
    horizon = sum(round((s.takes + s.rest + 2.0) * MILLI) for s in steps) + 1
    start = [model.new_int_var(0, horizon, f"s{s.n}") for s in steps]
    took = [round(s.takes * MILLI) for s in steps]
    turns: dict[str, list[object]] = {}
    for step in steps:
        for n in {*step.needs, *step.after}:
            model.add(start[step.n] >= start[n] + took[n] + round(step.rest * MILLI))
        if step.circuit is not None:
            gap = round(profile.circuits[step.circuit].gap * MILLI)
            size = took[step.n] + gap
            interval = model.new_fixed_size_interval_var(start[step.n], size, f"i{step.n}")
            turns.setdefault(step.circuit, []).append(interval)
    for intervals in turns.values():
        model.add_no_overlap(intervals)
    for phase in (1, 2):
        opening = model.new_int_var(0, horizon, f"phase{phase}")
        for step in steps:
            if step.phase < phase and step.counts:
                model.add(opening >= start[step.n] + took[step.n])
            if step.phase >= phase:
                model.add(start[step.n] >= opening)
    ready = model.new_int_var(0, horizon, "ready")
    for step in steps:
        model.add(ready >= start[step.n] + took[step.n])
    model.minimize(ready)
    solver = cp_model.CpSolver()
    solver.parameters.max_time_in_seconds = seconds
    solver.parameters.num_workers = 2
    status = solver.solve(model)
    assert status in (cp_model.OPTIMAL, cp_model.FEASIBLE)
    return solver.best_objective_bound / MILLI, status == cp_model.OPTIMAL


def in_file_order(profile: SetProfile, steps: list[Step]) -> float:
    """Time to ready when everything is simply done one after the other, as the file lists it."""
    total = 0.0
    for step in steps:
        total += step.rest + step.takes
        if step.circuit is not None:
            total += profile.circuits[step.circuit].gap
    return total


def compare(sets: int, seconds: float = 10.0, first: int = 0) -> Iterator[Compared]:
    """One comparison a set; sets whose order cannot be are left out and made up for."""
    seed = first
    found = 0
    while found < sets:
        profile = with_orders(random_profile(seed, most=30), seed)
        seed += 1
        if order_problems(profile):
            continue
        feeds = Feeds(profile)
        steps = build_up(profile, feeds, profile.looks["day"].presets, NothingKnown())
        if len(steps) < 2:
            continue
        found += 1
        _, ours = timeline(profile, steps)
        best, proven = optimum(profile, steps, seconds)
        yield Compared(seed - 1, len(steps), ours, best, in_file_order(profile, steps), proven)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--sets", type=int, default=500)
    parser.add_argument("--seconds", type=float, default=10.0, help="the solver's limit a set")
    asked = parser.parse_args()
    rows = []
    for row in compare(asked.sets, asked.seconds):
        rows.append(row)
        if row.over > 0.05 or row.ours < row.best - 0.002:
            print(f"seed {row.seed}: ours {row.ours:.2f} s, best {row.best:.2f} s")
    overs = sorted(row.over for row in rows)
    within = sum(over <= 0.05 for over in overs) / len(overs)
    saved = sorted(1 - row.ours / row.in_file_order for row in rows)
    print(f"{len(rows)} sets, {sum(r.proven for r in rows)} proven by the solver")
    print(
        "over the best: "
        + ", ".join(
            f"p{p} {overs[min(len(overs) - 1, len(overs) * p // 100)]:.2%}" for p in (50, 90, 99)
        )
        + f", most {overs[-1]:.2%}; within 5 %: {within:.1%}"
    )
    print(f"saved against file order: median {saved[len(saved) // 2]:.0%}")


if __name__ == "__main__":
    main()
