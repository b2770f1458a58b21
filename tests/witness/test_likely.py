"""Which lamps have moved: against every supposition reckoned out one by one, by scipy's normal."""

from __future__ import annotations

import itertools

import numpy as np
import pytest
from scipy.stats import multivariate_normal

from studiobridge.witness.likely import (
    ALL,
    BELOW,
    GOES,
    LEAST,
    LETS_IN,
    NEVER,
    NONE,
    ONE,
    STRAY,
    TWO,
    Before,
    likely,
)

NAMES = ("key", "fill", "rim", "wall")
OF = {name: [i] for i, name in enumerate(NAMES)}
SHARES = [(name, None) for name in NAMES]
BEFORE = {name: Before(0.5, sure=0.05) for name in NAMES}
KINDS = 2


def slowly(mean: np.ndarray, cov: np.ndarray) -> tuple[dict[str, float], float]:
    """How likely each has moved, and stray light: the mixture as its definition has it."""
    n = len(NAMES)
    own = (0.05 / 1.96 * np.log(2) * 0.5) ** 2 + 1e-7
    far = (GOES * 0.5 + LEAST) ** 2
    pairs = list(itertools.combinations(NAMES, 2))
    sets = [(NONE, ())]
    sets += [(ONE / n, (name,)) for name in NAMES]
    alone = [*sets, (ALL, NAMES)]
    sets += [(TWO / len(pairs), pair) for pair in pairs] + [(ALL, NAMES)]
    moved, lit, total = dict.fromkeys(NAMES, 0.0), 0.0, 0.0
    both = [(p, who, None) for p, who in sets]
    both += [(p * STRAY / KINDS, who, j) for p, who in alone for j in range(KINDS)]
    for p, who, kind in both:
        may = np.diag([far if name in who else own for name in NAMES] + [0.0] * KINDS)
        if kind is not None:
            may[n + kind, n + kind] = LETS_IN**2
        middle = np.array([0.5] * n + [0.0] * KINDS)
        least = np.diag([0.0] * n + [1e-8] * KINDS)
        weight = p * multivariate_normal.pdf(mean, middle, cov + may + least)
        at = middle + may @ np.linalg.solve(cov + may + least, mean - middle)
        if (at[n:] < 0.0).any() or (at[:n] < -BELOW).any():
            weight *= np.exp(-NEVER)  # there is no light below nothing
        total += weight
        lit += weight if kind is not None else 0.0
        for name in who:
            moved[name] += weight
    return {name: value / total for name, value in moved.items()}, lit / total


@pytest.mark.parametrize(
    ("turned", "light"),
    [((), 0.0), (("fill",), 0.0), (("fill", "wall"), 0.0), ((), 0.03), (("key",), 0.02)],
)
def test_it_is_the_mixture_of_all_suppositions(turned: tuple[str, ...], light: float) -> None:
    dice = np.random.default_rng(5)
    n = len(NAMES) + KINDS
    for _ in range(4):
        mix = dice.normal(size=(n, n)) * 0.02
        cov = mix @ mix.T / n + np.eye(n) * 1e-5
        mean = np.array([0.6 if name in turned else 0.5 for name in NAMES] + [light, 0.0])
        mean = mean + dice.multivariate_normal(np.zeros(n), cov) / 3
        found = likely(OF, SHARES, mean, cov, BEFORE)
        moved, lit = slowly(mean, cov)
        assert found.stray == pytest.approx(lit, abs=1e-6)
        for name in NAMES:
            assert found.lights[name].moved == pytest.approx(moved[name], abs=1e-6)
