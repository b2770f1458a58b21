"""Measure gear made up by dice, with meters that err: what is proposed against what it truly is.

    python -m tests.meeting.turns --turns 60

Prints the worst error of every figure, and every figure that was proposed and is wrong: a boot or
an answer that the gear never takes (with what its plug and the network take on top), watts off by
more than the meter's own error, one step and a tenth of a watt, another way of coming back.
"""

from __future__ import annotations

import argparse
import itertools
import random

from studiobridge.meeting.measuring import Over
from studiobridge.rehearsal.devices import ANSWER_SCATTER, BOOT_SCATTER
from tests.meeting.virtual import Bench, text


def truly(table: list[tuple[float, float]], level: float) -> float:
    for (a, less), (b, more) in itertools.pairwise(table):
        if level <= b:
            return less + (more - less) * (level - a) / (b - a)
    return table[-1][1]


def one(seed: int) -> tuple[dict[str, float], list[str], int]:
    """Errors by figure, what is wrong, and how many figures were proposed."""
    dice = random.Random(f"measured {seed}")
    full, dark = dice.uniform(8.0, 120.0), dice.uniform(0.3, 1.5)
    bend = dice.uniform(0.35, 0.6)
    table = [(0.0, dark), (50.0, dark + (full - dark) * bend), (100.0, full)]
    table = [(level, round(watts, 2)) for level, watts in table]
    boots, answers = round(dice.uniform(0.5, 20.0), 1), round(dice.uniform(0.1, 1.5), 2)
    how = dice.choice(["last", "full", "dark"])
    draws = ", ".join(f"{level:g} %: {watts:g} W" for level, watts in table)
    figures = f", boots_in: {boots} s, answers_in: {answers} s, comes_back: {how}"
    bench = Bench(text(f"{figures}, draws_at: {{{draws}}}"), text(), seed=seed)
    bench.broker.trouble.jitter = dice.choice([0.0, 0.02, 0.3])
    plug = bench.room.devices["lamp-plug"]
    plug.meter_every = dice.choice([None, dice.uniform(1.0, 10.0)])
    plug.meter_gain = dice.uniform(0.985, 1.015)
    plug.meter_step = dice.choice([0.1, 0.1, 0.5, 1.0])
    plug.meter_blind = dice.choice([0.0, 2.0])
    found = bench.all()
    wrong = [f"seed {seed}: {text}" for text in bench.laws.breaches]
    wrong += [f"seed {seed}: {harm}" for harm in bench.room.harms]
    assert isinstance(bench.wish, Over)
    if bench.wish.why is not None:
        return {}, [*wrong, f"seed {seed}: stopped: {bench.wish.why}"], 0
    errors: dict[str, float] = {}
    for line in found.lines:
        if line.key in ("boots_in", "answers_in"):
            true, scatter = (
                (boots, BOOT_SCATTER) if line.key == "boots_in" else (answers, ANSWER_SCATTER)
            )
            said = float(line.text[:-2])
            errors[line.key] = said - true
            # a boot is counted from when its plug was told, which answers within 0.3 s
            slack = 0.1 + 0.3 * (line.key == "boots_in") + 2 * bench.broker.trouble.jitter
            if not true * scatter[0] <= said <= true * scatter[1] + slack:
                wrong.append(f"seed {seed}: {line.key} is {true} s, said {said} s")
        elif line.key == "comes_back" and line.text != how:
            wrong.append(f"seed {seed}: comes back {how}, said {line.text}")
        elif line.key == "draws_at":
            for level, watts in line.table:
                true = truly(table, level)
                blind = true * plug.meter_gain < plug.meter_blind
                error = abs(watts - true)
                errors["watts"] = max(errors.get("watts", 0.0), 0.0 if blind else error)
                most = 0.015 * true + plug.meter_step + 0.1 + (true if blind else 0.0)
                if error > most:
                    wrong.append(f"seed {seed}: at {level} % {true:.2f} W, said {watts} W")
    return errors, wrong, len(found.lines)


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--turns", type=int, default=60)
    asked = parser.parse_args()
    low: dict[str, float] = {}
    high: dict[str, float] = {}
    wrong: list[str] = []
    proposed = 0
    for seed in range(asked.turns):
        errors, bad, lines = one(seed)
        proposed += lines
        wrong += bad
        for key, error in errors.items():
            low[key] = min(low.get(key, error), error)
            high[key] = max(high.get(key, error), error)
    for key in low:
        print(f"{key}: off by {low[key]:+.2f} to {high[key]:+.2f}")
    print(f"{asked.turns} turns, {proposed} of {4 * asked.turns} figures proposed")
    print("\n".join(wrong) or "none is wrong")
    return 1 if wrong else 0


if __name__ == "__main__":
    raise SystemExit(main())
