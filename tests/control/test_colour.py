"""A coloured cloth: confirmed by report, drifting in words, put back, kept; white instead of it."""

from __future__ import annotations

from dataclasses import replace

import pytest

from studiobridge.control import views
from studiobridge.control.effects import ByHand, HandNote, Memory
from studiobridge.control.events import Described, Saved
from studiobridge.craft.chroma import Colour, ColourGrid, ColourSteps, apart, of_hs
from studiobridge.profile.model import Preset, SetProfile, Tolerance
from studiobridge.shown import drift_words, words
from tests.control.play import Play, fixture, plug, profile

GREEN, BLUE = of_hs(120, 0.9), of_hs(230, 0.8)
POINTS = frozenset({"level", "cct", "colour"})


def made(**more: object) -> SetProfile:
    points = {"tells": POINTS, "hears": POINTS | {"online"}, "either": True}
    cloth = fixture("cloth", "lamp-plug", **{**points, **more})
    return profile(
        plug("lamp-plug"),
        replace(cloth, kind="backdrop"),
        looks={
            "green": {"cloth": Preset(75.0, None, GREEN)},
            "blue": {"cloth": Preset(75.0, None, BLUE)},
            "white": {"cloth": Preset(75.0, 4300.0)},
        },
    )


def up(look: str = "green", **more: object) -> Play:
    play = Play(made(**more))
    play.link_up()
    play.ask("up", look=look)
    play.run(30.0)
    assert play.state == "ready"
    return play


def lines(play: Play) -> list[str]:
    return drift_words.drift_lines(views.drift_view(play.controller, play.now, lambda t: t))


def view(play: Play) -> dict[str, object]:
    return views.device_view(play.controller, "cloth", play.now, lambda t: t)


def test_a_coloured_set_is_ready_when_its_colour_is_reported() -> None:
    play = up()
    told = [values for _, name, values in play.tells("cloth")]
    assert ("colour", GREEN) in told[0]
    assert not any(point == "cct" for values in told for point, _ in values)
    shown = view(play)
    assert shown["confirmed"] is True
    assert shown["cct"] is None
    assert shown["colour"] == {
        "x": round(GREEN.x, 4),
        "y": round(GREEN.y, 4),
        "name": "green",
        "screen": shown["colour"]["screen"],  # type: ignore[index]
    }


def test_a_set_is_not_ready_while_its_colour_was_only_told() -> None:
    play = Play(made())
    play.link_up()
    play.ask("up", look="green")
    # everything but the colour is answered
    held = play.later
    play.later = lambda after, device, point, value: (  # type: ignore[method-assign]
        None if point == "colour" else held(after, device, point, value)
    )
    play.run(60.0)
    assert play.state != "ready"
    assert view(play)["confirmed"] is False


@pytest.mark.parametrize(
    ("said", "word"),
    [
        (of_hs(120, 0.6), "paler"),
        (Colour(0.26, 0.67), "deeper"),
        (of_hs(95, 0.9), "yellower"),
        (of_hs(150, 0.9), "more cyan"),
    ],
)
def test_a_drift_of_colour_says_which_way_and_how_far(said: Colour, word: str) -> None:
    play = up()
    play.report("cloth", "colour", said)
    play.run(5.0)
    assert play.state == "adrift"
    (entry,) = views.drift_view(play.controller, play.now, lambda t: t)
    assert entry["point"] == "colour"
    assert entry["shift"] == pytest.approx(apart(GREEN, said), abs=1e-4)
    (line,) = lines(play)
    assert line.startswith("cloth ")
    assert f" than wanted by {apart(GREEN, said):.3f} Δu′v′" in line
    assert word in line.split(" than wanted")[0]


def test_within_the_tolerance_is_not_drift() -> None:
    wide = made(tolerance=Tolerance(colour=0.02))
    near, far = Colour(GREEN.x, GREEN.y - 0.02), Colour(GREEN.x, GREEN.y - 0.09)
    assert 0.005 < apart(GREEN, near) < 0.02 < apart(GREEN, far)
    play = Play(wide)
    play.link_up()
    play.ask("up", look="green")
    play.run(30.0)
    play.report("cloth", "colour", near)
    play.run(10.0)
    assert play.state == "ready"
    play.report("cloth", "colour", far)
    play.run(10.0)
    assert play.state == "adrift"


def test_the_steps_of_a_device_do_not_read_as_drift() -> None:
    """Four bits of hue: one step is 24 degrees, far past the tolerance, and all it can do."""
    coarse = ColourGrid("hs", (1 / 15, 1 / 15))
    play = Play(made())
    play.link_up()
    play.give(Described(play.now, "cloth", "colour", True, True, ColourSteps(coarse, coarse)))
    blue = coarse.nearest(BLUE)
    assert apart(blue, BLUE) > Tolerance().colour
    play.ask("up", look="blue")
    held = play.later
    play.later = lambda after, device, point, value: held(  # type: ignore[method-assign]
        after, device, point, coarse.nearest(value) if isinstance(value, Colour) else value
    )
    play.run(30.0)
    assert play.state == "ready"
    play.report("cloth", "colour", of_hs(230 - 24, 0.8))
    play.run(10.0)
    assert play.state == "adrift"


