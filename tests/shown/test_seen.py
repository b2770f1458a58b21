"""What is said of a picture: bands, what hinders, and never more than a look of now can tell."""

from __future__ import annotations

import dataclasses
import json
import math
from dataclasses import replace
from datetime import UTC, datetime
from typing import Any, get_args

import pytest

from studiobridge.control import sight
from studiobridge.panel.texts import tongues
from studiobridge.profile.sighting import (
    Band,
    Hindrance,
    SeenFraming,
    SeenLight,
    SeenScreen,
    SeenWhite,
    Sighting,
    Stray,
)
from studiobridge.shown import seen
from studiobridge.shown.tongue import speaking

NOW = 1_800_000_000.0
HINDRANCES: tuple[Hindrance, ...] = get_args(Hindrance)


def light(low: float, value: float, high: float, **more: Any) -> SeenLight:
    return SeenLight(Band(0.3, 0.35, 0.4), stops=Band(low, value, high), **more)


QUIET = Sighting(
    run="r",
    frame=7,
    taken=NOW - 8,
    age=0.2,
    learned="2026-11-01T10:00:00Z",
    kept="lesson",
    kept_at="2026-11-20T10:00:00Z",
    lights={"key": light(-0.04, 0.0, 0.04), "rim": light(-0.06, 0.0, 0.07)},
    framing=SeenFraming(0.1, 0.0, 0.0, 1.0, 0.0001, moved=False),
    screen=SeenScreen(Band(0.3, 0.4, 0.5), "upper left", -0.3, change=0.02),
    white=SeenWhite("card", Band(-2, 0, 2), Band(-0.001, 0, 0.001)),
    exposure=Band(-0.04, 0.0, 0.05),
)


def said(found: Sighting, now: float | None = NOW, every: float = 10.0) -> seen.Said:
    return seen.as_kept(as_json(found), now, every, "cloth")


def as_json(found: Sighting) -> Any:
    return json.loads(json.dumps(dataclasses.asdict(found)))


def changed(**more: Any) -> Sighting:
    return dataclasses.replace(QUIET, **more)


def test_a_look_of_now_with_nothing_changed_is_as_kept() -> None:
    assert said(QUIET) == seen.Said("so", "the picture is as kept (looked 8 s ago)")


@pytest.mark.parametrize("code", HINDRANCES)
def test_whatever_hinders_is_named_first_and_nothing_is_said_of_the_lights(code: Hindrance) -> None:
    moved = changed(hinders=(code,), lights={"rim": light(-0.5, -0.4, -0.3, moved=True)})
    one = said(moved)
    assert one.code == "unknown"
    assert one.text.endswith("; nothing is concluded meanwhile")
    assert code == "not learned" or "as kept" not in one.text
    lines = seen.sentences(as_json(moved), NOW, 10.0, "cloth")
    assert lines[0] == one.text
    assert not any("rim" in line for line in lines)
    assert seen.differences(as_json(moved)) == [] or code not in (
        "moved",
        "standing still",
        "too dark",
    )


def test_each_hindrance_has_a_sentence_of_its_own() -> None:
    each = {said(changed(hinders=(code,))).text for code in HINDRANCES}
    assert len(each) == len(HINDRANCES) == len(seen.HINDERS)


def test_automatic_exposure_is_told_with_what_to_do() -> None:
    assert said(changed(hinders=("auto exposure",))).text == (
        "the camera sets its exposure by itself: switch it to manual; nothing is concluded meanwhile"
    )


@pytest.mark.parametrize("nonsense", [["sunspots"], [3], "moved", 5, {"a": 1}, [None]])
def test_a_hindrance_nobody_knows_hinders_too(nonsense: Any) -> None:
    view = {**as_json(QUIET), "hinders": nonsense}
    assert seen.as_kept(view, NOW, 10.0).code == "unknown"
    assert seen.lights(view) == []


