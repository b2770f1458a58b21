"""Play many evenings: python -m tests.simulate --seeds 2000 [--first 0] [--calm] [--large]

A failed one again, with everything that happened or only its end; or first made as short as
it can be and still fail in the same way, by leaving out what people and the network did:

    python -m tests.simulate --seed S [--calm] [--large] --trace
    python -m tests.simulate --seed S --tail 60
    python -m tests.simulate --seed S --shorten
"""

from __future__ import annotations

import argparse
import re
import sys
import time
import traceback
from collections import Counter
from collections.abc import Mapping
from concurrent.futures import ProcessPoolExecutor
from typing import Any

from studiobridge.control import states as state_table
from studiobridge.control import steps as step_table
from tests.simulate.evening import NETWORK, Outcome, play
from tests.simulate.sets import made_up

LARGE = 60


def one(
    seed: int,
    calm: bool,
    trace: bool = False,
    large: bool = False,
    without: frozenset[str] = frozenset(),
    seldom: bool = True,
) -> Outcome:
    """The evening of a seed, on the set of that seed; every 20th set is a large one anyway."""
    most = LARGE if large or seed % 20 == 19 else 14
    try:
        return play(
            made_up(seed, most, seldom=seldom),
            seed,
            calm,
            trace=trace,
            without=without,
            seldom=seldom,
        )
    except Exception as error:  # a crash is a breach like any other, with its seed
        where = traceback.extract_tb(error.__traceback__)[-1]
        text = f"crash: {type(error).__name__}: {error} ({where.name}:{where.lineno})"
        if trace:
            raise
        return Outcome(seed, [text])


def some(seeds: range, calm: bool, large: bool) -> list[Outcome]:
    return [one(seed, calm, large=large) for seed in seeds]


def way_of_failing(outcome: Outcome) -> str | None:
    """The law that was broken (`law 5`, `liveness`, `ending`, `crash`)."""
    return " ".join(re.split(r"[: ]", outcome.breaches[0])[:2]) if outcome.breaches else None


def shortened(seed: int, large: bool, seldom: bool = True) -> frozenset[str]:
    """What can be left out of a failing evening so that it fails in the same way."""
    way = way_of_failing(one(seed, False, large=large, seldom=seldom))
    without: frozenset[str] = frozenset()
    parts = [*NETWORK, *(f"act {act}" for act in reversed(range(20)))]
    before = -1
    while way is not None and len(without) != before:
        before = len(without)
        for part in parts:
            fewer = without | {part}
            if part in without:
                continue
            if way_of_failing(one(seed, False, False, large, fewer, seldom)) == way:
                without = fewer
    return without


def never_taken(
    table: Mapping[Any, Mapping[Any, object]], taken: set[tuple[str, str]]
) -> list[str]:
    """Cells of a table, by row and column, that no evening came to."""
    every = {(row, column) for row, ways in table.items() for column in ways}
    return [f"{row}, {column}" for row, column in sorted(every - taken)]


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seeds", type=int, default=500)
    parser.add_argument("--first", type=int, default=0)
    parser.add_argument("--seed", type=int)
    parser.add_argument("--calm", action="store_true", help="nobody touches anything, no trouble")
    parser.add_argument("--large", action="store_true", help=f"sets of up to {LARGE} devices")
    parser.add_argument("--trace", action="store_true")
    parser.add_argument("--tail", type=int, help="only the end of the trace, so many lines")
    parser.add_argument("--shorten", action="store_true", help="the shortest trace that fails so")
    parser.add_argument("--processes", type=int)
    asked = parser.parse_args()
    if asked.seed is not None:
        trace = asked.trace or asked.shorten or bool(asked.tail)
        without = shortened(asked.seed, asked.large) if asked.shorten else frozenset()
        outcome = one(asked.seed, asked.calm, trace, asked.large, without)
        print("\n".join(outcome.trace[-asked.tail :] if asked.tail else outcome.trace))
        if asked.shorten:
            print("what had to happen:", *outcome.did, sep="\n")
        print("\n".join(outcome.breaches) or f"seed {asked.seed}: every law held")
        return 1 if outcome.breaches else 0
    began = time.monotonic()
    chunk = 25
    chunks = [
        range(at, min(at + chunk, asked.first + asked.seeds))
        for at in range(asked.first, asked.first + asked.seeds, chunk)
    ]
    failed: list[Outcome] = []
    kinds: Counter[str] = Counter()
    failed_with: Counter[str] = Counter()
    states: set[str] = set()
    turns: set[tuple[str, str]] = set()
    steps: set[tuple[str, str]] = set()
    done = events = told = 0
    with ProcessPoolExecutor(asked.processes) as pool:
        for outcomes in pool.map(
            some, chunks, [asked.calm] * len(chunks), [asked.large] * len(chunks)
        ):
            for outcome in outcomes:
                done += 1
                events += outcome.events
                told += outcome.told
                kinds.update(outcome.kinds)
                states |= outcome.states
                turns |= outcome.turns
                steps |= outcome.steps
                if outcome.breaches:
                    failed_with.update(outcome.kinds)
                    failed.append(outcome)
            if sys.stderr.isatty():
                print(f"\r{done} evenings, {len(failed)} failed", end="", file=sys.stderr)
    took = time.monotonic() - began
    if sys.stderr.isatty():
        print(file=sys.stderr)
    for outcome in failed[:10]:
        print(f"seed {outcome.seed}: {outcome.breaches[0]}")
    print(
        f"{done} evenings in {took:.1f} s, {events} events, {told} commands; {len(failed)} failed;"
        f" states seen: {', '.join(sorted(states))}"
    )
    if kinds:
        print("evenings with each kind of trouble, and how many of them failed:")
        for kind, n in kinds.most_common():
            print(f"  {kind:<12} {n:>8} {failed_with[kind]:>6}")
    for what, table, taken in (
        ("ways of the state table", state_table.TABLE, turns),
        ("cells of the step table", step_table.TABLE, steps),
    ):
        print(f"{what} never taken: {'; '.join(never_taken(table, taken)) or 'none'}")
    return 1 if failed else 0


if __name__ == "__main__":
    sys.exit(main())
