"""Mains against NEC, IEC and BS figures (from memory where so marked)."""

from __future__ import annotations

import math

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
    """All at 75 °C: NEC chapter 9 table 8, stranded, from memory; IEC 60228 class 5 (at 20 °C, from
    memory) by the table's own footnote, R2 = R1 (1 + 0.00323 (T2 - 75)): 20 °C is 0.8224 of it."""
    assert resistance(304.8, awg=18) == pytest.approx(7.95)
    assert resistance(304.8, awg=16) == pytest.approx(4.99)
    assert resistance(304.8, awg=14) == pytest.approx(3.14)
    assert resistance(304.8, awg=12) == pytest.approx(1.98)
    for section, at_20 in ((0.75, 26.0), (1.0, 19.5), (1.5, 13.3), (2.5, 7.98)):
        assert resistance(1000, square_mm=section) == pytest.approx(at_20 / 0.82235, rel=1e-3)


def test_the_two_tables_agree_on_what_copper_is() -> None:
    """Ohm times section is the metal's: AWG n is 0.127 x 92^((36 - n) / 39) mm across (ASTM B258,
    from memory). A flexible cord may have up to a tenth more (its strands run longer)."""
    for gauge, section in ((18, 0.75), (16, 1.5), (14, 2.5), (12, 4.0)):
        across = 0.127 * 92 ** ((36 - gauge) / 39)
        american = resistance(1000, awg=gauge) * math.pi / 4 * across**2
        european = resistance(1000, square_mm=section) * section
        assert 0.98 <= european / american <= 1.15


def test_voltage_drop_by_hand() -> None:
    """2 L I R: 10 A over 20 m of warm 1.5 mm2 loses 6.47 V, 2.8 % of 230 V; over 25 m more than 3 %."""
    drop = voltage_drop(10, resistance(20, square_mm=1.5))
    assert drop == pytest.approx(6.47, abs=0.001)
    assert voltage_drop(10, resistance(25, square_mm=1.5)) / 230 > 0.03


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