@pytest.mark.parametrize(
    ("now", "when"),
    [
        (NOW + 300, "not how it is now"),
        (NOW + 86_400, "not how it is now"),
        (None, "not how it is now"),
        (NOW - 600, "not how it is now"),  # a clock that was set back: nobody knows how old
    ],
)
def test_an_old_look_confirms_nothing(now: float | None, when: str) -> None:
    one = said(QUIET, now)
    assert one.code == "unknown"
    assert when in one.text and "as kept" not in one.text
    assert seen.sentences(as_json(QUIET), now, 10.0) == [one.text]


def test_a_look_of_no_time_is_old() -> None:
    assert said(changed(taken=None)).code == "unknown"
    assert "nobody knows when" in said(changed(taken=None)).text


def test_how_long_a_look_is_of_now_follows_how_often_one_is_taken() -> None:
    assert said(changed(taken=NOW - 34)).code == "so"
    assert said(changed(taken=NOW - 36)).code == "unknown"
    assert said(changed(taken=NOW - 25), every=1.0).code == "unknown"
    assert (seen.LOOKS_HOLD, seen.MORE) == (sight.LOOKS_HOLD, sight.MORE)


@pytest.mark.parametrize(
    ("band", "text"),
    [
        ((-0.5, -0.4, -0.3), "0.4 stop less than kept (0.3 to 0.5)"),
        ((0.3, 0.4, 0.5), "0.4 stop more than kept (0.3 to 0.5)"),
        # rounded outwards, and to no finer a digit than the band is wide
        ((-0.46, -0.4, -0.34), "0.4 stop less than kept (0.3 to 0.5)"),
        ((0.121, 0.15, 0.179), "0.15 stop more than kept (0.12 to 0.18)"),
        ((-0.1, 0.05, 0.2), "no change to tell (0.1 stop less to 0.2 more)"),
        ((0.0, 0.02, 0.04), "no change to tell (0 to 0.04 stop more)"),
        ((-0.04, -0.02, 0.0), "no change to tell (0.04 stop less to 0)"),
    ],
)
def test_a_band_is_told_and_never_narrowed(band: tuple[float, float, float], text: str) -> None:
    assert seen.stops_against(Band(*band)) == text


@pytest.mark.parametrize("low", [-0.98, -0.433, -0.05, 0.011, 0.26])
@pytest.mark.parametrize("wide", [0.02, 0.05, 0.099, 0.31])
def test_the_ends_that_are_said_hold_the_band(low: float, wide: float) -> None:
    text = seen.stops_against(Band(low, low + wide / 2, low + wide))
    inside = text[text.index("(") + 1 : text.index(")")].replace(" stop", "")
    ends = [float(word) for word in inside.split() if word.replace(".", "").isdigit()]
    signs = (-1, 1) if "less to" in inside else (1, 1) if "more" in text else (-1, -1)
    said_low, said_high = sorted(sign * end for sign, end in zip(signs, ends, strict=True))
    assert said_low <= low + 1e-9 and low + wide <= said_high + 1e-9


def test_a_lamp_that_moved_is_told_with_what_to_do() -> None:
    one = said(changed(lights={"rim": light(-0.5, -0.4, -0.3, moved=True)}))
    assert one.code == "not"
    assert one.text == (
        "by the picture, rim: 0.4 stop less than kept (0.3 to 0.5), it wants more (looked 8 s ago)"
    )


def test_a_change_within_its_tolerance_is_no_difference() -> None:
    view = changed(lights={"rim": light(-0.09, -0.06, -0.03)})
    assert said(view).code == "so"
    assert seen.lights(as_json(view)) == [
        "rim: 0.06 stop less than kept (0.03 to 0.09), within its tolerance, by the picture"
    ]


def test_one_that_says_it_moved_with_a_band_about_nothing_has_not() -> None:
    assert said(changed(lights={"rim": light(-0.1, 0.0, 0.1, moved=True)})).code == "so"


