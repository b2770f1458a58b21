"""How the lights stand becomes a look: what is known, on what evidence, and what is left out."""

from __future__ import annotations

from dataclasses import replace

import pytest

from studiobridge.control.events import Gauge, Saved
from studiobridge.craft.chroma import of_hs
from studiobridge.profile.model import Device, Preset
from studiobridge.profile.said import Answer
from tests.control.play import Play, corner, fixture, on_plug, plug, profile

METERED = frozenset({"switch", "watts", "online"})


def brought_up(**more: object) -> Play:
    play = Play(corner(**more))
    play.link_up()
    play.ask("up")
    play.run(30)
    assert play.state == "ready"
    play.forget()
    return play


def save(play: Play, look: str = "evening", **more: object) -> Answer | None:
    """Ask for it, let the file be written, and give the answer."""
    play.forget()
    id_ = f"save-{play.now}-{look}"
    play.ask("save_look", id=id_, look=look, **more)
    for one in play.saves():
        play.give(Saved(play.now, one.request_id))
    return next((a for a in play.answers() if a.request_id == id_), None)


def test_what_is_reported_becomes_a_look_that_can_be_asked_for_at_once() -> None:
    play = brought_up()
    play.report("key", "level", 59.13)
    play.report("fill", "cct", 4349.6)
    play.run(3)
    answer = save(play, title="As tried")
    assert answer is not None
    assert answer.code == 0
    (one,) = play.saves()
    assert (one.look, one.whole, one.title) == ("evening", "new", "As tried")
    assert one.presets == {"key": Preset(59.1, 4300.0), "fill": Preset(32.0, 4350.0)}
    assert "key 59.1 %, 4300 K" in answer.text
    assert answer.detail["only_told"] == []
    play.report("key", "level", 64.0)
    play.ask("up", look="evening")
    play.run(30)
    assert play.state == "ready"
    assert play.controller.look == "evening"
    assert ("level", 59.1) in play.tells("key")[-1][2]


def test_a_look_that_the_file_did_not_take_is_not_there() -> None:
    play = brought_up()
    play.ask("save_look", id="s", look="evening")
    play.give(Saved(play.now, "s", "x.yaml:9: there is a look 'evening' already"))
    assert play.answers()[-1].code == 1
    play.ask("up", id="u", look="evening")
    assert play.answers()[-1].code == 2


def test_the_look_in_force_written_anew_is_what_is_held_from_then_on() -> None:
    play = brought_up()
    play.report("key", "level", 40.0)
    play.run(3)
    assert play.state == "adrift"
    answer = save(play, "day", replace=True)
    assert answer is not None
    assert answer.code == 0
    assert play.saves()[0].whole == "anew"
    assert [e.how for e in play.drifts("closed")] == ["kept"]
    play.run(10)
    assert play.state == "ready"


def test_keep_says_what_became_what() -> None:
    play = brought_up()
    play.report("key", "level", 59.13)
    play.run(3)
    play.ask("keep", id="k")
    play.give(Saved(play.now, "k"))
    answer = play.answers()[-1]
    assert answer.text == "kept in day: key 64 → 59.1 %"
    (kept,) = answer.detail["kept"]  # type: ignore[misc]
    assert (kept["was"]["level"], kept["is"]["level"]) == (64.0, 59.1)  # type: ignore[index]


# ---- not now -----------------------------------------------------------------------------


def test_nothing_is_saved_while_a_run_is_under_way_or_a_camera_rolls() -> None:
    play = Play(corner())
    play.link_up()
    play.ask("up")
    play.run(1.0)
    assert play.state == "rising"
    under_way = save(play)
    assert under_way is not None
    assert under_way.code == 1
    assert "'up' is under way" in under_way.text
    play.run(30)
    play.report("camera", "rolling", True)
    play.ask("save_look", id="r", look="evening")
    rolls = play.answers()[-1]
    assert (rolls.request_id, rolls.code) == ("r", 1)
    assert "camera is rolling" in rolls.text
    assert play.saves() == []


def test_a_dark_set_is_no_look() -> None:
    play = Play(corner())
    play.link_up()
    answer = save(play)
    assert answer is not None
    assert answer.code == 1
    assert "no light is known to be lit" in answer.text


@pytest.mark.parametrize("name", [None, "", "Evening", "spät", "a b", "-x", "x" * 41])
def test_a_name_that_no_profile_could_have_is_bad_input(name: str | None) -> None:
    play = brought_up()
    play.ask("save_look", id="n", look=name)
    assert play.answers()[-1].code == 2
    assert play.saves() == []


def test_only_lights_are_saved() -> None:
    play = brought_up()
    for n, target in enumerate(("camera", "wall")):
        play.ask("save_look", id=f"t{n}", look="evening", targets=(target,))
        assert play.answers()[-1].code == 2
    play.ask("save_look", id="t", look="evening", title="a\x1b[31m")
    assert play.answers()[-1].code == 2
    answer = save(play, targets=("fill",))
    assert answer is not None
    assert list(play.saves()[0].presets) == ["fill"]


