"""A take's picture in words: bands, what the two do not know, and never a picture that there is not."""

from __future__ import annotations

import json
from dataclasses import replace
from typing import Any

import pytest

from studiobridge.control.effects import TakeNote
from studiobridge.control.pictured import HINDERS
from studiobridge.control.seen_apart import between
from studiobridge.control.seen_then import kept_of
from studiobridge.control.taken import Taken, Tally
from studiobridge.panel.texts import tongues
from studiobridge.profile.sighting import (
    Band,
    SeenFraming,
    SeenLight,
    SeenScreen,
    SeenWhite,
    Sighting,
    Stray,
)
from studiobridge.shown import seen_take
from studiobridge.shown import takes as said
from studiobridge.shown.seen_columns import columns, compared
from studiobridge.shown.tongue import speaking

AT = 1_772_395_200.0
ALLOWED = {"key": 0.1, "rim": 0.1}


def near(value: float, by: float) -> Band:
    return Band(value - by, value, value + by)


PLAIN = Sighting(
    "one",
    3,
    AT,
    0.2,
    learned="2026-02-01T10:00:00Z",
    kept="day",
    kept_at="2026-02-20T10:00:00Z",
    lights={
        "key": SeenLight(near(0.3, 0.02), stops=near(0.0, 0.05)),
        "rim": SeenLight(near(0.3, 0.02), stops=near(0.0, 0.05)),
    },
    screen=SeenScreen(near(0.4, 0.1), "upper left", -0.3, covered=0.1),
    white=SeenWhite("card", near(0.0, 1.5), near(0.0, 0.001)),
    exposure=near(0.0, 0.05),
    framing=SeenFraming(0.0, 0.0, 0.0, 1.0, 0.0, False, 0.0),
)
LATER = replace(
    PLAIN,
    white=SeenWhite("card", near(6.0, 1.0), near(0.0, 0.001)),
    exposure=near(-0.2, 0.03),
    framing=SeenFraming(-14.0, 0.0, 0.0, 1.0, 14.0 / 960.0, True, 0.0),
    hinders=(),
)


def picture(found: Sighting, **more: object) -> dict[str, Any]:
    return json.loads(  # type: ignore[no-any-return]
        json.dumps({"age_s": 1.8, "oldest_s": 1.8, "sighting": kept_of(found), **more})
    )


def taken(number: int, seen: object, mark: str = "", **ended: object) -> Taken:
    stood: dict[str, object] = {"session": 1, "look": "day", "lights": {}}
    if seen is not None:
        stood["seen"] = seen
    notes = [
        TakeNote(AT, number, "begun", None, 0.0, "report", 0.0, "", None, stood),
        TakeNote(AT + 65.0, number, "ended", None, 65.0, "report", detail={"seen": ended}),
        TakeNote(AT + 70.0, number, "marked", None, 0.0, "Ana", 0.0, None, mark),
    ]
    return Tally(notes).takes[number]


def lines(then: object, now: object) -> list[str]:
    return seen_take.against_lines(between(then, now, ALLOWED), "take 3", "now")


def test_same_as_the_last_good_one_is_answered_in_figures_with_their_bands() -> None:
    found = lines(picture(PLAIN), picture(LATER))
    assert found[:3] == [
        "by the picture, exposure 0.2 stop less (0.1 to 0.3)",
        "by the picture, the camera looks 14 px further left",
        "by the picture, white 6 mired warmer (4 to 8): it may be within what is allowed",
    ]
    assert found[3].startswith("the same as far as the picture can tell: ")
    for what in ("tint", "how even the backdrop is", "light from nowhere", "focus", "the lights"):
        assert what in found[3]
    assert found[4].startswith("A picture is no meter")
    assert len(found) == 5


def test_bands_are_rounded_outwards_and_no_finer_than_they_are() -> None:
    entry = {"what": "exposure", "by": -0.234, "band": [-0.2901, -0.1777], "past": True}
    assert seen_take.difference(entry) == "exposure 0.2 stop less (0.1 to 0.3)"
    fine = {**entry, "by": 0.234, "band": [0.2311, 0.2401]}
    assert seen_take.difference(fine) == "exposure 0.23 stop more (0.23 to 0.25)"


@pytest.mark.parametrize(
    ("later", "text"),
    [
        (
            {"lights": {**PLAIN.lights, "rim": SeenLight(near(0.2, 0.01), stops=near(-0.6, 0.05))}},
            "by the picture, rim 0.6 stop less (0.5 to 0.7)",
        ),
        (
            {"screen": SeenScreen(near(1.0, 0.1), "left", -0.5)},
            "by the picture, the backdrop 0.6 stop less even (0.4 to 0.8)",
        ),
        (
            {"stray": Stray(near(0.12, 0.01), "left")},
            "by the picture, 12 % more light from nowhere (8 to 13 %)",
        ),
        (
            {"white": SeenWhite("card", near(0.0, 1.5), near(-0.02, 0.001))},
            "by the picture, white more magenta by 0.0200 Duv (0.0185 to 0.0215)",
        ),
        (
            {"framing": SeenFraming(0.0, 0.0, 3.2, 1.03, 0.02, True, 0.0)},
            "by the picture, the camera looks elsewhere, leaning 3.2° to its right, 3.0 % closer",
        ),
        (
            {"framing": SeenFraming(0.0, 0.0, 0.0, 1.0, 0.0, False, 0.5)},
            "by the picture, softer: 50 % less fine detail",
        ),
    ],
)
def test_each_part_has_its_words(later: dict[str, Any], text: str) -> None:
    assert lines(picture(PLAIN), picture(replace(PLAIN, **later)))[0] == text


