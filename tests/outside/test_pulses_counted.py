"""What pulsing light does to exposures, counted: a shutter opened at every phase over a pulse train.

The light is integrated as it is, pulse by pulse; nothing of the house's formula is in it.
"""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray

from studiobridge.craft.exposure import exposure_ripple, pulse_ripple

PHASES = np.linspace(0.0, 1.0, 4001)
HERTZ = 1000.0


def light_until(at: NDArray[np.float64], duty: float, least: float) -> NDArray[np.float64]:
    """How much light came since 0, at times in periods: bright (1) for `duty`, then `least`."""
    whole, part = np.floor(at), at - np.floor(at)
    one = duty + (1.0 - duty) * least
    bright = np.minimum(part, duty)
    return np.asarray(whole * one + bright + least * (part - bright))


def counted(periods: float, duty: float, modulation: float) -> float:
    """Largest deviation (%) of one exposure from the mean, over all phases it may begin at."""
    least = (100.0 - modulation) / (100.0 + modulation)
    took = light_until(PHASES + periods, duty, least) - light_until(PHASES, duty, least)
    mean = periods * (duty + (1.0 - duty) * least)
    return float(100.0 * np.abs(took / mean - 1.0).max())


def near(periods: float) -> NDArray[np.float64]:
    """Numbers of periods within half a one of this: the drift of a clock of its own."""
    return np.linspace(max(periods - 0.5, 0.05), periods + 0.5, 201)


@pytest.mark.parametrize("periods", [0.3, 0.77, 1.0, 1.5, 2.37, 7.0, 20.4])
@pytest.mark.parametrize("duty", [0.02, 0.3, 0.5, 0.9])
@pytest.mark.parametrize("modulation", [100.0, 40.0])
def test_a_locked_pulse_at_its_worst_phase(periods: float, duty: float, modulation: float) -> None:
    ripple = pulse_ripple(periods / HERTZ, HERTZ, modulation, duty, locked=True)
    assert ripple == pytest.approx(counted(periods, duty, modulation), rel=0.01, abs=0.05)


@pytest.mark.parametrize("periods", [3.0, 7.5, 20.4])
@pytest.mark.parametrize("duty", [0.02, 0.3, 0.5, 0.9])
@pytest.mark.parametrize("modulation", [100.0, 40.0])
def test_a_pulse_with_a_clock_of_its_own(periods: float, duty: float, modulation: float) -> None:
    """Not less than what the numbers of periods from this one on give, nor more than any near it."""
    ripple = pulse_ripple(periods / HERTZ, HERTZ, modulation, duty)
    worst = max(counted(float(n), duty, modulation) for n in near(periods))
    here = max(counted(float(n), duty, modulation) for n in near(periods) if n >= periods)
    assert here * 0.99 <= ripple <= worst * 1.01


@pytest.mark.parametrize("periods", [0.4, 1.3, 3.3, 12.0])
@pytest.mark.parametrize("modulation", [100.0, 40.0, 8.0])
def test_a_pulse_nobody_knows_is_at_least_as_bad_as_any(periods: float, modulation: float) -> None:
    """Any duty, and a sine of that depth, at that very number of periods."""
    shutter = periods / HERTZ
    bound = pulse_ripple(shutter, HERTZ, modulation)
    duties = np.concatenate([[0.005, 0.01], np.linspace(0.02, 0.98, 49)])
    worst = max(counted(periods, float(duty), modulation) for duty in duties)
    assert bound >= 0.99 * worst
    assert bound >= exposure_ripple(shutter, HERTZ, modulation)
