"""A light that takes switch, level and white only in one message: what fills such a message."""

from __future__ import annotations

import pytest

from studiobridge.control.belief import Belief
from studiobridge.profile.model import Preset
from tests.control.play import FIXTURE, Play, fixture, plug, profile


def play(looks: dict[str, dict[str, Preset]], **more: object) -> Play:
    key = fixture("key", "lamp-plug", together=(FIXTURE,), can_ask=False, **more)
    played = Play(profile(plug("lamp-plug"), key, looks=looks))
    played.link_up()
    played.report("lamp-plug", "switch", True)
    played.on["lamp-plug"] = True
    return played


DAY = {"day": {"key": Preset(64.0, 4300.0)}, "dusk": {"key": Preset(20.0)}}


def test_a_light_nobody_has_heard_is_told_out_and_never_on() -> None:
    """Its switch is not known, so it is told off with the level; the white is any look's."""
    played = play(DAY)
    played.deaf.add("key")
    played.ask("down", force=True)
    played.run(60.0)
    told = [dict(values) for _, _, values in played.tells("key")]  # type: ignore[arg-type]
    assert told
    assert all(said == {"level": 0.0, "switch": False, "cct": 4300.0} for said in told)


def test_a_light_that_was_heard_on_goes_out_at_once() -> None:
    """Each step of a fade would carry an "on" that nobody asked for."""
    played = play(DAY, knows_fade=False)
    for point, value in (("switch", True), ("level", 60.0), ("cct", 3900.0)):
        played.report("key", point, value)
    played.ask("down")
    played.run(5.0)
    told = [dict(values) for _, _, values in played.tells("key")]  # type: ignore[arg-type]
    assert told == [{"switch": False, "level": 60.0, "cct": 3900.0}]
    assert played.state == "dark"


def test_a_light_without_a_switch_is_faded_out_with_its_white() -> None:
    both = frozenset({"level", "cct"})
    played = Play(
        profile(
            plug("lamp-plug"),
            fixture("key", "lamp-plug", together=(both,), knows_fade=False, tells=both, hears=both),
            looks=DAY,
        )
    )
    played.link_up()
    played.report("lamp-plug", "switch", True)
    for point, value in (("level", 60.0), ("cct", 3900.0)):
        played.report("key", point, value)
    played.ask("down")
    played.run(5.0)
    told = [dict(values) for _, _, values in played.tells("key")]  # type: ignore[arg-type]
    assert told == [{"level": level, "cct": 3900.0} for level in (45.0, 30.0, 15.0, 0.0)]


def test_a_white_nobody_knows_is_not_made_up() -> None:
    """The look says nothing of the white, and the light never did: it is not told at all."""
    played = play(DAY)
    played.report("key", "switch", False)
    played.ask("up", look="dusk")
    played.run(60.0)
    assert played.tells("key") == []
    assert played.state == "stalled"
    (why,) = [text for text in played.controller.last_run.text if "only together" in text]  # type: ignore[union-attr]
    assert "nothing is known of its cct: give it one in this look, or make it report" in why


def test_a_light_is_asked_for_the_white_its_look_leaves_alone() -> None:
    played = Play(
        profile(
            plug("lamp-plug"),
            fixture("key", "lamp-plug", together=(FIXTURE,), knows_fade=False),
            looks=DAY,
        ),
        obedient=False,
    )
    played.link_up()
    played.report("lamp-plug", "switch", True)
    played.report("key", "switch", True)
    played.obedient = True
    played.ask("up", look="dusk")
    played.run(0.3)
    assert played.tells("key") == []
    for point, value in (("level", 60.0), ("cct", 3100.0)):
        played.report("key", point, value)
    played.run(10.0)
    assert played.state == "ready"
    told = [dict(values) for _, _, values in played.tells("key")]  # type: ignore[arg-type]
    assert [said["level"] for said in told] == [50.0, 40.0, 30.0, 20.0]
    assert all(said["cct"] == 3100.0 and said["switch"] is True for said in told)


def test_what_is_held_is_the_last_word_of_either_side() -> None:
    belief = Belief(fixture("key", "lamp-plug"))
    assert belief.held("level", 0.0) is None
    belief.hear("level", 40.0, True, 1.0)  # kept by the broker: better than nothing
    assert belief.held("level", 2.0) == 40.0
    belief.tell([("level", 64.0)], 3.0, 6.0)
    belief.hear("level", 45.0, False, 4.0)  # on its way there
    assert belief.held("level", 5.0) == 64.0
    assert belief.held("level", 7.0) == 45.0  # and it stayed there
    belief.tell([("level", 20.0)], 8.0, 9.0)
    assert belief.held("level", 10.0) == 20.0


def test_a_switch_is_on_only_by_a_word_of_this_epoch() -> None:
    belief = Belief(fixture("key", "lamp-plug"))
    assert belief.held("switch", 0.0) is False
    belief.hear("switch", True, True, 1.0)  # the broker's memory of it brings nothing on
    assert belief.held("switch", 2.0) is False
    belief.hear("switch", True, False, 3.0)
    assert belief.held("switch", 4.0) is True
    belief.tell([("switch", True)], 5.0, 9.0)
    belief.hear("switch", False, False, 6.0)  # somebody pressed it, the moment it came on
    assert belief.held("switch", 7.0) is False
    belief.tell([("switch", True)], 8.0, 9.0)
    assert belief.held("switch", 8.5) is True
    belief.mains_came(10.0)
    assert belief.held("switch", 11.0) is False


def test_a_white_that_was_heard_goes_with_a_look_that_leaves_it_alone() -> None:
    played = play(DAY)
    for point, value in (("switch", False), ("level", 60.0), ("cct", 3100.0)):
        played.report("key", point, value)
    played.ask("up", look="dusk")
    played.run(60.0)
    assert played.state == "ready"
    told = [dict(values) for _, _, values in played.tells("key")]  # type: ignore[arg-type]
    assert told
    assert all(said["cct"] == 3100.0 and said["switch"] is True for said in told)


@pytest.mark.parametrize("turned", [2900.0, 5000.0])
def test_a_white_turned_during_a_fade_is_left_as_it_was_turned(turned: float) -> None:
    played = play(DAY, knows_fade=False)
    for point, value in (("switch", True), ("level", 64.0), ("cct", 4300.0)):
        played.report("key", point, value)
    played.ask("up", look="day")
    played.run(5.0)
    played.ask("up", look="dusk")
    played.run(0.3)
    played.report("key", "cct", turned)
    played.run(5.0)
    (*_, last) = [dict(values) for _, _, values in played.tells("key")]  # type: ignore[arg-type]
    assert last["cct"] == turned
