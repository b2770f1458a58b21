"""How sure a figure is, in words: bands to a tenth, and no digit beyond them."""

from __future__ import annotations

import pytest

from studiobridge.figures.calibration import Calibration, Judged, Scale
from studiobridge.shown.light import lux, meter_lines, ratio, stops_of


@pytest.mark.parametrize(
    ("value", "stops", "said"),
    [
        (416.3, 0.29, "420 lx ± 0.3 stop"),
        (416.3, 0.06, "416 lx ± 0.1 stop"),
        (416.3, 1.2, "400 lx ± 1.2 stops"),
        (12345.0, 0.3, "12000 lx ± 0.3 stop"),
        (3.21, 0.3, "3.2 lx ± 0.3 stop"),
        (416.3, None, "416 lx"),
    ],
)
def test_lux(value: float, stops: float | None, said: str) -> None:
    assert lux(value, stops) == said


@pytest.mark.parametrize(
    ("value", "stops", "said"),
    [
        (2.04, 0.4, "2.0:1 ± 0.4 stop"),
        (2.04, 1.9, "2:1 ± 1.9 stops"),
        (0.49, 0.1, "1:2.0 ± 0.1 stop"),
        (0.25, 1.5, "1:4 ± 1.5 stops"),
    ],
)
def test_ratio(value: float, stops: float, said: str) -> None:
    assert ratio(value, stops) == said


def test_stops_of_a_backdrop() -> None:
    assert stops_of(-3.12, "above it", "below it", 0.24) == "3.1 ± 0.3 stops below it"
    assert stops_of(0.02, "above a card", "below a card", 0.4) == "level with a card ± 0.4 stop"
    assert stops_of(3.4, "above it", "below it", 2.4) == "3 ± 2.4 stops above it"


def test_a_reading_that_no_other_bears_out_is_not_told_as_borne_out() -> None:
    """It sets the light's figure, and so it cannot but go with it."""
    made = Calibration(
        (Scale("key", 1.1, 0.051, 1, ("face",)),),
        (Judged(1, "face", ("key",), 310.0, 310.0, 0.0, True, ""),),
        (),
        {},
    )
    ((_, text),) = [line for line in meter_lines(made) if line[0] == "reading 1"]
    assert text == "310 lx at the face, key: taken as it is, with none to compare it with"


def test_what_a_meter_made_of_the_makers_figures() -> None:
    made = Calibration(
        (Scale("key", 1.1187, 0.051, 2, ("face",)),),
        (
            Judged(1, "face", ("key",), 310.0, 309.0, 0.004, True, ""),
            Judged(2, "cloth", ("key", "fill"), 250.0, 230.0, 0.12, True, ""),
            Judged(3, "face", (), 2.0, None, None, True, ""),
        ),
        ("fill",),
        {"face": 2.0},
    )
    assert meter_lines(made) == [
        ("by your meter", "key 1.12 × its maker's figure (from 2 readings, ± 5 %)"),
        ("by the maker", "fill"),
        ("no light on", "2 lx at the face, taken off what is read there"),
        ("reading 1", "310 lx at the face, key: as the others say"),
        ("reading 2", "250 lx at the middle of cloth, key and fill: 0.1 stop over"),
        ("reading 3", "2 lx at the face, no light on"),
    ]
