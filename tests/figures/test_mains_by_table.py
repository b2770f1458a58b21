"""What a lamp asks of the mains by its metered table, reckoned by hand."""

from __future__ import annotations

from dataclasses import replace

import pytest

from studiobridge.figures.mains import mains_of
from studiobridge.profile.model import Preset
from tests.figures.sets import FILL, KEY, PLUG, small

# A driver that takes more than its share when dimmed, as metered: 60 W at 50 %, not 50.
TABLE = ((0.0, 4.0), (50.0, 60.0), (100.0, 100.0))


def watts(level: float, **more: object) -> float:
    key = replace(KEY, draws=100.0, draws_at=TABLE, standby=4.0, **more)
    return mains_of(small(PLUG, key), "day", {"key": Preset(level, 4000.0)}).watts


@pytest.mark.parametrize(
    ("level", "metered"),
    [(0.0, 4.0), (25.0, 32.0), (50.0, 60.0), (75.0, 80.0), (100.0, 100.0)],
)
def test_the_load_of_a_look_is_read_off_the_table(level: float, metered: float) -> None:
    assert watts(level) == pytest.approx(metered)


def test_one_that_comes_back_at_full_takes_what_the_table_ends_with() -> None:
    """The print (95 W) may be off by some; what was metered is known better."""
    key = replace(KEY, draws=95.0, draws_at=TABLE, standby=4.0, comes_back="full")
    found = mains_of(small(PLUG, key), "day", {"key": Preset(10.0, 4000.0)})
    assert found.watts == pytest.approx(100.0)


def test_a_lamp_that_is_dark_takes_its_standby() -> None:
    fill = replace(FILL, standby=3.0)
    assert mains_of(small(PLUG, fill), "day", {"fill": Preset(0.0, 4000.0)}).watts == 3.0


def test_a_lead_carries_the_metered_current() -> None:
    """60 W at 230 V through 20 m of 1.5 mm2: 2 L I R, 13.3 ohm/km (IEC 60228, from memory) at 20 °C, warm."""
    key = replace(KEY, draws_at=TABLE)
    (lead,) = mains_of(small(PLUG, key), "day", {"key": Preset(50.0, 4000.0)}).leads
    assert lead.drop == pytest.approx(2 * 20 * (60 / 230) * 13.3 * 1.21615 / 1000)
