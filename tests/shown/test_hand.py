"""A hand on a dial, guided by watts: what is said, what is drawn, and what cannot be told."""

from __future__ import annotations

import math

import pytest

from studiobridge.shown.hand import as_json, bar, guide

# a rim of 15 W asked for 30 %: 5.1 W at its plug, and from 4.9 to 5.3 W will do
DIAL = {"dark": 0.6, "low": 4.9, "target": 5.1, "high": 5.3, "full": 15.0, "settled": True}


def said(**more: object) -> str:
    found = guide("rim", {**DIAL, **more})
    assert found is not None
    return found.text


@pytest.mark.parametrize(
    ("more", "text"),
    [
        ({"watts": 12.0, "was": 15.0}, "rim: 12 W, down from 15: much less"),
        ({"watts": 8.0, "was": 5.1}, "rim: 8 W, up from 5.1: less"),
        ({"watts": 6.0, "was": 6.0}, "rim: 6 W: a little less"),
        ({"watts": 6.0, "was": None, "settled": False}, "rim: 6 W: a little less …"),
        ({"watts": 1.0, "was": None}, "rim: 1 W: more"),
        ({"watts": 5.2, "was": 8.0, "settled": False}, "rim: 5.2 W, down from 8: hold it …"),
        ({"watts": 5.2, "was": 8.0}, "rim: 5.2 W, down from 8: there"),
    ],
)
def test_a_hand_is_told_what_to_do(more: dict[str, object], text: str) -> None:
    assert said(**more) == text


def test_it_is_there_only_when_the_reading_rests() -> None:
    """A sample of the way may lie on the mark by chance."""
    moving, still = (
        guide("rim", {**DIAL, "watts": 5.1, "settled": False}),
        guide("rim", {**DIAL, "watts": 5.1}),
    )
    assert moving is not None and not moving.there
    assert still is not None and still.there


def test_what_the_watts_cannot_tell_is_said_and_nothing_is_marked() -> None:
    found = guide("rim", {"watts": 14.0, "target": None, "why": "what pc draws is not known"})
    assert found is not None and found.mark is None and not found.there
    assert found.text == "rim: 14 W: what pc draws is not known"
    assert "┃" not in bar(found, 30)


def test_a_bar_has_its_mark_where_the_target_is() -> None:
    low, right, high = (guide("rim", {**DIAL, "watts": w}) for w in (2.0, 5.1, 14.0))
    assert low is not None and right is not None and high is not None
    drawn = [bar(each, 42) for each in (low, right, high)]
    assert {len(each) for each in drawn} == {42}
    assert {each.index("┃") for each in drawn} == {1 + int(40 * 4.5 / 14.4)}
    assert drawn[0].index("█") < drawn[0].index("┃") and "█" not in drawn[0][10:]
    assert drawn[2].rindex("█") > drawn[2].index("┃")


@pytest.mark.parametrize(
    "dial",
    [
        None,
        [],
        "5.1 W",
        {"watts": "many"},
        {"watts": math.nan},
        {**DIAL, "watts": 5.1, "full": 0.6},
        {**DIAL, "watts": 5.1, "low": 9.0},
        {**DIAL, "watts": 5.1, "target": {"of": 1}},
        {**DIAL, "watts": True},
        {**DIAL, "watts": 1e308, "full": 1e308, "dark": -1e308},
    ],
)
def test_nonsense_from_outside_marks_nothing_and_is_never_there(dial: object) -> None:
    found = guide("rim\x1b[2J", dial)
    assert found is None or (not found.there and "\x1b" not in found.text)
    if found is not None:
        bar(found, 30)


def test_a_line_of_json_says_what_the_sentence_does() -> None:
    dial = {**DIAL, "watts": 8.0, "was": 5.1}
    found = guide("rim", dial)
    assert found is not None
    assert as_json(found, dial) == {
        "device": "rim",
        "says": "rim: 8 W, up from 5.1: less",
        "there": False,
        "watts": 8.0,
        "was": 5.1,
        "target": 5.1,
        "low": 4.9,
        "high": 5.3,
        "settled": True,
    }
