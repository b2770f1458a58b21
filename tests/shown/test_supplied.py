"""What is said of batteries and chargers on a page is, in English, what the bridge says of them."""

from __future__ import annotations

import pytest

from studiobridge.craft import supply
from studiobridge.shown import supplied

SAID = [
    ("battery", 12.0),
    ("battery_low", True),
    ("battery_low", False),
    ("card", 7.0),
    ("temperature", 71.0),
]


@pytest.mark.parametrize(("point", "value"), SAID)
@pytest.mark.parametrize("left", [None, 120.0, 600.0, 3000.0, 5400.0, 9000.0])
@pytest.mark.parametrize("over", [True, False])
@pytest.mark.parametrize("how_old", ["", "heard 40 min ago"])
def test_of_a_supply(
    point: str, value: float | bool, left: float | None, over: bool, how_old: str
) -> None:
    asked = ("clip", point, value, how_old, left, over)
    assert supplied.sentence(*asked) == supply.sentence(*asked)


@pytest.mark.parametrize("charge", supply.CHARGES)
def test_of_a_charger(charge: supply.Charge) -> None:
    assert supplied.charger("charger", charge) == supply.charger("charger", charge)


@pytest.mark.parametrize("seconds", [0.0, 400.0, 5399.0, 9000.0, 86400.0, 3 * 86400.0])
def test_of_an_age(seconds: float) -> None:
    assert supplied.age(seconds) == supply.age(seconds)
    assert supplied.kept() == supply.KEPT
