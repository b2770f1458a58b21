"""A lockout when the word "off" is wrong, late or old; and what waited through a lost link."""

from __future__ import annotations

from studiobridge.control.events import LinkUp
from studiobridge.profile.model import Preset, SetProfile
from tests.control.play import Play, corner, fixture, plug, profile
from tests.control.test_people import locked_out


def lamp() -> SetProfile:
    hears = frozenset({"switch", "watts", "online"})
    looks = {"day": {"key": Preset(64.0, 4300.0)}}
    return profile(plug("p", hears=hears), fixture("key", "p"), looks=looks)


def off() -> Play:
    play = Play(lamp(), obedient=False)
    play.link_up()
    play.report("p", "switch", False)
    play.run(5)
    return play


def test_a_lamp_below_a_plug_with_a_welded_contact_is_no_plain_yes() -> None:
    play = off()
    play.report("p", "watts", 60.0)
    assert "p says off and 60 W still flow" in locked_out(play, "key")


def test_off_said_right_after_told_on_may_be_from_before() -> None:
    play = off()
    play.run(10)
    play.ask("up")
    play.run(0.2)
    assert play.tells("p")
    play.report("p", "switch", False)
    assert "CAREFUL: p was told on" in locked_out(play, "p")
    assert "key" in locked_out(play, "key").split("CAREFUL:")[1]


def test_a_plug_that_said_off_and_left_may_come_back_on() -> None:
    play = off()
    play.report("p", "online", False)
    assert "CAREFUL: p, key: not known to be off" in locked_out(play, "p")


def test_a_lamp_that_speaks_below_a_plug_that_says_off_is_no_plain_yes() -> None:
    play = off()
    play.report("key", "switch", True)
    assert "key: not known to be off" in locked_out(play, "key")


def test_a_request_that_waited_for_the_listening_does_not_outlive_the_link() -> None:
    play = Play(lamp())
    play.give(LinkUp(0.0))
    play.ask("up", id="u")
    play.link_down()
    assert [a.code for a in play.answers()] == [3]
    play.run(3 * 3600.0)
    play.link_up()
    play.run(30)
    assert play.tells("p") == []


def test_a_computer_that_was_idle_an_hour_ago_is_not_down_now() -> None:
    beliefs = Play(corner()).controller.beliefs
    beliefs.hear("pc-plug", "switch", True, False, 0.5)
    beliefs.hear("pc-plug", "watts", 2.0, False, 1.0)
    beliefs.hear("pc-plug", "watts", 2.0, False, 7.0)
    beliefs.now = 7.0
    assert beliefs.is_down("lesson-pc")
    beliefs.now = 3600.0  # its meter went silent, and somebody may have woken it
    assert not beliefs.is_down("lesson-pc")