def test_a_light_of_which_a_report_says_more_is_said_once() -> None:
    dim = {**PLAIN.lights, "rim": SeenLight(near(0.2, 0.01), stops=near(-0.6, 0.05))}
    found = between(picture(PLAIN), picture(replace(PLAIN, lights=dim)), ALLOWED)
    every = seen_take.against_lines(found, "take 3", "now", ("rim",))
    assert not any("rim" in line for line in every)
    assert "the other lights" in every[0]


def test_what_one_of_the_two_does_not_know_is_said_of_which() -> None:
    hidden = replace(PLAIN, white=None, lights={"key": PLAIN.lights["key"]})
    assert "not in the picture of now: white, rim" in lines(picture(PLAIN), picture(hidden))
    assert "not in the picture of take 3: white, rim" in lines(picture(hidden), picture(PLAIN))
    faint = {**PLAIN.lights, "rim": SeenLight(near(0.0, 0.3), tells=False)}
    faint_one = picture(replace(PLAIN, lights=faint))
    assert "too little in the picture to tell: rim" in lines(faint_one, faint_one)
    other = picture(replace(PLAIN, kept_at="2026-02-21T10:00:00Z"))
    assert (
        "not comparable, held against different pictures: white, exposure, where the camera looks"
        in lines(picture(PLAIN), other)
    )


@pytest.mark.parametrize("why", [*seen_take.WHYS, "the lens is on fire"])
def test_where_there_is_no_picture_nothing_is_compared_and_it_says_why(why: str) -> None:
    found = lines(picture(PLAIN), {"why": why})
    assert len(found) == 1 and found[0].startswith("now: no picture (")
    assert seen_take.verdict(between(picture(PLAIN), {"why": why}, ALLOWED)) == ""
    with speaking(tongues()["de"]):
        told = lines(picture(PLAIN), {"why": why})[0]
    assert (why in told) is (why == "the lens is on fire")


def test_every_hindrance_has_a_sentence_as_a_reason() -> None:
    assert set(HINDERS.values()) <= set(seen_take.WHYS)


# ---- a take -----------------------------------------------------------------------------------


def test_a_take_says_when_its_picture_was_looked_at() -> None:
    rows = said.stood_lines(taken(1, picture(LATER)))
    assert (
        "by the picture",
        "looked 1.8 s before it began, held against the picture of day",
    ) in rows
    text = dict(rows)
    assert text["white"] == "6 mired warmer than kept (5 to 7), at the card"
    assert text["exposure"] == "0.20 stop less than kept (0.17 to 0.23)"
    assert "the camera looks 14 px further left" in text["where the camera looks"]
    many = said.stood_lines(taken(1, picture(PLAIN, oldest_s=190.0)))
    assert any("of frames over 3 min 08 s" in line for _, line in many)


def test_a_take_without_a_picture_says_so_and_one_of_before_says_nothing() -> None:
    rows = said.stood_lines(taken(1, {"why": "the witness had left"}))
    assert rows == [("by the picture", "none: the witness had left")]
    assert said.stood_lines(taken(1, None)) == []


def test_how_far_it_was_looked_at_is_said() -> None:
    take = taken(1, picture(PLAIN), looks=6, from_s=1.8, to_s=62.0, gap_s=12.0)
    text = "the picture was looked at 6 times in it, from 0:01 to 1:02, at most 12.0 s apart"
    assert text in said.times(take)
    assert "the picture was not looked at in it" in said.times(taken(1, picture(PLAIN), looks=0))


@pytest.mark.parametrize(
    ("detail", "text", "off", "line"),
    [
        (
            {"phase": "lost"},
            "the witness had left",
            0.0,
            "the picture was not seen from here on: the witness had left",
        ),
        ({"phase": "back"}, "", 0.0, "the picture is seen again"),
        (
            {
                "phase": "moved",
                "differs": [{"what": "white", "by": 9.0, "band": [7.0, 11.0], "past": True}],
            },
            "",
            2.0,
            "by the picture, white 9 mired warmer (7 to 11), up to 2.0 s earlier",
        ),
        ({"phase": "moved", "differs": 3}, "", None, "the picture changed"),
    ],
)
def test_what_the_picture_showed_within_a_take(
    detail: dict[str, Any], text: str, off: float | None, line: str
) -> None:
    assert seen_take.change(detail, text, off) == line


def test_a_row_has_the_figures_and_is_empty_for_what_was_not_said() -> None:
    good, now = taken(1, picture(PLAIN), "good"), taken(2, picture(LATER))
    row = columns(now, compared(None, good, now))
    assert (row["white_mired"], row["white_mired_low"], row["white_mired_high"]) == (6.0, 5.0, 7.0)
    assert (row["exposure_stops"], row["camera_right_px"], row["even_worst"]) == (
        -0.2,
        -14.0,
        "upper left",
    )
    assert (row["good_take"], row["as_good"]) == (1, "differs")
    assert "exposure 0.2 stop less" in str(row["as_good_differs"])
    none = columns(taken(3, {"why": "the witness had left"}), None)
    assert none["picture_none"] == "the witness had left"
    assert {value for key, value in none.items() if key != "picture_none"} == {""}
    assert "white_mired" not in said.csv_row(taken(4, None))


@pytest.mark.parametrize(
    "entry",
    [
        None,
        3,
        {},
        {"what": "white", "by": 1e300, "band": [0, 1]},
        {"what": "x", "by": 1, "band": [0, 2]},
        {"what": "white", "by": 1, "band": "ab"},
        {"what": "framing", "by": 1, "band": [2, 0]},
    ],
)
def test_nonsense_for_a_difference_is_no_line(entry: object) -> None:
    assert seen_take.difference(entry) == ""
    assert seen_take.against_lines({"differs": [entry], "unknown": [entry]}, "a", "b") == []