# ---- by what is known of each ------------------------------------------------------------


def test_a_light_that_does_not_answer_is_left_out_and_named_or_refused() -> None:
    play = brought_up()
    play.deaf.add("fill")
    play.report("fill", "online", False)
    play.run(3)
    answer = save(play)
    assert answer is not None
    assert answer.code == 0
    assert list(play.saves()[0].presets) == ["key"]
    assert answer.detail["left_out"] == [{"device": "fill", "why": "does not answer"}]
    assert "Left out: fill does not answer" in answer.text
    play.forget()
    play.ask("save_look", id="strict", look="strictly", strict=True)
    assert play.answers()[-1].code == 1
    assert play.saves() == []


def test_a_report_from_before_it_was_told_something_else_is_not_how_it_stands() -> None:
    """Told to go on to another level, and not heard since: only told, and said so."""
    play = brought_up()
    belief = play.controller.beliefs.of["key"]
    belief.tell((("level", 20.0),), play.now, play.now)
    play.run(0.5)
    answer = save(play)
    assert answer is not None
    assert play.saves()[0].presets["key"].level == 20.0
    assert answer.detail["only_told"] == ["key"]


def lamps(*made: Device, presets: dict[str, Preset]) -> Play:
    looks = {"day": presets}
    play = Play(
        profile(plug("lamp-plug", hears=METERED), fixture("key", "lamp-plug"), *made, looks=looks),
        meters_itself=True,
    )
    play.link_up()
    play.ask("up")
    play.run(40)
    return play


def dial(**more: object) -> Device:
    return on_plug("rim", "light", "lamp-plug", **{"hand_set": True, "proof": "watts", **more})


DAY = {"key": Preset(60.0, 4300.0), "rim": Preset(30.0)}


def gauge(play: Play, low: float, high: float, name: str = "rim") -> None:
    play.give(Gauge(play.now, name, "level", low, high, "watts"))
    play.run(0.1)


@pytest.mark.parametrize(
    ("low", "high", "level"),
    [
        (29.0, 31.0, 30.0),  # it confirms what is wanted
        (40.0, 50.0, 45.0),  # 0.3 stop from end to end: its middle
        (45.0, 45.0, 45.0),
        (20.0, 45.0, None),  # more than a stop: it says hardly more than that it is lit
        (0.0, 20.0, None),
    ],
)
def test_watts_are_a_band(low: float, high: float, level: float | None) -> None:
    play = lamps(dial(), presets=DAY)
    gauge(play, low, high)
    answer = save(play)
    assert answer is not None
    presets = play.saves()[0].presets
    if level is None:
        assert "rim" not in presets
        assert "Left out: rim is not known" in answer.text
        return
    assert presets["rim"] == Preset(level)
    assert ("somewhere from" in answer.text) == (level == 45.0)
    assert answer.detail["by"]["rim"].startswith("its watts")  # type: ignore[index]


def test_a_persons_word_counts_until_the_watts_contradict_it() -> None:
    play = lamps(dial(), presets=DAY)
    play.ask("set_by_hand", targets=("rim",), by="jo")
    answer = save(play)
    assert answer is not None
    assert play.saves()[0].presets["rim"] == Preset(30.0)
    assert "rim 30 % (by hand: jo)" in answer.text
    gauge(play, 78.0, 82.0)
    answer = save(play, "later")
    assert answer is not None
    assert play.saves()[0].presets["rim"] == Preset(80.0)


def test_what_only_listens_is_saved_at_what_it_was_told_and_named() -> None:
    hair = fixture("hair", "lamp-plug", tells=frozenset({"level"}), hears=frozenset(), proof="none")
    play = lamps(hair, presets={"key": Preset(60.0, 4300.0), "hair": Preset(40.0)})
    answer = save(play)
    assert answer is not None
    assert play.saves()[0].presets["hair"] == Preset(40.0)
    assert answer.detail["only_told"] == ["hair"]
    assert "hair 40 % (only told)" in answer.text
    # and when its plug is off it is not at 40 %, whatever it was told
    play.report("lamp-plug", "switch", False)
    play.run(1)
    answer = save(play, "dark")
    assert answer is not None
    assert answer.code == 1


def test_a_light_that_is_off_is_saved_dark_where_it_has_a_level_for_that() -> None:
    own = corner()
    devices = dict(own.devices)
    devices["fill"] = replace(devices["fill"], level_range=(5.0, 100.0))
    play = Play(replace(own, devices=devices))
    play.link_up()
    play.ask("up")
    play.run(30)
    for name in ("key", "fill"):
        play.report(name, "switch", False)
    play.run(3)
    answer = save(play)
    assert answer is not None
    assert answer.code == 1, "nothing is lit"
    play.report("key", "switch", True)
    play.run(1)
    answer = save(play)
    assert answer is not None
    assert list(play.saves()[0].presets) == ["key"]
    assert "fill is off, and its levels begin at 5 %" in answer.text


