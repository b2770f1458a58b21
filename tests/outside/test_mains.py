"""Mains against NEC, IEC and BS figures (from memory where so marked)."""

from __future__ import annotations

import pytest

from studiobridge.craft.mains import (
    battery_hours,
    energy_cost,
    resistance,
    running_limit,
    trips,
    voltage_drop,
)


def test_continuous_load() -> None:
    """NEC 210.20(A), from memory: 15 A at 120 V carries 1440 W for long, 20 A carries 1920 W."""
    assert running_limit(15, 120) == pytest.approx(1440)
    assert running_limit(20, 120) == pytest.approx(1920)


def test_instantaneous_trip() -> None:
    """IEC 60898-1: B 3-5 x In, C 5-10 x In, D 10-20 x In."""
    assert trips(29, 0, 10, "B") == "no"
    assert trips(30, 0, 10, "B") == "may"
    assert trips(50, 0, 10, "B") == "will"
    assert trips(50, 0, 10, "C") == "may"
    assert trips(99, 0, 10, "D") == "no"
    assert trips(28, 3, 10, "B") == "may"  # what already runs counts


def test_resistances() -> None:
    """IEC 60228 class 5 and NEC chapter 9 table 8, from memory."""
    assert resistance(1000, square_mm=1.5) == pytest.approx(13.3)
    assert resistance(100, square_mm=2.5) == pytest.approx(0.798)
    assert resistance(304.8, awg=14) == pytest.approx(3.07)
    assert resistance(304.8, awg=12) == pytest.approx(1.93)


def test_voltage_drop_by_hand() -> None:
    """2 L I R: 10 A over 20 m of 1.5 mm2 loses 5.32 V, 2.3 % of 230 V; over 30 m more than 3 %."""
    drop = voltage_drop(10, resistance(20, square_mm=1.5))
    assert drop == pytest.approx(5.32)
    assert voltage_drop(10, resistance(30, square_mm=1.5)) / 230 > 0.03


def test_battery_and_energy() -> None:
    assert battery_hours(100, 40) == pytest.approx(2.0)  # a fifth held back
    assert energy_cost(1.5, 0.4) == pytest.approx(0.6)


@pytest.mark.parametrize(
    "call",
    [
        lambda: running_limit(0, 230),
        lambda: trips(-1, 0, 10, "B"),
        lambda: resistance(10, square_mm=1.7),
        lambda: resistance(10, awg=13),
        lambda: resistance(10),
        lambda: resistance(-1, awg=14),
        lambda: battery_hours(0, 10),
        lambda: battery_hours(10, 0),
        lambda: energy_cost(-1, 1),
    ],
)
def test_what_cannot_be_is_refused(call) -> None:  # type: ignore[no-untyped-def]
    with pytest.raises(ValueError):
        call()
