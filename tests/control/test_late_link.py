"""A link that comes back late: who asked may have left, and somebody may stand in the light."""

from __future__ import annotations

import pytest

from studiobridge.control.events import LinkUp
from studiobridge.control.runs import RESUMES_WITHIN
from tests.control.play import Play, corner


def cut_off_in_the_middle(what: str, away: float) -> Play:
    play = Play(corner(), meters_itself=True)
    play.link_up()
    if what == "down":
        play.ask("up")
        play.run(60.0)
        assert play.state == "ready"
    play.ask(what)
    play.run(1.0)
    assert play.controller.run is not None
    play.link_down()
    play.forget()
    play.run(away)
    play.link_up()
    return play


def test_a_run_up_goes_on_when_the_link_is_soon_back() -> None:
    play = cut_off_in_the_middle("up", RESUMES_WITHIN - 10.0)
    play.run(60.0)
    assert play.state == "ready"


def test_a_run_up_stops_and_says_so_when_the_link_was_away_for_long() -> None:
    play = cut_off_in_the_middle("up", RESUMES_WITHIN + 1.0)
    play.run(60.0)
    assert play.tells() == []
    assert play.state == "stalled"
    (answer,) = play.answers()
    assert answer.code == 1
    assert "the link was away for 2 min" in answer.text
    assert "ask for it again" in answer.text
    assert play.runs() == [("up", "turned")]
    play.ask("up")
    play.run(60.0)
    assert play.state == "ready"


def test_what_was_being_put_back_stops_too_and_the_set_says_how_it_stands() -> None:
    play = Play(corner(), meters_itself=True)
    play.link_up()
    play.ask("up")
    play.run(60.0)
    play.report("key", "level", 20.0)
    play.run(10.0)
    assert play.state == "adrift"
    play.deaf.add("key")
    play.ask("restore")
    play.run(0.5)
    play.link_down()
    play.forget()
    play.run(RESUMES_WITHIN + 1.0)
    play.deaf.clear()
    play.link_up()
    play.run(10.0)
    assert play.tells() == []
    assert play.state == "adrift"
    assert play.answers()[-1].code == 1


def test_a_link_that_comes_and_goes_has_been_away_since_it_went_first() -> None:
    play = Play(corner(), meters_itself=True)
    play.link_up()
    play.ask("up")
    play.run(1.0)
    play.link_down()
    for _ in range(4):
        play.run(RESUMES_WITHIN / 3)
        play.give(LinkUp(play.now))
        play.run(0.01)  # not long enough to hear from anybody
        play.link_down()
    play.forget()
    play.link_up()
    play.run(30.0)
    assert play.tells() == []
    assert play.state == "stalled"


@pytest.mark.parametrize("away", [10.0, 3600.0])
def test_a_run_down_goes_on_however_late(away: float) -> None:
    """It switches nothing on, and what it leaves half done is hot, loud or awake."""
    play = cut_off_in_the_middle("down", away)
    assert play.state == "lowering"