def test_what_cannot_be_told_is_said_and_named_beside_as_kept() -> None:
    dim = SeenLight(Band(0.0, 0.4, 1.0), stops=Band(-2, 0, 2), tells=False)
    view = changed(lights={**QUIET.lights, "edge-left": dim})
    assert "edge-left: too little of it in the picture to tell" in seen.lights(as_json(view))
    assert said(view) == seen.Said(
        "unknown", "the picture shows no change (looked 8 s ago); it cannot tell edge-left"
    )
    assert said(changed(lights={"edge-left": dim})).code == "unknown"


def test_without_a_kept_picture_nothing_is_as_kept() -> None:
    one = said(changed(kept=None, lights={"key": SeenLight(Band(0.5, 0.6, 0.7))}))
    assert one.code == "unknown" and "no picture has been kept" in one.text


def test_the_three_greatest_differences_the_greatest_first() -> None:
    view = changed(
        lights={
            "key": light(0.1, 0.15, 0.2, moved=True),
            "fill": light(-1.2, -1.0, -0.8, moved=True),
            "rim": light(-0.5, -0.4, -0.3, moved=True),
            "hair": light(0.6, 0.7, 0.8, moved=True),
        }
    )
    text = said(view).text
    assert text.index("fill") < text.index("hair") < text.index("rim")
    assert "key" not in text and "1 more" in text


def test_light_from_nowhere() -> None:
    view = changed(stray=Stray(Band(0.035, 0.04, 0.05), "left"))
    assert seen.stray(as_json(view)) == (
        "light from nowhere: about 4 % of the face's (3 to 5 %), from the left edge: a window or a"
        " door"
    )
    assert said(view).code == "not"
    maybe = changed(stray=Stray(Band(0.0, 0.01, 0.03), "everywhere"))
    assert seen.stray(as_json(maybe)).startswith("perhaps light from nowhere: up to 3 %")
    assert said(maybe).code == "so"
    assert "of the picture's" in seen.stray(as_json(view), face=False)
    # where the picture does not tell, no side is named
    plain = seen.stray(as_json(changed(stray=Stray(Band(0.035, 0.04, 0.05), ""))))
    assert plain == "light from nowhere: about 4 % of the face's (3 to 5 %)"
    # a place nobody knows is not named
    assert "<b>" not in seen.stray(as_json(changed(stray=Stray(Band(0.035, 0.04, 0.05), "<b>"))))


@pytest.mark.parametrize("where", ["left", "right", "top", "bottom", "middle", "everywhere"])
def test_every_place_of_stray_light_has_words(where: str) -> None:
    text = seen.stray(as_json(changed(stray=Stray(Band(0.035, 0.04, 0.05), where))))
    assert text.count(":") == 2 and text.partition("%), ")[2]


def test_the_screen() -> None:
    view = changed(
        screen=SeenScreen(
            Band(0.33, 0.4, 0.47), "upper left", -0.3, against_face=-1.8, covered=0.3, change=0.2
        )
    )
    assert seen.screen(as_json(view), "cloth") == [
        "cloth is even to 0.4 stop (0.3 to 0.5); its upper left corner is 0.3 stop darker",
        "cloth is 0.2 stop less even than kept",
        "cloth is 1.8 stop below the face",
        "30 % of cloth is hidden",
    ]
    assert said(view).text.startswith("by the picture, cloth is 0.2 stop less even than kept: ")


def test_white() -> None:
    view = changed(white=SeenWhite("card", Band(9, 11, 13), Band(0.002, 0.004, 0.006)))
    assert seen.white(as_json(view)) == (
        "11 mired warmer than kept (9 to 13), at the card; Duv 0.004 greener"
    )
    assert said(view).code == "not"
    # as much as is allowed is told, and is no difference
    assert said(changed(white=SeenWhite("card", Band(4, 6, 9), Band(0, 0, 0)))).code == "so"
    assert seen.white(as_json(QUIET)) == (
        "white: no change to tell (2 mired cooler to 2 warmer), at the card"
    )
    assert seen.white(as_json(changed(white=view.white, hinders=("auto white",)))) == ""