def test_a_cloth_turned_white_says_so() -> None:
    play = up()
    play.report("cloth", "cct", 4300.0)
    play.run(5.0)
    assert play.state == "adrift"
    (line,) = lines(play)
    assert "cloth white at 4300 K instead of green" in line
    assert view(play)["cct"] == 4300.0
    assert view(play)["colour"] is None
    assert view(play)["confirmed"] is False


def test_a_white_light_turned_green_says_so() -> None:
    play = up("white")
    play.report("cloth", "colour", GREEN)
    play.run(5.0)
    assert play.state == "adrift"
    (line,) = lines(play)
    assert "cloth green instead of white at 4300 K" in line
    assert view(play)["cct"] is None


def test_turned_back_by_hand_it_returns() -> None:
    play = up()
    play.report("cloth", "cct", 4300.0)
    play.run(5.0)
    play.report("cloth", "colour", GREEN)
    play.run(5.0)
    assert play.state == "ready"
    assert [note.how for note in play.drifts("closed")] == ["returned"]


def test_a_fixture_that_does_not_say_which_is_judged_by_what_is_wanted_alone() -> None:
    """It reports a white beside its colour all evening: that is no drift."""
    play = up(either=False)
    for _ in range(5):
        play.report("cloth", "cct", 4300.0)
        play.report("cloth", "colour", GREEN)
        play.run(3.0)
    assert play.state == "ready"
    assert play.drifts("opened") == []


def test_restore_tells_the_colour_again() -> None:
    play = up()
    play.report("cloth", "colour", BLUE)
    play.run(5.0)
    play.forget()
    play.ask("restore")
    play.run(10.0)
    assert ("colour", GREEN) in play.tells("cloth")[0][2]
    assert play.state == "ready"
    assert [note.how for note in play.drifts("closed")] == ["restored"]


def test_from_white_to_green_and_back() -> None:
    play = up("white")
    play.ask("up", look="green")
    play.run(20.0)
    assert play.state == "ready"
    assert view(play)["colour"]["name"] == "green"  # type: ignore[index]
    play.ask("up", look="white")
    play.run(20.0)
    assert play.state == "ready"
    assert view(play)["cct"] == 4300.0
    assert play.drifts("opened") == []


@pytest.mark.parametrize(("first", "then"), [("white", "green"), ("green", "white")])
def test_drift_of_a_white_ends_where_the_next_look_is_coloured(first: str, then: str) -> None:
    play = up(first)
    point, value = ("cct", 5600.0) if first == "white" else ("colour", BLUE)
    play.report("cloth", point, value)
    play.run(5.0)
    assert play.state == "adrift"
    play.ask("up", look=then)
    play.run(20.0)
    assert play.state == "ready"
    assert [note.how for note in play.drifts("closed")] == ["changed look"]


def test_keep_saves_the_colour_as_reported() -> None:
    play = up()
    olive = of_hs(100, 0.8)
    play.report("cloth", "colour", olive)
    play.run(5.0)
    play.ask("keep", id="k")
    (save,) = play.saves()
    assert save.presets == {"cloth": Preset(75.0, None, olive)}
    play.give(Saved(play.now, save.request_id))
    play.run(1.0)
    assert play.state == "ready"
    assert [note.how for note in play.drifts("closed")] == ["kept"]


def test_keep_writes_no_white_where_the_look_has_a_colour() -> None:
    play = up()
    play.report("cloth", "cct", 4300.0)
    play.run(5.0)
    play.ask("keep", id="k")
    assert play.saves() == []
    (answer,) = [a for a in play.answers() if a.request_id == "k"]
    assert answer.code == 1
    assert "cloth is white at 4300 K and the look has it green" in answer.text
    assert "by hand" in answer.text


def test_a_step_that_fails_says_the_colour_in_words() -> None:
    play = Play(made())
    play.link_up()
    held = play.later
    play.later = lambda after, device, point, value: held(  # type: ignore[method-assign]
        after, device, point, BLUE if isinstance(value, Colour) else value
    )
    play.ask("up", look="green")
    play.run(60.0)
    why = views.state_view(play.controller, play.now, lambda t: t)["why"]
    assert "cloth was told green xy" in str(why)
    assert "and reports blue xy" in str(why)


def test_a_coloured_dial_is_ticked_and_still_is_after_a_restart() -> None:
    """The record gives its colour back: without it every coloured dial would have to be set anew."""
    made_ = made(speaks=None, tells=frozenset(), hears=frozenset(), hand_set=True, can_ask=False)
    play = Play(made_)
    play.link_up()
    play.ask("up", look="green")
    play.run(30.0)
    play.ask("set_by_hand", by="Ana")
    (note,) = [e for _, e in play.effects if isinstance(e, HandNote)]
    assert note.colour == GREEN
    assert view(play)["by"] == "hand"
    memory = Memory(
        state="ready",
        look="green",
        session=1,
        by_hand={"cloth": ByHand(Preset(note.level, note.cct, note.colour), note.by, 0.0)},
    )
    again = Play(made_, memory)
    again.link_up()
    again.report("lamp-plug", "switch", True)
    (shown,) = views.state_view(again.controller, again.now, lambda t: t)["hand_set"]  # type: ignore[misc]
    assert shown["set_by"] == "Ana"
    assert shown["colour"]["name"] == "green"
    assert words.hand_set([shown]) == ["cloth to 75 %, green (done by Ana)"]
