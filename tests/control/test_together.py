"""A light that takes switch, level and white only in one message: what fills such a message."""

from __future__ import annotations

import pytest

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