def test_framing_and_focus() -> None:
    view = changed(framing=SeenFraming(-14, 0.2, 1.2, 1.0, 0.015, moved=True, softer=0.4))
    assert seen.framing(as_json(view)) == (
        "the camera looks 14 px further left, leaning 1.2° to its right: the tripod was touched"
    )
    assert seen.focus(as_json(view)) == "softer than kept: 40 % less fine detail"
    assert "turn it back" in said(view).text and "focus anew" in said(view).text
    assert seen.framing(as_json(QUIET)) == "the camera looks where it did"


def test_exposure_and_what_is_clipped() -> None:
    view = changed(exposure=Band(-0.4, -0.3, -0.2), clipped_face=0.02, clipped_screen=0.4)
    lines = seen.sentences(as_json(view), NOW, 10.0)
    assert "the whole picture is 0.3 stop darker than kept (0.2 to 0.4)" in lines
    assert "2.0 % of the face is clipped" in lines and "40 % of the backdrop is clipped" in lines
    assert said(view).code == "not"


def test_that_a_picture_is_no_meter_stands_where_figures_are_read() -> None:
    assert seen.sentences(as_json(QUIET), NOW, 10.0)[-1] == seen.NO_METER


def test_what_a_state_has_of_it_is_read_with_or_without_a_wrapping() -> None:
    flat = as_json(QUIET)
    assert seen.line({"sighting": flat}, NOW, 10.0) == seen.line(flat, NOW, 10.0) != ""
    for nothing in (None, [], "x", 5, {}, {"sighting": None}):
        assert seen.line(nothing, NOW) == ""
        assert seen.as_kept(nothing, NOW).code == "unknown"


NONSENSE = [None, "x", [], {}, True, 10**400, -1, float("nan"), math.inf, {"low": 1, "value": 0}]


def judged(found: Sighting, as_kept: bool | None, **more: Any) -> Any:
    """As the state of a bridge has it."""
    return {
        "witness": "looking",
        "trust": "usable",
        "as_kept": as_kept,
        "why": "",
        "differs": [],
        "sighting": as_json(found),
        **more,
    }


def test_of_a_look_made_of_a_take_it_says_that_no_picture_is_kept_of_it() -> None:
    why = "no picture is kept of take-3: `look save` makes it a look of the set and keeps one"
    one = seen.as_kept(judged(replace(QUIET, kept=None), None, why=why), NOW)
    assert one.code == "unknown"
    assert "no picture is kept of take-3" in one.text and "`look save`" in one.text


def test_only_where_the_bridge_says_so_too_is_the_picture_as_kept() -> None:
    assert seen.as_kept(judged(QUIET, True), NOW).code == "so"
    why = "it has not been looked at since the light was changed"
    one = seen.as_kept(judged(QUIET, None, why=why), NOW)
    assert one == seen.Said("unknown", f"the picture: {why}")
    assert seen.as_kept(judged(QUIET, False, why="the camera has moved"), NOW).code == "not"
    # and never by its word alone
    for odd in (changed(taken=NOW - 300), changed(hinders=("moved",)), changed(kept=None)):
        assert seen.as_kept(judged(odd, True), NOW).code == "unknown"


def _drifted(since: float, device: str = "key", **more: Any) -> dict[str, Any]:
    at = datetime.fromtimestamp(since, UTC).isoformat()
    return {"device": device, "point": "level", "since": at, "by": "report", **more}


