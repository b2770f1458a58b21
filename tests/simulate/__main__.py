"""Play many evenings: python -m tests.simulate --seeds 2000 [--first 0] [--calm] [--seed S --trace]"""

from __future__ import annotations

import argparse
import sys
import time
import traceback
from collections import Counter
from concurrent.futures import ProcessPoolExecutor

from tests.simulate.evening import Outcome, play
from tests.simulate.sets import made_up


def one(seed: int, calm: bool, trace: bool = False) -> Outcome:
    """The evening of a seed, on the set of that seed."""
    try:
        return play(made_up(seed), seed, calm, trace=trace)
    except Exception as error:  # a crash is a breach like any other, with its seed
        where = traceback.extract_tb(error.__traceback__)[-1]
        text = f"crash: {type(error).__name__}: {error} ({where.name}:{where.lineno})"
        if trace:
            raise
        return Outcome(seed, [text])


def some(seeds: range, calm: bool) -> list[Outcome]:
    return [one(seed, calm) for seed in seeds]


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seeds", type=int, default=500)
    parser.add_argument("--first", type=int, default=0)
    parser.add_argument("--seed", type=int)
    parser.add_argument("--calm", action="store_true", help="nobody touches anything, no trouble")
    parser.add_argument("--trace", action="store_true")
    parser.add_argument("--processes", type=int)
    asked = parser.parse_args()
    if asked.seed is not None:
        outcome = one(asked.seed, asked.calm, asked.trace)
        print("\n".join(outcome.trace))
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
    states: set[str] = set()
    done = events = told = 0
    with ProcessPoolExecutor(asked.processes) as pool:
        for outcomes in pool.map(some, chunks, [asked.calm] * len(chunks)):
            for outcome in outcomes:
                done += 1
                events += outcome.events
                told += outcome.told
                kinds.update(outcome.kinds)
                states |= outcome.states
                if outcome.breaches:
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
        print("what happened: " + ", ".join(f"{kind} {n}" for kind, n in kinds.most_common()))
    return 1 if failed else 0


if __name__ == "__main__":
    sys.exit(main())