def test_a_light_that_is_off_beside_one_that_is_lit_is_dark_in_the_look() -> None:
    play = brought_up()
    play.report("fill", "switch", False)
    play.run(3)
    answer = save(play)
    assert answer is not None
    assert play.saves()[0].presets == {"key": Preset(64.0, 4300.0), "fill": Preset(0.0)}
    assert answer.detail["left_out"] == []


def test_what_hangs_on_a_plug_that_last_said_off_is_not_at_what_it_was_told() -> None:
    hair = fixture("hair", "hair-plug", tells=frozenset({"level"}), hears=frozenset(), proof="none")
    looks = {"day": {"key": Preset(60.0, 4300.0), "hair": Preset(40.0)}}
    play = Play(
        profile(
            plug("lamp-plug"), plug("hair-plug"), fixture("key", "lamp-plug"), hair, looks=looks
        )
    )
    play.link_up()
    play.ask("up")
    play.run(40)
    play.report("hair-plug", "switch", False)
    play.deaf.add("hair-plug")
    # told on again, and never answered: its last word stays that it is off
    belief = play.controller.beliefs.of["hair-plug"]
    belief.tell((("switch", True),), play.now, play.now)
    play.run(1)
    answer = save(play)
    assert answer is not None
    assert answer.detail["left_out"] == [
        {"device": "hair", "why": "has no power, and does not say so itself"}
    ]


def test_a_band_that_confirms_what_it_was_told_last_is_saved_at_that() -> None:
    mute = {"tells": frozenset({"level"}), "hears": frozenset(), "proof": "watts", "draws": 0.0}
    strip = fixture("rim", "lamp-plug", **mute)
    play = lamps(strip, presets=DAY)
    play.controller.beliefs.of["rim"].tell((("level", 20.0),), play.now, play.now)
    play.run(0.1)
    gauge(play, 19.5, 20.7)
    answer = save(play)
    assert answer is not None
    assert play.saves()[0].presets["rim"] == Preset(20.0)
    assert answer.detail["only_told"] == []


def test_a_white_by_the_picture_is_a_band_too() -> None:
    told = frozenset({"level", "cct"})
    strip = fixture("rim", "lamp-plug", tells=told, hears=frozenset(), proof="picture")
    play = lamps(strip, presets={"key": Preset(60.0, 4300.0), "rim": Preset(30.0, 4300.0)})
    for low, high, white in ((3590.0, 3630.0, 3610.0), (3000.0, 5000.0, 4300.0)):
        play.give(Gauge(play.now, "rim", "cct", low, high, "picture"))
        play.run(0.1)
        answer = save(play, f"white-{low:.0f}")
        assert answer is not None
        # of one that fits no white, and of its level, only what it was told is known
        assert play.saves()[0].presets["rim"] == Preset(30.0, white)
        assert answer.detail["only_told"] == ["rim"]


def test_of_a_light_that_says_white_and_colour_the_look_in_force_says_which_counts() -> None:
    points = frozenset({"level", "cct", "colour"})
    both = fixture("rim", "lamp-plug", tells=points, hears=points | {"online"})
    green = of_hs(120, 0.9)
    for preset in (Preset(30.0, 4300.0), Preset(30.0, None, green)):
        play = lamps(both, presets={"key": Preset(60.0, 4300.0), "rim": preset})
        play.report("rim", "cct", 4300.0)
        play.report("rim", "colour", green)
        play.run(3)
        assert save(play) is not None
        assert play.saves()[0].presets["rim"] == preset


def test_a_save_tells_no_light_anything() -> None:
    play = brought_up()
    save(play)
    play.run(5)
    assert play.tells() == []


def test_a_level_that_no_look_could_say_is_left_out() -> None:
    own = corner()
    devices = dict(own.devices)
    devices["fill"] = replace(devices["fill"], cct_range=(2700.0, 6500.0))
    play = Play(replace(own, devices=devices))
    play.link_up()
    play.ask("up")
    play.run(30)
    play.report("fill", "cct", 2650.0)
    play.run(3)
    answer = save(play)
    assert answer is not None
    assert "fill is at 2650 K, outside its own 2700 to 6500 K" in answer.text


def test_asked_again_after_the_answer_was_lost_it_is_answered_and_not_repeated() -> None:
    play = brought_up()
    assert save(play) is not None
    (one,) = play.saves()
    play.ask("save_look", id=one.request_id, look="evening")
    assert len(play.saves()) == 1
    assert play.answers()[-1].code == 0


def test_a_light_on_its_way_is_not_saved_half_way_and_one_that_says_it_is_there_is() -> None:
    play = brought_up()
    belief = play.controller.beliefs.of["key"]
    belief.tell((("level", 20.0),), play.now, play.now + 5.0)
    play.run(0.1)
    play.report("key", "level", 40.0)
    answer = save(play)
    assert answer is not None
    assert answer.detail["left_out"] == [{"device": "key", "why": "is still being set"}]
    play.report("key", "level", 20.0)
    answer = save(play, "there")
    assert answer is not None
    assert play.saves()[0].presets["key"].level == 20.0