@pytest.mark.parametrize(
    ("drift", "code", "line"),
    [
        # looked 8 s ago, and it moved 3 s ago: the drift is the newer of the two
        (
            _drifted(NOW - 3),
            "unknown",
            "the picture was as kept (looked 8 s ago): that was before key drifted",
        ),
        # it moved, was reported so, and a later look shows nothing of it
        (
            _drifted(NOW - 60),
            "unknown",
            "the picture shows no change (looked 8 s ago), after key drifted: the two disagree,"
            " look",
        ),
        # of a lamp outside the picture it cannot say anything
        (_drifted(NOW - 60, "desk-strip"), "so", "the picture is as kept (looked 8 s ago)"),
        (
            _drifted(NOW - 3, "?", perhaps=["rim", "edge"]),
            "unknown",
            "the picture was as kept (looked 8 s ago): that was before rim and edge drifted",
        ),
        # what speaks no more is not light, and what the picture told is no other evidence
        (_drifted(NOW - 3, point="online"), "so", "the picture is as kept (looked 8 s ago)"),
        (_drifted(NOW - 3, by="picture"), "so", "the picture is as kept (looked 8 s ago)"),
        (
            {**_drifted(NOW), "since": "nonsense"},
            "unknown",
            "the picture was as kept (looked 8 s ago): that was before key drifted",
        ),
    ],
)
def test_beside_a_drift_the_picture_says_which_of_the_two_is_newer(
    drift: dict[str, Any], code: str, line: str
) -> None:
    found = judged(QUIET, True)
    assert seen.as_kept(found, NOW, drift=[drift]) == seen.Said(code, line)  # type: ignore[arg-type]
    assert seen.line(found, NOW, drift=[drift]) == line


def test_a_picture_that_cannot_tell_all_is_not_newer_than_a_drift_either() -> None:
    lights = {**QUIET.lights, "rim": light(-1, 0.0, 1, tells=False)}
    line = seen.line(judged(changed(lights=lights), None), NOW, drift=[_drifted(NOW - 3)])
    assert line == "the picture was as kept (looked 8 s ago): that was before key drifted"


@pytest.mark.parametrize("moved", [True, False])
def test_a_look_that_the_bridge_concludes_nothing_from_contradicts_no_drift(moved: bool) -> None:
    """Something was put back a moment ago: the bridge waits for a look after that."""
    rim = light(1.4, 1.6, 1.7, moved=True) if moved else light(-0.1, 0.0, 0.1)
    of_now = changed(lights={**QUIET.lights, "rim": rim})
    why = "it has not been looked at since the light was changed"
    found = judged(of_now, None, why=why)
    line = seen.line(found, NOW, drift=[_drifted(NOW - 60, "rim")])
    assert line == f"the picture: {why}"


@pytest.mark.parametrize("trust", ["gone", "old", "no clock"])
def test_what_the_bridge_does_not_trust_is_not_told_as_now(trust: str) -> None:
    view = judged(QUIET, True, trust=trust)
    assert seen.as_kept(view, NOW).code == "unknown"
    assert len(seen.sentences(view, NOW)) == 1
    assert "looked 8 s ago" not in seen.line(view, NOW)


def test_the_differences_are_those_of_the_bridge_in_its_order() -> None:
    told = [
        {"device": None, "what": "white", "text": "the white at the card is 11 mired warmer"},
        {"device": "rim", "what": "level", "by": -0.4, "band": [-0.5, -0.3], "though": "report"},
    ]
    rim = {**QUIET.lights, "rim": light(-0.5, -0.4, -0.3, moved=True)}
    of_now = changed(white=SeenWhite("card", Band(9, 11, 13), Band(0, 0, 0)), lights=rim)
    view = judged(of_now, False, differs=told)
    assert seen.as_kept(view, NOW).text == (
        "by the picture, 11 mired warmer than kept (9 to 13), at the card: look at the lamps'"
        " whites and the camera's; rim: 0.4 stop less than kept (0.3 to 0.5) (as it should be, by"
        " its report), it wants more (looked 8 s ago)"
    )
    odd = judged(QUIET, False, differs=[{"device": 5}, 7, {"what": None, "band": "x"}])
    assert seen.as_kept(odd, NOW).code == "not"


