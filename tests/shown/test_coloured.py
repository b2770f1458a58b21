"""A coloured cloth in words and drawings: never by its colour alone, and nonsense left out."""

from __future__ import annotations

import math
import re
from pathlib import Path

import pytest

from studiobridge.cli import show
from studiobridge.craft.chroma import Colour, on_screen
from studiobridge.profile import read_profile
from studiobridge.shown import drift_words, words
from studiobridge.shown.condition import condition, tags
from studiobridge.shown.floor import floor
from studiobridge.shown.live import drawing
from studiobridge.shown.sheet import page

PROFILE = read_profile(Path(__file__).parents[2] / "config" / "green-cloth.yaml").profile
CLOTH = PROFILE.devices["cloth"]
GREEN = {"x": 0.3, "y": 0.6, "name": "green", "screen": "#00ff00"}


def lamp_part(seen: dict[str, object]) -> str:
    return drawing(PROFILE).parts(lambda _: seen, True, True)["lamp-cloth"]


def view(**more: object) -> dict[str, object]:
    return {
        "device": "cloth",
        "online": True,
        "switch": None,
        "level": 55.0,
        "cct": None,
        "colour": GREEN,
        "preset": {"level": 55.0, "cct": None, "colour": GREEN},
        "drift": None,
        "confirmed": True,
        "by": "report",
        **more,
    }


def entry(**more: object) -> dict[str, object]:
    return {
        "device": "cloth",
        "point": "colour",
        "wanted": {"x": 0.3, "y": 0.6},
        "reported": {"x": 0.3, "y": 0.5},
        "for_s": 12.0,
        "picture": None,
        **more,
    }


def test_the_page_draws_the_cloth_in_its_colour_with_a_word_beside_it() -> None:
    drawn = lamp_part(view())
    assert f'fill="{on_screen(Colour(0.3, 0.6))}"' in drawn
    assert ">55 %, green<" in drawn


def test_while_it_is_white_it_is_drawn_in_its_white_and_no_colour_is_said() -> None:
    white = view(cct=4300.0, colour=None)
    drawn = lamp_part(white)
    assert on_screen(Colour(0.3, 0.6)) not in drawn
    assert "green" not in drawn


@pytest.mark.parametrize("colour", [{}, [], "green", {"x": "<b>", "y": 1}, {"x": math.nan, "y": 0}])
def test_what_is_no_colour_is_left_out(colour: object) -> None:
    assert words.colour(colour) == ""
    how = condition(CLOTH, view(colour=colour), sure=True, up=True)
    assert tags(CLOTH, view(colour=colour), how)[0] == "55 %"
    lamp_part(view(colour=colour))


def test_a_drift_says_which_way_how_far_and_from_where_to_where() -> None:
    """From x 0.30, y 0.60 to x 0.30, y 0.50: CIE 1976 v' from 0.5625 to 0.5357, u' 0.125 to 0.1429.

    That is 0.032, and towards white.
    """
    line = drift_words.drift_line([entry()])
    assert line == (
        "cloth paler than wanted by 0.032 Δu′v′ (xy 0.300 0.600 → 0.300 0.500); for 12.0 s"
    )


def test_white_instead_of_a_colour_and_the_other_way_round() -> None:
    assert "white at 4300 K instead of green" in drift_words.by_how_much(entry(reported=4300.0))
    turned = entry(point="cct", wanted=4300.0, reported={"x": 0.3, "y": 0.6})
    assert drift_words.by_how_much(turned) == "green instead of white at 4300 K"
    # one that only says its colour says a white by it
    near_white = entry(reported={"x": 0.3127, "y": 0.329})
    assert drift_words.by_how_much(near_white).startswith("white at 65")


@pytest.mark.parametrize("nonsense", [None, "x", {}, {"x": 9, "y": 9}, math.inf, [1], True])
def test_nonsense_in_a_drift_of_colour_does_no_harm(nonsense: object) -> None:
    for key in ("wanted", "reported", "worst"):
        assert drift_words.drift_line([entry(**{key: nonsense})]).startswith("cloth ")


def test_status_shows_it(capsys: pytest.CaptureFixture[str]) -> None:
    show.print_status({"state": "ready", "set": "s"}, {"cloth": view()})
    said = capsys.readouterr().out
    assert re.search(r"cloth +answers +55 % +green +55 %, green", said), said


def test_the_sheet_and_the_floor_say_it() -> None:
    presets = PROFILE.looks["keyed"].presets
    colour = presets["cloth"].colour
    assert colour is not None
    drawn = floor(PROFILE, presets)
    assert f'fill="{on_screen(colour)}"' in drawn
    assert "32 %, green" in drawn
    assert "32 %, green xy 0.300 0.595" in page(PROFILE, "keyed", presets)