def test_where_no_picture_was_kept_a_light_is_held_against_its_look() -> None:
    told = [{"device": "rim", "what": "level", "by": 0.8, "band": [0.7, 0.9]}]
    alone = {"rim": SeenLight(Band(0.5, 0.55, 0.6))}
    one = seen.as_kept(judged(changed(kept=None, lights=alone), None, differs=told), NOW)
    assert one.differs == ("rim: 0.8 stop more than the look asks (0.7 to 0.9), it wants less",)
    assert "kept" not in one.text and "kept" not in one.head


def test_a_set_without_a_witness_has_no_line_and_one_that_left_says_so() -> None:
    assert seen.line(None, NOW) == ""
    nothing = {"trust": "not seen", "as_kept": None, "sighting": None, "witness_why": ""}
    assert seen.line(nothing, NOW) == "the picture has not been looked at"
    late = seen.line({**nothing, "late_s": 13.2}, NOW)
    behind = "; the newest frame was 13 s old when it came: what looks at the picture is behind"
    assert late == "the picture has not been looked at" + behind
    gone = seen.line({**nothing, "trust": "gone"}, NOW)
    assert "witness serve" in gone


@pytest.mark.parametrize("key", [f.name for f in dataclasses.fields(Sighting)])
def test_nonsense_in_a_field_is_never_said(key: str) -> None:
    for odd in [*NONSENSE, {"low": math.nan, "value": 1, "high": 2}, {"a": {"amount": 3}}]:
        view = {**as_json(QUIET), key: odd}
        for line in seen.sentences(view, NOW, 10.0):
            assert "nan" not in line.split() and "inf" not in line


def test_a_name_cannot_drive_a_terminal() -> None:
    view = {**as_json(QUIET), "kept": "\x1b[31mred"}
    view["lights"] = {"\x1b[2Jkey": view["lights"]["key"]}
    assert "\x1b" not in "\n".join(seen.sentences(view, NOW, 10.0))


def test_how_the_witness_goes() -> None:
    assert seen.goes(None, has_witness=False).text.startswith("No picture is looked at: write")
    assert seen.goes(None).code == "unknown"
    assert seen.goes({"alive": False, "what": "looking"}).code == "unknown"
    assert seen.goes({"alive": True, "what": "looking"}).code == "so"
    frozen = seen.goes({"alive": True, "what": "no frames", "why": "cannot open /dev/video0"})
    assert frozen.code == "unknown" and "cannot open /dev/video0" in frozen.text


def test_in_german() -> None:
    with speaking(tongues()["de"]):
        rim = changed(lights={"rim": light(-0.5, -0.4, -0.3, moved=True)})
        assert "rim: 0,4 Blenden weniger als im Vergleichsbild (0,3 bis 0,5)" in said(rim).text


def test_a_set_whose_witness_never_came_says_how_one_is_had_and_one_that_left_that_it_left() -> (
    None
):
    """A profile may have `witness:` long before anybody looks: a calm line, and no fault."""
    none: dict[str, object] = {
        "witness": None, "witness_why": "", "trust": "not seen", "as_kept": None,
        "why": "the picture has not been looked at", "differs": [], "sighting": None,
    }  # fmt: skip
    assert seen.never_came(none)
    said = seen.as_kept(none, 100.0)
    assert said.code == "unknown" and "nobody has looked at the picture yet" in said.text
    assert seen.line(none, 100.0) == said.text
    for other in ({**none, "witness": "gone", "trust": "gone"}, {**none, "witness": "no frames"}):
        assert not seen.never_came(other)
        assert "nobody has looked" not in seen.as_kept(other, 100.0).text
    for nothing in (None, {}, 5, {"sighting": None}):
        assert not seen.never_came(nothing)
